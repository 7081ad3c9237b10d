package engine

import (
	"math"
	"slices"

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
	for i := range p.taken {
		t := &p.taken[i]
		if !t.plain(p.edits) || !p.edits.AsDrawn() || done[t.read.At.Net] || math.Abs(p.res.ZScore[t.obs]) < verdictSigmas {
			continue
		}
		if done[t.read.At.Net] = true; len(done) > besidePoints {
			return
		}
		rows := make([][]float64, len(p.hyps))
		for h := range rows {
			made := slices.ContainsFunc(p.hyps[h].faults, func(f fault.Fault) bool {
				return f.Mode != fault.Doubtful && (f.Locus == nil && f.Observation == t.obs || f.Locus != nil && slices.Contains(f.Moves, t.obs))
			})
			rows[h] = []float64{1 - besideShare, besideShare}
			if made {
				slices.Reverse(rows[h])
			}
		}
		add := func(s Step, setup int) {
			s.Polarity = references.RedOnGround.String()
			if slices.ContainsFunc(p.tests, func(x test) bool { return x.step.Do == s.Do && x.step.At == s.At && x.step.Polarity == s.Polarity }) {
				return
			}
			p.addRows(test{step: s, seen: []StepOutcome{{Seen: "reads otherwise"}, {Seen: "reads as " + t.read.Name + " of this board"}}}, rows, 2, setup)
		}
		if p.c.AtHand(journal.GoodBoard) && !p.goodRead(t.read.At.Net) {
			add(Step{Do: DoGood, At: t.read.Name, Seconds: p.costs.Good}, -1)
		}
		if p.obs[t.obs].Known != nil || p.obs[t.obs].Matched {
			continue
		}
		for _, group := range p.Board.Matched {
			if !slices.Contains(group, t.read.At.Net) {
				continue
			}
			for _, n := range group {
				if at := p.easiestOn(n, nil); n != t.read.At.Net && at != nil && !p.readAlready(*at, references.RedOnGround) {
					add(Step{Do: DoMeasure, At: p.Board.PointName(*at), Seconds: p.costs.Measure}, p.shielded(*at))
				}
			}
		}
	}
}

// goodRead tells whether a net was read on a good board at hand.
func (q *inquiry) goodRead(n netlist.NetID) bool {
	return slices.ContainsFunc(q.c.Events, func(e journal.Event) bool {
		return slices.ContainsFunc(e.Goods, func(r journal.Read) bool { return r.At.Net == n })
	})
}

// settles tells whether a good board at hand can tell whether the known-good values that
// some faults doubt are wrong.
func (q *inquiry) settles(faults []fault.Fault) bool {
	return q.c.AtHand(journal.GoodBoard) && q.edits.AsDrawn() && slices.ContainsFunc(faults, func(f fault.Fault) bool {
		return isDoubt(f) && !q.goodRead(q.obs[f.Observation].Spot.Net)
	})
}

// idle adds, where the board reads right and the complaint stands, putting a known-good
// cable or module at hand in place of the one at a connector.
func (q *inquiry) idle(d *Diagnosis) {
	if len(d.Next) > 0 || len(q.taken) == 0 || len(d.outOfRange()) > 0 || len(d.Suspects) > 0 && q.nothingWrong() < likelyNothing {
		return
	}
	for i := range q.Board.Connectors {
		name := q.Board.Connectors[i].Name
		swapped := slices.ContainsFunc(q.c.Events, func(e journal.Event) bool {
			return slices.ContainsFunc(e.Swaps, func(x journal.Swap) bool { return x.Works || x.Connector == netlist.ConnectorID(i) })
		})
		if q.c.AtHand(name) && !swapped {
			mends := fault.SwapMends * q.nothingWrong()
			d.Next = append(d.Next, Step{Do: DoSwap, Part: name, Seconds: q.costs.Swap, Why: "the board reads right; what is connected to it may be what is bad",
				Outcomes: []StepOutcome{{Seen: "the complaint is gone", Probability: mends, Means: []string{"what was connected at " + name}}, {Seen: "the complaint stays", Probability: 1 - mends, Means: []string{}}}})
		}
	}
}

// Refit gives an engine of the same board and options that knows another library, such as
// one with what a good board at hand read.
func (e *Engine) Refit(lib *references.Library) (*Engine, error) {
	x, err := New(e.Board, lib, Options{Priors: e.priors, Costs: &e.costs, Rates: e.rates, Limits: e.limits, Task: e.model.Task})
	return x, err
}
