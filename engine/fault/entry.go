package fault

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/fit"
)

// entry is a row of the fault dictionary: the readings that one locus would give at one
// observation.
type entry struct {
	obs    int
	at     []node   // by rising resistance
	open   row      // of an infinite series resistance
	absent *absence // the same without the junction that nobody ever saw and that it rests on
	strong bool     // moves the reading by more than faintVolts and mostMoved somewhere
	lo, hi float64  // V, the readings without the resistance and without its path; see straight
	// V, the least and the most that the nodes and a good board have.
	least, most float64
}

// node is a resistance that an entry was solved at.
type node struct {
	x float64 // its decimal logarithm
	row
}

// limits sets what the reading comes near to at both ends of the resistance, a
// little outside of what the nodes have.
func (t *entry) limits(o *Observation) {
	t.lo, t.hi = o.row.volts, o.row.volts
	for k := range t.at {
		t.lo, t.hi = math.Min(t.lo, t.at[k].volts), math.Max(t.hi, t.at[k].volts)
	}
	t.least, t.most = t.lo, t.hi
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

// volts interpolates an entry at a decimal logarithm of the resistance.
func (t *entry) volts(x float64) float64 {
	w := walk{t: t}
	return w.at(x)
}

// walk is volts for one place after another, by rising resistance.
type walk struct {
	t      *entry
	place  int     // in the block
	next   int     // the node after the last place; 0 before the first
	sides  []*side // by node
	course cubic
}

func (w *walk) at(x float64) float64 {
	t := w.t
	n := max(w.next, 1)
	for n < len(t.at)-1 && t.at[n].x < x {
		n++
	}
	if n != w.next {
		w.next, w.course = n, t.between(n-1)
	}
	a, b := t.at[n-1].x, t.at[n].x
	return t.fromStraight(w.course.at((x - a) / (b - a)))
}

// row gives the row at a decimal logarithm of the resistance. Among many, what it rests on
// does not count (see slim).
func (t *entry) row(x float64, among bool) row {
	n, f := t.place(x)
	if f == 0 {
		return t.at[n].row
	}
	p, q, v := &t.at[n], &t.at[n+1], t.volts(x)
	r := p.row
	switch {
	case !among:
		r = mix(&p.row, &q.row, f)
	case f > 0.5:
		r = q.row
	}
	r.volts = v
	return r
}

// place gives the node before a decimal logarithm of the resistance, and how far it is from
// there to the next: in proportion to the voltage.
func (t *entry) place(x float64) (n int, f float64) {
	n = sort.Search(len(t.at), func(k int) bool { return t.at[k].x >= x })
	if n < len(t.at) && t.at[n].x == x {
		return n, 0
	}
	n = max(1, min(n, len(t.at)-1)) - 1
	p, q := &t.at[n], &t.at[n+1]
	return n, shareOf(t.volts(x), p.volts, q.volts, clamp((x-p.x)/(q.x-p.x), 0, 1))
}

// shareOf gives how far volts are from one voltage to another; f where those are too near
// to each other for that.
func shareOf(volts, from, to, f float64) float64 {
	if d := to - from; math.Abs(d) > 1e-4 {
		return clamp((volts-from)/d, 0, 1)
	}
	return f
}

// mix gives the row a share f of the way from one to another: what a reading rests on
// goes in proportion to its voltage. What may be otherwise is that of the nearer.
func mix(a, b *row, f float64) row {
	q := *a
	if f > 0.5 {
		q = *b
	}
	q.scale, q.proj = 1, nil
	q.slopes = fit.Mix(a.slopes, a.scale*(1-f), b.slopes, b.scale*f)
	q.own = square((1-f)*math.Sqrt(a.own) + f*math.Sqrt(b.own))
	q.slope = (1-f)*a.slope + f*b.slope
	q.rest = (1-f)*a.rest + f*b.rest
	q.shared = make([]share, 0, len(a.shared)+len(b.shared))
	for _, x := range a.shared {
		q.shared = append(q.shared, share{x.key, (1 - f) * x.volts})
	}
	k := 0
	for _, x := range b.shared {
		for k < len(q.shared) && q.shared[k].key < x.key {
			k++
		}
		if k == len(q.shared) || q.shared[k].key > x.key {
			q.shared = slices.Insert(q.shared, k, share{x.key, 0})
		}
		q.shared[k].volts += f * x.volts
	}
	return q
}

// between gives the entry's course from node i to the next.
func (t *entry) between(i int) cubic {
	var x, y [4]float64
	from, to := max(i-1, 0), min(i+3, len(t.at))
	for k := from; k < to; k++ {
		x[k-from], y[k-from] = t.at[k].x, t.straight(t.at[k].volts)
	}
	return monotone(x[:to-from], y[:to-from], i-from)
}

// cubic is a curve from y0 to y1 with the slopes m0 and m1 at its ends (Hermite).
type cubic struct{ y0, y1, m0, m1 float64 }

func (c *cubic) at(f float64) float64 {
	f2, f3 := f*f, f*f*f
	return (2*f3-3*f2+1)*c.y0 + (f3-2*f2+f)*c.m0 + (-2*f3+3*f2)*c.y1 + (f3-f2)*c.m1
}

// monotone interpolates between y[i] and y[i+1] by a cubic with the slopes of parabolas
// through three neighbours, held back where it would overshoot (Hyman 1983, from memory).
func monotone(x, y []float64, i int) cubic {
	h := func(k int) float64 { return x[k+1] - x[k] }
	rise := func(k int) float64 { return (y[k+1] - y[k]) / h(k) }
	last := len(y) - 1
	slope := func(k int) float64 {
		switch {
		case last == 1:
			return rise(0)
		case k == 0:
			d0, d1 := rise(0), rise(1)
			return held(d0+(d0-d1)*h(0)/(h(0)+h(1)), d0, d0)
		case k == last:
			d0, d1 := rise(k-1), rise(k-2)
			return held(d0+(d0-d1)*h(k-1)/(h(k-1)+h(k-2)), d0, d0)
		}
		before, after := rise(k-1), rise(k)
		return held((h(k)*before+h(k-1)*after)/(h(k-1)+h(k)), before, after)
	}
	return cubic{y[i], y[i+1], slope(i) * h(i), slope(i+1) * h(i)}
}

// held is a slope held back to three times the lesser of the rises at both sides.
func held(slope, before, after float64) float64 {
	if before*after <= 0 || slope*after <= 0 {
		return 0
	}
	most := 3 * math.Min(math.Abs(before), math.Abs(after))
	return math.Copysign(math.Min(math.Abs(slope), most), after)
}
