// Package assembly draws where to probe: one side of a board with its outline, pads
// and designators in black, as in the assembly drawing among a manufacturer's
// documents, the place marked, and its neighbourhood enlarged.
//
//	drawn, err := assembly.Load(board)
//	mark, err := assembly.Find(board, drawn, "J7.3")
//	picture := assembly.Draw(board, drawn, mark)   // picture.SVG
//
// find.go finds a point of the board file in the layout, draw.go composes the
// picture, view.go puts millimetres onto paper, label.go finds room for names.
package assembly

import (
	"errors"
	"fmt"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
)

// Mark is what a drawing points at.
type Mark struct {
	Name      string // "J7.3", "FL3"
	What      string // what it is, one line
	Footprint *layout.Footprint
	Pads      []*layout.Pad // empty where the part itself is meant
	Notes     []string
}

// Load reads the layout that a board names. It is nil, without an error, where the
// board names none.
func Load(b *netlist.Board) (*layout.Board, error) {
	if b.Layout == "" {
		return nil, nil
	}
	drawn, err := layout.Load(b.Layout)
	if problems := (document.Problems)(nil); b.LayoutAt.Line > 0 && errors.As(err, &problems) && len(problems) == 1 && problems[0].Line == 0 {
		// About the file as a whole: it was named in the board file.
		return nil, document.Problems{{
			Position: b.LayoutAt,
			What:     "the layout " + document.Quote(problems[0].File) + " " + problems[0].What,
			Do:       problems[0].Do,
		}}
	}
	return drawn, err
}

// Missing lists the parts, connectors and test points of a board that a layout does
// not have, in the order of the board file.
func Missing(b *netlist.Board, drawn *layout.Board) []string {
	has := make(map[string]bool, len(drawn.Footprints))
	for i := range drawn.Footprints {
		has[drawn.Footprints[i].Reference] = true
	}
	var missing []string
	for _, name := range references(b) {
		if !has[name] && !has[holder(name)] {
			missing = append(missing, name)
		}
	}
	return missing
}

// holder is the part that holds an element: RN1 for RN1_2, as drafts call them. It is
// the name itself where that is of no element.
func holder(name string) string {
	whole := strings.TrimRight(name, "0123456789")
	if of, ok := strings.CutSuffix(whole, "_"); ok && whole != name {
		return of
	}
	return name
}

func references(b *netlist.Board) []string {
	var names []string
	for i := range b.Connectors {
		names = append(names, b.Connectors[i].Name)
	}
	for i := range b.TestPoints {
		names = append(names, b.TestPoints[i].Name)
	}
	for i := range b.Parts {
		names = append(names, b.Parts[i].Name)
	}
	return names
}

// Find finds a point, a part or a connector of the board file in the layout. The
// error says "what; what to do".
func Find(b *netlist.Board, drawn *layout.Board, name string) (Mark, error) {
	m := Mark{Name: name}
	if id, err := b.PartByName(name); err == nil {
		m.What = partWords(&b.Parts[id])
		return m.on(drawn, name)
	}
	if id, err := b.ConnectorByName(name); err == nil {
		m.What = "connector"
		if title := b.Connectors[id].Title; title != "" {
			m.What += ", " + title
		}
		return m.on(drawn, name)
	}
	at, err := b.Point(name)
	if err != nil {
		return m, err
	}
	net := ""
	m.What = "not connected"
	if at.Net != netlist.None {
		net = b.Nets[at.Net].Name
		m.What = "net " + net
	}
	switch at.Kind {
	case netlist.PointNet:
		var names []string
		for _, p := range b.PointsOn(at.Net)[:min(len(b.PointsOn(at.Net)), 6)] {
			names = append(names, document.Printable(b.PointName(p)))
		}
		return m, fmt.Errorf("%s is a net, which is no one place; name one of its points: %s", document.Quote(name), strings.Join(names, ", "))
	case netlist.PointPad:
		m.What = "test point, " + m.What
		if m, err = m.on(drawn, name); err == nil {
			m.take(m.Footprint.Pads[:min(len(m.Footprint.Pads), 1)])
		}
	case netlist.PointPin:
		c := &b.Connectors[at.Pin.Connector]
		if c.Title != "" {
			m.What += ", " + c.Title
		}
		if m, err = m.on(drawn, c.Name); err == nil {
			m.pin(c.Pins[at.Pin.Pin].Name, net)
		}
	default:
		p := &b.Parts[at.Terminal.Part]
		m.What += ", " + partWords(p)
		if m, err = m.on(drawn, p.Name); err == nil {
			m.pin(p.Terminals[at.Terminal.Terminal].Name, net)
		}
	}
	return m, err
}

