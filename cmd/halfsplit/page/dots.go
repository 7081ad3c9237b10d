package page

import (
	"fmt"
	"html/template"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
)

// DotRow is one row of a plot of points.
type DotRow struct {
	Name   string
	Points []float64 // 0 to 100 each
	Mean   float64
}

// Drawing is a picture with what it shows in words.
type Drawing = drawing

// Blank draws the connectors of a board and the lines from some nets, with nothing
// marked: for the person who is to find out.
func Blank(b *netlist.Board, nets []netlist.NetID) ([]Drawing, error) {
	g, err := b.Graph()
	if err != nil {
		return nil, err
	}
	var list []Drawing
	for i := range b.Connectors {
		c := &b.Connectors[i]
		title := "Connector " + name(c.Name)
		if c.Title != "" {
			title += ", " + prose(c.Title)
		}
		list = append(list, connector(title, wording.Count(len(c.Pins), "pin"), c, make([]*diagnose.Comparison, len(c.Pins))))
	}
	for _, net := range nets {
		tree := g.Tree(net, netlist.AtRails)
		s := schematic{b: b}
		list = append(list, s.draw(&tree, "Line "+name(b.Nets[net].Name), ""))
	}
	return list, nil
}

// Style is the CSS of a page with drawings.
func Style() template.CSS { return style() }

// Dots draws a row of points for each name, 0 at the left and 100 at the right, with a
// stroke at their mean.
func Dots(title, note string, rows []DotRow) Drawing {
	const left, right, row, top = 120, 320, 22, 18
	var c canvas
	bottom := float64(top + row*len(rows))
	at := func(points float64) float64 { return left + (right-left)*points/100 }
	for v := 0.0; v <= 100; v += 25 {
		c.line(at(v), top-2, at(v), bottom, "line grid")
		c.text(at(v), top-6, "mid small faint", fmt.Sprintf("%.0f", v), 4)
	}
	for i, r := range rows {
		y := float64(top + row*i + row/2)
		c.text(0, y+4, "", name(r.Name), 18)
		for _, p := range r.Points {
			c.printf(`<circle cx="%.1f" cy="%g" r="4" class="line good"/>`, at(p), y)
		}
		if len(r.Points) > 0 {
			c.line(at(r.Mean), y-8, at(r.Mean), y+8, "line heavy ink")
		}
	}
	return c.done(title, note, right+20, int(bottom)+6)
}
