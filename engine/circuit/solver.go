package circuit

import (
	"fmt"
	"math"
)

// Solver is the workspace of Solve. The zero value is ready. It keeps the
// order of elimination between calls, so that circuits with the same joins and
// other values cost little. It must not be used by two goroutines at once.
type Solver struct {
	st     structure
	solved bool // Sensitivities and Adjoint have an operating point to start from
	limit  int  // steps newton may take in one go; 0 means patience
	held   held

	base       []float64 // cells: the resistors (and a resistive source) alone
	cells      []float64 // cells: factored in place
	inverse    []float64 // per place, one over the pivot
	x          []float64 // per place and the reference: currents in, voltages out
	adjoints   []float64 // per place and the reference: the adjoint, where adjointsOK
	adjointsOK bool
	volts      []float64 // per node
	floating   []bool    // per node
	js         []state   // per junction within reach
	source     sourceState
	peak       float64 // A and V of the source that the bounds in js were made for
	openVolts  float64
}

// state is one junction during a solution.
type state struct {
	anode, cathode int32 // places
	cell           int32
	is, nvt, rs    float64
	invNvt         float64
	most           float64 // V, inner drop at the largest current there can be
	knee           float64 // V, inner drop from which upward steps are taken with care
	off            float64 // V, inner drop up to which the current is none to speak of
	scale          float64 // ln(rs*is/nvt), for the start
	u              float64 // V, inner drop at which the junction is linearised
	g              float64 // S, slope with rs taken in
	rest           float64 // A, the current at 0 V of the straight line that stands for it
}

// companion makes the straight line that stands for the junction touch its curve at an
// inner drop of u volts.
func (q *state) companion(u, gmin float64) {
	e := q.is * math.Exp(u*q.invNvt)
	i := e - q.is + gmin*u
	g := e*q.invNvt + gmin
	d := 1.0
	if r := g * q.rs; r > 1e-17 { // most carry nothing, and a division takes its time
		d = 1 / (1 + r)
	}
	q.u, q.g, q.rest = u, g*d, (i-g*u)*d
}

type sourceState struct {
	plus, minus int32
	cell        int32
	current     float64 // A, after any easing
	volts       float64 // V, between the probes, at which the source is linearised
}

// Solution is an operating point.
type Solution struct {
	// Voltages holds the volts of every node against ground, node 0.
	//
	// Nodes with no path to ground (Floating) have no such voltage. Those that
	// the meter's current passes through are given against the Minus probe;
	// those that touch only one probe are given as if the other probe were at
	// 0 V; those that touch neither are given as 0. None is ever NaN.
	//
	// The slice belongs to the Solver and is good until its next Solve.
	Voltages []float64
	// Floating tells which nodes have no path to ground through any part. A
	// junction counts as a path in both directions. Same lifetime as Voltages.
	Floating []bool
	// Open is true when no part at all leads from one probe to the other. The
	// Reading is then the source's open voltage, which a meter shows as OL.
	Open bool
	// Reading is the voltage of Plus against Minus in volts, from 0 to the
	// source's open voltage.
	Reading float64
	// Iterations counts the times the network was linearised and solved.
	Iterations int
}

const (
	// settled is the change in volts of every junction's inner drop, and of
	// the voltage between the probes, below which an operating point is taken
	// as found. The law of a junction bends on a scale of n*Vt (over 20 mV) and
	// that of the source on the scale of its fade, so a full Newton step this
	// short leaves an error of about its square over that scale: 1e-10 V.
	settled = 1e-6
	// patience is the number of Newton steps allowed in one go; on random
	// circuits of real parts those taken are 2 to 30.
	patience = 80
	// kneeDepth times n*Vt below the inner drop at the source's full current
	// (where some 10^-8 of it flows) a junction begins to count as conducting.
	// Of depths 0 to 40, tried on 100,000 random circuits, this one took the
	// fewest steps and never called for ease.
	kneeDepth = 18
	// offDepth is the same for currents of 10^-13 of the source's, less than Gmin
	// passes: they are none to speak of.
	offDepth = 30
)

