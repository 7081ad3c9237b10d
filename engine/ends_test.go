package engine_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/repair"
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

// endsOf gives the first comparison of both ends on offer, nil for none.
func endsOf(d *repair.Diagnosis) *repair.Step {
	for i := range d.Next {
		if d.Next[i].Do == repair.DoEnds {
			return &d.Next[i]
		}
	}
	return nil
}

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
				of := func(d *repair.Diagnosis, want int) (sum float64) {
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
				step := endsOf(d)
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
				if p := of(d, tt.side); p < 0.85 {
					t.Errorf("after both readings the side has %.2f: %v", p, d.Suspects)
				}
				if endsOf(d) != nil {
					t.Error("the comparison is asked for again")
				}
			})
		}
	}
}

// TestEndsOnlyWhereTheyTell: a leak of 200 ohm hides what a bead adds, and a board with
// nothing to distinguish has no use for it.
func TestEndsOnlyWhereTheyTell(t *testing.T) {
	s := newShop(t, halves, 5)
	for _, st := range []network.State{s.faulty(netlist.Edits{}, "C2:leaky=200"), {}} {
		d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, st)...)))
		if x := endsOf(d); x != nil {
			t.Errorf("%v: ends of %s are compared", st.Changes, x.Part)
		}
	}
}

// TestEndsOnOffer: a comparison is on offer, for the price of what is left to read, until
// both ends were read with the red probe on ground, whatever they showed.
func TestEndsOnOffer(t *testing.T) {
	beads := "parts:\n" // that no probe reaches
	for k := range 30 {
		for _, rail := range "VW" {
			beads += fmt.Sprintf("  X%c%d: {kind: bead, value: 600R, pins: [%c, %c%d], access: underfill}\n", rail, k, rail, rail, k)
			beads += fmt.Sprintf("  Y%c%d: {kind: ic, pins: {1: %c%d, 2: GND}, supply: 1, ground: 2}\n", rail, k, rail, k)
		}
	}
	crowd := strings.Replace(halves, "parts:\n", beads, 1)
	red, black := references.RedOnGround, references.BlackOnGround
	for _, tt := range []struct {
		about, board string
		front, back  string // readings, "" for none
		pol          references.Polarity
		seconds      float64 // 0 for not on offer
	}{
		{"unread", halves, "", "", red, 24},
		{"one end", halves, "1.2 ohm", "", red, 14},
		{"both", halves, "1.2 ohm", "1.5 ohm", red, 0},
		{"both the other way round", halves, "1.2 ohm", "1.5 ohm", black, 24},
		{"one OL", halves, "OL ohm", "1.5 ohm", red, 0},
		{"others out of reach", crowd, "", "", red, 24},
	} {
		t.Run(tt.about, func(t *testing.T) {
			s := newShop(t, tt.board, 5)
			events := []journal.Event{reads(s.sweep(red, s.faulty(netlist.Edits{}, "C2:shorted=1"))...)}
			if tt.front != "" {
				events = append(events, reads(s.read("C1.1", "", tt.front, tt.pol)))
			}
			if tt.back != "" {
				events = append(events, reads(s.read("FB1.2", "", tt.back, tt.pol)))
			}
			got := 0.0
			if x := endsOf(s.diagnose(s.open(events...))); x != nil {
				got = x.Seconds
			}
			if got != tt.seconds {
				t.Errorf("offered for %v s, want %v", got, tt.seconds)
			}
		})
	}
}

