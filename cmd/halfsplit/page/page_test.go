package page

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/layout/assembly"
)

// report makes the report of a case file.
func report(t testing.TB, path string) *Report {
	t.Helper()
	c, err := journal.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.New(c.Board, c.Library, engine.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(c, e, powerup.Limits{}, layoutOf(t, c))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// layoutOf is the layout of a case's board, nil where it names none.
func layoutOf(t testing.TB, c *journal.Case) *layout.Board {
	t.Helper()
	drawn, err := assembly.Load(c.Board)
	if err != nil {
		t.Fatal(err)
	}
	return drawn
}

func page(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.HTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// luminance is the relative luminance of a colour (WCAG 2.2, definition of
// relative luminance).
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	channel := func(from int) float64 {
		v, err := strconv.ParseUint(colour[from:from+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*channel(1) + 0.7152*channel(3) + 0.0722*channel(5)
}

func contrast(t *testing.T, a, b string) float64 {
	la, lb := luminance(t, a), luminance(t, b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

// TestContrast: text stands out from paper by 4.5 to 1 and lines by 3 to 1, on
// light and on dark paper (WCAG 2.2, 1.4.3 and 1.4.11, level AA); black on white
// is 21 to 1 by definition.
func TestContrast(t *testing.T) {
	if got := contrast(t, "#000000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Fatalf("black on white is %.3f to 1, want 21", got)
	}
	grounds := map[string]Colour{}
	for _, c := range surfaces {
		grounds[c.Name] = c
	}
	inks := append([]Colour{grounds["ink"], grounds["faint"]}, marks...)
	for _, c := range inks {
		for _, on := range []string{"paper", "sheet"} {
			for _, pair := range [][2]string{{c.Light, grounds[on].Light}, {c.Dark, grounds[on].Dark}} {
				if got := contrast(t, pair[0], pair[1]); got < 4.5 {
					t.Errorf("%s (%s) on %s (%s) is %.2f to 1, want 4.5", c.Name, pair[0], on, pair[1], got)
				}
			}
		}
	}
	// The band of good boards lies under marks; the line in its middle tells
	// where it is.
	for _, c := range append([]Colour{grounds["ink"]}, marks[:2]...) {
		for _, pair := range [][2]string{{c.Light, grounds["band"].Light}, {c.Dark, grounds["band"].Dark}} {
			if got := contrast(t, pair[0], pair[1]); got < 3 {
				t.Errorf("%s (%s) on the band (%s) is %.2f to 1, want 3", c.Name, pair[0], pair[1], got)
			}
		}
	}
	rule := grounds["rule"]
	for _, pair := range [][2]string{{rule.Light, grounds["paper"].Light}, {rule.Dark, grounds["paper"].Dark}} {
		if got := contrast(t, pair[0], pair[1]); got < 3 {
			t.Errorf("rules (%s) on paper are %.2f to 1, want 3", pair[0], got)
		}
	}
}

// TestMarks: each verdict has a mark of its own, so that none rests on colour,
// and colours that say something have one each.
func TestMarks(t *testing.T) {
	seen := map[string]diagnose.Verdict{}
	for _, v := range []diagnose.Verdict{diagnose.Agrees, diagnose.Low, diagnose.High, diagnose.IsShorted, diagnose.IsOpen, diagnose.UnexpectedPath, diagnose.NoKnownGood} {
		m := lookOf(v).mark
		if other, ok := seen[m]; ok {
			t.Errorf("%s and %s share the mark %s", v, other, m)
		}
		seen[m] = v
		var c canvas
		c.mark(0, 0, m, lookOf(v).class)
		if c.b.Len() == 0 || strings.Contains(c.b.String(), "M-3 0L3 0") {
			t.Errorf("%s: the mark %s is not drawn", v, m)
		}
	}
	shapes := map[string]bool{}
	for _, c := range marks {
		if c.Mark == "" || shapes[c.Mark] {
			t.Errorf("%s has no mark of its own: %q", c.Name, c.Mark)
		}
		shapes[c.Mark] = true
	}
}

// hostile are texts that would break out of a page where they are not escaped.
var hostile = []string{
	`<script>document.title="broken"</script>`,
	`"><img src=x onerror=alert(1)>`,
	`</style><style>body{display:none}`,
	`</svg><b>`,
	"right\u202eleft\u0007bell",
}

// hostileCase writes a board and a case in which every text of a person is
// hostile.
func hostileCase(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	q := strconv.Quote
	board := "board: " + q("B "+hostile[0]) + "\nrevision: " + q(hostile[1]) + "\nground: GND\n" +
		"connectors:\n  J7: {title: " + q(hostile[2]) + ", rows: 2, pins: {1: GND, 2: " + q("N"+hostile[0]) + ", 3: " + q("M"+hostile[3]) + "}}\n" +
		"parts:\n  " + q("R"+hostile[0]) + ": {kind: resistor, value: 22R, pins: [" + q("N"+hostile[0]) + ", " + q("X"+hostile[1]) + "], place: " + q(hostile[2]) + "}\n" +
		"  U5: {kind: ic, title: " + q(hostile[3]) + ", pins: {A1: " + q("X"+hostile[1]) + ", B1: GND, C1: " + q("M"+hostile[3]) + "}, ground: B1}\n"
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	file("board.yaml", board)
	part := q("R" + hostile[0])
	events := []string{
		"open: {board: board.yaml, complaint: " + q(hostile[0]+hostile[2]) + "}\nby: " + q(hostile[1]) + "\ntime: 2026-08-02T09:00:00Z",
		"read: {J7.2: OL, J7.3: 0.000}",
		"note: " + q(strings.Join(hostile[:4], " ")),
		"inspect: {" + part + ": burnt}\nnote: " + q(hostile[3]),
		"replace: [" + part + "]",
		"acknowledge: [" + q(hostile[1]) + "]",
		"close: {cause: " + q("R"+hostile[0]+" open") + ", remedy: " + q(hostile[1]) + "}",
	}
	return file("case.yaml", strings.Join(events, "\n---\n")+"\n")
}

// TestHostile: no text of a file becomes part of the page's markup.
func TestHostile(t *testing.T) {
	r := report(t, hostileCase(t))
	text := page(t, r)
	for _, bad := range []string{"<script", "<img", "</style><style", "</svg><b>", "onerror=alert(1)>", "\u202e", "\u0007"} {
		if strings.Contains(text, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	for _, kept := range []string{"&lt;script&gt;", "&lt;img", "&lt;/svg&gt;"} {
		if !strings.Contains(text, kept) {
			t.Errorf("the page lost %q", kept)
		}
	}
	if got := strings.Count(text, "<style"); got != 1 {
		t.Errorf("%d style elements, want 1", got)
	}
	var md bytes.Buffer
	if err := r.Markdown(&md); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(md.String(), "<script") || strings.Contains(md.String(), "<img") {
		t.Error("the Markdown holds HTML of a file")
	}
}

// TestDemo: what a customer and a colleague look for stands on the page of a
// case of the demo.
func TestDemo(t *testing.T) {
	r := report(t, "../../../testdata/demo/cases/tail-not-detected.yaml")
	text := page(t, r)
	for _, want := range []string{"touch panel not found after rain", "J7.8", "C46", "unexpected path", "Power-up check", "under way", "<svg", "Connector J7, touch panel", "Line TP_DET"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(text, "http:") || strings.Contains(text, "https:") || strings.Contains(text, "url(") {
		t.Error("the page asks for something from elsewhere")
	}
}

// TestCautions: the cautions stand on the page of every case of the demo, also of those
// that were not kept by a session at the bench.
func TestCautions(t *testing.T) {
	cases, err := filepath.Glob("../../../testdata/demo/cases/*.yaml")
	if err != nil || len(cases) < 7 {
		t.Fatalf("cases %v, %v", cases, err)
	}
	for _, file := range cases {
		r := report(t, file)
		var md bytes.Buffer
		if err := r.Markdown(&md); err != nil {
			t.Fatal(err)
		}
		for _, got := range []string{page(t, r), md.String()} {
			for _, want := range []string{"Cautions", "Battery out and every supply off before a probe touches", "is a boosted rail: it holds its voltage"} {
				if !strings.Contains(got, want) {
					t.Errorf("%s: the page does not say %q", file, want)
				}
			}
		}
	}
}

// TestImplausible: a page of readings that are not those of the board says so at its
// top and names no suspect, in HTML and in Markdown.
func TestImplausible(t *testing.T) {
	demo, err := filepath.Abs("../../../testdata/demo")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "leads-off.yaml")
	text := fmt.Sprintf("open: {board: %s, known: %s}\n---\nread: {J7.1: OL, J7.2: OL, J7.3: OL, J7.7: OL, J7.12: OL}\n", filepath.Join(demo, "board.yaml"), filepath.Join(demo, "known"))
	if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	r := report(t, file)
	var md bytes.Buffer
	if err := r.Markdown(&md); err != nil {
		t.Fatal(err)
	}
	for _, got := range []string{page(t, r), md.String()} {
		if !strings.Contains(got, "cannot be those of this board, good or bad: the ground lead is off") || !strings.Contains(got, "FAIL: ") || strings.Contains(got, "likeliest cause") {
			t.Errorf("the page says\n%s", got)
		}
	}
	if slices.ContainsFunc(r.Sections, func(s Section) bool { return s.Title == "Suspects" }) {
		t.Error("the page has suspects")
	}
}

// The demo has a layout: where the next step is at is drawn, once.
func TestPlace(t *testing.T) {
	text := page(t, report(t, "../../../testdata/demo/cases/touch-dead.yaml"))
	if n := strings.Count(text, `class="assembly"`); n != 1 {
		t.Errorf("%d assembly drawings, want 1", n)
	}
	if !strings.Contains(text, "<h2>Where FL3.in is</h2>") {
		t.Error("the point to measure next, FL3.in, is not what is drawn")
	}
}
