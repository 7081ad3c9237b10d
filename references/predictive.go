package references

import (
	"math"
	"slices"
)

// Predictive says what the next good board will read at one point: with
// probability OverloadShare the display shows OL, otherwise a voltage that follows
// Student's distribution around Center.
type Predictive struct {
	N             int     // readings it was made from, OL among them
	Center, Scale float64 // volts; NaN where no reading showed a voltage
	DF            float64 // degrees of freedom of the spread
	OverloadShare float64 // probability of OL
}

// DefaultSpread is the standard deviation in volts, from one good board to the
// next, of a point that reads volts, before any boards are compared: 1 mV of
// probe contact plus 2 % (resistors) up to the 6 mV of junctions, and 1 % from
// where that is more. Common practice, no source.
func DefaultSpread(volts float64) float64 {
	v := math.Abs(volts)
	return math.Max(math.Min(0.001+0.02*v, 0.006), 0.01*v)
}

// Predict makes the distribution of the next good board from voltages read on
// good boards and the number of boards that showed OL.
//
// Readings x1..xn are taken as normal with unknown mean and variance; the mean
// has a flat prior and the variance a scaled inverse chi-square prior of PriorDF
// degrees around DefaultSpread². The posterior variance then has
//
//	DF = PriorDF + n - 1
//	s² = (PriorDF*DefaultSpread² + sum (xi-mean)²) / DF
//
// and the next reading is Student with DF degrees around the mean, with scale
// s*sqrt(1+1/n) (Gelman et al., Bayesian Data Analysis, 3rd ed., 3.3, from
// memory). Without the prior this is mean, s*sqrt(1+1/n) and n-1 degrees, which
// says nothing at all for one board; with it, one board gives its reading give
// or take a little more than the default spread.
//
// The default spread is taken at the mean reading, a small looseness that spares
// an iteration.
func Predict(volts []float64, overloads int) Predictive {
	n := float64(len(volts))
	p := Predictive{
		N:             len(volts) + overloads,
		Center:        math.NaN(),
		Scale:         math.NaN(),
		OverloadShare: (float64(overloads) + overloadDoubt) / (n + float64(overloads) + 2*overloadDoubt),
	}
	if len(volts) == 0 {
		return p
	}
	var sum float64
	for _, v := range volts {
		sum += v
	}
	mean := sum / n
	var squares float64
	for _, v := range volts {
		squares += (v - mean) * (v - mean)
	}
	prior := DefaultSpread(mean)
	p.Center = mean
	p.DF = PriorDF + n - 1
	p.Scale = math.Sqrt((PriorDF*prior*prior+squares)/p.DF) * math.Sqrt(1+1/n)
	return p
}

// PredictSamples is Predict on the readings of one point, one value per board:
// several readings of one board (two pins of a net, two sweeps of one sample)
// are averaged first, since they say nothing of how boards differ. The readings
// should come from like meters, or have been converted to one meter first.
//
// Strays do not count, as long as they are few: a bad board or a mistyped value among five
// would widen the interval until a fault fits into it. Where more than mostStrays
// of the boards lie far out, boards differ so, and all of them count.
func PredictSamples(samples []Sample) Predictive {
	volts, overloads := PerBoard(samples)
	far := stray(volts)
	near := slices.DeleteFunc(slices.Clone(volts), far)
	if float64(len(volts)-len(near)) > mostStrays*float64(len(volts)) {
		near = volts
	}
	p := Predict(near, overloads)
	p.N = len(volts) + overloads
	return p
}

// stray tells readings that lie far from the others of a place: median and median
// absolute deviation, but no less than the default spread.
func stray(volts []float64) func(float64) bool {
	median, spread := RobustSpread(volts)
	limit := strayLimit * math.Max(spread, DefaultSpread(median))
	return func(v float64) bool { return math.Abs(v-median) > limit }
}

// WithoutBoard leaves out the samples of a board, by its place in PerBoard.
func WithoutBoard(samples []Sample, board int) []Sample {
	of, boards := boardOf(samples)
	voltage := make([]bool, boards)
	for i, s := range samples {
		voltage[of[i]] = voltage[of[i]] || !s.Overload
	}
	left := board
	out := slices.Index(voltage, true)
	for ; left > 0; left-- {
		out += 1 + slices.Index(voltage[out+1:], true)
	}
	var rest []Sample
	for i, s := range samples {
		if of[i] != out {
			rest = append(rest, s)
		}
	}
	return rest
}

// Wrong gives the chance that a value of one board, in volts, is not of the same point
// as those of others.
func Wrong(volts float64, others []float64) float64 {
	mean, n := 0.0, float64(len(others))
	for _, v := range others {
		mean += v / n
	}
	spread := DefaultSpread(mean)
	squares := WrongDF * spread * spread
	for _, v := range others {
		squares += (v - mean) * (v - mean)
	}
	t := StudentT{Center: mean, DF: WrongDF + n - 1}
	t.Scale = math.Sqrt(squares/t.DF) * math.Sqrt(1+1/n)
	right := (1 - wrongValue) * math.Exp(t.LogProb(volts))
	return wrongValue / displaySpan / (wrongValue/displaySpan + right)
}

