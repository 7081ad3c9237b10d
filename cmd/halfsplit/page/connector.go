package page

import (
	"fmt"
	"html/template"
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
)

// Sizes of a connector drawing, in its units.
const (
	pinWide = 26
	pinHigh = 26
)

// connectors draws every connector of which a pin was read: how each pin stood
// when it was first swept.
func (b *builder) connectors() {
	work := b.firstWork()
	for id := range b.b.Connectors {
		c := &b.b.Connectors[id]
		before := make([]*diagnose.Comparison, len(c.Pins))
		read, away := 0, 0
		for i := range b.list {
			x := &b.list[i]
			at, err := b.b.Point(x.At)
			if err != nil || at.Kind != netlist.PointPin || int(at.Pin.Connector) != id || x.To != "" || x.Ohms != nil {
				continue
			}
			if before[at.Pin.Pin] == nil {
				read++
			}
			if x.Event < work || before[at.Pin.Pin] == nil {
				before[at.Pin.Pin] = x
			}
		}
		for _, x := range before {
			if x != nil && x.Verdict != diagnose.Agrees && x.Verdict != diagnose.NoKnownGood {
				away++
			}
		}
		if read == 0 {
			continue
		}
		title := "Connector " + name(c.Name)
		if c.Title != "" {
			title += ", " + prose(c.Title)
		}
		note := fmt.Sprintf("%d of %s measured, %d out of range", read, wording.Count(len(c.Pins), "pin"), away)
		b.r.Connectors = append(b.r.Connectors, connector(title, note, c, before))
	}
}

func connector(title, note string, c *netlist.Connector, read []*diagnose.Comparison) drawing {
	var v canvas
	rows := c.PinRows()
	longest := 0
	for _, row := range rows {
		longest = max(longest, len(row))
	}
	y := 4.0
	for r, row := range rows {
		top := y + 16
		if r == 1 {
			top = y
		}
		for k, i := range row {
			x := 4 + float64(k)*pinWide
			label := y + 12
			if r == 1 {
				label = y + pinHigh + 12
			}
			v.text(x+pinWide/2, label, "mid small faint", name(c.Pins[i].Name), 4)
			l := look{"faint", "-"}
			switch {
			case read[i] != nil:
				l = lookOf(read[i].Verdict)
			case c.Pins[i].Net == netlist.None:
				l.mark = ""
			}
			box := "pin"
			if l.class == "bad" || l.class == "off" {
				box = "pin odd " + l.class
			}
			v.printf(`<rect x="%g" y="%g" width="%d" height="%d" rx="3" class="%s"/>`, x+2, top+2, pinWide-4, pinHigh-4, box)
			if l.mark != "" {
				v.mark(x+pinWide/2, top+pinHigh/2, l.mark, l.class)
			}
		}
		y += pinHigh + 16
	}
	d := v.done(title, note, longest*pinWide+8, int(y))
	// On a narrow screen it is moved sideways rather than made too small to read.
	d.SVG = template.HTML(strings.Replace(string(d.SVG), `style="`, fmt.Sprintf(`style="min-width:%drem;`, d.Wide/18), 1)) // #nosec: text passes through text
	return d
}
