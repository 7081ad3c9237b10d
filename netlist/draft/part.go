package draft

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Sort tells parts from connectors and test points.
type Sort uint8

// Sorts of things on a board. Nothing is what has no place in a board file: a
// mounting hole, a fiducial mark.
const (
	IsPart Sort = iota
	IsConnector
	IsTestPoint
	IsNothing
)

// Part is a part, connector or test point as the board file has it.
type Part struct {
	Name  string
	Sort  Sort
	Kind  netlist.Kind // NoKind for connectors and test points
	Value string       // as the board file takes it; empty where it has none
	Title string
	Place string
	Way   netlist.Way
	Pins  []Pin
	// Guesses tell what about the part is not sure; empty where all is.
	Guesses []Guess

	typed map[string]string // electrical types by net, for telling supplies
	hops  int               // parts between here and the nearest connector chosen
}

// Pin is a pin with its net; the net is empty where the pin goes nowhere.
type Pin struct{ Name, Net string }

// Weight is how much a guess can mislead, from little to much.
type Weight uint8

// Weights.
const (
	Little   Weight = iota // a value or a name of a pin that no reading hangs on
	Somewhat               // a value that moves readings
	Much                   // which pin is which, what conducts
	Most                   // what the part is
)

// Guess is one thing that a person has to check.
type Guess struct {
	What   string
	Weight Weight
}

func (p *Part) guess(w Weight, format string, args ...any) {
	p.Guesses = append(p.Guesses, Guess{fmt.Sprintf(format, args...), w})
}

// parts makes of a component what the board file has of it: one part mostly, one for
// each element of an array, none where nothing conducts. why says what was left out.
func (c *Component) parts(ground string) (list []Part, why string) {
	v := kindOf(c)
	text := strings.Join([]string{c.Symbol, c.Library, c.Description, c.Keywords, c.Footprint, c.Value}, " ")
	m := maker{c: c, v: v, ground: ground, text: fold(text)}
	m.part = Part{Name: c.Name, Sort: v.sort, Kind: v.kind, Title: c.Title}
	if v.wobbly != "" {
		w := Somewhat
		if v.kind == netlist.Unknown {
			w = Most
		}
		m.part.guess(w, "%s", v.wobbly)
	}
	for _, number := range c.Twice {
		m.part.guess(Little, "the source numbers pad %s like another one", number)
	}
	if len(nets(c.Pads)) == 0 {
		return nil, "is connected to nothing"
	}
	switch v.sort {
	case IsConnector, IsTestPoint:
		// A connector of one pad is a place to probe; a hole that is drawn with the
		// symbol of a connector is not even that.
		if len(c.Pads) == 1 || v.sort == IsTestPoint {
			for _, text := range []string{c.Value, c.Footprint} {
				if w, ok := match(text, 1, true); ok && w.sort == IsNothing {
					return nil, "is a mechanical part"
				}
			}
			m.part.Sort = IsTestPoint
		}
		if m.part.Title == "" && c.Value != c.Symbol && m.part.Sort == IsConnector {
			m.part.Title = c.Value
		}
		m.part.Pins = pins(c.Pads)
		return []Part{m.part}, ""
	case IsNothing:
		if len(nets(c.Pads)) > 1 {
			return m.unknown("looks like a mechanical part, but joins several nets"), ""
		}
		return nil, "is a mechanical part"
	}
	return m.make()
}

// maker turns one component into parts.
type maker struct {
	c      *Component
	v      verdict
	part   Part
	ground string
	text   string // all that is said of it, folded
}

func (m *maker) says(pattern *regexp.Regexp) bool { return pattern.MatchString(m.text) }

func (m *maker) unknown(why string) []Part {
	m.part.Kind, m.part.Sort, m.part.Value = netlist.Unknown, IsPart, m.c.Value
	m.part.guess(Most, "%s", why)
	m.part.Pins = pins(m.c.Pads)
	return []Part{m.part}
}

