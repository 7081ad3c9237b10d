package netlist

import (
	"errors"
	"fmt"
	"slices"

	"github.com/dominikbraun/graph"
)

// Vertex is a net or a part; the other of the two is None.
type Vertex struct {
	Net  NetID
	Part PartID
}

func netVertex(n NetID) Vertex   { return Vertex{n, None} }
func partVertex(p PartID) Vertex { return Vertex{None, p} }

// Graph is the bipartite graph of a board: nets and parts, joined where a part
// has a terminal on a net. Parallel parts are different vertices and stay
// apart. It is built once and then only read.
//
// Walks go along the ways through a part (Part.Paths, whatever their element,
// for a capacitor may be shorted and a clamp leak), but not through ground and
// not through an IC, module, crystal or unknown part: a line ends on those. They are members
// of the line all the same.
type Graph struct {
	// Bipartite is the graph itself, for the algorithms of its library.
	Bipartite graph.Graph[Vertex, Vertex]

	board *Board
	// next holds, per net, the ways out of it in file order. The library keeps
	// its edges in maps; walks need an order and speed.
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
	g := &Graph{
		Bipartite: graph.New(func(v Vertex) Vertex { return v }),
		board:     b,
		next:      make([][]hop, len(b.Nets)),
	}
	for i := range b.Nets {
		if err := g.Bipartite.AddVertex(netVertex(NetID(i))); err != nil {
			return nil, fmt.Errorf("graph of %s: net %s: %w", b.File, b.Nets[i].Name, err)
		}
	}
	for i := range b.Parts {
		part := PartID(i)
		if err := g.Bipartite.AddVertex(partVertex(part)); err != nil {
			return nil, fmt.Errorf("graph of %s: part %s: %w", b.File, b.Parts[i].Name, err)
		}
		for _, t := range b.Parts[i].Terminals {
			if t.Net == None {
				continue
			}
			// Several terminals of a part on one net are one edge.
			err := g.Bipartite.AddEdge(partVertex(part), netVertex(t.Net))
			if err != nil && !errors.Is(err, graph.ErrEdgeAlreadyExists) {
				return nil, fmt.Errorf("graph of %s: part %s: %w", b.File, b.Parts[i].Name, err)
			}
		}
		g.hops(part)
	}
	return g, nil
}

// hops adds the ways through a part to the nets they lead out of.
func (g *Graph) hops(id PartID) {
	p := &g.board.Parts[id]
	reached := make([]bool, len(p.Terminals)) // the terminals that some way touches
	if p.Kind.Passes() {
		for _, w := range p.Paths() {
			from, to := p.Terminals[w.From].Net, p.Terminals[w.To].Net
			reached[w.From], reached[w.To] = true, true
			if from == to {
				continue
			}
			g.next[from] = append(g.next[from], hop{id, w.From, w.To, to})
			g.next[to] = append(g.next[to], hop{id, w.To, w.From, from})
		}
	}
	for t := range p.Terminals {
		if net := p.Terminals[t].Net; net != None && !reached[t] {
			g.next[net] = append(g.next[net], hop{id, int32(t), None, None})
		}
	}
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
	return g.walk(start, at, None)
}

// walk is Line, as if one part had been removed.
func (g *Graph) walk(start NetID, at Stop, removed PartID) Line {
	var line Line
	if start == None {
		return line
	}
	nets := make([]bool, len(g.board.Nets))
	parts := make([]bool, len(g.board.Parts))
	nets[start] = true
	line.Nets = append(line.Nets, start)
	if start == g.board.Ground {
		return line
	}
	for i := 0; i < len(line.Nets); i++ {
		net := line.Nets[i]
		if i > 0 && g.stops(net, at) {
			continue
		}
		for _, h := range g.next[net] {
			if h.part == removed {
				continue
			}
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

// Behind returns what hangs behind a part as seen from a net: what a walk from
// that net no longer reaches once the part is removed, the part itself left
// out. It is empty where a parallel part keeps everything joined.
func (g *Graph) Behind(part PartID, from NetID, at Stop) Line {
	behind, without := g.walk(from, at, None), g.walk(from, at, part)
	nets := make([]bool, len(g.board.Nets))
	for _, n := range without.Nets {
		nets[n] = true
	}
	parts := make([]bool, len(g.board.Parts))
	parts[part] = true
	for _, p := range without.Parts {
		parts[p] = true
	}
	behind.Nets = slices.DeleteFunc(behind.Nets, func(n NetID) bool { return nets[n] })
	behind.Parts = slices.DeleteFunc(behind.Parts, func(p PartID) bool { return parts[p] })
	return behind
}

// Islands parts the board into lines that share no net but those that walks
// stop at. Each net is in exactly one island; ground is in none, and with
// AtRails every rail is an island of its own. A part belongs to every island
// that it touches. Nets and parts are in file order, islands in the order of
// their first net.
func (g *Graph) Islands(at Stop) []Line {
	var islands []Line
	seen := make([]bool, len(g.board.Nets))
	for i := range g.board.Nets {
		start := NetID(i)
		if seen[i] || start == g.board.Ground {
			continue
		}
		line := g.Line(start, at)
		if g.stops(start, at) {
			line = Line{Nets: line.Nets[:1], Parts: g.on(start)}
		}
		line.Nets = slices.DeleteFunc(line.Nets, func(n NetID) bool { return n != start && g.stops(n, at) })
		for _, n := range line.Nets {
			seen[n] = true
		}
		slices.Sort(line.Nets)
		slices.Sort(line.Parts)
		islands = append(islands, line)
	}
	return islands
}

// on lists the parts with a terminal on a net.
func (g *Graph) on(net NetID) []PartID {
	var parts []PartID
	for _, t := range g.board.Nets[net].Terminals {
		if !slices.Contains(parts, t.Part) {
			parts = append(parts, t.Part)
		}
	}
	return parts
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
	Children []Branch
}

// Tree draws the line from a net outward. Every net stands once with its
// children, at the least depth possible; where the line closes a loop the
// second place is marked Again. Parallel parts each have their branch. The
// order is that of the board file.
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
				queue = append(queue, c)
			}
		}
	}
	return root
}