// Solve finds the operating point of c. Start may hold a voltage per node to
// begin at, such as those of a similar circuit; nil begins from nothing, and
// NaN in it counts as 0. Start may be the Voltages of this Solver's last Solution.
//
// It returns an error when c holds a value out of bounds, or when no operating
// point was found; never a wrong value.
//
// Method: nodal analysis. Each junction, and the source, is replaced by a
// straight line at its present voltage, the linear network solved, and so on
// (Newton's method), with upward steps of a junction's voltage held back, as
// is customary in circuit simulators (Nagel, SPICE2, 1975, from memory). Two
// bounds of passive networks with one source help: no voltage exceeds the
// source's, and no current does.
func (s *Solver) Solve(c *Circuit, start []float64) (Solution, error) {
	s.solved, s.held.ready = false, false
	if err := c.Check(); err != nil {
		return Solution{}, err
	}
	if start != nil && len(start) != c.Nodes {
		return Solution{}, fmt.Errorf("circuit: %d starting voltages for %d nodes; give one per node or none", len(start), c.Nodes)
	}
	st := &s.st
	if !st.same(c) {
		st.build(c)
	}
	if st.open {
		return s.untouched(c), nil
	}
	s.loadOhms(c)
	s.loadJunctions(c, start)
	return s.find(c)
}

// Again finds the operating point of the circuit of the last Solve, in which nothing
// but the Ohms of resistors was changed since, beginning where that ended: as Solve
// does, for less work.
func (s *Solver) Again(c *Circuit) (Solution, error) {
	if !s.solved {
		return s.Solve(c, nil)
	}
	s.solved, s.held.ready = false, false
	for i := range c.Resistors {
		if err := c.Resistors[i].check(i); err != nil {
			return Solution{}, err
		}
	}
	s.loadOhms(c)
	return s.find(c)
}

// find gives the operating point of the circuit that was loaded.
func (s *Solver) find(c *Circuit) (Solution, error) {
	steps, ok := s.newton(c, Gmin, 1)
	if !ok {
		var more int
		more, ok = s.ease(c)
		steps += more
	}
	if !ok {
		return Solution{}, fmt.Errorf("circuit: no operating point found in %d steps (%d nodes, %d resistors, %d junctions); look for values far from any real part", steps, c.Nodes, len(c.Resistors), len(c.Junctions))
	}
	s.adjointsOK = false
	return s.found(c, steps), nil
}

// found gives the operating point that x holds.
func (s *Solver) found(c *Circuit, steps int) Solution {
	st := &s.st
	s.solved = true
	s.volts = resize(s.volts, c.Nodes)
	ground := s.groundPlace()
	for v, p := range st.place {
		if p < 0 {
			s.volts[v] = 0
		} else {
			s.volts[v] = s.x[p] - s.x[ground]
		}
	}
	s.floating = append(s.floating[:0], st.floating...)
	return Solution{
		Voltages:   s.volts,
		Floating:   s.floating,
		Reading:    s.x[s.source.plus] - s.x[s.source.minus],
		Iterations: steps,
	}
}

// Cells gives the size of the matrix of the last Solve: the conductances that are kept.
func (s *Solver) Cells() int { return len(s.cells) }

// groundPlace is where voltages are counted from: ground, or the reference
// (Minus) when ground is out of the meter's reach.
func (s *Solver) groundPlace() int32 {
	if p := s.st.place[0]; p >= 0 {
		return p
	}
	return int32(s.st.n)
}

// untouched is the solution when no current can flow.
func (s *Solver) untouched(c *Circuit) Solution {
	s.volts = resize(s.volts, c.Nodes)
	// The island that holds ground stays at 0 and the other is pulled down or
	// pushed up by the whole open voltage; without ground, that of Minus stays.
	plusGrounded := s.st.plusSide[0]
	for v := range s.volts {
		s.volts[v] = 0
		if s.st.plusSide[v] && !plusGrounded {
			s.volts[v] = c.Source.Open
		}
		if s.st.minusSide[v] && plusGrounded {
			s.volts[v] = -c.Source.Open
		}
	}
	s.floating = append(s.floating[:0], s.st.floating...)
	return Solution{Voltages: s.volts, Floating: s.floating, Open: true, Reading: c.Source.Open}
}

