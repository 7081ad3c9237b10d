package references

import "math"

// StudentT is the distribution of Student with DF degrees of freedom (any
// number above zero, not only whole ones), shifted to Center and stretched by
// Scale. Center and Scale have the unit of the readings. For DF = +Inf it is the
// normal distribution.
//
// The density is, with z = (x-Center)/Scale,
//
//	Gamma((DF+1)/2) / (Gamma(DF/2) sqrt(DF pi) Scale) * (1 + z²/DF)^(-(DF+1)/2)
//
// (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.6.4).
type StudentT struct {
	Center, Scale, DF float64
}

// manyDF is the number of degrees above which the tail is found from the normal
// distribution by Hill's transformation. The continued fraction loses about as
// many digits as DF has; at manyDF both agree to a share of 1e-11.
const manyDF = 1e4

// LogProb is the natural logarithm of the density at x.
func (t StudentT) LogProb(x float64) float64 {
	z := (x - t.Center) / t.Scale
	if math.IsInf(t.DF, 1) {
		return -z*z/2 - math.Log(t.Scale) - math.Log(2*math.Pi)/2
	}
	return logGammaRatio(t.DF/2) - math.Log(t.DF*math.Pi)/2 - math.Log(t.Scale) -
		(t.DF+1)/2*math.Log1p(z*z/t.DF)
}

// logGammaRatio is ln Gamma(a+1/2) - ln Gamma(a). For large a the two terms
// cancel, so Stirling's series is used instead (Abramowitz and Stegun 6.1.40,
// from memory; the test holds both branches together).
func logGammaRatio(a float64) float64 {
	if twice := int(2 * a); twice >= 1 && twice < len(halfGammaRatios) && float64(twice) == 2*a {
		return halfGammaRatios[twice]
	}
	return logGammaRatioOf(a)
}

// halfGammaRatios are the values at 1/2, 1, 3/2, ...: degrees of freedom are
// mostly whole, and a library of ten thousand sweeps asks millions of times.
var halfGammaRatios = func() (ratios [256]float64) {
	for twice := 1; twice < len(ratios); twice++ {
		ratios[twice] = logGammaRatioOf(float64(twice) / 2)
	}
	return ratios
}()

func logGammaRatioOf(a float64) float64 {
	if a < 1e3 {
		upper, _ := math.Lgamma(a + 0.5)
		lower, _ := math.Lgamma(a)
		return upper - lower
	}
	return math.Log(a)/2 - 1/(8*a) + 1/(192*a*a*a)
}

// CDF is the probability of a value at or below x. The lower tail keeps its
// relative accuracy; for the upper tail ask for Upper.
func (t StudentT) CDF(x float64) float64 {
	z := (x - t.Center) / t.Scale
	if z > 0 {
		return 1 - studentTail(z, t.DF)
	}
	return studentTail(-z, t.DF)
}

// Upper is the probability of a value above x, to full relative accuracy in the
// tail.
func (t StudentT) Upper(x float64) float64 {
	z := (x - t.Center) / t.Scale
	if z > 0 {
		return studentTail(z, t.DF)
	}
	return 1 - studentTail(-z, t.DF)
}

// Interval is the interval around Center that holds the share level (0.95, say)
// of the distribution.
func (t StudentT) Interval(level float64) (low, high float64) {
	half := t.Scale * studentTailInverse((1-level)/2, t.DF)
	return t.Center - half, t.Center + half
}

// studentTail is the probability that a standard Student variable exceeds z >= 0:
//
//	P(T > z) = I_x(df/2, 1/2) / 2,  x = df/(df+z²)
//
// (Abramowitz and Stegun 26.7.1 with 26.5.2, from memory).
func studentTail(z, df float64) float64 {
	switch {
	case math.IsInf(df, 1):
		return math.Erfc(z/math.Sqrt2) / 2
	case math.IsInf(z, 1):
		return 0
	case df >= manyDF:
		return math.Erfc(hillNormal(z, df)/math.Sqrt2) / 2
	}
	// 1-x is formed directly, so that neither end loses digits.
	square := z * z
	if math.IsInf(square, 1) {
		return 0
	}
	sum := df + square
	return incompleteBeta(df/2, 0.5, df/sum, square/sum) / 2
}

