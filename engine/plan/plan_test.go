package plan

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// smallShapes are solved by trying everything as well.
var smallShapes = []shape{
	{hypotheses: 4, remedies: 4, tests: 3},
	{hypotheses: 5, remedies: 3, tests: 4},
	{hypotheses: 4, remedies: 4, tests: 3, rest: true},
	{hypotheses: 4, remedies: 4, tests: 3, setups: 2},
	{hypotheses: 5, remedies: 4, tests: 3, doubles: 0.4},
	{hypotheses: 4, remedies: 4, tests: 3, noise: 0.5},
	{hypotheses: 4, remedies: 4, tests: 2, doubles: 0.3, noise: 0.3, setups: 2, rest: true},
	{hypotheses: 5, remedies: 4, tests: 3, needless: 0.3},
	{hypotheses: 6, remedies: 5, tests: 0, doubles: 0.4, setups: 2, rest: true},
	{hypotheses: 5, remedies: 4, tests: 3, noise: 1, rest: true},
}

// optimum is the least expected seconds, by exhaustive search.
func optimum(p *Problem) float64 {
	b := &brute{p: p, memo: map[string]float64{}}
	return b.value(b.start()) / p.total()
}

// TestAgainstBruteForce compares the policy and every choice with exhaustive search: none
// is quicker, and the policy takes little longer.
func TestAgainstBruteForce(t *testing.T) {
	const each = 30
	sum, worst, n := 0.0, 1.0, 0
	for i, sh := range smallShapes {
		rng := rand.New(rand.NewPCG(1, uint64(i)))
		for k := range each {
			name := fmt.Sprintf("shape %d, problem %d", i, k)
			p := randomProblem(rng, sh)
			b := &brute{p: p, memo: map[string]float64{}}
			want := b.value(b.start()) / p.total()
			choices, policy, err := Rank(p, Limits{})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if policy.Seconds < want*(1-1e-9) {
				t.Errorf("%s: the policy takes %v, exhaustive search %v", name, policy.Seconds, want)
			}
			if len(choices) == 0 {
				if want != p.GiveUp {
					t.Errorf("%s: no choice, exhaustive search %v", name, want)
				}
				continue
			}
			for j, c := range choices {
				v := 0.0
				if c.Test >= 0 {
					v = b.testValue(b.start(), c.Test)
				} else {
					v = b.remedyValue(b.start(), c.Remedy)
				}
				if v /= p.total(); c.Seconds < v*(1-1e-9) {
					t.Errorf("%s: test %d, remedy %d: %v, exhaustive search %v", name, c.Test, c.Remedy, c.Seconds, v)
				}
				if j > 0 && less(c.Seconds, choices[j-1].Seconds) {
					t.Errorf("%s: choice %d is out of order", name, j)
				}
			}
			if got := choices[0].Seconds; !near(got, policy.Seconds) && got < policy.Seconds {
				t.Errorf("%s: first choice takes %v, the policy %v", name, got, policy.Seconds)
			}
			ratio := policy.Seconds / want
			sum, worst, n = sum+ratio, max(worst, ratio), n+1
		}
	}
	mean := sum / float64(n)
	t.Logf("%d problems: mean ratio to the optimum %.5f, worst %.4f", n, mean, worst)
	if mean > 1.01 {
		t.Errorf("the policy takes %.4f of the optimum on average; want at most 1.01", mean)
	}
}
