package fault

import (
	"math"
	"slices"

	"halfsplit/engine/network"
)

// The resistance of a fault is unknown, so the readings it would give are
// tabled over the logarithm of the resistance and interpolated: a reading is a
// smooth, monotone function of it.
const (
	nodesPerDecade = 2
	finePerDecade  = 120
)

// entry is a row of the fault dictionary: the readings that one locus would give at
// one observation.
type entry struct {
	obs    int
	at     []node  // over grid.nodes
	open   node    // of an infinite series resistance
	strong bool    // moves the reading by more than faintVolts somewhere
	best   float64 // largest log likelihood ratio over the resistances, 0 at least
	lo, hi float64 // V, the readings without the resistance and without its path; see bend
	close  []stretch
	levels []float64 // log likelihood ratios at the nodes; nil until they are asked for
	passes []passage
}

// passage is a stretch of the fine grid, from node to the next, over which the
// reading predicted passes the one taken.
type passage struct {
	node int
	logs []float64 // log likelihood ratios
}

// stretch is what lies between two nodes that the reading taken lies between: there
// the likelihood has its top, and the entry has to be right.
type stretch struct {
	node  int        // the lower of the two
	volts [3]float64 // at a quarter, a half and three quarters of the way
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
	locus   *Locus
	factor  float64   // of looks on its odds
	class   int       // see search.classify
	felt    []float64 // over the fine grid: logarithm of the factor of injection; nil for none
	grid    grid
	fine    int
	open    bool
	touched []int     // observations that it might move
	entries []entry   // of those that it does
	strong  []uint64  // bitset of observations it moves by more than faintVolts
	weak    []uint64  // and of those it moves by less
	moves   []int     // strong, as a list
	odds    float64   // logarithm of the odds of all modes together, before any reading or injection
	most    float64   // the same with the most that injection makes of it: a bound
	sum     []float64 // log likelihood ratios over the fine grid, every observation counted
	openSum float64   // and of the open
	all     evidence  // with every observation counted
}

// evidence is the integral of the likelihood ratio against a good board.
type evidence struct {
	total float64   // logarithm of the sum over modes of odds times mean ratio
	modes []float64 // share of each mode of the locus in it
	ohms  []float64 // by mode: the resistance, the mean of its logarithm
}

// Effects on a reading, in volts, that are not worth an entry, and that are worth
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

// tabulate makes the entry of a candidate for an observation that it touches and that
// is surprise standard deviations off. A reading changes one way with the resistance
// (see search.perfectly), so the worst case bounds the effect: where even that hardly
// moves the reading there is no entry.
func (c *candidate) tabulate(watch *Watch, obs int, surprise float64) (*entry, error) {
	full := c.grid.count(nodesPerDecade)
	o := watch.o
	var change [1]network.Change
	sw := watch.sweep(change[:])
	read := func(ohms float64) (node, error) {
		change[0] = c.locus.At(ohms)
		p, err := sw.predict()
		return node{p.Volts, p.Sigma}, err
	}
	volts := func(log float64) (float64, error) {
		change[0] = c.locus.At(math.Pow(10, log))
		return sw.volts()
	}
	extreme, err := read(c.locus.worst().Ohms)
	if err != nil {
		return nil, err
	}
	moved := math.Abs(math.Min(extreme.volts, 3) - math.Min(o.Good.Volts, 3))
	if moved < noVolts {
		return nil, nil
	}
	t := &entry{obs: obs, strong: moved > faintVolts}
	normal := math.Abs(surprise) <= odd
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
			v, err := volts(c.grid.value(k, n))
			if err != nil {
				return nil, err
			}
			// the spread goes from the worst case's to the good board's
			share := clamp(math.Abs(v-o.Good.Volts)/moved, 0, 1)
			t.at[k] = node{v, math.Hypot(math.Hypot(share*extreme.sigma, (1-share)*o.Good.Sigma), o.Misfit)}
			continue
		}
		if t.at[k], err = read(math.Pow(10, c.grid.value(k, n))); err != nil {
			return nil, err
		}
	}
	for k := 1; k < n && step == 2; k += 2 {
		if k == n-1 {
			if t.at[k], err = read(math.Pow(10, c.grid.value(k, n))); err != nil {
				return nil, err
			}
			continue
		}
		a, b := &t.at[k-1], &t.at[k+1]
		t.at[k] = node{(a.volts + b.volts) / 2, (a.sigma + b.sigma) / 2}
		if !between(a, b, o) {
			continue
		}
		if t.at[k].volts, err = volts(c.grid.value(k, n)); err != nil {
			return nil, err
		}
	}
	for k := 0; k+1 < n && t.strong && !normal; k++ {
		if !within(&t.at[k], &t.at[k+1], o) {
			continue
		}
		q := stretch{node: k}
		for i := range q.volts {
			x := (float64(k) + float64(i+1)/4) / float64(n-1)
			if q.volts[i], err = volts(c.grid.lo + (c.grid.hi-c.grid.lo)*x); err != nil {
				return nil, err
			}
		}
		t.close = append(t.close, q)
	}
	t.limits(o)
	return t, nil
}

