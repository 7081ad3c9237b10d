// Package trial measures the engine against boards whose truth is known: does it
// name the bad part, do its probabilities hold, and how many repair time pass
// until the board is repaired and proven, beside the habits of the trade.
//
// A technician is a policy: given the case so far, what to do next. Play lets one
// work on a practice.Simulator, which answers as a real board would, until the
// truth is repaired or the technician gives up. The tables of the package's
// tests come from it:
//
//	go test ./engine/trial -run TestTables -v
package trial

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Work is one repair under way.
type Work struct {
	Engine    *engine.Engine
	Simulator *recorded.Simulator
	Case      *journal.Case
	Costs     plan.Costs

	Seconds   float64 // bench time spent
	Steps     int
	Replaced  []string // what was replaced, bridged, left off or repaired, in order
	Escalated bool     // nothing was left to do
	// Without leaves out steps that it is true of, if not nil.
	Without func(*repair.Step) bool
	shield  bool              // opened
	begun   *repair.Diagnosis // of the case as it came, where that was worked out before
	sent    map[string]bool   // steps done, with the state of the board
	log     func(format string, args ...any)
}

// Start opens the case of a trial with the readings it came with.
func Start(t *recorded.Trial, e *engine.Engine, lib *references.Library) *Work {
	return Resume(t.Case(lib), e, t.Simulator())
}

// Resume goes on with a case as it stands.
func Resume(c *journal.Case, e *engine.Engine, bench *recorded.Simulator) *Work {
	return &Work{Engine: e, Simulator: bench, Case: c, Costs: plan.DefaultCosts(), sent: map[string]bool{}, log: func(string, ...any) {}}
}

func (w *Work) event(e journal.Event) {
	e.Number = len(w.Case.Events) + 1
	w.Case.Events = append(w.Case.Events, e)
	w.Case.All = w.Case.Events
}

// edits gives the board as it lies.
func (w *Work) edits() netlist.Edits {
	stages := w.Case.Stages()
	return stages[len(stages)-1].Edits
}

// read takes a reading into the case.
func (w *Work) read(name string, pol references.Polarity) (quantity.Reading, error) {
	pt, err := w.Engine.Board.Point(name)
	if err != nil {
		return quantity.Reading{}, err
	}
	r, err := w.Simulator.Read(pt, pol, w.edits())
	if err != nil {
		return r, err
	}
	w.log("        %s reads %s", name, quantity.FormatReading(r))
	w.event(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{{At: pt, Name: name, Polarity: pol, Reading: r}}})
	return r, nil
}

// part finds a part that a step names.
func (w *Work) part(name string) (netlist.PartID, error) { return w.Engine.Board.PartByName(name) }

// pay charges the seconds of work on a part, with the shield the first time.
func (w *Work) pay(seconds float64, a netlist.Access) {
	w.Seconds += seconds
	if a == netlist.Shield && !w.shield {
		w.shield = true
		w.Seconds += w.Costs.Shield
	}
}

// underfill gives the seconds that a part underfilled takes on top. The engine's
// steps have them in their own seconds.
func (w *Work) underfill(p netlist.PartID) float64 {
	if w.Engine.Board.Parts[p].Access == netlist.Underfill {
		return w.Costs.Underfill
	}
	return 0
}

// Repaired tells whether nothing of the truth is left on the board.
func (w *Work) Repaired() bool {
	edits := w.Simulator.Drawing.Edits(w.edits())
	st := network.State{Edits: edits}
	for _, f := range w.Simulator.Board.Faults {
		c := f.Locus.At(f.Ohms)
		if !st.Holds(&c) {
			if x := edits.Of(c.Owner); c.Owner != netlist.None && x.Removed && !(leftOff(w.Simulator.Board.Truth.Model.Board, c.Owner) && f.Mode.Path()) {
				return false // a series part that is off the board is no repair
			}
			continue
		}
		if f.Locus.Series && c.Owner != netlist.None && edits.Of(c.Owner).Jumpered {
			continue
		}
		return false
	}
	return true
}

