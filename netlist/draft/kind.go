package draft

import (
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist"
)

// verdict is what a component is taken for.
type verdict struct {
	sort Sort
	kind netlist.Kind
	// array tells that the component holds several parts of its kind.
	array bool
	// open tells that it is a switch or jumper that does not conduct at rest.
	open bool
	// surely tells that a part with the reference of an IC may be this all the same.
	surely bool
	// wobbly says why the verdict is not sure; empty where it is.
	wobbly string
}

// rule takes a component to be of a kind where a text has the words. Words are
// looked for in a text of small letters in which single spaces stand for all that
// is no letter, digit or sign, and before and after it.
type rule struct {
	words *regexp.Regexp
	is    verdict
	// least and most are the numbers of pads that such a component can have; most
	// is 0 where there is no limit.
	least, most int
	// role tells that in a name the words are what the thing serves ("Flash_Con"),
	// not what it is.
	role bool
}

func words(pattern string) *regexp.Regexp {
	return regexp.MustCompile(" (?:" + pattern + ") ")
}

// begins is words for those that mean a kind only where a text begins with them, such
// as the single letters that symbols are called by.
func begins(pattern string) *regexp.Regexp {
	return regexp.MustCompile("^ (?:" + pattern + ") ")
}

// rules are the words of the trade for things on a board, in English, in the order
// in which they are tried: the narrower before the wider (common practice, no
// source; the names of symbols are those that KiCad's own libraries use, from
// memory).
var rules = []rule{
	{words(`test ?(point|pad)s?( .*)?|tp( .*)?|probe point|.* clip`), verdict{sort: IsTestPoint}, 1, 1, false},
	{words(`mounting ?holes?\w*|tooling holes?|fiducials?\w*|logos?|heat ?sinks?|standoffs?|(rf )?shield(ing)? (frame|cover|can|fence|case)s?|enclosures?|housings?|mechanical|cases?|graphics?|panels? outline`), verdict{sort: IsNothing}, 0, 12, false},
	{words(`(solder )?(jumpers?|bridges?) (\d )?(no|open(ed)?)( .*)?|jumper no( .*)?|solderjumper \d open( .*)?`), verdict{kind: netlist.Link, open: true}, 2, 3, false},
	{words(`net ?ties?( \d)?|(solder )?jumpers?( .*)?|solderjumper( .*)?|solder bridges?|sj( ?\w*)?|zero ohms?|0 ohms?|wire links?`), verdict{kind: netlist.Link}, 2, 3, false},
	{words(`oscillators?( .*)?|(tc|vc|vctc|oc|mem|memt)?xos?`), verdict{kind: netlist.IC}, 3, 0, false},
	{words(`crystals?( .*)?|xtals?\w*|quartz|(ceramic )?resonators?`), verdict{kind: netlist.Crystal}, 2, 4, false},
	{words(`varistors?|movs?|vdrs?|spark gaps?|gas discharge( .*)?|gdts?`), verdict{kind: netlist.TVS}, 2, 3, false},
	{words(`(d )?tvs\w*|esd|(.* )?transient voltage .*|(esd )?protection (diodes?|arrays?)|suppress(or|er|ion)s?|clamps?|surge \w+|power protection`), verdict{kind: netlist.TVS}, 2, 0, false},
	{words(`common ?mode|cmcs?|commonmode|emi filter common ?mode|baluns?|transformers?|coupled inductors?|l coupled|inductors? coupled`), verdict{kind: netlist.Choke}, 3, 0, false},
	{words(`high ?pass( .*)?|band ?pass( .*)?|saw|d[iu]plexers?|(opto|photo) ?(couplers?|isolators?|transistors?|mos)|optocoupler( .*)?|isolators?`), verdict{kind: netlist.Unknown, surely: true}, 3, 0, false},
	{words(`emi|fil|filters?|filtre|low ?pass|feed ?through( .*)?`), verdict{kind: netlist.Filter}, 3, 0, false},
	{words(`(l )?ferrites?\w*|(chip |ferrite)?beads?|ferritebeads?|fb ?\d*|emi|filters?|filtre`), verdict{kind: netlist.Bead}, 2, 2, false},
	{words(`ferrite( bead)? arrays?|bead arrays?`), verdict{kind: netlist.Bead, array: true}, 4, 0, false},
	{words(`poly ?fuses?\w*|resettable|pptcs?|ptcs?|fuses?\w*`), verdict{kind: netlist.Fuse}, 2, 2, false},
	{words(`thermistors?( .*)?|ntcs?`), verdict{kind: netlist.Resistor}, 2, 2, false},
	{words(`potentiometers?|trimmers?|trim ?pots?|variable resistors?|relays?|motors?|buzzers?|beepers?|speakers?|loudspeakers?|microphones?|antennas?|aerials?|thyristors?|scrs?|triacs?|diacs?|solenoids?|vibrators?|lamps?`), verdict{kind: netlist.Unknown}, 2, 0, false},
	{words(`antennas?|aerials?`), verdict{sort: IsNothing}, 1, 1, false},
	{words(`conn(ector)?s?( .*)?|con\d*|(pin )?(headers?|sockets?|strips?)|receptacles?|plugs?|jacks?|terminal ?blocks?|screw ?terminals?|ffcs?|fpcs?|card edge|edge ?connector|usb (mini|micro|otg|type|[abc])( .*)?|usb[abc]|(micro |mini )?sd( card)?|micro ?sd\w*|sim card|hdmi|rj ?\d+\w*|(d ?sub|db)\d*|barrel\w*|coax(ial)?|batter(y|ies)( .*)?|cells?|board to board|mezzanine|pogo`), verdict{sort: IsConnector}, 1, 0, false},
	{words(`push ?buttons?|buttons?|sw push( .*)?|tact(ile)?( .*)?|key ?switch(es)?|switch push|momentary`), verdict{kind: netlist.Switch, open: true}, 2, 0, false},
	{words(`switch(es)?( .*)?|sw( .*)?`), verdict{kind: netlist.Switch}, 2, 0, false},
	{words(`leds?( .*)?|diodes?( .*)?|schottky|zeners?|rectifiers?|1n\d+\w*|1ss\d+\w*`), verdict{kind: netlist.Diode}, 2, 8, false},
	{begins(`d( \w+)?`), verdict{kind: netlist.Diode}, 2, 3, false},
	{words(`transistors?|([np] ?)?mosfets?|[np] ?mos( .*)?|[np] ?(channel|ch)( .*)?|j?fets?|npn( .*)?|pnp( .*)?|bjts?|2n\d+\w*|2s[abcdjk]\d+\w*`), verdict{kind: netlist.Transistor}, 3, 8, false},
	{begins(`q( [np])? \w+`), verdict{kind: netlist.Transistor}, 3, 8, false},
	{words(`(r|res|resistors?) ?(pack|network|array)s?\w*( .*)?|ra\d+( .*)?`), verdict{kind: netlist.Resistor, array: true}, 3, 0, false},
	{words(`(capacitor|cap|c) ?(pack|network|array)s?\w*`), verdict{kind: netlist.Capacitor, array: true}, 3, 0, false},
	{begins(`r( .*)?`), verdict{kind: netlist.Resistor}, 2, 2, false},
	{begins(`(c|cp1?)( .*)?`), verdict{kind: netlist.Capacitor}, 2, 2, false},
	{begins(`l( .*)?`), verdict{kind: netlist.Inductor}, 2, 2, false},
	{words(`res|resistors?|shunt`), verdict{kind: netlist.Resistor}, 2, 2, false},
	{words(`caps?|capacitors?|elco|electrolytic|mlcc`), verdict{kind: netlist.Capacitor}, 2, 2, false},
	{words(`ind|inductors?|inductr|coils?|chokes?`), verdict{kind: netlist.Inductor}, 2, 2, false},
	{words(`modules?|displays?|lcds?|oleds?`), verdict{kind: netlist.Module}, 2, 0, true},
	{words(`ics?|mcus?|cpus?|soc|(linear |switching |voltage |dc dc )*(regulators?|converters?|controllers?)( .*)?|memory|flash|eeprom|sd?ram|logic|74\w+|4000|amplifiers?( .*)?|op ?amps?|comparators?|interface( .*)?|transceivers?|sensors?( .*)?|drivers?( .*)?|power management|supervisors?|fpgas?|cplds?|dsps?|analog( .*)?|timers?|buffers?|gates?|audio|rf( .*)?|processors?`), verdict{kind: netlist.IC}, 3, 0, true},
}

