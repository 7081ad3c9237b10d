package bench

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Enter takes one line from the technician or the meter. What it means depends
// on what is asked for, but plain words ("removed R12", "0.430 at R12.2") mean the
// same at any time. When Enter returns without an error, what was entered is on
// the disk. An error says "what; what to do", and nothing is recorded then.
func (s *Session) Enter(line string) (*Reply, error) {
	p, err := s.Ask()
	if err != nil {
		return nil, err
	}
	seen := s.seenBy()
	switch {
	case p.Ask == AskDrop && strings.Contains(line, " "): // what the parts read is what is asked for
		if _, err := understand(s.board(), line); err != nil {
			line = fmt.Sprintf("drop %s at %s: %s", p.Step.At, quantity.Format(p.Step.Amperes, quantity.Ampere), line)
		}
	case p.Ask == AskUndrawn:
		if _, err := understand(s.board(), line); err != nil && foundWords.MatchString(line) || noneWords.MatchString(line) {
			line = "undrawn " + p.Step.At + ": " + line
		}
	case p.Ask == AskInjection:
		for by := journal.SeenByFilm; by <= journal.SeenByNone; by++ {
			if cut, ok := strings.CutSuffix(strings.TrimSpace(line), " by "+by.String()); ok {
				line, seen = cut, by
			}
		}
	}
	e, err := understand(s.board(), line)
	if err != nil {
		if list := several(line); p.Ask == AskReading && p.Purpose == ForSweep && len(list) > 1 {
			return s.enterSeveral(p, list)
		}
		if p.Chooses() != nil { // the steps are not worked out for each mistyped line of a sweep
			return nil, err
		}
		if e = s.phrased(line); e.verb != take {
			return nil, err
		}
	}
	e.seen = seen
	if p.Ask == Closed && e.verb != undo && e.verb != help && e.verb != quit && !(e.verb == record && e.event.Kind == journal.KindNote) {
		return nil, wrongEntry("the case is closed", "write `undo` to open it again, or `quit`")
	}
	r := &Reply{}
	err = s.enter(p, e, line, r)
	s.asked = nil
	if p.Ask == AskCautions && err == nil && (e.verb == record && e.event.Kind != journal.KindNote || e.verb == sweep || e.verb == visit || e.verb == lineOf) {
		r.Says = append(r.Says, "the cautions come next: read them and write y")
	}
	return r, err
}

// phrased is the choice of a step on offer by its words, as the list of them has it.
func (s *Session) phrased(line string) (e entry) {
	d, err := s.diagnose()
	if err != nil {
		return e
	}
	for _, x := range s.offered(d) {
		if strings.EqualFold(x.Phrase(x.Part, x.At), strings.TrimSpace(line)) {
			return entry{verb: take, step: stepKey(&x)}
		}
	}
	return e
}

