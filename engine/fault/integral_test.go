package fault

import (
	"math"
	"slices"
	"testing"

	"halfsplit/engine/network"
)

// TestEvidence holds the evidence for each candidate against its likelihood ratio solved at
// forty resistances to a decade and more where it changes, with nothing interpolated.
func TestEvidence(t *testing.T) {
	tests := []struct {
		name string
		mode Mode
		ohms float64
	}{
		{"C1", Leaky, 330},
		{"C1", Shorted, 0.4},
		{"R2", High, 700},
		{"R1", High, 90},
		{"U1.1", Leaky, 2200},
		{"J1.1 to J1.2", Leakage, 4000},
	}
	d := newRig(t, pocket)
	worst, where, n := 0.0, "", 0
	for _, tt := range tests {
		s := &search{m: d.m, p: d.p, ph: d.physics(), obs: d.observations(d.change(tt.name, tt.mode, tt.ohms)), pool: network.NewPool(d.m), words: 1}
		if _, err := s.findCandidates(); err != nil {
			t.Fatal(err)
		}
		if err := s.tabulate(); err != nil {
			t.Fatal(err)
		}
		for _, c := range s.cands {
			b := s.ph.Joint.block(c.in, nil)
			got := c.profile(b)
			exact := profile{open: got.open, lacks: got.lacks}
			if !c.grid.empty() {
				const perDecade = 40
				steps := int((c.grid.hi - c.grid.lo) * perDecade)
				ratio := solver(t, s, c, b)
				for k := range steps + 1 {
					x := c.grid.lo + (c.grid.hi-c.grid.lo)*float64(k)/float64(steps)
					exact.points = append(exact.points, point{x, ratio(x)})
				}
				for k := 0; k+1 < len(exact.points); {
					p, q := exact.points[k], exact.points[k+1]
					if q.x-p.x < 1e-4 || math.Abs(p.l-q.l) < 0.2 {
						k++
						continue
					}
					x := (p.x + q.x) / 2
					exact.points = slices.Insert(exact.points, k+1, point{x, ratio(x)})
				}
			}
			e, want := s.evidence(c, got), s.evidence(c, exact)
			if want.total < c.odds-6 {
				continue // it accounts for nothing
			}
			n++
			if off := math.Abs(e.total - want.total); off > worst {
				worst, where = off, tt.name+": "+d.place(c.locus)
			}
		}
	}
	t.Logf("%d candidates; worst %.3f off (%s)", n, worst, where)
	if n < 30 {
		t.Errorf("only %d candidates", n)
	}
	if worst > 0.03 {
		t.Errorf("the logarithm of the evidence is %.3f off (%s), want 0.03 at most", worst, where)
	}
}

// solver gives the logarithm of the likelihood ratio of a candidate at a decimal logarithm
// of its resistance.
func solver(t *testing.T, s *search, c *candidate, b *block) func(x float64) float64 {
	t.Helper()
	watches := make([]*Watch, len(b.ids))
	for k, i := range b.ids {
		if c.entry(i) == nil {
			continue
		}
		var err error
		if watches[k], err = s.ph.Watch(network.NewWorkspace(s.m), &s.obs[i]); err != nil {
			t.Fatal(err)
		}
	}
	return func(x float64) float64 {
		rows := slices.Clone(b.good)
		for k, w := range watches {
			if w == nil {
				continue
			}
			var err error
			sw := w.sweep([]network.Change{c.locus.At(math.Pow(10, x))})
			if rows[k], err = sw.predict(); err != nil {
				t.Fatal(err)
			}
		}
		return b.density(b.shape(nil, rows, nil), means(rows), nil) - b.base
	}
}

// TestAverage integrates a normal and an exponential from points a standard deviation
// apart or half of that, over ranges that end anywhere between them.
func TestAverage(t *testing.T) {
	for _, step := range []float64{0.5, 1} {
		var normal, falling []point
		for x := -6.0; x <= 6; x += step {
			normal, falling = append(normal, point{x, -x * x / 2}), append(falling, point{x, -x})
		}
		for _, tt := range []struct {
			name   string
			points []point
			under  func(x float64) float64 // the integral up to x
		}{
			{"normal", normal, func(x float64) float64 { return math.Sqrt(math.Pi/2) * math.Erf(x/math.Sqrt2) }},
			{"exponential", falling, func(x float64) float64 { return -math.Exp(-x) }},
		} {
			check := func(lo, hi float64) {
				got, _ := average(tt.points, lo, hi)
				if off := math.Abs(got - math.Log((tt.under(hi)-tt.under(lo))/(hi-lo))); off > 0.01*step*step {
					t.Errorf("%s in steps of %g, %.2f to %.2f: %.5f off", tt.name, step, lo, hi, off)
				}
			}
			check(-6, 6)
			for lo := -1.0; lo < 1; lo += 0.07 {
				check(lo, lo+0.6)
				check(lo, lo+1.6)
				check(lo, 6)
			}
		}
	}
}
