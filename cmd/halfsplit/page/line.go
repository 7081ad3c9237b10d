package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Sizes and bounds of a line drawn as a schematic, in its units.
const (
	lineWide  = 340
	lineRow   = 32
	mostLines = 4  // lines on a page
	mostRows  = 48 // rows of one drawing
	mostAlike = 5  // parts hanging from one net that nothing is said of
)

// partMark is what is said of a part in a drawing.
type partMark struct {
	class, shape, word string
}

// marks tells which parts to mark: those that the likeliest explanation blames,
// and those that were worked on.
func (b *builder) marks() map[netlist.PartID]partMark {
	out := map[netlist.PartID]partMark{}
	if len(b.d.Explanations) > 0 {
		for _, f := range b.d.Explanations[0].Faults {
			if id, err := b.b.PartByName(f.Part); err == nil {
				word := f.Mode
				if b.d.Explanations[0].Probability < 0.5 {
					word = "perhaps " + word
				}
				out[id] = partMark{"bad", "✕", word}
			}
		}
	}
	if end, closed := b.c.Closed(); closed && end.Part != netlist.None {
		out[end.Part] = partMark{"bad", "✕", prose(end.Mode)}
	}
	for _, x := range b.c.Now().Edits.List() {
		word := ""
		switch p := &b.b.Parts[x.Part]; {
		case x.Jumpered:
			word = "jumpered"
		case x.Removed && p.MayLeaveOff():
			word = "left off"
		case x.Removed:
			word = "off the board"
		case x.Replaced:
			word = "replaced"
		default:
			continue
		}
		m, bad := out[x.Part]
		if !bad {
			m = partMark{"work", "■", word}
		} else {
			m.word += ", " + word
		}
		out[x.Part] = m
	}
	return out
}

// lines draws the lines on which something was out of range or was worked on.
func (b *builder) lines() error {
	g, err := b.b.Graph()
	if err != nil {
		return err
	}
	marks := b.marks()
	levels, across := b.levels()
	drawn := map[netlist.NetID]bool{}
	draw := func(net netlist.NetID, why string) {
		if net == netlist.None || net == b.b.Ground || drawn[net] || len(b.r.Lines) >= mostLines {
			return
		}
		line := g.Line(net, netlist.AtRails)
		for _, n := range line.Nets {
			if !b.b.Nets[n].Rail || n == net {
				drawn[n] = true
			}
		}
		tree := g.Tree(net, netlist.AtRails)
		s := schematic{b: b.b, marks: marks, levels: levels, across: across}
		title := "Line " + name(b.b.Nets[net].Name)
		b.r.Lines = append(b.r.Lines, s.draw(&tree, title, why))
	}
	for _, p := range b.r.points {
		if rankPoint(p) > 0 {
			continue
		}
		at, err := b.b.Point(p.before.At)
		if err == nil {
			draw(at.Net, "from "+p.at+", where a reading was out of range")
		}
	}
	for _, m := range b.c.Now().Edits.Repairs() {
		for _, net := range b.b.RepairNets(m) {
			draw(net, "where "+name(b.b.RepairName(m))+" was repaired")
		}
	}
	for id := range b.b.Parts {
		if m, ok := marks[netlist.PartID(id)]; ok {
			for _, t := range b.b.Parts[id].Terminals {
				if t.Net == netlist.None || t.Net == b.b.Ground {
					continue
				}
				draw(t.Net, "at "+name(b.b.Parts[id].Name)+", "+m.word)
				break
			}
		}
	}
	return nil
}

