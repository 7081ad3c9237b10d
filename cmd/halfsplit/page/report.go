// Package page makes the record of a case into one page: HTML that needs nothing
// but itself, or Markdown.
//
//	r, err := page.New(c, e, powerup.Limits{}, drawn)
//	err = r.HTML(file)
//
// The page is for the customer, who reads the top of it, and for the colleague
// who gets the board next, and reads all of it. New gathers what there is to
// tell; the other files draw it.
package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/bench"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Report is what there is to tell of a case. All its texts are safe to print.
type Report struct {
	Board     string // with its revision
	File      string
	Complaint string
	Status    string // in two words
	StatusOK  bool
	Facts     []Fact
	Short     []string // the case in a few sentences

	Findings   Section
	Connectors []drawing
	Lines      []drawing
	Place      *drawing  // where to go on, or where the faulty part is; nil without a layout
	Sections   []Section // all that follows

	points []point // read wrong at some time, or again after rework
	plot   drawing
}

// Fact is one line of the head.
type Fact struct{ Name, Value string }

// Section is a heading of the page with what stands under it, the same in HTML and in
// Markdown.
type Section struct {
	Title string
	Lead  Cell // what is said first, in bold
	Facts []Fact
	Table
	Empty string // where the table has no rows
	Text  string
	List  []string
}

// Table is rows under their heads.
type Table struct {
	Caption string // of HTML alone
	Heads   []string
	Rows    [][]Cell
}

// Cell is one field of a table.
type Cell struct {
	Text   string
	Note   string // behind it, less loud
	Class  string // of style: colour, num for what must not wrap, all for what takes a row on a narrow screen
	Mark   string // before it, of HTML alone
	Head   string // the same on a narrow screen
	Strong bool
}

// point is a place before and after.
type point struct {
	at, net       string
	good          string
	before, after *diagnose.Comparison
	volts         *float64
	sigma         float64
	aside         bool // no pin of a connector, or across a part, or in ohms: somebody wanted to know just this
}

// step is one event, or a run of readings.
type step struct {
	event int
	time  string // of day; "" where the record has none
	what  string
	note  string
	class string
	took  time.Duration // from the end of the step before
	parts []string      // of a run of readings
}

// New gathers what there is to tell of a case. drawn is the layout of its board, nil
// where there is none.
func New(c *journal.Case, e *engine.Engine, limits powerup.Limits, drawn *layout.Board) (*Report, error) {
	list, err := e.Compare(c)
	if err != nil {
		return nil, err
	}
	d, err := e.Diagnose(c)
	if err != nil {
		return nil, err
	}
	g, err := powerup.Check(c, e, limits)
	if err != nil {
		return nil, err
	}
	b := builder{c: c, b: c.Board, list: list, d: d, g: g, r: &Report{}}
	b.head()
	b.points()
	b.short()
	b.connectors()
	b.place(drawn)
	b.r.plot = plot(b.r.points)
	if err := b.lines(); err != nil {
		return nil, err
	}
	acknowledged := Section{Title: "Cautions acknowledged"}
	for _, x := range bench.Cautions(c) {
		text := x.Text
		if text == "" {
			text = x.Key
		}
		acknowledged.List = append(acknowledged.List, prose(text))
	}
	for _, section := range []Section{b.suspects(), b.work(), b.seen(), b.powerUp(), b.functions(), b.steps(), b.readings(),
		listed("Cautions", d.Cautions), acknowledged, listed("Remarks", slices.Concat(d.Doubts, d.Notes))} {
		if section.says() {
			b.r.Sections = append(b.r.Sections, section)
		}
	}
	return b.r, nil
}

func listed(title string, texts []string) Section {
	s := Section{Title: title}
	for _, text := range texts {
		s.List = append(s.List, prose(text))
	}
	return s
}

// says tells that there is something under the heading.
func (s *Section) says() bool {
	return s.Lead.Text != "" || s.Empty != "" || len(s.Facts)+len(s.Rows)+len(s.List) > 0
}

type builder struct {
	c    *journal.Case
	b    *netlist.Board
	list []diagnose.Comparison
	d    *repair.Diagnosis
	g    *powerup.Answer
	r    *Report
}

