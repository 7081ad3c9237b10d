package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// mostDoubts bounds the rounds of Fit.
const mostDoubts = 16

// split gives each of two boards a group of its own where they contradict each other
// so much that one of them may be wrong.
func split(groups []*group) []*group {
	var out []*group
	for _, g := range groups {
		boards, _ := references.PerBoard(g.samples)
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
//
// A reading and a resistance of its line may be wrong together where neither alone goes far.
// What was not chosen although it goes nearly as well stays in doubt: see Known.Doubt.
func (b *Posterior) doubt(pool *network.Pool, groups []*group) (again bool, err error) {
	n := len(b.rows)
	r := b.innovations(func(u int32) float64 { return b.value(b.start, u) })
	x := b.weighed(r)
	boards, right := map[Spot]int{}, map[Spot]bool{} // right: one goes with the circuit before any reading
	far, outlier := make([]bool, n), false
	for i := range b.rows {
		q := &b.rows[i]
		before := 0.0 // V^2, variance before any reading
		for _, l := range b.factor[i*n:][:i+1] {
			before += l * l
		}
		far[i] = math.Abs(r[i]) > 3*math.Sqrt(before)
		outlier = outlier || far[i] || math.Abs(x[i]) > 3*math.Sqrt(b.inverse[i*n+i])
		if g := q.of; g != nil {
			boards[q.spot] += g.boards()
			right[q.spot] = right[q.spot] || !far[i]
		}
	}
	if !outlier {
		return false, nil
	}
	var list []doubted
	misreads := make([]float64, n) // by row: what its being wrong gains
	for i := range b.rows {
		misreads[i] = math.Inf(-1)
		q := &b.rows[i]
		if q.of == nil {
			continue
		}
		sd := 1 / math.Sqrt(b.inverse[i*n+i])
		z := x[i] * sd
		alone := q.of.boards()
		wrong := float64(alone) * math.Log(references.WrongDensity) // boards that agree are wrong each by itself
		if wrong-(references.StudentT{Scale: sd, DF: references.WrongDF}.LogProb(z*sd)) < leastGain {
			continue
		}
		gain := wrong + math.Log(sd*math.Sqrt(2*math.Pi)) + z*z/2 // as a normal, like that of a resistance
		d := doubted{row: i, with: -1, element: -1, gain: gain}
		switch all := boards[q.spot]; {
		case all >= 3 && 2*alone < all, all == 2 && alone == 1 && far[i] && right[q.spot]:
			misreads[i] = gain
		default:
			d.moot = true
		}
		list = append(list, d)
	}
	list = append(list, b.exchanges(x)...)
	moves, err := b.ohmSlopes(pool, groups)
	if err != nil {
		return false, err
	}
	for e, j := range moves {
		if len(j) == 0 || slices.Contains(b.refused, int32(e)) {
			continue
		}
		g, s, meets := b.top(j, x)
		if gain, ok := freed(g, s); ok {
			list = append(list, doubted{row: -1, with: -1, element: int32(e), gain: gain, moves: j})
		}
		for _, a := range j {
			i := int(a.row)
			p := b.inverse[i*n+i]
			if gain, ok := freed(g-meets[i]*x[i]/p, s-meets[i]*meets[i]/p); ok && misreads[i] > math.Inf(-1) {
				list = append(list, doubted{row: i, with: -1, element: int32(e), gain: misreads[i] + gain, moves: j})
			}
		}
	}
	return b.choose(list), nil
}

// exchanges gives the readings of one board on two points next to each other that gain by
// taking each other's place, with x = K^-1 r: r moves by d, and so the logarithm of its
// density by -d'x - 1/2 d'K^-1 d.
func (b *Posterior) exchanges(x []float64) (out []doubted) {
	n := len(b.rows)
	next := b.next()
	for i := range b.rows {
		p := &b.rows[i]
		if p.of == nil || len(p.of.samples) != 1 {
			continue
		}
		for k := range i {
			q := &b.rows[k]
			if q.of == nil || len(q.of.samples) != 1 || q.of.samples[0].Sweep != p.of.samples[0].Sweep || !next[[2]netlist.NetID{p.spot.Net, q.spot.Net}] {
				continue
			}
			d := q.volts - p.volts
			curvature := b.inverse[i*n+i] + b.inverse[k*n+k] - 2*b.inverse[i*n+k]
			gain := math.Log(swappedPins) - d*(x[i]-x[k]) - d*d*curvature/2
			if gain > leastGain {
				out = append(out, doubted{row: i, with: k, element: -1, gain: gain})
			}
		}
	}
	return out
}

// next tells which nets are on pins next to each other, in a row of a connector or in the
// order of its pins without those on ground or on nothing.
func (b *Posterior) next() map[[2]netlist.NetID]bool {
	board, out := b.Model.Board, map[[2]netlist.NetID]bool{}
	for c := range board.Connectors {
		pins := board.Pins(netlist.ConnectorID(c))
		last := netlist.NetID(netlist.None)
		for _, pin := range pins {
			if pin.Net == netlist.None || pin.Net == board.Ground {
				continue
			}
			near := []netlist.NetID{last}
			for _, ref := range board.Neighbours(pin.Pin) {
				near = append(near, pins[ref.Pin].Net)
			}
			for _, net := range near {
				if net != netlist.None && net != board.Ground {
					out[[2]netlist.NetID{pin.Net, net}], out[[2]netlist.NetID{net, pin.Net}] = true, true
				}
			}
			last = pin.Net
		}
	}
	return out
}

// doubted is what may be wrong: a row of good boards, by itself or swapped with another, a
// resistance, or a row and a resistance; -1 for none.
type doubted struct {
	row     int
	with    int // the row that it was swapped with
	element int32
	gain    float64 // logarithm of its odds
	moves   []seen  // rows that the resistance moves
	moot    bool    // as many boards say otherwise as say so
}

// rows lists the rows that are doubted themselves.
func (d *doubted) rows() []int {
	return slices.DeleteFunc([]int{d.row, d.with}, func(row int) bool { return row < 0 })
}

// meets tells whether both doubt a row, or a resistance.
func (d *doubted) meets(o *doubted) bool {
	return d.element >= 0 && d.element == o.element || slices.ContainsFunc(d.rows(), func(row int) bool { return slices.Contains(o.rows(), row) })
}

// spots lists where good boards read what is doubted.
func (d *doubted) spots(b *Posterior) (out []Spot) {
	for _, row := range d.rows() {
		out = append(out, b.rows[row].spot)
	}
	for _, m := range d.moves {
		out = append(out, b.rows[m.row].spot)
	}
	return out
}

// contested tells whether a resistance gains less than a reading that it would account for,
// and that as many boards say is wrong as say is right.
func (b *Posterior) contested(d *doubted, list []doubted) bool {
	spots := d.spots(b)
	return slices.ContainsFunc(list, func(o doubted) bool {
		return o.moot && o.gain > d.gain && slices.Contains(spots, b.rows[o.row].spot)
	})
}

// choose does what gains most, and one thing at a time where that is half of it. What else
// may explain the same readings is kept as a doubt about them.
func (b *Posterior) choose(list []doubted) bool {
	one, best := -1, -1
	for i := range list {
		d := &list[i]
		if d.moot || d.gain <= leastGain || d.row < 0 && b.contested(d, list) {
			continue
		}
		if best < 0 || d.gain > list[best].gain {
			best = i
		}
		if (d.row < 0 || d.element < 0) && (one < 0 || d.gain > list[one].gain) {
			one = i
		}
	}
	if best >= 0 && one >= 0 && list[one].meets(&list[best]) {
		best = one
	}
	for i := range list {
		d := &list[i]
		switch {
		case d.row >= 0 && d.element >= 0 || d.gain <= leastGain || i == best:
		case best < 0:
			if d.moot {
				s := b.rows[d.row].spot
				b.doubts[s] = 1
			}
		default:
			if d.meets(&list[best]) {
				continue
			}
			chosen := list[best].spots(b)
			for _, s := range d.spots(b) {
				if slices.Contains(chosen, s) {
					b.doubts[s] = math.Max(b.doubts[s], math.Exp(math.Min(d.gain-list[best].gain, 0)))
				}
			}
		}
	}
	if best < 0 {
		return false
	}
	b.trial = trial{element: -1}
	if d := &list[best]; d.row < 0 {
		b.trial = trial{d.element, b.cost(), leastGain}
		for i := range list {
			if o := &list[i]; o.element < 0 && !o.moot && slices.ContainsFunc(o.spots(b), func(s Spot) bool { return slices.Contains(d.spots(b), s) }) {
				b.trial.least = math.Max(b.trial.least, o.gain)
			}
		}
	}
	for _, row := range list[best].rows() {
		q := &b.rows[row]
		q.of.wrong = true
		b.Misread = append(b.Misread, misread(q.spot, q.of.samples)...)
	}
	if e := list[best].element; e >= 0 {
		b.free(e)
	}
	return true
}

// trial is a resistance that was freed: the cost before, and what it has to gain to stand.
type trial struct {
	element     int32 // -1 for none
	cost, least float64
}

// fails tells whether freeing a resistance gained less, now that the circuit was fitted with
// it, than that its value were wrong calls for or that one of the readings were wrong: what
// was promised holds as far as the circuit is straight. It is then not estimated after all.
func (b *Posterior) fails() bool {
	t := b.trial
	b.trial.element = -1
	if t.element < 0 || (t.cost-b.cost())/2+math.Log(WrongDrawn/(1-WrongDrawn)) >= t.least {
		return false
	}
	b.prior[unknowns*t.element+logOhms] = 0
	b.Freed = slices.DeleteFunc(b.Freed, func(e int32) bool { return e == t.element })
	b.refused = append(b.refused, t.element)
	return true
}

// freed gives what it gains to estimate a resistance, from the top and the curvature of the
// density of the rows over its factor less one.
func freed(g, s float64) (gain float64, ok bool) {
	if s <= 0 {
		return 0, false
	}
	u := clamp(g/s, 1/mostWrong-1, mostWrong-1)
	if f := 1 + u; f < leastWrong && f > 1/leastWrong {
		return 0, false // within what a tolerance and a meter's error come to
	}
	return u*g - u*u*s/2 + math.Log(WrongDrawn/(1-WrongDrawn)/(2*math.Log(mostWrong)*(1+u))) + math.Log(2*math.Pi/s)/2, true
}

// free lets a resistance be estimated.
func (b *Posterior) free(e int32) {
	b.prior[unknowns*e+logOhms] = WrongBy * WrongBy
	b.Freed = append(b.Freed, e)
	slices.Sort(b.Freed)
}
