// Package layout is the geometry of a drawn board: its outline, and where the
// footprints and their pads lie. It reads what layout programs write, KiCad
// layouts (kicad.go) and IPC-D-356A test files (ipc.go), into one Board, and knows
// nothing of what the parts do: the electrical truth stays in the board file.
//
// In most cases:
//
//	drawn, err := layout.Load("terminal.kicad_pcb")  // the kind of file is known by its content
//	for _, f := range drawn.Footprints { ... }       // parts, with their pads
//	at, ok := drawn.Footprint("J7")                  // one part, by its reference
//
// All lengths are millimetres, seen from the top side through the board: x runs to
// the right, y down, for the bottom side too. Angles are degrees, counterclockwise
// as seen from the top.
package layout

import "halfsplit/netlist/document"

// Board is a layout as it was drawn. It is not changed after it was read.
type Board struct {
	File     string // the path it was read from, for messages
	Title    string // from its title block, often empty
	Revision string
	// Nets are the names of all nets in file order, those without a pad too. The
	// net of pads that are not connected is not among them.
	Nets []string
	// Outline is the edge of the board, cut-outs too: lines and arcs as they were
	// drawn, in any order. Empty where the file has none, as IPC-D-356A mostly does.
	Outline    []Polyline
	Footprints []Footprint // in file order
}

// Point is a place in millimetres.
type Point struct{ X, Y float64 }

// Polyline is a run of straight strokes through its points; arcs are cut into strokes
// no longer than needed to be within 0.01 mm. It is closed where the last point is
// the first.
type Polyline []Point

// Side is a side of the board, or both.
type Side uint8

// Sides. Through-hole pads are on both.
const (
	Top Side = iota
	Bottom
	BothSides
)

// On tells that something on side s can be seen on the side t.
func (s Side) On(t Side) bool { return s == t || s == BothSides }

// Footprint is the place of one part.
type Footprint struct {
	Reference   string // "R12"; may be empty, and need not be unique
	Value       string // as drawn: "22R", "TPD4E05"
	Library     string // the library's nickname, empty where the file has none
	Name        string // of the footprint in that library: "R_0402_1005Metric"
	Description string
	Keywords    string
	// Fields are the further properties of the part by name, such as its data
	// sheet or a manufacturer's number. Reference and value are not among them.
	Fields map[string]string
	// Absent: marked as not to be populated (KiCad 8 and later say dnp). NotOrdered,
	// NotPlaced: left out of the parts list and of the placement file. BoardOnly: in
	// no schematic. Virtual: of KiCad 4 and 5, copper that is no part.
	Absent, NotOrdered, NotPlaced, BoardOnly, Virtual bool

	Side     Side // Top or Bottom
	At       Point
	Rotation float64 // degrees
	Pads     []Pad   // in file order; several may share a number
	// Body, Courtyard and Silk are what the file draws around the part on its own
	// side: the fabrication outline, the room to keep free, and the print.
	Body, Courtyard, Silk []Polyline

	Source document.Position // where it begins in the file
}

// PadType is how a pad is made.
type PadType uint8

// Types of pads. A Hole has no copper and no net.
const (
	Surface PadType = iota
	Through
	Edge // an edge contact, without solder paste
	Hole
)

// PadShape is the outline of the copper.
type PadShape uint8

// Shapes of pads. Oval has half circles at its narrow ends; Custom has Pad.Copper.
const (
	Rectangle PadShape = iota
	RoundedRectangle
	Circle
	Oval
	Trapezoid
	Custom
)

// Pad is one piece of copper that a pin is soldered to.
type Pad struct {
	Number   string // "3", "A1"; empty for mechanical pads
	Net      string // empty where it not connected (NC)
	Function string // the pin's name in the schematic ("SDA"), where the file says it
	Electric string // the pin's electrical type in KiCad's words ("power_in"), where the file says it
	Type     PadType
	Side     Side
	At       Point
	Rotation float64 // degrees, of the board, not of the footprint
	Shape    PadShape
	Width    float64 // mm along x before rotation
	Height   float64 // mm along y before rotation
	Corner   float64 // radius of a rounded rectangle, mm
	Drill    float64 // mm, the narrower way of a slot; 0 without a hole
	// Copper is the outline, of every shape, in place. It is closed.
	Copper Polyline
	// Covered tells that solder mask lies over the pad on its side, or on both.
	Covered bool

	Source document.Position // where it begins in the file
}

// Footprint finds a part by its reference, the first of that name.
func (b *Board) Footprint(reference string) (*Footprint, bool) {
	for i := range b.Footprints {
		if b.Footprints[i].Reference == reference {
			return &b.Footprints[i], true
		}
	}
	return nil, false
}
