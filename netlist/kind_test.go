package netlist

import (
	"fmt"
	"strings"
	"testing"
)

func TestWordsForKinds(t *testing.T) {
	for word, want := range map[string]Kind{
		"cap": Capacitor, "CAP": Capacitor, "Res": Resistor, "IC": IC, "esd": TVS, "TVS": TVS, "ferrite": Bead, "LED": Diode,
		"resistor": Resistor, "Resistor": Resistor,
	} {
		if got, ok := ParseKind(word); !ok || got != want {
			t.Errorf("ParseKind(%q) = %v, %v; want %v", word, got, ok, want)
		}
		pins := map[Kind]string{IC: "{1: A, 2: GND}"}[want]
		if pins == "" {
			pins = "[A, GND]"
		}
		b, err := Parse(strings.NewReader(fmt.Sprintf("board: B\nparts: {X1: {kind: %s, pins: %s}}\n", word, pins)), "b.yaml")
		if err != nil || b.Parts[0].Kind != want {
			t.Errorf("kind: %s: %v", word, err)
		}
	}
	for _, word := range []string{"ntc", "npn", "oscillator", "caps", ""} {
		if got, ok := ParseKind(word); ok {
			t.Errorf("ParseKind(%q) = %v; a person has to say what is meant", word, got)
		}
	}
}

// A value of three digits on a resistor is asked about, as it may be the code that is
// printed on the part.
func TestMarkedValues(t *testing.T) {
	for _, tt := range []struct{ value, want string }{
		{"222", "b.yaml:4:4: the value 222 of the resistor R1 is taken for 222 ohm; write 222R if that is meant, or 2K2 if 222 is what is printed on the part"},
		{"100", "b.yaml:4:4: the value 100 of the resistor R1 is taken for 100 ohm; write 100R if that is meant, or 10R if 100 is what is printed on the part"},
		{"222R", ""},
		{"2K2", ""},
		{"22", ""},
		{"1000", ""},
		{"222 ohm", ""},
	} {
		b, err := Parse(strings.NewReader("board: B\nconnectors: {J1: {pins: [A, GND]}}\nparts:\n   R1: {kind: resistor, value: "+tt.value+", pins: [A, GND]}\n"), "b.yaml")
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, w := range b.Warnings() {
			got += w.Error()
		}
		if got != tt.want {
			t.Errorf("value: %s: %q, want %q", tt.value, got, tt.want)
		}
	}
}
