package page

import (
	"fmt"
	"html/template"
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
)

// What the bench page draws with, so that it and the report look alike.

// Palette is the CSS that sets the colours, for light and dark.
func Palette() string {
	var light, dark strings.Builder
	for _, c := range append(append([]Colour(nil), surfaces...), marks...) {
		fmt.Fprintf(&light, "--%s:%s;", c.Name, c.Light)
		fmt.Fprintf(&dark, "--%s:%s;", c.Name, c.Dark)
	}
	return ":root{color-scheme:light dark;" + light.String() + "}\n@media screen and (prefers-color-scheme:dark){:root{" + dark.String() + "}}\n"
}

// VerdictStyle gives the class of a verdict, named after its colour, and the mark
// that stands before it.
func VerdictStyle(v diagnose.Verdict) (class, mark string) {
	l := lookOf(v)
	return l.class, l.mark
}

// Symbol draws the part of a branch as it lies across, with the ground or rail that
// it ends at.
func Symbol(b *netlist.Board, x *netlist.Branch) template.HTML {
	s := schematic{b: b}
	p := &b.Parts[x.Part]
	const middle, y = 26, 13
	switch p.Kind {
	case netlist.IC, netlist.Module:
		s.line(0, y, 3, y, "line")
		s.printf(`<rect x="3" y="3" width="46" height="20" class="part"/>`)
		s.text(middle, y+4, "mid", kindLetters[p.Kind], 3)
	default:
		if p.Kind == netlist.Diode || p.Kind == netlist.TVS {
			s.junction(middle, y, conducts(p, x.In), "")
		} else {
			s.symbol(middle, y, p.Kind, "")
		}
		switch far := s.far(x); {
		case far == b.Ground:
			s.line(middle+23, y, middle+32, y, "line")
			s.ground(middle+32, y)
		case far != netlist.None && b.Nets[far].Rail:
			s.line(middle+23, y, middle+32, y, "line")
			s.line(middle+32, y-7, middle+32, y+7, "line thick")
		}
	}
	return template.HTML(`<svg viewBox="0 0 68 26" aria-hidden="true">` + s.canvas.b.String() + `</svg>`) // #nosec: text passes through text
}
