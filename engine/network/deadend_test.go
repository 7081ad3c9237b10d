package network_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// twigs is a line with arms that end nowhere, some of them long; invented.
func twigs(t *testing.T) *netlist.Board {
	var b strings.Builder
	b.WriteString("board: twigs\nrevision: A\nground: GND\nconnectors: {J1: {pins: {1: A, 2: GND, 3: A3}}}\nnets: {A: {along: [J1.1, R0.1]}}\nparts:\n  R0: {kind: resistor, value: 1K, pins: [A, B]}\n  D0: {kind: diode, pins: {a: GND, k: B}}\n")
	for i := 1; i < 9; i++ {
		fmt.Fprintf(&b, "  R%d: {kind: resistor, value: 330R, pins: [A, A%d]}\n  R1%d: {kind: resistor, value: 47R, pins: [A%d, X%d]}\n  C%d: {kind: capacitor, value: 1n, pins: [X%d, GND]}\n  D%d: {kind: diode, pins: {a: X%d, k: Y%d}}\n", i, i, i, i, i, i, i, i, i, i)
	}
	board, err := netlist.Parse(strings.NewReader(b.String()), "twigs")
	if err != nil {
		t.Fatal(err)
	}
	return board
}

// TestBare reads boards without their dead ends and with them, at every point, good
// and with random faults, bridges and removed parts: the same within a microvolt.
func TestBare(t *testing.T) {
	const most = 1e-6 // V; the solver stops within less
	all := boards(t)
	all["twigs"] = twigs(t)
	for name, b := range all {
		r := rand.New(rand.NewPCG(3, 7))
		m, v := nominal(b)
		loci := fault.Loci(m, fault.DefaultPriors(), v)
		bare, whole := network.NewWorkspace(m), network.NewWorkspace(m)
		bare.Bare = true
		worst, fewer := 0.0, 0
		for range 200 {
			st, what := faulty(b, loci, r.IntN(3), r)
			for range r.IntN(3) {
				p := netlist.PartID(r.IntN(len(b.Parts)))
				if r.IntN(2) == 0 && len(b.Parts[p].Jumperable()) > 0 {
					st.Edits = st.Edits.Jumper(p, 0.01)
				} else {
					st.Edits = st.Edits.Remove(p)
				}
				what += " worked on " + b.Parts[p].Name
			}
			for range 5 {
				points := b.PointsOn(netlist.NetID(r.IntN(len(b.Nets))))
				if len(points) == 0 {
					continue
				}
				at := points[r.IntN(len(points))]
				for pol, p := range probes(m, at, oneMilliampere) {
					g := gap(t, bare, whole, p, &st, v)
					if worst = math.Max(worst, g); g > most {
						t.Errorf("%s: %s, polarity %d, with%s: %.3g V off", name, b.PointName(at), pol, what, g)
					}
					if bare.Circuit().Nodes < whole.Circuit().Nodes {
						fewer++
					}
				}
			}
		}
		if name == "twigs" && fewer < 1000 {
			t.Errorf("%s: only %d of 2,000 circuits are smaller", name, fewer)
		}
		t.Logf("%s: worst %.2g V, %d of 2,000 circuits smaller", name, worst, fewer)
	}
}
