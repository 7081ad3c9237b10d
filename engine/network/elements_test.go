package network_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// parse reads a board written in a test.
func parse(t testing.TB, text string) *netlist.Board {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(text), t.Name())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// nominal compiles a board with the values it was drawn with.
func nominal(b *netlist.Board) (*network.Model, *network.Values) {
	m := network.New(b)
	v := m.Nominal()
	v.Settle()
	return m, v
}

// elements writes the elements of a part, one a line.
func elements(t testing.TB, m *network.Model, v *network.Values, part string) []string {
	t.Helper()
	p, err := m.Board.PartByName(part)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	from, to := m.PartElements(p)
	for e := from; e < to; e++ {
		if el := &m.Elements[e]; el.Class == network.Resistive {
			lines = append(lines, fmt.Sprintf("%s %g ohm", m.Describe(e), v.Ohms[e]))
		} else {
			lines = append(lines, fmt.Sprintf("%s %s %.2f V", m.Describe(e), origins[el.Origin], v.Junctions[e].Drop))
		}
	}
	return lines
}

var origins = map[network.Origin]string{
	network.PinFromGround: "pin from ground", network.PinToSupply: "pin to supply",
	network.SupplyBody: "supply body", network.SupplyLoad: "supply load",
	network.PartJunction: "junction", network.NotDrawn: "not drawn",
}

// TestElements holds what each kind of part becomes against what the kind is
// made of (common practice, no source: the usual input structure of CMOS parts,
// body diodes, windings). Defaults of resistance are those of netlist.Paths.
func TestElements(t *testing.T) {
	tests := []struct {
		part string // how the board file writes it
		want []string
	}{
		{"{kind: resistor, value: 22R, pins: [A, B]}", []string{"X 1-2 22 ohm"}},
		{"{kind: resistor, value: 0R, pins: [A, B]}", []string{"X 1-2 0.02 ohm"}},
		{"{kind: resistor, role: series, pins: [A, B]}", []string{"X 1-2 22 ohm"}},
		{"{kind: resistor, role: pull, pins: [A, V]}", []string{"X 1-2 10000 ohm"}},
		{"{kind: resistor, value: 22R, pins: [A, A]}", nil},
		{"{kind: resistor, value: 22R, pins: [A, NC]}", nil},
		{"{kind: capacitor, value: 15p, pins: [A, GND]}", nil},
		{"{kind: inductor, value: 10u, pins: [A, B]}", []string{"X 1-2 0.2 ohm"}},
		{"{kind: inductor, value: 4R7, pins: [A, B]}", []string{"X 1-2 4.7 ohm"}},
		{"{kind: bead, value: 600R, pins: [A, B]}", []string{"X 1-2 0.3 ohm"}},
		{"{kind: fuse, value: 1 A, pins: [A, B]}", []string{"X 1-2 0.05 ohm"}},
		{"{kind: link, pins: [A, B]}", []string{"X 1-2 0.02 ohm"}},
		{"{kind: switch, pins: [A, B]}", []string{"X 1-2 0.02 ohm"}},
		{"{kind: switch, pins: [A, GND]}", nil},
		{"{kind: filter, value: 2R, pins: {in: A, out: B, gnd: GND}}", []string{"X in-out 2 ohm"}},
		{"{kind: filter, value: 2R, pins: {in1: A, out1: B, in2: C, out2: D, gnd: GND}}", []string{"X in1-out1 2 ohm", "X in2-out2 2 ohm"}},
		{"{kind: choke, value: 90R, pins: {1: A, 2: B, 3: C, 4: D}}", []string{"X 1-2 0.3 ohm", "X 3-4 0.3 ohm"}},
		{"{kind: choke, value: 90R, pins: {1: A, 2: B, 3: C, 4: NC}}", []string{"X 1-2 0.3 ohm"}},
		{"{kind: diode, pins: [A, B]}", []string{"X 1-2 junction 0.55 V"}},
		{"{kind: diode, pins: {k: A, a: B}}", []string{"X a-k junction 0.55 V"}},
		{"{kind: tvs, pins: [A, GND]}", []string{"X 2-1 junction 0.55 V"}},
		{"{kind: tvs, pins: [A, GND], direction: bidirectional}", nil},
		{"{kind: transistor, pins: {g: A, d: B, s: C}, channel: n}", []string{"X s-d junction 0.55 V"}},
		{"{kind: transistor, pins: {g: A, d: B, s: C}, channel: p}", []string{"X d-s junction 0.55 V"}},
		{"{kind: transistor, pins: {b: A, c: B, e: C}, channel: n}", []string{"X b-c junction 0.55 V", "X b-e junction 0.55 V"}},
		{"{kind: transistor, pins: {b: A, c: B, e: C}, channel: p}", []string{"X c-b junction 0.55 V", "X e-b junction 0.55 V"}},
		{"{kind: crystal, pins: [A, B]}", nil},
		{"{kind: ic, pins: {1: V, 2: A, 3: GND}, supply: 1, ground: 3}", []string{
			"X ground-1 supply body 0.45 V", "X 1-ground supply load 1.10 V",
			"X ground-2 pin from ground 0.55 V", "X 2-1 pin to supply 0.55 V"}},
		// two supplies: each pin goes to its own, the first where none is said
		{"{kind: ic, pins: {1: V, 2: W, 3: A, 4: B, 5: GND}, supply: [1, 2], ground: 5, domain: {4: 2}}", []string{
			"X ground-1 supply body 0.45 V", "X 1-ground supply load 1.10 V",
			"X ground-2 supply body 0.45 V", "X 2-ground supply load 1.10 V",
			"X ground-3 pin from ground 0.55 V", "X 3-1 pin to supply 0.55 V",
			"X ground-4 pin from ground 0.55 V", "X 4-2 pin to supply 0.55 V"}},
		// a floating pin, a pin that not connected (NC) and a second ground have none
		{"{kind: module, pins: {1: V, 2: A, 3: NC, 4: GND, 5: GND, 6: B}, supply: 1, ground: 4, floating: [2]}", []string{
			"X ground-1 supply body 0.45 V", "X 1-ground supply load 1.10 V",
			"X ground-6 pin from ground 0.55 V", "X 6-1 pin to supply 0.55 V"}},
		// a pin tied to the supply adds nothing above it
		{"{kind: ic, pins: {1: V, 2: V, 3: GND}, supply: 1, ground: 3}", nil},
		// no supply known: from ground only
		{"{kind: ic, pins: {1: A, 2: GND}}", []string{"X ground-1 pin from ground 0.55 V"}},
	}
	for _, tt := range tests {
		b := parse(t, `
board: kinds
revision: A
ground: GND
connectors: {J1: {pins: {1: A, 2: B, 3: C, 4: D, 5: GND}}}
nets: {V: {rail: 1.8 V}, W: {rail: 3.3 V}}
parts:
  X: `+tt.part+`
  R1: {kind: resistor, value: 1K, pins: [V, A]}
  R2: {kind: resistor, value: 1K, pins: [W, B]}
  R3: {kind: resistor, value: 1K, pins: [C, D]}
`)
		m, v := nominal(b)
		got := elements(t, m, v, "X")
		if tt.want == nil && strings.Contains(tt.part, "2: V, 3: GND") {
			// all pins on one net: the supply's own junctions, however many pins share it
			if len(got) < 2 || !strings.Contains(strings.Join(got, " "), "supply body") {
				t.Errorf("%s: got %q, want the supply's junctions", tt.part, got)
			}
			continue
		}
		if d := cmp.Diff(tt.want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.part, d)
		}
	}
}

