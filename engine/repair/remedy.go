package repair

import (
	"fmt"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
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

// lookAlong is the name of the remedy of what nobody drew at a net: it is found first.
const lookAlong = "look along the net"

// tells reports whether a remedy leaves the board as it is and only shows something, which it
// does as well where something else is wrong too.
func (r *remedy) tells() bool { return r.name == readAgain || r.name == lookAlong }

// leaveOff is the name of the remedy of taking a part off for good.
const leaveOff = "leave off"

// againKey is the key of the remedy of reading a point again.
func againKey(at string, pol references.Polarity) string { return fmt.Sprint(at, pol) }

func isUnknown(f fault.Fault) bool { return f.Locus != nil && f.Locus.Unknown }

// lookedFor tells of what nobody drew and nobody found either.
func (p *planning) lookedFor(f fault.Fault) bool {
	return isUnknown(f) && p.Evidence.Along[f.Locus.Net]
}

// again gives the remedy of taking a reading again.
func (p *planning) again(taken int) remedy {
	at := &p.Taken[taken].Read
	r := remedy{key: againKey(at.Name, at.Polarity), name: readAgain, advice: "Read this point again.", seconds: p.Costs.Measure, taken: taken}
	if at.Reading.Unit == quantity.Ohm {
		r.key, r.advice, r.seconds = fmt.Sprint("ohms ", at.Name, p.other(at)), "Read this resistance again.", p.Costs.Across
	}
	return r
}

// other gives the net of the second point of a reading.
func (p *planning) other(r *journal.Read) netlist.NetID {
	if r.To == nil {
		return p.Board.Ground
	}
	return r.To.Net
}

// remedyOf gives what to do about a fault. A joint is melted anew before its part is
// replaced where that repairs sooner on average: where its share of what may be wrong
// with the part exceeds what it takes as a share of what replacing takes.
func (p *planning) remedyOf(f *fault.Fault) remedy {
	if f.Locus == nil {
		r := p.again(p.TakenOf(f.Observation))
		r.missed = true
		return r
	}
	r := p.remedy(f)
	joint, ok := p.joint(f)
	if !ok {
		return r
	}
	ofJoint, ofPart := 0.0, 0.0
	for i := range p.Result.Explanations {
		x := &p.Result.Explanations[i]
		if k := slices.IndexFunc(x.Faults, func(g fault.Fault) bool { return g.Locus != nil && g.Locus.Part == f.Locus.Part }); k >= 0 {
			ofPart += x.Probability
			if p.sameWork(&x.Faults[k], f) {
				ofJoint += x.Probability
			}
		}
	}
	if ofJoint*r.seconds > ofPart*joint.seconds {
		return joint
	}
	return r
}

// sameWork tells whether soldering for one fault of a part repairs another's joint.
func (p *planning) sameWork(g, f *fault.Fault) bool {
	a, aJoint := p.joint(g)
	b, bJoint := p.joint(f)
	return aJoint && bJoint && a.key == b.key
}

// joint gives the remedy of melting a part's joint anew: that of a leaded part with
// an iron, those of a ball-grid IC all at once. None is melted under a part that is
// glued down: the glue lifts the part and tears pads (common practice, no source).
func (p *planning) joint(f *fault.Fault) (remedy, bool) {
	if f.Locus == nil || f.Locus.Change.Cure.Kind != netlist.RepairJoint {
		return remedy{}, false
	}
	part := &p.Board.Parts[f.Locus.Part]
	if part.Access == netlist.Underfill {
		return remedy{}, false
	}
	name := p.Board.RepairName(f.Locus.Change.Cure)
	r := remedy{name: "resolder", access: part.Access, place: name, seconds: p.Costs.Resolder,
		advice: fmt.Sprintf("Resolder the joint %s before you replace %s.", name, part.Name)}
	switch part.Package {
	case netlist.Leaded:
		r.seconds = p.Costs.ResolderIC
	case netlist.BallGrid:
		r.name, r.place, r.seconds = "reflow", part.Name, p.Costs.Reflow
		r.advice = fmt.Sprintf("Melt the joints of %s anew with hot air before you replace it. About every other one holds, and it may not last; never where parts are stacked.", part.Name)
	}
	r.key = r.place
	r.seconds += 2 * p.Costs.Measure
	return r, true
}

// remedy gives what repairs a fault of the board.
func (p *planning) remedy(f *fault.Fault) remedy {
	l := f.Locus
	name := l.Name(p.Board)
	verify := 2 * p.Costs.Measure
	switch {
	case p.lookedFor(*f):
		return remedy{key: name, name: "escalate", place: name, seconds: p.Costs.GiveUp, advice: "Nothing drawn explains it, and nothing else was found along the net " + p.Board.Nets[l.Net].Name +
			". Read the next points along the line, and the same point on a good board."}
	case l.Unknown: // what is found on a rail is most often a capacitor that may stay off
		net, seconds := &p.Board.Nets[l.Net], p.Costs.Replace
		if net.Rail {
			seconds = p.Costs.Remove
		}
		return remedy{key: net.Name, name: lookAlong, place: net.Name, seconds: p.Costs.Along + seconds + verify, advice: "Look along the net " + net.Name + " for parts that are not drawn."}
	case l.Change.Cure.Again:
		return remedy{key: name + " again", name: "clean", place: name, advice: "Clean between the pins again, and dry it well: heat, not air alone, and read when it is cold.", seconds: p.Costs.CleanAgain + verify}
	case l.NPins == 2:
		return remedy{key: name, name: "clean", place: name, advice: "Clean and inspect between the pins; look for a solder bridge or residue.", seconds: p.Costs.Clean + verify}
	case l.NPins == 1:
		return remedy{key: name, name: "resolder", place: name, advice: "Resolder the connector pin, then read it again.", seconds: p.Costs.Resolder + verify}
	case l.Part == netlist.None:
		return remedy{key: name, name: "jumper", place: name, advice: "Put a jumper between the two points; the trace between them is broken.", seconds: p.Costs.Wire + verify}
	}
	part := &p.Board.Parts[l.Part]
	r := remedy{key: name, name: "replace", place: name, access: part.Access}
	r.seconds = p.Costs.Replace + verify
	switch {
	case part.Kind == netlist.IC || part.Kind == netlist.Module:
		r.seconds = p.Costs.IC + verify
		r.advice = fmt.Sprintf("Replace %s, or escalate the board: work under an IC needs the right equipment.", name)
	case f.Mode.Path() && part.MayLeaveOff():
		r.name = leaveOff
		r.seconds = p.Costs.Remove + verify
		r.advice = fmt.Sprintf("Take %s off and leave it off; you lose %s. When you have one, fit %s.", name, lost(part), valueOf(part))
	case !f.Mode.Path() && part.MayJumper():
		r.name = "jumper"
		r.advice = fmt.Sprintf("Put a jumper across %s; you lose %s. Or replace it.", name, lost(part))
		r.seconds = p.Costs.Jumper + verify
	default:
		r.advice = fmt.Sprintf("Replace %s (%s).", name, valueOf(part))
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
