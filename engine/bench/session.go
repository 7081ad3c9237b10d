// Package bench runs a repair from the first sweep to the closed case: what to
// ask next, what an entry means, where the case stands. It prints nothing and
// knows no terminal.
//
// In most cases:
//
//	s, err := bench.Begin(writer, engine, bench.Options{})
//	p, err := s.Ask()          // what to ask for
//	r, err := s.Enter("0.452") // what the technician or the meter answers
//
// Where the case stands is worked out again from its record at every step, and an
// entry is on the disk before Enter returns. So a session that ends, however it
// ends, goes on from the same place; only what was skipped is asked again.
package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Options change how a session runs.
type Options struct {
	By     string           // who, for the record
	Now    func() time.Time // nil for no times in the record
	Limits powerup.Limits   // what good boards draw from a bench supply

	Functions []string // what the board does, beside what its file says
}

// Session is one session at the bench. It is for one goroutine.
type Session struct {
	w *journal.Writer
	e *engine.Engine
	o Options

	// What is not in the record.
	sweeping netlist.ConnectorID // None when no sweep is under way
	polarity references.Polarity // of the sweep
	cursor   int                 // the pin it stands at
	since    int                 // number of the event up to which no reading counts for the sweep
	revisit  bool                // ask for it though it was read
	every    bool                // every pin of it is asked for, in the order of the board file
	fed      bool                // see Fed
	swapped  bool                // the next reading is asked for with the probes swapped
	again    []again             // in the order in which they are to be taken once more
	chosen   []diagnose.Spot     // points that were asked for out of turn
	skipped  map[string]bool     // what is not to be asked for, by key
	numbers  map[string]int      // of steps, by key: the first listing of a step gives it its number
	choice   string              // key of the step that was taken instead of the first; "" is the first
	leaving  bool                // the case is to be closed whatever is open
	cause    string              // of closing
	remedy   string
	asked    *Prompt // the last prompt, nil where the record has changed since

	// The diagnosis of the record as it stands.
	diagnosed int // number of the last event that it is of
	diagnosis *repair.Diagnosis
	readings  []diagnose.Comparison
	compared  int
}

// again is an outlier that is to be taken once more.
type again struct {
	first   journal.Read
	event   int // of it
	outlier diagnose.Comparison
}

// Begin starts or resumes a session on a case.
func Begin(w *journal.Writer, e *engine.Engine, o Options) (*Session, error) {
	s := &Session{w: w, e: e, o: o, sweeping: netlist.None, skipped: map[string]bool{}, numbers: map[string]int{}, diagnosed: -1, compared: -1}
	return s, s.resume()
}

// Fed says that entries come from a file: values in the order of the pins in the board
// file, every one of them. A value out of range is then asked for again when the sweep
// is over, so that no value lands on another pin than its own.
func (s *Session) Fed(on bool) { s.fed, s.asked = on, nil }

// Case is the case as it stands.
func (s *Session) Case() *journal.Case { return s.w.Case() }

func (s *Session) board() *netlist.Board { return s.w.Case().Board }

// resume finds what the last session was in the middle of: what was chosen and not read
// since; or a sweep, where the last reading was at a pin of it, nothing has been done to
// the board, and no other kind of point was read since it began.
func (s *Session) resume() error {
	if err := s.resumeChoice(); err != nil {
		return err
	}
	c := s.Case()
	last := netlist.PinRef{Connector: netlist.None}
	for _, ev := range c.Events {
		if last.Connector != netlist.None && (ev.Kind.Edits() || ev.Kind.Finds()) {
			return nil
		}
		for _, r := range ev.Readings {
			if r.At.Kind != netlist.PointPin || r.To != nil {
				return nil
			}
			last, s.polarity = r.At.Pin, r.Polarity
		}
	}
	if last.Connector == netlist.None {
		if len(s.board().Connectors) == 1 {
			s.sweeping = 0
		}
		return nil
	}
	s.sweeping = last.Connector
	return nil
}

// resumeChoice chooses again what was chosen last, unless more than readings came since: a
// step that nothing was read after, or those points of a line that were not read since.
func (s *Session) resumeChoice() error {
	read := false
	for _, ev := range slices.Backward(s.Case().Events) {
		switch {
		case ev.Kind == journal.KindNote || ev.Kind == journal.KindAcknowledge:
		case ev.Kind == journal.KindRead:
			read = true
		case ev.Kind != journal.KindChoose:
			return nil
		default:
			switch e, err := understand(s.board(), ev.Choose); {
			case err == nil && e.verb == visit:
				s.visit(e.at)
			case err == nil && e.verb == lineOf:
				if err := s.line(e.at); err != nil {
					return err
				}
			case !read:
				s.choice = ev.Choose
			}
			s.chosen = slices.DeleteFunc(s.chosen, func(x diagnose.Spot) bool { return s.readSince(x.At.Net, x.Polarity, ev.Number) })
			return nil
		}
	}
	return nil
}

