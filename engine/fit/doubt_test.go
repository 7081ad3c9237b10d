package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// whole is a board as it is. Invented.
const whole = `
board: whole
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: B, 3: C, 4: V, 5: GND}}}
nets: {V: {rail: 1.8 V}, VD: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 470R, pins: [A, A_U]}
  R2: {kind: resistor, value: 1K, pins: [B, B_U]}
  C2: {kind: capacitor, value: 1n, pins: [B_U, GND]}
  R3: {kind: resistor, value: 33R, pins: [C, C_U]}
  R4: {kind: resistor, value: 1K, pins: [V, C_U], role: pull}
  FB1: {kind: bead, value: 600R, pins: [V, VD]}
  U1: {kind: ic, pins: {1: VD, 2: A_U, 3: B_U, 4: C_U, 5: GND}, supply: 1, ground: 5}
`

// TestDoubts draws that board with a value ten times too small or too large, without one
// pin of its IC behind a resistor, behind a bead, behind a value that is wrong and on a line that is
// pulled up, and mistypes one reading of one of three good boards. What is wrong has to be said, and a meter of
// another current predicted within 12 mV.
func TestDoubts(t *testing.T) {
	meter := func(amperes float64) references.Meter {
		m := references.DefaultMeter()
		m.TestCurrent = amperes
		return m
	}
	tests := []struct {
		name, from, to string
		pin            string // left out besides
		typed          bool
		swapped        bool // the first two pins of the third sweep; a typing error is then on the first of the second
		freed          string
		ohms, within   float64 // of the resistance, and the share that it may be off
		undrawn        []string
	}{
		{name: "as it is"},
		{name: "a value", from: "470R", to: "47R", freed: "R1", ohms: 470, within: 0.1},
		{name: "a pin at the end of its line", from: "3: B_U, ", undrawn: []string{"B_U"}},
		{name: "a pin on a line that is pulled up", from: "4: C_U, ", undrawn: []string{"C_U"}},
		{name: "a supply behind a bead", from: "1: VD, 2: A_U, 3: B_U, 4: C_U, 5: GND}, supply: 1, ", to: "2: A_U, 3: B_U, 4: C_U, 5: GND}, ", undrawn: []string{"VD"}},
		// What the pin drops is known to 0.12 V only, the meters' currents tell a little.
		{name: "a value, and the pin behind it", from: "value: 1K, pins: [B, B_U]", to: "value: 100R, pins: [B, B_U]", pin: "3: B_U, ", freed: "R2", ohms: 1000, within: 0.25, undrawn: []string{"B_U"}},
		{name: "a value ten times too large", from: "470R", to: "4.7K", freed: "R1", ohms: 470, within: 0.1},
		{name: "a value, and a typing error behind it", from: "470R", to: "47R", typed: true, freed: "R1", ohms: 470, within: 0.1},
		{name: "a typing error", typed: true},
		{name: "two pins swapped", swapped: true},
		{name: "two pins swapped, and a typing error on one of them", swapped: true, typed: true},
		{name: "a typing error on a line without its pin", from: "2: A_U, ", typed: true, undrawn: []string{"A_U"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			truth := newYard(t, whole)
			v := truth.m.Nominal()
			for e := range v.Junctions {
				v.Junctions[e].Drop += 0.03 * math.Sin(float64(3*e))
			}
			v.Settle()
			drawn := newYard(t, strings.Replace(strings.Replace(whole, tt.from, tt.to, 1), tt.pin, "", 1))
			var sweeps []*references.Sweep
			for k, amperes := range []float64{1e-3, 0.5e-3, 1e-3} {
				s := &references.Sweep{Board: "whole", Revision: "A", Meter: meter(amperes), State: references.State{Celsius: network.RefCelsius}}
				for i, pt := range truth.pins() {
					r := truth.volts(pt, v, s.Meter)
					x := references.PointReading{At: drawn.pins()[i], Name: drawn.b.PointName(drawn.pins()[i])}
					if x.Reading.Overload = r.Over; !r.Over {
						x.Reading.Value = math.Round(1e3*r.Volts+2*math.Sin(float64(5*k+i))) / 1e3
					}
					if typedIn := 2; tt.typed && i == 0 && (k == typedIn && !tt.swapped || k == typedIn-1 && tt.swapped) {
						x.Reading.Value -= 0.3
					}
					s.Readings = append(s.Readings, x)
				}
				if q := s.Readings; tt.swapped && k == 2 {
					q[0].Reading, q[1].Reading = q[1].Reading, q[0].Reading
				}
				sweeps = append(sweeps, s)
			}
			b, err := Fit(drawn.m, references.NewLibrary(drawn.b, sweeps))
			if err != nil {
				t.Fatal(err)
			}
			if len(b.Freed) != 0 != (tt.freed != "") || len(b.Freed) > 1 {
				t.Errorf("estimated resistances %v, want %q", b.Freed, tt.freed)
			}
			for _, e := range b.Freed {
				if name, ohms := drawn.b.Parts[drawn.m.Elements[e].Part].Name, b.Values.Ohms[e]; name != tt.freed || math.Abs(ohms/tt.ohms-1) > tt.within {
					t.Errorf("%s is estimated at %.0f ohm; it is %s, %.0f ohm", name, ohms, tt.freed, tt.ohms)
				}
			}
			var nets []string
			for _, n := range b.Undrawn {
				nets = append(nets, drawn.b.Nets[n].Name)
			}
			if strings.Join(nets, " ") != strings.Join(tt.undrawn, " ") {
				t.Errorf("undrawn junctions on %v, want %v", nets, tt.undrawn)
			}
			var left, want []string
			for _, m := range b.Misread {
				left = append(left, fmt.Sprint(drawn.b.Nets[m.Spot.Net].Name, slices.Index(sweeps, m.Sweep)))
			}
			switch {
			case tt.swapped: // of the two left on A nothing tells which is right
				want = []string{"A2", "B2"}
			case tt.typed:
				want = []string{"A2"}
			}
			slices.Sort(left)
			if diff := cmp.Diff(want, left); diff != "" {
				t.Errorf("readings left out, by net and sweep (-want +got):\n%s", diff)
			}
			other := meter(0.3e-3)
			for i, pt := range drawn.pins() {
				inDoubt := slices.ContainsFunc(b.InDoubt(0.5), func(s Spot) bool { return s.Net == pt.Net })
				if inDoubt != (tt.swapped && tt.typed && drawn.b.Nets[max(pt.Net, 0)].Name == "A") {
					t.Errorf("%s in doubt: %v", drawn.b.PointName(pt), inDoubt)
				}
				if pt.Net == netlist.None || inDoubt {
					continue
				}
				want, got := truth.volts(truth.pins()[i], v, other), drawn.volts(pt, b.Values, other)
				if math.Abs(got.Volts-want.Volts) > 0.012 {
					t.Errorf("%s at 0.3 mA: %.3f V, the board has %.3f V", drawn.b.PointName(pt), got.Volts, want.Volts)
				}
			}
		})
	}
}

