package references

import (
	"math"
	"strings"
	"testing"
)

// FuzzMeter reads meters as flags give them. What is read is a meter that can be
// reckoned with, and reads back from its own text.
func FuzzMeter(f *testing.F) {
	f.Add(DefaultMeter().Text())
	for _, text := range []string{"test_current: 0.5 mA", "{name: bench 2, test_current: 0.3 mA, overload_above: 2 V, open_voltage: 2.7 V}", "accuracy: 0.5% + 2, resolution: 1e-300", "source: resistive", "{", "}{", "a: *b", "- 1", "test_current: 1 mA, overload_above: 9 V", "---\n---"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMeter(text)
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", text, err)
			}
			return
		}
		for _, v := range []float64{m.TestCurrent, m.OpenVoltage, m.Over, m.Resolution, m.OhmsCurrent, m.OhmsOpen, m.OhmsOver} {
			if !(v > 0) || math.IsInf(v, 0) {
				t.Errorf("%q is %+v", text, m)
			}
		}
		if !(m.Over <= m.OpenVoltage) || !(m.Gain >= 0 && m.Counts >= 0) {
			t.Errorf("%q is %+v", text, m)
		}
		again, err := ParseMeter(m.Text())
		if err != nil || again.Name != m.Name || again.Source != m.Source {
			t.Errorf("%q is %+v, written %q and read back %+v, %v", text, m, m.Text(), again, err)
		}
	})
}
