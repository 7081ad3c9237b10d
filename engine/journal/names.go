package journal

import (
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// part finds the part that a node names; otherwise it keeps a problem.
func (d *decoder) part(node document.Node) (netlist.PartID, bool) {
	part, err := d.board.PartByName(nameOf(node))
	if err != nil {
		d.problems.AddError(node.At(), err)
	}
	return part, err == nil
}

// net finds the net that a node names; otherwise it keeps a problem.
func (d *decoder) net(node document.Node) (netlist.NetID, bool) {
	net, err := d.board.NetByName(nameOf(node))
	if err != nil {
		d.problems.AddError(node.At(), err)
	}
	return net, err == nil
}

// nameOf returns the text of a key or an item. A name may look like nothing to
// YAML (`null`) and be a name all the same.
func nameOf(node document.Node) string { return document.Entry{Key: node}.Name() }

// named finds the part that free text names by itself or by one of its
// terminals. It suggests nothing: most text names no part and is right so.
func (d *decoder) named(text string) (netlist.PartID, bool) {
	if d.parted == nil {
		d.parted = make(map[string]netlist.PartID)
		for i := range d.board.Parts {
			part := &d.board.Parts[i]
			for _, t := range part.Terminals {
				d.parted[part.Name+"."+t.Name] = netlist.PartID(i)
			}
		}
		for i := range d.board.Parts {
			d.parted[d.board.Parts[i].Name] = netlist.PartID(i)
		}
	}
	part, ok := d.parted[strings.TrimSuffix(text, ":")]
	if !ok {
		return netlist.None, false
	}
	return part, true
}
