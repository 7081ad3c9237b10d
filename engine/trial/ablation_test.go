package trial

import (
	"path/filepath"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/plan"
	"halfsplit/engine/trial/recorded"
	"halfsplit/references"
)

// manyTrials is what a mean of repair time takes to be steady within a tenth.
const manyTrials = 100

// coarseCounts blurs a meter, in counts of its display: what is left is whether a
// reading is good, shorted or open.
const coarseCounts = 60

// without lists the engine as it is and with one ingredient taken away.
var without = []struct {
	name    string
	options func(tr *recorded.Trial, lib *references.Library) (engine.Options, error)
	counts  float64 // of the meter, 0 for its own
}{
	{name: "as it is", options: plainOptions},
	{name: "without the fit", options: func(tr *recorded.Trial, lib *references.Library) (engine.Options, error) {
		guess, err := fit.Guess(tr.Model, lib)
		return engine.Options{Posterior: guess}, err
	}},
	{name: "without millivolts", options: plainOptions, counts: coarseCounts},
	{name: "without looks", options: func(*recorded.Trial, *references.Library) (engine.Options, error) {
		priors := fault.DefaultPriors()
		priors.BadLook = priors.OKLook // a look tells nothing
		return engine.Options{Priors: priors}, nil
	}},
	{name: "without roll-out", options: func(*recorded.Trial, *references.Library) (engine.Options, error) {
		return engine.Options{Limits: plan.Limits{Work: 1}}, nil
	}},
}

func plainOptions(*recorded.Trial, *references.Library) (engine.Options, error) {
	return engine.Options{}, nil
}

// TestAblation plays trials by the engine's first step, with the engine as it is and
// without one ingredient at a time:
//
//	go test ./engine/trial -run TestAblation -v -every 1 -use reporting -board kestrel
//
// An ingredient earns its place where fewer faults are found without it, or the
// bench pays more. A run of manyTrials or more is held to that within chance; a
// plain one plays a few boards and holds the fit and the millivolts, which matter
// most, to finding no fewer.
func TestAblation(t *testing.T) {
	if *only == "" {
		t.Skip("plays for minutes: name a board with -board")
	}
	board := "sensor12"
	if *only != "" {
		board = *only
	}
	trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", board+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	var list []*recorded.Trial
	for _, tr := range chosen(t, trials) {
		if len(tr.Faults) > 0 {
			list = append(list, tr)
		}
	}
	type score struct {
		found    Finding
		seconds  float64
		repaired bool
	}
	var whole []score
	found := map[string]float64{}
	for _, v := range without {
		scores := each(t, list, func(tr *recorded.Trial) (score, error) {
			lib := references.NewLibrary(tr.Model.Board, tr.Library)
			o, err := v.options(tr, lib)
			if err != nil {
				return score{}, err
			}
			e, err := engine.New(tr.Model.Board, lib, o)
			if err != nil {
				return score{}, err
			}
			blunt := *tr
			if v.counts > 0 {
				blunt.Meter.Counts = v.counts
			}
			w := Start(&blunt, e, lib)
			d, err := e.Diagnose(w.Case)
			if err != nil {
				return score{}, err
			}
			s := score{found: Judge(&d.Findings, Bad(tr.Faults, tr.Model, tr.Drawing))}
			err = w.Follow()
			s.seconds, s.repaired = w.Seconds, w.Repaired()
			return s, err
		})
		if whole == nil {
			whole = scores
		}
		var first, group, n [3]float64
		seconds, repaired, worse, better := 0.0, 0, 0, 0
		for i, s := range scores {
			k := min(len(list[i].Faults), 2)
			n[k]++
			if s.found.Rank == 1 {
				first[k]++
			}
			if s.found.Group == 1 {
				group[k]++
			}
			seconds += s.seconds
			if s.repaired {
				repaired++
			}
			switch {
			case s.seconds > whole[i].seconds:
				worse++
			case s.seconds < whole[i].seconds:
				better++
			}
		}
		t.Logf("%-20s first group: one fault %5.1f %% of %.0f, two %5.1f %% of %.0f   ranked first %5.1f %%   mean %5.0f s, repaired %3d of %d   slower in %d, quicker in %d",
			v.name, 100*group[1]/max(n[1], 1), n[1], 100*group[2]/max(n[2], 1), n[2], 100*(first[1]+first[2])/(n[1]+n[2]), seconds/float64(len(list)), repaired, len(list), worse, better)
		found[v.name] = group[1] + group[2]
		var asItIs float64
		for _, s := range whole {
			asItIs += s.seconds
		}
		if len(list) >= manyTrials && seconds < 0.9*asItIs {
			t.Errorf("%s takes %.0f %% of the time that it takes as it is: the ingredient does not earn its place", v.name, 100*seconds/asItIs)
		}
	}
	for _, name := range []string{"without the fit", "without millivolts"} {
		if found[name] > found["as it is"] {
			t.Errorf("%s finds %.0f, as it is %.0f", name, found[name], found["as it is"])
		}
	}
}
