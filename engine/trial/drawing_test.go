package trial

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"

	"gopkg.in/yaml.v3"

	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// What people leave out and write wrongly. The shares were agreed before anything
// was measured with them (common practice, no source), and are not for tuning.
const (
	undrawnParts = 0.05 // of capacitors, diodes and clamps
	undrawnPins  = 0.10 // of pins of ICs and modules
	undrawnICs   = 1    // IC or module of a board that has several
	wrongValues  = 0.06 // of parts with a value
)

// wrongFactors are what a wrong value is wrong by, all equally likely.
var wrongFactors = []float64{0.1, 0.47, 2.2, 10}

// newDrawing draws a board as people do. The board must have been loaded from a
// file, which is read again. The same seed leaves out the same things.
func newDrawing(truth *netlist.Board, seed uint64) (*recorded.Drawing, error) {
	text, err := drawnText(truth, seed)
	if err != nil {
		return nil, err
	}
	board, err := netlist.Parse(bytes.NewReader(text), truth.File+" as drawn")
	if err != nil {
		return nil, err
	}
	return recorded.NewDrawing(truth, board)
}

// drawnText is the board file of a drawing.
func drawnText(truth *netlist.Board, seed uint64) ([]byte, error) {
	text, err := os.ReadFile(truth.File)
	if err != nil {
		return nil, err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, fmt.Errorf("%s: %w", truth.File, err)
	}
	e := eraser{truth: truth, root: doc.Content[0], terminals: map[netlist.TerminalRef]bool{}}
	e.draw(seed)
	var out bytes.Buffer
	err = yaml.NewEncoder(&out).Encode(&doc)
	return out.Bytes(), err
}

// eraser takes things out of a board file.
type eraser struct {
	truth     *netlist.Board
	root      *yaml.Node
	terminals map[netlist.TerminalRef]bool // that are gone
}

func (e *eraser) draw(seed uint64) {
	var chips []netlist.PartID
	for p := range e.truth.Parts {
		if k := e.truth.Parts[p].Kind; k == netlist.IC || k == netlist.Module {
			chips = append(chips, netlist.PartID(p))
		}
	}
	gone := map[netlist.PartID]bool{}
	if len(chips) > undrawnICs {
		gone[chips[practice.Random(seed, "undrawn IC").IntN(len(chips))]] = true
	}
	parts := entry(e.root, "parts")
	for p := range e.truth.Parts {
		id, part := netlist.PartID(p), &e.truth.Parts[p]
		r := practice.Random(seed, "drawing of "+part.Name)
		left, wrong, factor := r.Float64(), r.Float64(), wrongFactors[r.IntN(len(wrongFactors))]
		node := entry(parts, part.Name)
		switch part.Kind {
		case netlist.IC, netlist.Module:
			e.pins(r, id, node)
			all := !slices.ContainsFunc(part.Terminals, func(t netlist.Terminal) bool {
				return entry(entry(node, "pins"), t.Name) != nil
			})
			gone[id] = gone[id] || all
		case netlist.Capacitor, netlist.Diode, netlist.TVS:
			gone[id] = left < undrawnParts
		}
		if v, unit := stated(part); wrong < wrongValues && !math.IsNaN(v) {
			entry(node, "value").SetString(quantity.Format(v*factor, unit))
		}
		if gone[id] {
			remove(parts, part.Name)
			for t := range part.Terminals {
				e.terminals[netlist.TerminalRef{Part: id, Terminal: int32(t)}] = true
			}
		}
	}
	e.tidy()
}

// stated gives the value that the file states, in the unit that it states it in;
// NaN where it states none that counts.
func stated(p *netlist.Part) (float64, quantity.Unit) {
	if !math.IsNaN(p.DCOhms) && math.IsNaN(p.Value) {
		return p.DCOhms, quantity.Ohm
	}
	if p.Kind.Unit() == quantity.None || p.ValueText == "" {
		return math.NaN(), quantity.None
	}
	return p.Value, p.Kind.Unit()
}

