package main

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/bench"
	"halfsplit/netlist"
)

// What a session asks for, in words. The terminal and the bench page print the same.

// asking is what is asked for.
func (b *benchScreen) asking(p *bench.Prompt) benchpage.Next {
	board := b.session.Case().Board
	n := benchpage.Next{Title: "Next", Wants: wantsEntry}
	done := func(label string, more ...benchpage.Choice) {
		n.Choices = append([]benchpage.Choice{{Entry: "y", Label: label, Main: true}}, more...)
	}
	if p.Step != nil && p.Ask != bench.AskCautions {
		b.askStep(&n, p)
	}
	switch p.Ask {
	case bench.AskCautions:
		n.Title, n.Object, n.Words = "Cautions, once for each case", "Read these first", true
		for _, c := range p.Cautions {
			n.Cautions = append(n.Cautions, prose(c.Text))
		}
		done("Read, and done so")
	case bench.AskFirstLook:
		n.Title, n.Verb, n.Object, n.Words, n.Wants = "First look", "LOOK", "at the whole board, both sides, before the first reading", true, "What looks bad?"
		n.Lines = []string{"Corroded, burnt, cracked or missing parts: all of a kind in one line, such as `C40 C41 corroded`. What you clean and dry: `cleaned C40`. Anything else: `note ...`.",
			"With a bench supply at hand: " + firstPower + " `draws 3 mA before the power button`. Power off again before the first reading."}
		n.Lines = append(n.Lines, b.leftovers()...)
		done("That is all")
	case bench.AskMark:
		part := &board.Parts[p.Part]
		n.Verb, n.Object, n.Words = "LOOK AT", "the mark of "+name(part.Name), true
		n.Lines = []string{wording.Part(part) + "; it was put on, and the wrong way round it burns, or what hangs on it does"}
		n.Wants = "Is the mark (pin 1, band or dot) where the drawing, or a board that works, has it?"
		done("It sits right", benchpage.Choice{Entry: "reversed", Label: "Reversed"}, benchpage.Choice{Entry: "s", Label: "Skip"})
	case bench.AskFunction:
		n.Verb, n.Object = "TEST", name(p.Function)
		n.Lines = []string{"under power, as its owner uses it"}
		if len(p.Without) > 0 {
			n.Lines = append(n.Lines, "expected to fail: "+someNames(p.Without, mostNames)+" is off the board")
		}
		n.Choices = []benchpage.Choice{{Entry: "works", Label: "Works", Main: true}, {Entry: "fails", Label: "Fails"}, {Entry: "not tested", Label: "Not tested"}}
	case bench.AskConnector:
		n.Verb, n.Object, n.Wants = "SWEEP", "a connector", "Which connector first? Enter takes "+name(p.Connectors[0])
		n.Choices = b.connectorChoices(p.Connectors)
	case bench.AskReading:
		b.askReading(&n, p)
	case bench.AskInspect:
		n.Wants = "What does " + name(p.Step.Part) + " look like?"
		for _, look := range []string{"clean", "corroded", "burnt", "cracked", "missing"} {
			n.Choices = append(n.Choices, benchpage.Choice{Entry: look, Label: look})
		}
	case bench.AskUndrawn:
		n.Wants = "What stands along " + name(p.Step.At) + " that is not drawn? Its marks, as in C99, U9.A1"
		n.Choices = []benchpage.Choice{{Entry: "none", Label: "nothing else"}}
	case bench.AskInjection:
		n.Wants = "Which part on " + name(p.Step.At) + " warmed up?"
		n.Choices = []benchpage.Choice{{Entry: "none", Label: "none"}}
		for _, o := range p.Step.Outcomes {
			part, _, _ := strings.Cut(o.Seen, " ")
			if _, err := board.PartByName(part); err == nil {
				n.Choices = append(n.Choices, benchpage.Choice{Entry: part, Label: name(part)})
			}
		}
	case bench.AskSwap:
		n.Wants = "What became of the complaint?"
		n.Choices = []benchpage.Choice{{Entry: "works", Label: "Gone: it works"}, {Entry: "fails", Label: "It stays"}}
	case bench.AskDrop:
		n.Wants = "What does each part read? As in C71 12.4 mV, C72 13.1 mV"
	case bench.AskRemove:
		done("It is off the board")
	case bench.AskRemedy:
		done("Done so")
		if p.Part == netlist.None {
			break
		}
		switch part := &board.Parts[p.Part]; {
		case p.Step.Remedy != "replace":
			n.Choices = append(n.Choices, benchpage.Choice{Entry: "replaced " + part.Name, Label: "Replaced instead"})
		case part.Kind == netlist.IC || part.Kind == netlist.Module:
			n.Choices = append(n.Choices, benchpage.Choice{Entry: "escalate", Label: "Leave it to somebody with the equipment for work under an IC"})
		}
	case bench.AskReinstall:
		part := &board.Parts[p.Part]
		n.Verb, n.Object = "REINSTALL", name(part.Name)
		n.Lines = []string{wording.Part(part) + "; it is off the board, and nothing speaks against it"}
		done("It is back", benchpage.Choice{Entry: "replaced " + part.Name, Label: "A new one is in"}, benchpage.Choice{Entry: "s", Label: "Leave it off"})
	case bench.AskPowerBefore, bench.AskPowerAfter:
		when, such := "before", "2 mA"
		if p.Ask == bench.AskPowerAfter {
			when, such = "after", "95 mA"
		}
		n.Verb, n.Object = "MEASURE", "current"
		n.Lines = []string{"drawn from a bench supply with its current limited, " + when + " the power button is pressed"}
		n.Wants, n.Unit = "Current "+when+" the power button, such as "+such, "mA"
	case bench.AskClose:
		n.Verb, n.Object = "CLOSE", "the case"
		n.Lines = []string{"cause: " + prose(p.Cause), "remedy: " + prose(p.Remedy)}
		if p.PowerUp != nil && !p.PowerUp.Passed() {
			n.Lines = append(n.Lines, "■ "+prose(p.PowerUp.Line()))
		}
		n.Lines = append(n.Lines, b.leftovers()...)
		n.Note = "In words of your own: `close CAUSE; REMEDY`"
		done("Close it so", benchpage.Choice{Entry: "s", Label: "Not yet"})
	case bench.AskNothing:
		n.Object, n.Words = "No fault found", true
		n.Lines = []string{"What was measured is as on good boards, as far as the readings go. Look elsewhere: the cable, the part that plugs in, another connector, or software."}
		done("Close the case", b.readOn(p)...)
	case bench.AskImplausible:
		x := p.Diagnosis.Implausible
		n.Title, n.Object, n.Words = "Implausible readings", "Put it right and measure again", true
		n.Lines = []string{"■ " + sentence(x.What), sentence(x.Why) + " Nothing is concluded from such readings: no suspect is named.", prose(x.Do)}
		done("Put right: take these readings back, and begin the sweep again", benchpage.Choice{Entry: "s", Label: "Leave the readings"})
	case bench.AskStuck:
		n.Object, n.Words = "No step left", true
		if p.PowerUp != nil && !p.PowerUp.Passed() {
			n.Lines = append(n.Lines, "■ "+prose(p.PowerUp.Line()))
		}
		if p.Wrong != "" {
			n.Lines = append(n.Lines, "■ The next step could not be worked out: "+prose(p.Wrong)+". Take back the last entry with undo, or write on.")
		}
		n.Lines = append(n.Lines, "No step on offer tells more. Measure more points, say what you did, or escalate the board.")
		done("Close the case", append(b.readOn(p), benchpage.Choice{Entry: "escalate", Label: "Escalate"})...)
	case bench.AskEscalate:
		done("Close the case as escalated, with what is known")
	case bench.Closed:
		n.Title, n.Object = "The case", "Closed"
		if end, ok := b.session.Case().Closed(); ok {
			n.Lines = []string{"cause: " + prose(end.Cause), "remedy: " + prose(end.Remedy)}
		}
		n.Choices = []benchpage.Choice{{Entry: "u", Label: "Open it again"}}
	}
	return n
}

