package fault

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references/stat"
)

// Joint is what the readings of a case say together. A good board's readings are
// jointly normal, with what Physics.covariance gives: warmth, meter, IC and supply
// make them differ from other boards alike. So what one line reads tells what another
// should.
//
// A line with a fault tells nothing of the others. Which lines have one is not known,
// so that each reading counts by the chance that no fault touches it, given the
// readings of all other nets; one that is at odds with them is taken to be anywhere.
type Joint struct {
	ph    *Physics
	obs   []Observation
	num   []int     // observations whose reading and prediction are both a voltage
	at    []int     // by observation: its place in num, -1 for none
	k     []float64 // covariance of good boards' readings in num, their own variances included
	own   []float64 // V^2, by place in num: variance without what sessions and ICs share
	r     []float64 // V, what they are off
	count []float64 // by how much each counts for others
	extra []float64 // V^2, variance added to a reading that may be anywhere; +Inf leaves it out
	close []bool    // by two of num: they hang together
	// joined tells by two of num that they do and resistance joins their nets: a fault of one
	// is in the other as well, so that neither vouches for the other.
	joined []bool
	line   []int     // by observation: the first of those that hang together with it
	far    []float64 // by observation: see deviates
	p, pr  []float64 // inverse of k as it counts, and times r

	mu    sync.Mutex
	known map[string]*condition
}

// Join predicts all observations of a case and works out what they say together.
// Physics predicts with it from then on.
func (ph *Physics) Join(pool *network.Pool, obs []Observation) error {
	j := &Joint{ph: ph, obs: obs, at: make([]int, len(obs)), line: make([]int, len(obs)), far: make([]float64, len(obs)), known: map[string]*condition{}}
	ph.Joint = nil
	if err := pool.Each(len(obs), func(w *network.Workspace, i int) error { return ph.Predict(w, &obs[i]) }); err != nil {
		return err
	}
	for i := range obs {
		o := &obs[i]
		j.line[i], j.at[i] = i, -1
		if !o.Over && !o.row.over {
			j.at[i] = len(j.num)
			j.num = append(j.num, i)
			j.r = append(j.r, o.Volts-o.row.volts)
		}
	}
	n := len(j.num)
	j.k, j.own, j.extra, j.close = make([]float64, n*n), make([]float64, n), make([]float64, n), make([]bool, n*n)
	j.joined = make([]bool, n*n)
	around := make([][]netlist.NetID, n)
	for a, i := range j.num {
		around[a] = ph.Posterior.Model.Around(obs[i].Spot.Net)
	}
	near := func(x, y *row) float64 { return ph.inLine(x, y) + together(x.shared, y.shared, keyNear) }
	err := pool.Each(n, func(_ *network.Workspace, a int) error {
		x := &obs[j.num[a]].row
		for b := 0; b <= a; b++ {
			j.k[a*n+b] = ph.covariance(x, &obs[j.num[b]].row)
		}
		j.k[a*n+a] += x.own
		j.own[a] = near(x, x) + x.own
		return nil
	})
	if err != nil {
		return err
	}
	for a := range n {
		for b := 0; b < a; b++ {
			j.k[b*n+a] = j.k[a*n+b]
			x, y := &obs[j.num[a]].row, &obs[j.num[b]].row
			if v := near(x, y); math.Abs(v) < inLineFrom*math.Sqrt(j.own[a]*j.own[b]) {
				continue
			}
			if p, q := &obs[j.num[a]], &obs[j.num[b]]; slices.Contains(around[a], q.Spot.Net) || slices.Contains(around[b], p.Spot.Net) {
				j.joined[a*n+b], j.joined[b*n+a] = true, true
			}
			if obs[j.num[a]].Outliers < OutliersUnknown && obs[j.num[b]].Outliers < OutliersUnknown {
				j.close[a*n+b], j.close[b*n+a] = true, true
				j.tie(j.num[a], j.num[b])
			}
		}
	}
	for i := range obs {
		for k := 0; k < i; k++ {
			if meet(&obs[i], &obs[k]) {
				j.tie(i, k)
			}
		}
	}
	if err := j.weigh(); err != nil {
		return err
	}
	ph.Joint = j
	for i := range obs {
		obs[i].row.like = like{obs: i + 1, part: 1}
	}
	return pool.Each(len(obs), func(_ *network.Workspace, i int) error {
		obs[i].Good = ph.given(&obs[i], &obs[i].row)
		return nil
	})
}

// near tells whether two observations hang together: of one net, or nearly so.
func (j *Joint) near(x, y int) bool {
	a, b := j.at[x], j.at[y]
	return meet(&j.obs[x], &j.obs[y]) || a >= 0 && b >= 0 && j.close[a*len(j.num)+b]
}

// tie makes one line of those of two observations.
func (j *Joint) tie(a, b int) {
	from, to := max(j.line[a], j.line[b]), min(j.line[a], j.line[b])
	if from == to {
		return
	}
	for i := range j.line {
		if j.line[i] == from {
			j.line[i] = to
		}
	}
}

// meet tells whether two observations were read on the same net, on the same pin that
// is not connected, or between the same two points.
func meet(a, b *Observation) bool {
	if a.Between && b.Between {
		p, q := &a.Probe, &b.Probe
		return p.Plus == q.Plus && p.Minus == q.Minus || p.Plus == q.Minus && p.Minus == q.Plus
	}
	return !a.Between && !b.Between && a.Spot.Net == b.Spot.Net && a.Spot.Contact == b.Spot.Contact
}

