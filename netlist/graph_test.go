package netlist

import (
	"fmt"
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

func TestBehind(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	g := graphOf(t, b)
	tests := []struct{ part, from, nets, parts string }{
		{"R12", "TP_INT", "TP_INT_U VTP_1V8 GND", "R13 C40 U5"},
		{"R12", "TP_INT_U", "TP_INT", ""},
		{"C40", "TP_INT", "GND", ""},
		{"R13", "TP_INT", "VTP_1V8", ""},
		{"FL3", "TP_SDA", "TP_SDA_U", "U5"},
		{"R14", "TP_INT", "", ""}, // on another line
	}
	for _, test := range tests {
		nets, parts := names(b, g.Behind(part(t, b, test.part), net(t, b, test.from), AtRails))
		if nets != test.nets || parts != test.parts {
			t.Errorf("behind %s from %s: nets %q parts %q, want %q and %q", test.part, test.from, nets, parts, test.nets, test.parts)
		}
	}

	// A parallel part keeps the line joined: nothing is behind either.
	parallel, err := Parse(strings.NewReader("board: X\nparts:\n  R1: {kind: resistor, value: 1k, pins: [A, B]}\n  R2: {kind: resistor, value: 1k, pins: [A, B]}\n  C1: {kind: capacitor, pins: [B, GND]}\n"), "x.yaml")
	if err != nil {
		t.Fatal(err)
	}
	g = graphOf(t, parallel)
	if nets, parts := names(parallel, g.Behind(0, 0, AtGround)); nets != "" || parts != "" {
		t.Errorf("behind one of two parallel parts: %q, %q", nets, parts)
	}
	if nets, parts := names(parallel, g.Line(0, AtGround)); nets != "A B GND" || parts != "R1 R2 C1" {
		t.Errorf("parallel parts: %q, %q", nets, parts)
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
  R1.1 -> 2 B
    R2.2 -> 1 A (again)
    R3.1 -> 2 C (again)
    R6.1 -> 2 V
  R2.1 -> 2 B (again)
  R4.2 -> 1 C
    R3.2 -> 1 B (again)
    R5.1 -> 2 V
    T1.1 -> 2 E (again)
  Q1.d -> s GND
  Q1.d -> g E
    T1.2 -> 1 C (again)
    Q1.g -> s GND
`
	// By hand: every net stands at its least depth, and a way back is not drawn.
	if diff := cmp.Diff(want, s.String()); diff != "" {
		t.Errorf("trees (-want +got):\n%s", diff)
	}
}

// Islands partition the nets, and agree with the components that the graph
// library finds once ground, rails and ends of lines are taken out.
func TestIslands(t *testing.T) {
	generated, err := Parse(strings.NewReader(generated(100)), "generated.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range []*Board{load(t, "testdata/kestrel.yaml"), load(t, "testdata/messy.yaml"), generated} {
		g := graphOf(t, b)
		for _, at := range []Stop{AtGround, AtRails} {
			islands := g.Islands(at)
			island := make(map[NetID]int)
			for i, l := range islands {
				for _, n := range l.Nets {
					if _, twice := island[n]; twice {
						t.Errorf("%s: net %s is in two islands", b.Name, b.Nets[n].Name)
					}
					island[n] = i
				}
			}
			if len(island) != len(b.Nets)-1 {
				t.Errorf("%s: %d nets in islands, want all of %d but ground", b.Name, len(island), len(b.Nets))
			}
			// An independent count with the library: its breadth-first search
			// on a copy without the vertices that walks do not pass, chokes
			// and arrays (whose sections are apart) left to the other check.
			pruned := graph.New(func(v Vertex) Vertex { return v })
			for i := range b.Nets {
				if err := pruned.AddVertex(netVertex(NetID(i))); err != nil {
					t.Fatal(err)
				}
			}
			edges, err := g.Bipartite.Edges()
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range edges {
				p, n := e.Source, e.Target
				if p.Part == None {
					p, n = n, p
				}
				kind := b.Parts[p.Part].Kind
				if g.stops(n.Net, at) || !kind.Passes() || kind == Choke || len(b.Parts[p.Part].Terminals) > 3 {
					continue
				}
				_ = pruned.AddVertex(p) // it may be there
				if err := pruned.AddEdge(p, n); err != nil {
					t.Fatal(err)
				}
			}
			for i := range b.Nets {
				start := NetID(i)
				if start == b.Ground {
					continue
				}
				err := graph.BFS(pruned, netVertex(start), func(v Vertex) bool {
					if v.Net != None && island[v.Net] != island[start] {
						t.Errorf("%s: the library joins %s and %s", b.Name, b.Nets[start].Name, b.Nets[v.Net].Name)
					}
					return false
				})
				if err != nil {
					t.Fatal(err)
				}
			}
		}
	}

	// The 20 lines of the generated board are islands of 2 nets and 5 parts
	// each (R, RP, C, D and the IC); the rail is one more.
	islands := graphOf(t, generated).Islands(AtRails)
	if len(islands) != 21 {
		t.Fatalf("%d islands, want 21", len(islands))
	}
	rails := 0
	for _, l := range islands {
		if len(l.Nets) == 1 {
			rails++
			continue
		}
		if len(l.Nets) != 2 || len(l.Parts) != 5 {
			t.Errorf("island of %d nets and %d parts, want 2 and 5", len(l.Nets), len(l.Parts))
		}
	}
	if rails != 1 {
		t.Errorf("%d islands of one net, want the rail", rails)
	}
}

// The graph has a vertex for each net and part and an edge for each pair that
// a terminal joins.
func TestGraph(t *testing.T) {
	b := load(t, "testdata/messy.yaml")
	g := graphOf(t, b)
	order, err := g.Bipartite.Order()
	if err != nil || order != len(b.Nets)+len(b.Parts) {
		t.Errorf("%d vertices, %v; want %d", order, err, len(b.Nets)+len(b.Parts))
	}
	pairs := make(map[[2]int32]bool)
	for i := range b.Parts {
		for _, term := range b.Parts[i].Terminals {
			if term.Net != None {
				pairs[[2]int32{int32(i), int32(term.Net)}] = true
			}
		}
	}
	if size, err := g.Bipartite.Size(); err != nil || size != len(pairs) {
		t.Errorf("%d edges, %v; want %d", size, err, len(pairs))
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
	// C*V/I: 100 uF to 3 V at 1 mA takes 0.3 s.
	if got := Settling(100e-6, 3, 1e-3); got < 0.3-1e-12 || got > 0.3+1e-12 {
		t.Errorf("Settling = %g s, want 0.3", got)
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
