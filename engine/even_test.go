package engine

import (
	"math"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/netlist"
)

// Twelve lines that lie so many standard deviations off. The expected shares
// follow from the formula of the doc comment, worked by hand: 12 readings are worth
// 0.37 * 12 = 4.44 degrees beside the library's 8.
func TestEvenness(t *testing.T) {
	const df = 0.37 * 12
	share := func(median float64) float64 {
		own := median / 0.6745
		return math.Sqrt((8 + df*own*own) / (8 + df))
	}
	tests := []struct {
		about string
		far   [12]float64
		want  float64
	}{
		{"as expected", [12]float64{0.1, -0.2, 0.3, -0.4, 0.5, -0.6745, 0.6745, -0.8, 1, -1.2, 1.5, 2}, 1},
		{"an even board", [12]float64{0.1, -0.1, 0.2, -0.2, 0.3, -0.3, 0.3, -0.4, 0.4, -0.5, 0.5, 0.6}, share(0.3)},
		{"an uneven board", [12]float64{1, -1, 2, -2, 2, -2, 2, -3, 3, -3, 3, 3}, share(2)},
		{"four faulty lines on an even board", [12]float64{0.1, -0.1, 0.2, -0.2, 0.3, -0.3, 0.3, -0.4, 50, 50, 50, 50}, share(0.3)},
	}
	for _, tt := range tests {
		var obs []*fault.Observation
		for i, z := range tt.far {
			good := fault.Prediction{Volts: 0.5, Sigma: 0.006, Slope: 1}
			shift := 0.004
			obs = append(obs, &fault.Observation{Good: good, Volts: 0.5 + shift + z*0.006, Spot: fit.Spot{Net: netlist.NetID(i)}})
		}
		got, freedom := evenness(obs, 0.004)
		if math.Abs(got-tt.want) > 1e-9 || math.Abs(freedom-df) > 1e-9 {
			t.Errorf("%s: %.4f with %.2f degrees, want %.4f with %.2f", tt.about, got, freedom, tt.want, df)
		}
		if got, freedom := evenness(obs[:4], 0.004); got != 1 || freedom != 0 {
			t.Errorf("%s: four lines say %.3f with %.2f degrees, want nothing", tt.about, got, freedom)
		}
	}
}
