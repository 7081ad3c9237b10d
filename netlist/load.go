package netlist

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"halfsplit/netlist/document"
)

// Load reads and validates a board file. Its error is of type
// document.Problems and holds everything that is wrong with the file. What is
// unusual but can be understood is in Board.Warnings.
func Load(path string) (*Board, error) {
	nodes, err := document.Read(path, 0)
	if err != nil {
		return nil, err
	}
	return build(nodes, path)
}

// Parse is Load on a stream; file is its name in messages.
func Parse(r io.Reader, file string) (*Board, error) {
	nodes, err := document.Decode(r, file, 0)
	if err != nil {
		return nil, err
	}
	return build(nodes, file)
}

// loader turns checked nodes into a Board in the order of its methods.
type loader struct {
	*Board
	problems document.Problems
	// partial tells that some pins could not be read. Names that nothing uses
	// are then no news, and are not reported.
	partial bool
}

func build(nodes []document.Node, file string) (*Board, error) {
	whole := document.Position{File: file}
	if len(nodes) == 0 {
		return nil, document.Problems{{Position: whole, What: "the file holds nothing", Do: "describe a board, beginning with `board: NAME`"}}
	}
	if len(nodes) > 1 {
		return nil, document.Problems{{Position: nodes[1].At(), What: "a second document", Do: "keep one board to a file"}}
	}
	root := nodes[0]
	l := &loader{Board: &Board{File: file}, problems: boardShape.Check(root)}
	if root.Kind() != document.Mapping {
		return nil, l.problems.Err()
	}
	l.Name = root.Get("board").Text()
	l.Revision = root.Get("revision").Text()
	l.Note = root.Get("note").Text()
	if n := root.Get("layout"); n.Text() != "" {
		l.LayoutAt = n.At()
		if l.Layout = filepath.FromSlash(n.Text()); !filepath.IsAbs(l.Layout) {
			l.Layout = filepath.Join(filepath.Dir(file), l.Layout)
		}
	}
	l.Functions = l.functions(root.Get("functions"), nil)
	l.index = index{
		nets:       make(map[string]NetID),
		parts:      make(map[string]PartID),
		connectors: make(map[string]ConnectorID),
		pads:       make(map[string]int32),
	}
	for _, key := range []string{"connectors", "parts"} {
		section := root.Get(key)
		misspelt := !section.Exists() && len(l.problems) > 0
		l.partial = l.partial || misspelt || section.Exists() && section.Kind() != document.Mapping
	}
	l.connectors(root.Get("connectors"))
	l.parts(root.Get("parts"))
	l.ground(root)
	l.nets(root.Get("nets"))
	l.testPoints(root.Get("test_points"))
	l.names(root)
	if l.partial && len(l.problems) > 0 || l.problems.Full() {
		return nil, l.problems.Err()
	}
	l.along(root.Get("nets"))
	l.alike(root.Get("matched"))
	if err := l.problems.Err(); err != nil {
		return nil, err
	}
	l.conclude()
	l.warn()
	return l.Board, nil
}

func (l *loader) problem(at document.Position, do, format string, args ...any) {
	l.problems.Add(at, fmt.Sprintf(format, args...), do)
}

// net returns the net of a name, making it where it is new.
func (l *loader) net(n document.Node) NetID {
	name := n.Text()
	if name == "" || nothing[name] {
		return None
	}
	id, ok := l.index.nets[name]
	if !ok {
		id = NetID(len(l.Nets))
		l.Nets = append(l.Nets, Net{Name: name, RailVolts: math.NaN()})
		l.index.nets[name] = id
		l.index.netAt = append(l.index.netAt, n.At())
	}
	return id
}

