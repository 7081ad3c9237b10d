package netlist

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/dominikbraun/graph"
	"github.com/google/go-cmp/cmp"
)

func graphOf(t testing.TB, b *Board) *Graph {
	t.Helper()
	g, err := b.Graph()
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func names(b *Board, l Line) (nets, parts string) {
	var n, p []string
	for _, id := range l.Nets {
		n = append(n, b.Nets[id].Name)
	}
	for _, id := range l.Parts {
		p = append(p, b.Parts[id].Name)
	}
	return strings.Join(n, " "), strings.Join(p, " ")
}

// Predictions by hand from the drawing in testdata/kestrel.yaml.
func TestLine(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	g := graphOf(t, b)
	tests := []struct {
		start       string
		at          Stop
		nets, parts string
	}{
		{"TP_INT", AtRails, "TP_INT TP_INT_U VTP_1V8 GND", "R12 R13 C40 U5"},
		{"TP_INT", AtGround, "TP_INT TP_INT_U VTP_1V8 GND", "R12 R13 C40 U5 C41"},
		{"TP_SDA", AtRails, "TP_SDA TP_SDA_U GND", "FL3 D2 U5"},
		{"TP_RST", AtRails, "TP_RST TP_RST_U", "R14 U5"},
		{"VTP_1V8", AtRails, "VTP_1V8 TP_INT_U GND TP_INT", "R13 C41 U5 R12 C40"},
		{"GND", AtGround, "GND", ""},
	}
	for _, test := range tests {
		nets, parts := names(b, g.Line(net(t, b, test.start), test.at))
		if nets != test.nets || parts != test.parts {
			t.Errorf("line from %s: nets %q parts %q, want %q and %q", test.start, nets, parts, test.nets, test.parts)
		}
	}
}

// draw writes a tree as indented text.
func draw(b *Board, s *strings.Builder, br Branch) {
	s.WriteString(strings.Repeat("  ", br.Depth))
	if br.Part != None {
		p := &b.Parts[br.Part]
		fmt.Fprintf(s, "%s.%s", p.Name, p.Terminals[br.In].Name)
		if br.Out != None {
			fmt.Fprintf(s, " -> %s", p.Terminals[br.Out].Name)
		}
		s.WriteByte(' ')
	}
	if br.Net != None {
		s.WriteString(b.Nets[br.Net].Name)
	}
	if br.Again {
		s.WriteString(" (again)")
	}
	s.WriteByte('\n')
	for _, c := range br.Children {
		draw(b, s, c)
	}
}

func TestTree(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	loop, err := Parse(strings.NewReader(`board: Loop
nets: {V: {rail: yes}}
parts:
  R1: {kind: resistor, value: 1k, pins: [A, B]}
  R2: {kind: resistor, value: 1k, pins: [A, B]}
  R3: {kind: resistor, value: 1k, pins: [B, C]}
  R4: {kind: resistor, value: 1k, pins: [C, A]}
  R5: {kind: resistor, value: 1k, pins: [C, V]}
  R6: {kind: resistor, value: 1k, pins: [B, V]}
  R7: {kind: resistor, value: 1k, pins: [V, D]}
  T1: {kind: choke, pins: {1: C, 2: E, 3: GND, 4: F}}
  Q1: {kind: transistor, pins: {g: E, d: A, s: GND}}
`), "loop.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var s strings.Builder
	draw(b, &s, graphOf(t, b).Tree(net(t, b, "TP_INT"), AtRails))
	s.WriteByte('\n')
	draw(loop, &s, graphOf(t, loop).Tree(net(t, loop, "A"), AtRails))
	const want = `TP_INT
  R12.1 -> 2 TP_INT_U
    R13.1 -> 2 VTP_1V8
    C40.1 -> 2 GND
    U5.B2 

A
  R2.1 -> 2 B (again)
  Q1.d -> s GND
  Q1.d -> g E
    T1.2 -> 1 C (again)
    Q1.g -> s GND
  R1.1 -> 2 B
    R2.2 -> 1 A (again)
    R3.1 -> 2 C (again)
    R6.1 -> 2 V
  R4.2 -> 1 C
    R3.2 -> 1 B (again)
    R5.1 -> 2 V
    T1.1 -> 2 E (again)
`
	// By hand: every net stands at its least depth, and a way back is not drawn; what ends
	// comes first, then what goes on, the longest last.
	if diff := cmp.Diff(want, s.String()); diff != "" {
		t.Errorf("trees (-want +got):\n%s", diff)
	}
}

// TestGraph counts the vertices and edges of a board by hand, and compares the lines of
// whole boards with what the library finds once ground, rails and ends of lines are taken
// out.
func TestGraph(t *testing.T) {
	small, err := Parse(strings.NewReader("board: X\nparts:\n  R1: {kind: resistor, value: 1k, pins: [A, B]}\n  R2: {kind: resistor, value: 1k, pins: [A, B]}\n  R3: {kind: resistor, value: 1k, pins: [B, B]}\n  C1: {kind: capacitor, pins: [B, GND]}\n  U1: {kind: ic, pins: {1: A, 2: A}}\n"), "x.yaml")
	if err != nil {
		t.Fatal(err)
	}
	// A, B and GND; R1, R2 and C1 with two edges each, and U1's pins with one.
	counted, err := small.vertices()
	if err != nil {
		t.Fatal(err)
	}
	order, _ := counted.Order()
	size, _ := counted.Size()
	if order != 3+3+2 || size != 3*2+2 {
		t.Errorf("%d vertices and %d edges; want 8 and 8", order, size)
	}
	if nets, parts := names(small, graphOf(t, small).Line(net(t, small, "A"), AtGround)); nets != "A B GND" || parts != "R1 R2 U1 C1" {
		t.Errorf("parallel parts: %q, %q", nets, parts)
	}

	generated, err := Parse(strings.NewReader(generated(100)), "generated.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range []*Board{load(t, "testdata/kestrel.yaml"), load(t, "testdata/messy.yaml"), generated} {
		g := graphOf(t, b)
		for _, at := range []Stop{AtGround, AtRails} {
			pruned, err := b.vertices()
			if err != nil {
				t.Fatal(err)
			}
			edges, err := pruned.Edges()
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range edges {
				if e.Source.Net != None && g.stops(e.Source.Net, at) || e.Target.Net != None && g.stops(e.Target.Net, at) {
					if err := pruned.RemoveEdge(e.Source, e.Target); err != nil {
						t.Fatal(err)
					}
				}
			}
			for i := range b.Nets {
				start := NetID(i)
				if g.stops(start, at) {
					continue
				}
				got, want := map[NetID]bool{}, map[NetID]bool{}
				for _, n := range g.Line(start, at).Nets {
					got[n] = !g.stops(n, at)
				}
				maps.DeleteFunc(got, func(_ NetID, on bool) bool { return !on })
				err := graph.BFS(pruned, netVertex(start), func(v Vertex) bool {
					if v.Net != None {
						want[v.Net] = true
					}
					return false
				})
				if err != nil {
					t.Fatal(err)
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("%s, line of %s (-library +got):\n%s", b.Name, b.Nets[i].Name, diff)
				}
			}
		}
	}
}

func TestEdits(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	r12, fl3 := part(t, b, "R12"), part(t, b, "FL3")
	var untouched Edits
	removed := untouched.Remove(r12)
	if untouched.Key() != "" || !removed.Of(r12).Removed || untouched.Of(r12).Removed {
		t.Errorf("Remove changed the edits it was called on, or did nothing: %q, %q", untouched.Key(), removed.Key())
	}
	if paths := removed.Paths(b, r12); len(paths) != 0 {
		t.Errorf("a removed part conducts: %v", paths)
	}
	// A part put back conducts as before, but its joints are new.
	if again := removed.Reinstall(r12); again.Of(r12) != (Edit{Part: r12, Reinstalled: true}) || !again.AsDrawn() || removed.AsDrawn() {
		t.Errorf("removed and reinstalled is %q, as drawn %t; removed only, as drawn %t", again.Key(), again.AsDrawn(), removed.AsDrawn())
	}
	if got := removed.Replace(r12).Of(r12); got != (Edit{Part: r12, Replaced: true}) {
		t.Errorf("removed and replaced is %+v", got)
	}
	if got := removed.Replace(r12).Remove(r12).Reinstall(r12).Of(r12); !got.Replaced {
		t.Errorf("a new part removed and put back is no longer new: %+v", got)
	}

	// A bridge over a filter lies from in to out and leaves the shunt path.
	bridged := untouched.Jumper(fl3, 0)
	paths := bridged.Paths(b, fl3)
	want := []Path{
		{From: 0, To: 1, Element: Resistive, Ohms: 2, Stated: true},
		{From: 0, To: 2},
		{From: 1, To: 2},
		{From: 0, To: 1, Element: Resistive, Ohms: 0.001, Stated: true},
	}
	if diff := cmp.Diff(want, paths); diff != "" {
		t.Errorf("bridged filter (-want +got):\n%s", diff)
	}
	off := untouched.Remove(fl3).Jumper(fl3, 0.05)
	if diff := cmp.Diff([]Path{{From: 0, To: 1, Element: Resistive, Ohms: 0.05, Stated: true}}, off.Paths(b, fl3)); diff != "" {
		t.Errorf("filter removed and bridged (-want +got):\n%s", diff)
	}
	if got := off.Remove(fl3).Paths(b, fl3); len(got) != 0 {
		t.Errorf("removing took the part but not the bridge: %v", got)
	}

	// The order of edits to different parts does not matter.
	one, other := untouched.Remove(r12).Replace(fl3), untouched.Replace(fl3).Remove(r12)
	if !one.Equal(other) || one.Key() != other.Key() || one.Equal(removed) || one.Key() == removed.Key() {
		t.Errorf("keys %q, %q, %q", one.Key(), other.Key(), removed.Key())
	}
	if got := one.List(); !slices.IsSortedFunc(got, func(a, b Edit) int { return int(a.Part - b.Part) }) || len(got) != 2 {
		t.Errorf("list %v", got)
	}
}

func TestCapacitance(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	r12, c40 := part(t, b, "R12"), part(t, b, "C40")
	tests := []struct {
		name  string
		net   string
		edits Edits
		want  float64
	}{
		{"through the resistor", "TP_INT", Edits{}, 15e-12},
		{"resistor removed", "TP_INT", Edits{}.Remove(r12), 0},
		{"resistor removed and bridged", "TP_INT", Edits{}.Remove(r12).Jumper(r12, 0), 15e-12},
		{"capacitor removed", "TP_INT", Edits{}.Remove(c40), 0},
		{"rail", "VTP_1V8", Edits{}, 100e-9 + 15e-12}, // R13 leads on to the line
		{"ground", "GND", Edits{}, 0},
	}
	for _, test := range tests {
		if got := b.Capacitance(net(t, b, test.net), test.edits); got < test.want*(1-1e-12) || got > test.want*(1+1e-12) {
			t.Errorf("%s: %g F, want %g", test.name, got, test.want)
		}
	}
	// C*V/I: 200 uF to 3 V at 1 mA takes 0.6 s, and 90 uF 0.27 s, which is not worth reporting.
	if got := Settling(200e-6, 3, 1e-3); got < 0.6-1e-12 || got > 0.6+1e-12 {
		t.Errorf("Settling = %g s, want 0.6", got)
	}
	if got := Settling(90e-6, 3, 1e-3); got != 0 {
		t.Errorf("Settling = %g s, want 0", got)
	}
}

// TestCapacitances asks for every net of a board twice over, in any order: what one
// walk tells of several nets is what a walk from each of them tells.
func TestCapacitances(t *testing.T) {
	for _, file := range []string{"demo/board.yaml", "boards/dock60.yaml", "boards/sensor12.yaml"} {
		b, err := Load("../testdata/" + file)
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(5, 5))
		for _, edits := range []Edits{{}, Edits{}.Remove(0).Remove(5), Edits{}.Remove(PartID(len(b.Parts) / 2))} {
			farads := b.Capacitances(edits)
			for _, n := range append(r.Perm(len(b.Nets)), r.Perm(len(b.Nets))...) {
				if got, want := farads(NetID(n)), b.Capacitance(NetID(n), edits); math.Abs(got-want) > 1e-12*want {
					t.Errorf("%s: %s has %g F, want %g F", file, b.Nets[n].Name, got, want)
				}
			}
			if farads(None) != 0 {
				t.Errorf("%s: a pin that not connected (NC) has %g F", file, farads(None))
			}
		}
	}
}

// TestSpelled finds what a person means who does not look at the case of letters; what could
// be two things is left as it came.
func TestSpelled(t *testing.T) {
	b, err := Parse(strings.NewReader("board: X\nconnectors: {J1: {pins: {1: SDA, 2: sda, 3: Scl, 4: GND}}}\nparts: {R1: {kind: resistor, value: 1k, pins: [SDA, Scl]}}\n"), "x.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"r1": "R1", "r1.2": "R1.2", "j1": "J1", "SCL": "Scl", "sda": "sda", "Sda": "Sda", "r9": "r9",
		"j1.1 to j1.2": "J1.1 to J1.2", "j1.3-r1.2": "J1.3-R1.2", "j1.1-j1.9": "j1.1-j1.9",
	} {
		if got := b.Spelled(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	if at, err := Meant(b, b.Point, "sda"); err != nil || b.PointName(at) != "sda" {
		t.Errorf("a name as it is: %v, %v", at, err)
	}
	if _, err := Meant(b, b.Point, "Sda"); err == nil {
		t.Error("one of two points is taken")
	}
}