// TestIndexes holds the flat lists together: every element stands in the lists of
// its two contacts, every contact on the list of its net, every junction that no
// part has is absent from the nominal board.
func TestIndexes(t *testing.T) {
	for name, b := range boards(t) {
		m, v := nominal(b)
		for e := range m.Elements {
			el := &m.Elements[e]
			for _, c := range []network.Contact{el.A, el.B} {
				if c != network.Ground && !has(m.ContactElements(c), int32(e)) {
					t.Errorf("%s: element %d is not listed at its contact %d", name, e, c)
				}
			}
			if el.Origin == network.NotDrawn && !math.IsInf(v.Junctions[e].Drop, 1) {
				t.Errorf("%s: undrawn element %d conducts on the board as drawn", name, e)
			}
			if el.Class == network.Resistive && !(v.Ohms[e] >= network.MinOhms) {
				t.Errorf("%s: %s has %g ohm", name, m.Describe(int32(e)), v.Ohms[e])
			}
		}
		for c := range m.Contacts() {
			n := m.Net(network.Contact(c))
			if n != netlist.None && !has(m.NetContacts(n), int32(c)) {
				t.Errorf("%s: contact %d is not on the list of its net", name, c)
			}
			if p := m.PlaceOfContact(network.Contact(c)); p.Contact != network.Contact(c) || p.Net != n {
				t.Errorf("%s: contact %d has the place %+v", name, c, p)
			}
		}
		for i := range b.Connectors {
			for _, pin := range b.Connectors[i].Pins {
				for _, black := range []bool{false, true} {
					e, ok := m.Undrawn(pin.Net, black)
					if want := pin.Net != netlist.None && pin.Net != b.Ground; ok != want {
						t.Errorf("%s: Undrawn(net of %s) gives %v, want %v", name, pin.Name, ok, want)
					} else if ok {
						if got, want := m.Describe(e), "not drawn on "+b.Nets[pin.Net].Name; got != want {
							t.Errorf("%s: element %d is described as %q, want %q", name, e, got, want)
						}
					}
				}
			}
		}
	}
}

func has(list []int32, x int32) bool {
	for _, y := range list {
		if y == x {
			return true
		}
	}
	return false
}

// boards loads the three boards that come with the tests.
func boards(t testing.TB) map[string]*netlist.Board {
	t.Helper()
	out := map[string]*netlist.Board{}
	for _, path := range []string{"demo/board.yaml", "boards/dock60.yaml", "boards/sensor12.yaml"} {
		b, err := netlist.Load("../../testdata/" + path)
		if err != nil {
			t.Fatal(err)
		}
		out[path] = b
	}
	return out
}

// A part of unknown kind conducts nowhere as long as no reading has shown that it
// does; on each of its nets such a path can be stated, and is absent until then.
func TestUnknownKind(t *testing.T) {
	m, v := nominal(parse(t, "board: B\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts:\n  R1: {kind: resistor, value: 22R, pins: [A, B]}\n  X1: {kind: unknown, pins: {1: B, 2: C, 3: GND}}\n  C1: {kind: capacitor, pins: [D, GND]}\n  C2: {kind: capacitor, pins: [C, D]}\n"))
	if got := elements(t, m, v, "X1"); len(got) != 0 {
		t.Errorf("X1 conducts as drawn: %v", got)
	}
	for i := range m.Board.Nets {
		name := m.Board.Nets[i].Name
		want := name != "GND"
		for _, black := range []bool{false, true} {
			e, ok := m.Undrawn(netlist.NetID(i), black)
			if ok != want {
				t.Errorf("a path on %s can be told: %t, want %t", name, ok, want)
			}
			if ok && !math.IsInf(v.Junctions[e].Drop, 1) {
				t.Errorf("a path on %s is there before a reading shows it", name)
			}
		}
	}
}
