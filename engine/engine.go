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
// what good boards read (engine/fit). Diagnose tells what the readings of a case mean
// (engine/diagnose) and what to do next (engine/repair). Compare, Predict and Coverage
// (engine/coverage) answer smaller questions with the same model.
package engine

import (
	"halfsplit/engine/coverage"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
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

// Engine is a board with what good boards say about it and what bench time costs. It is
// not changed after New and may be used by several goroutines.
type Engine struct {
	*diagnose.Basis
	terms repair.Terms
}

// New prepares a board. The library of known-good sweeps may be nil or empty:
// the engine then knows only what junctions usually drop.
func New(b *netlist.Board, lib *references.Library, o Options) (*Engine, error) {
	basis, err := diagnose.NewBasis(b, lib, o.Priors, o.Posterior, o.Task)
	if err != nil {
		return nil, err
	}
	e := &Engine{Basis: basis, terms: repair.Terms{Costs: plan.DefaultCosts(), Rates: o.Rates, Limits: o.Limits}}
	if o.Costs != nil {
		e.terms.Costs = *o.Costs
	}
	return e, nil
}

// Refit gives an engine of the same options for a case that has since drawn into its board,
// or into its library, what was found on the board and read on a good one.
func (e *Engine) Refit(c *journal.Case) (*Engine, error) {
	return New(c.Board, c.Library, Options{Priors: e.Priors, Costs: &e.terms.Costs, Rates: e.terms.Rates, Limits: e.terms.Limits, Task: e.Model.Task})
}

// Diagnose weighs what could explain the readings of a case and ranks what to do
// next.
func (e *Engine) Diagnose(c *journal.Case) (*repair.Diagnosis, error) {
	q, findings, err := e.Inquire(c)
	if err != nil {
		return nil, err
	}
	return repair.Advise(q, findings, e.terms)
}

// Coverage works out which faults a sweep of connector pins shows.
func (e *Engine) Coverage(q coverage.Request) (*coverage.Coverage, error) {
	return coverage.Of(e.Basis, q)
}