// letters are the class letters that references begin with: those of IEEE 315, and
// what else board makers commonly write (common practice). A reference counts where
// these are all its letters.
var letters = map[string]verdict{
	"R": {kind: netlist.Resistor}, "C": {kind: netlist.Capacitor}, "L": {kind: netlist.Inductor},
	"RN": {kind: netlist.Resistor, array: true}, "RA": {kind: netlist.Resistor, array: true}, "RM": {kind: netlist.Resistor, array: true}, "RP": {kind: netlist.Resistor, array: true}, "CA": {kind: netlist.Capacitor, array: true},
	"FB": {kind: netlist.Bead}, "FL": {kind: netlist.Filter}, "CMC": {kind: netlist.Choke}, "TR": {kind: netlist.Choke},
	"F": {kind: netlist.Fuse}, "FUSE": {kind: netlist.Fuse}, "TH": {kind: netlist.Resistor}, "RT": {kind: netlist.Resistor}, "NTC": {kind: netlist.Resistor},
	"D": {kind: netlist.Diode}, "LED": {kind: netlist.Diode}, "ZD": {kind: netlist.Diode}, "DS": {kind: netlist.Diode},
	"ESD": {kind: netlist.TVS}, "TVS": {kind: netlist.TVS}, "VD": {kind: netlist.TVS}, "RV": {kind: netlist.TVS}, "MOV": {kind: netlist.TVS},
	"Q": {kind: netlist.Transistor}, "T": {kind: netlist.Transistor}, "FET": {kind: netlist.Transistor},
	"Y": {kind: netlist.Crystal}, "XTAL": {kind: netlist.Crystal}, "X": {kind: netlist.Crystal},
	"U": {kind: netlist.IC}, "IC": {kind: netlist.IC}, "N": {kind: netlist.IC}, "VR": {kind: netlist.IC}, "REG": {kind: netlist.IC}, "OSC": {kind: netlist.IC},
	"MOD": {kind: netlist.Module}, "M": {kind: netlist.Module}, "A": {kind: netlist.Module},
	"SW": {kind: netlist.Switch}, "S": {kind: netlist.Switch}, "KEY": {kind: netlist.Switch, open: true}, "BTN": {kind: netlist.Switch, open: true}, "RESET": {kind: netlist.Switch, open: true},
	"JP": {kind: netlist.Link}, "SJ": {kind: netlist.Link}, "W": {kind: netlist.Link}, "LK": {kind: netlist.Link}, "NT": {kind: netlist.Link},
	"J": {sort: IsConnector}, "P": {sort: IsConnector}, "CN": {sort: IsConnector}, "CON": {sort: IsConnector}, "CONN": {sort: IsConnector}, "XP": {sort: IsConnector}, "XS": {sort: IsConnector}, "HDR": {sort: IsConnector}, "BT": {sort: IsConnector}, "BAT": {sort: IsConnector}, "USB": {sort: IsConnector},
	"TP": {sort: IsTestPoint}, "FID": {sort: IsNothing}, "FD": {sort: IsNothing}, "MH": {sort: IsNothing}, "H": {sort: IsNothing}, "MP": {sort: IsNothing}, "LOGO": {sort: IsNothing},
	"K": {kind: netlist.Unknown}, "LS": {kind: netlist.Unknown}, "BZ": {kind: netlist.Unknown}, "MK": {kind: netlist.Unknown}, "ANT": {kind: netlist.Unknown}, "AE": {kind: netlist.Unknown},
}

