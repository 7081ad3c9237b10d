package trial

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The tables are made by
//
//	go test ./engine/trial -run TestTables -v -timeout 60m -every 1 -use reporting
//
// Plain go test plays a few of the tuning trials, so as to notice a change. What
// the engine was tuned on are the tuning trials; figures are for reporting from
// the others alone.
var (
	every = flag.Int("every", 0, "play every so many trials; 0: as many as a plain run has time for")
	use   = flag.String("use", "tuning", "tuning or reporting")
	only  = flag.String("board", "", "one board: sensor12, kestrel or dock60")
	tell  = flag.Bool("tell", false, "tell each trial that went wrong")

	redraw = flag.Int("redraw", 0, "play so many boards drawn again after each trial, read by the own solver")
)

// First seeds of the reporting trials that are drawn as they are played, which nobody has
// looked at case by case. Drawn again once they have been played, on 2026-11-29 the last time:
// 7,000,000, 9,050,000, 21,000,000, 23,050,000, 31,000,000, 37,000,000, 47,330,000 and
// 61,870,000 are used.
const (
	reportingPeople      = 99_470_000
	reportingCalibration = 79_830_000
	reportingSteps       = 98_120_000 // even: every other one is drawn as people draw
)

// TestMain lets the heap grow: collecting garbage takes a sixth of the time otherwise.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	os.Exit(m.Run())
}

// outcome is what came of one trial.
type outcome struct {
	faults   int
	finding  Finding
	claims   []claim
	shows    bool    // the engine saw that something is wrong
	plain    float64 // see plainness
	seconds  [4]float64
	inHalf   bool // the time of the first technician is in the range that holds half
	inMost   bool // and in the one that holds nine in ten
	repaired [4]bool
	wrong    string
}

type claim struct {
	said float64
	came bool
}

var technicians = [4]string{"engine's first step", "outward, remove in order", "half-split by removing", "replace by prior"}

// TestTables plays recorded trials and holds the shares to the goals below, with room
// for the small sample of a plain run.
func TestTables(t *testing.T) {
	boards := []string{"sensor12", "kestrel", "dock60"}
	if *only != "" {
		boards = []string{*only}
	}
	if testing.Short() {
		boards = boards[:1]
	}
	var ours, outward float64
	var cal Calibration
	for _, board := range boards {
		t.Run(board, func(t *testing.T) {
			trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", board+".txt"))
			if err != nil {
				t.Fatal(err)
			}
			results := playAll(t, trials)
			report(t, results)
			for _, r := range results {
				ours += r.seconds[0]
				outward += r.seconds[1]
				for _, c := range r.claims {
					cal.Add(c.said, c.came)
				}
			}
		})
	}
	// Of a large board a plain run diagnoses too few to hold it to the goals by itself, and
	// plays none: a play takes a minute, and a few would move no sum. Together the boards are
	// held to the goals; TestPeople plays on a large board.
	if e := cal.Error(); len(boards) > 1 && e > 0.08 {
		t.Errorf("calibration error %.3f over all boards", e)
	}
	if len(boards) > 1 && ours > 0.6*outward {
		t.Errorf("the engine takes %.0f %% of the outward habit's time over all boards, want at most 60 %%", 100*ours/outward)
	}
}

// chosen gives the trials that the flags ask for.
func chosen(t *testing.T, trials []recorded.Trial) []*recorded.Trial {
	t.Helper()
	var out []*recorded.Trial
	n, step := 0, *every
	if step == 0 {
		// A large board takes a second a diagnosis, a small one a hundredth.
		step = 3
		switch {
		case large(&trials[0]):
			step = 24
		case testing.Short():
			step = 24
		}
	}
	for i := range trials {
		if trials[i].Tuning == (*use == "tuning") {
			if n%step == 0 {
				out = append(out, &trials[i])
			}
			n++
		}
	}
	if *redraw == 0 {
		return out
	}
	var drawn []*recorded.Trial
	for k := range *redraw {
		for _, tr := range out {
			u, err := redrawn(tr, uint64(k))
			if err != nil {
				t.Fatal(err)
			}
			drawn = append(drawn, u)
		}
	}
	return drawn
}

// large tells that a plain run diagnoses a board and does not play it.
func large(tr *recorded.Trial) bool { return *every == 0 && len(tr.Board().Parts) > 200 }

// playAll plays the trials chosen by the flags, on every processor.
func playAll(t *testing.T, trials []recorded.Trial) []outcome {
	var engines sync.Map
	return each(t, chosen(t, trials), func(tr *recorded.Trial) (outcome, error) { return playOne(tr, &engines) })
}