func (b *builder) head() {
	r := b.r
	r.Board = wording.Board(b.b.Name, b.b.Revision)
	r.File = prose(b.c.File)
	r.Complaint = prose(b.c.Opening().Complaint)
	between := "; it concerns "
	for _, n := range b.c.Concerns() {
		r.Complaint += between + name(b.b.Nets[n].Name)
		between = ", "
	}
	end, closed := b.c.Closed()
	switch {
	case !closed:
		r.Status = "under way"
	case strings.HasPrefix(end.Remedy, bench.Escalated):
		r.Status = "escalated"
	case len(b.g.Reworked) == 0:
		r.Status, r.StatusOK = "no fault found", true
		if end.Part != netlist.None {
			r.Status, r.StatusOK = "closed", false
		}
	case b.g.Passed() && b.fails():
		r.Status = "not repaired"
	case b.g.Passed():
		r.Status, r.StatusOK = "repaired", true
	default:
		r.Status = "not cleared"
	}
	var first, last time.Time
	by := []string{}
	for i := range b.c.All {
		ev := &b.c.All[i]
		if !ev.Time.IsZero() {
			if first.IsZero() {
				first = ev.Time
			}
			last = ev.Time
		}
		if n := prose(ev.By); n != "" && !slices.Contains(by, n) {
			by = append(by, n)
		}
	}
	fact := func(n, v string) {
		if v != "" {
			r.Facts = append(r.Facts, Fact{n, v})
		}
	}
	fact("Board", r.Board)
	if !first.IsZero() {
		fact("Begun", first.Format("2006-01-02 15:04"))
		fact("Bench time", wording.Duration(last.Sub(first).Seconds()))
	}
	fact("By", strings.Join(by, ", "))
	m := b.c.Meter
	meter := quantity.Format(m.TestCurrent, quantity.Ampere) + " up to " + quantity.Format(m.OpenVoltage, quantity.Volt)
	if m.Name != "" {
		meter = prose(m.Name) + ", " + meter
	}
	fact("Meter", meter)
	fact("Readings", fmt.Sprint(len(b.list)))
	fact("Good boards", fmt.Sprint(goodBoards(b.c.Library)))
}

func goodBoards(l *references.Library) int {
	samples := map[string]bool{}
	n := 0
	for _, s := range l.Sweeps {
		if s.Sample == "" {
			n++
		} else {
			samples[s.Sample] = true
		}
	}
	return n + len(samples)
}

// points sets before beside after, for places that read wrong at some time, were
// measured to tell suspects apart, or were read again after rework.
func (b *builder) points() {
	type key struct {
		net        string
		leads      string
		to         string
		resistance bool
	}
	work := b.firstWork()
	index := map[key]int{}
	var all []point
	for i := range b.list {
		x := &b.list[i]
		if x.Net == "" {
			continue
		}
		k := key{x.Net, x.Polarity, x.To, x.Resistance}
		at, ok := index[k]
		if !ok {
			at = len(all)
			index[k] = at
			p := point{at: wording.Where(x.At, x.To), net: name(x.Net)}
			if at, err := b.b.Point(x.At); err == nil {
				p.aside = x.To != "" || x.Resistance || at.Kind != netlist.PointPin
			}
			if x.Polarity == references.BlackOnGround.String() {
				p.at += ", swapped"
			}
			all = append(all, p)
		}
		if x.Event < work {
			all[at].before = x
		} else {
			all[at].after = x
		}
	}
	for _, p := range all {
		if rankPoint(p) > 0 && p.after == nil && !p.aside {
			continue
		}
		x := cmp.Or(p.after, p.before)
		// What a good board shows is taken from the board as drawn, where it was
		// read so.
		g := x
		if p.before != nil {
			g = p.before
		}
		p.good, p.sigma = goodText(g), g.Sigma
		if p.volts, _, _ = g.Good(); g.Resistance {
			p.volts = nil // it has no place among volts
		}
		b.r.points = append(b.r.points, p)
	}
	slices.SortStableFunc(b.r.points, func(a, z point) int { return rankPoint(a) - rankPoint(z) })
	b.r.points = b.r.points[:min(len(b.r.points), mostPoints)]
	table := Table{Caption: "In diode mode against ground, in volts, where nothing else is said; OL: no current flows",
		Heads: []string{"Place", "Net", "Measured before", "Measured after", "Known good", "Verdict"}}
	for _, p := range b.r.points {
		shown := func(x *diagnose.Comparison, head string) Cell {
			if x == nil {
				return Cell{Class: "num", Head: head}
			}
			return Cell{Text: wording.Measured(x), Class: "num", Head: head}
		}
		table.Rows = append(table.Rows, []Cell{strong(p.at), {Text: p.net, Class: "faint"}, shown(p.before, "before"), shown(p.after, "after"),
			{Text: p.good, Head: "good"}, verdict(verdictOf(cmp.Or(p.after, p.before)))})
	}
	b.r.Findings = Section{Title: "Findings", Table: table}
}

// mostPoints bounds the table and the plot of before and after.
const mostPoints = 24

