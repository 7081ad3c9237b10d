package references

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Sweep is one pass over one good board with one meter, as one file holds it.
type Sweep struct {
	File     string // the path it was read from
	Board    string
	Revision string
	Sample   string    // which good board; empty where the file does not say
	By       string    // who took it
	Taken    time.Time // zero where the file does not say
	Meter    Meter
	State    State
	Supply   Supply         // current drawn from a bench supply
	Readings []PointReading // in file order

	// Unsaid are the keys of MeterKeys, and polarity and temperature, that the file does
	// not say: what Meter and State hold for them is assumed. Write leaves them out, so
	// that nobody takes an assumption for a fact.
	Unsaid []string
}

// State is how the board lay on the bench.
type State struct {
	Polarity  Polarity
	Battery   string   // "out"; empty where not said
	Unplugged []string // connectors that were unplugged
	Celsius   float64  // of the board; RoomCelsius where not said
}

// RoomCelsius is the temperature in degrees Celsius taken where a file does not say. Common
// practice, no source.
const RoomCelsius = 23

// PointReading is what the meter showed at one point: volts or OL.
type PointReading struct {
	At      netlist.Point
	Name    string // the point as the file writes it
	Line    int32  // of the file; 0 where it is not known
	Reading quantity.Reading
}

// LoadSweep reads one sweep file and finds its points on the board. The error is
// document.Problems and lists everything wrong with the file at once; a sweep of
// another board or revision is refused, because readings never mix between
// revisions. With a nil board the points are left unresolved (net None), which
// serves to check the file alone.
func LoadSweep(path string, b *netlist.Board) (*Sweep, error) {
	nodes, err := document.Read(path, sweepLimit)
	if err != nil {
		return nil, err
	}
	return sweepOf(path, nodes, b)
}

// ReadSweep is LoadSweep for what can be read only once, such as a pipe; path is its
// name in messages. It returns the text that it read as well.
func ReadSweep(r io.Reader, path string, b *netlist.Board) (*Sweep, []byte, error) {
	var text bytes.Buffer
	nodes, err := document.Decode(io.TeeReader(r, &text), path, sweepLimit)
	if err != nil {
		return nil, nil, err
	}
	s, err := sweepOf(path, nodes, b)
	return s, text.Bytes(), err
}

// sweepOf decodes the documents of a sweep file.
func sweepOf(path string, nodes []document.Node, b *netlist.Board) (*Sweep, error) {
	node, problems := oneDocument(path, nodes)
	if problems != nil {
		return nil, problems.Err()
	}
	if at, why := otherBoard(node, b); why != "" {
		problems = SweepShape().Check(node)
		if problems != nil && at == node.At() { // a revision that is misspelt, perhaps
			return nil, problems
		}
		problems.Add(at, why, "readings never mix between boards or revisions: use the board file that they belong to")
		return nil, problems.Err()
	}
	sweep, problems := checkedSweep(node, newResolver(b))
	return sweep, problems.Err()
}

// checkedSweep turns a node into a Sweep, or tells all that is wrong with it.
func checkedSweep(node document.Node, points *resolver) (*Sweep, document.Problems) {
	problems := sweepShape.Check(node)
	sweep, more := decodeSweep(node, points)
	if problems.AddElsewhere(more); problems != nil {
		return nil, problems
	}
	return sweep, nil
}

// sweepLimit is the largest sweep file in bytes; a sweep of 2,000 pins takes
// about 40 kB.
const sweepLimit = 1 << 20

// oneDocument returns the only document of a file.
func oneDocument(path string, nodes []document.Node) (document.Node, document.Problems) {
	var problems document.Problems
	switch {
	case len(nodes) == 0:
		problems.Add(document.Position{File: path}, "holds nothing", "write a sweep, or remove the file")
		return document.Node{}, problems
	case len(nodes) > 1:
		problems.Add(nodes[1].At(), "a second document", "one file is one pass over one board: put each in its own file")
		return document.Node{}, problems
	}
	return nodes[0], nil
}

// otherBoard tells what makes a sweep one of another board or revision, and
// where that stands; "" for one of b, and for a nil b.
func otherBoard(node document.Node, b *netlist.Board) (at document.Position, why string) {
	board, revision := node.Get("board"), node.Get("revision")
	switch {
	case b == nil, !board.Exists(): // which the shape tells
	case board.Text() != b.Name:
		return board.At(), fmt.Sprintf("taken on board %s, not on %s", document.Quote(board.Text()), document.Quote(b.Name))
	case revision.Text() == b.Revision:
	case !revision.Exists():
		return node.At(), fmt.Sprintf("does not say its revision, and the board file is revision %s", document.Quote(b.Revision))
	default:
		return revision.At(), fmt.Sprintf("taken on revision %s, not on %s", document.Quote(revision.Text()), document.Quote(b.Revision))
	}
	return document.Position{}, ""
}

