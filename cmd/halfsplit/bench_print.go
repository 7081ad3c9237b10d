package main

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/bench"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// readingPrompt asks for a reading.
func (b *benchScreen) readingPrompt(p *bench.Prompt) {
	c := b.session.Case()
	board := c.Board
	net := "  not connected (NC)"
	if p.At.At.Net != netlist.None {
		net = "  " + name(board.Nets[p.At.At.Net].Name)
	}
	why := ""
	switch p.Purpose {
	case bench.ForSweep:
		if b.swept != int(p.Connector)+1 {
			b.swept = int(p.Connector) + 1
			if list, err := b.session.Readings(); err == nil {
				b.picture(board, p.Connector, list, p.Pin)
			}
			b.prose(2, 2, faint, probes(p.Name, p.At.Polarity.String())+"; one pin after the other: a reading, or several; s skip, b back, r repeat, p other polarity, d enough, v the picture")
			b.gap()
		}
		pins := board.Connectors[p.Connector].Pins
		why = fmt.Sprintf("%d of %d", p.Done+1, p.Of)
		for k, i := range p.Then[:min(len(p.Then), pinsAhead)] {
			if k == 0 {
				why += ", then"
			}
			why += " " + name(pins[i].Name)
		}
	case bench.ForAgain:
		why = "out of range: once more, b if mistyped, y accepts it"
		if p.To != nil {
			net = " to " + name(board.PointName(*p.To))
		}
		if p.Ohms {
			net += ", in ohms"
		}
	case bench.ForStep:
		b.step(p)
		why = probes(p.Name, p.At.Polarity.String())
		if p.Ohms {
			why = inOhms(board, p)
		}
	case bench.ForRemoved:
		part := &board.Parts[p.Part]
		why = "with " + name(part.Name) + " off; known good " + b.want(p)
	case bench.ForProof:
		why = "to prove the repair; known good " + b.want(p)
	case bench.ForChosen:
		why = probes(p.Name, p.At.Polarity.String()) + "; known good " + b.want(p) + "; s skips, d ends"
	case bench.ForPowerUp:
		why = "for the power-up check; known good " + b.want(p)
	}
	if p.At.Polarity.String() == blackOnGround && p.Purpose != bench.ForStep {
		why += "; probes swapped: " + probes(p.Name, blackOnGround)
	}
	if p.Settling > 0 {
		why += fmt.Sprintf("; wait %s, capacitors charge", wording.Duration(p.Settling))
	}
	b.input(name(p.Name) + net + "   " + why)
}

// inOhms says how the resistance that is asked for is read, or the drop between two points.
func inOhms(board *netlist.Board, p *bench.Prompt) string {
	red, how, unit := "ground", "", ""
	if p.To != nil {
		red = name(board.PointName(*p.To))
	}
	if p.Ohms {
		how, unit = "in resistance mode, ", ", with the unit: 0.6 ohm"
	}
	return how + "red on " + red + unit
}

func (b *benchScreen) want(p *bench.Prompt) string {
	return wording.Spread(p.Predict.Volts, p.Predict.Overload, p.Predict.Sigma)
}

// pinsAhead is how many of the pins that follow are named.
const pinsAhead = 3

// step prints a step so that it can be read at arm's length, once for each state of the
// board and of what is known of it.
func (b *benchScreen) step(p *bench.Prompt) {
	c := b.session.Case()
	now := headline(p.Step)
	for _, ev := range c.Events {
		if ev.Kind != journal.KindNote {
			now += fmt.Sprint(" ", ev.Number)
		}
	}
	if b.shown == now {
		return
	}
	b.shown = now
	b.suspectsLine(p.Diagnosis)
	b.screen.step(c.Board, p.Step)
	if p.Diagnosis != nil && p.Diagnosis.Expected > 0 {
		b.repairTime(3, p.Diagnosis, "; w shows why, o what else could be done, s skips, v shows this again")
	}
}

