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
}

// MeterFit is the outcome of FitMeter.
type MeterFit struct {
	Meter   Meter   // the given meter with what the resistors tell put in
	Current float64 // standard uncertainty of its TestCurrent, in amperes
	// Misfit is the root mean square of the differences between readings and
	// fit, in standard uncertainties of the meter: about 1 for a good fit, above
	// 3 where a resistor is not what it is thought to be.
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
		w := 1 / (m.Sigma(k.Volts) * m.Sigma(k.Volts))
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
		sigma := m.Sigma(k.Volts) / (k.Volts * k.Volts)
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
		z := (k.Volts - volts) / m.Sigma(k.Volts)
		sum += z * z
	}
	return math.Sqrt(sum / float64(len(known)))
}