func leftOff(b *netlist.Board, p netlist.PartID) bool { return b.Parts[p].Kind == netlist.Capacitor }

// ErrCircles is wrapped by the error of a step that was done before, with nothing
// changed since.
var ErrCircles = errors.New("trial: sent in circles")

// key names a step of the board as it lies and as it is drawn: once more was found on it,
// parts may show that nobody could name before. A point where something comes and goes may be
// read three times.
func (w *Work) key(s *repair.Step) string {
	found := 0
	for i := range w.Case.Events {
		for _, x := range w.Case.Events[i].Undrawn {
			found += len(x.Marks)
		}
	}
	return fmt.Sprintf("%s %q %q %s %v %d %s %d", s.Do, s.At, s.Part, s.Polarity, s.Again, min(s.Times, 2), w.edits().Key(), found)
}

// Do carries out one step of the engine's and charges it. It returns an error for a
// step that sends people to a point once too often.
func (w *Work) Do(s *repair.Step) error {
	w.Steps++
	key := w.key(s)
	if w.sent[key] {
		return fmt.Errorf("%w: %s %s%s once more, of the board as it lies", ErrCircles, s.Do, s.At, s.Part)
	}
	w.sent[key] = true
	w.log("%4.0f s  %s %s%s %s %v  expect %.0f", w.Seconds, s.Do, s.At, s.Part, s.Remedy, s.Then, s.Expected)
	b := w.Engine.Board
	switch s.Do {
	case repair.DoMeasure:
		pol, _ := references.ParsePolarity(s.Polarity)
		pt, err := b.Point(s.At)
		if err != nil {
			return err
		}
		a := netlist.Open
		if pt.Kind == netlist.PointTerminal {
			a = b.Parts[pt.Terminal.Part].Access
		}
		w.pay(s.Seconds, a)
		_, err = w.read(s.At, pol)
		return err
	case repair.DoPress, repair.DoGood:
		return w.beside(s)
	case repair.DoSwap:
		w.pay(s.Seconds, netlist.Open)
		c, err := b.ConnectorByName(s.Part)
		w.event(journal.Event{Kind: journal.KindSwap, Swaps: []journal.Swap{{Connector: c, Works: len(w.Simulator.Board.Faults) == 0}}})
		return err
	case repair.DoEnds:
		return w.ends(s)
	case repair.DoAcross:
		return w.across(s)
	case repair.DoReinstall:
		p, err := w.part(s.Part)
		if err != nil {
			return err
		}
		w.pay(s.Seconds, b.Parts[p].Access)
		w.reinstall(p)
		return w.verify(s)
	case repair.DoSweep:
		w.pay(s.Seconds, netlist.Open)
		return w.verify(s)
	case repair.DoEscalate:
		w.Escalated = true
		return nil
	case repair.DoInspect:
		l := journal.Looked{Part: netlist.None}
		if s.At != "" {
			return w.along(s)
		}
		if at, err := b.Point(s.Part); err == nil && at.Kind == netlist.PointPin {
			w.pay(s.Seconds, netlist.Open)
			l.Pin, l.Look = at.Pin, w.Simulator.LookPin(at.Pin)
		} else if l.Part, err = w.part(s.Part); err != nil {
			return err
		} else {
			w.pay(s.Seconds, b.Parts[l.Part].Access)
			l.Look = w.Simulator.Look(l.Part)
		}
		w.log("        looks %s", l.Look)
		w.event(journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{l}})
		return nil
	case repair.DoInject:
		n, err := b.NetByName(s.At)
		if err != nil {
			return err
		}
		w.pay(s.Seconds, netlist.Open)
		w.event(journal.Event{Kind: journal.KindInject, Injections: []journal.Injection{{Rail: n, Warm: w.Simulator.Inject(n, w.edits())}}})
		return nil
	case repair.DoDrop:
		return w.drop(s)
	case repair.DoRemove:
		p, err := w.part(s.Part)
		if err != nil {
			return err
		}
		w.pay(s.Seconds, b.Parts[p].Access)
		w.remove(p)
		for _, pt := range s.Then {
			if _, err := w.read(pt, references.RedOnGround); err != nil {
				return err
			}
		}
		w.reinstall(p)
		return nil
	case repair.DoRepair:
		return w.repair(s)
	}
	return fmt.Errorf("trial: unknown step %q", s.Do)
}