// levels are the readings of each net against ground in diode mode, red probe on
// ground: before work and after it, the last of each; and those across each part.
func (b *builder) levels() (levels map[netlist.NetID][]*diagnose.Comparison, across map[netlist.PartID]*diagnose.Comparison) {
	levels, across = map[netlist.NetID][]*diagnose.Comparison{}, map[netlist.PartID]*diagnose.Comparison{}
	work := b.firstWork()
	for i := range b.list {
		x := &b.list[i]
		at, err := b.b.Point(x.At)
		switch {
		case err != nil:
		case x.To != "":
			if to, err := b.b.Point(x.To); err == nil && at.Kind == netlist.PointTerminal && to.Kind == netlist.PointTerminal && at.Terminal.Part == to.Terminal.Part {
				across[at.Terminal.Part] = x
			}
		case x.Resistance || x.Polarity == references.BlackOnGround.String() || at.Net == netlist.None:
		default:
			list := levels[at.Net]
			if n := len(list); n > 0 && (list[n-1].Event < work) == (x.Event < work) {
				list = list[:n-1]
			}
			levels[at.Net] = append(list, x)
		}
	}
	return levels, across
}

// schematic is one line being drawn.
type schematic struct {
	canvas
	b     *netlist.Board
	marks map[netlist.PartID]partMark
	// what was read: of nets, before and after work, and across parts
	levels map[netlist.NetID][]*diagnose.Comparison
	across map[netlist.PartID]*diagnose.Comparison
	y      float64
	rows   int
	left   int // parts that were left out
}

func (s *schematic) draw(root *netlist.Branch, title, note string) drawing {
	s.y = 14
	s.net(root, 12)
	if s.left > 0 {
		s.text(12, s.y+8, "faint", fmt.Sprintf("and %s", wording.Count(s.left, "more part")), 40)
		s.y += 20
	}
	return s.done(title, note, lineWide, int(s.y)+4)
}

// net draws a net at a column with all that hangs from it.
func (s *schematic) net(x *netlist.Branch, col float64) {
	n := &s.b.Nets[x.Net]
	s.printf(`<circle cx="%g" cy="%g" r="3" class="fill ink"/>`, col, s.y)
	s.text(col+9, s.y+4, "strong", name(n.Name), 16)
	var points []string
	for _, p := range s.b.PointsOn(x.Net) {
		if (p.Kind == netlist.PointPin || p.Kind == netlist.PointPad) && len(points) < 3 {
			points = append(points, name(s.b.PointName(p)))
		}
	}
	s.text(col+9+9.8*float64(min(len([]rune(name(n.Name))), 16))+6, s.y+4, "small faint", strings.Join(points, " "), 20)
	start := s.y
	x0 := col + 9
	for i, r := range s.levels[x.Net] {
		l := lookOf(verdictOf(r))
		text := l.mark + " " + wording.Measured(r)
		if i > 0 {
			text = "then " + text
		}
		s.text(x0, s.y+18, "small "+l.class, text, 24)
		x0 += 6.6*float64(len([]rune(text))) + 8
		if good := goodText(r); i == len(s.levels[x.Net])-1 && good != "none" {
			s.text(x0, s.y+18, "small faint", "good "+good, int((lineWide-x0)/6.4))
		}
	}
	s.y += lineRow * 0.75
	if len(s.levels[x.Net]) > 0 {
		s.y += 12
	}

	children := make([]*netlist.Branch, len(x.Children))
	for i := range x.Children {
		children[i] = &x.Children[i]
	}
	children = slices.DeleteFunc(children, func(c *netlist.Branch) bool { return InFilter(s.b, c) })
	// What hangs from a supply is drawn as far as the first part; otherwise every
	// supply would show half the board.
	folded := n.Rail
	if folded {
		weigh := func(c *netlist.Branch) int {
			if s.holds(c) {
				return c.Size
			}
			return 0
		}
		slices.SortStableFunc(children, func(a, z *netlist.Branch) int { return cmp.Or(weigh(a)-weigh(z), int(a.Part-z.Part)) })
	}
	plain := 0
	end := start
	for i, c := range children {
		_, marked := s.marks[c.Part]
		if c.Size == 0 || folded && !s.holds(c) {
			if !marked {
				plain++
			}
			if s.rows >= mostRows || !marked && plain > mostAlike {
				s.left++
				continue
			}
			end = s.y
			s.hanging(c, col)
			continue
		}
		if s.rows >= mostRows {
			s.left += 1 + c.Size
			continue
		}
		end = s.y
		if i == len(children)-1 {
			s.line(col, start, col, s.y, "line wire")
			start = s.y
			s.along(c, col)
			continue
		}
		s.line(col, s.y, col+22, s.y, "line wire")
		s.along(c, col+22)
	}
	if end > start {
		s.line(col, start, col, end, "line wire")
	}
}