var (
	openWords   = words(`open(ed)?( .*)?|unsoldered`)
	closedWords = words(`closed( .*)?|bridged\w*( .*)?|soldered|shorted|net ?ties?|0r|zero ohms?|0 ohms?|nc`)
	biWords     = words(`bi|bidir\w*|bi directional|varistors?|movs?|gdts?|spark gaps?|gas discharge( .*)?`)
	dipWords    = words(`dip`)
	ledWords    = words(`leds?`)
	bridgeWords = words(`(d )?bridges?( .*)?`)
	blockWords  = words(`high ?pass( .*)?|band ?pass( .*)?|saw|d[iu]plexers?`)
	bead        = words(`fb\d*|ferrites?|beads?|100 ?mhz`)
)

// make makes parts of a component that is one.
func (m *maker) make() (list []Part, why string) {
	c := m.c
	contacts := m.contacts()
	switch m.v.kind {
	case netlist.Inductor:
		// An inductance of ohms is a bead's impedance.
		if valueText(c.Value, quantity.Henry) == "" && (m.says(bead) || valueText(c.Value, quantity.Ohm) != "" && c.Value != "") {
			m.part.Kind = netlist.Bead
		}
	case netlist.Unknown:
		if len(m.part.Guesses) == 0 {
			m.part.guess(Most, "nobody knows whether it conducts")
		}
		m.part.Value, m.part.Pins = cmp.Or(c.Value, c.Symbol), pins(c.Pads)
		return []Part{m.part}, ""
	case netlist.IC, netlist.Module:
		m.part.Value, m.part.Pins = cmp.Or(c.Value, c.Symbol), pins(c.Pads)
		return []Part{m.part}, ""
	case netlist.Link:
		return m.link(contacts)
	case netlist.Diode:
		return m.diodes(contacts), ""
	case netlist.Clamp:
		return m.clamp(contacts), ""
	case netlist.Transistor:
		return m.transistor(contacts), ""
	case netlist.Filter:
		return m.filter(contacts), ""
	case netlist.Choke:
		return m.choke(contacts), ""
	case netlist.Crystal:
		m.part.Value = c.Value
		if len(contacts) > 4 {
			return m.unknown("a crystal of more than four pads"), ""
		}
		m.part.Pins = pins(contacts)
		return []Part{m.part}, ""
	case netlist.Switch:
		if len(contacts) > 2 && m.says(dipWords) {
			m.v.array = true
		}
	}
	m.value()
	if m.v.array && len(contacts) > 2 {
		return m.array(contacts), ""
	}
	if len(contacts) > 2 {
		contacts = oneForNet(contacts)
	}
	if len(nets(contacts)) < 2 {
		if len(contacts) >= 2 && contacts[0].Net == contacts[1].Net {
			return nil, "has both ends on one net"
		}
		return nil, "has an end that goes nowhere"
	}
	if len(contacts) != 2 {
		return m.unknown(fmt.Sprintf("a %s with %d pads", m.part.Kind, len(contacts))), ""
	}
	if m.part.Kind == netlist.Switch {
		switch {
		case contacts[0].Net == m.ground || contacts[1].Net == m.ground: // open at rest by itself
		case m.v.open:
			// Of a key the board file knows only that it is one; off, it is no short.
			m.part.Value = "100M"
			m.part.guess(Somewhat, "a key, open at rest: taken for 100 Mohm")
		default:
			m.part.guess(Much, "taken for closed")
		}
	}
	m.two(contacts)
	return []Part{m.part}, ""
}

// contacts are the pads that carry something: not those that hold the part, where
// others are there.
func (m *maker) contacts() []Pad {
	var list []Pad
	for _, p := range m.c.Pads {
		if !tab(p) {
			list = append(list, p)
		}
	}
	if len(list) < 2 {
		return m.c.Pads
	}
	return list
}

