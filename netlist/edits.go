package netlist

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Edit is what the bench has done to one part.
type Edit struct {
	Part     PartID
	Removed  bool    // off the board
	Replaced bool    // a new, good part, even if it has been removed since
	Jumpered bool    // a wire or link across its series path
	Ohms     float64 // of the bridge
	// Reinstalled tells that the part was soldered on again, so that its joints
	// are new though the part is not.
	Reinstalled bool
	// Reflowed tells that all its joints were melted again where it lies.
	Reflowed bool
}

// Edits is how a board at the bench differs from the board as it was drawn. It
// is a value: its methods return changed Edits and leave the receiver as it
// was, so that assigning one makes a copy. The zero Edits is an untouched
// board.
type Edits struct {
	list     []Edit   // sorted by part, never changed in place
	repaired []Repair // sorted, never changed in place
}

// Of returns what has been done to a part.
func (e Edits) Of(part PartID) Edit {
	if i, ok := e.search(part); ok {
		return e.list[i]
	}
	return Edit{Part: part}
}

// List returns all edits, sorted by part.
func (e Edits) List() []Edit { return slices.Clone(e.list) }

func (e Edits) search(part PartID) (int, bool) {
	return slices.BinarySearchFunc(e.list, part, func(x Edit, p PartID) int { return cmp.Compare(x.Part, p) })
}

// with returns the edits with one part's replaced.
func (e Edits) with(edit Edit) Edits {
	i, ok := e.search(edit.Part)
	list := slices.Clone(e.list)
	untouched := edit == Edit{Part: edit.Part}
	switch {
	case ok && untouched:
		list = slices.Delete(list, i, i+1)
	case ok:
		list[i] = edit
	case !untouched:
		list = slices.Insert(list, i, edit)
	}
	return Edits{list, e.repaired}
}

// But gives what was done to all other parts, leaving aside that some were put back:
// what is read without a part does not tell that.
func (e Edits) But(part PartID) Edits {
	out := e.with(Edit{Part: part})
	for _, x := range out.List() {
		x.Reinstalled = false
		out = out.with(x)
	}
	return out
}

// Remove takes a part off the board, a bridge across it with it: the line is
// split here from now on.
func (e Edits) Remove(part PartID) Edits {
	x := e.Of(part)
	x.Removed, x.Jumpered, x.Ohms = true, false, 0
	return e.with(x)
}

// Reinstall puts the same part back, with new joints.
func (e Edits) Reinstall(part PartID) Edits {
	x := e.Of(part)
	x.Removed, x.Reinstalled = false, true
	return e.with(x)
}

// Reflow melts all joints of a part again.
func (e Edits) Reflow(part PartID) Edits {
	x := e.Of(part)
	x.Reflowed = true
	return e.with(x)
}

// NewJoints tells that every joint of the part as it was drawn is new.
func (x Edit) NewJoints() bool { return x.Reinstalled || x.Reflowed }

// Replace puts a new, good part in place of the old one and of any bridge.
func (e Edits) Replace(part PartID) Edits {
	return e.with(Edit{Part: part, Replaced: true})
}

// Jumper lays a link of so many ohms across the series path of a part, whether
// the part is there or removed. Less than 1 milliohm counts as 1 milliohm.
func (e Edits) Jumper(part PartID, ohms float64) Edits {
	x := e.Of(part)
	x.Jumpered, x.Ohms = true, max(ohms, 1e-3)
	return e.with(x)
}

// Key is a text that is the same for equal edits, fit for a map.
func (e Edits) Key() string {
	var b strings.Builder
	for _, x := range e.list {
		fmt.Fprintf(&b, "%d", x.Part)
		if x.Removed {
			b.WriteByte('L')
		}
		if x.Replaced {
			b.WriteByte('F')
		}
		if x.Jumpered {
			b.WriteByte('B')
			b.WriteString(strconv.FormatFloat(x.Ohms, 'g', -1, 64))
		}
		if x.Reinstalled {
			b.WriteByte('R')
		}
		if x.Reflowed {
			b.WriteByte('H')
		}
		b.WriteByte(' ')
	}
	for _, m := range e.repaired {
		fmt.Fprintf(&b, "M%v ", m)
	}
	return b.String()
}

