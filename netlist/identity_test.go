package netlist

import (
	"os"
	"strings"
	"testing"
)

// TestIdentity edits a board file: what leaves the board as it is leaves its
// identity, and what a meter or a bench would notice changes it.
func TestIdentity(t *testing.T) {
	const board = `board: Finch F1
revision: A
connectors:
  J1: {title: cable, pins: {1: GND, 2: KEY, 3: VS}}
nets:
  VS: {rail: 3.3 V}
  KEY: {along: [J1.2, TP1, R1.1]}
test_points: {TP1: KEY}
parts:
  R1: {kind: resistor, value: 4K7, pins: [KEY, KEY_U], place: beside J1}
  D1: {kind: diode, pins: {a: KEY, k: VS}}
  U1: {kind: ic, title: controller, pins: {1: VS, 2: KEY_U, 8: GND}, supply: 1}
`
	load := func(text string) *Board {
		b, err := Parse(strings.NewReader(text), "board.yaml")
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	want := load(board).Identity()
	for _, tt := range []struct {
		what, from, to string
		same           bool
	}{
		{"a comment", "parts:", "# drawn by hand\nparts:", true},
		{"name and revision", "board: Finch F1\nrevision: A", "board: Finch\nrevision: B", true},
		{"titles, places, remarks", "title: controller", "title: lamp driver, place: middle, note: warm", true},
		{"a value spelled otherwise", "4K7", "4700 ohm", true},
		{"what the file leaves to conclude", ", supply: 1", "", true},
		{"order of keys", "kind: resistor, value: 4K7, pins: [KEY, KEY_U]", "pins: {2: KEY_U, 1: KEY}, value: 4K7, kind: resistor", true},
		{"order of pins by name", "{a: KEY, k: VS}", "{k: VS, a: KEY}", true},
		{"order of parts", "  D1: {kind: diode, pins: {a: KEY, k: VS}}\n", "", false},
		{"a value", "4K7", "4K8", false},
		{"a kind", "kind: resistor", "kind: link", false},
		{"a net", "2: KEY_U", "2: KEY", false},
		{"a diode the other way", "{a: KEY, k: VS}", "{a: VS, k: KEY}", false},
		{"neighbours", "{1: GND, 2: KEY, 3: VS}", "{1: GND, 3: VS, 2: KEY}", false},
		{"the copper", "[J1.2, TP1, R1.1]", "[J1.2, R1.1, TP1]", false},
		{"the rail", "3.3 V", "1.8 V", false},
	} {
		text := strings.Replace(board, tt.from, tt.to, 1)
		if tt.what == "order of parts" {
			text, tt.same = text+tt.from, true
		}
		if text == board {
			t.Fatalf("%s: nothing changed", tt.what)
		}
		if got := load(strings.Replace(text, "kind: link, value: 4K7", "kind: link", 1)).Identity(); (got == want) != tt.same {
			t.Errorf("%s: identity %s, was %s; want the same: %v", tt.what, got, want, tt.same)
		}
	}
	// Order does not matter on a board of some size either.
	text, err := os.ReadFile("testdata/kestrel.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if a, b := load(string(text)).Identity(), load("# remark\n"+string(text)).Identity(); a != b || a == want {
		t.Errorf("kestrel: %s and %s", a, b)
	}
}
