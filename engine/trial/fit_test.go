package trial

import (
	"math"
	"path/filepath"
	"testing"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestFitFollows fits the libraries of tuning trials, up to a dozen sweeps both ways
// round with several meters, and looks at what is left of good boards: less than the
// standard deviation between them. A fit that stays where junctions side by side bend
// its readings leaves more.
func TestFitFollows(t *testing.T) {
	for board, most := range map[string]float64{"sensor12": 1.0, "kestrel": 0.4, "dock60": 0.4} {
		trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", board+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		worst, fits := 0.0, 0
		for i := range trials {
			tr := &trials[i]
			if !tr.Tuning || fits == 24 {
				continue
			}
			fits++
			posterior, err := fit.Fit(tr.Model, references.NewLibrary(tr.Model.Board, tr.Library))
			if err != nil {
				t.Fatal(err)
			}
			squares, n := 0.0, 0.0
			for net := range tr.Model.Board.Nets {
				for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
					k, ok := posterior.Known(fit.Spot{Net: netlist.NetID(net), Contact: network.NoContact, Polarity: pol})
					if ok && k.Offset != 0 && !math.IsNaN(k.Scale) {
						squares += k.Offset * k.Offset / (k.Scale * k.Scale)
						n++
					}
				}
			}
			worst = math.Max(worst, math.Sqrt(squares/n))
		}
		t.Logf("%s: %d fits, at worst %.2f standard deviations", board, fits, worst)
		if fits == 0 || worst > most {
			t.Errorf("%s: a fit leaves %.2f standard deviations, want %.1f at most", board, worst, most)
		}
	}
}