// TestInDoubt mistypes one line of one of two good boards: nothing tells which of them is
// right, so that the line is in doubt, and no other.
func TestInDoubt(t *testing.T) {
	y := newYard(t, whole)
	v := y.m.Nominal()
	v.Settle()
	var sweeps []*references.Sweep
	for k, off := range []float64{0, 0.2} {
		s := y.sweep(string(rune('a'+k)), v, references.DefaultMeter(), none)
		s.Readings[0].Reading.Value += off
		sweeps = append(sweeps, s)
	}
	b := y.fit(sweeps...)
	spots := b.InDoubt(0.1)
	if len(spots) != 1 || y.b.Nets[spots[0].Net].Name != "A" {
		t.Errorf("in doubt %+v, want the spot on A", spots)
	}
}

// TestOpposed lets some good boards read OL on a line where the others read its drop, and
// the other way round on a pin that goes nowhere: the one board against several is left out,
// one against one and two against four are in doubt, and three against three are how good
// boards are.
func TestOpposed(t *testing.T) {
	tests := []struct {
		boards, overloads int
		nc                bool // a pin that is not connected, at which the others read a voltage
		misread           int
		doubt             bool
	}{
		{boards: 1, overloads: 1},
		{boards: 2, overloads: 1, doubt: true},
		{boards: 3, overloads: 1, misread: 1},
		{boards: 5, overloads: 1, misread: 1},
		{boards: 3, overloads: 2, misread: 1},
		{boards: 6, overloads: 2, doubt: true},
		{boards: 6, overloads: 3},
		{boards: 3, overloads: 3},
		{boards: 3, overloads: 2, nc: true, misread: 1},
		{boards: 12, overloads: 11, nc: true, misread: 1},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprintf("%d of %d OL, NC %v", tt.overloads, tt.boards, tt.nc), func(t *testing.T) {
			y := newYard(t, strings.Replace(whole, "5: GND}}}", "5: GND, 6: NC}}}", 1))
			v := y.m.Nominal()
			v.Settle()
			name := "J1.1"
			if tt.nc {
				name = "J1.6"
			}
			at, err := y.b.Point(name)
			if err != nil {
				t.Fatal(err)
			}
			var sweeps []*references.Sweep
			for k := range tt.boards {
				s := y.sweep(string(rune('a'+k)), v, references.DefaultMeter(), none)
				for i := range s.Readings {
					if r := &s.Readings[i]; r.At == at {
						volts := r.Reading.Value
						if tt.nc {
							volts = 0.5
						}
						r.Reading = quantity.Reading{Value: volts + 1e-3*float64(k%3), Unit: quantity.Volt}
						if k < tt.overloads {
							r.Reading = quantity.Reading{Overload: true, Unit: quantity.Volt}
						}
					}
				}
				sweeps = append(sweeps, s)
			}
			b := y.fit(sweeps...)
			var wrong []Misread
			for _, m := range b.Misread {
				if m.Spot != SpotOf(y.m, at, references.RedOnGround) {
					t.Errorf("left out a reading on %v", m.Spot)
				}
				wrong = append(wrong, m)
			}
			if len(wrong) != tt.misread {
				t.Errorf("%d readings left out, want %d", len(wrong), tt.misread)
			}
			if got := len(b.InDoubt(0.1)) > 0; got != tt.doubt {
				t.Errorf("in doubt: %v, want %v", got, tt.doubt)
			}
			k, _ := b.Known(SpotOf(y.m, at, references.RedOnGround))
			if want := tt.boards - tt.misread; k.N != want {
				t.Errorf("%d boards count, want %d", k.N, want)
			}
		})
	}
}

