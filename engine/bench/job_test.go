package bench

import (
	"slices"
	"strings"
	"testing"

	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
)

// TestFirstLook: before the first reading the session asks what looks bad, takes several
// parts in one go and what was cleaned, and goes on to the connector; what looked bad
// and was not seen to stays on the list, and is evidence.
func TestFirstLook(t *testing.T) {
	tb := lay(t, "touch-dead")
	tb.enter("y")
	tb.wants("first look")
	tb.enter("C40 C41 corroded")
	tb.enter("U5 burnt")
	tb.enter("cleaned and dried C40")
	tb.refuses("0.452", "no point is asked for")
	tb.refuses("clear", "")
	tb.wants("first look")
	c := tb.w.Case()
	var list []string
	for _, x := range c.ComeBack() {
		list = append(list, c.Board.Parts[x.Part].Name+" "+x.Look.String())
	}
	if want := []string{"C41 corroded", "U5 burnt"}; !slices.Equal(list, want) {
		t.Errorf("to come back to: %v, want %v", list, want)
	}
	tb.enter("")
	tb.wants("connector")
	tb.enter("sweep J7")
	tb.wants("reading (sweep) J7.1 red-on-ground")
	for _, words := range []string{"nothing", "none"} {
		tb = lay(t, "touch-dead")
		tb.enter("y")
		tb.enter(words)
		tb.wants("connector")
	}
}

// TestMark: the mark of a diode that was put on is asked for before power; reversed, the
// session says what to do and power stays off until it sits right.
func TestMark(t *testing.T) {
	tb := begin(t)
	tb.enter("d")
	tb.enter("replaced D10")
	tb.wants("mark")
	if r := tb.enter("reversed"); len(r.Says) != 1 || !strings.Contains(r.Says[0], "take D10 off") {
		t.Errorf("says %q", r.Says)
	}
	g, err := tb.s.PowerUp()
	if err != nil || g.Result != powerup.Fail || !strings.Contains(g.Says, "D10 sits the wrong way round on VLED") {
		t.Errorf("power-up check %s, %v", g.Says, err)
	}
	for range 60 {
		p := tb.ask()
		if p.Ask == AskPowerBefore || p.Ask == AskClose {
			t.Fatalf("asks for %s", describe(tb.w.Case().Board, p))
		}
		if p.Ask != AskReading {
			break
		}
		tb.enter(tb.answer(p))
	}
	tb.enter("replaced D10")
	tb.wants("mark")
	tb.enter("D10 sits right")
	if p := tb.ask(); p.Ask == AskMark {
		t.Error("the mark is asked for again")
	}
}

// functions brings the touch-dead board to its function test, with C46 left off.
func functions(t *testing.T) *table {
	t.Helper()
	tb := lay(t, "touch-dead")
	for range 80 {
		p := tb.ask()
		if p.Ask == AskFunction {
			return tb
		}
		line := tb.answer(p)
		if p.Ask == AskConnector {
			line = "sweep J7"
		}
		tb.enter(line)
	}
	t.Fatalf("no function test:\n%s", tb.log.String())
	return nil
}

// TestFunctions: after power each function of the board is asked for; the case keeps
// what works; one that needs a part left off says so; work on the board voids the test.
func TestFunctions(t *testing.T) {
	tb := functions(t)
	board := tb.w.Case().Board
	if p := tb.ask(); p.Function != "touch" || !p.PowerUp.Passed() {
		t.Errorf("asks for %+v", p)
	}
	tb.refuses("12 mA", "does not say whether it works")
	tb.refuses("sound works", "not a function of this board; name one of touch, display, backlight")
	tb.enter("works")
	tb.enter("s")
	part, err := board.PartByName("FL3") // jumpered: it is in its place
	if err != nil {
		t.Fatal(err)
	}
	board.Parts[part].Functions = []string{"backlight"}
	if p := tb.ask(); p.Function != "backlight" || len(p.Without) > 0 {
		t.Errorf("asks for %q without %v", p.Function, p.Without)
	}
	board.Parts[part].Functions = nil
	if r := tb.enter("fails"); len(r.Says) != 1 || !strings.Contains(r.Says[0], "not repaired") {
		t.Errorf("says %q", r.Says)
	}
	want := []journal.Tested{{Function: "touch", Result: journal.Works}, {Function: "display"}, {Function: "backlight", Result: journal.Fails}}
	if got := tb.w.Case().Tested(); !slices.Equal(got, want) {
		t.Errorf("tested %v, want %v", got, want)
	}
	if p := tb.ask(); p.Ask != AskClose {
		t.Errorf("asks for %s", describe(board, p))
	}
	tb.enter("removed C46")
	if part, err = board.PartByName("C46"); err != nil {
		t.Fatal(err)
	}
	board.Parts[part].Functions = []string{"touch"}
	if got := tb.w.Case().Tested(); len(got) > 0 {
		t.Errorf("still tested: %v", got)
	}
	if r := tb.enter("touch fails"); len(r.Says) != 1 || r.Says[0] != "expected: C46 is off the board" {
		t.Errorf("says %q", r.Says)
	}
}

// TestSupplyOnArrival: a current that is entered out of turn is judged at once, as
// evidence and not as proof.
func TestSupplyOnArrival(t *testing.T) {
	tb := lay(t, "touch-dead")
	tb.s.o.Limits = powerup.Limits{MostBefore: 3e-3, LeastAfter: 60e-3, MostAfter: 110e-3}
	tb.enter("y")
	r := tb.enter("draws 240 mA before the power button")
	if len(r.Says) != 1 || !strings.Contains(r.Says[0], "speaks for a leak or short on a rail that is always on") || !strings.Contains(r.Says[0], "proves none") {
		t.Errorf("says %q", r.Says)
	}
	tb.wants("first look")
}
