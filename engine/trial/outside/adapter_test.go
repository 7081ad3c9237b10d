package outside

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The engine as it stands does not take a stated prior. What the prior says it learns
// from many good boards drawn from it, read at every probe.
const libraryBoards = 30

func engineOf(p *Problem, seed uint64) (*engine.Engine, *references.Library, error) {
	lib, err := p.Library(seed, libraryBoards)
	if err != nil {
		return nil, nil, err
	}
	e, err := engine.New(p.Model.Board, lib, engine.Options{})
	return e, lib, err
}

// engineMisses are the goals of TestPredicted that the engine as it stands misses. (Its
// means cannot but be off: a library of 30 boards knows the common shift to 1.5 mV.)
var engineMisses = map[string]bool{"means": true, "standard deviations": true, "correlations": true, "distances": true}

// enginePredict is Predict: a mean and a standard deviation for each point, and no
// correlation.
func enginePredict(t *testing.T) Predict {
	var e *engine.Engine
	return func(p *Problem, f *practice.Fault) (Prediction, error) {
		var err error
		if e == nil {
			if e, _, err = engineOf(p, 1); err != nil {
				return Prediction{}, err
			}
		}
		var x Prediction
		for _, probe := range p.Probes {
			q := diagnose.Question{Points: []string{p.Model.Board.PointName(probe.At)},
				Setting: diagnose.Setting{Drive: fit.DriveOf(p.Meter), BlackOnGround: probe.Polarity == references.BlackOnGround}}
			if f != nil {
				q.Faults = []string{asked(p, f)}
			}
			said, err := e.Predict(q)
			if err != nil {
				return x, err
			}
			mean := math.NaN()
			if said[0].Volts != nil {
				mean = *said[0].Volts
			}
			x.Mean, x.SD = append(x.Mean, mean), append(x.SD, said[0].Sigma)
		}
		return x, nil
	}
}

// asked writes a fault as a question to the engine has it.
func asked(p *Problem, f *practice.Fault) string {
	l := &f.Locus
	where := strings.ReplaceAll(l.Name(p.Model.Board), " to ", "-")
	if l.Part != netlist.None && l.Terminal >= 0 && (l.Change.Kind == network.Detach || network.Pinned(p.Model.Board.Parts[l.Part].Kind)) {
		where = p.Model.Board.PointName(p.Model.Board.TerminalPoint(netlist.TerminalRef{Part: l.Part, Terminal: l.Terminal}))
	}
	text := where + ":" + f.Mode.String()
	if !math.IsInf(f.Ohms, 1) {
		text += fmt.Sprintf("=%g", f.Ohms)
	}
	return text
}

// enginePosteriorMisses lists the boards of TestPosterior that the engine as it stands
// misses.
var enginePosteriorMisses = map[string]bool{"board 3": true, "board 4": true, "board 8": true}

// enginePosterior is what Diagnose lists of explanations by one fault.
func enginePosterior(p *Problem, readings []float64, faults []Hypothesis) ([]float64, error) {
	e, lib, err := engineOf(p, 1)
	if err != nil {
		return nil, err
	}
	c := &journal.Case{Board: p.Model.Board, Library: lib, Meter: p.Meter, Events: caseOf(p, readings)}
	c.All = c.Events
	d, err := e.Diagnose(c)
	if err != nil {
		return nil, err
	}
	said := map[string]float64{}
	for _, x := range d.Explanations {
		if len(x.Faults) == 1 {
			said[x.Faults[0].At+" "+x.Faults[0].Mode] += x.Probability
		}
	}
	out := make([]float64, len(faults))
	for i := range faults {
		l := &faults[i].Locus
		name := l.Name(p.Model.Board)
		if l.Part != netlist.None && l.Terminal >= 0 && (l.Series || network.Pinned(p.Model.Board.Parts[l.Part].Kind)) {
			name = p.Model.Board.PointName(p.Model.Board.TerminalPoint(netlist.TerminalRef{Part: l.Part, Terminal: l.Terminal}))
		}
		out[i] = said[name+" "+faults[i].Mode.Mode.String()]
	}
	return out, nil
}
