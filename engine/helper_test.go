package engine_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// shop is a board with a bench that answers by the engine's own circuit: what is
// tested here is what the engine concludes, not the physics, which
// engine/practice compares with ngspice.
type shop struct {
	t     testing.TB
	board *netlist.Board
	model *network.Model
	truth *network.Values
	lib   *references.Library
	e     *engine.Engine
}

// newShop opens a board with some good boards read, all of them alike but for a
// millivolt or two. A polarity with no boards is not covered.
func newShop(t testing.TB, text string, boards int, polarities ...references.Polarity) *shop {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(text), t.Name())
	if err != nil {
		t.Fatal(err)
	}
	return openShop(t, b, boards, polarities...)
}

func openShop(t testing.TB, b *netlist.Board, boards int, polarities ...references.Polarity) *shop {
	t.Helper()
	s := emptyShop(t, b)
	s.stock(boards, polarities...)
	return s
}

// emptyShop has no good boards yet.
func emptyShop(t testing.TB, b *netlist.Board) *shop {
	s := &shop{t: t, board: b, model: network.New(b)}
	s.truth = s.model.Nominal()
	for e := range s.truth.Junctions { // not what the engine assumes beforehand
		if !math.IsInf(s.truth.Junctions[e].Drop, 1) {
			s.truth.Junctions[e].Drop += 0.04 * math.Sin(float64(3*e))
		}
	}
	s.truth.Settle()
	return s
}

// stock reads some good boards, as the truth has them now.
func (s *shop) stock(boards int, polarities ...references.Polarity) {
	s.t.Helper()
	b := s.board
	if len(polarities) == 0 {
		polarities = []references.Polarity{references.RedOnGround}
	}
	var sweeps []*references.Sweep
	for n := range boards {
		for _, pol := range polarities {
			w := &references.Sweep{File: fmt.Sprintf("%d-%v.yaml", n, pol), Board: b.Name, Revision: b.Revision, Sample: fmt.Sprint(n),
				Meter: references.DefaultMeter(), State: references.State{Polarity: pol, Celsius: network.RefCelsius}}
			for i, pt := range s.pins() {
				r := s.show(b.PointName(pt), pol, network.State{})
				if !r.Overload {
					r.Value += 0.002 * math.Sin(float64(7*n+3*i))
				}
				w.Readings = append(w.Readings, references.PointReading{At: pt, Name: b.PointName(pt), Reading: r})
			}
			sweeps = append(sweeps, w)
		}
	}
	s.lib = references.NewLibrary(b, sweeps)
	e, err := engine.New(b, s.lib, engine.Options{})
	if err != nil {
		s.t.Fatal(err)
	}
	s.e = e
}

