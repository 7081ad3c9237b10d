package references

import (
	"math"
	"testing"
)

func TestRobustSpread(t *testing.T) {
	tests := []struct {
		name           string
		values         []float64
		median, spread float64
	}{
		// The manual page of mad in the statistics package of R gives these as
		// its examples (from memory): mad(1:9) is 2.965204, and with 100 in place
		// of 9 the spread does not move.
		{"one to nine", []float64{1, 2, 3, 4, 5, 6, 7, 8, 9}, 5, 2.965204},
		{"nine gone wild", []float64{1, 2, 3, 4, 5, 6, 7, 8, 100}, 5, 2.965204},
		// By hand: deviations from 2 are 1 1 0 0 2 4 7, their median is 1.
		{"uneven", []float64{9, 1, 6, 1, 2, 4, 2}, 2, 1.482602},
		{"even count", []float64{1, 2, 4, 10}, 3, 1.5 * 1.482602},
		{"one", []float64{0.45}, 0.45, 0},
	}
	for _, test := range tests {
		median, spread := RobustSpread(test.values)
		if math.Abs(median-test.median) > 1e-12 || math.Abs(spread-test.spread) > 1e-6 {
			t.Errorf("%s: got %g, %g; want %g, %g", test.name, median, spread, test.median, test.spread)
		}
	}
	if median, spread := RobustSpread(nil); !math.IsNaN(median) || !math.IsNaN(spread) {
		t.Errorf("empty list: got %g, %g; want NaN, NaN", median, spread)
	}
}
