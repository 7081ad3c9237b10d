package trial

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
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
	b, err := netlist.Parse(strings.NewReader(s.String()), "rails.yaml")
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
			seconds = c.Clean
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
			case f.Mode.Path() && engine.MayLeaveOff(p):
				seconds = c.Remove
			case !f.Mode.Path() && engine.MayJumper(p):
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

// stepsRun is what came of the same cases with some steps left out.
type stepsRun struct {
	n, repaired, escalated, circles, dead, replaced int
	seconds, oracle                                 float64
}

// TestSteps plays boards with many parallel parts and ICs of both packages, with every
// step and without one sort after the other, beside the outward habit and an oracle.
// Without a step is: the best of the others on offer.
func TestSteps(t *testing.T) {
	if testing.Short() {
		t.Skip("plays whole repairs")
	}
	cases, first := 6, uint64(40_000) // of tuning
	if *people > 0 {
		cases = *people
	}
	if *use == "reporting" {
		first = 9_040_000
	}
	sorts := []string{"", "press", "good", "pin", "resolder", "reflow", string(engine.DoAcross), string(engine.DoDrop), string(engine.DoInject), string(engine.DoEnds), "all of these"}
	if *people == 0 {
		sorts = sorts[:1]
	}
	for _, without := range sorts {
		var habit float64
		runs := parallel(t, cases, func(i int) (x stepsRun, err error) {
			m := railBoard(t, first+uint64(i))
			tr, err := practice.NewTrial(m, first+uint64(i), 1, nil)
			if err != nil {
				return x, err
			}
			e, err := engine.New(m.Board, references.NewLibrary(m.Board, tr.Library), engine.Options{})
			if err != nil {
				return x, err
			}
			w := Start(tr, e, references.NewLibrary(m.Board, tr.Library))
			w.AtHand(journal.GoodBoard)
			w.Without = func(s *engine.Step) bool {
				if without == "all of these" {
					return s.Remedy == "resolder" && !strings.HasPrefix(s.Part, "J") || s.Remedy == "reflow" || s.Do == engine.DoAcross || s.Do == engine.DoDrop
				}
				if without == "pin" {
					return s.Do == engine.DoInspect && strings.HasPrefix(s.Part, "J")
				}
				return without != "" && (string(s.Do) == without || s.Remedy == without && !strings.HasPrefix(s.Part, "J"))
			}
			x.n, x.oracle = 1, w.oracle()
			dead := false
			switch err := w.follow(func(d *engine.Diagnosis) { dead = len(d.Next) == 0 && d.Implausible == nil && outOfRange(d) }); {
			case errors.Is(err, ErrCircles):
				x.circles = 1
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
			bad := Bad(tr.Faults, m, nil)
			for _, name := range w.Replaced {
				if _, err := m.Board.PartByName(name); err == nil && !bad[name] {
					x.replaced++
				}
			}
			x.seconds = w.Seconds
			if *tell {
				t.Logf("seed %d without %q: %s %s %.3g ohm: %.0f s, oracle %.0f, repaired %v, replaced %v", first+uint64(i), without, practice.Place(m, &tr.Faults[0].Locus), tr.Faults[0].Mode, tr.Faults[0].Ohms, w.Seconds, x.oracle, w.Repaired(), w.Replaced)
			}
			return x, nil
		})
		var sum stepsRun
		for _, x := range runs {
			sum.n += x.n
			sum.repaired += x.repaired
			sum.escalated += x.escalated
			sum.circles += x.circles
			sum.dead += x.dead
			sum.replaced += x.replaced
			sum.seconds += x.seconds
			sum.oracle += x.oracle
		}
		if without == "" {
			for _, s := range parallel(t, cases, func(i int) (float64, error) {
				m := railBoard(t, first+uint64(i))
				tr, err := practice.NewTrial(m, first+uint64(i), 1, nil)
				if err != nil {
					return 0, err
				}
				e, err := engine.New(m.Board, references.NewLibrary(m.Board, tr.Library), engine.Options{})
				if err != nil {
					return 0, err
				}
				w := Start(tr, e, references.NewLibrary(m.Board, tr.Library))
				d, err := e.Diagnose(w.Case)
				if err != nil {
					return 0, err
				}
				err = w.Outward(d)
				return w.Seconds, err
			}) {
				habit += s
			}
			t.Logf("the outward habit: mean %.0f s, %.1f of the oracle's", habit/float64(sum.n), habit/sum.oracle)
			if sum.circles+sum.dead > 0 {
				t.Errorf("%d repeated steps, %d dead ends; want none", sum.circles, sum.dead)
			}
		}
		t.Logf("without %-12q %d cases: repaired %d, escalated %d, repeated %d, dead ends %d, mean %.0f s, %.2f of the oracle's %.0f; good parts replaced %d",
			without, sum.n, sum.repaired, sum.escalated, sum.circles, sum.dead, sum.seconds/float64(sum.n), sum.seconds/sum.oracle, sum.oracle/float64(sum.n), sum.replaced)
	}
}
