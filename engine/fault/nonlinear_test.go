package fault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/references"
)

// TestNonlinear holds how far a resistance between two nets is open against boards whose drops are
// drawn from what is known of them, with more and more parts of other nets between the two
// that count in the board file: those have no say in it.
func TestNonlinear(t *testing.T) {
	for _, open := range []float64{0.6, 0.8, 1.2, 3} {
		var first float64
		for others := range 7 {
			var text strings.Builder
			text.WriteString(`
board: nonlinear
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: GND, 3: B}}}
parts:
  R1: {kind: resistor, value: 1k, pins: [A, A_D]}
  R2: {kind: resistor, value: 1k, pins: [B, B_D]}
  D1: {kind: diode, pins: {a: A_D, k: GND}}
`)
			for i := range others {
				fmt.Fprintf(&text, "  D%d: {kind: diode, pins: {a: N%d, k: GND}}\n", i+3, i)
			}
			text.WriteString("  D2: {kind: diode, pins: {a: GND, k: B_D}}\n")
			for i := range others {
				fmt.Fprintf(&text, "  R%d: {kind: resistor, value: 1k, pins: [N%d, GND]}\n", i+3, i)
			}
			b, m, _ := board(t, text.String())
			posterior, err := fit.Fit(m, nil)
			if err != nil {
				t.Fatal(err)
			}
			ph, w := NewPhysics(posterior), network.NewWorkspace(m)
			place := func(name string) network.Place {
				pt, err := b.Point(name)
				if err != nil {
					t.Fatal(err)
				}
				return m.PlaceOf(pt)
			}
			o := Observation{Between: true, Probe: network.Probe{Plus: place("J1.1"), Minus: place("J1.3"), Meter: network.Drive{Resistive: true, Current: 1e-3, Open: open, Over: open}}}
			o.Spot = fit.Spot{Net: o.Probe.Plus.Net, Contact: network.NoContact, Polarity: references.RedOnGround}
			read := func(v *network.Values) float64 {
				r, err := w.Read(o.Probe, &network.State{}, v)
				if err != nil {
					t.Fatal(err)
				}
				return r.Volts
			}
			r := network.Reading{Volts: read(ph.Values)}
			got, err := ph.nonlinearity(w, &o, r)
			if err != nil {
				t.Fatal(err)
			}
			random, want := rand.New(rand.NewPCG(1, 2)), 0.0
			const boards = 2000
			for range boards {
				want += square(read(posterior.At(network.RefCelsius, func(int32) float64 { return random.NormFloat64() }))-r.Volts) / boards
			}
			if others == 0 {
				first = got
				t.Logf("%.1f V behind 1 mA: %.1f mV, by drawing %.1f mV", open, 1e3*math.Sqrt(got), 1e3*math.Sqrt(want))
			}
			if math.Abs(got-first) > 1e-9 {
				t.Errorf("%.1f V, %d other parts: %.1f mV, %.1f without them", open, others, 1e3*math.Sqrt(got), 1e3*math.Sqrt(first))
			}
			if off := math.Abs(math.Log(got/want)) / 2; off > 0.2 {
				t.Errorf("%.1f V, %d other parts: %.1f mV, by drawing %.1f mV", open, others, 1e3*math.Sqrt(got), 1e3*math.Sqrt(want))
			}
		}
	}
}
