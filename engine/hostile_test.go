package engine_test

import (
	"fmt"
	"strings"
	"testing"

	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// small is a line and its twin; invented.
const small = `
board: small
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: L, 2: M, 3: V, 4: NC, 5: GND, 6: K}}}
nets:
  V: {rail: 1.8 V}
  L: {along: [J1.1, TP1, R1.1]}
test_points: {TP1: L}
parts:
  R1: {kind: resistor, value: 22R, pins: [L, L_U]}
  R2: {kind: resistor, value: 2K2, pins: [V, L_U], role: pull}
  C1: {kind: capacitor, value: 15p, pins: [L_U, GND], role: filter}
  FL1: {kind: filter, value: 2R, pins: {in: M, out: M_U, gnd: GND}}
  D1: {kind: tvs, pins: [M, GND]}
  FB1: {kind: bead, value: 600R, pins: [V, V_U]}
  C2: {kind: capacitor, value: 1u, pins: [V, GND], role: bypass}
  R3: {kind: resistor, value: 100R, pins: [K, K_U]}
  C3: {kind: capacitor, value: 1n, pins: [K_U, GND], role: filter}
  U1: {kind: ic, pins: {1: V_U, 2: L_U, 3: GND, 4: M_U, 5: N_U, 6: K_U}, supply: 1, ground: 3}
matched: [[L, M]]
`

// bus is a rail with many lines pulled up to it, as many as a wide connector has.
func bus(lines int) string {
	var pins, parts strings.Builder
	for i := range lines {
		fmt.Fprintf(&pins, "%d: L%d, ", i+1, i)
		fmt.Fprintf(&parts, "  R%d: {kind: resistor, value: 22R, pins: [L%d, U%d]}\n", i, i, i)
		fmt.Fprintf(&parts, "  RP%d: {kind: resistor, value: 220R, pins: [V, U%d], role: pull}\n", i, i)
		fmt.Fprintf(&parts, "  C%d: {kind: capacitor, value: 15p, pins: [U%d, GND]}\n", i, i)
		fmt.Fprintf(&parts, "  IC%d: {kind: ic, pins: {1: V, 2: U%d, 3: GND}, supply: 1, ground: 3}\n", i, i)
	}
	return fmt.Sprintf("board: bus\nrevision: A\nground: GND\nconnectors: {J1: {rows: 1, pins: {%s%d: V, %d: GND}}}\nnets: {V: {rail: 1.8 V}}\nparts:\n  CV: {kind: capacitor, value: 1u, pins: [V, GND]}\n%s",
		pins.String(), lines+1, lines+2, parts.String())
}

// TestManyShiftedLines shorts a rail that many lines hang on: each line's reading
// supports the short.
func TestManyShiftedLines(t *testing.T) {
	for _, lines := range []int{20, 30} {
		s := newShop(t, bus(lines), 4)
		d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, "CV:shorted=0.5"))...)))
		if len(d.Suspects) == 0 {
			t.Errorf("%d lines: no suspects, explanations %+v", lines, d.Explanations)
			continue
		}
		if p := d.Suspects[0].Probability; !(p > 0.05) {
			t.Errorf("%d lines: the first suspect, %s, has probability %g", lines, d.Suspects[0].Part, p)
		}
		if none := d.Explanations[0]; len(none.Faults) == 0 {
			t.Errorf("%d lines: nothing wrong has probability %g", lines, none.Probability)
		}
		t.Logf("%d lines: %s %.3f", lines, d.Suspects[0].Part, d.Suspects[0].Probability)
	}
}

