package engine_test

import (
	"fmt"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// A supply with a bead in its middle and three capacitors on either side; invented.
const halves = `
board: halves
revision: A
ground: GND
connectors: {J1: {pins: {1: V, 2: GND}}}
nets: {V: {rail: 1.8 V}, W: {rail: 1.8 V}}
parts:
  FB1: {kind: bead, value: 600R, pins: [V, W]}
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  C2: {kind: capacitor, value: 1u, pins: [V, GND]}
  C3: {kind: capacitor, value: 1u, pins: [V, GND]}
  C4: {kind: capacitor, value: 1u, pins: [W, GND]}
  C5: {kind: capacitor, value: 1u, pins: [W, GND]}
  C6: {kind: capacitor, value: 1u, pins: [W, GND]}
  U1: {kind: ic, pins: {1: W, 2: GND}, supply: 1, ground: 2}
`

// TestEnds: diode mode does not tell the sides of 0.3 ohm apart, and the resistances at
// both ends do, whatever the leads add to both: by Ohm's law a short of 1 ohm behind the
// bead reads 1.3 ohm before it and 1.0 ohm behind.
func TestEnds(t *testing.T) {
	side := map[string]int{"C1": 0, "C2": 0, "C3": 0, "FB1": 2, "C4": 1, "C5": 1, "C6": 1, "U1": 1}
	for _, tt := range []struct {
		short       string
		front, back float64 // ohm at both ends
		side        int
	}{
		{"C2", 1.0, 1.3, 0},
		{"C5", 1.3, 1.0, 1},
	} {
		for _, leads := range []float64{0, 0.2, 0.5} {
			t.Run(fmt.Sprint(tt.short, " leads ", leads), func(t *testing.T) {
				s := newShop(t, halves, 5)
				swept := reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, tt.short+":shorted=1"))...)
				d := s.diagnose(s.open(swept))
				of := func(d *engine.Diagnosis, want int) (sum float64) {
					for _, x := range d.Suspects {
						if side[x.Part] == want {
							sum += x.Probability
						}
					}
					return sum
				}
				if p := of(d, tt.side); p > 0.8 {
					t.Errorf("the sweep alone gives the side %.2f", p)
				}
				var step *engine.Step
				for i := range d.Next {
					if d.Next[i].Do == engine.DoEnds {
						step = &d.Next[i]
						break
					}
				}
				if step == nil || step.Part != "FB1" || len(step.Then) != 1 {
					t.Fatalf("no comparison of both ends of FB1 in %v", d.Next)
				}
				if len(step.Outcomes) < 2 {
					t.Errorf("outcomes %v", step.Outcomes)
				}
				shown := func(ohms float64) string { return fmt.Sprintf("%.1f ohm", ohms+leads) }
				at := map[netlist.NetID]float64{s.point("FB1.1").Net: tt.front, s.point("FB1.2").Net: tt.back}
				d = s.diagnose(s.open(swept, reads(
					s.read(step.At, "", shown(at[s.point(step.At).Net]), references.RedOnGround),
					s.read(step.Then[0], "", shown(at[s.point(step.Then[0]).Net]), references.RedOnGround))))
				if p := of(d, tt.side); p < 0.9 {
					t.Errorf("after both readings the side has %.2f: %v", p, d.Suspects)
				}
				for _, x := range d.Next {
					if x.Do == engine.DoEnds {
						t.Error("the comparison is asked for again")
					}
				}
			})
		}
	}
}

// TestEndsOnlyWhereTheyTell: a leak of 200 ohm hides what a bead adds, and a board with
// nothing to tell apart has no use for it.
func TestEndsOnlyWhereTheyTell(t *testing.T) {
	s := newShop(t, halves, 5)
	for _, st := range []network.State{s.faulty(netlist.Edits{}, "C2:leaky=200"), {}} {
		d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, st)...)))
		for _, x := range d.Next {
			if x.Do == engine.DoEnds {
				t.Errorf("%v: ends of %s are compared", st.Changes, x.Part)
			}
		}
	}
}
