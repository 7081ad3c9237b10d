package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
)

// Wrong is what a reading is off where the value of a resistance in the drawing is wrong.
type Wrong struct {
	Element int32
	Share   float64 // probability that it is, given the readings of good boards
	Volts   float64 // standard deviation
}

// ohmSlope is the change of a reading in volts for a factor of e on the resistance of an
// element.
type ohmSlope struct {
	element int32
	slope   float64
}

// refit is what good boards make of a resistance whose value in the drawing is wrong. They
// were read with it as it is, so that the estimate took out of other unknowns what the
// drawing has too little of it: with j the slopes of the rows against its logarithm, the
// unknowns lie
//
//	-C J' K^-1 j
//
// off their estimate for a factor of e, and the rows keep R K^-1 j that no unknown takes,
// which is in what good boards read more than the estimated circuit. So much stands against
// a factor of e^x: with r the innovations, x has the precision p = 1/WrongBy^2 + j'K^-1 j
// about j'K^-1 r / p, and the odds that there is one are those of before times
//
//	exp((j'K^-1 r)^2 / 2p) / (WrongBy sqrt(p))
//
// (Gaussian conditioning, as in this package's comment).
type refit struct {
	moves [][]ohmSlope      // by unknown: what it moves by
	left  map[Spot][]excess // V, that good boards read more
	wrong []chance          // by element
}

// excess is what good boards read more with one meter.
type excess struct {
	drive  network.Drive
	slopes []ohmSlope
}

// chance is how likely the value of a resistance is wrong, and by what factor e^x, as the
// root of the mean of x^2.
type chance struct{ share, by float64 }

// leastRefit is the change of a reading in volts, for a factor of e, that is not worth
// following.
const leastRefit = 1e-4

// weighed gives K^-1 r of the innovations r of the rows.
func (b *Posterior) weighed(r []float64) []float64 {
	n := len(b.rows)
	x := make([]float64, n)
	for i := range x {
		x[i] = dot(b.inverse[i*n:][:n], r)
	}
	return x
}

// top gives, where a resistance moves the rows by j, the slope j'K^-1 r of the logarithm of
// their density and its curvature j'K^-1 j, with x = K^-1 r, and K^-1 j.
func (b *Posterior) top(j []seen, x []float64) (slope, curvature float64, meets []float64) {
	n := len(b.rows)
	meets = make([]float64, n)
	for _, a := range j {
		slope += a.slope * x[a.row]
		for i, y := range b.inverse[int(a.row)*n:][:n] {
			meets[i] += a.slope * y
		}
	}
	for _, a := range j {
		curvature += a.slope * meets[a.row]
	}
	return slope, curvature, meets
}

// refits works out what would have been estimated with other resistances.
func (b *Posterior) refits(pool *network.Pool, groups []*group) error {
	if len(b.rows) == 0 {
		return nil
	}
	by, err := b.ohmSlopes(pool, groups)
	if err != nil {
		return err
	}
	b.refit = refit{make([][]ohmSlope, len(b.seenBy)), map[Spot][]excess{}, make([]chance, len(by))}
	x := b.weighed(b.innovations(func(u int32) float64 { return b.value(b.start, u) }))
	type gauged struct {
		spot  Spot
		drive network.Drive
	}
	rows := map[gauged]float64{}
	for i := range b.rows {
		rows[gauged{b.rows[i].spot, b.rows[i].probe.Meter}]++
	}
	for e, j := range by {
		b.refit.wrong[e] = chance{WrongDrawn, WrongBy}
		if len(j) == 0 {
			continue
		}
		score, curvature, meets := b.top(j, x)
		precision := 1/(WrongBy*WrongBy) + curvature
		for r, y := range meets {
			q := &b.rows[r]
			for _, s := range q.slopes {
				if v := b.prior[s.unknown] * s.slope * y; math.Abs(v*s.slope) > leastRefit {
					b.refit.moves[s.unknown] = withSlope(b.refit.moves[s.unknown], int32(e), -v)
				}
			}
			if v := q.variance * y / rows[gauged{q.spot, q.probe.Meter}]; math.Abs(v) > leastRefit && q.of != nil {
				b.refit.add(q.spot, q.probe.Meter, int32(e), v)
			}
		}
		odds := WrongDrawn / (1 - WrongDrawn) * math.Exp(math.Min(score*score/2/precision, 50)) / (WrongBy * math.Sqrt(precision))
		// what was not taken for wrong when it was estimated is no likelier wrong than right
		b.refit.wrong[e] = chance{math.Min(odds/(1+odds), 0.5), math.Sqrt(1/precision + square(score/precision))}
	}
	return nil
}

