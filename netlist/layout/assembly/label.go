package assembly

import (
	"math"
	"unicode/utf8"

	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
)

// label is a name with its place on paper.
type label struct {
	text   string
	at     layout.Point // its middle
	turned bool         // reads upwards
}

// Sizes in parts of the size of the type: what sans-serif capitals and digits take,
// and the room between two names.
const (
	letterWide = 0.64
	letterHigh = 0.86
	nameSpace  = 0.3
)

func textWide(text string, size float64) float64 {
	return (float64(utf8.RuneCountInString(text))*letterWide + nameSpace) * size
}

// labels finds room for names of one size in one view. Names never cover each other:
// one that has no room is left out.
type labels struct {
	size   float64
	frame  box
	taken  []box         // by names and by the mark
	bodies map[int][]box // of parts, by the bands of the paper that they touch; a name of another one may hardly cover them
	placed []label
}

// bandHigh is the height of a band, about that of a name: a board of thousands of
// parts has few in each.
const bandHigh = 10.0

// bands are the first and the last band that a box touches.
func bands(b box) (first, last int) {
	return int(math.Floor(b.top / bandHigh)), int(math.Floor(b.bottom / bandHigh))
}

// keepClear files bodies of parts.
func (l *labels) keepClear(bodies []box) {
	l.bodies = make(map[int][]box)
	for _, b := range bodies {
		on := b.and(l.frame)
		if on.area() <= 0 {
			continue
		}
		for i, last := bands(on); i <= last; i++ {
			l.bodies[i] = append(l.bodies[i], b)
		}
	}
}

// coverable is the share of a name that may lie on other parts.
const coverable = 0.12

// free tells that a name fits in a box.
func (l *labels) free(b box, own box) bool {
	if !l.frame.holds(b) {
		return false
	}
	for _, t := range l.taken {
		if b.and(t).wide() > 0 && b.and(t).high() > 0 {
			return false
		}
	}
	covered, most := 0.0, coverable*b.area()
	for i, last := bands(b); i <= last; i++ {
		in := b.and(box{b.left, float64(i) * bandHigh, b.right, float64(i+1) * bandHigh})
		for _, t := range l.bodies[i] {
			if t == own {
				continue
			}
			if covered += overlap(in, t); covered > most {
				return false
			}
		}
	}
	return true
}

// overlap is the area that two boxes share.
func overlap(a, b box) float64 { return a.and(b).area() }

func (l *labels) put(text string, at layout.Point, turned bool, b box) {
	l.taken = append(l.taken, b)
	l.placed = append(l.placed, label{text, at, turned})
}

// name puts the name of a part into its body where it fits there, else beside it.
func (l *labels) name(p *part, on box) {
	text := document.Printable(p.Reference)
	on = on.and(l.frame)
	if text == "" || on.wide() <= 0 || on.high() <= 0 {
		return
	}
	w, h := textWide(text, l.size), letterHigh*l.size
	m := on.middle()
	inside := []bool{false, true}
	if on.high() > on.wide() {
		inside = []bool{true, false}
	}
	try := func(turned, over bool) bool {
		b := around(m.X, m.Y, w, h)
		if turned {
			b = around(m.X, m.Y, h, w)
		}
		if !over && !on.holds(b) || !l.free(b, on) {
			return false
		}
		l.put(text, m, turned, b)
		return true
	}
	for _, turned := range inside {
		if try(turned, false) {
			return
		}
	}
	const gap = 0.6
	for _, at := range []layout.Point{
		{X: m.X, Y: on.top - h/2 - gap}, {X: m.X, Y: on.bottom + h/2 + gap},
		{X: on.right + w/2 + gap, Y: m.Y}, {X: on.left - w/2 - gap, Y: m.Y},
	} {
		if b := around(at.X, at.Y, w, h); l.free(b, on) {
			l.put(text, at, false, b)
			return
		}
	}
	// A part that is smaller than its name is covered by it where nothing else is
	// left; one much larger has it among its pads.
	for _, turned := range inside {
		if (on.area() < 0.7*w*h || on.area() > 2*w*h) && try(turned, true) {
			return
		}
	}
}

// beside puts a number beside a pad, away from the middle of its part, or into it.
func (l *labels) beside(text string, pad, on box) {
	w, h := textWide(text, l.size), letterHigh*l.size
	m, c := pad.middle(), on.middle()
	at, own := m, pad
	b := around(m.X, m.Y, w, h)
	if !pad.holds(b) {
		own = on
		dx, dy := (m.X-c.X)/max(on.wide(), 1), (m.Y-c.Y)/max(on.high(), 1)
		const gap = 0.8
		switch {
		case dx*dx > dy*dy && dx > 0:
			at.X = pad.right + w/2 + gap
		case dx*dx > dy*dy:
			at.X = pad.left - w/2 - gap
		case dy > 0:
			at.Y = pad.bottom + h/2 + gap
		default:
			at.Y = pad.top - h/2 - gap
		}
		b = around(at.X, at.Y, w, h)
	}
	if l.free(b, own) {
		l.put(text, at, false, b)
	}
}
