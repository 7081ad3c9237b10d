package fit

import (
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
		boards := references.PerBoard(g.samples)
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
