package network

import "halfsplit/netlist"

// Contact is the index of one terminal of one part, of one connector pin, or of what may
// be missing from the board file on one net, over the whole board.
type Contact int32

// Ground stands for the board's ground where a Contact is wanted: the
// substrate of an IC is taken to be on it whatever its ground pins do.
const Ground Contact = -1

type contact struct {
	net      netlist.NetID
	part     netlist.PartID
	terminal int32 // of the part; of a connector where that is None; below 0 for what is not drawn
}

// index is a list of lists stored flat: list i is items[start[i]:start[i+1]].
type index struct{ start, items []int32 }

func (x index) at(i int32) []int32 { return x.items[x.start[i]:x.start[i+1]] }

// newIndex groups the numbers 0..n-1 by the key that key gives (none below 0).
func newIndex(keys, n int, key func(item int32, add func(k int32))) index {
	x := index{start: make([]int32, keys+1)}
	for i := range int32(n) {
		key(i, func(k int32) { x.start[k+1]++ })
	}
	for k := range keys {
		x.start[k+1] += x.start[k]
	}
	x.items = make([]int32, x.start[keys])
	next := append([]int32(nil), x.start[:keys]...)
	for i := range int32(n) {
		key(i, func(k int32) { x.items[next[k]] = i; next[k]++ })
	}
	return x
}

// Pinned tells the kinds whose conduction is that of pins with protection
// junctions, rather than of paths between terminals.
func Pinned(k netlist.Kind) bool { return k == netlist.IC || k == netlist.Module }

// Contact gives the contact of one terminal of a part.
func (m *Model) Contact(p netlist.PartID, terminal int32) Contact {
	return Contact(m.first[p] + terminal)
}

// Net gives the net that a contact is soldered to.
func (m *Model) Net(c Contact) netlist.NetID {
	if c == Ground {
		return m.Board.Ground
	}
	return m.contacts[c].net
}

// PinContact gives the contact of a connector pin.
func (m *Model) PinContact(p netlist.PinRef) Contact {
	return Contact(m.firstPin[p.Connector] + p.Pin)
}

// Terminal gives the part and terminal of a contact that is a part's.
func (m *Model) Terminal(c Contact) netlist.TerminalRef {
	return netlist.TerminalRef{Part: m.contacts[c].part, Terminal: m.contacts[c].terminal}
}

// PartElements gives the range [from, to) of Elements that belong to a part.
func (m *Model) PartElements(p netlist.PartID) (from, to int32) { return m.ofPart[p], m.ofPart[p+1] }

// NetContacts gives the contacts on a net. The slice is not to be changed.
func (m *Model) NetContacts(n netlist.NetID) []int32 { return m.onNet.at(int32(n)) }

// ContactElements gives the elements at a contact. The slice is not to be
// changed.
func (m *Model) ContactElements(c Contact) []int32 { return m.ofContact.at(int32(c)) }

// Neighbours calls visit with each resistive element on a net and with the net that
// it leads to.
func (m *Model) Neighbours(n netlist.NetID, visit func(element int32, other netlist.NetID)) {
	for _, c := range m.NetContacts(n) {
		for _, e := range m.ContactElements(Contact(c)) {
			el := &m.Elements[e]
			if el.Class != Resistive {
				continue
			}
			other := m.Net(el.A)
			if other == n {
				other = m.Net(el.B)
			}
			visit(e, other)
		}
	}
}
