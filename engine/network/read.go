package network

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/circuit"
	"halfsplit/netlist"
)

// SPICE's law for the saturation current of a silicon junction over
// temperature (ngspice manual, diode model: IS, EG, XTI):
//
//	Is(T) = Is(T0) * (T/T0)^(XTI/n) * exp((T/T0 - 1) * EG/(n*Vt(T)))
//
// which lowers a 0.5 V drop by about 2.3 mV per kelvin.
const (
	energyGap          = 1.11 // eV, silicon
	saturationExponent = 3.0  // XTI
)

// Settle works out the saturation currents that the drops stand for. Call it
// after Junctions or Celsius were changed and before Values are used to read.
func (v *Values) Settle() {
	v.saturation = append(v.saturation[:0], make([]float64, len(v.Junctions))...)
	t, t0 := v.Celsius+circuit.ZeroCelsius, RefCelsius+circuit.ZeroCelsius
	for e := range v.Junctions {
		j := &v.Junctions[e]
		if j.Ideality == 0 || j.Drop > maxDrop {
			continue // not a junction, or none here
		}
		nvt := j.Ideality * circuit.ThermalVoltage(v.Celsius)
		is := circuit.SaturationFor(math.Max(j.Drop, j.Series*RefCurrent+0.01), RefCurrent, j.Ideality, j.Series, RefCelsius)
		is *= math.Pow(t/t0, saturationExponent/j.Ideality) * math.Exp((t/t0-1)*energyGap/nvt)
		v.saturation[e] = math.Max(is, leastSaturation)
	}
}

// leastSaturation is the saturation current in amperes below which a junction
// conducts nothing that any meter sees, and arithmetic ends.
const leastSaturation = 1e-39

// maxDrop is the drop in volts above which a junction is as good as absent: no
// meter in diode mode turns it on.
const maxDrop = 2.9

// Workspace reads one board state after another without allocating. It is not
// safe for concurrent use; make one for each goroutine.
type Workspace struct {
	m      *Model
	solver circuit.Solver
	c      circuit.Circuit

	// Scope widens the piece of the board that is gathered to everything joined
	// to the probe in any way, current or not. It costs time and changes
	// readings by less than 1 mV; the judge's decks use it.
	Scope bool

	round   int32
	seen    []int32 // by copper: the round in which it was reached
	node    []int32 // by copper, valid where seen
	used    []int32 // by element: the round in which it was taken or put off
	fed     []int32 // regions that the leads or paths of changes may feed
	hot     []int32 // by net: the round in which a change lies on its line
	coppers []int32 // by node
	held    []int32 // junctions put off until both ends are known
	owners  []int32 // by circuit junction: its element
	cleared []int32 // queue of the search for hot nets

	reading int32     // counts solutions
	shift   []float64 // by region, of the reading numbered shifted
	hang    []float64 // by group, of the same reading
	shifted int32

	heldRound   int32      // the round of what Hold keeps
	spare       *Workspace // see Spare
	resistor    []int32    // by element: its number in the circuit, where used; -1 for none
	extras      []extra
	bridged     bool               // one of them is a bridge laid at the bench
	varied      [maxChanges]varied // by change
	volts       []float64          // by copper: last solution of the probe, for a warm start
	valid       []int32            // by copper: probe number for which volts holds
	probe       Probe
	series      int32
	resumed     bool // volts holds what Resume brought
	sens        []float64
	currents    []float64
	slope       []float64 // by element, of the reading numbered sloped
	sloped      []int32   // by element
	transfer    []float64 // by node, of the reading numbered transferred
	transferred int32
	start       []float64
	last        circuit.Solution
}

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

// NewWorkspace makes a workspace for a model.
func NewWorkspace(m *Model) *Workspace {
	n := len(m.Board.Nets) + maxChanges + 1 // the last one is for a lead on nothing
	return &Workspace{
		m:    m,
		seen: make([]int32, n), node: make([]int32, n), valid: make([]int32, n),
		volts: make([]float64, n),
		hot:   make([]int32, len(m.Board.Nets)),
		used:  make([]int32, len(m.Elements)), resistor: make([]int32, len(m.Elements)),
		slope: make([]float64, len(m.Elements)), sloped: make([]int32, len(m.Elements)),
	}
}

