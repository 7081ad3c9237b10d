package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// setPrior gives a junction its priors.
func (b *Posterior) setPrior(e int32) {
	p := b.Model.Elements[e].Origin.Prior()
	b.prior[unknowns*e+drop] = p.Drop.SD * p.Drop.SD
	b.prior[unknowns*e+ideality] = p.Ideality.SD * p.Ideality.SD
	b.prior[unknowns*e+series] = p.Series.SD * p.Series.SD
}

// absent takes a junction away.
func (b *Posterior) absent(e int32) {
	b.Values.Junctions[e].Drop = math.Inf(1)
	clear(b.prior[unknowns*e : unknowns*e+unknowns])
}

// matchPaths makes the circuit agree with good boards on where there is a path
// at all: a junction that good boards do not show (OL) is taken away, and one
// that no part accounts for is added.
func (b *Posterior) matchPaths(pool *network.Pool, groups []*group) error {
	first := make([]network.Reading, len(groups))
	err := pool.Each(len(groups), func(w *network.Workspace, i int) (err error) {
		g := groups[i]
		first[i], err = w.Read(g.probe(b.Model), good, b.Values)
		return err
	})
	if err != nil {
		return err
	}
	known := map[network.Probe]network.Reading{} // of the board as it stands
	for i, g := range groups {
		known[g.probe(b.Model)] = first[i]
	}
	w := network.NewWorkspace(b.Model)
	change := func() {
		clear(known)
		b.Values.Settle()
	}
	over := map[Spot]int{} // boards with OL over those with a voltage
	for _, g := range groups {
		over[g.spot] += g.overloads - len(g.volts)
	}
	for _, g := range groups {
		probe := g.probe(b.Model)
		overload := g.overloads > len(g.volts)
		if n := over[g.spot]; n > 0 && !overload || n < 0 && overload {
			continue // most boards show otherwise
		}
		for try := 0; try < 24; try++ {
			r, ok := known[probe]
			if !ok || r.Over != overload { // to look closer, w has to have read it
				var err error
				if r, err = w.Read(probe, good, b.Values); err != nil {
					return err
				}
				known[probe] = r
			}
			if overload == r.Over && (overload || r.Volts-middle(g.volts) < lowBy) {
				break
			}
			if !overload {
				if err := b.explain(w, g.spot, groups); err != nil {
					return err
				}
				change()
				break
			}
			best, most := int32(-1), 0.0
			w.Sensitivities(func(e int32, s, _ float64) {
				if math.Abs(s) > most {
					best, most = e, math.Abs(s)
				}
			})
			if best < 0 {
				break
			}
			if j := &b.Values.Junctions[best]; g.spot.Polarity == references.BlackOnGround && j.Drop < 2.6 {
				// an unpowered supply may drop more than the display shows
				j.Drop += 0.2
				change()
				continue
			}
			b.absent(best)
			change()
		}
	}
	for _, g := range groups {
		if g.conducts() && over[g.spot] < 0 {
			b.assume(g.spot)
		}
	}
	b.Values.Settle()
	return nil
}

// assume puts a junction at the end of a line where nobody drew a pin of an IC and a TVS
// would be what good boards show: most lines of a connector lead to a pin, which may be it
// as well. Where a path was found that nobody drew, that is the pin.
func (b *Posterior) assume(s Spot) {
	if !b.LacksIC(s.Net) {
		return
	}
	if !b.conducts(b.Model.Line(s.Net)) || b.guessed(s.Net) {
		return
	}
	if far, e, ok := b.pinAtEnd(s); ok {
		b.Assumed = append(b.Assumed, far)
		b.setPrior(e)
	}
}

// pinAtEnd puts a junction like an IC's pin at the end of the line of a spot, and gives its
// net; false where there is one already, or cannot be.
func (b *Posterior) pinAtEnd(s Spot) (far netlist.NetID, e int32, ok bool) {
	line := b.Model.Line(s.Net)
	far = line[len(line)-1]
	e, ok = b.Model.Undrawn(far, s.Polarity == references.BlackOnGround)
	if ok = ok && math.IsInf(b.Values.Junctions[e].Drop, 1); ok {
		b.Values.Junctions[e].Drop = network.PinFromGround.Prior().Drop.Mean
	}
	return far, e, ok
}

