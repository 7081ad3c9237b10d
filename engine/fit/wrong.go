package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
)

// OhmSlope is the change of a reading in volts for a factor of e on the resistance of an
// element.
type OhmSlope struct {
	Element int32
	Slope   float64
}

// refit is what good boards make of a resistance whose value in the drawing is wrong. They
// were read with it as it is, so that the estimate took out of other unknowns what the
// drawing has too little of it: with j the slopes of the rows against its logarithm, the
// unknowns lie
//
//	-C J' K^-1 j
//
// off their estimate for a factor of e, and the rows keep R K^-1 j that no unknown takes,
// which is in what good boards read more than the estimated circuit.
type refit struct {
	moves [][]OhmSlope        // by unknown: what it moves by
	left  map[Spot][]OhmSlope // V, that good boards read more
}

// leastRefit is the change of a reading in volts, for a factor of e, that is not worth
// following.
const leastRefit = 1e-4

// refits works out what would have been estimated with other resistances.
func (b *Posterior) refits(pool *network.Pool, groups []*group) error {
	if len(b.rows) == 0 {
		return nil
	}
	by, err := b.ohmSlopes(pool, groups)
	if err != nil {
		return err
	}
	n := len(b.rows)
	b.refit = refit{make([][]OhmSlope, len(b.seenBy)), map[Spot][]OhmSlope{}}
	boards := map[Spot]float64{}
	for i := range b.rows {
		boards[b.rows[i].spot]++
	}
	for e, j := range by {
		if len(j) == 0 {
			continue
		}
		for r := range b.rows {
			y := 0.0
			for _, s := range j {
				y += b.inverse[r*n+int(s.row)] * s.slope
			}
			q := &b.rows[r]
			for _, s := range q.slopes {
				if v := b.prior[s.unknown] * s.slope * y; math.Abs(v*s.slope) > leastRefit {
					b.refit.moves[s.unknown] = withSlope(b.refit.moves[s.unknown], int32(e), -v)
				}
			}
			if v := q.variance * y / boards[q.spot]; math.Abs(v) > leastRefit && q.of != nil {
				b.refit.left[q.spot] = withSlope(b.refit.left[q.spot], int32(e), v)
			}
		}
	}
	return nil
}

// withSlope adds a slope to that of an element in a list, the last of which it mostly is.
func withSlope(list []OhmSlope, e int32, slope float64) []OhmSlope {
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Element == e {
			list[i].Slope += slope
			return list
		}
	}
	return append(list, OhmSlope{e, slope})
}

// WrongSlopes gives how the reading just taken by w, with the given slopes, lies off its
// prediction for a factor of e between a resistance and its value in the drawing, where
// that is at least so many volts. Rest is the share of what good boards read more at the
// spot that the prediction has taken on.
func (b *Posterior) WrongSlopes(w *network.Workspace, slopes []Slope, at Spot, rest, least float64) []OhmSlope {
	out := b.ohmSlopesOf(w, least/8)
	if b.refit.moves != nil {
		for _, s := range slopes {
			for _, x := range b.refit.moves[s.unknown] {
				if v := x.Slope * s.slope; math.Abs(v) > leastRefit {
					out = withSlope(out, x.Element, v)
				}
			}
		}
	}
	if rest > 0 {
		for _, x := range b.refit.left[at] {
			out = withSlope(out, x.Element, -rest*x.Slope)
		}
	}
	return slices.DeleteFunc(out, func(x OhmSlope) bool { return math.Abs(x.Slope) < least })
}

// OhmSlopes calls visit with each resistance of a part that the reading just taken by w
// depends on, and by how many volts it moves for a factor of e in it.
func (b *Posterior) OhmSlopes(w *network.Workspace, visit func(element int32, slope float64)) {
	w.OhmSensitivities(func(e int32, s float64) { visit(e, b.Values.Ohms[e]*s) })
}

// ohmSlopesOf gives how the reading just taken by w depends on the resistances that were
// not estimated, where that is at least so many volts for a factor of e.
func (b *Posterior) ohmSlopesOf(w *network.Workspace, least float64) (out []OhmSlope) {
	b.OhmSlopes(w, func(e int32, s float64) {
		if b.prior[unknowns*e+logOhms] == 0 && math.Abs(s) >= least {
			out = append(out, OhmSlope{e, s})
		}
	})
	return out
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
