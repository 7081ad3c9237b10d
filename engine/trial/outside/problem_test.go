// Package outside judges what a model predicts of a board's readings by answers that
// do not come from it: boards drawn from a stated prior and read by ngspice, and
// posteriors worked out by weighted sampling, without linearisation, from the same
// prior.
//
// A Problem is a board with a stated prior. A model answers it with two functions:
// Predict, the joint distribution of readings under a fault, and Posterior, how
// likely each single fault is. The recorded answers are in testdata; the package's
// tests make them and hold a model to them:
//
//	go test ./engine/trial/outside -v
//	go test ./engine/trial/outside -run TestPredicted -refresh        # ngspice, a minute or two
//	go test ./engine/trial/outside -run TestPosterior -refresh        # sampling, minutes
//
// Predict and Posterior of the engine as it stands are in adapter_test.go.
package outside

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"halfsplit/engine/circuit"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Stated holds the standard deviations of a stated prior. Every unknown is normal and
// independent of the others; the means are Problem.Mean's.
type Stated struct {
	Drop      float64 // V, of each junction
	Lot       float64 // V, of all junctions of one part together
	Shift     float64 // V, of all junctions together
	Ideality  float64 // of each junction
	Series    float64 // ohm, of each junction
	Tolerance float64 // share, of each resistor's value
	Coil      float64 // share, of what other parts have in series
	Gain      float64 // share, of the meter
	Zero      float64 // V, of the meter
	Noise     float64 // V, of each reading by itself
}

// Usual is the stated prior of the recorded problems. Shift as in the agreed design;
// gain and zero those of a meter of 0.5 % and two counts (JCGM 100, 4.3.7); resistors
// of 1 %, three standard deviations; the others common practice, no source. Drops are
// about as well known as good boards make them: what has to be predicted is how they
// go together.
var Usual = Stated{Drop: 4e-3, Lot: 3e-3, Shift: 8e-3, Ideality: 0.12, Series: 3, Tolerance: 0.01 / 3, Coil: 0.1,
	Gain: 0.005 / math.Sqrt(3), Zero: 2e-3 / math.Sqrt(3), Noise: 0.8e-3}

// Probe is one reading with the other lead on ground.
type Probe struct {
	At       netlist.Point
	Polarity references.Polarity
}

// Problem is a board with a stated prior, and where it is read.
type Problem struct {
	Model  *network.Model
	Mean   *network.Values // means of the prior, at network.RefCelsius
	SD     Stated
	Probes []Probe
	Meter  references.Meter

	lots []netlist.PartID // parts with junctions
	lot  map[netlist.PartID]int
	ws   *network.Workspace
}

// NewProblem states a prior for a board: means from a seed, about where the engine
// assumes junctions to be, and standard deviations. Points are written as in case
// files; one that ends in "-" is read with the black probe on ground. It panics where
// the board or a point is wrong, which only its author can repair. A Problem is for one
// goroutine.
func NewProblem(text string, seed uint64, sd Stated, points ...string) *Problem {
	b, err := netlist.Parse(strings.NewReader(text), "problem")
	if err != nil {
		panic(err)
	}
	p := &Problem{Model: network.New(b), SD: sd, Meter: references.DefaultMeter(), lot: map[netlist.PartID]int{}}
	p.ws = network.NewWorkspace(p.Model)
	p.ws.Scope = true // as the decks have it
	p.Mean = p.Model.Nominal()
	for e := range p.Model.Elements {
		el, j := &p.Model.Elements[e], &p.Mean.Junctions[e]
		if el.Class != network.Junction || math.IsInf(j.Drop, 1) {
			continue
		}
		if _, ok := p.lot[el.Part]; !ok {
			p.lot[el.Part] = len(p.lots)
			p.lots = append(p.lots, el.Part)
		}
		r := practice.Random(seed, fmt.Sprintf("mean %d", e))
		j.Ideality, j.Series = 1.4, 10
		j.Drop = 0.45 + 0.25*r.Float64()
		if el.Origin == network.SupplyLoad {
			j.Drop, j.Ideality, j.Series = 0.8+0.2*r.Float64(), 2, 50
		}
	}
	p.Mean.Settle()
	for _, name := range points {
		pol := references.RedOnGround
		if n, ok := strings.CutSuffix(name, "-"); ok {
			name, pol = n, references.BlackOnGround
		}
		at, err := b.Point(name)
		if err != nil {
			panic(err)
		}
		p.Probes = append(p.Probes, Probe{at, pol})
	}
	return p
}

// Unknowns is how many unknowns the prior has. A board is a point in as many
// dimensions, each in standard deviations from the mean.
func (p *Problem) Unknowns() int { return 3*len(p.Model.Elements) + len(p.lots) + 3 }

// Draw draws a board from the prior, which does not depend on what paths the model
// provides for that are in no drawing.
func (p *Problem) Draw(r *rand.Rand) []float64 {
	u := make([]float64, p.Unknowns())
	for i := range u {
		if e := i / 3; e >= len(p.Model.Elements) || p.Model.Elements[e].Origin != network.NotDrawn {
			u[i] = r.NormFloat64()
		}
	}
	return u
}