// explain makes a spot read as low as good boards do: by a junction that nobody drew, or by
// a resistance that is less than its value in the drawing, with a junction at the end of a
// line where none is drawn, whichever goes better with all meters.
func (b *Posterior) explain(w *network.Workspace, spot Spot, all []*group) error {
	groups := slices.DeleteFunc(slices.Clone(all), func(g *group) bool { return g.spot != spot || !g.conducts() })
	n, value, cost, err := b.undrawn(w, spot, groups)
	if err != nil {
		return err
	}
	var far netlist.NetID
	var pin int32
	put := false
	if !b.conducts(b.Model.Line(spot.Net)) {
		far, pin, put = b.pinAtEnd(spot)
		b.Values.Settle()
	}
	e, ohms, less, err := b.lower(w, spot, groups)
	if err != nil {
		return err
	}
	switch {
	case e >= 0 && less < cost:
		b.Values.Ohms[e] = ohms
		b.free(e)
		if !put {
			return nil
		}
		n, value = far, b.Values.Junctions[pin]
	case put:
		b.Values.Junctions[pin].Drop = math.Inf(1)
	}
	if n != netlist.None {
		e, _ := b.Model.Undrawn(n, spot.Polarity == references.BlackOnGround)
		b.Undrawn = append(b.Undrawn, n)
		b.Values.Junctions[e] = value
		b.setPrior(e)
	}
	return nil
}

// lower looks for the resistance of a line that makes a spot read what good boards do if it
// is less than drawn, and gives how much that costs, as undrawn does.
func (b *Posterior) lower(w *network.Workspace, spot Spot, groups []*group) (best int32, ohms, least float64, err error) {
	best, least = -1, math.Inf(1)
	off := func(g *group) (float64, error) { // V, by which the circuit reads more
		r, err := w.Read(g.probe(b.Model), good, b.Values)
		return math.Min(r.Volts, g.drive.Open) - middle(g.volts), err
	}
	seen := make([]bool, len(b.Model.Elements))
	for _, n := range b.Model.Line(spot.Net) {
		b.Model.Neighbours(n, func(e int32, _ netlist.NetID) { seen[e] = true })
	}
	for e := range b.Model.Elements {
		if !seen[e] {
			continue
		}
		drawn := b.Values.Ohms[e]
		for _, meets := range groups { // of which one may be wrong
			lo, hi := drawn/mostWrong, drawn
			for range 10 {
				b.Values.Ohms[e] = math.Sqrt(lo * hi)
				b.Values.Settle()
				x, err := off(meets)
				if err != nil {
					return best, 0, 0, err
				}
				if x > 0 {
					hi = b.Values.Ohms[e]
				} else {
					lo = b.Values.Ohms[e]
				}
			}
			x, err := off(meets)
			if err != nil {
				return best, 0, 0, err
			}
			if math.Abs(x) > undrawnSpread {
				continue
			}
			cost := -2 * math.Log(WrongDrawn)
			for _, g := range groups {
				x, err := off(g)
				if err != nil {
					return best, 0, 0, err
				}
				cost += g.cost(x)
			}
			if cost < least {
				best, ohms, least = int32(e), b.Values.Ohms[e], cost
			}
		}
		b.Values.Ohms[e] = drawn
	}
	b.Values.Settle()
	return best, ohms, least, nil
}

// cost is what so many volts between a group's readings and what is made of them speak
// against that.
func (g *group) cost(off float64) float64 {
	return float64(g.boards()) * math.Min(square(off/undrawnSpread), undrawnWrong)
}

