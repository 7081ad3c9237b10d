package circuit_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfsplit/engine/circuit"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, tol)
	}
}

func reading(t *testing.T, c *circuit.Circuit) float64 {
	t.Helper()
	var s circuit.Solver
	sol, err := s.Solve(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	return sol.Reading
}

func milliamp(plus, minus circuit.Node) circuit.Source {
	return circuit.Source{Plus: plus, Minus: minus, Kind: circuit.ConstantCurrent, Current: 1e-3, Open: 3}
}

// Source: the exact SI constants k and q, SI Brochure 9th ed.; kT/q at 300 K
// is 25.852 mV.
func TestThermalVoltage(t *testing.T) {
	near(t, "Vt at 300 K", circuit.ThermalVoltage(26.85), 25.852e-3, 0.5e-6)
}

// Source: the 1N4148 of the ngspice manual's device-model example,
// is=2.495e-9 n=1.679 rs=0.4755, at 1 mA and 27 C. Its drop by Shockley's law:
// 1.679 * 25.865 mV * ln(1 + 1e-3/2.495e-9) + 0.4755 mV = 560.7 mV.
func Test1N4148(t *testing.T) {
	d := circuit.Junction{Anode: 1, Cathode: 0, Saturation: 2.495e-9, Ideality: 1.679, Series: 0.4755}
	want := 1.679*0.0258650*math.Log(1+1e-3/2.495e-9) + 0.4755e-3
	near(t, "by hand", want, 0.561, 0.5e-3)
	near(t, "DropAt", circuit.DropAt(d.Saturation, 1e-3, d.Ideality, d.Series, 27), want, 1e-5)
	near(t, "solved", reading(t, &circuit.Circuit{Nodes: 2, Celsius: 27, Junctions: []circuit.Junction{d}, Source: milliamp(1, 0)}), want, 1e-5)

	// Red on ground: the probe on the diode's cathode is the black one.
	d.Anode, d.Cathode = 0, 1
	near(t, "red on ground", reading(t, &circuit.Circuit{Nodes: 2, Celsius: 27, Junctions: []circuit.Junction{d}, Source: milliamp(0, 1)}), want, 1e-5)
	// The other way round nothing but leakage flows: all but the open voltage.
	near(t, "black on ground", reading(t, &circuit.Circuit{Nodes: 2, Celsius: 27, Junctions: []circuit.Junction{d}, Source: milliamp(1, 0)}), 3, 1e-5)
}

func junctionOf(drop, ideality, series float64, a, c circuit.Node) circuit.Junction {
	return circuit.Junction{Anode: a, Cathode: c, Saturation: circuit.SaturationFor(drop, 1e-3, ideality, series, 23), Ideality: ideality, Series: series}
}

// A drop turned into a saturation current and back, and through Solve.
func TestSaturationForInvertsDropAt(t *testing.T) {
	for _, drop := range []float64{0.05, 0.3, 0.55, 0.9, 1.8} {
		for _, n := range []float64{1, 1.5, 2.5} {
			for _, rs := range []float64{0, 5, 45} {
				j := junctionOf(drop, n, rs, 1, 0)
				near(t, "back", circuit.DropAt(j.Saturation, 1e-3, n, rs, 23), drop, 1e-12)
				near(t, "solved", reading(t, &circuit.Circuit{Nodes: 2, Celsius: 23, Junctions: []circuit.Junction{j}, Source: milliamp(1, 0)}), drop, 1e-7)
			}
		}
	}
	if is := circuit.SaturationFor(0.05, 1e-3, 1, 51, 23); !math.IsNaN(is) {
		t.Errorf("51 ohm alone drop 0.051 V at 1 mA, yet Is = %g", is)
	}
}

// From the same law: a junction read at half the current shows n*Vt*ln 2 less.
func TestHalfTheCurrent(t *testing.T) {
	j := junctionOf(0.55, 1.4, 0, 1, 0)
	c := circuit.Circuit{Nodes: 2, Celsius: 23, Junctions: []circuit.Junction{j}, Source: milliamp(1, 0)}
	full := reading(t, &c)
	c.Source.Current /= 2
	near(t, "difference", full-reading(t, &c), 1.4*circuit.ThermalVoltage(23)*math.Ln2, 1e-7)
}

// lambertW solves w*exp(w) = x for x > 0, by Halley's method (Corless et al.
// 1996, "On the Lambert W function").
func lambertW(x float64) float64 {
	w := math.Log1p(x)
	for range 100 {
		e := math.Exp(w)
		f := w*e - x
		w -= f / (e*(w+1) - (w+2)*f/(2*w+2))
	}
	return w
}

// Closed forms. The diode behind a resistor is Banwell and Jayakumar, "Exact
// analytical solution for current flow through diode with series resistance",
// Electronics Letters 36 (2000):
//
//	I = nVt/R * W(Is*R/nVt * exp((V + Is*R)/nVt)) - Is
func TestClosedForms(t *testing.T) {
	const is, n = 1e-12, 1.3
	nvt := n * circuit.ThermalVoltage(23)
	diode := func(a, c circuit.Node) circuit.Junction {
		return circuit.Junction{Anode: a, Cathode: c, Saturation: is, Ideality: n}
	}
	behind := func(v, r float64) float64 { // drop of a diode fed from v through r
		i := nvt/r*lambertW(is*r/nvt*math.Exp((v+is*r)/nvt)) - is
		return v - i*r
	}
	withSeries := diode(1, 0)
	withSeries.Series = 47
	resistive := circuit.Source{Plus: 1, Kind: circuit.Resistive, Current: 1e-3, Open: 2.8}
	r := func(a, b circuit.Node, ohms float64) circuit.Resistor {
		return circuit.Resistor{A: a, B: b, Ohms: ohms}
	}
	type rs = []circuit.Resistor
	type js = []circuit.Junction
	fade := func(ohms float64) float64 { // 1 mA into ohms, by bisection of the stated fade
		lo, hi := 0.0, 3.0
		for range 200 {
			mid := (lo + hi) / 2
			if mid/ohms < 1e-3*math.Tanh((3-mid)/0.05) {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo
	}
	tests := []struct {
		name  string
		nodes int
		rs    rs
		js    js
		src   circuit.Source
		want  float64
		tol   float64
	}{
		{"22 ohm at 1 mA is 22 mV", 2, rs{r(1, 0, 22)}, nil, milliamp(1, 0), 0.022, 1e-12},
		{"the same, red on ground", 2, rs{r(1, 0, 22)}, nil, milliamp(0, 1), 0.022, 1e-12},
		{"a milliohm", 2, rs{r(1, 0, 1e-3)}, nil, milliamp(1, 0), 1e-6, 1e-15},
		{"parallel pair", 2, rs{r(1, 0, 300), r(0, 1, 600)}, nil, milliamp(1, 0), 0.2, 1e-12},
		// By symmetry V2 = V1-V3, so 6*V1 = 11*V2 and the bridge is 137.5 ohm.
		{"jumper", 4, rs{r(1, 2, 100), r(2, 0, 200), r(1, 3, 200), r(3, 0, 100), r(2, 3, 50)}, nil, milliamp(1, 0), 0.1375, 1e-12},
		{"two points of a divider", 3, rs{r(1, 2, 220), r(2, 0, 1e6)}, nil, milliamp(1, 2), 0.22, 1e-12},
		{"divider of a resistive source", 2, rs{r(1, 0, 2800)}, nil, resistive, 1.4, 1e-12},
		{"in the fade", 2, rs{r(1, 0, 2990)}, nil, milliamp(1, 0), fade(2990), 1e-9},
		{"10 megohm", 2, rs{r(1, 0, 1e7)}, nil, milliamp(1, 0), fade(1e7), 1e-9},
		{"diode", 2, nil, js{diode(1, 0)}, milliamp(1, 0), nvt * math.Log1p(1e-3/is), 1e-9},
		{"diode with series", 2, nil, js{withSeries}, milliamp(1, 0), nvt*math.Log1p(1e-3/is) + 0.047, 1e-9},
		{"four in parallel", 2, nil, js{diode(1, 0), diode(1, 0), diode(1, 0), diode(1, 0)}, milliamp(1, 0), nvt * math.Log1p(1e-3/4/is), 1e-9},
		{"four in series", 5, nil, js{diode(1, 2), diode(2, 3), diode(3, 4), diode(4, 0)}, circuit.Source{Plus: 1, Current: 1e-3, Open: 9}, 4 * nvt * math.Log1p(1e-3/is), 1e-8},
		{"antiparallel, 2 Is sinh", 2, nil, js{diode(1, 0), diode(0, 1)}, milliamp(1, 0), nvt * math.Asinh(1e-3/2/is), 1e-9},
		{"diode across a resistive source", 2, nil, js{diode(1, 0)}, resistive, behind(2.8, 2800), 1e-7},
		{"diode across a divider", 2, rs{r(1, 0, 1000)}, js{diode(1, 0)}, milliamp(1, 0), behind(1, 1000), 1e-7},
		{"reversed diode: open but for leakage", 2, nil, js{diode(0, 1)}, resistive, 2.8 - 2800*(is+circuit.Gmin*2.8), 1e-8},
		{"both probes on one node", 2, rs{r(1, 0, 10)}, js{diode(1, 0)}, milliamp(1, 1), 0, 0},
		{"both probes on ground", 2, rs{r(1, 0, 10)}, nil, milliamp(0, 0), 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := circuit.Circuit{Nodes: tt.nodes, Celsius: 23, Resistors: tt.rs, Junctions: tt.js, Source: tt.src}
			near(t, "reading", reading(t, &c), tt.want, tt.tol)
		})
	}
}

// Nodes without a path: what reads open, and what stands in Voltages.
func TestFloating(t *testing.T) {
	link := func(a, b circuit.Node) circuit.Resistor { return circuit.Resistor{A: a, B: b, Ohms: 100} }
	tests := []struct {
		name     string
		links    []circuit.Resistor
		src      circuit.Source
		open     bool
		reading  float64
		volts    []float64
		floating []bool
	}{
		{"probe on an island, 4 out of reach", []circuit.Resistor{link(1, 2), link(0, 3)}, milliamp(1, 0), true, 3,
			[]float64{0, 3, 3, 0, 0}, []bool{false, true, true, false, true}},
		{"the other way round", []circuit.Resistor{link(1, 2), link(0, 3)}, milliamp(0, 1), true, 3,
			[]float64{0, -3, -3, 0, 0}, []bool{false, true, true, false, true}},
		{"two islands, ground apart", []circuit.Resistor{link(1, 2), link(3, 4)}, milliamp(1, 3), true, 3,
			[]float64{0, 3, 3, 0, 0}, []bool{false, true, true, true, true}},
		{"current round a floating island", []circuit.Resistor{link(1, 2), link(2, 3)}, milliamp(1, 2), false, 0.1,
			[]float64{0, 0.1, 0, 0, 0}, []bool{false, true, true, true, true}},
		{"current and an island beside it", []circuit.Resistor{link(1, 2), link(2, 0), link(3, 4)}, milliamp(2, 1), false, 0.1,
			[]float64{0, -0.1, 0, 0, 0}, []bool{false, false, false, true, true}},
		{"nothing at all", nil, milliamp(1, 0), true, 3,
			[]float64{0, 3, 0, 0, 0}, []bool{false, true, true, true, true}},
		{"a part across itself", []circuit.Resistor{link(1, 1)}, milliamp(1, 0), true, 3,
			[]float64{0, 3, 0, 0, 0}, []bool{false, true, true, true, true}},
	}
	var s circuit.Solver
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			sol, err := s.Solve(&circuit.Circuit{Nodes: 5, Celsius: 23, Resistors: tt.links, Source: tt.src}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if sol.Open != tt.open {
				t.Errorf("open %v, want %v", sol.Open, tt.open)
			}
			near(t, "reading", sol.Reading, tt.reading, 1e-12)
			if diff := cmp.Diff(tt.volts, sol.Voltages, cmpopts.EquateApprox(0, 1e-12)); diff != "" {
				t.Errorf("voltages (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tt.floating, sol.Floating); diff != "" {
				t.Errorf("floating (-want +got):\n%s", diff)
			}
		})
	}
}

// Values that Solve must refuse by name.
func TestRefused(t *testing.T) {
	good := func() circuit.Circuit {
		return circuit.Circuit{Nodes: 2, Celsius: 23,
			Resistors: []circuit.Resistor{{A: 1, B: 0, Ohms: 10}},
			Junctions: []circuit.Junction{{Anode: 1, Cathode: 0, Saturation: 1e-12, Ideality: 1}},
			Source:    milliamp(1, 0)}
	}
	tests := []struct {
		name  string
		spoil func(*circuit.Circuit)
		says  string
	}{
		{"no nodes", func(c *circuit.Circuit) { c.Nodes = 0 }, "0 nodes"},
		{"endless nodes", func(c *circuit.Circuit) { c.Nodes = 1 << 40 }, "nodes"},
		{"cold", func(c *circuit.Circuit) { c.Celsius = -274 }, "temperature -274 C"},
		{"no temperature", func(c *circuit.Circuit) { c.Celsius = math.NaN() }, "temperature NaN"},
		{"0 ohm", func(c *circuit.Circuit) { c.Resistors[0].Ohms = 0 }, "resistor 0 has 0 ohm"},
		{"negative ohm", func(c *circuit.Circuit) { c.Resistors[0].Ohms = -1 }, "resistor 0 has -1 ohm"},
		{"endless ohm", func(c *circuit.Circuit) { c.Resistors[0].Ohms = math.Inf(1) }, "resistor 0 has +Inf ohm"},
		{"resistor to nowhere", func(c *circuit.Circuit) { c.Resistors[0].B = 2 }, "resistor 0 joins nodes 1 and 2"},
		{"junction below ground", func(c *circuit.Circuit) { c.Junctions[0].Anode = -1 }, "junction 0 joins nodes -1 and 0"},
		{"NaN saturation", func(c *circuit.Circuit) { c.Junctions[0].Saturation = math.NaN() }, "junction 0 has saturation current NaN"},
		{"ideality 0", func(c *circuit.Circuit) { c.Junctions[0].Ideality = 0 }, "junction 0 has ideality 0"},
		{"series below 0", func(c *circuit.Circuit) { c.Junctions[0].Series = -1 }, "junction 0 has -1 ohm in series"},
		{"probe on nothing", func(c *circuit.Circuit) { c.Source.Plus = 7 }, "source joins nodes 7 and 0"},
		{"unknown source", func(c *circuit.Circuit) { c.Source.Kind = 9 }, "unknown kind 9"},
		{"source without volts", func(c *circuit.Circuit) { c.Source.Open = 0 }, "opens at 0 V"},
		{"source without current", func(c *circuit.Circuit) { c.Source.Current = 0 }, "drives 0 A"},
		{"source behind nothing", func(c *circuit.Circuit) { c.Source.Kind, c.Source.Ohms = circuit.Resistive, 1e-9 }, "behind 1e-09 ohm"},
	}
	var s circuit.Solver
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := good()
			tt.spoil(&c)
			_, err := s.Solve(&c, nil)
			if err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v, want one that says %q", err, tt.says)
			}
		})
	}
	c := good()
	if _, err := s.Solve(&c, []float64{0}); err == nil || !strings.Contains(err.Error(), "1 starting voltages for 2 nodes") {
		t.Errorf("short start: error %v", err)
	}
	if _, err := s.Solve(&c, []float64{math.NaN(), math.Inf(1)}); err != nil {
		t.Errorf("a wild start must not matter: %v", err)
	}
}