// integrated are references that say that a part is an IC whatever else is said,
// unless its symbol names another kind: descriptions of ICs are full of the words
// for other parts ("switch", "driver with ESD protection").
var integrated = []string{"U", "IC", "N", "VR", "REG"}

// fold makes a text one for rules: small letters, and single spaces for all that is
// no letter, digit or sign.
func fold(text string) string {
	var b strings.Builder
	b.WriteByte(' ')
	space := true
	for _, r := range text {
		if r >= 'A' && r <= 'Z' {
			r += 'a' - 'A'
		}
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r >= 0x80 {
			b.WriteRune(r)
			space = false
		} else if !space {
			b.WriteByte(' ')
			space = true
		}
	}
	if !space {
		b.WriteByte(' ')
	}
	return b.String()
}

// match finds the first rule whose words a text has and whose number of pads fits.
func match(text string, pads int, name bool) (verdict, bool) {
	if len(text) > 300 {
		text = text[:300]
	}
	text = fold(text)
	if text == " " {
		return verdict{}, false
	}
	for _, r := range rules {
		if !(name && r.role) && pads >= r.least && (r.most == 0 || pads <= r.most) && r.words.MatchString(text) {
			return r.is, true
		}
	}
	return verdict{}, false
}

// kindOf tells what a component is from everything that speaks: what somebody
// stated, the symbol, its library, description and keywords, the footprint, the
// value, pads, and the reference last.
func kindOf(c *Component) verdict {
	switch stated := strings.ToLower(c.Stated); stated {
	case "":
	case "connector":
		return verdict{sort: IsConnector}
	case "test point", "testpoint", "test_point":
		return verdict{sort: IsTestPoint}
	default:
		if kind, ok := netlist.ParseKind(stated); ok {
			return verdict{kind: kind}
		}
	}
	pads := distinct(c)
	byReference, known := letters[class(c.Name)]
	ic := known && byReference.kind == netlist.IC && slices.Contains(integrated, class(c.Name))

	if v, ok := match(c.Stated, pads, false); ok {
		return v
	}
	// A symbol that is called by a part number matches nothing; one that is called by
	// a kind says it first. The words of an IC are not looked at further.
	for _, x := range []struct {
		text string
		name bool
	}{{c.Symbol, true}, {c.Library, false}} {
		if v, ok := match(x.text, pads, x.name); ok && !(ic && v.trifle() && !(v.sort == IsConnector && connectorWord.MatchString(fold(x.text)))) {
			return v.supplied(c)
		}
	}
	if ic && pads >= 3 {
		if v, ok := match(c.Value, pads, true); ok && !v.trifle() {
			return v.supplied(c)
		}
		return verdict{kind: netlist.IC}
	}
	for _, text := range []string{c.Description, c.Keywords} {
		if v, ok := match(text, pads, false); ok {
			return v.supplied(c)
		}
	}
	if known && byReference.fits(pads) {
		// What the reference says stands, unless the footprint or the value names
		// something else.
		for i, text := range []string{c.Footprint, c.Value} {
			if v, ok := match(text, pads, true); ok && (v.sort != byReference.sort || v.kind != byReference.kind) && v.narrower(byReference) && (i == 0 || v.valued()) {
				v.wobbly = "kind by its footprint or value"
				return v.supplied(c)
			}
		}
		return byReference.supplied(c)
	}
	for _, x := range []struct{ text, why string }{{c.Footprint, "kind by its footprint"}, {c.Value, "kind by its value"}} {
		if v, ok := match(x.text, pads, true); ok {
			v.wobbly = x.why
			return v.supplied(c)
		}
	}
	for _, token := range strings.FieldsFunc(c.Name, func(r rune) bool { return r == '_' || r == '-' || r == '.' || r == ' ' }) {
		if v, ok := letters[class(token)]; ok && len(class(token)) > 1 && v.fits(pads) {
			v.wobbly = "kind by a part of its reference"
			return v.supplied(c)
		}
		if v, ok := match(class(token), pads, true); ok && len(token) > 2 {
			v.wobbly = "kind by a part of its reference"
			return v.supplied(c)
		}
	}
	return byShape(c, pads)
}

