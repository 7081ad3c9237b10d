package journal

import (
	"fmt"
	"slices"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// effective leaves out what was taken back, and the undo events themselves.
func (d *decoder) effective(all []Event) []Event {
	gone := make([]bool, len(all))
	var standing []int // events that `undo: last` may take back, some of them gone
	for i, e := range all {
		switch e.Kind {
		case KindOpen:
			continue
		case KindUndo:
			gone[i] = true
		default:
			standing = append(standing, i)
			continue
		}
		for len(standing) > 0 && gone[standing[len(standing)-1]] {
			standing = standing[:len(standing)-1]
		}
		target := e.Undo - 1
		if e.Undo == 0 {
			if len(standing) == 0 {
				d.problem(e.Pos, "`undo: last` finds nothing left to take back", "remove it")
				continue
			}
			target = standing[len(standing)-1]
		}
		switch {
		case target >= i:
			d.problem(e.Pos, fmt.Sprintf("event %d is not before this one, which is event %d", e.Undo, i+1), "count the events from 1 at the top of the file")
		case all[target].Kind == KindOpen:
			d.problem(e.Pos, "the opening cannot be taken back", "begin another case file")
		case all[target].Kind == KindUndo:
			d.problem(e.Pos, fmt.Sprintf("event %d is an undo itself", e.Undo), "write again the event that it took back")
		case gone[target]:
			d.problem(e.Pos, fmt.Sprintf("event %d was taken back already", e.Undo), "remove this undo, or give another number")
		default:
			gone[target] = true
		}
	}
	events := make([]Event, 0, len(all))
	for i, e := range all {
		if !gone[i] {
			events = append(events, e)
		}
	}
	return events
}

// checkOrder warns of events that make no sense where they stand. They count
// all the same: a person may have forgotten to write down the step between.
func (d *decoder) checkOrder(c *Case) {
	removed := make(map[netlist.PartID]bool)
	closed := 0
	for _, e := range c.Events {
		if closed > 0 && e.Kind != KindNote {
			d.warn(e.Pos, fmt.Sprintf("`%s` after the case was closed by event %d", e.Kind, closed), "to go on with the case, take the closing back: `undo: "+fmt.Sprint(closed)+"`")
		}
		switch e.Kind {
		case KindRemove:
			for _, p := range e.Parts {
				if removed[p] {
					d.warn(e.Pos, d.board.Parts[p].Name+" is removed already", "write `reinstall` or `replace` where it came back")
				}
				removed[p] = true
			}
		case KindReinstall:
			for _, p := range e.Parts {
				if !removed[p] {
					d.warn(e.Pos, d.board.Parts[p].Name+" is reinstalled but was not removed", "write `remove` where it came off, or `replace` for a new part")
				}
				delete(removed, p)
			}
		case KindReflow:
			for _, p := range e.Parts {
				if removed[p] {
					d.warn(e.Pos, d.board.Parts[p].Name+" is reflowed but off the board", "write `reinstall` or `replace` where it came back")
				}
			}
		case KindReplace:
			for _, p := range e.Parts {
				delete(removed, p)
			}
		case KindJumper:
			for _, b := range e.Jumpers {
				if p := &d.board.Parts[b.Part]; len(p.Jumperable()) == 0 {
					d.warn(b.Pos, p.Name+" has no series path, so that a jumper across it joins nothing", "name the part that lies along the line, or say in a `note` what was joined")
				}
			}
		case KindInject:
			for _, i := range e.Injections {
				if !d.board.Nets[i.Rail].Rail {
					d.warn(i.Pos, document.Quote(d.board.Nets[i.Rail].Name)+" is not a rail in the board file", "give it `rail:` there if it is a supply; never inject into a signal")
				}
			}
		case KindDrop:
			for _, x := range e.Drops {
				if d.board.Nets[x.Rail].Boosted {
					d.warn(x.Pos, document.Quote(d.board.Nets[x.Rail].Name)+" is a boosted rail", "never feed one from outside")
				}
			}
		case KindClose:
			closed = e.Number
		}
	}
}

// Stage is a stretch of a case in which the board and the meter stay the same.
type Stage struct {
	Edits    netlist.Edits // in force while Events happened
	Meter    references.Meter
	Events   []Event // in order; the remove, reinstall, fit, bridge, repair or meter event that began the stage is the first
	Readings []Read  // of Events
}

// Stages cuts the case at every event that changes the board or the meter. The
// last stage is how the board lies now; there is always one.
func (c *Case) Stages() []Stage {
	var stages []Stage
	now := Stage{Meter: references.DefaultMeter()}
	start := 0
	for i, e := range c.Events {
		if i > start && (e.Kind.Edits() || e.Meter != nil) {
			now.Events = c.Events[start:i:i]
			stages = append(stages, now)
			now = Stage{Edits: now.Edits, Meter: now.Meter}
			start = i
		}
		if e.Meter != nil {
			now.Meter = *e.Meter
		}
		now.Edits = e.After(now.Edits)
		now.Readings = append(now.Readings, e.Readings...)
	}
	now.Events = c.Events[start:]
	return append(stages, now)
}

// After gives how a board lies after the event that lay as edits say before it.
func (e *Event) After(edits netlist.Edits) netlist.Edits {
	for _, p := range e.Parts {
		switch e.Kind {
		case KindRemove:
			edits = edits.Remove(p)
		case KindReinstall:
			edits = edits.Reinstall(p)
		case KindReplace:
			edits = edits.Replace(p)
		case KindReflow:
			edits = edits.Reflow(p)
		}
	}
	for _, b := range e.Jumpers {
		edits = edits.Jumper(b.Part, b.Ohms)
	}
	for _, m := range e.Repairs {
		edits = edits.Repair(m)
	}
	return edits
}

// Now is the last stage: the board as it lies, and the meter on the bench.
func (c *Case) Now() Stage {
	stages := c.Stages()
	return stages[len(stages)-1]
}

// Last gives the number of the last event that is wanted, 0 where there is none.
func (c *Case) Last(wanted func(k Kind) bool) int {
	for _, e := range slices.Backward(c.Events) {
		if wanted(e.Kind) {
			return e.Number
		}
	}
	return 0
}

// Without lists the parts off the board without which a function is expected to fail, by
// the board file.
func (c *Case) Without(function string) (parts []string) {
	for _, x := range c.Now().Edits.List() {
		if p := &c.Board.Parts[x.Part]; x.Removed && !x.Jumpered && slices.Contains(p.Functions, function) {
			parts = append(parts, p.Name)
		}
	}
	return parts
}