// pins leaves out pins of an IC.
func (e *eraser) pins(r *rand.Rand, id netlist.PartID, node *yaml.Node) {
	part := &e.truth.Parts[id]
	pins := entry(node, "pins")
	if pins.Kind == yaml.SequenceNode { // counted from 1, which a gap would move
		named := &yaml.Node{Kind: yaml.MappingNode}
		for i, item := range pins.Content {
			key := &yaml.Node{}
			key.SetString(part.Terminals[i].Name)
			named.Content = append(named.Content, key, item)
		}
		*pins = *named
	}
	for t := range part.Terminals {
		if r.Float64() >= undrawnPins {
			continue
		}
		name := part.Terminals[t].Name
		e.terminals[netlist.TerminalRef{Part: id, Terminal: int32(t)}] = true
		remove(pins, name)
		for _, key := range []string{"supply", "ground", "floating"} {
			if n := entry(node, key); n != nil && (n.Kind == yaml.ScalarNode && n.Value == name || drop(n, name) && len(n.Content) == 0) {
				remove(node, key)
			}
		}
		if domain := entry(node, "domain"); domain != nil {
			remove(domain, name)
			for i := 0; i < len(domain.Content); {
				if domain.Content[i+1].Value == name {
					domain.Content = slices.Delete(domain.Content, i, i+2)
					continue
				}
				i += 2
			}
			if len(domain.Content) == 0 {
				remove(node, "domain")
			}
		}
	}
}

// tidy takes out what is said of nets and points that are no longer there.
func (e *eraser) tidy() {
	used := map[string]bool{}
	for _, section := range []string{"parts", "connectors"} {
		for _, x := range values(entry(e.root, section)) {
			pins := entry(x, "pins")
			if pins.Kind == yaml.SequenceNode {
				for _, n := range pins.Content {
					used[n.Value] = true
				}
				continue
			}
			for _, n := range values(pins) {
				used[n.Value] = true
			}
		}
	}
	if pads := entry(e.root, "test_points"); pads != nil {
		filter(pads, func(_ string, net *yaml.Node) bool { return used[net.Value] })
		if len(pads.Content) == 0 {
			remove(e.root, "test_points")
		}
	}
	if nets := entry(e.root, "nets"); nets != nil {
		filter(nets, func(name string, n *yaml.Node) bool {
			if along := entry(n, "along"); along != nil {
				along.Content = slices.DeleteFunc(along.Content, func(x *yaml.Node) bool {
					p, err := e.truth.Point(x.Value)
					return err == nil && p.Kind == netlist.PointTerminal && e.terminals[p.Terminal]
				})
				if len(along.Content) < 2 {
					remove(n, "along")
				}
			}
			return used[name]
		})
		if len(nets.Content) == 0 {
			remove(e.root, "nets")
		}
	}
	if groups := entry(e.root, "alike"); groups != nil {
		groups.Content = slices.DeleteFunc(groups.Content, func(g *yaml.Node) bool {
			g.Content = slices.DeleteFunc(g.Content, func(n *yaml.Node) bool { return !used[n.Value] })
			return len(g.Content) < 2
		})
		if len(groups.Content) == 0 {
			remove(e.root, "alike")
		}
	}
}

