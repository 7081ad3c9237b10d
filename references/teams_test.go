package references

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// Teams of 30 boards and 5 meters, with 3 bad contributions of one sort among
// them: how many are found, how many are named rightly, and how many good sweeps
// are blamed, each with its 95 % interval. The last row has 3 of every sort at once,
// 30 good sweeps among 39 bad ones. Meters err within their data sheets; boards scatter as in sweep.
func TestTeams(t *testing.T) {
	layout := func(connector string, from func(k, n int) int) func(string, float64) float64 {
		return func(name string, v float64) float64 {
			c, number, _ := strings.Cut(name, ".")
			if c != connector {
				return v
			}
			var k int
			fmt.Sscan(number, &k)
			n := map[string]int{"J7": 10, "J3": 6}[c]
			if v, ok := truth[fmt.Sprintf("%s.%d", c, from(k, n))]; ok {
				return v[RedOnGround]
			}
			return math.NaN()
		}
	}
	swap := func(a, b string) func(string, float64) float64 {
		return func(name string, v float64) float64 {
			switch name {
			case a:
				return truth[b][RedOnGround]
			case b:
				return truth[a][RedOnGround]
			}
			return v
		}
	}
	sorts := []struct {
		name, kind string
		mutate     func(string, float64) float64
		spoil      func(s, good *Sweep) // what is wrong beyond its readings, with a good sweep before it
		// least are the shares that must be found and named rightly.
		found, named float64
	}{
		{"one reading 60 mV off", KindOutlier, func(name string, v float64) float64 {
			if name == "J7.8" {
				return v + 0.060
			}
			return v
		}, nil, 0.95, 0.95},
		{"meter 30 mV high", KindDrift, func(_ string, v float64) float64 {
			if v > 0.2 {
				return v + 0.030
			}
			return v
		}, nil, 0.95, 0.90},
		{"meter 6 % low", KindDrift, func(_ string, v float64) float64 { return 0.94 * v }, nil, 0.95, 0.90},
		{"a board of another revision", KindUnusual, func(name string, v float64) float64 {
			return v + map[string]float64{"J7.2": 0.09, "J7.3": -0.07, "J7.5": 0.12, "J7.8": 0.06, "J3.2": -0.11, "J3.6": 0.08}[name]
		}, nil, 0.99, 0.90},
		{"neighbours swapped", KindSwap, swap("J7.2", "J7.3"), nil, 0.99, 0.95},
		{"counted one pin off", KindLayout, layout("J7", func(k, _ int) int { return k + 1 }), nil, 0.99, 0.95},
		{"counted from the other end", KindLayout, layout("J7", func(k, n int) int { return n + 1 - k }), nil, 0.99, 0.95},
		{"probes the other way round", KindPolarity, func(name string, _ float64) float64 { return truth[name][BlackOnGround] }, nil, 0.99, 0.95},
		{"OL from a removed probe", KindOutlier, func(name string, v float64) float64 {
			if name == "J3.2" {
				return math.NaN()
			}
			return v
		}, nil, 0.99, 0.99},
		{"taken with the battery in", KindUnusual, batteryIn, nil, 0.99, 0.95},
		{"rounded to 10 mV", KindCoarse, nil, func(s, _ *Sweep) {
			for i := range s.Readings {
				s.Readings[i].Reading.Value = math.Round(s.Readings[i].Reading.Value*100) / 100
			}
		}, 0.99, 0.99},
		{"another board under its name", KindNamesake, nil, func(s, good *Sweep) { s.Sample = good.Sample }, 0.80, 0.80},
		{"a copy under another name", KindDuplicate, nil, func(s, good *Sweep) { s.Readings = good.Readings }, 0.99, 0.99},
	}
	const teams, boards, bad = 40, 30, 3
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 60))}
	// team makes the sweeps of one team and tells which are bad, by sort.
	team := func(which ...int) ([]*Sweep, map[*Sweep]int) {
		var sweeps []*Sweep
		wrong := map[*Sweep]int{}
		var gains [5]float64
		for m := range gains {
			gains[m] = 0.005 * (2*b.random.Float64() - 1)
		}
		add := func(mutate func(string, float64) float64) *Sweep {
			s := b.sweep(RedOnGround, mutate)
			m := b.random.IntN(len(gains))
			s.Meter.Name = fmt.Sprintf("meter %d", m+1)
			for i := range s.Readings {
				if r := &s.Readings[i].Reading; !r.Overload {
					r.Value = math.Round((1+gains[m])*r.Value*1000) / 1000
				}
			}
			sweeps = append(sweeps, s)
			return s
		}
		good := boards
		if len(which) == 1 {
			good -= bad
		}
		for range good {
			add(nil)
		}
		for _, k := range which {
			for i := range bad {
				s := add(sorts[k].mutate)
				if sorts[k].spoil != nil {
					sorts[k].spoil(s, sweeps[i])
				}
				wrong[s] = k
			}
		}
		b.random.Shuffle(len(sweeps), func(i, j int) { sweeps[i], sweeps[j] = sweeps[j], sweeps[i] })
		return sweeps, wrong
	}
	type tally struct{ planted, found, named, said, good, blamed int }
	count := func(which ...int) (n tally) {
		for range teams {
			sweeps, wrong := team(which...)
			said := map[string]map[string]bool{}
			findings := map[string]int{}
			for _, f := range graver(NewLibrary(b.board, sweeps).Check()) {
				if said[f.Sweep] == nil {
					said[f.Sweep] = map[string]bool{}
				}
				said[f.Sweep][f.Kind] = true
				findings[f.Sweep]++
			}
			// Of a pair that is one board or one text, either may be named.
			paired := map[string]*Sweep{}
			for s, k := range wrong {
				if sorts[k].spoil != nil && sorts[k].kind != KindCoarse {
					for _, o := range sweeps {
						if _, bad := wrong[o]; !bad && (o.Sample == s.Sample || o.fingerprint() == s.fingerprint()) {
							paired[o.File] = s
						}
					}
				}
			}
			for _, s := range sweeps {
				k, is := wrong[s]
				switch {
				case is:
					n.planted++
					mine := said[s.File]
					for _, o := range sweeps {
						if paired[o.File] == s && said[o.File][sorts[k].kind] {
							mine = said[o.File]
						}
					}
					if mine != nil {
						n.found++
					}
					if mine[sorts[k].kind] {
						n.named++
					}
					n.said += findings[s.File]
				case paired[s.File] == nil:
					n.good++
					if said[s.File] != nil {
						n.blamed++
					}
				}
			}
		}
		return n
	}
	share := func(k, n int) string {
		low, high := wilson(k, n)
		return fmt.Sprintf("%5.1f %% (%.1f to %.1f)", 100*float64(k)/float64(n), 100*low, 100*high)
	}
	line := func(name string, n tally) {
		t.Logf("%-30s %24s %24s %24s %9.2f", name, share(n.found, n.planted), share(n.named, n.planted), share(n.blamed, n.good), float64(n.said)/float64(n.planted))
	}
	t.Logf("%-30s %24s %24s %24s %9s", "3 of 30 sweeps are wrong by", "found", "named", "good blamed", "findings")
	var all []int
	for k, sort := range sorts {
		all = append(all, k)
		n := count(k)
		line(sort.name, n)
		planted := float64(n.planted)
		if float64(n.found) < sort.found*planted || float64(n.named) < sort.named*planted {
			t.Errorf("%s: found %d and named %d of %d, want %.2f and %.2f", sort.name, n.found, n.named, n.planted, sort.found, sort.named)
		}
		if float64(n.blamed) > 0.02*float64(n.good) {
			t.Errorf("%s: %d of %d good sweeps blamed, want at most 0.02", sort.name, n.blamed, n.good)
		}
		if float64(n.said) > 1.1*planted {
			t.Errorf("%s: %d findings on %d sweeps, want one each", sort.name, n.said, n.planted)
		}
	}
	n := count(all...)
	line(fmt.Sprintf("all at once, %d of %d", bad*len(sorts), bad*len(sorts)+boards), n)
	if float64(n.found) < 0.9*float64(n.planted) || float64(n.blamed) > 0.05*float64(n.good) {
		t.Errorf("all at once: found %d of %d, blamed %d of %d", n.found, n.planted, n.blamed, n.good)
	}
}

// batteryIn is an invented board with its battery in: rails and what they pull up read OL
// or high, other lines low.
func batteryIn(name string, v float64) float64 {
	driven := map[string]float64{"J7.2": 0.21, "J7.3": 1.71, "J7.4": 1.69, "J7.5": math.NaN(), "J7.7": 0.33, "J7.8": math.NaN(), "J3.1": 0.12, "J3.2": 0.90, "J3.3": 0.91, "J3.6": math.NaN()}
	if w, is := driven[name]; is {
		return w
	}
	return v
}

// wilson is the 95 % interval of a share, k of n (Wilson 1927, from memory).
func wilson(k, n int) (low, high float64) {
	const z = 1.96
	p, m := float64(k)/float64(n), float64(n)
	middle, half := p+z*z/(2*m), z*math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return (middle - half) / (1 + z*z/m), (middle + half) / (1 + z*z/m)
}
