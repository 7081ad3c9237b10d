package trial

import (
	"path/filepath"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/journal"
	"halfsplit/engine/trial/recorded"
)

// A technician who always does the first thing that the engine says ends at the
// bad part, in every demo case that has one. The answers were recorded from
// ngspice; a step into a state that nobody recorded is answered by the own
// solver, and told.
func TestDemoPlayed(t *testing.T) {
	demo, err := recorded.LoadDemo(filepath.Join("..", "..", "testdata", "demo", "answers", "truth.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	played := 0
	for _, sc := range demo.Cases {
		t.Run(filepath.Base(sc.File), func(t *testing.T) {
			c, err := journal.Load(sc.File)
			if err != nil {
				t.Fatal(err)
			}
			e, err := engine.New(c.Board, c.Library, engine.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(sc.Simulator.Board.Faults) == 0 {
				d, err := e.Diagnose(c)
				if err != nil {
					t.Fatal(err)
				}
				t.Logf("nothing is wrong: the engine says %+v", d.Explanations[0])
				return
			}
			played++
			w := Resume(c, e, sc.Simulator)
			w.log = t.Logf
			if err := w.Follow(); err != nil {
				t.Fatal(err)
			}
			t.Logf("%.0f s, replaced %v, %d answers not recorded", w.Seconds, w.Replaced, sc.Simulator.Unrecorded())
			if !w.Repaired() {
				t.Errorf("replaced %v and did not reach what is wrong: %s", w.Replaced, sc.Remedy)
			}
			bad := Bad(sc.Simulator.Board.Faults, sc.Simulator.Board.Truth.Model, nil)
			if n := len(w.Replaced); n == 0 || !bad[w.Replaced[n-1]] {
				t.Errorf("ended at %v, want the last to be one of %v", w.Replaced, sorted(bad))
			}
		})
	}
	if played < 5 {
		t.Errorf("played %d cases, want 5", played)
	}
}