// take adds an entry, the next in the order of observations.
func (c *candidate) take(t *entry) {
	c.entries = append(c.entries, *t)
	if t.strong {
		setBit(c.strong, t.obs)
		c.moves = append(c.moves, t.obs)
	} else {
		setBit(c.weak, t.obs)
	}
}

// addLogs adds the log likelihood ratio of the entry's reading, times sign, to a sum
// over the fine grid. Only where the reading predicted passes the one taken does the
// likelihood bend faster than the nodes are apart; there it is worked out point
// by point, and elsewhere drawn straight from node to node.
func (t *entry) addLogs(logs []float64, o *Observation, base, sign float64) {
	if len(t.at) == 0 {
		return
	}
	n, last := len(logs), len(t.at)-1
	if t.levels == nil {
		t.level(n, o, base)
	}
	passes := t.passes
	for i := 0; i < last; i++ {
		from, end := t.span(i, n)
		if len(passes) > 0 && passes[0].node == i {
			for k, l := range passes[0].logs {
				logs[from+k] += sign * l
			}
			passes = passes[1:]
			continue
		}
		slope := sign * (t.levels[i+1] - t.levels[i]) * float64(last) / float64(n-1)
		l := sign*t.levels[i] + slope*(float64(from)-float64(i)*float64(n-1)/float64(last))
		for k := from; k <= end; k++ {
			logs[k] += l
			l += slope
		}
	}
}

// span gives the fine positions of n from node i to the next.
func (t *entry) span(i, n int) (from, end int) {
	last := len(t.at) - 1
	if i > 0 {
		from = int(math.Floor(float64(i)*float64(n-1)/float64(last)+1e-9)) + 1
	}
	return from, min(int(math.Floor(float64(i+1)*float64(n-1)/float64(last)+1e-9)), n-1)
}

// level works out the log likelihood ratios that addLogs adds, and the best of
// them. They are the same whatever else they are added to.
func (t *entry) level(n int, o *Observation, base float64) {
	t.levels = make([]float64, len(t.at))
	ratio := func(p Prediction) float64 {
		l := o.LogLikelihood(p) - base
		t.best = math.Max(t.best, l)
		return l
	}
	for k := range t.at {
		t.levels[k] = ratio(Prediction{Volts: t.at[k].volts, Sigma: t.at[k].sigma, DF: fewDF})
	}
	for i := 0; i+1 < len(t.at) && t.strong; i++ {
		if !between(&t.at[i], &t.at[i+1], o) {
			continue
		}
		from, end := t.span(i, n)
		q := passage{node: i, logs: make([]float64, 0, max(end-from+1, 0))}
		c := t.between(i)
		for k := from; k <= end; k++ {
			x := float64(k) / float64(n-1) * float64(len(t.at)-1)
			q.logs = append(q.logs, ratio(c.at(x-float64(i))))
		}
		t.passes = append(t.passes, q)
	}
}

