package netlist

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"halfsplit/netlist/document"
)

// index finds things by name.
type index struct {
	nets       map[string]NetID
	parts      map[string]PartID
	connectors map[string]ConnectorID
	pads       map[string]int32
	netAt      []document.Position // where each net is first named
}

// Point finds the place that a written name means: `R12.1` a terminal, `J7.6`
// a connector pin, `TP14` a test point, `TP_INT` a net. Names that hold dots
// themselves are resolved by the longest part or connector name that fits. The
// error says "what; what to do" and suggests the nearest name.
func (b *Board) Point(text string) (Point, error) {
	if pad, ok := b.index.pads[text]; ok {
		return b.padPoint(pad), nil
	}
	if p, ok := b.split(text); ok {
		return p, nil
	}
	if net, ok := b.index.nets[text]; ok {
		return NetPoint(net), nil
	}
	return Point{Net: None}, b.noPoint(text)
}

// split resolves a name of the form OWNER.PIN, trying the longest owner first.
func (b *Board) split(text string) (Point, bool) {
	for dot := strings.LastIndexByte(text, '.'); dot > 0; dot = strings.LastIndexByte(text[:dot], '.') {
		owner, name := text[:dot], text[dot+1:]
		if id, ok := b.index.parts[owner]; ok {
			for t := range b.Parts[id].Terminals {
				if b.Parts[id].Terminals[t].Name == name {
					return b.TerminalPoint(TerminalRef{id, int32(t)}), true
				}
			}
		}
		if id, ok := b.index.connectors[owner]; ok {
			for p := range b.Connectors[id].Pins {
				if b.Connectors[id].Pins[p].Name == name {
					return b.PinPoint(PinRef{id, int32(p)}), true
				}
			}
		}
	}
	return Point{}, false
}

var (
	noTerminal = TerminalRef{None, None}
	noPin      = PinRef{None, None}
)

// NetPoint gives the point that stands for all of a net.
func NetPoint(n NetID) Point {
	return Point{Kind: PointNet, Net: n, Terminal: noTerminal, Pin: noPin, Pad: None}
}

// TerminalPoint gives the point of a terminal. It, its like and Point give the same
// value for the same point, so that points compare by ==.
func (b *Board) TerminalPoint(t TerminalRef) Point {
	return Point{Kind: PointTerminal, Net: b.Parts[t.Part].Terminals[t.Terminal].Net, Terminal: t, Pin: noPin, Pad: None}
}

// PinPoint gives the point of a connector pin.
func (b *Board) PinPoint(p PinRef) Point {
	return Point{Kind: PointPin, Net: b.Connectors[p.Connector].Pins[p.Pin].Net, Terminal: noTerminal, Pin: p, Pad: None}
}

// Pins gives the pins of a connector in the order of the file.
func (b *Board) Pins(c ConnectorID) []Point {
	list := make([]Point, len(b.Connectors[c].Pins))
	for i := range list {
		list[i] = b.PinPoint(PinRef{c, int32(i)})
	}
	return list
}

// AllPins gives the pins of all connectors.
func (b *Board) AllPins() (list []Point) {
	for c := range b.Connectors {
		list = append(list, b.Pins(ConnectorID(c))...)
	}
	return list
}

func (b *Board) padPoint(pad int32) Point {
	return Point{Kind: PointPad, Net: b.TestPoints[pad].Net, Terminal: noTerminal, Pin: noPin, Pad: pad}
}

// noPoint explains why a text names no point.
func (b *Board) noPoint(text string) error {
	if id, ok := b.index.parts[text]; ok {
		return fmt.Errorf("%s is a part; name one of its terminals: %s", document.Quote(text), owned(text, b.Parts[id].terminalNames()))
	}
	if id, ok := b.index.connectors[text]; ok {
		return fmt.Errorf("%s is a connector; name one of its pins: %s", document.Quote(text), owned(text, b.Connectors[id].pinNames()))
	}
	if dot := strings.LastIndexByte(text, '.'); dot > 0 {
		owner, name := text[:dot], text[dot+1:]
		if id, ok := b.index.parts[owner]; ok {
			names := b.Parts[id].terminalNames()
			return fmt.Errorf("%s has no terminal %s; %s", document.Printable(owner), document.Quote(name), document.Suggest(name, names, "it has "+some(names)))
		}
		if id, ok := b.index.connectors[owner]; ok {
			names := b.Connectors[id].pinNames()
			return fmt.Errorf("%s has no pin %s; %s", document.Printable(owner), document.Quote(name), document.Suggest(name, names, "it has "+some(names)))
		}
	}
	return fmt.Errorf("%s is not a point of this board; %s", document.Quote(text), document.Suggest(text, b.Points(), "write a terminal as R12.1, a connector pin as J7.2, or the name of a net or test point"))
}

