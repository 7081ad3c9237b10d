package references

import (
	"math"
	"testing"
)

// Upper critical values of Student's distribution, three decimals.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2. The .975
// values are typed from memory of that table. The column .999 is left out, because at few
// degrees the printed table is known to carry errors in its third decimal.
var nistCritical = []struct {
	df     float64
	values [5]float64 // for 0.90 0.95 0.975 0.99 0.995
}{
	{1, [5]float64{3.078, 6.314, 12.706, 31.821, 63.657}},
	{2, [5]float64{1.886, 2.920, 4.303, 6.965, 9.925}},
	{3, [5]float64{1.638, 2.353, 3.182, 4.541, 5.841}},
	{4, [5]float64{1.533, 2.132, 2.776, 3.747, 4.604}},
	{5, [5]float64{1.476, 2.015, 2.571, 3.365, 4.032}},
	{6, [5]float64{1.440, 1.943, 2.447, 3.143, 3.707}},
	{7, [5]float64{1.415, 1.895, 2.365, 2.998, 3.499}},
	{8, [5]float64{1.397, 1.860, 2.306, 2.896, 3.355}},
	{9, [5]float64{1.383, 1.833, 2.262, 2.821, 3.250}},
	{10, [5]float64{1.372, 1.812, 2.228, 2.764, 3.169}},
	{15, [5]float64{1.341, 1.753, 2.131, 2.602, 2.947}},
	{20, [5]float64{1.325, 1.725, 2.086, 2.528, 2.845}},
	{30, [5]float64{1.310, 1.697, 2.042, 2.457, 2.750}},
	{60, [5]float64{1.296, 1.671, 2.000, 2.390, 2.660}},
	{100, [5]float64{1.290, 1.660, 1.984, 2.364, 2.626}},
	{math.Inf(1), [5]float64{1.282, 1.645, 1.960, 2.326, 2.576}},
}

func TestStudentQuantileAgainstNIST(t *testing.T) {
	levels := [5]float64{0.90, 0.95, 0.975, 0.99, 0.995}
	for _, row := range nistCritical {
		d := StudentT{Scale: 1, DF: row.df}
		for i, p := range levels {
			// Half a unit of the last printed decimal.
			if got := quantile(d, p); math.Abs(got-row.values[i]) > 0.00051 {
				t.Errorf("quantile %g at %g degrees: got %.5f, NIST prints %.3f", p, row.df, got, row.values[i])
			}
			if got := d.CDF(-quantile(d, p)); math.Abs(got-(1-p)) > 1e-13 {
				t.Errorf("CDF of the lower quantile %g at %g degrees: got %.16f", 1-p, row.df, got)
			}
		}
	}
}

// At 1, 2 and 4 degrees the distribution has closed forms (any textbook; derived
// by integrating the density).
func TestStudentClosedForms(t *testing.T) {
	closed := map[float64]func(float64) float64{
		1: func(z float64) float64 { return 0.5 + math.Atan(z)/math.Pi },
		2: func(z float64) float64 { return 0.5 + z/(2*math.Sqrt(2+z*z)) },
		4: func(z float64) float64 {
			s := z / math.Sqrt(4+z*z)
			return 0.5 + 0.75*(s-s*s*s/3)
		},
	}
	for df, want := range closed {
		d := StudentT{Center: 0.45, Scale: 0.006, DF: df}
		for z := -8.0; z <= 8; z += 0.25 {
			x := d.Center + z*d.Scale
			if got := d.CDF(x); math.Abs(got-want(z)) > 1e-13 {
				t.Errorf("CDF at z=%g, %g degrees: got %.16f want %.16f", z, df, got, want(z))
			}
			if sum := d.CDF(x) + d.Upper(x); math.Abs(sum-1) > 1e-15 {
				t.Errorf("CDF+Upper at z=%g, %g degrees is %.17f", z, df, sum)
			}
		}
	}
}

