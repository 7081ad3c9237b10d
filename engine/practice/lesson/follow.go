package lesson

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Diagnoses are what can be known from a record, event by event, each worked out
// once for those who play a case and then score it.
type Diagnoses struct {
	e     *engine.Engine
	after map[int]*repair.Diagnosis
}

// NewDiagnoses keeps the diagnoses of one record.
func NewDiagnoses(e *engine.Engine) *Diagnoses {
	return &Diagnoses{e: e, after: map[int]*repair.Diagnosis{}}
}

// After is the diagnosis of the first n events of a record.
func (m *Diagnoses) After(c *journal.Case, n int) (*repair.Diagnosis, error) {
	for n > sweepEvent && !tells(c.All[n-1].Kind) {
		n--
	}
	if d, ok := m.after[n]; ok {
		return d, nil
	}
	d, err := m.e.Diagnose(first(c, n))
	if err != nil {
		return nil, err
	}
	m.after[n] = d
	return d, nil
}

// tells tells whether an event of a kind can change what is known.
func tells(k journal.Kind) bool {
	return k == journal.KindRead || k.Finds() || k.Edits()
}

// first is a record up to and with its nth event.
func first(c *journal.Case, n int) *journal.Case {
	return &journal.Case{File: c.File, Board: c.Board, Library: c.Library, Meter: c.Meter, Events: c.All[:n:n], All: c.All[:n:n]}
}

// likeliest is the first explanation; nil where there is none.
func likeliest(d *repair.Diagnosis) *diagnose.Explanation {
	if len(d.Explanations) == 0 {
		return nil
	}
	return &d.Explanations[0]
}

// dealtWith tells whether the likeliest account is of faults that the bench has
// dealt with, all of them.
func dealtWith(d *repair.Diagnosis) bool {
	x := likeliest(d)
	if x == nil || len(x.Faults) == 0 {
		return false
	}
	for _, f := range x.Faults {
		if !f.Cured {
			return false
		}
	}
	return true
}

// entropy is the uncertainty in bits of a diagnosis about which places are bad, not in
// what manner; what was not listed is taken as one (Shannon 1948: the sum of
// -p log2 p).
func entropy(d *repair.Diagnosis) float64 {
	left := 1.0
	at := map[string]float64{} // by the places that are bad
	for _, x := range d.Explanations {
		places := []string{}
		for _, f := range x.Faults {
			place := f.At // of a pin or trace
			if slices.ContainsFunc(d.Suspects, func(s diagnose.Suspect) bool { return s.Part == f.Part }) {
				place = f.Part
			}
			places = append(places, place)
		}
		slices.Sort(places)
		at[strings.Join(slices.Compact(places), ",")] += x.Probability
		left -= x.Probability
	}
	bits := bitsOf(left)
	for _, key := range slices.Sorted(maps.Keys(at)) { // in order: sums of floats depend on it
		bits += bitsOf(at[key])
	}
	return bits
}

func bitsOf(p float64) float64 {
	if p <= 0 {
		return 0
	}
	return -p * math.Log2(p)
}

// Bounds of a case: who has not found it by then hands the board on.
const (
	mostSteps   = 60
	mostSeconds = 20_000
)

// Follow plays a case as the engine advises: its first step every time, until
// the pins that read wrong read right again, and then a verdict.
func Follow(d *Session, m *Diagnoses) error { return follow(d, m, (*follower).fresh) }

// HalfSplit plays a case by plain half-split: it knows what the readings mean, and
// measures where the suspects fall into halves, whatever that costs. When nothing splits
// them any more, or one is likely enough, it repairs that one.
func HalfSplit(d *Session, m *Diagnoses) error { return follow(d, m, (*follower).halves) }

// ways are those that the best known time is looked for among, the engine's first.
var ways = []func(*Session, *Diagnoses) error{Follow, HalfSplit}

// follow plays a case by a rule that picks the next step, nil to end it.
func follow(d *Session, m *Diagnoses, pick func(*follower, *repair.Diagnosis) *repair.Step) error {
	p := &follower{d: d, m: m}
	for range mostSteps {
		g, err := m.After(d.Case(), len(d.Case().All))
		if err != nil {
			return err
		}
		n := len(d.Case().All)
		done, err := p.proven(g)
		switch {
		case err != nil:
			return err
		case done:
			if g, err = m.After(d.Case(), len(d.Case().All)); err != nil {
				return err
			}
			if !p.unsteady(g) {
				return p.verdict(g)
			}
		case len(d.Case().All) > n:
			continue // something was read, so diagnose again
		}
		step := pick(p, g)
		if step == nil || step.Do == repair.DoEscalate || d.Seconds() > mostSeconds {
			return p.verdict(g)
		}
		if err := p.do(step); err != nil {
			return err
		}
	}
	g, err := m.After(d.Case(), len(d.Case().All))
	if err != nil {
		return err
	}
	return p.verdict(g)
}

