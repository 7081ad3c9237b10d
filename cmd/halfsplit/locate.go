package main

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/references"
)

// How much of a diagnosis is printed; --json has all of it.
const (
	mostSuspects = 6
	leastSuspect = 0.015 // of those after the first
	mostReasons  = 3     // of the first suspect; the others have one
	mostOutcomes = 6
	mostMeanings = 4 // of one outcome
	mostOthers   = 3

	mostExplanations = 3
	mostNames        = 12
	mostAlike        = 6 // of a group that no step distinguishes
)

func (a *app) locateCommand() *cobra.Command {
	var r reader
	cmd := &cobra.Command{
		Use:   "locate CASE",
		Short: "name the suspects of a case and what to do next",
		Long: `locate reads a case file and prints the abnormal readings, the suspects with
the reason in volts, and what to do next with what each outcome would mean.

--json gives "implausible" (null, or what is wrong with the leads or the choice of
board; there are no suspects then), "abnormal", "explanations" (sets of faults; the
probabilities sum to 1 less what was not listed), "suspects" (the probability that
the part is bad, over all explanations), "next" (best first), "unseen", "cautions", "notes", "ambiguity_groups", "repair_time" (the
range of what a repair takes from here) and "worth" (what that costs beside a
replacement board; null without --rates). When nothing is wrong, the first of
"explanations" has no faults and "next" is empty; while a reading is out of range it
is not, and ends in escalate.

"do" of a step is sweep (the pins "then" of the connector "part"), measure ("at";
"again" where the first reading may have missed the pad), across (the resistance
between "at" and the point of "then": both ends of "part" in its place, or two nets),
ends (resistances to ground of both ends of "part"), inject (into the rail "at"), drop (millivolts at "parts" of the rail "at" under
"amperes", clipped to "part"; across "part" where "parts" is that alone), inspect, remove, reinstall, repair ("remedy": replace,
resolder, reflow, jumper, leave off, clean; then the points of "then") or escalate. A
step without "outcomes" is one whose outcome nobody can tell.`,
		Example:           "  halfsplit locate kestrel/cases/touch-dead.yaml",
		Args:              arguments("CASE file"),
		ValidArgsFunction: completeFiles(kindCase),
		RunE: func(_ *cobra.Command, args []string) error {
			s, c, e, err := a.showCase(args[0], &r)
			if err != nil {
				return err
			}
			d, err := e.Diagnose(c)
			if err != nil {
				return err
			}
			if _, closed := c.Closed(); closed { // nothing is next
				d.Next, d.Expected = []repair.Step{}, 0
			}
			return a.answer(d, func() { s.diagnosis(c, d) })
		},
	}
	a.jsonFlag(cmd, siUnits)
	r.modelFlags(cmd)
	return cmd
}

// diagnosis prints what the readings of a case mean.
func (s *screen) diagnosis(c *journal.Case, d *repair.Diagnosis) {
	s.caseHead(c)
	s.doubts(d.Doubts)
	if d.Implausible == nil { // otherwise they say nothing of the board
		s.abnormal(c.Board, d)
	}
	switch {
	case len(d.Readings) == 0:
		s.nothingRead(c.Board, d)
	case d.Implausible != nil:
		s.implausible(d.Implausible)
		s.rule("NEXT", "")
		s.gap()
		s.prose(3, 2, next, "PUT IT RIGHT AND READ AGAIN")
		s.gap()
		s.prose(3, 2, plain, prose(d.Implausible.Do))
		s.prose(3, 2, plain, takeBack(d.Implausible))
		s.gap()
		s.say(s.paint(next, strings.Repeat("═", s.width)))
	case goodAsItIs(d)+d.Quiet >= likelyGood:
		s.nothingWrong(c.Board, d)
		if len(d.Next) > 0 {
			s.next(c.Board, d)
		}
	default:
		if len(d.Abnormal) == 0 {
			s.heading("ABNORMAL", "0 of "+wording.Count(len(d.Readings), "reading"))
			text := "No single reading is far from good boards; several together are."
			if slices.ContainsFunc(d.Readings, func(c diagnose.Comparison) bool { return c.Verdict == diagnose.NoKnownGood }) {
				text = "Where no good board was read, no single reading is called abnormal."
			}
			s.prose(2, 0, plain, text)
		}
		s.suspects(d)
		s.explanations(d)
		if _, closed := c.Closed(); !closed {
			s.next(c.Board, d)
		}
	}
	s.unseen(d)
	s.remarks("CAUTIONS", "!", yellow, d.Cautions)
	s.remarks("NOTES", "-", plain, d.Notes)
}

