package draft

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The same invented lamp as each program and release writes it: testdata/lamp-*. What
// is read from a release is what it says; the graph is the same in all of them.
func TestFormats(t *testing.T) {
	for _, test := range []struct {
		file string
		// titled tells that the file has a title; symbols, that it says what the
		// pins of symbols are called; values, that it has values.
		titled, symbols, values bool
	}{
		{"lamp-4.net", true, true, true},
		{"lamp-5.net", true, true, true},
		{"lamp-6.net", true, true, true},
		{"lamp-8.net", true, true, true},
		{"lamp-9.net", true, true, true},
		{"lamp-generated.net", false, true, true},
		{"lamp-earlier.net", false, false, true},
		{"lamp-4.kicad_pcb", true, false, true},
		{"lamp-5.kicad_pcb", true, false, true},
		{"lamp-6.kicad_pcb", true, true, true},
		{"lamp-8.kicad_pcb", true, true, true},
		{"lamp-9.kicad_pcb", true, true, true},
		{"lamp.ipc", false, false, false},
		{"lamp.csv", false, true, true},
	} {
		t.Run(test.file, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join("testdata", test.file))
			if err != nil {
				t.Fatal(err)
			}
			s, err := Read(strings.NewReader(string(text)), test.file, nil)
			if err != nil {
				t.Fatal(err)
			}
			d, err := Make(s, "", nil)
			if err != nil {
				t.Fatal(err)
			}
			b, file := again(t, d)
			got := graph(b)
			want := map[string]string{
				"J1.1": "GND", "J1.2": "+3.3V", "J1.3": "KEY", "J1.4": "",
				"R1": "resistor 4700", "R1.1": "+3.3V", "R1.2": "KEY",
				"D1": "diode", "D1.a": "KEY", "D1.k": "GND",
				"Q1": "transistor", "Q1.g": "KEY", "Q1.s": "GND", "Q1.d": "U_IN",
				"U1": "ic", "U1.1": "+3.3V", "U1.2": "GND", "U1.3": "U_IN", "U1.4": "",
				"C1": "capacitor 1e-07", "C1.1": "+3.3V", "C1.2": "GND",
				"TP1": "U_IN", "ground": "GND",
			}
			if !test.values {
				want["R1"], want["C1"] = "resistor", "capacitor"
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-want +got):\n%s\n%s", diff, file)
			}
			name := "Lamp"
			if !test.titled {
				name = strings.TrimSuffix(test.file, filepath.Ext(test.file))
				name = strings.TrimSuffix(name, "-generated") // says what it was made from
			}
			if b.Name != name || test.titled && b.Revision != "B" {
				t.Errorf("board %q, revision %q", b.Name, b.Revision)
			}
			marks := strings.Count(file, "which pad is which") + strings.Count(file, "which end is the cathode")
			if test.symbols != (marks == 0) {
				t.Errorf("%d marks of guessed pins:\n%s", marks, file)
			}
			left := ""
			for _, l := range d.LeftOut {
				left += l.Name + " "
			}
			if test.file != "lamp.ipc" && left != "R9 H1 " {
				t.Errorf("left out: %s", left)
			}
		})
	}
}
