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

// drawn is faults that show at the connectors of a board, with how many draws
// they took.
type drawn struct {
	faults []Fault
	draws  int
}

// drawShowing draws n faults, all different, by their odds, such that each of
// them shows.
func drawShowing(r *rand.Rand, d *Deck, n int, good *Board, meter Meter, at []netlist.Point, pols []references.Polarity) (drawn, error) {
	var got drawn
	for got.draws < mostDraws {
		got.draws++
		got.faults = got.faults[:0]
		for range n {
			got.faults = append(got.faults, d.Draw(r))
		}
		if shows, err := showing(good, got.faults, meter, at, pols); err != nil || shows {
			return got, err
		}
	}
	return got, fmt.Errorf("no %d faults that show at the connectors of board %s in %d draws", n, good.Truth.Model.Board.Name, mostDraws)
}
