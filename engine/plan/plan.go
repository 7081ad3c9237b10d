// Package plan says what to do next at the bench, and what that is worth in
// seconds.
//
// A technician with a dead board has a list of suspects, some likelier than
// others; remedies that take minutes each; and tests that take seconds and
// narrow the list. Package plan weighs them against each other. It knows
// nothing of boards, readings or circuits: the caller hands it a [Problem],
// which is a list of hypotheses with weights, what repairs each of them, and
// what each test would show under each of them.
//
// In most cases call [Rank] and follow the first choice; then put what was seen
// into the weights and call it again.
//
// The measure is the expected number of seconds until the board is repaired and
// verified, as in decision-theoretic troubleshooting (Heckerman, Breese and
// Rommelse, "Decision-theoretic troubleshooting", Communications of the ACM
// 38(3), 1995). With V(b) for the least expected seconds from a posterior b:
//
//	V(b) = min over remedies r of  c(r) + P(still bad after r) V(b after r, still bad)
//	       and over tests t of     c(t) + sum over outcomes o of P(o) V(b after o)
//
// A remedy is a test as well, for the board is verified after it.
//
// V is not worked out, but that of a policy: each first step is worth what a policy
// makes of its outcomes that looks one step ahead and takes the step that would be best
// if nothing but replacing in order came after it. On problems that can be searched to
// their end it takes about a percent longer than the least possible; see TestEconomy.
package plan

import (
	"fmt"
	"math"
)

// Problem is a posterior about what is wrong, and what can be done about it.
type Problem struct {
	Hypotheses []Hypothesis

	// Rest is the weight of all that was not enumerated, on the scale of the
	// hypotheses' weights. No remedy repairs it. To every test it looks as the
	// hypotheses do, each in proportion to its weight; so its share stays the
	// same under tests and grows with every remedy that failed.
	Rest float64

	// GiveUp is the seconds charged when no hypothesis is left that a remedy
	// could repair and the board is still bad. Rest ends here.
	GiveUp float64

	Remedies []Remedy
	Tests    []Test

	// Setups are the seconds of one-off preparations (opening a shield), paid
	// when the first test or remedy that needs one is chosen.
	Setups []float64
}

// leastKnown is the least share of the hypotheses beside Rest: below it their weights
// would be lost to rounding.
const leastKnown = 1e-300

// Hypothesis is one account of what is wrong. Exactly one is true, or Rest is.
type Hypothesis struct {
	// Weight is proportional to the probability. A weight of 0 rules out.
	Weight float64

	// Needs lists the remedies that together repair the board: usually one, two
	// where two faults are present. With no needs nothing on the list repairs
	// it, and it ends in GiveUp as Rest does, though tests may tell it apart.
	Needs []int
}

// Remedy is one repair together with the readings that verify it.
type Remedy struct {
	Seconds float64 // above 0, including its verifying readings
	Setup   int     // index into Problem.Setups, -1 for none
}

// Test is anything that narrows the list without repairing: a reading, a look,
// a removed part. Asking it again tells nothing new.
type Test struct {
	Seconds    float64     // above 0
	Setup      int         // index into Problem.Setups, -1 for none
	Outcomes   int         // at least 1, at most 255
	Likelihood [][]float64 // by hypothesis, then outcome; a row sums to 1
}

// Choice is one thing that could be done first.
type Choice struct {
	Test, Remedy int // index into the problem's list; the other one is -1

	// Seconds is the expected time to a verified repair when this is done first
	// and the policy is followed after it.
	Seconds  float64
	Outcomes []Outcome
}

// Outcome is what one result of a choice would mean. A test has as many as its
// Outcomes; a remedy has two, first "repaired", then "still bad".
type Outcome struct {
	Probability float64
	// Weights are the probabilities of the problem's hypotheses after this
	// outcome, Rest that of what was not enumerated; together they sum to 1, or
	// are all 0 where the outcome cannot happen.
	Weights []float64
	Rest    float64
}

// Policy is what is expected of doing what comes first, and what the policy says after it.
type Policy struct {
	Seconds float64
	Endings []Ending // by seconds
}

// Limits bounds the effort of a search. The zero value means the defaults.
type Limits struct {
	// Work bounds how far the policy is worked out, counted in weighed pairs of
	// hypothesis and step and not in time, so that the same problem always gets the
	// same answer. Beyond it remedies are tried in order. 0 means DefaultWork.
	Work int

	// Ignore is the likelihood below which an outcome is taken as impossible
	// under a hypothesis. A test whose rows are all 0 and 1 after that is far
	// cheaper to plan with than one with small tails. 0 ignores nothing.
	Ignore float64
}