// visit asks for a point out of turn: a pin of a connector that is being swept, or of
// which nothing was read yet, and the sweep goes on from there; or any other point,
// once.
func (s *Session) visit(at netlist.Point) {
	s.again, s.chosen, s.choice, s.leaving, s.swapped, s.skipped[firstLook] = nil, nil, "", false, false, true
	if at.Kind == netlist.PointPin {
		id := at.Pin.Connector
		if id != s.sweeping && slices.Contains(s.unswept(), s.board().Connectors[id].Name) {
			s.sweeping, s.since, s.polarity = id, 0, references.RedOnGround
		}
		if id == s.sweeping {
			s.cursor, s.revisit = int(at.Pin.Pin), true
			return
		}
	}
	s.chosen = []diagnose.Spot{{At: at}}
}

// line asks for a point of each net of a line, from a point of it outwards: a pin or a
// test point where the net has one.
func (s *Session) line(at netlist.Point) error {
	if at.Net == netlist.None || at.Net == s.board().Ground {
		return wrongEntry("no line begins at %s", "name a point on a signal or a rail", document.Quote(s.board().PointName(at)))
	}
	g, err := s.board().Graph()
	if err != nil {
		return err
	}
	s.again, s.chosen, s.choice, s.leaving, s.swapped = nil, nil, "", false, false
	for _, net := range g.Line(at.Net, netlist.AtRails).Nets {
		switch n := &s.board().Nets[net]; {
		case net == at.Net:
			s.chosen = append(s.chosen, diagnose.Spot{At: at})
		case net != s.board().Ground && !n.Rail:
			s.chosen = append(s.chosen, diagnose.Spot{At: s.board().PointsOn(net)[0]})
		}
	}
	return nil
}

func spotKey(at netlist.Point, pol references.Polarity) string {
	return fmt.Sprintf("%v %v", at, pol)
}

// lastWeighed is the number of the last event that may say something of the board.
func (s *Session) lastWeighed() int {
	for _, ev := range slices.Backward(s.Case().All) {
		if ev.Kind != journal.KindChoose {
			return ev.Number
		}
	}
	return 0
}

// diagnose weighs the record, once for each state of it.
func (s *Session) diagnose() (*repair.Diagnosis, error) {
	c := s.Case()
	if last := s.lastWeighed(); s.diagnosed != last {
		d, err := s.e.Diagnose(c)
		if err != nil {
			return nil, err
		}
		s.diagnosis, s.diagnosed = d, last
	}
	return s.diagnosis, nil
}

// compare sets the readings beside good boards, once for each state of the
// record.
func (s *Session) compare() ([]diagnose.Comparison, error) {
	c := s.Case()
	if last := s.lastWeighed(); s.compared != last {
		list, err := s.e.Compare(c)
		if err != nil {
			return nil, err
		}
		s.readings, s.compared = list, last
	}
	return s.readings, nil
}

// Ask works out what to ask for next.
func (s *Session) Ask() (*Prompt, error) {
	if s.asked == nil {
		p, err := s.ask()
		if err != nil {
			// What cannot be worked out must not keep anybody from undoing the
			// entry that it came from, or from writing on.
			p = &Prompt{Ask: AskStuck, Connectors: s.unswept(), Wrong: err.Error()}
		}
		s.asked = p
	}
	return s.asked, nil
}

