package practice

import (
	"math"
	"strings"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// TestDropAcross: by Ohm's law a supply of 0.3 V and at most 0.1 A sends the current of a
// short beyond a bead through it, and none of one on its own side. The bead lies within a
// half of its 0.3 ohm.
func TestDropAcross(t *testing.T) {
	const text = `
board: halves
connectors: {J1: {pins: {1: V, 2: GND}}}
nets: {V: {rail: 1.8 V}, W: {rail: 1.8 V}}
parts:
  FB1: {kind: bead, value: 600R, pins: [V, W]}
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  C4: {kind: capacitor, value: 1u, pins: [W, GND]}
`
	b, err := netlist.Parse(strings.NewReader(text), "halves")
	if err != nil {
		t.Fatal(err)
	}
	meter := NewMeter(Meters()[0], 1)
	m := network.New(b)
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	good := NewTruth(m, 1).Sample(1, 23)
	fb, err := b.PartByName("FB1")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		part, rail string
		ohms       float64
		amperes    float64 // through the bead
	}{
		{"C4", "V", 100, 0.3 / 100.3},
		{"C4", "W", 100, 0},
		{"C1", "V", 100, 0},
		{"C1", "W", 100, 0.3 / 100.3},
		{"C4", "V", 0.5, 0.1},
	} {
		rail, err := b.NetByName(tt.rail)
		if err != nil {
			t.Fatal(err)
		}
		f, err := FindFault(m, loci, tt.part+" 1-2", fault.Shorted, tt.ohms)
		if err != nil {
			t.Fatal(err)
		}
		bad := good.Faulted(f)
		got := NewSimulator(bad, meter).Drop(rail, fb, []netlist.PartID{fb}, 0.1, netlist.Edits{})[fb]
		if want := 0.3 * tt.amperes; math.Abs(got-want) > 0.5*want+1e-9 {
			t.Errorf("%s of %g ohm, supply on %s: %.1f mV across the bead, want %.1f", tt.part, tt.ohms, tt.rail, 1e3*got, 1e3*want)
		}
	}
}