// oneForNet keeps the first pad of each net.
func oneForNet(pads []Pad) []Pad {
	var kept []Pad
	for _, p := range pads {
		if !slices.ContainsFunc(kept, func(q Pad) bool { return q.Net == p.Net }) {
			kept = append(kept, p)
		}
	}
	return slices.DeleteFunc(kept, func(p Pad) bool { return p.Net == "" })
}

// two gives a part of two ends the terminals 1 and 2, and says where they are where
// the pads are called otherwise.
func (m *maker) two(pads []Pad) {
	m.part.Pins = []Pin{{"1", pads[0].Net}, {"2", pads[1].Net}}
	if pads[0].Number != "1" || pads[1].Number != "2" {
		m.part.Place = fmt.Sprintf("pads %s and %s", pads[0].Number, pads[1].Number)
	}
}

// value takes the value over, where the kind can have it.
func (m *maker) value() {
	p, raw := &m.part, m.c.Value
	unit := p.Kind.Unit()
	if unit == quantity.None {
		p.Value = raw
		return
	}
	units := []quantity.Unit{unit}
	switch p.Kind {
	case netlist.Choke:
		units = append(units, quantity.Henry)
	case netlist.Inductor, netlist.Fuse:
		units = append(units, quantity.Ohm)
	}
	for _, u := range units {
		if p.Value = valueText(raw, u); p.Value != "" {
			break
		}
	}
	switch {
	case p.Value != "":
		// What stands first is the value, and ratings follow it; what stands further
		// back may be another's.
		if first := raw[:min(1, len(raw))]; first < "0" || first > "9" {
			p.guess(Little, "value from %s", raw)
		}
	case p.Kind == netlist.Resistor:
		said := ""
		if raw != "" && raw != "~" {
			said = ", the source has " + raw
		}
		p.guess(Somewhat, "value unknown%s", said)
	case p.Kind == netlist.Filter && raw != "" && raw != "~":
		p.guess(Little, "resistance unknown, the source has %s", raw)
	}
}

var (
	decimalComma = regexp.MustCompile(`([0-9]),([0-9])`)
	valueToken   = regexp.MustCompile(`^[0-9][0-9.]*[a-zA-ZµμΩΩ][0-9a-zA-ZµμΩΩ]*$`)
	spacedUnit   = regexp.MustCompile(`([0-9]) +([pnuµμmkKMG]?(?:ohms?|Ohms?|OHMS?|Ω|Ω|F|H|A|R))\b`)
)

// valueText finds in a value the part that a unit can have: people write a comma
// before the decimals, and makers write more behind or before ("4,7k", "100n 16V X5R",
// "FB0805/600R/2A", "600R@100MHz"). It is empty where there is none.
func valueText(raw string, u quantity.Unit) string {
	if u == quantity.None || raw == "" || len(raw) > 200 {
		return ""
	}
	fits := func(text string) bool { _, err := quantity.Parse(text, u); return err == nil }
	if fits(raw) {
		return raw
	}
	text := spacedUnit.ReplaceAllString(decimalComma.ReplaceAllString(raw, "$1.$2"), "$1$2")
	if fits(text) {
		return text
	}
	for i, token := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" /,;_@()[]|=", r) }) {
		// A bare number further on is a size or a tolerance.
		if (i == 0 || valueToken.MatchString(token)) && token != "" && token[0] >= '0' && token[0] <= '9' && fits(token) {
			return token
		}
	}
	return ""
}

var (
	elementFunction = regexp.MustCompile(`^[A-Za-z]*([0-9]+)[._-]([0-9A-Za-z]+)$`)
	elementNumber   = regexp.MustCompile(`^([0-9]+)[._-]([0-9]+)$`)
	networkWords    = words(`(r|res|resistors?) ?networks?\w*( .*)?|bussed|star|common`)
)

