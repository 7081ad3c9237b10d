// Package network turns a board into the circuit that a meter sees.
//
// A Model is the board compiled to flat arrays: every terminal of every part
// is a contact, every conducting path inside a part is an element between two
// contacts. What the parts are worth (ohms, junction drops) stands apart in
// Values, so that the same Model serves the board as drawn, the board as
// fitted to known-good readings, and a disturbed board made for practice.
//
// A Probe says where the meter's two leads are; a State says how the board
// differs from the drawing: parts removed, jumpered or replaced at the bench, and
// Changes, which are faults put electrically (a path added, an element cut, a
// contact come off its copper, a broken trace in two). A Workspace gathers the
// piece of the board that the probe can see, hands it to engine/circuit and
// gives the reading.
package network

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/netlist"
)

// Class tells the two sorts of element apart.
type Class uint8

// Classes of element.
const (
	Resistive Class = iota
	Junction
)

// Element is one conducting path inside a part. A junction conducts from A
// (anode) to B (cathode).
type Element struct {
	Part netlist.PartID
	A, B Contact
	Class
	Origin // of a junction
}

// Origin tells where a junction comes from, and so what is assumed of its
// drop before any reading is taken.
type Origin uint8

// Origins of junctions.
const (
	NotJunction   Origin = iota
	PinFromGround        // protection of an IC pin: conducts when the pin is below ground
	PinToSupply          // protection of an IC pin: conducts when the pin is above its supply
	SupplyBody           // what an IC shows when its supply is pulled below ground
	SupplyLoad           // what an IC draws from its supply, unpowered, above ground
	PartJunction         // a diode, TVS or body diode of a transistor
	NotDrawn             // a path that good boards show and no part accounts for
)

// Model is a board compiled to flat arrays. It is not changed after New and may
// be shared between goroutines.
type Model struct {
	Board    *netlist.Board
	Elements []Element
	Task     *Task // set before the model is used, nil for none

	first    []int32 // first contact of each part; one more entry than parts
	firstPin []int32 // first contact of each connector: a pin is a contact without elements
	contacts []contact
	places   []Place // by contact
	// elements of a contact and of a part, as ranges of lists
	ofContact index
	ofPart    []int32 // first element of each part; elements of a part are contiguous
	onNet     index   // contacts of a net
	undrawn   []int32 // by net: first of its two undrawn junctions, or -1
	region    []int32 // by net: the line it is part of, -1 for rails and ground
	regions   int
	inRegion  index // nets of a region
	crossings []crossing
	hangsFrom []netlist.NetID // by region: the one rail that resistances join it to, None for none or several
	tied      []bool          // by region: a junction leads to it from a net other than ground
	group     []int32         // by net: the nets that hang on it by what carries current, rails included
	groups    int
	hanging   []int32 // elements from a pin to its supply
	along     map[alongKey]int16
	grounded  []bool  // by net: resistances lead from it to ground past no rail
	hangsBy   []int32 // by net: the element that a dead end hangs by, -1 for others
	live      index   // contacts of a net that do not lead into dead ends alone
}

// New compiles a board.
func New(b *netlist.Board) *Model {
	m := &Model{Board: b, along: map[alongKey]int16{}}
	for p := range b.Parts {
		m.first = append(m.first, int32(len(m.contacts)))
		for t := range b.Parts[p].Terminals {
			m.contacts = append(m.contacts, contact{b.Parts[p].Terminals[t].Net, netlist.PartID(p), int32(t)})
		}
	}
	m.first = append(m.first, int32(len(m.contacts)))
	for c := range b.Connectors {
		m.firstPin = append(m.firstPin, int32(len(m.contacts)))
		for i := range b.Connectors[c].Pins {
			m.contacts = append(m.contacts, contact{b.Connectors[c].Pins[i].Net, netlist.None, int32(i)})
		}
	}
	for p := range b.Parts {
		m.ofPart = append(m.ofPart, int32(len(m.Elements)))
		m.addPart(netlist.PartID(p))
	}
	m.ofPart = append(m.ofPart, int32(len(m.Elements)))
	m.addUndrawn()

	m.onNet = newIndex(len(b.Nets), len(m.contacts), func(c int32, add func(int32)) {
		if n := m.contacts[c].net; n != netlist.None {
			add(int32(n))
		}
	})
	m.ofContact = newIndex(len(m.contacts), len(m.Elements), func(e int32, add func(int32)) {
		if a := m.Elements[e].A; a != Ground {
			add(int32(a))
		}
		if b := m.Elements[e].B; b != Ground {
			add(int32(b))
		}
	})
	m.addRegions()
	for n := range b.Nets {
		for i, p := range b.Nets[n].Along {
			m.along[keyOf(p)] = int16(i)
		}
	}
	for c := range m.contacts {
		if ct := &m.contacts[c]; ct.terminal < 0 {
			m.places = append(m.places, Place{Net: ct.net, Contact: Contact(c), order: farthest(&b.Nets[ct.net])})
			continue
		}
		m.places = append(m.places, m.PlaceOf(m.PointOf(Contact(c))))
	}
	m.markGrounded()
	m.markDeadEnds()
	return m
}