// holds tells whether a marked part hangs from a branch.
func (s *schematic) holds(x *netlist.Branch) bool {
	if _, marked := s.marks[x.Part]; marked {
		return true
	}
	for i := range x.Children {
		if s.holds(&x.Children[i]) {
			return true
		}
	}
	return false
}

// InFilter tells that a branch is a filter's own way to ground, which is not drawn: the
// filter stands along the line.
func InFilter(b *netlist.Board, x *netlist.Branch) bool {
	p := &b.Parts[x.Part]
	return p.Kind == netlist.Filter && x.Size == 0 && (x.Net == b.Ground || x.Net == netlist.None) &&
		slices.ContainsFunc(p.Paths(), func(w netlist.Path) bool { return w.Element == netlist.Resistive })
}

// label writes a part's name and value, and what is said of it.
func (s *schematic) label(x, y float64, p *netlist.Part, m partMark, extra string) {
	class := "strong"
	if m.word != "" {
		class += " " + m.class
	}
	text := name(p.Name)
	s.text(x, y+4, class, text, 14)
	at := x + 8.6*float64(min(len([]rune(text)), 14)) + 6
	words := strings.TrimSpace(name(p.ValueText) + " " + extra)
	room := int((lineWide - at) / 6.6)
	if m.word != "" {
		s.text(at, y+4, "small "+m.class, m.word, room)
		s.text(x, y+16, "small faint", words, int((lineWide-x)/6.4))
		return
	}
	s.text(at, y+4, "small faint", words, room)
}

// hanging draws a part that ends at once: to ground, to a rail, or an IC.
func (s *schematic) hanging(x *netlist.Branch, col float64) {
	s.rows++
	p := &s.b.Parts[x.Part]
	m := s.marks[x.Part]
	y := s.y
	s.line(col, y, col+16, y, "line wire")
	extra := p.Kind.String()
	switch p.Kind {
	case netlist.IC, netlist.Module, netlist.Unknown:
		extra = prose(p.Title)
		if x.In >= 0 {
			extra = "pin " + name(p.Terminals[x.In].Name) + " " + extra
		}
		s.printf(`<rect x="%g" y="%g" width="46" height="20" class="part %s"/>`, col+16, y-10, m.class)
		s.text(col+39, y+4, "mid small faint", kindLetters[p.Kind], 3)
	default:
		if p.Kind == netlist.Diode || p.Kind == netlist.TVS {
			s.junction(col+39, y, conducts(p, x.In), m.class)
		} else {
			s.symbol(col+39, y, p.Kind, m.class)
		}
		switch far := s.far(x); {
		case far == s.b.Ground:
			s.line(col+62, y, col+72, y, "line wire")
			s.ground(col+72, y)
		case far != netlist.None:
			s.line(col+62, y, col+72, y, "line wire")
			s.line(col+72, y-7, col+72, y+7, "line thick ink")
			extra = "to " + name(s.b.Nets[far].Name)
		}
	}
	if m.shape != "" {
		s.mark(col+39, y, m.shape, m.class)
	}
	s.label(col+90, y, p, m, extra)
	s.y += lineRow
}

// far is the net that a branch ends at: ground where the line ends in the part, and
// another terminal of it is on ground.
func (s *schematic) far(x *netlist.Branch) netlist.NetID {
	if x.Net == netlist.None {
		for t, other := range s.b.Parts[x.Part].Terminals {
			if int32(t) != x.In && other.Net == s.b.Ground {
				return s.b.Ground
			}
		}
	}
	return x.Net
}

