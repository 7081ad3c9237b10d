package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// value ranks and returns the expected seconds of the policy.
func value(t *testing.T, p *Problem) float64 {
	t.Helper()
	_, policy, err := Rank(p, Limits{Work: 100_000_000})
	if err != nil {
		t.Fatal(err)
	}
	return policy.Seconds
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(b)) }

// allSplits has one suspect for each weight, each with its own remedy, and every
// way of splitting them in two as a test of one second.
func allSplits(weights []float64, remedy float64) *Problem {
	p := &Problem{}
	n := len(weights)
	for i, w := range weights {
		p.Remedies = append(p.Remedies, Remedy{Seconds: remedy, Setup: -1})
		p.Hypotheses = append(p.Hypotheses, Hypothesis{Weight: w, Needs: []int{i}})
	}
	for set := 1; set < 1<<(n-1); set++ {
		t := Test{Seconds: 1, Setup: -1, Outcomes: 2}
		for h := range n {
			row := []float64{1, 0}
			if set&(1<<h) != 0 {
				row = []float64{0, 1}
			}
			t.Likelihood = append(t.Likelihood, row)
		}
		p.Tests = append(p.Tests, t)
	}
	return p
}

// huffman returns the least weighted path length of a binary tree (D. A. Huffman,
// "A method for the construction of minimum-redundancy codes", Proc. IRE 40, 1952),
// by his own construction.
func huffman(weights []float64) float64 {
	w := slices.Clone(weights)
	sum := 0.0
	for len(w) > 1 {
		slices.Sort(w)
		pair := w[0] + w[1]
		sum += pair
		w = append(w[2:], pair)
	}
	return sum
}

// TestHuffman: with every split on offer and remedies too dear to guess with, the
// expected number of tests is not below Huffman's bound nor a quarter above it: looking
// one step ahead is not what such a problem calls for.
func TestHuffman(t *testing.T) {
	const remedy = 1000
	for _, weights := range [][]float64{
		{1, 1}, {1, 1, 1}, {1, 1, 1, 1}, {1, 1, 1, 1, 1}, {1, 1, 1, 1, 1, 1}, {1, 1, 1, 1, 1, 1, 1}, {1, 1, 1, 1, 1, 1, 1, 1},
		{1, 2, 4, 8, 16}, {5, 9, 12, 13, 16, 45}, {1, 1, 2, 3, 5, 8, 13}, {0.4, 0.3, 0.1, 0.1, 0.06, 0.04},
	} {
		sum := 0.0
		for _, w := range weights {
			sum += w
		}
		want := huffman(weights) / sum
		if got := value(t, allSplits(weights, remedy)) - remedy; got < want-1e-9 || got > 1.25*want {
			t.Errorf("%v: %.9f tests expected, Huffman's bound %.9f", weights, got, want)
		}
	}
}

