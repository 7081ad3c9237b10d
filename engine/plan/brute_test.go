package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// brute finds the least expected seconds by trying every sequence of steps. It
// shares no code and no idea with the search but the meaning of a Problem: Rest
// is spelled out as one shadow of every hypothesis that nothing repairs.
type brute struct {
	p    *Problem
	memo map[string]float64
}

type bruteState struct {
	w      []float64 // hypotheses, then their shadows; not scaled
	done   []bool
	open   []bool
	tested []bool
}

func (b *brute) start() bruteState {
	p := b.p
	known := p.total() - p.Rest
	s := bruteState{
		w: make([]float64, 2*len(p.Hypotheses)), done: make([]bool, len(p.Remedies)),
		open: make([]bool, len(p.Setups)), tested: make([]bool, len(p.Tests)),
	}
	for h := range p.Hypotheses {
		s.w[h] = p.Hypotheses[h].Weight
		s.w[len(p.Hypotheses)+h] = p.Hypotheses[h].Weight * p.Rest / known
	}
	return s
}

func with(list []bool, i int) []bool {
	c := append([]bool(nil), list...)
	if i >= 0 {
		c[i] = true
	}
	return c
}

func (b *brute) mass(s bruteState) float64 {
	m := 0.0
	for _, w := range s.w {
		m += w
	}
	return m
}

// setup returns what must be paid for a step's setup.
func (b *brute) setup(s bruteState, f int) float64 {
	if f < 0 || s.open[f] {
		return 0
	}
	return b.p.Setups[f]
}

// afterRemedy returns the state when the board is still bad.
func (b *brute) afterRemedy(s bruteState, r int) bruteState {
	n := bruteState{w: append([]float64(nil), s.w...), done: with(s.done, r), open: with(s.open, b.p.Remedies[r].Setup), tested: s.tested}
	for h := range b.p.Hypotheses {
		needs := b.p.Hypotheses[h].Needs
		all := len(needs) > 0
		for _, x := range needs {
			all = all && n.done[x]
		}
		if all {
			n.w[h] = 0
		}
	}
	return n
}

func (b *brute) afterTest(s bruteState, t, o int) bruteState {
	n := bruteState{w: append([]float64(nil), s.w...), done: s.done, open: with(s.open, b.p.Tests[t].Setup), tested: with(s.tested, t)}
	k := len(b.p.Hypotheses)
	for h := range k {
		n.w[h] *= b.p.Tests[t].Likelihood[h][o]
		n.w[k+h] *= b.p.Tests[t].Likelihood[h][o]
	}
	return n
}

// repairable tells that some hypothesis with needs is alive.
func (b *brute) repairable(s bruteState) bool {
	for h := range b.p.Hypotheses {
		if s.w[h] > 0 && len(b.p.Hypotheses[h].Needs) > 0 {
			return true
		}
	}
	return false
}

// value is the expected seconds times the mass of the state.
func (b *brute) value(s bruteState) float64 {
	m := b.mass(s)
	if m == 0 {
		return 0
	}
	if !b.repairable(s) {
		return m * b.p.GiveUp
	}
	key := fmt.Sprint(s)
	if v, ok := b.memo[key]; ok {
		return v
	}
	best := math.Inf(1)
	for r := range b.p.Remedies {
		if v := b.remedyValue(s, r); v < best {
			best = v
		}
	}
	for t := range b.p.Tests {
		if v := b.testValue(s, t); v < best {
			best = v
		}
	}
	b.memo[key] = best
	return best
}

func (b *brute) remedyValue(s bruteState, r int) float64 {
	if s.done[r] {
		return math.Inf(1)
	}
	return (b.p.Remedies[r].Seconds+b.setup(s, b.p.Remedies[r].Setup))*b.mass(s) + b.value(b.afterRemedy(s, r))
}

func (b *brute) testValue(s bruteState, t int) float64 {
	if s.tested[t] {
		return math.Inf(1)
	}
	v := (b.p.Tests[t].Seconds + b.setup(s, b.p.Tests[t].Setup)) * b.mass(s)
	for o := range b.p.Tests[t].Outcomes {
		v += b.value(b.afterTest(s, t, o))
	}
	return v
}

// shape says what random problems hold.
type shape struct {
	hypotheses, remedies, tests, setups int
	doubles                             float64 // share of hypotheses with two needs
	noise                               float64 // share of tests with noise
	rest                                bool
	needless                            float64 // share of hypotheses with no needs
}

// randomProblem draws a problem of a shape.
func randomProblem(rng *rand.Rand, s shape) *Problem {
	p := &Problem{}
	if s.rest {
		p.Rest = 0.3 * rng.Float64()
		p.GiveUp = 100 + 1000*rng.Float64()
	} else if s.needless > 0 {
		p.GiveUp = 500
	}
	for range s.setups {
		p.Setups = append(p.Setups, 20+200*rng.Float64())
	}
	setup := func() int {
		if s.setups == 0 || rng.Float64() < 0.5 {
			return -1
		}
		return rng.IntN(s.setups)
	}
	for range s.remedies {
		p.Remedies = append(p.Remedies, Remedy{Seconds: 50 + 400*rng.Float64(), Setup: setup()})
	}
	for range s.hypotheses {
		h := Hypothesis{Weight: math.Exp(3 * rng.NormFloat64() / 2), Needs: []int{rng.IntN(s.remedies)}}
		if rng.Float64() < s.doubles {
			h.Needs = append(h.Needs, rng.IntN(s.remedies))
		}
		if rng.Float64() < s.needless {
			h.Needs = nil
		}
		p.Hypotheses = append(p.Hypotheses, h)
	}
	for range s.tests {
		t := Test{Seconds: 5 + 100*rng.Float64(), Setup: setup(), Outcomes: 2 + rng.IntN(2)}
		noisy := rng.Float64() < s.noise
		for range p.Hypotheses {
			row := make([]float64, t.Outcomes)
			if noisy {
				sum := 0.0
				for o := range row {
					row[o] = rng.Float64() * rng.Float64()
					sum += row[o]
				}
				for o := range row {
					row[o] /= sum
				}
			} else {
				row[rng.IntN(t.Outcomes)] = 1
			}
			t.Likelihood = append(t.Likelihood, row)
		}
		p.Tests = append(p.Tests, t)
	}
	return p
}