// decodeSweep turns a node into a Sweep; what the shape tells of it is not said again.
func decodeSweep(node document.Node, points *resolver) (*Sweep, document.Problems) {
	s := &Sweep{
		File:     node.At().File,
		Board:    points.intern(node.Get("board").Text()),
		Revision: points.intern(node.Get("revision").Text()),
		Sample:   points.intern(node.Get("sample").Text()),
		By:       points.intern(node.Get("by").Text()),
		State:    decodeState(node.Get("state"), points),
		Supply:   decodeSupply(node.Get("supply")),
	}
	// The shape has refused dates and readings that do not parse.
	s.Taken, _ = ParseTime(node.Get("taken").Text())
	meter, problems := DecodeMeter(node.Get("meter"))
	meter.Name = points.intern(meter.Name)
	s.Meter = meter
	for _, key := range MeterKeys {
		s.said(key, node.Get("meter").Get(key).Exists())
	}
	s.said("polarity", node.Get("state").Get("polarity").Exists())
	s.said("temperature", node.Get("state").Get("temperature").Exists())
	for _, item := range node.Get("state").Get("unplugged").Items() {
		if points.board == nil {
			break
		}
		if _, err := points.board.ConnectorByName(item.Text()); err != nil {
			problems.AddError(item.At(), err)
		}
	}
	entries := node.Get("readings").Entries()
	if readings := node.Get("readings"); readings.Exists() && len(entries) == 0 {
		problems.Add(readings.At(), "`readings` is empty", "add a reading, such as `J7.2: 0.452`, or remove the file")
	}
	s.Readings = make([]PointReading, 0, len(entries))
	for _, entry := range entries {
		if entry.Value.Kind() == document.Nothing {
			continue // the shape says so, and often the tail of a decimal comma
		}
		r := PointReading{Name: points.intern(entry.Name()), Line: int32(entry.Key.At().Line)}
		r.Reading, _ = quantity.ParseReading(entry.Value.Text())
		if r.Reading.Value > s.Meter.Over {
			problems.Add(entry.Value.At(), fmt.Sprintf("%s is above %s, where the meter shows OL", document.Quote(entry.Value.Text()), quantity.Format(s.Meter.Over, quantity.Volt)), "write OL, or give the meter's own limit as `overload_above` under `meter`")
			continue
		}
		at, err := points.find(r.Name)
		if err != nil {
			problems.AddError(entry.Key.At(), err)
			continue
		}
		r.At = at
		s.Readings = append(s.Readings, r)
	}
	return s, problems
}

// said notes a key as unsaid where it is not said.
func (s *Sweep) said(key string, is bool) {
	if !is {
		s.Unsaid = append(s.Unsaid, key)
	}
}

func decodeState(node document.Node, points *resolver) State {
	s := State{Celsius: RoomCelsius, Battery: points.intern(node.Get("battery").Text())}
	s.Polarity, _ = ParsePolarity(node.Get("polarity").Text()) // the usual one where not said
	for _, item := range node.Get("unplugged").Items() {
		s.Unplugged = append(s.Unplugged, points.intern(item.Text()))
	}
	if celsius, err := ParseCelsius(node.Get("temperature").Text()); err == nil {
		s.Celsius = celsius
	}
	return s
}

// mostNames bounds the wrong names that a resolver remembers.
const mostNames = 10_000

// resolver finds points by name for one goroutine. Ten thousand sweeps name the
// same few points, so it remembers what it found and keeps one copy of each
// text.
type resolver struct {
	board *netlist.Board
	texts map[string]string
	found map[string]foundPoint
}

// foundPoint is what a name means, or what is wrong with it: looking for the
// nearest name takes long.
type foundPoint struct {
	point netlist.Point
	err   error
}

func newResolver(b *netlist.Board) *resolver {
	return &resolver{b, make(map[string]string), make(map[string]foundPoint)}
}

func (r *resolver) intern(text string) string {
	if kept, ok := r.texts[text]; ok {
		return kept
	}
	kept := strings.Clone(text) // not a slice of the file's whole text
	r.texts[kept] = kept
	return kept
}

// find returns a point by its name. Its error says what is wrong and, after a
// semicolon, what to do.
func (r *resolver) find(name string) (netlist.Point, error) {
	if r.board == nil {
		return netlist.Point{Net: netlist.None}, nil
	}
	f, known := r.found[name]
	if !known {
		f.point, f.err = r.board.Point(name)
		if f.err == nil || len(r.found) < mostNames {
			r.found[name] = f
		}
	}
	return f.point, f.err
}

// BoardName is the board that was swept: its sample, otherwise its file.
func (s *Sweep) BoardName() string {
	if s.Sample != "" {
		return s.Sample
	}
	return s.File
}

// MeterName is which meter a sweep was taken with: its name, else who took it.
func (s *Sweep) MeterName() string {
	switch {
	case s.Meter.Name != "":
		return s.Meter.Name
	case s.By != "":
		return s.By
	}
	return "a " + strings.TrimPrefix(classOf(s).words(), "like ") + " meter"
}
