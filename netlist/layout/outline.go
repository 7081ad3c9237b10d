package layout

import "math"

// arc appends an arc about a centre to a line, from the angle a over the angle by,
// in radians from x towards y. The strokes keep within 0.01 mm of it.
func (line Polyline) arc(c Point, r, a, by float64) Polyline {
	const within = 0.01 // mm
	step := math.Pi / 6
	if r > within {
		step = min(step, 2*math.Acos(1-within/r))
	}
	n := int(math.Ceil(math.Abs(by) / max(step, math.Pi/180)))
	for i := range n + 1 {
		t := a + by*float64(i)/float64(max(n, 1))
		line = append(line, Point{c.X + r*math.Cos(t), c.Y + r*math.Sin(t)})
	}
	return line
}

func circle(c Point, r float64) Polyline { return Polyline(nil).arc(c, r, 0, 2*math.Pi).close() }

// close makes the last point the first, exactly.
func (line Polyline) close() Polyline {
	const same = 1e-9 // mm
	if n := len(line); n > 1 && math.Hypot(line[n-1].X-line[0].X, line[n-1].Y-line[0].Y) < same {
		line[n-1] = line[0]
		return line
	}
	return append(line, line[0])
}

// through is the circle through three points; ok is false where they lie in a row.
func through(a, b, c Point) (centre Point, radius float64, ok bool) {
	bx, by, cx, cy := b.X-a.X, b.Y-a.Y, c.X-a.X, c.Y-a.Y
	d := 2 * (bx*cy - by*cx)
	x := (cy*(bx*bx+by*by) - by*(cx*cx+cy*cy)) / d
	y := (bx*(cx*cx+cy*cy) - cx*(bx*bx+by*by)) / d
	r := math.Hypot(x, y)
	return Point{a.X + x, a.Y + y}, r, r < farthest // false for NaN too
}

// threePoints is the arc from a to c that passes through b.
func threePoints(a, b, c Point) Polyline {
	m, r, ok := through(a, b, c)
	if !ok {
		return Polyline{a, b, c}
	}
	angle := func(p Point) float64 { return math.Atan2(p.Y-m.Y, p.X-m.X) }
	turn := func(from, to float64) float64 { return math.Mod(to-from+4*math.Pi, 2*math.Pi) }
	from := angle(a)
	by := turn(from, angle(c))
	if turn(from, angle(b)) > by {
		by -= 2 * math.Pi
	}
	line := Polyline(nil).arc(m, r, from, by)
	line[0], line[len(line)-1] = a, c
	return line
}

// frame moves points of a footprint to their place on the board: turned by an angle
// in degrees, counterclockwise as seen, then shifted. The y axis points down.
type frame struct {
	at       Point
	sin, cos float64
}

func newFrame(at Point, degrees float64) frame {
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	if math.Mod(degrees, 90) == 0 { // keeps right angles right
		sin, cos = math.Round(sin), math.Round(cos)
	}
	return frame{at, sin, cos}
}

func (f frame) place(p Point) Point {
	return Point{f.at.X + p.X*f.cos + p.Y*f.sin, f.at.Y - p.X*f.sin + p.Y*f.cos}
}

func (f frame) line(line Polyline) Polyline {
	for i := range line {
		line[i] = f.place(line[i])
	}
	return line
}

// copper is the outline of a pad about the middle of its copper, not turned.
// deltaX and deltaY make a trapezoid of a rectangle: by so much is the one side of a
// pair longer than the other.
func copper(shape PadShape, w, h, corner, deltaX, deltaY float64) Polyline {
	x, y := w/2, h/2
	switch shape {
	case Circle:
		return circle(Point{}, x)
	case Oval:
		corner = min(x, y)
	case RoundedRectangle:
	case Trapezoid:
		dx, dy := deltaX/2, deltaY/2
		return Polyline{{-x - dy, y + dx}, {x + dy, y - dx}, {x - dy, -y + dx}, {-x + dy, -y - dx}}.close()
	default:
		corner = 0
	}
	if corner = min(corner, x, y); corner <= 0 {
		return Polyline{{-x, -y}, {x, -y}, {x, y}, {-x, y}}.close()
	}
	var line Polyline
	for i, c := range []Point{{x - corner, y - corner}, {-x + corner, y - corner}, {-x + corner, -y + corner}, {x - corner, -y + corner}} {
		line = line.arc(c, corner, float64(i)*math.Pi/2, math.Pi/2)
	}
	return line.close()
}

// area of a closed line, in square mm.
func (line Polyline) area() float64 {
	sum := 0.0
	for i := 1; i < len(line); i++ {
		sum += line[i-1].X*line[i].Y - line[i].X*line[i-1].Y
	}
	return math.Abs(sum) / 2
}
