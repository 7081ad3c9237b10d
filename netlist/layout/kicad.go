package layout

import (
	"io"
	"math"
	"strconv"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/layout/sexpr"
)

// passedOver are lists of a KiCad layout that say nothing of where parts and pads
// lie, and are most of its bytes.
var passedOver = map[string]bool{
	"segment": true, "via": true, "zone": true, "setup": true, "net_class": true,
	"gr_text": true, "gr_text_box": true, "fp_text_box": true, "dimension": true, "image": true,
	"group": true, "generated": true, "table": true, "model": true, "effects": true, "stroke": true,
	"render_cache": true, "teardrops": true, "embedded_files": true, "embedded_fonts": true,
	"uuid": true, "tstamp": true, "tedit": true, "path": true,
}

// kicad reads the layouts of KiCad 4 to 9, and takes what it knows from the later
// ones. The format is that of the page "Board File Format" of KiCad's developer
// documentation, and of the releases before it, from memory:
//
//	(kicad_pcb (version 20240108)
//	  (layers (0 "F.Cu" signal) (31 "B.Cu" signal) ...)
//	  (net 1 "GND")
//	  (footprint "Resistor_SMD:R_0402" (layer "F.Cu") (at 10 20 90)
//	    (descr "...") (tags "resistor") (attr smd dnp)
//	    (property "Reference" "R12" ...)
//	    (fp_line (start -1 -0.5) (end 1 -0.5) (layer "F.Fab"))
//	    (pad "1" smd roundrect (at -0.5 0 90) (size 0.5 0.6) (layers "F.Cu" "F.Mask")
//	      (roundrect_rratio 0.25) (net 1 "GND") (pinfunction "A") (pintype "passive")))
//	  (gr_line (start 0 0) (end 50 0) (layer "Edge.Cuts")))
//
// Release 4 and 5 say module, and keep reference and value in fp_text, as 6 and 7
// do. Places within a footprint are turned with it; the angle of a pad is that of
// the board. On the bottom side the file holds them mirrored already.
type kicad struct {
	problems
	file   *sexpr.File
	board  *Board
	copper map[string]Side // names of the outer copper layers
	nets   map[string]string
}

func readKiCad(r io.Reader, name string) (*Board, error) {
	const again = "save the layout again with the program that made it"
	file, err := sexpr.Read(r, name, sexpr.Options{Skip: passedOver, Again: again})
	if err != nil {
		return nil, err
	}
	k := &kicad{
		problems: problems{again: again},
		file:     file,
		board:    &Board{File: name},
		copper:   map[string]Side{"F.Cu": Top, "B.Cu": Bottom},
		nets:     make(map[string]string),
	}
	root := &file.Root
	if root.Name() != "kicad_pcb" {
		k.Add(file.At(root), "is not a layout: it begins with "+document.Quote(root.Name())+", not `kicad_pcb`", "name the layout (.kicad_pcb), or an IPC-D-356A file")
		return nil, k.Err()
	}
	title := root.Get("title_block")
	k.board.Title, k.board.Revision = title.Text("title"), title.Text("rev")
	k.layers(root.Get("layers"))
	for net := range root.All("net") {
		if name := plainName(net.Item(2)); name != "" {
			k.nets[net.Item(1)] = name
			k.board.Nets = append(k.board.Nets, name)
		}
	}
	for n := range root.All("module", "footprint") {
		k.footprint(n)
	}
	k.drawn(root, "gr_", newFrame(Point{}, 0), func(layer string, line Polyline) {
		if layer == "Edge.Cuts" {
			k.board.Outline = append(k.board.Outline, line)
		}
	})
	k.settleNets()
	if err := k.Err(); err != nil {
		return nil, err
	}
	if len(k.board.Footprints) == 0 {
		k.Add(file.At(nil), "holds no footprint", "name the layout of a board with parts")
		return nil, k.Err()
	}
	return k.board, nil
}

// layers notes what release 4 calls the outer copper layers: people could name them
// then. Their numbers are 0 and 31; 31 is another layer from release 9 on, where no
// copper has a name of its own.
func (k *kicad) layers(n *sexpr.Node) {
	if n == nil {
		return
	}
	for i := range n.Items {
		switch layer := &n.Items[i]; {
		case layer.Item(2) == "user":
		case layer.Name() == "0":
			k.copper[layer.Item(1)] = Top
		case layer.Name() == "31":
			k.copper[layer.Item(1)] = Bottom
		}
	}
}

// plainName writes out what KiCad escapes in names.
func plainName(name string) string { return escapes.Replace(name) }

