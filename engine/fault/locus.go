package fault

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Locus is one place and manner of going wrong, with its change to the circuit.
type Locus struct {
	Part     netlist.PartID // None for copper
	Terminal int32          // of Part, -1 for the part as a whole
	Other    int32          // second terminal of a path within Part, or -1
	Net      netlist.NetID  // of a trace; None otherwise
	After    int16          // position along Net after which the trace is bad
	Pins     [2]netlist.PinRef
	NPins    int  // connector pins concerned: 1 for a pin's joint, 2 for a bridge
	Unknown  bool // something on Net that is not drawn
	Aside    bool // no complaint is about it: it shows where the meter stands, and nowhere else

	Change network.Change // Ohms is to be filled in
	Modes  []ModeRange
	Joint  float64 // share of such faults that are a bad joint of Part
	Series bool    // the resistance is in series, so that its absence is 0 ohm and not an infinity of them
}

// ModeRange is a mode with its odds and the range of its resistance in ohms,
// over which the logarithm of the resistance is taken to be uniform. Lo and Hi
// are both infinite for an open.
type ModeRange struct {
	Mode   Mode
	Odds   float64
	Lo, Hi float64
}

// Loci lists everything that can go wrong on a board and that changes its DC
// circuit, in the order of the board file: parts, then traces, pins and bridges.
func Loci(m *network.Model, p *Priors, v *network.Values) []Locus {
	g := generator{m: m, p: p, v: v}
	for i := range m.Board.Parts {
		g.part(netlist.PartID(i))
	}
	g.traces()
	g.pins()
	return g.loci
}

type generator struct {
	m    *network.Model
	p    *Priors
	v    *network.Values
	loci []Locus
}

func (g *generator) add(l Locus) {
	kept := l.Modes[:0]
	for _, r := range l.Modes {
		if r.Odds > 0 {
			kept = append(kept, r)
		}
	}
	if l.Modes = kept; len(kept) > 0 {
		g.loci = append(g.loci, l)
	}
}

// whole is a locus of a part as a whole.
func whole(id netlist.PartID) Locus {
	return Locus{Part: id, Terminal: -1, Other: -1, Net: netlist.None}
}

func path(shorted, leaky float64) []ModeRange {
	return []ModeRange{{Shorted, shorted, LeastOhms, ShortOhms}, {Leaky, leaky, ShortOhms, LeakOhms}}
}

// across adds a path between two terminals of a part.
func (g *generator) across(id netlist.PartID, a, b int32, shorted, leaky float64) {
	na, nb := g.m.Board.Parts[id].Terminals[a].Net, g.m.Board.Parts[id].Terminals[b].Net
	if na == nb || na == netlist.None || nb == netlist.None {
		return
	}
	l := whole(id)
	l.Terminal, l.Other = a, b
	l.Modes = path(shorted, leaky)
	l.Change = network.Change{Kind: network.AddPath, Owner: id,
		A: g.m.PlaceOfContact(g.m.Contact(id, a)), B: g.m.PlaceOfContact(g.m.Contact(id, b))}
	g.add(l)
}

// series adds a resistance in an element.
func (g *generator) series(id netlist.PartID, e int32, open, raised, missing float64) {
	l := whole(id)
	l.Series = true
	lo := math.Max(leastHigh, g.v.Ohms[e]/2)
	l.Modes = []ModeRange{{Open, open, math.Inf(1), math.Inf(1)}, {Missing, missing, math.Inf(1), math.Inf(1)}}
	if g.m.Elements[e].Class == network.Resistive {
		l.Modes = append(l.Modes, ModeRange{High, raised, lo, math.Max(LeakOhms, 10*lo)})
	}
	l.Change = network.Change{Kind: network.Cut, Element: e, Owner: id}
	g.add(l)
}

// joint adds the joint of a terminal. Of those that are open a share holds once it is
// melted again.
func (g *generator) joint(id netlist.PartID, t int32, w Weights, holds float64) {
	if n := g.m.Board.Parts[id].Terminals[t].Net; n == netlist.None {
		return
	}
	l := whole(id)
	l.Series, l.Terminal, l.Joint = true, t, 1
	l.Modes = []ModeRange{{OpenJoint, w.Odds("open") * holds, math.Inf(1), math.Inf(1)}, {HighJoint, w.Odds("high"), leastHigh, 1e4}}
	l.Change = network.Change{Kind: network.Detach, Contact: g.m.Contact(id, t), Owner: id,
		Cure: netlist.ResolderedTerminal(netlist.TerminalRef{Part: id, Terminal: t})}
	g.add(l)
}

