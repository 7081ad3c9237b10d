package outside

import (
	"math"
	"slices"

	"halfsplit/engine/practice"
)

// Predict predicts the readings of all probes of a problem, in volts, of a board
// with a fault; nil is a good board.
type Predict func(p *Problem, f *practice.Fault) (Prediction, error)

// Prediction is a joint distribution of readings, near enough normal. The mean of a
// reading above the meter's limit is NaN: OL, and no part of the rest.
type Prediction struct {
	Mean, SD []float64
	// Corr are the correlations; nil where the model has none, and then only means
	// and standard deviations are judged.
	Corr [][]float64
}

// Score is how a prediction compares with readings from outside.
type Score struct {
	Boards, Readings int
	Mean             float64   // largest difference of a mean, in standard errors
	SD               float64   // largest difference of a standard deviation, as a share of the predicted one
	Corr, CorrRMS    float64   // largest and root-mean-square difference of a correlation
	Uniform          []float64 // chi-squared probabilities of Mahalanobis distances, one a board
}

// Compare holds a prediction to readings, a row for each board. A reading predicted
// as OL has to be OL (NaN) on every board, and no other: otherwise SD is infinite.
func (x *Prediction) Compare(rows [][]float64) Score {
	s := Score{Boards: len(rows)}
	var at []int
	for i, m := range x.Mean {
		over := 0
		for _, row := range rows {
			if math.IsNaN(row[i]) {
				over++
			}
		}
		switch {
		case math.IsNaN(m) && over == len(rows):
		case math.IsNaN(m) || over > 0:
			s.SD = math.Inf(1)
			return s
		default:
			at = append(at, i)
		}
	}
	s.Readings = len(at)
	n := float64(len(rows))
	z := make([][]float64, len(at)) // in predicted standard deviations, by reading
	sd := make([]float64, len(at))
	for k, i := range at {
		mean := 0.0
		for _, row := range rows {
			z[k] = append(z[k], (row[i]-x.Mean[i])/x.SD[i])
			mean += z[k][len(z[k])-1] / n
		}
		for _, v := range z[k] {
			sd[k] += (v - mean) * (v - mean) / (n - 1)
		}
		sd[k] = math.Sqrt(sd[k])
		s.Mean = math.Max(s.Mean, math.Abs(mean)*math.Sqrt(n))
		s.SD = math.Max(s.SD, math.Abs(sd[k]-1))
	}
	if x.Corr == nil {
		return s
	}
	pairs := 0.0
	corr := make([][]float64, len(at))
	for a, i := range at {
		corr[a] = make([]float64, len(at))
		for b, j := range at {
			corr[a][b] = x.Corr[i][j]
			if b >= a {
				continue
			}
			d := correlation(z[a], z[b]) - x.Corr[i][j]
			s.Corr = math.Max(s.Corr, math.Abs(d))
			s.CorrRMS += d * d
			pairs++
		}
	}
	s.CorrRMS = math.Sqrt(s.CorrRMS / math.Max(pairs, 1))
	l, ok := cholesky(corr)
	if !ok {
		s.SD = math.Inf(1)
		return s
	}
	v := make([]float64, len(at))
	for r := range rows {
		for k := range at {
			v[k] = z[k][r]
		}
		s.Uniform = append(s.Uniform, chiSquared(norm2(forward(l, v)), float64(len(at))))
	}
	return s
}

func correlation(a, b []float64) float64 {
	n := float64(len(a))
	var ma, mb, aa, bb, ab float64
	for i := range a {
		ma, mb = ma+a[i]/n, mb+b[i]/n
	}
	for i := range a {
		aa, bb, ab = aa+(a[i]-ma)*(a[i]-ma), bb+(b[i]-mb)*(b[i]-mb), ab+(a[i]-ma)*(b[i]-mb)
	}
	return ab / math.Sqrt(aa*bb)
}

