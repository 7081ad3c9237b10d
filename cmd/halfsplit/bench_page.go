package main

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/cmd/halfsplit/page"
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/bench"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist"
	"halfsplit/netlist/layout/assembly"
)

// What a session shows on the bench page: the same words as the terminal, laid out
// for a browser. Everything comes from the session and its diagnosis.

// Bounds of a page.
const (
	mostOnPage    = 8  // alternatives, suspects, outcomes
	mostLineRows  = 40 // rows of the drawing of a line
	mostLineDepth = 2  // branches that are set in
)

// showPage shows on the page, where there is one, what is asked for.
func (b *benchScreen) showPage(p *bench.Prompt) {
	if b.page == nil {
		return
	}
	v, err := b.pageView(p)
	if err != nil { // what cannot be worked out keeps nobody from writing on
		v = &benchpage.View{Board: name(b.session.Case().Board.Name), Next: b.asking(p), Said: benchpage.Said{Mark: "■", Class: "bad", Text: prose(err.Error())}}
	}
	if err := b.page.Show(v); err != nil {
		b.wrong(err)
	}
}

// next waits for an entry, and gives pages the report meanwhile.
func (b *benchScreen) next(in *input) (entryLine, bool) {
	for {
		line, ok := in.next()
		switch {
		case line.page == nil:
			return line, ok
		case line.page.Report:
			var text bytes.Buffer
			r, err := page.New(b.session.Case(), b.engine, b.limits, b.drawn)
			if err == nil {
				err = r.HTML(&text)
			}
			if err != nil {
				line.page.Answer(benchpage.Answer{Says: prose(err.Error())})
				continue
			}
			line.page.Answer(benchpage.Answer{Report: text.Bytes()})
		case b.page.Current(line.page):
			return line, ok
		}
	}
}

// tell answers the page that made an entry, and keeps for all pages what became of it.
// It comes after Enter: what is answered as entered is on the disk.
func (b *benchScreen) tell(line entryLine, r *bench.Reply, err error) {
	if b.page == nil {
		return
	}
	a := benchpage.Answer{Entered: err == nil}
	switch {
	case err != nil:
		a.Says = prose(err.Error())
		if line.page == nil { // nobody else tells that the meter was not understood
			b.said = benchpage.Said{Entry: prose(line.text), Mark: "■", Class: "bad", Text: "not entered: " + a.Says}
		}
	case r.Quit:
		a = benchpage.Answer{Says: "the session is left at its terminal; all that was entered is kept"}
	default:
		b.said = b.pageSaid(line.text, r)
	}
	if line.page != nil {
		line.page.Answer(a)
	}
}

// pageView lays out what the session asks for.
func (b *benchScreen) pageView(p *bench.Prompt) (*benchpage.View, error) {
	c := b.session.Case()
	v := &benchpage.View{Board: wording.Board(c.Board.Name, c.Board.Revision), Complaint: prose(c.Opening().Complaint),
		Next: b.asking(p), Said: b.said}
	for i := range c.Board.Parts {
		v.Parts = append(v.Parts, name(c.Board.Parts[i].Name))
	}
	list, err := b.session.Readings()
	if err != nil {
		return nil, err
	}
	l := levelsOf(c, list, b.session.Predict)
	id, err := l.pageConnector(v, p)
	if err != nil {
		return nil, err
	}
	if p.Ask != bench.AskConnector && p.Ask != bench.AskCautions && p.Ask != bench.Closed {
		b.pageSweeps(v, id)
	}
	if err := l.pageLine(v, p); err != nil {
		return nil, err
	}
	if v.PowerUp, err = b.pagePowerUp(p); err != nil {
		return nil, err
	}
	v.Place = b.pagePlace(p)
	pageSuspects(v, p)
	if p.Step != nil {
		steps, err := b.session.Steps()
		if err != nil {
			return nil, err
		}
		for i := range steps[:min(len(steps), mostOnPage)] {
			if headline(&steps[i].Step) == headline(p.Step) {
				continue
			}
			detail := wording.Duration(steps[i].Seconds)
			if steps[i].Expected > 0 {
				detail += ", to a verified repair " + wording.Duration(steps[i].Expected)
			}
			v.Others = append(v.Others, benchpage.Choice{Entry: fmt.Sprintf("take %d", steps[i].Number), Label: headline(&steps[i].Step), Detail: detail})
		}
	}
	counts := c.Counting()
	for i := len(c.All) - 1; i >= 0; i-- {
		ev := &c.All[i]
		v.Events = append(v.Events, benchpage.Event{Number: ev.Number, Text: prose(bench.Describe(c.Board, ev)),
			Gone: !counts[ev.Number], Fixed: !counts[ev.Number] || i == 0})
	}
	return v, nil
}

