package fault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// board compiles a board written in a test.
func board(t testing.TB, text string) (*netlist.Board, *network.Model, *network.Values) {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(text), t.Name())
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	v := m.Nominal()
	v.Settle()
	return b, m, v
}

// TestLociOfKinds lists what can go wrong with each kind of part. A part that carries no direct current has no joint to show.
func TestLociOfKinds(t *testing.T) {
	joints := func(names ...string) (out []string) {
		for _, n := range names {
			out = append(out, "joint of "+n+": open joint, high-resistance joint")
		}
		return out
	}
	tests := []struct {
		part string
		want []string
	}{
		{"{kind: resistor, value: 22R, pins: [A, B]}", append([]string{"through: open, missing, high resistance", "1-2: shorted"}, joints("1", "2")...)},
		{"{kind: capacitor, value: 15p, pins: [A, GND]}", []string{"1-2: shorted, leaky"}},
		{"{kind: capacitor, value: 15p, pins: [A, B]}", []string{"1-2: shorted, leaky"}},
		{"{kind: inductor, value: 1u, pins: [A, B]}", append([]string{"through: open, missing, high resistance"}, joints("1", "2")...)},
		{"{kind: bead, value: 600R, pins: [A, B]}", append([]string{"through: open, missing, high resistance"}, joints("1", "2")...)},
		{"{kind: fuse, value: 1 A, pins: [A, B]}", append([]string{"through: open, missing, high resistance"}, joints("1", "2")...)},
		{"{kind: link, pins: [A, B]}", append([]string{"through: open, missing, high resistance"}, joints("1", "2")...)},
		{"{kind: filter, value: 2R, pins: {in: A, out: B, gnd: GND}}", append([]string{"through: open, missing, high resistance", "in-gnd: shorted, leaky", "out-gnd: shorted, leaky"}, joints("in", "out", "gnd")...)},
		{"{kind: choke, value: 90R, pins: {1: A, 2: B, 3: C, 4: D}}", append([]string{"through: open, missing, high resistance", "through: open, missing, high resistance", "1-3: shorted, leaky"}, joints("1", "2", "3", "4")...)},
		{"{kind: diode, pins: [A, B]}", append([]string{"through: open, missing", "1-2: shorted, leaky"}, joints("1", "2")...)},
		{"{kind: tvs, pins: [A, GND]}", append([]string{"through: open, missing", "1-2: shorted, leaky"}, joints("1", "2")...)},
		{"{kind: tvs, pins: [A, GND], direction: bidirectional}", []string{"1-2: shorted, leaky"}},
		{"{kind: transistor, pins: {g: A, d: B, s: C}}", append([]string{"through: open, missing", "g-d: shorted, leaky", "g-s: shorted, leaky", "d-s: shorted, leaky"}, joints("g", "d", "s")...)},
		{"{kind: crystal, pins: [A, B]}", []string{"1-2: leaky, shorted"}},
		{"{kind: ic, pins: {1: V, 2: A, 3: GND}, supply: 1, ground: 3}", append(append([]string{
			"1 to ground: shorted, leaky", "inside 1: open"}, joints("1")...), append([]string{
			"2 to ground: shorted, leaky", "2-1: shorted to supply", "inside 2: open"}, joints("2")...)...)},
		{"{kind: unknown, pins: {1: A, 2: B, 3: GND}}", []string{"1-2: shorted, leaky", "1-3: shorted, leaky", "2-3: shorted, leaky"}},
		{"{kind: unknown, pins: {1: A, 2: B, 3: GND, 4: C, 5: D}}", []string{"1-3: shorted, leaky", "2-3: shorted, leaky", "4-3: shorted, leaky", "5-3: shorted, leaky"}},
		{"{kind: resistor, value: 22R, pins: [A, A]}", nil},
		{"{kind: capacitor, value: 22p, pins: [A, NC]}", nil},
	}
	for _, tt := range tests {
		b, m, v := board(t, `
board: kinds
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: B, 3: C, 4: D, 5: V, 6: GND}}}
nets: {V: {rail: 1.8 V}}
parts:
  X: `+tt.part+`
  R1: {kind: resistor, value: 1K, pins: [A, B]}
  R2: {kind: resistor, value: 1K, pins: [C, D]}
  R3: {kind: resistor, value: 1K, pins: [V, D]}
`)
		x, _ := b.PartByName("X")
		var got []string
		for _, l := range Loci(m, DefaultPriors(), v) {
			if l.Part == x {
				got = append(got, written(b, &l))
			}
		}
		// the order of modes within a locus carries no meaning
		norm := func(list []string) (out []string) {
			for _, s := range list {
				out = append(out, strings.Replace(s, "leaky, shorted", "shorted, leaky", 1))
			}
			return out
		}
		if d := cmp.Diff(norm(tt.want), norm(got)); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.part, d)
		}
	}
}