// markGrounded finds the nets that resistances join to ground: pins strapped or
// pulled low.
func (m *Model) markGrounded() {
	m.grounded = make([]bool, len(m.Board.Nets))
	m.grounded[m.Board.Ground] = true
	q := []netlist.NetID{m.Board.Ground}
	for i := 0; i < len(q); i++ {
		m.Neighbours(q[i], func(_ int32, n netlist.NetID) {
			if !m.grounded[n] && !m.Board.Nets[n].Rail {
				m.grounded[n] = true
				q = append(q, n)
			}
		})
	}
}

func (m *Model) addPart(id netlist.PartID) {
	p := &m.Board.Parts[id]
	if Pinned(p.Kind) {
		m.addPins(id)
		return
	}
	for _, path := range p.Paths() {
		e := Element{Part: id, A: m.Contact(id, path.From), B: m.Contact(id, path.To)}
		switch path.Element {
		case netlist.Blocking:
			continue
		case netlist.Junction:
			e.Class, e.Origin = Junction, PartJunction
		}
		if a, b := m.Net(e.A), m.Net(e.B); a == b || a == netlist.None || b == netlist.None {
			continue // both ends on one net, or one on nothing: no current can show
		}
		m.Elements = append(m.Elements, e)
	}
}

// addPins adds the junctions of an IC: of each pin from ground and to its supply
// (the usual input structure of CMOS parts; common practice, no source), and of
// each supply.
func (m *Model) addPins(id netlist.PartID) {
	p := &m.Board.Parts[id]
	supply := make(map[int32]bool)
	for _, s := range p.Supplies {
		supply[s] = true
		if n := p.Terminals[s].Net; n == netlist.None || n == m.Board.Ground {
			continue
		}
		c := m.Contact(id, s)
		m.Elements = append(m.Elements,
			Element{Part: id, A: Ground, B: c, Class: Junction, Origin: SupplyBody},
			Element{Part: id, A: c, B: Ground, Class: Junction, Origin: SupplyLoad})
	}
	ground := make(map[int32]bool)
	for _, g := range p.Grounds {
		ground[g] = true
	}
	for t := range p.Terminals {
		t := int32(t)
		net := p.Terminals[t].Net
		if supply[t] || ground[t] || slices.Contains(p.Floating, t) || net == netlist.None || net == m.Board.Ground {
			continue
		}
		c := m.Contact(id, t)
		m.Elements = append(m.Elements, Element{Part: id, A: Ground, B: c, Class: Junction, Origin: PinFromGround})
		if d := p.Domain[t]; d != netlist.None && p.Terminals[d].Net != net && p.Terminals[d].Net != netlist.None {
			m.Elements = append(m.Elements, Element{Part: id, A: c, B: m.Contact(id, d), Class: Junction, Origin: PinToSupply})
		}
	}
}

// addUndrawn provides, on every net but ground, one junction from ground and one to ground
// that stand for paths missing from the board file. They are absent unless good boards show
// them. They hang on a contact of their own, which stays on the net whatever comes off it,
// and lie where a break anywhere along the copper parts them from the connectors.
func (m *Model) addUndrawn() {
	for n := range m.Board.Nets {
		m.undrawn = append(m.undrawn, -1)
		net := &m.Board.Nets[n]
		if netlist.NetID(n) == m.Board.Ground || len(net.Terminals)+len(net.Pins) == 0 {
			continue
		}
		at := Contact(len(m.contacts))
		m.contacts = append(m.contacts, contact{netlist.NetID(n), netlist.None, -1})
		m.undrawn[n] = int32(len(m.Elements))
		m.Elements = append(m.Elements,
			Element{Part: netlist.None, A: Ground, B: at, Class: Junction, Origin: NotDrawn},
			Element{Part: netlist.None, A: at, B: Ground, Class: Junction, Origin: NotDrawn})
	}
}

