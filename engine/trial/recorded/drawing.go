package recorded

import (
	"slices"

	"halfsplit/netlist"
)

// Drawing is a board file as people draw one: it lacks parts and pins, and some
// of its values are wrong. The board that lies on the bench is the whole one.
type Drawing struct {
	Board *netlist.Board // what the drawing says

	truth *netlist.Board
	parts []netlist.PartID                  // of the truth, by part of the drawing
	drawn map[netlist.PartID]netlist.PartID // of the drawing, by part of the truth
}

// NewDrawing says that a board file shows what it shows of another board. Every part of
// it is on that board, by the same name.
func NewDrawing(truth, board *netlist.Board) (*Drawing, error) {
	d := &Drawing{Board: board, truth: truth, drawn: map[netlist.PartID]netlist.PartID{}}
	for p := range board.Parts {
		t, err := truth.PartByName(board.Parts[p].Name)
		if err != nil {
			return nil, err
		}
		d.parts = append(d.parts, t)
		d.drawn[t] = netlist.PartID(p)
	}
	return d, nil
}

// Redrawn gives the drawing with a board into which more was drawn. A nil Drawing stays so.
func (d *Drawing) Redrawn(board *netlist.Board) (*Drawing, error) {
	if d == nil {
		return nil, nil
	}
	return NewDrawing(d.truth, board)
}

// part gives the part of the board that one of the drawing is, itself on a nil Drawing.
func (d *Drawing) part(p netlist.PartID) netlist.PartID {
	if d == nil {
		return p
	}
	return d.parts[p]
}

// net gives the net of the board that one of the drawing is, itself on a nil Drawing.
func (d *Drawing) net(n netlist.NetID) netlist.NetID {
	if d == nil {
		return n
	}
	n, _ = d.truth.NetByName(d.Board.Nets[n].Name) // a drawing invents no net
	return n
}

// undrawn lists terminals on a net that are not in the drawing, by name.
func (d *Drawing) undrawn(net netlist.NetID) (names []string) {
	if d == nil {
		return nil
	}
	for _, t := range d.truth.Nets[d.net(net)].Terminals {
		name := d.truth.PointName(d.truth.TerminalPoint(t))
		if _, err := d.Board.Point(name); err != nil {
			names = append(names, name)
		}
	}
	return names
}

// Point gives the point of the board that the drawing means. A nil Drawing is a
// board drawn as it is.
func (d *Drawing) Point(p netlist.Point) (netlist.Point, error) {
	if d == nil {
		return p, nil
	}
	return d.truth.Point(d.Board.PointName(p))
}

// Edits gives what was done to the board, where it was done to things as they are
// drawn. A trace that is joined between two points is joined over all that the
// drawing leaves out between them.
func (d *Drawing) Edits(e netlist.Edits) netlist.Edits {
	if d == nil {
		return e
	}
	var out netlist.Edits
	for _, x := range e.List() {
		p := d.parts[x.Part]
		if x.Replaced {
			out = out.Replace(p)
		}
		if x.Reinstalled {
			out = out.Reinstall(p)
		}
		if x.Reflowed {
			out = out.Reflow(p)
		}
		if x.Removed {
			out = out.Remove(p)
		}
		if x.Jumpered {
			out = out.Jumper(p, x.Ohms)
		}
	}
	for _, m := range e.Repairs() {
		for _, t := range d.repairs(m) {
			out = out.Repair(t)
		}
	}
	return out
}

func (d *Drawing) repairs(m netlist.Repair) []netlist.Repair {
	switch m.Kind {
	case netlist.RepairJoint:
		m.Terminal = d.terminal(m.Terminal)
	case netlist.RepairTrace:
		net, from, to := d.Trace(m.Net, m.After)
		var out []netlist.Repair
		for k := from; k < to; k++ {
			out = append(out, netlist.JoinedTrace(net, k))
		}
		return out
	}
	return []netlist.Repair{m} // connectors are drawn as they are
}

func (d *Drawing) terminal(t netlist.TerminalRef) netlist.TerminalRef {
	p := d.parts[t.Part]
	name := d.Board.Parts[t.Part].Terminals[t.Terminal].Name
	i := slices.IndexFunc(d.truth.Parts[p].Terminals, func(x netlist.Terminal) bool { return x.Name == name })
	return netlist.TerminalRef{Part: p, Terminal: int32(i)}
}

// Trace gives where the two ends of a drawn piece of trace lie along the net of
// the board.
func (d *Drawing) Trace(drawn netlist.NetID, after int16) (net netlist.NetID, from, to int16) {
	n := &d.Board.Nets[drawn]
	net, _ = d.truth.NetByName(n.Name)
	along := d.truth.Nets[net].Along
	place := func(p netlist.Point) int16 {
		name := d.Board.PointName(p)
		return int16(slices.IndexFunc(along, func(x netlist.Point) bool { return d.truth.PointName(x) == name }))
	}
	return net, place(n.Along[after]), place(n.Along[after+1])
}
