package network

import (
	"math"
	"slices"

	"halfsplit/netlist"
)

// Place is somewhere on the board's copper: a net, or one contact, which is on
// its net unless its joint has come off.
type Place struct {
	Net     netlist.NetID
	Contact Contact // NoContact where the place is the net itself
	order   int16   // position along the net, -1 where the board does not say
}

// NoContact marks a Place that is no part's contact.
const NoContact Contact = -2

// GroundPlace is the board's ground.
func (m *Model) GroundPlace() Place { return Place{Net: m.Board.Ground, Contact: NoContact, order: -1} }

// PlaceOf gives where a probe on p touches. A pin that not connected (NC) has the net
// None.
func (m *Model) PlaceOf(p netlist.Point) Place {
	pl := Place{Net: p.Net, Contact: NoContact, order: m.orderOf(p)}
	switch p.Kind {
	case netlist.PointTerminal:
		pl.Contact = m.Contact(p.Terminal.Part, p.Terminal.Terminal)
	case netlist.PointPin:
		pl.Contact = m.PinContact(p.Pin)
	}
	return pl
}

// PlaceOfContact gives the place of a contact.
func (m *Model) PlaceOfContact(c Contact) Place {
	if c == Ground {
		return m.GroundPlace()
	}
	return m.places[c]
}

// PointOf gives the point of a contact other than Ground: the net of one that nobody drew.
func (m *Model) PointOf(c Contact) netlist.Point {
	ct := &m.contacts[c]
	if ct.part != netlist.None {
		return m.Board.TerminalPoint(m.Terminal(c))
	}
	if ct.terminal < 0 {
		return netlist.NetPoint(ct.net)
	}
	k := len(m.firstPin) - 1
	for int32(c) < m.firstPin[k] {
		k--
	}
	return m.Board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(k), Pin: ct.terminal})
}

// alongKey names a point without regard to its net.
type alongKey struct {
	kind PointKindKey
	a, b int32
}

// PointKindKey is netlist.PointKind, kept small in a map key.
type PointKindKey = netlist.PointKind

func keyOf(p netlist.Point) alongKey {
	switch p.Kind {
	case netlist.PointTerminal:
		return alongKey{p.Kind, int32(p.Terminal.Part), p.Terminal.Terminal}
	case netlist.PointPin:
		return alongKey{p.Kind, int32(p.Pin.Connector), p.Pin.Pin}
	case netlist.PointPad:
		return alongKey{p.Kind, p.Pad, 0}
	}
	return alongKey{p.Kind, int32(p.Net), 0}
}

func (m *Model) orderOf(p netlist.Point) int16 {
	if i, ok := m.along[keyOf(p)]; ok {
		return i
	}
	return -1
}

// Joins tells whether a change is a path between two nets.
func (c *Change) Joins(a, b netlist.NetID) bool {
	return c.Kind == AddPath && (c.A.Net == a && c.B.Net == b || c.A.Net == b && c.B.Net == a)
}

// ChangeKind tells the sorts of Change apart.
type ChangeKind uint8

// Kinds of change.
const (
	AddPath ChangeKind = iota // Ohms between places A and B
	Cut                       // Ohms in series with Element; +Inf takes it away
	Detach                    // Ohms between Contact and its copper; +Inf takes it off
	Split                     // Ohms across a break of Net after position After along it
	Remove                    // every element of Part is gone
	Turn                      // the part is soldered on turned by half: its first contact lies where its last belongs
)

// Change is one departure of the board from its drawing, put electrically.
type Change struct {
	Kind    ChangeKind
	A, B    Place
	Element int32
	Contact Contact
	Net     netlist.NetID
	After   int16
	Part    netlist.PartID
	// Owner is the part that the change goes with: when that part is removed or a
	// new one is fitted, the change is gone. None for changes of the copper.
	Owner netlist.PartID
	// Cure is the repairing that makes the change go away: that of a joint, a
	// gap or a trace. The zero Repair where none does.
	Cure netlist.Repair
	Ohms float64
}

// State is a board at one moment: what was done to it at the bench, and what is
// wrong with it.
type State struct {
	Edits   netlist.Edits
	Changes []Change
}

// Holds tells whether a change still holds after the edits: a fault goes away
// with the part that has it, a bad joint when it is soldered anew.
func (s *State) Holds(c *Change) bool {
	if c.Cure.Kind != netlist.NoRepair && s.Edits.Repaired(c.Cure) {
		return false
	}
	if c.Owner == netlist.None {
		return true
	}
	e := s.Edits.Of(c.Owner)
	return !e.Removed && !e.Replaced && !(e.NewJoints() && c.Cure.Kind == netlist.RepairJoint)
}

// Effect gives a change that does to what a probe reads on a board with edits, and no
// other change, what c does: paths of one resistance between the same two nets have equal
// effects, and so have a resistive part and the joints at its ends.
func (m *Model) Effect(c Change, edits netlist.Edits, p Probe) Change {
	if !(&State{Edits: edits}).Holds(&c) {
		return c
	}
	switch c.Kind {
	case AddPath:
		a, b := min(c.A.Net, c.B.Net), max(c.A.Net, c.B.Net)
		return Change{Kind: AddPath, A: Place{Net: a, Contact: NoContact, order: -1}, B: Place{Net: b, Contact: NoContact, order: -1}, Owner: netlist.None, Ohms: c.Ohms}
	case Detach:
		out := Change{Kind: Detach, Contact: c.Contact, Owner: netlist.None, Ohms: c.Ohms}
		e := m.sole(c.Contact, p)
		if e < 0 {
			return out
		}
		el := &m.Elements[e]
		if el.Class == Resistive {
			return Change{Kind: Cut, Element: e, Owner: netlist.None, Ohms: c.Ohms}
		}
		if other := el.A + el.B - c.Contact; other != Ground && other < c.Contact && m.sole(other, p) == e {
			out.Contact = other
		}
		return out
	case Cut:
		return Change{Kind: Cut, Element: c.Element, Owner: netlist.None, Ohms: c.Ohms}
	}
	return c
}

// sole gives the element that a contact leads to if it leads to no other and no lead is on
// the contact itself, -1 otherwise.
func (m *Model) sole(c Contact, p Probe) int32 {
	if at := m.ofContact.at(int32(c)); len(at) == 1 && p.Plus.Contact != c && p.Minus.Contact != c {
		return at[0]
	}
	return -1
}

// Nets lists the nets that a change of the circuit lies on.
func (m *Model) Nets(c *Change) []netlist.NetID {
	var nets []netlist.NetID
	switch c.Kind {
	case AddPath:
		nets = []netlist.NetID{c.A.Net, c.B.Net}
	case Cut:
		nets = []netlist.NetID{m.Net(m.Elements[c.Element].A), m.Net(m.Elements[c.Element].B)}
	case Detach:
		nets = []netlist.NetID{m.Net(c.Contact)}
	case Split:
		nets = []netlist.NetID{c.Net}
	}
	return slices.DeleteFunc(nets, func(n netlist.NetID) bool { return n == netlist.None })
}

// Probe is where the meter's leads are and what the meter drives.
type Probe struct {
	Plus, Minus Place
	Meter       Drive
}

// Drive is the meter's source.
type Drive struct {
	Resistive bool
	Current   float64 // A with the leads held together
	Open      float64 // V with the leads apart
	Over      float64 // V above which the display shows OL
}

func isOpen(ohms float64) bool { return math.IsInf(ohms, 1) || ohms > OpenOhms }
