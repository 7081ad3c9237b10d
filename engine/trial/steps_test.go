package trial

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// railBoard draws a board with a rail of 4 to 20 parallel capacitors, a second one behind
// a bead, and lines to ICs of both packages. INVENTED.
func railBoard(t *testing.T, seed uint64) *network.Model {
	t.Helper()
	r := practice.Random(seed, "rail board")
	var s strings.Builder
	s.WriteString("board: Rails\nconnectors:\n  J1: {pins: {1: GND, 2: VA, 3: VB")
	lines := 4 + r.IntN(5)
	for i := range lines {
		fmt.Fprintf(&s, ", %d: L%d", 4+i, i)
	}
	s.WriteString("}}\nnets: {VA: {rail: 1.8 V}, VB: {rail: 1.8 V}}\nparts:\n  FB1: {kind: bead, value: 600R, pins: [VA, VB]}\n")
	for i := range 4 + r.IntN(17) {
		fmt.Fprintf(&s, "  C%d: {kind: capacitor, value: %s, pins: [VA, GND]}\n", i+1, []string{"100n", "1u", "10u"}[r.IntN(3)])
	}
	for i := range 4 + r.IntN(5) {
		fmt.Fprintf(&s, "  C%d: {kind: capacitor, value: 1u, pins: [VB, GND]}\n", 50+i)
	}
	var leaded, balls []string
	for i := range lines {
		fmt.Fprintf(&s, "  R%d: {kind: resistor, value: 33R, pins: [L%d, U%d]}\n", i+1, i, i)
		if i%3 == 1 {
			fmt.Fprintf(&s, "  D%d: {kind: tvs, pins: [L%d, GND]}\n", i+1, i)
		}
		if i%2 == 0 {
			leaded = append(leaded, fmt.Sprintf("%d: U%d", 10+i, i))
		} else {
			balls = append(balls, fmt.Sprintf("C%d: U%d", i, i))
		}
	}
	fmt.Fprintf(&s, "  U1: {kind: ic, pins: {1: VA, 2: GND, %s}}\n  U2: {kind: ic, pins: {A1: VB, A2: GND, B1: VA, %s}}\n", strings.Join(leaded, ", "), strings.Join(balls, ", "))
	path := filepath.Join(t.TempDir(), "rails.yaml") // a drawing reads the file again
	if err := os.WriteFile(path, []byte(s.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := netlist.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return network.New(b)
}

// oracle gives the seconds of somebody who knows the fault and repairs it at once.
func (w *Work) oracle() float64 {
	b, c, sum := w.Simulator.Board.Truth.Model.Board, w.Costs, 0.0
	for _, f := range w.Simulator.Board.Faults {
		l := &f.Locus
		seconds := c.Replace
		switch {
		case l.NPins == 2:
			if seconds = c.Clean; l.Change.Cure.Again {
				seconds += c.CleanAgain + c.Measure
			}
		case l.NPins == 1:
			seconds = c.Resolder
		case l.Part == netlist.None:
			seconds = c.Wire
		default:
			p := &b.Parts[l.Part]
			joint := l.Change.Cure.Kind == netlist.RepairJoint && p.Access != netlist.Underfill
			switch {
			case joint && p.Package == netlist.Leaded:
				seconds = c.ResolderIC
			case joint && p.Package == netlist.BallGrid:
				seconds = c.Reflow
			case joint:
				seconds = c.Resolder
			case network.Pinned(p.Kind):
				seconds = c.IC
			case f.Mode.Path() && p.MayLeaveOff():
				seconds = c.Remove
			case !f.Mode.Path() && p.MayJumper():
				seconds = c.Jumper
			}
			if p.Access == netlist.Underfill {
				seconds += c.Underfill
			}
			if p.Access == netlist.Shield {
				seconds += c.Shield
			}
		}
		sum += seconds + 2*c.Measure
	}
	return sum
}

// leftOut names the sorts of steps that TestSteps leaves out, one run each; "none" leaves
// out none.
var leftOut = flag.String("without", "none", "TestSteps: run without each of these, such as none,press,good,pin,along,resolder,reflow,clean,across,between,drop,inject,ends,all")

// from moves on among the seeds.
var from = flag.Uint64("from", 0, "TestSteps: leave out so many seeds before the first")

// known is the probability from which an outcome is known beforehand.
const known = 0.995

// stepsRun is what came of the same cases with some steps left out.
type stepsRun struct {
	n, repaired, escalated, circles, dead, replaced, back int
	offers, again, foregone                               int // steps on offer; those done before with nothing changed; those whose outcome is known
	seconds, oracle                                       float64
	habits                                                [2]float64 // seconds of the outward habit, as it stood and with the new steps
	both                                                  float64    // of seconds, where the former repairs the board too
	repairs                                               float64    // its seconds there
	bill                                                  map[string]bill
}

// bill is what one sort of step took in seconds, before the right part was named first
// and after, and beside it what the oracle pays.
type bill struct {
	n                     int
	before, after, oracle float64
}

// charge adds a step to a bill of a run.
func (x *stepsRun) charge(key string, named bool, seconds float64) {
	if x.bill == nil {
		x.bill = map[string]bill{}
	}
	b := x.bill[key]
	if b.n++; named {
		b.after += seconds
	} else {
		b.before += seconds
	}
	x.bill[key] = b
}

// sortOf names a step in the bill.
func sortOf(s *repair.Step, repaired bool) string {
	switch {
	case s.Do == repair.DoRepair && repaired:
		return "repair that helped: " + s.Remedy
	case s.Do == repair.DoRepair:
		return "repair in vain: " + s.Remedy
	}
	return strings.TrimRight(string(s.Do)+": "+strings.TrimLeft(s.Why, "0123456789 "), ": ")
}

// stepsCase makes one case; every other one is drawn as people draw.
func stepsCase(t *testing.T, seed uint64) (*Work, *recorded.Trial, map[string]bool, error) {
	tr, err := stepsTrial(t, seed, 1)
	if err != nil {
		return nil, nil, nil, err
	}
	w, err := stepsWork(tr)
	return w, tr, Bad(tr.Faults, tr.Model, tr.Drawing), err
}

func stepsTrial(t *testing.T, seed uint64, faults int) (*recorded.Trial, error) {
	m := railBoard(t, seed)
	var drawing *recorded.Drawing
	var err error
	if seed%2 == 1 {
		if drawing, err = newDrawing(m.Board, seed); err != nil {
			return nil, err
		}
	}
	return newTrial(m, seed, showing(faults), drawing, false)
}

func stepsWork(tr *recorded.Trial) (*Work, error) {
	lib := references.NewLibrary(tr.Board(), tr.Library)
	e, err := engine.New(tr.Board(), lib, engine.Options{})
	if err != nil {
		return nil, err
	}
	w := Start(tr, e, lib)
	w.AtHand(journal.GoodBoard)
	return w, nil
}

// isSort tells whether a step is one of a sort that -without names.
func isSort(s *repair.Step, sort string) bool {
	joint := s.Remedy == "resolder" && !strings.HasPrefix(s.Part, "J")
	switch sort {
	case "none":
		return false
	case "pin":
		return s.Do == repair.DoInspect && strings.HasPrefix(s.Part, "J")
	case "between":
		return s.Do == repair.DoAcross && strings.Contains(s.Part, " to ")
	case "along":
		return s.Do == repair.DoInspect && s.At != ""
	case "resolder":
		return joint
	case "all":
		return joint || s.Remedy == "reflow" || s.Do == repair.DoAcross || s.Do == repair.DoDrop || s.Do == repair.DoPress || s.Do == repair.DoGood
	}
	return string(s.Do) == sort || s.Remedy == sort
}

// TestSteps plays boards with many parallel parts and ICs of both packages, half of them
// drawn as people draw, with every step and without one sort after the other, beside the
// outward habit and an oracle. Without a step is: the best of the others on offer.
func TestSteps(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole repairs")
	}
	cases, first := 12, uint64(40_000) // of tuning
	if *people > 0 {
		cases = *people
	}
	if *use == "reporting" {
		first = reportingSteps
	}
	first += *from
	for _, without := range strings.Split(*leftOut, ",") {
		runs := parallel(t, cases, func(i int) (x stepsRun, err error) {
			w, tr, bad, err := stepsCase(t, first+uint64(i))
			if err != nil {
				return x, err
			}
			w.Without = func(s *repair.Step) bool { return isSort(s, without) }
			if *tell && cases == 1 { // each step, as one play alone can be read
				w.log = t.Logf
			}
			x.n, x.oracle = 1, w.oracle()
			if *tell && cases == 1 {
				for _, r := range tr.Readings {
					known := ""
					for _, l := range tr.Library {
						for _, k := range l.Readings {
							if k.Name == tr.Board().PointName(r.At) {
								known += " " + quantity.FormatReading(k.Reading)
							}
						}
					}
					t.Logf("%s reads %s, good%s", tr.Board().PointName(r.At), quantity.FormatReading(r.Reading), known)
				}
				text, _ := os.ReadFile(tr.Model.Board.File)
				t.Logf("%s", text)
			}
			dead := false
			var last *repair.Step
			named, spent := false, 0.0
			of := []string{"fault " + tr.Faults[0].Mode.String(), "rail " + railSize(w), []string{"drawn in full", "drawn by people"}[i%2]}
			pay := func(sort string) {
				for _, key := range append([]string{sort}, of...) {
					x.charge(key, named, w.Seconds-spent)
				}
				spent = w.Seconds
			}
			switch err := w.follow(func(d *repair.Diagnosis) {
				if last != nil {
					pay(sortOf(last, w.Repaired()))
				} else if !outOfRange(d) {
					of[2] += ", no reading out of range at first"
				}
				if last = nil; len(d.Next) > 0 {
					last, named = &d.Next[0], Judge(&d.Findings, bad).Right
				}
				dead = len(d.Next) == 0 && d.Implausible == nil && outOfRange(d)
				if *tell && cases == 1 {
					t.Logf("out of range: %v; quiet %.3f; implausible %+v", d.OutOfRange(), d.Quiet, d.Implausible)
					for _, x := range d.Explanations[:min(len(d.Explanations), 6)] {
						var faults []string
						for _, f := range x.Faults {
							faults = append(faults, fmt.Sprintf("%s%s %s cured %v quiet %v", f.At, f.Terminal, f.Mode, f.Cured, f.Quiet))
						}
						t.Logf("    %.3f %s", x.Probability, strings.Join(faults, " and "))
					}
					for _, s := range d.Next[:min(len(d.Next), 5)] {
						t.Logf("    offered: %s %s%s %s: %.0f s, expected %.0f %s", s.Do, s.At, s.Part, s.Remedy, s.Seconds, s.Expected, s.Why)
					}
				}
				keys := map[string]bool{}
				for k := range d.Next {
					s := &d.Next[k]
					x.offers++
					if key := w.key(s) + s.Remedy; w.sent[w.key(s)] || keys[key] {
						x.again++
						t.Logf("seed %d: %s %s%s %s is offered again", first+uint64(i), s.Do, s.At, s.Part, s.Remedy)
					} else {
						keys[key] = true
					}
					if s.Do != repair.DoRepair && !s.Again && slices.ContainsFunc(s.Outcomes, func(o repair.StepOutcome) bool { return o.Probability > known }) {
						x.foregone++
						t.Logf("seed %d: %s %s%s: %+v is known", first+uint64(i), s.Do, s.At, s.Part, s.Outcomes)
					}
				}
			}); {
			case errors.Is(err, ErrCircles):
				x.circles = 1
				t.Logf("seed %d: %v", first+uint64(i), err)
			case err != nil:
				return x, err
			}
			if w.Repaired() {
				x.repaired = 1
			} else if w.Escalated {
				x.escalated = 1
			} else if dead {
				x.dead = 1
			}
			if last != nil && w.Repaired() {
				pay(sortOf(last, true))
			}
			if !w.Repaired() {
				pay("given up, and the step before")
			}
			for _, key := range of {
				b := x.bill[key]
				b.oracle = x.oracle
				x.bill[key] = b
			}
			x.seconds = w.Seconds
			for _, name := range w.Replaced {
				switch p, err := w.Engine.Board.PartByName(name); {
				case err != nil || bad[name]:
				case w.edits().Of(p).Removed: // left off in vain: the bench asks to put it back
					x.back++
					x.seconds += w.Costs.Reinstall
				default:
					x.replaced++
				}
			}
			if *tell {
				t.Logf("seed %d without %q: %s %s %.3g ohm: %.0f s, oracle %.0f, repaired %v, replaced %v", first+uint64(i), without, practice.Place(tr.Model, &tr.Faults[0].Locus), tr.Faults[0].Mode, tr.Faults[0].Ohms, w.Seconds, x.oracle, w.Repaired(), w.Replaced)
			}
			if without != "none" {
				return x, nil
			}
			for k, habit := range []func(*Work, *repair.Diagnosis) error{(*Work).Outward, (*Work).outwardWithSteps} {
				w, _, _, err := stepsCase(t, first+uint64(i))
				if err != nil {
					return x, err
				}
				d, err := w.Engine.Diagnose(w.Case)
				if err != nil {
					return x, err
				}
				if err := habit(w, d); err != nil {
					return x, err
				}
				x.habits[k] = w.Seconds
				if k == 0 && w.Repaired() {
					x.both, x.repairs = x.seconds, w.Seconds
				}
			}
			return x, nil
		})
		sum := stepsRun{bill: map[string]bill{}}
		for _, x := range runs {
			sum.n += x.n
			sum.repaired += x.repaired
			sum.escalated += x.escalated
			sum.circles += x.circles
			sum.dead += x.dead
			sum.offers += x.offers
			sum.again += x.again
			sum.foregone += x.foregone
			sum.replaced += x.replaced
			sum.back += x.back
			sum.seconds += x.seconds
			sum.oracle += x.oracle
			sum.both += x.both
			sum.repairs += x.repairs
			for k, s := range x.habits {
				sum.habits[k] += s
			}
			for key, b := range x.bill {
				c := sum.bill[key]
				sum.bill[key] = bill{c.n + b.n, c.before + b.before, c.after + b.after, c.oracle + b.oracle}
			}
		}
		if sum.circles+sum.dead+sum.again+sum.foregone > 0 {
			t.Errorf("without %s: %d repeated steps, %d dead ends, of %d steps on offer %d again and %d with a known outcome; want none", without, sum.circles, sum.dead, sum.offers, sum.again, sum.foregone)
		}
		if without == "none" {
			t.Logf("share of the seconds of the outward habit: as it stood %.2f (%.2f where it repairs the board too), with the new steps %.2f",
				sum.seconds/sum.habits[0], sum.both/sum.repairs, sum.seconds/sum.habits[1])
			for _, key := range sorted(sum.bill) {
				b, n := sum.bill[key], float64(sum.n)
				t.Logf("%-54s %5d steps, a play %6.1f s before the right part is named first, %6.1f after; oracle %.0f", key, b.n, b.before/n, b.after/n, b.oracle/n)
			}
		}
		t.Logf("without %-9s %d cases: repaired %d, escalated %d, repeated %d, dead ends %d, mean %.0f s, %.2f of the oracle's %.0f; good parts replaced %d, taken off and put back %d",
			without, sum.n, sum.repaired, sum.escalated, sum.circles, sum.dead, sum.seconds/float64(sum.n), sum.seconds/sum.oracle, sum.oracle/float64(sum.n), sum.replaced, sum.back)
	}
}

// railSize tells how many capacitors the rail of a board of railBoard has.
func railSize(w *Work) string {
	b := w.Engine.Board
	n, _ := b.NetByName("VA")
	k := 0
	for _, t := range b.Nets[n].Terminals {
		if b.Parts[t.Part].Kind == netlist.Capacitor {
			k++
		}
	}
	return fmt.Sprintf("of %2d to %2d", k/5*5, k/5*5+4)
}

// TestCleanedTwice plays leakage between pins that a first cleaning leaves, with the second
// cleaning on offer and without.
func TestCleanedTwice(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole repairs")
	}
	type run struct {
		repaired [2]bool
		seconds  [2]float64
	}
	runs := parallel(t, max(4, *people), func(i int) (x run, err error) {
		seed := *from + 60_000 + 1000*uint64(i)
		tr, err := stepsTrial(t, seed, 1)
		for ; err == nil && tr.Faults[0].Mode != fault.Leakage; tr, err = stepsTrial(t, seed, 1) {
			seed++
		}
		if err != nil {
			return x, err
		}
		if f := &tr.Faults[0]; !f.Locus.Change.Cure.Again {
			f.Locus = f.Locus.Stubborn()
		}
		for k := range x.seconds {
			w, err := stepsWork(tr)
			if err != nil {
				return x, err
			}
			cleaned := map[string]bool{}
			w.Without = func(s *repair.Step) bool { return k == 1 && s.Remedy == "clean" && cleaned[s.Part] }
			if err := w.follow(func(d *repair.Diagnosis) {
				if len(d.Next) > 0 && d.Next[0].Remedy == "clean" {
					defer func() { cleaned[d.Next[0].Part] = true }()
				}
			}); err != nil {
				return x, err
			}
			x.repaired[k], x.seconds[k] = w.Repaired(), w.Seconds
		}
		return x, nil
	})
	n, repaired, seconds := float64(len(runs)), [2]int{}, [2]float64{}
	for _, x := range runs {
		for k := range seconds {
			seconds[k] += x.seconds[k]
			if x.repaired[k] {
				repaired[k]++
			}
		}
	}
	t.Logf("%d cases: cleaned twice, repaired %d, mean %.0f s; once, repaired %d, mean %.0f s", len(runs), repaired[0], seconds[0]/n, repaired[1], seconds[1]/n)
	if repaired[0] <= repaired[1] || seconds[0] > seconds[1] {
		t.Error("cleaning again does not pay")
	}
}

