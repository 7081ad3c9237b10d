package diagnose

import (
	"math"
	"sort"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// SeenSigmas is the shift of a reading, in standard deviations, from which a
// leak counts as seen.
const SeenSigmas = 3.0

// unseen lists leaks that the readings cannot rule out. A path of R ohms between
// two places at voltages va and vb takes (va-vb)/R from the one to the other and
// so shifts a reading by
//
//	(La - Lb) * (va - vb) / R
//
// where L is the reading's change per ampere fed in at a place; that is the first
// order in 1/R, which is what counts where a leak is about to vanish. The leak is
// seen while the shift exceeds seenSigmas standard deviations of some reading.
func (q *Inquiry) unseen(d *Findings) error {
	type least struct {
		l    *fault.Locus
		ohms float64
	}
	loci := q.Result.Loci
	sees := map[int]float64{}
	w := network.NewWorkspace(q.Model)
	for i := range q.Obs {
		o := &q.Obs[i]
		if o.Edits.Key() != q.Edits.Key() {
			continue
		}
		st := network.State{Edits: o.Edits}
		if _, err := w.Read(o.Probe, &st, q.Physics.Values); err != nil {
			return err
		}
		sigma := math.Hypot(o.Good.Sigma, o.Noise.Own)
		for k := range loci {
			c := &loci[k].Change
			if c.Kind != network.AddPath || loci[k].Part == netlist.None {
				continue
			}
			va, oka := w.VoltsAt(c.A, &st)
			vb, okb := w.VoltsAt(c.B, &st)
			if !oka || !okb {
				continue
			}
			shift := math.Abs((w.Transfer(c.A, &st) - w.Transfer(c.B, &st)) * (va - vb))
			if r := shift / (SeenSigmas * sigma); r > 0 {
				sees[k] = math.Max(sees[k], r)
			}
		}
	}
	var all []least
	for k := range loci {
		if r := sees[k]; r < fault.LeakOhms && r > fault.ShortOhms {
			all = append(all, least{&loci[k], r})
		}
	}
	near := map[string]bool{}
	for _, s := range d.Suspects {
		near[s.Part] = true
	}
	sort.SliceStable(all, func(a, b int) bool {
		na, nb := near[all[a].l.Name(q.Board)], near[all[b].l.Name(q.Board)]
		if na != nb {
			return na
		}
		la, lb := fault.Level(all[a].ohms), fault.Level(all[b].ohms)
		if la != lb {
			return la < lb
		}
		return all[a].l.Name(q.Board) < all[b].l.Name(q.Board)
	})
	have := map[string]bool{}
	for _, x := range all {
		name := x.l.Name(q.Board)
		if have[name] || len(d.Unseen) == listedUnseen {
			continue
		}
		have[name] = true
		d.Unseen = append(d.Unseen, Unseen{Part: name, Mode: fault.Leaky.String(), AboveOhms: Number(x.ohms), Why: "too little current to see in diode mode"})
	}
	return nil
}
