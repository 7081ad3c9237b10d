package network

import "halfsplit/netlist/parallel"

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
	workers := parallel.Workers(n, n)
	for len(c.spaces) < workers {
		c.spaces = append(c.spaces, NewWorkspace(c.m))
	}
	errs := make([]error, workers)
	parallel.Each(workers, n, func(k, i int) {
		if errs[k] == nil {
			c.spaces[k].Resume(nil)
			errs[k] = work(c.spaces[k], i)
		}
	})
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
