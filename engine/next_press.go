package engine

import (
	"math"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// presses adds reading a point that is out of range once more while a part is pressed
// gently: a joint that comes and goes shows, and is soldered before the part is replaced.
// Of a part with two terminals both joints are as soon soldered as it is found out.
func (p *planning) presses() {
	done := map[netlist.PartID]bool{}
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil || f.Locus.Joint == 0 || done[f.Locus.Part] {
				continue
			}
			done[f.Locus.Part] = true
			at, read := &p.Board.Parts[f.Locus.Part], p.oddest(f.Moves)
			if !network.Pinned(at.Kind) || at.Access == netlist.Underfill || read == nil || p.pressedAlready(f.Locus.Part, read.read.At) {
				continue
			}
			rows := make([][]float64, len(p.hyps))
			for h := range rows {
				share := (*fault.Locus)(nil).PressShare(f.Locus.Part)
				for j := range p.hyps[h].faults {
					if x := &p.hyps[h].faults[j]; x.Locus != nil && slices.Contains(x.Moves, read.obs) {
						share = math.Max(share, x.Locus.PressShare(f.Locus.Part))
					}
				}
				rows[h] = []float64{share, 1 - share}
			}
			setup := p.shielded(read.read.At)
			if at.Access == netlist.Shield {
				setup = openShield
			}
			t := test{step: Step{Do: DoPress, At: read.read.Name, Part: at.Name, Polarity: references.RedOnGround.String(), Seconds: p.costs.Press}}
			t.seen = []StepOutcome{{Seen: "reads otherwise while pressed"}, {Seen: "reads the same"}}
			p.addRows(t, rows, 2, setup)
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
