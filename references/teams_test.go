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
// are blamed. The last row has 3 of every sort at once, 30 good sweeps among 27
// bad ones. Meters err within their data sheets; boards scatter as in sweep.
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
		// least are the shares that must be found and named rightly.
		found, named float64
	}{
		{"one reading 60 mV off", KindOutlier, func(name string, v float64) float64 {
			if name == "J7.8" {
				return v + 0.060
			}
			return v
		}, 0.95, 0.95},
		{"meter 30 mV high", KindDrift, func(_ string, v float64) float64 {
			if v > 0.2 {
				return v + 0.030
			}
			return v
		}, 0.95, 0.90},
		{"meter 6 % low", KindDrift, func(_ string, v float64) float64 { return 0.94 * v }, 0.95, 0.90},
		{"a board of another revision", KindOdd, func(name string, v float64) float64 {
			return v + map[string]float64{"J7.2": 0.09, "J7.3": -0.07, "J7.5": 0.12, "J7.8": 0.06, "J3.2": -0.11, "J3.6": 0.08}[name]
		}, 0.99, 0.90},
		{"neighbours swapped", KindSwap, swap("J7.2", "J7.3"), 0.99, 0.95},
		{"counted one pin off", KindLayout, layout("J7", func(k, _ int) int { return k + 1 }), 0.99, 0.95},
		{"counted from the other end", KindLayout, layout("J7", func(k, n int) int { return n + 1 - k }), 0.99, 0.95},
		{"probes the other way round", KindPolarity, func(name string, _ float64) float64 { return truth[name][BlackOnGround] }, 0.99, 0.95},
		{"OL from a removed probe", KindOutlier, func(name string, v float64) float64 {
			if name == "J3.2" {
				return math.NaN()
			}
			return v
		}, 0.99, 0.99},
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
			for range bad {
				wrong[add(sorts[k].mutate)] = k
			}
		}
		b.random.Shuffle(len(sweeps), func(i, j int) { sweeps[i], sweeps[j] = sweeps[j], sweeps[i] })
		return sweeps, wrong
	}
	count := func(which ...int) (found, named, blamed float64) {
		var planted, right, hits, fine, alarms int
		for range teams {
			sweeps, wrong := team(which...)
			said := map[string]map[string]bool{}
			for _, f := range graver(NewLibrary(b.board, sweeps).Check()) {
				if said[f.Sweep] == nil {
					said[f.Sweep] = map[string]bool{}
				}
				said[f.Sweep][f.Kind] = true
			}
			for _, s := range sweeps {
				k, is := wrong[s]
				switch {
				case is:
					planted++
					if said[s.File] != nil {
						hits++
					}
					if said[s.File][sorts[k].kind] {
						right++
					}
				default:
					fine++
					if said[s.File] != nil {
						alarms++
					}
				}
			}
		}
		return float64(hits) / float64(planted), float64(right) / float64(planted), float64(alarms) / float64(fine)
	}
	t.Logf("%-30s %8s %8s %14s", "3 of 30 sweeps are wrong by", "found", "named", "good blamed")
	var all []int
	for k, sort := range sorts {
		all = append(all, k)
		found, named, blamed := count(k)
		t.Logf("%-30s %7.1f%% %7.1f%% %13.2f%%", sort.name, 100*found, 100*named, 100*blamed)
		if found < sort.found || named < sort.named {
			t.Errorf("%s: found %.3f and named %.3f, want %.2f and %.2f", sort.name, found, named, sort.found, sort.named)
		}
		if blamed > 0.02 {
			t.Errorf("%s: %.4f of the good sweeps blamed, want at most 0.02", sort.name, blamed)
		}
	}
	found, named, blamed := count(all...)
	t.Logf("%-30s %7.1f%% %7.1f%% %13.2f%%", "all at once, 27 of 57", 100*found, 100*named, 100*blamed)
	if found < 0.9 || blamed > 0.05 {
		t.Errorf("all at once: found %.3f, blamed %.3f", found, blamed)
	}
}
