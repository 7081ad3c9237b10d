package main

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
)

func TestPercent(t *testing.T) {
	for _, test := range []struct {
		p    float64
		want string
	}{{0, "<1 %"}, {0.0049, "<1 %"}, {0.005, "1 %"}, {0.125, "13 %"}, {0.876, "88 %"}, {0.9949, "99 %"}, {0.995, ">99 %"}, {0.999999, ">99 %"}, {1, "100 %"}} {
		if got := wording.Percent(test.p); got != test.want {
			t.Errorf("percent(%v) = %q, want %q", test.p, got, test.want)
		}
	}
}

func TestDuration(t *testing.T) {
	for _, test := range []struct {
		seconds float64
		want    string
	}{{0.45, "0.5 s"}, {10, "10 s"}, {119.4, "119 s"}, {120, "2 min"}, {1810, "30 min"}, {7199, "120 min"}, {7200, "2 h"}, {math.Inf(1), "?"}, {math.NaN(), "?"}} {
		if got := wording.Duration(test.seconds); got != test.want {
			t.Errorf("duration(%v) = %q, want %q", test.seconds, got, test.want)
		}
	}
}

func TestVolts(t *testing.T) {
	at := func(v float64) *float64 { return &v }
	for _, test := range []struct {
		v        *float64
		overload bool
		want     string
	}{{at(0.452), false, "0.452"}, {at(0.0004), false, "0.000"}, {at(-0.0004), false, "0.000"}, {at(-0.003), false, "-0.003"}, {at(1.8), false, "1.800"}, {nil, true, "OL"}, {nil, false, "?"}} {
		if got := wording.Volts(test.v, test.overload); got != test.want {
			t.Errorf("volts = %q, want %q", got, test.want)
		}
	}
	if got := wording.Spread(at(0.452), false, 0.0041); got != "0.452 ± 0.004" {
		t.Errorf("spread = %q", got)
	}
	if got := wording.Spread(nil, true, 0.0041); got != "OL" {
		t.Errorf("spread of OL = %q", got)
	}
}

func TestRoughOhms(t *testing.T) {
	for v, want := range map[float64]string{636: "640 ohm", 28840: "29 kohm", 0.7676: "0.77 ohm", 1.96e6: "2 Mohm"} {
		if got := wording.RoughOhms(v); got != want {
			t.Errorf("roughOhms(%v) = %q, want %q", v, got, want)
		}
	}
}

// Wrapped text loses no word, and no line is longer than it may be unless it is
// one word.
func TestWrap(t *testing.T) {
	const text = "Take C46 off and leave it off; you lose some filtering of the line's edges. 部品 averyveryverylongwordthatfitsnowhere end"
	for width := 1; width < 90; width++ {
		for _, hang := range []int{0, 2, 5} {
			lines := wrap(text, width, hang)
			for i, line := range lines {
				room := width
				if i > 0 {
					room -= hang
				}
				if cells(line) > room && strings.Contains(line, " ") {
					t.Errorf("width %d, hang %d: %q is too long", width, hang, line)
				}
			}
			if got := strings.Join(lines, " "); got != text {
				t.Errorf("width %d: %q", width, got)
			}
		}
	}
	if lines := wrap("  ", 20, 0); len(lines) != 0 {
		t.Errorf("nothing wraps to %q", lines)
	}
}

func TestCells(t *testing.T) {
	for text, want := range map[string]int{"": 0, "R12": 3, "±": 1, "█▌░": 3, "部品": 4, "e\u0301": 1, "한": 2} {
		if got := cells(text); got != want {
			t.Errorf("cells(%q) = %d, want %d", text, got, want)
		}
	}
	for _, test := range []struct {
		text    string
		columns int
		want    string
	}{{"TP_INT", 6, "TP_INT"}, {"TP_INT", 5, "TP_I…"}, {"TP_INT", 1, "…"}, {"部品名", 5, "部品…"}, {"部品名", 4, "部…"}} {
		if got := cut(test.text, test.columns); got != test.want {
			t.Errorf("cut(%q, %d) = %q, want %q", test.text, test.columns, got, test.want)
		}
	}
}

