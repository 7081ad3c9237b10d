package fault

import (
	"math"
	"slices"

	"halfsplit/engine/network"
)

// entry is a row of the fault dictionary: the readings that one locus would give at one
// observation.
type entry struct {
	obs    int
	at     []row    // over grid.nodes
	open   row      // of an infinite series resistance
	absent *absence // the same without the junction that nobody ever saw and that it rests on
	strong bool     // moves the reading by more than faintVolts somewhere
	counts bool     // or by a share of what it varies by
	lo, hi float64  // V, the readings without the resistance and without its path; see straight
	// V, the least and the most that the nodes and a good board have.
	least, most float64
	close       []stretch
}

// stretch is what lies between two nodes that the reading taken lies between: there
// the likelihood has its top, and the entry has to be right.
type stretch struct {
	node  int        // the lower of the two
	volts [3]float64 // at a quarter, a half and three quarters of the way
}

// candidate is a locus that could account for an outlier.
type candidate struct {
	locus   *Locus
	ratio   float64 // likelihood ratio of looks, drops and presses, on its odds
	class   int     // see search.classify
	warmed  bool    // an injection says something of it
	grid    grid
	open    bool
	touched []int     // observations that it might move
	entries []entry   // of those that it does
	in      []uint64  // bitset of observations that are weighed with it: those, and the others of their lines
	strong  []uint64  // of those it moves by more than faintVolts, and the others of their lines
	moves   []int     // those that it moves by more than faintVolts
	odds    float64   // logarithm of the odds of all modes together, before any reading or injection
	most    float64   // the same with the most that injection makes of it: a bound
	all     evidence  // with every observation counted
	short   []float64 // see search.short
}

// evidence is the integral of the likelihood ratio against a good board.
type evidence struct {
	total float64   // logarithm of the sum over modes of odds times mean ratio
	modes []float64 // share of each mode of the locus in it
	ohms  []float64 // by mode: the resistance, the mean of its logarithm
	lacks int32     // of an open: the junction that the board lacks for it to hold, -1 for none
}

// coarseNodes is the number of nodes of an entry that moves its reading by little.
const coarseNodes = 3

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

