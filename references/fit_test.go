package references

import (
	"math"
	"strings"
	"testing"
)

func TestFitMeter(t *testing.T) {
	base := DefaultMeter()
	// What the meters below show, by Ohm's law, rounded to the display's 1 mV.
	constant := func(amperes float64, ohms ...float64) (list []ResistorReading) {
		for _, r := range ohms {
			list = append(list, ResistorReading{r, math.Round(amperes*r*1000) / 1000})
		}
		return list
	}
	resistive := func(open, amperes float64, ohms ...float64) (list []ResistorReading) {
		for _, r := range ohms {
			list = append(list, ResistorReading{r, math.Round(open*r/(r+open/amperes)*1000) / 1000})
		}
		return list
	}
	tests := []struct {
		name            string
		known           []ResistorReading
		source          SourceKind
		current, within float64 // amperes
		open            float64 // volts, within 3 %
	}{
		{"1.04 mA, two resistors", constant(0.00104, 470, 1000), ConstantCurrent, 0.00104, 2e-6, 3},
		{"0.5 mA, three resistors", constant(0.0005, 100, 1000, 2200), ConstantCurrent, 0.0005, 1e-6, 3},
		{"3 V behind 3 kohm", resistive(3, 0.001, 100, 470, 1000, 2200), Resistive, 0.001, 1e-5, 3},
		{"2.8 V behind 4 kohm", resistive(2.8, 0.0007, 220, 1000, 4700), Resistive, 0.0007, 1e-5, 2.8},
	}
	for _, test := range tests {
		fit, err := FitMeter(base, test.known)
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if fit.Meter.Source != test.source || math.Abs(fit.Meter.TestCurrent-test.current) > test.within || math.Abs(fit.Meter.OpenVoltage/test.open-1) > 0.03 {
			t.Errorf("%s: got %+v", test.name, fit)
		}
		if !(fit.Misfit < 1 && fit.Current > 0 && fit.Current < 0.02*test.current) {
			t.Errorf("%s: misfit %g, uncertainty %g A", test.name, fit.Misfit, fit.Current)
		}
		if fit.Meter.Gain != base.Gain || fit.Meter.Over > base.Over {
			t.Errorf("%s: the rest of the meter has changed: %+v", test.name, fit.Meter)
		}
	}
	// One known value: V = I*R with equal weights at 470 ohm and 0.47 V has
	// u(I) = sigma/(R sqrt(2)), sigma = (0.00235+0.0025)/sqrt(3).
	same := []ResistorReading{{470, 0.47}, {470, 0.47}}
	if fit, err := FitMeter(base, same); err != nil || math.Abs(fit.Current-0.00485/math.Sqrt(3)/470/math.Sqrt2) > 1e-12 {
		t.Errorf("uncertainty: %+v, %v", fit, err)
	}
	// A resistor that is not what it is thought to be shows.
	if fit, err := FitMeter(base, []ResistorReading{{470, 0.47}, {1000, 0.68}}); err != nil || fit.Misfit < 3 {
		t.Errorf("wrong resistor: %+v, %v", fit, err)
	}
}

func TestFitMeterRefuses(t *testing.T) {
	tests := []struct {
		known []ResistorReading
		want  string
	}{
		{nil, "one resistor cannot show"},
		{[]ResistorReading{{1000, 1}}, "one resistor cannot show"},
		{[]ResistorReading{{0, 0}, {1000, 1}}, "a resistor of 0 ohm tells nothing; use"},
		{[]ResistorReading{{math.NaN(), 1}, {1000, 1}}, "a resistor of NaN ohm tells nothing; use"},
		{[]ResistorReading{{4.7, 0.005}, {1000, 1}}, "4.7 ohm reads 0.005 V, too little to tell the current; use"},
		{[]ResistorReading{{3300, 3.3}, {1000, 1}}, "3300 ohm reads 3.300 V, above the display limit 2 V; check"},
	}
	for _, test := range tests {
		if _, err := FitMeter(DefaultMeter(), test.known); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%v: got %v, want %q", test.known, err, test.want)
		}
	}
}
