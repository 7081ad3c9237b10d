package draft

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist"
)

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
