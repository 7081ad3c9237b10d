// Package stat is the arithmetic of uncertainty that several packages need.
package stat

import (
	"math"
	"slices"
)

// Cholesky factors a positive definite matrix of n rows in place: k = L L', with L
// in the lower triangle. It gives the first row that is not positive, -1 for none.
func Cholesky(k []float64, n int) int {
	for i := 0; i < n; i++ {
		ki := k[i*n:][:i+1]
		for j := 0; j <= i; j++ {
			kj := k[j*n:][:j+1]
			s := ki[j]
			for l, x := range kj[:j] {
				s -= ki[l] * x
			}
			if i > j {
				ki[j] = s / kj[j]
				continue
			}
			if !(s > 0) {
				return i
			}
			ki[i] = math.Sqrt(s)
		}
	}
	return -1
}

// Substitute solves L L' x = v.
func Substitute(k []float64, n int, v []float64) []float64 {
	x := slices.Clone(v)
	for i := 0; i < n; i++ {
		for l, a := range k[i*n:][:i] {
			x[i] -= a * x[l]
		}
		x[i] /= k[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		x[i] /= k[i*n+i]
		for l, a := range k[i*n:][:i] {
			x[l] -= a * x[i]
		}
	}
	return x
}

// Invert gives the inverse of a matrix of n rows from its Cholesky factor. each does n
// pieces of work, at once or one after another; nil for the latter.
func Invert(k []float64, n int, each func(n int, work func(i int))) []float64 {
	if each == nil {
		each = func(n int, work func(i int)) {
			for i := range n {
				work(i)
			}
		}
	}
	// The inverse of L, row by row; then L^-T L^-1, whose entries are products of
	// columns of L^-1, held as rows of its transpose for the sake of the cache.
	up := make([]float64, n*n) // up[c*n+i] = (L^-1)[i][c]
	each(n, func(c int) {
		row := up[c*n:][:n]
		row[c] = 1 / k[c*n+c]
		for i := c + 1; i < n; i++ {
			sum := 0.0
			ki := k[i*n:][:i]
			for l := c; l < i; l++ {
				sum += ki[l] * row[l]
			}
			row[i] = -sum / k[i*n+i]
		}
	})
	inv := make([]float64, n*n)
	each(n, func(i int) {
		for j := 0; j <= i; j++ {
			sum := 0.0
			a, b := up[i*n:][:n], up[j*n:][:n]
			for l := i; l < n; l++ {
				sum += a[l] * b[l]
			}
			inv[i*n+j], inv[j*n+i] = sum, sum
		}
	})
	return inv
}
