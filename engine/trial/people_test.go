package trial

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
)

// Boards drawn as people draw them (recorded.Drawing), and the same boards drawn as
// they are, by the engine's first step each time:
//
//	go test ./engine/trial -run TestPeople -v -people 200 -use reporting -timeout 120m
//
// -board plays one board, -tell tells each case that went wrong. Plain go test plays
// fewCases of the tuning cases of each board.
var people = flag.Int("people", 0, "play so many cases of each board of TestPeople; 0: a few")

// fewCases is what a plain run plays, enough for each goal below to fail.
var fewCases = map[string]int{"sensor12": 12, "kestrel": 6, "dock60": 1}

// goodEvery says which cases are good boards.
const goodEvery = 6

var peopleBoards = []struct{ name, path string }{
	{"sensor12", "../../testdata/boards/sensor12.yaml"},
	{"kestrel", "../../testdata/demo/board.yaml"},
	{"dock60", "../../testdata/boards/dock60.yaml"},
}

// eachBoard loads the boards that are asked for, one after another.
func eachBoard(t *testing.T, do func(k int, name string, m *network.Model)) {
	t.Helper()
	for k, board := range peopleBoards {
		if *only != "" && *only != board.name {
			continue
		}
		b, err := netlist.Load(board.path)
		if err != nil {
			t.Fatal(err)
		}
		do(k, board.name, network.New(b))
	}
}

// ending is how a repair ended.
type ending int

const (
	wasRepaired ending = iota
	deadEnd            // nothing to do next, with the fault on the board
	escalated          // handed on, with what is known
	unseen             // no reading out of range, so that nobody sees the fault
	circles            // the same reading forever
	late               // more steps or seconds than anybody takes
)

var endings = []string{"repaired", "dead end", "escalated", "not seen", "in circles", "too long"}

// course is what came of one case.
type course struct {
	faults int
	drawn  bool // the place of the fault is in the drawing
	first  Finding
	open   float64 // probability given to what is in no drawing, before any step
	sure   bool    // something was said with sureFrom or more on the way
	right  bool    // the first such thing was true
	named  bool    // at the end the first suspect was right
	// Of a good board: a part of it is held to be bad, by the first sweep and once what was
	// asked for was read. A reading that misleads is no bad part.
	blamedAtFirst, blamed bool
	end                   ending
	replaced              int // good parts replaced, bridged or left off
	seconds               float64
	note                  string
}

// sureFrom is the probability from which a statement is one to rely on.
const sureFrom = 0.95

// surely gives what a diagnosis says with sureFrom or more, if anything: that a part
// is bad, or that none is.
func surely(d *repair.Diagnosis, bad map[string]bool) (said string, right bool) {
	if len(d.Suspects) > 0 && d.Suspects[0].Probability >= sureFrom {
		s := &d.Suspects[0]
		return fmt.Sprintf("%s %.3f", s.Part, s.Probability), bad[s.Part]
	}
	none := noneBad(&d.Findings)
	if none >= sureFrom {
		return fmt.Sprintf("no part bad %.3f", none), len(bad) == 0
	}
	return "", false
}

// noneBad gives the probability that no part is bad of those that a reading speaks for.
func noneBad(d *diagnose.Findings) float64 {
	none := 0.0
	for _, x := range d.Explanations {
		if !slices.ContainsFunc(x.Faults, func(f diagnose.FaultReport) bool { // a misleading reading is no bad part
			return f.Mode != fault.Missed.String() && f.Mode != fault.Doubtful.String()
		}) {
			none += x.Probability
		}
	}
	return none
}

// openWorld is the probability of the suspects that are in no drawing.
func openWorld(d *repair.Diagnosis) float64 {
	sum := 0.0
	for _, s := range d.Suspects {
		if isUnknown(s.Part) {
			sum += s.Probability
		}
	}
	return sum
}

// outOfRange tells whether any point was out of range when it was last read.
func outOfRange(d *repair.Diagnosis) bool {
	last := map[string]diagnose.Verdict{}
	for _, r := range d.Readings {
		last[r.At+" "+r.To+r.Polarity] = r.Verdict
	}
	for _, v := range last {
		if v != diagnose.Agrees && v != diagnose.NoKnownGood {
			return true
		}
	}
	return false
}

