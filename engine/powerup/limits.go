package powerup

import (
	"math"

	"halfsplit/references"
)

// A board may draw so much more or less than good boards did before it counts as
// another (common practice, no source): a share of their mean and a current that
// a supply's own display is off by. One board alone says little of the spread.
const (
	drawShare  = 0.2
	drawAlone  = 0.5
	drawOffset = 0.5e-3 // A
	drawLevel  = 0.95   // of the interval of Student's t for one board more
)

// LimitsOf gives what good boards draw, from the sweeps that say so.
func LimitsOf(l *references.Library) Limits {
	before, least, most := map[string][]float64{}, map[string][]float64{}, map[string][]float64{}
	for _, s := range l.Sweeps {
		sample := s.Sample
		if sample == "" {
			sample = "\x00" + s.File // a board of its own
		}
		if v := s.Supply.Before; v != nil {
			before[sample] = append(before[sample], v.High)
		}
		if v := s.Supply.After; v != nil {
			least[sample], most[sample] = append(least[sample], v.Low), append(most[sample], v.High)
		}
	}
	var x Limits
	if _, high, ok := interval(before); ok {
		x.MostBefore = high
	}
	if low, _, ok := interval(least); ok {
		_, high, _ := interval(most)
		x.LeastAfter, x.MostAfter = math.Max(low, 0), high
	}
	return x
}

// interval is where one good board more would lie: mean ± t s sqrt(1+1/n), with
// n-1 degrees of freedom, and never narrower than drawShare and drawOffset. Two
// readings of one board count as their mean.
func interval(boards map[string][]float64) (low, high float64, ok bool) {
	n := float64(len(boards))
	if n == 0 {
		return 0, 0, false
	}
	var means []float64
	sum := 0.0
	for _, list := range boards {
		m := 0.0
		for _, v := range list {
			m += v / float64(len(list))
		}
		means = append(means, m)
		sum += m
	}
	mean := sum / n
	half := drawAlone*mean + drawOffset
	if n > 1 {
		squares := 0.0
		for _, m := range means {
			squares += (m - mean) * (m - mean)
		}
		scale := math.Sqrt(squares/(n-1)) * math.Sqrt(1+1/n)
		half = drawShare*mean + drawOffset
		if scale > 0 {
			_, reach := references.StudentT{Scale: scale, DF: n - 1}.Interval(drawLevel)
			half = math.Max(half, reach)
		}
	}
	return mean - half, mean + half, true
}

// over gives the limits, with those that are not known taken from others.
func (l Limits) over(others Limits) Limits {
	if l.MostBefore == 0 {
		l.MostBefore = others.MostBefore
	}
	if l.MostAfter == 0 && l.LeastAfter == 0 {
		l.LeastAfter, l.MostAfter = others.LeastAfter, others.MostAfter
	}
	return l
}