// written says where a locus is within its part, and its modes.
func written(b *netlist.Board, l *Locus) string {
	p := &b.Parts[l.Part]
	var modes []string
	for _, r := range l.Modes {
		modes = append(modes, r.Mode.String())
	}
	where := ""
	switch l.Change.Kind {
	case network.Cut:
		where = "through"
	case network.Detach:
		where = "joint of " + p.Terminals[l.Terminal].Name
		if l.Change.Cure.Kind == netlist.NoRepair {
			where = "inside " + p.Terminals[l.Terminal].Name
		}
	case network.AddPath:
		if l.Other < 0 {
			where = p.Terminals[l.Terminal].Name + " to ground"
		} else {
			where = p.Terminals[l.Terminal].Name + "-" + p.Terminals[l.Other].Name
		}
	}
	return where + ": " + strings.Join(modes, ", ")
}

// TestLociOfCopper lists breaks, pins and bridges of a connector with two rows.
func TestLociOfCopper(t *testing.T) {
	b, m, v := board(t, `
board: copper
revision: A
ground: GND
connectors: {J1: {rows: 2, pins: {1: A, 2: GND, 3: B, 4: A, 5: NC, 6: C}}}
nets: {A: {along: [J1.1, TP1, R1.1]}}
test_points: {TP1: A}
parts:
  R1: {kind: resistor, value: 1K, pins: [A, B]}
  R2: {kind: resistor, value: 1K, pins: [C, B]}
`)
	var got []string
	for _, l := range Loci(m, DefaultPriors(), v) {
		if l.Part == netlist.None {
			got = append(got, fmt.Sprintf("%s %v", l.Name(b), l.Change.Kind))
		}
	}
	want := []string{
		// breaks
		"J1.1 to TP1 3", "TP1 to R1.1 3",
		// pins; 1, 3, 5 face each other along a row, 2, 4, 6 along the other
		"J1.1 2", "J1.1 to J1.3 0",
		"J1.3 2",
		"J1.4 2", "J1.4 to J1.2 0", "J1.4 to J1.6 0",
		"J1.6 2",
	}
	// which neighbours lie across is the connector's; hold those along the rows
	var along []string
	for _, g := range got {
		if !strings.HasPrefix(g, "J1.1 to J1.2") && !strings.HasPrefix(g, "J1.3 to J1.4") && !strings.HasPrefix(g, "J1.4 to J1.3") {
			along = append(along, g)
		}
	}
	if d := cmp.Diff(want, along); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// TestLociAreSound holds every locus of the three boards to what the search takes
// for granted.
func TestLociAreSound(t *testing.T) {
	for _, path := range threeBoards {
		b, err := netlist.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		v := m.Nominal()
		for _, l := range Loci(m, DefaultPriors(), v) {
			name := l.Name(b)
			if len(l.Modes) == 0 {
				t.Errorf("%s: %s has no mode", path, name)
			}
			for _, r := range l.Modes {
				endless := math.IsInf(r.Lo, 1) && math.IsInf(r.Hi, 1)
				if !(r.Odds > 0) || !endless && !(r.Lo > 0 && r.Hi > r.Lo) || endless && !l.Series || r.Mode.Path() == l.Series {
					t.Errorf("%s: %s %s has odds %g, %g to %g ohm, series %v", path, name, r.Mode, r.Odds, r.Lo, r.Hi, l.Series)
				}
			}
			if l.Series == (l.Change.Kind == network.AddPath) {
				t.Errorf("%s: %s is series %v by a change of kind %d", path, name, l.Series, l.Change.Kind)
			}
			if (l.Part != netlist.None) != (l.Change.Owner != netlist.None) {
				t.Errorf("%s: %s belongs to part %d and its change goes with %d", path, name, l.Part, l.Change.Owner)
			}
		}
	}
}

var threeBoards = []string{"../../testdata/demo/board.yaml", "../../testdata/boards/sensor12.yaml", "../../testdata/boards/dock60.yaml"}

// TestTouches holds the loci that are said not to touch a reading against the
// whole board solved with each at its worst: none may move it by more than two
// counts of a usual display less their rounding (the search lets go of half a
// millivolt and of half a hundredth of the current, and neglects what hangs by two
// junctions). Sixty random states a board: random pins and inner points, both
// polarities, some with a part removed or bridged, junctions as drawn and others.
func TestTouches(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const most = 1.25e-3
	for _, path := range threeBoards {
		b, err := netlist.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		w, whole := network.NewWorkspace(m), network.NewWorkspace(m)
		whole.Scope = true
		points := b.Points()
		asked, worst, where := 0, 0.0, ""
		for trial := range 60 {
			v := m.Nominal()
			if trial%2 == 1 {
				for e := range v.Junctions {
					if j := &v.Junctions[e]; m.Elements[e].Class == network.Junction && !math.IsInf(j.Drop, 1) {
						j.Drop = math.Max(0.35, j.Drop+0.08*r.NormFloat64())
					}
				}
			}
			v.Settle()
			var edits netlist.Edits
			switch part := netlist.PartID(r.IntN(len(b.Parts))); trial % 4 {
			case 2:
				edits = edits.Remove(part)
			case 3:
				edits = edits.Jumper(part, 0.01)
			}
			st := network.State{Edits: edits}
			pt, err := b.Point(points[r.IntN(len(points))])
			if err != nil {
				t.Fatal(err)
			}
			if pt.Net == netlist.None {
				continue
			}
			pol := references.RedOnGround
			if r.IntN(3) == 0 {
				pol = references.BlackOnGround
			}
			p := fit.ProbeAt(m, m.PlaceOf(pt), pol, network.Drive{Current: 1e-3, Open: 3, Over: 2})
			if _, err := w.Read(p, &st, v); err != nil {
				t.Fatal(err)
			}
			w.Note()
			good, err := whole.Read(p, &st, v)
			if err != nil {
				t.Fatal(err)
			}
			loci := Loci(m, DefaultPriors(), v)
			for i := range loci {
				l := &loci[i]
				if r.IntN(4) > 0 || l.Touches(w, &st, v) {
					continue
				}
				asked++
				st := network.State{Edits: edits, Changes: []network.Change{l.worst()}}
				bad, err := whole.Read(p, &st, v)
				if err != nil {
					t.Fatal(err)
				}
				if good.Over && bad.Over {
					continue
				}
				if d := math.Abs(math.Min(good.Volts, 2) - math.Min(bad.Volts, 2)); d > worst {
					worst = d
					where = fmt.Sprintf("%s %s at %s, %s, edits %q: %.4f V becomes %.4f V", l.Name(b), l.Modes[0].Mode, b.PointName(pt), pol, edits.Key(), good.Volts, bad.Volts)
				}
			}
		}
		t.Logf("%s: %d loci let go, worst %.3f mV: %s", path, asked, worst*1e3, where)
		if worst > most {
			t.Errorf("%s: %s", path, where)
		}
	}
}

// TestMonotone holds that more paths never raise a reading and more series
// resistance never lowers one, alone or beside another fault, in both polarities:
// the search stops early by it. 10 microvolts.
func TestMonotone(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for _, path := range threeBoards {
		b, err := netlist.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		v := m.Nominal()
		v.Settle()
		loci := Loci(m, DefaultPriors(), v)
		w := network.NewWorkspace(m)
		w.Scope = true
		points := b.Points()
		held := 0
		for range 1500 {
			pt, err := b.Point(points[r.IntN(len(points))])
			if err != nil {
				t.Fatal(err)
			}
			p := fit.ProbeAt(m, m.PlaceOf(pt), references.Polarity(r.IntN(2)), network.Drive{Current: 1e-3, Open: 3, Over: 2})
			var beside []network.Change
			if r.IntN(2) == 1 {
				x := &loci[r.IntN(len(loci))]
				beside = append(beside, x.At(math.Pow(10, 3*r.Float64())))
			}
			l := &loci[r.IntN(len(loci))]
			read := func(ohms float64) float64 {
				c := l.At(ohms)
				reading, err := w.Read(p, &network.State{Changes: append(beside[:len(beside):len(beside)], c)}, v)
				if err != nil {
					t.Fatal(err)
				}
				return reading.Volts
			}
			// less resistance of a path, or in series: never a higher reading
			lo, hi := math.Pow(10, 4*r.Float64()-1), math.Inf(1)
			if r.IntN(2) == 1 {
				hi = lo * (2 + 50*r.Float64())
			}
			if a, z := read(lo), read(hi); a > z+1e-5 {
				t.Errorf("%s: %s at %s reads %.6f V with %.3g ohm and %.6f V with %.3g ohm, beside %v", path, l.Name(b), b.PointName(pt), a, lo, z, hi, beside)
			} else if z-a > 1e-3 {
				held++
			}
		}
		if held < 20 {
			t.Errorf("%s: only %d of the faults moved a reading", path, held)
		}
	}
}
