package engine

import (
	"math"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// presses adds, where an IC may have to be soldered or replaced, reading what is out of
// range once more while it is pressed gently: a joint that comes and goes shows. Played
// through, it saves no time (TestSteps), so that it is no part of the plan.
func (p *planning) presses(d *Diagnosis) {
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil || f.Locus.Joint == 0 {
				continue
			}
			at, read := &p.Board.Parts[f.Locus.Part], p.oddest(f.Moves)
			repair := func(s Step) bool {
				return s.Do == DoRepair && (s.Part == at.Name || strings.HasPrefix(s.Part, at.Name+"."))
			}
			if !slices.ContainsFunc(d.Next, repair) || !network.Pinned(at.Kind) || at.Access == netlist.Underfill || read == nil || p.pressedAlready(f.Locus.Part, read.read.At) {
				continue
			}
			moved, stays, share := make([]float64, len(p.hyps)), make([]float64, len(p.hyps)), 0.0
			for h := range p.hyps {
				x := (*fault.Locus)(nil).PressShare(f.Locus.Part)
				for j := range p.hyps[h].faults {
					if g := &p.hyps[h].faults[j]; g.Locus != nil && slices.Contains(g.Moves, read.obs) {
						x = math.Max(x, g.Locus.PressShare(f.Locus.Part))
					}
				}
				moved[h], stays[h] = x*p.hyps[h].weight, (1-x)*p.hyps[h].weight
				share += moved[h]
			}
			p.add(d, Step{Do: DoPress, At: read.read.Name, Part: at.Name, Polarity: references.RedOnGround.String(), Seconds: p.costs.Press, Expected: math.Max(d.Expected+p.costs.Press, d.Next[len(d.Next)-1].Expected), Why: "a joint that comes and goes shows",
				Outcomes: []StepOutcome{{Seen: "reads the same", Probability: 1 - share, Means: p.means(stays)}, {Seen: "reads otherwise while pressed", Probability: share, Means: p.means(moved)}}})
			return
		}
	}
}

// oddest gives the reading furthest out of range of some observations that was taken at a
// point as the board lies, nil where none is.
func (p *planning) oddest(obs []int) (best *taken) {
	far := verdictSigmas
	for _, o := range obs {
		for i := range p.taken {
			t := &p.taken[i]
			if z := math.Abs(p.res.ZScore[o]); t.obs == o && z > far && t.plain(p.edits) {
				best, far = t, z
			}
		}
	}
	return best
}

// plain tells whether a reading was taken in diode mode, red probe on ground, of a board
// that lay as edits say.
func (t *taken) plain(edits netlist.Edits) bool {
	r := &t.read
	return t.obs >= 0 && r.To == nil && r.At.Net != netlist.None && r.Polarity == references.RedOnGround && r.Reading.Unit != quantity.Ohm && t.edits.Equal(edits)
}

// pressedAlready tells whether a point was read with a part pressed as the board lies.
func (p *planning) pressedAlready(part netlist.PartID, at netlist.Point) bool {
	for _, st := range p.stages {
		for i := range st.Events {
			for _, x := range st.Events[i].Presses {
				if x.Part == part && x.Read.At.Net == at.Net && st.Edits.Equal(p.edits) {
					return true
				}
			}
		}
	}
	return false
}

// before gives the last reading of a point before it was read with a part pressed, nil
// where there is none.
func (q *inquiry) before(e *journal.Event, x *journal.Press, edits netlist.Edits) (last *taken) {
	for i := range q.taken {
		if t := &q.taken[i]; t.event < e.Number && t.read.At == x.Read.At && t.plain(edits) {
			last = t
		}
	}
	return last
}

// changed tells whether a point read otherwise with a part pressed than before.
func changed(t *taken, now *journal.Read) bool {
	was := t.read.Reading
	return was.Overload != now.Reading.Overload || !was.Overload && math.Abs(was.Value-now.Reading.Value) > repeatVolts(t.meter, was.Value)
}
