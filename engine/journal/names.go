package journal

import (
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// part finds the part that a node names; otherwise it keeps a problem.
func (d *decoder) part(node document.Node) (netlist.PartID, bool) {
	// A key may look like nothing to YAML (`null`) and be a name all the same.
	name := document.Entry{Key: node}.Name()
	part, ok := d.board.PartByName(name)
	if !ok {
		names := make([]string, len(d.board.Parts))
		for i := range d.board.Parts {
			names[i] = d.board.Parts[i].Name
		}
		otherwise := "name a part of the board file"
		if point, err := d.board.Point(name); err == nil && point.Kind == netlist.PointTerminal {
			otherwise = "name the part alone, " + document.Quote(d.board.Parts[point.Terminal.Part].Name)
		}
		d.problem(node.At(), "no part "+document.Quote(name), document.Suggest(name, names, otherwise))
	}
	return part, ok
}

// net finds the net that a node names; otherwise it keeps a problem.
func (d *decoder) net(node document.Node) (netlist.NetID, bool) {
	name := document.Entry{Key: node}.Name()
	net, ok := d.board.NetByName(name)
	if !ok {
		names := make([]string, len(d.board.Nets))
		for i := range d.board.Nets {
			names[i] = d.board.Nets[i].Name
		}
		d.problem(node.At(), "no net "+document.Quote(name), document.Suggest(name, names, "name a rail of the board file"))
	}
	return net, ok
}

// named finds the part that free text names by itself or by one of its
// terminals.
func (d *decoder) named(text string) (netlist.PartID, bool) {
	text = strings.TrimSuffix(text, ":")
	if part, ok := d.board.PartByName(text); ok {
		return part, true
	}
	if point, err := d.board.Point(text); err == nil && point.Kind == netlist.PointTerminal {
		return point.Terminal.Part, true
	}
	return netlist.None, false
}
