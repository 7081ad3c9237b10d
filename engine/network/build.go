package network

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/circuit"
	"halfsplit/netlist"
)

// extra is a path that is in no part: a fault's or a bridge's.
type extra struct {
	a, b   int32
	ohms   float64
	change int // the change it stands for, -1 for a bridge
}

// varied is where the Ohms of a change lie in the circuit of the last Build.
type varied struct {
	resistor int32   // -1 where they bear on nothing that the probe sees
	beside   float64 // ohm, in series with them
	open     bool
}

// maxChanges bounds the changes in one State: each may make a piece of copper
// of its own.
const maxChanges = 12

// Build gathers the circuit that the probe sees.
//
// It walks outward from the leads over copper and elements. With one lead on
// ground, current only ever flows from ground to the black lead or from the red
// lead to ground, so the walk passes a junction only in the direction from
// which current could come; a junction met against that direction is kept only
// if both its ends are reached otherwise. Protection junctions from other pins
// up to a supply that is being pulled down are passed only where a change lies
// on the pin's line or resistances join it to ground: without one, such a pin
// hangs by two junctions in series and gives microamperes.
func (w *Workspace) Build(p Probe, st *State, v *Values) error {
	if len(st.Changes) > maxChanges {
		return fmt.Errorf("network: %d changes at once; at most %d", len(st.Changes), maxChanges)
	}
	w.round++
	w.coppers = append(w.coppers[:0], int32(w.m.Board.Ground))
	w.held = w.held[:0]
	w.owners, w.parts = w.owners[:0], w.parts[:0]
	w.c.Resistors, w.c.Junctions = w.c.Resistors[:0], w.c.Junctions[:0]
	for k := range st.Changes {
		w.varied[k] = varied{resistor: -1, open: isOpen(st.Changes[k].Ohms)}
	}
	ground := int32(w.m.Board.Ground)
	w.seen[ground], w.node[ground] = w.round, 0
	w.gatherExtras(st)
	w.wake(p, st, v)
	if !w.Scope {
		w.markHot(st)
	}
	w.faint = faintLeak * p.Meter.Current
	if p.Meter.Resistive { // whose readings go up to megohms
		w.faint = 0
	}
	w.fed = append(w.fed[:0], w.m.regionOf(p.Plus.Net))
	for k := range st.Changes {
		if ch := &st.Changes[k]; ch.Kind == AddPath && ch.B.Net != w.m.Board.Ground {
			w.fed = append(w.fed, w.m.regionOf(ch.A.Net), w.m.regionOf(ch.B.Net))
		}
	}

	plus, minus := w.lead(p.Plus, st), w.lead(p.Minus, st)
	way := both
	switch {
	case w.Scope:
	case plus == 0 && minus != 0:
		way = sinking
	case minus == 0 && plus != 0:
		way = sourcing
	}
	for i := 1; i < len(w.coppers); i++ {
		w.expand(w.coppers[i], way, st, v)
	}
	for _, e := range w.held {
		a, b := w.ends(e, st)
		if w.seen[a] == w.round && w.seen[b] == w.round {
			w.addJunction(e, w.node[a], w.node[b], v)
		}
	}
	for _, x := range w.extras {
		if w.seen[x.a] == w.round && w.seen[x.b] == w.round && x.a != x.b {
			if x.change >= 0 {
				w.varied[x.change].resistor = int32(len(w.c.Resistors))
			}
			w.c.Resistors = append(w.c.Resistors, circuit.Resistor{A: w.node[x.a], B: w.node[x.b], Ohms: math.Max(x.ohms, MinOhms)})
			w.parts = append(w.parts, -1)
		}
	}
	w.c.Nodes = len(w.coppers)
	w.c.Celsius = v.Celsius
	w.c.Source = circuit.Source{Plus: plus, Minus: minus, Current: p.Meter.Current, Open: p.Meter.Open}
	if p.Meter.Resistive {
		w.c.Source.Kind = circuit.Resistive
	}
	return nil
}

// lead reaches the copper under a lead. A lead on nothing gets a node of its
// own, so that the meter shows OL.
func (w *Workspace) lead(p Place, st *State) circuit.Node {
	if cu := w.copper(p, st); cu >= 0 {
		return w.reach(cu)
	}
	w.coppers = append(w.coppers, int32(len(w.seen)-1))
	return circuit.Node(len(w.coppers) - 1)
}

