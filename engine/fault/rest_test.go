package fault

import (
	"math"
	"strings"
	"testing"

	"halfsplit/engine/network"
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