// Reading is what the meter would show.
type Reading struct {
	Volts float64 // between the leads, even where the display shows OL
	Over  bool    // the display shows OL
}

// Read gives the reading of a probe on the board in a state. The values must
// have been settled.
func (w *Workspace) Read(p Probe, st *State, v *Values) (Reading, error) {
	if err := w.Build(p, st, v); err != nil {
		return Reading{}, err
	}
	return w.solve(p)
}

// Again gives the reading of the last Read's probe on the board in the state of that
// Read but for the Ohms of its changes, for less work than Read.
func (w *Workspace) Again(st *State, v *Values) (Reading, error) {
	for k := range st.Changes {
		ch, was := &st.Changes[k], &w.varied[k]
		twice := was.resistor >= 0 && slices.ContainsFunc(w.varied[:k], func(o varied) bool { return o.resistor == was.resistor })
		if isOpen(ch.Ohms) || was.open || twice {
			return w.Read(w.probe, st, v)
		}
	}
	for k := range st.Changes {
		if was := &w.varied[k]; was.resistor >= 0 {
			w.c.Resistors[was.resistor].Ohms = math.Max(was.beside+st.Changes[k].Ohms, MinOhms)
		}
	}
	return w.keep(w.solver.Again(&w.c))
}

func (w *Workspace) solve(p Probe) (Reading, error) {
	if p != w.probe && !w.resumed {
		w.series++
	}
	w.probe, w.resumed = p, false
	w.start = w.start[:0]
	for i, cu := range w.coppers {
		x := 0.0
		if i > 0 && w.valid[cu] == w.series {
			x = w.volts[cu]
		}
		w.start = append(w.start, x)
	}
	return w.keep(w.solver.Solve(&w.c, w.start))
}

// keep takes a solution in.
func (w *Workspace) keep(sol circuit.Solution, err error) (Reading, error) {
	p := &w.probe
	if err != nil {
		return Reading{}, fmt.Errorf("reading at %s: %w", w.m.placeName(p.Minus), err)
	}
	w.last = sol
	w.reading++
	for i, cu := range w.coppers {
		w.valid[cu], w.volts[cu] = w.series, sol.Voltages[i]
	}
	volts := sol.Reading
	if sol.Open {
		volts = p.Meter.Open
	}
	return Reading{Volts: volts, Over: volts > p.Meter.Over}, nil
}

// Ended is where a reading ended: a start for readings of nearly the same.
type Ended struct {
	coppers []int32
	volts   []float64
}

// Keep puts where the reading just taken ended into e.
func (w *Workspace) Keep(e *Ended) {
	e.coppers, e.volts = append(e.coppers[:0], w.coppers...), e.volts[:0]
	for _, cu := range w.coppers {
		e.volts = append(e.volts, w.volts[cu])
	}
}

// Resume makes the next reading start where e ended; with nil or nothing in it,
// from no voltage at all. Other readings start where the one before ended if that
// was of the same probe. Again always does.
func (w *Workspace) Resume(e *Ended) {
	w.series++
	w.resumed = true
	if e == nil {
		return
	}
	for i, cu := range e.coppers {
		w.valid[cu], w.volts[cu] = w.series, e.volts[i]
	}
}

// Hold keeps the reading just taken, of a board without changes, for Beside, until the
// next Read or Build.
func (w *Workspace) Hold() {
	w.solver.Hold()
	w.heldRound = w.round
}