// permute calls visit with every order of 0..n-1.
func permute(n int, visit func([]int)) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var walk func(int)
	walk = func(k int) {
		if k == n {
			visit(order)
			return
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			walk(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	walk(0)
}

// TestReplaceOnly: without tests the policy equals the best over all orders, by
// probability over cost (Kadane and Simon 1977) and with setups (Horn 1972); with
// hypotheses of two needs it comes near.
func TestReplaceOnly(t *testing.T) {
	for i, sh := range []shape{
		{hypotheses: 6, remedies: 6}, {hypotheses: 6, remedies: 6, setups: 2}, {hypotheses: 8, remedies: 6, doubles: 0.5, setups: 2, rest: true},
	} {
		rng := rand.New(rand.NewPCG(2, uint64(i)))
		const each = 40
		sum := 0.0
		for k := range each {
			p := randomProblem(rng, sh)
			best := math.Inf(1)
			permute(len(p.Remedies), func(order []int) {
				b := &brute{p: p}
				s := b.start()
				cost := 0.0
				for _, r := range order {
					if !slices.ContainsFunc(p.Hypotheses, func(h Hypothesis) bool { return slices.Contains(h.Needs, r) }) {
						continue
					}
					if !b.repairable(s) {
						break
					}
					cost += (p.Remedies[r].Seconds + b.setup(s, p.Remedies[r].Setup)) * b.mass(s)
					s = b.afterRemedy(s, r)
				}
				best = min(best, (cost+p.GiveUp*b.mass(s))/p.total())
			})
			got := value(t, p)
			sum += got / best / each
			if got < best-1e-9*best || sh.doubles == 0 && !near(got, best) {
				t.Errorf("shape %d, problem %d: %.9f, best order %.9f", i, k, got, best)
			}
		}
		if sum > 1.01 {
			t.Errorf("shape %d: %.4f of the best order on average", i, sum)
		}
	}
}

// TestWorkedExample is worked by hand, in the manner of Heckerman, Breese and
// Rommelse (1995). Three suspects, 0.5, 0.3 and 0.2; remedies of 240, 240 and 1800
// seconds; one reading of 10 seconds tells the third from the others.
//
//	replace only: 240 + 0.5*240 + 0.2*1800                  = 720
//	read first:   10 + 0.8*(240 + (0.3/0.8)*240) + 0.2*1800 = 10 + 264 + 360 = 634
func TestWorkedExample(t *testing.T) {
	p := &Problem{
		Hypotheses: []Hypothesis{{0.5, []int{0}}, {0.3, []int{1}}, {0.2, []int{2}}},
		Remedies:   []Remedy{{240, -1}, {240, -1}, {1800, -1}},
		Tests:      []Test{{Seconds: 10, Setup: -1, Outcomes: 2, Likelihood: [][]float64{{1, 0}, {1, 0}, {0, 1}}}},
	}
	choices, policy, err := Rank(p, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if !near(policy.Seconds, 634) {
		t.Errorf("policy %+v; want 634 s", policy)
	}
	first := choices[0]
	if first.Test != 0 || first.Remedy != -1 || !near(first.Seconds, 634) {
		t.Errorf("first choice %+v; want the test, 634 s", first)
	}
	bare := clone(p)
	if bare.Tests = nil; !near(value(t, bare), 720) {
		t.Errorf("without the test %v s; want 720", value(t, bare))
	}
	want := []Outcome{
		{Probability: 0.8, Weights: []float64{0.625, 0.375, 0}},
		{Probability: 0.2, Weights: []float64{0, 0, 1}},
	}
	if d := cmp.Diff(want, first.Outcomes, cmp.Comparer(near)); d != "" {
		t.Errorf("outcomes (-want +got):\n%s", d)
	}
	// Remedy 0 first: 240 + 0.5*(10 + 0.6*240 + 0.4*1800) = 240 + 437 = 677
	for _, c := range choices {
		if c.Remedy == 0 && !near(c.Seconds, 677) {
			t.Errorf("remedy 0 first takes %v; want 677", c.Seconds)
		}
	}
}

// TestRest: what was not enumerated costs every remedy and then GiveUp.
// 0.9 and 0.1: 240 + 0.1*1000; a test that tells nothing is left out.
func TestRest(t *testing.T) {
	p := &Problem{
		Hypotheses: []Hypothesis{{0.9, []int{0}}}, Rest: 0.1, GiveUp: 1000,
		Remedies: []Remedy{{240, -1}, {1, -1}},
		Tests:    []Test{{Seconds: 1, Setup: -1, Outcomes: 2, Likelihood: [][]float64{{0.5, 0.5}}}},
	}
	choices, bounds, err := Rank(p, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if !near(bounds.Seconds, 340) || len(choices) != 1 || choices[0].Remedy != 0 {
		t.Fatalf("%+v, %+v; want 340 s and remedy 0 alone", bounds, choices)
	}
	bad := choices[0].Outcomes[1]
	if !near(bad.Probability, 0.1) || !near(bad.Rest, 1) {
		t.Errorf("still bad: %+v; want probability 0.1, all of it Rest", bad)
	}
}

// TestMonotone holds the value to what must be true of any: scaling of seconds and
// of weights, and that more tests, cheaper steps and finer tests never cost more.
func TestMonotone(t *testing.T) {
	for i, sh := range smallShapes {
		rng := rand.New(rand.NewPCG(3, uint64(i)))
		for k := range 10 {
			p := randomProblem(rng, sh)
			base := value(t, p)
			check := func(what string, ok bool, got float64) {
				if !ok {
					t.Errorf("shape %d, problem %d: %s: %.9f, was %.9f", i, k, what, got, base)
				}
			}
			scaled := clone(p)
			for r := range scaled.Remedies {
				scaled.Remedies[r].Seconds *= 3
			}
			for j := range scaled.Tests {
				scaled.Tests[j].Seconds *= 3
			}
			for j := range scaled.Setups {
				scaled.Setups[j] *= 3
			}
			scaled.GiveUp *= 3
			v := value(t, scaled)
			check("seconds times 3", near(v, 3*base), v)

			heavy := clone(p)
			for h := range heavy.Hypotheses {
				heavy.Hypotheses[h].Weight *= 7
			}
			heavy.Rest *= 7
			v = value(t, heavy)
			check("weights times 7", near(v, base), v)

			perfect := clone(p)
			free := Test{Seconds: 1e-9, Setup: -1, Outcomes: len(p.Hypotheses)}
			for h := range p.Hypotheses {
				row := make([]float64, len(p.Hypotheses))
				row[h] = 1
				free.Likelihood = append(free.Likelihood, row)
			}
			perfect.Tests = append(perfect.Tests, free)
			v = value(t, perfect)
			check("a perfect test for nothing", v <= base+1e-8, v)
			if p.Rest == 0 && !slices.ContainsFunc(p.Hypotheses, func(h Hypothesis) bool { return len(h.Needs) != 1 }) && len(p.Setups) == 0 {
				sum := 0.0
				for _, h := range p.Hypotheses {
					sum += h.Weight * p.Remedies[h.Needs[0]].Seconds
				}
				check("a perfect test leaves the remedies alone to pay", math.Abs(v-sum/p.total()) < 1e-6, v)
			}

			cheap := clone(p)
			cheap.Remedies[0].Seconds /= 2
			v = value(t, cheap)
			check("a remedy at half", v <= base+1e-9*base, v)
			if len(p.Tests) > 0 {
				fewer := clone(p)
				fewer.Tests = fewer.Tests[1:]
				v = value(t, fewer)
				check("a test less", v >= base-1e-9*base, v)
			}
		}
	}
}

// clone copies a problem so deep that steps may be changed.
func clone(p *Problem) *Problem {
	c := *p
	c.Hypotheses = slices.Clone(p.Hypotheses)
	c.Remedies = slices.Clone(p.Remedies)
	c.Tests = slices.Clone(p.Tests)
	c.Setups = slices.Clone(p.Setups)
	return &c
}

// TestWork: with any work the policy takes no longer than replacing in order, outcomes
// sum to 1, and the same work gives the same answer.
func TestWork(t *testing.T) {
	for seed := range uint64(4) {
		p := lineProblem(rand.New(rand.NewPCG(5, seed)), 40, 30, 0.01)
		bare := clone(p)
		bare.Tests = nil
		replace := value(t, bare)
		for _, work := range []int{1, 20_000, 100_000, 400_000} {
			choices, policy, err := Rank(p, Limits{Work: work})
			if err != nil {
				t.Fatal(err)
			}
			if policy.Seconds > replace*(1+1e-9) {
				t.Errorf("seed %d, work %d: %v s; replacing in order takes %v", seed, work, policy.Seconds, replace)
			}
			for i, c := range choices {
				if i > 0 && less(c.Seconds, choices[i-1].Seconds) {
					t.Errorf("seed %d, work %d: choice %d out of order: %+v", seed, work, i, c)
				}
				sum := 0.0
				for _, o := range c.Outcomes {
					sum += o.Probability
				}
				if math.Abs(sum-1) > 1e-9 {
					t.Errorf("seed %d: outcomes of choice %d sum to %v", seed, i, sum)
				}
			}
			again, same, err := Rank(p, Limits{Work: work})
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(choices, again); d != "" || cmp.Diff(policy, same) != "" {
				t.Errorf("seed %d, work %d: two runs differ:\n%s", seed, work, d)
			}
		}
	}
}

// TestIgnore: below Ignore a likelihood is none, above it all stays as it was.
func TestIgnore(t *testing.T) {
	p := lineProblem(rand.New(rand.NewPCG(6, 1)), 12, 8, 0.01)
	clean := lineProblem(rand.New(rand.NewPCG(6, 1)), 12, 8, 0)
	_, got, err := Rank(p, Limits{Work: 100_000_000, Ignore: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	if want := value(t, clean); !near(got.Seconds, want) {
		t.Errorf("tails ignored: %v; without tails %v", got.Seconds, want)
	}
}

func TestAmbiguityGroups(t *testing.T) {
	row := func(o int) []float64 { r := make([]float64, 2); r[o] = 1; return r }
	p := &Problem{
		Remedies: slices.Repeat([]Remedy{{100, -1}}, 3),
		Hypotheses: []Hypothesis{
			{1, []int{0}}, {1, []int{1}}, // distinguished by test 1
			{1, []int{1}}, {1, []int{0}}, // alike, and alike with 1 and 0
			{1, []int{2}},
		},
		Tests: []Test{
			{Seconds: 1, Setup: -1, Outcomes: 2, Likelihood: [][]float64{row(0), row(0), row(0), row(0), row(1)}},
			{Seconds: 1, Setup: -1, Outcomes: 2, Likelihood: [][]float64{row(0), row(1), row(1), row(0), row(1)}},
		},
	}
	// {0,3} share remedy 0 and {1,2} remedy 1: nothing is open.
	if got := AmbiguityGroups(p); got != nil {
		t.Errorf("got %v; want none", got)
	}
	p.Tests = p.Tests[:1]
	if d := cmp.Diff([][]int{{0, 1, 2, 3}}, AmbiguityGroups(p)); d != "" {
		t.Errorf("one test (-want +got):\n%s", d)
	}
	p.Tests = nil
	if d := cmp.Diff([][]int{{0, 1, 2, 3, 4}}, AmbiguityGroups(p)); d != "" {
		t.Errorf("no test (-want +got):\n%s", d)
	}
}

// TestReject names each fault of a problem.
func TestReject(t *testing.T) {
	good := func() *Problem {
		return &Problem{
			Hypotheses: []Hypothesis{{1, []int{0}}}, Remedies: []Remedy{{100, -1}}, Setups: []float64{5},
			Tests: []Test{{Seconds: 1, Setup: 0, Outcomes: 2, Likelihood: [][]float64{{1, 0}}}},
		}
	}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		spoil func(*Problem)
		want  string
	}{
		{func(p *Problem) { p.Hypotheses = nil }, "plan: the problem has no hypotheses; give at least one"},
		{func(p *Problem) { p.Hypotheses[0].Weight = 0 }, "plan: the hypotheses' weights sum to 0; the sum must be finite and above 0"},
		{func(p *Problem) { p.Hypotheses[0].Weight = nan }, "plan: Hypotheses[0].Weight is NaN; it must be finite and not negative"},
		{func(p *Problem) { p.Hypotheses[0].Weight = -1 }, "plan: Hypotheses[0].Weight is -1; it must be finite and not negative"},
		{func(p *Problem) { p.Hypotheses[0].Needs[0] = 1 }, "plan: Hypotheses[0].Needs has 1; it must be at least 0 and below 1"},
		{func(p *Problem) { p.Rest = inf }, "plan: Rest is +Inf; it must be finite and not negative"},
		{func(p *Problem) { p.GiveUp = -2 }, "plan: GiveUp is -2; it must be finite and not negative"},
		{func(p *Problem) { p.Setups[0] = nan }, "plan: Setups[0] is NaN; it must be finite and not negative"},
		{func(p *Problem) { p.Remedies[0].Seconds = 0 }, "plan: Remedies[0].Seconds is 0 seconds; it must be finite and above 0"},
		{func(p *Problem) { p.Remedies[0].Setup = 1 }, "plan: Remedies[0].Setup is 1; it must be -1 for none or below 1"},
		{func(p *Problem) { p.Tests[0].Seconds = 0 }, "plan: Tests[0].Seconds is 0 seconds; it must be finite and above 0"},
		{func(p *Problem) { p.Tests[0].Setup = -2 }, "plan: Tests[0].Setup is -2; it must be -1 for none or below 1"},
		{func(p *Problem) { p.Tests[0].Outcomes = 0 }, "plan: Tests[0].Outcomes is 0; it must be between 1 and 255"},
		{func(p *Problem) { p.Tests[0].Likelihood = nil }, "plan: Tests[0].Likelihood has 0 rows; it needs one for each of the 1 hypotheses"},
		{func(p *Problem) { p.Tests[0].Likelihood[0] = []float64{1} }, "plan: Tests[0].Likelihood[0] has 1 entries; it needs one for each of the 2 outcomes"},
		{func(p *Problem) { p.Tests[0].Likelihood[0][1] = nan }, "plan: an entry of Tests[0].Likelihood[0] is NaN; it must be finite and not negative"},
		{func(p *Problem) { p.Tests[0].Likelihood[0][0] = 0.5 }, "plan: Tests[0].Likelihood[0] sums to 0.5; a row must sum to 1"},
	} {
		p := good()
		c.spoil(p)
		_, _, err := Rank(p, Limits{})
		if got := fmt.Sprint(err); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
		if AmbiguityGroups(p) != nil {
			t.Errorf("%s: ambiguity groups of a bad problem", c.want)
		}
	}
	if _, _, err := Rank(nil, Limits{}); err == nil {
		t.Error("no problem at all is taken")
	}
	if _, _, err := Rank(good(), Limits{Ignore: nan}); err == nil {
		t.Error("Limits.Ignore of NaN is taken")
	}
}

// FuzzRank builds problems from bytes, sound and unsound ones. None may panic, and
// what is returned must be a number of seconds.
func FuzzRank(f *testing.F) {
	f.Add([]byte{3, 3, 2, 1, 5, 200, 9, 9, 7, 1, 2, 3, 4, 5, 6})
	f.Add([]byte{1, 1, 0, 0})
	f.Add([]byte{5, 2, 4, 2, 255, 254, 253, 0, 0, 1, 17, 33, 90, 2, 200, 4})
	f.Fuzz(func(t *testing.T, data []byte) {
		next := func() int {
			if len(data) == 0 {
				return 1
			}
			b := data[0]
			data = data[1:]
			return int(b)
		}
		number := func() float64 { // mostly sensible, at times extreme
			switch b := next(); b {
			case 255:
				return math.NaN()
			case 254:
				return math.Inf(1)
			case 253:
				return -1
			case 252:
				return 1e-300
			case 251:
				return 1e99
			default:
				return float64(b)
			}
		}
		p := &Problem{}
		hyps, remedies, tests, setups := next()%8, next()%6, next()%6, next()%3
		p.Rest, p.GiveUp = number(), number()
		for range setups {
			p.Setups = append(p.Setups, number())
		}
		for range remedies {
			p.Remedies = append(p.Remedies, Remedy{number(), next()%(setups+1) - 1})
		}
		for range hyps {
			h := Hypothesis{Weight: number()}
			for range next() % 4 {
				h.Needs = append(h.Needs, next()%7)
			}
			p.Hypotheses = append(p.Hypotheses, h)
		}
		for range tests {
			x := Test{Seconds: number(), Setup: next()%(setups+1) - 1, Outcomes: next() % 4}
			for range hyps {
				row := make([]float64, x.Outcomes)
				sum := 0.0
				for o := range row {
					row[o] = number()
					sum += row[o]
				}
				for o := range row {
					row[o] /= sum
				}
				x.Likelihood = append(x.Likelihood, row)
			}
			p.Tests = append(p.Tests, x)
		}
		choices, b, err := Rank(p, Limits{Work: 20_000})
		AmbiguityGroups(p)
		if err != nil {
			return
		}
		if !(b.Seconds >= 0) || math.IsInf(b.Seconds, 0) {
			t.Fatalf("policy %+v of %+v", b, p)
		}
		for _, c := range choices {
			if !(c.Seconds >= 0) {
				t.Fatalf("choice %+v of %+v", c, p)
			}
		}
	})
}
