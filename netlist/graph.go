package netlist

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/dominikbraun/graph"
)

// Vertex is a net or a way through a part.
type Vertex struct {
	Net  NetID  // None for a way
	Part PartID // None for a net
	// Way counts the ways of the part from 0, in the order of Part.Paths. A terminal that
	// no walk passes is a way in without a way out, and comes after them.
	Way     int32
	In, Out int32 // terminals of the way; Out may be None
}

func netVertex(n NetID) Vertex { return Vertex{Net: n, Part: None} }

// Graph is the graph of a board: nets and the ways through parts, joined where a
// terminal of the way is on the net. Parallel parts are different vertices and stay
// apart. It is built once and then only read.
//
// Walks go along the ways through a part (Part.Paths, whatever their element,
// for a capacitor may be shorted and a TVS leak), but not through ground and
// not through an IC, module, crystal or unknown part: a line ends on those. They are members
// of the line all the same.
type Graph struct {
	board *Board
	// next holds, per net, the ways out of it in file order: the adjacency of the library's
	// graph, which keeps it in maps, while walks need an order and speed.
	next [][]hop
}

// hop is a step from a net through a part. A part that the walk does not pass
// has the net None.
type hop struct {
	part    PartID
	in, out int32 // terminals
	net     NetID
}

// Passes tells that a line goes on behind a part of the kind.
func (k Kind) Passes() bool { return k != IC && k != Module && k != Crystal && k != Unknown }

// Graph builds the graph of the board.
func (b *Board) Graph() (*Graph, error) {
	vertices, err := b.vertices()
	if err != nil {
		return nil, fmt.Errorf("graph of %s: %w", b.File, err)
	}
	adjacent, err := vertices.AdjacencyMap()
	if err != nil {
		return nil, fmt.Errorf("graph of %s: %w", b.File, err)
	}
	g := &Graph{board: b, next: make([][]hop, len(b.Nets))}
	for net := range g.next {
		ways := slices.SortedFunc(maps.Keys(adjacent[netVertex(NetID(net))]), func(v, w Vertex) int {
			return cmp.Or(cmp.Compare(v.Part, w.Part), cmp.Compare(v.Way, w.Way))
		})
		for _, w := range ways {
			h := hop{w.Part, w.In, w.Out, None}
			if b.Parts[w.Part].Terminals[w.In].Net != NetID(net) {
				h.in, h.out = w.Out, w.In
			}
			if h.out != None {
				h.net = b.Parts[w.Part].Terminals[h.out].Net
			}
			g.next[net] = append(g.next[net], h)
		}
	}
	return g, nil
}

// vertices gives the graph itself, for the algorithms of its library.
func (b *Board) vertices() (graph.Graph[Vertex, Vertex], error) {
	g := graph.New(func(v Vertex) Vertex { return v })
	for i := range b.Nets {
		if err := g.AddVertex(netVertex(NetID(i))); err != nil {
			return nil, err
		}
	}
	for i := range b.Parts {
		p, way := &b.Parts[i], int32(0)
		join := func(terminals ...int32) (err error) {
			v := Vertex{None, PartID(i), way, terminals[0], None}
			if len(terminals) > 1 {
				v.Out = terminals[1]
			}
			way++
			err = g.AddVertex(v)
			for _, t := range terminals {
				err = errors.Join(err, g.AddEdge(v, netVertex(p.Terminals[t].Net)))
			}
			return err
		}
		reached := make([]bool, len(p.Terminals)) // the terminals that some way touches
		if p.Kind.Passes() {
			for _, w := range p.Paths() {
				reached[w.From], reached[w.To] = true, true
				if p.Terminals[w.From].Net == p.Terminals[w.To].Net {
					continue
				}
				if err := join(w.From, w.To); err != nil {
					return nil, err
				}
			}
		}
		for t := range p.Terminals {
			if p.Terminals[t].Net != None && !reached[t] {
				if err := join(int32(t)); err != nil {
					return nil, err
				}
			}
		}
	}
	return g, nil
}

// Stop is where a walk ends.
type Stop uint8

