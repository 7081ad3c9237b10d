package page

import (
	"strings"
	"testing"

	"halfsplit/netlist"
)

// TestJunctionsPoint: a diode or clamp is drawn the way it conducts, seen from the
// line that it hangs from. A one-way clamp has its cathode on the line (package
// netlist, Paths).
func TestJunctionsPoint(t *testing.T) {
	b, err := netlist.Parse(strings.NewReader(`board: K
connectors: {J1: {pins: {1: GND, 2: A}}}
parts:
  D1: {kind: tvs, pins: [A, GND]}
  D2: {kind: tvs, pins: [A, GND], direction: bidirectional}
  D3: {kind: diode, pins: [A, GND]}
  D4: {kind: diode, pins: [GND, A]}
  D5: {kind: diode, pins: {k: A, a: GND}}
  R1: {kind: resistor, value: 1K, pins: [A, GND]}
`), "b.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for part, want := range map[string]way{"D1": towards, "D2": bothWays, "D3": away, "D4": towards, "D5": towards} {
		id, err := b.PartByName(part)
		if err != nil {
			t.Fatal(err)
		}
		p := &b.Parts[id]
		for i := range p.Terminals {
			if p.Terminals[i].Net == b.Ground {
				continue
			}
			if got := conducts(p, int32(i)); got != want {
				t.Errorf("%s is drawn %d, want %d", part, got, want)
			}
		}
	}
	// The bar stands at the cathode: right of the middle for a current that leaves
	// the line, left of it for one that enters.
	for w, bar := range map[way]string{away: "M107 43L107 57", towards: "M93 43L93 57", bothWays: "M100 43L100 57"} {
		var s schematic
		s.junction(100, 50, w, "")
		if got := s.canvas.b.String(); !strings.Contains(got, bar) {
			t.Errorf("way %d has no bar at %s: %s", w, bar, got)
		}
	}
}