// trifle tells that a part with the reference of an IC is none of this kind though a
// word of it stands in its name: an analog switch, a LED driver, a supply for a USB
// connector.
func (v verdict) trifle() bool {
	switch v.kind {
	case netlist.TVS, netlist.Filter, netlist.Choke, netlist.Module, netlist.IC, netlist.Crystal:
		return false
	}
	return !v.array && !v.surely
}

var connectorWord = words(`conn(ector)?s?( .*)?`)

// narrower tells that what a footprint or value says is worth more than a letter:
// R with the footprint of a header is a header, but U in a package for transistors is
// still an IC.
func (v verdict) narrower(than verdict) bool {
	switch than.sort {
	case IsConnector:
		return v.sort == IsTestPoint || v.sort == IsNothing
	case IsPart:
		switch than.kind {
		case netlist.IC, netlist.Module:
			return v.sort == IsConnector
		case netlist.Transistor:
			return v.kind != netlist.Diode && v.kind != netlist.IC
		}
		return true
	}
	return false
}

// valued tells that people write the kind into the value: elsewhere a value is what
// a thing is for ("switch" of a transistor).
func (v verdict) valued() bool {
	switch v.kind {
	case netlist.TVS, netlist.Bead, netlist.Crystal, netlist.Link, netlist.Choke:
		return true
	}
	return v.sort == IsTestPoint || v.sort == IsNothing
}

