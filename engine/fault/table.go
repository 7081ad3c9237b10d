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
	odds   float64  // of all modes together
	all    evidence // with every observation counted
}

// evidence is the integral of the likelihood ratio against a good board.
type evidence struct {
	total float64   // sum over modes of odds times mean ratio
	modes []float64 // by mode of the locus
	ohms  []float64 // by mode: the resistance, the mean of its logarithm
	best  float64   // largest logarithm of the ratio
}

// Effects on a reading, in volts, that are not worth a table, and that are worth
// a coarse one.
const (
	noVolts     = 3e-4
	coarseNodes = 5
)

// tabulate fills the tables of a candidate for the observations listed. A reading
// changes one way with the resistance (see search.perfectly), so the worst case
// bounds the effect: observations that even it hardly moves are left out.
func (c *candidate) tabulate(w *network.Workspace, ph *Physics, obs []Observation, touched []int) error {
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
		worst := math.Pow(10, c.grid.lo)
		switch {
		case c.open:
			worst = math.Inf(1)
		case c.locus.Series:
			worst = math.Pow(10, c.grid.hi)
		}
		extreme, err := read(worst)
		if err != nil {
			return err
		}
		moved := math.Abs(math.Min(extreme.volts, 3) - math.Min(obs[o].Good.Volts, 3))
		if moved < noVolts {
			continue
		}
		t := table{obs: o, strong: moved > faintVolts}
		n := full
		if !t.strong {
			n = min(full, coarseNodes)
		}
		if c.open {
			t.open = extreme
		}
		for k := range n {
			if t.strong && k%2 == 1 && k+1 < n {
				// the spread changes slowly; only the mean is worked out here
				change[0] = c.locus.At(math.Pow(10, c.grid.value(k, n)))
				v, err := ph.volts(w, &obs[o], change[:])
				if err != nil {
					return err
				}
				t.at = append(t.at, node{v, math.NaN()})
				continue
			}
			if nd := extreme; !c.open && (k == 0) != c.locus.Series && (k == 0 || k == n-1) {
				t.at = append(t.at, nd)
				continue
			}
			nd, err := read(math.Pow(10, c.grid.value(k, n)))
			if err != nil {
				return err
			}
			t.at = append(t.at, nd)
		}
		for k := range t.at {
			if math.IsNaN(t.at[k].sigma) {
				t.at[k].sigma = (t.at[k-1].sigma + t.at[k+1].sigma) / 2
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

// weak adds the log likelihood ratio of a reading that hardly moves, straight
// between the nodes.
func (t *table) weak(logs []float64, o *Observation, base float64) {
	var at [coarseNodes]float64
	for k := range t.at {
		at[k] = o.LogLikelihood(Prediction{Volts: t.at[k].volts, Sigma: t.at[k].sigma, DF: fewDF}) - base
		t.best = math.Max(t.best, at[k])
	}
	for k := range logs {
		x := float64(k) / float64(len(logs)-1) * float64(len(t.at)-1)
		i := min(int(x), len(t.at)-2)
		logs[k] += at[i] + (x-float64(i))*(at[i+1]-at[i])
	}
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
	e := evidence{modes: make([]float64, len(c.locus.Modes)), ohms: make([]float64, len(c.locus.Modes)), best: math.Inf(-1)}
	logs := make([]float64, c.fine)
	openLog := 0.0
	for i := range c.tables {
		t := &c.tables[i]
		if skip != nil && hasBit(skip, t.obs) {
			continue
		}
		o := &obs[t.obs]
		if t.strong {
			for k := range logs {
				l := o.LogLikelihood(t.read(k, c.fine)) - base[t.obs]
				logs[k] += l
				t.best = math.Max(t.best, l)
			}
		} else if len(t.at) > 0 {
			t.weak(logs, o, base[t.obs])
		}
		if c.open {
			l := o.LogLikelihood(Prediction{Volts: t.open.volts, Sigma: t.open.sigma, DF: fewDF}) - base[t.obs]
			openLog += l
			t.best = math.Max(t.best, l)
		}
	}
	for m, r := range c.locus.Modes {
		odds := r.Odds * c.factor
		if math.IsInf(r.Lo, 1) {
			e.modes[m], e.ohms[m] = odds*math.Exp(openLog), math.Inf(1)
			e.best = math.Max(e.best, openLog)
			e.total += e.modes[m]
			continue
		}
		lo, hi := math.Log10(r.Lo), math.Log10(r.Hi)
		sum, mean, n, top := 0.0, 0.0, 0, math.Inf(-1)
		for k := range logs {
			x := c.grid.value(k, c.fine)
			if x < lo-1e-9 || x > hi+1e-9 {
				continue
			}
			n++
			share := math.Exp(logs[k])
			sum += share
			mean += share * x
			top = math.Max(top, logs[k])
		}
		if sum > 0 {
			e.modes[m] = odds * sum / float64(n)
			e.ohms[m] = math.Pow(10, mean/sum)
		}
		e.best = math.Max(e.best, top)
		e.total += e.modes[m]
	}
	return e
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