// factored multiplies a weight.
func factored(w Weights, f float64) Weights { return Weights{w.Weight * f, w.Modes} }

func (g *generator) wet(name string) Weights { return factored(g.p.Copper[name], g.p.Wet[name]) }

func (g *generator) part(id netlist.PartID) {
	p := &g.m.Board.Parts[id]
	w := factored(g.p.Kinds[p.Kind.String()], g.p.Access[p.Access.String()])
	missing := g.p.Copper["missing"].Odds("open")
	if network.Pinned(p.Kind) {
		g.active(id, w)
		return
	}
	from, to := g.m.PartElements(id)
	share := 1.0
	if n := to - from; n > 1 {
		share = 1 / float64(n)
	}
	for e := from; e < to; e++ {
		g.series(id, e, w.Odds("open")*share, w.Odds("high")*share, missing*share)
	}
	pairs := leakPairs(p)
	for _, pr := range pairs {
		n := float64(len(pairs))
		g.across(id, pr[0], pr[1], w.Odds("shorted")/n, w.Odds("leaky")/n)
	}
	if from == to {
		return // a joint of a part that carries no direct current shows nowhere
	}
	for t := range p.Terminals {
		g.joint(id, int32(t), g.wet("joint"), 1)
	}
}

// leakPairs lists the pairs of terminals between which a part that is not an IC
// can short or leak.
func leakPairs(p *netlist.Part) [][2]int32 {
	var pairs [][2]int32
	switch p.Kind {
	case netlist.Filter, netlist.Crystal:
		for _, way := range p.Paths() {
			if way.Element == netlist.Blocking {
				pairs = append(pairs, [2]int32{way.From, way.To})
			}
		}
		return pairs
	case netlist.Choke:
		if len(p.Terminals) == 4 {
			return [][2]int32{{0, 2}}
		}
		return nil
	case netlist.Unknown:
		// Of many pins, each to ground: the pairs would be too many to weigh.
		if len(p.Grounds) > 0 && len(p.Terminals) > 4 {
			for t := range p.Terminals {
				if !slices.Contains(p.Grounds, int32(t)) {
					pairs = append(pairs, [2]int32{int32(t), p.Grounds[0]})
				}
			}
			return pairs
		}
	}
	for a := range p.Terminals {
		for b := a + 1; b < len(p.Terminals); b++ {
			pairs = append(pairs, [2]int32{int32(a), int32(b)})
		}
	}
	return pairs
}

// active adds the faults of an IC's or module's pins.
func (g *generator) active(id netlist.PartID, w Weights) {
	p := &g.m.Board.Parts[id]
	from, to := g.m.PartElements(id)
	joint := g.wet("joint")
	for t := range p.Terminals {
		t := int32(t)
		net := p.Terminals[t].Net
		if net == netlist.None || net == g.m.Board.Ground {
			continue
		}
		c := g.m.Contact(id, t)
		l := whole(id)
		l.Terminal = t
		l.Modes = path(w.Odds("shorted"), w.Odds("leaky"))
		l.Change = network.Change{Kind: network.AddPath, Owner: id, A: g.m.PlaceOfContact(c), B: g.m.GroundPlace()}
		g.add(l)
		if d := p.Domain[t]; d != netlist.None && d != t && p.Terminals[d].Net != net && p.Terminals[d].Net != netlist.None {
			l := whole(id)
			l.Terminal, l.Other = t, d
			l.Modes = []ModeRange{{ToSupply, w.Odds("supply"), LeastOhms, ShortOhms}}
			l.Change = network.Change{Kind: network.AddPath, Owner: id, A: g.m.PlaceOfContact(c), B: g.m.PlaceOfContact(g.m.Contact(id, d))}
			g.add(l)
		}
		holds := 1.0
		if p.Package == netlist.BallGrid {
			holds = ReflowHolds
		}
		for e := from; e < to; e++ {
			el := &g.m.Elements[e]
			if el.Origin == network.PinFromGround && el.B == c || el.Origin == network.SupplyBody && el.B == c {
				// open within the IC: both its junctions are gone, as when the
				// joint is open; so is a joint that no reflow makes hold
				l := whole(id)
				l.Series, l.Terminal = true, t
				stays := (1 - holds) * joint.Odds("open")
				l.Modes = []ModeRange{{Open, w.Odds("open") + stays, math.Inf(1), math.Inf(1)}}
				if stays > 0 {
					l.Joint = stays / (w.Odds("open") + stays)
				}
				l.Change = network.Change{Kind: network.Detach, Contact: c, Owner: id}
				g.add(l)
				g.joint(id, t, joint, holds)
				break
			}
		}
	}
}