// each plays trials on every processor.
func each[T any](t *testing.T, trials []*recorded.Trial, play func(*recorded.Trial) (T, error)) []T {
	t.Helper()
	return parallel(t, len(trials), func(i int) (T, error) {
		x, err := play(trials[i])
		if err != nil {
			err = fmt.Errorf("trial %d: %w", trials[i].Number, err)
		}
		return x, err
	})
}

// parallel works out n things on every processor.
func parallel[T any](t *testing.T, n int, one func(i int) (T, error)) []T {
	t.Helper()
	results := make([]T, n)
	errs := make([]error, n)
	var wg sync.WaitGroup
	for k := range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := k; i < n; i += runtime.GOMAXPROCS(0) {
				results[i], errs[i] = one(i)
			}
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	return results
}

func playOne(tr *recorded.Trial, engines *sync.Map) (outcome, error) {
	b := tr.Model.Board
	lib := references.NewLibrary(b, tr.Library)
	key := tr.Library[len(tr.Library)-1]
	e, ok := engines.Load(key)
	if !ok {
		made, err := engine.New(b, lib, engine.Options{})
		if err != nil {
			return outcome{}, err
		}
		e, _ = engines.LoadOrStore(key, made)
	}
	eng := e.(*engine.Engine)
	d, err := new(repair.Diagnosis), error(nil)
	if c := Start(tr, eng, lib).Case; len(tr.Faults) == 1 && !large(tr) {
		d, err = eng.Diagnose(c)
	} else { // which nobody repairs
		var found *diagnose.Findings
		if _, found, err = eng.Inquire(c); err == nil {
			d.Findings = *found
		}
	}
	if err != nil {
		return outcome{}, err
	}
	bad := Bad(tr.Faults, tr.Model, tr.Drawing)
	out := outcome{faults: len(tr.Faults), finding: Judge(&d.Findings, bad)}
	for _, s := range d.Suspects {
		out.claims = append(out.claims, claim{s.Probability, bad[s.Part]})
	}
	out.shows = out.finding.Nothing < 0.5
	if out.faults == 1 {
		if out.plain, err = plainness(tr); err != nil {
			return out, err
		}
	}
	if out.faults > 0 && out.finding.Group != 1 || out.faults == 0 && out.shows {
		var said []string
		for _, s := range d.Suspects[:min(4, len(d.Suspects))] {
			said = append(said, fmt.Sprintf("%s %.2f", s.Part, s.Probability))
		}
		var truth []string
		for i := range tr.Faults {
			truth = append(truth, fmt.Sprintf("%s %s %.3g ohm", practice.Place(tr.Model, &tr.Faults[i].Locus), tr.Faults[i].Mode, tr.Faults[i].Ohms))
		}
		out.wrong = fmt.Sprintf("trial %d (%.1f): %s; nothing %.2f, %s", tr.Number, out.plain, strings.Join(truth, " and "), out.finding.Nothing, strings.Join(said, ", "))
	}
	if out.faults != 1 || !out.shows || large(tr) {
		return out, nil
	}
	weight := priorWeights(tr, eng)
	for k := range technicians {
		w := Start(tr, eng, lib)
		switch k {
		case 0:
			w.begun = d
			err = w.Follow()
		case 1:
			err = w.Outward(d)
		case 2:
			err = w.HalfSplit(d)
		case 3:
			err = w.ByPrior(d, weight)
		}
		if err != nil {
			return outcome{}, err
		}
		out.seconds[k], out.repaired[k] = w.Seconds, w.Repaired()
		if k == 0 && d.Time != nil {
			out.inHalf, out.inMost = inRange(d.Time, paced(tr, w.Seconds))
		}
		if k == 0 && !w.Repaired() && out.wrong == "" {
			out.wrong = fmt.Sprintf("trial %d: %s %s not repaired: replaced %v", tr.Number, practice.Place(tr.Model, &tr.Faults[0].Locus), tr.Faults[0].Mode, w.Replaced)
		}
	}
	return out, nil
}

// priorWeights sums the odds of each part's faults.
func priorWeights(tr *recorded.Trial, e *engine.Engine) func(netlist.PartID) float64 {
	sum := map[netlist.PartID]float64{}
	posterior, err := fit.Fit(tr.Model, nil)
	if err != nil {
		return func(netlist.PartID) float64 { return 0 }
	}
	for _, l := range fault.Loci(tr.Model, fault.DefaultPriors(), posterior.Values) {
		for _, m := range l.Modes {
			if l.Part != netlist.None {
				sum[l.Part] += m.Odds
			}
		}
	}
	return func(p netlist.PartID) float64 { return sum[p] }
}

// tally counts what the engine said of some trials.
type tally struct{ n, first, group, shown int }

func (w *tally) add(r *outcome) {
	w.n++
	if r.finding.Rank == 1 {
		w.first++
	}
	if r.finding.Group == 1 {
		w.group++
	}
	if r.shows {
		w.shown++
	}
}