// doubts says what the good boards have against the board file and each other: no answer
// is better than the drawing and the known good.
func (s *screen) doubts(list []string) {
	for _, text := range list {
		s.gap()
		s.prose(0, 2, yellow, "! "+sentence(text))
	}
}

// drawingDoubts lists what sweeps of good boards have against their board file, by some
// of the sweeps, spread evenly: a path that is there shows on every board.
func drawingDoubts(b *netlist.Board, sweeps []*references.Sweep) ([]string, error) {
	const most = 50
	var some []*references.Sweep
	for i := range min(most, len(sweeps)) {
		some = append(some, sweeps[i*len(sweeps)/min(most, len(sweeps))])
	}
	e, err := engine.New(b, references.NewLibrary(b, some), engine.Options{})
	if err != nil {
		return nil, err
	}
	return e.DrawingDoubts(), nil
}

// caseHead says which board it is and what is wrong with it.
func (s *screen) caseHead(c *journal.Case) {
	left, right := wording.Board(c.Board.Name, c.Board.Revision), name(filepath.Base(c.File))
	room := s.width - cells(left) - cells(right)
	if room < 2 {
		s.say(s.paint(strong, left))
	} else {
		s.say(s.paint(strong, left) + strings.Repeat(" ", room) + s.paint(faint, right))
	}
	if complaint := c.Opening().Complaint; complaint != "" {
		s.prose(0, 2, plain, "complaint: "+prose(complaint))
	}
	if nets := c.Concerns(); len(nets) > 0 {
		s.prose(0, 2, plain, "concerns: "+netList(c.Board, nets))
	}
	if end, closed := c.Closed(); closed {
		text := "closed: " + prose(end.Cause)
		if end.Remedy != "" {
			text += "; remedy: " + prose(end.Remedy)
		}
		s.prose(0, 2, green, text)
	}
}

func netList(b *netlist.Board, nets []netlist.NetID) string {
	var names []string
	for _, n := range nets {
		names = append(names, b.Nets[n].Name)
	}
	return somePhrases(names, mostNames, ", ")
}

// likelyGood is the probability that no reading shows a fault from which it is said
// plainly. Below it something is likelier wrong than not, even where no single
// explanation is as likely as that of a good board.
const likelyGood = 0.5

// goodAsItIs is the probability that nothing is wrong.
func goodAsItIs(d *repair.Diagnosis) float64 {
	for _, x := range d.Explanations {
		if len(x.Faults) == 0 {
			return x.Probability
		}
	}
	return 0
}

// shares says how likely it is that nothing is wrong, and that something is which no
// reading shows.
func shares(d *repair.Diagnosis) string {
	text := wording.Percent(goodAsItIs(d))
	if d.Quiet > 0 {
		text = "nothing wrong " + text + ", a fault that no reading shows " + wording.Percent(d.Quiet)
	}
	return text
}