// TestSwapped plays boards that are right while the complaint stands, with a known-good
// cable at hand: it is swapped before anything on the board is touched.
func TestSwapped(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole repairs")
	}
	type run struct {
		swapped bool
		touched int
		seconds float64
	}
	runs := parallel(t, max(12, *people), func(i int) (x run, err error) {
		tr, err := stepsTrial(t, *from+70_000+uint64(i), 0)
		if err != nil {
			return x, err
		}
		w, err := stepsWork(tr)
		if err != nil {
			return x, err
		}
		w.AtHand(journal.GoodBoard, "J1")
		for !x.swapped && w.Steps < mostSteps && !w.Escalated {
			d, err := w.Engine.Diagnose(w.Case)
			if err != nil || len(d.Next) == 0 {
				return x, err
			}
			s := &d.Next[0]
			if err := w.Do(s); err != nil {
				return x, err
			}
			switch s.Do {
			case repair.DoSwap:
				x.swapped = true
			case repair.DoRepair, repair.DoRemove:
				x.touched++
			}
			x.seconds = w.Seconds
		}
		return x, nil
	})
	swapped, touched, seconds := 0, 0, 0.0
	for _, x := range runs {
		if touched += x.touched; x.swapped {
			swapped, seconds = swapped+1, seconds+x.seconds
		}
	}
	t.Logf("%d of %d cables swapped, mean %.0f s to there (without the step: %.0f s, handed on); %d repairs and removals in vain before", swapped, len(runs), seconds/float64(swapped), plan.DefaultCosts().GiveUp, touched)
	if swapped*10 < len(runs)*8 {
		t.Errorf("only %d of %d cables are swapped", swapped, len(runs))
	}
}

