package trial

import (
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/network"
	"halfsplit/references"
)

// TestDrawnValues holds that readings of good boards count against a wrong value in the
// drawing: a reading far off, on a line whose resistor good boards were read through, is not
// put down to that. Before, no fault had 0.38 to 0.57 in these.
func TestDrawnValues(t *testing.T) {
	eachBoard(t, func(k int, name string, m *network.Model) {
		if name != "sensor12" {
			return
		}
		for _, tt := range []struct {
			seed uint64
			bad  string
		}{{1138, "R8"}, {1157, "U1"}, {1548, "C3"}, {1593, "U1"}} {
			tr, err := newTrial(m, uint64(100_000*(k+1))+tt.seed, byPrior, nil, true)
			if err != nil {
				t.Fatal(err)
			}
			lib := references.NewLibrary(tr.Board(), tr.Library)
			e, err := engine.New(tr.Board(), lib, engine.Options{})
			if err != nil {
				t.Fatal(err)
			}
			d, err := e.Diagnose(tr.Case(lib))
			if err != nil {
				t.Fatal(err)
			}
			bad := Bad(tr.Faults, m, nil)
			f := Judge(&d.Findings, bad)
			if !bad[tt.bad] {
				t.Errorf("seed %d: %v is bad, want %s", tt.seed, bad, tt.bad)
			}
			if none := noneBad(&d.Findings); none > 0.25 || f.Group != 1 {
				t.Errorf("seed %d, %s bad: no part bad %.3f, want at most 0.25; group %d, want 1", tt.seed, tt.bad, none, f.Group)
			}
		}
	})
}
