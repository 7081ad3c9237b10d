package network_test

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// A line with a bit of everything; invented.
const line = `
board: line
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: L, 2: M, 3: V, 4: NC, 5: GND}}}
nets:
  V: {rail: 1.8 V}
  L: {along: [J1.1, D1.1, TP1, R1.1]}
test_points: {TP1: L}
parts:
  D1: {kind: tvs, pins: [L, GND]}
  R1: {kind: resistor, value: 100R, pins: [L, L_U]}
  R2: {kind: resistor, value: 1K, pins: [V, L_U], role: pull}
  C1: {kind: capacitor, value: 1n, pins: [L_U, GND]}
  L1: {kind: choke, value: 90R, pins: {1: M, 2: M_U, 3: N, 4: N_U}}
  R3: {kind: resistor, value: 47R, pins: [N, GND]}
  Q1: {kind: transistor, pins: {g: M, d: V, s: L}, channel: n}
  U1: {kind: ic, pins: {1: V, 2: L_U, 3: GND, 4: M_U, 5: N_U}, supply: 1, ground: 3}
`

// bench reads one board; every call starts from a fresh solution.
type bench struct {
	t testing.TB
	b *netlist.Board
	m *network.Model
	v *network.Values
	w *network.Workspace
}

func newBench(t testing.TB, text string) *bench {
	t.Helper()
	b := parse(t, text)
	m, v := nominal(b)
	return &bench{t, b, m, v, network.NewWorkspace(m)}
}

func (x *bench) place(name string) network.Place {
	x.t.Helper()
	p, err := x.b.Point(name)
	if err != nil {
		x.t.Fatal(err)
	}
	return x.m.PlaceOf(p)
}

func (x *bench) part(name string) netlist.PartID {
	x.t.Helper()
	p, err := x.b.PartByName(name)
	if err != nil {
		x.t.Fatal(err)
	}
	return p
}

func (x *bench) contact(name string) network.Contact { return x.place(name).Contact }

// read gives the volts at a point on the whole board; red on ground, or black. The
// pruned walk has to give the same within prunedGap.
func (x *bench) read(at string, black bool, st network.State) float64 {
	x.t.Helper()
	p := network.Probe{Plus: x.m.GroundPlace(), Minus: x.place(at), Meter: oneMilliampere}
	if black {
		p.Plus, p.Minus = p.Minus, p.Plus
	}
	pruned, whole := workspaces(x.m)
	if g := gap(x.t, pruned, whole, p, &st, x.v); g > prunedGap {
		x.t.Errorf("%s: the pruned walk is %.3f mV off with %+v", at, g*1e3, st.Changes)
	}
	r, err := whole.Read(p, &st, x.v)
	if err != nil {
		x.t.Fatal(err)
	}
	if r.Over {
		return math.Inf(1)
	}
	return r.Volts
}

func changes(c ...network.Change) network.State {
	for i := range c {
		c[i].Owner = netlist.None
	}
	return network.State{Changes: c}
}

// close tells that two readings agree to a microvolt, or are both OL.
func close(a, b float64) bool { return a == b || math.Abs(a-b) < 1e-6 }

// without takes lines of a board away and puts others in.
func without(text string, lines ...string) string {
	for i := 0; i < len(lines); i += 2 {
		if strings.Count(text, lines[i]) != 1 {
			panic("the board has not one " + lines[i])
		}
		text = strings.Replace(text, lines[i], lines[i+1], 1)
	}
	return text
}