// DefaultWork keeps Rank well under 50 ms with 200 hypotheses and 80 tests; see the
// package's benchmarks.
const DefaultWork = 4_000_000

// Rank lists all that could usefully be done first, best first, ties in order
// of index with tests before remedies. Left out are tests that tell nothing and
// remedies that no hypothesis of positive weight needs. When nothing can be
// repaired the list is empty and Seconds is GiveUp.
func Rank(p *Problem, limit Limits) ([]Choice, Policy, error) {
	if err := p.check(); err != nil {
		return nil, Policy{}, err
	}
	if !(limit.Ignore >= 0 && limit.Ignore < 0.5) {
		return nil, Policy{}, fmt.Errorf("plan: Limits.Ignore is %v; it must lie between 0 and 0.5", limit.Ignore)
	}
	work := limit.Work
	if work <= 0 {
		work = DefaultWork
	}
	s := newSearch(compile(p, limit.Ignore), work)
	root := s.root()
	list, seconds := s.rank(root)
	choices := make([]Choice, len(list))
	for i := range list {
		if t := list[i].test; t != nil {
			choices[i] = Choice{Test: t.index, Remedy: -1, Seconds: seconds[i], Outcomes: p.testOutcomes(t.index)}
		} else {
			choices[i] = Choice{Test: -1, Remedy: list[i].remedy, Seconds: seconds[i], Outcomes: p.remedyOutcomes(list[i].remedy)}
		}
	}
	return choices, Policy{root.value, s.endings(root)}, nil
}

// testOutcomes applies Bayes' rule to each outcome of a test.
func (p *Problem) testOutcomes(t int) []Outcome {
	test := &p.Tests[t]
	total := p.total()
	known := total - p.Rest
	outcomes := make([]Outcome, test.Outcomes)
	all := make([]float64, len(p.Hypotheses)*test.Outcomes)
	for o := range outcomes {
		weights := all[o*len(p.Hypotheses) : (o+1)*len(p.Hypotheses)]
		mass := 0.0
		for h := range p.Hypotheses {
			weights[h] = p.Hypotheses[h].Weight * test.Likelihood[h][o]
			mass += weights[h]
		}
		outcomes[o] = Outcome{Weights: weights}
		if mass > 0 {
			for h := range weights {
				weights[h] *= known / (mass * total)
			}
			outcomes[o].Probability = mass / known
			outcomes[o].Rest = p.Rest / total
		}
	}
	return outcomes
}

// remedyOutcomes applies Bayes' rule to a remedy that repaired and to one that
// did not.
func (p *Problem) remedyOutcomes(r int) []Outcome {
	total := p.total()
	repaired := make([]float64, len(p.Hypotheses))
	bad := make([]float64, len(p.Hypotheses))
	mass := [2]float64{0, p.Rest}
	for h := range p.Hypotheses {
		hyp := &p.Hypotheses[h]
		if ends(hyp.Needs, r) {
			repaired[h] = hyp.Weight
			mass[0] += hyp.Weight
		} else {
			bad[h] = hyp.Weight
			mass[1] += hyp.Weight
		}
	}
	for h := range p.Hypotheses {
		if mass[0] > 0 {
			repaired[h] /= mass[0]
		}
		if mass[1] > 0 {
			bad[h] /= mass[1]
		}
	}
	out := []Outcome{{Probability: mass[0] / total, Weights: repaired}, {Probability: mass[1] / total, Weights: bad}}
	if mass[1] > 0 {
		out[1].Rest = p.Rest / mass[1]
	}
	return out
}

// ends tells that remedy r alone repairs what has these needs.
func ends(needs []int, r int) bool {
	for _, n := range needs {
		if n != r {
			return false
		}
	}
	return len(needs) > 0
}

// Bounds on the size of a problem, far above any bench and low enough that a
// wrong one cannot eat the memory.
const (
	maxHypotheses = 20_000
	maxSteps      = 20_000
	maxOutcomes   = 255
)

