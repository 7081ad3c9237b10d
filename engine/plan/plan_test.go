package plan

import (
	"fmt"
	"math"
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

// TestExactAgainstBruteForce compares every choice with exhaustive search.
func TestExactAgainstBruteForce(t *testing.T) {
	const each = 30
	var sum, worst float64
	n := 0
	for i, sh := range smallShapes {
		rng := rand.New(rand.NewPCG(1, uint64(i)))
		for k := range each {
			name := fmt.Sprintf("shape %d, problem %d", i, k)
			p := randomProblem(rng, sh)
			b := &brute{p: p, memo: map[string]float64{}}
			want := b.value(b.start()) / p.total()
			choices, bounds, err := Rank(p, Limits{Work: 10_000_000})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if !bounds.Exact || math.Abs(bounds.Upper-want) > 1e-9*want {
				t.Errorf("%s: got %v (exact: %v), exhaustive search %v", name, bounds.Upper, bounds.Exact, want)
			}
			if len(choices) == 0 {
				if want != p.GiveUp {
					t.Errorf("%s: no choice, exhaustive search %v", name, want)
				}
				continue
			}
			if got := choices[0].Seconds; math.Abs(got-want) > 1e-9*want {
				t.Errorf("%s: first choice takes %v, exhaustive search %v", name, got, want)
			}
			for _, c := range choices {
				v := 0.0
				if c.Test >= 0 {
					v = b.testValue(b.start(), c.Test)
				} else {
					v = b.remedyValue(b.start(), c.Remedy)
				}
				v /= p.total()
				if v < c.Lower-1e-9*v || v > c.Seconds+1e-9*v || c.Exact && math.Abs(v-c.Seconds) > 1e-9*v {
					t.Errorf("%s: test %d, remedy %d: [%v, %v] exact %v, exhaustive search %v", name, c.Test, c.Remedy, c.Lower, c.Seconds, c.Exact, v)
				}
			}

			// The look-ahead at its smallest on the same problem.
			few, fb, err := Rank(p, Limits{Work: 1})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if fb.Lower > want+1e-9*want || fb.Upper < want-1e-9*want {
				t.Errorf("%s: one step ahead says [%v, %v], exhaustive search %v", name, fb.Lower, fb.Upper, want)
			}
			ratio := few[0].Seconds / want
			sum += ratio
			worst = max(worst, ratio)
			n++
		}
	}
	mean := sum / float64(n)
	t.Logf("one step ahead on %d problems: mean ratio to the optimum %.4f, worst %.4f", n, mean, worst)
	if mean > 1.05 {
		t.Errorf("one step ahead takes %.4f of the optimum on average; want at most 1.05", mean)
	}
}