// functions reads names of functions, each of which has to be among some where those
// are not nil.
func (l *loader) functions(n document.Node, of []string) (list []string) {
	for _, item := range n.Items() {
		text := item.Text()
		switch {
		case slices.Contains(list, text):
			l.problem(item.At(), "keep one of them", "%s is there twice in `functions`", document.Quote(text))
		case of != nil && !slices.Contains(of, text):
			l.problem(item.At(), "add it to `functions` at the top of the file", "%s is not a function of this board", document.Quote(text))
		default:
			list = append(list, text)
		}
	}
	return list
}

// pin is a pin of a part or connector as the file writes it.
type pin struct {
	name string
	net  document.Node
}

// pins reads either form of `pins`.
func (l *loader) pins(n document.Node, list []string) []pin {
	var pins []pin
	switch n.Kind() {
	case document.List:
		for i, item := range n.Items() {
			name := fmt.Sprint(i + 1)
			if i < len(list) {
				name = list[i]
			}
			pins = append(pins, pin{name, item})
		}
	case document.Mapping:
		for _, e := range n.Entries() {
			pins = append(pins, pin{e.Name(), e.Value})
		}
	default:
		l.partial = true
	}
	return pins
}

func (l *loader) connectors(n document.Node) {
	for _, e := range n.Entries() {
		c := Connector{
			Name:      e.Name(),
			Title:     e.Value.Get("title").Text(),
			Note:      e.Value.Get("note").Text(),
			Rows:      1,
			Numbering: Numbering(choice(e.Value.Get("numbering").Text(), numberings[:])),
		}
		if e.Value.Get("rows").Text() == "2" {
			c.Rows = 2
		} else if at := e.Value.Get("numbering"); at.Exists() {
			l.problem(at.At(), "add `rows: 2`, or remove `numbering`", "`numbering` on a connector of one row")
		}
		id := ConnectorID(len(l.Connectors))
		for _, p := range l.pins(e.Value.Get("pins"), nil) {
			net := l.net(p.net)
			if net != None {
				l.Nets[net].Pins = append(l.Nets[net].Pins, PinRef{id, int32(len(c.Pins))})
			}
			c.Pins = append(c.Pins, Pin{p.name, net})
		}
		l.Connectors = append(l.Connectors, c)
		l.index.connectors[c.Name] = id
	}
}

func (l *loader) parts(n document.Node) {
	entries := n.Entries()
	l.Parts = make([]Part, 0, len(entries))
	for _, e := range entries {
		v := e.Value
		p := Part{
			Name:      e.Name(),
			Title:     v.Get("title").Text(),
			Place:     v.Get("place").Text(),
			Note:      v.Get("note").Text(),
			Functions: l.functions(v.Get("functions"), append([]string{}, l.Functions...)),
			Role:      Role(choice(v.Get("role").Text(), roles[:])),
			Access:    Access(choice(v.Get("access").Text(), accesses[:])),
			Package:   Package(choice(v.Get("package").Text(), packages[:])),
			Direction: Direction(choice(v.Get("direction").Text(), directions[:])),
			Channel:   Channel(choice(v.Get("channel").Text(), channels[:])),
			Value:     unknown(),
			DCOhms:    unknown(),
			At:        e.Key.At(),
		}
		p.Kind, _ = ParseKind(v.Get("kind").Text())
		pins := l.pins(v.Get("pins"), kinds[p.Kind].list)
		// Numbers stand in their order whatever the file's, since they say
		// which end is the anode and which terminals make a winding.
		if slices.Contains(kinds[p.Kind].named, "") {
			sort.SliceStable(pins, func(i, j int) bool { return pins[i].name < pins[j].name })
		}
		p.Terminals = make([]Terminal, len(pins))
		id := PartID(len(l.Parts))
		for i, pin := range pins {
			net := l.net(pin.net)
			if net != None {
				l.Nets[net].Terminals = append(l.Nets[net].Terminals, TerminalRef{id, int32(i)})
			}
			p.Terminals[i] = Terminal{pin.name, net}
		}
		if p.Kind != NoKind {
			l.part(&p, v)
		}
		l.Parts = append(l.Parts, p)
		l.index.parts[p.Name] = id
	}
}