// supplied takes what has a supply pin to be an IC: an oscillator among crystals, a LED
// with a controller among diodes. Of parts that protect, it is an output that tells.
func (v verdict) supplied(c *Component) verdict {
	has := func(types ...string) bool {
		return slices.ContainsFunc(c.Pads, func(p Pad) bool {
			return !groundName.MatchString(lastName(p.Net)) && slices.ContainsFunc(types, func(t string) bool { return isType(p.Type, t) })
		})
	}
	switch v.kind {
	case netlist.Crystal, netlist.Diode, netlist.Switch, netlist.Unknown:
		if has("power_in") {
			return verdict{kind: netlist.IC}
		}
	case netlist.TVS:
		if len(c.Pads) > 3 && has("power_out", "output", "open_collector") {
			return verdict{kind: netlist.IC}
		}
	}
	return v
}

// fits tells that a component of the kind can have so many pads.
func (v verdict) fits(pads int) bool {
	switch v.sort {
	case IsTestPoint:
		return pads == 1
	case IsConnector:
		return true
	case IsNothing:
		return pads <= 1
	}
	if v.array {
		return pads >= 3
	}
	switch v.kind {
	case netlist.Resistor, netlist.Capacitor, netlist.Inductor, netlist.Bead, netlist.Fuse:
		return pads == 2
	case netlist.Link:
		return pads == 2 || pads == 3
	case netlist.Transistor:
		return pads >= 3 && pads <= 8
	case netlist.Filter, netlist.IC:
		return pads >= 3
	case netlist.Crystal:
		return pads >= 2 && pads <= 4
	case netlist.Choke:
		return pads == 4
	case netlist.Diode:
		return pads >= 2 && pads <= 8
	}
	return pads >= 2
}

// byShape tells a kind from pads and value alone.
func byShape(c *Component, pads int) verdict {
	driven, named := 0, 0
	for _, p := range c.Pads {
		for _, t := range []string{"input", "output", "bidirectional", "tri_state", "power_in", "power_out", "open_collector", "open_emitter"} {
			if isType(p.Type, t) {
				driven++
			}
		}
		if f := strings.Trim(p.Function, "~"); f != "" && f != p.Number && !pinNumber.MatchString(f) {
			named++
		}
	}
	switch {
	case pads == 1:
		return verdict{sort: IsTestPoint, wobbly: "one pad: taken for a test point"}
	case driven*2 > len(c.Pads) && pads >= 3:
		return verdict{kind: netlist.IC, wobbly: "kind by the types of its pins"}
	case pads >= 6 && named*2 < len(c.Pads):
		return verdict{sort: IsConnector, wobbly: "kind by its many pins without a name"}
	case pads == 2:
		for _, kind := range []netlist.Kind{netlist.Capacitor, netlist.Inductor, netlist.Resistor} {
			if text := valueText(c.Value, kind.Unit()); text != "" && (strings.ContainsAny(text, "fFhHrRkKΩ") || strings.Contains(strings.ToLower(text), "ohm")) {
				return verdict{kind: kind, wobbly: "kind by its value"}
			}
		}
	}
	return verdict{kind: netlist.Unknown, wobbly: "kind unknown"}
}

var pinNumber = regexp.MustCompile(`(?i)^(p|pin)?_?[a-z]?[0-9]+$`)

// class is the letters that a reference begins with, where digits and at most one
// letter behind them follow.
func class(name string) string {
	letters := strings.ToUpper(strings.TrimRight(name, "0123456789"))
	if n := len(letters); n > 1 && n < len(name)+1 && letters == strings.ToUpper(name) && name[n-2] >= '0' && name[n-2] <= '9' {
		letters = strings.TrimRight(letters[:n-1], "0123456789") // R12A
	}
	return letters
}

// distinct counts the pads that carry something: those of a shield or a mounting tab
// are left out where others are there, and so are further pads of a thermal area.
func distinct(c *Component) int {
	n := 0
	for _, p := range c.Pads {
		if !tab(p) {
			n++
		}
	}
	if n == 0 {
		return len(c.Pads)
	}
	return n
}

var tabName = regexp.MustCompile(`(?i)^(0|mp|sh|shield|shell|mount\w*|tab|case|gnd_?shield|s[0-9]?h?|mh)[0-9]*(_[0-9]+)?$`)

// tab tells that a pad is there to hold the part.
func tab(p Pad) bool {
	return p.Number == "" || tabName.MatchString(p.Number) && !strings.EqualFold(p.Number, "S") || strings.EqualFold(p.Function, "shield") || strings.EqualFold(p.Function, "mountpin")
}