// suspectsLine is the posterior in one line.
func (b *benchScreen) suspectsLine(d *repair.Diagnosis) {
	if d == nil {
		return
	}
	var words []string
	if good := goodAsItIs(d); len(d.Suspects) == 0 && good > 0 {
		words = append(words, "none, nothing wrong "+wording.Percent(good))
	} else if len(d.Suspects) == 0 {
		return
	}
	b.gap()
	for _, x := range d.Suspects[:min(len(d.Suspects), 4)] {
		words = append(words, name(x.Part)+" "+wording.Percent(x.Probability))
	}
	if more := len(d.Suspects) - 4; more > 0 {
		words = append(words, fmt.Sprintf("and %d more", more))
	}
	misled := 0.0
	for i := range d.Explanations {
		if slices.ContainsFunc(d.Explanations[i].Faults, func(f diagnose.FaultReport) bool { return misleads(&f) }) {
			misled += d.Explanations[i].Probability
		}
	}
	for _, x := range []struct {
		words string
		p     float64
	}{{"a reading misleads ", misled}, {"no reading shows it ", d.Quiet}} {
		if x.p >= leastSuspect {
			words = append(words, x.words+wording.Percent(x.p))
		}
	}
	b.prose(2, 2, plain, "suspects: "+strings.Join(words, ", "))
}

// wrong says what was wrong with an entry; nothing of it is recorded.
func (b *benchScreen) wrong(err error) {
	for _, line := range strings.Split(err.Error(), "\n") {
		b.prose(2, 2, yellow, "not recorded: "+prose(line))
	}
	if b.terminal {
		fmt.Fprint(b.w, "\a")
	}
}

// reply says what an entry meant; it tells whether the session is over.
func (b *benchScreen) reply(p *bench.Prompt, r *bench.Reply, typed bool) (over bool) {
	c := b.session.Case()
	if len(r.Readings) > 0 {
		if typed && b.moves && b.prompted < b.width { // in the place of what was asked and typed
			fmt.Fprint(b.w, "\x1b[A\x1b[K") // CUU and EL, ECMA-48, 8.3.22 and 8.3.41
		}
		for i := range r.Readings {
			numbers := r.Recorded
			if len(r.Readings) > 1 {
				numbers = []int{r.Readings[i].Event}
			}
			b.measured(&r.Readings[i], numbers, len(r.Readings) > 1 || typed && b.moves)
		}
		if r.Outlier && b.terminal {
			fmt.Fprint(b.w, "\a")
		}
	} else if n := len(r.Recorded); n > 0 && (c.All[r.Recorded[n-1]-1].Kind != journal.KindUndo || len(r.Says) == 0) {
		ev := &c.All[r.Recorded[n-1]-1]
		text, numbers := prose(bench.Describe(c.Board, ev)), b.numbers(r.Recorded)
		if 2+cells(text)+cells(numbers) > b.width {
			b.prose(2, 2, green, text+","+numbers)
		} else {
			b.say("  " + b.paint(green, text) + b.paint(faint, numbers))
		}
	}
	for _, s := range r.Says {
		b.prose(2, 2, plain, prose(s))
	}
	switch r.Show {
	case bench.ShowHelp:
		b.help()
	case bench.ShowWhy:
		b.why()
	case bench.ShowSteps:
		b.steps(p)
	case bench.ShowPowerUp:
		b.showPowerUp()
	case bench.ShowCase:
		b.events(c)
	case bench.ShowNext:
		if b.swept > 0 && p.Purpose != bench.ForSweep {
			if list, err := b.session.Readings(); err == nil {
				b.picture(c.Board, netlist.ConnectorID(b.swept-1), list, netlist.None)
			}
		} else {
			b.swept = 0
		}
		b.shown, b.laid = "", ""
		return false
	}
	if r.Quit {
		b.left(p)
	}
	return r.Quit
}

// measured is one line that says what a reading is; named with its point, where nothing
// above says it.
func (b *benchScreen) measured(x *diagnose.Comparison, numbers []int, named bool) {
	row := comparisonRow(x, false)
	v := verdict(x.Verdict)
	at, net, read, good, event := "  ", "", pad(row[measuredColumn].text, 7)+" "+v.text, "", b.numbers(numbers)
	if named {
		at, net = pad(row[0].text, 8)+" ", pad(row[1].text, 12)+" "
	}
	if text := row[goodColumn].text; text != "none" && x.Verdict != diagnose.NoKnownGood {
		good = "   good " + text
		if predicted, is := strings.CutSuffix(text, predictedMark); is {
			good = "   good, predicted " + predicted
		}
	}
	if cells(at+net+read+good+event) > b.width { // first what can be looked up
		net = ""
	}
	if cells(at+read+good+event) > b.width {
		good = ""
	}
	b.say(at + net + b.paint(v.style, read) + b.paint(faint, good+event))
}

