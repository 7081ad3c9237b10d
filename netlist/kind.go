package netlist

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Kind is what a part is.
type Kind uint8

// Kinds of parts. Their numbers are part of Board.Identity: a new kind goes to the
// end. Inductor and bead differ in what their value means: an
// inductance, or the impedance at 100 MHz, neither of which a meter sees.
const (
	NoKind     Kind = iota
	Resistor        // two terminals
	Capacitor       // two terminals
	Inductor        // two terminals; value in henry, or in ohm for its DC resistance
	Bead            // two terminals; value is the impedance at 100 MHz
	Filter          // in, out, gnd, or in1, out1, in2, ...; value is the DC resistance along it
	Choke           // two coupled windings, 1-2 and 3-4; value is the impedance at 100 MHz
	Fuse            // two terminals; value in ampere, or in ohm for its DC resistance
	Link            // 0 ohm, two terminals
	Switch          // two terminals
	Diode           // anode, then cathode; or a and k
	TVS             // line, then ground; arrays have more terminals
	Transistor      // g d s or b c e
	Crystal         // two to four terminals
	IC              // any terminals
	Module          // any terminals
	Unknown         // any terminals; nobody knows whether it conducts
)

// Class is where a part of a kind usually stands on a line.
type Class uint8

// Classes: along the line, between the line and ground, or at its end.
const (
	Series Class = iota
	Shunt
	Active
)

// kinds holds what is known of each kind. Its order is that of the constants.
var kinds = [...]struct {
	name      string
	unit      quantity.Unit // of the value; None means free text, such as a part number
	also      quantity.Unit // another unit that the value may have, for the DC resistance
	class     Class
	list      []string // names of the terminals in list form; nil counts them 1, 2, ...
	named     []string // names in mapping form, each with an optional number; nil allows any
	least     int      // number of terminals
	most      int      // 0 means any
	terminals string   // how the terminals are written, for messages

	conducts func(*ways)                   // at DC; nil where nobody knows
	ohms     float64                       // DC resistance along it where the file states none
	role     func(rails, grounds int) Role // by its terminals on rails and on ground; nil means Required
	spare    bool                          // a line can do without it, so that a jumper may take its place
}{
	NoKind:     {},
	Resistor:   {"resistor", quantity.Ohm, 0, Series, nil, []string{""}, 2, 2, "[A, B]", along, pullOhms, resistorRole, false},
	Capacitor:  {"capacitor", quantity.Farad, 0, Shunt, nil, []string{""}, 2, 2, "[A, B]", blocks, 0, capacitorRole, false},
	Inductor:   {"inductor", quantity.Henry, quantity.Ohm, Series, nil, []string{""}, 2, 2, "[A, B]", along, inductorOhms, lineRole, false},
	Bead:       {"bead", quantity.Ohm, 0, Series, nil, []string{""}, 2, 2, "[A, B]", along, beadOhms, lineRole, true},
	Filter:     {"filter", quantity.Ohm, 0, Series, []string{"in", "out", "gnd"}, []string{"in", "out", "gnd"}, 3, 0, "{in: A, out: B, gnd: GND}", filterWays, filterOhms, always(RoleSeries), true},
	Choke:      {"choke", quantity.Ohm, quantity.Henry, Series, nil, []string{""}, 4, 4, "{1: A, 2: A_U, 3: B, 4: B_U}, where 1-2 is one winding and 3-4 the other", windings, chokeOhms, lineRole, false},
	Fuse:       {"fuse", quantity.Ampere, quantity.Ohm, Series, nil, []string{""}, 2, 2, "[A, B]", along, fuseOhms, lineRole, false},
	Link:       {"link", quantity.Ohm, 0, Series, nil, []string{""}, 2, 2, "[A, B]", along, linkOhms, lineRole, true},
	Switch:     {"switch", quantity.Ohm, 0, Series, nil, []string{""}, 2, 2, "[A, B]", switchWays, linkOhms, nil, false},
	Diode:      {"diode", quantity.None, 0, Shunt, nil, []string{"", "a", "k"}, 2, 2, "[anode, cathode] or {a: A, k: B}", diodeWays, 0, nil, false},
	TVS:        {"tvs", quantity.None, 0, Shunt, nil, nil, 2, 0, "[line, GND]", tvsWays, 0, always(RoleFilter), false},
	Transistor: {"transistor", quantity.None, 0, Active, nil, []string{"g", "d", "s", "b", "c", "e"}, 3, 0, "{g: A, d: B, s: C} or {b: A, c: B, e: C}", transistorWays, 0, nil, false},
	Crystal:    {"crystal", quantity.None, 0, Active, nil, nil, 2, 4, "[A, B]", crystalWays, 0, nil, false},
	IC:         {"ic", quantity.None, 0, Active, nil, nil, 1, 0, "{A1: VDD, B2: LINE, C3: GND}", pinWays, 0, nil, false},
	Module:     {"module", quantity.None, 0, Active, nil, nil, 1, 0, "{1: VDD, 2: LINE, 3: GND}", pinWays, 0, nil, false},
	Unknown:    {"unknown", quantity.None, 0, Active, nil, nil, 1, 0, "{1: A, 2: B, 3: C}", nil, 0, nil, false},
}