func (s *Session) ask() (*Prompt, error) {
	c := s.Case()
	if _, closed := c.Closed(); closed {
		return &Prompt{Ask: Closed}, nil
	}
	if list := unacknowledged(c, beforeProbing); len(list) > 0 {
		return &Prompt{Ask: AskCautions, Cautions: list}, nil
	}
	if len(s.again) > 0 && !(s.fed && s.sweeping != netlist.None) {
		x := &s.again[0]
		p := &Prompt{Ask: AskReading, Purpose: ForAgain, At: diagnose.Spot{At: x.first.At, Polarity: x.first.Polarity}, Name: x.first.Name, Outlier: &x.outlier, Connector: netlist.None}
		if p.Ohms, p.To = x.first.Reading.Unit == quantity.Ohm, x.first.To; p.Ohms || p.To != nil {
			return p, nil
		}
		return s.readable(p)
	}
	if s.choice != "" {
		d, err := s.diagnose()
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(s.offered(d), func(x repair.Step) bool { return stepKey(&x) == s.choice }) {
			return s.stepPrompt(d)
		}
	}
	if len(s.chosen) > 0 {
		return s.readable(&Prompt{Ask: AskReading, Purpose: ForChosen, At: s.chosen[0], Connector: netlist.None})
	}
	if s.leaving {
		return s.askClose()
	}
	if !s.anyReading() && !s.worked() && !s.skipped[firstLook] {
		return &Prompt{Ask: AskFirstLook, Connectors: s.unswept(), Connector: netlist.None}, nil
	}
	if s.sweeping != netlist.None {
		if p, err := s.sweepPrompt(); p != nil || err != nil {
			return p, err
		}
		if len(s.again) > 0 {
			return s.ask()
		}
	}
	if !s.anyReading() && !s.worked() {
		if names := s.unswept(); len(names) > 0 && !s.skipped["sweep"] {
			return &Prompt{Ask: AskConnector, Connectors: names}, nil
		}
	}
	if p, err := s.removedPrompt(); p != nil || err != nil {
		return p, err
	}
	if p, err := s.proofPrompt(); p != nil || err != nil {
		return p, err
	}
	d, err := s.diagnose()
	if err != nil {
		return nil, err
	}
	if d.Implausible != nil && !s.skipped[implausibleKey(d.Implausible)] {
		return &Prompt{Ask: AskImplausible, Diagnosis: d}, nil
	}
	if s.settled(d) {
		return s.settledPrompt(d)
	}
	return s.stepPrompt(d)
}

// firstLook is the look at the whole board before the first reading, among what was
// skipped.
const firstLook = "first look"

// worked tells that the board was worked on, cleaning parts apart.
func (s *Session) worked() bool {
	return slices.ContainsFunc(s.Case().Events, func(e journal.Event) bool { return e.Rework() })
}

// implausibleKey names readings that are not those of the board, so that they can be
// left as they are.
func implausibleKey(x *diagnose.Implausible) string { return fmt.Sprint("implausible ", x.Events) }

func (s *Session) anyReading() bool {
	return slices.ContainsFunc(s.Case().Events, func(e journal.Event) bool { return len(e.Readings) > 0 })
}

// unswept names the connectors of which no pin was read.
func (s *Session) unswept() []string {
	read := map[netlist.ConnectorID]bool{}
	for _, ev := range s.Case().Events {
		for _, r := range ev.Readings {
			if r.At.Kind == netlist.PointPin {
				read[r.At.Pin.Connector] = true
			}
		}
	}
	var names []string
	for i := range s.board().Connectors {
		if !read[netlist.ConnectorID(i)] && len(s.board().Connectors[i].Pins) > 0 {
			names = append(names, s.board().Connectors[i].Name)
		}
	}
	return names
}

// readable fills in what a reading needs to be asked for.
func (s *Session) readable(p *Prompt) (*Prompt, error) {
	if s.swapped {
		p.At.Polarity = swapped(p.At.Polarity)
	}
	x, err := s.e.PredictAt(s.Case(), []diagnose.Spot{p.At})
	if err != nil {
		return nil, err
	}
	p.Predict, p.Settling = x[0], x[0].Settling
	if p.Name == "" {
		p.Name = s.board().PointName(p.At.At)
	}
	if p.Diagnosis == nil && s.diagnosed == s.lastWeighed() {
		p.Diagnosis = s.diagnosis
	}
	return p, nil
}

func (s *Session) pin(i int) netlist.Point {
	return s.board().PinPoint(netlist.PinRef{Connector: s.sweeping, Pin: int32(i)})
}

// order lists the pins of the sweep in the order in which they are asked for: first
// those on ground, which show that the leads are on; then as the probe moves, along
// the rows.
func (s *Session) order() []int {
	c := &s.board().Connectors[s.sweeping]
	order := slices.Concat(c.PinRows()...)
	slices.SortStableFunc(order, func(a, z int) int {
		ground := s.board().Ground
		switch {
		case s.every || s.fed:
			return a - z
		case c.Pins[a].Net == ground && c.Pins[z].Net != ground:
			return -1
		case c.Pins[a].Net != ground && c.Pins[z].Net == ground:
			return 1
		}
		return 0
	})
	return order
}