func (s *Session) enter(p *Prompt, e entry, line string, r *Reply) error {
	switch e.verb {
	case help:
		r.Show = e.show
		return nil
	case quit:
		r.Quit = true
		return nil
	case undo:
		return s.undo(e.number, r)
	}
	switch e.verb {
	case record:
		if len(e.event.Readings) > 0 {
			return s.reading(p, e.event.Readings[0], r)
		}
		return s.event(p, e.event, r)
	case tested:
		if p.Ask == AskSwap && e.text == "" && e.result != journal.NotTested {
			id, err := s.board().ConnectorByName(p.Step.Part)
			if err != nil {
				return err
			}
			return s.event(p, journal.Event{Kind: journal.KindSwap, Swaps: []journal.Swap{{Connector: id, Works: e.result == journal.Works}}}, r)
		}
		name := p.Function
		if e.text != "" {
			at := slices.IndexFunc(s.Functions(), func(f string) bool { return strings.EqualFold(f, e.text) })
			if at < 0 {
				do := "begin the session with --function to have it tested"
				if list := s.Functions(); len(list) > 0 {
					do = "name one of " + strings.Join(list, ", ") + ", or " + do
				}
				return wrongEntry("%s is not a function of this board", do, printable(e.text))
			}
			name = s.Functions()[at]
		} else if p.Ask != AskFunction {
			return wrongEntry("no function is asked for", "name it, as in: touch works")
		}
		return s.event(p, journal.Event{Kind: journal.KindFunctions, Functions: []journal.Tested{{Function: name, Result: e.result}}}, r)
	case marked:
		if p.Ask != AskMark {
			return wrongEntry("no mark is asked for", "name the part, as in: D1 right, or D1 reversed")
		}
		return s.event(p, journal.Event{Kind: journal.KindMark, Marks: []journal.Marked{{Part: p.Part, Reversed: e.swapped}}}, r)
	case sweep:
		s.skipped[firstLook] = true
		id, err := s.board().ConnectorByName(e.name)
		if err != nil {
			return err
		}
		s.sweeping, s.cursor, s.polarity, s.again, s.chosen, s.choice, s.leaving, s.every = id, 0, references.RedOnGround, nil, nil, "", false, e.every
		if e.swapped {
			s.polarity = references.BlackOnGround
		}
		for i := range s.board().Connectors[id].Pins {
			delete(s.skipped, spotKey(s.pin(i), s.polarity))
		}
		s.cursor = s.order()[0]
		if e.at.Kind == netlist.PointPin {
			s.cursor, s.revisit = int(e.at.Pin.Pin), true
		}
		s.since = 0
		settled, spare := s.sweepPins()
		for i := range settled {
			settled[i] = settled[i] || spare[i]
		}
		if !slices.Contains(settled, false) { // all of it once more
			s.since = s.Case().All[len(s.Case().All)-1].Number
		}
		return nil
	case visit:
		if s.visit(e.at); len(s.chosen) == 0 { // of the sweep, which goes on from what was read
			return nil
		}
		return s.write(journal.Event{Kind: journal.KindChoose, Choose: s.board().PointName(e.at)}, r)
	case lineOf:
		if err := s.line(e.at); err != nil {
			return err
		}
		return s.write(journal.Event{Kind: journal.KindChoose, Choose: "line " + s.board().PointName(e.at)}, r)
	case take:
		if err := p.Chooses(); err != nil {
			return err
		}
		d, err := s.diagnose()
		if err != nil {
			return err
		}
		steps := s.offered(d)
		along := ""
		if e.number == 0 && e.step == "" {
			along = s.board().PointName(e.at)
		}
		at := slices.IndexFunc(steps, func(x repair.Step) bool {
			return e.step != "" && stepKey(&x) == e.step || e.step == "" && along == "" && s.numbers[stepKey(&x)] == e.number || along != "" && x.Do == repair.DoInspect && x.At == along
		})
		if at < 0 && along != "" {
			return wrongEntry("looking along %s is not on offer", "write what you found there, as in undrawn "+along+": C99, U9.A1, or none", along)
		}
		if at < 0 {
			return wrongEntry("no step %d is on offer", "o lists the steps with their numbers", e.number)
		}
		s.choice, s.swapped = stepKey(&steps[at]), false
		return s.write(journal.Event{Kind: journal.KindChoose, Choose: s.choice}, r)
	case closing, escalating:
		if e.verb == escalating {
			s.remedy = Escalated
			if e.text != "" {
				s.remedy += ": " + e.text
			}
		} else if e.text != "" {
			s.cause, s.remedy = cutRemedy(e.text, s.remedy)
		}
		s.leaving, s.again, s.chosen, s.choice = true, nil, nil, ""
		return nil
	case repeat:
		return s.repeat(r)
	case value:
		if p.Ask != AskReading {
			return s.strayValue(p, e, line)
		}
		if p.Ohms {
			if e.reading.Overload {
				e.reading.Unit = quantity.Ohm
			}
			if e.reading.Unit != quantity.Ohm || e.turned && e.polarity != p.At.Polarity {
				return wrongEntry("the resistance of %s is wanted, "+p.otherLead(s.board()), "turn the meter's dial to ohms and write the unit, as in 0.6 ohm, or OL; s skips", p.Name)
			}
		}
		at := p.At
		if e.turned {
			at.Polarity = e.polarity
		}
		x := journal.Read{At: at.At, Name: p.Name, Polarity: at.Polarity, Reading: e.reading}
		switch {
		case p.Purpose != ForStep:
		case p.Step.Do == repair.DoPress:
			return s.event(p, journal.Event{Kind: journal.KindPress, Presses: []journal.Press{{Part: p.Part, Read: x}}}, r)
		case p.Step.Do == repair.DoGood:
			return s.event(p, journal.Event{Kind: journal.KindGood, Goods: []journal.Read{x}}, r)
		}
		if p.To != nil {
			x.To, x.ToName = p.To, s.board().PointName(*p.To)
		}
		return s.reading(p, x, r)
	}
	return s.answer(p, e, line, r)
}

// notAnswers are what is said of entries that do not answer what is asked for, and what
// to enter instead; %s is the entry.
var notAnswers = map[Ask][2]string{
	AskCautions:    {"the cautions come first", "read them and write y, or q to leave"},
	AskFirstLook:   {"%s is not an inspection result", "write what looks bad, such as C40 C41 corroded, or Enter to go on"},
	AskReading:     {"%s is not a reading", "write volts as 0.452, millivolts as 452, or OL; s skips, ? helps"},
	AskInspect:     {"%s is not an inspection result", "write clean, burnt, corroded, cracked or missing, or s to skip"},
	AskInjection:   {"%s names no part", "write the part that warmed up, or none, or s to skip"},
	AskSwap:        {"%s does not say what became of the complaint", "write works or fails, or s to skip"},
	AskDrop:        {"%s does not say what the parts read", "write each part with its millivolts, as in C71 12.4 mV, C72 13.1 mV, or s to skip"},
	AskRemove:      {"%s does not say that it is done", workDone},
	AskRemedy:      {"%s does not say that it is done", workDone},
	AskReinstall:   {"%s does not say that it is done", workDone},
	AskMark:        {"%s does not say which way round it sits", "write y where its mark is where it belongs, or reversed, or s to skip"},
	AskPowerBefore: {"%s is not a current", "write it like 12 mA, or s to skip"},
	AskPowerAfter:  {"%s is not a current", "write it like 12 mA, or s to skip"},
	AskFunction:    {"%s does not say whether it works", "write works, fails, or s where it is not tested"},
	AskClose:       {"that does not say whether the case is to be closed", "write y, or `close CAUSE; REMEDY` in your own words, or q to leave it open"},
	AskImplausible: {"%s does not say that it was put right", "write y to take these readings back and read again, or s to leave them"},
	AskEscalate:    {"%s means nothing here", "write y to escalate the board, enter a reading with its point, or s to skip"},
	AskNothing:     {"%s means nothing here", elsewhere},
	AskStuck:       {"%s means nothing here", elsewhere},
	Closed:         {"%s means nothing here", "? shows what can be entered"},
}