// kindAlso are words of the bench that are taken for a kind.
var kindAlso = map[string]string{
	"r": "resistor", "c": "capacitor", "l": "inductor", "d": "diode", "q": "transistor", "u": "ic", // their letters in reference designations (IEEE 315, from memory)
	"res": "resistor", "cap": "capacitor", "ind": "inductor", "coil": "inductor",
	"ferrite": "bead", "ferrite bead": "bead", "emi": "filter", "emi filter": "filter", "cmc": "choke", "common-mode choke": "choke",
	"button": "switch", "key": "switch",
	"led": "diode", "schottky": "diode", "rectifier": "diode", "zener": "diode",
	"esd": "tvs", "suppressor": "tvs", "varistor": "tvs",
	"mosfet": "transistor", "fet": "transistor", "bjt": "transistor",
	"xtal": "crystal", "quartz": "crystal", "resonator": "crystal",
	"chip": "ic", "ldo": "ic", "regulator": "ic", "mcu": "ic", "cpu": "ic", "soc": "ic", "pmic": "ic", "opamp": "ic",
}

// kindMeans are words that may mean a kind, and the kind: a person has to say so,
// since something else than the word is to be written beside it.
var kindMeans = map[string]string{
	"thermistor": "resistor", "ntc": "resistor", "ptc": "fuse", "polyfuse": "fuse",
	"transformer": "choke", "bridge": "link", "mov": "tvs",
	"npn": "transistor", "pnp": "transistor", "nmos": "transistor", "pmos": "transistor",
	"oscillator": "ic", "motor": "module", "sensor": "module", "display": "module",
}

// kindShape takes the name of a kind.
var kindShape = &document.Shape{Doc: "What the part is.", Enum: KindNames(), Also: kindAlso, Means: kindMeans, Was: wasKind, Example: "resistor"}

// String returns the kind as the board file writes it.
func (k Kind) String() string { return kinds[k].name }

// Unit returns the unit of Part.Value. None means that the value is free text
// and Part.Value is NaN.
func (k Kind) Unit() quantity.Unit { return kinds[k].unit }

// Class tells where a part of the kind usually stands on a line.
func (k Kind) Class() Class { return kinds[k].class }

// Spare tells the kinds that a line can do without, so that a jumper may take the
// place of one (common practice, no source): you lose filtering, not protection or a
// set current.
func (k Kind) Spare() bool { return kinds[k].spare }

// KindNames lists the kinds as the board file writes them.
func KindNames() []string {
	names := make([]string, 0, len(kinds)-1)
	for _, k := range kinds[1:] {
		names = append(names, k.name)
	}
	return names
}

// ParseKind finds a kind by its name in the board file, or by a word of the bench
// for it, in capital or small letters.
func ParseKind(name string) (Kind, bool) {
	name, _ = kindShape.Word(name)
	for k := range kinds {
		if k > 0 && kinds[k].name == name {
			return Kind(k), true
		}
	}
	return NoKind, false
}

// wrongTerminals says what is wrong with a part's terminal names, "" if
// nothing.
func (k Kind) wrongTerminals(terminals []Terminal) (what, do string) {
	info := kinds[k]
	do = "write its pins as " + info.terminals
	n := len(terminals)
	if n < info.least || info.most > 0 && n > info.most {
		switch {
		case info.least == info.most:
			what = fmt.Sprintf("a %s has %d terminals, not %d", k, info.least, n)
		case n < info.least:
			what = fmt.Sprintf("a %s has at least %d terminals, not %d", k, info.least, n)
		default:
			what = fmt.Sprintf("a %s has at most %d terminals, not %d", k, info.most, n)
		}
		if n > 2 && info.most == 2 {
			do += "; an array is written as one part for each element"
		}
		return what, do
	}
	if info.named == nil {
		return "", ""
	}
	sections := make(map[string]string) // the bases of each section, in any order
	for _, t := range terminals {
		base, number := section(t.Name)
		known := false
		for _, name := range info.named {
			fits := name == "" && within(number, info.most) || name != "" && (number == "" || k != Diode)
			known = known || name == base && fits
		}
		if !known {
			return fmt.Sprintf("a %s has no terminal %s", k, document.Quote(t.Name)), do
		}
		sections[number] += base
	}
	switch k {
	case Diode:
		if bases := sections[""]; bases == "" || bases == "ak" || bases == "ka" {
			return "", ""
		}
		return "a diode has either the terminals `1` and `2` or `a` and `k`", do
	case Filter:
		for number, bases := range sections {
			if strings.Contains(bases, "in") != strings.Contains(bases, "out") {
				return fmt.Sprintf("in section %s of the filter `in` or `out` is missing", document.Quote(number)), do
			}
		}
	case Transistor:
		for _, bases := range sections {
			if field := strings.ContainsAny(bases, "gds"); len(bases) != 3 || field && strings.ContainsAny(bases, "bce") {
				return "each transistor has three terminals, g d s or b c e", do
			}
		}
	}
	return "", ""
}