// sweepPins tells of each pin of the sweep whether it was dealt with, and of which no
// reading is wanted: once one ground pin reads as it should, the others of the ground
// tell nothing of the line, and are read when they are asked for by name.
func (s *Session) sweepPins() (settled, spare []bool) {
	pins := s.board().Connectors[s.sweeping].Pins
	settled, spare = make([]bool, len(pins)), make([]bool, len(pins))
	agrees := map[int]bool{} // events
	list, _ := s.compare()   // where they cannot be compared, every pin is read
	for i := range list {
		agrees[list[i].Event] = list[i].Verdict == diagnose.Agrees
	}
	grounded := false
	for _, ev := range s.Case().Events {
		for _, r := range ev.Readings {
			if ev.Number > s.since && r.At.Kind == netlist.PointPin && r.At.Pin.Connector == s.sweeping && r.To == nil && r.Polarity == s.polarity {
				settled[r.At.Pin.Pin] = true
				grounded = grounded || r.At.Net == s.board().Ground && agrees[ev.Number]
			}
		}
	}
	for i := range pins {
		settled[i] = settled[i] || s.skipped[spotKey(s.pin(i), s.polarity)]
		spare[i] = grounded && !settled[i] && pins[i].Net == s.board().Ground && !s.every && !s.fed
	}
	return settled, spare
}

// sweepPrompt asks for the next pin of a sweep, nil when there is none left.
func (s *Session) sweepPrompt() (*Prompt, error) {
	settled, spare := s.sweepPins()
	p := &Prompt{Ask: AskReading, Purpose: ForSweep, Connector: s.sweeping}
	order := s.order()
	first := max(slices.Index(order, s.cursor), 0)
	var left []int
	for k := range order {
		i := order[(first+k)%len(order)]
		switch {
		case s.revisit && i == s.cursor:
			left, p.Of = append(left, i), p.Of+1
		case spare[i]:
		case settled[i]:
			p.Done, p.Of = p.Done+1, p.Of+1
		default:
			left, p.Of = append(left, i), p.Of+1
		}
	}
	if len(left) == 0 {
		s.sweeping, s.since = netlist.None, 0
		return nil, nil
	}
	s.cursor = left[0]
	p.Pin, p.At = left[0], diagnose.Spot{At: s.pin(left[0]), Polarity: s.polarity}
	for _, i := range left[1:] {
		if s.every || s.fed || s.pin(i).Net != s.board().Ground { // once this one reads as it should
			p.Then = append(p.Then, i)
		}
	}
	return s.readable(p)
}

// before gives the pin that was dealt with before the one that the sweep stands at.
func (s *Session) before() (pin int, ok bool) {
	settled, _ := s.sweepPins()
	order := s.order()
	for k := slices.Index(order, s.cursor) - 1; k >= 0; k-- {
		if settled[order[k]] {
			return order[k], true
		}
	}
	return 0, false
}

// readSince tells whether a net was read in diode mode after an event.
func (s *Session) readSince(net netlist.NetID, pol references.Polarity, event int) bool {
	for _, ev := range s.Case().Events {
		if ev.Number <= event {
			continue
		}
		for _, r := range ev.Readings {
			if r.At.Net == net && r.To == nil && r.Polarity == pol && r.Reading.Unit != quantity.Ohm {
				return true
			}
		}
	}
	return false
}

// removedPrompt asks for both sides of parts that were removed just now.
func (s *Session) removedPrompt() (*Prompt, error) {
	c := s.Case()
	for i := len(c.Events) - 1; i >= 0; i-- {
		ev := &c.Events[i]
		if !ev.Kind.Edits() {
			continue
		}
		if ev.Kind != journal.KindRemove {
			return nil, nil
		}
		edits := s.Case().Now().Edits
		for _, part := range ev.Parts {
			p := &s.board().Parts[part]
			if !edits.Of(part).Removed || len(p.Terminals) > 4 {
				continue
			}
			seen := map[netlist.NetID]bool{s.board().Ground: true, netlist.None: true}
			for t := range p.Terminals {
				net := p.Terminals[t].Net
				at := s.board().TerminalPoint(netlist.TerminalRef{Part: part, Terminal: int32(t)})
				if seen[net] || s.readSince(net, references.RedOnGround, ev.Number) || s.skipped[fmt.Sprint(ev.Number, spotKey(at, 0))] {
					seen[net] = true
					continue
				}
				return s.readable(&Prompt{Ask: AskReading, Purpose: ForRemoved, At: diagnose.Spot{At: at}, Part: part, Connector: netlist.None})
			}
		}
		return nil, nil
	}
	return nil, nil
}

