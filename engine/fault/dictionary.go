package fault

import (
	"math"
	"slices"

	"halfsplit/engine/network"
)

// candidate is a locus that could account for an outlier.
type candidate struct {
	locus   *Locus
	ratio   float64 // likelihood ratio of looks, drops and presses, on its odds
	class   int     // see search.classify
	warmed  bool    // an injection says something of it
	grid    grid
	silent  bool // no reading asks for it; see silence
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

// tabulate makes the entry of a candidate for an observation that it touches. A reading
// changes one way with the resistance (see search.best), so the worst case bounds the
// effect: where even that hardly moves the reading there is no entry. Nodes are halfway
// between others, so that entries of a candidate have most of them in common.
func (c *candidate) tabulate(watch *Watch, obs int) (*entry, error) {
	o := watch.o
	var change [1]network.Change
	sw := watch.sweep(change[:])
	read := func(ohms float64) (row, error) {
		change[0] = c.locus.At(ohms)
		return sw.predict()
	}
	worst := c.locus.worst().Ohms
	change[0] = c.locus.At(worst)
	least := noVolts
	if o.Noise.Leads == 0 {
		least = math.Max(least, leastMoved*math.Hypot(o.Good.Sigma, o.Noise.Own))
	}
	extreme, moves, err := sw.predictFrom(least)
	if err != nil || !moves {
		return nil, err
	}
	moved := math.Max(o.moved(extreme.volts), math.Sqrt(extreme.instead.share)*extreme.instead.sd)
	share := moved / math.Hypot(o.Good.Sigma, o.Noise.Own)
	t := &entry{obs: obs, strong: moved > faintVolts && share > mostMoved}
	if moved < noVolts || !t.strong && share <= leastMoved && o.Noise.Leads == 0 {
		return nil, nil
	}
	if c.open {
		t.open = extreme
		if t.absent, err = watch.absent(change[:], &extreme); err != nil {
			return nil, err
		}
	}
	at := func(x float64) (node, error) {
		ohms := math.Pow(10, x)
		if ohms == worst {
			return node{x: x, row: extreme}, nil
		}
		q, err := read(ohms)
		return node{x: x, row: q}, err
	}
	for _, x := range c.grid.coarse() {
		n, err := at(x)
		if err != nil {
			return nil, err
		}
		t.at = append(t.at, n)
	}
	narrow := leastStep
	if c.silent {
		narrow = silentStep
	}
	for k := 0; t.strong && k+1 < len(t.at); {
		a, b := &t.at[k], &t.at[k+1]
		if b.x-a.x < narrow || !o.apart(a, b) {
			k++
			continue
		}
		n, err := at((a.x + b.x) / 2)
		if err != nil {
			return nil, err
		}
		t.at = slices.Insert(t.at, k+1, n)
	}
	t.limits(o)
	return t, nil
}

// apart tells whether two nodes lie too far apart for what is between them. Where the
// reading passes, or nearly so, they are to lie close against what it varies by that other
// readings do not share: those of one line tell by millivolts how they differ.
func (o *Observation) apart(a, b *node) bool {
	limit := o.Probe.Meter.Over + 1 // beyond it nothing is to be told
	lo, hi := math.Min(math.Min(a.volts, b.volts), limit), math.Min(math.Max(a.volts, b.volts), limit)
	if b.x-a.x > wideStep && hi-lo > wideVolts {
		return true
	}
	v := o.Volts
	if o.Over {
		v = o.Probe.Meter.Over
	}
	away := math.Max(math.Max(lo-v, v-hi), 0)
	aSD, aOwn := o.spread(&a.row)
	bSD, bOwn := o.spread(&b.row)
	sd := math.Min(aSD, bSD)
	return hi-lo > closeNodes*math.Min(math.Max(aOwn, bOwn), sd)+graded*math.Max(0, away-2*sd)
}

// spread gives about the standard deviation in volts of a prediction, and that of what no
// other spot shares.
func (o *Observation) spread(q *row) (sd, own float64) {
	all := q.own + square(o.Good.Sigma*clamp(q.volts/math.Max(o.row.volts, 1e-3), 0, 1))
	alone := q.own
	for _, x := range q.shared {
		all += square(x.volts)
		if x.key == o.spotKey() {
			alone += square(x.volts)
		}
	}
	return math.Sqrt(all), math.Sqrt(alone)
}

// passes tells whether the reading taken lies between two predictions, or so near.
func passes(a, b, near float64, o *Observation) bool {
	lo, hi := math.Min(a, b)-near, math.Max(a, b)+near
	if o.Over {
		return hi > o.Probe.Meter.Over && lo < o.Probe.Meter.Over
	}
	return lo < o.Volts && o.Volts < hi
}

// point is a place on the curve of a candidate: the logarithm of its likelihood ratio
// against a good board, over the decimal logarithm of its resistance.
type point struct{ x, l float64 }

// sidesAt gives what the rows of walks at a decimal logarithm of the resistance have with
// the condition of a block: worked out once for each node, and mixed as rows are.
func sidesAt(b *block, walks []walk, x float64) []*side {
	out := make([]*side, len(b.ids))
	if len(b.ids) > many {
		return out // see slim
	}
	for i := range walks {
		w := &walks[i]
		if w.sides == nil {
			w.sides = make([]*side, len(w.t.at))
		}
		of := func(n int) *side {
			if w.sides[n] == nil {
				with, half, off := b.against(&w.t.at[n].row)
				w.sides[n] = &side{with, half, off}
			}
			return w.sides[n]
		}
		n, f := w.t.place(x)
		r := of(n)
		if f > 0 {
			r = r.mix(of(n+1), f)
		}
		out[w.place] = r
	}
	return out
}

// rows gives the rows of a block's observations for a candidate at a decimal logarithm of
// its resistance, or open.
func (c *candidate) rows(b *block, x float64, open, absent bool) []row {
	out := slices.Clone(b.good)
	for k, i := range b.ids {
		t := c.entry(i)
		if t == nil {
			continue
		}
		q := &t.open
		if !open {
			r := t.row(x, len(b.ids) > many)
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
// to a standard deviation of the sharpest reading, rough how many at most where some
// reading cannot be met anyhow, and perDecade how many there are at least.
const (
	finest    = 240
	perSigma  = 1.0
	rough     = 4
	perDecade = 2.0
)

// profile is the logarithm of the likelihood ratio against a good board over the
// resistance, and where it has no end.
type profile struct {
	points []point
	open   float64
	lacks  int32 // see evidence
}

// profile works out the likelihood ratio for the observations of a block, at all nodes of
// their entries. Where the readings pass what was read it bends faster than the nodes are
// apart; there it is worked out point by point, the spread being drawn from node to node.
func (c *candidate) profile(b *block) profile {
	p := profile{lacks: -1}
	if c.open {
		rows := c.rows(b, 0, true, false)
		p.open = b.density(b.shape(nil, rows, nil), means(rows), nil) - b.base
		if slices.ContainsFunc(c.entries, func(t entry) bool { return t.absent != nil }) {
			rows = c.rows(b, 0, true, true)
			none := b.density(b.shape(nil, rows, nil), means(rows), nil) - b.base
			is, not := p.open+math.Log(existing), none+math.Log(1-existing)
			if p.open = addLogs(is, not); not > is {
				p.lacks = c.entries[slices.IndexFunc(c.entries, func(t entry) bool { return t.absent != nil })].absent.junction
			}
		}
	}
	var walks []walk
	var xs []float64
	for k, i := range b.ids {
		if t := c.entry(i); t != nil {
			walks = append(walks, walk{t: t, place: k})
			for _, n := range t.at {
				xs = append(xs, n.x)
			}
		}
	}
	if len(xs) == 0 {
		xs = c.grid.coarse()
	}
	slices.Sort(xs)
	xs = slices.Compact(xs)
	var last *shape
	var at []float64
	var before []row
	mean, share := make([]float64, len(b.ids)), make([]float64, len(b.ids))
	for k, x := range xs {
		rows := c.rows(b, x, false, false)
		now, to := last, means(rows)
		if !slices.EqualFunc(rows, before, row.restsAs) {
			now, before = b.shape(nil, rows, sidesAt(b, walks, x)), rows
		}
		if k > 0 {
			steps := max(c.steps(b, last, now, at, to), int(math.Ceil((x-xs[k-1])*perDecade)))
			copy(mean, at)
			mid := last
			if now != last && steps > 1 {
				mid = between(last, now)
			}
			for i := 1; i < steps; i++ {
				f := float64(i) / float64(steps)
				y := xs[k-1] + f*(x-xs[k-1])
				for q := range share {
					share[q] = f
				}
				for q := range walks {
					n := walks[q].place
					mean[n] = walks[q].at(y)
					share[n] = shareOf(mean[n], at[n], to[n], f)
				}
				if mid != last {
					mid.mix(share)
				}
				p.points = append(p.points, point{y, b.density(mid, mean, nil) - b.base})
			}
		}
		p.points = append(p.points, point{x, b.density(now, to, nil) - b.base})
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
		if !passes(at[k], end[k], far+0.02, o) {
			limit = math.Min(limit, rough)
			continue
		}
		if passes(at[k], end[k], far, o) {
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
// top. Between points the logarithm is a parabola for the mean, and a straight line for the
// resistance; an end of the range may lie between two.
func average(points []point, lo, hi float64) (mean, ohms float64) {
	type piece struct {
		a, b      point
		curvature float64 // see curvatureOf
	}
	var in []piece // the range
	top := math.Inf(-1)
	for k := 1; k < len(points); k++ {
		a, b := points[k-1], points[k]
		if b.x <= lo || a.x >= hi || b.x <= a.x {
			continue
		}
		curvature := curvatureOf(points, k)
		at := func(x float64) point {
			return point{x, a.l + (b.l-a.l)*(x-a.x)/(b.x-a.x) - curvature/2*(x-a.x)*(b.x-x)}
		}
		p := piece{at(math.Max(a.x, lo)), at(math.Min(b.x, hi)), curvature}
		in = append(in, p)
		top = math.Max(top, math.Max(p.a.l, p.b.l))
	}
	if len(in) == 0 || math.IsInf(top, -1) {
		return math.Inf(-1), math.Pow(10, (lo+hi)/2)
	}
	sum, best, where := 0.0, 0.0, 0.0
	for _, p := range in {
		h := p.b.x - p.a.x
		sum += h * line(p.a.l-top, p.b.l-top) * math.Exp(-p.curvature*square(h)/12)
		w := h * line(16*(p.a.l-top), 16*(p.b.l-top))
		best += w
		where += w * (p.a.x + p.b.x) / 2
	}
	return top + math.Log(sum/(in[len(in)-1].b.x-in[0].a.x)), math.Pow(10, where/best)
}

// mostCurved bounds what the curvature of a likelihood makes of its mean over a piece, as a
// logarithm.
const mostCurved = 0.25

// curvatureOf gives about the second derivative between point k-1 and point k: the mean of
// those of the parabolas through them and the next at either side. With h the width of the
// piece the logarithm lies curvature h^2/12 below the straight line, in the mean.
func curvatureOf(points []point, k int) float64 {
	sum, n := 0.0, 0.0
	for i := max(k-1, 1); i <= min(k, len(points)-2); i++ {
		a, b, c := points[i-1], points[i], points[i+1]
		sum += 2 * ((c.l-b.l)/(c.x-b.x) - (b.l-a.l)/(b.x-a.x)) / (c.x - a.x)
		n++
	}
	most := 12 * mostCurved / square(points[k].x-points[k-1].x)
	return clamp(sum/math.Max(n, 1), -most, most)
}

// line gives the mean of exp over a straight line from a to b.
func line(a, b float64) float64 {
	if d := b - a; math.Abs(d) > 1e-3 {
		return (math.Exp(b) - math.Exp(a)) / d
	}
	return math.Exp((a + b) / 2)
}