// owned lists the first few pins of an owner in full: "R12.1, R12.2".
func owned(owner string, names []string) string {
	full := make([]string, len(names))
	for i, n := range names {
		full[i] = owner + "." + n
	}
	return some(full)
}

func (c *Connector) pinNames() []string {
	names := make([]string, len(c.Pins))
	for i := range c.Pins {
		names[i] = c.Pins[i].Name
	}
	return names
}

// PointName writes a point so that Point finds it again.
func (b *Board) PointName(p Point) string {
	switch p.Kind {
	case PointTerminal:
		part := &b.Parts[p.Terminal.Part]
		return part.Name + "." + part.Terminals[p.Terminal.Terminal].Name
	case PointPin:
		c := &b.Connectors[p.Pin.Connector]
		return c.Name + "." + c.Pins[p.Pin.Pin].Name
	case PointPad:
		return b.TestPoints[p.Pad].Name
	}
	if p.Net == None {
		return ""
	}
	return b.Nets[p.Net].Name
}

// Points lists the name of every point: connector pins, test points, part
// terminals, nets, each in file order.
func (b *Board) Points() []string {
	var names []string
	for i := range b.Connectors {
		for _, p := range b.Connectors[i].Pins {
			names = append(names, b.Connectors[i].Name+"."+p.Name)
		}
	}
	for _, t := range b.TestPoints {
		names = append(names, t.Name)
	}
	for i := range b.Parts {
		for _, t := range b.Parts[i].Terminals {
			names = append(names, b.Parts[i].Name+"."+t.Name)
		}
	}
	for i := range b.Nets {
		names = append(names, b.Nets[i].Name)
	}
	return names
}

// Spelled writes what a person typed in the case of the board file: the name of a part, a
// connector or a point, or of two points with `-` or ` to ` between them. It is the text
// itself where nothing is called so, or more than one thing.
func (b *Board) Spelled(text string) string {
	var owners []string
	for i := range b.Parts {
		owners = append(owners, b.Parts[i].Name)
	}
	for i := range b.Connectors {
		owners = append(owners, b.Connectors[i].Name)
	}
	points := b.Points()
	if own := cmp.Or(folded(text, owners), folded(text, points)); own != "" {
		return own
	}
	for _, between := range []string{" to ", "-"} {
		a, z, _ := strings.Cut(text, between)
		if a, z = folded(strings.TrimSpace(a), points), folded(strings.TrimSpace(z), points); a != "" && z != "" {
			return a + between + z
		}
	}
	return text
}

// folded finds the one name that a text is but for its case, "" where there is none or
// several.
func folded(text string, names []string) (found string) {
	for _, n := range names {
		if strings.EqualFold(n, text) {
			if found != "" && found != n {
				return ""
			}
			found = n
		}
	}
	return found
}

// Meant finds what a person means by a name, in whatever case it was typed: by the name as it
// is or, failing that, as Spelled has it.
func Meant[T any](b *Board, find func(string) (T, error), text string) (T, error) {
	found, err := find(text)
	if err != nil {
		found, err = find(b.Spelled(text))
	}
	return found, err
}

// MeantPart finds the part that a person means.
func (b *Board) MeantPart(text string) (PartID, error) {
	id, err := Meant(b, b.PartByName, text)
	if err != nil {
		if at, wrong := Meant(b, b.Point, text); wrong == nil && at.Kind != PointNet {
			err = fmt.Errorf("%s is a point, not a part; read it, or repair it", document.Quote(b.PointName(at)))
		}
	}
	return id, err
}

