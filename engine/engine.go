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
	"path/filepath"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Options change what the engine assumes and what bench time costs.
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

// DrawingDoubts lists in words what the good boards say against the board file: paths to
// ground that no part accounts for, and values that are not as drawn.
func (e *Engine) DrawingDoubts() []string {
	var out, nets []string
	for _, n := range e.posterior.Undrawn {
		nets = append(nets, e.Board.Nets[n].Name)
	}
	if len(nets) > 0 {
		out = append(out, "good boards show a path that the board file has no part for on "+list(nets)+"; look at the drawing of these lines first: a part is missing, or its pins are in another order")
	}
	if len(e.posterior.Freed) == 0 {
		return out
	}
	drawn := e.model.Nominal().Ohms
	for _, el := range e.posterior.Freed {
		part := &e.Board.Parts[e.model.Elements[el].Part]
		out = append(out, fmt.Sprintf("by the good boards %s has about %s, not %s as the board file says; look at its code", part.Name,
			quantity.Format(e.posterior.Values.Ohms[el], quantity.Ohm), quantity.Format(drawn[el], quantity.Ohm)))
	}
	return out
}

// Doubts are DrawingDoubts and what the good boards say against each other: readings that
// were left out.
func (e *Engine) Doubts() []string {
	out := e.DrawingDoubts()
	for _, m := range e.posterior.Misread {
		at := ""
		if m.Spot.Net != netlist.None {
			at = " on " + e.Board.Nets[m.Spot.Net].Name
		}
		out = append(out, fmt.Sprintf("%s: about %.3f V%s does not go with the other good boards and is left out; look for a typing error or a swapped pin", filepath.Base(m.Sweep.File), m.Volts, at))
	}
	return out
}