// between tells whether the reading taken lies between, or near, what two nodes
// predict.
func between(a, b *node, o *Observation) bool {
	const near = 6 // standard deviations
	margin := near * math.Hypot(math.Max(a.sigma, b.sigma), o.meter(math.Min(math.Max(a.volts, b.volts), 3)))
	lo, hi := math.Min(a.volts, b.volts)-margin, math.Max(a.volts, b.volts)+margin
	if o.Over {
		return hi > o.Probe.Meter.Over && lo < o.Probe.Meter.Over
	}
	return lo < o.Volts && o.Volts < hi
}

// limits sets what the reading comes near to at both ends of the resistance, a
// little outside of what the nodes have.
func (t *entry) limits(o *Observation) {
	t.lo, t.hi = o.Good.Volts, o.Good.Volts
	for k := range t.at {
		t.lo, t.hi = math.Min(t.lo, t.at[k].volts), math.Max(t.hi, t.at[k].volts)
	}
	for _, q := range t.close {
		t.lo, t.hi = min(t.lo, slices.Min(q.volts[:])), max(t.hi, slices.Max(q.volts[:]))
	}
	t.lo -= outside
	if t.hi += outside; t.hi > o.Probe.Meter.Over {
		t.hi = math.Inf(1) // the meter's open voltage cuts it off there
	}
}

// outside is the voltage in volts by which the limits lie outside of the nodes:
// what 1 mA drops across LeastOhms.
const outside = 5e-5

// bend maps a reading to where it is nearly straight over the logarithm of the
// resistance. In a linear circuit the reading v is a Moebius function of any one
// resistance R, so that
//
//	(v - lo) / (hi - v) = R / R0
//
// with lo and hi the readings for R of nothing and without end; its logarithm is
// exactly straight. Where the meter's source gives out before hi is reached, v - lo
// is proportional to R as far as it goes. Junctions bend it a little.
func (t *entry) bend(v float64) float64 {
	if math.IsInf(t.hi, 1) {
		return math.Log(v - t.lo)
	}
	return math.Log((v - t.lo) / (t.hi - v))
}

// unbend is the inverse of bend.
func (t *entry) unbend(y float64) float64 {
	if math.IsInf(t.hi, 1) {
		return t.lo + math.Exp(y)
	}
	return t.lo + (t.hi-t.lo)/(1+math.Exp(-y))
}

// within tells whether the reading taken lies between what two nodes predict, a
// little more or less, and below the display's limit.
func within(a, b *node, o *Observation) bool {
	lo, hi := math.Min(a.volts, b.volts), math.Max(a.volts, b.volts)
	margin := 2 * math.Max(a.sigma, b.sigma)
	return !o.Over && hi-lo > 2*margin && lo-margin < o.Volts && o.Volts < hi+margin
}

// read interpolates an entry at the fine position k of n.
func (t *entry) read(k, n int) Prediction {
	x := float64(k) / float64(n-1) * float64(len(t.at)-1)
	i := min(int(x), len(t.at)-2)
	c := t.between(i)
	return c.at(x - float64(i))
}

// course is an entry between one node and the next: one cubic, or four where the
// stretch was looked at closely.
type course struct {
	t    *entry
	a, b *node
	cut  int // into so many pieces
	room [4]cubic
}

// between gives the entry's course from node i to the next.
func (t *entry) between(i int) course {
	c := course{t: t, a: &t.at[i], b: &t.at[i+1], cut: 1}
	for _, q := range t.close {
		if q.node == i {
			y := [5]float64{t.bend(c.a.volts), t.bend(q.volts[0]), t.bend(q.volts[1]), t.bend(q.volts[2]), t.bend(c.b.volts)}
			for j := range c.room {
				c.room[j] = monotone(y[:], j)
			}
			c.cut = 4
			return c
		}
	}
	from := max(i-1, 0)
	var room [4]float64
	y := room[:0]
	for k := from; k < min(i+3, len(t.at)); k++ {
		y = append(y, t.bend(t.at[k].volts))
	}
	c.room[0] = monotone(y, i-from)
	return c
}

// at gives what the entry predicts a share f of the way.
func (c *course) at(f float64) Prediction {
	x := f * float64(c.cut)
	j := min(int(x), c.cut-1)
	return Prediction{Volts: c.t.unbend(c.room[j].at(x - float64(j))), Sigma: c.a.sigma + f*(c.b.sigma-c.a.sigma), DF: fewDF}
}