// levels are the readings in order, and the last ones, by point and by net, red probe on ground.
type levels struct {
	c       *journal.Case
	b       *netlist.Board
	predict func([]netlist.Point) ([]diagnose.Prediction, error)
	probe   string // before a point, in an entry that asks for it
	silent  bool   // nothing is judged
	last    map[netlist.Point]*diagnose.Comparison
	nets    map[netlist.NetID]*diagnose.Comparison
	list    []diagnose.Comparison
	edit    int // the event that last changed the board
}

func levelsOf(c *journal.Case, list []diagnose.Comparison, predict func([]netlist.Point) ([]diagnose.Prediction, error)) *levels {
	l := &levels{c: c, b: c.Board, predict: predict, probe: "at ", list: list, edit: c.Last(journal.Kind.Edits), last: map[netlist.Point]*diagnose.Comparison{}, nets: map[netlist.NetID]*diagnose.Comparison{}}
	for i := range list {
		x := &list[i]
		at, err := c.Board.Point(x.At)
		if err != nil || x.To != "" || x.Ohms != nil || x.Resistance || x.Polarity == blackOnGround {
			continue
		}
		l.last[at] = x
		if at.Net != netlist.None {
			l.nets[at.Net] = x
		}
	}
	return l
}

// level is a reading beside what a good board showed then, or, where it is nil, what
// is predicted now.
func (l *levels) level(r *diagnose.Comparison, x *diagnose.Prediction) benchpage.Level {
	var out benchpage.Level
	good := wording.Volts(x.Volts, x.Overload)
	predicted := x.Boards == 0
	if r != nil {
		out.Measured, out.Before = wording.Volts(r.Volts, r.Overload), r.Event < l.edit
		if !l.silent {
			out.Class, out.Mark = page.VerdictStyle(r.Verdict)
		}
		var v *float64
		var over bool
		v, over, predicted = r.Good()
		good = wording.Volts(v, over)
	}
	if predicted {
		good += predictedMark
	}
	out.Good = good
	return out
}

// pageSweeps offers the connectors that are not shown.
func (b *benchScreen) pageSweeps(v *benchpage.View, shown netlist.ConnectorID) {
	var names []string
	for i, c := range b.session.Case().Board.Connectors {
		if netlist.ConnectorID(i) != shown && len(c.Pins) > 0 {
			names = append(names, c.Name)
		}
	}
	v.Sweeps = b.connectorChoices(names)
	for i := range v.Sweeps {
		v.Sweeps[i].Label = "Sweep " + v.Sweeps[i].Label
	}
}

// pageConnector shows the connector that the reading is of, or that was read last.
func (l *levels) pageConnector(v *benchpage.View, p *bench.Prompt) (netlist.ConnectorID, error) {
	board := l.b
	id := netlist.ConnectorID(netlist.None)
	newest := -1
	for at, r := range l.last {
		if at.Kind == netlist.PointPin && r.Event > newest {
			id, newest = at.Pin.Connector, r.Event
		}
	}
	asked := netlist.Point{}
	if p.Ask == bench.AskReading {
		asked = p.At.At
		if asked.Kind == netlist.PointPin {
			id = asked.Pin.Connector
		}
	}
	if id == netlist.None {
		return id, nil
	}
	c := &board.Connectors[id]
	points := board.Pins(id)
	expect, err := l.predict(points)
	if err != nil {
		return id, err
	}
	v.Connector.Title = strings.TrimSpace("Connector " + name(c.Name) + " " + prose(c.Title))
	rows := c.PinRows()
	for k := range rows[0] {
		var column []benchpage.Pin
		for _, row := range rows {
			if k < len(row) {
				i := row[k]
				column = append(column, benchpage.Pin{Level: l.level(l.last[points[i]], &expect[i]), Name: name(c.Pins[i].Name),
					Entry: l.probe + board.PointName(points[i]), Here: points[i] == asked})
			}
		}
		v.Connector.Columns = append(v.Connector.Columns, column)
	}
	return id, nil
}