var escapes = strings.NewReplacer("{slash}", "/", "{backslash}", `\`, "{dblquote}", `"`, "{quote}", "'",
	"{lt}", "<", "{gt}", ">", "{colon}", ":", "{bar}", "|", "{space}", " ", "{tab}", " ", "{return}", " ", "{brace}", "{")

// settleNets lists the nets where the file has no table of them, and clears those
// that only say of a pad that it not connected (NC).
func (k *kicad) settleNets() {
	type pin struct{ footprint, number string }
	at := make(map[string]map[pin]bool)
	listed := make(map[string]bool, len(k.board.Nets))
	for _, name := range k.board.Nets {
		listed[name] = true
	}
	for i := range k.board.Footprints {
		f := &k.board.Footprints[i]
		for j := range f.Pads {
			name := f.Pads[j].Net
			if strings.HasPrefix(name, "unconnected-(") {
				if at[name] == nil {
					at[name] = make(map[pin]bool)
				}
				at[name][pin{f.Reference, f.Pads[j].Number}] = true
			}
			if name != "" && !listed[name] {
				listed[name] = true
				k.board.Nets = append(k.board.Nets, name)
			}
		}
	}
	kept := k.board.Nets[:0]
	for _, name := range k.board.Nets {
		if len(at[name]) != 1 {
			kept = append(kept, name)
		}
	}
	k.board.Nets = kept
	for i := range k.board.Footprints {
		for j := range k.board.Footprints[i].Pads {
			if p := &k.board.Footprints[i].Pads[j]; len(at[p.Net]) == 1 {
				p.Net = ""
			}
		}
	}
}

func (k *kicad) footprint(n *sexpr.Node) {
	f := Footprint{
		Description: n.Text("descr"), Keywords: n.Text("tags"),
		Source: k.file.At(n),
	}
	f.Name = n.Item(1)
	if library, name, ok := strings.Cut(f.Name, ":"); ok {
		f.Library, f.Name = library, name
	}
	for text := range n.All("fp_text") {
		switch text.Item(1) {
		case "reference":
			f.Reference = text.Item(2)
		case "value":
			f.Value = text.Item(2)
		}
	}
	for p := range n.All("property") {
		switch name, value := p.Item(1), p.Item(2); name {
		case "Reference":
			f.Reference = value
		case "Value":
			f.Value = value
		default:
			if f.Fields == nil {
				f.Fields = make(map[string]string)
			}
			f.Fields[name] = value
		}
	}
	attr := n.Get("attr")
	f.Absent = attr.Has("dnp")
	f.NotOrdered = attr.Has("exclude_from_bom")
	f.NotPlaced = attr.Has("exclude_from_pos_files")
	f.BoardOnly = attr.Has("board_only")
	f.Virtual = attr.Has("virtual")
	f.Side = k.copper[n.Text("layer")]
	var ok bool
	if f.At, f.Rotation, ok = k.at(n); !ok {
		return
	}
	frame := newFrame(f.At, f.Rotation)
	side := "F."
	if f.Side == Bottom {
		side = "B."
	}
	k.drawn(n, "fp_", frame, func(layer string, line Polyline) {
		switch layer {
		case side + "Fab":
			f.Body = append(f.Body, line)
		case side + "CrtYd":
			f.Courtyard = append(f.Courtyard, line)
		case side + "SilkS", side + "Silkscreen":
			f.Silk = append(f.Silk, line)
		case "Edge.Cuts":
			k.board.Outline = append(k.board.Outline, line)
		}
	})
	for pad := range n.All("pad") {
		if p, ok := k.pad(pad, frame); ok {
			f.Pads = append(f.Pads, p)
		}
	}
	k.board.Footprints = append(k.board.Footprints, f)
}

var padTypes = map[string]PadType{"smd": Surface, "thru_hole": Through, "connect": Edge, "np_thru_hole": Hole}

var padShapes = map[string]PadShape{
	"rect": Rectangle, "roundrect": RoundedRectangle, "circle": Circle, "oval": Oval,
	"trapezoid": Trapezoid, "custom": Custom,
}

