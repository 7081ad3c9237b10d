package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// lineProblem is shaped like a real line: suspects in a row, each with a few
// modes; readings between them that split near from far, with a third outcome for
// some modes and a small tail of noise; looks at each part; some parts under a
// shield. Invented numbers.
//
// The fourth mode of each part is a leak of unknown size, which spreads over the
// outcomes of the readings behind it.
func lineProblem(rng *rand.Rand, hypotheses, tests int, tail float64) *Problem {
	p := &Problem{Rest: 0.03, GiveUp: 3600, Setups: []float64{120}}
	parts := (hypotheses + 3) / 4
	for i := range parts {
		r := Remedy{Seconds: 240 + 10*float64(rng.IntN(5)), Setup: -1}
		switch rng.IntN(8) {
		case 0:
			r.Seconds = 1800
		case 1:
			r.Setup = 0
		}
		p.Remedies = append(p.Remedies, r)
		for mode := range min(4, hypotheses-4*i) {
			p.Hypotheses = append(p.Hypotheses, Hypothesis{Weight: math.Exp(1.5*rng.NormFloat64()) / float64(1+mode), Needs: []int{i}})
		}
	}
	for k := range tests {
		if k%4 == 3 { // a look at one part: shows a third of its faults
			part := rng.IntN(parts)
			t := Test{Seconds: 20, Setup: p.Remedies[part].Setup, Outcomes: 2}
			for h := range p.Hypotheses {
				row := []float64{1, 0}
				if h/4 == part {
					row = []float64{2. / 3, 1. / 3}
				}
				t.Likelihood = append(t.Likelihood, row)
			}
			p.Tests = append(p.Tests, t)
			continue
		}
		cut := rng.IntN(hypotheses)
		t := Test{Seconds: 10, Setup: -1, Outcomes: 3}
		if k%4 == 2 {
			t.Seconds = 90
		}
		for h := range p.Hypotheses {
			row := []float64{tail, tail, tail}
			o := 0
			switch {
			case h >= cut && h%4 == 0:
				o = 1
			case h >= cut:
				o = 2
			}
			row[o] = 1 - 2*tail
			if h%4 == 3 && h >= cut {
				row = []float64{0.5, 0.2, 0.3}
			}
			t.Likelihood = append(t.Likelihood, row)
		}
		p.Tests = append(p.Tests, t)
	}
	return p
}

func BenchmarkRank(b *testing.B) {
	for _, size := range []struct{ hypotheses, tests int }{{12, 20}, {50, 40}, {200, 80}, {200, 400}} {
		for _, ignore := range []float64{0, 0.02} {
			const tail = 0.01
			b.Run(fmt.Sprintf("hypotheses=%d/tests=%d/ignore=%v", size.hypotheses, size.tests, ignore), func(b *testing.B) {
				p := lineProblem(rand.New(rand.NewPCG(7, 7)), size.hypotheses, size.tests, tail)
				var policy Policy
				b.ReportAllocs()
				for b.Loop() {
					var err error
					if _, policy, err = Rank(p, Limits{Ignore: ignore}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(policy.Seconds, "seconds")
			})
		}
	}
}
