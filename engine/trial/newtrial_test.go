package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// redrawn draws the trial once more: another board of its type, with as many faults,
// read at the same points with the same meter. Its library stays. Its readings are
// the own solver's and not the judge's, so that it serves measures that need more
// boards than are recorded, and nothing that the solver itself is judged by.
func redrawn(t *recorded.Trial, seed uint64) (*recorded.Trial, error) {
	u := &recorded.Trial{Number: t.Number, Tuning: t.Tuning, Path: t.Path, Model: t.Model, Meter: t.Meter, Library: t.Library,
		Truth: t.Truth, Sample: practice.Random(t.Sample, "redraw").Uint64() + seed, Instrument: t.Instrument, Celsius: t.Celsius}
	if len(t.Faults) > 0 {
		var at []netlist.Point
		var pols []references.Polarity
		for _, r := range t.Readings {
			if !slices.Contains(pols, r.Polarity) {
				pols = append(pols, r.Polarity)
			}
			if r.Polarity == t.Readings[0].Polarity && r.At.Net != t.Model.Board.Ground {
				at = append(at, r.At)
			}
		}
		var err error
		if u.Faults, _, err = recorded.DrawShowing(allLoci(t.Model), practice.Random(u.Sample, "faults"), len(t.Faults), u.Good(), u.Instrument, at, pols); err != nil {
			return nil, err
		}
	}
	b := u.Simulator()
	for _, r := range t.Readings {
		v, err := b.Read(r.At, r.Polarity, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		u.Readings = append(u.Readings, recorded.TrialReading{At: r.At, Polarity: r.Polarity, Reading: v})
	}
	return u, nil
}

// sweptBoards is how many good boards a drawn trial has.
const sweptBoards = 3

// cleanHolds is the share of leakage between pins that is gone once they were cleaned.
// On purpose not quite the share that the engine takes (fault.CleanHolds). Common
// practice, no source.
const cleanHolds = 0.7

// draw draws the faults of a trial whose board is read at some points, red probe on ground.
type draw func(r *rand.Rand, t *recorded.Trial, at []netlist.Point) ([]practice.Fault, error)

// showing draws so many faults that show.
func showing(n int) draw {
	return func(r *rand.Rand, t *recorded.Trial, at []netlist.Point) (faults []practice.Fault, err error) {
		if n > 0 {
			faults, _, err = recorded.DrawShowing(allLoci(t.Model), r, n, t.Good(), t.Instrument,
				slices.DeleteFunc(slices.Clone(at), func(p netlist.Point) bool { return p.Net == t.Model.Board.Ground }), []references.Polarity{references.RedOnGround})
		}
		return faults, err
	}
}

// newTrial draws a trial that no file holds, read by the own solver: a board type,
// a sweep of each of three good boards, and a board with some faults, its connectors
// read red probe on ground. Where d is not nil, d is what the engine
// gets to see of the board, and the good sweeps and the readings have the mistakes
// that people make; where missed is true, the readings have off the pad anyhow. The
// hidden boards are those of the same seed with another drawing or none.
func newTrial(m *network.Model, seed uint64, faults draw, d *recorded.Drawing, missed bool) (*recorded.Trial, error) {
	r := practice.Random(seed, "trial")
	t := &recorded.Trial{Number: int(seed), Path: m.Board.File, Model: m, Drawing: d, Truth: practice.NewTruth(m, seed), Sample: sweptBoards + 1}
	instrument := func() practice.Meter {
		return practice.NewMeter(practice.Meters()[[]int{0, 0, 1, 2}[r.IntN(4)]], 1+r.Uint64N(4))
	}
	warmth := func() float64 { return math.Round((18+10*r.Float64())*10) / 10 }
	for k := range uint64(sweptBoards) {
		s, err := t.Truth.SweepGood(1+k, instrument(), warmth())
		if err != nil {
			return nil, err
		}
		s.File = fmt.Sprintf("good %d", 1+k)
		t.Library = append(t.Library, s)
	}
	t.Instrument, t.Celsius = instrument(), warmth()
	t.Meter = t.Instrument.Declared
	var at []netlist.Point
	for c := range m.Board.Connectors {
		for i := range m.Board.Connectors[c].Pins {
			at = append(at, m.Board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
		}
	}
	var err error
	if t.Faults, err = faults(r, t, at); err != nil {
		return nil, err
	}
	for i := range t.Faults {
		if f := &t.Faults[i]; f.Mode == fault.Leakage && practice.Random(seed, "cleaned").Float64() > cleanHolds {
			f.Locus = f.Locus.Stubborn()
		}
	}
	if d != nil {
		mistake(t.Library, m.Board.Ground, seed)
		for _, s := range t.Library {
			for i := range s.Readings {
				p, err := d.Board.Point(s.Readings[i].Name)
				if err != nil {
					return nil, err
				}
				s.Readings[i].At = p
			}
		}
	}
	b := t.Simulator()
	if missed {
		b.Missed = recorded.MissedPads
	}
	for _, p := range at {
		p, err := t.Board().Point(m.Board.PointName(p))
		if err != nil {
			return nil, err
		}
		v, err := b.Read(p, references.RedOnGround, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		t.Readings = append(t.Readings, recorded.TrialReading{At: p, Polarity: references.RedOnGround, Reading: v})
	}
	return t, nil
}

// allLoci is a deck of all that can go wrong on a board.
func allLoci(m *network.Model) *practice.Deck {
	return practice.NewDeck(fault.Loci(m, fault.DefaultPriors(), m.Nominal()), nil)
}

// opened is a trial with what a bench knows of its board: the drawing, nil where that is the
// board as it is, the readings of good boards, and the engine made of both.
type opened struct {
	*recorded.Trial
	drawing *recorded.Drawing
	library *references.Library
	engine  *engine.Engine
}

// openTrial draws a trial as newTrial does, its board as people draw it where byPeople is true.
func openTrial(m *network.Model, seed uint64, faults draw, byPeople, missed bool) (o opened, err error) {
	if byPeople {
		if o.drawing, err = newDrawing(m.Board, seed); err != nil {
			return o, err
		}
	}
	if o.Trial, err = newTrial(m, seed, faults, o.drawing, missed); err != nil {
		return o, err
	}
	o.library = references.NewLibrary(o.Board(), o.Library)
	o.engine, err = engine.New(o.Board(), o.library, engine.Options{})
	return o, err
}
