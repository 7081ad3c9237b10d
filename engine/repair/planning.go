package repair

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// hypothesis is an explanation as the planner sees it.
type hypothesis struct {
	faults  []fault.Fault // those not yet cured
	changes []network.Change
	weight  float64
	name    string
	comes   bool // what is not yet cured comes and goes
}

// Terms are what bench time costs.
type Terms struct {
	Costs  plan.Costs
	Rates  *plan.Rates // nil where what a repair costs is not asked
	Limits plan.Limits // of the planner's search
}

// planning turns the posterior into a plan.Problem and back.
type planning struct {
	*diagnose.Inquiry
	Terms
	pool     *network.Pool
	likely   bool // no reading shows a fault that is left
	hyps     []hypothesis
	problem  plan.Problem
	tests    []test
	remedies []remedy
	byRemedy map[remedyKey]int
}

// test is one test of the problem, in the bench's words.
type test struct {
	step Step
	seen []StepOutcome // by outcome
}

// hypotheses lists the explanations worth planning for, with the remedies that
// they need.
func (p *planning) hypotheses() {
	proven := p.FurthestUnread(nil) < 0
	var undrawn []hypothesis
	defer func() {
		if len(p.remedies) == 0 { // reading on tells where it sits
			p.hyps = append(p.hyps, undrawn...)
		}
	}()
	for i := range p.Result.Explanations {
		x := &p.Result.Explanations[i]
		if !p.likely && slices.ContainsFunc(x.Faults, func(f fault.Fault) bool { return f.Quiet }) {
			continue // what readings show comes first
		}
		if len(p.hyps) >= mostHypotheses || x.Probability < leastHypothesis && len(p.hyps) >= fewHypotheses {
			p.problem.Rest += x.Probability
			continue
		}
		if slices.ContainsFunc(x.Faults, isDoubt) && !p.settles(x.Faults) {
			// no work on this board tells whether a good board was read wrong
			p.problem.Rest += x.Probability
			continue
		}
		if slices.ContainsFunc(x.Faults, p.lookedFor) {
			// nor does any repair what is not drawn and was not found
			p.problem.Rest += x.Probability
			undrawn = append(undrawn, hypothesis{weight: x.Probability, faults: x.Faults})
			continue
		}
		h := hypothesis{weight: x.Probability, name: p.DescribeAll(x.Faults)}
		var needs []int
		for k := range x.Faults {
			f := x.Faults[k]
			if f.Locus != nil {
				if diagnose.Cured(&f, p.Board, p.Edits) {
					continue
				}
				if !math.IsNaN(f.Ohms) || !isUnknown(f) { // whatever makes its own net read anything leaves others as they are
					h.changes = append(h.changes, f.Changes()...)
				}
			} else if isDoubt(f) {
				h.faults = append(h.faults, f)
				continue
			} else if p.superseded(p.TakenOf(f.Observation)) {
				continue
			}
			h.faults, h.comes = append(h.faults, f), h.comes || f.Comes
			needs = append(needs, p.need(p.remedyOf(&f)))
		}
		// Where nothing is wrong, no remedy repairs it, and the board is handed on when
		// all else was tried; tests may tell it apart all the same.
		if len(needs) == 0 && len(x.Faults) > 0 && !proven && !slices.ContainsFunc(x.Faults, isDoubt) {
			// all of it dealt with: reading once more settles it, best what it moved
			moved := []int{}
			for k := range x.Faults {
				moved = append(moved, x.Faults[k].Moves...)
			}
			at := p.FurthestUnread(moved)
			if at < 0 {
				at = p.FurthestUnread(nil)
			}
			needs = []int{p.need(p.again(at))}
		}
		slices.Sort(needs)
		if slices.ContainsFunc(x.Faults, isUnknown) { // which may be overlooked
			h.weight *= 1 - fault.Overlooked
			p.problem.Rest += x.Probability - h.weight
		}
		p.hyps = append(p.hyps, h)
		p.problem.Hypotheses = append(p.problem.Hypotheses, plan.Hypothesis{Weight: h.weight, Needs: slices.Compact(needs)})
	}
}

// superseded tells whether taking a reading again can settle nothing more: another was taken
// there of the board as it lies.
func (p *planning) superseded(taken int) bool {
	old := &p.Taken[taken].Read
	if old.To != nil && old.Reading.Unit != quantity.Ohm {
		return true
	}
	for i := range p.Taken {
		if t := &p.Taken[i]; i != taken && t.Read.At == old.At && p.other(&t.Read) == p.other(old) && (t.Read.Polarity == old.Polarity || old.Reading.Unit == quantity.Ohm) && t.Read.Reading.Unit == old.Reading.Unit && t.Edits.Equal(p.Edits) {
			return true
		}
	}
	return false
}

// healthy gives the share of the problem's weight that needs no remedy.
func (p *planning) healthy() float64 {
	nothing, total := 0.0, p.problem.Rest
	for _, h := range p.problem.Hypotheses {
		total += h.Weight
		if len(h.Needs) == 0 {
			nothing += h.Weight
		}
	}
	return nothing / total
}