func (s *screen) abnormal(b *netlist.Board, d *repair.Diagnosis) {
	if len(d.Abnormal) == 0 {
		return
	}
	s.heading("ABNORMAL", fmt.Sprintf("%d of %s", len(d.Abnormal), wording.Count(len(d.Readings), "reading")))
	byPlace := make(map[string]*diagnose.Comparison)
	for i := range d.Readings {
		r := &d.Readings[i]
		byPlace[placeOf(r.At, r.To, r.Polarity, r.Volts, r.Overload, r.Verdict)] = r
	}
	mixed := slices.ContainsFunc(d.Abnormal, func(x diagnose.Abnormal) bool { return x.Polarity == blackOnGround })
	var rows [][]cell
	told := make(map[string]bool) // what was measured twice stands once
	for _, x := range d.Abnormal {
		place := placeOf(x.At, x.To, x.Polarity, x.Volts, x.Overload, x.Verdict)
		if told[place] {
			continue
		}
		told[place] = true
		r := byPlace[place]
		if r == nil {
			r = &diagnose.Comparison{At: x.At, To: x.To, Polarity: x.Polarity, Volts: x.Volts, Overload: x.Overload,
				KnownGood: x.KnownGood, KnownGoodOverload: x.KnownGood == nil, Sigma: x.Sigma, Verdict: x.Verdict, Net: netAt(b, x.At)}
		}
		rows = append(rows, comparisonRow(r, mixed))
	}
	columns := comparisonColumns(mixed)
	for _, row := range rows {
		row[distanceColumn] = cell{} // a fault is described by its size in volts
	}
	columns[distanceColumn] = column{}
	s.table(2, columns, rows)
	if slices.ContainsFunc(rows, func(row []cell) bool { return strings.HasSuffix(row[goodColumn].text, predictedMark) }) {
		s.say("  " + s.paint(faint, predictedNote))
	}
}

// placeOf tells readings apart. The same figure at the same point may be out of range before
// a part was removed and right after it.
func placeOf(at, to, polarity string, v *float64, overload bool, verdict diagnose.Verdict) string {
	return strings.Join([]string{at, to, polarity, wording.Volts(v, overload), string(verdict)}, "\x00")
}

// netAt is the net that a point is on, "" where the board has no such point.
func netAt(b *netlist.Board, at string) string {
	p, err := b.Point(at)
	if err != nil || p.Net == netlist.None {
		return ""
	}
	return b.Nets[p.Net].Name
}

// implausible says that readings are not those of the board.
func (s *screen) implausible(x *diagnose.Implausible) {
	s.rule("IMPLAUSIBLE READINGS", "")
	s.gap()
	s.prose(3, 2, loud, "■ "+sentence(x.What))
	s.gap()
	s.prose(3, 0, plain, sentence(x.Why)+" Nothing is concluded from such readings: no suspect is named.")
}