// readOn offers to read a connector that was not read yet.
func (b *benchScreen) readOn(p *bench.Prompt) []benchpage.Choice {
	if len(p.Connectors) == 0 {
		return nil
	}
	return []benchpage.Choice{{Entry: "sweep " + p.Connectors[0], Label: "Read on"}}
}

// askStep shows a step of the diagnosis.
func (b *benchScreen) askStep(n *benchpage.Next, p *bench.Prompt) {
	verb, rest, _ := strings.Cut(headline(p.Step), " ")
	n.Verb, n.Object = strings.ToUpper(verb), rest
	n.Lines = instructions(b.session.Case().Board, p.Step)
	if p.Step.Why != "" {
		n.Lines = append(n.Lines, prose(p.Step.Why))
	}
	for i := range p.Step.Outcomes[:min(len(p.Step.Outcomes), mostOnPage)] {
		o := &p.Step.Outcomes[i]
		n.Outcomes = append(n.Outcomes, benchpage.Outcome{Seen: seen(p.Step, o), Share: wording.Percent(o.Probability), Means: meaning(o.Means)})
	}
	if p.Diagnosis != nil && p.Diagnosis.Expected > 0 {
		n.Note = "about " + wording.Duration(p.Step.Seconds) + "; " + repairTime(p.Diagnosis)
		if w := p.Diagnosis.Worth; w != nil {
			n.Lines = append(n.Lines, w.Says()...)
		}
	}
}

