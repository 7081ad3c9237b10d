package trial

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/practice"
	"halfsplit/references"
)

func TestScratch(t *testing.T) {
	path := os.Getenv("TRIALS")
	if path == "" {
		t.Skip()
	}
	trials, err := practice.LoadTrials(path)
	if err != nil {
		t.Fatal(err)
	}
	engines := map[*references.Sweep]*engine.Engine{}
	libs := map[*references.Sweep]*references.Library{}
	type tally struct {
		n, first, group, top3, nothing, repaired int
		seconds                                  float64
	}
	tallies := map[string]*tally{}
	var cal, rcal Calibration
	var diag time.Duration
	nd := 0
	limit := 1 << 30
	fmt.Sscan(os.Getenv("LIMIT"), &limit)
	for i := range trials {
		tr := &trials[i]
		if !tr.Tuning || i >= limit {
			continue
		}
		key := tr.Library[len(tr.Library)-1]
		e := engines[key]
		if e == nil {
			lib := references.NewLibrary(tr.Model.Board, tr.Library)
			if e, err = engine.New(tr.Model.Board, lib, engine.Options{}); err != nil {
				t.Fatal(err)
			}
			engines[key], libs[key] = e, lib
		}
		w := Start(tr, e, libs[key])
		if os.Getenv("LOG") != "" {
			w.log = func(f string, a ...any) { t.Logf(f, a...) }
		}
		t0 := time.Now()
		d, err := e.Diagnose(w.Case)
		diag += time.Since(t0)
		nd++
		if err != nil {
			t.Fatal(err)
		}
		bad := Bad(tr.Faults, e.Board)
		f := Judge(d, bad)
		kind := fmt.Sprint(len(tr.Faults), " faults")
		y := tallies[kind]
		if y == nil {
			y = &tally{}
			tallies[kind] = y
		}
		y.n++
		if f.Rank == 1 {
			y.first++
		}
		if f.Group == 1 {
			y.group++
		}
		if f.Rank > 0 && f.Rank <= 3 {
			y.top3++
		}
		if f.Nothing > 0.5 {
			y.nothing++
		}
		for _, s := range d.Suspects {
			cal.Add(s.Probability, bad[s.Part])
		}
		if len(d.Suspects) > 0 {
			rcal.Add(f.Said, f.Right)
		}
		if os.Getenv("PLAY") != "" && len(tr.Faults) > 0 && f.Nothing < 0.5 {
			if err := w.Follow(); err != nil {
				t.Fatal(err)
			}
			y.seconds += w.Seconds
			if w.Repaired() {
				y.repaired++
			}
		}
		if len(tr.Faults) > 0 && f.Group != 1 || len(tr.Faults) == 0 && f.Nothing < 0.5 || os.Getenv("PLAY") != "" && len(tr.Faults) > 0 && !w.Repaired() {
			var truth, said []string
			for _, x := range tr.Faults {
				truth = append(truth, fmt.Sprintf("%s %s %.3g", practice.Place(tr.Model, &x.Locus), x.Mode, x.Ohms))
			}
			for k, s := range d.Suspects {
				if k < 5 {
					said = append(said, fmt.Sprintf("%s %.3f %v", s.Part, s.Probability, s.Modes))
				}
			}
			var ab []string
			for _, a := range d.Abnormal {
				v, g := -1.0, -1.0
				if a.Volts != nil {
					v = *a.Volts
				}
				if a.KnownGood != nil {
					g = *a.KnownGood
				}
				ab = append(ab, fmt.Sprintf("%s%s %s %.3f good %.3f+-%.3f", a.At, a.Polarity[:1], a.Verdict, v, g, a.Sigma))
			}
			t.Logf("trial %d lib %d: truth %s\n   abnormal %v\n   said nothing %.2f: %s\n   replaced %v in %.0f s", tr.Number, len(tr.Library), strings.Join(truth, "; "), ab, f.Nothing, strings.Join(said, "; "), w.Replaced, w.Seconds)
		}
	}
	for _, k := range sorted(tallies) {
		y := tallies[k]
		t.Logf("%s: n %d first %d (%.1f%%) group %d (%.1f%%) top3 %d nothing %d repaired %d mean %.0f s", k, y.n, y.first, 100*float64(y.first)/float64(y.n), y.group, 100*float64(y.group)/float64(y.n), y.top3, y.nothing, y.repaired, y.seconds/float64(max(1, y.n)))
	}
	t.Logf("calibration all suspects %.3f first %.3f\n%s first:\n%s", cal.Error(), rcal.Error(), cal.String(), rcal.String())
	t.Logf("diagnose mean %v", diag/time.Duration(max(1, nd)))
}