// lastRepair is the last event that is meant to have repaired something, 0 where
// there is none.
func (s *Session) lastRepair() int {
	return s.Case().Last(func(k journal.Kind) bool {
		return k.Edits() && k != journal.KindRemove && k != journal.KindReinstall
	})
}

// lastEdit is the last event that changed the board.
func (s *Session) lastEdit() int { return s.Case().Last(journal.Kind.Edits) }

// proof lists the spots that read wrong when they were last read, before an
// event: those whose readings prove that what was done then was right.
func (s *Session) proof(event int) ([]diagnose.Spot, error) {
	list, err := s.compare()
	if err != nil {
		return nil, err
	}
	var spots []diagnose.Spot
	for _, p := range diagnose.ByPlace(list) {
		first, last := p[0], p[len(p)-1]
		if last.Event > event || last.Verdict == diagnose.Agrees || last.Verdict == diagnose.NoKnownGood || last.To != "" || last.Ohms != nil {
			continue
		}
		at, err := s.board().Point(first.At) // a connector pin, most often
		if err != nil || at.Net == netlist.None {
			continue
		}
		pol, _ := references.ParsePolarity(last.Polarity)
		spots = append(spots, diagnose.Spot{At: at, Polarity: pol})
	}
	return spots, nil
}

// proofPrompt asks, after a repair, for the readings that prove it.
func (s *Session) proofPrompt() (*Prompt, error) {
	event := s.lastRepair()
	if event == 0 || event < s.lastEdit() {
		return nil, nil
	}
	return s.askProof(event, nil)
}

// askProof asks for what read wrong before an event and was not read since; nil where
// there is nothing.
func (s *Session) askProof(event int, d *repair.Diagnosis) (*Prompt, error) {
	spots, err := s.proof(event)
	for _, spot := range spots {
		if !s.skipped[fmt.Sprint(event, spotKey(spot.At, spot.Polarity))] {
			return s.readable(&Prompt{Ask: AskReading, Purpose: ForProof, At: spot, Connector: netlist.None, Diagnosis: d})
		}
	}
	return nil, err
}

// repairedShare is the probability from which a board counts as repaired or good.
const repairedShare = 0.5

// settled tells that what explains the readings has been dealt with, or that
// nothing is wrong.
func (s *Session) settled(d *repair.Diagnosis) bool {
	p := d.Quiet // what no reading shows keeps nobody
	for _, x := range d.Explanations {
		shown := slices.ContainsFunc(x.Faults, func(f diagnose.FaultReport) bool { return !f.Quiet })
		open := slices.ContainsFunc(x.Faults, func(f diagnose.FaultReport) bool { return !f.Quiet && !f.Cured && !isRemark(f) })
		if !open && (shown || len(x.Faults) == 0) {
			p += x.Probability
		}
	}
	return p > repairedShare && (s.worked() || len(d.Next) == 0)
}

// isRemark tells a misleading reading from a fault.
func isRemark(f diagnose.FaultReport) bool {
	return f.Mode == fault.Missed.String() || f.Mode == fault.Doubtful.String()
}

// settledPrompt goes through what is left when the fault has been dealt with:
// parts to put back, the power-up check, the first power, the closing.
func (s *Session) settledPrompt(d *repair.Diagnosis) (*Prompt, error) {
	c := s.Case()
	if s.lastEdit() == 0 {
		if s.cured() != "" {
			return s.askClose()
		}
		return &Prompt{Ask: AskNothing, Connectors: s.unswept(), Diagnosis: d}, nil
	}
	for _, x := range s.Case().Now().Edits.List() {
		p := &s.board().Parts[x.Part]
		if x.Removed && !x.Jumpered && !p.MayLeaveOff() && !s.skipped["reinstall "+p.Name] {
			if list := unacknowledged(c, beforeHeat); len(list) > 0 {
				return &Prompt{Ask: AskCautions, Cautions: list, Diagnosis: d}, nil
			}
			return &Prompt{Ask: AskReinstall, Part: x.Part, Diagnosis: d}, nil
		}
	}
	// A part that was removed for a test and may stay off goes back where the
	// diagnosis does not blame it.
	for _, x := range s.Case().Now().Edits.List() {
		p := &s.board().Parts[x.Part]
		if x.Removed && p.MayLeaveOff() && !s.blamed(d, p.Name) && !s.skipped["reinstall "+p.Name] {
			return &Prompt{Ask: AskReinstall, Part: x.Part, Diagnosis: d}, nil
		}
	}
	event := s.lastEdit()
	if p, err := s.askProof(event, d); p != nil || err != nil {
		return p, err
	}
	for _, part := range c.Unmarked() {
		if !s.skipped[fmt.Sprint(event, "mark", part)] {
			return &Prompt{Ask: AskMark, Part: part, Diagnosis: d}, nil
		}
	}
	g, err := powerup.Check(c, s.e, s.o.Limits)
	if err != nil {
		return nil, err
	}
	for _, n := range g.Need {
		spot := diagnose.Spot{At: n.Point, Polarity: n.Leads}
		if !s.skipped[fmt.Sprint(event, spotKey(spot.At, spot.Polarity))] {
			return s.readable(&Prompt{Ask: AskReading, Purpose: ForPowerUp, At: spot, Connector: netlist.None, PowerUp: g, Diagnosis: d})
		}
	}
	if !g.Passed() {
		return &Prompt{Ask: AskStuck, PowerUp: g, Diagnosis: d}, nil
	}
	p := &Prompt{Ask: AskPowerBefore, PowerUp: g, Diagnosis: d}
	if noSupply := s.skipped[fmt.Sprint("before", event)]; noSupply || s.drawn(event, true) {
		p.Ask = AskPowerAfter
		if noSupply || s.drawn(event, false) || s.skipped[fmt.Sprint("after", event)] {
			if p.Function, p.Without = s.untested(); p.Function == "" {
				return s.askClose()
			}
			p.Ask = AskFunction
		}
	}
	if list := unacknowledged(c, beforePower); len(list) > 0 {
		return &Prompt{Ask: AskCautions, Cautions: list, PowerUp: g, Diagnosis: d}, nil
	}
	return p, nil
}