// pad reads one pad; ok is false where it has no copper, or is reported.
func (k *kicad) pad(n *sexpr.Node, footprint frame) (p Pad, ok bool) {
	p = Pad{Number: n.Item(1), Function: plainName(n.Text("pinfunction")), Electric: n.Text("pintype"), Source: k.file.At(n)}
	number := "the pad " + document.Quote(p.Number)
	if p.Type, ok = padTypes[n.Item(2)]; !ok {
		k.addf(p.Source, "%s is of the type %s", number, document.Quote(n.Item(2)))
		return p, false
	}
	if p.Shape, ok = padShapes[n.Item(3)]; !ok {
		k.addf(p.Source, "%s has the shape %s", number, document.Quote(n.Item(3)))
		return p, false
	}
	if p.Side, p.Covered, ok = k.sides(n.Get("layers"), p.Type); !ok {
		return p, false // an opening for solder paste, which nobody can probe
	}
	at, rotation, ok := k.at(n)
	if !ok {
		return p, false
	}
	p.At, p.Rotation = footprint.place(at), rotation
	size, ok := k.need(n, "size")
	if !ok {
		return p, false
	}
	p.Width, p.Height = math.Abs(size.X), math.Abs(size.Y)
	if p.Shape == Circle {
		p.Height = p.Width
	}
	p.Net = k.net(n.Get("net"))
	drill := n.Get("drill")
	var offset Point
	if drill != nil {
		first := 1
		if drill.Item(1) == "oval" {
			first = 2
		}
		// A surface pad has a drill that only holds its offset.
		for i := first; i < len(drill.Items) && !drill.Items[i].List; i++ {
			d, ok := k.number(drill, i)
			if ok && (p.Drill == 0 || d < p.Drill) {
				p.Drill = d
			}
		}
		if o := drill.Get("offset"); o != nil {
			offset, _ = k.point(o)
		}
	}
	if ratio := n.Get("roundrect_rratio"); ratio != nil && p.Shape == RoundedRectangle {
		r, _ := k.number(ratio, 1)
		p.Corner = min(max(r, 0), 0.5) * min(p.Width, p.Height)
	}
	var delta Point // the file has the difference of heights first
	if d := n.Get("rect_delta"); d != nil {
		delta, _ = k.point(d)
	}
	line := copper(p.Shape, p.Width, p.Height, p.Corner, delta.Y, delta.X)
	if p.Shape == Custom {
		anchor := Rectangle
		if n.Get("options").Text("anchor") == "circle" {
			anchor = Circle
		}
		// The copper is the union of the anchor and the pieces; its largest piece has
		// its place and nearly its form.
		line = copper(anchor, p.Width, p.Height, 0, 0, 0)
		k.drawn(n.Get("primitives"), "gr_", newFrame(Point{}, 0), func(_ string, piece Polyline) {
			if piece.area() > line.area() {
				line = piece.close()
			}
		})
	}
	for i := range line {
		line[i].X += offset.X
		line[i].Y += offset.Y
	}
	if !k.room(p.Source, len(line)) {
		return p, false
	}
	p.Copper = newFrame(p.At, p.Rotation).line(line)
	return p, true
}

// sides tells on which sides a pad has copper, and whether mask covers it there; ok
// is false where it has neither copper nor hole.
func (k *kicad) sides(layers *sexpr.Node, kind PadType) (side Side, covered, ok bool) {
	var on, open [2]bool
	for i := 1; layers != nil && i < len(layers.Items); i++ {
		switch name := layers.Item(i); name {
		case "*.Cu", "F&B.Cu":
			on = [2]bool{true, true}
		case "*.Mask":
			open = [2]bool{true, true}
		case "F.Mask":
			open[Top] = true
		case "B.Mask":
			open[Bottom] = true
		default:
			if s, outer := k.copper[name]; outer {
				on[s] = true
			}
		}
	}
	switch {
	case kind == Hole:
		return BothSides, true, true
	case on[Top] && on[Bottom]:
		return BothSides, !open[Top] && !open[Bottom], true
	case on[Top]:
		return Top, !open[Top], true
	case on[Bottom]:
		return Bottom, !open[Bottom], true
	}
	return 0, false, false
}

// net is the name of a pad's net: behind its number, or alone, or given by the
// number alone.
func (k *kicad) net(n *sexpr.Node) string {
	if n == nil {
		return ""
	}
	if len(n.Items) > 2 {
		return plainName(n.Item(2))
	}
	name := n.Item(1)
	if len(n.Items) == 2 && !n.Items[1].Quoted {
		if number, err := strconv.Atoi(name); err == nil {
			known, ok := k.nets[name]
			if !ok && number != 0 {
				k.addf(k.file.At(n), "there is no net number %s", document.Printable(name))
			}
			return known
		}
	}
	return plainName(name)
}