// left ends a session that somebody leaves, and says where it stands.
func (b *benchScreen) left(p *bench.Prompt) {
	if b.failed {
		b.prose(0, 2, loud, "Left. The last entries could not be written and are not in the case; everything with an event number was on the disk.")
		return
	}
	stands := ""
	switch {
	case p.Ask == bench.AskReading && p.Purpose == bench.ForSweep:
		stands = fmt.Sprintf(" at %s, %d of %s read or skipped", name(p.Name), p.Done, wording.Count(p.Of, "pin"))
	case p.Ask == bench.AskReading:
		stands = " at " + name(p.Name)
	case p.Ask == bench.AskClose:
		stands = "; the case is not closed"
	case p.Ask == bench.Closed:
		b.prose(0, 2, faint, "Left. The case is closed.")
		return
	}
	on := "is in the case; `halfsplit bench` goes on from here."
	if b.until != nil {
		on = "is kept; the same command goes on from here."
	}
	b.prose(0, 2, faint, "Left"+stands+". All that was entered "+on)
}

// numbers names the events that were written: what is named is on the disk.
func (b *benchScreen) numbers(list []int) string {
	if len(list) == 0 {
		return ""
	}
	var words []string
	for _, n := range list {
		words = append(words, fmt.Sprint(n))
	}
	return "   event " + strings.Join(words, ", ")
}

func (b *benchScreen) why() {
	d, err := b.session.Diagnosis()
	if err != nil {
		b.wrong(err)
		return
	}
	if len(d.Suspects) == 0 {
		b.diagnosis(b.session.Case(), d)
		return
	}
	b.abnormal(b.session.Case().Board, d)
	b.suspects(d)
	b.explanations(d)
	b.unseen(d)
}

func (b *benchScreen) steps(p *bench.Prompt) {
	steps, err := b.session.Steps()
	if err != nil {
		b.wrong(err)
		return
	}
	if len(steps) == 0 {
		b.say("  No step on offer.")
		return
	}
	var rows [][]cell
	for i := range steps {
		total := ""
		if steps[i].Expected > 0 {
			total = wording.Duration(steps[i].Expected)
		}
		rows = append(rows, []cell{{fmt.Sprint(steps[i].Number), faint}, {headline(&steps[i].Step), plain}, {wording.Duration(steps[i].Seconds), plain}, {total, faint}})
	}
	b.gap()
	b.table(2, []column{{right: true}, {head: "step", give: true}, {head: "time", right: true}, {head: "to a repair", right: true}}, rows)
	text := fmt.Sprintf("`take %d` does that instead. A step keeps its number.", steps[len(steps)-1].Number)
	if p.Chooses() != nil {
		text = fmt.Sprintf("Once this reading is entered, or d has ended the sweep, `take %d` does that. A step keeps its number.", steps[len(steps)-1].Number)
	}
	b.prose(2, 2, faint, text)
}

func (b *benchScreen) showPowerUp() {
	g, err := b.session.PowerUp()
	if err != nil {
		b.wrong(err)
		return
	}
	b.powerUp(g)
}

// events lists the record.
func (b *benchScreen) events(c *journal.Case) {
	counts := c.Counting()
	b.gap()
	var rows [][]cell
	for i := range c.All {
		ev := &c.All[i]
		st := plain
		text := prose(bench.Describe(c.Board, ev))
		if !counts[ev.Number] {
			st, text = faint, text+" (does not count)"
		}
		rows = append(rows, []cell{{fmt.Sprint(ev.Number), faint}, {text, st}})
	}
	b.wrapped(2, rows)
}

// farewell sums the case up when it is closed.
func (b *benchScreen) farewell() {
	c := b.session.Case()
	b.gap()
	b.caseHead(c)
	b.prose(2, 2, faint, "halfsplit report "+path(c.File)+" --html report.html  makes a page of it")
}

