package draft

import (
	"fmt"
	"regexp"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

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

// oneForNet keeps the first pad of each net.
func oneForNet(pads []Pad) []Pad {
	var kept []Pad
	seen := map[string]bool{"": true}
	for _, p := range pads {
		if !seen[p.Net] {
			seen[p.Net] = true
			kept = append(kept, p)
		}
	}
	return kept
}

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
	for _, p := range oneForNet(pads) {
		list = append(list, p.Net)
	}
	return list
}

func (p *Part) guess(w Weight, format string, args ...any) {
	p.Guesses = append(p.Guesses, Guess{fmt.Sprintf(format, args...), w})
}
