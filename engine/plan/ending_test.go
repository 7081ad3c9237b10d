package plan

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The ways in which a policy ends have probabilities that sum to 1, and their mean is
// the expected seconds of the policy, with and without setups, noise, several needs
// and faults that are not listed.
func TestEndings(t *testing.T) {
	for i, sh := range []shape{
		{hypotheses: 6, remedies: 5, tests: 6}, {hypotheses: 10, remedies: 8, tests: 10, setups: 2},
		{hypotheses: 10, remedies: 6, tests: 10, doubles: 0.3}, {hypotheses: 6, remedies: 5, tests: 4, noise: 0.5},
	} {
		for k := range 40 {
			rng := rand.New(rand.NewPCG(uint64(k), 70+uint64(i)))
			p := randomProblem(rng, sh)
			if k%2 == 1 {
				p.Rest, p.GiveUp = rng.Float64(), 3600
			}
			if k%4 == 3 {
				p.Hypotheses[0].Needs = nil
			}
			for _, work := range []int{1, DefaultWork} {
				_, b, err := Rank(p, Limits{Work: work})
				if err != nil {
					t.Fatal(err)
				}
				sum, mean, last := 0.0, 0.0, 0.0
				for _, e := range b.Endings {
					if e.Seconds < last || e.Probability < 0 {
						t.Fatalf("shape %d, problem %d: ending %+v after %v s", i, k, e, last)
					}
					last = e.Seconds
					sum += e.Probability
					mean += e.Probability * e.Seconds
				}
				if k%4 == 3 { // where nothing is wrong, Rank charges GiveUp and Endings does not
					total := p.total()
					mean += p.GiveUp * p.Hypotheses[0].Weight / total
				}
				if math.Abs(sum-1) > 1e-9 || math.Abs(mean-b.Seconds) > 1e-3*b.Seconds {
					t.Errorf("shape %d, problem %d, work %d: probabilities sum to %v, mean %v s, policy %v s", i, k, work, sum, mean, b.Seconds)
				}
			}
		}
	}
}
