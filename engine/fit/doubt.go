package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/references"
)

// mostDoubts bounds the rounds of Fit.
const mostDoubts = 16

// split gives each of two boards a group of its own where they contradict each other
// so much that one of them may be wrong.
func split(groups []*group) []*group {
	var out []*group
	for _, g := range groups {
		boards := references.PerBoard(g.samples)
		if len(boards) != 2 || references.Wrong(boards[0], boards[1:]) < 0.5 {
			out = append(out, g)
			continue
		}
		for k := range boards {
			one := *g
			one.take(references.WithoutBoard(g.samples, k))
			out = append(out, &one)
		}
	}
	return out
}

// doubt looks for the one value that the readings of good boards speak against most: a
// good board's own, or that of a resistance in the drawing. It takes the former out and
// lets the latter be estimated, and tells whether there was one.
//
// Both follow from the innovations r of the rows and the inverse of their covariance K.
// A row is off what all others make of it by r'_i = (K^-1 r)_i / (K^-1)_ii, with the
// variance 1/(K^-1)_ii. A resistance that is 1 + u times what is drawn moves the rows by
// u j, about in a straight line, and so the logarithm of the density of r by
//
//	u j'K^-1 r - 1/2 u^2 j'K^-1 j
//
// of which the top counts, as wide as it is: 1 + u may be anything up to a factor of
// mostWrong either way, evenly over its logarithm (Laplace's approximation).
func (b *Posterior) doubt(pool *network.Pool, groups []*group) (again bool, err error) {
	n := len(b.rows)
	r := b.innovations(func(u int32) float64 { return b.value(b.start, u) })
	x := make([]float64, n)
	for i := range x {
		for k, y := range b.inverse[i*n:][:n] {
			x[i] += y * r[k]
		}
	}
	most, do := leastGain, func() {}
	boards := map[Spot]int{}
	for i := range b.rows {
		if g := b.rows[i].of; g != nil {
			boards[g.spot] += len(references.PerBoard(g.samples))
		}
	}
	outlier := false
	for i := range b.rows {
		q := &b.rows[i]
		sd := 1 / math.Sqrt(b.inverse[i*n+i])
		z := x[i] * sd
		before := 0.0 // V^2, variance before any reading
		for _, l := range b.factor[i*n:][:i+1] {
			before += l * l
		}
		outlier = outlier || math.Abs(z) > 3 || math.Abs(r[i]) > 3*math.Sqrt(before)
		if q.of == nil {
			continue
		}
		alone := len(references.PerBoard(q.of.samples))
		if boards[q.spot] < 3 || 2*alone >= boards[q.spot] {
			continue
		}
		wrong := float64(alone) * math.Log(references.WrongDensity) // boards that agree are wrong each by itself
		gain := wrong + math.Log(sd*math.Sqrt(2*math.Pi)) + z*z/2   // as a normal, like that of a resistance
		if wrong-(references.StudentT{Scale: sd, DF: references.WrongDF}.LogProb(z*sd)) > leastGain && gain > most {
			most, do = gain, func() {
				q.of.wrong = true
				b.Misread = append(b.Misread, misread(q.spot, q.of.samples)...)
			}
		}
	}
	if !outlier {
		return false, nil
	}
	moves, err := b.ohmSlopes(pool, groups)
	if err != nil {
		return false, err
	}
	for e, j := range moves {
		g, s := 0.0, 0.0
		for _, a := range j {
			g += a.slope * x[a.row]
			for _, c := range j {
				s += a.slope * b.inverse[int(a.row)*n+int(c.row)] * c.slope
			}
		}
		if s == 0 {
			continue
		}
		u := clamp(g/s, 1/mostWrong-1, mostWrong-1)
		if f := 1 + u; f < leastWrong && f > 1/leastWrong {
			continue // within what a tolerance and a meter's error come to
		}
		gain := u*g - u*u*s/2 + math.Log(WrongDrawn/(1-WrongDrawn)/(2*math.Log(mostWrong)*(1+u))) + math.Log(2*math.Pi/s)/2
		if gain > most {
			most, do = gain, func() { b.free(int32(e)) }
		}
	}
	if most == leastGain {
		return false, nil
	}
	do()
	return true, nil
}

// free lets a resistance be estimated.
func (b *Posterior) free(e int32) {
	b.prior[unknowns*e+logOhms] = WrongBy * WrongBy
	b.Freed = append(b.Freed, e)
	slices.Sort(b.Freed)
}

// ohmSlopes gives, by element, how the rows move with the logarithm of its resistance,
// where that is not estimated yet.
func (b *Posterior) ohmSlopes(pool *network.Pool, groups []*group) ([][]seen, error) {
	rows := make([][]OhmSlope, len(b.rows))
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
			out[s.Element] = append(out[s.Element], seen{int32(i), s.Slope})
		}
	}
	return out, err
}

// leastMove is the change of a reading in volts for a factor of e that is worth a doubt.
const leastMove = 0.005
