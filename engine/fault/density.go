package fault

import (
	"math"

	"halfsplit/references"
)

func square(x float64) float64 { return x * x }

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

// studentDensity is the density of Student's t at z. Nearly all predictions have
// fewDF degrees of freedom, for which
//
//	f(z) = G(7/2) / (sqrt(6 pi) G(3)) * (1 + z^2/6)^(-7/2),  G(7/2)/G(3) = 15 sqrt(pi)/16.
func studentDensity(z, df float64) float64 {
	if df == fewDF {
		x := 1 + z*z/6
		return 0.3827327723098716 / (x * x * x * math.Sqrt(x)) // 15/(16 sqrt 6)
	}
	return math.Exp(references.StudentT{Scale: 1, DF: df}.LogProb(z))
}

// student is Student's t, ready for many densities.
type student struct {
	df, top, peak float64 // top is the logarithm of the density at 0, and peak the density
	// roots is df+1 where that is a whole number: the density is the peak over the power
	// (df+1)/2 of 1 + z^2/df, for which multiplications and a root do.
	roots int
}

func newStudent(df float64) student {
	t := student{df: df, peak: studentDensity(0, df)}
	t.top = math.Log(t.peak)
	if df <= 100 && df == math.Trunc(df) {
		t.roots = int(df) + 1
	}
	return t
}

func (t student) density(z float64) float64 {
	if t.roots == 0 {
		return math.Exp(t.top - (t.df+1)/2*math.Log1p(z*z/t.df))
	}
	x := 1 + z*z/t.df
	q := 1.0
	if t.roots%2 == 1 {
		q = math.Sqrt(x)
	}
	for n := t.roots / 2; n > 0; n /= 2 {
		if n%2 == 1 {
			q *= x
		}
		x *= x
	}
	return t.peak / q
}

// toNormal gives the standard normal deviate with the tail of Student's t at z, at
// most farOff.
func toNormal(z, df float64) float64 {
	t := references.StudentT{Scale: 1, DF: df}
	return math.Copysign(normalTail(t.Upper(math.Abs(z))), z)
}

// normalTail gives the standard normal deviate, from 0 to farOff, with a tail of q:
// Newton's method on log Q(x) = log q, with Q the upper tail and phi its density,
//
//	x <- x + (log Q - log q) Q / phi
//
// which keeps its figures where 1 - q is 1 to the computer.
func normalTail(q float64) float64 {
	if !(q > farOffTail) {
		return farOff
	}
	if q >= 0.5 {
		return 0
	}
	x := math.Sqrt(-2 * math.Log(2*q)) // above the root, from where Newton comes down
	for range 60 {
		tail := 0.5 * math.Erfc(x/math.Sqrt2)
		step := (math.Log(tail) - math.Log(q)) * tail / (math.Exp(-x*x/2) / math.Sqrt(2*math.Pi))
		x += step
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	return math.Max(x, 0)
}

// addLogs adds two numbers given by their logarithms.
func addLogs(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// Level gives what to sort probabilities or resistances by: those alike to a millionth
// come out the same, but for the rare pair that a step of rounding parts, and stay in
// the order of the board, whatever the last digits are.
func Level(x float64) float64 { return math.Round(1e6 * math.Log(x)) }
