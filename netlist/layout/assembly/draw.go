package assembly

import (
	"fmt"
	"html"
	"math"
	"path/filepath"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
)

// Drawing is a picture with what it shows in words.
type Drawing struct {
	Title string
	Note  string // what cannot be seen on it
	SVG   string // as it stands in HTML
}

// File is the drawing as a file of its own.
func (d *Drawing) File() string {
	return strings.Replace(d.SVG, "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1) + "\n"
}

// Measures of the paper, in units: 340 of them are the 190 mm between the margins of
// an A4 sheet, or the width of a telephone.
const (
	paperWide = 340
	margin    = 6
	strip     = 15 // under a view, for its scale
	gap       = 6
	tallest   = 300  // a view
	plain     = 10.6 // size of type that a telephone shows legibly
	whole     = 5.4  // of names in the whole view, on anything larger
	near      = 7    // of names in the enlarged view, on anything larger
)

// picture is an SVG in the making.
type picture struct {
	b     strings.Builder
	drawn *layout.Board
	parts []part
	mark  Mark
	edge  box // mm, of the board
}

// Draw draws a mark on the side of the board that it is seen from.
func Draw(b *netlist.Board, drawn *layout.Board, mark Mark) Drawing {
	p := &picture{drawn: drawn, parts: partsOf(drawn), mark: mark}
	notes := append([]string(nil), mark.Notes...)
	if p.edge = bounds(drawn.Outline...); len(drawn.Outline) == 0 {
		p.edge = nowhere
		for _, x := range p.parts {
			p.edge = p.edge.or(x.box)
		}
		p.edge = p.edge.grow(2)
		notes = append(notes, "The layout has no outline of the board: the dashed frame is around its parts.")
	}
	side := mark.side()
	sides := "Top side"
	if side == layout.Bottom {
		sides = "Bottom side, mirrored: as seen when turned over"
	}
	// What is marked is shown wherever it lies.
	p.edge = p.edge.or(p.target().grow(1))
	d := Drawing{Title: document.PrintableWords("Where " + mark.Name + " is"), Note: document.PrintableWords(strings.Join(notes, " "))}
	y := p.head(document.Printable(mark.Name), document.PrintableWords(mark.What), sides)
	y = p.views(side, y)
	foot := b.Name
	if b.Revision != "" {
		foot += ", revision " + b.Revision
	}
	foot += "; layout " + filepath.Base(drawn.File)
	for _, line := range append(fold(d.Note, 57), fold(document.PrintableWords(foot), 57)...) {
		y += 12
		p.text(margin, y, "start", plain, line, "")
	}
	d.SVG = fmt.Sprintf(`<svg viewBox="0 0 %d %s" role="img" aria-label="%s" class="assembly">`+
		`<style>%s</style>%s</svg>`, paperWide, number(y+margin), html.EscapeString(d.Title+". "+sides+"."), style, p.b.String())
	return d
}

// style says what depends on the screen: on a narrow one there are fewer names (c)
// in larger type in place of the many (f). Print is never narrow.
var style = fmt.Sprintf(`.assembly{background:#fff}.assembly text{font-family:system-ui,sans-serif;fill:#000}` +
	`@media screen and (max-width:37rem){.assembly .f{display:none}.assembly .c{display:inline}}`)

func (p *picture) printf(format string, args ...any) { fmt.Fprintf(&p.b, format, args...) }

// text writes foreign text that is printable already.
func (p *picture) text(x, y float64, anchor string, size float64, text, more string) {
	p.printf(`<text x="%s" y="%s" text-anchor="%s" font-size="%s"%s>%s</text>`, number(x), number(y), anchor, number(size), more, html.EscapeString(text))
}

// fold breaks text into lines of so many letters.
func fold(text string, most int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len([]rune(line))+1+len([]rune(word)) > most {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// head writes what is marked, and returns how far down it went.
func (p *picture) head(name, what, side string) float64 {
	p.text(margin, 17, "start", 16, name, ` font-weight="bold"`)
	y := 19.0
	for _, line := range fold(what, 57) {
		y += 12
		p.text(margin, y, "start", plain, line, "")
	}
	for _, line := range fold(side, 52) {
		y += 12
		p.text(margin, y, "start", plain, line, ` font-weight="bold"`)
	}
	return y + 5
}

// views puts the whole board above its enlarged part, or beside it where the board
// is taller than wide.
func (p *picture) views(side layout.Side, y float64) float64 {
	const wide = paperWide - 2*margin
	first := box{margin, y, margin + wide, y + min(tallest, wide*p.edge.high()/p.edge.wide())}
	second := box{margin, first.bottom + strip + gap, margin + wide, 0}
	second.bottom = second.top + 190
	if p.edge.high() > p.edge.wide()*1.05 {
		const column = 160
		first = box{margin, y, margin + column, y + min(380, column*p.edge.high()/p.edge.wide())}
		second = box{first.right + gap, y, margin + wide, y + max(first.high(), 190)}
	} else if first.high() > 230 {
		first.bottom = first.top + 230
		second.top = first.bottom + strip + gap
		second.bottom = second.top + 190
	}
	all := p.view(side, p.edge, first)
	close := p.view(side, p.nearby(second), second)
	close.enlarged = true
	p.side(all, whole, close.window)
	p.side(close, near, box{})
	p.scale(all, "whole board")
	p.scale(close, fmt.Sprintf("%s times", number(math.Round(close.scale/all.scale*10)/10)))
	return max(first.bottom, second.bottom) + strip
}

// view fits a window of the board into a frame, in its middle, and shrinks the frame
// to it.
func (p *picture) view(side layout.Side, window, frame box) *view {
	v := &view{side: side, window: window, scale: min(frame.wide()/window.wide(), frame.high()/window.high())}
	m := frame.middle()
	v.frame = around(m.X, m.Y, window.wide()*v.scale, window.high()*v.scale)
	v.frame.top, v.frame.bottom = frame.top, frame.top+window.high()*v.scale
	return v
}

// target is the box that a mark is about, in mm.
func (p *picture) target() box {
	if len(p.mark.Pads) == 0 {
		return partOf(p.mark.Footprint).box
	}
	b := nowhere
	for _, pad := range p.mark.Pads {
		b = b.or(bounds(pad.Copper))
	}
	return b
}

// nearby is the window of the enlarged view: so many millimetres that neighbouring
// pads of the marked part can be distinguished, within the board as far as it goes.
func (p *picture) nearby(frame box) box {
	pitch := math.Inf(1)
	pads := p.mark.Footprint.Pads
	const many = 400 // pads of one part that are compared
	for i := range pads[:min(len(pads), many)] {
		for j := range i {
			if d := math.Hypot(pads[i].At.X-pads[j].At.X, pads[i].At.Y-pads[j].At.Y); d > 0.05 {
				pitch = min(pitch, d)
			}
		}
	}
	least := 11.0 // mm, of the shorter way
	high := min(max(28*pitch, least), 20)
	target := p.target()
	if len(p.mark.Pads) == 0 {
		high = max(high, 1.5*target.high(), 1.5*target.wide()*frame.high()/frame.wide())
	}
	wide := high * frame.wide() / frame.high()
	m := target.middle()
	w := around(m.X, m.Y, wide, high)
	// Nothing is to be seen beyond the edge.
	inside := func(from, to *float64, low, top float64) {
		switch shift := 0.0; {
		case *to-*from > top-low:
			middle := (low + top) / 2
			*from, *to = middle-(*to-*from)/2, middle+(*to-*from)/2
		case *from < low:
			shift = low - *from
			*from, *to = *from+shift, *to+shift
		case *to > top:
			shift = *to - top
			*from, *to = *from-shift, *to-shift
		}
	}
	edge := p.edge.grow(1)
	inside(&w.left, &w.right, edge.left, edge.right)
	inside(&w.top, &w.bottom, edge.top, edge.bottom)
	return w
}

// side draws what can be seen of a side of the board in a view, names of a size on
// it, and the mark. enlarged is the window of the other view, in the whole one.
func (p *picture) side(v *view, size float64, enlarged box) {
	var edge, body, absent, pads, holes, far path
	edge.add(v, p.drawn.Outline...)
	if len(p.drawn.Outline) == 0 {
		absent.add(v, rectangle(p.edge))
	}
	type shown struct {
		*part
		on box
	}
	var seen []shown
	for i := range p.parts {
		x := &p.parts[i]
		here := x.Side == v.side
		for j := range x.Pads {
			pad := &x.Pads[j]
			switch {
			case !pad.Side.On(v.side):
				continue
			case here:
				pads.add(v, pad.Copper)
			default:
				far.add(v, pad.Copper)
			}
			if pad.Drill > 0 && pad.Type != layout.Surface {
				holes.add(v, ring(pad.At, pad.Drill/2))
			}
		}
		if !here {
			continue
		}
		if x.Absent {
			absent.add(v, x.body...)
		} else {
			body.add(v, x.body...)
		}
		seen = append(seen, shown{x, v.box(x.box)})
	}
	p.path(&far, 0.25, "")
	p.path(&holes, 0.25, "")
	p.path(&pads, 0.35, "")
	p.path(&absent, 0.5, ` stroke-dasharray="20 15"`)
	p.path(&body, 0.5, "")
	p.path(&edge, 1.3, "")
	if !v.enlarged {
		b := v.box(enlarged).and(v.frame)
		p.printf(`<rect x="%s" y="%s" width="%s" height="%s" fill="none" stroke="#000" stroke-width=".7" stroke-dasharray="4 2"/>`, number(b.left), number(b.top), number(b.wide()), number(b.high()))
	} else {
		p.printf(`<rect x="%s" y="%s" width="%s" height="%s" fill="none" stroke="#000" stroke-width=".7"/>`, number(v.frame.left), number(v.frame.top), number(v.frame.wide()), number(v.frame.high()))
	}
	obstacles := func(size float64) []box {
		var all []box
		for _, x := range seen {
			// Names lie on large parts, such as a shield over others, but not on
			// their pads.
			if x.on.area() < 40*size*size {
				all = append(all, x.on)
				continue
			}
			for j := range x.Pads {
				if b := v.box(bounds(x.Pads[j].Copper)); b.and(v.frame).area() > 0 {
					all = append(all, b)
				}
			}
		}
		return all
	}
	crowd := obstacles(plain)
	if v.enlarged {
		for i := range p.mark.Footprint.Pads { // where their numbers stand
			crowd = append(crowd, v.box(bounds(p.mark.Footprint.Pads[i].Copper)).grow(plain))
		}
	}
	call := p.callout(v, crowd)
	for _, set := range []struct {
		size  float64
		class string
	}{{size, `class="f"`}, {plain, `class="c" display="none"`}} {
		l := labels{size: set.size, frame: v.frame}
		l.keepClear(obstacles(set.size))
		l.taken = append(p.kept(v), call)
		for _, x := range seen {
			if len(p.mark.Pads) > 0 || x.Footprint != p.mark.Footprint {
				l.name(x.part, x.on)
			}
		}
		if v.enlarged {
			p.numbers(v, &l)
		}
		p.printf(`<g paint-order="stroke" stroke="#fff" stroke-width="1.4" stroke-linejoin="round">`)
		for _, x := range l.placed {
			turn := ""
			if x.turned {
				turn = fmt.Sprintf(` transform="rotate(-90 %s %s)"`, number(x.at.X), number(x.at.Y))
			}
			p.printf(`<text x="%s" y="%s" dy=".35em" text-anchor="middle" font-size="%s" %s%s>%s</text>`, number(x.at.X), number(x.at.Y), number(set.size), set.class, turn, html.EscapeString(x.text))
		}
		p.printf(`</g>`)
	}
	p.call(v, call)
	p.point(v)
}

func ring(at layout.Point, r float64) layout.Polyline {
	const n = 16
	line := make(layout.Polyline, n+1)
	for i := range line {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
		line[i] = layout.Point{X: at.X + r*cos, Y: at.Y + r*sin}
	}
	return line
}

func (p *picture) path(d *path, width float64, more string) {
	if d.b.Len() > 0 {
		p.printf(`<path transform="scale(.1)" d="%s" fill="none" stroke="#000" stroke-width="%s" stroke-linejoin="round"%s/>`, d.b.String(), number(10*width), more)
	}
}

// tick is the length of the strokes that point at the mark, in units.
const tick = 7

// kept are the boxes that a mark keeps free of names: its ring, of a part only the
// sides of its frame, and the strokes.
func (p *picture) kept(v *view) []box {
	on, round := p.ring(v)
	const half = 2.0 // of the width of a line, with some air
	m := on.middle()
	boxes := []box{
		{on.left - tick, m.Y - half, on.left, m.Y + half}, {on.right, m.Y - half, on.right + tick, m.Y + half},
		{m.X - half, on.top - tick, m.X + half, on.top}, {m.X - half, on.bottom, m.X + half, on.bottom + tick},
	}
	if round { // its corners are free
		r := on.wide() / 2
		return append(boxes, around(m.X, m.Y, 2*r, r), around(m.X, m.Y, r, 2*r), around(m.X, m.Y, 1.44*r, 1.44*r))
	}
	return append(boxes,
		box{on.left - half, on.top, on.left + half, on.bottom}, box{on.right - half, on.top, on.right + half, on.bottom},
		box{on.left, on.top - half, on.right, on.top + half}, box{on.left, on.bottom - half, on.right, on.bottom + half})
}

// ring is the box of the line around what is marked, and whether that is a circle.
func (p *picture) ring(v *view) (on box, round bool) {
	const away, least = 3.0, 5.5 // units
	b := v.box(p.target())
	if len(p.mark.Pads) == 0 {
		if v.enlarged {
			return b.grow(away + 1.2*near), false // around the numbers of its pads
		}
		return b.grow(away), false
	}
	m := b.middle()
	r := max(math.Hypot(b.wide(), b.high())/2+away-1, least)
	return around(m.X, m.Y, 2*r, 2*r), true
}

// point draws the mark: the pad filled, a heavy ring, and four strokes that point at
// it; of a part a heavy frame instead. It is found on a monochrome print by its form.
// A halo parts it from what is around; the enlarged view shows that instead.
func (p *picture) point(v *view) {
	var filled path
	for _, pad := range p.mark.Pads {
		filled.add(v, pad.Copper)
	}
	if filled.b.Len() > 0 {
		p.printf(`<path transform="scale(.1)" d="%s"/>`, filled.b.String())
	}
	on, round := p.ring(v)
	m := on.middle()
	corner := 2.0
	if round {
		corner = on.wide() / 2
	}
	shape := fmt.Sprintf(`<rect x="%s" y="%s" width="%s" height="%s" rx="%s"`, number(on.left), number(on.top), number(on.wide()), number(on.high()), number(corner))
	strokes := fmt.Sprintf("M%s %sh-%d", number(on.left), number(m.Y), tick) + fmt.Sprintf("M%s %sh%d", number(on.right), number(m.Y), tick) +
		fmt.Sprintf("M%s %sv-%d", number(m.X), number(on.top), tick) + fmt.Sprintf("M%s %sv%d", number(m.X), number(on.bottom), tick)
	if !v.enlarged {
		p.printf(`<g fill="none" stroke="#fff" stroke-width="4.5">%s/><path d="%s"/></g>`, shape, strokes)
	}
	p.printf(`<g fill="none" stroke="#000" stroke-width="2">%s/><path d="%s"/></g>`, shape, strokes)
}

// callout finds room for the name of the mark: near it, and where it hides little.
// The box is empty where there is none.
func (p *picture) callout(v *view, bodies []box) box {
	ring, _ := p.ring(v)
	m := ring.middle()
	w, h := textWide(document.Printable(p.mark.Name), plain)*1.08+3, plain+5.0
	best, least := box{}, math.Inf(1)
	for _, away := range []float64{tick + 2, 16, 24} { // from the ring
		for _, d := range []layout.Point{{X: 1, Y: -1}, {X: -1, Y: -1}, {X: 1, Y: 1}, {X: -1, Y: 1}, {X: 0, Y: -1}, {X: 0, Y: 1}, {X: 1}, {X: -1}} {
			x := m.X + d.X*(ring.wide()/2+away+w/2)
			y := m.Y + d.Y*(ring.high()/2+away+h/2)
			if d.X != 0 && d.Y != 0 { // the corners of the ring are empty
				x, y = x-d.X*tick, y-d.Y*tick
			}
			b := around(x, y, w, h)
			cost := 4 * away
			for _, t := range bodies {
				cost += 4 * overlap(b, t)
			}
			if v.frame.grow(-1).holds(b) && cost < least {
				best, least = b, cost
			}
		}
	}
	return best
}

// call writes the name of the mark in a frame, tied to the mark by a stroke.
func (p *picture) call(v *view, at box) {
	if at.wide() <= 0 {
		return
	}
	// From the middle of the mark; the mark and the name cover its ends.
	m, c := v.box(p.target()).middle(), at.middle()
	from, _ := p.ring(v)
	if d := math.Hypot(c.X-m.X, c.Y-m.Y); d > 0 {
		r := min(from.wide(), from.high()) / 2
		m.X, m.Y = m.X+(c.X-m.X)/d*r, m.Y+(c.Y-m.Y)/d*r
	}
	p.printf(`<path d="M%s %sL%s %s" stroke="#000" stroke-width="1.2"/>`, number(m.X), number(m.Y), number(c.X), number(c.Y))
	p.printf(`<rect x="%s" y="%s" width="%s" height="%s" fill="#fff" stroke="#000" stroke-width="1.4"/>`, number(at.left), number(at.top), number(at.wide()), number(at.high()))
	p.text(c.X, c.Y, "middle", plain, document.Printable(p.mark.Name), ` dy=".35em" font-weight="bold"`)
}

// numbers writes the numbers of the marked part's pads: the first and the last, those
// next to the mark, and as many others as have room.
func (p *picture) numbers(v *view, l *labels) {
	pads := p.mark.Footprint.Pads
	on := v.box(partOf(p.mark.Footprint).box)
	write := func(i int) {
		pad := &pads[i]
		if pad.Number == "" || !pad.Side.On(v.side) {
			return
		}
		b := v.box(bounds(pad.Copper))
		if b.and(v.frame).area() > 0 {
			l.beside(document.Printable(pad.Number), b, on)
		}
	}
	var order []int
	for i := range pads {
		for _, m := range p.mark.Pads {
			if pads[i].Source == m.Source {
				order = append(order, i-1, i+1, i-2, i+2)
			}
		}
	}
	order = append(order, 0, len(pads)-1)
	done := make(map[int]bool)
	for i := range pads {
		order = append(order, i)
	}
	for _, i := range order {
		if i >= 0 && i < len(pads) && !done[i] {
			done[i] = true
			write(i)
		}
	}
}

// scale draws a length under a view, and says what the view is.
func (p *picture) scale(v *view, what string) {
	length := 0.5
	for _, mm := range []float64{1, 2, 5, 10, 20, 50, 100, 200} {
		if mm*v.scale <= 0.34*v.frame.wide() {
			length = mm
		}
	}
	x, y, w := v.frame.left, v.frame.bottom+9, length*v.scale
	p.printf(`<path d="M%s %sv-5m0 2.5h%sm0 -2.5v5" fill="none" stroke="#000" stroke-width="1.2"/>`, number(x+0.6), number(y), number(w))
	p.text(x+w+5, y, "start", plain, number(length)+" mm", "")
	p.text(v.frame.right, y, "end", plain, what, "")
}