// Functions lists what the board does: by its file, by the options, by earlier tests.
func (s *Session) Functions() []string {
	list := slices.Concat(s.board().Functions, s.o.Functions)
	for i := range s.Case().Events {
		for _, t := range s.Case().Events[i].Functions {
			list = append(list, t.Function)
		}
	}
	var once []string
	for _, f := range list {
		if !slices.Contains(once, f) {
			once = append(once, f)
		}
	}
	return once
}

// untested gives the next function to test, "" for none, and the parts off the board
// without which it is expected to fail.
func (s *Session) untested() (function string, without []string) {
	tested := s.Case().Tested()
	for _, f := range s.Functions() {
		if slices.ContainsFunc(tested, func(t journal.Tested) bool { return t.Function == f }) {
			continue
		}
		return f, s.Case().Without(f)
	}
	return "", nil
}

// blamed tells whether a part is in an explanation worth the name.
func (s *Session) blamed(d *repair.Diagnosis, part string) bool {
	return slices.ContainsFunc(d.Suspects, func(x diagnose.Suspect) bool { return x.Part == part && x.Probability > 0.1 })
}

// drawn tells whether the current before or after the key was read since an
// event.
func (s *Session) drawn(event int, before bool) bool {
	for _, ev := range s.Case().Events {
		if ev.Number < event || ev.Kind != journal.KindSupply {
			continue
		}
		if before && !math.IsNaN(ev.Supply.Before) || !before && !math.IsNaN(ev.Supply.After) {
			return true
		}
	}
	return false
}

// stepKey names a step, so that it can be skipped, and chosen in the record.
func stepKey(x *repair.Step) string {
	words := []string{string(x.Do), x.Part}
	if x.At != "" {
		words = append(words, "at", x.At)
	}
	words = append(words, x.Polarity, x.Remedy)
	if x.Again {
		words = append(words, "again")
	}
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), " ")
}

// Steps lists the steps on offer that were not skipped, each with its number. A step
// keeps its number as long as the session lasts, and no other step ever gets it: who
// chooses one from a list that has changed since gets that step or none.
func (s *Session) Steps() ([]Numbered, error) {
	d, err := s.diagnose()
	if err != nil {
		return nil, err
	}
	var list []Numbered
	for _, x := range s.offered(d) {
		key := stepKey(&x)
		if s.numbers[key] == 0 {
			s.numbers[key] = len(s.numbers) + 1
		}
		list = append(list, Numbered{x, s.numbers[key]})
	}
	return list, nil
}

// Numbered is a step with the number by which it is chosen.
type Numbered struct {
	repair.Step
	Number int
}

// offered lists the steps that were not skipped.
func (s *Session) offered(d *repair.Diagnosis) []repair.Step {
	return slices.DeleteFunc(slices.Clone(d.Next), func(x repair.Step) bool { return s.skipped[stepKey(&x)] })
}

