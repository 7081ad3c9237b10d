package recorded

import (
	"fmt"
	"math/rand/v2"

	"halfsplit/engine/journal"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Simulator is a practice simulator that answers from recorded voltages where there are
// some, to somebody who may have the board as people draw it and may miss a pad.
type Simulator struct {
	*practice.Simulator
	// Drawing is what the board file shows of the board: questions name its points
	// and parts. Nil where it shows the board as it is.
	Drawing *Drawing
	// Missed is the share of Read's readings with the probe off the pad.
	Missed float64

	reads      int
	answers    map[question]float64 // recorded volts
	unrecorded int
	warm       map[netlist.NetID][]netlist.PartID
}

// question is one reading that may have been recorded.
type question struct {
	at       string // as practice.Board.Spot writes it
	polarity references.Polarity
	edits    string // as practice.EditsText writes them
}

// NewSimulator puts a board and a meter together, with nothing recorded.
func NewSimulator(w *practice.Board, m practice.Meter) *Simulator {
	s := &Simulator{Simulator: practice.NewSimulator(w, m), warm: map[netlist.NetID][]netlist.PartID{}}
	s.Recorded = func(at string, pol references.Polarity, edits string) (float64, bool) {
		volts, ok := s.answers[question{at, pol, edits}]
		if !ok {
			s.unrecorded++
		}
		return volts, ok
	}
	return s
}

// Unrecorded gives the number of readings that the own solver had to answer.
func (s *Simulator) Unrecorded() int { return s.unrecorded }

// Read is practice.Simulator.Read for a point of the drawing.
func (s *Simulator) Read(at netlist.Point, pol references.Polarity, edits netlist.Edits) (quantity.Reading, error) {
	at, err := s.Drawing.Point(at)
	if err != nil {
		return quantity.Reading{}, err
	}
	if s.Missed > 0 {
		s.reads++
		r := practice.Random(s.Board.Key(), fmt.Sprintf("probe put down %d", s.reads))
		if r.Float64() < s.Missed {
			at = nextTo(s.Board.Truth.Model.Board, at, r)
		}
	}
	return s.Simulator.Read(at, pol, s.Drawing.Edits(edits))
}

// nextTo gives where a probe that missed the pad stands: on a neighbouring pin, or
// on nothing.
func nextTo(b *netlist.Board, at netlist.Point, r *rand.Rand) netlist.Point {
	if at.Kind == netlist.PointPin && r.Float64() < 0.5 { // common practice, no source
		if near := b.Neighbours(at.Pin); len(near) > 0 {
			return b.PinPoint(near[r.IntN(len(near))])
		}
	}
	at.Net = netlist.None
	return at
}

// Take is practice.Simulator.Take between points of the drawing.
func (s *Simulator) Take(t practice.Take) (quantity.Reading, error) {
	var err error
	if t.At, err = s.Drawing.Point(t.At); err != nil {
		return quantity.Reading{}, err
	}
	if t.To != nil {
		to, err := s.Drawing.Point(*t.To)
		if err != nil {
			return quantity.Reading{}, err
		}
		t.To = &to
	}
	t.Edits = s.Drawing.Edits(t.Edits)
	return s.Simulator.Take(t)
}

// Look is practice.Simulator.Look for a part of the drawing.
func (s *Simulator) Look(p netlist.PartID) journal.Look {
	return s.Simulator.Look(s.Drawing.part(p))
}

// Press is practice.Simulator.Press for a part and a point of the drawing.
func (s *Simulator) Press(part netlist.PartID, at netlist.Point, edits netlist.Edits) (quantity.Reading, error) {
	board, stray := s.Board.Pressed(s.Drawing.part(part), edits.Key())
	r, err := s.Read(at, references.RedOnGround, edits)
	if board != s.Board && err == nil {
		pressed := NewSimulator(board, s.Meter)
		pressed.Drawing = s.Drawing
		return pressed.Read(at, references.RedOnGround, edits)
	}
	if !r.Overload {
		r.Value += stray
	}
	return r, err
}

// found is the share of parts that the drawing leaves out and that are found when somebody
// looks along their net; on purpose not quite what the engine takes. Common practice, no
// source.
const found = 0.92

// Along gives what is found along a net that is not drawn.
func (s *Simulator) Along(net netlist.NetID) (marks []string) {
	for _, name := range s.Drawing.undrawn(net) {
		if s.Board.Chance("found "+name) < found {
			marks = append(marks, name)
		}
	}
	return marks
}

// Inject is practice.Simulator.Inject for a rail of the drawing. Nothing is said of a part
// that is not drawn.
func (s *Simulator) Inject(rail netlist.NetID, edits netlist.Edits) (warm []netlist.PartID) {
	if list, ok := s.warm[rail]; ok {
		for _, p := range list {
			if !edits.Of(p).Removed && !edits.Of(p).Replaced {
				warm = append(warm, p)
			}
		}
		return warm
	}
	d := s.Drawing
	if d == nil {
		return s.Simulator.Inject(rail, edits)
	}
	for _, p := range s.Simulator.Inject(d.net(rail), d.Edits(edits)) {
		if id, ok := d.drawn[p]; ok {
			warm = append(warm, id)
		}
	}
	return warm
}

// Drop is practice.Simulator.Drop for a rail and parts of the drawing.
func (s *Simulator) Drop(rail netlist.NetID, clip netlist.PartID, parts []netlist.PartID, amperes float64, edits netlist.Edits) map[netlist.PartID]float64 {
	d := s.Drawing
	own := make([]netlist.PartID, len(parts))
	for i, p := range parts {
		own[i] = d.part(p)
	}
	volts := s.Simulator.Drop(d.net(rail), d.part(clip), own, amperes, d.Edits(edits))
	out := map[netlist.PartID]float64{}
	for i, p := range parts {
		out[p] = volts[own[i]]
	}
	return out
}
