package quantity

import (
	"math"
	"testing"
)

func TestMarking(t *testing.T) {
	for _, tt := range []struct {
		text  string
		unit  Unit
		value float64 // NaN for none
		code  string
	}{
		{"222", Ohm, 2200, "2K2"},
		{"470", Ohm, 47, "47R"},
		{"105", Ohm, 1e6, "1M"},
		{"104", Farad, 100e-9, "100n"},
		{"475", Farad, 4.7e-6, "4u7"},
		{"220", Farad, 22e-12, "22p"},
		{"100", Henry, 10e-6, "10u"},
		{"22", Ohm, math.NaN(), ""},
		{"047", Ohm, math.NaN(), ""},
		{"2K2", Ohm, math.NaN(), ""},
		{"222", Volt, math.NaN(), ""},
	} {
		got, ok := ParseMarking(tt.text, tt.unit)
		if ok != !math.IsNaN(tt.value) || ok && math.Abs(got/tt.value-1) > 1e-12 {
			t.Errorf("ParseMarking(%q, %v) = %v, %v; want %v", tt.text, tt.unit, got, ok, tt.value)
		}
		if !ok {
			continue
		}
		code := Code(got, tt.unit)
		if again, err := Parse(code, tt.unit); code != tt.code || err != nil || math.Abs(again/got-1) > 1e-12 {
			t.Errorf("Code(%v) = %s, which is %v (%v); want %s", got, code, again, err, tt.code)
		}
	}
}
