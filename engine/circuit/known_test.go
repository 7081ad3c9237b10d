package circuit

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, tol)
	}
}

func reading(t *testing.T, c *Circuit) float64 {
	t.Helper()
	var s Solver
	sol, err := s.Solve(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	return sol.Reading
}

func milliamp(plus, minus Node) Source {
	return Source{Plus: plus, Minus: minus, Kind: ConstantCurrent, Current: 1e-3, Open: 3}
}

// Source: the exact SI constants k and q, SI Brochure 9th ed.; kT/q at 300 K
// is 25.852 mV.
func TestThermalVoltage(t *testing.T) {
	near(t, "Vt at 300 K", ThermalVoltage(26.85), 25.852e-3, 0.5e-6)
}

// Source: the 1N4148 of the ngspice manual's device-model example,
// is=2.495e-9 n=1.679 rs=0.4755, at 1 mA and 27 C. Its drop by Shockley's law:
// 1.679 * 25.865 mV * ln(1 + 1e-3/2.495e-9) + 0.4755 mV = 560.7 mV.
func Test1N4148(t *testing.T) {
	d := Junction{Anode: 1, Cathode: 0, Saturation: 2.495e-9, Ideality: 1.679, Series: 0.4755}
	want := 1.679*0.0258650*math.Log(1+1e-3/2.495e-9) + 0.4755e-3
	near(t, "by hand", want, 0.561, 0.5e-3)
	near(t, "DropAt", DropAt(d.Saturation, 1e-3, d.Ideality, d.Series, 27), want, 1e-5)
	near(t, "solved", reading(t, &Circuit{Nodes: 2, Celsius: 27, Junctions: []Junction{d}, Source: milliamp(1, 0)}), want, 1e-5)

	// Red on ground: the probe on the diode's cathode is the black one.
	d.Anode, d.Cathode = 0, 1
	near(t, "red on ground", reading(t, &Circuit{Nodes: 2, Celsius: 27, Junctions: []Junction{d}, Source: milliamp(0, 1)}), want, 1e-5)
	// The other way round nothing but leakage flows: all but the open voltage.
	near(t, "black on ground", reading(t, &Circuit{Nodes: 2, Celsius: 27, Junctions: []Junction{d}, Source: milliamp(1, 0)}), 3, 1e-5)
}
