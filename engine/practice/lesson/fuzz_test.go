package lesson

import (
	"strings"
	"testing"
)

// FuzzVerdict reads what students say is bad: parts of the board, each once, which
// reads back as it is written; or an error that says what to do.
func FuzzVerdict(f *testing.F) {
	c := made(f, small(f, "bridges", 1, 1))
	b := c.Order.Board
	for _, text := range []string{"nothing", "R3 open", "C3 leaky, R1 raised", "J1.2 and J1.3 bridged and C3 leaky", "trace J1.4 D1.1 broken", "C3 leaky (about 180 ohm)", "and and and", "\xff\xff \xff", "R3 \u212a", " + , "} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		list, err := parseVerdict(b, c.loci, text)
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", text, err)
			}
			return
		}
		var words []string
		seen := map[string]bool{}
		for _, n := range list {
			words = append(words, n.String())
			if n.locus == nil || seen[n.Place] {
				t.Errorf("%q is %+v", text, list)
			}
			seen[n.Place] = true
		}
		if len(list) > mostNamed {
			t.Errorf("%q names %d parts", text, len(list))
		}
		if len(list) == 0 {
			return
		}
		again, err := parseVerdict(b, c.loci, strings.Join(words, " and "))
		if err != nil || len(again) != len(list) {
			t.Fatalf("%q is %q, which is read back as %+v, %v", text, words, again, err)
		}
		for i := range list {
			if again[i].String() != list[i].String() {
				t.Errorf("%q: %s is read back as %s", text, list[i], again[i])
			}
		}
	})
}
