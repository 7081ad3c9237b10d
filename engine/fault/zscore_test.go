package fault

import (
	"halfsplit/references"
	"math"
	"testing"
)

// TestToNormal holds the deviates against the upper tails of the normal and of
// Student's t. Normal: Abramowitz and Stegun table 26.6, from memory. The last
// ones are far beyond where 1 - q is 1 to the computer.
func TestToNormal(t *testing.T) {
	for _, tt := range []struct{ tail, z float64 }{
		{0.5, 0}, {0.1, 1.2815515655446004}, {0.025, 1.959963984540054}, {0.001, 3.090232306167813},
		{9.865876450376946e-10, 6}, {7.619853024160527e-24, 10}, {1e-300, farOff}, {0, farOff}, {math.NaN(), farOff},
	} {
		if got := normalTail(tt.tail); math.Abs(got-tt.z) > 1e-9 {
			t.Errorf("the tail %g has the deviate %.12f, want %.12f", tt.tail, got, tt.z)
		}
	}
	last := math.Inf(-1)
	for z := -3e4; z < 3e4; z += 37.7 {
		for _, df := range []float64{3, fewDF, 30, math.Inf(1)} {
			if n := toNormal(z, df); math.IsNaN(n) || math.Abs(n) > farOff || n*z < 0 || math.Abs(n) > math.Abs(z)+1e-9 {
				t.Errorf("toNormal(%g, %g) = %g", z, df, n)
			}
		}
		n := toNormal(z, 5)
		if n < last-1e-9 {
			t.Errorf("toNormal falls to %g at %g", n, z)
		}
		last = n
	}
}

// TestStudent holds the density by multiplications against that by logarithms.
func TestStudent(t *testing.T) {
	for _, df := range []float64{3, 4, fewDF, 6.5, 30, 60, 200} {
		s := newStudent(df)
		for z := -40.0; z <= 40; z += 0.37 {
			want := math.Exp(references.StudentT{Scale: 1, DF: df}.LogProb(z))
			if got := s.density(z); math.Abs(got-want) > 1e-12*want {
				t.Errorf("density at %g with %g degrees of freedom is %g, want %g", z, df, got, want)
			}
		}
	}
}