// along looks along a net and draws in what is found there.
func (w *Work) along(s *repair.Step) error {
	n, err := w.Engine.Board.NetByName(s.At)
	if err != nil {
		return err
	}
	w.pay(s.Seconds, netlist.Open)
	x := journal.Undrawn{Net: n, Marks: w.Simulator.Along(n)}
	w.log("        finds %v", x.Marks)
	w.event(journal.Event{Kind: journal.KindUndrawn, Undrawn: []journal.Undrawn{x}})
	if len(x.Marks) == 0 {
		return nil
	}
	var found []netlist.Found
	for _, mark := range x.Marks {
		found = append(found, netlist.Found{Mark: mark, Net: n})
	}
	if w.Case.Board, err = w.Case.Board.DrawIn(found...); err != nil {
		return err
	}
	if w.Simulator.Drawing, err = w.Simulator.Drawing.Redrawn(w.Case.Board); err != nil {
		return err
	}
	w.Engine, err = w.Engine.Refit(w.Case)
	return err
}

// AtHand says what of known good the bench has, as journal.Opening does.
func (w *Work) AtHand(names ...string) {
	w.Case.All[0].Open = &journal.Opening{AtHand: names}
	w.Case.Events = w.Case.All
}

// beside reads a point while a part is pressed, or on a good board.
func (w *Work) beside(s *repair.Step) error {
	b, access := w.Engine.Board, netlist.Open
	at, err := b.Point(s.At)
	if err != nil {
		return err
	}
	x := journal.Read{At: at, Name: s.At}
	if s.Do == repair.DoGood {
		if x.Reading, err = readAnother(w.Simulator, at); err != nil {
			return err
		}
		w.pay(s.Seconds, access)
		w.log("        a good board reads %s", quantity.FormatReading(x.Reading))
		w.event(journal.Event{Kind: journal.KindGood, Goods: []journal.Read{x}})
		w.Case.Library = w.Case.Library.With(journal.GoodSweep(w.Case, []journal.Read{x}, w.Case.Meter))
		w.Engine, err = w.Engine.Refit(w.Case)
		return err
	}
	p, err := w.part(s.Part)
	if err != nil {
		return err
	}
	if x.Reading, err = w.Simulator.Press(p, at, w.edits()); err != nil {
		return err
	}
	w.log("        reads %s", quantity.FormatReading(x.Reading))
	w.pay(s.Seconds, b.Parts[p].Access)
	w.event(journal.Event{Kind: journal.KindPress, Presses: []journal.Press{{Part: p, Read: x}}})
	return nil
}

// readAnother gives what the meter shows at a point of another, good board of the type, red
// probe on ground.
func readAnother(b *recorded.Simulator, at netlist.Point) (quantity.Reading, error) {
	w := b.Board
	good := recorded.NewSimulator(w.Truth.Sample(w.Seed+1, w.Celsius), b.Meter)
	good.Drawing = b.Drawing
	return good.Read(at, references.RedOnGround, netlist.Edits{})
}

// ends reads the resistances at both ends of a part.
func (w *Work) ends(s *repair.Step) error {
	e := journal.Event{Kind: journal.KindRead}
	access := netlist.Open
	for _, name := range s.Ends() {
		at, err := w.Engine.Board.Point(name)
		if err != nil {
			return err
		}
		if at.Kind == netlist.PointTerminal && w.Engine.Board.Parts[at.Terminal.Part].Access == netlist.Shield {
			access = netlist.Shield
		}
		r, err := w.Simulator.Take(practice.Take{At: at, Ohms: true, Edits: w.edits(), Occasion: fmt.Sprint(w.Steps, name)})
		if err != nil {
			return err
		}
		w.log("        %s reads %s", name, quantity.FormatReading(r))
		e.Readings = append(e.Readings, journal.Read{At: at, Name: name, Reading: r})
	}
	w.pay(s.Seconds, access)
	w.event(e)
	return nil
}

