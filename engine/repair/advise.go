// Package repair tells what to do next, from what diagnose found: the steps that
// distinguish the suspects or repair them, each with its seconds and what its outcomes
// would mean, ranked by the expected time to a verified repair (engine/plan).
package repair

import (
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/references"
)

// Bounds of the planner's problem. Hypotheses beyond them are few in weight and
// go to plan.Problem.Rest.
const (
	mostHypotheses  = 40
	leastHypothesis = 5e-4
	fewHypotheses   = 6 // are planned for however little each weighs
	mostPoints      = 48
	mostLooks       = 12
	mostRemovals    = 16
	listedSteps     = 12
	listedMeans     = 4
)

// From likelyNothing on, as the probability that no reading shows a fault which is left,
// only steps that leave the board as it is are offered, to make sure; from surelyNothing on,
// as that of a good board, none.
const (
	likelyNothing = 0.5
	surelyNothing = 0.9
)

// Advise ranks what to do next after what was found.
func Advise(q *diagnose.Inquiry, f *diagnose.Findings, t Terms) (*Diagnosis, error) {
	d := &Diagnosis{Findings: *f, Next: []Step{}, Ambiguous: [][]string{}}
	if d.Implausible != nil {
		return d, nil
	}
	p := &planning{Inquiry: q, Terms: t, pool: network.NewPool(q.Model), byRemedy: map[remedyKey]int{}}
	for i := range d.Suspects {
		r := p.remedyOf(p.Likeliest[i])
		d.Suspects[i].Remedy, d.Suspects[i].Advice = r.name, r.advice
	}
	p.likely = p.NothingWrong()+d.Quiet >= likelyNothing && len(d.OutOfRange()) == 0
	// What reads right is read to the end before anything else.
	if !p.likely || len(d.Unread) == 0 && p.NothingWrong() < surelyNothing {
		if err := p.next(d); err != nil {
			return nil, err
		}
	}
	if len(d.Next) == 0 {
		for _, at := range d.Unread[:min(len(d.Unread), listedSteps)] {
			d.Next = append(d.Next, p.measure(at))
		}
	}
	p.idle(d)
	cautions(d)
	return d, nil
}

func (p *planning) next(d *Diagnosis) error {
	p.problem.Setups = []float64{p.Costs.Shield}
	p.problem.GiveUp = p.Costs.GiveUp
	p.hypotheses()
	if len(p.remedies) == 0 {
		p.onwards(d)
	} else if err := p.ranked(d); err != nil {
		return err
	}
	p.further(d)
	return nil
}

// cautions adds the safety notes that the steps call for. They are the usual ones of the
// trade; local codes, the makers' documents and licensed practice come first.
func cautions(d *Diagnosis) {
	calls := func(kinds ...Do) bool {
		return slices.ContainsFunc(d.Next, func(s Step) bool { return slices.Contains(kinds, s.Do) })
	}
	if calls(DoInject, DoDrop) {
		d.Cautions = append(d.Cautions, "Inject at or below the rail's own voltage, with the current limit low; a bad part can burn: eye protection, and nothing flammable near.")
	}
	if calls(DoRemove, DoRepair) {
		d.Cautions = append(d.Cautions, "Hot air and iron burn; flux and solvent fumes need an extractor; keep heat away from lithium cells.")
	}
}

