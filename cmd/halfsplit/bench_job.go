package main

import (
	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/engine/bench"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The job around the line: the first look, which way round parts sit, what works under
// power, and whether it is worth going on; on the terminal and on the bench page.

// supplyFlag says what good boards draw from a bench supply.
type supplyFlag struct{ text string }

func (f *supplyFlag) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.text, "supply", "", "`CURRENTS` that good boards draw from a bench supply before and after the power button, such as 'before: 3 mA, after: 60..110 mA'; otherwise as the good sweeps say")
}

// limits reads the flag.
func (f *supplyFlag) limits() (powerup.Limits, error) {
	var l powerup.Limits
	if f.text == "" {
		return l, nil
	}
	s, err := references.ParseSupply("--supply", f.text)
	if err != nil {
		return l, err
	}
	if s.Before != nil {
		l.MostBefore = s.Before.High
	}
	if s.After != nil {
		l.MostAfter = s.After.High
		if s.After.Low < s.After.High {
			l.LeastAfter = s.After.Low
		}
	}
	return l, nil
}

// firstPower is what comes before power is put on a board that was just looked at.
// Common practice, no source.
const firstPower = "not where it looks burnt; no lithium cell in, current limit set low first, hands off boosted rails; then write"

// firstLook asks what looks bad before anything is measured.
func (b *benchScreen) firstLook() {
	if !b.looked {
		b.looked = true
		b.rule("FIRST LOOK", "")
		b.gap()
		b.prose(3, 2, next, "LOOK at the whole board, both sides, before the first reading")
		b.prose(3, 2, plain, "Corroded, burnt, cracked or missing parts: all of a kind in one line, such as `C40 C41 corroded`. What you clean and dry: `cleaned C40`. Anything else: `note ...`.")
		b.prose(3, 2, faint, "With a bench supply at hand: "+firstPower+" `draws 3 mA before the power button`. Power off again before the first reading.")
	}
	b.input("what looks bad? Enter when that is all")
}

// markWords say what is to be looked at.
func markWords(p *netlist.Part) string {
	return "the mark of " + name(p.Name) + " (pin 1, band or dot) where the drawing, or a board that works, has it"
}

// mark asks which way round a part sits.
func (b *benchScreen) mark(p *netlist.Part) {
	b.gap()
	b.prose(3, 2, next, "LOOK AT THE MARK of "+name(p.Name))
	b.prose(3, 2, plain, partWords(p)+"; it was put on, and the wrong way round it burns, or what hangs on it does")
	b.input("y when " + markWords(p) + "; reversed; s to skip")
}

// functionWords say of a function what is expected.
func functionWords(p *bench.Prompt) []string {
	lines := []string{"under power, as its owner uses it"}
	if len(p.Without) > 0 {
		lines = append(lines, "expected to fail: "+someNames(p.Without, mostNames)+" is off the board")
	}
	return lines
}

// function asks whether a function works.
func (b *benchScreen) function(p *bench.Prompt) {
	b.gap()
	b.prose(3, 2, next, "TEST "+name(p.Function))
	for _, line := range functionWords(p) {
		b.prose(3, 2, plain, line)
	}
	b.input("works, fails, or s where it is not tested")
}

// leftovers list what looked bad and was not seen to, and what does not work.
func leftovers(g *powerup.Answer) (list []string) {
	for _, x := range g.ComeBack {
		list = append(list, "come back to "+name(x.Part)+": it looks "+name(x.Look))
	}
	for _, x := range g.Functions {
		if x.Result == journal.Fails.String() {
			list = append(list, name(x.Name)+" fails")
		}
	}
	return list
}

func (b *benchScreen) leftovers() []string {
	g, err := b.session.PowerUp()
	if err != nil { // it is told where the check is shown
		return nil
	}
	return leftovers(g)
}

func (b *benchScreen) leftToDo() {
	for _, text := range b.leftovers() {
		b.prose(3, 2, yellow, "■ "+text)
	}
}

// pageJob asks for it on the page.
func (b *benchScreen) pageJob(n *benchpage.Next, p *bench.Prompt) {
	switch p.Ask {
	case bench.AskFirstLook:
		n.Verb, n.Object, n.Words, n.Wants = "LOOK", "at the whole board", true, "What looks bad?"
		n.Lines = []string{"Both sides, before the first reading: what is corroded, burnt, cracked or missing. Mark parts under “What you did or saw”, or write several at once, such as “C40 C41 corroded”; what you cleaned and dried, “cleaned C40”.",
			"With a bench supply at hand: " + firstPower + " “draws 3 mA before the power button”. Power off again before the first reading."}
		for _, x := range b.leftovers() {
			n.Lines = append(n.Lines, "■ "+x)
		}
		n.Choices = []benchpage.Choice{{Entry: "y", Label: "That is all", Main: true}}
	case bench.AskMark:
		part := &b.session.Case().Board.Parts[p.Part]
		n.Verb, n.Object, n.Words = "LOOK AT", "the mark of "+name(part.Name), true
		n.Lines = []string{partWords(part), "Is " + markWords(part) + "?"}
		n.Choices = []benchpage.Choice{{Entry: "y", Label: "It sits right", Main: true}, {Entry: "reversed", Label: "Reversed"}, {Entry: "s", Label: "Skip"}}
	case bench.AskFunction:
		n.Verb, n.Object = "TEST", name(p.Function)
		n.Lines = functionWords(p)
		n.Choices = []benchpage.Choice{{Entry: "works", Label: "Works", Main: true}, {Entry: "fails", Label: "Fails"}, {Entry: "not tested", Label: "Not tested"}}
	}
}
