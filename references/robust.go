package references

import (
	"math"
	"slices"
)

// madToSigma makes the median absolute deviation of a normal sample estimate its
// standard deviation: 1/Phi^-1(3/4) = 1.4826 (NIST/SEMATECH e-Handbook 1.3.5.17
// uses its reciprocal, 0.6745, in the modified z-score of Iglewicz and Hoaglin).
var madToSigma = 1 / (math.Sqrt2 * math.Erfinv(0.5))

// Median is the middle value, or the mean of the two middle values. It is NaN
// for an empty list. The list is not changed.
func Median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	middle := len(sorted) / 2
	if len(sorted)%2 == 1 {
		return sorted[middle]
	}
	return (sorted[middle-1] + sorted[middle]) / 2
}

// RobustSpread gives the median and the spread of a list in the same unit, the
// spread being the median absolute deviation times 1.4826, which estimates the
// standard deviation of a normal sample and is not moved by a few wild values.
// Both are NaN for an empty list.
func RobustSpread(values []float64) (median, spread float64) {
	median = Median(values)
	away := make([]float64, len(values))
	for i, v := range values {
		away[i] = math.Abs(v - median)
	}
	return median, madToSigma * Median(away)
}
