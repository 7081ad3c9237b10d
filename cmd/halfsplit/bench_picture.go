package main

import (
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
)

// pinMark is how one pin of a picture is shown.
type pinMark struct {
	mark  string
	style style
}

// pinMarks tells how each pin of a connector stands by its last reading.
func pinMarks(b *netlist.Board, id netlist.ConnectorID, list []diagnose.Comparison) []pinMark {
	marks := make([]pinMark, len(b.Connectors[id].Pins))
	for i := range marks {
		marks[i] = pinMark{"-", faint}
		if b.Connectors[id].Pins[i].Net == netlist.None {
			marks[i].mark = " "
		}
	}
	for i := range list {
		at, err := b.Point(list[i].At)
		if err != nil || at.Kind != netlist.PointPin || at.Pin.Connector != id {
			continue
		}
		s := signs[list[i].Verdict]
		marks[at.Pin.Pin] = pinMark(s)
	}
	return marks
}

// picture draws a connector with how each pin stands and the current one in
// brackets; current is -1 for none.
func (s *screen) picture(b *netlist.Board, id netlist.ConnectorID, list []diagnose.Comparison, current int) {
	c := &b.Connectors[id]
	marks := pinMarks(b, id, list)
	wide := 3
	for _, p := range c.Pins {
		wide = max(wide, cells(name(p.Name))+1)
	}
	title := name(c.Name)
	if c.Title != "" {
		title += " " + prose(c.Title)
	}
	s.gap()
	s.prose(2, 2, strong, title)
	s.prose(2, 2, faint, "- not read, · agrees, ▼ low, ▲ high, ● shorted, ○ open, ► unexpected path, ? no known good")
	perLine := max((s.width-4)/(wide+1), 4)
	for _, row := range c.PinRows() {
		for len(row) > 0 {
			part := row[:min(len(row), perLine)]
			row = row[len(part):]
			names, below := "   ", "   "
			for _, i := range part {
				n := name(c.Pins[i].Name)
				pad := strings.Repeat(" ", max(wide-cells(n), 0))
				names += pad + s.paint(faint, n) + " "
				mark := s.paint(marks[i].style, marks[i].mark)
				if i == current {
					below += strings.Repeat(" ", wide-2) + s.paint(next, "[") + mark + s.paint(next, "]")
				} else {
					below += strings.Repeat(" ", wide-1) + mark + " "
				}
			}
			s.say(names)
			s.say(below)
		}
	}
}
