// Package netlist holds the board under repair: connectors, nets, parts and
// the points where a probe can land. A board is written by a person as a YAML
// file (testdata/kestrel.yaml is a small one); this package turns it into a
// validated model with integer indices, answers questions of reach on it (what
// hangs behind a part, what shares copper with a pin), and tells how a board
// changes when parts are removed, jumpered or replaced.
//
// In most cases:
//
//	board, err := netlist.Load("board.yaml")  // every problem of the file at once
//	point, err := board.Point("R12.1")        // a place to probe, by its name
//	paths := board.Parts[id].Paths()          // how a part conducts at DC
//	graph, err := board.Graph()               // lines, drawings
//	edits := netlist.Edits{}.Remove(id)         // what the bench has done since
//
// A part and a net are both vertices of one bipartite graph, joined by
// terminals; ground is the net that every line ends on and that no walk passes.
//
// The files, in the order the data flows: shape.go says what a board file may
// hold, load.go reads it, conclude.go tells from the nets what the file leaves
// out, board.go and kind.go are the model, path.go is how parts conduct,
// point.go finds things by name, graph.go walks, edits.go keeps the bench's
// changes. Package document below it knows YAML and nothing of boards; package
// quantity knows values, units and readings.
package netlist

import (
	"slices"

	"halfsplit/netlist/document"
)

// NetID, PartID and ConnectorID index Board.Nets, Board.Parts and
// Board.Connectors.
type (
	NetID       int32
	PartID      int32
	ConnectorID int32
)

// None marks an absent net, part or terminal: a pin that not connected (NC) has the
// net None.
const None = -1

// Board is a validated net graph. It is not changed after Load; edits made at
// the bench are kept beside it, in Edits.
type Board struct {
	File     string // the path it was read from, for messages
	Name     string
	Revision string
	Ground   NetID

	Nets       []Net
	Parts      []Part
	Connectors []Connector
	TestPoints []TestPoint
	Matched    [][]NetID // groups of lines that should read alike on a good board
	Functions  []string  // what the board does, as it is tested under power
	Note       string
	// Layout is the path of the board's layout, empty where the file names none;
	// LayoutAt is where it does. Load does not read it.
	Layout   string
	LayoutAt document.Position

	index    index
	warnings document.Problems
}

// Net is copper that joins terminals.
type Net struct {
	Name  string
	Title string // what it carries, free text
	Note  string
	// Rail tells that the net is a supply. RailVolts is its nominal voltage in
	// volts, NaN where the file says that it is a rail but not which. Boosted
	// rails are made on the board, above the battery (a backlight string).
	Rail      bool
	RailVolts float64
	Boosted   bool
	// Along lists points of this net in their order along the copper, empty
	// where the file does not say. A trace may break between neighbours.
	Along     []Point
	Terminals []TerminalRef // every part terminal on the net, in file order
	Pins      []PinRef      // every connector pin on the net, in file order
}

// TerminalRef names one terminal of one part by index.
type TerminalRef struct {
	Part     PartID
	Terminal int32 // index in Part.Terminals
}

// PinRef names one pin of one connector by index.
type PinRef struct {
	Connector ConnectorID
	Pin       int32 // index in Connector.Pins
}

// Part is one component.
type Part struct {
	Name      string
	Title     string // what it does, free text ("touch controller")
	Kind      Kind
	Value     float64 // ohms, farads or henries by Kind.Unit; NaN where the file lacks it
	ValueText string  // the value as the file writes it
	// DCOhms is the resistance along an inductor or a fuse whose value the
	// file gives in ohm; NaN otherwise. Paths has what a meter sees.
	DCOhms    float64
	Terminals []Terminal
	Place     string // where to find it, free text
	Note      string
	Functions []string // of Board.Functions: those that the board loses without the part
	Role      Role     // never NoRole after Load
	Access    Access
	Package   Package   // of an IC or module; NoPackage for other kinds
	Direction Direction // of a TVS; NoDirection for other kinds
	Channel   Channel   // of a transistor; NoChannel for other kinds
	// Supplies and Grounds are terminal indices, those that the file names
	// first. Terminals on the ground net are always among Grounds (but for
	// Floating ones). Where the file names no supply of an IC, module or TVS,
	// its terminals on rails are taken; other kinds have no Supplies. Terminals
	// on the same net as one named belong with it.
	Supplies []int32
	Grounds  []int32
	// Domain gives, per terminal, the index of the supply terminal that its
	// protection junctions go to; None where it has no supply. Where the file
	// does not say, it is the supply to which a resistor pulls the line,
	// otherwise the first. Nil for kinds other than IC, module and TVS.
	Domain []int32
	// Floating lists terminals of an IC or module that have no junction at all:
	// a high-voltage sense pin, a ball that is not bonded.
	Floating []int32
	At       document.Position // of the part's key in the board file
}

// MayJumper tells the series parts whose function a line can do without.
func (p *Part) MayJumper() bool { return p.Role != Required && p.Kind.Spare() }

// Share tells whether two parts are on a net together, ground aside.
func (b *Board) Share(x, y PartID) bool {
	return slices.ContainsFunc(b.Parts[x].Terminals, func(s Terminal) bool {
		return s.Net != None && s.Net != b.Ground && slices.ContainsFunc(b.Parts[y].Terminals, func(t Terminal) bool { return t.Net == s.Net })
	})
}

// MayLeaveOff tells the parts that a board does without, at some loss: filter
// and bypass capacitors (common practice, no source).
func (p *Part) MayLeaveOff() bool {
	return p.Kind == Capacitor && (p.Role == RoleFilter || p.Role == RoleBypass)
}

// Terminal is one contact of a part.
type Terminal struct {
	Name string // "1", "2", "in", "B2"
	Net  NetID  // None where it not connected (NC)
}

// Connector is a row or two of pins that a sweep passes over.
type Connector struct {
	Name, Title, Note string
	Rows              int // 1 or 2
	// Numbering says how pin numbers run over two rows: Alternate (odd and
	// even sides) or Around (along one row and back along the other).
	Numbering Numbering
	Pins      []Pin
}

// Pin is one contact of a connector.
type Pin struct {
	Name string // "1", "A12"
	Net  NetID  // None where it not connected (NC)
}

// TestPoint is a pad made for probing.
type TestPoint struct {
	Name string
	Net  NetID
}

// PointKind tells what a Point names.
type PointKind uint8

// Kinds of points.
const (
	PointNet PointKind = iota
	PointTerminal
	PointPin
	PointPad
)

// Point is any place a probe can land. Board.Point finds one by its written
// name and Board.PointName writes it back.
type Point struct {
	Kind     PointKind
	Net      NetID // the net it lies on; None for a pin that not connected (NC)
	Terminal TerminalRef
	Pin      PinRef
	Pad      int32 // index in Board.TestPoints
}

// SamePart tells whether both are terminals of one part.
func (p Point) SamePart(q Point) bool {
	return p.Kind == PointTerminal && q.Kind == PointTerminal && p.Terminal.Part == q.Terminal.Part
}