// entry gives the value of a key of a mapping, nil where there is none.
func entry(n *yaml.Node, key string) *yaml.Node {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

// values lists the values of a mapping.
func values(n *yaml.Node) []*yaml.Node {
	var out []*yaml.Node
	if n != nil {
		for i := 1; i < len(n.Content); i += 2 {
			out = append(out, n.Content[i])
		}
	}
	return out
}

// filter keeps the entries of a mapping that keep says.
func filter(n *yaml.Node, keep func(key string, value *yaml.Node) bool) {
	var kept []*yaml.Node
	for i := 0; i < len(n.Content); i += 2 {
		if keep(n.Content[i].Value, n.Content[i+1]) {
			kept = append(kept, n.Content[i], n.Content[i+1])
		}
	}
	n.Content = kept
}

func remove(n *yaml.Node, key string) {
	filter(n, func(k string, _ *yaml.Node) bool { return k != key })
}

// drop takes a name out of a list and tells whether it was there.
func drop(n *yaml.Node, name string) bool {
	before := len(n.Content)
	n.Content = slices.DeleteFunc(n.Content, func(x *yaml.Node) bool { return x.Value == name })
	return len(n.Content) < before
}

// unknownPath and unknownBreak begin the names of suspects that are in no drawing;
// the name of their net follows.
const (
	unknownPath  = "unknown path at "
	unknownBreak = "unknown break at "
)

// namesOf lists what a suspect may be called to be right about a fault of the board
// m, and tells whether the fault's place is drawn. What is not drawn is right
// under the name of a net that it touches; so is a pin that is not drawn, and its
// part. A nil Drawing is a board drawn as it is.
func namesOf(d *recorded.Drawing, m *network.Model, f *practice.Fault) (names []string, drawn bool) {
	l := &f.Locus
	if d == nil {
		return []string{l.Name(m.Board)}, true
	}
	drawn = true
	if l.Part != netlist.None {
		name := m.Board.Parts[l.Part].Name
		if _, err := d.Board.PartByName(name); err != nil {
			drawn = false
		} else {
			names = append(names, name)
			for _, t := range []int32{l.Terminal, l.Other} {
				if t >= 0 {
					_, err := d.Board.Point(m.Board.PointName(m.Board.TerminalPoint(netlist.TerminalRef{Part: l.Part, Terminal: t})))
					drawn = drawn && err == nil
				}
			}
		}
	} else if l.Change.Kind == network.Split {
		drawn = false
		if n, err := d.Board.NetByName(m.Board.Nets[l.Change.Net].Name); err == nil {
			for k := range max(len(d.Board.Nets[n].Along)-1, 0) {
				if _, from, to := d.Trace(n, int16(k)); from <= l.Change.After && l.Change.After < to {
					drawn = true
					along := d.Board.Nets[n].Along
					names = append(names, d.Board.PointName(along[k])+" to "+d.Board.PointName(along[k+1]))
				}
			}
		}
	} else {
		names = append(names, l.Name(m.Board))
	}
	if !drawn {
		if l.Part != netlist.None { // once it was found
			names = append(names, m.Board.Parts[l.Part].Name)
		}
		for _, n := range m.Nets(&l.Change) {
			if n == netlist.None || n == m.Board.Ground {
				continue
			}
			names = append(names, unknownPath+m.Board.Nets[n].Name, unknownBreak+m.Board.Nets[n].Name)
		}
	}
	return names, drawn
}

// mistake makes the mistakes of one pass over a good board in a library of three:
// in one sweep two pins are swapped, in another a digit is wrong.
func mistake(sweeps []*references.Sweep, ground netlist.NetID, seed uint64) {
	r := practice.Random(seed, "mistakes")
	order := r.Perm(len(sweeps))
	if len(sweeps) < 2 {
		return
	}
	swapped := sweeps[order[0]].Readings
	var at []int // readings of nets, in order over the connectors
	for i := range swapped {
		if n := swapped[i].At.Net; n != netlist.None && n != ground {
			at = append(at, i)
		}
	}
	if len(at) > 1 {
		k := r.IntN(len(at) - 1)
		a, b := &swapped[at[k]], &swapped[at[k+1]]
		a.Reading, b.Reading = b.Reading, a.Reading
	}
	typed := sweeps[order[1]].Readings
	at = slices.DeleteFunc(at, func(i int) bool { return typed[i].Reading.Overload })
	if len(at) > 0 {
		// The first or second decimal becomes another digit.
		step := []float64{0.1, 0.01}[r.IntN(2)]
		v := &typed[at[r.IntN(len(at))]].Reading.Value
		digit := math.Mod(math.Floor(*v/step+1e-6), 10)
		*v = math.Round((*v+step*(math.Mod(digit+1+float64(r.IntN(9)), 10)-digit))*1e6) / 1e6
	}
}