// part checks what can be said from the part alone.
func (l *loader) part(p *Part, v document.Node) {
	if pins := v.Get("pins"); len(p.Terminals) > 0 {
		what, do := p.Kind.wrongTerminals(p.Terminals)
		if p.Kind == Transistor && pins.Kind() == document.List {
			what, do = "the pins of a transistor are a list, whose order nobody agrees on", "write its pins as "+kinds[Transistor].terminals
		}
		if p.Kind == Choke && pins.Kind() == document.List {
			what, do = "the pins of a choke are a list, which may go along one winding or across both", "write its pins as "+kinds[Choke].terminals
		}
		if what != "" {
			l.problem(pins.At(), do, "%s: %s", p.Name, what)
		}
	}
	if value := v.Get("value"); value.Text() != "" {
		if err := p.parseValue(value.Text()); err != nil {
			what, do, _ := strings.Cut(err.Error(), "; ")
			var news document.Problems
			news.Add(value.At(), fmt.Sprintf("value of the %s %s: %s", p.Kind, p.Name, what), do)
			l.problems.AddElsewhere(news) // a value cut by its comma is reported already
		}
	}
	for key, of := range map[string]Kind{"direction": TVS, "channel": Transistor} {
		if n := v.Get(key); n.Exists() && p.Kind != of {
			l.problem(n.At(), "remove it", "`%s` on the %s %s", key, p.Kind, p.Name)
		}
	}
	if n := v.Get("package"); n.Exists() && p.Kind != IC && p.Kind != Module {
		l.problem(n.At(), "remove it", "`package` on the %s %s", p.Kind, p.Name)
	}
	many := p.Kind == IC || p.Kind == Module || p.Kind == TVS
	if many {
		p.Domain = make([]int32, len(p.Terminals))
		for i := range p.Domain {
			p.Domain[i] = None
		}
	}
	for _, key := range []string{"supply", "ground", "domain", "floating"} {
		if n := v.Get(key); n.Exists() && (!many || key == "floating" && p.Kind == TVS) {
			l.problem(n.At(), "remove it", "`%s` on the %s %s", key, p.Kind, p.Name)
			return
		}
	}
	p.Supplies = l.terminals(p, v.Get("supply"))
	p.Grounds = l.terminals(p, v.Get("ground"))
	p.Floating = l.terminals(p, v.Get("floating"))
	for _, g := range p.Grounds {
		if slices.Contains(p.Supplies, g) {
			l.problem(v.Get("ground").At(), "keep it in one of them", "%s.%s is both a supply and a ground", p.Name, p.Terminals[g].Name)
		}
	}
	for _, f := range p.Floating {
		if slices.Contains(p.Supplies, f) || slices.Contains(p.Grounds, f) {
			l.problem(v.Get("floating").At(), "keep it in one of them", "%s.%s is floating, but also a supply or a ground", p.Name, p.Terminals[f].Name)
		}
	}
	for _, e := range v.Get("domain").Entries() {
		t, ok := l.terminal(p, e.Key, e.Name())
		s, ok2 := l.terminal(p, e.Value, e.Value.Text())
		if !ok || !ok2 {
			continue
		}
		if len(p.Supplies) > 0 && !slices.Contains(p.Supplies, s) {
			l.problem(e.Value.At(), "add it to `supply`", "%s.%s is the domain of a pin but no supply of %s", p.Name, p.Terminals[s].Name, p.Name)
		}
		p.Domain[t] = s
	}
}

// terminals reads a list of terminal names of a part.
func (l *loader) terminals(p *Part, n document.Node) []int32 {
	var all []int32
	for _, item := range n.Items() {
		t, ok := l.terminal(p, item, item.Text())
		if ok && slices.Contains(all, t) {
			l.problem(item.At(), "keep it once", "%s.%s is named twice", p.Name, p.Terminals[t].Name)
		} else if ok {
			all = append(all, t)
		}
	}
	return all
}

