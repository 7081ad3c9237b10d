package network

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/circuit"
	"halfsplit/netlist"
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
	v.undrawn = v.undrawn[:0:0]
	for _, e := range v.notDrawn {
		if v.saturation[e] > 0 {
			v.undrawn = append(v.undrawn, e)
		}
	}
}

// Workspace reads one board state after another without allocating. It is not
// safe for concurrent use; make one for each goroutine.
type Workspace struct {
	m      *Model
	solver circuit.Solver
	c      circuit.Circuit

	// Scope widens the piece of the board that is gathered to everything joined
	// to the probe in any way, current or not. It costs time and changes
	// readings by less than 1 mV; the decks for ngspice use it.
	Scope bool
	// Bare leaves out dead ends that neither lead is in. Readings are the same; VoltsAt
	// and Across know nothing of what is left out.
	Bare bool

	round   int32
	seen    []int32 // by copper: the round in which it was reached
	node    []int32 // by copper, valid where seen
	used    []int32 // by element: the round in which it was taken or put off
	fed     []int32 // regions that the leads or paths of changes may feed
	faint   float64 // A, see faintLeak
	hot     []int32 // by net: the round in which a change lies on its line
	coppers []int32 // by node
	held    []int32 // junctions put off until both ends are known
	owners  []int32 // by circuit junction: its element
	parts   []int32 // by circuit resistor: its element, -1 for a path in no part
	cleared []int32 // queue of the search for hot nets
	bare    bool    // dead ends are left out of this round
	awake   []int32 // elements of dead ends that are not

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
	ohmSens     []float64 // of the reading numbered ohmic
	ohmic       int32
	currents    []float64
	slope       []float64 // by element, of the reading numbered sloped
	sloped      []int32   // by element
	transfer    []float64 // by node, of the reading numbered transferred
	transferred int32
	start       []float64
	last        circuit.Solution
}

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
	if err := w.m.Task.step(); err != nil {
		return Reading{}, err
	}
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

// Circuit gives the circuit of the last Build or Read, for the decks for ngspice.
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

// OhmSensitivities calls visit with each resistance of a part that the last reading
// depends on, and the change of the reading in volts per ohm.
func (w *Workspace) OhmSensitivities(visit func(element int32, slope float64)) {
	if w.last.Open {
		return
	}
	if w.ohmic != w.reading {
		w.ohmic = w.reading
		if cap(w.ohmSens) < len(w.c.Resistors) {
			w.ohmSens = make([]float64, 2*len(w.c.Resistors)+8)
		}
		w.ohmSens = w.ohmSens[:len(w.c.Resistors)]
		w.solver.ResistorSensitivities(&w.c, w.ohmSens)
	}
	for i, s := range w.ohmSens {
		if e := w.parts[i]; e >= 0 && s != 0 {
			visit(e, s)
		}
	}
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

func (m *Model) placeName(p Place) string {
	switch {
	case p.Contact >= 0:
		return m.Board.PointName(m.PointOf(p.Contact))
	case p.Net == netlist.None:
		return "a pin that not connected (NC)"
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