const (
	workDone  = "write y when it is done, say in words what you did instead (replaced R12), or s to skip"
	elsewhere = "sweep another connector, enter a reading with its point, or close"
)

// notAnswer refuses an entry that does not answer what is asked for.
func (p *Prompt) notAnswer(line string) error {
	words := notAnswers[p.Ask]
	switch p.Ask {
	case AskConnector:
		words = [2]string{"%s is not a connector", "write `sweep` and one of " + strings.Join(p.Connectors, ", ")}
	case AskUndrawn:
		words = [2]string{"%s does not say what stands along " + p.Step.At + " and is not drawn", "write the marks on the board, as in C99, U9.A1, or none, or s to skip"}
	}
	return errors.New(strings.Replace(words[0], "%s", printable(line), 1) + "; " + words[1])
}

// skipKey is the key of what is asked for among what is skipped, "" where it cannot be.
func (s *Session) skipKey(p *Prompt) string {
	switch p.Ask {
	case AskFirstLook:
		return firstLook
	case AskConnector:
		return "sweep"
	case AskReinstall:
		return "reinstall " + s.board().Parts[p.Part].Name
	case AskMark:
		return fmt.Sprint(s.lastEdit(), "mark", p.Part)
	case AskPowerBefore:
		return fmt.Sprint("before", s.lastEdit())
	case AskPowerAfter:
		return fmt.Sprint("after", s.lastEdit())
	case AskImplausible:
		return implausibleKey(p.Diagnosis.Implausible)
	case AskInspect, AskUndrawn, AskInjection, AskSwap, AskDrop, AskRemove, AskRemedy, AskEscalate:
		return stepKey(p.Step)
	}
	return ""
}

// passes tells whether an entry skips what is asked for.
func (e *entry) passes(ask Ask) bool {
	switch ask {
	case AskFirstLook: // that nothing looks bad, in words too
		return e.verb == skip || e.verb == yes || e.verb == nothing || e.verb == finish || e.verb == warmed && len(e.parts) == 0
	case AskConnector:
		return e.verb == skip || e.verb == finish
	case AskPowerBefore, AskPowerAfter:
		return e.verb == skip || e.verb == nothing
	}
	return e.verb == skip
}

// answer takes what answers what is asked for.
func (s *Session) answer(p *Prompt, e entry, line string, r *Reply) error {
	if key := s.skipKey(p); key != "" && e.passes(p.Ask) {
		s.skipped[key] = true
		if p.Step != nil || p.Ask == AskReinstall {
			s.choice = ""
		}
		return nil
	}
	done := e.verb == yes
	agreed := done || e.verb == nothing
	switch {
	case p.Ask == AskReading:
		return s.atReading(p, e, line, r)
	case p.Ask == AskCautions && done:
		keys := make([]string, len(p.Cautions))
		for i, x := range p.Cautions {
			keys[i] = x.Key
		}
		return s.write(journal.Event{Kind: journal.KindAcknowledge, Acknowledged: keys}, r)
	case p.Ask == AskConnector && agreed:
		id, err := s.board().ConnectorByName(p.Connectors[0])
		if err == nil {
			s.sweeping, s.every = id, false
			s.cursor = s.order()[0]
		}
		return err
	case p.Ask == AskInspect && e.verb == look:
		l := journal.Looked{Part: p.Part, Look: e.look}
		if at, err := s.board().Point(p.Step.Part); p.Part == netlist.None && err == nil {
			l.Pin = at.Pin
		}
		return s.write(journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{l}}, r)
	case p.Ask == AskInjection && e.verb == warmed:
		rail, err := s.board().NetByName(p.Step.At)
		if err != nil {
			return err
		}
		return s.write(journal.Event{Kind: journal.KindInject, Injections: []journal.Injection{{Rail: rail, Warm: e.parts, SeenBy: e.seen}}}, r)
	case (p.Ask == AskRemove || p.Ask == AskRemedy || p.Ask == AskReinstall) && done:
		ev, err := s.work(p)
		if err != nil {
			return err
		}
		return s.event(p, ev, r)
	case p.Ask == AskMark && done:
		return s.event(p, journal.Event{Kind: journal.KindMark, Marks: []journal.Marked{{Part: p.Part}}}, r)
	case (p.Ask == AskPowerBefore || p.Ask == AskPowerAfter) && e.verb == current:
		return s.event(p, drawn(e.amperes, p.Ask == AskPowerBefore), r)
	case p.Ask == AskFunction && (done || e.verb == skip):
		if done { // otherwise it stays as not tested
			e.result = journal.Works
		}
		return s.event(p, journal.Event{Kind: journal.KindFunctions, Functions: []journal.Tested{{Function: p.Function, Result: e.result}}}, r)
	case p.Ask == AskClose && agreed:
		if p.PowerUp != nil && !p.PowerUp.Passed() {
			r.Says = append(r.Says, p.PowerUp.Line())
		}
		return s.write(journal.Event{Kind: journal.KindClose, Close: &journal.Closing{Cause: p.Cause, Remedy: p.Remedy}}, r)
	case p.Ask == AskClose && (e.verb == skip || e.verb == back):
		s.leaving = false
		return nil
	case p.Ask == AskImplausible && done:
		return s.takeBack(p.Diagnosis.Implausible, r)
	case p.Ask == AskEscalate && (agreed || e.verb == finish):
		s.remedy, s.leaving = Escalated, true
		return nil
	case (p.Ask == AskNothing || p.Ask == AskStuck) && (agreed || e.verb == finish):
		s.leaving = true
		return nil
	}
	switch {
	case e.verb == warmed && len(e.parts) > 0:
		name := s.board().Parts[e.parts[0]].Name
		return wrongEntry("%s does not say what was done or seen", fmt.Sprintf("write it as in removed %s, %s corroded, or %s warm on the name of a rail", name, name, name), printable(line))
	case e.verb == current && p.Ask != AskFunction:
		return wrongEntry("%s does not say when", "write draws 12 mA before the power button, or after it", printable(line))
	}
	return p.notAnswer(line)
}