// sentence begins text with a capital letter and ends it with a full stop.
func sentence(text string) string {
	text = prose(text)
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// takeBack says how readings are taken back.
func takeBack(x *diagnose.Implausible) string {
	events := fmt.Sprintf("event %d", x.Events[0])
	if n := len(x.Events); n > 1 {
		events = fmt.Sprintf("%d events, %d to %d", n, x.Events[0], x.Events[n-1])
	}
	return "Then take these readings back (" + events + "; `halfsplit bench` does it, or write `undo: NUMBER` for each to the case) and read these points again."
}

// nothingRead is the answer to a case without readings: none.
func (s *screen) nothingRead(b *netlist.Board, d *repair.Diagnosis) {
	s.rule("NOTHING MEASURED YET", "")
	s.gap()
	text := "The case holds no reading, so nothing can be said."
	if len(d.Unread) > 0 {
		text += " Read what the complaint concerns, and add it to the case: " + someNames(d.Unread, mostNames) + "."
	} else if len(b.Connectors) > 0 {
		text += " Read every pin of the connector that the complaint is about, such as " + name(b.Connectors[0].Name) + ", and add what it reads to the case; or let `halfsplit bench` ask for it."
	}
	s.prose(3, 0, plain, text)
}

// compared counts the readings where no good board was read, and the others; both
// without those at ground.
func compared(b *netlist.Board, d *repair.Diagnosis) (blind, seen int) {
	for i := range d.Readings {
		switch c := &d.Readings[i]; {
		case c.Net == b.Nets[b.Ground].Name:
		case c.Boards == 0:
			blind++
		default:
			seen++
		}
	}
	return blind, seen
}

func (s *screen) nothingWrong(b *netlist.Board, d *repair.Diagnosis) {
	heading, aside := "NO FAULT FOUND", shares(d)
	text, then := "What was measured is what good boards measure. ", "Look elsewhere: the cable, the part that plugs in, another connector, or software."
	if len(d.Unread) > 0 {
		heading, aside = "NO FAULT FOUND YET", fmt.Sprintf("%d of %s read", d.Pins-len(d.Unread), wording.Count(d.Pins, "pin"))
		then = "Read the rest before you look elsewhere: " + someNames(d.Unread, mostNames) + "."
	}
	if len(d.Unread) == 0 && len(d.Next) > 0 {
		then += " Before that, NEXT is what may still show something."
	}
	switch blind, seen := compared(b, d); {
	case blind > 0 && seen == 0:
		heading, aside = "CANNOT TELL", "no known good"
		text = "No good board was read at these points: only a short, an open, or a line that differs from its like would show, and none does. Read a good board there, and "
		then = strings.ToLower(then[:1]) + then[1:]
	case blind > 0:
		text = fmt.Sprintf("What was measured is what good boards measure, but at %s of %d no good board was read: there only a short, an open, or a line that differs from its like would show. ", wording.Count(blind, "point"), blind+seen)
	}
	s.rule(heading, aside)
	s.gap()
	if len(d.Abnormal) > 0 {
		text, then = "The readings above are out of range, but no fault explains them better than a board that is good. Read them again before anything is heated.", ""
	}
	s.prose(3, 0, green, text+then)
	if len(d.Suspects) > 0 {
		s.gap()
		s.prose(3, 2, plain, "Least unlikely: "+suspectList(d.Suspects))
	}
}

func suspectList(list []diagnose.Suspect) string {
	var words []string
	for _, x := range list[:min(len(list), mostOthers)] {
		words = append(words, fmt.Sprintf("%s %s", name(x.Part), wording.Percent(x.Probability)))
	}
	return strings.Join(words, ", ")
}

func (s *screen) suspects(d *repair.Diagnosis) {
	if len(d.Suspects) == 0 {
		return
	}
	s.heading("SUSPECTS", "probability that the part is bad")
	shown := 0
	for i := range d.Suspects[:min(len(d.Suspects), mostSuspects)] {
		if i > 0 && d.Suspects[i].Probability < leastSuspect {
			break
		}
		if i > 0 {
			s.gap()
		}
		s.suspect(i, &d.Suspects[i], d)
		shown++
	}
	if more := d.Suspects[shown:]; len(more) > 0 {
		s.gap()
		var names []string
		for _, x := range more {
			names = append(names, x.Part)
		}
		s.prose(2, 2, faint, othersAt(len(more), more[0].Probability)+": "+someNames(names, mostNames))
	}
}

// othersAt says how likely the suspects are that have no lines of their own, of
// which the likeliest has the probability p.
func othersAt(n int, p float64) string {
	text := wording.Count(n, "other")
	switch most := wording.Percent(p); {
	case strings.HasPrefix(most, "<"):
		text += ", below " + most[1:]
	case n == 1:
		return text + ", " + most
	default:
		text += ", at most " + most
	}
	if n > 1 {
		text += " each"
	}
	return text
}

// suspectIndent is where the lines of a suspect stand, under its name; its modes
// stand beside it where they have so many columns.
const (
	suspectIndent = 5
	leastModes    = 24
)

func (s *screen) suspect(rank int, x *diagnose.Suspect, d *repair.Diagnosis) {
	st := plain
	if rank == 0 {
		st = loud
	}
	var modes []string
	for _, m := range byShare(x.Modes) {
		if saysMode(x, m.name) {
			continue
		}
		if len(modes) == 0 || m.p >= 0.005 {
			modes = append(modes, name(m.name)+" "+wording.Percent(m.p))
		}
	}
	head := fmt.Sprintf("  %-2d ", rank+1)
	called := name(x.Part)
	if utf8.RuneCountInString(called) > 20 {
		s.say(head + s.paint(st, cut(called, s.width-suspectIndent)))
		head, called = strings.Repeat(" ", suspectIndent), ""
	}
	head += s.paint(st, pad(called, 20)) + " " + s.paint(st, bar(x.Probability, 10)) + fmt.Sprintf(" %6s", wording.Percent(x.Probability))
	used := suspectIndent + 20 + 1 + 10 + 7 + columnGap
	if len(modes) == 0 {
		s.say(head)
	} else if s.width-used < leastModes {
		s.say(head)
		s.prose(suspectIndent, 2, plain, strings.Join(modes, ", "))
	} else {
		for i, line := range wrap(strings.Join(modes, ", "), s.width-used, 0) {
			if i == 0 {
				s.say(head + strings.Repeat(" ", columnGap) + line)
			} else {
				s.say(strings.Repeat(" ", used) + line)
			}
		}
	}
	where := []string{}
	if x.Place != "" {
		where = append(where, prose(x.Place))
	}
	if a := wording.Access(x.Access); a != "" {
		where = append(where, a)
	}
	if len(where) > 0 {
		s.prose(suspectIndent, 2, faint, strings.Join(where, ", "))
	}
	most := 1
	if rank == 0 {
		most = mostReasons
	}
	for i, reason := range x.Reasons[:min(len(x.Reasons), most)] {
		s.prose(suspectIndent, 2, plain, reasonText(x, &reason, i == 0))
	}
	// Where the next step is the remedy, its advice stands there.
	if rank == 0 && x.Advice != "" && (len(d.Next) == 0 || d.Next[0].Why != x.Advice) {
		s.prose(suspectIndent, 2, plain, prose(x.Advice))
	}
}

// saysMode reports whether the name of a suspect tells how it is bad, as that of an
// unknown path does.
func saysMode(x *diagnose.Suspect, mode string) bool { return strings.HasPrefix(x.Part, mode+" at ") }

// reasonText says what a suspect predicts where something else was expected.
func reasonText(x *diagnose.Suspect, r *diagnose.Reason, first bool) string {
	who := "and "
	if first {
		who = name(x.Part) + " "
		if modes := byShare(x.Modes); len(modes) > 0 && !saysMode(x, modes[0].name) {
			who += name(modes[0].name) + " "
		}
	}
	return who + wording.Reason(r)
}

// explanations prints the likeliest explanations where the list of suspects
// does not say all: several things wrong at once, a reading that misleads, or
// perhaps nothing wrong.
func (s *screen) explanations(d *repair.Diagnosis) {
	if len(d.Explanations) == 0 {
		return
	}
	top := slices.DeleteFunc(slices.Clone(d.Explanations), func(x diagnose.Explanation) bool {
		return slices.ContainsFunc(x.Faults, func(f diagnose.FaultReport) bool { return f.Quiet })
	})
	top = top[:min(len(top), mostExplanations)]
	more := len(top[0].Faults) == 0
	for _, x := range top {
		more = more || len(x.Faults) > 1
	}
	for _, f := range top[0].Faults {
		more = more || misleads(&f)
	}
	if !more {
		return
	}
	s.heading("EXPLANATIONS", "")
	var rows [][]cell
	for _, x := range top {
		rows = append(rows, []cell{{fmt.Sprintf("%5s", wording.Percent(x.Probability)), plain}, {faultsText(x.Faults), plain}})
	}
	s.wrapped(2, rows)
}

// misleads tells a reading that is not to be trusted from a fault of the board.
func misleads(f *diagnose.FaultReport) bool {
	return f.Mode == fault.Missed.String() || f.Mode == fault.Doubtful.String()
}

// faultsText is a set of faults in words.
func faultsText(faults []diagnose.FaultReport) string {
	if len(faults) == 0 {
		return "nothing wrong"
	}
	var words []string
	for i := range faults {
		f := &faults[i]
		if f.Mode == fault.Missed.String() {
			words = append(words, "the probe missed the pad at "+name(f.At))
			continue
		}
		if f.Mode == fault.Doubtful.String() {
			words = append(words, "the known-good value of "+name(f.At)+" is wrong")
			continue
		}
		text := name(cmp.Or(f.At, f.Part))
		if !strings.HasPrefix(text, name(f.Mode)) { // as `unknown path at NET` has it already
			text += " " + name(f.Mode)
		}
		if f.Ohms != nil && *f.Ohms > 0 {
			text += " (about " + wording.RoughOhms(*f.Ohms) + ")"
		}
		if f.Comes {
			text += ", comes and goes"
		}
		words = append(words, text)
	}
	return strings.Join(words, " and ")
}

// next prints what to do now, so that it can be read at arm's length, and what
// else could be done.
func (s *screen) next(b *netlist.Board, d *repair.Diagnosis) {
	if len(d.Next) == 0 {
		s.rule("NEXT", "")
		s.gap()
		text := "No step on offer tells more. Measure more points of these lines, or escalate the board."
		if readRight(d) {
			s.prose(3, 0, green, "Every point that was out of range now measures as on a good board. Before power goes on, ask `halfsplit power` whether all that was touched has been measured again; then close the case.")
			return
		}
		if len(d.Explanations) > 0 && len(d.Explanations[0].Faults) == 0 {
			text = "Read the lines of the first suspects again, and points further in: the readings do not yet tell a faint fault from a good board."
		}
		s.prose(3, 0, plain, text)
		return
	}
	s.step(b, &d.Next[0])
	s.gap()
	s.say(s.paint(next, strings.Repeat("═", s.width)))
	if d.Expected > 0 {
		s.repairTime(3, d, "")
	}
	for _, group := range d.Ambiguous {
		s.prose(3, 2, plain, "no step on offer distinguishes these: "+somePhrases(group, mostAlike, ", "))
	}
	s.others(d)
}

// step prints a step so that it can be read at arm's length.
func (s *screen) step(b *netlist.Board, step *repair.Step) {
	s.rule("NEXT", wording.Duration(step.Seconds))
	s.gap()
	verb, rest, _ := strings.Cut(headline(step), " ")
	s.prose(3, 2, next, strings.ToUpper(verb)+" "+rest)
	s.gap()
	for _, line := range instructions(b, step) {
		s.prose(3, 2, plain, line)
	}
	if step.Why != "" {
		s.prose(3, 2, faint, prose(step.Why))
	}
	s.outcomes(step)
}

// readRight tells that something was out of range, and that whatever was has been read again
// since and agreed.
func readRight(d *repair.Diagnosis) bool {
	some := false
	for _, p := range diagnose.ByPlace(d.Readings) {
		outlying := slices.ContainsFunc(p, func(r *diagnose.Comparison) bool {
			return r.Verdict != diagnose.Agrees && r.Verdict != diagnose.NoKnownGood
		})
		if outlying && p[len(p)-1].Verdict != diagnose.Agrees {
			return false
		}
		some = some || outlying
	}
	return some
}

func (s *screen) outcomes(step *repair.Step) {
	if len(step.Outcomes) == 0 {
		return
	}
	s.gap()
	var rows [][]cell
	for i, o := range step.Outcomes {
		if i == mostOutcomes {
			rows = append(rows, []cell{{}, {}, {fmt.Sprintf("and %d more", len(step.Outcomes)-i), faint}})
			break
		}
		rows = append(rows, []cell{{seen(step, &o), strong}, {fmt.Sprintf("%5s", wording.Percent(o.Probability)), plain}, {meaning(o.Means), plain}})
	}
	s.wrapped(5, rows)
}

// seen is what an outcome shows: a reading, a look, the part that warms.
func seen(step *repair.Step, o *repair.StepOutcome) string {
	switch {
	case o.Seen != "":
		return prose(o.Seen)
	case o.Volts != nil || o.Overload:
		return wording.Volts(o.Volts, o.Overload)
	case step.Do == repair.DoRepair:
		return "still bad"
	}
	return "anything else"
}

func meaning(means []string) string {
	if len(means) == 0 {
		return "something else"
	}
	return somePhrases(means, mostMeanings, "; ")
}

// somePhrases lists the first few of many phrases.
func somePhrases(list []string, most int, between string) string {
	var words []string
	for _, m := range list[:min(len(list), most)] {
		words = append(words, prose(m))
	}
	if more := len(list) - most; more > 0 {
		words = append(words, fmt.Sprintf("or %d more", more))
	}
	return strings.Join(words, between)
}

// headline is a step in a few words.
func headline(step *repair.Step) string {
	part := name(step.Part)
	if text := step.Phrase(part, name(step.At)); text != "" {
		if step.Again {
			text += " again"
		}
		if step.Do == repair.DoMeasure && step.Polarity == blackOnGround {
			text += ", probes swapped"
		}
		return text
	}
	switch step.Remedy {
	case "jumper":
		if strings.Contains(part, " to ") {
			return "jumper from " + part
		}
		return "jumper across " + part
	case "leave off":
		return "take " + part + " off and leave it off"
	case "resolder", "reflow":
		return step.Remedy + " " + part
	case "clean":
		return "clean between " + strings.Replace(part, " to ", " and ", 1)
	}
	return "replace " + part
}

// instructions say where a step is done and how.
func instructions(b *netlist.Board, step *repair.Step) []string {
	var lines []string
	if step.Part != "" && step.Do != repair.DoDrop {
		if p, err := b.PartByName(step.Part); err == nil {
			lines = append(lines, wording.Part(&b.Parts[p]))
		}
	}
	switch step.Do {
	case repair.DoMeasure:
		lines = append(lines, probes(step.At, step.Polarity))
		if where := whereabouts(b, step.At); where != "" {
			lines = append(lines, where)
		}
	case repair.DoPress:
		lines = append(lines, probes(step.At, step.Polarity), "press it gently with a plastic or wooden stick, straight down, while the meter is read; never glass, a crystal or a cracked part")
	case repair.DoGood:
		lines = append(lines, probes(step.At, step.Polarity)+", on a good board of the same revision, unplugged alike")
	case repair.DoSwap:
		lines = append(lines, "put a known-good one on, power up with its limits, and try what the owner complains of; take power and battery off again before a probe touches the board")
	case repair.DoRemove:
		lines = append(lines, "a point on it is then its pad on the board")
	case repair.DoAcross:
		lines = append(lines, "resistance mode, leads nulled: black probe on "+name(step.At)+", red probe on "+name(step.Then[0]))
	case repair.DoEnds:
		lines = append(lines, "resistance mode, red probe on ground: black on "+name(step.At)+", then on "+name(step.Then[0])+", with the same leads")
	case repair.DoInspect:
		if step.At != "" {
			lines = append(lines, "under the microscope, and with the board against a light: follow the copper from one part to the next; what stands there and is not in the board file is written down by its mark, an IC with the pin")
			break
		}
		lines = append(lines, "under the microscope: burnt, corroded, cracked, missing or clean")
	case repair.DoDrop:
		lines = append(lines, repair.DropCautions(step)...)
		if len(step.Parts) > 1 {
			lines = append(lines, "at "+someNames(step.Parts, 20))
		}
	case repair.DoInject:
		limit := ""
		if net, err := b.NetByName(step.At); err == nil && b.Nets[net].RailVolts > 0 {
			limit = fmt.Sprintf(", at most %.3g V", b.Nets[net].RailVolts)
		}
		lines = append(lines, "from a supply with its current limited"+limit+"; see which part warms up, with a camera or under a film of alcohol that clears there first (supply off while it is applied), never with a finger")
	}
	if len(step.Then) > 0 && step.Do != repair.DoEnds && step.Do != repair.DoAcross {
		verb := "then measure "
		if step.Do == repair.DoRepair {
			verb = "then measure, to verify: "
		}
		lines = append(lines, verb+someNames(step.Then, mostNames))
	}
	return lines
}

// whereabouts says what stands at a point: its net, or the part it belongs to.
func whereabouts(b *netlist.Board, at string) string {
	p, err := b.Point(at)
	if err != nil {
		return ""
	}
	var words []string
	switch p.Kind {
	case netlist.PointTerminal:
		part := &b.Parts[p.Terminal.Part]
		words = append(words, name(part.Name)+" is "+withArticle(wording.Part(part)))
	case netlist.PointPin:
		if title := b.Connectors[p.Pin.Connector].Title; title != "" {
			words = append(words, "connector "+name(b.Connectors[p.Pin.Connector].Name)+", "+prose(title))
		}
	}
	if p.Net != netlist.None && p.Kind != netlist.PointNet {
		words = append(words, "net "+name(b.Nets[p.Net].Name))
	}
	return strings.Join(words, "; ")
}

func (s *screen) others(d *repair.Diagnosis) {
	if len(d.Next) < 2 {
		return
	}
	s.heading("ALTERNATIVES", "step, and from there to a verified repair")
	var rows [][]cell
	for i := range d.Next[1:min(len(d.Next), 1+mostOthers)] {
		step := &d.Next[1+i]
		total := ""
		if step.Expected > 0 {
			total = wording.Duration(step.Expected)
		}
		rows = append(rows, []cell{{headline(step), plain}, {wording.Duration(step.Seconds), plain}, {total, faint}})
	}
	s.table(3, []column{{give: true}, {right: true}, {right: true}}, rows)
}

// Probabilities from which quiet faults are worth a section, and one of them is named.
const (
	leastQuiet = 0.1
	leastTold  = 0.005
)

// unseen prints the likeliest of what the readings cannot rule out, grouped by mode.
func (s *screen) unseen(d *repair.Diagnosis) {
	if d.Quiet < leastQuiet || len(d.Unseen) == 0 {
		return
	}
	s.heading("NOT RULED OUT BY THESE READINGS", "a fault that none of them shows: "+wording.Percent(d.Quiet))
	var order []string
	lists := make(map[string][]string)
	for _, u := range d.Unseen {
		if u.Probability < leastTold {
			continue
		}
		entry := name(u.Part) + " " + wording.Percent(u.Probability)
		if u.Ohms != nil && *u.Ohms > 0 {
			entry += " (" + wording.RoughOhms(*u.Ohms) + ")"
		}
		if _, ok := lists[u.Mode]; !ok {
			order = append(order, u.Mode)
		}
		lists[u.Mode] = append(lists[u.Mode], entry)
	}
	for _, mode := range order {
		s.prose(2, 4, plain, name(mode)+": "+someNames(lists[mode], mostNames))
	}
	if len(order) == 0 {
		s.prose(2, 4, plain, "spread over many parts, none with 1 % or more")
	}
}

// remarks prints a list of sentences.
func (s *screen) remarks(heading, mark string, st style, list []string) {
	if len(list) == 0 {
		return
	}
	s.heading(heading, "")
	for _, text := range list {
		s.prose(2, 2, st, mark+" "+prose(text))
	}
}

// repairTime says how long it takes from here, never without its range.
func repairTime(d *repair.Diagnosis) string {
	text := "from here to a verified repair: on average about " + wording.Duration(d.Expected)
	if d.Time != nil {
		text += "; " + d.Time.Says()
	}
	return text
}

// repairTime prints it, and what going on costs.
func (s *screen) repairTime(indent int, d *repair.Diagnosis, more string) {
	s.prose(indent, 2, faint, repairTime(d)+more)
	if d.Worth == nil {
		return
	}
	for i, text := range d.Worth.Says() {
		st := plain
		if i > 0 {
			st = strong
		}
		s.prose(indent, 2, st, prose(text))
	}
}