// hillNormal is the normal deviate with the same tail as the Student deviate z
// (Hill 1970, Algorithm 395 of the Communications of the ACM; coefficients from
// memory, the test holds them to tails computed otherwise).
func hillNormal(z, df float64) float64 {
	a := df - 0.5
	b := 48 * a * a
	y := a * math.Log1p(z*z/df)
	return (((((-0.4*y-3.3)*y-24)*y-85.5)/(0.8*y*y+100+b)+y+3)/b + 1) * math.Sqrt(y)
}

// studentTailInverse is the z with studentTail(z, df) = tail, for
// 0 < tail <= 1/2. The root is bracketed by doubling and closed by Newton steps
// on the logarithm of the tail, which is nearly straight both in the far
// power-law tail and in the middle; a step that leaves the bracket is replaced
// by a bisection, so it always ends.
func studentTailInverse(tail, df float64) float64 {
	if tail >= 0.5 {
		return 0
	}
	low, high := 0.0, 1.0
	for studentTail(high, df) > tail && high < math.MaxFloat64/4 {
		low, high = high, high*2
	}
	standard := StudentT{Scale: 1, DF: df}
	z := (low + high) / 2
	for range 200 {
		value := studentTail(z, df)
		if value > tail {
			low = z
		} else {
			high = z
		}
		// d(ln tail)/dz = -density/tail.
		next := z + math.Log(value/tail)*value/math.Exp(standard.LogProb(z))
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-z) <= 1e-15*next {
			return next
		}
		z = next
	}
	return z
}

// incompleteBeta is the regularised incomplete beta function I_x(a, b), with
// y = 1-x passed beside x because the caller knows it more exactly. It is the
// continued fraction of Abramowitz and Stegun 26.5.8 (from memory), evaluated
// from the front by the method of Lentz, on the side of the mean where it
// converges quickly.
func incompleteBeta(a, b, x, y float64) float64 {
	if x <= 0 {
		return 0
	}
	if y <= 0 {
		return 1
	}
	if x > (a+1)/(a+b+2) {
		return 1 - incompleteBeta(b, a, y, x)
	}
	front := math.Exp(a*logOf(x, y) + b*logOf(y, x) - logBeta(a, b))
	return front * betaFraction(a, b, x) / a
}

// logOf is ln v where rest = 1-v, exact for v near one.
func logOf(v, rest float64) float64 {
	if rest < 0.5 {
		return math.Log1p(-rest)
	}
	return math.Log(v)
}

// logBeta is the logarithm of the beta function of a and b. One of the two is
// 1/2 in Student's distribution, where the difference of two large logarithms is
// avoided.
func logBeta(a, b float64) float64 {
	const logSqrtPi = 0.57236494292470008707 // ln Gamma(1/2) = ln(pi)/2
	switch {
	case b == 0.5:
		return logSqrtPi - logGammaRatio(a)
	case a == 0.5:
		return logSqrtPi - logGammaRatio(b)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	return la + lb - lab
}

// betaFraction is the continued fraction of the incomplete beta function. The
// number of terms grows as sqrt(max(a, b)); at manyDF some hundred are needed.
func betaFraction(a, b, x float64) float64 {
	const tiny = 1e-300 // stands for a zero denominator (Lentz)
	c, d := 1.0, 1-(a+b)*x/(a+1)
	if math.Abs(d) < tiny {
		d = tiny
	}
	d = 1 / d
	fraction := d
	for i := range 10_000 {
		m := float64(i + 1)
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		for _, term := range [2]float64{even, odd} {
			d = 1 + term*d
			if math.Abs(d) < tiny {
				d = tiny
			}
			c = 1 + term/c
			if math.Abs(c) < tiny {
				c = tiny
			}
			d = 1 / d
			fraction *= d * c
		}
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return fraction
}
