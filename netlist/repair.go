package netlist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"halfsplit/netlist/document"
)

// RepairKind is what was done to copper or to a joint.
type RepairKind uint8

// Kinds of repairing.
const (
	NoRepair    RepairKind = iota
	RepairJoint            // a part's terminal resoldered
	RepairPin              // a connector pin resoldered
	RepairGap              // the gap between two neighbouring connector pins cleaned
	RepairTrace            // a trace joined again between two neighbours along a net
)

// Repair is one place that was repaired without changing a part. Equal places
// compare equal with ==; make one with the functions below, which leave the
// fields that do not matter at zero.
type Repair struct {
	Kind     RepairKind
	Terminal TerminalRef // of RepairJoint
	Pins     [2]PinRef   // of RepairPin, the first; of RepairGap, in file order
	Net      NetID       // of RepairTrace
	After    int16       // of RepairTrace: position along Net before the break
	Again    bool        // of RepairGap: cleaned a second time
}

// ResolderedTerminal is a part's terminal resoldered.
func ResolderedTerminal(t TerminalRef) Repair { return Repair{Kind: RepairJoint, Terminal: t} }

// ResolderedPin is a connector pin resoldered.
func ResolderedPin(p PinRef) Repair { return Repair{Kind: RepairPin, Pins: [2]PinRef{p, {}}} }

// CleanedGap is a bridge between two connector pins taken away.
func CleanedGap(a, b PinRef) Repair {
	if comparePins(b, a) < 0 {
		a, b = b, a
	}
	return Repair{Kind: RepairGap, Pins: [2]PinRef{a, b}}
}

// JoinedTrace is a trace joined between two neighbours along a net.
func JoinedTrace(n NetID, after int16) Repair { return Repair{Kind: RepairTrace, Net: n, After: after} }

func comparePins(a, b PinRef) int {
	return cmp.Or(cmp.Compare(a.Connector, b.Connector), cmp.Compare(a.Pin, b.Pin))
}

func compareRepairs(a, b Repair) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind),
		cmp.Compare(a.Terminal.Part, b.Terminal.Part), cmp.Compare(a.Terminal.Terminal, b.Terminal.Terminal),
		comparePins(a.Pins[0], b.Pins[0]), comparePins(a.Pins[1], b.Pins[1]),
		cmp.Compare(a.Net, b.Net), cmp.Compare(a.After, b.After), cmp.Compare(a.times(), b.times()))
}

// times is how often a place was repaired.
func (m Repair) times() int {
	if m.Again {
		return 2
	}
	return 1
}

// Repair repairs a place. A gap that was cleaned before is cleaned again.
func (e Edits) Repair(m Repair) Edits {
	m.Again = m.Again || m.Kind == RepairGap && e.Repaired(m)
	i, ok := slices.BinarySearchFunc(e.repaired, m, compareRepairs)
	if ok || m.Kind == NoRepair {
		return e
	}
	return Edits{e.list, slices.Insert(slices.Clone(e.repaired), i, m)}
}

// Repaired tells whether a place has been repaired.
func (e Edits) Repaired(m Repair) bool {
	_, ok := slices.BinarySearchFunc(e.repaired, m, compareRepairs)
	return ok
}

// Repairs returns all repaired places, in a fixed order.
func (e Edits) Repairs() []Repair { return slices.Clone(e.repaired) }

// Repair finds the place that a written name means: `J7.2` a connector pin,
// `R12.1` a part's terminal, `J7.2-J7.4` the gap between two neighbouring pins,
// `TP14-R12.1` the trace between two neighbours of an `along`. "J7.2 to J7.4"
// is the same. The error says "what; what to do".
func (b *Board) Repair(text string) (Repair, error) {
	if p, err := b.Point(text); err == nil {
		switch p.Kind {
		case PointPin:
			return ResolderedPin(p.Pin), nil
		case PointTerminal:
			return ResolderedTerminal(p.Terminal), nil
		}
		return Repair{}, fmt.Errorf("%s is not a joint that could be repaired; name a connector pin, a part's terminal, or the two points beside the place as J7.2-J7.4", document.Quote(text))
	}
	var wrong error
	for _, between := range []string{" to ", "-"} {
		for at := strings.Index(text, between); at > 0; {
			one, other := strings.TrimSpace(text[:at]), strings.TrimSpace(text[at+len(between):])
			a, errA := b.Point(one)
			z, errZ := b.Point(other)
			switch {
			case errA == nil && errZ == nil:
				return b.between(text, a, z)
			case wrong == nil && errA != nil:
				wrong = errA
			case wrong == nil:
				wrong = errZ
			}
			next := strings.Index(text[at+len(between):], between)
			if next < 0 {
				break
			}
			at += len(between) + next
		}
	}
	if wrong == nil {
		_, wrong = b.Point(text)
	}
	return Repair{}, wrong
}