func (b *builder) readings() Section {
	s := Section{Title: "All readings", Table: Table{Heads: []string{"Event", "Place", "Net", "Probe", "Shown", "Good board", "Verdict"}}}
	for i := range b.list {
		x := &b.list[i]
		leads := "red on ground"
		switch {
		case x.To != "":
			leads = "both on the board"
		case x.Polarity == references.BlackOnGround.String():
			leads = "black on ground"
		}
		if x.Resistance {
			leads += ", ohms"
		}
		s.Rows = append(s.Rows, []Cell{{Text: fmt.Sprint(x.Event), Class: "num", Head: "event"}, strong(wording.Where(x.At, x.To)), {Text: name(x.Net)}, {Text: leads},
			{Text: wording.Measured(x), Class: "num", Head: "shown"}, {Text: goodText(x), Head: "good"}, verdict(x.Verdict)})
	}
	return s
}

// steps lists the events; a run of readings is one step, for all of them stand in the
// table of readings.
func (b *builder) steps() Section {
	counts := b.c.Counting()
	var steps []step
	var last time.Time
	for i := range b.c.All {
		ev := &b.c.All[i]
		s := step{event: ev.Number, what: prose(bench.Describe(b.b, ev))}
		if ev.Note != "" && ev.Kind != journal.KindNote {
			s.note = "(" + prose(ev.Note) + ")"
		}
		if !ev.Time.IsZero() {
			s.time = ev.Time.Format("15:04:05")
			if !last.IsZero() {
				s.took = ev.Time.Sub(last)
			}
			last = ev.Time
		}
		switch gone := !counts[ev.Number] && ev.Kind != journal.KindUndo; {
		case gone:
			s.class, s.note = "gone", strings.TrimSpace(s.note+" (taken back)")
		case ev.Kind.Edits():
			s.class = "work"
		case ev.Kind == journal.KindClose:
			s.class = "good"
		case ev.Kind == journal.KindRead && s.note == "":
			s.parts = []string{s.what}
			if n := len(steps); n > 0 && steps[n-1].parts != nil {
				run := &steps[n-1]
				run.parts = append(run.parts, s.what)
				run.took += s.took
				continue
			}
		}
		steps = append(steps, s)
	}
	out := Section{Title: "Steps", Table: Table{Heads: []string{"Event", "Time", "Took", "What"}}}
	marks := map[string]string{"work": "■", "good": "✓"}
	for _, s := range steps {
		after := ""
		if s.took > 0 {
			after = wording.Duration(s.took.Seconds())
		}
		switch n := len(s.parts); {
		case n > 6:
			s.what = fmt.Sprintf("%d readings: %s, and so on to %s", n, s.parts[0], s.parts[n-1])
		case n > 0:
			s.what = strings.Join(s.parts, "; ")
		}
		out.Rows = append(out.Rows, []Cell{num(fmt.Sprint(s.event)), num(s.time), num(after),
			{Text: s.what, Note: s.note, Class: strings.TrimSpace("all " + s.class), Mark: marks[s.class]}})
	}
	return out
}

func (b *builder) work() Section {
	s := Section{Title: "Parts worked on", Empty: "Nothing was removed, replaced, jumpered, resoldered or cleaned.",
		Table: Table{Heads: []string{"Part or place", "Done", "What it is", "Remark"}}}
	add := func(place, done, what, remark string) {
		s.Rows = append(s.Rows, []Cell{strong(place), {Text: done, Class: "work", Mark: "■"}, wide(what), wide(remark)})
	}
	edits := b.c.Now().Edits
	for _, x := range edits.List() {
		p := &b.b.Parts[x.Part]
		done, remark := "", ""
		switch {
		case x.Jumpered:
			done, remark = "jumpered", "its function is lost: filtering or protection of this line"
			if p.Kind != netlist.Filter && p.Kind != netlist.Bead {
				remark = "its function is lost"
			}
		case x.Removed && p.MayLeaveOff():
			done, remark = "left off", "some filtering is lost; replace it when there is one"
		case x.Removed:
			done, remark = "off the board", "the line does not work without it"
		case x.Replaced:
			done = "replaced"
		case x.Reflowed:
			done, remark = "reflowed", "its joints were melted again; that may not last"
		case x.Reinstalled:
			done, remark = "put back", "removed for a test; its joints are new"
		}
		add(name(p.Name), done, wording.Part(p), remark)
	}
	remarks := map[netlist.RepairKind]string{netlist.RepairGap: "the gap between two pins was cleaned", netlist.RepairTrace: "the broken trace was joined"}
	for _, m := range edits.Repairs() {
		remark := cmp.Or(remarks[m.Kind], "resoldered")
		if m.Again {
			remark += " again, and dried"
		}
		add(name(b.b.RepairName(m)), "repaired", "", remark)
	}
	return s
}