// Values gives the values of a board.
func (p *Problem) Values(u []float64) *network.Values {
	v := p.Mean.Clone()
	n := 3 * len(p.Model.Elements)
	shift := p.SD.Shift * u[n+len(p.lots)]
	for e := range p.Model.Elements {
		el, j := &p.Model.Elements[e], &v.Junctions[e]
		switch {
		case el.Class == network.Resistive && p.Model.Board.Parts[el.Part].Kind == netlist.Resistor:
			v.Ohms[e] *= 1 + p.SD.Tolerance*u[3*e]
		case el.Class == network.Resistive:
			v.Ohms[e] *= 1 + p.SD.Coil*u[3*e]
		case !math.IsInf(j.Drop, 1):
			j.Drop += p.SD.Drop*u[3*e] + p.SD.Lot*u[n+p.lot[el.Part]] + shift
			j.Ideality = math.Max(j.Ideality+p.SD.Ideality*u[3*e+1], 1)
			j.Series = math.Max(j.Series+p.SD.Series*u[3*e+2], 0.1)
		}
	}
	v.Settle()
	return v
}

// Shown gives what the meter of a board makes of voltages, in place and without noise.
func (p *Problem) Shown(u, volts []float64) []float64 {
	n := len(u)
	for i := range volts {
		volts[i] += volts[i]*p.SD.Gain*u[n-2] + p.SD.Zero*u[n-1]
	}
	return volts
}

// place gives a probe's leads and a board's state with a fault; nil is a good board.
func (p *Problem) place(i int, f *practice.Fault) (network.Probe, *network.State) {
	st := &network.State{}
	if f != nil {
		st.Changes = []network.Change{f.Locus.At(f.Ohms)}
	}
	return fit.ProbeAt(p.Model, p.Model.PlaceOf(p.Probes[i].At), p.Probes[i].Polarity, fit.DriveOf(p.Meter)), st
}

// Volts gives the voltages between the leads by the own solver: the open voltage
// where no current flows.
func (p *Problem) Volts(v *network.Values, f *practice.Fault) ([]float64, error) {
	out := make([]float64, len(p.Probes))
	for i := range p.Probes {
		probe, st := p.place(i, f)
		r, err := p.ws.Read(probe, st, v)
		if err != nil {
			return nil, err
		}
		out[i] = r.Volts
	}
	return out, nil
}

// Circuit gives the circuit of one reading, for decks.
func (p *Problem) Circuit(v *network.Values, f *practice.Fault, i int) (circuit.Circuit, error) {
	probe, st := p.place(i, f)
	if err := p.ws.Build(probe, st, v); err != nil {
		return circuit.Circuit{}, err
	}
	c := *p.ws.Circuit()
	c.Resistors = append([]circuit.Resistor(nil), c.Resistors...)
	c.Junctions = append([]circuit.Junction(nil), c.Junctions...)
	return c, nil
}

// Loci lists what can be wrong with the board, with the engine's odds.
func (p *Problem) Loci() []fault.Locus {
	return fault.Loci(p.Model, fault.DefaultPriors(), p.Mean)
}

// Fault finds a fault by its place, as practice.Place writes it. It panics where
// there is none.
func (p *Problem) Fault(place string, mode fault.Mode, ohms float64) *practice.Fault {
	f, err := practice.FindFault(p.Model, p.Loci(), place, mode, ohms)
	if err != nil {
		panic(err)
	}
	return &f
}

// Library reads so many good boards of the prior at every probe, by the own solver,
// each with a meter of its own.
func (p *Problem) Library(seed uint64, boards int) (*references.Library, error) {
	var sweeps []*references.Sweep
	b := p.Model.Board
	for k := range boards {
		r := practice.Random(seed, fmt.Sprintf("good board %d", k))
		u := p.Draw(r)
		volts, err := p.Volts(p.Values(u), nil)
		if err != nil {
			return nil, err
		}
		p.Shown(u, volts)
		for i, v := range volts {
			volts[i] = v + p.SD.Noise*r.NormFloat64()
		}
		sweeps = append(sweeps, p.Sweeps(fmt.Sprint(k), volts)...)
	}
	return references.NewLibrary(b, sweeps), nil
}

// Sweeps writes readings of all probes of one good board as sweeps, one for each
// polarity.
func (p *Problem) Sweeps(sample string, volts []float64) []*references.Sweep {
	b := p.Model.Board
	var out []*references.Sweep
	for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
		s := &references.Sweep{File: sample + " " + pol.String(), Board: b.Name, Revision: b.Revision, Sample: sample, Meter: p.Meter,
			State: references.State{Polarity: pol, Celsius: network.RefCelsius}}
		for i, x := range p.Probes {
			if x.Polarity == pol {
				s.Readings = append(s.Readings, references.PointReading{At: x.At, Name: b.PointName(x.At), Reading: p.Reading(volts[i])})
			}
		}
		if len(s.Readings) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// Reading gives volts as the display shows them: to a tenth of a millivolt, finer
// than displays are, so that rounding is no part of the judgement; OL above the
// meter's limit or for NaN.
func (p *Problem) Reading(volts float64) quantity.Reading {
	if math.IsNaN(volts) || volts > p.Meter.Over {
		return quantity.Reading{Overload: true, Unit: quantity.Volt}
	}
	return quantity.Reading{Value: math.Round(volts*1e4) / 1e4, Unit: quantity.Volt}
}