// check returns what is wrong with a problem, naming the field.
func (p *Problem) check() error {
	if p == nil {
		return fmt.Errorf("plan: no problem given; pass one with at least one hypothesis")
	}
	bad := func(what string, v float64) error {
		return fmt.Errorf("plan: %s is %v; it must be finite and not negative", what, v)
	}
	notTime := func(what string, v float64) error {
		return fmt.Errorf("plan: %s is %v seconds; it must be finite and above 0", what, v)
	}
	if len(p.Hypotheses) == 0 {
		return fmt.Errorf("plan: the problem has no hypotheses; give at least one")
	}
	if len(p.Hypotheses) > maxHypotheses || len(p.Tests) > maxSteps || len(p.Remedies) > maxSteps || len(p.Setups) > maxSteps {
		return fmt.Errorf("plan: the problem is too large (%d hypotheses, %d tests, %d remedies, %d setups); keep the likeliest %d hypotheses and at most %d of each of the others",
			len(p.Hypotheses), len(p.Tests), len(p.Remedies), len(p.Setups), maxHypotheses, maxSteps)
	}
	if !countable(p.Rest) {
		return bad("Rest", p.Rest)
	}
	if !countable(p.GiveUp) {
		return bad("GiveUp", p.GiveUp)
	}
	for i, s := range p.Setups {
		if !countable(s) {
			return bad(fmt.Sprintf("Setups[%d]", i), s)
		}
	}
	setup := func(what string, i int) error {
		if i < -1 || i >= len(p.Setups) {
			return fmt.Errorf("plan: %s.Setup is %d; it must be -1 for none or below %d", what, i, len(p.Setups))
		}
		return nil
	}
	for i, r := range p.Remedies {
		what := fmt.Sprintf("Remedies[%d]", i)
		if !countable(r.Seconds) || r.Seconds == 0 {
			return notTime(what+".Seconds", r.Seconds)
		}
		if err := setup(what, r.Setup); err != nil {
			return err
		}
	}
	sum := 0.0
	for i, h := range p.Hypotheses {
		if !countable(h.Weight) {
			return bad(fmt.Sprintf("Hypotheses[%d].Weight", i), h.Weight)
		}
		sum += h.Weight
		for _, n := range h.Needs {
			if n < 0 || n >= len(p.Remedies) {
				return fmt.Errorf("plan: Hypotheses[%d].Needs has %d; it must be at least 0 and below %d", i, n, len(p.Remedies))
			}
		}
	}
	if sum == 0 || !countable(sum+p.Rest) {
		return fmt.Errorf("plan: the hypotheses' weights sum to %v; the sum must be finite and above 0", sum)
	}
	if sum/(sum+p.Rest) < leastKnown {
		return fmt.Errorf("plan: the hypotheses' weights sum to %v beside Rest of %v, so next to nothing is planned for; give the likelier ones", sum, p.Rest)
	}
	for i := range p.Tests {
		t := &p.Tests[i]
		what := fmt.Sprintf("Tests[%d]", i)
		if !countable(t.Seconds) || t.Seconds == 0 {
			return notTime(what+".Seconds", t.Seconds)
		}
		if err := setup(what, t.Setup); err != nil {
			return err
		}
		if t.Outcomes < 1 || t.Outcomes > maxOutcomes {
			return fmt.Errorf("plan: %s.Outcomes is %d; it must be between 1 and %d", what, t.Outcomes, maxOutcomes)
		}
		if len(t.Likelihood) != len(p.Hypotheses) {
			return fmt.Errorf("plan: %s.Likelihood has %d rows; it needs one for each of the %d hypotheses", what, len(t.Likelihood), len(p.Hypotheses))
		}
		for h, row := range t.Likelihood {
			if len(row) != t.Outcomes {
				return fmt.Errorf("plan: %s.Likelihood[%d] has %d entries; it needs one for each of the %d outcomes", what, h, len(row), t.Outcomes)
			}
			sum := 0.0
			for _, v := range row {
				if !countable(v) {
					return bad(fmt.Sprintf("an entry of %s.Likelihood[%d]", what, h), v)
				}
				sum += v
			}
			if math.Abs(sum-1) > 1e-6 {
				return fmt.Errorf("plan: %s.Likelihood[%d] sums to %v; a row must sum to 1", what, h, sum)
			}
		}
	}
	return nil
}

// enormous is more than any sensible number of seconds or weight; beyond it
// sums could overflow.
const enormous = 1e100

// countable tells that a number is finite and not negative.
func countable(v float64) bool { return v >= 0 && v <= enormous }
