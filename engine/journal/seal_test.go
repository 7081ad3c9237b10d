package journal

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// TestSealFormat holds the format of files that are already on disks.
func TestSealFormat(t *testing.T) {
	around := surroundingsOnce(t)
	board, _, _ := around(Opening{})
	e := Event{Kind: KindRemove, Parts: []netlist.PartID{part(t, board, "R12")}}
	event, err := encode(e, board)
	if err != nil {
		t.Fatal(err)
	}
	// CRC-32 of "remove: [R12]\n" from zlib.crc32 of another language.
	const want = "--- # event 2e862fc5\nremove: [R12]\n...\n"
	if got := string(seal(event)); got != want {
		t.Errorf("seal = %q, want %q", got, want)
	}
}

func TestInspect(t *testing.T) {
	whole := string(seal([]byte("note: a\nby: b\n")))
	for _, tt := range []struct {
		name, text string
		want       condition
	}{
		{"as written", whole, sealed},
		{"last line end lost", strings.TrimSuffix(whole, "\n"), sealed},
		{"other line ends", strings.ReplaceAll(whole, "\n", "\r\n"), sealed},
		{"remark added below", whole + "\n# a remark\n", sealed},
		{"closing line removed", strings.TrimSuffix(whole, "...\n"), cutOff},
		{"bytes of nothing within", strings.Replace(whole, "by", "\x00\x00", 1), cutOff},
		{"cut in the body", whole[:len(whole)-8], cutOff},
		{"cut in the seal", whole[:14], cutOff},
		{"three dashes", "---", cutOff},
		{"empty document", "---\n", byHand},
		{"no seal", "---\nnote: a\n", byHand},
		{"another remark", "--- # events follow\nnote: a\n", byHand},
		{"seal of another form", "--- # event 7\nnote: a\n", byHand},
		{"first document", "note: a\n", byHand},
	} {
		if got, _ := inspect([]byte(tt.text)); got != tt.want {
			t.Errorf("%s: condition %d, want %d", tt.name, got, tt.want)
		}
	}
}

// TestDigest edits a recorded event: what changes its meaning is reported, and what
// changes its spelling, its remarks or the order of its keys is not.
func TestDigest(t *testing.T) {
	around := surroundingsOnce(t)
	board, _, _ := around(Opening{})
	r12, r12one := part(t, board, "R12"), point(t, board, "R12.1")
	record := func(e Event) string {
		text, err := encode(e, board)
		if err != nil {
			t.Fatal(err)
		}
		return string(seal(text))
	}
	opening := record(Event{Kind: KindOpen, Open: &Opening{Board: "../board.yaml", Known: "../known", Complaint: "dead"}})
	read := record(Event{Kind: KindRead, By: "b", Readings: []Read{{At: r12one, Name: "R12.1", Reading: quantity.Reading{Value: 0.452}}}})
	remove := record(Event{Kind: KindRemove, Parts: []netlist.PartID{r12}})
	drop := record(Event{Kind: KindDrop, Drops: []Drop{{Rail: r12one.Net, Amperes: 1, Volts: []PartVolts{{Part: r12, Volts: 0.0124}}}}})
	for _, tt := range []struct {
		name, text, from, to string
		edited               bool
	}{
		{"millivolts along a rail", drop, "12.4", "12.5", true},
		{"the current into it", drop, "1 A", "2 A", true},
		{"as written", read, "", "", false},
		{"a remark", read, "read:", "# seen twice\nread:", false},
		{"spelled otherwise", read, "{R12.1: 0.452}", "\n  \"R12.1\": 452 mV", false},
		{"order of keys", read, "read: {R12.1: 0.452}\nby: b", "by: b\nread: {R12.1: 0.452}", false},
		{"order of keys in one", opening, "{board: \"../board.yaml\", known: \"../known\", complaint: dead}", "{complaint: dead, known: ../known, board: ../board.yaml}", false},
		{"a value", read, "0.452", "0.453", true},
		{"a point", read, "R12.1", "R12.2", true},
		{"who", read, "by: b", "by: c", true},
		{"who, taken away", read, "by: b\n", "", true},
		{"what was done", remove, "remove", "replace", true},
		{"the complaint", opening, "dead", "alive", true},
	} {
		text := opening + read + remove + drop
		if tt.from != "" && !strings.Contains(tt.text, tt.from) {
			t.Fatalf("%s: no %q in %q", tt.name, tt.from, tt.text)
		}
		text = strings.Replace(text, tt.text, strings.Replace(tt.text, tt.from, tt.to, 1), 1)
		c, err := decode("testdata/broken/x.yaml", []byte(text), around)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		told := slices.ContainsFunc(c.Warnings, func(w document.Problem) bool { return strings.Contains(w.What, "was changed by hand") })
		if told != tt.edited {
			t.Errorf("%s: told %v, want %v: %v", tt.name, told, tt.edited, c.Warnings)
		}
	}
}

