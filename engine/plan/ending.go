package plan

import (
	"cmp"
	"math"
	"slices"
)

// Ending is one way in which the policy that was found may end.
type Ending struct {
	Seconds     float64 // from the first step to the verified repair or, where it is given up, to there
	Probability float64
	// GivenUp tells that no remedy on the list repaired the board; Seconds has GiveUp in
	// it then. A hypothesis without needs ends neither repaired nor given up: nothing
	// had to be repaired.
	GivenUp bool
}

// endings follows the policy that was found from a state to all its ends, each with
// its probability. The probabilities sum to 1 and the mean of the seconds is that of
// the policy but for GiveUp where nothing is wrong.
func (s *search) endings(root *node) []Ending {
	var list []Ending
	end := func(seconds, p float64, givenUp bool) {
		if p > 0 {
			list = append(list, Ending{seconds, p, givenUp})
		}
	}
	var follow func(n *node, spent, p float64)
	follow = func(n *node, spent, p float64) {
		if p < leastEnding {
			end(spent+n.value, p, n.hopeless > 0.5)
			return
		}
		if e := n.next; e != nil {
			left := 1.0
			for _, k := range e.kids {
				follow(k.n, spent+e.cost, p*k.p)
				left -= k.p
			}
			if e.test == nil {
				end(spent+e.cost, p*left, false)
			}
			return
		}
		s.m.gather(n)
		s.m.sequence(n, func(seconds, repaired float64) { end(spent+seconds, p*repaired, false) }, func(seconds float64) {
			healthy := 0.0
			for i, h := range n.hyps {
				if len(s.m.needs[h]) == 0 {
					healthy += n.w[i]
				}
			}
			end(spent+seconds, p*healthy, false)
			end(spent+seconds+s.m.giveUp, p*(n.hopeless-healthy), true)
		})
	}
	follow(root, 0, 1)
	slices.SortFunc(list, func(a, b Ending) int { return cmp.Compare(a.Seconds, b.Seconds) })
	return list
}

// Within gives the probability that this ending comes within so many seconds.
func (e *Ending) Within(seconds float64) float64 {
	switch {
	case e.Seconds <= 0:
		return 1
	case seconds <= 0:
		return 0
	}
	return 0.5 * math.Erfc(-math.Log(seconds/e.Seconds)/pace/math.Sqrt2)
}

// Quantile gives the least value, up to most, at which a distribution function reaches a
// share of 1.
func Quantile(share, most float64, reached func(value float64) float64) float64 {
	low, high := 0.0, most
	for range 60 {
		if mid := (low + high) / 2; reached(mid) < share {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