// report prints the tables and holds them to the goals.
func report(t *testing.T, results []outcome) {
	var cal, lead Calibration
	rows := [4]tally{}
	var seconds [4]float64
	var repaired [4]int
	played := 0
	halves, mosts := 0, 0
	both, ours, theirs := 0, 0.0, 0.0 // where the outward habit repairs the board as well
	for _, r := range results {
		rows[min(r.faults, 3)].add(&r)
		for _, c := range r.claims {
			cal.Add(c.said, c.came)
		}
		if len(r.claims) > 0 {
			lead.Add(r.claims[0].said, r.claims[0].came)
		}
		if *tell && r.wrong != "" {
			t.Log(r.wrong)
		}
		if r.seconds[0] > 0 {
			played++
			if r.inHalf {
				halves++
			}
			if r.inMost {
				mosts++
			}
			if r.repaired[0] && r.repaired[1] {
				both++
				ours += r.seconds[0]
				theirs += r.seconds[1]
			}
			for k := range seconds {
				seconds[k] += r.seconds[k]
				if r.repaired[k] {
					repaired[k]++
				}
			}
		}
	}
	share := func(a, n int) float64 { return float64(a) / float64(max(n, 1)) }
	t.Logf("%d %s trials:", len(results), *use)
	for k, name := range []string{"no fault", "one fault", "two faults"} {
		w := rows[k]
		t.Logf("  %-10s n %3d   called faulty %5.1f %%   ranked first %5.1f %%   in the first ambiguity group %5.1f %%", name, w.n, 100*share(w.shown, w.n), 100*share(w.first, w.n), 100*share(w.group, w.n))
	}
	low := 0.0 // by how plainly the fault shows
	for _, high := range []float64{2, 3, 4, 6, 10, math.Inf(1)} {
		var w tally
		for _, r := range results {
			if r.faults == 1 && r.plain >= low && (r.plain < high || math.IsInf(high, 1)) {
				w.add(&r)
			}
		}
		t.Logf("    one fault, %2.0f to %4.0f sigma: n %3d   called faulty %5.1f %%   ranked first %5.1f %%   first group %5.1f %%", low, high, w.n, 100*share(w.shown, w.n), 100*share(w.first, w.n), 100*share(w.group, w.n))
		low = high
	}
	t.Logf("  expected calibration error: all suspects %.3f, first suspect %.3f", cal.Error(), lead.Error())
	if *tell {
		t.Logf("all suspects\n%sfirst suspect\n%s", cal.String(), lead.String())
	}
	if played > 0 {
		t.Logf("  mean repair time to a verified repair, %d single faults that showed:", played)
		for k, name := range technicians {
			t.Logf("    %-24s %6.0f s   %5.1f %% of outward   repaired %d", name, seconds[k]/float64(max(played, 1)), 100*seconds[k]/seconds[1], repaired[k])
		}
		t.Logf("    range of repair time: half holds %.1f %%, nine in ten %.1f %%", 100*share(halves, played), 100*share(mosts, played))
		if h, m := share(halves, played), share(mosts, played); played >= 30 && (h < 0.3 || h > 0.8 || m < 0.75) {
			t.Errorf("of %d plays, %.0f %% end in the range of half and %.0f %% in that of nine in ten", played, 100*h, 100*m)
		}
		t.Logf("    where the outward habit repairs the board too (%d): %.0f s against %.0f s, %.1f %%; elsewhere it pays for no fix found", both, ours/float64(max(both, 1)), theirs/float64(max(both, 1)), 100*ours/theirs)
	}
	// goals: 95 % of single faults, 85 % of double faults, calibration 0.05, 60 %
	// of the outward habit; a plain run is small, so it is held to less
	least := 0.80
	if played >= 30 {
		least = 0.95
	}
	if g := share(rows[1].group, rows[1].n); g < least {
		t.Errorf("only %.1f %% of single faults are in the first group, want %.0f %%", 100*g, 100*least)
	}
	if g := share(rows[2].group, rows[2].n); rows[2].n >= 10 && g < 0.85 {
		t.Errorf("only %.1f %% of double faults have a bad part in the first group, want 85 %%", 100*g)
	}
	if rows[0].shown > 1+rows[0].n/10 {
		t.Errorf("%d of %d good boards were called faulty", rows[0].shown, rows[0].n)
	}
	if played >= 30 && seconds[0] > 0.6*seconds[1] {
		t.Errorf("the engine takes %.0f %% of the outward habit's time, want at most 60 %%", 100*seconds[0]/seconds[1])
	}
	if e := cal.Error(); played >= 30 && e > 0.08 {
		t.Errorf("calibration error %.3f", e)
	}
}
