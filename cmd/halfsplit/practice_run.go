package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/bench"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	lessons "halfsplit/engine/practice/lesson"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

func (a *app) practiceRunCommand() *cobra.Command {
	var record, by, address string
	var exam bool
	cmd := &cobra.Command{
		Use:   "run FILE",
		Short: "work on a practice case at a bench that answers",
		Long: `run gives you the board of a practice case, a meter, a microscope and a soldering
iron. Ask for readings, inspect parts, remove and replace them, and say in the end
what was wrong. Everything costs bench time. The meter is a real one: it has its
errors, it takes time to settle, and now and then the probe misses
the pad. Some work harms the board, as they would on a real one.

Everything you do is written into a record before you see what came of it; leave at
any time and go on later with the same command.

--page shows the bench in a browser as well: the connector, the line, what was measured
and what a good board shows there, and keys for what can be done. The first line printed
is its address, for this machine alone unless --page=ADDRESS names another. Nothing on
it is judged either.

` + practiceHelp,
		Example: `  halfsplit practice run spring/case-01.yaml --by Ada
  halfsplit practice run spring/case-01.yaml --journal ada.yaml`,
		Args:              arguments("practice FILE"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			if record == "" {
				record = lessons.RecordName(args[0], strings.TrimSpace(by))
			}
			d, err := lessons.Begin(args[0], record, by)
			if err != nil {
				return err
			}
			defer d.Leave()
			d.Now = time.Now
			d.Exam = d.Exam || exam
			var page *benchpage.Server
			if address != "" {
				if page, err = benchpage.Listen(address); err != nil {
					return err
				}
				defer page.Close()
				s.say(page.URL)
			}
			b := &practiceBench{page: page, screen: s, app: a, session: d, record: record, terminal: a.terminal && isTerminal(a.stdin)}
			return b.run(a.stdin)
		}),
	}
	cmd.Flags().StringVar(&address, "page", "", "show the bench in a browser too; `ADDRESS`, or ADDRESS:PORT, where other machines may reach it")
	cmd.Flags().Lookup("page").NoOptDefVal = pageHere
	cmd.Flags().StringVar(&record, "journal", "", "`CASE` file for the record (left out: beside FILE)")
	cmd.Flags().StringVar(&by, "by", os.Getenv("USER"), "your `NAME`, for the record")
	cmd.Flags().BoolVar(&exam, "exam", false, "do not say at the end whether the verdict is right (the teacher can choose so when making the class)")
	return cmd
}

// practiceBench is one session.
type practiceBench struct {
	*screen
	app      *app
	session  *lessons.Session
	record   string
	terminal bool
	quit     bool
	spent    float64 // seconds, as last printed

	page *benchpage.Server // nil for none
	said benchpage.Said    // what became of the last entry
}

func (b *practiceBench) run(stdin io.Reader) error {
	in, err := listen(stdin, "", feed{}, false)
	if err != nil {
		return err
	}
	defer in.close()
	if b.page != nil {
		in.page = b.page.Entries()
	}
	b.head()
	for !b.quit && (!b.session.Done() || b.page != nil) { // a page shows what came of the verdict
		if b.terminal {
			fmt.Fprint(b.w, b.paint(strong, wording.Duration(b.session.Seconds())+" > "))
		}
		if err := b.app.out.Flush(); err != nil {
			return err
		}
		b.showPage()
		line, ok := in.next()
		if !ok {
			break
		}
		if line.page != nil && (line.page.Report || !b.page.Current(line.page)) {
			if line.page.Report {
				line.page.Answer(benchpage.Answer{Says: "no report is made of a practice case before it is scored"})
			}
			continue
		}
		if b.page == nil {
			if err := b.enter(strings.TrimSpace(line.text)); err != nil {
				b.prose(2, 2, yellow, err.Error())
			}
			continue
		}
		b.enterShown(line)
	}
	b.gap()
	if b.session.Done() {
		b.say("The case is closed after " + wording.Duration(b.session.Seconds()) + "; the record is " + path(b.record))
	} else {
		b.say("Nothing is lost; the record is " + path(b.record) + ". To go on from here, write")
		b.say("  halfsplit practice run " + path(b.session.File.Path) + " --journal " + path(b.record))
	}
	return in.err
}