// pins lists every connector pin.
func (s *shop) pins() []netlist.Point {
	var out []netlist.Point
	for c := range s.board.Connectors {
		for i := range s.board.Connectors[c].Pins {
			out = append(out, s.board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
		}
	}
	return out
}

// point finds a point by its name.
func (s *shop) point(name string) netlist.Point {
	s.t.Helper()
	p, err := s.board.Point(name)
	if err != nil {
		s.t.Fatal(err)
	}
	return p
}

// part finds a part by its name.
func (s *shop) part(name string) netlist.PartID {
	s.t.Helper()
	p, err := s.board.PartByName(name)
	if err != nil {
		s.t.Fatal(err)
	}
	return p
}

// faulty is a board with faults as ParseFault writes them.
func (s *shop) faulty(edits netlist.Edits, faults ...string) network.State {
	s.t.Helper()
	st := network.State{Edits: edits}
	for _, text := range faults {
		f, err := s.e.ParseFault(text)
		if err != nil {
			s.t.Fatal(err)
		}
		st.Changes = append(st.Changes, f.Locus.At(f.Ohms))
	}
	return st
}

// show gives what the default meter shows at a point, to a millivolt.
func (s *shop) show(at string, pol references.Polarity, st network.State) quantity.Reading {
	s.t.Helper()
	m := references.DefaultMeter()
	r, err := network.NewWorkspace(s.model).Read(fit.ProbeAt(s.model, s.model.PlaceOf(s.point(at)), pol, fit.DriveOf(m)), &st, s.truth)
	if err != nil {
		s.t.Fatal(err)
	}
	if r.Over {
		return quantity.Reading{Overload: true, Unit: quantity.Volt}
	}
	return quantity.Reading{Value: math.Round(r.Volts*1e3) / 1e3, Unit: quantity.Volt}
}

// sweep reads every pin of a board.
func (s *shop) sweep(pol references.Polarity, st network.State) []journal.Read {
	var out []journal.Read
	for _, pt := range s.pins() {
		name := s.board.PointName(pt)
		out = append(out, journal.Read{At: pt, Name: name, Polarity: pol, Reading: s.show(name, pol, st)})
	}
	return out
}

// read parses one reading: a point, perhaps a second one, and what was shown.
func (s *shop) read(at, to, shown string, pol references.Polarity) journal.Read {
	s.t.Helper()
	v, err := quantity.ParseReading(shown)
	if err != nil {
		s.t.Fatal(err)
	}
	r := journal.Read{At: s.point(at), Name: at, Polarity: pol, Reading: v}
	if to != "" {
		p := s.point(to)
		r.To, r.ToName = &p, to
	}
	return r
}

// open makes a case of events.
func (s *shop) open(events ...journal.Event) *journal.Case {
	m := references.DefaultMeter()
	c := &journal.Case{Board: s.board, Library: s.lib, Meter: m, Events: []journal.Event{{Kind: journal.KindOpen, Number: 1, Meter: &m, Open: &journal.Opening{}}}}
	for _, e := range events {
		e.Number = len(c.Events) + 1
		c.Events = append(c.Events, e)
	}
	c.All = c.Events
	return c
}

func reads(r ...journal.Read) journal.Event {
	return journal.Event{Kind: journal.KindRead, Readings: r}
}

// diagnose runs the engine and holds its answer to what every answer keeps.
func (s *shop) diagnose(c *journal.Case) *repair.Diagnosis {
	s.t.Helper()
	d, err := s.e.Diagnose(c)
	if err != nil {
		s.t.Fatal(err)
	}
	sound(s.t, d)
	return d
}

// sound holds a diagnosis to what every answer keeps: numbers are numbers,
// probabilities are probabilities, sets of them sum to at most 1, lists are
// sorted as promised.
func sound(t testing.TB, d *repair.Diagnosis) {
	t.Helper()
	const rounding = 1e-6 // see fault.Level
	sum, last := 0.0, 1+rounding
	for _, x := range d.Explanations {
		if !(x.Probability >= 0 && x.Probability <= last+1e-6) { // alike to a millionth counts as equal; see fault.Level
			t.Errorf("explanation %v has probability %g after %g", x.Faults, x.Probability, last)
		}
		last = x.Probability
		sum += x.Probability
	}
	if len(d.Explanations) == 0 && d.Implausible == nil || !(sum <= 1+1e-6) {
		t.Errorf("%d explanations sum to %g", len(d.Explanations), sum)
	}
	last = 1
	for _, x := range d.Suspects {
		if !(x.Probability > 0 && x.Probability <= last+1e-6) {
			t.Errorf("suspect %s has probability %g after %g", x.Part, x.Probability, last)
		}
		last = x.Probability
		for m, p := range x.Modes {
			if !(p > 0 && p <= x.Probability+1e-6) {
				t.Errorf("suspect %s has %g for %s of %g", x.Part, p, m, x.Probability)
			}
		}
		if x.Group < 1 || x.Group > len(d.Suspects) {
			t.Errorf("suspect %s is in group %d", x.Part, x.Group)
		}
	}
	expected := 0.0
	for i, st := range d.Next {
		ranked := len(st.Outcomes) > 0 // of the others nobody can say what they will show
		if !(st.Seconds > 0) || math.IsNaN(st.Expected) || ranked && st.Expected < expected-1e-6 {
			t.Errorf("step %d (%s %s%s) takes %g s, expects %g s after %g s", i, st.Do, st.At, st.Part, st.Seconds, st.Expected, expected)
		}
		if ranked {
			expected = st.Expected
		}
		sum := 0.0
		for _, o := range st.Outcomes {
			if !(o.Probability > 0 && o.Probability <= 1+rounding) {
				t.Errorf("step %d (%s %s%s) has an outcome with probability %g", i, st.Do, st.At, st.Part, o.Probability)
			}
			sum += o.Probability
		}
		if !(sum <= 1+1e-6) {
			t.Errorf("outcomes of step %d (%s %s%s) sum to %g", i, st.Do, st.At, st.Part, sum)
		}
	}
	for _, u := range d.Unseen {
		if !(u.Probability > 0 && u.Probability < d.Quiet+1e-9) {
			t.Errorf("%s %s is unseen with %g of %g", u.Part, u.Mode, u.Probability, d.Quiet)
		}
	}
	for _, r := range d.Readings {
		if math.IsNaN(r.ZScore) || math.IsNaN(r.Sigma) {
			t.Errorf("%s: %g standard deviations of %g V", r.At, r.ZScore, r.Sigma)
		}
	}
}
