package netlist

import (
	"math"
	"slices"
	"strings"
)

// Element is how a part conducts at DC between two of its terminals.
type Element uint8

// Elements.
const (
	Blocking  Element = iota // nothing flows at DC: a capacitor, a bidirectional TVS below its voltage
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
	k := &kinds[p.Kind]
	if len(p.Terminals) < k.least || k.conducts == nil {
		return nil
	}
	w := &ways{Part: p}
	w.ohms, w.stated = p.seriesOhms()
	k.conducts(w)
	return w.paths
}

// seriesOhms returns the DC resistance along the part, and whether the file
// states it.
func (p *Part) seriesOhms() (float64, bool) {
	switch p.Kind {
	case Resistor, Filter, Link, Switch: // of the other kinds it is not the DC resistance
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
	if p.Kind == Resistor && p.Role == RoleSeries {
		return seriesOhms, false
	}
	return kinds[p.Kind].ohms, false
}

// ways gathers the ways through a part.
type ways struct {
	*Part
	ohms   float64 // along the part
	stated bool
	paths  []Path
}

// add adds a way between two terminals that are connected.
func (w *ways) add(from, to int, e Element) {
	if from == to || w.Terminals[from].Net == None || w.Terminals[to].Net == None {
		return
	}
	path := Path{From: int32(from), To: int32(to), Element: e}
	if e == Resistive {
		path.Ohms, path.Stated = w.ohms, w.stated
	}
	w.paths = append(w.paths, path)
}

func along(w *ways) { w.add(0, 1, Resistive) }

func blocks(w *ways) { w.add(0, 1, Blocking) }

func windings(w *ways) {
	w.add(0, 1, Resistive)
	w.add(2, 3, Resistive)
}

// switchWays takes a switch to ground for a key at rest; one in a line is closed.
func switchWays(w *ways) {
	if len(w.Grounds) > 0 {
		blocks(w)
	} else {
		along(w)
	}
}

func filterWays(w *ways) {
	for i := range w.Terminals {
		base, number := section(w.Terminals[i].Name)
		if base == "in" {
			if out := w.find("out", number); out >= 0 {
				w.add(i, out, Resistive)
			}
		}
		if base != "gnd" {
			if gnd := w.find("gnd", number); gnd >= 0 {
				w.add(i, gnd, Blocking)
			} else if gnd := w.find("gnd", ""); gnd >= 0 {
				w.add(i, gnd, Blocking)
			}
		}
	}
}

func crystalWays(w *ways) {
	for i := range w.Terminals {
		for j := i + 1; j < len(w.Terminals); j++ {
			w.add(i, j, Blocking)
		}
	}
}

func diodeWays(w *ways) {
	anode, cathode := 0, 1
	if k := w.find("k", ""); k >= 0 {
		anode, cathode = 1-k, k
	}
	w.add(anode, cathode, Junction)
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

// tvsWays gives the ways through a TVS. A unidirectional TVS conducts from
// ground to the line when the line is pulled below ground; what it clamps at
// lies beyond any meter's voltage. A TVS that touches no ground has its
// cathode first, as a TVS is written line first.
func tvsWays(w *ways) {
	ground := 1
	if a := w.find("a", ""); a >= 0 && len(w.Terminals) == 2 {
		ground = a
	} else if len(w.Grounds) > 0 {
		ground = int(w.Grounds[0])
	}
	for i := range w.Terminals {
		switch {
		case i == ground || slices.Contains(w.Grounds, int32(i)):
		case w.Direction == Bidirectional:
			w.add(i, ground, Blocking)
		default:
			w.add(ground, i, Junction)
			if i < len(w.Domain) && w.Domain[i] != None {
				w.add(i, int(w.Domain[i]), Junction)
			}
		}
	}
}

// transistorWays gives the body diode of each field-effect transistor (source
// to drain in an n-channel one) with its gate insulated, and the two junctions
// of each bipolar one.
func transistorWays(w *ways) {
	for i := range w.Terminals {
		base, number := section(w.Terminals[i].Name)
		switch base {
		case "s":
			drain, gate := w.find("d", number), w.find("g", number)
			if drain < 0 || gate < 0 {
				continue
			}
			if w.Channel == PChannel {
				w.add(drain, i, Junction)
			} else {
				w.add(i, drain, Junction)
			}
			w.add(gate, i, Blocking)
			w.add(gate, drain, Blocking)
		case "c", "e":
			switch basis := w.find("b", number); {
			case basis < 0:
			case w.Channel == PChannel:
				w.add(i, basis, Junction)
			default:
				w.add(basis, i, Junction)
			}
		}
	}
}

// pinWays gives the protection junctions of an IC or module.
func pinWays(w *ways) {
	ground := None
	for _, g := range w.Grounds {
		if w.Terminals[g].Net != None {
			ground = int(g)
			break
		}
	}
	for i := range w.Terminals {
		if slices.Contains(w.Grounds, int32(i)) || slices.Contains(w.Floating, int32(i)) {
			continue
		}
		if ground != None {
			w.add(ground, i, Junction)
		}
		if i < len(w.Domain) && w.Domain[i] != None && !slices.Contains(w.Supplies, int32(i)) {
			w.add(i, int(w.Domain[i]), Junction)
		}
	}
}

// unknown is the value of a part whose file states none.
func unknown() float64 { return math.NaN() }

// section takes a terminal name apart: "out2" is the "out" of section "2".
func section(name string) (base, number string) {
	base = strings.TrimRight(name, "0123456789")
	return strings.ToLower(base), name[len(base):]
}
