package repair

import (
	"math"
	"testing"

	"halfsplit/engine/diagnose"
)

// TestOutcomes: predictions three standard deviations apart are two outcomes, neither of
// which rules a hypothesis out; half a deviation apart they are one.
func TestOutcomes(t *testing.T) {
	rows, n := outcomes([]diagnose.Predicted{{Volts: 0.500, Sigma: 0.004}, {Volts: 0.512, Sigma: 0.004}, {Volts: 0.502, Sigma: 0.004}, {Over: true}}, softSigmas)
	if n != 3 || len(rows) != 4 || rows[3][2] != 1 {
		t.Fatalf("%d outcomes, %v", n, rows)
	}
	// the cut lies at 0.507: 1.75 and 1.25 standard deviations from its neighbours
	for i, want := range []float64{1, 0.106, 0.894} {
		if got := rows[i][0]; math.Abs(got-want) > 0.005 {
			t.Errorf("hypothesis %d falls into the first outcome with %.3f, want %.3f", i, got, want)
		}
	}
	if _, n := outcomes([]diagnose.Predicted{{Volts: 0.500, Sigma: 0.004}, {Volts: 0.502, Sigma: 0.004}}, softSigmas); n != 1 {
		t.Errorf("%d outcomes half a deviation apart, want 1", n)
	}
}
