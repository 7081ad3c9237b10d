package page

import (
	"fmt"
	"html"
	"html/template"
	"strings"
)

// drawing is a picture with what it shows in words.
type drawing struct {
	Title string
	Note  string
	SVG   template.HTML
	Wide  int // in units of the drawing, which are pixels where there is room
}

// canvas writes SVG. Every text passes through text, and nothing else does.
type canvas struct {
	b strings.Builder
}

func (c *canvas) printf(format string, args ...any) { fmt.Fprintf(&c.b, format, args...) }

// text writes foreign text, cut to so many characters.
func (c *canvas) text(x, y float64, class, text string, most int) {
	c.printf(`<text x="%g" y="%g" class="%s">%s</text>`, x, y, class, html.EscapeString(short(text, most)))
}

// short cuts text to so many characters and marks that it did.
func short(text string, most int) string {
	r := []rune(text)
	if len(r) <= most {
		return text
	}
	return string(r[:most-1]) + "…"
}

func (c *canvas) line(x1, y1, x2, y2 float64, class string) {
	c.printf(`<path d="M%g %gL%g %g" class="%s"/>`, x1, y1, x2, y2, class)
}

// shapes are drawn for verdicts about a middle, each its own, so that none rests on its
// colour: where they begin from there, down and to the right.
var shapes = map[string]struct {
	svg    string
	dy, dx float64
}{
	"•": {`<circle cx="%g" cy="%g" r="3.2" class="fill %s"/>`, 0, 0},
	"●": {`<circle cx="%g" cy="%g" r="6.5" class="fill %s"/>`, 0, 0},
	"○": {`<circle cx="%g" cy="%g" r="5.5" class="line thick %s"/>`, 0, 0},
	"▲": {`<path d="M%g %gl7 11h-14z" class="fill %s"/>`, -6, 0},
	"▼": {`<path d="M%g %gl7 -11h-14z" class="fill %s"/>`, 6, 0},
	"►": {`<path d="M%g %gl-11 7v-14z" class="fill %s"/>`, 0, 6},
	"■": {`<rect x="%g" y="%g" width="10" height="10" class="fill %s"/>`, -5, -5},
	"◆": {`<path d="M%g %gl6 6l-6 6l-6 -6z" class="line thick %s"/>`, -6, 0},
	"✕": {`<path d="M%g %gl12 12m0 -12l-12 12" class="line heavy %s"/>`, -6, -6},
	"?": {`<text x="%g" y="%g" class="mid %s">?</text>`, 4, 0},
}

// mark draws the shape of a verdict about a middle.
func (c *canvas) mark(x, y float64, shape, class string) {
	s, ok := shapes[shape]
	if !ok { // not read
		c.line(x-3, y, x+3, y, "line rule")
		return
	}
	c.printf(s.svg, x+s.dx, y+s.dy, class)
}

// done closes a drawing of a size.
func (c *canvas) done(title, note string, w, h int) drawing {
	svg := fmt.Sprintf(`<svg viewBox="0 0 %d %d" role="img" aria-label="%s" style="max-width:%drem">%s</svg>`,
		w, h, html.EscapeString(title+". "+note), w/14, c.b.String())
	return drawing{Title: title, Note: note, SVG: template.HTML(svg), Wide: w} // #nosec: text passes through text
}