// loadOhms brings the resistances of c into the places of the structure.
func (s *Solver) loadOhms(c *Circuit) {
	st := &s.st
	cells := st.n + len(st.rows)
	s.base = resize(s.base, cells)
	s.cells = resize(s.cells, cells)
	s.inverse = resize(s.inverse, st.n)
	s.x = resize(s.x, st.n+1)
	s.adjoints = resize(s.adjoints, st.n+1)
	clear(s.base)
	for i, cell := range st.resCell {
		if cell >= 0 {
			s.base[cell] += 1 / c.Resistors[i].Ohms
		}
	}
	if src := &c.Source; src.Kind == Resistive && st.srcCell >= 0 {
		s.base[st.srcCell] += 1 / src.SourceOhms()
	}
}

// loadJunctions brings the junctions and the source of c into the places of the
// structure, at the voltages of start.
func (s *Solver) loadJunctions(c *Circuit, start []float64) {
	st := &s.st
	src := &c.Source
	s.source = sourceState{plus: st.place[src.Plus], minus: st.place[src.Minus], cell: st.srcCell}
	if start != nil {
		s.source.volts = hold(finite(start[src.Plus])-finite(start[src.Minus]), 0, src.Open)
	}
	vt := ThermalVoltage(c.Celsius)
	peak := src.peak()
	fresh := len(s.js) != len(st.junctions) || s.peak != peak || s.openVolts != src.Open
	s.peak, s.openVolts = peak, src.Open
	s.js = resize(s.js, len(st.junctions))
	for k, i := range st.junctions {
		j := &c.Junctions[i]
		q := &s.js[k]
		q.anode, q.cathode, q.cell = st.place[j.Anode], st.place[j.Cathode], st.junCell[k]
		nvt := j.Ideality * vt
		if fresh || q.is != j.Saturation || q.nvt != nvt || q.rs != j.Series {
			// Two logarithms, kept for as long as their values are.
			q.is, q.nvt, q.rs = j.Saturation, nvt, j.Series
			q.invNvt = 1 / nvt
			q.most = math.Min(nvt*math.Log(1+peak/q.is), src.Open)
			q.knee = q.most - kneeDepth*nvt
			q.off = q.most - offDepth*nvt
			if q.rs > 0 {
				q.scale = math.Log(q.rs * q.is / nvt)
			}
		}
		if start == nil {
			q.u = 0
		} else {
			v := finite(start[j.Anode]) - finite(start[j.Cathode])
			q.u = hold(innerDrop(v, q.is, q.nvt, q.rs, q.scale), -src.Open, q.most)
		}
	}
}

func finite(x float64) float64 {
	if x-x != 0 {
		return 0
	}
	return x
}

// hold keeps x from lo to hi. NaN passes, to be noticed later.
func hold(x, lo, hi float64) float64 {
	if x < lo {
		return lo
	}
	if x > hi {
		return hi
	}
	return x
}

// newton repeats linearise, factor, solve until the drops settle. share is the
// part of the source's current to use; gmin lies across each junction.
func (s *Solver) newton(c *Circuit, gmin, share float64) (steps int, ok bool) {
	st := &s.st
	src := &c.Source
	n := st.n
	width := src.FadeWidth()
	s.source.current = src.peak() * share
	constant := src.Kind == ConstantCurrent
	limit := patience
	if s.limit > 0 {
		limit = s.limit
	}
	for steps = 1; steps <= limit; steps++ {
		copy(s.cells, s.base)
		clear(s.x)
		for k := range s.js {
			q := &s.js[k]
			q.companion(q.u, gmin)
			s.cells[q.cell] += q.g
			s.x[q.anode] -= q.rest
			s.x[q.cathode] += q.rest
		}
		drive := s.source.current
		if constant && s.source.cell >= 0 {
			t := math.Tanh((src.Open - s.source.volts) / width)
			g := drive * (1 - t*t) / width
			drive = drive*t + g*s.source.volts
			s.cells[s.source.cell] += g
		}
		s.x[s.source.plus] += drive
		s.x[s.source.minus] -= drive
		s.x[n] = 0
		s.factor()
		s.st.substitute(s.cells, s.inverse, s.x)
		change := 0.0
		for k := range s.js {
			q := &s.js[k]
			u := s.x[q.anode] - s.x[q.cathode]
			u -= q.rs * (q.g*u + q.rest)
			if !(math.Abs(u-q.u) <= change) {
				change = math.Abs(u - q.u)
			}
			// A node between two reversed junctions can be thrown far out by
			// one straight line; no voltage exceeds the source's.
			u = hold(u, -src.Open, src.Open)
			if u > q.knee && u > q.u+2*q.nvt {
				from := math.Max(q.u, q.knee)
				if u > from {
					u = from + q.nvt*math.Log1p((u-from)/q.nvt)
				}
			}
			q.u = min(u, q.most)
		}
		v := s.x[s.source.plus] - s.x[s.source.minus]
		if constant {
			// A source of low open voltage bends on a finer scale.
			if d := math.Abs(v-s.source.volts) * (FadeVolts / width); !(d <= change) {
				change = d
			}
			s.source.volts = hold(v, 0, src.Open)
		}
		if change <= settled {
			return steps, true
		}
		if change != change {
			return steps, false
		}
	}
	return limit, false
}

