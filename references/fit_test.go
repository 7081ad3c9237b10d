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
			list = append(list, ResistorReading{Ohms: r, Volts: math.Round(amperes*r*1000) / 1000})
		}
		return list
	}
	resistive := func(open, amperes float64, ohms ...float64) (list []ResistorReading) {
		for _, r := range ohms {
			list = append(list, ResistorReading{Ohms: r, Volts: math.Round(open*r/(r+open/amperes)*1000) / 1000})
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
	same := []ResistorReading{{Ohms: 470, Volts: 0.47}, {Ohms: 470, Volts: 0.47}}
	if fit, err := FitMeter(base, same); err != nil || math.Abs(fit.Current-0.00485/math.Sqrt(3)/470/math.Sqrt2) > 1e-12 {
		t.Errorf("uncertainty: %+v, %v", fit, err)
	}
	// A resistor that is not what it is thought to be shows.
	if fit, err := FitMeter(base, []ResistorReading{{Ohms: 470, Volts: 0.47}, {Ohms: 1000, Volts: 0.68}}); err != nil || fit.Misfit < 3 {
		t.Errorf("wrong resistor: %+v, %v", fit, err)
	}
}

func TestFitMeterRefuses(t *testing.T) {
	tests := []struct {
		known []ResistorReading
		want  string
	}{
		{nil, "one resistor cannot show"},
		{[]ResistorReading{{Ohms: 1000, Volts: 1}}, "one resistor cannot show"},
		{[]ResistorReading{{Ohms: 0, Volts: 0}, {Ohms: 1000, Volts: 1}}, "a resistor of 0 ohm tells nothing; use"},
		{[]ResistorReading{{Ohms: math.NaN(), Volts: 1}, {Ohms: 1000, Volts: 1}}, "a resistor of NaN ohm tells nothing; use"},
		{[]ResistorReading{{Ohms: 4.7, Volts: 0.005}, {Ohms: 1000, Volts: 1}}, "4.7 ohm reads 0.005 V, too little to tell the current; use"},
		{[]ResistorReading{{Ohms: 3300, Volts: 3.3}, {Ohms: 1000, Volts: 1}}, "3300 ohm reads 3.300 V, above the display limit 2 V; check"},
	}
	for _, test := range tests {
		if _, err := FitMeter(DefaultMeter(), test.known); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%v: got %v, want %q", test.known, err, test.want)
		}
	}
}

// The 1N4148 of the ngspice manual's device-model example drops about 0.561 V at
// 1 mA and 27 C: n*Vt*ln(1+I/Is) + I*Rs = 1.679*0.025865*ln(400803) + 0.0005.
func TestDiodeCurrent(t *testing.T) {
	d := SmallSignalDiode()
	for _, amperes := range []float64{1e-6, 1e-4, 1e-3, 10e-3} {
		nVt := d.Ideality * 1.380649e-23 * 300.15 / 1.602176634e-19
		volts := nVt*math.Log1p(amperes/d.Saturation) + amperes*d.Series
		got, slope := d.current(volts)
		if math.Abs(got/amperes-1) > 1e-9 {
			t.Errorf("at %g V: %g A, want %g A", volts, got, amperes)
		}
		const h = 1e-4
		upper, _ := d.current(volts + h)
		if want := h / math.Log(upper/got); math.Abs(slope/want-1) > 1e-2 {
			t.Errorf("at %g V: slope %g V, by difference %g V", volts, slope, want)
		}
	}
	if i, _ := d.current(0.561); math.Abs(i-1e-3) > 0.02e-3 {
		t.Errorf("0.561 V: %g A, want 1 mA within 2 %%", i)
	}
}

// A diode beside two resistors moves the fit little, since diodes differ by some
// 10 mV; beside wrong resistors it gives the alarm.
func TestFitMeterDiode(t *testing.T) {
	base := DefaultMeter()
	diode := func(volts float64) ResistorReading {
		k, err := SmallSignalDiode().Known(base, volts)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	// 0.97 mA through 470 ohm, 1 kohm and the diode (0.5601 V).
	fit, err := FitMeter(base, []ResistorReading{{Ohms: 470, Volts: 0.456}, {Ohms: 1000, Volts: 0.970}, diode(0.560)})
	if err != nil || math.Abs(fit.Meter.TestCurrent-0.97e-3) > 0.003e-3 || fit.Misfit > 1 || fit.Meter.Source != ConstantCurrent {
		t.Errorf("%+v, %v", fit, err)
	}
	// The same readings with "470 ohm" resistors that are 680 ohm, both: only the
	// diode knows that the current is not 1.4 mA.
	fit, err = FitMeter(base, []ResistorReading{{Ohms: 470, Volts: 0.657}, {Ohms: 1000, Volts: 1.400}, diode(0.700)})
	if err != nil || fit.Misfit < MisfitAlarm {
		t.Errorf("contradiction not told: %+v, %v", fit, err)
	}
	for _, volts := range []float64{0.002, 2.5} {
		if _, err := SmallSignalDiode().Known(base, volts); err == nil {
			t.Errorf("a diode of %g V was taken", volts)
		}
	}
	if _, err := (Diode{}).Known(base, 0.5); err == nil {
		t.Error("a diode without a law was taken")
	}
}