// enterSeveral takes several readings on one line, of the pins that follow each other.
// Those out of range are asked for again after the last of them.
func (s *Session) enterSeveral(p *Prompt, list []quantity.Reading) (*Reply, error) {
	if left := 1 + len(p.Then); len(list) > left {
		return nil, wrongEntry("%d readings for %d pins that are left of the sweep", "enter one for each", len(list), left)
	}
	for _, x := range list {
		if err := s.within(x); err != nil {
			return nil, err
		}
	}
	all, pins := &Reply{}, append([]int{p.Pin}, p.Then...)
	var later []again
	for k, x := range list {
		at := s.pin(pins[k])
		r := &Reply{}
		s.cursor, s.asked = pins[k], nil
		if err := s.reading(&Prompt{Ask: AskReading, Purpose: ForSweep, At: diagnose.Spot{At: at}}, journal.Read{At: at, Name: s.board().PointName(at), Polarity: s.polarity, Reading: x}, r); err != nil {
			return all, err
		}
		all.Recorded, all.Says, all.Readings = append(all.Recorded, r.Recorded...), append(all.Says, r.Says...), append(all.Readings, r.Readings...)
		all.Outlier = all.Outlier || r.Outlier
		later, s.again = append(later, s.again...), nil
	}
	s.again, s.asked = later, nil
	return all, nil
}

// strayValue is a reading where none is asked for.
func (s *Session) strayValue(p *Prompt, e entry, line string) error {
	if (p.Ask == AskPowerBefore || p.Ask == AskPowerAfter) && !e.reading.Overload {
		return wrongEntry("%s has no unit", "write the current like 12 mA", printable(line))
	}
	if p.Ask == AskCautions {
		return wrongEntry("the cautions come first", "read them and write y")
	}
	return wrongEntry("%s is a reading, and no point is asked for", "name its point, such as "+printable(strings.TrimSpace(line)+" at J7.2"), printable(line))
}

// cutRemedy parts "FL3 open; bridged" into cause and remedy.
func cutRemedy(text, remedy string) (string, string) {
	cause, given, ok := strings.Cut(text, ";")
	if ok {
		remedy = strings.TrimSpace(given)
	}
	return strings.TrimSpace(cause), remedy
}

// write puts an event on the disk.
func (s *Session) write(ev journal.Event, r *Reply) error {
	if s.o.Now != nil {
		ev.Time = s.o.Now()
	}
	ev.By = s.o.By
	before := s.Case()
	if err := s.w.Write(ev); err != nil {
		return err
	}
	s.asked = nil
	after := s.Case()
	redrawn := after.Board != before.Board && after.Board.Identity() != before.Board.Identity()
	if redrawn || s.e.Library != nil && len(after.Library.Sweeps) != len(s.e.Library.Sweeps) {
		e, err := s.e.Refit(after)
		if err != nil {
			return err
		}
		s.e = e
	}
	r.Recorded = append(r.Recorded, after.All[len(after.All)-1].Number)
	known := map[string]bool{}
	for _, w := range before.Warnings {
		known[w.Error()] = true
	}
	for _, w := range after.Warnings {
		if !known[w.Error()] {
			r.Says = append(r.Says, w.What+"; "+w.Do)
		}
	}
	return nil
}