// ranked lists the steps that distinguish or repair the suspects, best first.
func (p *planning) ranked(d *Diagnosis) error {
	points := p.points()
	if err := p.measures(points); err != nil {
		return err
	}
	if err := p.ends(); err != nil {
		return err
	}
	if err := p.across(); err != nil {
		return err
	}
	p.beside(d)
	p.looks()
	p.injections()
	p.drops()
	p.sides()
	if err := p.removes(); err != nil {
		return err
	}
	choices, policy, err := plan.Rank(&p.problem, p.Limits)
	if err != nil {
		return err
	}
	// Whatever is done, a board with nothing wrong ends in handing it on. That is no
	// time to a repair.
	spare := p.problem.GiveUp * p.healthy()
	d.Expected = policy.Seconds - spare
	for i := range choices {
		choices[i].Seconds -= spare
	}
	for _, c := range choices {
		if len(d.Next) == listedSteps {
			break
		}
		if c.Remedy >= 0 && p.remedies[c.Remedy].tells() {
			if c.Outcomes[0].Probability = p.shareOf(c.Remedy); c.Outcomes[0].Probability < 1-known {
				continue
			}
			c.Outcomes[1].Probability = 1 - c.Outcomes[0].Probability
		}
		if p.likely && !p.gentle(c) {
			continue
		}
		if len(d.Next) == 0 && (p.calledFor(c) || !foregone(c)) || telling(c) {
			s := p.step(c, d)
			if s.Do == DoRepair || !d.offers(&s) {
				d.Next = append(d.Next, s)
			}
		}
	}
	if p.likely {
		d.Expected = 0 // there may be nothing to repair
	} else if len(d.Next) > 0 {
		d.Time = repairTime(policy.Endings)
		if p.Rates != nil {
			parts, ics := p.newParts()
			d.Worth = worth(policy.Endings, parts*p.Rates.Part+ics*p.Rates.IC, p.Rates)
		}
	}
	p.alike(d)
	return nil
}

// onwards lists points to read where no remedy is known: those of the lines in question
// that were not read with the board as it lies, the easiest to reach first.
func (p *planning) onwards(d *Diagnosis) {
	for _, pt := range p.points() {
		if len(d.Next) < listedSteps && !p.readAlready(pt, references.RedOnGround) {
			d.Next = append(d.Next, p.measure(p.Board.PointName(pt)))
		}
	}
}

// gentle tells whether a choice leaves the board as it is, and pays on one that reads right.
func (p *planning) gentle(c plan.Choice) bool {
	if c.Remedy >= 0 {
		r := &p.remedies[c.Remedy]
		return r.tells() && c.Outcomes[0].Probability*(p.problem.GiveUp-r.seconds) > pays*r.seconds
	}
	switch p.tests[c.Test].step.Do {
	case DoMeasure, DoPress, DoGood, DoEnds, DoAcross, DoInspect:
		return p.finds(c)
	}
	return false
}

// known is the probability from which an outcome is known beforehand.
const known = 0.995

// calledFor tells whether a choice is to be made though its outcome may be known: what
// repairs, and a reading of the board as it lies that was not one of its point.
func (p *planning) calledFor(c plan.Choice) bool {
	if c.Remedy < 0 {
		return false
	}
	r := &p.remedies[c.Remedy]
	return r.name != readAgain || p.Taken[r.taken].Edits.Equal(p.Edits)
}

// foregone tells whether a choice has an outcome that is known beforehand.
func foregone(c plan.Choice) bool {
	return slices.ContainsFunc(c.Outcomes, func(o plan.Outcome) bool { return o.Probability > known })
}

// pays is how many times its seconds a test has to save on a board that reads right to be
// asked of a person (common practice, no source).
const pays = 2

// finds tells whether a test pays on a board that reads right: after an outcome that leaves
// it as likely as not, or more so, that something is to be repaired, doing so comes instead
// of giving up.
func (p *planning) finds(c plan.Choice) bool {
	saved := 0.0
	for _, o := range c.Outcomes {
		bad, less := 0.0, 0.0
		for h, w := range o.Weights {
			needs := p.problem.Hypotheses[h].Needs
			if len(needs) == 0 {
				continue
			}
			bad, less = bad+w, less+w*p.problem.GiveUp
			for _, r := range needs {
				less -= w * p.remedies[r].seconds
			}
		}
		if bad >= 0.5 {
			saved += o.Probability * less
		}
	}
	return saved > pays*p.tests[c.Test].step.Seconds
}

// telling tells whether a choice is worth listing behind the best one: its second
// likeliest outcome is one to reckon with.
func telling(c plan.Choice) bool {
	first, second := 0.0, 0.0
	for _, o := range c.Outcomes {
		if o.Probability > first {
			first, second = o.Probability, first
		} else if o.Probability > second {
			second = o.Probability
		}
	}
	return second > 0.02
}
