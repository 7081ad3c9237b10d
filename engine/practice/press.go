package practice

import (
	"fmt"
	"slices"

	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Shares of bad joints that close while their part is pressed, and of good parts at which
// the reading moves all the same. On purpose not quite the shares that the engine takes.
// Common practice, no source.
const (
	pressCloses = 0.5
	pressStray  = 0.03
	strayVolts  = 0.02
)

// Press gives what the meter shows at a point while a part is pressed gently, red probe
// on ground.
func (b *Simulator) Press(part netlist.PartID, at netlist.Point, edits netlist.Edits) (quantity.Reading, error) {
	real := part
	if b.Drawing != nil {
		real = b.Drawing.parts[part]
	}
	w := b.Board
	of := fmt.Sprintf("press %s %s", w.Truth.Model.Board.Parts[real].Name, edits.Key())
	faults := slices.DeleteFunc(slices.Clone(w.Faults), func(f Fault) bool {
		return f.Locus.Part == real && w.Chance(of+Place(w.Truth.Model, &f.Locus)) < pressCloses*f.Locus.Joint
	})
	r, err := b.Read(at, references.RedOnGround, edits)
	if len(faults) < len(w.Faults) && err == nil {
		return (&Simulator{Board: w.Good().Faulted(faults...), Meter: b.Meter, Drawing: b.Drawing}).Read(at, references.RedOnGround, edits)
	}
	if w.Chance(of) < pressStray && !r.Overload {
		r.Value += strayVolts
	}
	return r, err
}

// LookPin gives what a connector pin looks like. Asked twice, it looks the same.
func (b *Simulator) LookPin(pin netlist.PinRef) journal.Look {
	w := b.Board
	bad := slices.ContainsFunc(w.Faults, func(f Fault) bool { return slices.Contains(f.Locus.Pins[:f.Locus.NPins], pin) })
	return looked(w, fmt.Sprintf("pin %v", pin), bad)
}
