package fit

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/references"
	"halfsplit/references/stat"
)

// Gauss-Newton makes so many rounds at most, and ends where another would lower the
// cost by less than settled for each row, which is some 1 by itself. Where junctions
// lie side by side the readings bend within a few tens of millivolts, so that no round
// moves an unknown further than its stride, and a round that leads uphill is made
// again from where it began with more damping.
const (
	rounds  = 20
	settled = 0.01
	// Damping begins at leastDamping and grows eightfold with each round uphill; one
	// that lowers the cost by half of what it promised quarters it.
	leastDamping = 2.0
	mostDamping  = 1e4
)

var stride = [unknowns]float64{drop: 0.12, ideality: 0.3, series: 50}

// descend looks for the likeliest junctions by Gauss-Newton with damping (Levenberg
// 1944, Marquardt 1963, from memory), and leaves the rows and their factor there.
//
// Damping adds lambda times the square of the step, in standard deviations of the
// prior, to the cost. That is a prior of C/(1+lambda) about (theta0 + lambda
// theta)/(1+lambda) in place of C about theta0.
func (b *Posterior) descend(pool *network.Pool, groups []*group) error {
	if err := b.linearise(pool, groups); err != nil || len(b.rows) == 0 {
		return err
	}
	if err := b.factorise(0); err != nil {
		return err
	}
	cost, damping := b.cost(), 0.0
	for range rounds {
		before, rows := b.Values.Clone(), b.rows
		gain := cost - b.step(damping)
		if gain < settled*float64(len(rows)) {
			b.Values = before
			b.Values.Settle()
			break
		}
		if err := b.linearise(pool, groups); err != nil {
			return err
		}
		now := b.cost()
		if !(now < cost) || len(b.rows) != len(rows) { // uphill, or a reading lost its path
			b.Values, b.rows = before, rows
			b.Values.Settle()
			if damping = math.Max(8*damping, leastDamping); damping > mostDamping {
				break
			}
		} else {
			if cost-now > gain/2 {
				if damping /= 4; damping < leastDamping/4 {
					damping = 0
				}
			}
			cost = now
		}
		if err := b.factorise(damping); err != nil {
			return err
		}
	}
	if damping == 0 {
		return nil
	}
	return b.factorise(0)
}

// cost is twice the negative logarithm of the posterior density, but for a
// constant, where the rows were linearised: squares of what the readings and the
// unknowns are off, in standard deviations.
func (b *Posterior) cost() float64 {
	sum := 0.0
	for r := range b.rows {
		q := &b.rows[r]
		off := q.volts - q.model
		sum += off * off / q.variance
	}
	for u, variance := range b.prior {
		if variance > 0 {
			off := b.off(int32(u))
			sum += off * off / variance
		}
	}
	return sum
}

// warmths gives the values of the board at the temperature of each group.
func (b *Posterior) warmths(groups []*group) map[float64]*network.Values {
	at := map[float64]*network.Values{}
	for _, g := range groups {
		if at[g.celsius] == nil {
			at[g.celsius] = b.At(g.celsius, nil)
		}
	}
	return at
}

// value gives an unknown of some values.
func (b *Posterior) value(v *network.Values, u int32) float64 {
	j := &v.Junctions[u/unknowns]
	switch {
	case b.resistive(u):
		return math.Log(v.Ohms[u/unknowns])
	case u%unknowns == ideality:
		return j.Ideality
	case u%unknowns == series:
		return j.Series
	}
	return j.Drop
}

// set sets an unknown of the estimate, within its bounds.
func (b *Posterior) set(u int32, x float64) {
	j := &b.Values.Junctions[u/unknowns]
	if b.resistive(u) {
		b.Values.Ohms[u/unknowns] = math.Max(math.Exp(x), network.MinOhms)
		return
	}
	x = clamp(x, bounds[u%unknowns][0], bounds[u%unknowns][1])
	switch u % unknowns {
	case ideality:
		j.Ideality = x
	case series:
		j.Series = x
	default:
		j.Drop = x
	}
}

// off gives what an unknown is off its prior.
func (b *Posterior) off(u int32) float64 { return b.value(b.Values, u) - b.value(b.start, u) }

// resistive tells the logarithm of a resistance from the unknowns of a junction.
func (b *Posterior) resistive(u int32) bool {
	return b.Model.Elements[u/unknowns].Class == network.Resistive
}

// Bounds of the unknowns, beyond which no real junction lies.
var bounds = [unknowns][2]float64{drop: {0.02, 2.8}, ideality: {1, 2.2}, series: {0, 3000}}

// ohmStride is the stride of the logarithm of a resistance.
const ohmStride = 0.7

