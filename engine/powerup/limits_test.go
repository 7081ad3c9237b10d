package powerup

import (
	"math"
	"testing"

	"halfsplit/references"
)

// TestLimitsOf: Student's t is 4.303 at 2 degrees of freedom and 0.975 (NIST/
// SEMATECH e-Handbook 1.3.6.7.2); the rest is worked out by hand.
func TestLimitsOf(t *testing.T) {
	sweep := func(sample string, before, after float64) *references.Sweep {
		s := &references.Sweep{Sample: sample}
		if before >= 0 {
			s.Supply.Before = &references.Span{Low: before, High: before}
		}
		if after >= 0 {
			s.Supply.After = &references.Span{Low: after, High: after}
		}
		return s
	}
	tests := []struct {
		about  string
		sweeps []*references.Sweep
		want   Limits
	}{
		{"nothing known", []*references.Sweep{sweep("1", -1, -1)}, Limits{}},
		{"one board", []*references.Sweep{sweep("1", 2e-3, -1)}, Limits{MostBefore: 2e-3 + 1e-3 + 0.5e-3}},
		{"two sweeps of one board", []*references.Sweep{sweep("1", 1e-3, -1), sweep("1", 3e-3, -1)}, Limits{MostBefore: 3.5e-3}},
		// mean 2.2, s 0.2: 4.303 * 0.2 * sqrt(4/3) = 0.9937
		{"three boards", []*references.Sweep{sweep("1", 2e-3, -1), sweep("2", 2.4e-3, -1), sweep("", 2.2e-3, -1)}, Limits{MostBefore: 3.1937e-3}},
		// mean 100, all alike: 20 % and 0.5 mA
		{"alike", []*references.Sweep{sweep("1", -1, 0.1), sweep("2", -1, 0.1)}, Limits{LeastAfter: 0.0795, MostAfter: 0.1205}},
		{"nothing drawn", []*references.Sweep{sweep("1", 0, -1), sweep("2", 0, -1)}, Limits{MostBefore: 0.5e-3}},
	}
	for _, tt := range tests {
		got := LimitsOf(&references.Library{Sweeps: tt.sweeps})
		for _, x := range [][2]float64{{got.MostBefore, tt.want.MostBefore}, {got.LeastAfter, tt.want.LeastAfter}, {got.MostAfter, tt.want.MostAfter}} {
			if math.Abs(x[0]-x[1]) > 1e-6 {
				t.Errorf("%s: %+v, want %+v", tt.about, got, tt.want)
				break
			}
		}
	}
	if got := (Limits{MostBefore: 1}).over(Limits{MostBefore: 2, MostAfter: 3}); got != (Limits{MostBefore: 1, MostAfter: 3}) {
		t.Errorf("limits over others are %+v", got)
	}
}