// healthy gives the chance that no fault touches a reading that is off by z standard
// deviations.
func healthy(z, sd, df float64) float64 {
	h := (1 - faultyNet) * studentDensity(z, df) / sd
	return h / (h + faultyNet*faultyDensity)
}

// mostExtra is a variance in V^2 that makes a reading say nothing of others.
const mostExtra = 1.0

// weigh settles by how much each reading counts for others. Each round takes the
// counts of the last (mean field); damping keeps two readings that contradict each
// other from taking turns.
//
// A line's own spread is a Student t, so that a reading far off lies there more likely
// in its own part than in what it shares: the variance of that part counts
// (df + z^2)/(df + 1) times, with z of what is its own (the EM weights of the t, Lange,
// Little and Taylor 1989, from memory).
func (j *Joint) weigh() error {
	n := len(j.num)
	j.count = make([]float64, n)
	set := func(a int, count, off, variance float64) {
		j.count[a] = count
		df, own := j.obs[j.num[a]].freedom, math.Min(j.own[a], variance)
		off *= (own + j.extra[a]) / (variance + j.extra[a])
		tail := own * ((df+off*off/own)/(df+1) - 1)
		j.extra[a] = clamp(math.Max((1/math.Max(count, 1e-9)-1)*variance, tail), 0, mostExtra)
	}
	for a, i := range j.num {
		sd := math.Sqrt(j.k[a*n+a])
		set(a, healthy(j.r[a]/sd, sd, j.obs[i].freedom), j.r[a], sd*sd)
	}
	for round := range 12 {
		if err := j.invert(); err != nil {
			return err
		}
		moved := 0.0
		next := make([]float64, n)
		offs, variances := make([]float64, n), make([]float64, n)
		for a, i := range j.num {
			var mates []int
			for b, k := range j.num {
				if b == a || meet(&j.obs[i], &j.obs[k]) || j.joined[a*n+b] {
					mates = append(mates, b)
				}
			}
			mean, cov := j.apart(mates)
			k := slices.Index(mates, a)
			variances[a] = cov[k*len(mates)+k]
			sd := math.Sqrt(variances[a])
			offs[a] = j.r[a] - mean[k]
			next[a] = healthy(offs[a]/sd, sd, j.obs[i].freedom)
			if round > 1 {
				next[a] = math.Sqrt(next[a] * j.count[a])
			}
			moved = math.Max(moved, math.Abs(next[a]-j.count[a]))
		}
		for a := range next {
			set(a, next[a], offs[a], variances[a])
		}
		if moved < 1e-3 {
			break
		}
	}
	if err := j.invert(); err != nil {
		return err
	}
	j.deviates()
	return nil
}

// doubtful tells whether an observation may be at odds with a good board.
func (j *Joint) doubtful(obs int) bool {
	a := j.at[obs]
	return a < 0 || j.count[a] < 0.95 || math.Abs(j.far[obs]) > outlierFrom
}

// invert works out the inverse of the covariance as it counts.
func (j *Joint) invert() error {
	n := len(j.num)
	l := slices.Clone(j.k)
	for a := range n {
		l[a*n+a] += j.extra[a]
	}
	if r := stat.Cholesky(l, n); r >= 0 {
		return fmt.Errorf("the readings of this case have no covariance (row %d)", r)
	}
	j.p = stat.Invert(l, n, nil)
	j.pr = make([]float64, n)
	for a := range n {
		for b := range n {
			j.pr[a] += j.p[a*n+b] * j.r[b]
		}
	}
	return nil
}

// apart gives the mean of what some readings are off, in V, given all others, and
// their covariance.
func (j *Joint) apart(some []int) (mean, cov []float64) {
	n, m := len(j.num), len(some)
	q := make([]float64, m*m)
	for a, x := range some {
		for b, y := range some {
			q[a*m+b] = j.p[x*n+y]
		}
	}
	stat.Cholesky(q, m) // a part of a positive definite matrix
	cov = stat.Invert(q, m, nil)
	mean = make([]float64, m)
	for a, x := range some {
		mean[a] = j.r[x]
		for b, y := range some {
			mean[a] -= cov[a*m+b] * j.pr[y]
		}
	}
	for a, x := range some {
		cov[a*m+a] -= j.extra[x]
	}
	return mean, cov
}

// deviates works out how far each reading is from what the others of its line, and
// all other lines, make of it, as a standard normal deviate.
func (j *Joint) deviates() {
	lines := map[int][]int{}
	for a, i := range j.num {
		lines[j.line[i]] = append(lines[j.line[i]], a)
	}
	for _, some := range lines {
		m := len(some)
		if m < 2 {
			continue
		}
		mean, cov := j.apart(some)
		if stat.Cholesky(cov, m) >= 0 {
			continue
		}
		off := make([]float64, m)
		for a, x := range some {
			off[a] = j.r[x] - mean[a]
		}
		inv := stat.Invert(cov, m, nil)
		for a, x := range some {
			z := 0.0
			for b := range some {
				z += inv[a*m+b] * off[b]
			}
			o := &j.obs[j.num[x]]
			j.far[j.num[x]] = toNormal(z/math.Sqrt(inv[a*m+a]), o.freedom)
		}
	}
}

// satterthwaite gives the degrees of freedom of the sum of two, by their variances a and b and
// degrees of freedom (Welch and Satterthwaite, from memory).
func satterthwaite(a, dfA, b, dfB float64) float64 {
	return square(a+b) / (square(a)/dfA + square(b)/dfB)
}