// partWords say what a part is: "filter 2R, behind D2".
func partWords(p *netlist.Part) string {
	words := p.Kind.String()
	if p.ValueText != "" {
		words += " " + p.ValueText
	}
	for _, more := range []string{p.Title, p.Place} {
		if more != "" {
			words += ", " + more
		}
	}
	return words
}

// on puts a mark on a footprint.
func (m Mark) on(drawn *layout.Board, reference string) (Mark, error) {
	f, ok := drawn.Footprint(reference)
	if !ok {
		f, ok = drawn.Footprint(holder(reference))
	}
	if !ok {
		names := make([]string, len(drawn.Footprints))
		for i := range drawn.Footprints {
			names[i] = drawn.Footprints[i].Reference
		}
		return m, fmt.Errorf("the layout %s has no %s; %s", document.Quote(drawn.File), document.Printable(reference),
			document.Suggest(reference, names, "call it in the board file as in the layout"))
	}
	m.Footprint = f
	if f.Absent {
		m.Notes = append(m.Notes, "The layout says that "+f.Reference+" is not populated.")
	}
	return m, nil
}

// pin marks the pads of a pin: those of its number, otherwise those whose pin is called
// so in the schematic (a board file says in and out, a layout 1 and 2), otherwise those
// on its net. The number and the name count first where they lie on the net of the
// pin, for a board file numbers the ends of a part again where they are called
// otherwise, and pads may share a number. Where none is named, the part is marked.
func (m *Mark) pin(name, net string) {
	number := func(p layout.Pad) bool { return strings.EqualFold(p.Number, name) }
	function := func(p layout.Pad) bool { return strings.EqualFold(p.Function, name) }
	onNet := func(p layout.Pad) bool { return p.Net != "" && strings.EqualFold(netName(p.Net), netName(net)) }
	both := func(is func(layout.Pad) bool) func(layout.Pad) bool {
		return func(p layout.Pad) bool { return is(p) && onNet(p) }
	}
	for _, is := range []func(layout.Pad) bool{both(number), both(function), onNet, number, function} {
		var pads []layout.Pad
		for _, p := range m.Footprint.Pads {
			if p.Type != layout.Hole && is(p) {
				pads = append(pads, p)
			}
		}
		if len(pads) > 0 {
			m.take(pads)
			return
		}
	}
	m.Notes = append(m.Notes, "The layout does not say which pad of "+m.Footprint.Reference+" is "+name+"; the whole part is marked.")
}

// netName is the name of a net without the sheet that it is drawn on.
func netName(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

func (m *Mark) take(pads []layout.Pad) {
	for i := range pads {
		m.Pads = append(m.Pads, &pads[i])
	}
	if len(pads) == 0 {
		return
	}
	if len(pads) > 1 {
		m.Notes = append(m.Notes, fmt.Sprintf("%d pads belong to this pin.", len(pads)))
	}
	if p := pads[0]; p.Side == layout.BothSides {
		m.Notes = append(m.Notes, "The pad goes through the board: the other side will do too.")
	} else if p.Covered {
		m.Notes = append(m.Notes, "Solder mask covers this pad.")
	}
}

// side is the side that a mark is seen from.
func (m *Mark) side() layout.Side {
	if len(m.Pads) > 0 && m.Pads[0].Side != layout.BothSides {
		return m.Pads[0].Side
	}
	return m.Footprint.Side
}
