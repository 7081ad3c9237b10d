package netlist

import (
	"math"
	"slices"
)

// Element is how a part conducts at DC between two of its terminals.
type Element uint8

// Elements.
const (
	Blocking  Element = iota // nothing flows at DC: a capacitor, a two-way clamp below its voltage
	Resistive                // a resistance
	Junction                 // a junction, anode at From and cathode at To
)

// Path is one way through a part at DC, between two of its terminals.
type Path struct {
	From, To int32 // indices in Part.Terminals; anode and cathode of a junction
	Element  Element
	Ohms     float64 // of a Resistive path, always above 0
	Stated   bool    // Ohms stands in the board file and is no default
}

// DC resistances, in ohms, of parts whose file states none. All of them:
// common practice, no source. They matter little beside the 22 ohm and more
// that tell one side of a part from the other.
const (
	beadOhms     = 0.3
	inductorOhms = 0.2
	chokeOhms    = 0.3 // each winding
	filterOhms   = 2
	fuseOhms     = 0.05
	linkOhms     = 0.02 // links, switches and resistors marked 0
	seriesOhms   = 22   // a resistor along a line
	pullOhms     = 10e3 // any other resistor
)

// Paths returns the ways through the part at DC, in a fixed order. Terminals
// that are not connected have none.
//
// An IC protects each of its pins by two junctions, from ground to the pin and
// from the pin to its supply, and conducts from ground to each supply; this is
// the usual input structure of CMOS parts (common practice, no source).
func (p *Part) Paths() []Path {
	var paths []Path
	add := func(from, to int, e Element, ohms float64, stated bool) {
		if from != to && p.Terminals[from].Net != None && p.Terminals[to].Net != None {
			paths = append(paths, Path{int32(from), int32(to), e, ohms, stated})
		}
	}
	if len(p.Terminals) < kinds[p.Kind].least {
		return nil
	}
	switch p.Kind {
	case Resistor, Inductor, Bead, Fuse, Link:
		ohms, stated := p.seriesOhms()
		add(0, 1, Resistive, ohms, stated)
	case Switch:
		// A switch to ground is a key at rest; one in a line is closed.
		if len(p.Grounds) > 0 {
			add(0, 1, Blocking, 0, false)
			break
		}
		ohms, stated := p.seriesOhms()
		add(0, 1, Resistive, ohms, stated)
	case Choke:
		ohms, stated := p.seriesOhms()
		add(0, 1, Resistive, ohms, stated)
		add(2, 3, Resistive, ohms, stated)
	case Filter:
		ohms, stated := p.seriesOhms()
		for i := range p.Terminals {
			base, number := section(p.Terminals[i].Name)
			if base == "in" {
				if out := p.find("out", number); out >= 0 {
					add(i, out, Resistive, ohms, stated)
				}
			}
			if base != "gnd" {
				if gnd := p.find("gnd", number); gnd >= 0 {
					add(i, gnd, Blocking, 0, false)
				} else if gnd := p.find("gnd", ""); gnd >= 0 {
					add(i, gnd, Blocking, 0, false)
				}
			}
		}
	case Capacitor:
		add(0, 1, Blocking, 0, false)
	case Crystal:
		for i := range p.Terminals {
			for j := i + 1; j < len(p.Terminals); j++ {
				add(i, j, Blocking, 0, false)
			}
		}
	case Diode:
		anode, cathode := 0, 1
		if k := p.find("k", ""); k >= 0 {
			anode, cathode = 1-k, k
		}
		add(anode, cathode, Junction, 0, false)
	case TVS:
		p.tvsPaths(add)
	case Transistor:
		p.transistorPaths(add)
	case IC, Module:
		p.pinPaths(add)
	}
	return paths
}

// seriesOhms returns the DC resistance along the part, and whether the file
// states it.
func (p *Part) seriesOhms() (float64, bool) {
	switch p.Kind {
	case Resistor, Filter, Link, Switch:
		if p.Value == 0 {
			return linkOhms, true
		}
		if p.Value > 0 {
			return p.Value, true
		}
	case Inductor, Fuse:
		if p.DCOhms > 0 {
			return p.DCOhms, true
		}
	}
	switch p.Kind {
	case Inductor:
		return inductorOhms, false
	case Bead:
		return beadOhms, false
	case Choke:
		return chokeOhms, false
	case Filter:
		return filterOhms, false
	case Fuse:
		return fuseOhms, false
	case Resistor:
		if p.Role == RoleSeries {
			return seriesOhms, false
		}
		return pullOhms, false
	}
	return linkOhms, false
}

// find returns the index of the terminal with a base name and section number,
// None where there is none.
func (p *Part) find(base, number string) int {
	for i := range p.Terminals {
		if b, n := section(p.Terminals[i].Name); b == base && n == number {
			return i
		}
	}
	return None
}

// tvsPaths gives the ways through a clamp. A one-way clamp conducts from
// ground to the line when the line is pulled below ground; what it clamps at
// lies beyond any meter's voltage. A clamp that touches no ground has its
// cathode first, as clamps are written line first.
func (p *Part) tvsPaths(add func(from, to int, e Element, ohms float64, stated bool)) {
	ground := 1
	if a := p.find("a", ""); a >= 0 && len(p.Terminals) == 2 {
		ground = a
	} else if len(p.Grounds) > 0 {
		ground = int(p.Grounds[0])
	}
	for i := range p.Terminals {
		switch {
		case i == ground || slices.Contains(p.Grounds, int32(i)):
		case p.Way == TwoWay:
			add(i, ground, Blocking, 0, false)
		default:
			add(ground, i, Junction, 0, false)
			if i < len(p.Domain) && p.Domain[i] != None {
				add(i, int(p.Domain[i]), Junction, 0, false)
			}
		}
	}
}

// transistorPaths gives the body diode of each field-effect transistor (source
// to drain in an n-channel one) with its gate insulated, and the two junctions
// of each bipolar one.
func (p *Part) transistorPaths(add func(from, to int, e Element, ohms float64, stated bool)) {
	for i := range p.Terminals {
		base, number := section(p.Terminals[i].Name)
		switch base {
		case "s":
			drain, gate := p.find("d", number), p.find("g", number)
			if drain < 0 || gate < 0 {
				continue
			}
			if p.Way == PType {
				add(drain, i, Junction, 0, false)
			} else {
				add(i, drain, Junction, 0, false)
			}
			add(gate, i, Blocking, 0, false)
			add(gate, drain, Blocking, 0, false)
		case "c", "e":
			switch basis := p.find("b", number); {
			case basis < 0:
			case p.Way == PType:
				add(i, basis, Junction, 0, false)
			default:
				add(basis, i, Junction, 0, false)
			}
		}
	}
}

// pinPaths gives the protection junctions of an IC or module.
func (p *Part) pinPaths(add func(from, to int, e Element, ohms float64, stated bool)) {
	ground := None
	for _, g := range p.Grounds {
		if p.Terminals[g].Net != None {
			ground = int(g)
			break
		}
	}
	for i := range p.Terminals {
		if slices.Contains(p.Grounds, int32(i)) || slices.Contains(p.Floating, int32(i)) {
			continue
		}
		if ground != None {
			add(ground, i, Junction, 0, false)
		}
		if i < len(p.Domain) && p.Domain[i] != None && !slices.Contains(p.Supplies, int32(i)) {
			add(i, int(p.Domain[i]), Junction, 0, false)
		}
	}
}

// unknown is the value of a part whose file states none.
func unknown() float64 { return math.NaN() }
