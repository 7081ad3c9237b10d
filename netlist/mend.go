package netlist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"halfsplit/netlist/document"
)

// MendKind is what was done to copper or to a joint.
type MendKind uint8

// Kinds of mending.
const (
	NoMend    MendKind = iota
	MendJoint          // a part's terminal resoldered
	MendPin            // a connector pin resoldered
	MendGap            // the gap between two neighbouring connector pins cleaned
	MendTrace          // a trace joined again between two neighbours along a net
)

// Mend is one place that was mended without changing a part. Equal places
// compare equal with ==; make one with the functions below, which leave the
// fields that do not matter at zero.
type Mend struct {
	Kind     MendKind
	Terminal TerminalRef // of MendJoint
	Pins     [2]PinRef   // of MendPin, the first; of MendGap, in file order
	Net      NetID       // of MendTrace
	After    int16       // of MendTrace: position along Net before the break
}

// ResolderedTerminal is a part's terminal resoldered.
func ResolderedTerminal(t TerminalRef) Mend { return Mend{Kind: MendJoint, Terminal: t} }

// ResolderedPin is a connector pin resoldered.
func ResolderedPin(p PinRef) Mend { return Mend{Kind: MendPin, Pins: [2]PinRef{p, {}}} }

// CleanedGap is a bridge between two connector pins taken away.
func CleanedGap(a, b PinRef) Mend {
	if comparePins(b, a) < 0 {
		a, b = b, a
	}
	return Mend{Kind: MendGap, Pins: [2]PinRef{a, b}}
}

// JoinedTrace is a trace joined between two neighbours along a net.
func JoinedTrace(n NetID, after int16) Mend { return Mend{Kind: MendTrace, Net: n, After: after} }

func comparePins(a, b PinRef) int {
	return cmp.Or(cmp.Compare(a.Connector, b.Connector), cmp.Compare(a.Pin, b.Pin))
}

func compareMends(a, b Mend) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind),
		cmp.Compare(a.Terminal.Part, b.Terminal.Part), cmp.Compare(a.Terminal.Terminal, b.Terminal.Terminal),
		comparePins(a.Pins[0], b.Pins[0]), comparePins(a.Pins[1], b.Pins[1]),
		cmp.Compare(a.Net, b.Net), cmp.Compare(a.After, b.After))
}

// Mend mends a place.
func (e Edits) Mend(m Mend) Edits {
	i, ok := slices.BinarySearchFunc(e.mended, m, compareMends)
	if ok || m.Kind == NoMend {
		return e
	}
	return Edits{e.list, slices.Insert(slices.Clone(e.mended), i, m)}
}

// Mended tells whether a place has been mended.
func (e Edits) Mended(m Mend) bool {
	_, ok := slices.BinarySearchFunc(e.mended, m, compareMends)
	return ok
}

// Mends returns all mended places, in a fixed order.
func (e Edits) Mends() []Mend { return slices.Clone(e.mended) }

// Mend finds the place that a written name means: `J7.2` a connector pin,
// `R12.1` a part's terminal, `J7.2-J7.4` the gap between two neighbouring pins,
// `TP14-R12.1` the trace between two neighbours of an `along`. "J7.2 to J7.4"
// is the same. The error says "what; what to do".
func (b *Board) Mend(text string) (Mend, error) {
	if p, err := b.Point(text); err == nil {
		switch p.Kind {
		case PointPin:
			return ResolderedPin(p.Pin), nil
		case PointTerminal:
			return ResolderedTerminal(p.Terminal), nil
		}
		return Mend{}, fmt.Errorf("%s is no joint that could be mended; name a connector pin, a part's terminal, or the two points beside the place as J7.2-J7.4", document.Quote(text))
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
	return Mend{}, wrong
}

// between finds the place between two points: of one net a break of its trace,
// of two a gap between pins.
func (b *Board) between(text string, a, z Point) (Mend, error) {
	if a.Net == z.Net && a.Net != None {
		n := &b.Nets[a.Net]
		i, k := slices.Index(n.Along, a), slices.Index(n.Along, z)
		switch {
		case len(n.Along) == 0:
			return Mend{}, fmt.Errorf("%s is on %s, and the board file does not say how that runs; give the net `along: [...]`, or write a `note`", document.Quote(text), document.Quote(n.Name))
		case i < 0 || k < 0:
			return Mend{}, fmt.Errorf("%s names a point that is not in the `along` of %s; its points are %s", document.Quote(text), document.Quote(n.Name), b.along(n))
		case i-k != 1 && k-i != 1:
			return Mend{}, fmt.Errorf("the points of %s are not next to each other along %s; name two neighbours of %s", document.Quote(text), document.Quote(n.Name), b.along(n))
		}
		return JoinedTrace(a.Net, int16(min(i, k))), nil
	}
	if a.Kind != PointPin || z.Kind != PointPin {
		return Mend{}, fmt.Errorf("the points of %s are on two nets; name two points of one net, or two neighbouring pins of a connector", document.Quote(text))
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
		return Mend{}, fmt.Errorf("the pins of %s are not next to each other; %s", document.Quote(text), do)
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

// MendName writes a mended place so that Mend finds it again.
func (b *Board) MendName(m Mend) string {
	var a, z string
	switch m.Kind {
	case MendJoint:
		return b.PointName(b.TerminalPoint(m.Terminal))
	case MendPin:
		return b.PointName(b.PinPoint(m.Pins[0]))
	case MendGap:
		a, z = b.PointName(b.PinPoint(m.Pins[0])), b.PointName(b.PinPoint(m.Pins[1]))
	case MendTrace:
		n := &b.Nets[m.Net]
		a, z = b.PointName(n.Along[m.After]), b.PointName(n.Along[m.After+1])
	default:
		return ""
	}
	if found, err := b.Mend(a + "-" + z); err == nil && found == m {
		return a + "-" + z
	}
	return a + " to " + z // a name with dashes of its own
}

// MendNets lists the nets whose copper a mending touches.
func (b *Board) MendNets(m Mend) []NetID {
	pin := func(p PinRef) NetID { return b.Connectors[p.Connector].Pins[p.Pin].Net }
	switch m.Kind {
	case MendJoint:
		return []NetID{b.Parts[m.Terminal.Part].Terminals[m.Terminal.Terminal].Net}
	case MendPin:
		return []NetID{pin(m.Pins[0])}
	case MendGap:
		return []NetID{pin(m.Pins[0]), pin(m.Pins[1])}
	case MendTrace:
		return []NetID{m.Net}
	}
	return nil
}
