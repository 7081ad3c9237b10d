package network

import "halfsplit/netlist"

// Dead ends are nets that hang from one other by a single element and lead nowhere:
// the arms of a star of pull-ups whose far ends are open, say. No current passes into
// one, so a reading elsewhere is the same without it, and one in it needs its way to
// the rest and nothing beside. A workspace with Bare set leaves them out. Where a
// thousand parts hang from one net, a reading then takes a few of them instead of all.

// markDeadEnds finds the dead ends. It takes nets with a single element off, and then
// those that are left with one.
func (m *Model) markDeadEnds() {
	m.hangsBy = make([]int32, len(m.Board.Nets))
	left := make([]int32, len(m.Board.Nets)) // elements at each net that are not taken off
	for n := range m.hangsBy {
		m.hangsBy[n] = -1
	}
	for e := range m.Elements {
		if m.Elements[e].Origin == NotDrawn { // which seldom is there; see wake
			continue
		}
		left[m.Net(m.Elements[e].A)]++
		left[m.Net(m.Elements[e].B)]++
	}
	off := make([]bool, len(m.Elements))
	var q []netlist.NetID
	for n := range left {
		if left[n] == 1 && netlist.NetID(n) != m.Board.Ground {
			q = append(q, netlist.NetID(n))
		}
	}
	for i := 0; i < len(q); i++ {
		n := q[i]
		for _, c := range m.onNet.at(int32(n)) {
			for _, e := range m.ofContact.at(c) {
				if off[e] || m.Elements[e].Origin == NotDrawn {
					continue
				}
				off[e], m.hangsBy[n] = true, e
				other := m.across(e, n)
				if left[other]--; left[other] == 1 && other != m.Board.Ground {
					q = append(q, other)
				}
			}
		}
	}
	m.live = newIndex(len(m.Board.Nets), len(m.contacts), func(c int32, add func(int32)) {
		n := m.contacts[c].net
		if n == netlist.None {
			return
		}
		for _, e := range m.ofContact.at(c) {
			if !off[e] || m.hangsBy[n] == e {
				add(int32(n))
				return
			}
		}
	})
}

// across gives the net at the other end of an element.
func (m *Model) across(e int32, n netlist.NetID) netlist.NetID {
	if a := m.Net(m.Elements[e].A); a != n {
		return a
	}
	return m.Net(m.Elements[e].B)
}

// wake notes the dead ends that a lead, a change, a bridge or an undrawn junction is on,
// with their way to the rest. Nothing is left out where a part is turned: what hangs from
// what is other then.
func (w *Workspace) wake(p Probe, st *State, v *Values) {
	w.awake, w.bare = w.awake[:0], w.Bare
	way := func(n netlist.NetID) {
		for n != netlist.None && w.m.hangsBy[n] >= 0 {
			w.awake = append(w.awake, w.m.hangsBy[n])
			n = w.m.across(w.m.hangsBy[n], n)
		}
	}
	whole := func(p netlist.PartID) {
		if p != netlist.None {
			for _, t := range w.m.Board.Parts[p].Terminals {
				way(t.Net)
			}
		}
	}
	if !w.bare {
		return
	}
	way(p.Plus.Net)
	way(p.Minus.Net)
	for _, e := range v.undrawn {
		el := &w.m.Elements[e]
		way(w.m.Net(max(el.A, el.B))) // the other is ground
	}
	for k := range st.Changes {
		switch ch := &st.Changes[k]; ch.Kind {
		case AddPath:
			way(ch.A.Net)
			way(ch.B.Net)
		case Detach:
			way(w.m.Net(ch.Contact))
		case Split:
			way(ch.Net)
		case Cut:
			way(w.m.Net(w.m.Elements[ch.Element].A))
			way(w.m.Net(w.m.Elements[ch.Element].B))
		case Remove:
		default:
			w.bare = false
		}
	}
	for _, e := range st.Edits.List() {
		if e.Jumpered {
			whole(e.Part)
		}
	}
}

// around lists the contacts on a net that current could pass.
func (w *Workspace) around(n int32) []int32 {
	if w.bare {
		return w.m.live.at(n)
	}
	return w.m.onNet.at(n)
}