// pageLine draws the line that is worked on: that of the point or part asked for, of
// the first suspect, or of the last reading.
func (l *levels) pageLine(v *benchpage.View, p *bench.Prompt) error {
	board := l.b
	var nets []netlist.NetID
	ofPart := func(part string) {
		if id, err := board.PartByName(part); err == nil {
			for _, t := range board.Parts[id].Terminals {
				nets = append(nets, t.Net)
			}
		}
	}
	ofPoint := func(at string) {
		if x, err := board.Point(at); err == nil {
			nets = append(nets, x.Net)
		}
	}
	asked := netlist.Point{}
	if p.Ask == bench.AskReading {
		asked = p.At.At
		nets = append(nets, asked.Net)
	}
	if p.Ask == bench.AskFirstLook && len(p.Connectors) > 0 { // its parts can be marked by a touch
		if id, err := board.ConnectorByName(p.Connectors[0]); err == nil {
			for _, pin := range board.Connectors[id].Pins {
				nets = append(nets, pin.Net)
			}
		}
	}
	if p.Step != nil {
		ofPoint(p.Step.At)
		ofPart(p.Step.Part)
	}
	if p.Diagnosis != nil {
		for _, x := range p.Diagnosis.Suspects {
			ofPart(x.Part)
			for _, r := range x.Reasons {
				ofPoint(r.At)
			}
		}
	}
	for _, r := range slices.Backward(l.list) { // at a ground pin, the line that last read wrong
		if r.Verdict != diagnose.Agrees {
			ofPoint(r.At)
		}
	}
	start := netlist.NetID(netlist.None)
	for _, n := range nets { // a signal before a rail
		if n == netlist.None || n == board.Ground {
			continue
		}
		if start == netlist.None || board.Nets[start].Rail && !board.Nets[n].Rail && n != nets[0] && start != nets[0] {
			start = n
		}
	}
	if start == netlist.None {
		return nil
	}
	g, err := board.Graph()
	if err != nil {
		return err
	}
	// It is drawn from the connector inwards, whichever point of it is asked for.
	root := start
	if !board.Nets[start].Rail {
		for _, n := range g.Line(start, netlist.AtRails).Nets {
			if len(board.Nets[n].Pins) > 0 && !board.Nets[n].Rail && n != board.Ground {
				root = n
				break
			}
		}
	}
	tree := g.Tree(root, netlist.AtRails)
	d := lineDrawing{levels: l, asked: asked, marks: map[string][2]string{}}
	if p.Diagnosis != nil {
		for _, x := range p.Diagnosis.Suspects {
			if x.Probability >= leastSuspect {
				d.marks[x.Part] = [2]string{"bad", "✕ suspect " + wording.Percent(x.Probability)}
			}
		}
	}
	for _, x := range l.c.Now().Edits.List() {
		word := "replaced"
		switch {
		case x.Jumpered:
			word = "jumper across"
		case x.Removed:
			word = "off the board"
		}
		d.marks[board.Parts[x.Part].Name] = [2]string{"work", "■ " + word}
	}
	d.net(&tree, 0)
	expect, err := l.predict(d.points)
	if err != nil {
		return err
	}
	for i, k := range d.at {
		row := &d.rows[k]
		r, ok := l.last[d.points[i]]
		if !ok {
			r = l.nets[d.points[i].Net]
		}
		row.Level = l.level(r, &expect[i])
	}
	v.Line = benchpage.Line{Title: "Line " + name(board.Nets[root].Name), Rows: d.rows}
	if d.left > 0 {
		v.Line.Note = "and " + wording.Count(d.left, "more part")
	}
	return nil
}

// lineDrawing is a line being drawn, row by row.
type lineDrawing struct {
	*levels
	asked  netlist.Point
	marks  map[string][2]string // class and words, by part
	rows   []benchpage.LineRow
	points []netlist.Point // to predict
	at     []int           // the rows that they are of
	left   int             // parts that did not fit
}

// net draws a net, what hangs from it, and what the line goes on through.
func (d *lineDrawing) net(x *netlist.Branch, depth int) {
	points := d.b.PointsOn(x.Net)
	if len(points) == 0 {
		return
	}
	point := points[0]
	for _, p := range points {
		if r := d.nets[x.Net]; r != nil && d.b.PointName(p) == r.At {
			point = p
		}
	}
	here := d.asked.Net == x.Net && d.asked != netlist.Point{}
	if here {
		point = d.asked
	}
	text := d.b.PointName(point)
	d.at, d.points = append(d.at, len(d.rows)), append(d.points, point)
	d.rows = append(d.rows, benchpage.LineRow{Depth: min(depth, mostLineDepth), Net: true, Name: name(d.b.Nets[x.Net].Name), Entry: d.probe + text, Point: name(text), Here: here})
	through := 0
	for i := range x.Children {
		if x.Children[i].Size > 0 {
			through++
		}
	}
	for i := range x.Children {
		c := &x.Children[i]
		if len(d.rows) >= mostLineRows {
			d.left++
			continue
		}
		p := &d.b.Parts[c.Part]
		if page.InFilter(d.b, c) {
			continue
		}
		row := benchpage.LineRow{Depth: min(depth, mostLineDepth), Name: name(p.Name), Detail: d.partDetail(p, c), Symbol: page.Symbol(d.b, c),
			MarkClass: d.marks[p.Name][0], Marked: d.marks[p.Name][1]}
		deeper := depth
		if row.Through = c.Size > 0; row.Through && through > 1 { // the last branch goes straight on
			through--
			deeper++
			row.Depth, row.Branch = min(deeper, mostLineDepth), deeper <= mostLineDepth
		}
		d.rows = append(d.rows, row)
		if row.Through {
			d.net(c, deeper)
		}
	}
}

