package network

import (
	"runtime"
	"sync"
)

// Pool is a workspace for each processor.
type Pool struct {
	m      *Model
	spaces []*Workspace
}

// NewPool makes a pool for a model.
func NewPool(m *Model) *Pool { return &Pool{m: m} }

// Each does n pieces of work, numbered from 0, on every processor. Readings of one
// piece do not start where those of another ended, so that the results are the same
// to the last digit on any number of processors. A workspace stops at its first
// error; the first of them by workspace is returned. Only one call may run at a time.
func (c *Pool) Each(n int, work func(w *Workspace, i int) error) error {
	workers := max(1, min(runtime.GOMAXPROCS(0), n))
	for len(c.spaces) < workers {
		c.spaces = append(c.spaces, NewWorkspace(c.m))
	}
	errs := make([]error, workers)
	var wg sync.WaitGroup
	for k, w := range c.spaces[:workers] {
		wg.Go(func() {
			for i := k; i < n && errs[k] == nil; i += workers {
				w.Resume(nil)
				errs[k] = work(w, i)
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