// array takes a part of several equal elements apart: by the names of its pins, by
// numbers such as 1.1 and 1.2, from a common pin, or by the usual rule that the ends of
// an element lie opposite each other.
func (m *maker) array(pads []Pad) []Part {
	pairs, sure := pairsBy(pads, func(p Pad) string { return sub(elementFunction, p.Function) })
	if pairs == nil {
		pairs, sure = pairsBy(pads, func(p Pad) string { return sub(elementNumber, p.Number) })
	}
	if pairs == nil {
		common := slices.IndexFunc(pads, func(p Pad) bool {
			return slices.Contains([]string{"common", "com", "c"}, strings.ToLower(p.Function))
		})
		sure = common >= 0
		if common < 0 && m.says(networkWords) {
			common = 0
		}
		if common >= 0 {
			for i, p := range pads {
				if i != common {
					pairs = append(pairs, [2]Pad{pads[common], p})
				}
			}
		}
	}
	if n := len(pads); pairs == nil && n%2 == 0 {
		sure = n == 2
		for i := range n / 2 {
			pairs = append(pairs, [2]Pad{pads[i], pads[n-1-i]})
		}
	}
	if pairs == nil {
		return m.unknown(fmt.Sprintf("an array of %d pads", len(pads)))
	}
	var list []Part
	for i, pair := range pairs {
		if pair[0].Net == "" || pair[1].Net == "" || pair[0].Net == pair[1].Net {
			continue
		}
		e := m.part
		e.Guesses = slices.Clone(e.Guesses)
		e.Name = m.c.Name + "_" + strconv.Itoa(i+1)
		e.Pins = []Pin{{"1", pair[0].Net}, {"2", pair[1].Net}}
		e.Place = fmt.Sprintf("%s pads %s and %s", m.c.Name, pair[0].Number, pair[1].Number)
		if !sure {
			e.guess(Much, "pads of an element by the usual rule")
		}
		list = append(list, e)
	}
	return list
}

// sub is the first group of a match, empty where there is none.
func sub(pattern *regexp.Regexp, text string) string {
	if m := pattern.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	return ""
}

// pairsBy puts pads with the same key together, where that makes pairs of all.
func pairsBy(pads []Pad, key func(Pad) string) (pairs [][2]Pad, all bool) {
	at := make(map[string]int)
	var groups [][]Pad
	for _, p := range pads {
		k := key(p)
		if k == "" {
			return nil, false
		}
		i, ok := at[k]
		if !ok {
			i = len(groups)
			at[k] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], p)
	}
	for _, g := range groups {
		if len(g) != 2 {
			return nil, false
		}
		pairs = append(pairs, [2]Pad{g[0], g[1]})
	}
	return pairs, true
}

// link makes a link of a jumper that is closed, and nothing of one that is open.
func (m *maker) link(pads []Pad) ([]Part, string) {
	said := fold(m.c.Value + " " + m.c.Symbol)
	pads = oneForNet(pads)
	closed := m.says(closedWords)
	switch {
	case len(pads) < 2:
		return nil, "has both ends on one net"
	case len(pads) == 3:
		a, b := "", ""
		if pair := closedPair.FindStringSubmatch(said); pair != nil {
			a, b = pair[1], pair[2]
		} else if m.v.open || openWords.MatchString(said) {
			return nil, "is an open jumper"
		}
		kept := slices.DeleteFunc(slices.Clone(pads), func(p Pad) bool { return p.Number != a && p.Number != b })
		if len(kept) != 2 {
			return m.unknown("a jumper of three pads, nobody knows how it is set"), ""
		}
		pads = kept
		m.part.guess(Much, "closed from %s to %s by its name", a, b)
	case m.v.open && !closed, openWords.MatchString(said) && !closed, fold(m.c.Value) == " open " || fold(m.c.Value) == " opened ":
		return nil, "is an open jumper"
	case !closed:
		m.part.guess(Much, "open or closed? taken for closed")
	}
	m.value()
	m.two(pads)
	return []Part{m.part}, ""
}

