package fault

import (
	"math"

	"halfsplit/engine/network"
)

// The resistance of a fault is unknown, so the readings it would give are
// tabled over the logarithm of the resistance and interpolated: a reading is a
// smooth, monotone function of it.
const (
	nodesPerDecade = 2
	finePerDecade  = 30
)

// table holds the readings that one locus would give at one observation.
type table struct {
	obs    int
	at     []node  // over grid.nodes
	open   node    // of an infinite series resistance
	strong bool    // moves the reading by more than faintVolts somewhere
	best   float64 // largest log likelihood ratio over the resistances, 0 at least
}

type node struct{ volts, sigma float64 }

// faintVolts is the largest change in volts of a reading that leaves other
// faults' effect on the same reading as it is.
const faintVolts = 0.004

// grid is the set of resistances, as decimal logarithms, that a locus is tabled
// and integrated over.
type grid struct{ lo, hi float64 }

func gridOf(l *Locus) (g grid, open bool) {
	g = grid{math.Inf(1), math.Inf(-1)}
	for _, r := range l.Modes {
		if math.IsInf(r.Lo, 1) {
			open = true
			continue
		}
		g.lo = math.Min(g.lo, math.Log10(r.Lo))
		g.hi = math.Max(g.hi, math.Log10(r.Hi))
	}
	return g, open
}

func (g grid) empty() bool { return g.hi <= g.lo }

func (g grid) count(perDecade float64) int {
	if g.empty() {
		return 0
	}
	return int(math.Ceil((g.hi-g.lo)*perDecade)) + 1
}

func (g grid) value(k, n int) float64 { return g.lo + (g.hi-g.lo)*float64(k)/float64(n-1) }

// candidate is a locus that could account for something odd.
type candidate struct {
	locus  *Locus
	factor float64 // of looks and injection on its odds
	grid   grid
	fine   int
	open   bool
	tables []table
	strong []uint64 // bitset of observations it moves by more than faintVolts
	weak   []uint64 // and of those it moves by less
	moves  []int    // strong, as a list
	odds   float64  // logarithm of the odds of all modes together
	all    evidence // with every observation counted
}

// evidence is the integral of the likelihood ratio against a good board.
type evidence struct {
	total float64   // logarithm of the sum over modes of odds times mean ratio
	modes []float64 // share of each mode of the locus in it
	ohms  []float64 // by mode: the resistance, the mean of its logarithm
}

// Effects on a reading, in volts, that are not worth a table, and that are worth
// a coarse one.
const (
	noVolts     = 3e-4
	coarseNodes = 3
)

// worst gives the change at the end of its range that moves readings most.
func (l *Locus) worst() network.Change {
	g, open := gridOf(l)
	switch {
	case open:
		return l.At(math.Inf(1))
	case l.Series:
		return l.At(math.Pow(10, g.hi))
	}
	return l.At(math.Pow(10, g.lo))
}