// enterShown enters a line, and keeps for the page what was said of it.
func (b *practiceBench) enterShown(line entryLine) {
	var text bytes.Buffer
	s := *b.screen
	b.screen = &screen{w: &text, width: s.width}
	err := b.enter(strings.TrimSpace(line.text))
	b.screen = &s
	a := benchpage.Answer{Entered: err == nil}
	if err != nil {
		a.Says = prose(err.Error())
		b.prose(2, 2, yellow, a.Says)
	}
	b.quit = b.quit && line.page == nil // it is left at its terminal
	io.Copy(b.w, bytes.NewReader(text.Bytes()))
	b.said = benchpage.Said{Entry: prose(line.text)}
	for shown := range strings.Lines(text.String()) {
		if shown = strings.TrimSpace(shown); shown != "" {
			b.said.More = append(b.said.More, shown)
		}
	}
	if len(b.said.More) > 0 {
		b.said.Text, b.said.More = b.said.More[0], b.said.More[1:]
	} else {
		b.said.Text = a.Says
	}
	if line.page != nil {
		line.page.Answer(a)
	}
}

// showPage shows the bench on the page, where there is one.
func (b *practiceBench) showPage() {
	if b.page == nil {
		return
	}
	c := b.session.Case()
	v := &benchpage.View{Board: wording.Board(c.Board.Name, c.Board.Revision), Complaint: prose(b.session.File.Complaint), Said: b.said,
		Next: benchpage.Next{Title: name(b.session.File.Set) + ", case " + fmt.Sprint(b.session.File.Number), Verb: wording.Duration(b.session.Seconds()), Object: "at the bench so far", Words: true,
			Lines: []string{"Touch a pin or a net to measure it, a part to work on it; say in the end what is wrong, as in: verdict R1 open; replace."}, Wants: "What you do"},
		Suspects: benchpage.Suspects{Note: "Yours to find."}}
	if b.session.Done() {
		v.Next.Lines = []string{"The case is closed; the record is " + path(b.record) + ". Leave at the terminal with q."}
	}
	for _, d := range practiceActions {
		word, what, takes := strings.Cut(d.words, " ")
		switch {
		case word == "quit":
		case takes:
			v.Actions = append(v.Actions, benchpage.Choice{Entry: word + " ", Label: word})
			if strings.HasPrefix(what, "PART") {
				v.Verbs = append(v.Verbs, benchpage.Choice{Entry: word + " $", Label: word})
			}
		default:
			v.Next.Choices = append(v.Next.Choices, benchpage.Choice{Entry: word, Label: word})
		}
	}
	for i := range c.Board.Parts {
		v.Parts = append(v.Parts, name(c.Board.Parts[i].Name))
	}
	for i := len(c.All) - 1; i >= 0; i-- {
		v.Events = append(v.Events, benchpage.Event{Number: c.All[i].Number, Text: prose(bench.Describe(c.Board, &c.All[i])), Fixed: true})
	}
	list, err := b.session.Engine.Compare(c)
	if err == nil {
		l := levelsOf(c, list, b.session.Predict)
		l.probe, l.silent = "read ", true
		p := &bench.Prompt{}
		for i := range list {
			if at, err := c.Board.Point(list[i].At); err == nil && at.Net != c.Board.Ground && (list[i].Event > 2 || p.Ask != bench.AskReading) {
				p.Ask, p.At.At = bench.AskReading, at
			}
		}
		if _, err = l.pageConnector(v, p); err == nil {
			err = l.pageLine(v, p)
		}
	}
	if err == nil {
		err = b.page.Show(v)
	}
	if err != nil {
		b.prose(2, 2, yellow, prose(err.Error()))
	}
}