var closedPair = regexp.MustCompile(`(?:closed|bridged) ?([0-9]) ?([0-9])`)

// polarity tells what the name of a diode's pin says: the end, and the element of
// several that it belongs to ("A2", "RK").
var diodeEnd = regexp.MustCompile(`(?i)^(r|g|b|w|y)?(anode|a|\+|kathode|cathode|k|c|-)_?([0-9]*)$`)

func polarity(p Pad) (end byte, element string) {
	for _, text := range []string{p.Function, p.Number} {
		if m := diodeEnd.FindStringSubmatch(text); m != nil {
			end = 'k'
			if e := strings.ToLower(m[2]); e == "+" || e[0] == 'a' {
				end = 'a'
			}
			return end, strings.ToLower(m[1]) + m[3]
		}
	}
	return 0, ""
}

// diodes makes one diode, or those of a package of several.
func (m *maker) diodes(pads []Pad) []Part {
	m.part.Value = m.c.Value
	if m.part.Title == "" && m.says(ledWords) {
		m.part.Title = "LED"
	}
	connected := slices.DeleteFunc(slices.Clone(pads), func(p Pad) bool { return p.Net == "" })
	if len(connected) < 2 {
		return nil
	}
	if len(connected) == 2 {
		pads = connected
		a, k := 0, 1
		first, _ := polarity(pads[0])
		second, _ := polarity(pads[1])
		switch {
		case first == 'a' && second != 'a' || second == 'k' && first != 'k':
		case first == 'k' && second != 'k' || second == 'a' && first != 'a':
			a, k = 1, 0
		case len(m.c.Pads) > 2 && pads[0].Number == "1":
			// A single diode in a package of three leads: anode 1, cathode 3.
			m.part.guess(Much, "which end is the cathode: taken for pad %s", pads[k].Number)
		default:
			a, k = 1, 0
			m.part.guess(Much, "which end is the cathode: taken for pad %s", pads[k].Number)
		}
		if pads[a].Net == pads[k].Net {
			return nil
		}
		m.part.Pins = []Pin{{"a", pads[a].Net}, {"k", pads[k].Net}}
		return []Part{m.part}
	}
	if m.says(bridgeWords) {
		if list := m.bridge(pads); list != nil {
			return list
		}
	}
	type end struct {
		pad     Pad
		element string
	}
	var anodes, cathodes []end
	var both []Pad
	for _, p := range pads {
		switch e, element := polarity(p); {
		case e == 'a' && p.Function != "":
			anodes = append(anodes, end{p, element})
		case e == 'k' && p.Function != "":
			cathodes = append(cathodes, end{p, element})
		default:
			both = append(both, p)
		}
	}
	var pairs [][2]Pad // anode, cathode
	switch {
	case len(both) == 1 && len(anodes) == 1 && len(cathodes) == 1:
		pairs = [][2]Pad{{anodes[0].pad, both[0]}, {both[0], cathodes[0].pad}}
	case len(both) > 0 && (len(pads) != 3 || len(both) < 3):
	case len(both) == 3 && m.says(words(`common cathode|dual commoncathode|\w* ?commoncathode`)):
		pairs = [][2]Pad{{pads[0], pads[2]}, {pads[1], pads[2]}}
	case len(both) == 3 && m.says(words(`common anode|\w* ?commonanode`)):
		pairs = [][2]Pad{{pads[2], pads[0]}, {pads[2], pads[1]}}
	case len(both) == 3 && m.says(words(`series|dual series( .*)?`)):
		pairs = [][2]Pad{{pads[0], pads[2]}, {pads[2], pads[1]}}
	case len(anodes) == 1:
		for _, k := range cathodes {
			pairs = append(pairs, [2]Pad{anodes[0].pad, k.pad})
		}
	case len(cathodes) == 1:
		for _, a := range anodes {
			pairs = append(pairs, [2]Pad{a.pad, cathodes[0].pad})
		}
	case len(anodes) == len(cathodes):
		for _, a := range anodes {
			for _, k := range cathodes {
				if a.element == k.element {
					pairs = append(pairs, [2]Pad{a.pad, k.pad})
				}
			}
		}
		if len(pairs) != len(anodes) {
			pairs = nil
		}
	}
	if pairs == nil {
		return m.unknown("several diodes, and nobody says which pad is which")
	}
	var list []Part
	for i, pair := range pairs {
		if pair[0].Net == "" || pair[1].Net == "" || pair[0].Net == pair[1].Net {
			continue
		}
		e := m.part
		e.Guesses = slices.Clone(e.Guesses)
		e.Name = m.c.Name + "_" + strconv.Itoa(i+1)
		e.Place = fmt.Sprintf("%s pads %s and %s", m.c.Name, pair[0].Number, pair[1].Number)
		e.Pins = []Pin{{"a", pair[0].Net}, {"k", pair[1].Net}}
		if len(both) == 3 {
			e.guess(Much, "pads by the usual order of three leads")
		}
		list = append(list, e)
	}
	return list
}

