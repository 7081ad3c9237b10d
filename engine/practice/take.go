package practice

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"

	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// NewSimulator puts a board and a meter together, with nothing recorded.
func NewSimulator(w *Board, m Meter) *Simulator {
	return &Simulator{Board: w, Meter: m, looks: map[netlist.PartID]journal.Look{}}
}

// SetLook settles what a part looks like, whatever its state.
func (b *Simulator) SetLook(p netlist.PartID, l journal.Look) { b.looks[p] = l }

// Take is one reading, taken on one occasion: unlike Read, the same question
// asked again meets other noise.
type Take struct {
	At       netlist.Point
	To       *netlist.Point // nil for ground
	Polarity references.Polarity
	Ohms     bool // in resistance mode
	Edits    netlist.Edits
	Occasion string // tells this reading from all others
}

// Take gives what the meter shows. In resistance mode that is the resistance
// between the leads to the meter's accuracy, OL above its range.
func (b *Simulator) Take(t Take) (quantity.Reading, error) {
	board := b.Board.Truth.Model.Board
	m := b.Meter.Declared
	drive := b.Meter.drive
	if t.Ohms {
		// A meter in resistance mode is its open voltage behind a resistance, and
		// tells the resistance between the leads as a divider.
		drive = network.Drive{Resistive: true, Current: m.OhmsCurrent, Open: m.OhmsOpen, Over: m.OhmsOpen}
	}
	volts := drive.Open
	switch {
	case t.At.Net == board.Ground && (t.To == nil || t.To.Net == board.Ground):
		volts = 0
	case t.At.Net == netlist.None || t.To != nil && t.To.Net == netlist.None:
	default:
		var err error
		if volts, err = b.Board.Volts(b.Board.Probe(t.At, t.To, t.Polarity, drive), t.Edits); err != nil {
			return quantity.Reading{}, err
		}
	}
	occasion := fmt.Sprintf("%d %s", b.Board.Key(), t.Occasion)
	if !t.Ohms {
		return b.Meter.Show(volts, occasion), nil
	}
	if volts >= drive.Open*(1-1e-9) {
		return quantity.Reading{Overload: true, Unit: quantity.Ohm}, nil
	}
	ohms := volts / (drive.Open - volts) * drive.Open / drive.Current
	if ohms > m.OhmsOver {
		return quantity.Reading{Overload: true, Unit: quantity.Ohm}, nil
	}
	ohms = ohms*(1+b.Meter.gain) + leadOhms*random(b.Meter.Seed, "leads").Float64() + contactOhms*random(b.Meter.Seed, occasion).Float64()
	v, err := strconv.ParseFloat(strconv.FormatFloat(ohms, 'g', 3, 64), 64) // three digits are shown
	return quantity.Reading{Value: math.Round(v*ohmsSteps) / ohmsSteps, Unit: quantity.Ohm}, err
}

// The most that the leads add to every resistance and the contacts of the probes to
// each, and the steps of the display to an ohm; common practice, no source.
const (
	leadOhms    = 0.2
	contactOhms = 0.1
	ohmsSteps   = 10
)

// Wrong lists the faults that still hold after what the bench has done: a fault
// goes away with its part, a bad joint when it is soldered again, and a series
// fault under a bridge.
func (w *Board) Wrong(edits netlist.Edits) []Fault {
	st := network.State{Edits: edits}
	var left []Fault
	for _, f := range w.Faults {
		c := f.Locus.At(f.Ohms)
		if !st.Holds(&c) || f.Locus.Series && c.Owner != netlist.None && edits.Of(c.Owner).Jumpered {
			continue
		}
		left = append(left, f)
	}
	return left
}

// Good gives the same board without its faults.
func (w *Board) Good() *Board { return w.Truth.Sample(w.Seed, w.Celsius) }

// Random makes the generator for one purpose of one seed: draws for one do not
// move when something is added to another.
func Random(seed uint64, purpose string) *rand.Rand { return random(seed, purpose) }

// MeterNamed makes the instrument of a number among those of one data sheet of
// Meters.
func MeterNamed(name string, instrument uint64) (Meter, error) {
	declared, err := meterByName(name)
	if err != nil {
		return Meter{}, err
	}
	return NewMeter(declared, instrument), nil
}

// Shows tells whether each of some faults shows at the connectors of a good
// board, red probe on ground: with it some pin reads otherwise than with the
// others alone. What others hide cannot be found, and is no fair question.
func Shows(good *Board, faults []Fault, meter Meter) (bool, error) {
	b := good.Truth.Model.Board
	at := slices.DeleteFunc(b.AllPins(), func(p netlist.Point) bool { return p.Net == b.Ground })
	return ShowsAt(good, faults, meter, at, []references.Polarity{references.RedOnGround})
}

// showVolts is how far, in volts, a fault has to move the true reading of some
// connector pin to count as one that shows.
const showVolts = 15e-3

// ShowsAt is Shows for some points and polarities.
func ShowsAt(good *Board, faults []Fault, meter Meter, at []netlist.Point, pols []references.Polarity) (bool, error) {
	bad := good.Faulted(faults...)
	for i := range faults {
		var rest []Fault
		for k := range faults {
			if k == i {
				continue
			}
			if Place(good.Truth.Model, &faults[k].Locus) == Place(good.Truth.Model, &faults[i].Locus) {
				return false, nil
			}
			rest = append(rest, faults[k])
		}
		moved, err := differ(bad, good.Faulted(rest...), meter, at, pols)
		if err != nil || !moved {
			return false, err
		}
	}
	return true, nil
}

// SweepGood takes a sweep over every connector pin of a good board of a type,
// red probe on ground.
func (t *Truth) SweepGood(sample uint64, m Meter, celsius float64) (*references.Sweep, error) {
	b := t.Model.Board
	bench := NewSimulator(t.Sample(sample, celsius), m)
	s := &references.Sweep{Board: b.Name, Revision: b.Revision, Sample: strconv.FormatUint(sample, 10), Meter: m.Declared,
		State: references.State{Battery: "out", Celsius: celsius}}
	for c := range b.Connectors {
		s.State.Unplugged = append(s.State.Unplugged, b.Connectors[c].Name)
	}
	for _, p := range b.AllPins() {
		reading, err := bench.Read(p, references.RedOnGround, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		s.Readings = append(s.Readings, references.PointReading{At: p, Name: b.PointName(p), Reading: reading})
	}
	return s, nil
}

// differ tells whether two boards read otherwise at some point by more than
// showVolts, or OL on one of them only.
func differ(a, b *Board, meter Meter, at []netlist.Point, pols []references.Polarity) (bool, error) {
	over := meter.Declared.Over
	for _, pol := range pols {
		for _, p := range at {
			if p.Net == netlist.None {
				continue
			}
			va, err := a.Volts(a.Probe(p, nil, pol, meter.Drive()), netlist.Edits{})
			if err != nil {
				return false, err
			}
			vb, err := b.Volts(b.Probe(p, nil, pol, meter.Drive()), netlist.Edits{})
			if err != nil {
				return false, err
			}
			if va > over && vb > over {
				continue
			}
			if va > over || vb > over || math.Abs(va-vb) > showVolts {
				return true, nil
			}
		}
	}
	return false, nil
}
