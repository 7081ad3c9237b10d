package exchange

import (
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/layout/assembly"
	"halfsplit/references"
)

// The drawing of a connector, in pixels of an SVG: pins stand one under the
// other as on the board turned by a quarter, two rows side by side, with the
// readings beside them.
const (
	pitch    = 24  // from one pin to the next
	pinSize  = 18  // of the square that is a pin
	textRoom = 320 // beside the pins
	top      = 30
)

// sheet is what the page shows.
type sheet struct {
	Board, Revision, Connector, Title string
	Sweeps                            int
	Width, Height                     int
	Body                              struct{ X, Y, W, H int }
	Pins                              []drawnPin
	Rows                              []sheetRow
	PlaceTitle                        string
	Place                             template.HTML // the drawing, "" where there is none
}

// drawnPin is a pin with the text beside it.
type drawnPin struct {
	Name, Text, Net     string
	X, Y, Size          int
	NameX, TextX, TextY int
	Anchor              string
	Nowhere             bool
}

// sheetRow is a row of the table under the drawing.
type sheetRow struct {
	Pin, Net, Polarity, Like, Median, Spread, Interval, Boards string
}

// WriteSheet prints a connector with what good boards read at its pins, as one
// HTML page that needs nothing else, for paper. drawn is the layout of the board, for
// a drawing of where the connector is; nil where there is none.
func WriteSheet(w io.Writer, b *netlist.Board, lib *references.Library, connector netlist.ConnectorID, drawn *layout.Board) error {
	c := &b.Connectors[connector]
	s := sheet{Board: b.Name, Revision: b.Revision, Connector: c.Name, Title: c.Title, Sweeps: len(lib.Sweeps)}
	half := (len(c.Pins) + 1) / 2
	lines := len(c.Pins)
	columns := 1
	if c.Rows == 2 {
		lines, columns = half, 2
	}
	s.Width = 2*textRoom + columns*pitch
	s.Height = top + lines*pitch + pitch
	s.Body.X, s.Body.Y, s.Body.W, s.Body.H = textRoom-6, top-8, columns*pitch+6, lines*pitch+10
	for i, pin := range c.Pins {
		line, right := i, c.Rows == 2 && i%2 == 1
		switch {
		case c.Rows == 2 && c.Numbering == netlist.Around:
			line, right = i, i >= half
			if right {
				line = len(c.Pins) - 1 - i // back along the other row
			}
		case c.Rows == 2:
			line = i / 2
		}
		at := b.PinPoint(netlist.PinRef{Connector: connector, Pin: int32(i)})
		d := drawnPin{Name: pin.Name, X: textRoom, Y: top + line*pitch, Size: pinSize, TextX: textRoom - 12, Anchor: "end", Nowhere: pin.Net == netlist.None}
		if right {
			d.X += pitch
		}
		if right || c.Rows != 2 {
			d.TextX, d.Anchor = d.X+pitch+6, "start"
		}
		d.NameX, d.TextY = d.X+pinSize/2, d.Y+pinSize-5
		if !d.Nowhere {
			d.Net = b.Nets[pin.Net].Name
		}
		summaries := lib.SummaryAt(at)
		d.Text = beside(summaries)
		s.Pins = append(s.Pins, d)
		for _, x := range summaries {
			row := sheetRow{Pin: pin.Name, Net: d.Net, Polarity: x.Polarity.String(), Like: x.Like, Median: "OL", Boards: fmt.Sprint(x.N)}
			if !math.IsNaN(x.Median) {
				low, high := x.Interval(0.95)
				row.Median = fmt.Sprintf("%.3f V", x.Median)
				row.Interval = fmt.Sprintf("%.3f to %.3f V", low, high)
				if x.N > 1 {
					row.Spread = fmt.Sprintf("%.0f mV", 1000*x.Spread)
				}
			}
			s.Rows = append(s.Rows, row)
		}
		if len(summaries) == 0 && !d.Nowhere {
			s.Rows = append(s.Rows, sheetRow{Pin: pin.Name, Net: d.Net, Median: "not read"})
		}
	}
	if drawn != nil {
		if mark, err := assembly.Find(b, drawn, c.Name); err == nil { // otherwise it is not in the layout
			picture := assembly.Draw(b, drawn, mark)
			s.Place, s.PlaceTitle = template.HTML(picture.SVG), picture.Title // #nosec: every text in it is escaped
		}
	}
	return page.Execute(w, s)
}

