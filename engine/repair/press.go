package repair

import (
	"math"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
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
			toRepair := func(s Step) bool {
				return s.Do == DoRepair && (s.Part == at.Name || strings.HasPrefix(s.Part, at.Name+"."))
			}
			if !slices.ContainsFunc(d.Next, toRepair) || !network.Pinned(at.Kind) || at.Access == netlist.Underfill || read == nil || p.pressedAlready(f.Locus.Part, read.Read.At) {
				continue
			}
			moved, stays, share := make([]float64, len(p.hyps)), make([]float64, len(p.hyps)), 0.0
			for h := range p.hyps {
				x := (*fault.Locus)(nil).PressShare(f.Locus.Part)
				for j := range p.hyps[h].faults {
					if g := &p.hyps[h].faults[j]; g.Locus != nil && slices.Contains(g.Moves, read.Obs) {
						x = math.Max(x, g.Locus.PressShare(f.Locus.Part))
					}
				}
				moved[h], stays[h] = x*p.hyps[h].weight, (1-x)*p.hyps[h].weight
				share += moved[h]
			}
			if share < 1-known {
				continue
			}
			p.add(d, Step{Do: DoPress, At: read.Read.Name, Part: at.Name, Polarity: references.RedOnGround.String(), Seconds: p.Costs.Press, Expected: math.Max(d.Expected+p.Costs.Press, d.Next[len(d.Next)-1].Expected), Why: "a joint that comes and goes shows",
				Outcomes: []StepOutcome{{Seen: "reads the same", Probability: 1 - share, Means: p.means(stays)}, {Seen: "reads otherwise while pressed", Probability: share, Means: p.means(moved)}}})
			return
		}
	}
}

// pressedAlready tells whether a point was read with a part pressed as the board lies.
func (p *planning) pressedAlready(part netlist.PartID, at netlist.Point) bool {
	for _, st := range p.Stages {
		for i := range st.Events {
			for _, x := range st.Events[i].Presses {
				if x.Part == part && x.Read.At.Net == at.Net && st.Edits.Equal(p.Edits) {
					return true
				}
			}
		}
	}
	return false
}
