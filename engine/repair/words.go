package repair

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/plan"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// step puts a choice into words.
func (p *planning) step(c plan.Choice, d *Diagnosis) Step {
	if c.Remedy >= 0 {
		return p.remedyStep(c, d)
	}
	t := p.tests[c.Test]
	s := t.step
	s.Expected = c.Seconds
	for k, o := range c.Outcomes {
		if o.Probability < leastHypothesis {
			continue
		}
		out := t.seen[k]
		out.Probability = o.Probability
		out.Means = p.means(o.Weights)
		s.Outcomes = append(s.Outcomes, out)
	}
	sort.SliceStable(s.Outcomes, func(a, b int) bool {
		return fault.Level(s.Outcomes[a].Probability) > fault.Level(s.Outcomes[b].Probability)
	})
	s.Why = p.why(&s, len(c.Outcomes))
	return s
}

func (p *planning) why(s *Step, outcomes int) string {
	switch s.Do {
	case DoGood:
		return "what reads the same on a good board is no fault"
	case DoInspect:
		return "a mark on it would make it likelier"
	case DoEnds:
		return "the short lies on the side that reads lower"
	case DoAcross:
		return "what leads around is reckoned with, and junctions hide nothing"
	case DoInject:
		return "the part that loads the rail warms up"
	case DoDrop:
		if s.across() {
			return "current leaves through it where the short lies beyond"
		}
		return "the lowest reading sits nearest the short; what is alike may lie on one branch"
	case DoRemove:
		return fmt.Sprintf("splits the line here: %d results to distinguish", outcomes)
	}
	return fmt.Sprintf("%d results to distinguish", outcomes)
}

// means names the explanations left by an outcome.
func (p *planning) means(weights []float64) []string {
	order := make([]int, len(weights))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return fault.Level(weights[order[a]]) > fault.Level(weights[order[b]]) })
	means := []string{}
	for _, i := range order {
		if len(means) == listedMeans || weights[i] < 0.02 {
			break
		}
		if !slices.Contains(means, p.hyps[i].name) { // two faults of one name may differ in what good boards are taken for
			means = append(means, p.hyps[i].name)
		}
	}
	return means
}

// between names the points that a reading was taken between: that on ground, where it was
// taken to ground, the easiest to reach there.
func (p *planning) between(r *journal.Read) (a, b string) {
	if r.To != nil {
		return r.Name, r.ToName
	}
	if to := p.easiestOn(p.Board.Ground, nil); to != nil {
		return r.Name, p.Board.PointName(*to)
	}
	return r.Name, p.Board.Nets[p.Board.Ground].Name
}

// remedyStep makes a step of a remedy: a part replaced, left off or bridged, and
// the readings that prove it.
func (p *planning) remedyStep(c plan.Choice, d *Diagnosis) Step {
	r := &p.remedies[c.Remedy]
	if r.name == readAgain {
		t, means := &p.Taken[r.taken].Read, []string{repaired}
		if r.missed { // nothing was repaired: the reading was not one of the board
			means = p.means(c.Outcomes[0].Weights)
		}
		outcomes := p.remedyOutcomes(c, "reads as a good board", "reads the same again", means)
		if t.Reading.Unit == quantity.Ohm {
			a, b := p.between(t)
			return Step{Do: DoAcross, Part: a + " to " + b, At: a, Then: []string{b}, Again: p.Taken[r.taken].Edits.Equal(p.Edits), Seconds: r.seconds, Expected: c.Seconds, Why: r.advice, Outcomes: outcomes}
		}
		return Step{Do: DoMeasure, At: t.Name, Polarity: t.Polarity.String(), Again: p.readAlready(t.At, t.Polarity), Seconds: r.seconds, Expected: c.Seconds, Why: r.advice,
			Outcomes: outcomes}
	}
	if r.name == lookAlong {
		s := p.along(r.place, "something that is not drawn may stand there")
		s.Expected, s.Outcomes = c.Seconds, p.remedyOutcomes(c, "a part that is not drawn", "nothing", p.means(c.Outcomes[0].Weights))
		return s
	}
	s := Step{Do: DoRepair, Part: r.place, Seconds: r.seconds, Expected: c.Seconds, Remedy: r.name, Polarity: references.RedOnGround.String(), Why: r.advice, Then: p.proof(d)}
	s.Then = append(s.Then, p.inner(c.Remedy, s.Then)...)
	s.Outcomes = p.remedyOutcomes(c, "all read right", "something still reads wrong", []string{repaired})
	return s
}