// undrawn looks for the net on the line of a spot where good boards show a path that no part
// accounts for, and gives the junction there and what it costs: twice the logarithm of the
// odds against it; None where there cannot be one. It sits where its drop comes out most
// like that of an IC's pin, and the same with every meter; where that does not tell, as far
// from the spot as resistances lead, for that is where parts are left out of drawings.
func (b *Posterior) undrawn(w *network.Workspace, spot Spot, groups []*group) (best netlist.NetID, value network.JunctionValue, least float64, err error) {
	line := b.reach(spot.Net)
	best, least = netlist.None, math.Inf(1)
	prior := network.PinFromGround.Prior().Drop
	var gaps []float64           // what good boards read less than the circuit
	variance := square(prior.SD) // V^2, variance of that before anything was read
	for _, g := range groups {
		r, err := w.Read(g.probe(b.Model), good, b.Values)
		if err != nil {
			return best, value, least, err
		}
		if r.Over {
			gaps = nil
			break
		}
		gaps = append(gaps, middle(g.volts)-r.Volts)
		drawn := 0.0
		w.Sensitivities(func(e int32, s, _ float64) { drawn += s * s * b.prior[unknowns*e+drop] })
		variance = math.Max(variance, drawn)
	}
	if len(gaps) > 0 { // the circuit has a path, which may be the right one
		mean, cost := scatter(groups, gaps)
		least = mean*mean/variance + cost - undrawnCost
		if b.conducts(line) {
			least -= secondCost
		}
	}
	for hop, n := range line {
		e, ok := b.Model.Undrawn(n, spot.Polarity == references.BlackOnGround)
		if !ok || !math.IsInf(b.Values.Junctions[e].Drop, 1) {
			continue
		}
		j := &b.Values.Junctions[e]
		var drops []float64
		for _, g := range groups {
			j.Drop = prior.Mean
			wanted := 0.0
			for range 3 {
				b.Values.Settle()
				r, err := w.Read(g.probe(b.Model), good, b.Values)
				if err != nil {
					return best, value, least, err
				}
				wanted = j.Drop + middle(g.volts) - math.Min(r.Volts, g.drive.Open)
				j.Drop = clamp(wanted, bounds[drop][0], bounds[drop][1])
			}
			drops = append(drops, wanted)
		}
		mean, cost := scatter(groups, drops)
		cost += square((mean-prior.Mean)/prior.SD) - farther*float64(hop)
		if cost < least {
			best, least, value = n, cost, *j
			// What is more than a pin drops is for doubt to account for: a resistance in
			// the way may not be as drawn.
			value.Drop = clamp(mean, prior.Mean-prior.SD, prior.Mean+prior.SD)
		}
		j.Drop = math.Inf(1)
	}
	b.Values.Settle()
	return best, value, least, nil
}

// scatter gives what most of the groups make of one place in volts, and what the others'
// differences from it speak against it.
func scatter(groups []*group, volts []float64) (most, cost float64) {
	cost = math.Inf(1)
	for _, v := range volts {
		sum := 0.0
		for i, g := range groups {
			sum += g.cost(volts[i] - v)
		}
		if sum < cost {
			most, cost = v, sum
		}
	}
	return most, cost
}

// conducts tells whether a junction is drawn on some nets.
func (b *Posterior) conducts(nets []netlist.NetID) bool {
	for _, n := range nets {
		for _, e := range b.Model.Junctions(n) {
			if o := b.Model.Elements[e].Origin; o != network.NotDrawn && o != network.PinToSupply {
				return true
			}
		}
	}
	return false
}

// reach lists the nets of a line and those, rails among them, that beads and the like join
// to it, nearest first.
func (b *Posterior) reach(n netlist.NetID) []netlist.NetID {
	nets := b.Model.Line(n)
	for k := 0; k < len(nets); k++ {
		b.Model.Neighbours(nets[k], func(e int32, o netlist.NetID) {
			if b.Values.Ohms[e] <= bridging && o != netlist.None && o != b.Model.Board.Ground && !slices.Contains(nets, o) {
				nets = append(nets, o)
			}
		})
	}
	return nets
}

// guessed tells whether a junction that nobody drew was put on the line of a net.
func (b *Posterior) guessed(n netlist.NetID) bool {
	return n != netlist.None && slices.ContainsFunc(b.Model.Line(n), func(n netlist.NetID) bool {
		return slices.Contains(b.Undrawn, n) || slices.Contains(b.Assumed, n)
	})
}

// LacksIC tells whether a line seems to lack an IC in the drawing: good boards show a path
// that nobody drew, or no pin of an IC or module is drawn on it. Rails are left out.
func (b *Posterior) LacksIC(n netlist.NetID) bool {
	if n == netlist.None || n == b.Model.Board.Ground || b.Model.Board.Nets[n].Rail {
		return false
	}
	line := b.Model.Line(n)
	drawn := slices.ContainsFunc(line, func(n netlist.NetID) bool {
		return slices.ContainsFunc(b.Model.Board.Nets[n].Terminals, func(t netlist.TerminalRef) bool {
			k := b.Model.Board.Parts[t.Part].Kind
			return k == netlist.IC || k == netlist.Module || k == netlist.Unknown
		})
	})
	return !drawn || slices.ContainsFunc(line, func(n netlist.NetID) bool { return slices.Contains(b.Undrawn, n) })
}

// bridging is the resistance in ohms up to which a part joins two nets as if they were
// one (common practice, no source).
const bridging = 5.0