// along draws a part that the line goes on behind, and all behind it.
func (s *schematic) along(x *netlist.Branch, col float64) {
	s.rows++
	p := &s.b.Parts[x.Part]
	m := s.marks[x.Part]
	y := s.y
	s.line(col, y, col, y+6, "line wire")
	s.printf(`<rect x="%g" y="%g" width="14" height="26" class="part %s"/>`, col-7, y+6, m.class)
	if letter := kindLetters[p.Kind]; letter != "" {
		s.text(col, y+23, "mid small faint", letter, 2)
	}
	if m.shape != "" {
		s.mark(col, y+19, m.shape, m.class)
	}
	s.line(col, y+32, col, y+44, "line wire")
	extra := p.Kind.String()
	if r := s.across[x.Part]; r != nil {
		extra += ", across it " + wording.Measured(r)
	}
	s.label(col+18, y+17, p, m, extra)
	s.y += 44
	if x.Net != netlist.None {
		s.net(x, col)
	}
}

// kindLetters are written into parts drawn as boxes.
var kindLetters = map[netlist.Kind]string{
	netlist.Filter: "F", netlist.Choke: "L", netlist.Inductor: "L", netlist.Bead: "L", netlist.Capacitor: "C",
	netlist.Diode: "D", netlist.TVS: "D", netlist.Switch: "S", netlist.Transistor: "Q", netlist.IC: "IC",
	netlist.Module: "M", netlist.Unknown: "?", netlist.Crystal: "Y",
}

func (s *schematic) ground(x, y float64) {
	s.line(x, y, x, y+4, "line wire")
	s.line(x-7, y+4, x+7, y+4, "line thick ink")
	s.line(x-4, y+8, x+4, y+8, "line wire")
	s.line(x-1.5, y+11, x+1.5, y+11, "line wire")
}

// way is how a junction lies, seen from the line that it hangs from.
type way int

const (
	bothWays way = iota // a bidirectional TVS
	away                // its anode is on the line
	towards             // its cathode is on the line
)

// conducts tells how the junction of a diode or TVS lies at one of its terminals.
func conducts(p *netlist.Part, terminal int32) way {
	for _, w := range p.Paths() {
		switch {
		case w.Element != netlist.Junction:
		case w.From == terminal:
			return away
		case w.To == terminal:
			return towards
		}
	}
	return bothWays
}

// junction draws a diode or TVS across, 46 wide about a middle, after IEC 60617
// (from memory): an arrow against a bar at the cathode, two of them for both ways.
func (s *schematic) junction(x, y float64, w way, class string) {
	s.line(x-23, y, x+23, y, "line wire")
	arrow := func(base, tip float64) {
		s.printf(`<path d="M%g %gv14L%g %gz" class="part %s"/>`, base, y-7, tip, y, class)
	}
	switch w {
	case away:
		arrow(x-7, x+7)
		s.line(x+7, y-7, x+7, y+7, "line thick ink "+class)
	case towards:
		arrow(x+7, x-7)
		s.line(x-7, y-7, x-7, y+7, "line thick ink "+class)
	default:
		arrow(x-14, x)
		arrow(x+14, x)
		s.line(x, y-7, x, y+7, "line thick ink "+class)
	}
}

// symbol draws a part that lies across, 46 wide about a middle, after IEC 60617
// (from memory): a box for a resistance, plates for a capacitor, a filled box for
// a coil.
func (s *schematic) symbol(x, y float64, k netlist.Kind, class string) {
	switch k {
	case netlist.Capacitor:
		s.line(x-23, y, x-3, y, "line wire")
		s.line(x+3, y, x+23, y, "line wire")
		s.line(x-3, y-9, x-3, y+9, "line thick ink "+class)
		s.line(x+3, y-9, x+3, y+9, "line thick ink "+class)
	case netlist.Inductor, netlist.Bead, netlist.Choke:
		s.line(x-23, y, x+23, y, "line wire")
		s.printf(`<rect x="%g" y="%g" width="28" height="9" class="part coil %s"/>`, x-14, y-4.5, class)
	default:
		s.line(x-23, y, x-14, y, "line wire")
		s.line(x+14, y, x+23, y, "line wire")
		s.printf(`<rect x="%g" y="%g" width="28" height="12" class="part %s"/>`, x-14, y-6, class)
		if letter := kindLetters[k]; letter != "" {
			s.text(x, y+4, "mid small faint", letter, 2)
		}
	}
}