// drawn passes on every line drawn in n with its layer, in place. prefix is gr_ or fp_.
func (k *kicad) drawn(n *sexpr.Node, prefix string, place frame, to func(layer string, line Polyline)) {
	if n == nil {
		return
	}
	for i := range n.Items {
		x := &n.Items[i]
		what, is := strings.CutPrefix(x.Name(), prefix)
		if !is || what == "text" {
			continue
		}
		line := place.line(k.drawing(what, x))
		if len(line) < 2 || !k.room(k.file.At(x), len(line)) {
			continue
		}
		layers := x.Get("layers")
		if layers == nil { // pieces of a pad have no layer
			to(x.Text("layer"), line)
			continue
		}
		for j := 1; j < len(layers.Items); j++ {
			to(layers.Item(j), line)
		}
	}
}

// drawing reads one drawn thing; nil where it is no line, or is reported.
func (k *kicad) drawing(what string, n *sexpr.Node) Polyline {
	if what == "poly" || what == "curve" {
		line := k.pts(n.Get("pts"))
		switch {
		case len(line) < 2:
			return nil
		case what == "curve" && len(line) == 4:
			return bezier(line)
		}
		return line.close()
	}
	var from string
	switch what {
	case "line", "rect", "arc":
		from = "start"
	case "circle":
		from = "center"
	default:
		return nil // a text, or what later releases invent
	}
	start, ok := k.need(n, from)
	end, ok2 := k.need(n, "end")
	if !ok || !ok2 {
		return nil
	}
	switch {
	case what == "rect":
		return Polyline{start, {end.X, start.Y}, end, {start.X, end.Y}, start}
	case what == "circle":
		return circle(start, math.Hypot(end.X-start.X, end.Y-start.Y))
	case what == "line":
		return Polyline{start, end}
	case n.Get("angle") != nil:
		// Releases 4 and 5: the centre, where the arc begins, and how far it turns,
		// clockwise.
		by, _ := k.number(n.Get("angle"), 1)
		r := math.Hypot(end.X-start.X, end.Y-start.Y)
		return Polyline(nil).arc(start, r, math.Atan2(end.Y-start.Y, end.X-start.X), math.Mod(by, 360.001)*math.Pi/180)
	}
	middle, ok := k.need(n, "mid")
	if !ok {
		return nil
	}
	return threePoints(start, middle, end)
}

// pts reads the points of a polygon, among which there may be arcs.
func (k *kicad) pts(n *sexpr.Node) Polyline {
	var line Polyline
	for x := range n.All("xy", "arc") {
		if x.Name() == "arc" {
			line = append(line, k.drawing("arc", x)...)
		} else if p, ok := k.point(x); ok {
			line = append(line, p)
		}
	}
	return line
}

// at reads a place and an angle in degrees.
func (k *kicad) at(n *sexpr.Node) (p Point, degrees float64, ok bool) {
	if p, ok = k.need(n, "at"); !ok {
		return p, 0, false
	}
	if at := n.Get("at"); len(at.Items) > 3 && at.Item(3) != "unlocked" {
		degrees, ok = k.number(at, 3)
	}
	return p, degrees, ok
}

// need reads a point that a list must have; where it does not, that is reported.
func (k *kicad) need(n *sexpr.Node, key string) (Point, bool) {
	at := n.Get(key)
	if at == nil {
		k.addf(k.file.At(n), "%s has no `%s`", document.Quote(n.Name()), key)
	}
	return k.point(at)
}

// point reads the two numbers of a list; ok is false where there is no list, or
// where what is wrong with it is reported.
func (k *kicad) point(n *sexpr.Node) (Point, bool) {
	if n == nil {
		return Point{}, false
	}
	x, ok := k.number(n, 1)
	y, ok2 := k.number(n, 2)
	return Point{x, y}, ok && ok2
}

// number reads the i-th atom of a list: mm, degrees or a ratio.
func (k *kicad) number(n *sexpr.Node, i int) (float64, bool) {
	v, err := strconv.ParseFloat(n.Item(i), 64)
	if err != nil || !(math.Abs(v) <= farthest) {
		k.addf(k.file.At(n), "%s in %s is not a number up to %d", document.Quote(n.Item(i)), document.Printable(n.Name()), farthest)
		return 0, false
	}
	return v, true
}

func bezier(p Polyline) Polyline {
	const n = 24
	line := make(Polyline, 0, n+1)
	for i := range n + 1 {
		t := float64(i) / n
		a, b, c, d := (1-t)*(1-t)*(1-t), 3*t*(1-t)*(1-t), 3*t*t*(1-t), t*t*t
		line = append(line, Point{a*p[0].X + b*p[1].X + c*p[2].X + d*p[3].X, a*p[0].Y + b*p[1].Y + c*p[2].Y + d*p[3].Y})
	}
	return line
}
