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
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/bench"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
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

	Points        []Point // read wrong at some time, or again after rework
	Readings      []Reading
	Connectors    []drawing
	Lines         []drawing
	Place         *drawing // where to go on, or where the faulty part is; nil without a layout
	Steps         []Step
	Work          []Work
	Suspects      []Suspect
	Cautions      []string // for the person who works on the board next
	Acknowledged  []string // confirmed at the bench
	PowerUp       *powerup.Answer
	PowerUpLines  []PowerUpLine
	PowerUpSays   string
	PowerUpResult string
	Looks         []Fact // what was seen under the microscope: part, and how it looked
	Functions     []Function
	Going         []string // how long it takes from here, and what that costs; empty once the case is closed
	Notes         []string

	plot drawing
}

// Fact is one line of the head.
type Fact struct{ Name, Value string }

// Point is a place before and after.
type Point struct {
	At, Net         string
	Before, After   string // as the meter showed it; "" where it was not read
	Good            string
	Class           string // of the verdict after, or before where there is none after
	Mark, Verdict   string // the same
	before, after   *engine.Comparison
	volts           *float64
	sigma           float64
	goodIsPredicted bool
	aside           bool // no pin of a connector, or across a part, or in ohms: somebody wanted to know just this
}

// Reading is one reading in the order they were taken.
type Reading struct {
	Event                        int
	At, Net, Leads, Shown, Good  string
	Class, Mark, Verdict, Boards string
}

// Step is one event.
type Step struct {
	Event int
	Time  string // of day; "" where the record has none
	After string // how long it took, from the end of the step before
	What  string
	Note  string
	By    string
	Gone  bool // taken back
	Class string

	took  time.Duration
	parts []string // of a run of readings
}

// Work is what was done to one part or place.
type Work struct {
	Place, What, Value, Remark string
}

// Function is what the board does, as it was tested under power.
type Function struct {
	Name, Result, Class, Mark, Remark string
}

// Suspect is a part with its probability.
type Suspect struct {
	Place, Share, Why string
}

// PowerUpLine is a rail or line of the power-up check.
type PowerUpLine struct {
	Net, Kind, State, Why, Class, Mark string
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
	b.readings()
	b.steps()
	b.work()
	b.suspects()
	b.powerUp()
	b.job()
	for _, x := range bench.Cautions(c) {
		text := x.Text
		if text == "" {
			text = x.Key
		}
		b.r.Acknowledged = append(b.r.Acknowledged, prose(text))
	}
	for _, text := range d.Cautions {
		b.r.Cautions = append(b.r.Cautions, prose(text))
	}
	for _, n := range slices.Concat(d.Doubts, d.Notes) {
		b.r.Notes = append(b.r.Notes, prose(n))
	}
	b.short()
	b.connectors()
	b.place(drawn)
	b.r.plot = plot(b.r.Points)
	if err := b.lines(); err != nil {
		return nil, err
	}
	return b.r, nil
}

type builder struct {
	c    *journal.Case
	b    *netlist.Board
	list []engine.Comparison
	d    *engine.Diagnosis
	g    *powerup.Answer
	r    *Report
}

// name makes a name from a file safe to print: no characters that do not show,
// no more than fits on a line.
func name(text string) string { return document.Printable(text) }

// prose does the same with text of many words, word by word.
func prose(text string) string { return document.PrintableWords(text) }

func shown(v *float64, over bool) string {
	switch {
	case v != nil:
		return strings.Replace(fmt.Sprintf("%.3f V", *v), "-0.000", "0.000", 1)
	case over:
		return "OL"
	}
	return "none"
}

func goodText(r *engine.Comparison) string {
	v, over, predicted := r.Good()
	text := shown(v, over)
	if v != nil && r.Resistance {
		text = quantity.Format(*v, quantity.Ohm)
	} else if v != nil && r.Sigma > 0 {
		text = fmt.Sprintf("%.3f ± %.3f V", *v, r.Sigma)
	}
	if predicted && text != "none" {
		text += " (predicted)"
	}
	return text
}

func readText(r *engine.Comparison) string {
	if r.Ohms != nil {
		return quantity.Format(*r.Ohms, quantity.Ohm)
	}
	return shown(r.Volts, r.Overload)
}