// traces adds the breaks between neighbours of along.
func (g *generator) traces() {
	w := g.wet("trace")
	for n := range g.m.Board.Nets {
		for k := 0; k+1 < len(g.m.Board.Nets[n].Along); k++ {
			l := Locus{Part: netlist.None, Terminal: -1, Other: -1, Net: netlist.NetID(n), After: int16(k), Series: true}
			l.Modes = []ModeRange{{BrokenTrace, w.Odds("open"), math.Inf(1), math.Inf(1)}, {HighTrace, w.Odds("high"), leastHigh, 1e4}}
			l.Change = network.Change{Kind: network.Split, Net: netlist.NetID(n), After: int16(k), Owner: netlist.None,
				Cure: netlist.JoinedTrace(netlist.NetID(n), int16(k))}
			g.add(l)
		}
	}
}

// pins adds the joints of connector pins and the bridges between neighbours.
func (g *generator) pins() {
	bridge := g.wet("bridge")
	for c := range g.m.Board.Connectors {
		for i := range g.m.Board.Connectors[c].Pins {
			ref := netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}
			net := g.m.Board.Connectors[c].Pins[i].Net
			if net == netlist.None || net == g.m.Board.Ground {
				continue
			}
			g.pinJoint(ref)
			for _, o := range g.m.Board.Neighbours(ref) {
				other := g.m.Board.Connectors[o.Connector].Pins[o.Pin].Net
				if other == netlist.None || other == net || other != g.m.Board.Ground && o.Pin < ref.Pin {
					continue // the same net, or a pair met from its other end
				}
				l := Locus{Part: netlist.None, Terminal: -1, Other: -1, Net: netlist.None, Pins: [2]netlist.PinRef{ref, o}, NPins: 2}
				l.Modes = []ModeRange{{Bridged, bridge.Odds("shorted"), LeastOhms, ShortOhms}, {Leakage, bridge.Odds("leaky"), ShortOhms, LeakOhms}}
				l.Change = network.Change{Kind: network.AddPath, Owner: netlist.None, Cure: netlist.CleanedGap(ref, o),
					A: g.m.PlaceOfContact(g.m.PinContact(ref)), B: g.m.PlaceOfContact(g.m.PinContact(o))}
				g.add(l)
			}
		}
	}
}

// pinJoint adds the joint of a connector pin.
func (g *generator) pinJoint(ref netlist.PinRef) {
	w := g.wet("pin")
	l := Locus{Part: netlist.None, Terminal: -1, Other: -1, Net: netlist.None, Pins: [2]netlist.PinRef{ref}, NPins: 1, Series: true}
	l.Modes = []ModeRange{{OpenJoint, w.Odds("open"), math.Inf(1), math.Inf(1)}, {HighJoint, w.Odds("high"), leastHigh, 1e4}}
	l.Change = network.Change{Kind: network.Detach, Contact: g.m.PinContact(ref), Owner: netlist.None, Cure: netlist.ResolderedPin(ref)}
	g.add(l)
}

// GroundJoints lists the joints of the ground pins of connectors. Others carry the current
// where one is open, so that it shows only where the meter is on that very pin.
func GroundJoints(m *network.Model, p *Priors) []Locus {
	g := generator{m: m, p: p}
	for c := range m.Board.Connectors {
		for i, pin := range m.Board.Connectors[c].Pins {
			if pin.Net == m.Board.Ground {
				g.pinJoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)})
			}
		}
	}
	for i := range g.loci {
		g.loci[i].Aside = true
	}
	return g.loci
}

// Stubborn gives leakage between pins as far as it stays after a first cleaning.
func (l *Locus) Stubborn() Locus {
	out := *l
	out.Modes = nil
	for _, r := range l.Modes {
		if r.Mode == Leakage {
			r.Odds *= 1 - CleanHolds
			out.Modes = append(out.Modes, r)
		}
	}
	out.Change.Cure.Again = true
	return out
}

