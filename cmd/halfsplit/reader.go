package main

import (
	"errors"
	"io"
	"os"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// source opens what is read once from beginning to end: a file, a pipe, or standard
// input where - stands for it.
func (a *app) source(file string) (io.ReadCloser, error) {
	if file == "-" {
		return io.NopCloser(a.stdin), nil
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, instead(quoted(file)+" cannot be read: "+document.Reason(err), "check the path")
	}
	if info, err := f.Stat(); err == nil && info.IsDir() {
		f.Close()
		return nil, instead(quoted(file)+" is a folder, not a file", "name the files in it")
	}
	return f, nil
}

// reader holds the flags of commands that answer a question.
type reader struct {
	priors string
	costs  string
	rates  string
}

// modelFlags are of readers that weigh faults or steps.
func (r *reader) modelFlags(cmd *cobra.Command) {
	fileFlag(cmd, &r.priors, "priors", "`FILE` of likelihoods of faults, over the built-in ones")
	fileFlag(cmd, &r.costs, "costs", "`FILE` of repair time, over the built-in ones")
	fileFlag(cmd, &r.rates, "rates", "`FILE` of what repair time, parts and a replacement board cost: whether the repair is worth going on with")
}

// options loads the files that the flags name.
func (r *reader) options() (engine.Options, error) {
	var o engine.Options
	if r.priors != "" {
		p, err := fault.LoadPriors(r.priors)
		if err != nil {
			return o, insteadOf(kindPriors, r.priors, err)
		}
		o.Priors = p
	}
	if r.costs != "" {
		c, err := plan.LoadCosts(r.costs)
		if err != nil {
			return o, insteadOf(kindCosts, r.costs, err)
		}
		o.Costs = &c
	}
	if r.rates != "" {
		rates, err := plan.LoadRates(r.rates)
		if err != nil {
			return o, insteadOf(kindRates, r.rates, err)
		}
		o.Rates = rates
	}
	return o, nil
}

// openCase loads a case and prepares the engine for its board. Warnings are
// reported on the way.
func (a *app) openCase(file string, r *reader) (*journal.Case, *engine.Engine, error) {
	options, err := r.options()
	if err != nil {
		return nil, nil, err
	}
	c, err := journal.Load(file)
	if err != nil {
		return nil, nil, insteadOf(kindCase, file, err)
	}
	a.warn(c.Warnings)
	if c.Torn != nil {
		a.warn(document.Problems{c.Torn.Problem()})
	}
	a.warnUnused(c.Library)
	readings := 0
	for i := range c.Events {
		readings += len(c.Events[i].Readings)
	}
	options.Task = a.begin(wording.Count(readings, "reading"), c.Board)
	e, err := engine.New(c.Board, c.Library, options)
	return c, e, err
}

// showCase is openCase for a command that prints to a screen.
func (a *app) showCase(file string, r *reader) (*screen, *journal.Case, *engine.Engine, error) {
	s, err := a.screen()
	if err != nil {
		return nil, nil, nil, err
	}
	c, e, err := a.openCase(file, r)
	return s, c, e, err
}

// loadBoard loads a board, and says so where the file is of another kind.
func loadBoard(file string) (*netlist.Board, error) {
	b, err := netlist.Load(file)
	return b, insteadOf(kindBoard, file, err)
}

// openBoard loads a board and, where a folder is named, its known-good sweeps.
// Sweeps that cannot be read are warned of and left out.
func (a *app) openBoard(file, known string) (*netlist.Board, *references.Library, error) {
	b, err := loadBoard(file)
	if err != nil {
		return nil, nil, err
	}
	if known == "" {
		return b, references.NewLibrary(b, nil), nil
	}
	lib, err := references.LoadLibrary(known, b)
	if lib == nil {
		return nil, nil, err
	}
	var found document.Problems
	errors.As(err, &found)
	a.warn(found)
	a.warnUnused(lib)
	return b, lib, nil
}

// warnUnused says why there is no known good though files were named for it: most
// often a misspelt board name, or sweeps of another revision.
func (a *app) warnUnused(lib *references.Library) {
	if lib == nil || len(lib.Sweeps) > 0 || len(lib.Skipped) == 0 {
		return
	}
	first := lib.Skipped[0]
	a.warn(document.Problems{{
		Position: document.Position{File: first.File},
		What:     "set aside, as is every file in " + quoted(lib.Dir) + ": " + first.Why,
		Do:       "name good sweeps of this board and revision; without them only shorts and opens can be told",
	}})
}