// between finds the place between two points: of one net a break of its trace,
// of two a gap between pins.
func (b *Board) between(text string, a, z Point) (Repair, error) {
	if a.Net == z.Net && a.Net != None {
		n := &b.Nets[a.Net]
		i, k := slices.Index(n.Along, a), slices.Index(n.Along, z)
		switch {
		case len(n.Along) == 0:
			return Repair{}, fmt.Errorf("%s is on %s, and the board file does not say how that runs; give the net `along: [...]`, or write a `note`", document.Quote(text), document.Quote(n.Name))
		case i < 0 || k < 0:
			return Repair{}, fmt.Errorf("%s names a point that is not in the `along` of %s; its points are %s", document.Quote(text), document.Quote(n.Name), b.along(n))
		case i-k != 1 && k-i != 1:
			return Repair{}, fmt.Errorf("the points of %s are not next to each other along %s; name two neighbours of %s", document.Quote(text), document.Quote(n.Name), b.along(n))
		}
		return JoinedTrace(a.Net, int16(min(i, k))), nil
	}
	if a.Kind != PointPin || z.Kind != PointPin {
		return Repair{}, fmt.Errorf("the points of %s are on two nets; name two points of one net, or two neighbouring pins of a connector", document.Quote(text))
	}
	beside := b.Neighbours(a.Pin)
	if !slices.Contains(beside, z.Pin) {
		var names []string
		for _, p := range beside {
			names = append(names, b.PointName(b.PinPoint(p)))
		}
		do := "name two neighbouring pins"
		if len(names) > 0 {
			do = fmt.Sprintf("next to %s: %s", b.PointName(a), some(names))
		}
		return Repair{}, fmt.Errorf("the pins of %s are not next to each other; %s", document.Quote(text), do)
	}
	return CleanedGap(a.Pin, z.Pin), nil
}

func (b *Board) along(n *Net) string {
	names := make([]string, len(n.Along))
	for i, p := range n.Along {
		names[i] = b.PointName(p)
	}
	return some(names)
}

// RepairName writes a repaired place so that Repair finds it again.
func (b *Board) RepairName(m Repair) string {
	m.Again = false
	var a, z string
	switch m.Kind {
	case RepairJoint:
		return b.PointName(b.TerminalPoint(m.Terminal))
	case RepairPin:
		return b.PointName(b.PinPoint(m.Pins[0]))
	case RepairGap:
		a, z = b.PointName(b.PinPoint(m.Pins[0])), b.PointName(b.PinPoint(m.Pins[1]))
	case RepairTrace:
		n := &b.Nets[m.Net]
		a, z = b.PointName(n.Along[m.After]), b.PointName(n.Along[m.After+1])
	default:
		return ""
	}
	if found, err := b.Repair(a + "-" + z); err == nil && found == m {
		return a + "-" + z
	}
	return a + " to " + z // a name with dashes of its own
}

// RepairNets lists the nets whose copper a repairing touches.
func (b *Board) RepairNets(m Repair) []NetID {
	pin := func(p PinRef) NetID { return b.Connectors[p.Connector].Pins[p.Pin].Net }
	switch m.Kind {
	case RepairJoint:
		return []NetID{b.Parts[m.Terminal.Part].Terminals[m.Terminal.Terminal].Net}
	case RepairPin:
		return []NetID{pin(m.Pins[0])}
	case RepairGap:
		return []NetID{pin(m.Pins[0]), pin(m.Pins[1])}
	case RepairTrace:
		return []NetID{m.Net}
	}
	return nil
}
