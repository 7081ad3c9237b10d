package diagnose

import (
	"slices"
	"testing"
)

// TestOutOfRangeUnmoved: a joint soldered anew leaves the reading where it was, though on
// a warm board it would do by itself; what has come back is in range.
func TestOutOfRangeUnmoved(t *testing.T) {
	at := func(volts, known float64, verdict Verdict) Comparison {
		return Comparison{At: "J1.3", Polarity: "red-on-ground", Volts: &volts, KnownGood: &known, Verdict: verdict}
	}
	before := at(0.434, 0.412, High)
	for _, tt := range []struct {
		after Comparison
		want  []string
	}{
		{at(0.433, 0.413, Agrees), []string{"J1.3"}},
		{at(0.414, 0.413, Agrees), nil},
		{at(0.428, 0.413, Agrees), nil}, // came a part of the way
		{Comparison{At: "J1.3", Polarity: "red-on-ground", Overload: true, Verdict: Agrees}, nil},
	} {
		d := &Findings{Readings: []Comparison{before, tt.after}}
		if got := d.OutOfRange(); !slices.Equal(got, tt.want) {
			t.Errorf("0.434 V, then %+v: out of range %v, want %v", tt.after, got, tt.want)
		}
	}
}