// TestChangesAgainstDrawnBoards holds each change against a board drawn with the
// fault in it. No source: the two are one circuit. 1 microvolt.
func TestChangesAgainstDrawnBoards(t *testing.T) {
	x := newBench(t, line)
	r1, _ := x.m.PartElements(x.part("R1"))
	lu, gnd := x.place("L_U"), x.m.GroundPlace()
	inf := math.Inf(1)
	detach := func(at string, ohms float64) network.Change {
		return network.Change{Kind: network.Detach, Contact: x.contact(at), Ohms: ohms}
	}
	tests := []struct {
		about string
		st    network.State
		drawn string
	}{
		{"R1 open", changes(network.Change{Kind: network.Cut, Element: r1, Ohms: inf}), without(line, "  R1: {kind: resistor, value: 100R, pins: [L, L_U]}\n", "", ", R1.1]", "]")},
		{"R1 raised", changes(network.Change{Kind: network.Cut, Element: r1, Ohms: 350}), without(line, "value: 100R", "value: 450R")},
		{"R1 removed", changes(network.Change{Kind: network.Remove, Part: x.part("R1")}), without(line, "  R1: {kind: resistor, value: 100R, pins: [L, L_U]}\n", "", ", R1.1]", "]")},
		{"C1 leaky", changes(network.Change{Kind: network.AddPath, A: lu, B: gnd, Ohms: 470}), without(line, "C1: {kind: capacitor, value: 1n, pins: [L_U, GND]}", "C1: {kind: resistor, value: 470R, pins: [L_U, GND]}")},
		{"joint of U1.2 open", changes(detach("U1.2", inf)), without(line, "2: L_U, 3", "2: X, 3")},
		{"joint of U1.2 poor", changes(detach("U1.2", 33)), without(line, "2: L_U, 3", "2: X, 3", "  U1:", "  R9: {kind: resistor, value: 33R, pins: [L_U, X]}\n  U1:")},
		{"supply high-resistance joint", changes(detach("U1.1", 330)), without(line, "1: V, 2: L_U", "1: X, 2: L_U", "  U1:", "  R9: {kind: resistor, value: 330R, pins: [V, X], role: series}\n  U1:")},
		{"two windings open", changes(
			network.Change{Kind: network.Cut, Element: first(x, "L1"), Ohms: inf},
			network.Change{Kind: network.Cut, Element: first(x, "L1") + 1, Ohms: inf}), without(line, "  L1: {kind: choke, value: 90R, pins: {1: M, 2: M_U, 3: N, 4: N_U}}\n", "")},
		{"bridge of two lines", changes(network.Change{Kind: network.AddPath, A: x.place("J1.1"), B: x.place("J1.2"), Ohms: 3}), without(line, "  U1:", "  R9: {kind: resistor, value: 3R, pins: [L, M]}\n  U1:")},
		{"open and poor of one terminal", changes(detach("U1.2", 33), detach("U1.2", inf)), without(line, "2: L_U, 3", "2: X, 3")},
		{"poor twice at one terminal", changes(detach("U1.2", 33), detach("U1.2", 14)), without(line, "2: L_U, 3", "2: X, 3", "  U1:", "  R9: {kind: resistor, value: 47R, pins: [L_U, X]}\n  U1:")},
		{"R1 cut twice", changes(network.Change{Kind: network.Cut, Element: r1, Ohms: 100}, network.Change{Kind: network.Cut, Element: r1, Ohms: 250}), without(line, "value: 100R", "value: 450R")},
		{"an open path changes nothing", changes(network.Change{Kind: network.AddPath, A: lu, B: gnd, Ohms: inf}), line},
	}
	for _, tt := range tests {
		y := newBench(t, tt.drawn)
		for _, at := range []string{"J1.1", "J1.2", "J1.3", "L_U"} {
			for _, black := range []bool{false, true} {
				if _, err := y.b.Point(at); err != nil {
					continue
				}
				if got, want := x.read(at, black, tt.st), y.read(at, black, network.State{}); !close(got, want) {
					t.Errorf("%s: %s (black on ground %v) reads %.6f V, drawn so %.6f V", tt.about, at, black, got, want)
				}
			}
		}
	}
}

func first(x *bench, part string) int32 {
	from, _ := x.m.PartElements(x.part(part))
	return from
}