func (l *loader) terminal(p *Part, at document.Node, name string) (int32, bool) {
	if name == "" || len(p.Terminals) == 0 {
		return None, false // reported by the shape
	}
	for i := range p.Terminals {
		if p.Terminals[i].Name == name {
			return int32(i), true
		}
	}
	names := p.terminalNames()
	l.caution(at.At(), document.Suggest(name, names, "its terminals are "+some(names)), "%s has no terminal %s, and this is left out", p.Name, document.Quote(name))
	return None, false
}

func (l *loader) ground(root document.Node) {
	l.Ground = None
	name, at := "GND", root.At()
	if n := root.Get("ground"); n.Text() != "" {
		name, at = n.Text(), n.At()
	}
	if id, ok := l.index.nets[name]; ok {
		l.Ground = id
		return
	}
	if !l.partial {
		l.problem(at, document.Suggest(name, l.netNames(), "name the board's ground net with the key `ground`"), "no part or connector is on the ground net %s", document.Quote(name))
	}
}

func (l *loader) netNames() []string {
	names := make([]string, len(l.Nets))
	for i := range l.Nets {
		names[i] = l.Nets[i].Name
	}
	return names
}

// known finds a net that some pin uses, or says that none does.
func (l *loader) known(at document.Node, name string) (NetID, bool) {
	if name == "" {
		return None, false // reported by the shape
	}
	if id, ok := l.index.nets[name]; ok {
		return id, true
	}
	if !l.partial && !l.warnings.Full() {
		l.caution(at.At(), document.Suggest(name, l.netNames(), "use it in `pins`, or remove it"), "no part or connector is on a net %s, and this is left out", document.Quote(name))
	}
	return None, false
}

// caution tells of something that the rest of the board does without.
func (l *loader) caution(at document.Position, do, format string, args ...any) {
	l.warnings.Add(at, fmt.Sprintf(format, args...), do)
}

func (l *loader) nets(n document.Node) {
	for _, e := range n.Entries() {
		id, ok := l.known(e.Key, e.Name())
		if !ok {
			continue
		}
		net := &l.Nets[id]
		net.Title = e.Value.Get("title").Text()
		net.Note = e.Value.Get("note").Text()
		if rail := e.Value.Get("rail"); rail.Text() != "" {
			net.Rail, net.RailVolts, _ = parseRail(rail.Text()) // checked by the shape
		}
		if text := e.Value.Get("boosted").Text(); text == "yes" || text == "true" {
			net.Boosted, net.Rail = true, true
		}
		if id == l.Ground && net.Rail {
			l.problem(e.Key.At(), "remove `rail`, or name another net with `ground`", "the ground net %s is declared a rail", document.Quote(net.Name))
		}
	}
}

func (l *loader) testPoints(n document.Node) {
	for _, e := range n.Entries() {
		id, ok := l.known(e.Value, e.Value.Text())
		if !ok {
			continue
		}
		l.index.pads[e.Name()] = int32(len(l.TestPoints))
		l.TestPoints = append(l.TestPoints, TestPoint{e.Name(), id})
	}
}