// reach gives the node of a copper, new if need be.
func (w *Workspace) reach(cu int32) circuit.Node {
	if w.seen[cu] != w.round {
		w.seen[cu] = w.round
		w.node[cu] = int32(len(w.coppers))
		w.coppers = append(w.coppers, cu)
	}
	return w.node[cu]
}

// way is the direction in which the walk passes junctions.
type way uint8

const (
	both     way = iota
	sinking      // leads pull current out of the board: walk from cathode to anode
	sourcing     // leads push current into it: walk from anode to cathode
)

// expand takes all elements at a copper.
func (w *Workspace) expand(cu int32, dir way, st *State, v *Values) {
	nets := int32(len(w.m.Board.Nets))
	if cu < nets {
		for _, c := range w.around(cu) {
			if w.copperOf(Contact(c), st) == cu {
				w.expandContact(Contact(c), cu, dir, st, v)
			}
		}
	} else if k := int(cu - nets); k < len(st.Changes) {
		switch ch := &st.Changes[k]; ch.Kind {
		case Detach:
			w.expandContact(ch.Contact, cu, dir, st, v)
		case Split:
			for _, c := range w.m.onNet.at(int32(ch.Net)) {
				if w.copperOf(Contact(c), st) == cu {
					w.expandContact(Contact(c), cu, dir, st, v)
				}
			}
		}
	}
	for _, e := range w.awake {
		for _, c := range [2]Contact{w.m.Elements[e].A, w.m.Elements[e].B} {
			if c != Ground && w.copperOf(c, st) == cu {
				w.expandContact(c, cu, dir, st, v)
			}
		}
	}
	for _, x := range w.extras {
		if x.a == cu {
			w.reach(x.b)
		} else if x.b == cu {
			w.reach(x.a)
		}
	}
}

func (w *Workspace) expandContact(c Contact, cu int32, dir way, st *State, v *Values) {
	part := w.m.contacts[c].part
	if st.gone(part) {
		return
	}
	for k := range st.Changes {
		if ch := &st.Changes[k]; ch.Kind == Turn && ch.Part == part {
			c = w.m.turned(c, part) // whose elements lie here now
			break
		}
	}
	for _, e := range w.m.ofContact.at(int32(c)) {
		if w.used[e] == w.round {
			continue
		}
		el := &w.m.Elements[e]
		added := 0.0
		for k := range st.Changes {
			if ch := &st.Changes[k]; ch.Kind == Cut && ch.Element == e && st.Holds(ch) {
				added += ch.Ohms
				w.varied[k].open = true // until a resistor stands for it
			}
		}
		if isOpen(added) {
			continue
		}
		a, b := w.ends(e, st)
		if el.Class == Resistive {
			w.used[e], w.resistor[e] = w.round, -1
			na, nb := w.reach(a), w.reach(b)
			if na != nb {
				w.resistor[e] = int32(len(w.c.Resistors))
				for k := range st.Changes {
					if ch := &st.Changes[k]; ch.Kind == Cut && ch.Element == e && st.Holds(ch) {
						w.varied[k] = varied{resistor: int32(len(w.c.Resistors)), beside: v.Ohms[e] + added - ch.Ohms}
					}
				}
				w.c.Resistors = append(w.c.Resistors, circuit.Resistor{A: na, B: nb, Ohms: v.Ohms[e] + added})
				w.parts = append(w.parts, e)
			}
			continue
		}
		if v.saturation[e] == 0 || a == b {
			continue
		}
		w.used[e] = w.round
		if dir == sourcing && el.Origin == PinToSupply && w.hangs(a, b, st) {
			continue
		}
		if dir == sinking && cu == a || dir == sourcing && cu == b {
			// One between ground and here is reversed, whatever is on the board.
			if ground := int32(w.m.Board.Ground); a != ground && b != ground || v.saturation[e] > w.faint {
				w.held = append(w.held, e)
			}
			continue
		}
		if n := w.m.Net(el.A); dir == sinking && el.Origin == PinToSupply && w.seen[a] != w.round && w.hot[n] != w.round && !w.m.grounded[n] {
			w.held = append(w.held, e)
			continue
		}
		w.addJunction(e, w.reach(a), w.reach(b), v)
	}
}