// PointsOn lists every terminal, pin and test point on a net: connector pins
// first, then test points, then terminals.
func (b *Board) PointsOn(net NetID) []Point {
	var points []Point
	for _, p := range b.Nets[net].Pins {
		points = append(points, b.PinPoint(p))
	}
	for i := range b.TestPoints {
		if b.TestPoints[i].Net == net {
			points = append(points, b.padPoint(int32(i)))
		}
	}
	for _, t := range b.Nets[net].Terminals {
		points = append(points, b.TerminalPoint(t))
	}
	return points
}

// byName looks up a name. The error suggests the nearest of the others.
func byName[ID ~int32](index map[string]ID, what, name string) (ID, error) {
	if id, ok := index[name]; ok {
		return id, nil
	}
	names := slices.SortedFunc(maps.Keys(index), func(a, b string) int { return cmp.Compare(index[a], index[b]) })
	return None, fmt.Errorf("no %s %s on this board; %s", what, document.Quote(name), document.Suggest(name, names, "its "+what+"s are "+some(names)))
}

// PartByName finds a part. The error suggests the nearest name.
func (b *Board) PartByName(name string) (PartID, error) { return byName(b.index.parts, "part", name) }

// NetByName finds a net. The error suggests the nearest name.
func (b *Board) NetByName(name string) (NetID, error) { return byName(b.index.nets, "net", name) }

// ConnectorByName finds a connector. The error suggests the nearest name.
func (b *Board) ConnectorByName(name string) (ConnectorID, error) {
	return byName(b.index.connectors, "connector", name)
}

// Neighbours returns the pins next to a pin in its row, where solder or dirt
// may bridge, in the order of the file. Positions are the pins' numbers where
// all pins of the connector have one, so that a pin the file leaves out leaves
// its gap; otherwise they count along the file. In one row the neighbours of k
// are k-1 and k+1; in two rows numbered alternately k-2 and k+2; in two rows
// numbered around k-1 and k+1 within each half.
func (b *Board) Neighbours(pin PinRef) []PinRef {
	c := &b.Connectors[pin.Connector]
	place, last := c.Places()
	step, half := 1, last
	switch {
	case c.Rows == 2 && c.Numbering == Alternate:
		step = 2
	case c.Rows == 2:
		half = (last + 1) / 2
	}
	row := func(place int) bool { return place <= half }
	var next []PinRef
	k := place[pin.Pin]
	for i, p := range place {
		if (p == k-step || p == k+step) && row(p) == row(k) {
			next = append(next, PinRef{pin.Connector, int32(i)})
		}
	}
	return next
}

// Places returns the position of each pin along the numbering, from 1, and the
// last position.
func (c *Connector) Places() (place []int, last int) {
	place = make([]int, len(c.Pins))
	for i, p := range c.Pins {
		n, err := strconv.Atoi(p.Name)
		if err != nil || n < 1 || n > 10_000 {
			for j := range place {
				place[j] = j + 1
			}
			return place, len(place)
		}
		place[i], last = n, max(last, n)
	}
	return place, last
}

// PinRows parts the pins of a connector into its rows, as it lies: indices into Pins.
func (c *Connector) PinRows() [][]int {
	rows := make([][]int, max(c.Rows, 1))
	for i := range c.Pins {
		k := 0
		switch n, err := strconv.Atoi(c.Pins[i].Name); {
		case c.Rows < 2:
		case c.Numbering == Around:
			if i >= (len(c.Pins)+1)/2 {
				k = 1
			}
		case err == nil && n > 0:
			k = (n + 1) % 2
		default:
			k = i % 2
		}
		rows[k] = append(rows[k], i)
	}
	if c.Rows == 2 && c.Numbering == Around {
		slices.Reverse(rows[1]) // the far row runs back
	}
	return rows
}

func (p *Part) terminalNames() []string {
	names := make([]string, len(p.Terminals))
	for i := range p.Terminals {
		names[i] = p.Terminals[i].Name
	}
	return names
}

// some lists the first few names: "A1, A2, A3 and 12 more".
func some(names []string) string {
	const most = 6
	shown := make([]string, len(names))
	for i, n := range names {
		shown[i] = document.Printable(n)
	}
	return document.Few(shown, most)
}
