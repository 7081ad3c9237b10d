package fault

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// rail is a supply with another behind 4 ohm; invented.
const rail = `
board: rail
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: S, 2: GND, 3: V}}}
nets: {V: {rail: 3 V}, V_F: {rail: 3 V}, W: {rail: true}}
parts:
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  R3: {kind: resistor, value: 4R, pins: [V, V_F]}
  C2: {kind: capacitor, value: 1u, pins: [V_F, GND]}
  R1: {kind: resistor, value: 1K, pins: [V, S], role: pull}
  C3: {kind: capacitor, value: 1n, pins: [S, GND]}
  C4: {kind: capacitor, value: 1u, pins: [W, GND]}
  R2: {kind: resistor, value: 1K, pins: [W, S], role: pull}
`

// named finds a part or net.
func named[ID any](t *testing.T, find func(string) (ID, error), name string) ID {
	t.Helper()
	id, err := find(name)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// TestFelt weighs what was felt of current injected into a rail of 3 V: by V^2/R
// against the shares of priors.yaml, worked out by hand.
func TestFelt(t *testing.T) {
	b, m, v := board(t, rail)
	p := DefaultPriors()
	part := func(name string) netlist.PartID { return named(t, b.PartByName, name) }
	net := func(name string) netlist.NetID { return named(t, b.NetByName, name) }
	none := netlist.Edits{}
	in := Feed(m, v, net("V"), none)
	if diff := cmp.Diff(map[netlist.NetID]float64{net("V"): 0, net("V_F"): 4}, in.Fed); diff != "" || in.Volts != 3 {
		t.Fatalf("at %g V into V, by net and ohms on the way (-want +got):\n%s", in.Volts, diff)
	}
	if in := Feed(m, v, net("V"), none.Remove(part("R3"))); len(in.Fed) != 1 {
		t.Errorf("with R3 off, current reaches %v", in.Fed)
	}
	if in := Feed(m, v, net("V"), none.Remove(part("R1")).Jumper(part("R1"), 0.1)); in.Fed[net("S")] != 0.1 {
		t.Errorf("over a bridge, current reaches %v", in.Fed)
	}
	if in := Feed(m, v, net("W"), none); in.Volts != unknownRail {
		t.Errorf("a rail of unknown voltage is fed with %g V, want %g V", in.Volts, unknownRail)
	}
	in.Warm = map[netlist.PartID]bool{part("C1"): false, part("C2"): true, part("C3"): false}
	s := &search{m: m, p: p, ev: Evidence{Injections: []Injection{in}}}
	for _, tt := range []struct {
		part string
		ohms float64
		want float64
	}{
		{"C1", 2, 0.25 / 0.99},         // 4.5 W and not warm
		{"C1", 45, 0.25 / 0.99},        // 0.2 W
		{"C1", 201.2461, 0.62 / 0.99},  // the geometric mean of 0.2 W and 10 mW: half way, 0.38
		{"C1", 900, 1},                 // 10 mW: no more than a good part
		{"C2", 20, 0.75 / 0.01},        // behind R3, 20 (3/24)^2 = 0.31 W, and warm
		{"C2", 193.1633, 0.38 / 0.01},  // R (3/(R+4))^2 = 44.7 mW, half way
		{"C2", 0.0179, 1},              // R3 takes it all: less than 10 mW is left
		{"C1", 0.0111803, 0.62 / 0.99}, // 2 A at most: 44.7 mW
		{"C3", 1, 1},                   // not fed
		{"C4", 1, 1},                   // not felt
	} {
		n := b.Parts[part(tt.part)].Terminals[0].Net
		l := &Locus{Part: part(tt.part), Change: network.Change{Kind: network.AddPath,
			A: network.Place{Net: n, Contact: network.NoContact}, B: m.GroundPlace()}}
		if got := s.warmRatio(l, tt.ohms); math.Abs(got-tt.want) > 1e-5*tt.want {
			t.Errorf("%s of %g ohm: ratio %.4f, want %.4f", tt.part, tt.ohms, got, tt.want)
		}
		if got := s.warmed(l); got != (tt.part == "C1" || tt.part == "C2") {
			t.Errorf("%s: injection says something of it: %v", tt.part, got)
		}
	}
}

// twoCaps is a rail with two capacitors alike; invented.
const twoCaps = `
board: twins
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: GND, 3: B, 4: V, 5: C}}}
nets: {V: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 100R, pins: [A, A_U]}
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  C2: {kind: capacitor, value: 1u, pins: [V, GND]}
  R2: {kind: resistor, value: 22R, pins: [B, B_U]}
  U1: {kind: ic, pins: {1: V, 2: A_U, 3: B_U, 4: GND, 5: C}, supply: 1, ground: 4}
`

// TestFeltWeighed finds out of two capacitors alike the one that warmed: the odds
// between them are those of what was felt, by hand where the reading settles the
// resistance, and warmth at a power that no part is felt at changes nothing.
func TestFeltWeighed(t *testing.T) {
	d := newRig(t, twoCaps)
	c1, c2, v := named(t, d.b.PartByName, "C1"), named(t, d.b.PartByName, "C2"), named(t, d.b.NetByName, "V")
	warmed := func(ohms float64) (one, two float64) {
		in := Feed(d.m, d.posterior.Values, v, netlist.Edits{})
		in.Warm = map[netlist.PartID]bool{c1: true, c2: false}
		res, err := Search(d.m, d.p, d.physics(), d.observations(d.change("C1", Leaky, ohms)), Evidence{Injections: []Injection{in}})
		if err != nil {
			t.Fatal(err)
		}
		got := d.bySet(res)
		return got["C1 1-2"], got["C2 1-2"]
	}
	// 1.8 V into 72 ohm is 45 mW: 0.38 of bad parts are felt, 0.01 of good ones.
	one, two := warmed(72)
	if want := 0.38 / 0.01 * 0.99 / 0.62; math.Abs(math.Log(one/two/want)) > 0.3 {
		t.Errorf("at 72 ohm the warm one has %.3f and the cold one %.3f, a ratio of %.1f; want %.1f", one, two, one/two, want)
	}
	// 1.8 V into 1.1 kohm is 3 mW.
	if one, two := warmed(1100); one < 0.1 || math.Abs(math.Log(one/two)) > 0.3 {
		t.Errorf("at 1.1 kohm the warm one has %.3f and the cold one %.3f; want them equal", one, two)
	}
}