// ownDF gives the degrees of freedom of an observation but for its conversion.
func (o *Observation) ownDF() float64 {
	if o.Known != nil && !o.row.over {
		return math.Max(o.Known.DF, 3)
	}
	if o.Matched {
		return priorDF
	}
	return fewDF
}

// condition is what the readings outside of a set say, as they count.
type condition struct {
	j      *Joint
	some   []int     // the set: places in num
	gain   []float64 // by place and member of the set: P_B Q^-1, see without
	weight []float64 // by place: K^-1 r of the others, 0 in the set
}

// without gives the condition of all readings but some, by their place in num, in
// rising order. With P the inverse of the covariance of all and Q the part of it that some
// have, the inverse of that of the others is
//
//	P_AA - P_AB Q^-1 P_BA
func (j *Joint) without(some []int) *condition {
	key := fmt.Sprint(some)
	j.mu.Lock()
	defer j.mu.Unlock()
	if c := j.known[key]; c != nil {
		return c
	}
	n, m := len(j.num), len(some)
	q := make([]float64, m*m)
	for a, x := range some {
		for b, y := range some {
			q[a*m+b] = j.p[x*n+y]
		}
	}
	stat.Cholesky(q, m)
	inv := stat.Invert(q, m, nil)
	c := &condition{j: j, some: some, gain: make([]float64, n*m), weight: make([]float64, n)}
	for x := range n {
		for d, y := range some {
			for b := range some {
				c.gain[x*m+b] += j.p[x*n+y] * inv[d*m+b]
			}
		}
		c.weight[x] = j.pr[x]
		for b, y := range some {
			c.weight[x] -= c.gain[x*m+b] * j.pr[y]
		}
	}
	for _, x := range some {
		c.weight[x] = 0
	}
	j.known[key] = c
	return c
}

// times gives K^-1 of the others times a vector by place that is 0 in the set.
func (c *condition) times(with []float64) []float64 {
	n, m := len(with), len(c.some)
	out := make([]float64, n)
	for a, x := range with {
		if x == 0 {
			continue
		}
		for e, y := range c.j.p[a*n:][:n] {
			out[e] += x * y
		}
	}
	of := make([]float64, m)
	for b, x := range c.some {
		of[b] = out[x]
	}
	for e := range out {
		out[e] -= dot(c.gain[e*m:][:m], of)
	}
	for _, x := range c.some {
		out[x] = 0
	}
	return out
}

// good gives the covariance of two good boards' readings but for their own variances.
func (j *Joint) good(x, y int) float64 {
	a, b := j.at[x], j.at[y]
	p, q := &j.obs[x].row, &j.obs[y].row
	switch {
	case a < 0 || b < 0:
		return j.ph.inLine(p, q) + together(p.shared, q.shared, 0)
	case a == b:
		return j.k[a*len(j.num)+a] - p.own
	}
	return j.k[a*len(j.num)+b]
}

// say gives by how many volts the readings of other nets move the mean of a row of an
// observation, and what they take from its variance.
func (j *Joint) say(o *Observation, q *row) (shift, less float64) {
	var own []int
	for a, i := range j.num {
		if o == &j.obs[i] || meet(o, &j.obs[i]) {
			own = append(own, a)
		}
	}
	c := j.without(own)
	with := j.with(q, c)
	return dot(with, c.weight), dot(with, c.times(with))
}

// with gives the covariance of a row with the readings of a condition, by place.
func (j *Joint) with(q *row, c *condition) []float64 {
	out := make([]float64, len(j.num))
	for a, i := range j.num {
		if _, in := slices.BinarySearch(c.some, a); !in {
			out[a] = j.ph.covariance(q, &j.obs[i].row)
		}
	}
	return out
}

// block is some observations that are weighed together, voltages first, given all that
// are not among them and not left out.
type block struct {
	j     *Joint
	ids   []int // observations
	volts int   // number of voltages among them
	given *condition
	// Of a good board: rows, what each has with the condition, the same times K^-1, by
	// which the condition moves each, and the covariance given the condition, without
	// their own variances.
	good       []row
	with, half [][]float64
	off, cov   []float64
	zero       *zeros // nil until it is asked for
	near, same []bool // by two of ids: they hang together; they are of one spot
	tails      []student
	base       float64   // logarithm of the density on a good board
	parts      []float64 // by observation: what it has in base
	peaks      []float64 // by observation: about the most that any prediction gives it
}

// shape is how the predictions of a block spread.
type shape struct {
	l      []float64 // Cholesky factor of the covariance, given the condition
	off    []float64 // V, by which the condition moves the means
	rows   []row     // those of which others is not worked out yet
	others []another // see otherwise
	ends   *ends     // of a mixed one
}

