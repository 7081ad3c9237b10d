package fault

import (
	"math"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// rail is a supply with a bead behind it; invented.
const rail = `
board: rail
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: S, 2: GND, 3: V}}}
nets: {V: {rail: 3 V}, V_F: {rail: 3 V}, W: {rail: true}}
parts:
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  FB1: {kind: bead, value: 0.5R, pins: [V, V_F]}
  C2: {kind: capacitor, value: 1u, pins: [V_F, GND]}
  R1: {kind: resistor, value: 1K, pins: [V, S], role: pull}
  C3: {kind: capacitor, value: 1n, pins: [S, GND]}
  C4: {kind: capacitor, value: 1u, pins: [W, GND]}
  R2: {kind: resistor, value: 1K, pins: [W, S], role: pull}
`

// TestFelt weighs what was felt of current injected into a rail of 3 V: by V^2/R
// against the shares of priors.yaml, worked out by hand.
func TestFelt(t *testing.T) {
	b, m, v := board(t, rail)
	p := DefaultPriors()
	part := func(name string) netlist.PartID {
		id, err := b.PartByName(name)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	net := func(name string) netlist.NetID {
		id, err := b.NetByName(name)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	in := Feed(m, v, net("V"))
	if in.Volts != 3 || len(in.Nets) != 2 || in.Nets[1] != net("V_F") {
		t.Fatalf("3 V into V feeds nets %v at %g V, want V and V_F, and not S behind 1 kohm", in.Nets, in.Volts)
	}
	if in := Feed(m, v, net("W")); in.Volts != unknownRail {
		t.Errorf("a rail of unknown voltage is fed with %g V, want %g V", in.Volts, unknownRail)
	}
	in.Warm = map[netlist.PartID]bool{part("C1"): false, part("C2"): true, part("C3"): false}
	s := &search{m: m, p: p, ev: Evidence{Injections: []Injection{in}}}
	for _, tt := range []struct {
		part string
		ohms float64
		want float64
	}{
		{"C1", 2, 0.25 / 0.99},        // 4.5 W and not warm
		{"C1", 45, 0.25 / 0.99},       // 0.2 W
		{"C1", 201.2461, 0.62 / 0.99}, // the geometric mean of 0.2 W and 10 mW: half way, 0.38
		{"C1", 900, 1},                // 10 mW: no more than a good part
		{"C2", 0.1, 0.75 / 0.01},      // behind the bead, and warm
		{"C2", 201.2461, 0.38 / 0.01},
		{"C3", 1, 1}, // not fed
		{"C4", 1, 1}, // not felt
	} {
		n := b.Parts[part(tt.part)].Terminals[0].Net
		l := &Locus{Part: part(tt.part), Change: network.Change{Kind: network.AddPath,
			A: network.Place{Net: n, Contact: network.NoContact}, B: m.GroundPlace()}}
		if got := s.felt(l, tt.ohms); math.Abs(got-tt.want) > 1e-5*tt.want {
			t.Errorf("%s of %g ohm: ratio %.4f, want %.4f", tt.part, tt.ohms, got, tt.want)
		}
		if got := s.warmed(l); got != (tt.part == "C1" || tt.part == "C2") {
			t.Errorf("%s: injection says something of it: %v", tt.part, got)
		}
	}
}