// unreadEnd gives the end of a part whose resistance a step still wants read, "" for
// none.
func (s *Session) unreadEnd(x *repair.Step) string {
	for _, name := range x.Ends() {
		at, err := s.board().Point(name)
		if err == nil && !s.ohmsRead(at.Net) {
			return name
		}
	}
	return ""
}

// ohmsRead tells whether the resistance of a net to ground was read since the board
// last changed, red probe on ground.
func (s *Session) ohmsRead(n netlist.NetID) bool {
	return len(s.sinceEdit(func(r *journal.Read) bool {
		return r.At.Net == n && r.To == nil && r.Polarity == references.RedOnGround && r.Reading.Unit == quantity.Ohm
	})) > 0
}

// alike tells whether two readings are of the same points, taken in the same way.
func alike(a, b *journal.Read) bool {
	to := a.To == b.To || a.To != nil && b.To != nil && *a.To == *b.To
	return to && a.At == b.At && a.Polarity == b.Polarity && a.Reading.Unit == b.Reading.Unit
}

// sinceEdit gives the readings since the board last changed that are wanted.
func (s *Session) sinceEdit(wanted func(r *journal.Read) bool) (list []quantity.Reading) {
	edit := s.lastEdit()
	for _, ev := range s.Case().Events {
		for i := range ev.Readings {
			if r := &ev.Readings[i]; ev.Number > edit && wanted(r) {
				list = append(list, r.Reading)
			}
		}
	}
	return list
}

// stepPrompt asks for the best step.
func (s *Session) stepPrompt(d *repair.Diagnosis) (*Prompt, error) {
	steps := s.offered(d)
	if len(steps) == 0 {
		p := &Prompt{Ask: AskStuck, Connectors: s.unswept(), Diagnosis: d}
		if s.lastEdit() > 0 {
			var err error
			if p.PowerUp, err = powerup.Check(s.Case(), s.e, s.o.Limits); err != nil {
				return nil, err
			}
		}
		return p, nil
	}
	step := steps[max(slices.IndexFunc(steps, func(x repair.Step) bool { return stepKey(&x) == s.choice }), 0)]
	p := &Prompt{Step: &step, Diagnosis: d, Connector: netlist.None}
	if step.Part != "" {
		if id, err := s.board().PartByName(step.Part); err == nil {
			p.Part = id
		} else {
			p.Part = netlist.None
		}
	}
	when := beforeProbing
	switch step.Do {
	case repair.DoMeasure, repair.DoPress, repair.DoGood:
		at, err := s.board().Point(step.At)
		if err != nil {
			return nil, err
		}
		pol, _ := references.ParsePolarity(step.Polarity)
		p.Ask, p.Purpose, p.At, p.Name = AskReading, ForStep, diagnose.Spot{At: at, Polarity: pol}, step.At
		return s.readable(p)
	case repair.DoEnds:
		name := s.unreadEnd(&step)
		at, err := s.board().Point(name)
		if err != nil {
			return nil, err
		}
		p.Ask, p.Purpose, p.At, p.Name, p.Ohms = AskReading, ForStep, diagnose.Spot{At: at}, name, true
	case repair.DoAcross:
		at, err := s.board().Point(step.At)
		if err != nil {
			return nil, err
		}
		to, err := s.board().Point(step.Then[0])
		if err != nil {
			return nil, err
		}
		p.Ask, p.Purpose, p.At, p.Name, p.Ohms, p.To = AskReading, ForStep, diagnose.Spot{At: at}, step.At, true, &to
	case repair.DoSwap:
		p.Ask, when = AskSwap, beforePower
	case repair.DoSweep:
		id, err := s.board().ConnectorByName(step.Part)
		if err != nil {
			return nil, err
		}
		s.sweeping, s.polarity, s.cursor = id, references.RedOnGround, 0
		return s.sweepPrompt()
	case repair.DoEscalate:
		p.Ask = AskEscalate
	case repair.DoReinstall:
		p.Ask, when = AskReinstall, beforeHeat
	case repair.DoInspect:
		if p.Ask = AskInspect; step.At != "" {
			p.Ask = AskUndrawn
		}
	case repair.DoInject:
		p.Ask, when = AskInjection, beforeInjecting
	case repair.DoDrop:
		p.Ask, when = AskDrop, beforeInjecting
	case repair.DoRemove:
		p.Ask, when = AskRemove, beforeHeat
	default:
		p.Ask, when = AskRemedy, beforeHeat
	}
	if list := unacknowledged(s.Case(), when); len(list) > 0 {
		return &Prompt{Ask: AskCautions, Cautions: list, Diagnosis: d, Step: p.Step}, nil
	}
	return p, nil
}