func (d *lineDrawing) partDetail(p *netlist.Part, c *netlist.Branch) string {
	words := wording.Kind(p)
	switch {
	case (p.Kind == netlist.IC || p.Kind == netlist.Module) && c.In >= 0:
		words = "pin " + name(p.Terminals[c.In].Name) + " " + prose(p.Title)
	case c.Net != netlist.None && d.b.Nets[c.Net].Rail && len(c.Children) == 0:
		words += ", to " + name(d.b.Nets[c.Net].Name)
	}
	return strings.TrimSpace(words)
}

func pageSuspects(v *benchpage.View, p *bench.Prompt) {
	d := p.Diagnosis
	switch {
	case p.Ask == bench.Closed:
		v.Suspects.Note = "The case is closed."
		return
	case d == nil:
		v.Suspects.Note = "Worked out when the sweep is done."
		return
	case len(d.Suspects) == 0:
		v.Suspects.Note = "No suspect so far."
		return
	}
	for _, x := range d.Suspects[:min(len(d.Suspects), mostOnPage)] {
		why := ""
		if len(x.Reasons) > 0 && len(v.Suspects.List) == 0 {
			why = reasonText(&x, &x.Reasons[0], true)
		}
		v.Suspects.List = append(v.Suspects.List, benchpage.Suspect{Part: name(x.Part), Share: wording.Percent(x.Probability), Permille: int(1000 * x.Probability), Why: why})
	}
	if more := len(d.Suspects) - mostOnPage; more > 0 {
		v.Suspects.Note = "the likeliest of " + fmt.Sprint(len(d.Suspects))
	}
}

// pagePowerUp is the light of the power-up check.
func (b *benchScreen) pagePowerUp(p *bench.Prompt) (benchpage.PowerUp, error) {
	g := p.PowerUp
	if g == nil {
		var err error
		if g, err = b.session.PowerUp(); err != nil {
			return benchpage.PowerUp{}, err
		}
	}
	out := benchpage.PowerUp{Word: strings.ToUpper(string(g.Result)), Says: prose(g.Says)}
	switch g.Result {
	case powerup.Pass:
		out.Mark, out.Class = "✓", "good"
	case powerup.NotChecked:
		out.Mark, out.Class = "?", "off"
	default:
		out.Mark, out.Class = "■", "bad"
	}
	return out, nil
}

// pagePlace is the assembly drawing with what is asked for marked on it, where the board
// has a layout.
func (b *benchScreen) pagePlace(p *bench.Prompt) benchpage.Place {
	board := b.session.Case().Board
	var names []string
	switch {
	case b.drawn == nil || p.Ask == bench.AskCautions:
	case p.Ask == bench.AskReading:
		names = append(names, p.Name)
	case p.Step != nil:
		names = append(names, p.Step.At, p.Step.Part)
	case p.Ask == bench.AskReinstall:
		names = append(names, board.Parts[p.Part].Name)
	}
	for _, at := range names {
		mark, err := assembly.Find(board, b.drawn, at)
		if err != nil {
			continue // a whole net, or not in the layout
		}
		picture := assembly.Draw(board, b.drawn, mark)
		return benchpage.Place{Title: picture.Title, Note: picture.Note, SVG: picture.File()}
	}
	return benchpage.Place{}
}

// pageSaid is what became of an entry.
func (b *benchScreen) pageSaid(line string, r *bench.Reply) benchpage.Said {
	s := benchpage.Said{Entry: prose(line)}
	c := b.session.Case()
	if n := len(r.Readings); n > 0 {
		x := &r.Readings[n-1]
		s.Class, s.Mark = page.VerdictStyle(x.Verdict)
		row := comparisonRow(x, false)
		s.Text = fmt.Sprintf("%s %s: %s, known good %s", row[0].text, row[measuredColumn].text, name(string(x.Verdict)), row[goodColumn].text)
		s.Entry = ""
	} else if len(r.Recorded) > 0 {
		ev := &c.All[r.Recorded[len(r.Recorded)-1]-1]
		s.Mark, s.Class, s.Text, s.Entry = "✓", "good", prose(bench.Describe(c.Board, ev)), ""
	}
	if len(r.Recorded) > 0 {
		s.Text += strings.ReplaceAll(b.numbers(r.Recorded), "   ", ", ")
	}
	for _, text := range r.Says {
		s.More = append(s.More, prose(text))
	}
	if r.Show != bench.ShowNothing {
		s.More = append(s.More, "It stands on the page.")
	}
	return s
}