// farthest gives the position along a net of the terminal that is farthest from the pins of
// connectors, or from where the copper begins; -1 where the board does not say.
func farthest(net *netlist.Net) (at int16) {
	at, most := -1, -1
	for k, t := range net.Along {
		if t.Kind != netlist.PointTerminal {
			continue
		}
		far, pins := k, false
		for i, p := range net.Along {
			if p.Kind == netlist.PointPin {
				if d := max(k-i, i-k); !pins || d < far {
					far, pins = d, true
				}
			}
		}
		if far > most {
			at, most = int16(k), far
		}
	}
	return at
}

// crossing is a resistive element between a line and a rail, such as a pull-up.
type crossing struct {
	element, region int32
	rail            netlist.NetID
}

// addRegions cuts the board into lines: nets joined by resistive elements without
// passing a rail or ground. It also groups nets with the rails that feed them
// other than through a pull-up, for what hangs on a supply by its pins.
func (m *Model) addRegions() {
	b := m.Board
	hub := func(n netlist.NetID) bool { return n == b.Ground || b.Nets[n].Rail }
	m.region, m.regions = m.join(hub, func(*Element) bool { return true })
	m.inRegion = newIndex(m.regions, len(b.Nets), func(n int32, add func(int32)) {
		if r := m.region[n]; r >= 0 {
			add(r)
		}
	})
	m.group, m.groups = m.join(func(n netlist.NetID) bool { return n == b.Ground }, func(el *Element) bool { return b.Parts[el.Part].Role != netlist.RolePull })
	m.tied = make([]bool, m.regions)
	several := make([]bool, m.regions)
	m.hangsFrom = slices.Repeat([]netlist.NetID{netlist.None}, m.regions)
	for e := range m.Elements {
		el := &m.Elements[e]
		if el.Class == Junction {
			m.tie(int32(e))
			continue
		}
		x, y := m.Net(el.A), m.Net(el.B)
		if m.region[x] < 0 {
			x, y = y, x
		}
		if m.region[x] >= 0 && m.region[y] < 0 && y != b.Ground {
			r := m.region[x]
			m.crossings = append(m.crossings, crossing{int32(e), r, y})
			if m.hangsFrom[r] != netlist.None && m.hangsFrom[r] != y {
				several[r] = true
			}
			m.hangsFrom[r] = y
		}
	}
	for r, more := range several {
		if more {
			m.hangsFrom[r] = netlist.None
		}
	}
}

// regionOf gives the line that a net is part of, -1 for rails, ground and no net.
func (m *Model) regionOf(n netlist.NetID) int32 {
	if n == netlist.None {
		return -1
	}
	return m.region[n]
}

// tie notes the lines that a junction leads to: diodes and transistors from either
// side, pins to a supply that the file does not call a rail. A pin's own line is
// reached through it only when the supply is pulled below ground.
func (m *Model) tie(e int32) {
	el := &m.Elements[e]
	x, y := m.Net(el.A), m.Net(el.B)
	if el.Origin == PinToSupply {
		m.hanging = append(m.hanging, e)
		if r := m.region[y]; r >= 0 {
			m.tied[r] = true
		}
		return
	}
	if x == m.Board.Ground || y == m.Board.Ground {
		return
	}
	for _, n := range [2]netlist.NetID{x, y} {
		if r := m.region[n]; r >= 0 {
			m.tied[r] = true
		}
	}
}

