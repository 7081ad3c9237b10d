package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// pair is two lines that should read alike.
type pair struct{ a, b network.Probe }

// matchLines lists the lines that no good board was read at, each with one that it
// should read like: one that was, where there is one.
func (b *Posterior) matchLines(groups []*group) {
	m := b.Model
	meter := references.DefaultMeter()
	known := map[Spot]bool{}
	for _, g := range groups {
		known[g.spot] = true
		meter = g.meter
	}
	for _, lines := range m.Board.Matched {
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			spot := func(n netlist.NetID) Spot { return Spot{n, network.NoContact, pol} }
			first := lines[max(slices.IndexFunc(lines, func(n netlist.NetID) bool { return known[spot(n)] }), 0)]
			probe := func(n netlist.NetID) network.Probe {
				return ProbeAt(m, m.PlaceOf(netlist.NetPoint(n)), pol, DriveOf(meter))
			}
			for _, n := range lines {
				if n != first && !known[spot(n)] {
					b.matched = append(b.matched, pair{probe(n), probe(first)})
				}
			}
		}
	}
}

// matchedRow is the difference of two lines that should read alike, read as nothing;
// empty where either reads OL.
func (b *Posterior) matchedRow(w *network.Workspace, p pair) (row, error) {
	q := row{spot: Spot{netlist.None, network.NoContact - 1, 0}, probe: p.a, celsius: network.RefCelsius, variance: matchedSpread * matchedSpread}
	var all []Slope
	for k, probe := range [2]network.Probe{p.a, p.b} {
		r, err := w.Read(probe, good, b.Values)
		if err != nil || r.Over {
			return row{lost: true}, err
		}
		sign := 1 - 2*float64(k)
		q.model += sign * r.Volts
		slopes, _ := b.Slopes(w, network.RefCelsius)
		for _, s := range slopes {
			if b.prior[s.unknown] > 0 {
				all = append(all, Slope{s.unknown, sign * s.slope})
			}
		}
	}
	q.slopes = merged(all)
	return q, nil
}

// cull leaves out the samples of a board that is at odds with the others: mistyped, or
// of another pin. Each is right with the rest of a chance of wrongValue, and anywhere on
// the display otherwise; how far it lies from the others has Student's distribution.
// With two boards there is no telling which is wrong. It gives what was left out.
func (g *group) cull() (out []Misread) {
	for {
		boards, _ := references.PerBoard(g.samples)
		if len(boards) < 3 {
			return out
		}
		worst, where := 0.5, -1
		for i, v := range boards {
			others := slices.Delete(slices.Clone(boards), i, i+1)
			if p := references.Wrong(v, others); p > worst {
				worst, where = p, i
			}
		}
		if where < 0 {
			return out
		}
		rest := references.WithoutBoard(g.samples, where)
		if len(rest) == len(g.samples) {
			return out
		}
		out = append(out, misread(g.spot, slices.DeleteFunc(slices.Clone(g.samples), func(s references.Sample) bool { return slices.Contains(rest, s) }))...)
		g.take(rest)
	}
}

// opposed leaves out the few boards that read OL where many read a voltage, or a voltage
// where many read OL, if that is more likely wrong than how good boards differ. Otherwise,
// and where as many say the one as the other, the spot stays in doubt. It gives the groups
// that are left.
func (b *Posterior) opposed(groups []*group) []*group {
	samples := map[Spot][]references.Sample{}
	var order []Spot
	for _, g := range groups {
		if samples[g.spot] == nil {
			order = append(order, g.spot)
		}
		samples[g.spot] = append(samples[g.spot], g.samples...)
	}
	for _, spot := range order {
		all := samples[spot]
		volts, overloads := references.PerBoard(all)
		if len(volts) == 0 || overloads == 0 {
			continue
		}
		over := math.Inf(1) // V, from which the least of those meters that read it shows OL
		for _, s := range all {
			if s.Overload {
				over = math.Min(over, s.Sweep.Meter.Over)
			}
		}
		few, many, tail := overloads, len(volts), references.Predict(volts, 0).Voltage().Upper(over)
		if few > many {
			few, many, tail = many, few, 0
			if slices.Max(volts) > nearOver*over {
				tail = 1
			}
		}
		chance := references.WrongKind(few, many, tail)
		odds := chance / (1 - chance)
		switch {
		case few == many: // either may be wrong
			b.doubts[spot] = math.Min(2*odds, 1)
		case chance <= 0.5:
			b.doubts[spot] = odds
		default:
			for _, g := range groups {
				if g.spot != spot {
					continue
				}
				var wrong, right []references.Sample
				for _, s := range g.samples {
					if s.Overload == (overloads == few) {
						wrong = append(wrong, s)
					} else {
						right = append(right, s)
					}
				}
				b.Misread = append(b.Misread, misread(spot, wrong)...)
				g.take(right)
			}
		}
	}
	return slices.DeleteFunc(groups, func(g *group) bool { return len(g.samples) == 0 })
}

// merged adds up slopes against the same unknown.
func merged(slopes []Slope) []Slope {
	at := map[int32]int{}
	out := slopes[:0:0]
	for _, s := range slopes {
		if k, ok := at[s.unknown]; ok {
			out[k].slope += s.slope
			continue
		}
		at[s.unknown] = len(out)
		out = append(out, s)
	}
	return out
}