// repaired is what an outcome means after which nothing is left to do.
const repaired = "repaired"

// remedyOutcomes gives the outcomes of a remedy: the readings are right, which means
// what means says, or they are not.
func (p *planning) remedyOutcomes(c plan.Choice, right, still string, means []string) []StepOutcome {
	var out []StepOutcome
	for k, o := range c.Outcomes {
		if o.Probability < leastHypothesis {
			continue
		}
		x := StepOutcome{Seen: right, Probability: o.Probability, Means: means}
		if k > 0 {
			x.Seen, x.Means = still, p.means(o.Weights)
		}
		out = append(out, x)
	}
	return out
}

// outlierProof is how far off, in standard deviations, a second reading has to be to be
// worth reading again for proof.
const outlierProof = 1.5

// proof lists the points whose readings show that a remedy worked: those that
// read wrong before, otherwise those furthest off.
func (p *planning) proof(d *Diagnosis) []string {
	points := []string{}
	add := func(name string) {
		if !slices.Contains(points, name) && len(points) < 4 {
			points = append(points, name)
		}
	}
	for _, a := range d.Abnormal {
		if to, err := p.Board.Point(a.To); a.To == "" || err == nil && to.Net == p.Board.Ground {
			add(a.At)
		}
	}
	if len(points) > 0 {
		return points
	}
	farthest := append([]diagnose.Comparison(nil), d.Readings...)
	sort.SliceStable(farthest, func(a, b int) bool { return math.Abs(farthest[a].ZScore) > math.Abs(farthest[b].ZScore) })
	ground := p.Board.Nets[p.Board.Ground].Name
	for _, known := range []bool{true, false} { // without known good, what the circuit predicts
		for _, r := range farthest {
			if r.To != "" || r.Net == ground || (r.Verdict != diagnose.NoKnownGood) != known {
				continue
			}
			if len(points) > 0 && math.Abs(r.ZScore) < outlierProof {
				break
			}
			add(r.At)
		}
		if len(points) > 0 {
			break
		}
	}
	return points
}

// mostInner bounds the points without a known good that are read again for proof.
const mostInner = 2

// inner lists points without a known good, besides some, whose readings speak for what a
// remedy repairs: it has to show there.
func (p *planning) inner(remedy int, besides []string) (points []string) {
	for i := range p.problem.Hypotheses {
		if !slices.Contains(p.problem.Hypotheses[i].Needs, remedy) {
			continue
		}
		for k := range p.hyps[i].faults {
			t := p.oddest(slices.DeleteFunc(slices.Clone(p.hyps[i].faults[k].Moves), func(o int) bool { return p.Obs[o].Known != nil }))
			if t != nil && len(points) < mostInner && !slices.Contains(besides, t.Read.Name) && !slices.Contains(points, t.Read.Name) {
				points = append(points, t.Read.Name)
			}
		}
	}
	return points
}

// alike names the suspects that no test on offer distinguishes although they call
// for different remedies (ambiguity groups, IEEE Std 1522).
func (p *planning) alike(d *Diagnosis) {
	for _, g := range plan.AmbiguityGroups(&p.problem) {
		var names []string
		for _, h := range g {
			off := slices.ContainsFunc(p.problem.Hypotheses[h].Needs, func(r int) bool { return p.remedies[r].name == leaveOff })
			if p.hyps[h].weight >= diagnose.LeastSuspect*5 && !off { // leaving one off tells
				names = append(names, p.hyps[h].name)
			}
		}
		if len(names) > 1 {
			d.Ambiguous = append(d.Ambiguous, names)
		}
	}
}