func TestSplit(t *testing.T) {
	text := "\uFEFFopen: {}\n--- \nnote: |\n  ---\n  a\n---\tx: y\n----\n---"
	var got []string
	for _, c := range split([]byte(text)) {
		got = append(got, fmt.Sprintf("%d %q", c.line, text[c.start:c.end]))
	}
	want := []string{`1 "open: {}\n"`, `2 "--- \nnote: |\n  ---\n  a\n"`, `6 "---\tx: y\n----\n"`, `8 "---"`}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestCutAtEveryByte cuts a recorded case short at every byte, as a crash may,
// and with bytes of nothing behind, as a loss of power may. Every event before
// the cut must stay, and what is torn must be reported.
func TestCutAtEveryByte(t *testing.T) {
	around := surroundingsOnce(t)
	board, _, _ := around(Opening{})
	hand, err := decode("testdata/hand.yaml", []byte(read(t, "testdata/hand.yaml")), around)
	if err != nil {
		t.Fatal(err)
	}
	var text []byte
	var ends []int // of events
	for _, e := range hand.All {
		event, err := encode(e, board)
		if err != nil {
			t.Fatal(err)
		}
		text = append(text, seal(event)...)
		ends = append(ends, len(text))
	}
	for cut := range len(text) + 1 {
		for _, tail := range []string{"", "\x00\x00\x00"} {
			file := append(bytes.Clone(text[:cut]), tail...)
			whole := 0 // events that are on the disk to their last byte
			for whole < len(ends) && ends[whole] <= cut {
				whole++
			}
			start := 0
			if whole > 0 {
				start = ends[whole-1]
			}
			// Without its last line end an event is complete; it counts.
			complete := whole < len(ends) && cut == ends[whole]-1
			if complete {
				whole, start = whole+1, cut
			}
			c, err := decode("case.yaml", file, around)
			if whole == 0 {
				if err == nil {
					t.Fatalf("cut at %d: a case without an event loads", cut)
				}
				continue
			}
			if err != nil {
				t.Fatalf("cut at %d, tail %q: %v", cut, tail, err)
			}
			if diff := cmp.Diff(hand.All[:whole], c.All, told); diff != "" {
				t.Fatalf("cut at %d, tail %q (-want +got):\n%s", cut, tail, diff)
			}
			torn := file[start:]
			switch {
			case len(torn) == 0:
				if c.Torn != nil {
					t.Fatalf("cut at %d: %v", cut, c.Torn.Problem())
				}
			case c.Torn == nil:
				t.Fatalf("cut at %d, tail %q: %q was dropped without a word", cut, tail, torn)
			case !bytes.Equal(c.Torn.Bytes, torn):
				t.Fatalf("cut at %d, tail %q: torn %q, want %q", cut, tail, c.Torn.Bytes, torn)
			}
		}
	}
}

// FuzzCase decodes any bytes as a case file. Nothing may panic, and events that
// were understood must survive being written and read again.
func FuzzCase(f *testing.F) {
	around := surroundingsOnce(f)
	f.Add([]byte(read(f, "testdata/hand.yaml")))
	f.Add(seal([]byte("open: {board: b}\n")))
	f.Add([]byte("open: {board: b}\n---\nread: {J7.2: OL}\nto: R12.1\n--- # event 00000000\nundo: 2\n...\n"))
	f.Add([]byte("open: {board: b}\n---\ninspect: {\"null\": burnt}\n---\nsupply: {before: 0}\n--"))
	f.Add([]byte("open: {board: b, at_hand: [good board, J7]}\n---\npress: {R12: {J7.2: OL}}\n---\ngood: {J7.3: 0.6}\n---\nswap: {J7: fails}\n---\ninspect: {J7.2: clean}\n"))
	f.Add([]byte("open: {board: b}\n---\nundrawn: {VTP_1V8: [C99, U9.A1], TP_INT: []}\n---\nreplace: [C99]\n---\nresolder: [U9.A1]\n---\nundo: 2\n"))
	f.Add([]byte("open: {board: b}\n---\nread: {}\n---\nread: {J7.2: 1e-300 V}\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := decode("case.yaml", text, around)
		if err != nil {
			if c != nil || err.Error() == "" {
				t.Fatalf("case %v, error %q", c, err)
			}
			return
		}
		c.Stages()
		var again []byte
		for _, e := range c.All {
			event, err := encode(e, c.Board)
			if err != nil {
				t.Fatalf("encode: %v", err)
			}
			again = append(again, seal(event)...)
		}
		got, err := decode("again.yaml", again, around)
		if err != nil {
			t.Fatalf("%v\nin\n%s", err, again)
		}
		for _, w := range got.Warnings {
			if strings.Contains(w.What, "changed by hand") {
				t.Fatalf("a digest does not hold: %v\nin\n%s", w, again)
			}
		}
		if diff := cmp.Diff(c.All, got.All, told); diff != "" {
			t.Fatalf("(-read +read again):\n%s\nin\n%s", diff, again)
		}
	})
}
