package diagnose

import (
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
)

// TestEvidenceOfInjection: a part is felt once, however often the nets that it lies on
// are fed; a part that was off the board then is not felt at all; and one injection
// that finds it warm is enough.
func TestEvidenceOfInjection(t *testing.T) {
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	e, err := NewBasis(b, nil, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	part := func(name string) netlist.PartID {
		id, err := e.Board.PartByName(name)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	inject := func(n int, into string, warm ...netlist.PartID) journal.Event {
		rail, err := e.Board.NetByName(into)
		if err != nil {
			t.Fatal(err)
		}
		return journal.Event{Kind: journal.KindInject, Number: n, Injections: []journal.Injection{{Rail: rail, Warm: warm}}}
	}
	c := &journal.Case{Board: e.Board, Events: []journal.Event{
		{Kind: journal.KindOpen, Number: 1, Open: &journal.Opening{}},
		{Kind: journal.KindRemove, Number: 2, Parts: []netlist.PartID{part("C71")}},
		inject(3, "V1V8_IO"), inject(4, "V1V8_SW", part("C72")), // L2 joins them
	}}
	q := &Inquiry{Basis: e, Case: c, Physics: &fault.Physics{Values: e.Posterior.At(23, nil)}, Stages: c.Stages()}
	felt, warm := map[string]int{}, map[string]bool{}
	for _, in := range q.evidence().Injections {
		for p, w := range in.Warm {
			felt[e.Board.Parts[p].Name]++
			warm[e.Board.Parts[p].Name] = warm[e.Board.Parts[p].Name] || w
		}
	}
	for name, want := range map[string]int{"C72": 1, "C73": 1, "C71": 0} {
		if felt[name] != want {
			t.Errorf("%s is felt %d times, want %d", name, felt[name], want)
		}
	}
	if !warm["C72"] || warm["C73"] {
		t.Errorf("warm: C72 %v, want true; C73 %v, want false", warm["C72"], warm["C73"])
	}
}
