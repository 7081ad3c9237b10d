package document

import (
	"strings"
	"testing"
)

// Text is read back as it was written, inside brackets too.
func FuzzScalar(f *testing.F) {
	for _, text := range []string{"J7.2", "null", "~", "a: b", "# x", "- y", "{", "0x1f", "\u00a0", "é", "'", `\`, "a b", " a", "a ", "yes", "014", "3.3 V", "1e3", "a%", "%a", "U+0041"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		nodes, err := Decode(strings.NewReader("{k: "+Scalar(text)+", l: 1}\n"), "x", 0)
		if err != nil || len(nodes) != 1 {
			return // control characters and the like, which no checked name holds
		}
		if got := nodes[0].Get("k"); text != "" && strings.ToValidUTF8(text, "") == text && got.Text() != text {
			t.Errorf("%q was written %s and reads back %q", text, Scalar(text), got.Text())
		}
	})
}