// reads are the steps that leave the board as it is.
var reads = map[repair.Do]bool{repair.DoSweep: true, repair.DoMeasure: true, repair.DoPress: true, repair.DoGood: true, repair.DoEnds: true, repair.DoAcross: true, repair.DoInspect: true}

// playPeople draws and plays one case.
func playPeople(m *network.Model, seed uint64, faults int, asPeopleDraw bool) (course, error) {
	tr, err := openTrial(m, seed, showing(faults), asPeopleDraw, false)
	if err != nil {
		return course{}, err
	}
	drawing, e := tr.drawing, tr.engine
	w := Start(tr.Trial, e, tr.library)
	bad := Bad(tr.Faults, m, drawing)
	c := course{faults: faults, drawn: true}
	for i := range tr.Faults {
		_, drawn := namesOf(drawing, m, &tr.Faults[i])
		c.drawn = c.drawn && drawn
	}
	said, diagnoses := "", 0
	watch := func(d *repair.Diagnosis) {
		if diagnoses++; diagnoses == 1 {
			c.first, c.open = Judge(&d.Findings, bad), openWorld(d)
		}
		if !c.sure {
			said, c.right = surely(d, bad)
			c.sure = said != ""
		}
		c.named = len(d.Suspects) > 0 && bad[d.Suspects[0].Part]
		switch {
		case len(d.Next) > 0:
		case d.Implausible != nil:
			c.end = escalated
		case outOfRange(d):
			c.end = deadEnd
		default:
			c.end = unseen
		}
	}
	if faults == 0 {
		for range mostSteps { // read as asked, until work on the board is asked for
			d, err := e.Diagnose(w.Case)
			if err != nil {
				return course{}, err
			}
			watch(d)
			if c.blamed = noneBad(&d.Findings)+d.Quiet < 0.5; diagnoses == 1 {
				c.blamedAtFirst = c.blamed
			}
			if len(d.Next) == 0 || !reads[d.Next[0].Do] {
				break
			}
			if err := w.Do(&d.Next[0]); errors.Is(err, ErrCircles) {
				c.end = circles
				break
			} else if err != nil {
				return course{}, err
			}
		}
	} else {
		switch err := w.follow(watch); {
		case errors.Is(err, ErrCircles):
			c.end = circles
			c.note = err.Error() + "; "
		case err != nil:
			return course{}, err
		case w.Repaired():
			c.end = wasRepaired
		case w.Escalated:
			c.end = escalated
		case c.end == wasRepaired:
			c.end = late
		}
	}
	for _, name := range w.Replaced {
		if _, err := tr.Board().PartByName(name); err == nil && !bad[name] {
			c.replaced++
		}
	}
	c.seconds = w.Seconds
	var truth []string
	for i := range tr.Faults {
		f := &tr.Faults[i]
		truth = append(truth, fmt.Sprintf("%s %s %.3g ohm", practice.Place(m, &f.Locus), f.Mode, f.Ohms))
	}
	c.note += fmt.Sprintf("seed %d: %v, drawn %v: %s after %.0f s; surely %q (%v); first said %.3f, right %v; replaced %v", seed, truth, c.drawn, endings[c.end], c.seconds, said, c.right, c.first.Said, c.first.Right, w.Replaced)
	return c, nil
}

