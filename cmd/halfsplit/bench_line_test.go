package main

import (
	"bytes"
	"strings"
	"testing"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/repair"
)

// The one line of suspects names what else the probabilities go to, so that they add up.
func TestSuspectsLine(t *testing.T) {
	var d repair.Diagnosis
	d.Suspects = []diagnose.Suspect{{Part: "R1", Probability: 0.55}, {Part: "C2", Probability: 0.05}}
	d.Explanations = []diagnose.Explanation{
		{Probability: 0.6, Faults: []diagnose.FaultReport{{Part: "R1"}}},
		{Probability: 0.15, Faults: []diagnose.FaultReport{{At: "J1.2", Mode: fault.Missed.String()}}},
		{Probability: 0.005, Faults: []diagnose.FaultReport{{At: "J1.3", Mode: fault.Doubtful.String()}}},
	}
	for quiet, want := range map[float64]string{
		0.23:  "suspects: R1 55 %, C2 5 %, a reading misleads 16 %, no reading shows it 23 %",
		0.001: "suspects: R1 55 %, C2 5 %, a reading misleads 16 %",
	} {
		d.Quiet = quiet
		var text bytes.Buffer
		b := &benchScreen{screen: &screen{w: &text, width: 100}}
		b.suspectsLine(&d)
		if got := strings.TrimSpace(text.String()); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
