package references

import (
	"errors"
	"fmt"
	"math"
)

// ResistorReading is what a meter showed in diode mode across a known resistor.
type ResistorReading struct {
	Ohms  float64 // of the resistor, by its marking or a better meter
	Volts float64 // as shown
	// Doubt is the standard uncertainty in volts of what the thing should read,
	// beside the meter's: 0 for a good resistor, set for a diode by Diode.Known.
	Doubt float64
}

// sigma is the standard uncertainty in volts of a reading against the fit.
func (k ResistorReading) sigma(m Meter) float64 { return math.Hypot(m.Sigma(k.Volts), k.Doubt) }

// MisfitAlarm is the Misfit above which the readings contradict each other. An
// error at the very limit of the meter's accuracy counts sqrt(3), so that a
// meter and resistors as they should be stay below.
const MisfitAlarm = 2

// Diode is a diode that obeys Shockley's law with a resistance in series:
// V = Ideality*Vt*ln(1 + I/Saturation) + I*Series.
type Diode struct {
	Saturation float64 // amperes, at Celsius
	Ideality   float64
	Series     float64 // ohms
	Spread     float64 // volts, how far one diode of the type differs from the next
	Celsius    float64 // degrees
}

// SmallSignalDiode is the 1N4148 at 27 C by the device-model example of the
// ngspice manual: is=2.495e-9, n=1.679, rs=0.4755. Spread is common practice, no
// source.
func SmallSignalDiode() Diode {
	return Diode{Saturation: 2.495e-9, Ideality: 1.679, Series: 0.4755, Spread: 0.010, Celsius: 27}
}

// thermalVolts is k*T/q per kelvin, from the exact constants of the SI (SI
// Brochure, 9th edition): 1.380649e-23 J/K over 1.602176634e-19 C.
const thermalVolts = 1.380649e-23 / 1.602176634e-19

// current is the current in amperes at a drop of volts, and slope the change of
// the drop with the current's logarithm, in volts. Newton's method on ln(I),
// which the law is nearly straight in.
func (d Diode) current(volts float64) (amperes, slope float64) {
	nVt := d.Ideality * thermalVolts * (d.Celsius + 273.15)
	x := math.Log(d.Saturation) + volts/nVt // without the series resistance
	for range 60 {
		i := math.Exp(x)
		slope = nVt*i/(i+d.Saturation) + i*d.Series
		step := (volts - nVt*math.Log1p(i/d.Saturation) - i*d.Series) / slope
		x += math.Max(-1, math.Min(1, step))
	}
	return math.Exp(x), slope
}

// Known makes a diode read in diode mode into the resistor that would have read
// the same.
func (d Diode) Known(m Meter, volts float64) (ResistorReading, error) {
	if !(d.Saturation > 0 && d.Ideality > 0 && d.Series >= 0) {
		return ResistorReading{}, errors.New("the diode has no saturation current or ideality above zero; give both, such as 2.495e-9 A and 1.679")
	}
	if !(volts > 0.1 && volts < m.Over) {
		return ResistorReading{}, fmt.Errorf("the diode reads %.3f V; hold the black probe on the end with the band, and check that it is a silicon diode", volts)
	}
	i, slope := d.current(volts)
	// One diode of the type reads Spread more than the next at the same current,
	// which says Spread/slope of the current, as a share.
	return ResistorReading{Ohms: volts / i, Volts: volts, Doubt: volts * math.Hypot(d.Spread, m.Sigma(volts)) / slope}, nil
}

// MeterFit is the outcome of FitMeter.
type MeterFit struct {
	Meter   Meter   // the given meter with what the resistors tell put in
	Current float64 // standard uncertainty of its TestCurrent, in amperes
	// Misfit is the root mean square of the differences between readings and
	// fit, in standard uncertainties of the meter: about 1 for a good fit, above
	// MisfitAlarm where a resistor is not what it is thought to be.
	Misfit float64
}