func (b *practiceBench) head() {
	c := b.session.Case()
	f := b.session.File
	b.say(b.paint(strong, wording.Board(c.Board.Name, c.Board.Revision)) + "   " + name(f.Set) + ", case " + fmt.Sprint(f.Number))
	b.prose(0, 2, plain, "complaint: "+prose(f.Complaint))
	if i := slices.IndexFunc(c.All, func(e journal.Event) bool { return !e.Time.IsZero() }); i >= 0 {
		b.prose(0, 2, yellow, "going on with the record that "+name(b.session.By)+" began on "+c.All[i].Time.Format("2 January 2006"))
	}
	b.spent = b.session.Seconds()
	b.sheet()
	b.prose(2, 2, faint, "? lists what you can do and what it costs.")
	b.gap()
}

// sheet prints every reading so far beside what good boards read there.
func (b *practiceBench) sheet() {
	list, err := b.session.Engine.Compare(b.session.Case())
	if err != nil {
		b.prose(2, 2, yellow, prose(err.Error()))
		return
	}
	b.heading("READINGS", "± one standard deviation of good boards")
	var rows [][]cell
	for i := range list {
		rows = append(rows, readingRow(&list[i]))
	}
	b.table(2, []column{{head: "at", give: true}, {head: "net", give: true}, {head: "measured", right: true}, {head: "known good"}, {}}, rows)
	b.gap()
	if done := b.work(); done != "" {
		b.prose(2, 2, plain, "Done so far: "+done+".")
		b.gap()
	}
}

// work lists what was done to the board, for one who comes back to it.
func (b *practiceBench) work() string {
	var list []string
	for _, e := range b.session.Case().All {
		if e.Kind.Edits() {
			list = append(list, bench.Describe(b.session.Case().Board, &e))
		}
	}
	return prose(strings.Join(list, ", "))
}

// benchGood is what good boards show at a reading or, where none was read, what
// `predict` says that they would; "" for ground and where the board lies otherwise than
// a good one, for which no resistance is known.
func benchGood(r *diagnose.Comparison) string {
	good, over, predicted := r.Good()
	switch {
	case good == nil && !over, r.KnownGood != nil && r.Boards == 0:
		return ""
	case r.Resistance:
		if over {
			return "predicted OL"
		}
		return "predicted " + wording.RoughOhms(*good)
	case predicted:
		return "predicted " + wording.Spread(good, over, r.Sigma)
	}
	return wording.Spread(good, over, r.Sigma)
}

// readingRow does not judge: to compare is the student's work.
func readingRow(r *diagnose.Comparison) []cell {
	how := ""
	if r.Polarity == blackOnGround {
		how = "probes swapped"
	}
	return []cell{{wording.Where(r.At, r.To), plain}, {name(r.Net), faint}, {wording.Measured(r), strong}, {benchGood(r), faint}, {how, faint}}
}

// practiceAction is something that a student can do.
type practiceAction struct {
	words, does string
	run         func(*practiceBench, []string) error
}

// practiceActions are all of them, in the order of the help.
var practiceActions = []practiceAction{
	{"read POINT...", "diode mode, red probe on ground, black on the point", func(b *practiceBench, w []string) error { return b.read(w, references.RedOnGround, false) }},
	{"swapped POINT...", "the same with the probes swapped", func(b *practiceBench, w []string) error { return b.read(w, references.BlackOnGround, false) }},
	{"ohms POINT to POINT", "resistance between two points; one point: to ground", func(b *practiceBench, w []string) error { return b.read(w, references.RedOnGround, true) }},
	{"press PART POINT", "the point once more while the part is pressed gently", (*practiceBench).press},
	{"inspect PART...", "a part or connector pin under the microscope", func(b *practiceBench, w []string) error { return b.each(w, b.look) }},
	{"remove PART", "take it off the board", worked("remove")},
	{"reinstall PART", "put the same part back", worked("reinstall")},
	{"replace PART", "put a new, good one on", worked("replace")},
	{"jumper PART", "a wire across a part that lies along a line, or a broken trace (TP1-R1.1)", worked("jumper")},
	{"resolder JOINT", "a connector pin (J1.2) or a terminal of a part (R1.2)", worked("resolder")},
	{"reflow PART", "all its joints melted again with hot air", worked("reflow")},
	{"clean PIN-PIN", "between two neighbouring pins", worked("clean")},
	{"inject RAIL", "limited current into a rail: which part warms?", func(b *practiceBench, w []string) error { return b.each(w, b.inject) }},
	{"power", "switch the board on", func(b *practiceBench, _ []string) error { return b.power() }},
	{"verdict FAULT; REMEDY", "the end: `verdict R3 open; replace`, or `verdict nothing`", (*practiceBench).verdict},
	{"sheet", "every reading so far", func(b *practiceBench, _ []string) error { b.sheet(); return nil }},
	{"line POINT", "the parts and nets from a point on", (*practiceBench).line},
	{"note TEXT", "a remark for the record", func(b *practiceBench, w []string) error { return b.session.Note(strings.Join(w, " ")) }},
	{"quit", "leave; go on later", func(b *practiceBench, _ []string) error { b.quit = true; return nil }},
}