// cubic is a curve from y0 to y1 with the slopes m0 and m1 at its ends (Hermite).
type cubic struct{ y0, y1, m0, m1 float64 }

func (c *cubic) at(f float64) float64 {
	f2, f3 := f*f, f*f*f
	return (2*f3-3*f2+1)*c.y0 + (f3-2*f2+f)*c.m0 + (-2*f3+3*f2)*c.y1 + (f3-f2)*c.m1
}

// monotone interpolates between y[i] and y[i+1] by the monotone cubic of Fritsch and
// Carlson (1980, from memory): no overshoot where the curve bends.
func monotone(y []float64, i int) cubic {
	slope := func(k int) float64 {
		switch k {
		case 0:
			return y[1] - y[0]
		case len(y) - 1:
			return y[k] - y[k-1]
		}
		d0, d1 := y[k]-y[k-1], y[k+1]-y[k]
		if d0*d1 <= 0 {
			return 0
		}
		return 2 * d0 * d1 / (d0 + d1)
	}
	return cubic{y[i], y[i+1], slope(i), slope(i + 1)}
}

// gather sums up the log likelihood ratios of all observations, for weigh.
func (c *candidate) gather(obs []Observation, base []float64) {
	c.sum, c.openSum = make([]float64, c.fine), 0
	for i := range c.entries {
		t := &c.entries[i]
		o := &obs[t.obs]
		t.addLogs(c.sum, o, base[t.obs], 1)
		if l := c.openLog(t, o, base[t.obs]); c.open {
			c.openSum += l
			t.best = math.Max(t.best, l)
		}
	}
}

// openLog gives the log likelihood ratio of an observation with the candidate open, 0
// where it cannot be.
func (c *candidate) openLog(t *entry, o *Observation, base float64) float64 {
	if !c.open {
		return 0
	}
	return o.LogLikelihood(Prediction{Volts: t.open.volts, Sigma: t.open.sigma, DF: fewDF}) - base
}

// weigh integrates the likelihood ratio over the resistance, leaving out the
// observations in skip (nil for none). base is the log likelihood of each
// observation on a good board.
//
//	evidence = sum over modes of odds * mean over log R in the mode's range of
//	           prod over observations of p(reading | R) / p(reading | good)
func (c *candidate) weigh(obs []Observation, base []float64, skip []uint64) evidence {
	e := evidence{modes: make([]float64, len(c.locus.Modes)), ohms: make([]float64, len(c.locus.Modes))}
	logs, openLog := c.sum, c.openSum
	if skip != nil || c.felt != nil {
		logs = slices.Clone(logs)
	}
	if skip != nil {
		for i := range c.entries {
			if t := &c.entries[i]; hasBit(skip, t.obs) {
				o := &obs[t.obs]
				t.addLogs(logs, o, base[t.obs], -1)
				openLog -= c.openLog(t, o, base[t.obs])
			}
		}
	}
	for k, l := range c.felt {
		logs[k] += l
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
	// the places of lo and hi on the fine grid, a little outside
	per := float64(c.fine-1) / (c.grid.hi - c.grid.lo)
	first := max(int(math.Ceil((lo-1e-9-c.grid.lo)*per)), 0)
	end := min(int(math.Floor((hi+1e-9-c.grid.lo)*per))+1, len(logs))
	top := math.Inf(-1)
	for k := first; k < end; k++ {
		top = math.Max(top, logs[k])
	}
	sum, best, where, n := 0.0, 0.0, 0.0, max(end-first, 0)
	for k := first; k < end; k++ {
		if logs[k] < top-negligible {
			continue
		}
		e := math.Exp(logs[k] - top)
		sum += e
		e *= e * e * e
		e *= e * e * e
		best += e
		where += e * c.grid.value(k, c.fine)
	}
	if n == 0 || !(sum > 0) {
		return math.Inf(-1), math.Pow(10, (lo+hi)/2)
	}
	return top + math.Log(sum/float64(n)), math.Pow(10, where/best)
}

// negligible is how far below the best a logarithm is not worth its exponential.
const negligible = 30.0

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