// FitMeter finds a meter's own test current from known resistors read in diode
// mode, and from three resistors on also whether its source is a constant
// current or a voltage behind a resistance. Readings are weighted by the meter's
// accuracy.
//
// A constant current I reads V = I*R (Ohm's law); an open voltage E behind a
// resistance that lets I flow through joined probes reads
//
//	V = E*R/(R + E/I),  that is  1/V = 1/E + (1/I)/R
//
// which is a straight line in 1/R.
func FitMeter(m Meter, known []ResistorReading) (MeterFit, error) {
	for _, k := range known {
		switch {
		case !(k.Ohms > 0) || math.IsInf(k.Ohms, 1):
			return MeterFit{}, fmt.Errorf("a resistor of %g ohm tells nothing; use one of 100 ohm to 1.5 kohm", k.Ohms)
		case !(k.Volts > 10*m.Resolution):
			return MeterFit{}, fmt.Errorf("%g ohm reads %.3f V, too little to tell the current; use a larger resistor", k.Ohms, k.Volts)
		case k.Volts > m.Over:
			return MeterFit{}, fmt.Errorf("%g ohm reads %.3f V, above the display limit %g V; check the reading, or use a smaller resistor", k.Ohms, k.Volts, m.Over)
		}
	}
	if len(known) < 2 {
		return MeterFit{}, errors.New("one resistor cannot show that its value is wrong; read two or three, such as 100 ohm, 470 ohm and 1 kohm")
	}
	constant := fitConstant(m, known)
	if len(known) < 3 {
		return constant, nil
	}
	resistive, ok := fitResistive(m, known)
	// The resistive source has one number more to fit with, so it must do
	// better by a margin: twice its logarithmic likelihood by more than ln(n)
	// (Schwarz 1978, from memory).
	n := float64(len(known))
	if ok && n*(constant.Misfit*constant.Misfit-resistive.Misfit*resistive.Misfit) > math.Log(n) {
		return resistive, nil
	}
	return constant, nil
}

// fitConstant is the weighted least-squares slope through zero of V = I*R.
func fitConstant(m Meter, known []ResistorReading) MeterFit {
	var top, bottom float64
	for _, k := range known {
		w := 1 / (k.sigma(m) * k.sigma(m))
		top += w * k.Volts * k.Ohms
		bottom += w * k.Ohms * k.Ohms
	}
	m.Source, m.TestCurrent = ConstantCurrent, top/bottom
	return MeterFit{m, 1 / math.Sqrt(bottom), misfit(m, known)}
}

// fitResistive is the weighted straight line 1/V = 1/E + (1/I)/R; ok is false
// where no positive open voltage and current fit.
func fitResistive(m Meter, known []ResistorReading) (fit MeterFit, ok bool) {
	var w, wx, wxx, wy, wxy float64
	for _, k := range known {
		// sigma(1/V) = sigma(V)/V².
		sigma := k.sigma(m) / (k.Volts * k.Volts)
		weight, x, y := 1/(sigma*sigma), 1/k.Ohms, 1/k.Volts
		w, wx, wxx, wy, wxy = w+weight, wx+weight*x, wxx+weight*x*x, wy+weight*y, wxy+weight*x*y
	}
	det := w*wxx - wx*wx
	perOpen, perCurrent := (wxx*wy-wx*wxy)/det, (w*wxy-wx*wy)/det
	if !(perOpen > 0 && perCurrent > 0) {
		return MeterFit{}, false
	}
	m.Source, m.OpenVoltage, m.TestCurrent = Resistive, 1/perOpen, 1/perCurrent
	m.Over = math.Min(m.Over, m.OpenVoltage)
	return MeterFit{m, math.Sqrt(w/det) / (perCurrent * perCurrent), misfit(m, known)}, true
}

// misfit is the root mean square residual in standard uncertainties.
func misfit(m Meter, known []ResistorReading) float64 {
	var sum float64
	for _, k := range known {
		volts := m.TestCurrent * k.Ohms
		if m.Source == Resistive {
			volts = m.OpenVoltage * k.Ohms / (k.Ohms + m.SourceOhms())
		}
		z := (k.Volts - volts) / k.sigma(m)
		sum += z * z
	}
	return math.Sqrt(sum / float64(len(known)))
}