// within tells that a terminal number is one of 1 to most.
func within(number string, most int) bool {
	return len(number) == 1 && number[0] >= '1' && int(number[0]-'0') <= most
}

// Polarised tells that a part has a right way round, so that its mark matters once it
// was soldered on: what conducts by a junction. Of an electrolytic capacitor a board
// file does not say that it is one.
func (p *Part) Polarised() bool {
	switch p.Kind {
	case Diode, Transistor, IC, Module:
		return true
	case TVS:
		return p.Direction != Bidirectional
	}
	return false
}

// Role is what a part is there for, which decides whether it may be left off
// or bridged.
type Role uint8

// Roles.
const (
	NoRole     Role = iota
	RoleFilter      // filters or protects a line; the line works without it
	RoleBypass      // steadies a rail; the rail mostly works without one of several
	RoleSeries      // carries the line
	RolePull        // holds a line up or down
	Required        // nothing works without it
)

var roles = [...]string{"", "filter", "bypass", "series", "pull", "required"}

// String returns the role as the board file writes it.
func (r Role) String() string { return roles[r] }

// Access is what stands between the bench and a part.
type Access uint8

// Accesses, from the easiest.
const (
	Open      Access = iota // can be reached
	Shield                  // under a can that has to come off
	Underfill               // glued down
)

var accesses = [...]string{"open", "shield", "underfill"}

// String returns the access as the board file writes it.
func (a Access) String() string { return accesses[a] }

// Package is how the joints of an IC or module are reached.
type Package uint8

// Packages.
const (
	NoPackage Package = iota // of other kinds
	Leaded                   // each joint can be reached with an iron
	BallGrid                 // the joints lie under the part
)

var packages = [...]string{"", "leaded", "ball-grid"}

// String returns the package as the board file writes it.
func (p Package) String() string { return packages[p] }

// Numbering is how pin numbers run over a connector of two rows.
type Numbering uint8

// Numberings.
const (
	Alternate Numbering = iota // odd numbers in one row, even in the other
	Around                     // along one row and back along the other
)

var numberings = [...]string{"alternate", "around"}

// String returns the numbering as the board file writes it.
func (n Numbering) String() string { return numberings[n] }

// Direction is in which direction a TVS conducts below its breakdown voltage.
type Direction uint8

// Directions. A TVS is unidirectional unless the file says otherwise.
const (
	NoDirection Direction = iota
	Unidirectional
	Bidirectional
)

var directions = [...]string{"", "unidirectional", "bidirectional"}

// String returns the direction as the board file writes it.
func (d Direction) String() string { return directions[d] }

// Channel is the type of a transistor.
type Channel uint8

// Channels.
const (
	NoChannel Channel = iota
	NChannel          // or npn
	PChannel          // or pnp
)

var channels = [...]string{"", "n", "p"}

// String returns the channel as the board file writes it.
func (c Channel) String() string { return channels[c] }

// choice finds a text among names and returns its index, 0 where it is not
// there.
func choice(text string, names []string) int {
	return max(0, slices.Index(names, text))
}

func always(r Role) func(rails, grounds int) Role {
	return func(int, int) Role { return r }
}

func capacitorRole(rails, grounds int) Role {
	switch {
	case rails > 0 && rails+grounds == 2:
		return RoleBypass
	case rails+grounds > 0:
		return RoleFilter
	}
	return RoleSeries // it couples two lines
}

func resistorRole(rails, grounds int) Role {
	if rails+grounds > 0 && rails < 2 {
		return RolePull
	}
	return RoleSeries
}

// lineRole is of parts that carry a line; what they carry to ground is needed.
func lineRole(_, grounds int) Role {
	if grounds > 0 {
		return Required
	}
	return RoleSeries
}