// block makes a block of observations; those in skip are left out altogether.
func (j *Joint) block(in, skip []uint64) *block {
	b := &block{j: j}
	var some []int
	for i := range j.obs {
		switch {
		case skip != nil && hasBit(skip, i):
			if j.at[i] >= 0 {
				some = append(some, j.at[i])
			}
		case hasBit(in, i):
			b.ids = append(b.ids, i)
			if j.at[i] >= 0 {
				some = append(some, j.at[i])
			}
		}
	}
	slices.SortStableFunc(b.ids, func(x, y int) int { return rank(j.obs[x].Over) - rank(j.obs[y].Over) })
	slices.Sort(some)
	b.given = j.without(some)
	m := len(b.ids)
	b.good, b.tails = make([]row, m), make([]student, m)
	b.with, b.half = make([][]float64, m), make([][]float64, m)
	b.off, b.cov = make([]float64, m), make([]float64, m*m)
	b.near, b.same = make([]bool, m*m), make([]bool, m*m)
	for k, i := range b.ids {
		o := &j.obs[i]
		if !o.Over {
			b.volts++
		}
		b.good[k], b.tails[k] = o.row, newStudent(o.freedom)
		b.with[k], b.half[k], b.off[k] = b.against(&o.row)
		for d := range k + 1 {
			b.cov[k*m+d] = j.ph.covariance(&o.row, &b.good[d]) - dot(b.half[k], b.with[d])
			b.near[k*m+d] = j.near(i, b.ids[d])
			b.same[k*m+d] = o.spotKey() == j.obs[b.ids[d]].spotKey()
		}
	}
	null := b.shape(nil, b.good, nil)
	b.parts = make([]float64, m)
	b.base = b.density(null, means(b.good), b.parts)
	b.peaks = make([]float64, m)
	for k, i := range b.ids {
		if o := &j.obs[i]; o.Over {
			b.peaks[k] = 0
		} else {
			sd := null.l[k*m+k] * math.Min(1, math.Abs(o.Volts)/math.Max(o.row.volts, 1e-3))
			b.peaks[k] = b.tails[k].top - math.Log(math.Max(sd, o.Noise.Own))
		}
		b.peaks[k] = math.Max(b.peaks[k], b.parts[k])
	}
	return b
}

// side is what against gives.
type side struct {
	with, half []float64
	off        float64
}

// mix gives the side of a row a share f of the way from that of s to that of t.
func (s *side) mix(t *side, f float64) *side {
	r := &side{make([]float64, len(s.with)), make([]float64, len(s.with)), (1-f)*s.off + f*t.off}
	for k := range r.with {
		r.with[k] = (1-f)*s.with[k] + f*t.with[k]
		r.half[k] = (1-f)*s.half[k] + f*t.half[k]
	}
	return r
}

// against gives what a row has with the condition of a block, the same times K^-1, and
// by how many volts the condition moves its mean.
func (b *block) against(q *row) (with, half []float64, off float64) {
	with = b.j.with(q, b.given)
	return with, b.given.times(with), dot(with, b.given.weight)
}

// zeros is what a meter adds to the readings of a block whatever they are (see
// Observation.zero), given the condition: by how many volts the condition moves each, and by
// two of the block the covariance of a good board's reading with the other's zero, and of
// both zeros.
type zeros struct {
	off, cross, both []float64
	with             [][]float64 // see against
}