func TestBar(t *testing.T) {
	for share, want := range map[float64]string{0: "░░░░", 0.01: "░░░░", 0.125: "▌░░░", 0.5: "██░░", 0.6: "██▌░", 1: "████", 1.5: "████"} {
		if got := bar(share, 4); got != want {
			t.Errorf("bar(%v) = %q, want %q", share, got, want)
		}
	}
}

// A long remark is kept whole; a word that is no word is cut, and what does not
// print is escaped.
func TestProse(t *testing.T) {
	long := strings.Repeat("a long remark ", 40)
	if got := prose(long); got != strings.TrimSpace(long) {
		t.Errorf("prose cut a remark: %q", got)
	}
	got := prose("a \x1b[31mred\x1b[0m word and " + strings.Repeat("x", 1000) + "\u202e")
	if strings.ContainsAny(got, "\x1b\u202e") || len(got) > 200 {
		t.Errorf("prose let through %q", got)
	}
}

// TestHelpFits: no help text runs over 80 columns, and what it shows can be pasted
// into a shell.
func TestHelpFits(t *testing.T) {
	var walk func(words []string, c *cobra.Command)
	walk = func(words []string, c *cobra.Command) {
		out, errs, code := play(t, "", append(words, "--help")...)
		if code != exitDone || errs != "" || !strings.Contains(out, "Usage:\n") {
			t.Errorf("%q: exit %d, %s", words, code, errs)
		}
		for line := range strings.Lines(out) {
			if line = strings.TrimSuffix(line, "\n"); cells(line) > defaultWidth {
				t.Errorf("%q: %d columns: %s", words, cells(line), line)
			}
		}
		for _, sub := range c.Commands() {
			if sub.IsAvailableCommand() {
				walk(append(slices.Clone(words), sub.Name()), sub)
			}
		}
	}
	walk(nil, (&app{}).command())
}

func TestVersion(t *testing.T) {
	out, _, code := play(t, "", "--version")
	if fields := strings.Fields(out); code != exitDone || len(fields) < 4 || fields[0] != "halfsplit" || !strings.HasPrefix(fields[len(fields)-1], "go1.") {
		t.Errorf("exit %d, %q; want halfsplit, its version, and that of Go", code, out)
	}
}

func TestFoldHelp(t *testing.T) {
	long := "  halfsplit bench a.yaml --complaint \"" + strings.Repeat("w ", 30) + "--not a flag\" --known " + strings.Repeat("k", 30)
	tests := []struct{ name, text, want string }{
		{"paragraph", "a\nb\n\nc", "a b\n\nc\n"},
		{"command", long, "  halfsplit bench a.yaml \\\n      --complaint \"" + strings.Repeat("w ", 30) + "--not a flag\" \\\n      --known " + strings.Repeat("k", 30) + "\n"},
		{"list", "  opens    " + strings.Repeat("word ", 16), "  opens    " + strings.TrimSpace(strings.Repeat("word ", 14)) + "\n" + strings.Repeat(" ", 11) + "word word\n"},
		{"no place to break", "  halfsplit " + strings.Repeat("x", 90), "  halfsplit " + strings.Repeat("x", 90) + "\n"},
	}
	for _, test := range tests {
		if got := foldHelp(test.text); got != test.want {
			t.Errorf("%s:\n%s\nwant\n%s", test.name, got, test.want)
		}
	}
}

func TestWithArticle(t *testing.T) {
	for words, want := range map[string]string{"inductor 27 nH": "an inductor 27 nH", "IC, touch controller": "an IC, touch controller", "bead 220R": "a bead 220R", "": "a "} {
		if got := withArticle(words); got != want {
			t.Errorf("%q became %q, want %q", words, got, want)
		}
	}
}