// event records what was done or seen.
func (s *Session) event(p *Prompt, ev journal.Event, r *Reply) error {
	for _, part := range ev.Parts {
		name, removed := s.board().Parts[part].Name, s.Case().Now().Edits.Of(part).Removed
		switch {
		case ev.Kind == journal.KindRemove && removed:
			return wrongEntry("%s is removed already", "write `put back "+name+"` or `replaced "+name+"` where it came back", name)
		case ev.Kind == journal.KindReinstall && !removed:
			return wrongEntry("%s was not removed", "write `removed "+name+"` first where it came off, or `replaced "+name+"` for a new part", name)
		}
	}
	if ev.Kind == journal.KindRemove || ev.Kind == journal.KindReplace {
		s.choice = ""
	}
	if ev.Kind == journal.KindInject {
		for _, in := range ev.Injections {
			if n := &s.board().Nets[in.Rail]; n.Boosted || !n.Rail {
				r.Says = append(r.Says, document.Quote(n.Name)+" is not a rail that may be fed from outside: stop, if you have not yet")
			}
		}
	}
	if ev.Kind.Edits() { // which is to be proven before the case is closed
		s.again, s.chosen, s.leaving = nil, nil, false
	}
	if err := s.write(ev, r); err != nil {
		return err
	}
	for _, m := range ev.Marks {
		if m.Reversed {
			r.Says = append(r.Says, "take "+s.board().Parts[m.Part].Name+" off and put it on the right way round: no power before that")
		}
	}
	for _, t := range ev.Functions {
		switch without := s.Case().Without(t.Function); {
		case t.Result == journal.Fails && len(without) > 0:
			r.Says = append(r.Says, "expected: "+strings.Join(without, ", ")+" is off the board")
		case t.Result == journal.Fails:
			r.Says = append(r.Says, "the board is not repaired; take power off before a probe touches it again")
		}
	}
	if ev.Kind == journal.KindSupply {
		s.judgeSupply(!math.IsNaN(ev.Supply.Before), r)
	}
	return nil
}

// judgeSupply says what the current that was drawn speaks for.
func (s *Session) judgeSupply(before bool, r *Reply) {
	g, err := s.PowerUp()
	switch {
	case err != nil: // it is on the disk all the same
		r.Says = append(r.Says, "recorded, but the power-up check cannot be made: "+err.Error())
	case g.Draw != nil && before:
		r.Says = append(r.Says, g.Draw.BeforeSays)
	case g.Draw != nil:
		r.Says = append(r.Says, g.Draw.AfterSays)
	}
}

func (s *Session) undo(number int, r *Reply) error {
	c := s.Case()
	target := (*journal.Event)(nil)
	for i := range c.Events {
		ev := &c.Events[i]
		// A caution that was read cannot be unread: it is taken back by its number alone, and
		// so is a choice, which says nothing of the board.
		if number == 0 && ev.Kind != journal.KindOpen && ev.Kind != journal.KindAcknowledge && ev.Kind != journal.KindChoose || ev.Number == number {
			target = ev
		}
	}
	switch {
	case target == nil && number == 0:
		return wrongEntry("there is nothing to take back", "go on")
	case target == nil:
		return wrongEntry("there is no event %d that counts", "l shows them", number)
	case target.Kind == journal.KindOpen:
		return wrongEntry("the opening of a case cannot be taken back", "begin another case")
	}
	if err := s.write(journal.Event{Kind: journal.KindUndo, Undo: target.Number}, r); err != nil {
		return err
	}
	r.Says = append(r.Says, fmt.Sprintf("took back event %d: %s", target.Number, Describe(c.Board, target)))
	s.again = slices.DeleteFunc(s.again, func(x again) bool { return x.event == target.Number })
	s.leaving, s.choice, s.revisit = false, "", false
	if len(s.chosen) > 0 && len(target.Readings) == 1 && target.Readings[0].To == nil { // of a line
		s.chosen = append([]diagnose.Spot{{At: target.Readings[0].At, Polarity: target.Readings[0].Polarity}}, s.chosen...)
	}
	// A pin of the sweep under way is asked for again.
	if len(target.Readings) == 1 && target.Readings[0].At.Kind == netlist.PointPin && target.Readings[0].At.Pin.Connector == s.sweeping {
		s.cursor = int(target.Readings[0].At.Pin.Pin)
	}
	return nil
}

// takeBack takes back readings that are not those of the board, and begins the
// sweep that they were of again.
func (s *Session) takeBack(x *diagnose.Implausible, r *Reply) error {
	first := -1
	for i := range s.Case().Events {
		if s.Case().Events[i].Number == x.Events[0] {
			first = i
		}
	}
	at := s.Case().Events[first].Readings[0]
	for _, n := range x.Events {
		if err := s.write(journal.Event{Kind: journal.KindUndo, Undo: n}, r); err != nil {
			return err
		}
	}
	r.Recorded = nil // one line for all of them
	r.Says = append(r.Says, fmt.Sprintf("took back the readings of %d events, from event %d on", len(x.Events), x.Events[0]))
	s.again, s.chosen, s.leaving, s.choice, s.revisit = nil, nil, false, "", false
	if at.At.Kind == netlist.PointPin {
		s.sweeping, s.polarity = at.At.Pin.Connector, at.Polarity
		s.cursor = s.order()[0]
	}
	return nil
}

