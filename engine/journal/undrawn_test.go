package journal

import (
	"strings"
	"testing"

	"halfsplit/netlist"
)

// TestUndrawn finds parts that the board file leaves out, works on them, and takes all of it
// back: a part that was taken back keeps its name and joins nothing.
func TestUndrawn(t *testing.T) {
	w := begin(t, folder(t))
	board := w.Case().Board
	rail, err := board.NetByName("VTP_1V8")
	if err != nil {
		t.Fatal(err)
	}
	w.must(t, Event{Kind: KindUndrawn, Undrawn: []Undrawn{{Net: rail, Marks: []string{"C99", "U9.A1"}}}})
	wantError(t, w.Write(Event{Kind: KindUndrawn, Undrawn: []Undrawn{{Net: rail, Marks: []string{"C71"}}}}), "C71 is drawn with all its terminals; leave it out, or correct the board file")
	for _, mark := range []string{"7", "foo bar", ""} {
		if err := w.Write(Event{Kind: KindUndrawn, Undrawn: []Undrawn{{Net: rail, Marks: []string{mark}}}}); err == nil || strings.Contains(err.Error(), "\n") || strings.Contains(err.Error(), ".yaml:") {
			t.Errorf("mark %q: %v, want one problem without a place in the file", mark, err)
		}
	}
	c99 := part(t, w.Case().Board, "C99")
	w.must(t, Event{Kind: KindRemove, Parts: []netlist.PartID{c99}})
	w.must(t, Event{Kind: KindUndrawn, Undrawn: []Undrawn{{Net: rail}}})
	on := func(c *Case) int { return len(c.Board.Nets[rail].Terminals) - len(board.Nets[rail].Terminals) }
	for _, c := range []*Case{w.Case(), load(t, w.Case().File)} {
		if n := on(c); n != 2 || len(c.Board.Parts) != len(board.Parts)+2 || len(c.Warnings) != 0 {
			t.Errorf("%d terminals and %d parts more, want 2 and 2; warnings %v", n, len(c.Board.Parts)-len(board.Parts), c.Warnings)
		}
		if got := c.FoundBy("U9"); got != 2 || c.FoundBy("C71") != 0 {
			t.Errorf("found by event %d, want 2; C71 by %d, want 0", got, c.FoundBy("C71"))
		}
	}
	w.must(t, Event{Kind: KindUndo, Undo: 2})
	w.end(t)
	c := load(t, w.Case().File)
	if n := on(c); n != 0 || c.Board.Parts[c99].Name != "C99" || c.FoundBy("C99") != 0 {
		t.Errorf("taken back: %d terminals more on the rail, %s found by %d", n, c.Board.Parts[c99].Name, c.FoundBy("C99"))
	}
}
