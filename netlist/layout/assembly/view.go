package assembly

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"halfsplit/netlist/layout"
)

// box is an upright rectangle, in millimetres of the board or units of the paper.
type box struct{ left, top, right, bottom float64 }

var nowhere = box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}

func around(x, y, w, h float64) box { return box{x - w/2, y - h/2, x + w/2, y + h/2} }

func (b box) wide() float64 { return b.right - b.left }
func (b box) high() float64 { return b.bottom - b.top }
func (b box) area() float64 { return max(b.wide(), 0) * max(b.high(), 0) }
func (b box) middle() layout.Point {
	return layout.Point{X: (b.left + b.right) / 2, Y: (b.top + b.bottom) / 2}
}

func (b box) grow(by float64) box { return box{b.left - by, b.top - by, b.right + by, b.bottom + by} }

func (b box) with(p layout.Point) box {
	return box{min(b.left, p.X), min(b.top, p.Y), max(b.right, p.X), max(b.bottom, p.Y)}
}

func (b box) or(c box) box {
	return box{min(b.left, c.left), min(b.top, c.top), max(b.right, c.right), max(b.bottom, c.bottom)}
}

func (b box) and(c box) box {
	return box{max(b.left, c.left), max(b.top, c.top), min(b.right, c.right), min(b.bottom, c.bottom)}
}

func (b box) holds(c box) bool {
	return c.left >= b.left && c.top >= b.top && c.right <= b.right && c.bottom <= b.bottom
}

func bounds(lines ...layout.Polyline) box {
	b := nowhere
	for _, line := range lines {
		for _, p := range line {
			b = b.with(p)
		}
	}
	return b
}

// view shows a window of one side of the board in a frame on the paper.
type view struct {
	side   layout.Side
	window box     // mm
	frame  box     // units
	scale  float64 // units per mm
	// enlarged tells that it is the view of the neighbourhood.
	enlarged bool
}

// place puts a point of the board on paper. The bottom side is seen from below: left
// and right change places.
func (v *view) place(p layout.Point) layout.Point {
	x := p.X - v.window.left
	if v.side == layout.Bottom {
		x = v.window.right - p.X
	}
	return layout.Point{X: v.frame.left + x*v.scale, Y: v.frame.top + (p.Y-v.window.top)*v.scale}
}

func (v *view) box(b box) box {
	p, q := v.place(layout.Point{X: b.left, Y: b.top}), v.place(layout.Point{X: b.right, Y: b.bottom})
	return box{min(p.X, q.X), p.Y, max(p.X, q.X), q.Y}
}

// path is the data of SVG paths, of lines cut to the frame of a view: in tenths of a
// unit, each step from the point before, which keeps a drawing of a large board small.
type path struct {
	b      strings.Builder
	pen    [2]int
	letter byte
}

func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

func (d *path) to(letter byte, p layout.Point) {
	at := [2]int{int(math.Round(10 * p.X)), int(math.Round(10 * p.Y))}
	x, y := at[0]-d.pen[0], at[1]-d.pen[1]
	if letter == 'l' && x == 0 && y == 0 {
		return
	}
	if d.letter != letter {
		d.b.WriteByte(letter)
	} else if x >= 0 {
		d.b.WriteByte(' ')
	}
	d.b.WriteString(strconv.Itoa(x))
	if y >= 0 {
		d.b.WriteByte(' ')
	}
	d.b.WriteString(strconv.Itoa(y))
	d.pen, d.letter = at, letter
	if letter == 'm' {
		d.letter = 'l' // what follows a step without a letter
	}
}

// add appends lines. Points nearer to the one before than can be seen are left out.
func (d *path) add(v *view, lines ...layout.Polyline) {
	const near = 0.3 // units
	for _, line := range lines {
		if len(line) == 0 {
			continue
		}
		last := v.place(line[0])
		var pen layout.Point
		down := false
		for i, p := range line[1:] {
			q := v.place(p)
			if math.Hypot(q.X-last.X, q.Y-last.Y) < near && i < len(line)-2 {
				continue
			}
			a, b, ok := cut(last, q, v.frame)
			last = q
			if !ok {
				down = false
				continue
			}
			if !down || pen != a {
				d.to('m', a)
			}
			d.to('l', b)
			pen, down = b, true
		}
	}
}

// cut is the piece of a stroke that lies in a box; ok is false where none does.
// (Liang and Barsky 1984.)
func cut(a, b layout.Point, in box) (layout.Point, layout.Point, bool) {
	from, to := 0.0, 1.0
	dx, dy := b.X-a.X, b.Y-a.Y
	for _, edge := range [][2]float64{{-dx, a.X - in.left}, {dx, in.right - a.X}, {-dy, a.Y - in.top}, {dy, in.bottom - a.Y}} {
		switch p, q := edge[0], edge[1]; {
		case p == 0 && q < 0:
			return a, b, false
		case p < 0:
			from = max(from, q/p)
		case p > 0:
			to = min(to, q/p)
		}
	}
	if from > to {
		return a, b, false
	}
	at := func(t float64) layout.Point {
		switch t {
		case 0:
			return a
		case 1:
			return b
		}
		return layout.Point{X: a.X + t*dx, Y: a.Y + t*dy}
	}
	return at(from), at(to), true
}

// part is a footprint as it is drawn.
type part struct {
	*layout.Footprint
	body []layout.Polyline
	box  box // mm, of body and pads
}

// partOf chooses what is drawn around a part: the outline for fabrication, otherwise the
// print, otherwise the room to keep free, otherwise a frame around its pads.
func partOf(f *layout.Footprint) part {
	p := part{Footprint: f}
	for _, lines := range [][]layout.Polyline{f.Body, f.Silk, f.Courtyard} {
		if len(lines) > 0 {
			p.body = lines
			break
		}
	}
	p.box = bounds(p.body...)
	pads := nowhere
	for i := range f.Pads {
		for _, at := range f.Pads[i].Copper {
			pads, p.box = pads.with(at), p.box.with(at)
		}
	}
	if p.box == nowhere {
		p.box = nowhere.with(f.At)
	}
	if p.body == nil && pads.wide() >= 0 {
		p.body = []layout.Polyline{rectangle(pads.grow(0.1))}
	}
	return p
}

func rectangle(b box) layout.Polyline {
	return layout.Polyline{{X: b.left, Y: b.top}, {X: b.right, Y: b.top}, {X: b.right, Y: b.bottom}, {X: b.left, Y: b.bottom}, {X: b.left, Y: b.top}}
}

// partsOf are the footprints that have pads, the largest first. Prints and marks
// that are no parts are left out.
func partsOf(drawn *layout.Board) []part {
	var parts []part
	for i := range drawn.Footprints {
		if len(drawn.Footprints[i].Pads) > 0 {
			parts = append(parts, partOf(&drawn.Footprints[i]))
		}
	}
	slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(b.box.area(), a.box.area()) })
	return parts
}