// repeat asks for the last reading once more, in its place.
func (s *Session) repeat(r *Reply) error {
	c := s.Case()
	for i := len(c.Events) - 1; i > 0; i-- {
		ev := &c.Events[i]
		if len(ev.Readings) == 0 {
			continue
		}
		x := ev.Readings[len(ev.Readings)-1]
		if x.To == nil && x.Reading.Unit == quantity.Volt && x.At.Kind == netlist.PointPin && x.At.Pin.Connector == s.sweeping && x.Polarity == s.polarity {
			s.cursor, s.revisit, s.again = int(x.At.Pin.Pin), true, nil
			return nil
		}
		if len(ev.Readings) > 1 {
			break
		}
		if err := s.undo(ev.Number, r); err != nil {
			return err
		}
		s.again = nil
		return nil
	}
	return wrongEntry("there is not a reading of this session to take again", "go on")
}

// Two readings of one point are the same within so much (common practice, no
// source).
const (
	sameVolts = 0.006
	sameOhms  = 0.3 // what leads and contacts differ by
	sameShare = 0.02
)

func same(a, b quantity.Reading) bool {
	if a.Overload || b.Overload {
		return a.Overload == b.Overload && a.Unit == b.Unit
	}
	least := sameVolts
	if a.Unit == quantity.Ohm {
		least = sameOhms
	}
	return a.Unit == b.Unit && math.Abs(a.Value-b.Value) <= math.Max(least, sameShare*math.Abs(a.Value))
}

// reading records a reading and judges it.
func (s *Session) reading(p *Prompt, x journal.Read, r *Reply) error {
	if err := s.within(x.Reading); err != nil {
		return err
	}
	asked := p.Ask == AskReading && x.At == p.At.At && (x.To == nil) == (p.To == nil) && (x.Reading.Unit == quantity.Ohm) == p.Ohms
	replaced := 0
	if asked && p.Purpose == ForSweep && s.revisit {
		replaced = s.single(x.At, x.Polarity)
	}
	if err := s.write(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{x}}, r); err != nil {
		return err
	}
	number := r.Recorded[len(r.Recorded)-1]
	if replaced > 0 {
		if err := s.write(journal.Event{Kind: journal.KindUndo, Undo: replaced}, r); err != nil {
			return err
		}
	}
	s.revisit, s.swapped, s.choice = false, false, ""
	if len(s.chosen) > 0 && x.At == s.chosen[0].At {
		s.chosen = s.chosen[1:]
	}
	list, err := s.compare()
	if err != nil { // it is on the disk all the same
		r.Says = append(r.Says, "recorded, but it cannot be compared with good boards: "+err.Error())
		return nil
	}
	at := slices.IndexFunc(list, func(c diagnose.Comparison) bool { return c.Event == number })
	if at < 0 {
		return nil
	}
	read := &list[at]
	r.Readings = append(r.Readings, *read)
	isAgain := func(a again) bool { return alike(&a.first, &x) }
	if k := slices.IndexFunc(s.again, isAgain); k >= 0 {
		first := s.again[k]
		s.again = slices.Delete(s.again, k, k+1)
		if same(first.first.Reading, x.Reading) {
			r.Says = append(r.Says, "the same again: accepted")
			return nil
		}
		if read.Verdict == diagnose.Agrees || read.Verdict == diagnose.NoKnownGood {
			if err := s.write(journal.Event{Kind: journal.KindUndo, Undo: first.event, Note: "the probe missed the pad"}, r); err != nil {
				return err
			}
			r.Says = append(r.Says, "the probe missed the pad at the first reading, which is taken back")
			return nil
		}
		r.Says = append(r.Says, "two readings out of range that differ: both are kept, and weighed as such")
		return nil
	}
	times := 0 // that it read like this since the board last changed
	for _, old := range s.sinceEdit(func(r *journal.Read) bool { return alike(r, &x) }) {
		if same(old, x.Reading) {
			times++
		}
	}
	stayed := asked && p.Purpose == ForRemoved && s.readBefore(&x) // what came off was not the cause
	if times < 2 && !stayed && s.outlier(p, asked, read) {
		r.Outlier = true
		s.again = append(s.again, again{first: x, event: number, outlier: *read})
	}
	return nil
}

// within refuses what the meter would show as OL.
func (s *Session) within(x quantity.Reading) error {
	meter := s.Case().Now().Meter
	if x.Unit != quantity.Volt || x.Value <= meter.Over {
		return nil
	}
	return wrongEntry("%s is above %s, where this meter shows OL", "take it again; millivolts have no point, volts have one",
		quantity.FormatReading(x), quantity.Format(meter.Over, quantity.Volt))
}