// Stops. A net that a walk stops at belongs to the line, but what lies beyond
// it does not. The net that the walk starts on is passed, unless it is ground.
const (
	AtGround Stop = iota
	AtRails       // at ground and at every rail
)

func (g *Graph) stops(net NetID, at Stop) bool {
	return net == g.board.Ground || at == AtRails && g.board.Nets[net].Rail
}

// Line is everything reachable from a net: nets and parts in the order of a
// walk outward, nearest first.
type Line struct {
	Nets  []NetID // the start first; ground and rails stopped at among them
	Parts []PartID
}

// Line returns what is reachable from a net without passing ground.
func (g *Graph) Line(start NetID, at Stop) Line {
	var line Line
	if start == None {
		return line
	}
	nets := make([]bool, len(g.board.Nets))
	parts := make([]bool, len(g.board.Parts))
	nets[start] = true
	line.Nets = append(line.Nets, start)
	for i := 0; i < len(line.Nets); i++ {
		net := line.Nets[i]
		if net == g.board.Ground || i > 0 && g.stops(net, at) {
			continue
		}
		for _, h := range g.next[net] {
			if !parts[h.part] {
				parts[h.part] = true
				line.Parts = append(line.Parts, h.part)
			}
			if h.net != None && !nets[h.net] {
				nets[h.net] = true
				line.Nets = append(line.Nets, h.net)
			}
		}
	}
	return line
}

// Branch is a place on the drawing of a line: a net, reached through a part.
type Branch struct {
	Part    PartID // the part passed to come here; None at the root
	In, Out int32  // its terminals on the near and on the far side, or None
	Net     NetID  // the net on the far side; None where the line ends in the part
	Depth   int    // parts between here and the root
	// Again tells that the net stands at another place of the drawing, nearer
	// the root or earlier at the same depth, where its children are.
	Again    bool
	GoesOn   bool // the line goes on behind the net
	Size     int  // parts that hang from it
	Children []Branch
}

// Tree draws the line from a net outward. Every net stands once with its
// children, at the least depth possible; where the line closes a loop the
// second place is marked Again. Parallel parts each have their branch. Of the
// branches of a net those that end at once come first, in the order of the board file,
// then those that go on, the longest last. The longest can then be drawn straight on, and
// every step to the side at least halves what is left: a line of n parts takes log2(n) of
// them at most.
func (g *Graph) Tree(start NetID, at Stop) Branch {
	root := Branch{Part: None, In: None, Out: None, Net: start}
	if start == None || start == g.board.Ground {
		return root
	}
	// The walk outward decides where each net stands; a queue of places keeps
	// it by depth. Places are pointers into the tree, so children are made
	// complete before the next place is taken.
	stands := make([]bool, len(g.board.Nets))
	stands[start] = true
	queue := []*Branch{&root}
	for len(queue) > 0 {
		place := queue[0]
		queue = queue[1:]
		for _, h := range g.next[place.Net] {
			if h.part == place.Part && h.in == place.Out && h.out == place.In {
				continue // back where the walk came from
			}
			child := Branch{Part: h.part, In: h.in, Out: h.out, Net: h.net, Depth: place.Depth + 1}
			if h.net != None && (h.net == start || !g.stops(h.net, at)) {
				child.Again = stands[h.net]
				stands[h.net] = true
			}
			place.Children = append(place.Children, child)
		}
		for i := range place.Children {
			if c := &place.Children[i]; c.Net != None && !c.Again && !g.stops(c.Net, at) {
				c.GoesOn = true
				queue = append(queue, c)
			}
		}
	}
	root.arrange()
	return root
}

// arrange counts what hangs from a branch, and puts its children in order.
func (x *Branch) arrange() {
	for i := range x.Children {
		x.Children[i].arrange()
		x.Size += 1 + x.Children[i].Size
	}
	ends := func(c Branch) int {
		if c.GoesOn {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(x.Children, func(a, b Branch) int {
		return cmp.Or(cmp.Compare(ends(a), ends(b)), cmp.Compare(a.Size, b.Size))
	})
}
