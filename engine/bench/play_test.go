package bench

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// table is a bench on which an invented board of testdata/demo lies: it answers
// what a session asks as that board would, with the readings that ngspice found
// (testdata/demo/answers) where it was asked beforehand.
type table struct {
	t    *testing.T
	c    *recorded.DemoCase
	w    *journal.Writer
	e    *engine.Engine
	s    *Session
	log  strings.Builder
	said []string // every entry
	asks int
}

var demo *recorded.Demo

func loadDemo(t *testing.T) *recorded.Demo {
	t.Helper()
	if demo == nil {
		var err error
		if demo, err = recorded.LoadDemo("../../testdata/demo/answers/truth.yaml"); err != nil {
			t.Fatal(err)
		}
	}
	return demo
}

func demoPath(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../testdata/demo", name))
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// lay puts the board of a demo case on the table, with an empty case.
func lay(t *testing.T, name string) *table {
	t.Helper()
	tb := &table{t: t}
	sc := loadDemo(t)
	for i := range sc.Cases {
		if filepath.Base(sc.Cases[i].File) == name+".yaml" {
			tb.c = &sc.Cases[i]
		}
	}
	if tb.c == nil {
		t.Fatalf("the demo has no case %s", name)
	}
	meter := tb.c.Simulator.Meter.Declared
	var err error
	tb.w, err = journal.Create(filepath.Join(t.TempDir(), name+".yaml"), journal.Event{Kind: journal.KindOpen, Meter: &meter,
		Open: &journal.Opening{BoardPath: demoPath(t, "board.yaml"), KnownPath: demoPath(t, "known"), Complaint: tb.c.Complaint}}, "test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tb.w.Close() })
	c := tb.w.Case()
	if tb.e, err = engine.New(c.Board, c.Library, engine.Options{}); err != nil {
		t.Fatal(err)
	}
	if tb.s, err = Begin(tb.w, tb.e, Options{}); err != nil {
		t.Fatal(err)
	}
	return tb
}

// shows is what the meter shows at a spot of the board as it lies.
func (tb *table) shows(spot diagnose.Spot) string {
	tb.t.Helper()
	edits := tb.s.Case().Now().Edits
	b := tb.c.Simulator
	var r quantity.Reading
	var err error
	if len(edits.Repairs()) == 0 && edits.AsDrawn() == (edits.Key() == "") {
		r, err = b.Read(spot.At, spot.Polarity, edits)
	} else {
		// The recording knows nothing of repaired copper and resoldered joints.
		var volts float64
		volts, err = b.Board.Volts(b.Board.Probe(spot.At, nil, spot.Polarity, b.Meter.Drive()), edits)
		r = b.Meter.Show(volts, fmt.Sprint(spot, edits.Key()))
	}
	if err != nil {
		tb.t.Fatal(err)
	}
	return quantity.FormatReading(r)
}

// answer is what somebody who does as asked enters.
func (tb *table) answer(p *Prompt) string {
	tb.t.Helper()
	switch p.Ask {
	case AskReading:
		if p.Ohms {
			r, err := tb.c.Simulator.Take(practice.Take{At: p.At.At, To: p.To, Ohms: true, Edits: tb.s.Case().Now().Edits, Occasion: p.Name})
			if err != nil {
				tb.t.Fatal(err)
			}
			return quantity.FormatReading(r)
		}
		if p.Purpose == ForStep && p.Step.Do == repair.DoPress {
			r, err := tb.c.Simulator.Press(p.Part, p.At.At, tb.s.Case().Now().Edits)
			if err != nil {
				tb.t.Fatal(err)
			}
			return quantity.FormatReading(r)
		}
		return tb.shows(p.At)
	case AskInspect:
		if p.Part == netlist.None {
			at, err := tb.w.Case().Board.Point(p.Step.Part)
			if err != nil {
				tb.t.Fatal(err)
			}
			return tb.c.Simulator.LookPin(at.Pin).String()
		}
		return tb.c.Simulator.Look(p.Part).String()
	case AskUndrawn:
		return "none" // practice boards are drawn in full
	case AskInjection:
		rail, err := tb.w.Case().Board.NetByName(p.Step.At)
		if err != nil {
			tb.t.Fatal(err)
		}
		var names []string
		for _, id := range tb.c.Simulator.Inject(rail, tb.s.Case().Now().Edits) {
			names = append(names, tb.w.Case().Board.Parts[id].Name)
		}
		if len(names) == 0 {
			return "none"
		}
		return strings.Join(names, ", ")
	case AskDrop:
		b := tb.w.Case().Board
		rail, err := b.NetByName(p.Step.At)
		if err != nil {
			tb.t.Fatal(err)
		}
		var parts []netlist.PartID
		for _, n := range p.Step.Parts {
			id, err := b.PartByName(n)
			if err != nil {
				tb.t.Fatal(err)
			}
			parts = append(parts, id)
		}
		var words []string
		volts := tb.c.Simulator.Drop(rail, p.Part, parts, p.Step.Amperes, tb.s.Case().Now().Edits)
		for i, id := range parts {
			words = append(words, fmt.Sprintf("%s %.1f mV", p.Step.Parts[i], 1e3*volts[id]))
		}
		return strings.Join(words, ", ")
	case AskPowerBefore:
		return "2 mA"
	case AskPowerAfter:
		return "95 mA"
	}
	return "y"
}

// enter makes one entry, which must be understood.
func (tb *table) enter(line string) *Reply {
	tb.t.Helper()
	r, err := tb.s.Enter(line)
	if err != nil {
		tb.t.Fatalf("%q: %v\n%s", line, err, tb.log.String())
	}
	return r
}

func (tb *table) ask() *Prompt {
	tb.t.Helper()
	p, err := tb.s.Ask()
	if err != nil {
		tb.t.Fatal(err)
	}
	return p
}

var askNames = []string{"cautions", "first look", "connector", "reading", "inspect", "undrawn", "injection", "swap", "drop", "remove", "remedy", "reinstall", "mark", "power before", "power after", "function", "close", "nothing wrong", "implausible", "stuck", "escalate", "closed"}

var purposeNames = []string{"sweep", "again", "step", "removed", "proof", "power-up", "chosen"}

func describe(b *netlist.Board, p *Prompt) string {
	text := askNames[p.Ask]
	switch p.Ask {
	case AskReading:
		text += fmt.Sprintf(" (%s) %s %s", purposeNames[p.Purpose], p.Name, p.At.Polarity)
	case AskInspect, AskSwap:
		text += " " + p.Step.Part
	case AskRemove, AskReinstall:
		text += " " + b.Parts[p.Part].Name
	case AskRemedy:
		text += " " + p.Step.Remedy + " " + p.Step.Part
	case AskInjection, AskUndrawn:
		text += " " + p.Step.At
	case AskClose:
		text += ": " + p.Cause + "; " + p.Remedy
	}
	if p.PowerUp != nil && !p.PowerUp.Passed() {
		text += " [" + p.PowerUp.Line() + "]"
	}
	return text
}

// play does as asked until the case is closed.
func (tb *table) play(sweep ...string) {
	tb.t.Helper()
	b := tb.w.Case().Board
	for tb.asks = 0; ; tb.asks++ {
		p := tb.ask()
		fmt.Fprintf(&tb.log, "%-60s", describe(b, p))
		if p.Ask == Closed {
			return
		}
		if tb.asks > 200 {
			tb.t.Fatalf("over range:\n%s", tb.log.String())
		}
		line := tb.answer(p)
		switch {
		case p.Ask == AskConnector:
			line = "sweep " + sweep[0]
			sweep = sweep[1:]
		case p.Ask == AskNothing && len(sweep) > 0:
			line = "sweep " + sweep[0]
			sweep = sweep[1:]
		}
		tb.said = append(tb.said, line)
		r := tb.enter(line)
		fmt.Fprintf(&tb.log, " > %s", line)
		for _, s := range r.Says {
			fmt.Fprintf(&tb.log, "  (%s)", s)
		}
		fmt.Fprintln(&tb.log)
	}
}

// sweep answers until the sweep is over.
func (tb *table) sweep() {
	tb.t.Helper()
	for p := tb.ask(); p.Ask == AskReading && (p.Purpose == ForSweep || p.Purpose == ForAgain); p = tb.ask() {
		tb.enter(tb.answer(p))
	}
}