// add adds a slope to what good boards read more at a spot with a meter.
func (x *refit) add(s Spot, d network.Drive, e int32, slope float64) {
	list := x.left[s]
	k := slices.IndexFunc(list, func(x excess) bool { return x.drive == d })
	if k < 0 {
		k, list = len(list), append(list, excess{drive: d})
	}
	list[k].slopes = withSlope(list[k].slopes, e, slope)
	x.left[s] = list
}

// withSlope adds a slope to that of an element in a list, the last of which it mostly is.
func withSlope(list []ohmSlope, e int32, slope float64) []ohmSlope {
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].element == e {
			list[i].slope += slope
			return list
		}
	}
	return append(list, ohmSlope{e, slope})
}

// Wrongs gives what the reading just taken by w, with the given slopes, is off its prediction
// where a value in the drawing is wrong, as far as that is so many volts for the usual factor.
// Taken is what good boards read more at the spot and the prediction has taken on, the share
// rest of it.
func (b *Posterior) Wrongs(w *network.Workspace, slopes []Slope, at Spot, taken *Converted, rest, least float64) (out []Wrong) {
	off := b.ohmSlopesOf(w, least/8)
	if b.refit.moves != nil {
		for _, s := range slopes {
			for _, x := range b.refit.moves[s.unknown] {
				if v := x.slope * s.slope; math.Abs(v) > leastRefit {
					off = withSlope(off, x.element, v)
				}
			}
		}
	}
	if rest > 0 {
		for _, t := range taken.takes {
			for _, x := range b.refit.left[at] {
				if x.drive != t.drive {
					continue
				}
				for _, s := range x.slopes {
					off = withSlope(off, s.element, -rest*t.share*s.slope)
				}
			}
		}
	}
	for _, x := range off {
		c := chance{WrongDrawn, WrongBy}
		if b.refit.wrong != nil {
			c = b.refit.wrong[x.element]
		}
		if v := c.by * x.slope; math.Abs(v) > least*WrongBy {
			out = append(out, Wrong{x.element, c.share, v})
		}
	}
	return out
}

// ohmSlopesOf gives how the reading just taken by w depends on the resistances that were
// not estimated, where that is at least so many volts for a factor of e.
func (b *Posterior) ohmSlopesOf(w *network.Workspace, least float64) (out []ohmSlope) {
	b.OhmSlopes(w, func(e int32, s float64) {
		if b.prior[unknowns*e+logOhms] == 0 && math.Abs(s) >= least {
			out = append(out, ohmSlope{e, s})
		}
	})
	return out
}

// ohmSlopes gives, by element, how the rows move with the logarithm of its resistance,
// where that is not estimated yet.
func (b *Posterior) ohmSlopes(pool *network.Pool, groups []*group) ([][]seen, error) {
	rows := make([][]ohmSlope, len(b.rows))
	at := b.warmths(groups)
	err := pool.Each(len(b.rows), func(w *network.Workspace, i int) error {
		q := &b.rows[i]
		if q.of == nil {
			return nil
		}
		if _, err := w.Read(q.probe, good, at[q.celsius]); err != nil {
			return err
		}
		rows[i] = b.ohmSlopesOf(w, leastMove)
		return nil
	})
	out := make([][]seen, len(b.Model.Elements))
	for i, slopes := range rows {
		for _, s := range slopes {
			out[s.element] = append(out[s.element], seen{int32(i), s.slope})
		}
	}
	return out, err
}

// leastMove is the change of a reading in volts for a factor of e that is worth a doubt.
const leastMove = 0.005
