package references

import (
	"math"
	"strings"
	"testing"

	"halfsplit/netlist/document"

	"github.com/google/go-cmp/cmp"
)

func TestMeterUncertainty(t *testing.T) {
	m := DefaultMeter()
	tests := []struct{ volts, half, sigma float64 }{
		// By hand: 0.5 % of 0.452 V is 2.26 mV, two and a half counts 2.5 mV; a
		// rectangle of half width a has standard deviation a/sqrt(3)
		// (JCGM 100:2008 4.3.7).
		{0.452, 0.00476, 0.00274819},
		{-0.452, 0.00476, 0.00274819},
		{0, 0.0025, 0.00144338},
		{2, 0.0125, 0.00721688},
	}
	for _, test := range tests {
		if got := m.HalfWidth(test.volts); math.Abs(got-test.half) > 1e-9 {
			t.Errorf("half width at %g V: got %g want %g", test.volts, got, test.half)
		}
		if got := m.Sigma(test.volts); math.Abs(got-test.sigma) > 1e-8 {
			t.Errorf("sigma at %g V: got %g want %g", test.volts, got, test.sigma)
		}
	}
	if m.SourceOhms() != 0 {
		t.Error("a constant current has no series resistance")
	}
	if m.Source = Resistive; m.SourceOhms() != 3000 {
		t.Errorf("3 V that gives 1 mA into joined probes: got %g ohm, want 3000", m.SourceOhms())
	}
}

func decodeOne(t *testing.T, text string) document.Node {
	t.Helper()
	nodes, err := document.Decode(strings.NewReader(text), "m.yaml", 0)
	if err != nil || len(nodes) != 1 {
		t.Fatalf("%d documents, error %v", len(nodes), err)
	}
	return nodes[0]
}

func TestDecodeMeter(t *testing.T) {
	base := DefaultMeter()
	with := func(change func(*Meter)) Meter {
		m := base
		change(&m)
		return m
	}
	tests := []struct {
		text string
		want Meter
	}{
		{`{name: bench 2}`, with(func(m *Meter) { m.Name = "bench 2" })},
		{`{test_current: 0.5 mA, open_voltage: 2.8 V, overload_above: 1.999 V, accuracy: 1 % + 3 digits, resolution: 100 uV, source: resistive, ohms_current: 10 uA, ohms_open: 0.25 V, ohms_overload_above: 60 Mohm}`,
			Meter{"", 0.0005, 2.8, 1.999, 0.01, 3, 0.0001, Resistive, 10e-6, 0.25, 60e6}},
		{`{accuracy: 0.8%}`, with(func(m *Meter) { m.Gain, m.Counts = 0.008, 0 })},
		{`{accuracy: 0.5%+2counts}`, base},
		// Without `overload_above` the display ends where the open voltage does.
		{`{open_voltage: 1.5 V}`, with(func(m *Meter) { m.OpenVoltage, m.Over = 1.5, 1.5 })},
	}
	for _, test := range tests {
		node := decodeOne(t, test.text)
		if problems := MeterShape().Check(node); problems != nil {
			t.Errorf("%s: %v", test.text, problems)
		}
		got, problems := DecodeMeter(node)
		if problems != nil {
			t.Errorf("%s: %v", test.text, problems)
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.text, diff)
		}
		gain, counts, err := parseAccuracy(got.AccuracyText())
		if err != nil || gain != got.Gain || counts != got.Counts {
			t.Errorf("%s: accuracy written as %q reads back as %g, %g, %v", test.text, got.AccuracyText(), gain, counts, err)
		}
	}
	if got, problems := DecodeMeter(document.Node{}); got != base || problems != nil {
		t.Errorf("no meter: got %+v, %v", got, problems)
	}
}

func TestNamesReadBack(t *testing.T) {
	for _, p := range []Polarity{RedOnGround, BlackOnGround} {
		if got, ok := ParsePolarity(p.String()); !ok || got != p {
			t.Errorf("%q reads back as %v, %v", p, got, ok)
		}
	}
	if _, ok := ParsePolarity("red"); ok {
		t.Error(`"red" is a polarity`)
	}
	for name, got := range map[string]string{"constant-current": ConstantCurrent.String(), "resistive": Resistive.String(), "Polarity(7)": Polarity(7).String()} {
		if got != name {
			t.Errorf("got %q want %q", got, name)
		}
	}
}