// hangs tells whether the line of a pin, at copper a, gets its current from the pin's
// own supply alone, at copper b, so that its junction up to the supply is never turned
// on while leads push current into the board.
func (w *Workspace) hangs(a, b int32, st *State) bool {
	nets := int32(len(w.m.Board.Nets))
	if a >= nets || b >= nets { // a piece that came off
		return false
	}
	rail := w.soleRail(netlist.NetID(a))
	return rail == netlist.NetID(b) && rail != netlist.None && !st.splits(rail) &&
		!slices.ContainsFunc(st.Changes, func(c Change) bool { return c.Kind == Turn })
}

// soleRail gives the rail that the line of a net hangs from, None where nothing else
// than one rail has to feed it.
func (w *Workspace) soleRail(n netlist.NetID) netlist.NetID {
	r := w.m.regionOf(n)
	if r < 0 || w.m.tied[r] || w.bridged || slices.Contains(w.fed, r) {
		return netlist.None
	}
	return w.m.hangsFrom[r]
}

func (w *Workspace) addJunction(e int32, a, b circuit.Node, v *Values) {
	j := &v.Junctions[e]
	w.c.Junctions = append(w.c.Junctions, circuit.Junction{Anode: a, Cathode: b, Saturation: v.saturation[e], Ideality: j.Ideality, Series: j.Series})
	w.owners = append(w.owners, e)
}

// ends gives the copper at A and B of an element, after any Turn of its part.
func (w *Workspace) ends(e int32, st *State) (a, b int32) {
	el := &w.m.Elements[e]
	ca, cb := el.A, el.B
	for k := range st.Changes {
		if ch := &st.Changes[k]; ch.Kind == Turn && ch.Part == el.Part {
			ca, cb = w.m.turned(ca, el.Part), w.m.turned(cb, el.Part)
		}
	}
	return w.copperOf(ca, st), w.copperOf(cb, st)
}

// turned gives the contact that takes the place of c when its part is soldered
// on turned by half: the first contact becomes the last.
func (m *Model) turned(c Contact, p netlist.PartID) Contact {
	if c == Ground {
		return c
	}
	return Contact(m.first[p] + m.first[p+1] - 1 - int32(c))
}

// copperOf gives the copper that a contact's metal is one with.
func (w *Workspace) copperOf(c Contact, st *State) int32 {
	if c == Ground {
		return int32(w.m.Board.Ground)
	}
	for k := range st.Changes {
		if ch := &st.Changes[k]; ch.Kind == Detach && ch.Contact == c && st.Holds(ch) {
			return int32(len(w.m.Board.Nets) + k)
		}
	}
	ct := &w.m.contacts[c]
	if ct.net == netlist.None {
		return -1
	}
	if st.splits(ct.net) {
		return w.netCopper(ct.net, w.m.PlaceOfContact(c).order, st)
	}
	return int32(ct.net)
}

// copper gives the copper under a place, negative for a pin that not connected (NC).
func (w *Workspace) copper(p Place, st *State) int32 {
	if p.Contact >= 0 {
		return w.copperOf(p.Contact, st)
	}
	if p.Net == netlist.None {
		return -1
	}
	return w.netCopper(p.Net, p.order, st)
}

// netCopper gives the piece of a net on which a position along it lies: the
// pieces of a net with breaks are counted from the start of its along list.
// Points whose position is not known stay with the start.
func (w *Workspace) netCopper(n netlist.NetID, order int16, st *State) int32 {
	best, after := int32(n), int16(-1)
	for k := range st.Changes {
		if ch := &st.Changes[k]; ch.Kind == Split && ch.Net == n && order > ch.After && ch.After > after && st.Holds(ch) {
			best, after = int32(len(w.m.Board.Nets)+k), ch.After
		}
	}
	return best
}

func (s *State) splits(n netlist.NetID) bool {
	for k := range s.Changes {
		if s.Changes[k].Kind == Split && s.Changes[k].Net == n && s.Holds(&s.Changes[k]) {
			return true
		}
	}
	return false
}

