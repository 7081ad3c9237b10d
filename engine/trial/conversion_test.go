package trial

import (
	"math"
	"slices"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestConversionOfGuesses reads good boards drawn by people with a meter that no good board
// of the library was read with, on lines whose path good boards show and nobody drew. How
// the current splits there is a guess, and what conversion is said to be off is neither too
// little nor so much that a fault would hide in it.
func TestConversionOfGuesses(t *testing.T) {
	if testing.Short() {
		t.Skip("reads a hundred boards")
	}
	eachBoard(t, func(k int, name string, m *network.Model) {
		if name == "dock60" {
			return
		}
		far, squares, said := 0, 0.0, []float64{}
		for _, list := range parallel(t, 100, func(i int) (guessed []float64, err error) {
			seed := uint64(800_000*(k+1) + i)
			tr, err := openTrial(m, seed, showing(0), true, false)
			if err != nil {
				return nil, err
			}
			e, c := tr.engine, tr.Case(tr.library)
			if slices.ContainsFunc(tr.Library, func(s *references.Sweep) bool { return s.Meter.Name == c.Meter.Name }) {
				return nil, nil
			}
			list, err := e.Compare(c)
			if err != nil {
				return nil, err
			}
			for _, x := range list {
				at, err := tr.Board().Point(x.At)
				if err != nil {
					return nil, err
				}
				undrawn := slices.ContainsFunc(e.Model.Line(at.Net), func(n netlist.NetID) bool {
					return slices.Contains(e.Posterior.Undrawn, n) || slices.Contains(e.Posterior.Assumed, n)
				})
				if undrawn && x.KnownGood != nil && x.Volts != nil && *x.KnownGood > 0.05 {
					guessed = append(guessed, x.ZScore, x.Sigma)
				}
			}
			return guessed, nil
		}) {
			for z := range slices.Chunk(list, 2) {
				said = append(said, z[1])
				if squares += math.Min(z[0]*z[0], 25); math.Abs(z[0]) > 3.3 {
					far++
				}
			}
		}
		slices.Sort(said)
		rms := math.Sqrt(squares / float64(len(said)))
		t.Logf("%s: %d readings, %d out of range; standard deviations off: rms %.2f; said median %.1f mV", name, len(said), far, rms, 1e3*said[len(said)/2])
		if binomialTail(far, len(said), 0.01) < 0.01 || rms < 0.35 || rms > 1.1 {
			t.Errorf("%s: %d of %d out of range, goal 1 %%; rms %.2f, goal 0.35 to 1.1", name, far, len(said), rms)
		}
	})
}
