package engine

import (
	"fmt"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// remedy is what repairs a fault.
type remedy struct {
	key     string // equal for faults that one piece of work repairs
	name    string // replace, jumper, leave off, resolder, reflow, clean; readAgain where nothing is to be repaired
	advice  string
	seconds float64
	access  netlist.Access
	place   string // the part or place to work on
	taken   int    // of readAgain: the reading
	missed  bool   // of readAgain: the probe may have missed its point
}

// readAgain is the name of the remedy of a reading that misleads.
const readAgain = "read again"

// again gives the remedy of taking a reading again.
func (q *inquiry) again(taken int) remedy {
	at := q.taken[taken].read
	return remedy{key: fmt.Sprint(at.Name, at.Polarity), name: readAgain, advice: "Read this point again.", seconds: q.costs.Measure, taken: taken}
}

// MayJumper tells the series parts whose function a line can do without.
func MayJumper(p *netlist.Part) bool { return p.Role != netlist.Required && p.Kind.Spare() }

// MayLeaveOff tells the parts that a board does without, at some loss: filter
// and bypass capacitors (common practice, no source).
func MayLeaveOff(p *netlist.Part) bool {
	return p.Kind == netlist.Capacitor && (p.Role == netlist.RoleFilter || p.Role == netlist.RoleBypass)
}

// remedyOf gives what to do about a fault. A joint is melted anew before its part is
// replaced where that repairs sooner on average: where its share of what may be wrong
// with the part exceeds what it takes as a share of what replacing takes.
func (q *inquiry) remedyOf(f *fault.Fault) remedy {
	if f.Locus == nil {
		r := q.again(q.takenOf(f.Observation))
		r.missed = true
		return r
	}
	r := q.remedy(f)
	joint, ok := q.joint(f)
	if !ok {
		return r
	}
	ofJoint, ofPart := 0.0, 0.0
	for i := range q.res.Explanations {
		x := &q.res.Explanations[i]
		if k := slices.IndexFunc(x.Faults, func(g fault.Fault) bool { return g.Locus != nil && g.Locus.Part == f.Locus.Part }); k >= 0 {
			ofPart += x.Probability
			if q.sameWork(&x.Faults[k], f) {
				ofJoint += x.Probability
			}
		}
	}
	if ofJoint*r.seconds > ofPart*joint.seconds {
		return joint
	}
	return r
}

// sameWork tells whether soldering for one fault of a part mends another's joint.
func (q *inquiry) sameWork(g, f *fault.Fault) bool {
	a, aJoint := q.joint(g)
	b, bJoint := q.joint(f)
	return aJoint && bJoint && a.key == b.key
}

// joint gives the remedy of melting a part's joint anew: that of a leaded part with
// an iron, those of a ball-grid IC all at once. None is melted under a part that is
// glued down: the glue lifts the part and tears pads (common practice, no source).
func (e *Engine) joint(f *fault.Fault) (remedy, bool) {
	if f.Locus == nil || f.Locus.Change.Cure.Kind != netlist.RepairJoint {
		return remedy{}, false
	}
	p := &e.Board.Parts[f.Locus.Part]
	if p.Access == netlist.Underfill {
		return remedy{}, false
	}
	name := e.Board.RepairName(f.Locus.Change.Cure)
	r := remedy{name: "resolder", access: p.Access, place: name, seconds: e.costs.Resolder,
		advice: fmt.Sprintf("Resolder the joint %s before you replace %s.", name, p.Name)}
	switch p.Package {
	case netlist.Leaded:
		r.seconds = e.costs.ResolderIC
	case netlist.BallGrid:
		r.name, r.place, r.seconds = "reflow", p.Name, e.costs.Reflow
		r.advice = fmt.Sprintf("Melt the joints of %s anew with hot air before you replace it. About every other one holds, and it may not last; never where parts are stacked.", p.Name)
	}
	r.key = r.place
	r.seconds += 2 * e.costs.Measure
	return r, true
}

// remedy gives what repairs a fault of the board.
func (e *Engine) remedy(f *fault.Fault) remedy {
	l := f.Locus
	name := l.Name(e.Board)
	verify := 2 * e.costs.Measure
	switch {
	case l.Unknown:
		return remedy{key: name, name: "escalate", place: name, seconds: e.costs.GiveUp, advice: "Nothing drawn explains it; it sits at net " + e.Board.Nets[l.Net].Name +
			". Look there for what the drawing leaves out, read the next points along the line, and the same point on a good board."}
	case l.Change.Cure.Again:
		return remedy{key: name + " again", name: "clean", place: name, advice: "Clean between the pins again, and dry it well: heat, not air alone, and read when it is cold.", seconds: e.costs.CleanAgain + verify}
	case l.NPins == 2:
		return remedy{key: name, name: "clean", place: name, advice: "Clean and inspect between the pins; look for a solder bridge or residue.", seconds: e.costs.Clean + verify}
	case l.NPins == 1:
		return remedy{key: name, name: "resolder", place: name, advice: "Resolder the connector pin, then read it again.", seconds: e.costs.Resolder + verify}
	case l.Part == netlist.None:
		return remedy{key: name, name: "jumper", place: name, advice: "Put a jumper between the two points; the trace between them is broken.", seconds: e.costs.Wire + verify}
	}
	p := &e.Board.Parts[l.Part]
	r := remedy{key: name, name: "replace", place: name, access: p.Access}
	r.seconds = e.costs.Replace + verify
	switch {
	case p.Kind == netlist.IC || p.Kind == netlist.Module:
		r.seconds = e.costs.IC + verify
		r.advice = fmt.Sprintf("Replace %s, or escalate the board: work under an IC needs the right equipment.", name)
	case f.Mode.Path() && MayLeaveOff(p):
		r.name = "leave off"
		r.seconds = e.costs.Remove + verify
		r.advice = fmt.Sprintf("Take %s off and leave it off; you lose %s. Replace it with %s when there is one.", name, lost(p), valueOf(p))
	case !f.Mode.Path() && MayJumper(p):
		r.name = "jumper"
		r.advice = fmt.Sprintf("Put a jumper across %s; you lose %s. Or replace it.", name, lost(p))
		r.seconds = e.costs.Jumper + verify
	default:
		r.advice = fmt.Sprintf("Replace %s (%s).", name, valueOf(p))
	}
	return r
}

// lost says what a line loses with a part.
func lost(p *netlist.Part) string {
	switch {
	case p.Role == netlist.RoleBypass:
		return "a part of the rail's decoupling"
	case p.Kind == netlist.Capacitor:
		return "some filtering of the line's edges"
	case p.Kind == netlist.Link:
		return "nothing but the place to part the line"
	}
	return "filtering of interference on this line"
}

// valueOf says which part to fit: the value, as the nearest preferred one where
// the file's is not (IEC 60063).
func valueOf(p *netlist.Part) string {
	if p.ValueText == "" {
		return fmt.Sprintf("a %s of the same kind; the board file has no value", p.Kind)
	}
	if p.Kind == netlist.Resistor && p.Value > 0 {
		if n := quantity.Nearest(p.Value, quantity.E96); n > p.Value*1.0001 || n < p.Value*0.9999 {
			if n24 := quantity.Nearest(p.Value, quantity.E24); n24 > p.Value*1.0001 || n24 < p.Value*0.9999 {
				return fmt.Sprintf("%s %s; nearest preferred value %s", p.Kind, p.ValueText, quantity.Format(n24, quantity.Ohm))
			}
		}
	}
	return fmt.Sprintf("%s %s", p.Kind, p.ValueText)
}

// cured tells whether the bench has already dealt with a fault.
func cured(f *fault.Fault, b *netlist.Board, edits netlist.Edits) bool {
	if f.Locus == nil {
		return false
	}
	cure := f.Locus.Change.Cure
	if cure.Kind != netlist.NoRepair && edits.Repaired(cure) {
		return true
	}
	if f.Locus.Part == netlist.None {
		return false
	}
	x := edits.Of(f.Locus.Part)
	switch {
	case x.Replaced && !x.Removed:
		return true
	case x.NewJoints() && !x.Removed && cure.Kind == netlist.RepairJoint:
		return true
	case x.Jumpered && f.Locus.Series:
		return true
	case x.Removed && f.Mode.Path() && MayLeaveOff(&b.Parts[f.Locus.Part]):
		return true
	}
	return false
}