// askReading asks for a reading.
func (b *benchScreen) askReading(n *benchpage.Next, p *bench.Prompt) {
	board := b.session.Case().Board
	n.Verb, n.Object, n.Wants = "MEASURE", name(p.Name), "Reading of "+name(p.Name)
	net := "not connected"
	if p.At.At.Net != netlist.None {
		net = "net " + name(board.Nets[p.At.At.Net].Name)
	}
	lines := []string{probes(p.Name, p.At.Polarity.String()) + "; " + net}
	n.Predict = "known good " + b.want(p)
	if p.Predict.Boards == 0 {
		n.Predict = "predicted " + b.want(p)
	}
	switch p.Purpose {
	case bench.ForSweep:
		lines = append(lines, fmt.Sprintf("pin %d of %d of %s", p.Done+1, p.Of, name(board.Connectors[p.Connector].Name)))
		n.Choices = []benchpage.Choice{{Entry: "b", Label: "Pin before"}, {Entry: "d", Label: "Enough of this sweep"}}
	case bench.ForAgain:
		n.Verb = "MEASURE AGAIN"
		if p.Ohms || p.To != nil {
			n.Predict, lines = "", []string{"black probe on " + name(p.Name) + "; " + inOhms(board, p)}
			if p.Ohms {
				n.Unit = "ohm"
			}
		}
		lines = append(lines, "It measured "+comparisonRow(p.Outlier, false)[measuredColumn].text+", which is not as on a good board. Put the probe down once more, or accept it.")
		n.Choices = []benchpage.Choice{{Entry: "y", Label: "Accept it"}}
	case bench.ForStep:
		lines = n.Lines
		if p.Ohms {
			n.Unit, n.Predict = "ohm", ""
			lines = append(lines, "now at "+name(p.Name))
		}
	case bench.ForRemoved:
		lines = append(lines, "with "+name(board.Parts[p.Part].Name)+" off the board")
	case bench.ForProof:
		lines = append(lines, "to prove the repair")
	case bench.ForPowerUp:
		lines = append(lines, "for the power-up check")
	case bench.ForChosen:
		lines = append(lines, "the point that you chose; Skip goes back to what was asked")
	}
	if p.Settling > 0 {
		lines = append(lines, "wait "+wording.Duration(p.Settling)+", capacitors charge")
	}
	n.Lines = lines
}