// Beside gives the reading that is held of the board in a state with one change, as
// Read does to within a microvolt, for much less work: a path between coppers that the
// current reaches, or a resistance in series with a resistive element that it reaches.
// It is false for any other change, and where that takes a circuit of its own. With
// again the change is that of the last call with other Ohms, and v that of the reading.
func (w *Workspace) Beside(st *State, v *Values, again bool) (r Reading, ok bool, err error) {
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
		if ground := int32(w.m.Board.Ground); a != ground && b != ground && (w.hung(ch.A.Net) || w.hung(ch.B.Net)) {
			return Reading{}, false, nil // see hangs
		}
		sol, ok, err = w.solver.Beside(&w.c, w.node[a], w.node[b], math.Max(ch.Ohms, MinOhms), again)
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

// Behind gives, for a path to ground, one from a rail that does the same to the reading
// that is held, and false where there is none.
//
// A line that hangs from one rail alone, and carries nothing, is a resistance in series
// with such a path. That holds while current comes out of a lead: the path draws the
// line towards ground, which turns the junctions that lead off it further off, and
// none but those from ground, which stay reversed, lead to it.
func (w *Workspace) Behind(ch *Change, st *State) (Change, bool) {
	if w.heldRound != w.round || ch.Kind != AddPath || isOpen(ch.Ohms) || !st.Holds(ch) || w.Scope || w.bridged || w.c.Source.Minus != 0 {
		return Change{}, false
	}
	ground := int32(w.m.Board.Ground)
	a, b := w.copper(ch.A, st), w.copper(ch.B, st)
	if a == ground {
		a, b = b, a
	}
	if a < 0 || a == ground || b != ground || w.seen[a] != w.round {
		return Change{}, false
	}
	r, plus := w.m.region[a], w.probe.Plus.Net
	if r < 0 || w.m.tied[r] || plus == netlist.None || w.m.region[plus] == r {
		return Change{}, false
	}
	rail := w.m.hangsFrom[r]
	if rail == netlist.None || w.seen[rail] != w.round {
		return Change{}, false
	}
	here, farther := w.solver.Port(w.node[a], 0)
	there, near := w.solver.Port(w.node[rail], 0)
	if math.Abs(here-there) > still || farther < near {
		return Change{}, false
	}
	from := Place{Net: rail, Contact: NoContact, order: -1}
	return Change{Kind: AddPath, A: from, B: w.m.GroundPlace(), Owner: netlist.None, Ohms: ch.Ohms + farther - near}, true
}

// still is the voltage in volts along a line up to which it carries nothing.
const still = 1e-7

// Spare gives a second workspace, for readings that would end what this one holds.
func (w *Workspace) Spare() *Workspace {
	if w.spare == nil {
		w.spare = NewWorkspace(w.m)
	}
	return w.spare
}

// Visit is a reading of a board as it should be that is taken again and again with
// other junctions: its circuit, gathered once.
type Visit struct {
	made    bool
	ended   Ended
	c       circuit.Circuit
	solver  circuit.Solver
	owners  []int32
	coppers []int32
}

// mostVisited bounds the junctions of a circuit that a Visit keeps, some 200 bytes each.
const mostVisited = 400

// Visit reads a probe on a board as it should be, as Read does, for less work each time
// but the first. Until Leave the workspace answers for the reading's junctions as after
// a Read, but for no places.
func (w *Workspace) Visit(x *Visit, p Probe, v *Values) (Reading, error) {
	fits := x.made
	for i := 0; fits && i < len(x.owners); i++ {
		e := x.owners[i]
		j := &v.Junctions[e]
		q := &x.c.Junctions[i]
		q.Saturation, q.Ideality, q.Series = v.saturation[e], j.Ideality, j.Series
		fits = q.Saturation > 0 // else it is no longer there
	}
	if !fits {
		x.made = false
		w.Resume(&x.ended)
		return w.Read(p, &State{}, v)
	}
	w.swap(x)
	w.series++
	w.probe, w.c.Celsius = p, v.Celsius
	r, err := w.keep(w.solver.Solve(&w.c, x.ended.volts))
	if err != nil {
		w.swap(x)
	}
	return r, err
}

// Leave ends a visit.
func (w *Workspace) Leave(x *Visit) {
	w.Keep(&x.ended)
	if !x.made {
		if len(w.c.Junctions) > mostVisited {
			return
		}
		x.made = true
	}
	w.swap(x)
}

// swap exchanges the workspace's circuit with that of a visit. No place is seen in it.
func (w *Workspace) swap(x *Visit) {
	w.c, x.c = x.c, w.c
	w.solver, x.solver = x.solver, w.solver
	w.owners, x.owners = x.owners, w.owners
	w.coppers, x.coppers = x.coppers, w.coppers
	w.round++
}

// Circuit gives the circuit of the last Build or Read, for the judge's decks.
// It belongs to the workspace.
func (w *Workspace) Circuit() *circuit.Circuit { return &w.c }

// VoltsAt gives the voltage of a place in the last reading, and false where the
// probe's current does not reach.
func (w *Workspace) VoltsAt(p Place, st *State) (float64, bool) {
	cu := w.copper(p, st)
	if cu < 0 {
		return 0, false
	}
	if cu == int32(w.m.Board.Ground) {
		return 0, true
	}
	if w.seen[cu] != w.round {
		return 0, false
	}
	return w.last.Voltages[w.node[cu]], true
}

// Across gives the voltage across an element in the last reading, from A to B, and
// false where the probe's current does not reach.
func (w *Workspace) Across(e int32, st *State) (float64, bool) {
	if st.gone(w.m.Elements[e].Part) {
		return 0, false
	}
	a, b := w.ends(e, st)
	if a < 0 || b < 0 || w.seen[a] != w.round || w.seen[b] != w.round {
		return 0, false
	}
	return w.last.Voltages[w.node[a]] - w.last.Voltages[w.node[b]], true
}

// Sensitivities calls visit with each junction that the last reading depends
// on: the change of the reading in volts per volt of the junction's drop, and
// the current in amperes through it. A reading of OL depends on nothing.
func (w *Workspace) Sensitivities(visit func(element int32, slope, amperes float64)) {
	if w.last.Open {
		return
	}
	if cap(w.sens) < len(w.c.Junctions) {
		w.sens = make([]float64, 2*len(w.c.Junctions)+8)
		w.currents = make([]float64, 2*len(w.c.Junctions)+8)
	}
	w.sens, w.currents = w.sens[:len(w.c.Junctions)], w.currents[:len(w.c.Junctions)]
	w.solver.Sensitivities(&w.c, w.sens)
	w.solver.JunctionCurrents(&w.c, w.currents)
	for i, s := range w.sens {
		if math.Abs(s) > 1e-5 {
			visit(w.owners[i], s, w.currents[i])
		}
	}
}

// Supply tells whether an element is a junction of a supply, which many lines
// share.
func (w *Workspace) Supply(e int32) bool {
	o := w.m.Elements[e].Origin
	return o == SupplyBody || o == SupplyLoad
}

// Note keeps the slopes of the last reading for Share and ContactShare.
func (w *Workspace) Note() {
	w.Sensitivities(func(e int32, s, _ float64) { w.slope[e], w.sloped[e] = s, w.reading })
}

// Share gives the share of the test current that passes an element in the last
// reading, which Note has looked at. For a junction it is the slope of the
// reading against the junction's drop, which is 0 where no current passes.
func (w *Workspace) Share(e int32, st *State, v *Values) float64 {
	el := &w.m.Elements[e]
	if el.Class == Junction {
		if w.sloped[e] != w.reading {
			return 0
		}
		return math.Abs(w.slope[e])
	}
	across, _ := w.Across(e, st)
	return math.Abs(across) / v.Ohms[e] / w.c.Source.Current
}

// ContactShare gives the largest share that passes any element at a contact.
func (w *Workspace) ContactShare(c Contact, st *State, v *Values) float64 {
	most := 0.0
	for _, e := range w.m.ofContact.at(int32(c)) {
		most = math.Max(most, w.Share(e, st, v))
	}
	return most
}

// Probes tells whether a lead of the last reading was on the contact itself.
func (w *Workspace) Probes(c Contact) bool {
	return w.probe.Plus.Contact == c || w.probe.Minus.Contact == c
}

// FarShift bounds the change in volts of the last reading by anything at all that
// happens on the line that a net is part of, where the leads are not on that line.
//
// Such a line reaches the leads through its resistors to rails alone. With the
// rail at v volts, resistors of R ohms pass at most the sum of v/R, whatever is
// shorted or open behind them, and that current moves the reading by no more than
// the rail's transfer resistance times itself (the voltages of a line without
// sources lie between those of its ends). A pin on the line adds what its
// protection junction passes up to a supply that is pulled below ground, were the
// pin on ground. Infinite for rails, for the probed lines, and where other
// junctions lead to the line.
func (w *Workspace) FarShift(n netlist.NetID, st *State, v *Values) float64 {
	if n == netlist.None {
		return math.Inf(1)
	}
	r := w.m.region[n]
	if r < 0 {
		return math.Inf(1)
	}
	for _, p := range [2]Place{w.probe.Plus, w.probe.Minus} {
		if p.Net != netlist.None && w.m.region[p.Net] == r {
			return math.Inf(1)
		}
	}
	if w.m.tied[r] {
		return math.Inf(1)
	}
	w.boundShifts(st, v)
	return w.shift[r]
}

// boundShifts works out shift and hang for the last reading.
func (w *Workspace) boundShifts(st *State, v *Values) {
	if w.shifted == w.reading {
		return
	}
	w.shifted = w.reading
	if w.shift == nil {
		w.shift, w.hang = make([]float64, w.m.regions), make([]float64, w.m.groups)
	}
	clear(w.shift)
	clear(w.hang)
	for _, c := range w.m.crossings {
		if w.seen[c.rail] != w.round || st.gone(w.m.Elements[c.element].Part) {
			continue
		}
		rail := Place{Net: c.rail, Contact: NoContact, order: -1}
		w.shift[c.region] += math.Abs(w.last.Voltages[w.node[c.rail]]*w.Transfer(rail, st)) / v.Ohms[c.element]
	}
	vt := circuit.ThermalVoltage(v.Celsius)
	for _, e := range w.m.hanging {
		el := &w.m.Elements[e]
		b := w.copperOf(el.B, st)
		if b < 0 || w.seen[b] != w.round || st.gone(el.Part) {
			continue
		}
		below := -w.last.Voltages[w.node[b]]
		if below <= 0 {
			continue
		}
		passes := math.Min(v.saturation[e]*math.Expm1(below/(v.Junctions[e].Ideality*vt)), w.c.Source.Current)
		bound := passes * math.Abs(w.Transfer(w.m.PlaceOfContact(el.B), st))
		n := w.m.Net(el.A)
		if r := w.m.region[n]; r >= 0 {
			w.shift[r] += bound
		}
		if g := w.m.group[n]; g >= 0 {
			w.hang[g] += bound
		}
	}
}

// HangShift bounds the change in volts of the last reading by a path from a net
// that the walk passed by: what the protection junctions of the pins on it pass
// up to supplies that are pulled below ground.
func (w *Workspace) HangShift(n netlist.NetID, st *State, v *Values) float64 {
	if n == netlist.None || w.m.group[n] < 0 {
		return 0
	}
	w.boundShifts(st, v)
	return w.hang[w.m.group[n]]
}

// ExitShift bounds the change in volts of the last reading by a path of any resistance
// from a place that the current reaches to the line of a net that it does not: what
// the junctions on that line pass, were the line at the voltage of the place. Infinite
// where resistances lead off the line, or junctions to where no current comes.
func (w *Workspace) ExitShift(from Place, to netlist.NetID, st *State, v *Values) float64 {
	volts, reached := w.VoltsAt(from, st)
	if !reached || to == netlist.None || w.m.region[to] < 0 || w.bridged {
		return math.Inf(1)
	}
	r, ground := w.m.region[to], int32(w.m.Board.Ground)
	vt, passes := circuit.ThermalVoltage(v.Celsius), 0.0
	for _, n := range w.m.inRegion.at(r) {
		for _, c := range w.m.onNet.at(n) {
			if st.gone(w.m.contacts[c].part) {
				continue
			}
			for _, e := range w.m.ofContact.at(c) {
				el := &w.m.Elements[e]
				a, b := w.m.Net(el.A), w.m.Net(el.B)
				if el.Class == Resistive {
					if a == netlist.None || b == netlist.None || w.m.region[a] != w.m.region[b] {
						return math.Inf(1)
					}
					continue
				}
				if v.saturation[e] == 0 {
					continue
				}
				other, sign := int32(b), 1.0
				if b == netlist.NetID(n) {
					other, sign = int32(a), -1
				}
				there := 0.0
				if other != ground {
					if other < 0 || w.seen[other] != w.round {
						return math.Inf(1)
					}
					there = w.last.Voltages[w.node[other]]
				}
				forward := sign * (volts - there)
				passes += math.Min(v.saturation[e]*math.Abs(math.Expm1(forward/(v.Junctions[e].Ideality*vt))), w.c.Source.Current)
			}
		}
	}
	return passes * math.Abs(w.Transfer(from, st))
}

// GroundNet gives the board's ground.
func (w *Workspace) GroundNet() netlist.NetID { return w.m.Board.Ground }

// NetOf gives the net that a contact is soldered to.
func (w *Workspace) NetOf(c Contact) netlist.NetID { return w.m.Net(c) }

// SameLine tells whether two nets are parts of one line.
func (w *Workspace) SameLine(a, b netlist.NetID) bool {
	return a != netlist.None && b != netlist.None && w.m.region[a] >= 0 && w.m.region[a] == w.m.region[b]
}

// LineShift is FarShift, in volts, of the line that an element lies on or leads to.
func (w *Workspace) LineShift(e int32, st *State, v *Values) float64 {
	el := &w.m.Elements[e]
	if el.Class != Resistive {
		return math.Inf(1)
	}
	n := w.m.Net(el.A)
	if w.m.region[n] < 0 {
		n = w.m.Net(el.B)
	}
	return w.FarShift(n, st, v)
}

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
	w.owners = w.owners[:0]
	w.c.Resistors, w.c.Junctions = w.c.Resistors[:0], w.c.Junctions[:0]
	for k := range st.Changes {
		w.varied[k] = varied{resistor: -1, open: isOpen(st.Changes[k].Ohms)}
	}
	ground := int32(w.m.Board.Ground)
	w.seen[ground], w.node[ground] = w.round, 0
	w.gatherExtras(st)
	if !w.Scope {
		w.markHot(st)
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
		for _, c := range w.m.onNet.at(cu) {
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
			}
			continue
		}
		if v.saturation[e] == 0 || a == b {
			continue
		}
		w.used[e] = w.round
		if dir == sourcing && el.Origin == PinToSupply && w.hangs(a, b) {
			continue
		}
		if dir == sinking && cu == a || dir == sourcing && cu == b {
			// One between ground and here is reversed, whatever is on the board.
			if ground := int32(w.m.Board.Ground); a != ground && b != ground || v.saturation[e] > faintLeak {
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
func (w *Workspace) hangs(a, b int32) bool {
	nets := int32(len(w.m.Board.Nets))
	if a >= nets || b >= nets { // a piece that came off
		return false
	}
	r := w.m.region[a]
	return r >= 0 && !w.m.tied[r] && w.m.hangsFrom[r] == netlist.NetID(b) && !slices.Contains(w.fed, r) && !w.bridged
}

// hung tells whether hangs may have been true of pins on the line of a net.
func (w *Workspace) hung(n netlist.NetID) bool {
	r := w.m.regionOf(n)
	return r >= 0 && w.m.hangsFrom[r] != netlist.None && !w.m.tied[r] && !slices.Contains(w.fed, r)
}

// faintLeak is the current in amperes, of some 1 mA, that a reversed junction may pass and
// be left out: without them readings are 0.1 mV off at most (TestPruningFaulty).
const faintLeak = 1e-7

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

// copper gives the copper under a place, negative for a pin that goes nowhere.
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
	if s.Edits.Of(p).Lifted {
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
		if !edit.Bridged {
			continue
		}
		for _, way := range w.m.Board.Parts[edit.Part].Bridgeable() {
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

func (m *Model) placeName(p Place) string {
	switch {
	case p.Contact >= 0:
		return m.Board.PointName(m.PointOf(p.Contact))
	case p.Net == netlist.None:
		return "a pin that goes nowhere"
	}
	return m.Board.Nets[p.Net].Name
}

// Transfer gives the change of the last reading in volts per ampere fed into a
// place and taken out at ground; 0 where the probe's current does not reach.
func (w *Workspace) Transfer(p Place, st *State) float64 {
	cu := w.copper(p, st)
	if cu < 0 || cu == int32(w.m.Board.Ground) || w.seen[cu] != w.round {
		return 0
	}
	if w.transferred != w.reading {
		w.transferred = w.reading
		w.transfer = append(w.transfer[:0], make([]float64, w.c.Nodes)...)
		w.solver.Adjoint(w.transfer)
	}
	return w.transfer[w.node[cu]] - w.transfer[0]
}