func (b *builder) head() {
	r := b.r
	r.Board = name(b.b.Name)
	if b.b.Revision != "" {
		r.Board += ", revision " + name(b.b.Revision)
	}
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
		fact("Bench time", span(last.Sub(first)))
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

// span writes a time at the bench.
func span(d time.Duration) string {
	switch {
	case d < time.Second:
		return "under 1 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}

// firstWork is the number of the first event that was rework.
func (b *builder) firstWork() int {
	for _, ev := range b.c.Events {
		if ev.Rework() {
			return ev.Number
		}
	}
	return math.MaxInt
}

// verdictOf is the verdict on a reading: where no good board was read, by what the
// circuit predicts of one.
func verdictOf(x *engine.Comparison) engine.Verdict {
	if x.Verdict == engine.NoKnownGood && x.Circuit != "" {
		return x.Circuit
	}
	return x.Verdict
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
	var all []Point
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
			p := Point{At: name(x.At), Net: name(x.Net)}
			if x.To != "" {
				p.At += " to " + name(x.To)
			}
			if at, err := b.b.Point(x.At); err == nil {
				p.aside = x.To != "" || x.Resistance || at.Kind != netlist.PointPin
			}
			if x.Polarity == references.BlackOnGround.String() {
				p.At += ", swapped"
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
		x := p.after
		if x == nil {
			x = p.before
		}
		if p.before != nil {
			p.Before = readText(p.before)
		}
		if p.after != nil {
			p.After = readText(p.after)
		}
		// What a good board shows is taken from the board as drawn, where it was
		// read so.
		g := x
		if p.before != nil {
			g = p.before
		}
		p.Good, p.sigma = goodText(g), g.Sigma
		if p.volts, _, p.goodIsPredicted = g.Good(); g.Resistance {
			p.volts = nil // it has no place among volts
		}
		v := verdictOf(x)
		p.Class, p.Mark, p.Verdict = verdictClass(v), verdictMark(v), string(v)
		b.r.Points = append(b.r.Points, p)
	}
	slices.SortStableFunc(b.r.Points, func(a, z Point) int { return rankPoint(a) - rankPoint(z) })
	if len(b.r.Points) > mostPoints {
		b.r.Points = b.r.Points[:mostPoints]
	}
}

// mostPoints bounds the table and the plot of before and after.
const mostPoints = 24

func rankPoint(p Point) int {
	if p.before != nil && p.before.Verdict != engine.Agrees && p.before.Verdict != engine.NoKnownGood {
		return 0
	}
	return 1
}

func (b *builder) readings() {
	for i := range b.list {
		x := &b.list[i]
		r := Reading{Event: x.Event, At: name(x.At), Net: name(x.Net), Shown: readText(x), Good: goodText(x),
			Class: verdictClass(x.Verdict), Mark: verdictMark(x.Verdict), Verdict: string(x.Verdict)}
		if x.To != "" {
			r.At += " to " + name(x.To)
		}
		r.Leads = "red on ground"
		switch {
		case x.To != "":
			r.Leads = "both on the board"
		case x.Polarity == references.BlackOnGround.String():
			r.Leads = "black on ground"
		}
		if x.Resistance {
			r.Leads += ", ohms"
		}
		b.r.Readings = append(b.r.Readings, r)
	}
}

func (b *builder) steps() {
	counts := map[int]bool{}
	for _, ev := range b.c.Events {
		counts[ev.Number] = true
	}
	var last time.Time
	for i := range b.c.All {
		ev := &b.c.All[i]
		s := Step{Event: ev.Number, What: prose(bench.Describe(b.b, ev)), By: prose(ev.By), Gone: !counts[ev.Number] && ev.Kind != journal.KindUndo}
		if ev.Kind != journal.KindNote {
			s.Note = prose(ev.Note)
		}
		if !ev.Time.IsZero() {
			s.Time = ev.Time.Format("15:04:05")
			if !last.IsZero() {
				s.took = ev.Time.Sub(last)
			}
			last = ev.Time
		}
		switch {
		case ev.Kind.Edits():
			s.Class = "work"
		case ev.Kind == journal.KindClose:
			s.Class = "good"
		case ev.Kind == journal.KindRead && !s.Gone && s.Note == "":
			s.Class = "read"
			s.parts = []string{s.What}
			// A run of readings is one step; all of them stand in the table of
			// readings.
			if n := len(b.r.Steps); n > 0 && b.r.Steps[n-1].Class == "read" {
				run := &b.r.Steps[n-1]
				run.parts = append(run.parts, s.What)
				run.took += s.took
				continue
			}
		}
		b.r.Steps = append(b.r.Steps, s)
	}
	for i := range b.r.Steps {
		s := &b.r.Steps[i]
		if s.took > 0 {
			s.After = span(s.took)
		}
		switch n := len(s.parts); {
		case n > 6:
			s.What = fmt.Sprintf("%d readings: %s, and so on to %s", n, s.parts[0], s.parts[n-1])
		case n > 0:
			s.What = strings.Join(s.parts, "; ")
		}
	}
}

func (b *builder) work() {
	stages := b.c.Stages()
	edits := stages[len(stages)-1].Edits
	for _, x := range edits.List() {
		p := &b.b.Parts[x.Part]
		w := Work{Place: name(p.Name), Value: prose(strings.TrimSpace(p.Kind.String() + " " + p.ValueText))}
		if p.Place != "" {
			w.Value += ", " + prose(p.Place)
		}
		switch {
		case x.Jumpered:
			w.What, w.Remark = "jumpered", "its function is lost: filtering or protection of this line"
			if p.Kind != netlist.Filter && p.Kind != netlist.Bead {
				w.Remark = "its function is lost"
			}
		case x.Removed && engine.MayLeaveOff(p):
			w.What, w.Remark = "left off", "some filtering is lost; replace it when there is one"
		case x.Removed:
			w.What, w.Remark = "off the board", "the line does not work without it"
		case x.Replaced:
			w.What = "replaced"
		case x.Reflowed:
			w.What, w.Remark = "reflowed", "its joints were melted anew; that may not last"
		case x.Reinstalled:
			w.What, w.Remark = "put back", "removed for a test; its joints are new"
		}
		b.r.Work = append(b.r.Work, w)
	}
	for _, m := range edits.Repairs() {
		w := Work{Place: name(b.b.RepairName(m)), What: "repaired"}
		switch m.Kind {
		case netlist.RepairGap:
			w.Remark = "the gap between two pins was cleaned"
		case netlist.RepairTrace:
			w.Remark = "the broken trace was joined"
		default:
			w.Remark = "resoldered"
		}
		b.r.Work = append(b.r.Work, w)
	}
}

func (b *builder) suspects() {
	for _, x := range b.d.Suspects[:min(len(b.d.Suspects), 6)] {
		s := Suspect{Place: name(x.Part), Share: percent(x.Probability)}
		if len(x.Reasons) > 0 {
			r, at := x.Reasons[0], name(x.Reasons[0].At)
			level := func(v *float64, over bool) string {
				if v != nil && r.Resistance {
					return quantity.Format(*v, quantity.Ohm)
				}
				return shown(v, over)
			}
			if r.To != "" {
				at += " to " + name(r.To)
			}
			s.Why = fmt.Sprintf("predicts %s at %s (measured %s, known good %s)", level(r.Predicted, r.Overload), at, level(r.Read, r.Read == nil), level(r.Good, r.Good == nil))
		}
		b.r.Suspects = append(b.r.Suspects, s)
	}
}

func percent(p float64) string {
	switch {
	case p >= 0.995:
		return "over 99 %"
	case p < 0.005:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func (b *builder) powerUp() {
	b.r.PowerUp, b.r.PowerUpSays, b.r.PowerUpResult = b.g, prose(b.g.Says), strings.ToUpper(string(b.g.Result))
	for _, l := range b.g.Lines {
		x := PowerUpLine{Net: name(l.Net), Kind: "line", State: string(l.State), Why: prose(l.Why), Class: "bad", Mark: "■"}
		if l.Rail {
			x.Kind = "rail"
			if l.Volts != nil {
				x.Kind += " " + quantity.Format(*l.Volts, quantity.Volt)
			}
		}
		switch l.State {
		case powerup.Cleared:
			x.Class, x.Mark = "good", "•"
		case powerup.NotRead:
			x.Class, x.Mark = "off", "▲"
		case powerup.OutOfReach:
			x.Class, x.Mark = "faint", "?"
		}
		b.r.PowerUpLines = append(b.r.PowerUpLines, x)
	}
}

// short tells the case in a few sentences that need no knowledge of boards.
func (b *builder) short() {
	add := func(text string) { b.r.Short = append(b.r.Short, text) }
	if b.r.Complaint != "" {
		add("The device came in with this complaint: " + strings.TrimRight(b.r.Complaint, ".") + ".")
	}
	odd := 0
	for _, p := range b.r.Points {
		if rankPoint(p) == 0 {
			odd++
		}
	}
	switch x := b.d.Implausible; {
	case x != nil:
		add("The readings cannot be those of this board, good or bad: " + prose(x.What) + ". They have to be taken again; until then nothing is known of what is wrong.")
	case len(b.list) == 0:
		add("Nothing has been measured on it yet.")
	case odd == 0:
		add(fmt.Sprintf("None of %s is clearly off from those of boards that work.", count(len(b.list), "reading")))
	case odd == 1:
		add("One place on the board did not measure as on boards that work.")
	default:
		add(fmt.Sprintf("%d places on the board did not measure as on boards that work.", odd))
	}
	end, closed := b.c.Closed()
	if closed {
		cause := strings.TrimRight(prose(end.Cause), ".")
		text := "The cause: " + cause
		if rest, is := strings.CutPrefix(cause, "suspected "); is || end.Part != netlist.None && !b.g.Passed() {
			text = "Suspected, not proven: " + rest
		}
		if end.Part != netlist.None {
			p := &b.b.Parts[end.Part]
			words := p.Kind.String()
			if p.Title != "" {
				words += ", " + prose(p.Title)
			}
			if p.Place != "" {
				words += ", " + prose(p.Place)
			}
			text += " (" + words + ")"
		}
		add(text + ".")
		if end.Remedy != "" && end.Remedy != "none" {
			add("What was done: " + strings.TrimRight(prose(end.Remedy), ".") + ".")
		}
	} else if len(b.d.Suspects) > 0 {
		add(fmt.Sprintf("The likeliest cause so far is %s, with %s.", b.r.Suspects[0].Place, b.r.Suspects[0].Share))
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
		for _, x := range b.r.Functions {
			if x.Result == did.result.String() {
				names = append(names, x.Name)
			}
		}
		if len(names) > 0 {
			add(did.text + strings.Join(names, ", ") + ".")
		}
	}
	for _, text := range b.r.Going {
		add(text)
	}
	switch {
	case len(b.g.Reworked) > 0 && !b.g.Passed():
		add("The check before power has not been passed: no battery and no charger until it has.")
	}
}

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
