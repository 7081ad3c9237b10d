package fault

import (
	"math"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestOtherJunctions opens R1, so that J1.1 rests on D1 alone, which the IC's pin kept
// from showing on good boards: how well those agree at J1.1 says nothing of D1.
func TestOtherJunctions(t *testing.T) {
	text := strings.Replace(pocket, "100R", "2R", 1)
	d := newRig(t, strings.Replace(text, "  R2:", "  R3: {kind: resistor, value: 150R, pins: [A, A_D]}\n  D1: {kind: tvs, pins: [A_D, GND]}\n  R2:", 1))
	ph, w := d.physics(), network.NewWorkspace(d.m)
	o := &d.observations()[0]
	if err := ph.Predict(w, o); err != nil {
		t.Fatal(err)
	}
	open := d.change("R1", Open, math.Inf(1))
	p, err := ph.Under(w, o, []network.Change{open})
	if err != nil {
		t.Fatal(err)
	}
	var sd float64
	w.Sensitivities(func(e int32, slope, _ float64) {
		sd = math.Hypot(sd, slope*d.posterior.DropSD(e))
	})
	if o.ratio > 0.9 {
		t.Errorf("good boards agree no better than predicted (%.2f), so that this shows nothing", o.ratio)
	}
	if p.Sigma < 0.9*sd { // D1 carries a little on a good board
		t.Errorf("with R1 open J1.1 reads %.3f V, known to %.1f mV; D1 is known to %.1f mV", p.Volts, 1e3*p.Sigma, 1e3*sd)
	}
}

// TestVouching holds the share of what a vouching net rests on that a net rests on as well
// against the sum over their junctions, in whatever order.
func TestVouching(t *testing.T) {
	b, m, ph := demoPhysics(t)
	w := network.NewWorkspace(m)
	vouched := 0
	for n := range b.Nets {
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			o := observed(m, ph, netlist.NetPoint(netlist.NetID(n)), pol)
			if err := ph.Predict(w, &o); err != nil {
				t.Fatal(err)
			}
			if o.vouch == nil {
				continue
			}
			vouched++
			slopes := func(n netlist.NetID) map[int32]float64 {
				if _, err := w.Read(fit.ProbeAt(m, m.PlaceOf(netlist.NetPoint(n)), pol, o.Probe.Meter), &network.State{}, ph.Values); err != nil {
					t.Fatal(err)
				}
				out := map[int32]float64{}
				w.Sensitivities(func(e int32, s, _ float64) { out[e] = math.Abs(s) })
				return out
			}
			line := m.Line(o.Spot.Net)
			by := line[slices.IndexFunc(line, func(n netlist.NetID) bool {
				at := Observation{Spot: fit.Spot{Net: n, Contact: network.NoContact, Polarity: pol}}
				return at.spotKey() == o.vouch.key
			})]
			sum, both, here := 0.0, 0.0, slopes(o.Spot.Net)
			for e, s := range slopes(by) {
				sum += s
				both += math.Min(s, here[e])
			}
			if want := both / sum; math.Abs(o.vouch.rest-want) > 0.02 {
				t.Errorf("%s, %v: %s vouches for %.3f of it, want %.3f", b.Nets[n].Name, pol, b.Nets[by].Name, o.vouch.rest, want)
			}
		}
	}
	if vouched < 20 {
		t.Errorf("only %d nets that another vouches for", vouched)
	}
}