// across reads the resistance between two points.
func (w *Work) across(s *repair.Step) error {
	b := w.Engine.Board
	at, err := b.Point(s.At)
	if err != nil {
		return err
	}
	to, err := b.Point(s.Then[0])
	if err != nil {
		return err
	}
	r, err := w.Simulator.Take(practice.Take{At: at, To: &to, Ohms: true, Edits: w.edits(), Occasion: fmt.Sprint(w.Steps)})
	if err != nil {
		return err
	}
	w.log("        reads %s", quantity.FormatReading(r))
	access := netlist.Open
	if p, err := w.part(s.Part); err == nil {
		access = b.Parts[p].Access
	}
	w.pay(s.Seconds, access)
	w.event(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{{At: at, Name: s.At, To: &to, ToName: s.Then[0], Reading: r}}})
	return nil
}

// drop reads millivolts along a rail.
func (w *Work) drop(s *repair.Step) error {
	b := w.Engine.Board
	rail, err := b.NetByName(s.At)
	if err != nil {
		return err
	}
	clip, err := w.part(s.Part)
	if err != nil {
		return err
	}
	var parts []netlist.PartID
	for _, name := range s.Parts {
		p, err := w.part(name)
		if err != nil {
			return err
		}
		parts = append(parts, p)
	}
	w.pay(s.Seconds, netlist.Open)
	x := journal.Drop{Rail: rail, Amperes: s.Amperes}
	volts := w.Simulator.Drop(rail, clip, parts, s.Amperes, w.edits())
	for _, p := range parts {
		x.Volts = append(x.Volts, journal.PartVolts{Part: p, Volts: volts[p]})
		w.log("        %s %.1f mV", b.Parts[p].Name, 1e3*volts[p])
	}
	w.event(journal.Event{Kind: journal.KindDrop, Drops: []journal.Drop{x}})
	return nil
}

func (w *Work) remove(p netlist.PartID) {
	w.event(journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{p}})
}

func (w *Work) reinstall(p netlist.PartID) {
	w.event(journal.Event{Kind: journal.KindReinstall, Parts: []netlist.PartID{p}})
}

// repair carries out a remedy and takes the readings that prove it.
func (w *Work) repair(s *repair.Step) error {
	if s.Remedy != "reflow" {
		w.Replaced = append(w.Replaced, s.Part)
	}
	b := w.Engine.Board
	p, err := w.part(s.Part)
	if err != nil {
		m, merr := b.Repair(strings.ReplaceAll(s.Part, " to ", "-"))
		if merr != nil {
			return merr
		}
		w.pay(s.Seconds, netlist.Open)
		w.event(journal.Repaired(m))
		return w.verify(s)
	}
	w.pay(s.Seconds, b.Parts[p].Access)
	switch s.Remedy {
	case "leave off":
		w.remove(p)
	case "jumper":
		w.event(journal.Event{Kind: journal.KindJumper, Jumpers: []journal.Jumper{{Part: p, Ohms: 0.01}}})
	case "reflow":
		w.event(journal.Event{Kind: journal.KindReflow, Parts: []netlist.PartID{p}})
	default:
		w.event(journal.Event{Kind: journal.KindReplace, Parts: []netlist.PartID{p}})
	}
	return w.verify(s)
}

func (w *Work) verify(s *repair.Step) error {
	for _, pt := range s.Then {
		if _, err := w.read(pt, references.RedOnGround); err != nil {
			return err
		}
	}
	return nil
}

// Bounds of a repair: a technician who has not found it by then hands it on.
const (
	mostSteps   = 60
	mostSeconds = 20000
)

// Follow does the engine's first step every time, until the truth is repaired or
// the engine has nothing left to say.
func (w *Work) Follow() error { return w.follow(func(*repair.Diagnosis) {}) }