func (b *builder) suspects() Section {
	s := Section{Title: "Suspects", Table: Table{Caption: "How likely each part is bad, by all readings", Heads: []string{"Part or place", "Likely", "Why"}}}
	for _, x := range b.d.Suspects[:min(len(b.d.Suspects), 6)] {
		why := ""
		if len(x.Reasons) > 0 {
			why = wording.Reason(&x.Reasons[0])
		}
		s.Rows = append(s.Rows, []Cell{strong(name(x.Part)), num(wording.Percent(x.Probability)), wide(why)})
	}
	return s
}

func (b *builder) powerUp() Section {
	s := Section{Title: "Power-up check", Lead: Cell{Text: strings.ToUpper(string(b.g.Result)) + ": " + prose(b.g.Says), Class: "bad", Mark: "■"},
		Table: Table{Caption: "Every rail and line that was worked on or is out of range", Heads: []string{"Net", "Kind", "State", "Why"}}}
	if b.g.Passed() {
		s.Lead.Class, s.Lead.Mark = "good", "✓"
	}
	for _, l := range b.g.Lines {
		kind, state := "line", Cell{Text: string(l.State), Class: "bad", Mark: "■"}
		if l.Rail {
			kind = "rail"
			if l.Volts != nil {
				kind += " " + quantity.Format(*l.Volts, quantity.Volt)
			}
		}
		switch l.State {
		case powerup.Cleared:
			state.Class, state.Mark = "good", "•"
		case powerup.NotRead, powerup.Unsure:
			state.Class, state.Mark = "off", "▲"
		case powerup.OutOfReach:
			state.Class, state.Mark = "faint", "?"
		}
		s.Rows = append(s.Rows, []Cell{strong(name(l.Net)), {Text: kind}, state, wide(prose(l.Why))})
	}
	if b.g.Draw != nil {
		s.Text = "From a bench supply the board " + b.g.Draw.Says() + "."
	}
	return s
}

// short tells the case in a few sentences that need no knowledge of boards.
func (b *builder) short() {
	add := func(text string) { b.r.Short = append(b.r.Short, text) }
	if b.r.Complaint != "" {
		add("The device came in with this complaint: " + strings.TrimRight(b.r.Complaint, ".") + ".")
	}
	away := 0
	for _, p := range b.r.points {
		if rankPoint(p) == 0 {
			away++
		}
	}
	switch x := b.d.Implausible; {
	case x != nil:
		add("The readings cannot be those of this board, good or bad: " + prose(x.What) + ". They have to be taken again; until then nothing is known of what is wrong.")
	case len(b.list) == 0:
		add("Nothing has been measured on it yet.")
	case away == 0:
		add(fmt.Sprintf("None of %s is clearly off from those of boards that work.", wording.Count(len(b.list), "reading")))
	case away == 1:
		add("One place on the board did not measure as on boards that work.")
	default:
		add(fmt.Sprintf("%d places on the board did not measure as on boards that work.", away))
	}
	end, closed := b.c.Closed()
	if closed {
		cause := strings.TrimRight(prose(end.Cause), ".")
		text := "The cause: " + cause
		if rest, is := strings.CutPrefix(cause, "suspected "); is || end.Part != netlist.None && !b.g.Passed() {
			text = "Suspected, not proven: " + rest
		}
		if end.Part != netlist.None {
			text += " (" + wording.Part(&b.b.Parts[end.Part]) + ")"
		}
		add(text + ".")
		if end.Remedy != "" && end.Remedy != "none" {
			add("What was done: " + strings.TrimRight(prose(end.Remedy), ".") + ".")
		}
	} else if len(b.d.Suspects) > 0 && b.d.Suspects[0].Probability >= b.d.Explanations[0].Probability { // not a good board, nor a missed pad
		add(fmt.Sprintf("The likeliest cause so far is %s, with %s.", name(b.d.Suspects[0].Part), wording.Percent(b.d.Suspects[0].Probability)))
	}
	switch {
	case len(b.g.Reworked) > 0 && b.g.Passed():
		add("Everything that was worked on was measured again and is as on a board that works; power may go on.")
	}
	for _, did := range []struct {
		result journal.TestResult
		text   string
	}{{journal.Works, "Under power, this works: "}, {journal.Fails, "Under power, this fails: "}, {journal.NotTested, "Not tested: "}} {
		var names []string
		for _, t := range b.c.Tested() {
			if t.Result == did.result {
				names = append(names, prose(t.Function))
			}
		}
		if len(names) > 0 {
			add(did.text + strings.Join(names, ", ") + ".")
		}
	}
	b.r.Short = append(b.r.Short, b.going()...)
	switch {
	case len(b.g.Reworked) > 0 && !b.g.Passed():
		add("The check before power has not been passed: no battery and no charger until it has.")
	}
}