// tabulate fills the tables of a candidate for the observations listed. A reading
// changes one way with the resistance (see search.perfectly), so the worst case
// bounds the effect: observations that even it hardly moves are left out.
func (c *candidate) tabulate(w *network.Workspace, ph *Physics, obs []Observation, surprise []float64, touched []int) error {
	c.grid, c.open = gridOf(c.locus)
	full := c.grid.count(nodesPerDecade)
	c.fine = c.grid.count(finePerDecade)
	var change [1]network.Change
	for _, o := range touched {
		read := func(ohms float64) (node, error) {
			change[0] = c.locus.At(ohms)
			p, err := ph.Under(w, &obs[o], change[:])
			return node{p.Volts, p.Sigma}, err
		}
		extreme, err := read(c.locus.worst().Ohms)
		if err != nil {
			return err
		}
		moved := math.Abs(math.Min(extreme.volts, 3) - math.Min(obs[o].Good.Volts, 3))
		if moved < noVolts {
			continue
		}
		t := table{obs: o, strong: moved > faintVolts}
		normal := math.Abs(surprise[o]) <= odd
		n := full
		switch {
		case !t.strong:
			n = min(full, coarseNodes)
		case normal && full > 0: // it can only speak against the fault
			n = full/2 + 1
		}
		if c.open {
			t.open = extreme
		}
		t.at = make([]node, n)
		step := 1
		if t.strong {
			step = 2 // every other node first, and one between where the reading passes
		}
		for k := 0; k < n; k += step {
			if !c.open && (k == 0 && !c.locus.Series || k == n-1 && c.locus.Series) {
				t.at[k] = extreme
				continue
			}
			if normal {
				change[0] = c.locus.At(math.Pow(10, c.grid.value(k, n)))
				v, err := ph.volts(w, &obs[o], change[:])
				if err != nil {
					return err
				}
				// the spread goes from the worst case's to the good board's
				share := clamp(math.Abs(v-obs[o].Good.Volts)/moved, 0, 1)
				t.at[k] = node{v, math.Hypot(math.Hypot(share*extreme.sigma, (1-share)*obs[o].Good.Sigma), obs[o].Misfit)}
				continue
			}
			if t.at[k], err = read(math.Pow(10, c.grid.value(k, n))); err != nil {
				return err
			}
		}
		for k := 1; k < n && step == 2; k += 2 {
			if k == n-1 {
				if t.at[k], err = read(math.Pow(10, c.grid.value(k, n))); err != nil {
					return err
				}
				continue
			}
			a, b := &t.at[k-1], &t.at[k+1]
			t.at[k] = node{(a.volts + b.volts) / 2, (a.sigma + b.sigma) / 2}
			if !between(a, b, &obs[o]) {
				continue
			}
			change[0] = c.locus.At(math.Pow(10, c.grid.value(k, n)))
			if t.at[k].volts, err = ph.volts(w, &obs[o], change[:]); err != nil {
				return err
			}
		}
		c.tables = append(c.tables, t)
		if t.strong {
			setBit(c.strong, o)
			c.moves = append(c.moves, o)
		} else {
			setBit(c.weak, o)
		}
	}
	return nil
}

// addLogs adds the log likelihood ratio of the table's reading to a sum over the
// fine grid. Only where the reading foretold passes the one taken does the
// likelihood bend faster than the nodes are apart; there it is worked out point
// by point, and elsewhere drawn straight from node to node.
func (t *table) addLogs(logs []float64, o *Observation, base float64) {
	if len(t.at) == 0 {
		return
	}
	level := func(p Prediction) float64 {
		l := o.LogLikelihood(p) - base
		t.best = math.Max(t.best, l)
		return l
	}
	at := func(k int) Prediction { return Prediction{Volts: t.at[k].volts, Sigma: t.at[k].sigma, DF: fewDF} }
	n, last := len(logs), len(t.at)-1
	from := level(at(0))
	fine := 0
	for i := 0; i < last; i++ {
		to := level(at(i + 1))
		end := int(math.Floor(float64(i+1)*float64(n-1)/float64(last) + 1e-9))
		passes := t.strong && between(&t.at[i], &t.at[i+1], o)
		for ; fine <= end && fine < n; fine++ {
			if passes {
				logs[fine] += level(t.read(fine, n))
				continue
			}
			f := float64(fine)/float64(n-1)*float64(last) - float64(i)
			logs[fine] += from + f*(to-from)
		}
		from = to
	}
}

// between tells whether the reading taken lies between, or near, what two nodes
// foretell.
func between(a, b *node, o *Observation) bool {
	const near = 6 // standard deviations
	margin := near * math.Hypot(math.Max(a.sigma, b.sigma), o.meter(math.Min(math.Max(a.volts, b.volts), 3)))
	lo, hi := math.Min(a.volts, b.volts)-margin, math.Max(a.volts, b.volts)+margin
	if o.Over {
		return hi > o.Probe.Meter.Over && lo < o.Probe.Meter.Over
	}
	return lo < o.Volts && o.Volts < hi
}

// read interpolates a table at the fine position k of n.
func (t *table) read(k, n int) Prediction {
	x := float64(k) / float64(n-1) * float64(len(t.at)-1)
	i := min(int(x), len(t.at)-2)
	f := x - float64(i)
	a, b := &t.at[i], &t.at[i+1]
	return Prediction{
		Volts: cubic(t.at, i, f),
		Sigma: a.sigma + f*(b.sigma-a.sigma),
		DF:    fewDF,
	}
}

