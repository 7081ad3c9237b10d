// Package engine answers the bench's two questions: what explains these
// readings, and what is to be done next.
//
// In most cases:
//
//	c, err := journal.Load("cases/touch-dead.yaml")
//	e, err := engine.New(c.Board, c.Library, engine.Options{})
//	d, err := e.Diagnose(c)
//	fmt.Println(d.Suspects[0].Part, d.Next[0].At)
//
// New compiles the board to a circuit (engine/network) and fits its junctions to
// what good boards read (engine/fit). Diagnose predicts every reading of the
// case for a good board and for each fault, weighs the sets of faults that
// explain them (engine/fault), and ranks what could be done next by the seconds
// it saves (engine/plan). Compare, Predict, Trace and Coverage answer smaller
// questions with the same model.
package engine

import (
	"fmt"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Options change what the engine believes and what bench time costs.
type Options struct {
	Priors *fault.Priors // nil for fault.DefaultPriors
	Costs  *plan.Costs   // nil for plan.DefaultCosts
	Rates  *plan.Rates   // nil where what a repair costs is not asked
	Limits plan.Limits   // of the planner's search
	// Posterior is taken in place of a fit to the library; nil for the fit.
	Posterior *fit.Posterior
	// Task ends work that takes long and counts how far it is; nil for none. It is of
	// no use beside a Posterior, whose model may be another engine's as well.
	Task *network.Task
}

// Engine is a board with what good boards say about it. It is not changed after
// New and may be used by several goroutines.
type Engine struct {
	Board     *netlist.Board
	Library   *references.Library // may be nil
	priors    *fault.Priors
	costs     plan.Costs
	rates     *plan.Rates
	limits    plan.Limits
	model     *network.Model
	posterior *fit.Posterior
}

// New prepares a board. The library of known-good sweeps may be nil or empty:
// the engine then knows only what junctions usually drop.
func New(b *netlist.Board, lib *references.Library, o Options) (*Engine, error) {
	e := &Engine{Board: b, Library: lib, priors: o.Priors, limits: o.Limits, posterior: o.Posterior}
	if e.priors == nil {
		e.priors = fault.DefaultPriors()
	}
	e.rates = o.Rates
	e.costs = plan.DefaultCosts()
	if o.Costs != nil {
		e.costs = *o.Costs
	}
	if e.posterior != nil {
		e.model = e.posterior.Model
		return e, nil
	}
	e.model = network.New(b)
	e.model.Task = o.Task
	posterior, err := fit.Fit(e.model, lib)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.File, err)
	}
	e.posterior = posterior
	return e, nil
}

// Undrawn lists nets on which good boards show a path to ground that no part in
// the board file accounts for.
func (e *Engine) Undrawn() []string {
	var names []string
	for _, n := range e.posterior.Undrawn {
		names = append(names, e.Board.Nets[n].Name)
	}
	return names
}