// TestSplitEverywhere breaks the trace of L at each place along it. The line
// hangs from the connector over a TVS to the resistor that feeds it: each
// break takes away what lies behind it.
func TestSplitEverywhere(t *testing.T) {
	x := newBench(t, line)
	l := x.place("L").Net
	order := []string{"J1.1", "D1.1", "TP1", "R1.1"}
	for after := range len(order) - 1 {
		for _, ohms := range []float64{math.Inf(1), 75} {
			// the same drawn as two nets, LA and LB; Q1.s is not along, and stays
			// with the start
			net := func(i int) string {
				if i <= after {
					return "LA"
				}
				return "LB"
			}
			text := without(line,
				"1: L, 2", "1: "+net(0)+", 2",
				"D1: {kind: tvs, pins: [L,", "D1: {kind: tvs, pins: ["+net(1)+",",
				"TP1: L", "TP1: "+net(2),
				"pins: [L, L_U]", "pins: ["+net(3)+", L_U]",
				"s: L}", "s: LA}",
				"  L: {along: [J1.1, D1.1, TP1, R1.1]}\n", "")
			if !math.IsInf(ohms, 1) {
				text = without(text, "  U1:", "  R9: {kind: resistor, value: 75R, pins: [LA, LB], role: series}\n  U1:")
			}
			y := newBench(t, text)
			for _, at := range []string{"J1.1", "D1.1", "TP1", "R1.1", "L_U", "J1.3", "Q1.s"} {
				for _, black := range []bool{false, true} {
					st := changes(network.Change{Kind: network.Split, Net: l, After: int16(after), Ohms: ohms})
					if got, want := x.read(at, black, st), y.read(at, black, network.State{}); !close(got, want) {
						t.Errorf("broken behind %s (%g ohm): %s (black on ground %v) reads %.6f V, drawn so %.6f V", order[after], ohms, at, black, got, want)
					}
				}
			}
		}
	}
}

// TestSplitTwice breaks a trace in two places at once: three pieces.
func TestSplitTwice(t *testing.T) {
	x := newBench(t, line)
	l := x.place("L").Net
	inf := math.Inf(1)
	at := func(after int16) network.Change {
		return network.Change{Kind: network.Split, Net: l, After: after, Ohms: inf}
	}
	for _, st := range []network.State{changes(at(0), at(2)), changes(at(2), at(0))} {
		// D1 and TP1 are alone with each other
		got := x.read("TP1", false, st)
		want := x.read("TP1", false, changes(at(0), network.Change{Kind: network.Remove, Part: x.part("R1")}))
		if !close(got, want) || math.IsInf(got, 1) {
			t.Errorf("the middle piece reads %.6f V, want D1's %.6f V", got, want)
		}
		if got, want := x.read("R1.1", false, st), x.read("R1.1", false, changes(at(2))); !close(got, want) {
			t.Errorf("the last piece reads %.6f V, want %.6f V", got, want)
		}
	}
}