// gone tells whether a part's elements are off the board.
func (s *State) gone(p netlist.PartID) bool {
	if p == netlist.None {
		return false
	}
	if s.Edits.Of(p).Removed {
		return true
	}
	for k := range s.Changes {
		if ch := &s.Changes[k]; ch.Kind == Remove && ch.Part == p && s.Holds(ch) {
			return true
		}
	}
	return false
}

// gatherExtras lists the paths that faults and bridges add.
func (w *Workspace) gatherExtras(st *State) {
	w.extras, w.bridged = w.extras[:0], false
	nets := int32(len(w.m.Board.Nets))
	for k := range st.Changes {
		ch := &st.Changes[k]
		if isOpen(ch.Ohms) || !st.Holds(ch) {
			continue
		}
		own := nets + int32(k)
		switch ch.Kind {
		case AddPath:
			w.addExtra(w.copper(ch.A, st), w.copper(ch.B, st), ch.Ohms, k)
		case Detach:
			net := w.m.contacts[ch.Contact].net
			if net != netlist.None {
				w.addExtra(own, w.under(k, st), ch.Ohms, k)
			}
		case Split:
			w.addExtra(own, w.netCopper(ch.Net, ch.After, st), ch.Ohms, k)
		}
	}
	for _, edit := range st.Edits.List() {
		if !edit.Jumpered {
			continue
		}
		for _, way := range w.m.Board.Parts[edit.Part].Jumperable() {
			w.addExtra(w.pad(edit.Part, way.From, st), w.pad(edit.Part, way.To, st), edit.Ohms, -1)
			w.bridged = true
		}
	}
}

// under gives the copper that change k, a Detach, takes its contact off: the net's,
// or that of a later Detach of the same contact, as when a joint is poor and the
// pin is open inside as well.
func (w *Workspace) under(k int, st *State) int32 {
	c := st.Changes[k].Contact
	for i := k + 1; i < len(st.Changes); i++ {
		if ch := &st.Changes[i]; ch.Kind == Detach && ch.Contact == c && st.Holds(ch) {
			return int32(len(w.m.Board.Nets) + i)
		}
	}
	return w.netCopper(w.m.contacts[c].net, w.m.PlaceOfContact(c).order, st)
}

// pad gives the copper under a terminal. A bridge is soldered there, so that it
// helps a joint that is open as well.
func (w *Workspace) pad(p netlist.PartID, terminal int32, st *State) int32 {
	pl := w.m.PlaceOfContact(w.m.Contact(p, terminal))
	pl.Contact = NoContact
	return w.copper(pl, st)
}

func (w *Workspace) addExtra(a, b int32, ohms float64, change int) {
	if a >= 0 && b >= 0 && a != b {
		w.extras = append(w.extras, extra{a, b, ohms, change})
	}
}

// hotReach bounds, in nets, how far from a change a line counts as changed.
const hotReach = 16

// markHot marks the nets of every line that a change lies on: those joined to it
// through resistive paths without passing ground or a rail. A rail that the
// change lies on itself is passed by what carries its current, not by pull-ups.
func (w *Workspace) markHot(st *State) {
	q := w.cleared[:0]
	mark := func(n netlist.NetID) {
		if n != netlist.None && n != w.m.Board.Ground && w.hot[n] != w.round {
			w.hot[n] = w.round
			q = append(q, int32(n))
		}
	}
	for k := range st.Changes {
		ch := &st.Changes[k]
		if ch.Kind != AddPath || !st.Holds(ch) {
			continue
		}
		mark(ch.A.Net)
		mark(ch.B.Net)
	}
	changed := len(q)
	for i := 0; i < len(q) && i < hotReach; i++ {
		rail := w.m.Board.Nets[q[i]].Rail
		if rail && i >= changed {
			continue
		}
		for _, c := range w.m.onNet.at(q[i]) {
			for _, e := range w.m.ofContact.at(c) {
				if el := &w.m.Elements[e]; el.Class == Resistive && !(rail && w.m.Board.Parts[el.Part].Role == netlist.RolePull) {
					mark(w.m.Net(el.A))
					mark(w.m.Net(el.B))
				}
			}
		}
	}
	w.cleared = q
}
