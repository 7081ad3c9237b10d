package repair

import (
	"math"
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The share in which a good board, or a matched line, reads as expected beside a reading
// that something makes (common practice, no source).
const besideShare = 0.98

// besidePoints bounds the points that are compared with a good board or a matched line.
const besidePoints = 6

// beside adds reading what is out of range at the same point of a good board at hand and,
// where no good board was read, of a matched line: what reads the same is no fault.
func (p *planning) beside(d *Diagnosis) {
	done := map[netlist.NetID]bool{}
	for i := range p.Taken {
		t := &p.Taken[i]
		if !t.Plain(p.Edits) || !p.Edits.AsDrawn() || done[t.Read.At.Net] || math.Abs(p.Result.ZScore[t.Obs]) < diagnose.VerdictSigmas {
			continue
		}
		if done[t.Read.At.Net] = true; len(done) > besidePoints {
			return
		}
		rows := make([][]float64, len(p.hyps))
		for h := range rows {
			made := slices.ContainsFunc(p.hyps[h].faults, func(f fault.Fault) bool {
				return !isDoubt(f) && (f.Locus == nil && f.Observation == t.Obs || f.Locus != nil && slices.Contains(f.Moves, t.Obs))
			})
			rows[h] = []float64{1 - besideShare, besideShare}
			if made {
				slices.Reverse(rows[h])
			}
		}
		add := func(s Step, setup int) {
			s.Polarity = references.RedOnGround.String()
			// What it reads against its like tells more than what is predicted for it.
			if k := slices.IndexFunc(p.tests, func(x test) bool { return x.step.Do == s.Do && x.step.At == s.At && x.step.Polarity == s.Polarity }); k >= 0 {
				p.tests, p.problem.Tests = slices.Delete(p.tests, k, k+1), slices.Delete(p.problem.Tests, k, k+1)
			}
			p.addRows(test{step: s, seen: []StepOutcome{{Seen: "reads otherwise"}, {Seen: "reads as " + t.Read.Name + " of this board"}}}, rows, 2, setup)
		}
		if p.Case.AtHand(journal.GoodBoard) && !p.goodRead(t.Read.At.Net) {
			add(Step{Do: DoGood, At: t.Read.Name, Seconds: p.Costs.Good}, -1)
		}
		if p.Obs[t.Obs].Known != nil || p.Obs[t.Obs].Matched {
			continue
		}
		for _, group := range p.Board.Matched {
			if !slices.Contains(group, t.Read.At.Net) {
				continue
			}
			for _, n := range group {
				if at := p.easiestOn(n, nil); n != t.Read.At.Net && at != nil && !p.readAlready(*at, references.RedOnGround) {
					add(p.measure(p.Board.PointName(*at)), p.shielded(*at))
				}
			}
		}
	}
}

// idle adds, where the board reads right and the complaint stands, putting a known-good
// cable or module at hand in place of the one at a connector.
func (p *planning) idle(d *Diagnosis) {
	if !p.likely && len(d.Next) > 0 || len(p.Taken) == 0 || len(d.OutOfRange()) > 0 || len(d.Suspects) > 0 && p.NothingWrong() < likelyNothing {
		return
	}
	for i := range p.Board.Connectors {
		name := p.Board.Connectors[i].Name
		swapped := slices.ContainsFunc(p.Case.Events, func(e journal.Event) bool {
			return slices.ContainsFunc(e.Swaps, func(x journal.Swap) bool { return x.Works || x.Connector == netlist.ConnectorID(i) })
		})
		if p.Case.AtHand(name) && !swapped {
			mends := fault.SwapMends * p.NothingWrong()
			expected := p.Costs.Swap + (1-mends)*p.Costs.GiveUp
			for _, s := range d.Next {
				expected = math.Max(expected, s.Expected)
			}
			d.Next = append(d.Next, Step{Do: DoSwap, Part: name, Seconds: p.Costs.Swap, Expected: expected, Why: "the board reads right; what is connected to it may be what is bad",
				Outcomes: []StepOutcome{{Seen: "the complaint is gone", Probability: mends, Means: []string{"what was connected at " + name}}, {Seen: "the complaint stays", Probability: 1 - mends, Means: []string{}}}})
		}
	}
}