// follow is Follow, and shows each diagnosis to watch.
func (w *Work) follow(watch func(*repair.Diagnosis)) error {
	for w.Steps < mostSteps && w.Seconds < mostSeconds && !w.Escalated {
		if w.Repaired() {
			return nil
		}
		d, err := w.begun, error(nil)
		if w.begun = nil; d == nil {
			d, err = w.Engine.Diagnose(w.Case)
		}
		if err != nil {
			return err
		}
		watch(d)
		steps := d.Next
		for w.Without != nil && len(steps) > 0 && w.Without(&steps[0]) {
			steps = steps[1:]
		}
		if len(steps) == 0 {
			break
		}
		if err := w.Do(&steps[0]); err != nil {
			return err
		}
	}
	if !w.Repaired() {
		w.Seconds += w.Costs.GiveUp
	}
	return nil
}

// Finding is what the engine said of a trial before any step.
type Finding struct {
	Rank    int     // place of the best true part among the suspects, 1 first; 0 when absent
	Group   int     // place of the group of suspects, distinguished by no reading, that it is in
	Said    float64 // probability given to the first suspect
	Right   bool    // the first suspect is bad
	Nothing float64 // probability given to no fault being shown
}

// Judge compares a diagnosis with the truth.
func Judge(d *diagnose.Findings, bad map[string]bool) Finding {
	f := Finding{Nothing: d.Quiet}
	for i, s := range d.Suspects {
		if !bad[s.Part] {
			continue
		}
		if f.Rank == 0 {
			f.Rank, f.Group = i+1, s.Group
		}
		f.Group = min(f.Group, s.Group)
	}
	if len(d.Suspects) > 0 {
		f.Said, f.Right = d.Suspects[0].Probability, bad[d.Suspects[0].Part]
	}
	for _, x := range d.Explanations {
		if len(x.Faults) == 0 {
			f.Nothing += x.Probability
		}
	}
	return f
}

// Bad names what is wrong with a board as the engine names suspects: all names that
// are right. A nil Drawing is a board drawn as it is.
func Bad(faults []practice.Fault, m *network.Model, d *recorded.Drawing) map[string]bool {
	bad := map[string]bool{}
	for i := range faults {
		names, _ := namesOf(d, m, &faults[i])
		for _, n := range names {
			bad[n] = true
		}
	}
	return bad
}

// Calibration gathers said probabilities against what came true, in ten bins.
type Calibration struct {
	said, came, n [10]float64
	all           []float64 // said, one by one
}

// Add counts one statement.
func (c *Calibration) Add(said float64, came bool) {
	k := min(int(said*10), 9)
	c.n[k]++
	c.all = append(c.all, said)
	c.said[k] += said
	if came {
		c.came[k]++
	}
}

// Error is the expected calibration error: the mean over statements of the
// difference between the mean said probability of a bin and the share that came
// true in it (Naeini, Cooper and Hauskrecht 2015, from memory).
func (c *Calibration) Error() float64 {
	sum, n := 0.0, 0.0
	for k := range c.n {
		sum += math.Abs(c.said[k] - c.came[k])
		n += c.n[k]
	}
	return sum / math.Max(n, 1)
}

// Chance gives the mean of Error, and what it exceeds once in a hundred times, where
// every statement comes true with the probability that was said: what so few
// statements leave of the error of an engine without one.
func (c *Calibration) Chance() (mean, high float64) {
	const draws = 400
	r := practice.Random(1, "chance")
	errors := make([]float64, draws)
	for i := range errors {
		var d Calibration
		for _, p := range c.all {
			d.Add(p, r.Float64() < p)
		}
		errors[i] = d.Error()
		mean += errors[i] / draws
	}
	slices.Sort(errors)
	return mean, errors[draws-1-draws/100]
}

// String draws the bins.
func (c *Calibration) String() string {
	s := ""
	for k := range c.n {
		if c.n[k] > 0 {
			s += fmt.Sprintf("  said %.2f came true %.2f of %.0f\n", c.said[k]/c.n[k], c.came[k]/c.n[k], c.n[k])
		}
	}
	return s
}

func sorted[V any](m map[string]V) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	sort.Slice(out, func(a, b int) bool { return out[a] < out[b] })
	return out
}
