package repair

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/network"
)

// boards gives what is changed on the board of each hypothesis.
func (p *planning) boards() [][]network.Change {
	out := make([][]network.Change, len(p.hyps))
	for i := range p.hyps {
		out[i] = p.hyps[i].changes
	}
	return out
}

// wideVolts is the standard deviation in volts from which a prediction is too
// vague to make an outcome of its own.
const wideVolts = 0.015

// softSigmas is the distance in standard deviations from which a reading tells something
// between two predictions, if not for certain (common practice, no source).
const softSigmas = 1.5

// outcomes cuts what a reading may show into outcomes, and gives the probability of each
// under each hypothesis. The sharp predictions make them, and vague ones that lie apart
// from all sharp ones: sorted by voltage, a new outcome begins where one lies further than
// apart standard deviations from the first of the last outcome; OL is one more. Each
// hypothesis is spread over them by its normal distribution, cut half way between.
func outcomes(shows []diagnose.Predicted, apart float64) (rows [][]float64, n int) {
	order := make([]int, 0, len(shows))
	over := false
	for i, s := range shows {
		if s.Over {
			over = true
		} else if s.Sigma < wideVolts {
			order = append(order, i)
		}
	}
	sharp := order
	for i, s := range shows {
		near := func(k int) bool {
			return math.Abs(s.Volts-shows[k].Volts) <= diagnose.ApartSigmas*math.Hypot(s.Sigma, shows[k].Sigma)
		}
		if !s.Over && s.Sigma >= wideVolts && !slices.ContainsFunc(sharp, near) {
			order = append(order, i)
		}
	}
	sort.SliceStable(order, func(a, b int) bool { return shows[order[a]].Volts < shows[order[b]].Volts })
	var cuts []float64 // between outcomes, rising
	first := 0
	for k, i := range order {
		if a, b := shows[order[first]], shows[i]; b.Volts-a.Volts > apart*math.Hypot(a.Sigma, b.Sigma) {
			a = shows[order[k-1]]
			cuts = append(cuts, (a.Volts*b.Sigma+b.Volts*a.Sigma)/(a.Sigma+b.Sigma))
			first = k
		}
	}
	n = len(cuts)
	if len(order) > 0 {
		n++
	}
	last := n
	if over {
		n++
	}
	rows = make([][]float64, len(shows))
	for i, s := range shows {
		rows[i] = make([]float64, n)
		if s.Over {
			rows[i][last] = 1
			continue
		}
		from := 0.0
		for k := range last {
			to := 1.0
			if k < len(cuts) {
				to = normalBelow(cuts[k], s.Volts, s.Sigma)
			}
			if rows[i][k] = to - from; rows[i][k] < vagueShare {
				rows[i][k] = 0
			}
			from = to
		}
		normalise(rows[i])
	}
	return rows, n
}

func normalBelow(x, mean, sigma float64) float64 { return 0.5 * math.Erfc((mean-x)/(sigma*math.Sqrt2)) }

func normalise(row []float64) {
	sum := 0.0
	for _, x := range row {
		sum += x
	}
	for k := range row {
		row[k] /= sum
	}
}

// likeliest gives the hypothesis that an outcome most likely means, -1 for none.
func likeliest(rows [][]float64, outcome int, hyps []hypothesis) int {
	best, most := -1, 0.0
	for i := range rows {
		if w := rows[i][outcome] * hyps[i].weight; w > most {
			best, most = i, w
		}
	}
	return best
}

// vagueShare is the probability below which an outcome of a hypothesis is left out of
// the plan.
const vagueShare = 0.05
