package quantity

import "math"

// Series is a series of preferred values of IEC 60063.
type Series int

// Series by their steps in a decade: E24 for 5 % parts, E96 for 1 % parts.
const (
	E24 Series = 24
	E96 Series = 96
)

// e24 is the table of IEC 60063. It departs from the rounded geometric series
// between 27 and 47 and at 82, so that it has to be listed.
var e24 = [24]float64{10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91}

// step returns the n-th value of a decade in hundredths, 100 to 999.
func (s Series) step(n int) float64 {
	if s == E24 {
		return e24[n] * 10
	}
	// IEC 60063: E96 is 10^(n/96) to three significant digits, without
	// exceptions.
	return math.Round(100 * math.Pow(10, float64(n)/96))
}

// Nearest returns the preferred value closest to value by ratio, which is how
// a tolerance counts. Value must be positive; otherwise it is returned as it
// is.
func Nearest(value float64, s Series) float64 {
	if !(value > 0) || math.IsInf(value, 0) {
		return value
	}
	decade := math.Floor(math.Log10(value))
	best, bestRatio := value, math.Inf(1)
	for d := decade - 1; d <= decade+1; d++ {
		for n := range int(s) {
			// Dividing by a power of ten keeps 4.7 exactly the float 4.7.
			candidate := s.step(n)
			if e := d - 2; e < 0 {
				candidate /= math.Pow(10, -e)
			} else {
				candidate *= math.Pow(10, e)
			}
			if ratio := math.Abs(math.Log(candidate / value)); ratio < bestRatio {
				best, bestRatio = candidate, ratio
			}
		}
	}
	return best
}