type follower struct {
	d      *Session
	m      *Diagnoses
	worked []string       // parts and places that were worked on, in order
	taken  map[string]int // steps by how often they were taken, since the last rework
	since  int            // event of the last rework
}

// mostAgain is how often one step is taken on a board that lies as it did. What
// the same reading did not settle so often it will not settle.
const mostAgain = 4

// fresh is the first step that was not taken too often; nil where there is none.
func (p *follower) fresh(g *repair.Diagnosis) *repair.Step {
	if last := p.d.Case().Last(journal.Kind.Edits); p.taken == nil || last != p.since {
		p.taken, p.since = map[string]int{}, last
	}
	for i := range g.Next {
		s := &g.Next[i]
		key := fmt.Sprint(s.Do, s.At, s.Part, s.Polarity)
		if p.taken[key] < mostAgain && !(s.Again && p.comesAndGoes()) {
			p.taken[key]++
			return s
		}
	}
	return nil
}

// sure is the probability from which half-split measures no further, unevenly how far
// from a half a split may be (common practice, no source).
const (
	sure     = 0.8
	unevenly = 0.45
)

// halves is the step that splits the suspects most evenly, or the first repair.
func (p *follower) halves(g *repair.Diagnosis) *repair.Step {
	if len(g.Next) == 0 {
		return nil
	}
	best, off := -1, unevenly
	for i := range g.Next {
		s := &g.Next[i]
		if s.Do != repair.DoMeasure && s.Do != repair.DoRemove || s.Again || len(s.Outcomes) == 0 {
			continue
		}
		if x := math.Abs(s.Outcomes[0].Probability - 0.5); x < off-1e-9 {
			best, off = i, x
		}
	}
	if best < 0 || len(g.Suspects) > 0 && g.Suspects[0].Probability > sure {
		best = max(0, slices.IndexFunc(g.Next, func(s repair.Step) bool { return s.Do == repair.DoRepair }))
	}
	return &g.Next[best]
}

// proven reads again, after rework that should have repaired the board, what read
// wrong before, and tells whether all of it reads right.
func (p *follower) proven(g *repair.Diagnosis) (bool, error) {
	last := p.d.Case().Last(journal.Kind.Edits)
	if last == 0 || len(p.worked) == 0 && !dealtWith(g) || len(p.d.sim.idle(p.d.edits())) > 0 {
		return false, nil
	}
	before, err := p.m.After(p.d.Case(), sweepEvent)
	if err != nil {
		return false, err
	}
	times := 1 // that it has to read right
	if p.comesAndGoes() {
		times = steadyTimes
	}
	for range times + 1 { // the last time round all has been read
		list, err := p.d.Engine.Compare(p.d.Case())
		if err != nil {
			return false, err
		}
		read := false
		for _, a := range before.Abnormal {
			right := 0
			for _, r := range list {
				if r.Event > last && r.At == a.At && r.To == "" && r.Polarity == a.Polarity {
					if r.Verdict != diagnose.Agrees && r.Verdict != diagnose.NoKnownGood {
						return false, nil
					}
					right++
				}
			}
			if right < times {
				read = true
				if _, err := p.d.Read(a.At, "", polarity(a.Polarity), false); err != nil {
					return false, err
				}
			}
		}
		if !read {
			return true, nil
		}
	}
	return false, nil
}

// unsteady tells whether the next step is to read once more what has read right, for a
// fault that comes and goes.
func (p *follower) unsteady(g *repair.Diagnosis) bool {
	return len(g.Next) > 0 && g.Next[0].Do == repair.DoMeasure && slices.ContainsFunc(g.Explanations, func(x diagnose.Explanation) bool {
		return slices.ContainsFunc(x.Faults, func(f diagnose.FaultReport) bool { return f.Comes && !f.Cured })
	})
}

// comesAndGoes tells whether the complaint says that the fault comes and goes.
func (p *follower) comesAndGoes() bool { return p.d.sim.flicker > 0 }

