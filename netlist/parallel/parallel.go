// Package parallel does many pieces of work on every processor.
package parallel

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// Workers gives how many workers n pieces of work are worth: one for each processor,
// at most so many.
func Workers(most, n int) int { return min(runtime.GOMAXPROCS(0), most, n) }

// Each does n pieces of work, numbered from 0, with so many workers, numbered from 0 as
// well, and returns when all are done. Who does a piece is left to chance.
func Each(workers, n int, work func(worker, i int)) {
	var next atomic.Int64
	var all sync.WaitGroup
	for k := range workers {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				work(k, i)
			}
		})
	}
	all.Wait()
}

// Watched is Each, which tells watch, where it is not nil, how many pieces are done: every
// hundred as the first worker sees it, one call after the other.
func Watched(workers, n int, watch func(done int), work func(worker, i int)) {
	next := 0
	Each(workers, n, func(k, i int) {
		work(k, i)
		if k == 0 && watch != nil && i >= next {
			watch(i)
			next = i + 100
		}
	})
}