// TestTurned holds a part soldered on turned by half against the board drawn so.
func TestTurned(t *testing.T) {
	tests := []struct{ part, turned string }{
		{"D1: {kind: tvs, pins: [L, GND]}", "D1: {kind: tvs, pins: [GND, L]}"},
		{"D1: {kind: diode, pins: [L, M]}", "D1: {kind: diode, pins: [M, L]}"},
		{"D1: {kind: transistor, pins: {g: L, d: M, s: K}, channel: n}", "D1: {kind: transistor, pins: {g: K, d: M, s: L}, channel: n}"},
		{"D1: {kind: transistor, pins: {b: L, c: M, e: K}, channel: n}", "D1: {kind: transistor, pins: {b: K, c: M, e: L}, channel: n}"},
		{"D1: {kind: filter, value: 2R, pins: {in: L, out: M, gnd: K}}", "D1: {kind: filter, value: 2R, pins: {in: K, out: M, gnd: L}}"},
		{"D1: {kind: choke, value: 90R, pins: {1: L, 2: M, 3: K, 4: N}}", "D1: {kind: choke, value: 90R, pins: {1: N, 2: K, 3: M, 4: L}}"},
	}
	board := func(part string) string {
		return `
board: turned
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: L, 2: M, 3: K, 4: N, 5: V, 6: GND}}}
nets: {V: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 1K, pins: [V, L], role: pull}
  R2: {kind: resistor, value: 2K, pins: [V, M], role: pull}
  U1: {kind: ic, pins: {1: V, 2: N, 3: GND, 4: K}, supply: 1, ground: 3}
  ` + part + "\n"
	}
	for _, tt := range tests {
		x, y := newBench(t, board(tt.part)), newBench(t, board(tt.turned))
		if strings.HasPrefix(tt.part, "D1: {kind: tvs") { // ground is the other end now: drawn as a diode
			y = newBench(t, board("D1: {kind: diode, pins: [L, GND]}"))
		}
		st := changes(network.Change{Kind: network.Turn, Part: x.part("D1")})
		for _, at := range []string{"J1.1", "J1.2", "J1.3", "J1.4", "J1.5"} {
			for _, black := range []bool{false, true} {
				if got, want := x.read(at, black, st), y.read(at, black, network.State{}); !close(got, want) {
					t.Errorf("%s turned: %s (black on ground %v) reads %.6f V, drawn so %.6f V", tt.part, at, black, got, want)
				}
			}
		}
	}
}

// TestEdits holds the bench's edits against hand-made predictions.
func TestEdits(t *testing.T) {
	x := newBench(t, line)
	r1, l1, u1 := x.part("R1"), x.part("L1"), x.part("U1")
	none := netlist.Edits{}
	r1open := network.Change{Kind: network.Cut, Element: first(x, "R1"), Ohms: math.Inf(1), Owner: r1}
	leak := network.Change{Kind: network.AddPath, A: x.place("U1.2"), B: x.m.GroundPlace(), Ohms: 100, Owner: u1}
	joint := network.Change{Kind: network.Detach, Contact: x.contact("R1.1"), Ohms: math.Inf(1), Owner: r1,
		Cure: netlist.ResolderedTerminal(netlist.TerminalRef{Part: r1, Terminal: 0})}
	state := func(e netlist.Edits, c ...network.Change) network.State { return network.State{Edits: e, Changes: c} }
	noR1 := newBench(t, without(line, "  R1: {kind: resistor, value: 100R, pins: [L, L_U]}\n", "", ", R1.1]", "]"))
	noU1 := newBench(t, line[:strings.Index(line, "  U1:")])
	bridged := newBench(t, without(line, "value: 100R", "value: 0.0999R")) // 0.1 ohm across 100
	noL1 := newBench(t, without(line, "  L1: {kind: choke, value: 90R, pins: {1: M, 2: M_U, 3: N, 4: N_U}}\n",
		"  R8: {kind: resistor, value: 0.5R, pins: [M, M_U]}\n  R9: {kind: resistor, value: 0.5R, pins: [N, N_U]}\n"))
	tests := []struct {
		about string
		st    network.State
		as    *bench
	}{
		{"remove", state(none.Remove(r1)), noR1},
		{"remove and reinstall", state(none.Remove(r1).Reinstall(r1)), x},
		{"remove an IC", state(none.Remove(u1)), noU1},
		{"a fault leaves with its part", state(none.Remove(u1), leak), noU1},
		{"and comes back with it", state(none.Remove(r1).Reinstall(r1), r1open), noR1},
		{"a new part has none", state(none.Remove(r1).Replace(r1), r1open), x},
		{"fit over a fault", state(none.Replace(u1), leak), x},
		{"a bridge helps an open part", state(none.Jumper(r1, 0.0999), r1open), bridged},
		{"a bridge helps an open joint", state(none.Jumper(r1, 0.0999), joint), bridged},
		{"a bridge over empty pads", state(none.Remove(r1).Jumper(r1, 0.0999)), bridged},
		{"a bridge lies across both windings", state(none.Remove(l1).Jumper(l1, 0.5)), noL1},
		{"removing takes the bridge along", state(none.Jumper(r1, 0.1).Remove(r1)), noR1},
		{"resoldering repairs a joint", state(none.Repair(joint.Cure), joint), x},
		{"reinstalling repairs a joint", state(none.Remove(r1).Reinstall(r1), joint), x},
	}
	for _, tt := range tests {
		for _, at := range []string{"J1.1", "J1.2", "J1.3", "TP1"} {
			if got, want := x.read(at, false, tt.st), tt.as.read(at, false, network.State{}); math.Abs(got-want) > 2e-6 && got != want {
				t.Errorf("%s: %s reads %.6f V, want %.6f V", tt.about, at, got, want)
			}
		}
	}
}