func (b *benchScreen) help() {
	b.heading("WHAT CAN BE ENTERED", "")
	meter := drives(b.session.Case())
	b.wrapped(2, [][]cell{
		{{"0.452  452  OL", strong}, {"a reading: volts, millivolts, over range; also 0,452 and what a meter sends" + meter, plain}},
		{{"0.452 OL 448", strong}, {"the readings of this pin and those that follow", plain}},
		{{"s", strong}, {"skip what is asked for", plain}},
		{{"b  r", strong}, {"one pin back; the last reading once more, in its place", plain}},
		{{"p", strong}, {"this point with the probes swapped", plain}},
		{{"d", strong}, {"enough of this sweep", plain}},
		{{"v", strong}, {"the connector and what is asked for, shown again", plain}},
		{{"y", strong}, {"done, agreed, accepted", plain}},
		{{"u", strong}, {"take the last event back; `undo 12` that one", plain}},
		{{"n TEXT", strong}, {"a note", plain}},
		{{"w  o  c  l", strong}, {"why; what else could be done; the power-up check; the list of events", plain}},
		{{"sweep J3", strong}, {"a connector along its rows, with one ground pin; `sweep J3 from 4`; `sweep J3 all`: every pin by number; `sweep J3 swapped`", plain}},
		{{"line J3.4", strong}, {"a point of each net of that line, and no other", plain}},
		{{"at J3.4", strong}, {"that point next, whatever is asked for; or just J3.4", plain}},
		{{"take 2", strong}, {"the step that `o` lists with that number; or its words, as in inspect C40", plain}},
		{{"close  escalate", strong}, {"end the case; end it as escalated", plain}},
		{{"q", strong}, {"leave; everything is kept", plain}},
	})
	b.gap()
	b.prose(2, 0, plain, "Or what you did, at any time:")
	for _, example := range []string{
		"0.430 at R12.2", "OL at J7.3, black on ground", "22.1 ohm from R12.1 to R12.2", "removed R12", "put back R12", "replaced FL3",
		"C40 C41 corroded", "cleaned C40", "cleaned J7.2-J7.4", "mark of D10 right", "touch works", "concerns TP_SDA TP_SCL", "jumper across FL3", "C71 warm on VTP_1V8", "look along VTP_1V8", "undrawn VTP_1V8: C99", "pressed U5: 0.452 at J7.3", "good board: 0.452 at J7.3", "swapped J7: works", "draws 12 mA before the power button",
	} {
		b.say("    " + example)
	}
}

// drives names the meter that readings are taken with.
func drives(c *journal.Case) string {
	m := c.Meter
	return fmt.Sprintf("; the meter here drives %s up to %s", quantity.Format(m.TestCurrent, quantity.Ampere), quantity.Format(m.OpenVoltage, quantity.Volt))
}

// powerUp prints whether power may go on.
func (s *screen) powerUp(g *powerup.Answer) {
	mark, st := "■", loud
	switch g.Result {
	case powerup.Pass:
		mark, st = "√", green
	case powerup.NotChecked:
		mark, st = "?", yellow
	}
	s.rule(g.Title(), "")
	s.gap()
	s.prose(3, 2, st, mark+" "+prose(g.Says))
	var rows [][]cell
	for _, l := range g.Lines {
		mark, st := powerUpMark(l.State)
		kind := "line"
		if l.Rail {
			kind = "rail"
			if l.Volts != nil {
				kind += " " + quantity.Format(*l.Volts, quantity.Volt)
			}
		}
		rows = append(rows, []cell{{mark, st}, {name(l.Net), strong}, {kind, faint}, {lineState(&l), plain}})
	}
	if len(rows) > 0 {
		s.gap()
		s.wrapped(3, rows)
	}
	for _, r := range g.Reversed {
		s.prose(3, 2, loud, "■ "+prose(r.Why))
	}
	for _, o := range g.Off {
		mark, st := "·", plain
		if o.Stops {
			mark, st = "■", loud
		}
		s.prose(3, 2, st, mark+" "+name(o.Part)+": "+prose(o.Why))
	}
	if g.Draw != nil {
		st := plain
		if g.Draw.BeforeBeyond || g.Draw.AfterBeyond {
			st = loud
		}
		s.prose(3, 2, st, "The board "+prose(g.Draw.Says())+".")
	}
	for _, text := range leftovers(g) {
		s.prose(3, 2, yellow, text)
	}
	if len(g.Need) > 0 {
		s.gap()
		var words []string
		for _, n := range g.Need {
			text := name(n.At)
			if n.Polarity == blackOnGround {
				text += " with the probes swapped"
			}
			words = append(words, text)
		}
		s.prose(3, 2, plain, "read next: "+strings.Join(words, ", "))
	}
	s.gap()
}

// lineState is how a line stands and why, without saying it twice.
func lineState(l *powerup.Line) string {
	why := prose(l.Why)
	if strings.HasPrefix(why, string(l.State)) {
		return why
	}
	return string(l.State) + ": " + why
}

func powerUpMark(state powerup.State) (string, style) {
	switch state {
	case powerup.Cleared:
		return "√", green
	case powerup.Shorted:
		return "●", loud
	case powerup.Wrong:
		return "■", loud
	case powerup.NotRead:
		return "-", yellow
	case powerup.Unsure:
		return "?", yellow
	}
	return "?", faint
}
