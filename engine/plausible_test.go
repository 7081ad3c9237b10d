package engine_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// demoShop is the board of the demo, read by the engine's own circuit.
func demoShop(t *testing.T) *shop {
	b, err := netlist.Load(filepath.Join("..", "testdata", "demo", "board.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return openShop(t, b, 3)
}

// TestImplausible: what the leads or the wrong board do to a sweep is said, and
// nothing is concluded from it: no suspect, no step. The same readings with a fault
// in place of that are diagnosed.
func TestImplausible(t *testing.T) {
	s := demoShop(t)
	ol, zero := quantity.Reading{Overload: true}, quantity.Reading{}
	all := func(r quantity.Reading) func([]journal.Read) []journal.Read {
		return func(list []journal.Read) []journal.Read {
			for i := range list {
				list[i].Reading = r
			}
			return list
		}
	}
	only := func(names string, then func([]journal.Read) []journal.Read) func([]journal.Read) []journal.Read {
		return func(list []journal.Read) []journal.Read {
			return then(slices.DeleteFunc(list, func(r journal.Read) bool { return !slices.Contains(strings.Fields(names), r.Name) }))
		}
	}
	at := func(name string, r quantity.Reading) func([]journal.Read) []journal.Read {
		return func(list []journal.Read) []journal.Read {
			for i := range list {
				if list[i].Name == name {
					list[i].Reading = r
				}
			}
			return list
		}
	}
	good := func(list []journal.Read) []journal.Read { return list }
	tests := []struct {
		about  string
		change func([]journal.Read) []journal.Read // of the readings of a good board
		what   string                              // "" where nothing is said
	}{
		{"a good board", good, ""},
		{"a line OL", at("J7.3", ol), ""},
		{"all OL", all(ol), "the ground lead is off"},
		{"two ground pins and two rails OL", only("J7.1 J7.5 J7.7 J7.12", all(ol)), "the ground lead is off"},
		{"a ground pin OL, nothing else read", only("J7.1", all(ol)), "the ground lead is off"},
		{"four lines OL, no ground pin read", only("J7.2 J7.3 J7.4 J7.5", all(ol)), "the ground lead is off"},
		{"three lines OL, no ground pin read", only("J7.2 J7.3 J7.4", all(ol)), ""},
		{"the lead falls off half-way", func(list []journal.Read) []journal.Read {
			for i := range list {
				if i >= 6 {
					list[i].Reading = ol
				}
			}
			return list
		}, "the ground lead is off"},
		{"one ground pin OL on a good board", at("J7.1", ol), ""},
		{"all 0.000", all(zero), "the leads touch"},
		{"four lines 0.000", only("J7.2 J7.3 J7.4 J7.5", all(zero)), "the leads touch"},
		{"three lines 0.000", only("J7.2 J7.3 J7.4", all(zero)), ""},
		{"pins that are not connected at 0.000, and most of the others", func(list []journal.Read) []journal.Read {
			for i := range list {
				if r := &list[i]; r.At.Net == netlist.None || i < 28 {
					r.Reading = zero
				}
			}
			return list
		}, "the leads touch"},
		{"a pin that not connected (NC) at 0.000 on a good board", at("J7.11", zero), ""},
		{"the red probe on a rail", func(list []journal.Read) []journal.Read {
			for i := range list {
				switch r := &list[i]; {
				case r.At.Net == s.board.Ground:
					r.Reading = quantity.Reading{Value: 0.45}
				case r.Name == "J7.7":
					r.Reading = zero
				case !r.Reading.Overload:
					r.Reading.Value += 0.3
				}
			}
			return list
		}, "the lead that belongs on ground is elsewhere"},
		{"counted from the other end", func(list []journal.Read) []journal.Read {
			var j3 []journal.Read
			for _, r := range list {
				if strings.HasPrefix(r.Name, "J3.") {
					j3 = append(j3, r)
				}
			}
			var shown []quantity.Reading
			for _, r := range j3 {
				shown = append(shown, r.Reading)
			}
			for i := range j3 {
				j3[i].Reading = shown[len(shown)-1-i]
			}
			return j3
		}, "it may be another connector, board, revision or range"},
		{"every reading 0.300", func(list []journal.Read) []journal.Read {
			for i := range list {
				if list[i].At.Net != s.board.Ground {
					list[i].Reading = quantity.Reading{Value: 0.3}
				}
			}
			return list
		}, "it may be another connector, board, revision or range"},
	}
	for _, tt := range tests {
		c := s.open(reads(tt.change(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{})))...))
		list, err := s.e.Compare(c)
		if err != nil {
			t.Fatal(err)
		}
		x, err := s.e.Implausible(c, list)
		if err != nil {
			t.Fatal(err)
		}
		d := s.diagnose(c)
		for _, y := range []*diagnose.Implausible{x, d.Implausible} {
			switch {
			case tt.what == "" && y != nil:
				t.Errorf("%s: said to be implausible: %+v", tt.about, y)
			case tt.what == "":
			case y == nil:
				t.Errorf("%s: nothing is said", tt.about)
			case !strings.HasPrefix(y.What, tt.what) || !slices.Equal(y.Events, []int{2}):
				t.Errorf("%s: %+v, want %q of event 2", tt.about, y, tt.what)
			}
		}
		if tt.what != "" && (len(d.Suspects) > 0 || len(d.Explanations) > 0 || len(d.Next) > 0 || len(d.Abnormal) == 0) {
			t.Errorf("%s: %d suspects, %d explanations, %d steps, %d abnormal", tt.about, len(d.Suspects), len(d.Explanations), len(d.Next), len(d.Abnormal))
		}
	}
}

// coils is a board whose lines all read next to 0: motor windings; invented.
const coils = `
board: coils
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: B, 3: C, 4: D, 5: E, 6: GND}}}
parts:
  L1: {kind: inductor, value: 10u, pins: [A, GND]}
  L2: {kind: inductor, value: 10u, pins: [B, GND]}
  L3: {kind: inductor, value: 10u, pins: [C, GND]}
  L4: {kind: inductor, value: 10u, pins: [D, GND]}
  L5: {kind: inductor, value: 10u, pins: [E, GND]}
`

// TestLowLines: where good boards read 0 at every pin, a sweep of zeros is a good one.
func TestLowLines(t *testing.T) {
	s := newShop(t, coils, 2)
	d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}))...)))
	if d.Implausible != nil || len(d.Abnormal) > 0 {
		t.Errorf("implausible %+v, abnormal %+v", d.Implausible, d.Abnormal)
	}
}
