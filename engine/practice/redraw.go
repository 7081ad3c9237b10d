package practice

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Redraw draws the trial once more: another board of its type, with as many faults,
// read at the same points with the same meter. Its library stays. Its readings are
// the own solver's and not the judge's, so that it serves measures that need more
// boards than are recorded, and nothing that the solver itself is judged by.
func (t *Trial) Redraw(seed uint64) (*Trial, error) {
	u := *t
	u.sample = random(t.sample, "redraw").Uint64() + seed
	u.volts, u.Faults, u.Readings = nil, nil, nil
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
		d := NewDeck(fault.Loci(t.Model, fault.DefaultPriors(), t.Model.Nominal()), nil)
		got, err := drawShowing(random(u.sample, "faults"), d, len(t.Faults), u.Good(), u.real, at, pols)
		if err != nil {
			return nil, err
		}
		u.Faults = got.faults
	}
	b := u.Simulator()
	for _, r := range t.Readings {
		v, err := b.Read(r.At, r.Polarity, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		u.Readings = append(u.Readings, TrialReading{r.At, r.Polarity, v})
	}
	return &u, nil
}

// goodBoards is how many good boards a drawn trial has.
const goodBoards = 3

// cleanHolds is the share of leakage between pins that is gone once they were cleaned.
// On purpose not quite the share that the engine takes (fault.CleanHolds). Common
// practice, no source.
const cleanHolds = 0.7

// NewTrial draws a trial that no file holds, read by the own solver: a board type,
// a sweep of each of three good boards, and a board with some faults that show at
// its connectors, red probe on ground. Where d is not nil, d is what the engine
// gets to see of the board, and the good sweeps and the readings have the mistakes
// that people make. The hidden boards are those of the same seed with another
// drawing or none.
func NewTrial(m *network.Model, seed uint64, faults int, d *Drawing) (*Trial, error) {
	r := random(seed, "trial")
	t := &Trial{Number: int(seed), Path: m.Board.File, Model: m, Drawing: d, truth: NewTruth(m, seed), sample: goodBoards + 1}
	instrument := func() Meter {
		return NewMeter(Meters()[[]int{0, 0, 1, 2}[r.IntN(4)]], 1+r.Uint64N(4))
	}
	warmth := func() float64 { return math.Round(uniform(r, 18, 28)*10) / 10 }
	for k := range uint64(goodBoards) {
		s, err := t.truth.SweepGood(1+k, instrument(), warmth())
		if err != nil {
			return nil, err
		}
		s.File = fmt.Sprintf("good %d", 1+k)
		t.Library = append(t.Library, s)
	}
	t.real, t.degree = instrument(), warmth()
	t.Meter = t.real.Declared
	var at []netlist.Point
	for c := range m.Board.Connectors {
		pins(m.Board, netlist.ConnectorID(c), func(p netlist.Point) { at = append(at, p) })
	}
	if faults > 0 {
		got, err := drawShowing(r, NewDeck(fault.Loci(m, fault.DefaultPriors(), m.Nominal()), nil), faults, t.Good(), t.real,
			slices.DeleteFunc(slices.Clone(at), func(p netlist.Point) bool { return p.Net == m.Board.Ground }), []references.Polarity{references.RedOnGround})
		if err != nil {
			return nil, err
		}
		t.Faults = got.faults
		for i := range t.Faults {
			if f := &t.Faults[i]; f.Mode == fault.Leakage && random(seed, "cleaned").Float64() > cleanHolds {
				f.Locus = f.Locus.Stubborn()
			}
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
	for _, p := range at {
		p, err := t.Board().Point(m.Board.PointName(p))
		if err != nil {
			return nil, err
		}
		v, err := b.Read(p, references.RedOnGround, netlist.Edits{})
		if err != nil {
			return nil, err
		}
		t.Readings = append(t.Readings, TrialReading{p, references.RedOnGround, v})
	}
	return t, nil
}