// TestTwoPoint reads between two points by Ohm's law: a 100 ohm resistor beside
// the 1 kohm and the junctions that lie across it as well.
func TestTwoPoint(t *testing.T) {
	x := newBench(t, line)
	tests := []struct {
		red, black string
		ohms       float64 // between the points, no other way round
	}{
		{"R3.1", "R3.2", 47},
		{"R3.1", "U1.5", 0.3},
		{"R1.1", "J1.1", 0},
	}
	for _, tt := range tests {
		for _, flip := range []bool{false, true} {
			red, black := tt.red, tt.black
			if flip {
				red, black = black, red
			}
			// 0.1 V behind 100 ohm: junctions stay shut
			d := network.Drive{Resistive: true, Current: 1e-3, Open: 0.1, Over: 0.099}
			r, err := x.w.Read(network.Probe{Plus: x.place(red), Minus: x.place(black), Meter: d}, &network.State{}, x.v)
			if err != nil {
				t.Fatal(err)
			}
			want := 0.1 * tt.ohms / (tt.ohms + 100)
			if r.Over || math.Abs(r.Volts-want) > 2e-6 {
				t.Errorf("%s to %s reads %.6f V (OL %v), want %.6f V", red, black, r.Volts, r.Over, want)
			}
		}
	}
	// through R1: the junctions of U1 and D1 in series shunt it by less than 1 uA at 0.1 V
	r, err := x.w.Read(network.Probe{Plus: x.place("R1.1"), Minus: x.place("R1.2"), Meter: network.Drive{Resistive: true, Current: 1e-3, Open: 0.1, Over: 0.099}}, &network.State{}, x.v)
	if err != nil || math.Abs(r.Volts-0.05) > 1e-4 {
		t.Errorf("100 ohm reads %.6f V (%v), want 0.05 V", r.Volts, err)
	}
}

// TestNothingUnderLead shows OL where a lead is on a pin that not connected (NC), and 0
// where both are on one copper.
func TestNothingUnderLead(t *testing.T) {
	x := newBench(t, line)
	tests := []struct {
		about       string
		plus, minus network.Place
		over        bool
	}{
		{"black on NC", x.m.GroundPlace(), x.place("J1.4"), true},
		{"red on NC", x.place("J1.4"), x.m.GroundPlace(), true},
		{"both on NC", x.place("J1.4"), x.place("J1.4"), true},
		{"between NC and a line", x.place("J1.4"), x.place("J1.1"), true},
		{"both on ground", x.m.GroundPlace(), x.m.GroundPlace(), false},
		{"ground pin", x.m.GroundPlace(), x.place("J1.5"), false},
		{"both on a line", x.place("J1.1"), x.place("TP1"), false},
	}
	for _, scope := range []bool{false, true} {
		x.w.Scope = scope
		for _, tt := range tests {
			r, err := x.w.Read(network.Probe{Plus: tt.plus, Minus: tt.minus, Meter: oneMilliampere}, &network.State{}, x.v)
			if err != nil {
				t.Errorf("%s: %v", tt.about, err)
				continue
			}
			if r.Over != tt.over || !tt.over && math.Abs(r.Volts) > 1e-9 {
				t.Errorf("%s (scope %v): reads %g V, OL %v; want OL %v", tt.about, scope, r.Volts, r.Over, tt.over)
			}
		}
	}
	if _, ok := x.w.VoltsAt(x.place("J1.4"), &network.State{}); ok {
		t.Error("a pin that not connected (NC) has a voltage")
	}
}

