package practice

import (
	"fmt"
	"math/rand/v2"

	"halfsplit/netlist"
	"halfsplit/references"
)

// showVolts is how far, in volts, a fault has to move the true reading of some
// connector pin to count as one that shows.
const showVolts = 15e-3

// mostDraws bounds the search for faults that show.
const mostDraws = 10000

// DrawShowing draws n faults, all different, by their odds, such that each of
// them shows at some points of a good board, and tells how many draws it took.
func (d *Deck) DrawShowing(r *rand.Rand, n int, good *Board, meter Meter, at []netlist.Point, pols []references.Polarity) (faults []Fault, draws int, err error) {
	for draws < mostDraws {
		draws++
		faults = faults[:0]
		for range n {
			faults = append(faults, d.Draw(r))
		}
		if shows, err := ShowsAt(good, faults, meter, at, pols); err != nil || shows {
			return faults, draws, err
		}
	}
	return nil, draws, fmt.Errorf("no %d faults that show at the connectors of board %s in %d draws", n, good.Truth.Model.Board.Name, mostDraws)
}