// bridge makes the four diodes of a rectifier, whose pins are called +, - and ~.
func (m *maker) bridge(pads []Pad) []Part {
	var plus, minus, ac []string
	for _, p := range oneForNet(pads) {
		switch p.Function {
		case "+":
			plus = append(plus, p.Net)
		case "-":
			minus = append(minus, p.Net)
		default:
			ac = append(ac, p.Net)
		}
	}
	if len(plus) != 1 || len(minus) != 1 || len(ac) != 2 {
		return nil
	}
	var list []Part
	for i, ends := range [][2]string{{ac[0], plus[0]}, {ac[1], plus[0]}, {minus[0], ac[0]}, {minus[0], ac[1]}} {
		e := m.part
		e.Name, e.Place = m.c.Name+"_"+strconv.Itoa(i+1), "in "+m.c.Name
		e.Pins = []Pin{{"a", ends[0]}, {"k", ends[1]}}
		list = append(list, e)
	}
	return list
}

// clamp makes a diode that protects: its line first, then ground.
func (m *maker) clamp(pads []Pad) []Part {
	m.part.Value = m.c.Value
	if m.says(biWords) {
		m.part.Way = netlist.TwoWay
	}
	if len(pads) > 2 && len(nets(pads)) == 2 {
		pads = oneForNet(pads)
	}
	if len(nets(pads)) < 2 {
		return nil
	}
	grounds := slices.IndexFunc(pads, func(p Pad) bool { return p.Net == m.ground && m.ground != "" })
	if len(pads) == 2 {
		switch first, _ := polarity(pads[0]); {
		case grounds == 0:
			slices.Reverse(pads)
		case grounds == 1 || m.part.Way == netlist.TwoWay:
		case first == 'a':
			slices.Reverse(pads)
		case first == 0:
			m.part.guess(Much, "which end is the cathode: taken for pad %s", pads[0].Number)
		}
		m.part.Pins = pins(pads)
		return []Part{m.part}
	}
	if grounds < 0 {
		return m.unknown("protects several lines, but has no pad on ground")
	}
	m.part.Pins = pins(pads)
	return []Part{m.part}
}

var (
	fetWords = words(`([np] ?)?mosfets?( .*)?|[np] ?mos( .*)?|[np] ?(channel|ch)( .*)?|j?fets?|transistor fet|q [np]?mos\w*( .*)?|2s[jk]\d+\w*`)
	bjtWords = words(`npn( .*)?|pnp( .*)?|bjts?|transistor bjt|bipolar|q (npn|pnp)( .*)?|2s[abcd]\d+\w*|prebiased|digital transistor`)
	pWords   = words(`p ?mosfets?( .*)?|mosfets? p( .*)?|p ?mos( .*)?|p ?(channel|ch)( .*)?|pnp( .*)?|2s[abj]\d+\w*`)
	nWords   = words(`n ?mosfets?( .*)?|mosfets? n( .*)?|n ?mos( .*)?|n ?(channel|ch)( .*)?|npn( .*)?|2s[cdk]\d+\w*`)
	order    = regexp.MustCompile(` (?:\w* )*?\w*?(gds|gsd|dgs|dsg|sgd|sdg|bce|bec|cbe|ceb|ebc|ecb) `)
	pinRole  = regexp.MustCompile(`(?i)^(gate|drain|source|base|collector|emitter|[gdsbce])_?([0-9]?)$`)
)

