package parallel

import (
	"sync/atomic"
	"testing"
)

// TestEach: each piece is done once, by a worker that does one at a time.
func TestEach(t *testing.T) {
	for _, n := range []int{0, 1, 2, 7, 1000} {
		for _, workers := range []int{1, 3, 16} {
			done, busy := make([]int, n), make([]atomic.Bool, workers)
			Each(workers, n, func(k, i int) {
				if !busy[k].CompareAndSwap(false, true) {
					t.Errorf("worker %d does two pieces at once", k)
				}
				done[i]++
				busy[k].Store(false)
			})
			for i := range done {
				if done[i] != 1 {
					t.Errorf("piece %d of %d was done %d times by %d workers", i, n, done[i], workers)
				}
			}
		}
	}
	if Workers(8, 0) != 0 || Workers(1, 9) != 1 {
		t.Error("workers without work, or more than allowed")
	}
}
