package draft

import (
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist"
)

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
		guess := ""
		if len(both) == 3 {
			guess = "pads by the usual order of three leads"
		}
		list = m.element(list, i+1, pair, [2]string{"a", "k"}, guess)
	}
	return list
}

// bridge makes the four diodes of a rectifier, whose pins are called +, - and ~.
func (m *maker) bridge(pads []Pad) []Part {
	var plus, minus, ac []Pad
	for _, p := range oneForNet(pads) {
		switch p.Function {
		case "+":
			plus = append(plus, p)
		case "-":
			minus = append(minus, p)
		default:
			ac = append(ac, p)
		}
	}
	if len(plus) != 1 || len(minus) != 1 || len(ac) != 2 {
		return nil
	}
	var list []Part
	for i, ends := range [][2]Pad{{ac[0], plus[0]}, {ac[1], plus[0]}, {minus[0], ac[0]}, {minus[0], ac[1]}} {
		list = m.element(list, i+1, ends, [2]string{"a", "k"}, "")
	}
	return list
}

// tvs makes a diode that protects: its line first, then ground.
func (m *maker) tvs(pads []Pad) []Part {
	m.part.Value = m.c.Value
	if m.says(biWords) {
		m.part.Direction = netlist.Bidirectional
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
		case grounds == 1 || m.part.Direction == netlist.Bidirectional:
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
		m.part.Channel = netlist.PChannel
	case m.says(nWords) && !m.says(pWords):
		m.part.Channel = netlist.NChannel
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