// doneWords say of a part what was done to it.
var doneWords = map[journal.Kind]string{journal.KindRemove: "is off the board", journal.KindReinstall: "is back on the board", journal.KindReplace: "is new",
	journal.KindJumper: "has a jumper across it", journal.KindReflow: "has new joints"}

// worked works on parts, or on joints, gaps and traces.
func worked(action string) func(*practiceBench, []string) error {
	return func(b *practiceBench, w []string) error {
		text := strings.Join(w, " ")
		if len(w) == 2 && (action == "resolder" || action == "clean" || action == "jumper" && strings.ContainsAny(text, ".-")) {
			return instead(quoted(text)+" may be one place or two", "write "+action+" "+w[0]+"-"+w[1]+" for what lies between, or one after the other")
		}
		e, err := bench.Work(b.session.Case().Board, action+" "+text)
		if err != nil {
			return err
		}
		list, err := b.session.Do(e)
		for _, x := range list {
			words := doneWords[e.Kind]
			if len(e.Repairs) > 0 {
				words = "is done"
			}
			b.say("   " + b.paint(strong, pad(name(x.Name), 12)) + "  " + words)
			if x.Harm != "" {
				b.prose(3, 2, loud, prose(x.Harm)+".")
			}
		}
		return err
	}
}

// sameActions are other words for actions.
var sameActions = map[string]string{"measure": "read", "m": "read", "r": "read", "s": "swapped", "l": "inspect", "wire": "jumper",
	"off": "remove", "trace": "line", "close": "verdict", "q": "quit", "exit": "quit", "list": "sheet", "help": "?"}

// enter does what a line asks for, and says what it cost.
func (b *practiceBench) enter(line string) error {
	fields := strings.Fields(strings.ReplaceAll(line, ",", " "))
	if len(fields) == 0 || strings.HasPrefix(line, "#") { // a remark in a file of actions
		return nil
	}
	if len(line) > mostLine {
		return instead("the line is too long", "write one action a line")
	}
	word := strings.ToLower(fields[0])
	if same, ok := sameActions[word]; ok {
		word = same
	}
	switch word {
	case "?":
		b.help()
		return nil
	case "undo":
		return instead("nothing is taken back at a bench", "reinstall a part or read again, and go on")
	}
	var known []string
	for _, d := range practiceActions {
		head, rest, takes := strings.Cut(d.words, " ")
		known = append(known, head)
		if head != word {
			continue
		}
		if takes && len(fields) == 1 {
			return instead(quoted(head)+" what", "write "+head+" "+rest)
		}
		args := fields[1:]
		if head == "verdict" || head == "note" {
			args = strings.Fields(line)[1:]
		} else if i := slices.IndexFunc(args, isAction); i > 0 && b.session.Case().Board.Spelled(args[i]) == args[i] {
			return instead(quoted(args[i])+" is an action of its own", "write one action a line")
		}
		err := d.run(b, args)
		b.paid()
		return err
	}
	if now, ok := wasAction[word]; ok {
		return instead(quoted(fields[0])+" is now "+now, "? lists what can be done")
	}
	return instead(quoted(fields[0])+" means nothing here", document.Suggest(word, known, "? lists what can be done"))
}