// steadyTimes is how often a point has to read right where a fault comes and goes, as
// the lesson about such faults tells.
const steadyTimes = 3

// do carries out one step.
func (p *follower) do(s *repair.Step) (err error) {
	read := func(ohms bool, points ...string) error {
		for _, at := range points {
			if _, err := p.d.Read(at, "", polarity(s.Polarity), ohms); err != nil {
				return err
			}
		}
		return nil
	}
	switch s.Do {
	case repair.DoMeasure:
		if s.At == "" { // a reading that is to be taken again, and none of them out of range
			return read(false, p.d.Case().All[sweepEvent-1].Readings[0].Name)
		}
		return read(false, s.At)
	case repair.DoSweep:
		return read(false, s.Then...)
	case repair.DoEnds:
		return read(true, s.Ends()...)
	case repair.DoAcross:
		_, err = p.d.Read(s.At, s.Then[0], 0, true)
	case repair.DoPress:
		_, err = p.d.Press(s.Part, s.At)
	case repair.DoInspect:
		if s.At != "" {
			return p.d.Along(s.At)
		}
		_, err = p.d.Look(s.Part)
	case repair.DoInject:
		_, err = p.d.Inject(s.At)
	case repair.DoDrop:
		return p.d.Drop(s.At, s.Part, s.Parts, s.Amperes)
	case repair.DoRemove:
		if err = p.d.on(journal.KindRemove, s.Part); err == nil {
			err = read(false, s.Then...)
		}
		if err == nil {
			err = p.d.on(journal.KindReinstall, s.Part)
		}
	case repair.DoReinstall:
		return p.d.on(journal.KindReinstall, s.Part)
	case repair.DoRepair:
		p.worked = append(p.worked, s.Part)
		return p.d.Work(s.Part, s.Remedy)
	default:
		return fmt.Errorf("lesson: unknown step %q", s.Do)
	}
	return err
}

// verdict closes the case with the likeliest account.
func (p *follower) verdict(g *repair.Diagnosis) error {
	x := likeliest(g)
	if len(p.worked) == 0 && (x == nil || len(x.Faults) == 0 || len(g.Next) == 0 && !dealtWith(g)) {
		_, err := p.d.Close("nothing", "none")
		return err
	}
	text := ""
	for i := range g.Explanations {
		if text = p.account(&g.Explanations[i]); text != "" {
			break
		}
	}
	if text == "" && len(p.worked) > 0 {
		text = p.worked[len(p.worked)-1]
	}
	if text == "" {
		text = "nothing"
	}
	_, err := p.d.Close(text, "done")
	return err
}

// account writes an account of faults that were all dealt with as a verdict,
// "" for another.
func (p *follower) account(x *diagnose.Explanation) string {
	text := ""
	named := map[string]bool{}
	for _, f := range x.Faults {
		if !f.Cured {
			return ""
		}
		if _, err := p.d.sim.board.MeantPart(f.Part); err == nil {
			if named[f.Part] {
				continue // two faults of one part are one part to name
			}
			named[f.Part] = true
		}
		if text != "" {
			text += " and "
		}
		text += f.At + " " + f.Mode
	}
	return text
}

// on works on a part or a place, by its name.
func (d *Session) on(kind journal.Kind, name string) error {
	b, e := d.sim.board, journal.Event{Kind: kind}
	if p, err := b.MeantPart(name); err == nil {
		e.Parts = []netlist.PartID{p}
	} else {
		m, err := netlist.Meant(b, b.Repair, name)
		if err != nil {
			return err
		}
		e = journal.Repaired(m)
	}
	_, err := d.Do(e)
	return err
}

// Work carries out a remedy on a part or place.
func (d *Session) Work(place, remedy string) error {
	kind, ok := map[string]journal.Kind{"leave off": journal.KindRemove, "jumper": journal.KindJumper, "replace": journal.KindReplace, "reflow": journal.KindReflow}[remedy]
	if !ok {
		kind = journal.KindClean // no work on a whole part
	}
	if id, err := d.sim.board.MeantPart(place); err == nil && kind == journal.KindRemove && d.edits().Of(id).Removed {
		return d.Note(place + " stays off")
	}
	return d.on(kind, place)
}

// polarity reads a polarity as the engine writes it.
func polarity(text string) references.Polarity {
	p, _ := references.ParsePolarity(text)
	return p
}
