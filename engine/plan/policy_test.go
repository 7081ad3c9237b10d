package plan

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// follow returns the expected seconds, times the weight, of doing what Rank puts
// first, seeing what comes of it and asking Rank again. For problems without Rest.
func follow(t *testing.T, p *Problem, limit Limits) float64 {
	t.Helper()
	choices, _, err := Rank(p, limit)
	if err != nil {
		t.Fatal(err)
	}
	c := choices[0]
	total := p.total()
	cost, setup := 0.0, -1
	if c.Test >= 0 {
		cost, setup = p.Tests[c.Test].Seconds, p.Tests[c.Test].Setup
	} else {
		cost, setup = p.Remedies[c.Remedy].Seconds, p.Remedies[c.Remedy].Setup
	}
	next := clone(p)
	if setup >= 0 {
		cost += p.Setups[setup]
		next.Setups[setup] = 0
	}
	value := cost * total
	if c.Remedy >= 0 {
		next.Hypotheses = nil
		rows := make([][][]float64, len(p.Tests))
		for h, hyp := range p.Hypotheses {
			left := slices.DeleteFunc(slices.Clone(hyp.Needs), func(r int) bool { return r == c.Remedy })
			if len(left) == 0 || hyp.Weight == 0 {
				continue
			}
			next.Hypotheses = append(next.Hypotheses, Hypothesis{Weight: hyp.Weight, Needs: left})
			for k := range p.Tests {
				rows[k] = append(rows[k], p.Tests[k].Likelihood[h])
			}
		}
		for k := range next.Tests {
			next.Tests[k].Likelihood = rows[k]
		}
		if len(next.Hypotheses) > 0 {
			value += follow(t, next, limit)
		}
		return value
	}
	next.Tests = slices.Delete(next.Tests, c.Test, c.Test+1)
	for o := range p.Tests[c.Test].Outcomes {
		sum := 0.0
		for h := range p.Hypotheses {
			next.Hypotheses[h].Weight = p.Hypotheses[h].Weight * p.Tests[c.Test].Likelihood[h][o]
			sum += next.Hypotheses[h].Weight
		}
		if sum > 0 {
			value += follow(t, clone(next), limit)
		}
	}
	return value
}

// TestEconomy follows the first choice to the end on problems small enough for
// exhaustive search, with work for the first steps alone and with the default. The design
// asks for 5 % of the optimum on average.
func TestEconomy(t *testing.T) {
	works := []int{1, DefaultWork}
	sum, worst, n := make([]float64, len(works)), make([]float64, len(works)), 0
	for i, sh := range []shape{
		{hypotheses: 6, remedies: 5, tests: 6}, {hypotheses: 8, remedies: 5, tests: 6, setups: 2},
		{hypotheses: 7, remedies: 5, tests: 6, doubles: 0.3}, {hypotheses: 6, remedies: 5, tests: 4, noise: 0.5},
	} {
		for k := range 15 {
			p := randomProblem(rand.New(rand.NewPCG(uint64(k), 40+uint64(i))), sh)
			least := p.total() * optimum(p)
			for w, work := range works {
				ratio := follow(t, p, Limits{Work: work}) / least
				if ratio < 1-1e-9 {
					t.Errorf("shape %d, problem %d, work %d: quicker than the optimum by %v", i, k, work, ratio)
				}
				sum[w], worst[w] = sum[w]+ratio, max(worst[w], ratio)
			}
			n++
		}
	}
	for w, work := range works {
		mean := sum[w] / float64(n)
		t.Logf("work %d: %d problems followed to the end, mean ratio to the optimum %.5f, worst %.4f", work, n, mean, worst[w])
		if mean > 1.05 {
			t.Errorf("work %d: mean ratio %.5f; want at most 1.05", work, mean)
		}
	}
}
