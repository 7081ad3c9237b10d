package fit

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/references"
)

// believe gives a junction its priors.
func (b *Posterior) believe(e int32) {
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
	told := map[network.Probe]network.Reading{} // of the board as it stands
	for i, g := range groups {
		told[g.probe(b.Model)] = first[i]
	}
	w := network.NewWorkspace(b.Model)
	change := func() {
		clear(told)
		b.Values.Settle()
	}
	for _, g := range groups {
		probe := g.probe(b.Model)
		overload := g.overloads > len(g.volts)
		for try := 0; try < 24; try++ {
			r, ok := told[probe]
			if !ok || r.Over != overload { // to look closer, w has to have read it
				var err error
				if r, err = w.Read(probe, good, b.Values); err != nil {
					return err
				}
				told[probe] = r
			}
			if overload == r.Over {
				break
			}
			if !overload {
				if e, ok := b.Model.Undrawn(g.spot.Net, g.spot.Polarity == references.BlackOnGround); ok && math.IsInf(b.Values.Junctions[e].Drop, 1) {
					b.Values.Junctions[e].Drop = clamp(middle(g.volts), 0.05, 2.5)
					b.believe(e)
					b.Undrawn = append(b.Undrawn, g.spot.Net)
					change()
				}
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
	return nil
}