// join numbers the sets of nets that resistive elements join, but for nets that
// stand alone (they get -1) and elements that do not count.
func (m *Model) join(alone func(netlist.NetID) bool, counts func(*Element) bool) (of []int32, n int) {
	root := make([]int32, len(m.Board.Nets))
	for n := range root {
		root[n] = int32(n)
	}
	find := func(n int32) int32 {
		for root[n] != n {
			root[n] = root[root[n]]
			n = root[n]
		}
		return n
	}
	for e := range m.Elements {
		if el := &m.Elements[e]; el.Class == Resistive && !alone(m.Net(el.A)) && !alone(m.Net(el.B)) && counts(el) {
			root[find(int32(m.Net(el.A)))] = find(int32(m.Net(el.B)))
		}
	}
	of = make([]int32, len(root))
	number := map[int32]int32{}
	for n := range root {
		of[n] = -1
		if alone(netlist.NetID(n)) {
			continue
		}
		r, ok := number[find(int32(n))]
		if !ok {
			r = int32(len(number))
			number[find(int32(n))] = r
		}
		of[n] = r
	}
	return of, len(number)
}

// Undrawn gives the element that stands for a path missing from the board file
// between ground and a net of a connector pin or unknown part: the one that conducts with
// the black lead on ground, or with the red one.
func (m *Model) Undrawn(n netlist.NetID, blackOnGround bool) (element int32, ok bool) {
	if n == netlist.None || m.undrawn[n] < 0 {
		return 0, false
	}
	if blackOnGround {
		return m.undrawn[n] + 1, true
	}
	return m.undrawn[n], true
}

// Junctions lists the junctions at a net, those that nobody drew as well.
func (m *Model) Junctions(n netlist.NetID) (list []int32) {
	if n == netlist.None {
		return nil
	}
	for _, c := range m.NetContacts(n) {
		for _, e := range m.ContactElements(Contact(c)) {
			if m.Elements[e].Class == Junction {
				list = append(list, e)
			}
		}
	}
	return list
}

// Line lists the nets that resistances join to one, short of rails and ground, nearest
// first; a rail is alone.
func (m *Model) Line(n netlist.NetID) []netlist.NetID {
	line := []netlist.NetID{n}
	if n == netlist.None || m.Board.Nets[n].Rail {
		return line
	}
	seen := map[netlist.NetID]bool{n: true, netlist.None: true, m.Board.Ground: true}
	for k := 0; k < len(line); k++ {
		m.Neighbours(line[k], func(_ int32, o netlist.NetID) {
			if !seen[o] && !m.Board.Nets[o].Rail {
				seen[o] = true
				line = append(line, o)
			}
		})
	}
	return line
}

// Around is Line with the rails at its ends; of a rail, with the rails beside it.
func (m *Model) Around(n netlist.NetID) []netlist.NetID {
	out := m.Line(n)
	for _, l := range out {
		if l == netlist.None {
			continue
		}
		m.Neighbours(l, func(_ int32, o netlist.NetID) {
			if o != netlist.None && m.Board.Nets[o].Rail && o != m.Board.Ground && !slices.Contains(out, o) {
				out = append(out, o)
			}
		})
	}
	return out
}

// Reached gives the contacts that resistance joins to a place, up to rails and ground, while
// a change is an open: an element cut, a contact off its copper, a trace broken in two.
func (m *Model) Reached(from Place, c *Change) map[Contact]bool {
	type piece struct { // of a net
		net    netlist.NetID
		behind bool // the break
	}
	pieceAt := func(n netlist.NetID, order int16) piece {
		return piece{n, c.Kind == Split && n == c.Net && order > c.After}
	}
	off := func(ct Contact) bool { return c.Kind == Detach && ct == c.Contact }
	out := map[Contact]bool{}
	if from.Net == netlist.None || from.Contact >= 0 && off(from.Contact) {
		return out
	}
	pieces := []piece{pieceAt(from.Net, from.order)}
	for k := 0; k < len(pieces); k++ {
		p := pieces[k]
		for _, at := range m.NetContacts(p.net) {
			ct := Contact(at)
			if off(ct) || pieceAt(p.net, m.PlaceOfContact(ct).order) != p {
				continue
			}
			out[ct] = true
			for _, e := range m.ContactElements(ct) {
				el := &m.Elements[e]
				if el.Class != Resistive || c.Kind == Cut && e == c.Element {
					continue
				}
				other := el.A
				if other == ct {
					other = el.B
				}
				n := m.Net(other)
				if off(other) || n == netlist.None || n == m.Board.Ground || m.Board.Nets[n].Rail {
					continue
				}
				if q := pieceAt(n, m.PlaceOfContact(other).order); !slices.Contains(pieces, q) {
					pieces = append(pieces, q)
				}
			}
		}
	}
	return out
}

