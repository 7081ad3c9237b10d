package bench

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// layFaulted puts a board of the demo's type with a fault of its own on the
// table.
func layFaulted(t *testing.T, board *practice.Board, meter practice.Meter, e *engine.Engine) *table {
	t.Helper()
	tb := &table{t: t, e: e, c: &recorded.DemoCase{Simulator: recorded.NewSimulator(board, meter)}}
	declared := meter.Declared
	var err error
	tb.w, err = journal.Create(filepath.Join(t.TempDir(), "case.yaml"), journal.Event{Kind: journal.KindOpen, Meter: &declared,
		Open: &journal.Opening{BoardPath: demoPath(t, "board.yaml"), KnownPath: demoPath(t, "known")}}, "test")
	if err != nil {
		t.Fatal(err)
	}
	if tb.s, err = Begin(tb.w, tb.e, Options{}); err != nil {
		t.Fatal(err)
	}
	return tb
}

// TestWander plays boards with one fault drawn at random: every session comes to
// an end, none asks in circles, and a case that is closed with work done has a
// power-up check that passes and a board that reads as a good one wherever the fault
// moved a pin of the sweep.
func TestWander(t *testing.T) {
	boards := 12 // 30 of them: 28 repaired, 2 not found
	if testing.Short() {
		boards = 4
	}
	sc := loadDemo(t)
	m := sc.Model
	first := lay(t, "touch-dead")
	e := first.e
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	meter := first.c.Simulator.Meter
	j7, err := m.Board.ConnectorByName("J7")
	if err != nil {
		t.Fatal(err)
	}
	dice := rand.New(rand.NewPCG(7, 4))
	repaired, referred, unfound, asks := 0, 0, 0, 0
	for n := 0; n < boards; {
		l := loci[dice.IntN(len(loci))]
		mode := l.Modes[dice.IntN(len(l.Modes))]
		x := practice.Fault{Locus: l, Mode: mode.Mode, Ohms: math.Inf(1)}
		if !math.IsInf(mode.Lo, 1) {
			x.Ohms = mode.Lo * math.Pow(mode.Hi/mode.Lo, dice.Float64())
		}
		good := sc.Truth.Sample(uint64(500+n), 23)
		bad := good.Faulted(x)
		if !moves(t, m.Board, j7, good, bad, meter, netlist.Edits{}) {
			continue // what does not show at J7 is no question for this sweep
		}
		n++
		tb := layFaulted(t, bad, meter, e)
		tb.play("J7", "J3")
		asks += tb.asks
		end, _ := tb.w.Case().Closed()
		edits := tb.s.Case().Now().Edits
		g, err := powerup.Check(tb.w.Case(), e, powerup.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		still := moves(t, m.Board, j7, good, bad, meter, edits)
		name := l.Name(m.Board) + " " + mode.Mode.String()
		switch {
		case end.Remedy == "none":
			unfound++
			t.Logf("%s (%.3g ohm): closed as %q, nothing done", name, x.Ohms, end.Cause)
		case !g.Passed():
			referred++
			t.Logf("%s (%.3g ohm): closed as %q, %q, power-up check %s", name, x.Ohms, end.Cause, end.Remedy, g.Says)
		case still:
			t.Errorf("%s (%.3g ohm): closed as %q, %q with a power-up check passed, and a pin still reads wrong\n%s", name, x.Ohms, end.Cause, end.Remedy, tb.log.String())
		default:
			repaired++
		}
		tb.w.Close()
	}
	t.Logf("%d boards: %d repaired, %d not cleared, %d not found; %.0f entries each", boards, repaired, referred, unfound, float64(asks)/float64(boards))
	if repaired*10 < boards*7 {
		t.Errorf("%d of %d boards repaired, want 7 in 10", repaired, boards)
	}
}

// moves tells whether a fault moves the true reading of a pin by 15 mV or to or
// from OL, with the board as the bench left it.
func moves(t *testing.T, b *netlist.Board, conn netlist.ConnectorID, good, bad *practice.Board, meter practice.Meter, edits netlist.Edits) bool {
	t.Helper()
	for i, pin := range b.Connectors[conn].Pins {
		if pin.Net == netlist.None {
			continue
		}
		at := b.PinPoint(netlist.PinRef{Connector: conn, Pin: int32(i)})
		read := func(w *practice.Board) float64 {
			v, err := w.Volts(w.Probe(at, nil, references.RedOnGround, meter.Drive()), edits)
			if err != nil {
				t.Fatal(err)
			}
			return math.Min(v, meter.Declared.Over)
		}
		if math.Abs(read(good)-read(bad)) > 0.015 {
			return true
		}
	}
	return false
}

// TestBothEnds plays a shorted supply to its end: the session asks for the resistances
// at both ends of a bead, one after the other and with their unit, and repairs the board.
func TestBothEnds(t *testing.T) {
	sc := loadDemo(t)
	first := lay(t, "touch-dead")
	f, err := practice.FindFault(sc.Model, fault.Loci(sc.Model, fault.DefaultPriors(), sc.Model.Nominal()), "C81 1-2", fault.Shorted, 0.8)
	if err != nil {
		t.Fatal(err)
	}
	tb := layFaulted(t, sc.Truth.Sample(77, 23).Faulted(f), first.c.Simulator.Meter, first.e)
	var ends []string
	for swept := false; ; {
		p := tb.ask()
		if p.Ask == Closed || len(ends) == 2 {
			break
		}
		if p.Ohms {
			tb.refuses("0.6", "resistance of "+p.Name)
			tb.refuses("0.6 ohm, black on ground", "resistance of "+p.Name)
			tb.refuses("p", "red probe on ground")
			ends = append(ends, p.Name)
		}
		line := tb.answer(p)
		if (p.Ask == AskConnector || p.Ask == AskNothing) && !swept {
			line, swept = "sweep J3", true
		}
		if p.Ask == AskInjection || p.Ask == AskInspect || p.Ask == AskRemedy { // for want of a supply, a microscope, an iron
			line = "s"
		}
		tb.enter(line)
	}
	if diff := cmp.Diff([]string{"TP21", "J3.23"}, ends); diff != "" {
		t.Errorf("asked for resistances at (-want +got):\n%s", diff)
	}
	if p := tb.ask(); p.Ohms {
		t.Errorf("asks for the resistance at %s after both ends", p.Name)
	}
	tb.play()
	end, _ := tb.w.Case().Closed()
	if end.Cause != "C81 shorted" {
		t.Errorf("ended as %q, %q\n%s", end.Cause, end.Remedy, tb.log.String())
	}
}
