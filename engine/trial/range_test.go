package trial

import (
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/references"
)

// paced is how long a person takes for what the costs put at so many seconds: as fast
// or slow as people are, by the spread that package plan states (0.25 of the natural
// logarithm, common practice, no source).
func paced(tr *recorded.Trial, seconds float64) float64 {
	return seconds * math.Exp(0.25*practice.Random(uint64(tr.Number), fmt.Sprint("pace ", tr.Readings[0])).NormFloat64())
}

// inRange tells whether a repair ended in the two ranges.
func inRange(t *repair.RepairTime, seconds float64) (half, most bool) {
	return seconds >= t.Half[0] && seconds <= t.Half[1], seconds >= t.Most[0] && seconds <= t.Most[1]
}

// TestRange measures on many plays of boards with faults, one and several, what share
// of repairs ends in the ranges that were given before the first step:
//
//	go test ./engine/trial -run TestRange -v -use reporting -every 1 -redraw 2 -timeout 90m
//
// A plain run leaves it to TestTables, which plays the same boards anyway.
func TestRange(t *testing.T) {
	if *use == "tuning" && *every != 1 {
		t.Skip("TestTables holds the ranges in a plain run")
	}
	boards := []string{"sensor12", "kestrel", "dock60"}
	if *only != "" {
		boards = []string{*only}
	}
	var total, halves, mosts int
	for _, board := range boards {
		trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", board+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		var engines sync.Map
		type end struct{ played, half, most bool }
		ends := each(t, chosen(t, trials), func(tr *recorded.Trial) (out end, err error) {
			if len(tr.Faults) == 0 {
				return out, nil
			}
			lib := references.NewLibrary(tr.Model.Board, tr.Library)
			key := tr.Library[len(tr.Library)-1]
			e, ok := engines.Load(key)
			if !ok {
				made, err := engine.New(tr.Model.Board, lib, engine.Options{})
				if err != nil {
					return out, err
				}
				e, _ = engines.LoadOrStore(key, made)
			}
			w := Start(tr, e.(*engine.Engine), lib)
			var first *repair.RepairTime
			err = w.follow(func(d *repair.Diagnosis) {
				if first == nil {
					first = d.Time
				}
			})
			if first != nil && w.Seconds > 0 {
				out.played = true
				out.half, out.most = inRange(first, paced(tr, w.Seconds))
			}
			return out, err
		})
		n, half, most := 0, 0, 0
		for _, x := range ends {
			for _, c := range []struct {
				is bool
				to *int
			}{{x.played, &n}, {x.half, &half}, {x.most, &most}} {
				if c.is {
					*c.to++
				}
			}
		}
		t.Logf("%-8s %4d plays: half holds %.1f %%, nine in ten %.1f %%", board, n, 100*float64(half)/float64(max(n, 1)), 100*float64(most)/float64(max(n, 1)))
		total, halves, mosts = total+n, halves+half, mosts+most
	}
	half, most := float64(halves)/float64(max(total, 1)), float64(mosts)/float64(max(total, 1))
	t.Logf("all      %4d plays: half holds %.1f %%, nine in ten %.1f %%", total, 100*half, 100*most)
	if total >= 1000 && (math.Abs(half-0.5) > 0.05 || math.Abs(most-0.9) > 0.05) {
		t.Errorf("the ranges hold %.1f and %.1f %% of %d plays, want 50 and 90 within 5", 100*half, 100*most, total)
	}
}