// TestTooManyChanges refuses rather than reads wrong.
func TestTooManyChanges(t *testing.T) {
	x := newBench(t, line)
	st := network.State{}
	for i := 0; ; i++ {
		_, err := x.w.Read(network.Probe{Plus: x.m.GroundPlace(), Minus: x.place("J1.1"), Meter: oneMilliampere}, &st, x.v)
		if err != nil {
			if want := fmt.Sprintf("%d changes", i); !strings.Contains(err.Error(), want) {
				t.Errorf("says %q, want it to name %s", err, want)
			}
			if i < 8 {
				t.Errorf("refuses %d changes", i)
			}
			return
		}
		if i > 100 {
			t.Fatal("takes any number of changes")
		}
		st.Changes = append(st.Changes, network.Change{Kind: network.Detach, Contact: network.Contact(i % x.m.Contacts()), Ohms: 5, Owner: netlist.None})
	}
}

// TestWorkspacesShareNothing reads two states of one model from many goroutines at
// once; with -race it also shows any sharing. Each must read what one alone reads.
func TestWorkspacesShareNothing(t *testing.T) {
	x := newBench(t, line)
	open := changes(network.Change{Kind: network.Detach, Contact: x.contact("U1.2"), Ohms: math.Inf(1)})
	probe := network.Probe{Plus: x.m.GroundPlace(), Minus: x.place("J1.1"), Meter: oneMilliampere}
	want := [2]float64{x.read("J1.1", false, network.State{}), x.read("J1.1", false, open)}
	if close(want[0], want[1]) {
		t.Fatal("the fault does not show")
	}
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			w := network.NewWorkspace(x.m)
			for i := range 200 {
				st := [2]network.State{{}, open}[(g+i)%2]
				r, err := w.Read(probe, &st, x.v)
				if err != nil || !close(r.Volts, want[(g+i)%2]) {
					t.Errorf("goroutine %d: %v, %v", g, r, err)
					return
				}
				w.Note()
				w.Transfer(x.place("L_U"), &st)
			}
		})
	}
	wg.Wait()
}

// TestOrderDoesNotMatter reads the same whatever the workspace read before: a warm
// start changes nothing but the work. 0.1 microvolt.
func TestOrderDoesNotMatter(t *testing.T) {
	for name, b := range boards(t) {
		m, v := nominal(b)
		at := pins(b)
		used := network.NewWorkspace(m)
		for k := range at {
			for _, p := range probes(m, at[(k*7)%len(at)], oneMilliampere) {
				a, err := used.Read(p, &network.State{}, v)
				if err != nil {
					t.Fatal(err)
				}
				f, err := network.NewWorkspace(m).Read(p, &network.State{}, v)
				if err != nil {
					t.Fatal(err)
				}
				if a.Over != f.Over || math.Abs(a.Volts-f.Volts) > 1e-7 {
					t.Errorf("%s: %s reads %v after others and %v first", name, b.PointName(at[(k*7)%len(at)]), a, f)
				}
			}
		}
	}
}

