package network

import (
	"math"

	"halfsplit/engine/circuit"
	"halfsplit/netlist"
)

// Hold keeps the reading just taken, of a board without changes, for Update, until the
// next Read or Build.
func (w *Workspace) Hold() {
	w.solver.Hold()
	w.heldRound = w.round
}

// Update gives the reading that is held of the board in a state with one change, as
// Read does to within a microvolt, for much less work: a path between coppers that the
// current reaches, or a resistance in series with a resistive element that it reaches.
// It is false for any other change, and where that takes a circuit of its own. With
// again the change is that of the last call with other Ohms, and v that of the reading.
func (w *Workspace) Update(st *State, v *Values, again bool) (r Reading, ok bool, err error) {
	if w.heldRound != w.round || len(st.Changes) != 1 || isOpen(st.Changes[0].Ohms) || !st.Holds(&st.Changes[0]) {
		return Reading{}, false, nil
	}
	var sol circuit.Solution
	switch ch := &st.Changes[0]; ch.Kind {
	case AddPath:
		a, b := w.copper(ch.A, st), w.copper(ch.B, st)
		if a < 0 || b < 0 || w.seen[a] != w.round || w.seen[b] != w.round {
			return Reading{}, false, nil
		}
		if ground := int32(w.m.Board.Ground); a != ground && b != ground && (w.soleRail(ch.A.Net) != netlist.None || w.soleRail(ch.B.Net) != netlist.None) {
			return Reading{}, false, nil // see hangs
		}
		sol, ok, err = w.solver.Update(&w.c, w.node[a], w.node[b], math.Max(ch.Ohms, MinOhms), again)
	case Cut:
		if w.m.Elements[ch.Element].Class != Resistive || w.used[ch.Element] != w.round || w.resistor[ch.Element] < 0 {
			return Reading{}, false, nil
		}
		sol, ok, err = w.solver.Widen(&w.c, int(w.resistor[ch.Element]), v.Ohms[ch.Element]+ch.Ohms, again)
	}
	if !ok && err == nil {
		return Reading{}, false, nil
	}
	r, err = w.keep(sol, err)
	return r, true, err
}

// Spare gives a second workspace, for readings that would end what this one holds.
func (w *Workspace) Spare() *Workspace {
	if w.spare == nil {
		w.spare = NewWorkspace(w.m)
	}
	return w.spare
}