// step makes one damped step of Gauss-Newton from the values that the rows were
// linearised at, no further than a stride, and gives the damped cost that it would come
// to were the circuit linear: with x = (J C J' + R)^-1 r it is r' x.
func (b *Posterior) step(damping float64) (promised float64) {
	// where the damped prior has its middle
	middle := func(u int32) float64 {
		return (b.value(b.start, u) + damping*b.value(b.Values, u)) / (1 + damping)
	}
	inn := b.innovations(middle)
	x := stat.Substitute(b.factor, len(b.rows), inn)
	moved := map[int32]float64{}
	for r := range b.rows {
		promised += inn[r] * x[r]
		for _, s := range b.rows[r].slopes {
			moved[s.unknown] += b.prior[s.unknown] / (1 + damping) * s.slope * x[r]
		}
	}
	// what the damped prior leaves out: the squares of both about their middle
	for u, variance := range b.prior {
		if variance > 0 {
			promised += square(b.off(int32(u))) / variance * damping / (1 + damping)
		}
	}
	for u, d := range moved {
		reach := stride[u%unknowns]
		if b.resistive(u) {
			reach = ohmStride
		}
		x := b.value(b.Values, u)
		b.set(u, clamp(middle(u)+d, x-reach, x+reach))
	}
	for e := range b.Values.Junctions {
		// the resistance has a share of the drop, not all of it
		if j := &b.Values.Junctions[e]; !math.IsInf(j.Drop, 1) {
			j.Series = math.Min(j.Series, mostSeries*j.Drop/network.RefCurrent)
		}
	}
	b.Values.Settle()
	return promised
}

// innovations gives what the readings are off the circuit with its unknowns at some
// middle: y - f + J (theta - middle).
func (b *Posterior) innovations(middle func(u int32) float64) []float64 {
	inn := make([]float64, len(b.rows))
	for r := range b.rows {
		q := &b.rows[r]
		inn[r] = q.volts - q.model
		for _, s := range q.slopes {
			inn[r] += s.slope * (b.value(b.Values, s.unknown) - middle(s.unknown))
		}
	}
	return inn
}

// linearise reads the estimated circuit as each group did, with slopes.
func (b *Posterior) linearise(pool *network.Pool, groups []*group) error {
	at := b.warmths(groups)
	rows := slices.Repeat([]row{{lost: true}}, len(groups))
	err := pool.Each(len(groups), func(w *network.Workspace, i int) (err error) {
		if g := groups[i]; g.conducts() && !g.wrong {
			rows[i], err = b.row(w, g, at[g.celsius])
			w.Leave(&g.visit, i < mostVisits)
		}
		return err
	})
	if err != nil {
		return err
	}
	w := network.NewWorkspace(b.Model)
	for _, p := range b.matched {
		q, err := b.matchedRow(w, p)
		if err != nil {
			return err
		}
		rows = append(rows, q)
	}
	b.rows = slices.DeleteFunc(rows, func(q row) bool { return q.lost })
	return err
}

// mostVisits bounds the circuits that are kept from one round to the next.
const mostVisits = 500

// row reads the estimated circuit as a group did; its visit is to be left.
func (b *Posterior) row(w *network.Workspace, g *group, v *network.Values) (row, error) {
	probe := g.probe(b.Model)
	r, err := w.Visit(&g.visit, probe, v)
	if err != nil {
		return row{}, err
	}
	boards, _ := references.PerBoard(g.samples)
	y := location(boards)
	a := g.meter.HalfWidth(y)
	if r.Over {
		return row{lost: true}, nil
	}
	q := row{of: g, spot: g.spot, probe: probe, celsius: g.celsius, volts: y, model: r.Volts,
		variance: b.Spread*b.Spread/float64(len(boards)) + a*a/3}
	all, _ := b.Slopes(w, g.celsius)
	for _, s := range all {
		if b.prior[s.unknown] > 0 {
			q.slopes = append(q.slopes, s)
		}
	}
	return q, nil
}

// factorise forms J C J' + R and its Cholesky factor, with C damped.
func (b *Posterior) factorise(damping float64) error {
	n := len(b.rows)
	clear(b.seenBy)
	for r := range b.rows {
		for _, s := range b.rows[r].slopes {
			b.seenBy[s.unknown] = append(b.seenBy[s.unknown], seen{int32(r), s.slope})
		}
	}
	k := make([]float64, n*n)
	for r := range b.rows {
		q := &b.rows[r]
		for _, s := range q.slopes {
			for _, o := range b.seenBy[s.unknown] {
				k[r*n+int(o.row)] += b.prior[s.unknown] / (1 + damping) * s.slope * o.slope
			}
		}
		k[r*n+r] += q.variance
	}
	b.factor = k
	if r := stat.Cholesky(k, n); r >= 0 {
		return fmt.Errorf("fit: the known-good readings contradict each other beyond arithmetic (row %d); look for a reading with no spread at all", r)
	}
	return nil
}