// The density must be the slope of the distribution, also between whole degrees.
func TestStudentDensityIsSlope(t *testing.T) {
	const h = 1e-5
	for _, df := range []float64{0.5, 1.7, 4, 9.3, 120.5, 1999.9, 2000.1, 1e6, math.Inf(1)} {
		d := StudentT{Scale: 1, DF: df}
		for _, z := range []float64{-6, -2, -0.3, 0, 0.7, 1.3, 4} {
			slope := (d.CDF(z+h) - d.CDF(z-h)) / (2 * h)
			if z > 0 {
				slope = (d.Upper(z-h) - d.Upper(z+h)) / (2 * h)
			}
			got := math.Exp(d.LogProb(z))
			if math.Abs(got-slope) > 1e-8*got+1e-10 {
				t.Errorf("density at z=%g, %g degrees: %.12g, slope of CDF %.12g", z, df, got, slope)
			}
		}
	}
}

func TestStudentQuantileInvertsTails(t *testing.T) {
	for _, df := range []float64{0.3, 1, 2.5, 4, 30, 1e4, 1e8, math.Inf(1)} {
		d := StudentT{Scale: 1, DF: df}
		for _, p := range []float64{1e-12, 1e-6, 0.001, 0.2, 0.4999} {
			back := d.CDF(quantile(d, p))
			if math.Abs(back/p-1) > 1e-11 {
				t.Errorf("CDF(Quantile(%g)) at %g degrees is off by a share of %g", p, df, back/p-1)
			}
		}
		if low, high := d.Interval(0.95); math.Abs(low+high) > 1e-12 || math.Abs(d.CDF(high)-d.CDF(low)-0.95) > 1e-12 {
			t.Errorf("interval at %g degrees: %g to %g", df, low, high)
		}
	}
	d := StudentT{Center: 2, Scale: 1, DF: 3}
	if quantile(d, 0.5) != 2 || !math.IsInf(quantile(d, 0), -1) || !math.IsInf(quantile(d, 1), 1) || !math.IsNaN(quantile(d, 1.1)) {
		t.Error("quantiles at 0.5, 0, 1 and outside are not the centre, the infinities and NaN")
	}
}

// Tails at odd degrees and far out, by mpmath 1.3.0 with 30 digits:
// betainc(v/2, 1/2, 0, v/(v+t²), regularized=True)/2.
func TestStudentTailAgainstMpmath(t *testing.T) {
	tests := []struct{ z, df, tail float64 }{
		{0.3, 0.5, 0.42242957606524541},
		{2, 0.5, 0.22275744509156562},
		{10000.0, 0.5, 0.0032070097517369717},
		{0.1, 1.7, 0.46542898927985976},
		{3, 2.5, 0.036288047774515922},
		{7.3, 3.3, 0.0019090071159066393},
		{40, 3.3, 7.5294436408996808e-6},
		{1.1, 17.25, 0.14322337646730728},
		{9, 17.25, 3.139747196687871e-8},
		{0.01, 1000, 0.49601164096609364},
		{4, 1000, 3.4004959604390789e-5},
		{30, 1000, 7.6873437220217411e-142},
		{2, 1000000.0, 0.022750266925659604},
		{6, 1000000.0, 9.8692490617721733e-10},
		{2.5, 1000000000.0, 0.006209665405201247},
	}
	for _, test := range tests {
		got := StudentT{Scale: 1, DF: test.df}.Upper(test.z)
		if math.Abs(got/test.tail-1) > 2e-12 {
			t.Errorf("tail beyond %g at %g degrees: got %.17g want %.17g", test.z, test.df, got, test.tail)
		}
	}
}

// quantile is the x with CDF(x) = p, for 0 < p < 1; NaN outside, and the
// infinities at 0 and 1.
func quantile(t StudentT, p float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1:
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case p == 0.5:
		return t.Center
	case p > 0.5:
		return t.Center + t.Scale*studentTailInverse(1-p, t.DF)
	}
	return t.Center - t.Scale*studentTailInverse(p, t.DF)
}