// single finds the event of this session's making that holds one reading of a
// spot and nothing else, 0 where there is none.
func (s *Session) single(at netlist.Point, pol references.Polarity) int {
	found := 0
	for _, ev := range s.Case().Events {
		if len(ev.Readings) == 1 && ev.Readings[0].At == at && ev.Readings[0].Polarity == pol && ev.Readings[0].To == nil {
			found = ev.Number
		}
	}
	return found
}

// How far from a predicted outcome a reading may lie before it is asked for again (common
// practice, no source).
const (
	predictedVolts = 0.03
	predictedShare = 0.3 // of a resistance
)

// outlier tells whether a reading is to be taken twice before it is accepted. What a
// step was asked to distinguish is no surprise.
func (s *Session) outlier(p *Prompt, asked bool, c *diagnose.Comparison) bool {
	if c.Verdict == diagnose.NoKnownGood && asked && (p.Purpose == ForProof || p.Purpose == ForPowerUp) && p.Predict.Boards == 0 {
		// No good board was read there, but what one would show was predicted.
		x := &p.Predict
		return x.Overload != c.Overload || x.Volts != nil && c.Volts != nil && math.Abs(*x.Volts-*c.Volts) > max(predictedVolts, 4*x.Sigma)
	}
	if c.Verdict == diagnose.Agrees || c.Verdict == diagnose.NoKnownGood {
		return false
	}
	if !asked {
		return true
	}
	switch p.Purpose {
	case ForAgain:
		return false
	case ForStep:
		if p.Step.Do == repair.DoEnds { // which compares two readings, whatever they are
			return false
		}
		for _, o := range p.Step.Outcomes {
			if o.Overload && c.Overload || o.Volts != nil && c.Volts != nil && math.Abs(*o.Volts-*c.Volts) < predictedVolts ||
				o.Ohms != nil && c.Ohms != nil && math.Abs(*o.Ohms-*c.Ohms) < max(sameOhms, predictedShare**o.Ohms) {
				return false
			}
		}
	}
	return true
}

// readBefore tells whether the net of a reading read the same before the board was worked
// on last.
func (s *Session) readBefore(x *journal.Read) bool {
	edit := s.lastEdit()
	for _, ev := range slices.Backward(s.Case().Events) {
		for i := range ev.Readings {
			if r := &ev.Readings[i]; ev.Number < edit && r.At.Net == x.At.Net && r.To == nil && r.Polarity == x.Polarity && r.Reading.Unit == x.Reading.Unit {
				return same(r.Reading, x.Reading)
			}
		}
	}
	return false
}

func (s *Session) atReading(p *Prompt, e entry, line string, r *Reply) error {
	switch e.verb {
	case nothing:
		if s.revisit { // the next one that is left
			s.revisit = false
			return nil
		}
		return wrongEntry("a reading of %s is wanted", "enter it, s to skip, or ? for help", p.Name)
	case swap:
		if p.Purpose == ForStep && p.Step.Do != repair.DoMeasure && !p.Ohms {
			return wrongEntry("this is read with the red probe on ground", "leave the probes as they are, or s to skip")
		}
		if p.Ohms {
			return wrongEntry("resistances are read with "+p.otherLead(s.board()), "leave the probes as they are, or s to skip")
		}
		s.swapped = !s.swapped
		return nil
	case yes:
		if p.Purpose == ForAgain {
			s.again = s.again[1:]
			r.Says = append(r.Says, "accepted as measured")
			return nil
		}
	case skip:
		s.swapped, s.choice = false, ""
		switch p.Purpose {
		case ForSweep:
			s.skipped[spotKey(s.pin(p.Pin), s.polarity)] = true
			s.revisit = false
		case ForAgain:
			s.again = s.again[1:]
		case ForChosen:
			s.chosen = s.chosen[1:]
		case ForRemoved:
			s.skipped[fmt.Sprint(s.lastEdit(), spotKey(p.At.At, 0))] = true
		case ForStep:
			s.skipped[stepKey(p.Step)] = true
		default:
			s.skipped[fmt.Sprint(s.lastEdit(), spotKey(p.At.At, p.At.Polarity))] = true
		}
		return nil
	case finish:
		if p.Purpose == ForSweep {
			s.sweeping, s.since, s.revisit = netlist.None, 0, false
			return nil
		}
		if p.Purpose == ForChosen {
			s.chosen = nil
			return nil
		}
	case back:
		switch {
		case p.Purpose == ForAgain: // mistyped: in its place
			x := s.again[0]
			if err := s.undo(x.event, r); err != nil {
				return err
			}
			if at := p.At.At; !p.Ohms && (s.sweeping == netlist.None || at.Kind != netlist.PointPin || at.Pin.Connector != s.sweeping) {
				s.chosen = []diagnose.Spot{p.At}
			}
			return nil
		case p.Purpose == ForChosen:
			s.chosen = nil
			return nil
		}
		if s.sweeping == netlist.None {
			break
		}
		pin, ok := s.before()
		if !ok {
			return wrongEntry("this is the first pin", "go on")
		}
		s.cursor, s.revisit = pin, true
		delete(s.skipped, spotKey(s.pin(s.cursor), s.polarity))
		return nil
	}
	return p.notAnswer(line)
}