// askClose proposes what the record says.
func (s *Session) askClose() (*Prompt, error) {
	d, err := s.diagnose()
	if err != nil {
		return nil, err
	}
	p := &Prompt{Ask: AskClose, Diagnosis: d, Cause: s.cause, Remedy: s.remedy}
	if at := s.cured(); at != "" && p.Cause == "" && s.remedy == "" {
		p.Cause, p.Remedy = "what was connected at "+at, "new cable or module at "+at
	}
	if p.Remedy == "" {
		p.Remedy = Remedy(s.Case())
	}
	check, err := s.PowerUp()
	if err != nil {
		return nil, err
	}
	// A board that nobody worked on goes back to its owner too: that it fails is said.
	if s.lastEdit() > 0 || check.Result == powerup.Fail {
		p.PowerUp = check
	}
	if p.Cause == "" {
		p.Cause = causeOf(d, s.remedy != Escalated && p.PowerUp != nil && p.PowerUp.Passed())
	}
	return p, nil
}

// cured names the connector at which a swapped cable or module cured the complaint, ""
// for none.
func (s *Session) cured() (name string) {
	for i := range s.Case().Events {
		for _, x := range s.Case().Events[i].Swaps {
			if name = ""; x.Works {
				name = s.board().Connectors[x.Connector].Name
			}
		}
	}
	return name
}

// Escalated is the remedy of a case that is closed because somebody else goes on.
const Escalated = "escalated"

// causeOf puts the likeliest explanation in words: "FL3 open". Where no repair has
// proven it, each part comes with the probability that it is bad, in whatever way,
// which is what screens and reports give: "suspected FL3 open (FL3 bad: 54 %)".
func causeOf(d *repair.Diagnosis, proven bool) string {
	var words []string
	if len(d.Explanations) > 0 {
		for _, f := range d.Explanations[0].Faults {
			if isRemark(f) {
				continue
			}
			text := f.At + " " + f.Mode
			i := slices.IndexFunc(d.Suspects, func(x diagnose.Suspect) bool { return x.Part == f.Part || x.Part == f.At })
			if !proven && i >= 0 {
				text += fmt.Sprintf(" (%s bad: %.0f %%)", d.Suspects[i].Part, 100*d.Suspects[i].Probability)
			}
			words = append(words, text)
		}
	}
	switch cause := strings.Join(words, ", "); {
	case cause == "":
		return "no fault found"
	case proven:
		return cause
	default:
		return "suspected " + cause
	}
}

// Remedy puts what the record says was done in words: "jumpered FL3, left off
// C46".
func Remedy(c *journal.Case) string {
	edits := c.Now().Edits
	var words []string
	for _, x := range edits.List() {
		name := c.Board.Parts[x.Part].Name
		switch {
		case x.Jumpered:
			words = append(words, "jumpered "+name)
		case x.Removed:
			words = append(words, "left off "+name)
		case x.Replaced:
			words = append(words, "new "+name)
		case x.Reflowed:
			words = append(words, "reflowed "+name+" (may not last)")
		}
	}
	for _, m := range edits.Repairs() {
		words = append(words, did[journal.KindOfRepair(m)]+c.Board.RepairName(m))
	}
	if len(words) == 0 {
		return "none"
	}
	return strings.Join(words, ", ")
}

// did are the words before what was worked on, by what was done.
var did = map[journal.Kind]string{
	journal.KindRemove: "removed ", journal.KindReinstall: "put back ", journal.KindReplace: "replaced ", journal.KindReflow: "reflowed ",
	journal.KindJumper: "jumpered ", journal.KindResolder: "resoldered ", journal.KindClean: "cleaned ",
	journal.KindConcerns: "the complaint concerns ", journal.KindAcknowledge: "cautions acknowledged: ",
}

// printable quotes what was entered.
func printable(text string) string { return document.Quote(strings.TrimSpace(text)) }

// Readings are all readings of the case beside good boards.
func (s *Session) Readings() ([]diagnose.Comparison, error) { return s.compare() }

// Predict gives what a good board shows at points, as this one lies and on its meter,
// red probe on ground.
func (s *Session) Predict(points []netlist.Point) ([]diagnose.Prediction, error) {
	return s.e.PredictPoints(s.Case(), points)
}

// Diagnosis is what the readings of the case mean.
func (s *Session) Diagnosis() (*repair.Diagnosis, error) { return s.diagnose() }

// PowerUp says whether power may go on.
func (s *Session) PowerUp() (*powerup.Answer, error) { return powerup.Check(s.Case(), s.e, s.o.Limits) }