func (b *block) zeros() *zeros {
	if b.zero != nil {
		return b.zero
	}
	m := len(b.ids)
	with, half, rows := make([][]float64, m), make([][]float64, m), make([]row, m)
	z := &zeros{make([]float64, m), make([]float64, m*m), make([]float64, m*m), with}
	for d, i := range b.ids {
		rows[d] = row{shared: b.j.obs[i].zero}
		if e := slices.IndexFunc(rows[:d], func(q row) bool { return slices.Equal(q.shared, rows[d].shared) }); e >= 0 {
			with[d], half[d], z.off[d] = with[e], half[e], z.off[e]
		} else {
			with[d], half[d], z.off[d] = b.against(&rows[d])
		}
		for k := range m {
			z.cross[k*m+d] = together(b.j.obs[b.ids[k]].row.shared, rows[d].shared, 0) - dot(b.half[k], with[d])
		}
		for k := range d + 1 {
			v := together(rows[k].shared, rows[d].shared, 0) - dot(half[k], with[d])
			z.both[k*m+d], z.both[d*m+k] = v, v
		}
	}
	b.zero = z
	return z
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

func rank(over bool) int {
	if over {
		return 1
	}
	return 0
}

// shape works out how predictions spread, in the room of s where that is not nil.
// What rests on nothing but what good boards' readings do is scaled from those. The sides of
// rows of their own are worked out where they are nil.
func (b *block) shape(s *shape, rows []row, sides []*side) *shape {
	m := len(rows)
	if s == nil {
		s = &shape{l: make([]float64, m*m), off: make([]float64, m)}
	}
	var with, half [][]float64 // of rows of their own
	for k := range rows {
		q := &rows[k]
		part := q.like.part
		if s.off[k] = part * b.off[k]; q.like.obs > 0 && part != 1 {
			s.off[k] += (1 - part) * b.zeros().off[k]
		} else if q.like.obs == 0 {
			if with == nil {
				with, half = slices.Clone(b.with), slices.Clone(b.half)
			}
			if sides != nil && sides[k] != nil {
				with[k], half[k], s.off[k] = sides[k].with, sides[k].half, sides[k].off
			} else {
				with[k], half[k], s.off[k] = b.against(q)
			}
			part = 1
		}
		for d := range k + 1 {
			r, v := &rows[d], 0.0
			switch {
			case q.like.obs > 0 && r.like.obs > 0:
				p := r.like.part
				if v = part * p * b.cov[k*m+d]; part != 1 || p != 1 {
					z := b.zeros()
					v += part*(1-p)*z.cross[k*m+d] + (1-part)*p*z.cross[d*m+k] + (1-part)*(1-p)*z.both[k*m+d]
				}
				if b.same[k*m+d] {
					v += q.like.gap * r.like.gap
				}
			case r.like.obs > 0:
				v = b.j.ph.covariance(q, r) - r.like.part*dot(half[k], with[d])
				if p := r.like.part; p != 1 {
					v -= (1 - p) * dot(half[k], b.zeros().with[d])
				}
			default:
				if v = b.j.ph.covariance(q, r) - part*dot(half[k], with[d]); part != 1 {
					v -= (1 - part) * dot(half[d], b.zeros().with[k])
				}
			}
			s.l[k*m+d], s.l[d*m+k] = v, v
		}
		s.l[k*m+k] = math.Max(s.l[k*m+k], 0) + q.own
	}
	factor(s.l, m)
	s.rows, s.others = rows, nil
	return s
}

// another is something about the board that may be otherwise than it is taken to be, with
// the chance share, and moves rows alike then, by standard deviations in volts: a value in
// the drawing, or which junction carries. How they spread then is worked out when first
// asked for.
type another struct {
	key   int32 // element, or -1 less the rail
	share float64
	moves []float64
	shape *shape
	stale bool // shape is that of other moves
}

// others lists what may be otherwise and moves some of the rows.
func others(rows []row) (out []another) {
	of := func(key int32, share float64) *another {
		k := slices.IndexFunc(out, func(w another) bool { return w.key == key })
		if k < 0 {
			k = len(out)
			out = append(out, another{key: key, moves: make([]float64, len(rows))})
		}
		out[k].share = math.Max(out[k].share, share)
		return &out[k]
	}
	for k := range rows {
		if q := &rows[k].instead; q.share > 0 {
			of(q.carrier, q.share).moves[k] = q.sd
		}
		for _, x := range rows[k].wrong {
			of(x.Element, x.Share).moves[k] = x.Volts
		}
		for _, x := range rows[k].loads {
			of(-1-int32(x.rail), fit.LoadedRails).moves[k] = x.volts
		}
	}
	return out
}

// concerns tells whether it moves one of the rows in a set as densityOf gives it.
func (w *another) concerns(rows uint64) bool {
	for k, x := range w.moves {
		if x != 0 && rows>>min(k, 63)&1 != 0 {
			return true
		}
	}
	return false
}

// otherwise lists what may be otherwise.
func (s *shape) otherwise() []another {
	if s.ends != nil && !s.ends.moved {
		s.move()
	}
	if s.rows != nil {
		s.rows, s.others = nil, others(s.rows)
	}
	return s.others
}

// spread gives the shape of rows whose covariance has the factor of s if it is otherwise: the
// moves are a vector x of which x x' is added (update of a Cholesky factor; Gill, Golub,
// Murray and Saunders 1974, from memory).
func (w *another) spread(s *shape) *shape {
	if w.shape != nil && !w.stale {
		return w.shape
	}
	m := len(w.moves)
	if w.shape == nil {
		w.shape = &shape{l: make([]float64, m*m), off: s.off}
	}
	w.stale = false
	l := w.shape.l
	copy(l, s.l)
	var room [24]float64
	x := append(room[:0], w.moves...)
	for k := range m {
		if x[k] == 0 {
			continue
		}
		d := l[k*m+k]
		r := math.Hypot(d, x[k])
		c, t := r/d, x[k]/d
		l[k*m+k] = r
		for i := k + 1; i < m; i++ {
			l[i*m+k] = (l[i*m+k] + t*x[i]) / c
			x[i] = c*x[i] - t*l[i*m+k]
		}
	}
	return w.shape
}

// between makes room for the shapes between two.
func between(a, b *shape) *shape {
	m := len(a.off)
	s := &shape{l: make([]float64, m*m), off: make([]float64, m), ends: &ends{a: a, b: b}}
	for _, w := range a.otherwise() {
		s.ends.from = append(s.ends.from, w.moves)
		s.ends.to = append(s.ends.to, nil)
		s.others = append(s.others, another{key: w.key, share: w.share})
	}
	for _, w := range b.otherwise() {
		i := slices.IndexFunc(s.others, func(o another) bool { return o.key == w.key })
		if i < 0 {
			i = len(s.others)
			s.ends.from, s.ends.to = append(s.ends.from, nil), append(s.ends.to, nil)
			s.others = append(s.others, another{key: w.key})
		}
		s.ends.to[i] = w.moves
		s.others[i].share = math.Max(s.others[i].share, w.share)
	}
	for i := range s.others {
		s.others[i].moves = make([]float64, m)
	}
	return s
}

// ends is what a shape lies between, and how its ends are moved by what may be otherwise.
type ends struct {
	a, b     *shape
	from, to [][]float64
	share    []float64
	moved    bool // the moves are those at the shares
}

// mix makes the shape row by row a share of the way between its ends. What readings rest
// on goes in proportion to their voltage, and so does the factor of their covariance.
func (s *shape) mix(share []float64) {
	a, b, m := s.ends.a, s.ends.b, len(share)
	for k, g := range share {
		s.off[k] = a.off[k] + g*(b.off[k]-a.off[k])
		for d := k * m; d <= k*m+k; d++ {
			s.l[d] = a.l[d] + g*(b.l[d]-a.l[d])
		}
	}
	s.ends.share, s.ends.moved = share, false
}

// move works out the moves at the shares.
func (s *shape) move() {
	e := s.ends
	for i := range s.others {
		w := &s.others[i]
		for k, g := range e.share {
			v := 0.0
			if e.from[i] != nil {
				v = (1 - g) * e.from[i][k]
			}
			if e.to[i] != nil {
				v += g * e.to[i][k]
			}
			w.moves[k] = v
		}
		w.stale = true
	}
	e.moved = true
}

// factor is Cholesky's with just enough added for rounding. Above the diagonal k has
// what it has below, and keeps it.
func factor(k []float64, m int) {
	var room [24]float64
	diagonal := room[:0]
	for a := range m {
		diagonal = append(diagonal, k[a*m+a])
	}
	for more := 1e-10; stat.Cholesky(k, m) >= 0; more *= 10 {
		for a := range m {
			for b := range a {
				k[a*m+b] = k[b*m+a]
			}
			k[a*m+a] = diagonal[a] + more
		}
	}
}

// density gives the logarithm of the density of what was read; parts, where it is not
// nil, takes what each observation has in it. Where a reading is far off, one of the things
// that may be otherwise may be so.
func (b *block) density(s *shape, means, parts []float64) float64 {
	plain, off := b.densityOf(s, means, parts)
	if off == 0 {
		return plain
	}
	all := s.otherwise()
	for i := range all {
		plain += math.Log1p(-all[i].share)
	}
	sum, best, added := plain, plain, 0.0
	var own []float64
	if parts != nil {
		own = make([]float64, len(parts))
	}
	for i := range all {
		w := &all[i]
		if !w.concerns(off) {
			continue
		}
		l, _ := b.densityOf(w.spread(s), means, own)
		l += math.Log(w.share)
		if sum = addLogs(sum, l); l > best {
			best, added = l, math.Log(w.share)
			copy(parts, own)
		}
	}
	if len(parts) > 0 {
		parts[0] += added
	}
	return sum
}

// densityOf is density with everything as it is taken to be, and gives the rows that are so
// far off that something may be otherwise, as a set of bits, the last for all from 63 on.
// Voltages count one given those before; OL is the chance of a voltage beyond the display,
// given all voltages, and once for a net. A reading that is far off says nothing of others,
// so that what it misses is counted once.
func (b *block) densityOf(s *shape, means, parts []float64) (density float64, off uint64) {
	m := len(b.ids)
	var room [3][24]float64
	z, held := room[0][:0], room[1][:0] // standard deviations, and as those count them that do not hang together with it
	over := room[2][:0]                 // by OL: the logarithm of its chance
	sum, product, far := 0.0, 1.0, false
	for k, i := range b.ids {
		o := &b.j.obs[i]
		mean := means[k] + s.off[k]
		row, near := s.l[k*m:][:k+1], b.near[k*m:][:k+1]
		for d, x := range held[:min(k, b.volts)] {
			if far && near[d] {
				x = z[d]
			}
			mean += row[d] * x
		}
		l := 0.0
		if o.Over {
			v := 0.0
			for _, x := range row[min(k, b.volts):] {
				v += x * x
			}
			tail := 0.5 * math.Erfc((o.Probe.Meter.Over-mean)/math.Sqrt(2*v))
			if tail < doubtedOver {
				off |= 1 << min(k, 63)
			}
			l = math.Log((1-o.Outliers)*tail + o.Outliers*outlierOver)
			over = append(over, l)
			for d := b.volts; d < k; d++ {
				if meet(o, &b.j.obs[b.ids[d]]) {
					l -= math.Max(l, over[d-b.volts])
					if l < 0 { // now the least of them
						over[d-b.volts] += l
					}
					break
				}
			}
		} else {
			x := (o.Volts - mean) / row[k]
			z = append(z, x)
			if math.Abs(x) > doubtedFrom {
				off |= 1 << min(k, 63)
			}
			if math.Abs(x) > 3 {
				far = true
				x *= square(square(3 / x))
			}
			held = append(held, x)
			density := b.tails[k].density(z[k]) / row[k]
			l = (1-o.Outliers)*density + o.Outliers*(1-outlierOver)/outlierSpan
			if parts == nil && l > 1e-100 && l < 1e100 { // the logarithm of several at once
				if product *= l; product < 1e-200 || product > 1e200 {
					sum, product = sum+math.Log(product), 1
				}
				continue
			}
			l = math.Log(l)
		}
		if parts != nil {
			parts[k] = l
		}
		sum += l
	}
	return sum + math.Log(product), off
}

func means(rows []row) []float64 {
	out := make([]float64, len(rows))
	for k := range rows {
		out[k] = rows[k].volts
	}
	return out
}

// Predict fills in what a good board would show and gives the workspace's state
// for Touches: the reading of the board as edited, without faults.
func (ph *Physics) Predict(w *network.Workspace, o *Observation) error {
	st := network.State{Edits: o.Edits}
	near, err := ph.vouching(w, o)
	if err != nil {
		return err
	}
	w.Resume(&o.ended)
	r, err := w.Read(o.Probe, &st, ph.Values)
	if err != nil {
		return err
	}
	var loads []railLoad
	var squares float64 // V^2
	unvouched := o.Known == nil && o.Probe.Meter.Resistive
	if unvouched {
		if loads, err = ph.loadsAt(w, o, r); err != nil {
			return err
		}
		if g := ph.Posterior.Model.Board.Ground; o.Probe.Plus.Net != g && o.Probe.Minus.Net != g {
			if squares, err = ph.nonlinearity(w, o, r); err != nil {
				return err
			}
		}
		if r, err = w.Read(o.Probe, &st, ph.Values); err != nil { // w is to hold this one
			return err
		}
	}
	w.Note()
	w.Keep(&o.ended)
	o.base = r
	o.row = ph.rowOf(w, o, r)
	o.zero = slices.DeleteFunc(slices.Clone(o.row.shared), func(x share) bool {
		return x.key != o.zeroKey() && x.key != keyLeads+o.Meter
	})
	o.row.loads = loads
	if o.nonlinear = 0; squares > 0 {
		o.nonlinear = math.Sqrt(math.Max(squares-ph.inLine(&o.row, &o.row), 0))
		o.row.share(o.spotKey(), o.nonlinear)
	}
	if o.Known == nil {
		o.row.share(o.spotKey(), ph.Posterior.Strain(o.row.slopes))
	}
	if o.vouch = near; near != nil {
		near.rest = fit.Common(near.slopes, o.row.slopes)
		near.take(&o.row, 1)
	}
	o.row.rest, o.row.proj = 1, ph.Posterior.Project(o.row.slopes)
	o.ratio = 1
	if o.good = (fit.Converted{}); o.Known != nil && !r.Over {
		o.good = ph.Posterior.Convert(w, o.Spot, o.Probe.Meter, r.Volts, o.row.slopes)
		if math.Abs(o.good.Loaded) > looseNoise*o.Noise.Own {
			o.row.loads = []railLoad{{o.Spot.Net, o.good.Loaded}}
		}
	}
	taken := 0.0
	if k := o.Known; k != nil && !r.Over && !math.IsNaN(k.Scale) && r.Volts+o.good.Offset < o.Probe.Meter.Over {
		taken = 1
		o.row.volts += o.good.Offset
		own := ph.inLine(&o.row, &o.row)
		drawn := together(o.row.shared, o.row.shared, keyOhms) // of the tolerance of what is drawn
		spread := square(k.Scale) - o.row.own - drawn
		if own > 0 {
			o.ratio = clamp(spread/own, 0.25, 9)
		}
		o.row.scale = math.Sqrt(o.ratio)
		o.row.share(o.spotKey(), math.Sqrt(math.Max(spread-o.ratio*own, 0))) // that no junction accounts for
	}
	scale := convertedScale(&o.good)
	o.freedom = o.ownDF()
	if taken > 0 && scale > 0 {
		own := ph.inLine(&o.row, &o.row) + o.row.own
		o.freedom = math.Round(satterthwaite(own, o.freedom, scale, fit.ConvertDF)) // whole: see student
		o.row.share(o.spotKey(), math.Sqrt(scale))
	}
	if !o.Matched || r.Over {
		o.row.wrong = ph.Posterior.Wrongs(w, o.row.slopes, o.Spot, &o.good, taken, o.looseFrom())
	}
	o.Good = ph.given(o, &o.row)
	return nil
}

// vouch is what conversion to a meter makes of a reading through the next net on its line
// that good boards were read at: what is wrong with it there is wrong here as well.
type vouch struct {
	key      int // of that spot
	slopes   []fit.Slope
	off, own float64 // V: the mean, and the scale of its Student t
	rest     float64 // share of the slopes that the reading has
}

// take adds it to a row with a share of what the reading rests on.
func (v *vouch) take(q *row, share float64) {
	q.volts += v.off * v.rest * share
	q.share(v.key, v.own*v.rest*share)
}

// vouching finds what vouches for an observation in diode mode at a net that no good board
// was read at; nil where nothing does.
func (ph *Physics) vouching(w *network.Workspace, o *Observation) (*vouch, error) {
	if o.Known != nil || o.Between || o.Probe.Meter.Resistive {
		return nil, nil
	}
	m := ph.Posterior.Model
	for _, n := range m.Line(o.Spot.Net)[1:] {
		at := Observation{Spot: fit.Spot{Net: n, Contact: network.NoContact, Polarity: o.Spot.Polarity}}
		if _, ok := ph.Posterior.Known(at.Spot); !ok {
			continue
		}
		w.Resume(nil) // whatever the workspace read before
		r, err := w.Read(fit.ProbeAt(m, m.PlaceOf(netlist.NetPoint(n)), o.Spot.Polarity, o.Probe.Meter), &network.State{Edits: o.Edits}, ph.Values)
		if err != nil || r.Over {
			return nil, err
		}
		v := vouch{key: at.spotKey()}
		v.slopes, _ = ph.Posterior.Slopes(w, ph.Values.Celsius)
		good := ph.Posterior.Convert(w, at.Spot, o.Probe.Meter, r.Volts, v.slopes)
		v.slopes, _ = ph.Posterior.Trim(v.slopes, leastShare) // in order, as Common wants them
		v.off, v.own = good.Offset, math.Sqrt(convertedScale(&good))
		return &v, nil
	}
	return nil, nil
}

// convertedScale gives the square in V^2 of the scale of the Student t that conversion adds.
func convertedScale(c *fit.Converted) float64 {
	return c.Variance * (fit.ConvertDF - 2) / fit.ConvertDF
}

// railLoad is a path from a rail to ground that nobody drew, by what it moves a reading.
type railLoad struct {
	rail  netlist.NetID
	volts float64
}

// loadsAt gives what a load on each rail would make of an observation in resistance mode
// that no good board vouches for, and that reads r without one.
func (ph *Physics) loadsAt(w *network.Workspace, o *Observation, r network.Reading) (out []railLoad, err error) {
	m := ph.Posterior.Model
	for n := range m.Board.Nets {
		id := netlist.NetID(n)
		if !m.Board.Nets[n].Rail || id == m.Board.Ground {
			continue
		}
		st := network.State{Edits: o.Edits, Changes: []network.Change{{Kind: network.AddPath, Owner: netlist.None, Ohms: loadOhms, A: m.PlaceOf(netlist.NetPoint(id)), B: m.GroundPlace()}}}
		loaded, err := w.Read(o.Probe, &st, ph.Values)
		if err != nil {
			return nil, err
		}
		if math.Abs(loaded.Volts-r.Volts) > looseNoise*o.Noise.Own {
			out = append(out, railLoad{id, loaded.Volts - r.Volts})
		}
	}
	return out, nil
}

// dropSigns are boards on each of which every drop lies a standard deviation above or below
// the best estimate: those on the line of one lead, those on the line of the other, and all
// else. Any two of these lie in all four ways.
var dropSigns = [3][4]float64{{1, 1, -1, -1}, {1, -1, 1, -1}, {1, -1, -1, 1}}

// nonlinearity gives the mean square in V^2 by which a resistance between two nets reads
// otherwise on such boards than r. The meter's voltage is about what the two junctions between them drop:
// as they are taken to be, next to nothing may flow through them, and much where they drop a
// little less, which the slopes of a row do not show.
func (ph *Physics) nonlinearity(w *network.Workspace, o *Observation, r network.Reading) (sum float64, err error) {
	m, st := ph.Posterior.Model, network.State{Edits: o.Edits}
	signs := map[int32]*[4]float64{} // by junction
	for k, lead := range [2]network.Place{o.Probe.Plus, o.Probe.Minus} {
		for _, n := range m.Line(lead.Net) {
			for _, e := range m.Junctions(n) {
				signs[e] = &dropSigns[k]
			}
		}
	}
	for k := range dropSigns[2] {
		x, err := w.Read(o.Probe, &st, ph.Posterior.At(ph.Values.Celsius, func(e int32) float64 {
			if s := signs[e]; s != nil {
				return s[k]
			}
			return dropSigns[2][k]
		}))
		if err != nil {
			return 0, err
		}
		sum += square(x.Volts-r.Volts) / float64(len(dropSigns[2]))
	}
	return sum, nil
}

// given gives the prediction of a row of an observation, given what the readings of
// other nets say of what they share.
func (ph *Physics) given(o *Observation, q *row) Prediction {
	variance := ph.covariance(q, q)
	mean := q.volts
	p := Prediction{Volts: q.volts, DF: priorDF}
	if ph.Joint != nil && !q.over {
		shift, less := ph.Joint.say(o, q)
		mean += shift
		variance = math.Max(variance-less, 0.01*variance)
	}
	if !q.over {
		p.Volts = mean
	}
	if o.Known != nil && !o.base.Over {
		p.DF = o.freedom
	}
	// Only the line's own part of the variance, conversion included, is of a spread that is
	// not well known.
	if own := math.Min(ph.inLine(q, q)+together(q.shared, q.shared, keySpot), variance); own > 0 && p.DF < 60 {
		p.DF = math.Min(satterthwaite(own, p.DF, variance-own, math.Inf(1)), 60)
	}
	variance = math.Max(variance, 0) + q.instead.share*square(q.instead.sd)
	p.Sigma = math.Sqrt(variance)
	loads := 0.0
	for _, x := range q.loads {
		loads += square(x.volts)
	}
	switch {
	case loads == 0:
	case o.Known == nil: // of a size that is open, so that a short must not pass for one
		p.Sigma = math.Sqrt(variance + fit.LoadedRails*loads)
	default:
		p.Else, p.Wide = fit.LoadedRails, math.Sqrt(variance+loads)
	}
	return p
}

// leastShare is the variance in V^2, (0.1 mV)^2, from which what a reading rests on is
// distinguished; the rest is as good as noise of its own.
const leastShare = 1e-8

// covariance gives the covariance in V^2 of two readings but for their own variances.
func (ph *Physics) covariance(a, b *row) float64 {
	switch {
	case a.like.obs > 0 && b.like.obs > 0:
		x, y := a.like.obs-1, b.like.obs-1
		p, q := a.like.part, b.like.part
		v := p * q * ph.Joint.good(x, y)
		if p != 1 || q != 1 {
			o, u := &ph.Joint.obs[x], &ph.Joint.obs[y]
			v += p*(1-q)*together(o.row.shared, u.zero, 0) + (1-p)*q*together(o.zero, u.row.shared, 0) + (1-p)*(1-q)*together(o.zero, u.zero, 0)
		}
		if gap := a.like.gap * b.like.gap; gap > 0 && ph.Joint.obs[x].spotKey() == ph.Joint.obs[y].spotKey() {
			v += gap
		}
		return v
	case b.like.obs > 0:
		a, b = b, a
		fallthrough
	case a.like.obs > 0:
		o := &ph.Joint.obs[a.like.obs-1]
		part := a.like.part
		v := part*(ph.inLine(&o.row, b)+together(o.row.shared, b.shared, 0)) + (1-part)*together(o.zero, b.shared, 0)
		for _, x := range b.shared {
			if a.like.gap > 0 && x.key == o.spotKey() {
				v += a.like.gap * x.volts
			}
		}
		return v
	}
	return ph.inLine(a, b) + together(a.shared, b.shared, 0)
}