// beside is the text beside a pin: the median each way the probes were, of the
// sort of meter with the most boards.
func beside(list []references.Summary) string {
	var parts []string
	for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
		best := -1
		for i := range list {
			if list[i].Polarity == pol && (best < 0 || list[i].N > list[best].N) {
				best = i
			}
		}
		if best < 0 {
			continue
		}
		text := "OL"
		if !math.IsNaN(list[best].Median) {
			text = fmt.Sprintf("%.3f", list[best].Median)
		}
		if pol == references.BlackOnGround {
			text = "(" + text + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, " ")
}

var page = template.Must(template.New("sheet").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{{.Connector}}, {{.Board}} {{.Revision}}: known good</title>
<style>
body { font: 11pt sans-serif; margin: 12mm; color: #000; background: #fff; }
h1 { font-size: 15pt; margin: 0 0 2mm; }
h2 { font-size: 12pt; margin: 8mm 0 0; break-after: avoid; }
table { border-collapse: collapse; margin-top: 5mm; font-size: 9pt; }
th, td { border-bottom: 1px solid #999; padding: 1px 8px; text-align: left; }
td.number { text-align: right; }
svg { max-width: 100%; height: auto; margin-top: 4mm; break-inside: avoid; }
svg text { font: 12px sans-serif; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
@page { margin: 10mm; }
@media print { svg { max-height: 240mm; } }
</style>
</head>
<body>
<h1>{{.Connector}}{{with .Title}}: {{.}}{{end}}</h1>
<p>{{.Board}}{{with .Revision}}, revision {{.}}{{end}}. Known good in diode mode, in volts, from {{.Sweeps}} sweeps: red probe on ground; in brackets, black probe on ground.</p>
<svg viewBox="0 0 {{.Width}} {{.Height}}" width="{{.Width}}" height="{{.Height}}" role="img" aria-label="pins of {{.Connector}}">
<rect x="{{.Body.X}}" y="{{.Body.Y}}" width="{{.Body.W}}" height="{{.Body.H}}" fill="none" stroke="#000" stroke-width="2" rx="4"/>
{{range .Pins}}<rect x="{{.X}}" y="{{.Y}}" width="{{.Size}}" height="{{.Size}}" fill="{{if .Nowhere}}#ddd{{else}}#fff{{end}}" stroke="#000"/><text x="{{.NameX}}" y="{{.TextY}}" text-anchor="middle">{{.Name}}</text><text x="{{.TextX}}" y="{{.TextY}}" text-anchor="{{.Anchor}}">{{if eq .Anchor "end"}}{{.Net}}  <tspan font-weight="bold">{{.Text}}</tspan>{{else}}<tspan font-weight="bold">{{.Text}}</tspan>  {{.Net}}{{end}}</text>
{{end}}</svg>
<table>
<thead><tr><th>pin</th><th>net</th><th>probes</th><th>median</th><th>spread</th><th>95 % of good boards</th><th>boards</th><th>meter</th></tr></thead>
<tbody>
{{range .Rows}}<tr><td>{{.Pin}}</td><td>{{.Net}}</td><td>{{.Polarity}}</td><td class="number">{{.Median}}</td><td class="number">{{.Spread}}</td><td class="number">{{.Interval}}</td><td class="number">{{.Boards}}</td><td>{{.Like}}</td></tr>
{{end}}</tbody>
</table>
{{with .Place}}<h2>{{$.PlaceTitle}}</h2>
{{.}}
{{end}}</body>
</html>
`))
