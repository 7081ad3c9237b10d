package powerup

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
)

// The board of the README, with a second ground pin, a pin that is not connected, and
// resistors of other values.
const finch = `
board: Finch F1
revision: A
connectors:
  J1: {pins: {1: GND, 2: KEY, 3: SDA, 4: SCL, 5: VS, 7: LD, 9: NC, 10: GND}}
nets: {VS: {rail: 3.3 V}}
parts:
  R1:  {kind: resistor,  value: 100R, pins: [KEY, KEY_U]}
  C1:  {kind: capacitor, value: 10n,  pins: [KEY_U, GND]}
  R2:  {kind: resistor,  value: 47K,  pins: [VS, KEY_U]}
  R3:  {kind: resistor,  value: 33R,  pins: [SDA, SDA_U]}
  R4:  {kind: resistor,  value: 33R,  pins: [SCL, SCL_U]}
  R7:  {kind: resistor,  value: 1K,   pins: [LD, GND]}
  R12: {kind: resistor,  value: 10K,  pins: [SDA_U, SCL_U]}
  C2:  {kind: capacitor, value: 1u,   pins: [VS, GND]}
  U1:  {kind: ic, pins: {1: VS, 2: KEY_U, 3: SDA_U, 4: SCL_U, 8: GND}}
matched: [[SDA, SCL]]
`

const finchKnown = `
board: Finch F1
revision: A
sample: 01
meter: {test_current: 1 mA, open_voltage: 3 V, overload_above: 2 V, accuracy: 0.5% + 2}
readings: {J1.1: 0.000, J1.2: 0.667, J1.3: 0.598, J1.4: 0.600, J1.5: 0.431, J1.7: 1.000, J1.9: OL}
`

const finchSweep = "read: {J1.1: 0.000, J1.2: 0.667, J1.3: 0.601, J1.4: 0.599, J1.5: 0.433, J1.7: 1.001}\n"

// openFinch gives a case of the Finch board with a good sweep and further events.
func openFinch(t *testing.T, events ...string) (*journal.Case, *engine.Engine) {
	t.Helper()
	dir := t.TempDir()
	err := os.Mkdir(filepath.Join(dir, "known"), 0o755)
	for name, text := range map[string]string{"board.yaml": finch, "known/01.yaml": finchKnown,
		"case.yaml": "open: {board: board.yaml, known: known, complaint: none}\n---\n" + finchSweep + "---\n" + strings.Join(events, "\n---\n")} {
		err = errors.Join(err, os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), []byte(text), 0o644))
	}
	if err != nil {
		t.Fatal(err)
	}
	c, err := journal.Load(filepath.Join(dir, "case.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.New(c.Board, c.Library, engine.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c, e
}

// TestEveryReadingCounts: power goes on only where every last reading is in range, in
// whatever way and wherever it was taken.
func TestEveryReadingCounts(t *testing.T) {
	tests := []struct {
		about  string
		events []string
		result Result
		says   string
	}{
		{"a good sweep", []string{"read: {J1.10: 0.001}"}, Pass, "everything that was measured"},
		{"a ground joint", []string{"{read: {U1.8: 2 Mohm}, to: J1.1}"}, Fail, "GND is out of range"},
		{"a good ground joint", []string{"{read: {U1.8: 0.2 ohm}, to: J1.1}"}, Pass, ""},
		{"100 ohm open", []string{"{read: {R1.1: 2 Mohm}, to: R1.2}"}, Fail, "KEY is out of range"},
		{"100 ohm", []string{"{read: {R1.1: 101 ohm}, to: R1.2}"}, Pass, ""},
		{"100 ohm open, read well later", []string{"{read: {R1.1: 2 Mohm}, to: R1.2}", "{read: {R1.2: 101 ohm}, to: R1.1}"}, Pass, ""},
		{"100 ohm read well, open later", []string{"{read: {R1.1: 101 ohm}, to: R1.2}", "{read: {R1.1: 2 Mohm}, to: R1.2}"}, Fail, "KEY is out of range"},
		{"a good sweep puts no resistance right", []string{"{read: {R1.1: 2 Mohm}, to: R1.2}", finchSweep}, Fail, "KEY is out of range"},
		{"1K to ground, high", []string{"read: {J1.7: 10 kohm}"}, Fail, "LD is out of range"},
		{"1K to ground, low", []string{"read: {J1.7: 500 ohm}"}, Fail, "LD is out of range"},
		{"1K to ground", []string{"read: {J1.7: 1.01 kohm}"}, Pass, ""},
		{"1K to ground, high, then well", []string{"read: {J1.7: 10 kohm}", "read: {J1.7: 1.01 kohm}"}, Pass, ""},
		{"10K low", []string{"{read: {R12.1: 1 kohm}, to: R12.2}"}, Fail, "SDA_U is out of range"},
		{"an inner point without good boards", []string{"read: {R1.2: OL}"}, NotChecked, "KEY_U measured far from what is predicted"},
		{"an inner point as predicted", []string{"read: {R1.2: 0.567}"}, Pass, ""},
		{"a ground pin open, leads on", []string{"read: {J1.10: OL}", "read: {J1.1: 0.000}"}, Fail, "GND is out of range"},
		{"a ground pin in ohms", []string{"read: {J1.10: 2 Mohm}"}, Fail, "GND is out of range"},
		{"a pin that is not connected", []string{"read: {J1.9: 0.500}"}, Fail, "J1.9 is out of range"},
		{"a pin that is not connected, OL", []string{"read: {J1.9: OL}"}, Pass, ""},
		{"the part was replaced since", []string{"{read: {R1.1: 2 Mohm}, to: R1.2}", "replace: [R1]", finchSweep}, Pass, "every reworked net"},
		{"another part on its net was", []string{"{read: {R1.1: 2 Mohm}, to: R1.2}", "replace: [C1]", finchSweep}, Fail, "KEY is out of range"},
	}
	for _, tt := range tests {
		c, e := openFinch(t, tt.events...)
		g, err := Check(c, e, Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if g.Result != tt.result || !strings.Contains(g.Says, tt.says) {
			t.Errorf("%s: %s, %q; want %s, %q", tt.about, g.Result, g.Says, tt.result, tt.says)
		}
		// No reading that compare calls wrong, and that was the last there, passes.
		list, err := e.Compare(c)
		if err != nil {
			t.Fatal(err)
		}
		if r := list[len(list)-1]; g.Passed() && r.Circuit != diagnose.Agrees {
			t.Errorf("%s: it passes, and compare calls %s %s", tt.about, r.At, r.Verdict)
		}
	}
}

// TestGroundInOhms: a ground pin in resistance mode is judged like any other reading.
func TestGroundInOhms(t *testing.T) {
	for shown, want := range map[string]diagnose.Verdict{
		"0.0 ohm": diagnose.Agrees, "0.4 ohm": diagnose.Agrees, "2.0 ohm": diagnose.Agrees,
		"5 ohm": diagnose.High, "100 ohm": diagnose.High, "2 Mohm": diagnose.High,
		"OL ohm": diagnose.IsOpen, "OL": diagnose.IsOpen, "0.002": diagnose.Agrees, "0.200": diagnose.High,
	} {
		c, e := openFinch(t, "read: {J1.10: "+shown+"}")
		list, err := e.Compare(c)
		if err != nil {
			t.Fatal(err)
		}
		if r := list[len(list)-1]; r.Verdict != want {
			t.Errorf("%s at a ground pin: %s, want %s", shown, r.Verdict, want)
		}
	}
}
