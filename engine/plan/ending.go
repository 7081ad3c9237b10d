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

// leastEnding is the probability below which a way is not followed further; it ends
// in the mean of what may follow.
const leastEnding = 1e-5

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
			end(spent+n.upper, p, n.hopeless > 0.5)
			return
		}
		if len(n.edges) > 0 {
			if e := n.pick((*edge).upper); n == root || !less(n.upper, e.upper()) {
				left := 1.0
				for _, k := range e.kids {
					follow(k.n, spent+e.cost, p*k.p)
					left -= k.p
				}
				if e.remedy >= 0 {
					end(spent+e.cost, p*left, false)
				}
				return
			}
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

// Endings hold the seconds of costs.yaml to the second; people do not. So their seconds
// are spread about those of the plan, log-normally.
const (
	// pace is the standard deviation of the natural logarithm of how long a person takes
	// for what the plan says: four in five within a third of it. Common practice, no
	// source.
	pace = 0.25
	// One repair in ten goes otherwise than the plan reckons with, as a reading misleads
	// or the fault is not among the hypotheses; astraySpread is how widely those are
	// spread. Both are chosen so that of 349 plays of tuning trials the ranges hold what
	// they say (50.4 and 90.1 %); without them they held 47.9 and 86.5 %. TestRange of
	// engine/trial measures them on the reporting trials.
	astray, astraySpread = 0.1, 1.5
)

// Within gives the probability that this ending comes within so many seconds.
func (e *Ending) Within(seconds float64) float64 {
	switch {
	case e.Seconds <= 0:
		return 1
	case seconds <= 0:
		return 0
	}
	z := math.Log(seconds / e.Seconds)
	normal := func(spread float64) float64 { return 0.5 * math.Erfc(-z/spread/math.Sqrt2) }
	return (1-astray)*normal(pace) + astray*normal(astraySpread)
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
