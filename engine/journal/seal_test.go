package journal

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestSealFormat holds the format of files that are already on disks.
func TestSealFormat(t *testing.T) {
	// CRC-32 of "remove: [R12]\n...\n" from zlib.crc32 of another language.
	const want = "--- # event 16 38c36723\nremove: [R12]\n...\n"
	if got := string(seal([]byte("remove: [R12]\n"))); got != want {
		t.Errorf("seal = %q, want %q", got, want)
	}
}

func TestInspect(t *testing.T) {
	sealed := string(seal([]byte("note: a\nby: b\n")))
	for _, tt := range []struct {
		name, text string
		want       condition
	}{
		{"as written", sealed, intact},
		{"last line end lost", strings.TrimSuffix(sealed, "\n"), intact},
		{"other line ends", strings.ReplaceAll(sealed, "\n", "\r\n"), intact},
		{"remark added below", sealed + "\n# a remark\n", intact},
		{"value changed", strings.Replace(sealed, "a", "c", 1), changed},
		{"line removed", strings.Replace(sealed, "by: b\n", "", 1), changed},
		{"closing line removed", strings.TrimSuffix(sealed, "...\n"), cutOff},
		{"cut in the body", sealed[:len(sealed)-8], cutOff},
		{"cut in the seal", sealed[:14], cutOff},
		{"three dashes", "---", cutOff},
		{"empty document", "---\n", byHand},
		{"no seal", "---\nnote: a\n", byHand},
		{"another remark", "--- # events follow\nnote: a\n", byHand},
		{"seal of another form", "--- # event 7\nnote: a\n", byHand},
		{"first document", "note: a\n", byHand},
	} {
		if got := inspect([]byte(tt.text)); got != tt.want {
			t.Errorf("%s: condition %d, want %d", tt.name, got, tt.want)
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
// the cut must stay, and what is torn must be told.
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
	board, _, _ := around(Opening{})
	f.Add([]byte(read(f, "testdata/hand.yaml")))
	f.Add(seal([]byte("open: {board: b}\n")))
	f.Add([]byte("open: {board: b}\n---\nread: {J7.2: OL}\nto: R12.1\n--- # event 9 00000000\nundo: 2\n...\n"))
	f.Add([]byte("open: {board: b}\n---\ninspect: {\"null\": burnt}\n---\npower: {before_key: 0}\n--"))
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
			event, err := encode(e, board)
			if err != nil {
				t.Fatalf("encode: %v", err)
			}
			again = append(again, seal(event)...)
		}
		got, err := decode("again.yaml", again, around)
		if err != nil {
			t.Fatalf("%v\nin\n%s", err, again)
		}
		if diff := cmp.Diff(c.All, got.All, told); diff != "" {
			t.Fatalf("(-read +read again):\n%s\nin\n%s", diff, again)
		}
	})
}