// tabulate makes the entry of a candidate for an observation that it touches; one of a
// normal line has none beside it that is off. A reading changes one way with the resistance
// (see search.best), so the worst case bounds the effect: where even that hardly
// moves the reading there is no entry.
func (c *candidate) tabulate(watch *Watch, obs int, normal bool) (*entry, error) {
	full := c.grid.count(nodesPerDecade)
	o := watch.o
	var change [1]network.Change
	sw := watch.sweep(change[:])
	read := func(ohms float64) (row, error) {
		change[0] = c.locus.At(ohms)
		return sw.predict()
	}
	volts := func(log float64) (float64, error) {
		change[0] = c.locus.At(math.Pow(10, log))
		return sw.volts()
	}
	extreme, err := read(c.locus.worst().Ohms)
	if err != nil {
		return nil, err
	}
	moved := math.Max(o.moved(extreme.volts), math.Sqrt(extreme.instead.share)*extreme.instead.sd)
	if moved < noVolts {
		return nil, nil
	}
	share := moved / math.Hypot(o.Good.Sigma, o.Noise.Own)
	t := &entry{obs: obs, strong: moved > faintVolts && share > mostMoved, counts: share > leastMoved || o.Noise.Leads > 0}
	n := full
	switch {
	case !t.strong:
		n = min(full, coarseNodes)
	case normal && full > 0: // it can only speak against the fault
		n = full/2 + 1
	}
	if c.open {
		t.open = extreme
		if t.absent, err = watch.absent(change[:], &extreme); err != nil {
			return nil, err
		}
	}
	t.at = make([]row, n)
	step := 1
	if t.strong {
		step = 2 // every other node first, and one between where the reading passes
	}
	for k := 0; k < n; k += step {
		if !c.open && (k == 0 && !c.locus.Series || k == n-1 && c.locus.Series) {
			t.at[k] = extreme
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
		if between(a.volts, b.volts, o.near(a, b), o) {
			if t.at[k], err = read(math.Pow(10, c.grid.value(k, n))); err != nil {
				return nil, err
			}
			continue
		}
		t.at[k] = *a
		t.at[k].volts = (a.volts + b.volts) / 2
	}
	for k := 0; k+1 < n && t.strong && !normal; k++ {
		a, b := &t.at[k], &t.at[k+1]
		if o.Over || math.Abs(b.volts-a.volts) < 1e-3 || !between(a.volts, b.volts, o.near(a, b), o) {
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

// near gives the distance in volts within which a reading lies near two predictions.
func (o *Observation) near(a, b *row) float64 {
	const sigmas = 6
	spread := func(q *row) float64 {
		v := q.own
		for _, x := range q.shared {
			v += x.volts * x.volts
		}
		return v
	}
	return sigmas * math.Sqrt(math.Max(spread(a), spread(b))+o.Good.Sigma*o.Good.Sigma)
}

// between tells whether the reading taken lies between two predictions, or so near.
func between(a, b, near float64, o *Observation) bool {
	lo, hi := math.Min(a, b)-near, math.Max(a, b)+near
	if o.Over {
		return hi > o.Probe.Meter.Over && lo < o.Probe.Meter.Over
	}
	return lo < o.Volts && o.Volts < hi
}

// limits sets what the reading comes near to at both ends of the resistance, a
// little outside of what the nodes have.
func (t *entry) limits(o *Observation) {
	t.lo, t.hi = o.row.volts, o.row.volts
	for k := range t.at {
		t.lo, t.hi = math.Min(t.lo, t.at[k].volts), math.Max(t.hi, t.at[k].volts)
	}
	t.least, t.most = t.lo, t.hi
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

// straight maps a reading to where it is nearly straight over the logarithm of the
// resistance. In a linear circuit the reading v is a Moebius function of any one
// resistance R, so that
//
//	(v - lo) / (hi - v) = R / R0
//
// with lo and hi the readings for R of nothing and without end; its logarithm is
// exactly straight. Where the meter's source gives out before hi is reached, v - lo
// is proportional to R as far as it goes. Junctions bend it a little.
func (t *entry) straight(v float64) float64 {
	if math.IsInf(t.hi, 1) {
		return math.Log(v - t.lo)
	}
	return math.Log((v - t.lo) / (t.hi - v))
}

// fromStraight is the inverse of straight.
func (t *entry) fromStraight(y float64) float64 {
	if math.IsInf(t.hi, 1) {
		return t.lo + math.Exp(y)
	}
	return t.lo + (t.hi-t.lo)/(1+math.Exp(-y))
}

// volts interpolates an entry a share x of the way over its grid.
func (t *entry) volts(x float64) float64 {
	w := walk{t: t, i: -1}
	return w.at(x)
}

// walk is volts for one place after another.
type walk struct {
	t        *entry
	place, i int // in the block, and the node before
	course   course
}

func (w *walk) at(x float64) float64 {
	x *= float64(len(w.t.at) - 1)
	if i := min(int(x), len(w.t.at)-2); i != w.i {
		w.i, w.course = i, w.t.between(i)
	}
	return w.course.at(x - float64(w.i))
}

// row gives the row a share x of the way, with what the nearest node rests on.
func (t *entry) row(x float64) row {
	q := t.at[int(math.Round(x*float64(len(t.at)-1)))]
	q.volts = t.volts(x)
	return q
}

// course is an entry between one node and the next: one cubic, or four where the
// stretch was looked at closely.
type course struct {
	t    *entry
	a, b *row
	cut  int // into so many pieces
	room [4]cubic
}

// between gives the entry's course from node i to the next.
func (t *entry) between(i int) course {
	c := course{t: t, a: &t.at[i], b: &t.at[i+1], cut: 1}
	for _, q := range t.close {
		if q.node == i {
			y := [5]float64{t.straight(c.a.volts), t.straight(q.volts[0]), t.straight(q.volts[1]), t.straight(q.volts[2]), t.straight(c.b.volts)}
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
		y = append(y, t.straight(t.at[k].volts))
	}
	c.room[0] = monotone(y, i-from)
	return c
}

// at gives what the entry predicts a share f of the way.
func (c *course) at(f float64) float64 {
	x := f * float64(c.cut)
	j := min(int(x), c.cut-1)
	return c.t.fromStraight(c.room[j].at(x - float64(j)))
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

// point is a place on the curve of a candidate: the logarithm of its likelihood ratio
// against a good board, over the decimal logarithm of its resistance.
type point struct{ x, l float64 }

// rows gives the rows of a block's observations for a candidate a share x of the way
// over its resistances, or open.
func (c *candidate) rows(b *block, x float64, open, absent bool) []row {
	out := slices.Clone(b.good)
	for k, i := range b.ids {
		t := c.entry(i)
		if t == nil {
			continue
		}
		q := &t.open
		if !open {
			r := t.row(x)
			q = &r
		} else if absent && t.absent != nil {
			q = &t.absent.row
		}
		out[k] = b.slim(k, q)
	}
	return out
}

// slim gives a row of the observation in place k as it counts: among many, what it rests
// on is taken to be what it does on a good board.
func (b *block) slim(k int, q *row) row {
	o := &b.j.obs[b.ids[k]]
	if len(b.ids) <= many || o.row.over || q.over {
		return *q
	}
	r := o.proportion(q.volts)
	r.wrong, r.instead, r.loads = q.wrong, q.instead, q.loads
	return r
}

// entry gives the entry for an observation, nil where there is none.
func (c *candidate) entry(obs int) *entry {
	k, ok := slices.BinarySearchFunc(c.entries, obs, func(t entry, obs int) int { return t.obs - obs })
	if !ok {
		return nil
	}
	return &c.entries[k]
}

// finest is the number of points between two nodes at most, perSigma how many there are
// to a standard deviation of the sharpest reading, and rough how many at most where some
// reading cannot be met anyhow.
const (
	finest   = 240
	perSigma = 2.0
	rough    = 24
)

// profile is the logarithm of the likelihood ratio against a good board over the
// resistance, and where it has no end.
type profile struct {
	points []point
	open   float64
	lacks  int32 // see evidence
}

// profile works out the likelihood ratio for the observations of a block. Where the
// readings pass what was read it bends faster than the nodes are apart; there it is worked
// out point by point, the spread being drawn from node to node.
func (c *candidate) profile(b *block) profile {
	p := profile{lacks: -1}
	if c.open {
		rows := c.rows(b, 0, true, false)
		p.open = b.density(b.shape(nil, rows), means(rows), nil) - b.base
		if slices.ContainsFunc(c.entries, func(t entry) bool { return t.absent != nil }) {
			rows = c.rows(b, 0, true, true)
			none := b.density(b.shape(nil, rows), means(rows), nil) - b.base
			is, not := p.open+math.Log(existing), none+math.Log(1-existing)
			if p.open = addLogs(is, not); not > is {
				p.lacks = c.entries[slices.IndexFunc(c.entries, func(t entry) bool { return t.absent != nil })].absent.junction
			}
		}
	}
	n := c.grid.count(nodesPerDecade)
	if n < 2 {
		return p
	}
	var walks []walk
	for k, i := range b.ids {
		if t := c.entry(i); t != nil {
			walks = append(walks, walk{t: t, place: k, i: -1})
		}
	}
	var last *shape
	var at []float64
	var before []row
	for k := range n {
		x := float64(k) / float64(n-1)
		rows := c.rows(b, x, false, false)
		now, to := last, means(rows)
		if !slices.EqualFunc(rows, before, row.restsAs) {
			now, before = b.shape(nil, rows), rows
		}
		if k > 0 {
			steps := c.steps(b, last, now, at, to)
			mean := slices.Clone(at)
			for i := 1; i < steps; i++ {
				f := float64(i) / float64(steps)
				y := (float64(k-1) + f) / float64(n-1)
				for q := range walks {
					mean[walks[q].place] = walks[q].at(y)
				}
				l := (1-f)*b.density(last, mean, nil) + f*b.density(now, mean, nil)
				p.points = append(p.points, point{c.grid.lo + (c.grid.hi-c.grid.lo)*y, l - b.base})
			}
		}
		p.points = append(p.points, point{c.grid.lo + (c.grid.hi-c.grid.lo)*x, b.density(now, to, nil) - b.base})
		last, at = now, to
	}
	return p
}

// steps gives into how many steps to cut the way from one node to the next.
func (c *candidate) steps(b *block, from, to *shape, at, end []float64) int {
	m, most, limit := len(b.ids), 1.0, float64(finest)
	for k, i := range b.ids {
		if c.entry(i) == nil {
			continue
		}
		o := &b.j.obs[i]
		sd := math.Min(from.l[k*m+k], to.l[k*m+k])
		far := math.Abs(from.off[k]) + math.Abs(to.off[k]) + 6*math.Max(from.l[k*m+k], to.l[k*m+k])
		if !between(at[k], end[k], far+0.02, o) {
			limit = math.Min(limit, rough)
			continue
		}
		if between(at[k], end[k], far, o) {
			most = math.Max(most, perSigma*math.Abs(math.Min(end[k], 3)-math.Min(at[k], 3))/sd)
		}
	}
	return int(math.Min(math.Ceil(most), limit))
}

// weighing gives the evidence for a candidate, leaving out the observations in skip (nil
// for none).
func (s *search) weighing(c *candidate, skip []uint64) evidence {
	return s.evidence(c, c.profile(s.ph.Joint.block(c.in, skip)))
}

// evidence integrates the likelihood ratio over the resistance.
//
//	evidence = sum over modes of odds * mean over log R in the mode's range of
//	           p(readings | R) / p(readings | good)
//
// over the readings of all lines that the candidate touches, given all others.
func (s *search) evidence(c *candidate, p profile) evidence {
	e := evidence{modes: make([]float64, len(c.locus.Modes)), ohms: make([]float64, len(c.locus.Modes))}
	points := p.points
	if c.warmed {
		points = slices.Clone(points)
		for k := range points {
			points[k].l += math.Log(s.warmRatio(c.locus, math.Pow(10, points[k].x)))
		}
	}
	e.lacks = p.lacks
	e.total = math.Inf(-1)
	for m, r := range c.locus.Modes {
		odds := math.Log(r.Odds * c.ratio)
		if math.IsInf(r.Lo, 1) {
			e.modes[m], e.ohms[m] = odds+p.open, math.Inf(1)
		} else {
			mean, ohms := average(points, math.Log10(r.Lo), math.Log10(r.Hi))
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

// average takes the mean of a likelihood ratio over a range of the logarithm of the
// resistance: the logarithm of the mean, and the resistance in ohms that the readings
// point to. That is the mean over the resistances that explain them best: long tails of
// poor ones would draw it to the middle of the range, and a plateau of equal ones has no
// top. Between points the logarithm is a straight line.
func average(points []point, lo, hi float64) (mean, ohms float64) {
	at := func(a, b point, x float64) point {
		if b.x > a.x {
			return point{x, a.l + (b.l-a.l)*clamp((x-a.x)/(b.x-a.x), 0, 1)}
		}
		return a
	}
	var in []point // the range
	for k := 1; k < len(points); k++ {
		a, b := points[k-1], points[k]
		if b.x <= lo || a.x >= hi {
			continue
		}
		a, b = at(a, b, math.Max(a.x, lo)), at(a, b, math.Min(b.x, hi))
		if len(in) == 0 {
			in = append(in, a)
		}
		in = append(in, b)
	}
	top := math.Inf(-1)
	for _, p := range in {
		top = math.Max(top, p.l)
	}
	if len(in) < 2 || math.IsInf(top, -1) {
		return math.Inf(-1), math.Pow(10, (lo+hi)/2)
	}
	sum, best, where := 0.0, 0.0, 0.0
	for k := 1; k < len(in); k++ {
		a, b := in[k-1], in[k]
		sum += (b.x - a.x) * line(a.l-top, b.l-top)
		w := (b.x - a.x) * line(16*(a.l-top), 16*(b.l-top))
		best += w
		where += w * (a.x + b.x) / 2
	}
	return top + math.Log(sum/(in[len(in)-1].x-in[0].x)), math.Pow(10, where/best)
}

// line gives the mean of exp over a straight line from a to b.
func line(a, b float64) float64 {
	if d := b - a; math.Abs(d) > 1e-3 {
		return (math.Exp(b) - math.Exp(a)) / d
	}
	return math.Exp((a + b) / 2)
}
