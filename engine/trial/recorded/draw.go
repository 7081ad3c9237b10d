package recorded

import (
	"fmt"
	"math/rand/v2"

	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// mostDraws bounds the search for faults that show.
const mostDraws = 10000

// DrawShowing draws n faults from a deck, all different, by their odds, such that each of
// them shows at some points of a good board, and tells how many draws it took.
func DrawShowing(d *practice.Deck, r *rand.Rand, n int, good *practice.Board, meter practice.Meter, at []netlist.Point, pols []references.Polarity) (faults []practice.Fault, draws int, err error) {
	for draws < mostDraws {
		draws++
		faults = faults[:0]
		for range n {
			faults = append(faults, d.Draw(r))
		}
		if shows, err := practice.ShowsAt(good, faults, meter, at, pols); err != nil || shows {
			return faults, draws, err
		}
	}
	return nil, draws, fmt.Errorf("no %d faults that show at the connectors of board %s in %d draws", n, good.Truth.Model.Board.Name, mostDraws)
}
