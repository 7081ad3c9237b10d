package diagnose

import (
	"fmt"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Basis is what readings are judged on: a board with what good boards say about it. It is
// not changed after NewBasis and may be used by several goroutines.
type Basis struct {
	Board     *netlist.Board
	Library   *references.Library // may be nil
	Priors    *fault.Priors
	Model     *network.Model
	Posterior *fit.Posterior
}

// NewBasis prepares a board. The library of known-good sweeps may be nil or empty; the
// priors are fault.DefaultPriors where nil. The posterior is taken in place of a fit to the
// library, nil for the fit; the task ends work that takes long, nil for none.
func NewBasis(b *netlist.Board, lib *references.Library, priors *fault.Priors, posterior *fit.Posterior, task *network.Task) (*Basis, error) {
	e := &Basis{Board: b, Library: lib, Priors: priors, Posterior: posterior}
	if e.Priors == nil {
		e.Priors = fault.DefaultPriors()
	}
	if e.Posterior != nil {
		e.Model = e.Posterior.Model
		return e, nil
	}
	e.Model = network.New(b)
	e.Model.Task = task
	var err error
	if e.Posterior, err = fit.Fit(e.Model, lib); err != nil {
		return nil, fmt.Errorf("%s: %w", b.File, err)
	}
	return e, nil
}