// ease is the way round when Newton's method does not arrive: it begins with a
// milder network and follows the operating point from there to the true one.
func (s *Solver) ease(c *Circuit) (steps int, ok bool) {
	steps, ok = s.easeJunctions(c)
	if !ok {
		var more int
		more, ok = s.easeSource(c)
		steps += more
	}
	return steps, ok
}

// easeJunctions begins with junctions that leak 10 mS and tightens them.
func (s *Solver) easeJunctions(c *Circuit) (steps int, ok bool) {
	s.rest()
	for gmin := 1e-2; ; gmin = math.Max(gmin/10, Gmin) {
		n, ok := s.newton(c, gmin, 1)
		steps += n
		if !ok || gmin == Gmin {
			return steps, ok
		}
	}
}

// easeSource begins with a millionth of the current and doubles it.
func (s *Solver) easeSource(c *Circuit) (steps int, ok bool) {
	s.rest()
	for share := 1e-6; ; share = math.Min(2*share, 1) {
		n, ok := s.newton(c, Gmin, share)
		steps += n
		if !ok || share == 1 {
			return steps, ok
		}
	}
}

// rest puts every junction and the source at 0 V.
func (s *Solver) rest() {
	for k := range s.js {
		s.js[k].u = 0
	}
	s.source.volts = 0
}

// factor eliminates place after place. Eliminating a node turns the star of
// its conductances into a mesh between its neighbours: between neighbours with
// conductances a and b comes a*b/sum. That is the LDL^T factorisation of the
// nodal matrix, except that no difference is ever taken: the diagonal is
// summed up from its row instead of being kept and subtracted from. So every
// conductance keeps its full precision, be it a milliohm beside a picosiemens.
// (Grassmann, Taksar and Heyman 1985 do the same for Markov chains.)
func (s *Solver) factor() {
	n := s.st.n
	start, rows := s.st.start, s.st.rows
	ground, between := s.cells[:n], s.cells[n:]
	for k := range n {
		lo, hi := start[k], start[k+1]
		sum := ground[k]
		for _, g := range between[lo:hi] {
			sum += g
		}
		inv := 1 / sum
		s.inverse[k] = inv
		for e := lo; e < hi; e++ {
			l := between[e] * inv
			i := rows[e]
			ground[i] += l * ground[k]
			q := start[i]
			for f := e + 1; f < hi; f++ {
				for rows[q] != rows[f] {
					q++
				}
				between[q] += l * between[f]
			}
			between[e] = l
		}
	}
}

// substitute turns currents into voltages with a factored matrix: its cells and one
// over its pivots. The entry of x after the last place is the reference and must be 0.
func (st *structure) substitute(cells, inverse, x []float64) {
	n := st.n
	start, rows := st.start, st.rows
	share := cells[n:]
	for k := range n {
		b := x[k]
		for e := start[k]; e < start[k+1]; e++ {
			x[rows[e]] += share[e] * b
		}
		x[k] = b * inverse[k]
	}
	for k := n - 1; k >= 0; k-- {
		v := x[k]
		for e := start[k]; e < start[k+1]; e++ {
			v += share[e] * x[rows[e]]
		}
		x[k] = v
	}
}