// shareOf gives the share of the problem's weight that needs a remedy, alone or beside others.
func (p *planning) shareOf(remedy int) float64 {
	sum, total := 0.0, p.problem.Rest
	for _, h := range p.problem.Hypotheses {
		total += h.Weight
		if slices.Contains(h.Needs, remedy) {
			sum += h.Weight
		}
	}
	return sum / total
}

func isDoubt(f fault.Fault) bool { return f.Mode == fault.Doubtful }

// remedyKey is the key and the name of a remedy.
type remedyKey struct{ key, name string }

// need gives the index of a remedy. A part may have two, such as bridging and
// replacing; they are kept apart, as each repairs other faults.
func (p *planning) need(r remedy) int {
	key := remedyKey{r.key, r.name}
	if i, ok := p.byRemedy[key]; ok {
		return i
	}
	setup := -1
	switch r.access {
	case netlist.Shield:
		setup = openShield
	case netlist.Underfill:
		r.seconds += p.Costs.Underfill
	}
	p.byRemedy[key] = len(p.remedies)
	p.remedies = append(p.remedies, r)
	p.problem.Remedies = append(p.problem.Remedies, plan.Remedy{Seconds: r.seconds, Setup: setup})
	return len(p.remedies) - 1
}

// needs tells whether a remedy is one that a hypothesis needs.
func (p *planning) needs(key, name string) bool {
	_, ok := p.byRemedy[remedyKey{key, name}]
	return ok
}

// reach lists the nets on which the hypotheses differ: those of their loci, and
// those one series element further.
func (p *planning) reach() []netlist.NetID {
	in := map[netlist.NetID]bool{netlist.None: true, p.Board.Ground: true}
	var nets []netlist.NetID
	add := func(n netlist.NetID) {
		if !in[n] {
			in[n] = true
			nets = append(nets, n)
		}
	}
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil {
				add(p.Taken[p.TakenOf(f.Observation)].Read.At.Net)
				continue
			}
			for _, n := range p.Model.Nets(&f.Locus.Change) {
				add(n)
			}
		}
	}
	for _, n := range nets[:len(nets):len(nets)] {
		p.Model.Neighbours(n, func(_ int32, other netlist.NetID) { add(other) })
	}
	return nets
}

// addRows puts a test into the problem: the probability of each outcome under
// each hypothesis.
func (p *planning) addRows(t test, rows [][]float64, n, setup int) {
	p.tests = append(p.tests, t)
	seconds := t.step.Seconds
	if setup > openShield { // which is in them
		seconds -= p.problem.Setups[setup]
	}
	p.problem.Tests = append(p.problem.Tests, plan.Test{Seconds: seconds, Setup: setup, Outcomes: n, Likelihood: rows})
}

// blamed sums the weight of hypotheses by part, heaviest first.
func (p *planning) blamed() []netlist.PartID {
	weight := map[netlist.PartID]float64{}
	var parts []netlist.PartID
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			if l := p.hyps[i].faults[k].Locus; l != nil && l.Part != netlist.None {
				if _, ok := weight[l.Part]; !ok {
					parts = append(parts, l.Part)
				}
				weight[l.Part] += p.hyps[i].weight
			}
		}
	}
	sort.SliceStable(parts, func(a, b int) bool { return fault.Level(weight[parts[a]]) > fault.Level(weight[parts[b]]) })
	return parts
}

// blames tells whether a hypothesis has a fault of a part.
func (h *hypothesis) blames(part netlist.PartID) bool {
	for k := range h.faults {
		if h.faults[k].Locus != nil && h.faults[k].Locus.Part == part {
			return true
		}
	}
	return false
}

// goodRead tells whether a net was read on a good board at hand.
func (p *planning) goodRead(n netlist.NetID) bool {
	return slices.ContainsFunc(p.Case.Events, func(e journal.Event) bool {
		return slices.ContainsFunc(e.Goods, func(r journal.Read) bool { return r.At.Net == n })
	})
}

// settles tells whether a good board at hand can tell whether the known-good values that
// some faults doubt are wrong.
func (p *planning) settles(faults []fault.Fault) bool {
	return p.Case.AtHand(journal.GoodBoard) && p.Edits.AsDrawn() && slices.ContainsFunc(faults, func(f fault.Fault) bool {
		return isDoubt(f) && !p.goodRead(p.Obs[f.Observation].Spot.Net)
	})
}

// offers tells whether a step is on the list, by what it does, where and to what.
func (d *Diagnosis) offers(s *Step) bool {
	return slices.ContainsFunc(d.Next, func(x Step) bool {
		return x.Do == s.Do && x.At == s.At && x.Part == s.Part && x.Polarity == s.Polarity
	})
}

// add puts a step behind the others, unless it is among them.
func (p *planning) add(d *Diagnosis, s Step) bool {
	if d.offers(&s) {
		return false
	}
	if s.Expected == 0 {
		s.Expected = math.Max(d.Expected, p.Costs.GiveUp)
		if s.Do != DoEscalate {
			s.Expected += s.Seconds
		}
		s.Outcomes = []StepOutcome{}
	}
	d.Next = append(d.Next, s)
	return true
}

// openShield is the one-off setup of opening a shield; those after it are of steps whose
// seconds have it in them.
const openShield = 0
