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

// Pressed gives the board while a part is pressed gently: itself, or one on which bad joints
// are closed. stray is how far readings move, in volts, where it is itself. What was done to
// the board and how settles the chance.
func (w *Board) Pressed(part netlist.PartID, done string) (pressed *Board, stray float64) {
	of := fmt.Sprintf("press %s %s", w.Truth.Model.Board.Parts[part].Name, done)
	faults := slices.DeleteFunc(slices.Clone(w.Faults), func(f Fault) bool {
		return f.Locus.Part == part && w.Chance(of+Place(w.Truth.Model, &f.Locus)) < pressCloses*f.Locus.Joint
	})
	switch {
	case len(faults) < len(w.Faults):
		return w.Good().Faulted(faults...), 0
	case w.Chance(of) < pressStray:
		return w, strayVolts
	}
	return w, 0
}

// Press gives what the meter shows at a point while a part is pressed gently, red probe
// on ground.
func (b *Simulator) Press(part netlist.PartID, at netlist.Point, edits netlist.Edits) (quantity.Reading, error) {
	board, stray := b.Board.Pressed(part, edits.Key())
	r, err := (&Simulator{Board: board, Meter: b.Meter}).Read(at, references.RedOnGround, edits)
	if !r.Overload {
		r.Value += stray
	}
	return r, err
}

// LookPin gives what a connector pin looks like. Asked twice, it looks the same.
func (b *Simulator) LookPin(pin netlist.PinRef) journal.Look {
	w := b.Board
	bad := slices.ContainsFunc(w.Faults, func(f Fault) bool { return slices.Contains(f.Locus.Pins[:f.Locus.NPins], pin) })
	return looked(w, fmt.Sprintf("pin %v", pin), bad)
}
