package lesson

import (
	"math"

	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Charge is what one event cost in repair time.
type Charge struct {
	Event   int
	Seconds float64
}

// Bill works out the repair time of a record, event by event. The sweep that
// the board came with costs nothing; a shield is opened once; a slow display
// costs the seconds that it takes to settle. The session shows the same seconds as
// the score counts.
func Bill(c *journal.Case, costs plan.Costs) []Charge {
	b := &biller{board: c.Board, costs: costs, meter: c.Meter, last: &journal.Event{}}
	var list []Charge
	var edits netlist.Edits
	for i := range c.All {
		e := &c.All[i]
		if e.Number > sweepEvent {
			list = append(list, Charge{e.Number, b.event(e, edits)})
		}
		edits, b.last = e.After(edits), e
	}
	return list
}

func total(list []Charge) float64 {
	sum := 0.0
	for _, c := range list {
		sum += c.Seconds
	}
	return sum
}

type biller struct {
	board  *netlist.Board
	costs  plan.Costs
	meter  references.Meter
	opened bool           // the shield
	last   *journal.Event // before this one
}

// access charges for what stands between the bench and a part.
func (b *biller) access(p netlist.PartID, work bool) float64 {
	switch b.board.Parts[p].Access {
	case netlist.Shield:
		if !b.opened {
			b.opened = true
			return b.costs.Shield
		}
	case netlist.Underfill:
		if work {
			return b.costs.Underfill
		}
	}
	return 0
}

// solder is work on a part: the seconds of a two-terminal part, or those of an IC.
func (b *biller) solder(p netlist.PartID, seconds float64) float64 {
	if network.Pinned(b.board.Parts[p].Kind) {
		seconds = b.costs.IC
	}
	return seconds + b.access(p, true)
}

func (b *biller) event(e *journal.Event, edits netlist.Edits) float64 {
	sum := 0.0
	for i := range e.Readings {
		r := &e.Readings[i]
		sum += b.costs.Measure
		if r.Polarity == references.BlackOnGround {
			sum += b.costs.SwapLeads
		}
		for _, at := range []*netlist.Point{&r.At, r.To} {
			if at != nil && at.Kind == netlist.PointTerminal {
				sum += b.access(at.Terminal.Part, false)
			}
		}
		sum += math.Ceil(settling(b.board, b.meter, r, edits))
	}
	for _, l := range e.Looks {
		if l.Part == netlist.None {
			sum += b.costs.Look
			continue
		}
		if b.last.Inspected(b.board, l.Part) {
			sum += b.costs.LookNext
		} else {
			sum += b.costs.Look
		}
		sum += b.access(l.Part, false)
		b.last = &journal.Event{Looks: []journal.Looked{l}}
	}
	for _, x := range e.Presses {
		sum += b.costs.Press + b.access(x.Part, false)
	}
	sum += float64(len(e.Injections))*b.costs.Inject + float64(len(e.Undrawn))*b.costs.Along
	for _, x := range e.Drops {
		sum += b.costs.Drop + b.costs.DropPart*float64(len(x.Volts))
	}
	for _, p := range e.Parts {
		switch e.Kind {
		case journal.KindRemove:
			sum += b.solder(p, b.costs.Remove)
		case journal.KindReinstall:
			sum += b.solder(p, b.costs.Reinstall)
		case journal.KindReplace:
			sum += b.solder(p, b.costs.Replace)
		case journal.KindReflow:
			sum += b.costs.Reflow + b.access(p, true)
		}
	}
	for _, x := range e.Jumpers {
		sum += b.costs.Jumper + b.access(x.Part, true)
	}
	for _, m := range e.Repairs {
		switch m.Kind {
		case netlist.RepairGap:
			if sum += b.costs.Clean; edits.Repaired(m) {
				sum += b.costs.CleanAgain - b.costs.Clean
			}
		case netlist.RepairTrace:
			sum += b.costs.Wire
		default:
			if m.Kind == netlist.RepairJoint && b.board.Parts[m.Terminal.Part].Package != netlist.NoPackage {
				sum += b.costs.ResolderIC
			} else {
				sum += b.costs.Resolder
			}
		}
	}
	return sum
}

// settling gives the seconds that the capacitors at a point take to charge to
// what was read, 0 where that is soon over.
func settling(b *netlist.Board, m references.Meter, r *journal.Read, edits netlist.Edits) float64 {
	volts := m.OpenVoltage
	if !r.Reading.Overload {
		volts = math.Min(math.Abs(r.Reading.Value), m.OpenVoltage)
	}
	if r.Reading.Unit == quantity.Ohm || m.TestCurrent <= 0 {
		return 0
	}
	return netlist.Settling(b.Capacitance(r.At.Net, edits), volts, m.TestCurrent)
}