// TestPeople holds the engine to the goals for boards drawn as people draw, and to
// those of honesty for boards drawn as they are.
func TestPeople(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole repairs")
	}
	missed := missedGoals{t, map[string]bool{}}
	for _, kind := range []struct {
		name    string
		asDrawn bool
	}{{"drawn by people", true}, {"fully drawn", false}} {
		var all []course
		eachBoard(t, func(k int, name string, m *network.Model) {
			n := *people
			if n == 0 {
				n = fewCases[name]
			}
			seed := uint64(1000 * (k + 1)) // of tuning; nobody has looked at those of reporting
			if *use == "reporting" {
				seed += reportingPeople
			}
			courses := parallel(t, n, func(i int) (course, error) {
				faults := 1
				if i%goodEvery == goodEvery-1 {
					faults = 0
				}
				return playPeople(m, seed+uint64(i), faults, kind.asDrawn)
			})
			missed.hold(kind.name, name, kind.asDrawn, courses)
			all = append(all, courses...)
		})
		if *only == "" {
			missed.hold(kind.name, "all boards", kind.asDrawn, all)
		}
	}
	if *people == 0 && *only == "" && *use == "tuning" {
		missed.settle(knownToMiss)
	}
}

// missedGoals gathers which goals a run missed.
type missedGoals struct {
	t      *testing.T
	missed map[string]bool
}

// atLeast tells of a share that should reach a goal, and whether chance alone leaves
// so small a share to an engine that reaches it at most once in a hundred times.
func (g *missedGoals) atLeast(name string, hits, n int, goal float64) {
	g.judge(name, hits, n, "at least", goal, binomialTail(n-hits, n, 1-goal) < 0.01)
}

// atMost is the same for a share that should stay below a goal.
func (g *missedGoals) atMost(name string, hits, n int, goal float64) {
	g.judge(name, hits, n, "at most", goal, binomialTail(hits, n, goal) < 0.01)
}

func (g *missedGoals) judge(name string, hits, n int, word string, goal float64, missed bool) {
	mark := ""
	if missed {
		mark, g.missed[name] = "   MISSED", true
	}
	g.t.Logf("    %-62s %4d of %4d  %5.1f %%   goal %s %.0f %%%s", name, hits, n, 100*float64(hits)/float64(max(n, 1)), word, 100*goal, mark)
}

// binomialTail is the probability of hits or more of n where each has probability p.
func binomialTail(hits, n int, p float64) float64 {
	if p == 0 {
		if hits > 0 {
			return 0
		}
		return 1
	}
	sum := 0.0
	for k := hits; k <= n; k++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(k + 1))
		c, _ := math.Lgamma(float64(n - k + 1))
		sum += math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log(1-p))
	}
	return sum
}

// poissonTail is the probability of so many or more where mean are expected.
func poissonTail(hits int, mean float64) float64 {
	sum, term := 1.0, math.Exp(-mean)
	for k := range hits {
		sum -= term
		term *= mean / float64(k+1)
	}
	return math.Max(sum, 0)
}