// Uniformity is the Kolmogorov-Smirnov distance of numbers from the uniform
// distribution on 0 to 1, and the distance that chance exceeds once in a hundred
// times (Stephens 1970, from memory).
func Uniformity(u []float64) (distance, limit float64) {
	u = slices.Clone(u)
	slices.Sort(u)
	n := float64(len(u))
	for i, x := range u {
		distance = math.Max(distance, math.Max(float64(i+1)/n-x, x-float64(i)/n))
	}
	return distance, 1.628 / (math.Sqrt(n) + 0.12 + 0.11/math.Sqrt(n))
}

// chiSquared is the probability that a chi-squared variable of so many degrees stays
// below x: the regularised lower incomplete gamma function, by its series and, from
// its middle on, by its continued fraction (Abramowitz and Stegun 6.5.29, 6.5.31).
func chiSquared(x, degrees float64) float64 {
	a := degrees / 2
	if x /= 2; !(x > 0) {
		return 0
	}
	lg, _ := math.Lgamma(a)
	front := math.Exp(a*math.Log(x) - x - lg)
	if x < a+1 {
		sum, term := 1/a, 1/a
		for n := 1.0; term > sum*1e-15; n++ {
			term *= x / (a + n)
			sum += term
		}
		return front * sum
	}
	f := 0.0
	for n := 200.0; n > 0; n-- {
		f = n * (n - a) / (x + 2*n + 1 - a - f)
	}
	return 1 - front/(x+1-a-f)
}

// cholesky factors a symmetric positive matrix into L L', L below the diagonal.
func cholesky(a [][]float64) ([][]float64, bool) {
	l := make([][]float64, len(a))
	for i := range a {
		l[i] = make([]float64, len(a))
		for j := 0; j <= i; j++ {
			s := a[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				if !(s > 0) {
					return nil, false
				}
				l[i][i] = math.Sqrt(s)
				continue
			}
			l[i][j] = s / l[j][j]
		}
	}
	return l, true
}

// forward solves L x = v.
func forward(l [][]float64, v []float64) []float64 {
	x := make([]float64, len(v))
	for i := range v {
		s := v[i]
		for k := range i {
			s -= l[i][k] * x[k]
		}
		x[i] = s / l[i][i]
	}
	return x
}

// backward solves L' x = v.
func backward(l [][]float64, v []float64) []float64 {
	x := make([]float64, len(v))
	for i := len(v) - 1; i >= 0; i-- {
		s := v[i]
		for k := i + 1; k < len(v); k++ {
			s -= l[k][i] * x[k]
		}
		x[i] = s / l[i][i]
	}
	return x
}

func norm2(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x * x
	}
	return s
}

// Linear predicts by the own solver and differences: the mean at the means of the
// unknowns, the covariance by the slopes there. It is what a model that linearises
// can reach, and shows that the goals can be met.
func Linear(p *Problem, f *practice.Fault) (Prediction, error) {
	const step = 0.1 // standard deviations
	u := make([]float64, p.Unknowns())
	at := func() ([]float64, error) {
		volts, err := p.Volts(p.Values(u), f)
		return p.Shown(u, volts), err
	}
	mean, err := at()
	if err != nil {
		return Prediction{}, err
	}
	n := len(mean)
	cov := make([][]float64, n)
	for i := range cov {
		cov[i] = make([]float64, n)
		cov[i][i] = p.SD.Noise * p.SD.Noise
	}
	for k := range u {
		u[k] = step
		up, err := at()
		if err != nil {
			return Prediction{}, err
		}
		u[k] = -step
		down, err := at()
		if err != nil {
			return Prediction{}, err
		}
		u[k] = 0
		for i := range cov {
			for j := range cov {
				cov[i][j] += (up[i] - down[i]) * (up[j] - down[j]) / (4 * step * step)
			}
		}
	}
	x := Prediction{Mean: mean, SD: make([]float64, n), Corr: cov}
	for i := range cov {
		x.SD[i] = math.Sqrt(cov[i][i])
		if mean[i] > p.Meter.Over {
			x.Mean[i] = math.NaN()
		}
	}
	for i := range cov {
		for j := range cov {
			cov[i][j] /= x.SD[i] * x.SD[j]
		}
	}
	return x, nil
}
