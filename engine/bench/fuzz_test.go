package bench

import (
	"math"
	"strings"
	"testing"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// FuzzMeterLine reads lines of meters: a reading that is a number or OL, or an error
// that says what to do; and takes lines of measuring programs apart.
func FuzzMeterLine(f *testing.F) {
	for _, line := range []string{"+4.52000E-01\r\n", "+9.90000000E+37", "9.91E37", "-9.9E37 OHM", "1E-400", "1e999", ".5E+0 VDC", "OL", "O.L", "1", "0.452 V", "22.1 ohm", "4,52", "+1.0E+0 A", "\x00", "1E3 OHMS\x00"} {
		f.Add(line)
	}
	f.Add("P1: 521.0 mV DC DIODE")
	f.Add("A0: inf kΩ AUTO")
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, line string) {
		if value, ok := FromProgram(b, line); !strings.Contains(line, value) || !ok && value != "" {
			t.Errorf("%q has the value %q, %v", line, value, ok)
		}
		r, err := ParseMeterLine(line)
		switch {
		case err != nil:
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", line, err)
			}
		case r.Unit != quantity.Volt && r.Unit != quantity.Ohm:
			t.Errorf("%q is read in unit %v", line, r.Unit)
		case !r.Overload && (math.IsNaN(r.Value) || math.IsInf(r.Value, 0)):
			t.Errorf("%q reads %g", line, r.Value)
		}
	})
}