// TestChoose lets a reading be wrong, by itself or swapped with another. What does not go with
// it where it was read stays in doubt; that the other of the two is what is wrong with that same
// reading does not count against it, whichever of the two comes first.
func TestChoose(t *testing.T) {
	for _, tt := range []struct {
		name        string
		best, other doubted
		wrong       []netlist.NetID
		doubts      map[netlist.NetID]float64
	}{
		{"one, or that and a later one swapped", doubted{row: 0, with: -1, gain: 10}, doubted{row: 2, with: 0, gain: 9}, []netlist.NetID{0}, nil},
		{"one, or that and an earlier one swapped", doubted{row: 2, with: -1, gain: 10}, doubted{row: 2, with: 0, gain: 9}, []netlist.NetID{2}, nil},
		{"two swapped, or the later of them", doubted{row: 2, with: 0, gain: 10}, doubted{row: 2, with: -1, gain: 9}, []netlist.NetID{2, 0}, nil},
		{"two swapped, or the earlier of them", doubted{row: 2, with: 0, gain: 10}, doubted{row: 0, with: -1, gain: 9}, []netlist.NetID{2, 0}, nil},
		{"two swapped, or another on the same line", doubted{row: 2, with: 0, gain: 10}, doubted{row: 1, with: -1, gain: 9}, []netlist.NetID{2, 0}, map[netlist.NetID]float64{0: math.Exp(-1)}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := &Posterior{doubts: map[Spot]float64{}}
			for _, net := range []netlist.NetID{0, 0, 2} {
				g := &group{samples: []references.Sample{{Volts: 0.5, Sweep: &references.Sweep{}}}}
				b.rows = append(b.rows, row{of: g, spot: Spot{Net: net}})
			}
			tt.best.element, tt.other.element = -1, -1
			if !b.choose([]doubted{tt.other, tt.best}) {
				t.Fatal("nothing chosen")
			}
			var wrong []netlist.NetID
			for _, m := range b.Misread {
				wrong = append(wrong, m.Spot.Net)
			}
			if diff := cmp.Diff(tt.wrong, wrong); diff != "" {
				t.Errorf("left out, by net (-want +got):\n%s", diff)
			}
			for _, net := range []netlist.NetID{0, 2} {
				if got := b.doubts[Spot{Net: net}]; math.Abs(got-tt.doubts[net]) > 1e-12 {
					t.Errorf("net %d has the doubt %.3f, want %.3f", net, got, tt.doubts[net])
				}
			}
		})
	}
}