// hold prints one table and holds it to the goals.
func (g *missedGoals) hold(kind, board string, byPeople bool, courses []course) {
	var faulty, drawn, repaired, undrawn, named, sure, right, good, calledFaulty, blamed, open, group, replaced, shown int
	var ends [late + 1]int
	var lead Calibration
	seconds := 0.0
	for i := range courses {
		c := &courses[i]
		if c.sure {
			sure++
			if c.right {
				right++
			}
		}
		if c.open >= 0.5 {
			open++
		}
		if c.first.Said > 0 {
			lead.Add(c.first.Said, c.first.Right)
		}
		wrong := c.sure && !c.right
		if c.faults == 0 {
			good++
			if c.blamedAtFirst {
				calledFaulty++
			}
			if c.blamed {
				blamed++
				wrong = true
			}
		} else {
			faulty++
			ends[c.end]++
			seconds += c.seconds
			replaced += c.replaced
			if c.first.Nothing < 0.5 {
				shown++
			}
			if c.first.Group == 1 {
				group++
			}
			if c.drawn {
				drawn++
				if c.end == wasRepaired {
					repaired++
				}
			} else {
				undrawn++
				if c.named {
					named++
				}
			}
			wrong = wrong || c.end != wasRepaired
		}
		if *tell && wrong {
			g.t.Log(c.note)
		}
	}
	share := func(a, n int) float64 { return 100 * float64(a) / float64(max(n, 1)) }
	mean, high := lead.Chance()
	g.t.Logf("%s, %s: %d cases, %s", board, kind, len(courses), *use)
	g.t.Logf("  faults %d, of which drawn %d; called faulty %.1f %%, in the first group %.1f %%; ended:", faulty, drawn, share(shown, faulty), share(group, faulty))
	for k, name := range endings {
		g.t.Logf("    %-12s %4d  %5.1f %%", name, ends[k], share(ends[k], faulty))
	}
	g.t.Logf("  mean repair time %.0f; something said with %.0f %% or more in %d of %d cases, %.1f %%", seconds/float64(max(faulty, 1)), 100*sureFrom, sure, len(courses), share(sure, len(courses)))
	g.t.Logf("  calibration of the first suspect: error %.3f, chance alone %.3f (one in a hundred above %.3f)\n%s", lead.Error(), mean, high, lead.String())
	at := func(goal string) string { return kind + ", " + board + ": " + goal }
	g.atLeast(at("repaired, of drawn faults"), repaired, drawn, 0.95)
	g.atLeast(at("surely and right"), right, sure, 0.95)
	g.atMost(at("good boards called faulty by the first sweep"), calledFaulty, good, 0.02)
	g.atMost(at("good boards called faulty once read as asked"), blamed, good, 0.02)
	g.judge(at("good parts replaced a repair"), replaced, faulty, "at most", 0.20, poissonTail(replaced, 0.20*float64(faulty)) < 0.01)
	if byPeople {
		g.atMost(at("dead ends"), ends[deadEnd], faulty, 0)
		g.atMost(at("in circles"), ends[circles], faulty, 0)
		g.atLeast(at("net named, of faults in nothing drawn"), named, undrawn, 0.90)
	} else {
		g.atLeast(at("first ambiguity group"), group, faulty, 0.95)
		g.atMost(at("half or more to what is not drawn"), open, len(courses), 0.02)
	}
	if goal := at("calibration"); lead.Error() > high+0.02 {
		g.missed[goal] = true
		g.t.Logf("    %-62s %.3f   goal at most 0.020 beyond chance   MISSED", goal, lead.Error())
	}
}

// knownToMiss lists the goals that the engine as it stands misses in a plain run. A
// goal that is missed and not listed fails; so does one that is listed and no longer
// missed: take it out of the list. The few cases of a plain run hardly tell a miss from
// chance.
var knownToMiss = map[string]bool{}

func (g *missedGoals) settle(known map[string]bool) {
	for _, name := range sorted(g.missed) {
		if !known[name] {
			g.t.Errorf("missed: %s", name)
		}
	}
	for _, name := range sorted(known) {
		if !g.missed[name] {
			g.t.Errorf("no longer missed; take it out of knownToMiss: %s", name)
		}
	}
}

// A binomial tail that can be counted by hand, and a calibration whose every
// statement is right as often as it is said.
func TestJudgement(t *testing.T) {
	if got := binomialTail(2, 3, 0.5); math.Abs(got-0.5) > 1e-12 {
		t.Errorf("two or more heads of three: %g, want 0.5", got)
	}
	if got := binomialTail(1, 10, 0.1); math.Abs(got-(1-math.Pow(0.9, 10))) > 1e-12 {
		t.Errorf("one or more of ten at 0.1: %g", got)
	}
	if got := poissonTail(2, 1); math.Abs(got-(1-2/math.E)) > 1e-12 {
		t.Errorf("two or more where one is expected: %g", got)
	}
	var fair, boast Calibration
	r := practice.Random(3, "judgement")
	for range 2000 {
		p := r.Float64()
		fair.Add(p, r.Float64() < p)
		boast.Add(p, r.Float64() < p*p)
	}
	mean, high := fair.Chance()
	if fair.Error() > high || mean > high || mean < 0.005 {
		t.Errorf("fair statements: error %.3f, chance %.3f to %.3f", fair.Error(), mean, high)
	}
	if boast.Error() < high+0.1 { // mean of p - p^2 is 1/6
		t.Errorf("boasts: error %.3f", boast.Error())
	}
}

// isUnknown tells whether a suspect's name is that of something in no drawing.
func isUnknown(name string) bool {
	return strings.HasPrefix(name, unknownPath) || strings.HasPrefix(name, unknownBreak)
}