// work is the event of work that was done as it was asked for.
func (s *Session) work(p *Prompt) (journal.Event, error) {
	switch p.Ask {
	case AskRemove:
		return journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{p.Part}}, nil
	case AskReinstall:
		return journal.Event{Kind: journal.KindReinstall, Parts: []netlist.PartID{p.Part}}, nil
	}
	if p.Part == netlist.None {
		m, err := s.board().Repair(p.Step.Part)
		return journal.Repaired(m), err
	}
	switch p.Step.Remedy {
	case "jumper":
		return journal.Event{Kind: journal.KindJumper, Jumpers: []journal.Jumper{{Part: p.Part}}}, nil
	case "leave off":
		return journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{p.Part}}, nil
	case "replace":
		return journal.Event{Kind: journal.KindReplace, Parts: []netlist.PartID{p.Part}}, nil
	case "reflow":
		return journal.Event{Kind: journal.KindReflow, Parts: []netlist.PartID{p.Part}}, nil
	}
	return journal.Event{}, wrongEntry("it is not clear what was done", "say it in words: replaced, jumpered, removed, resoldered or cleaned")
}

// seenBy is how warmth was seen the last time.
func (s *Session) seenBy() (by journal.SeenBy) {
	for _, ev := range s.Case().Events {
		for _, x := range ev.Injections {
			by = x.SeenBy
		}
	}
	return by
}

// Describe puts an event in a few words.
func Describe(b *netlist.Board, ev *journal.Event) string {
	switch ev.Kind {
	case journal.KindNote:
		return "note: " + ev.Note
	case journal.KindMeter:
		return "another meter"
	case journal.KindOpen:
		return "opened"
	case journal.KindUndo:
		return fmt.Sprintf("took back event %d", ev.Undo)
	case journal.KindChoose:
		return "next: " + ev.Choose
	case journal.KindClose:
		text := "closed: " + ev.Close.Cause
		if ev.Close.Remedy != "" {
			text += "; " + ev.Close.Remedy
		}
		return text
	}
	words := slices.Clone(ev.Acknowledged)
	add := func(format string, args ...any) { words = append(words, fmt.Sprintf(format, args...)) }
	part := func(p netlist.PartID) string { return b.Parts[p].Name }
	for _, x := range ev.Readings {
		text := quantity.FormatReading(x.Reading) + " at " + x.Name
		if x.To != nil {
			text = quantity.FormatReading(x.Reading) + " from " + x.Name + " to " + x.ToName
		}
		if x.Polarity == references.BlackOnGround {
			text += ", probes swapped"
		}
		words = append(words, text)
	}
	for _, x := range ev.Looks {
		add("%s %s", x.Name(b), x.Look)
	}
	for _, x := range ev.Undrawn {
		add("%s undrawn along %s", cmp.Or(strings.Join(x.Marks, ", "), "nothing"), b.Nets[x.Net].Name)
	}
	for _, x := range ev.Injections {
		var warm []string
		for _, p := range x.Warm {
			warm = append(warm, part(p))
		}
		add("%s warm on %s", cmp.Or(strings.Join(warm, ", "), "nothing"), b.Nets[x.Rail].Name)
	}
	for _, x := range ev.Drops {
		for _, v := range x.Volts {
			add("%s %.4g mV", part(v.Part), v.Volts*1e3)
		}
		add("on %s at %s", b.Nets[x.Rail].Name, quantity.Format(x.Amperes, quantity.Ampere))
	}
	for _, x := range ev.Presses {
		add("%s at %s with %s pressed", quantity.FormatReading(x.Read.Reading), x.Read.Name, part(x.Part))
	}
	for _, x := range ev.Goods {
		add("%s at %s of a good board", quantity.FormatReading(x.Reading), x.Name)
	}
	for _, x := range ev.Swaps {
		result := "the complaint stays"
		if x.Works {
			result = "the complaint is gone"
		}
		add("known-good cable or module at %s: %s", b.Connectors[x.Connector].Name, result)
	}
	for _, p := range ev.Parts {
		words = append(words, part(p))
	}
	for _, x := range ev.Jumpers {
		words = append(words, part(x.Part))
	}
	for _, m := range ev.Repairs {
		words = append(words, b.RepairName(m))
	}
	for _, m := range ev.Marks {
		add("mark of %s %s", part(m.Part), m)
	}
	for _, n := range ev.Nets {
		words = append(words, b.Nets[n].Name)
	}
	for _, t := range ev.Functions {
		add("%s %s", t.Function, t.Result)
	}
	if ev.Supply != nil {
		for i, v := range []float64{ev.Supply.Before, ev.Supply.After} {
			if !math.IsNaN(v) {
				add("draws %s %s the power button", quantity.Format(v, quantity.Ampere), []string{"before", "after"}[i])
			}
		}
	}
	return did[ev.Kind] + strings.Join(words, ", ")
}