// WrongKind gives the chance that a few boards are wrong which read OL where many read a
// voltage, or a voltage where many read OL. The other way to explain them is that good
// boards differ there: their share of OL is then unknown, Beta distributed with
// overloadDoubt on either side. tail is the probability that a board of the many reads like
// the few after all, its voltage being near the limit of the display.
func WrongKind(few, many int, tail float64) float64 {
	logBeta := func(a, b float64) float64 {
		x, _ := math.Lgamma(a)
		y, _ := math.Lgamma(b)
		z, _ := math.Lgamma(a + b)
		return x + y - z
	}
	n, m := float64(many), float64(few)
	// as logarithms, for those of hundreds of boards are too small for a number
	wrong := math.Log(0.5) + m*math.Log(wrongValue*wrongOpen) + n*math.Log1p(-wrongValue)
	differ := logBeta(m+overloadDoubt, n+overloadDoubt) - logBeta(overloadDoubt, overloadDoubt)
	near := math.Log(0.5) + m*math.Log(tail)
	return 1 / (1 + math.Exp(differ-wrong) + math.Exp(near-wrong))
}

// PerBoard makes one value a board of the readings of one point: the mean of its
// voltages; OL, which is counted, where it read nothing else.
func PerBoard(samples []Sample) (volts []float64, overloads int) {
	of, boards := boardOf(samples)
	sum, count := make([]float64, boards), make([]int, boards)
	for i, s := range samples {
		if !s.Overload {
			sum[of[i]] += s.Volts
			count[of[i]]++
		}
	}
	for b := range boards {
		if count[b] > 0 {
			volts = append(volts, sum[b]/float64(count[b]))
		}
	}
	return volts, boards - len(volts)
}

// boardOf numbers the boards of samples in the order in which they come: sweeps of one
// sample are of one board, and a sweep without a sample is of a board of its own.
func boardOf(samples []Sample) (of []int, boards int) {
	bySample := make(map[string]int)
	bySweep := make(map[*Sweep]int)
	for _, s := range samples {
		i, known := bySweep[s.Sweep]
		if name := s.Sweep.Sample; !known && name != "" {
			i, known = bySample[name]
		}
		if !known {
			i = boards
			boards++
		}
		bySweep[s.Sweep], bySample[s.Sweep.Sample] = i, i
		of = append(of, i)
	}
	return of, boards
}

// Voltage is the distribution of the reading where it is not OL. Its Center is
// NaN where no reading showed a voltage.
func (p Predictive) Voltage() StudentT {
	return StudentT{Center: p.Center, Scale: p.Scale, DF: p.DF}
}

// LogProb is the natural logarithm of the density, per volt, of reading volts.
// A voltage where only OL was ever seen is taken as equally likely anywhere in
// the display's range.
func (p Predictive) LogProb(volts float64) float64 {
	density := -math.Log(displaySpan)
	if !math.IsNaN(p.Center) {
		density = p.Voltage().LogProb(volts)
	}
	return math.Log1p(-p.OverloadShare) + density
}

// OverloadProb is the probability that a meter which shows OL above over volts
// shows it: boards that read OL, and the tail of the voltages beyond over.
func (p Predictive) OverloadProb(over float64) float64 {
	if math.IsNaN(p.Center) {
		return p.OverloadShare
	}
	return p.OverloadShare + (1-p.OverloadShare)*p.Voltage().Upper(over)
}

// Interval is the interval in volts that holds the share level of the boards
// that read a voltage; NaN, NaN where none did.
func (p Predictive) Interval(level float64) (low, high float64) {
	if math.IsNaN(p.Center) {
		return math.NaN(), math.NaN()
	}
	return p.Voltage().Interval(level)
}

// differ compares two lines on the mean of their boards (Welch's comparison with
// the smaller number of degrees, which leans to the safe side). It returns the
// chance that lines which are alike differ as much, and the probability that
// these are not alike, if unlikePrior of such groups are not and then differ by
// up to 0.5 V either way.
func differ(a, b Predictive) (chance, sure float64) {
	if math.IsNaN(a.Center) || math.IsNaN(b.Center) {
		if math.IsNaN(a.Center) == math.IsNaN(b.Center) || min(a.N, b.N) < minPeers {
			return 1, 0
		}
		return 0, 1 - overloadDoubt
	}
	// Scale is s*sqrt(1+1/n); the mean varies by s/sqrt(n).
	mean := func(p Predictive) float64 { return p.Scale / math.Sqrt(p.DF-PriorDF+2) }
	spread := StudentT{Scale: math.Hypot(mean(a), mean(b)), DF: math.Min(a.DF, b.DF)}
	away := math.Abs(a.Center - b.Center)
	alike := (1 - unlikePrior) * math.Exp(spread.LogProb(away))
	return 2 * spread.Upper(away), unlikePrior / (unlikePrior + alike)
}