// stubborn adds to faults what stays after a first cleaning, where there was one.
func stubborn(loci []Locus, obs []Observation) []Locus {
	for i := range loci {
		l := &loci[i]
		if l.NPins != 2 || !slices.ContainsFunc(obs, func(o Observation) bool { return o.Edits.Repaired(l.Change.Cure) }) {
			continue
		}
		again := l.Stubborn()
		l.Modes = slices.Clone(l.Modes)
		for k := range l.Modes {
			if l.Modes[k].Mode == Leakage {
				l.Modes[k].Odds *= CleanHolds
			}
		}
		loci = append(loci, again)
	}
	return loci
}

// At gives the change with its resistance filled in.
func (l *Locus) At(ohms float64) network.Change {
	c := l.Change
	c.Ohms = ohms
	return c
}

// Name says what is bad, for people: a part, a pin, a trace.
func (l *Locus) Name(b *netlist.Board) string {
	pin := func(i int) string {
		return b.PointName(b.PinPoint(l.Pins[i]))
	}
	switch {
	case l.Part != netlist.None:
		return b.Parts[l.Part].Name
	case l.Unknown && l.Series:
		return "unknown break at " + b.Nets[l.Net].Name
	case l.Unknown:
		return "unknown path at " + b.Nets[l.Net].Name
	case l.NPins == 2:
		return pin(0) + " to " + pin(1)
	case l.NPins == 1:
		return pin(0)
	}
	n := &b.Nets[l.Net]
	return fmt.Sprintf("%s to %s", b.PointName(n.Along[l.After]), b.PointName(n.Along[l.After+1]))
}

// Names gives all names that a place goes by among people: "R12", "R12.1", "J7.2 to J7.4",
// "J7.4-J7.2".
func (l *Locus) Names(b *netlist.Board) []string {
	name := l.Name(b)
	names := []string{name}
	if x, y, two := strings.Cut(name, " to "); two && l.Part == netlist.None {
		for _, between := range []string{" to ", "-", " ", " and "} {
			names = append(names, x+between+y, y+between+x)
		}
	}
	if l.Part != netlist.None && l.Terminal >= 0 {
		names = append(names, name+"."+b.Parts[l.Part].Terminals[l.Terminal].Name)
	}
	return names
}

// FarShift bounds the change in volts of the last reading by the locus, where it
// lies on a line that the leads are not on; infinite elsewhere.
func (l *Locus) FarShift(w *network.Workspace, st *network.State, v *network.Values) float64 {
	switch c := &l.Change; c.Kind {
	case network.AddPath:
		ground := w.GroundNet()
		switch {
		case c.B.Net == ground:
			return w.FarShift(c.A.Net, st, v)
		case c.A.Net == ground:
			return w.FarShift(c.B.Net, st, v)
		case w.SameLine(c.A.Net, c.B.Net):
			return w.FarShift(c.A.Net, st, v)
		}
	case network.Cut:
		return w.LineShift(c.Element, st, v)
	case network.Split:
		return w.FarShift(c.Net, st, v)
	case network.Detach:
		return w.FarShift(w.NetOf(c.Contact), st, v)
	}
	return math.Inf(1)
}

// Touches tells whether the locus could change the reading that w has just
// taken of a board in state st: a path between places at one voltage carries
// nothing, and nor does a resistance without current. Both are exact, whatever
// the junctions do, because adding an element that carries no current leaves an
// operating point as it is; the tolerances let go of what moves a reading by
// less than a display shows.
func (l *Locus) Touches(w *network.Workspace, st *network.State, v *network.Values) bool {
	const (
		volts = 5e-4 // V between the ends of a path
		share = 5e-3 // of the test current through a series element
	)
	c := &l.Change
	if !st.Holds(c) || l.FarShift(w, st, v) < noVolts {
		return false
	}
	switch c.Kind {
	case network.AddPath:
		va, aReached := w.VoltsAt(c.A, st)
		vb, bReached := w.VoltsAt(c.B, st)
		if aReached && bReached {
			return math.Abs(va-vb) > volts
		}
		return aReached && math.Abs(va) > volts && w.ExitShift(c.A, c.B.Net, st, v) > noVolts ||
			bReached && math.Abs(vb) > volts && w.ExitShift(c.B, c.A.Net, st, v) > noVolts ||
			w.HangShift(c.A.Net, st, v) > noVolts || w.HangShift(c.B.Net, st, v) > noVolts
	case network.Cut:
		return w.Share(c.Element, st, v) > share
	case network.Detach:
		return w.Probes(c.Contact) || w.ContactShare(c.Contact, st, v) > share
	case network.Split:
		_, reached := w.VoltsAt(network.Place{Net: c.Net, Contact: network.NoContact}, st)
		return reached
	}
	return true
}
