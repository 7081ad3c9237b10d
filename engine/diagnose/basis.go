package diagnose

import (
	"fmt"
	"path/filepath"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
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

// DrawingDoubts lists in words what the good boards say against the board file: paths to
// ground that no part accounts for, and values that are not as drawn.
func (e *Basis) DrawingDoubts() []string {
	var out, nets []string
	for _, n := range e.Posterior.Undrawn {
		if name := e.Board.Nets[n].Name; !slices.Contains(nets, name) {
			nets = append(nets, name)
		}
	}
	if len(nets) > 0 {
		out = append(out, "good boards show a path that the board file has no part for on "+list(nets)+"; look at the drawing of these lines first: a part is missing, its pins are in another order, or a value in the way is too high")
	}
	if len(e.Posterior.Freed) == 0 {
		return out
	}
	drawn := e.Model.Nominal().Ohms
	for _, el := range e.Posterior.Freed {
		part := &e.Board.Parts[e.Model.Elements[el].Part]
		out = append(out, fmt.Sprintf("the good boards go better with about %s for %s than with %s as the board file says; look at its code, and at their readings there",
			quantity.Format(e.Posterior.Values.Ohms[el], quantity.Ohm), part.Name, quantity.Format(drawn[el], quantity.Ohm)))
	}
	return out
}

// Doubts are DrawingDoubts and what the good boards say against each other: readings that
// were left out, and points on which they do not agree.
func (e *Basis) Doubts() []string {
	out := e.DrawingDoubts()
	for _, m := range e.Posterior.Misread {
		at := ""
		if m.Spot.Net != netlist.None {
			at = " on " + e.Board.Nets[m.Spot.Net].Name
		}
		out = append(out, fmt.Sprintf("%s: about %.3f V%s does not go with the other good boards and is left out; look for a typing error or a swapped pin", filepath.Base(m.Sweep.File), m.Volts, at))
	}
	var nets []string
	for _, s := range e.Posterior.InDoubt(worthTelling) {
		if s.Net != netlist.None && !slices.Contains(nets, e.Board.Nets[s.Net].Name) {
			nets = append(nets, e.Board.Nets[s.Net].Name)
		}
	}
	if len(nets) > 0 {
		out = append(out, "the good boards do not agree on what is right on "+list(nets)+"; read it again on a good board before you trust it")
	}
	return out
}

// worthTelling is the odds from which a doubt about what good boards read is told.
const worthTelling = 0.1
