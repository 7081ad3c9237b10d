package network

// The numbers that move a predicted reading, all of them; the priors of junctions stand with
// their origins (Origin.Prior). Influence is what half and double of a number move, as in
// fault/constants.go.
const (
	// RefCelsius is the temperature at which a JunctionValue's Drop is given, and RefCurrent
	// the current.
	RefCelsius = 23.0
	RefCurrent = 1e-3 // A

	// SPICE's law for the saturation current of a silicon junction over temperature (ngspice
	// manual, diode model: IS, EG, XTI):
	//
	//	Is(T) = Is(T0) * (T/T0)^(XTI/n) * exp((T/T0 - 1) * EG/(n*Vt(T)))
	//
	// which lowers a 0.5 V drop by about 2.3 mV per kelvin.
	energyGap          = 1.11  // eV, silicon; half 0.025, double 0.042
	saturationExponent = 3.0   // XTI; half 0.0022, double 0.0037
	leastSaturation    = 1e-39 // A below which a junction conducts nothing that any meter sees, and arithmetic ends
	maxDrop            = 2.9   // V above which a junction is as good as absent: no meter in diode mode turns it on

	// MinOhms is the least resistance in ohms of any path: the copper and solder that every
	// path has. OpenOhms is that above which a path is taken away rather than solved: at 3 V
	// it passes 0.3 nA.
	MinOhms  = 1e-3
	OpenOhms = 1e10

	faintLeak = 3e-5 // share of the meter's current that a reversed junction may pass and be left out: behind a kilohm it moves a reading by 0.03 mV
)
