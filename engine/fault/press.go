package fault

import (
	"math"
	"slices"

	"halfsplit/netlist"
)

// Press is whether a reading changed while a part was pressed gently, as that of a joint
// does that comes and goes.
type Press struct {
	Part    netlist.PartID
	Obs     int // the observation without
	Changed bool
}

// PressShare gives the chance that a reading changes while a part is pressed, if the locus
// is what makes it.
func (l *Locus) PressShare(part netlist.PartID) float64 {
	if l == nil || l.Part != part {
		return pressStray
	}
	return pressStray + (pressCloses-pressStray)*l.Joint
}

// pressed gives the likelihood ratio of what was read under pressure for a locus that
// moves some observations.
func (s *search) pressed(l *Locus, moves []int) float64 {
	f := 1.0
	for _, x := range s.ev.Presses {
		if !slices.Contains(moves, x.Obs) {
			continue
		}
		if p := l.PressShare(x.Part); x.Changed {
			f *= p / pressStray
		} else {
			f *= (1 - p) / (1 - pressStray)
		}
	}
	return f
}

// swapped gives the logarithm of the likelihood ratio of all swaps for a good board, over
// one with a fault.
func (ev *Evidence) swapped() float64 {
	sum := 0.0
	for _, works := range ev.Swaps {
		if works {
			sum += math.Log(SwapMends / SwapStray)
		} else {
			sum += math.Log((1 - SwapMends) / (1 - SwapStray))
		}
	}
	return sum
}