// Equal tells that two edits leave the same board.
func (e Edits) Equal(other Edits) bool {
	return slices.Equal(e.list, other.list) && slices.Equal(e.repaired, other.repaired)
}

// AsDrawn tells that a good board so edited reads as the board was drawn:
// nothing is removed or bridged. New parts and repaired copper are as drawn.
func (e Edits) AsDrawn() bool {
	return !slices.ContainsFunc(e.list, func(x Edit) bool { return x.Removed || x.Jumpered })
}

// Paths returns the ways through a part as the bench has left it: none through
// a removed part, and those of a bridged part with the bridge across the pairs
// of terminals that a bridge joins (Jumperable).
func (e Edits) Paths(b *Board, part PartID) []Path {
	x := e.Of(part)
	p := &b.Parts[part]
	var paths []Path
	if !x.Removed {
		paths = p.Paths()
	}
	if x.Jumpered {
		for _, w := range p.Jumperable() {
			paths = append(paths, Path{From: w.From, To: w.To, Element: Resistive, Ohms: x.Ohms, Stated: true})
		}
	}
	return paths
}

// Jumperable returns the ways that a bridge lies across: the series path of a
// filter, both windings of a choke, the two terminals of a resistor, inductor,
// bead, fuse, link or switch. Other parts have none.
func (p *Part) Jumperable() []Path {
	if p.Kind.Class() != Series {
		return nil
	}
	return slices.DeleteFunc(p.Paths(), func(w Path) bool { return w.Element != Resistive })
}

// Capacitance returns the farads that a meter at a net has to charge: every
// capacitor with one end among the nets that resistances join to it, as the
// bench has left them. The walk does not pass ground, nor a rail other than
// the net itself. Capacitors without a value count nothing.
func (b *Board) Capacitance(net NetID, e Edits) float64 {
	farads, _ := b.charged(net, e)
	return farads
}

// Capacitances gives Capacitance of one net after another with the same edits, and
// walks each line once.
func (b *Board) Capacitances(e Edits) func(NetID) float64 {
	known := make(map[NetID]float64)
	return func(net NetID) float64 {
		farads, ok := known[net]
		if ok {
			return farads
		}
		farads, nets := b.charged(net, e)
		for _, n := range nets {
			if !b.Nets[net].Rail || n == net { // a line's capacitors do not charge its rail
				known[n] = farads
			}
		}
		return farads
	}
}

// charged gives Capacitance, and the nets walked.
func (b *Board) charged(net NetID, e Edits) (farads float64, nets []NetID) {
	if net == None || net == b.Ground {
		return 0, nil
	}
	in := make(map[NetID]bool)
	in[net] = true
	nets = append(nets, net)
	counted := make(map[PartID]bool)
	for i := 0; i < len(nets); i++ {
		for _, t := range b.Nets[nets[i]].Terminals {
			p := &b.Parts[t.Part]
			for _, w := range e.Paths(b, t.Part) {
				if w.Element != Resistive || w.From != t.Terminal && w.To != t.Terminal {
					continue
				}
				other := p.Terminals[w.From+w.To-t.Terminal].Net
				if other != b.Ground && !b.Nets[other].Rail && !in[other] {
					in[other] = true
					nets = append(nets, other)
				}
			}
		}
	}
	for _, n := range nets {
		for _, t := range b.Nets[n].Terminals {
			p := &b.Parts[t.Part]
			if p.Kind != Capacitor || counted[t.Part] || e.Of(t.Part).Removed || !(p.Value > 0) {
				continue
			}
			counted[t.Part] = true
			if other := p.Terminals[1-t.Terminal].Net; other != None && !in[other] {
				farads += p.Value
			}
		}
	}
	return farads, nets
}

// settleSeconds is the settling in seconds from which it is worth reporting.
const settleSeconds = 0.3

// Settling returns the seconds that a constant current of so many amperes takes to charge
// farads to volts, t = C*V/I, where they are worth reporting; 0 otherwise.
func Settling(farads, volts, amperes float64) float64 {
	if t := farads * volts / amperes; t > settleSeconds {
		return t
	}
	return 0
}