// transistor names the pins gate, drain, source or base, collector, emitter: by what
// the symbol calls them, by letters in its name, else in the usual order of packages
// of three leads (common practice, no source).
func (m *maker) transistor(pads []Pad) []Part {
	m.part.Value = m.c.Value
	switch {
	case m.says(pWords) && !m.says(nWords):
		m.part.Way = netlist.PType
	case m.says(nWords) && !m.says(pWords):
		m.part.Way = netlist.NType
	}
	named := make(map[string]string) // net by terminal
	for _, p := range pads {
		role := pinRole.FindStringSubmatch(p.Function)
		if role == nil {
			role = pinRole.FindStringSubmatch(p.Number)
		}
		if role == nil {
			named = nil
			break
		}
		name := strings.ToLower(role[1][:1]) + role[2]
		if net, ok := named[name]; ok && net != p.Net {
			named = nil
			break
		}
		named[name] = p.Net
	}
	if named != nil {
		var list []Pin
		for _, p := range []string{"g", "d", "s", "b", "c", "e"} {
			for _, n := range []string{"", "1", "2", "3", "4"} {
				if net, ok := named[p+n]; ok {
					list = append(list, Pin{p + n, net})
				}
			}
		}
		if complete(list) {
			m.part.Pins = list
			return []Part{m.part}
		}
	}
	if len(pads) > 3 {
		pads = oneForNet(pads)
	}
	if len(pads) != 3 {
		return m.unknown("a transistor, and nobody says which pad is which")
	}
	letters := "gsd"
	if found := order.FindStringSubmatch(fold(m.c.Symbol + " " + m.c.Footprint)); found != nil {
		letters = found[1]
	} else {
		if m.says(bjtWords) && !m.says(fetWords) {
			letters = "bec"
		}
		m.part.guess(Much, "which pad is which: taken for %s", strings.Join(strings.Split(letters, ""), " "))
	}
	for i, p := range pads {
		m.part.Pins = append(m.part.Pins, Pin{letters[i : i+1], p.Net})
	}
	return []Part{m.part}
}

// complete tells that terminals make transistors.
func complete(list []Pin) bool {
	sections := make(map[string]string)
	for _, p := range list {
		sections[p.Name[1:]] += p.Name[:1]
	}
	for _, roles := range sections {
		if roles != "gds" && roles != "bce" {
			return false
		}
	}
	return len(list) >= 3
}

var filterPin = regexp.MustCompile(`(?i)^(in|out|gnd|g|ground|vss|i|o)(?:put)?_?([0-9]*)$`)