// cubic interpolates the volts between nodes i and i+1 by the monotone cubic of
// Fritsch and Carlson (1980, from memory): no overshoot where the curve bends.
func cubic(at []node, i int, f float64) float64 {
	slope := func(k int) float64 {
		if k == 0 || k == len(at)-1 {
			if k == 0 {
				return at[1].volts - at[0].volts
			}
			return at[k].volts - at[k-1].volts
		}
		d0, d1 := at[k].volts-at[k-1].volts, at[k+1].volts-at[k].volts
		if d0*d1 <= 0 {
			return 0
		}
		return 2 * d0 * d1 / (d0 + d1)
	}
	y0, y1 := at[i].volts, at[i+1].volts
	m0, m1 := slope(i), slope(i+1)
	f2, f3 := f*f, f*f*f
	return (2*f3-3*f2+1)*y0 + (f3-2*f2+f)*m0 + (-2*f3+3*f2)*y1 + (f3-f2)*m1
}

// weigh integrates the likelihood ratio over the resistance, leaving out the
// observations in skip (nil for none). base is the log likelihood of each
// observation on a good board.
//
//	evidence = sum over modes of odds * mean over log R in the mode's range of
//	           prod over observations of p(reading | R) / p(reading | good)
func (c *candidate) weigh(obs []Observation, base []float64, skip []uint64) evidence {
	e := evidence{modes: make([]float64, len(c.locus.Modes)), ohms: make([]float64, len(c.locus.Modes))}
	logs := make([]float64, c.fine)
	openLog := 0.0
	for i := range c.tables {
		t := &c.tables[i]
		if skip != nil && hasBit(skip, t.obs) {
			continue
		}
		o := &obs[t.obs]
		t.addLogs(logs, o, base[t.obs])
		if c.open {
			l := o.LogLikelihood(Prediction{Volts: t.open.volts, Sigma: t.open.sigma, DF: fewDF}) - base[t.obs]
			openLog += l
			t.best = math.Max(t.best, l)
		}
	}
	e.total = math.Inf(-1)
	for m, r := range c.locus.Modes {
		odds := math.Log(r.Odds * c.factor)
		if math.IsInf(r.Lo, 1) {
			e.modes[m], e.ohms[m] = odds+openLog, math.Inf(1)
		} else {
			mean, ohms := c.average(logs, math.Log10(r.Lo), math.Log10(r.Hi))
			e.modes[m], e.ohms[m] = odds+mean, ohms
		}
		e.total = addLogs(e.total, e.modes[m])
	}
	for m := range e.modes {
		if e.modes[m] = math.Exp(e.modes[m] - e.total); math.IsInf(e.total, -1) {
			e.modes[m] = 0
		}
	}
	return e
}

// average takes the mean of a likelihood ratio, given by its logarithms over the
// fine grid, over a range of the logarithm of the resistance: the logarithm of
// the mean, and the resistance in ohms that the readings point to. That is the
// mean over the resistances that explain them best: long tails of poor ones would
// draw it to the middle of the range, and a plateau of equal ones has no top.
func (c *candidate) average(logs []float64, lo, hi float64) (mean, ohms float64) {
	top := math.Inf(-1)
	each := func(visit func(x, l float64)) {
		for k, l := range logs {
			if x := c.grid.value(k, c.fine); x > lo-1e-9 && x < hi+1e-9 {
				visit(x, l)
			}
		}
	}
	each(func(_, l float64) { top = math.Max(top, l) })
	sum, best, where, n := 0.0, 0.0, 0.0, 0
	each(func(x, l float64) {
		e := math.Exp(l - top)
		sum += e
		e *= e * e * e
		e *= e * e * e
		best += e
		where += e * x
		n++
	})
	if n == 0 || !(sum > 0) {
		return math.Inf(-1), math.Pow(10, (lo+hi)/2)
	}
	return top + math.Log(sum/float64(n)), math.Pow(10, where/best)
}

func setBit(b []uint64, i int)      { b[i/64] |= 1 << (i % 64) }
func hasBit(b []uint64, i int) bool { return b[i/64]&(1<<(i%64)) != 0 }

func overlap(a, b []uint64) bool {
	for i := range a {
		if a[i]&b[i] != 0 {
			return true
		}
	}
	return false
}
