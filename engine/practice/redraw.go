package practice

import (
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Redraw draws the trial once more: another board of its type, with as many faults,
// read at the same points with the same meter. Its library stays. Its readings are
// the own solver's and not the judge's, so that it serves measures that need more
// boards than are recorded, and nothing that the solver itself is judged by.
func (t *Trial) Redraw(seed uint64) (*Trial, error) {
	u := *t
	u.sample = random(t.sample, "redraw").Uint64() + seed
	u.volts, u.Faults, u.Readings = nil, nil, nil
	if len(t.Faults) > 0 {
		var at []netlist.Point
		var pols []references.Polarity
		for _, r := range t.Readings {
			if !slices.Contains(pols, r.Polarity) {
				pols = append(pols, r.Polarity)
			}
			if r.Polarity == t.Readings[0].Polarity && r.At.Net != t.Model.Board.Ground {
				at = append(at, r.At)
			}
		}
		d := newDrawer(fault.Loci(t.Model, fault.DefaultPriors(), t.Model.Nominal()))
		got, err := drawShowing(random(u.sample, "faults"), d, len(t.Faults), u.Good(), u.real, at, pols)
		if err != nil {
			return nil, err
		}
		u.Faults = got.faults
	}
	b := u.Bench()
	for _, r := range t.Readings {
		v, err := b.Read(r.At, r.Polarity, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		u.Readings = append(u.Readings, TrialReading{r.At, r.Polarity, v})
	}
	return &u, nil
}