// isAction tells whether a word begins an action.
func isAction(word string) bool {
	return slices.ContainsFunc(practiceActions, func(d practiceAction) bool { return strings.HasPrefix(d.words, word+" ") })
}

// paid says what was spent since it last did.
func (b *practiceBench) paid() {
	now := b.session.Seconds()
	if now > b.spent {
		b.say(b.paint(faint, fmt.Sprintf("      %.0f s, %.0f s so far", now-b.spent, now)))
	}
	b.spent = now
}

func (b *practiceBench) help() {
	c := b.session.Costs
	costs := map[string]float64{"read": c.Measure, "swapped": c.Measure + c.SwapLeads, "ohms": c.Measure, "inspect": c.Look, "remove": c.Remove, "reinstall": c.Reinstall, "replace": c.Replace,
		"jumper": c.Jumper, "resolder": c.Resolder, "reflow": c.Reflow, "clean": c.Clean, "inject": c.Inject}
	b.gap()
	var rows [][]cell
	for _, d := range practiceActions {
		head, _, _ := strings.Cut(d.words, " ")
		cost := ""
		if s, ok := costs[head]; ok {
			cost = fmt.Sprintf("%.0f s", s)
		}
		rows = append(rows, []cell{{d.words, strong}, {cost, faint}, {d.does, plain}})
	}
	b.wrapped(2, rows)
	b.gap()
	b.prose(2, 2, plain, "A verdict names a part, a pin or two points, and how it went bad: "+strings.Join(fault.ModeNames(), ", ")+". Repairs are "+strings.Join(lessons.Remedies, ", ")+"; done is what was done at the bench before. As in")
	b.say("    verdict J1.2 to J1.3 bridged; clean")
	b.say("    verdict C3 shorted and R1 open")
	b.gap()
	b.prose(2, 2, faint, fmt.Sprintf("A display that settles slowly costs the seconds it takes; a shield %.0f s, once; work on an IC %.0f s. A board that is not repaired in the end costs %.0f s for escalating it.", c.Shield, c.IC, c.GiveUp))
	b.gap()
}

// each does one thing to several parts, and says of each that it is done.
func (b *practiceBench) each(words []string, do func(string) error) error {
	for _, w := range words {
		if strings.EqualFold(w, "and") {
			continue
		}
		if err := do(b.session.Case().Board.Spelled(w)); err != nil {
			return err
		}
	}
	return nil
}

func (b *practiceBench) read(words []string, pol references.Polarity, inOhms bool) error {
	for i := 0; i < len(words); i++ {
		if strings.EqualFold(words[i], "and") {
			continue
		}
		at, to := words[i], ""
		if i+2 < len(words) && strings.EqualFold(words[i+1], "to") {
			to = words[i+2]
			i += 2
		} else if inOhms && len(words) == 2 && i == 0 { // one probe on each
			to = words[1]
			i++
		}
		r, err := b.session.Read(at, to, pol, inOhms)
		if err != nil {
			return err
		}
		b.shown(r)
	}
	return nil
}

func (b *practiceBench) shown(r *lessons.Shown) {
	text := wording.Where(r.At, r.To)
	shown := quantity.FormatReading(r.Reading)
	switch {
	case r.Reading.Overload:
		shown = "OL"
	case r.Reading.Unit == quantity.Ohm:
		shown = wording.Ohms(r.Reading.Value)
	}
	if list, err := b.session.Engine.Compare(b.session.Case()); err == nil && len(list) > 0 {
		if last := &list[len(list)-1]; last.Boards > 0 {
			shown += "   known good " + benchGood(last)
		} else if good := benchGood(last); good != "" {
			shown += "   " + good
		}
	}
	if r.Polarity == references.BlackOnGround {
		shown += "   probes swapped"
	}
	if r.Settling > 0 {
		shown += fmt.Sprintf("   after %.1f s of settling", r.Settling)
	}
	b.say("   " + b.paint(strong, pad(text, 12)) + "  " + shown)
}