// TestOddCases gives the engine cases that no bench would make. None may fail;
// sound looks at the answers.
func TestOddCases(t *testing.T) {
	all := func(s *shop, shown string) journal.Event {
		var rs []journal.Read
		for _, pt := range s.pins() {
			rs = append(rs, s.read(s.board.PointName(pt), "", shown, references.RedOnGround))
		}
		return reads(rs...)
	}
	tests := []struct {
		about string
		make  func(s *shop) *journal.Case
		first string // the suspect that leads, empty for none
	}{
		{"no reading", func(s *shop) *journal.Case { return s.open() }, ""},
		{"one good reading", func(s *shop) *journal.Case {
			return s.open(reads(s.sweep(references.RedOnGround, network.State{})[0]))
		}, ""},
		{"a good sweep", func(s *shop) *journal.Case { return s.open(reads(s.sweep(references.RedOnGround, network.State{})...)) }, ""},
		{"one OL", func(s *shop) *journal.Case { return s.open(reads(s.read("J1.1", "", "OL", references.RedOnGround))) }, "?"},
		{"all OL", func(s *shop) *journal.Case { return s.open(all(s, "OL")) }, "?"},
		{"all 0", func(s *shop) *journal.Case { return s.open(all(s, "0.000")) }, "?"},
		{"all below 0", func(s *shop) *journal.Case { return s.open(all(s, "-0.020")) }, "?"},
		{"all at 60 V", func(s *shop) *journal.Case { return s.open(all(s, "60 V")) }, ""},
		{"all 0 ohm", func(s *shop) *journal.Case { return s.open(all(s, "0 ohm")) }, "?"},
		{"all OL ohm", func(s *shop) *journal.Case { return s.open(all(s, "OL ohm")) }, "?"}, // 6 to 11 kohm on a good board
		{"a pin to itself", func(s *shop) *journal.Case {
			return s.open(reads(s.read("J1.1", "J1.1", "0 ohm", references.RedOnGround), s.read("J1.1", "TP1", "OL ohm", references.RedOnGround), s.read("J1.4", "J1.5", "OL", references.RedOnGround)))
		}, "?"},
		{"ground to ground", func(s *shop) *journal.Case {
			return s.open(reads(s.read("J1.5", "", "OL", references.RedOnGround), s.read("GND", "J1.5", "0.7 ohm", references.RedOnGround)))
		}, ""},
		{"everything removed", func(s *shop) *journal.Case {
			ev := journal.Event{Kind: journal.KindRemove}
			for p := range s.board.Parts {
				ev.Parts = append(ev.Parts, netlist.PartID(p))
			}
			return s.open(ev, all(s, "OL"), all(s, "0.400"))
		}, "?"},
		{"contradictions", func(s *shop) *journal.Case {
			return s.open(all(s, "0.000"), all(s, "OL"), all(s, "0.500"), all(s, "22 ohm"))
		}, "?"},
	}
	for _, tt := range tests {
		for _, boards := range []int{0, 1, 5} {
			t.Run(fmt.Sprintf("%s, %d boards", tt.about, boards), func(t *testing.T) {
				s := newShop(t, small, boards)
				c := tt.make(s)
				d := s.diagnose(c)
				if tt.first == "" && boards > 0 && len(d.Suspects) > 0 && d.Suspects[0].Probability > 0.5 {
					t.Errorf("suspects %s with %.2f where there is nothing to suspect", d.Suspects[0].Part, d.Suspects[0].Probability)
				}
				if _, err := s.e.Compare(c); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

// TestManyReadings takes ten thousand readings without losing one. They repeat
// each other, as those of a probe that bounces do.
func TestManyReadings(t *testing.T) {
	s := newShop(t, small, 5)
	st := s.faulty(netlist.Edits{}, "R1:open")
	var events []journal.Event
	n := 0
	for n < 10000 {
		rs := s.sweep(references.RedOnGround, st)
		for i := range rs {
			if !rs[i].Reading.Overload {
				rs[i].Reading.Value += float64(n%5-2) * 1e-3
			}
		}
		n += len(rs)
		events = append(events, reads(rs...))
	}
	d := s.diagnose(s.open(events...))
	if len(d.Readings) != n {
		t.Errorf("%d readings of %d are in the answer", len(d.Readings), n)
	}
	if len(d.Suspects) == 0 || d.Suspects[0].Part != "R1" {
		t.Errorf("suspects %+v, want R1", d.Suspects)
	}
}

// TestManyPoints takes a thousand different readings across one resistor. Each
// supports the same fault, or for none; the product of their likelihoods is
// larger or smaller than a floating-point number can be.
func TestManyPoints(t *testing.T) {
	for _, tt := range []struct {
		ohms  float64
		first string
	}{{22, ""}, {500, "R1"}} {
		s := newShop(t, small, 1)
		var rs []journal.Read
		for i := range 1000 {
			r := s.read("R1.1", "R1.2", "22 ohm", references.RedOnGround)
			r.Reading.Value = tt.ohms + float64(i)*1e-4
			rs = append(rs, r)
		}
		d := s.diagnose(s.open(reads(rs...)))
		if len(d.Readings) != len(rs) {
			t.Errorf("%g ohm: %d readings of %d are in the answer", tt.ohms, len(d.Readings), len(rs))
		}
		first := ""
		if len(d.Suspects) > 0 {
			first = d.Suspects[0].Part
		}
		if first != tt.first {
			t.Errorf("%g ohm: the first suspect is %q, want %q; %d explanations", tt.ohms, first, tt.first, len(d.Explanations))
		}
	}
}

// clamped is a rail with many lines pulled up to it and no chip on it, so that
// the lines' readings have no supply in common.
func clamped(lines int) string {
	var pins, parts strings.Builder
	for i := range lines {
		fmt.Fprintf(&pins, "%d: L%d, ", i+1, i)
		fmt.Fprintf(&parts, "  RP%d: {kind: resistor, value: 220R, pins: [V, L%d], role: pull}\n", i, i)
		fmt.Fprintf(&parts, "  D%d: {kind: tvs, pins: [L%d, GND]}\n", i, i)
	}
	return fmt.Sprintf("board: clamped\nrevision: A\nground: GND\nconnectors: {J1: {rows: 1, pins: {%s%d: V, %d: GND}}}\nnets: {V: {rail: 1.8 V}}\nparts:\n  CV: {kind: capacitor, value: 1u, pins: [V, GND]}\n%s",
		pins.String(), lines+1, lines+2, parts.String())
}

// TestProductBeyondFloat shorts a rail whose lines all move, each by itself: the
// product of their likelihood ratios is larger than a floating-point number can be.
func TestProductBeyondFloat(t *testing.T) {
	s := newShop(t, clamped(50), 4)
	d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, "CV:shorted=0.5"))...)))
	if len(d.Suspects) == 0 || d.Suspects[0].Part != "CV" || !(d.Suspects[0].Probability > 0.5) {
		t.Errorf("suspects %+v, explanations %+v; want CV", d.Suspects, d.Explanations)
	}
}