// Describe names an element for messages.
func (m *Model) Describe(e int32) string {
	el := &m.Elements[e]
	if el.Part == netlist.None { // its contact may be a connector's
		at := el.A
		if at == Ground {
			at = el.B
		}
		return "not drawn on " + m.Board.Nets[m.Net(at)].Name
	}
	name := func(c Contact) string {
		if c == Ground {
			return "ground"
		}
		return m.Board.Parts[m.contacts[c].part].Terminals[m.contacts[c].terminal].Name
	}
	return fmt.Sprintf("%s %s-%s", m.Board.Parts[el.Part].Name, name(el.A), name(el.B))
}

// JunctionValue says what a junction does.
type JunctionValue struct {
	Drop     float64 // V at 1 mA and RefCelsius; +Inf means that there is no junction here
	Ideality float64
	Series   float64 // ohm
}

// Values gives what every element is worth, index by index with Elements.
type Values struct {
	Ohms      []float64       // of Resistive elements
	Junctions []JunctionValue // of Junction elements
	Celsius   float64         // temperature of the board

	saturation []float64 // A at Celsius, 0 for none; see Settle
	notDrawn   []int32   // elements of that origin
	undrawn    []int32   // those of them that are there; see Settle
}

// Posterior is a mean and a standard deviation.
type Posterior struct{ Mean, SD float64 }

// JunctionPrior is what is assumed of a junction before any reading.
type JunctionPrior struct {
	Drop     Posterior // V at 1 mA
	Ideality Posterior
	Series   Posterior // ohm
}

// Prior gives the posterior about junctions of an origin. Drops of pins: 0.55 +-
// 0.12 V, from memory; silicon protection structures have idealities between 1
// and 2 (from memory). The others are common practice, no source. What an
// unpowered supply shows above ground varies most, and is partly resistive.
func (o Origin) Prior() JunctionPrior {
	p := JunctionPrior{Drop: Posterior{0.55, 0.12}, Ideality: Posterior{1.4, 0.3}, Series: Posterior{8, 8}}
	switch o {
	case SupplyBody:
		p.Drop = Posterior{0.45, 0.12}
	case SupplyLoad:
		p.Drop, p.Series = Posterior{1.1, 0.45}, Posterior{300, 700}
	case PartJunction:
		p.Drop = Posterior{0.55, 0.16} // silicon and Schottky alike
	}
	return p
}

// Nominal gives the values of the board as drawn, with junctions at the mean
// of their priors.
func (m *Model) Nominal() *Values {
	v := &Values{
		Ohms:      make([]float64, len(m.Elements)),
		Junctions: make([]JunctionValue, len(m.Elements)),
		Celsius:   RefCelsius,
	}
	for p := range m.Board.Parts {
		e := m.ofPart[p]
		if Pinned(m.Board.Parts[p].Kind) {
			continue
		}
		for _, path := range m.Board.Parts[p].Paths() {
			if e >= m.ofPart[p+1] {
				break
			}
			if path.Element == netlist.Blocking || m.Elements[e].A != m.Contact(netlist.PartID(p), path.From) || m.Elements[e].B != m.Contact(netlist.PartID(p), path.To) {
				continue // a path that New left out
			}
			v.Ohms[e] = math.Max(path.Ohms, MinOhms)
			e++
		}
	}
	for e := range m.Elements {
		if m.Elements[e].Class == Junction {
			p := m.Elements[e].Origin.Prior()
			if m.Elements[e].Origin == NotDrawn {
				v.notDrawn = append(v.notDrawn, int32(e))
				p.Drop.Mean = math.Inf(1)
			}
			v.Junctions[e] = JunctionValue{Drop: p.Drop.Mean, Ideality: p.Ideality.Mean, Series: p.Series.Mean}
		}
	}
	return v
}

// Clone copies values, so that some can be changed.
func (v *Values) Clone() *Values {
	return &Values{
		Ohms:      append([]float64(nil), v.Ohms...),
		Junctions: append([]JunctionValue(nil), v.Junctions...),
		Celsius:   v.Celsius,
		notDrawn:  v.notDrawn,
	}
}