// filter names the pins in, out and gnd.
func (m *maker) filter(pads []Pad) []Part {
	if m.says(blockWords) {
		return m.unknown("a filter that may not pass direct current")
	}
	var list []Pin
	var lines []Pad
	var grounds []string
	for _, p := range pads {
		role := filterPin.FindStringSubmatch(p.Function)
		switch {
		case p.Net == m.ground || role != nil && strings.ContainsAny(strings.ToLower(role[1][:1]), "gv"):
			if !slices.Contains(grounds, p.Net) {
				grounds = append(grounds, p.Net)
			}
		case role != nil:
			list = append(list, Pin{map[byte]string{'i': "in", 'o': "out"}[strings.ToLower(role[1])[0]] + role[2], p.Net})
			lines = append(lines, p)
		default:
			lines = append(lines, p)
		}
	}
	if len(grounds) != 1 || len(lines) < 2 || grounds[0] == "" {
		return m.unknown("a filter, and nobody says which pad is which")
	}
	ends := make(map[string]string)
	for _, p := range list {
		number := strings.TrimLeft(p.Name, "inout")
		ends[number] += p.Name[:1]
	}
	sections := len(list) == len(lines)
	for _, e := range ends {
		sections = sections && (e == "io" || e == "oi")
	}
	if !sections {
		if len(lines) != 2 {
			return m.unknown("a filter of several lines, and nobody says which pad is which")
		}
		m.part.guess(Little, "which pad is in and which is out")
		list = []Pin{{"in", lines[0].Net}, {"out", lines[1].Net}}
	}
	m.value()
	m.part.Pins = append(list, Pin{"gnd", grounds[0]})
	return []Part{m.part}
}

var trailingNumber = regexp.MustCompile(`([0-9]+)[^0-9]*$`)

// choke finds the two windings of a part of four contacts: by the names of pins, by
// the halves of pairs that nets are called, else 1-2 and 3-4.
func (m *maker) choke(pads []Pad) []Part {
	if connected := slices.DeleteFunc(slices.Clone(pads), func(p Pad) bool { return p.Net == "" }); len(connected) == 4 {
		pads = connected
	}
	if len(pads) == 2 {
		m.part.Kind = netlist.Inductor
		m.value()
		m.two(pads)
		return []Part{m.part}
	}
	if len(pads) != 4 {
		return m.unknown(fmt.Sprintf("windings of a part with %d pads", len(pads)))
	}
	function := func(p Pad) string { return strings.ToLower(strings.Trim(p.Function, "~")) }
	pairs, sure := pairsBy(pads, func(p Pad) string { return sub(trailingNumber, function(p)) })
	if byLetter, ok := pairsBy(pads, func(p Pad) string { return function(p)[:min(1, len(function(p)))] }); ok && !strings.HasPrefix(function(pads[0]), "in") {
		pairs, sure = byLetter, true
	}
	if !sure {
		if pairs, sure = pairsBy(pads, func(p Pad) string { return halfOfPair(p.Net) }); !sure {
			pairs = [][2]Pad{{pads[0], pads[1]}, {pads[2], pads[3]}}
		}
		m.part.guess(Much, "windings taken for %s-%s and %s-%s", pairs[0][0].Number, pairs[0][1].Number, pairs[1][0].Number, pairs[1][1].Number)
	}
	m.value()
	m.part.Pins = []Pin{{"1", pairs[0][0].Net}, {"2", pairs[0][1].Net}, {"3", pairs[1][0].Net}, {"4", pairs[1][1].Net}}
	m.part.Place = fmt.Sprintf("windings %s-%s and %s-%s", pairs[0][0].Number, pairs[0][1].Number, pairs[1][0].Number, pairs[1][1].Number)
	return []Part{m.part}
}

// halfOfPair tells which half of a pair a net is, by the end of its name: USB_DP,
// D+, TX_N.
func halfOfPair(net string) string {
	switch half := sub(pairEnd, net); strings.ToUpper(half) {
	case "+", "P":
		return "+"
	case "-", "N", "M":
		return "-"
	}
	return ""
}

var pairEnd = regexp.MustCompile(`(?i)(?:[_d]|\b|\])([pnm]|\+|-)[0-9]?\)?$`)

func pins(pads []Pad) []Pin {
	list := make([]Pin, len(pads))
	for i, p := range pads {
		list[i] = Pin{p.Number, p.Net}
	}
	return list
}

// nets are the different nets of pads.
func nets(pads []Pad) []string {
	var list []string
	seen := make(map[string]bool)
	for _, p := range pads {
		if p.Net != "" && !seen[p.Net] {
			seen[p.Net] = true
			list = append(list, p.Net)
		}
	}
	return list
}