// TestLeadsOfAnother: a resistance on another supply, which has a short of its own, says
// nothing of what the leads add here: the order of the readings is all the same, and no
// short is found of more ohms than were read.
func TestLeadsOfAnother(t *testing.T) {
	text := strings.Replace(halves, "pins: {1: V, 2: GND}}}", "pins: {1: V, 2: GND, 3: X}}}", 1)
	text = strings.Replace(text, "nets: {", "nets: {X: {rail: 3.3 V}, ", 1) +
		"  C7: {kind: capacitor, value: 1u, pins: [X, GND]}\n  U2: {kind: ic, pins: {1: X, 2: GND}, supply: 1, ground: 2}\n"
	s := newShop(t, text, 5)
	red := references.RedOnGround
	swept := reads(s.sweep(red, s.faulty(netlist.Edits{}, "C2:shorted=1", "C7:shorted=0.5"))...)
	v, x := s.read("J1.1", "", "1.0 ohm", red), s.read("J1.3", "", "0.5 ohm", red)
	var ohms [2]float64
	for i, both := range [2][]journal.Read{{v, x}, {x, v}} {
		for _, f := range s.diagnose(s.open(swept, reads(both...))).Explanations[0].Faults {
			if f.Part == "C7" && f.Ohms != nil {
				ohms[i] = *f.Ohms
			}
		}
	}
	if ohms[0] != ohms[1] || ohms[0] <= 0 || ohms[0] > 0.6 {
		t.Errorf("C7 has %.3f ohm or %.3f ohm by the order of readings, want one of at most 0.5", ohms[0], ohms[1])
	}
}

// TestAcrossSupply: millivolts across a bead with a supply of 0.3 V on its one side tell on
// which side a leak lies, which resistances at its ends do not. By Ohm's law a leak of R behind
// 0.3 ohm draws 0.3 V / (R + 0.3 ohm) through them, and one before them nothing. A bead shows
// that of a leak of 1,000 ohm on no display.
func TestAcrossSupply(t *testing.T) {
	step := func(d *repair.Diagnosis) *repair.Step {
		i := slices.IndexFunc(d.Next, func(s repair.Step) bool {
			return s.Do == repair.DoDrop && slices.Equal(s.Parts, []string{"FB1"})
		})
		if i < 0 {
			return nil
		}
		return &d.Next[i]
	}
	for _, tt := range []struct {
		leak   string
		ohms   float64
		beyond map[string]bool // of a supply on V
	}{
		{"C2", 40, map[string]bool{}},
		{"C5", 40, map[string]bool{"V": true}},
		{"C2", 200, map[string]bool{}},
		{"C5", 200, map[string]bool{"V": true}},
	} {
		t.Run(fmt.Sprint(tt.leak, " of ", tt.ohms, " ohm"), func(t *testing.T) {
			s := newShop(t, halves, 5)
			swept := reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, fmt.Sprintf("%s:leaky=%g", tt.leak, tt.ohms)))...)
			d := s.diagnose(s.open(swept))
			ask := step(d)
			if ask == nil || ask.Part != "FB1" || len(ask.Outcomes) != 2 || ask.Seconds != 48 {
				t.Fatalf("millivolts across FB1 are not asked for: %+v in %v", ask, d.Next)
			}
			volts, flows := 0.0, 0.3/(tt.ohms+0.3)
			if (ask.At == "V") == tt.beyond["V"] {
				volts = math.Round(0.3*math.Min(flows, 0.1)*1e4) / 1e4
			}
			if ask.Amperes > 1.1*flows { // the leak is estimated from diode mode
				t.Errorf("at least %.2g A are said to pass, %.2g A do", ask.Amperes, flows)
			}
			rail := s.point("FB1.1").Net
			if ask.At == "W" {
				rail = s.point("FB1.2").Net
			}
			d = s.diagnose(s.open(swept, journal.Event{Kind: journal.KindDrop, Drops: []journal.Drop{{Rail: rail, Amperes: ask.Amperes, Volts: []journal.PartVolts{{Part: s.part("FB1"), Volts: volts}}}}}))
			near, far := 0.0, 0.0
			for _, x := range d.Suspects {
				switch x.Part {
				case "C1", "C2", "C3", "J1.1 to J1.2":
					near += x.Probability
				case "C4", "C5", "C6", "U1":
					far += x.Probability
				}
			}
			if tt.beyond["V"] {
				near, far = far, near
			}
			if near < 0.85 || far > 0.05 {
				t.Errorf("after %.1f mV from %s the side of the leak has %.2f and the other %.2f", 1e3*volts, ask.At, near, far)
			}
			if step(d) != nil {
				t.Error("millivolts across FB1 are asked for again")
			}
		})
	}
	s := newShop(t, halves, 5)
	if x := step(s.diagnose(s.open(reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, "C2:leaky=1000"))...)))); x != nil {
		t.Errorf("of a leak of 1,000 ohm millivolts across FB1 are asked for: %+v", x)
	}
}