// names refuses a name that would mean two places, and one that could not be distinguished from
// what stands next to it where people write it: spaces and commas separate points and names.
func (l *loader) names(root document.Node) {
	single := func(key document.Node, what, name string) {
		if word := OneWord(name); word != name {
			l.problem(key.At(), "write it as "+document.Quote(word), "the name of the %s %s holds a space or a comma, which separate names", what, document.Quote(name))
		}
	}
	for _, what := range []string{"connector", "part"} {
		for _, e := range root.Get(what + "s").Entries() {
			single(e.Key, what, e.Name())
			for _, pin := range e.Value.Get("pins").Entries() {
				single(pin.Key, "pin", pin.Name())
				if _, net := l.index.nets[pin.Name()]; net && pin.Value.Kind() == document.Nothing {
					l.problem(pin.Key.At(), "write the pin before it, as in "+document.Quote("2: "+pin.Name()), "the pin %s has no net, and a net has that name", document.Quote(pin.Name()))
				}
			}
			if _, twice := l.split(e.Name()); twice {
				l.problem(e.Key.At(), "rename it", "the %s %s has the name of a pin", what, document.Quote(e.Name()))
			}
		}
	}
	for _, e := range root.Get("parts").Entries() {
		if _, twice := l.index.connectors[e.Name()]; twice {
			l.problem(e.Key.At(), "list it in one of them", "%s is both a part and a connector", document.Quote(e.Name()))
		}
	}
	for _, e := range root.Get("test_points").Entries() {
		single(e.Key, "test point", e.Name())
		pad, ok := l.index.pads[e.Name()]
		if !ok {
			continue
		}
		if net, twice := l.index.nets[e.Name()]; twice && net != l.TestPoints[pad].Net {
			l.problem(e.Key.At(), "rename one of them", "the test point %s has the name of another net", document.Quote(e.Name()))
		}
		l.dotted(e.Key.At(), e.Name(), l.TestPoints[pad].Net, "test point")
	}
	for i := range l.Nets {
		l.dotted(l.index.netAt[i], l.Nets[i].Name, NetID(i), "net")
	}
}

// OneWord makes of a name one that a board file may have, without the spaces and commas that
// separate names. What does not show is refused as such.
func OneWord(name string) string {
	return strings.Join(strings.FieldsFunc(name, func(r rune) bool { return r == ' ' || r == ',' }), "_")
}

// dotted refuses a net or pad called `R12.1` that is not where terminal 1 of
// R12 is.
func (l *loader) dotted(at document.Position, name string, net NetID, what string) {
	if !strings.Contains(name, ".") {
		return
	}
	if p, ok := l.split(name); ok && p.Net != net {
		l.problem(at, "rename the "+what, "the %s %s has the name of a pin that is not on it", what, document.Quote(name))
	}
}

func (l *loader) along(n document.Node) {
	for _, e := range n.Entries() {
		id, ok := l.index.nets[e.Name()]
		if !ok {
			continue
		}
		for _, item := range e.Value.Get("along").Items() {
			if item.Text() == "" {
				continue // reported by the shape
			}
			p, err := l.Point(item.Text())
			switch {
			case err != nil:
				what, do, _ := strings.Cut(err.Error(), "; ")
				l.caution(item.At(), do, "`along` of %s: %s, and this is left out", document.Quote(e.Name()), what)
			case p.Kind == PointNet:
				l.problem(item.At(), "name a terminal, pin or test point", "`along` of %s: %s is a net", document.Quote(e.Name()), document.Quote(item.Text()))
			case p.Net != id:
				where := "not connected (NC)"
				if p.Net != None {
					where = "is on the net " + document.Quote(l.Nets[p.Net].Name)
				}
				l.problem(item.At(), "name points of this net", "`along` of %s: %s %s", document.Quote(e.Name()), document.Quote(item.Text()), where)
			case slices.Contains(l.Nets[id].Along, p):
				l.problem(item.At(), "keep it once", "`along` of %s: %s is there twice", document.Quote(e.Name()), document.Quote(item.Text()))
			default:
				l.Nets[id].Along = append(l.Nets[id].Along, p)
			}
		}
	}
}

func (l *loader) alike(n document.Node) {
	for _, group := range n.Items() {
		var ids []NetID
		for _, item := range group.Items() {
			id, ok := l.known(item, item.Text())
			switch {
			case !ok:
			case slices.Contains(ids, id):
				l.problem(item.At(), "keep it once", "%s is there twice in one group of `matched`", document.Quote(item.Text()))
			default:
				ids = append(ids, id)
			}
		}
		if len(ids) > 1 {
			l.Matched = append(l.Matched, ids)
		}
	}
}