func (b *practiceBench) press(w []string) error {
	if len(w) != 2 {
		return instead("a part and a point are wanted", "write them as in press U1 J1.2")
	}
	r, err := b.session.Press(w[0], w[1])
	if err == nil {
		b.say("   " + b.paint(strong, pad(name(r.At), 12)) + "  " + quantity.FormatReading(r.Reading))
	}
	return err
}

func (b *practiceBench) look(part string) error {
	l, err := b.session.Look(part)
	if err != nil && b.session.Along(part) == nil {
		b.say("   " + b.paint(strong, pad(name(part), 12)) + "  nothing stands along it that is not drawn")
		return nil
	}
	if err == nil {
		st := plain
		if l != journal.Clean {
			st = yellow
		}
		b.say("   " + b.paint(strong, pad(name(part), 12)) + "  " + b.paint(st, l.String()))
	}
	return err
}

func (b *practiceBench) inject(rail string) error {
	warm, err := b.session.Inject(rail)
	if err != nil {
		return err
	}
	text := "nothing warms"
	if len(warm) > 0 {
		text = someNames(warm, mostNames) + " warms"
	}
	b.say("   " + b.paint(strong, pad(name(rail), 12)) + "  " + text)
	return nil
}

func (b *practiceBench) power() error {
	p, err := b.session.Power()
	if err != nil {
		return err
	}
	switch {
	case len(p.Burnt) == 1:
		b.prose(3, 2, loud, "Smoke. "+name(p.Burnt[0])+" was shorted to ground, and the supply fed it all it had.")
	case len(p.Burnt) > 1:
		b.prose(3, 2, loud, "Smoke. "+someNames(p.Burnt, mostNames)+" were shorted to ground, and the supply fed them all it had.")
	case p.Dead:
		b.prose(3, 2, loud, "The board does nothing any more: power burnt it before.")
	case p.Runs:
		b.prose(3, 2, green, "The board runs.")
	default:
		b.prose(3, 2, plain, "The board does what it did before: not what it should.")
	}
	if !p.PowerUp.Passed() && len(p.PowerUp.Reworked) > 0 {
		b.prose(3, 2, yellow, prose(p.PowerUp.Line()))
	}
	return nil
}

func (b *practiceBench) verdict(words []string) error {
	text, remedy, _ := strings.Cut(strings.Join(words, " "), ";")
	if remedy == "" {
		for _, r := range lessons.Remedies { // "R1 open replace"; a bridge may be the fault
			if cut, found := strings.CutSuffix(text, " "+r); found && r != "jumper" {
				text, remedy = cut, r
			}
		}
	}
	right, err := b.session.Close(text, remedy)
	if err != nil {
		return err
	}
	b.gap()
	switch {
	case b.session.Exam:
		b.say("   Written down.")
	case right && strings.Contains(b.closing(), "nothing"):
		b.prose(3, 2, green, "Right: nothing was wrong with this board.")
	case right:
		b.prose(3, 2, green, "Right: that is what was bad, and all of it.")
	default:
		b.prose(3, 2, yellow, "Not so: something else was bad, or not all of that. The teacher's score says more.")
	}
	if right && !b.session.Exam && !b.session.Repaired() {
		b.prose(3, 2, yellow, "But as it lies, the board does not do what it should.")
	}
	return nil
}

// closing is the cause that the case was closed with.
func (b *practiceBench) closing() string {
	c, _ := b.session.Case().Closed()
	return c.Cause
}

// line draws a line as the board file has it.
func (b *practiceBench) line(words []string) error {
	board := b.session.Case().Board
	at, err := netlist.Meant(board, board.Point, words[0])
	if err != nil {
		return err
	}
	if at.Net == netlist.None || at.Net == board.Ground {
		return instead(quoted(words[0])+" leads nowhere", "name another point")
	}
	d, err := draw(board, at.Net, netlist.AtRails)
	if err == nil {
		d.rails = false // which is a word about an option of trace
		b.drawing(d, board.PointName(at), at)
	}
	return err
}