// outwardWithSteps is the outward habit with the steps of a good technician: current into
// a shorted net and the part that warms first; at an open line, joints soldered again and
// ICs pressed before anything is taken off.
func (w *Work) outwardWithSteps(d *repair.Diagnosis) error { return w.outward(d, w.solderFirst) }

// solderFirst is what outwardWithSteps does with a line that was probed.
func (w *Work) solderFirst(l *line) error {
	b, at := w.Engine.Board, l.nets[0]
	parts := slices.Clone(l.parts)
	if l.pin.Verdict == diagnose.IsShorted && b.Nets[at].Rail && !b.Nets[at].Boosted {
		w.Seconds += w.Costs.Inject
		warm := w.Simulator.Inject(at, w.edits())
		parts = slices.DeleteFunc(parts, func(p netlist.PartID) bool { return slices.Contains(warm, p) })
		parts = append(slices.Clone(warm), parts...)
	}
	if l.pin.Verdict == diagnose.IsOpen || l.pin.Verdict == diagnose.High {
		for _, p := range l.parts {
			part := &b.Parts[p]
			s := repair.Step{Do: repair.DoRepair, Part: part.Name, Remedy: "reflow", Seconds: w.Costs.Resolder}
			if network.Pinned(part.Kind) {
				pt, err := b.Point(l.pin.At)
				if err != nil {
					return err
				}
				r, err := w.Simulator.Press(p, pt, w.edits())
				if err != nil {
					return err
				}
				w.Seconds += w.Costs.Press
				if r.Overload == l.pin.Overload {
					continue
				}
				if s.Seconds = w.Costs.ResolderIC; part.Package == netlist.BallGrid {
					s.Seconds = w.Costs.Reflow
				}
			} else if part.Kind.Class() != netlist.Series {
				continue
			}
			if err := w.repair(&s); err != nil { // all joints of the part again
				return err
			}
			if done, err := w.right(l); w.Repaired() || err != nil || done {
				return err
			}
		}
	}
	return w.inOrder(l, parts)
}