// TestAgain sweeps the resistance of one and two changes of every kind: Again gives
// what a workspace that knows nothing reads, 1 nV, through open and back as well.
func TestAgain(t *testing.T) {
	x := newBench(t, line)
	r1 := first(x, "R1")
	kinds := []network.Change{
		{Kind: network.AddPath, A: x.place("L_U"), B: x.m.GroundPlace(), Owner: netlist.None},
		{Kind: network.AddPath, A: x.place("J1.1"), B: x.place("J1.3"), Owner: netlist.None},
		{Kind: network.Cut, Element: r1, Owner: netlist.None},
		{Kind: network.Cut, Element: r1, Owner: x.part("R1")}, // the same resistor twice
		{Kind: network.Detach, Contact: x.contact("U1.2"), Owner: netlist.None},
		{Kind: network.Split, Net: x.place("L").Net, After: 1, Owner: netlist.None},
	}
	// Twice 6e9 ohm in one element is open, though once is not.
	sweep := []float64{0, 1, 30, 1e3, math.Inf(1), 500, 6e9, 1e5, 2, 6e9}
	for i := range kinds {
		for j := range kinds {
			for _, p := range probes(x.m, netlist.NetPoint(x.place("L").Net), oneMilliampere) {
				st := network.State{Changes: []network.Change{kinds[i], kinds[j]}}
				if i == j {
					st.Changes = st.Changes[:1]
				}
				for n, ohms := range sweep {
					for k := range st.Changes {
						st.Changes[k].Ohms = sweep[(n+3*k)%len(sweep)]
					}
					st.Changes[0].Ohms = ohms
					read := x.w.Again
					if n == 0 {
						read = func(st *network.State, v *network.Values) (network.Reading, error) { return x.w.Read(p, st, v) }
					}
					got, err := read(&st, x.v)
					if err != nil {
						t.Fatal(err)
					}
					want, err := network.NewWorkspace(x.m).Read(p, &st, x.v)
					if err != nil {
						t.Fatal(err)
					}
					if got.Over != want.Over || math.Abs(got.Volts-want.Volts) > 1e-9 {
						t.Errorf("changes %d and %d at %g ohm: %.9f V, read anew %.9f V", i, j, ohms, got.Volts, want.Volts)
					}
				}
			}
		}
	}
}

// TestUndrawnStays: a path that nobody drew stays on its net whatever comes off there: the
// joint of the only part drawn, or the part. Truth: the junction alone, which drops what it
// was given at the meter's 1 mA and 23 C (JunctionValue), and OL where nothing leads to it.
func TestUndrawnStays(t *testing.T) {
	x := newBench(t, "board: B\nconnectors: {J1: {pins: {1: GND, 2: L, 3: V}}}\nparts:\n  R1: {kind: resistor, value: 22R, pins: [L, U]}\n  C1: {kind: capacitor, pins: [V, GND]}\n")
	for _, name := range []string{"U", "V"} {
		n, err := x.b.NetByName(name)
		if err != nil {
			t.Fatal(err)
		}
		e, ok := x.m.Undrawn(n, false)
		if !ok {
			t.Fatalf("nothing can be missing on %s", name)
		}
		x.v.Junctions[e] = network.JunctionValue{Drop: 0.5, Ideality: 1.4}
	}
	x.v.Settle()
	joint := changes(network.Change{Kind: network.Detach, Contact: x.contact("R1.2"), Ohms: math.Inf(1)})
	for _, tt := range []struct {
		at   string
		st   network.State
		want float64
	}{
		{"J1.2", network.State{}, 0.522},
		{"J1.2", joint, math.Inf(1)},
		{"R1.2", joint, math.Inf(1)},
		{"U", joint, 0.5},
		{"U", network.State{Edits: netlist.Edits{}.Remove(x.part("R1"))}, 0.5},
		{"J1.3", network.State{Edits: netlist.Edits{}.Remove(x.part("C1"))}, 0.5},
	} {
		if got := x.read(tt.at, false, tt.st); got != tt.want && !(math.Abs(got-tt.want) < 1e-3) {
			t.Errorf("%s reads %.4f V, want %.3f within 1 mV, with %+v", tt.at, got, tt.want, tt.st)
		}
	}
}