func (b *benchScreen) connectorChoices(names []string) []benchpage.Choice {
	board := b.session.Case().Board
	var list []benchpage.Choice
	for _, x := range names {
		if id, err := board.ConnectorByName(x); err == nil {
			c := &board.Connectors[id]
			list = append(list, benchpage.Choice{Entry: "sweep " + x, Label: name(x), Detail: strings.TrimSpace(prose(c.Title) + " " + wording.Count(len(c.Pins), "pin"))})
		}
	}
	return list
}

// prompt prints what is asked for on the terminal, and leaves the cursor behind it.
func (b *benchScreen) prompt(p *bench.Prompt) {
	if p.Ask == bench.AskReading { // many a minute, so that each is one line
		b.laid = ""
		b.readingPrompt(p)
		return
	}
	n := b.asking(p)
	switch now := fmt.Sprint(p.Ask, n.Title, n.Object, p.Cause, p.Remedy); {
	case p.Step != nil && p.Ask != bench.AskCautions:
		b.laid = ""
		b.step(p)
	case b.laid != now: // otherwise it stands above
		b.laid = now
		b.lay(&n, p)
	}
	b.input(question(&n, p))
}

// lay prints what is asked for, above its question.
func (b *benchScreen) lay(n *benchpage.Next, p *bench.Prompt) {
	switch p.Ask {
	case bench.Closed, bench.AskPowerAfter: // it was said before
		return
	case bench.AskNothing:
		b.nothingWrong(b.session.Case().Board, p.Diagnosis)
		return
	case bench.AskPowerBefore:
		b.powerUp(p.PowerUp)
		return
	}
	if title, aside, _ := strings.Cut(n.Title, ", "); title != "Next" {
		b.rule(strings.ToUpper(title), aside)
	}
	b.gap()
	if p.Ask != bench.AskCautions {
		b.prose(3, 2, next, strings.TrimSpace(n.Verb+" "+n.Object))
	}
	for _, text := range n.Cautions {
		b.prose(3, 2, yellow, "! "+text)
	}
	for _, text := range n.Lines {
		st := plain
		if strings.HasPrefix(text, "■") {
			st = loud
		}
		b.prose(3, 2, st, text)
	}
	var rows [][]cell
	for _, c := range n.Choices {
		if c.Detail != "" {
			rows = append(rows, []cell{{name(c.Entry), strong}, {c.Detail, plain}})
		}
	}
	b.table(3, []column{{}, {give: true}}, rows)
	if n.Note != "" {
		b.prose(3, 2, faint, n.Note)
	}
	if len(n.Cautions) > 0 {
		b.gap()
	}
}

// question is what is wanted, with the entries that answer it.
func question(n *benchpage.Next, p *bench.Prompt) string {
	var words []string
	skips := !slices.Contains([]bench.Ask{bench.AskCautions, bench.AskFirstLook, bench.AskConnector, bench.AskFunction, bench.AskNothing, bench.AskStuck, bench.Closed}, p.Ask)
	for _, c := range n.Choices {
		skips = skips && c.Entry != "s"
		switch entry := name(c.Entry); {
		case c.Detail != "": // it is listed above
		case strings.EqualFold(c.Entry, c.Label):
			words = append(words, entry)
		default:
			words = append(words, entry+" ("+strings.ToLower(c.Label[:1])+c.Label[1:]+")")
		}
	}
	if skips {
		words = append(words, "s (skip)")
	}
	text := strings.Join(words, ", ")
	if n.Wants != wantsEntry {
		text = strings.TrimSpace(n.Wants + "  " + text)
	}
	return text
}

// wantsEntry is what the field of the page is for where nothing in particular is wanted.
const wantsEntry = "Entry"
