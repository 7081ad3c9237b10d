package assembly

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
)

// demo is the demonstration's board with its layout, both invented.
func demo(t testing.TB) (*netlist.Board, *layout.Board) {
	t.Helper()
	b, err := netlist.Load("../../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	drawn, err := Load(b)
	if err != nil {
		t.Fatal(err)
	}
	return b, drawn
}

// Everything that the demo's board file names is in its layout, on the net that the
// board file says, and under the same pins.
func TestDemoLayout(t *testing.T) {
	b, drawn := demo(t)
	if missing := Missing(b, drawn); len(missing) > 0 {
		t.Errorf("not in the layout: %v", missing)
	}
	for _, name := range b.Points() {
		at, err := b.Point(name)
		if err != nil {
			t.Fatal(err)
		}
		mark, err := Find(b, drawn, name)
		if at.Kind == netlist.PointNet {
			if err == nil {
				t.Errorf("%s: a net is marked", name)
			}
			continue
		}
		if err != nil || len(mark.Pads) != 1 {
			t.Errorf("%s: %d pads, %v", name, len(mark.Pads), err)
			continue
		}
		net := ""
		if at.Net != netlist.None {
			net = b.Nets[at.Net].Name
		}
		if got := mark.Pads[0].Net; got != net {
			t.Errorf("%s: on %q in the layout, on %q in the board file", name, got, net)
		}
	}
}

const smallBoard = `
board: Finch F1
connectors:
  J1: {title: key cable, pins: {1: GND, 2: KEY, 3: NC}}
parts:
  R1:  {kind: resistor, value: 100R, pins: [KEY, SUB], place: beside J1}
  FL1: {kind: filter, pins: {in: SUB, out: DATA, gnd: GND}}
  Q1:  {kind: ic, pins: {g: DATA, s: GND, d: OUT}}
  U1:  {kind: ic, pins: {1: OUT, 2: GND}}
  C9:  {kind: capacitor, pins: [KEY, GND]}
test_points: {TP1: KEY}
`

const smallLayout = `(kicad_pcb
 (footprint J (layer F.Cu) (at 10 10) (property Reference J1)
  (pad 1 thru_hole circle (at 0 0) (size 1 1) (drill 0.6) (layers *.Cu *.Mask) (net 1 GND))
  (pad 2 smd rect (at 2 0) (size 1 1) (layers F.Cu) (net 2 KEY))
  (pad 3 smd rect (at 4 0) (size 1 1) (layers F.Cu F.Mask))
  (pad 2 smd rect (at 6 0) (size 1 1) (layers F.Cu F.Mask) (net 1 GND))
  (pad 1 np_thru_hole circle (at 8 0) (size 1 1) (drill 1) (layers *.Cu)))
 (footprint R (layer B.Cu) (at 10 20) (property Reference R1) (attr smd dnp)
  (pad 1 smd rect (at 0 0) (size 1 1) (layers B.Cu B.Mask) (net 2 KEY))
  (pad 2 smd rect (at 2 0) (size 1 1) (layers B.Cu B.Mask) (net 3 "/sheet/SUB")))
 (footprint FL (layer F.Cu) (at 20 20) (property Reference FL1)
  (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu F.Mask) (net 3 "/sheet/SUB") (pinfunction "IN"))
  (pad 2 smd rect (at 2 0) (size 1 1) (layers F.Cu F.Mask) (net 4 DATA) (pinfunction "OUT"))
  (pad 3 smd rect (at 3 0) (size 1 1) (layers F.Cu F.Mask) (net 1 GND))
  (pad 4 smd rect (at 4 0) (size 1 1) (layers F.Cu F.Mask) (net 1 GND)))
 (footprint Q (layer F.Cu) (at 30 20) (property Reference Q1)
  (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu F.Mask) (net 4 DATA))
  (pad 2 smd rect (at 2 0) (size 1 1) (layers F.Cu F.Mask) (net 9 OTHER)))
 (footprint T (layer F.Cu) (at 40 20) (property Reference TP1)
  (pad "" smd circle (at 0 0) (size 1 1) (layers F.Cu F.Mask) (net 2 KEY)))
 (footprint U (layer F.Cu) (at 40 40) (property Reference U1)
  (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu F.Mask))))`

func small(t testing.TB) (*netlist.Board, *layout.Board) {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(smallBoard), "board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	drawn, err := layout.Read(strings.NewReader(smallLayout), "small.kicad_pcb")
	if err != nil {
		t.Fatal(err)
	}
	return b, drawn
}

func TestFind(t *testing.T) {
	b, drawn := small(t)
	const hidden = "The layout does not say which pad of "
	tests := []struct{ name, what, pads, side, notes string }{
		{"J1.1", "net GND, key cable", "10,10", "top", "The pad goes through the board: the other side will do too."},
		{"J1.2", "net KEY, key cable", "12,10", "top", "Solder mask covers this pad."}, // of two pads 2, the one on its net
		{"J1.3", "not connected, key cable", "14,10", "top", ""},
		{"R1.1", "net KEY, resistor 100R, beside J1", "10,20", "bottom", "The layout says that R1 is not populated."},
		{"R1.2", "net SUB, resistor 100R, beside J1", "12,20", "bottom", "The layout says that R1 is not populated."},
		{"FL1.in", "net SUB, filter", "20,20", "top", ""},                                  // by its function
		{"FL1.gnd", "net GND, filter", "23,20 24,20", "top", "2 pads belong to this pin."}, // by its net
		{"Q1.g", "net DATA, ic", "30,20", "top", ""},
		{"Q1.s", "net GND, ic", "", "top", hidden + "Q1 is s; the whole part is marked."},
		{"TP1", "test point, net KEY", "40,20", "top", ""},
		{"R1", "resistor 100R, beside J1", "", "bottom", "The layout says that R1 is not populated."},
		{"J1", "connector, key cable", "", "top", ""},
	}
	for _, test := range tests {
		m, err := Find(b, drawn, test.name)
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		var pads []string
		for _, p := range m.Pads {
			pads = append(pads, fmt.Sprintf("%g,%g", p.At.X, p.At.Y))
		}
		got := []string{m.What, strings.Join(pads, " "), []string{"top", "bottom", "both sides"}[m.side()], strings.Join(m.Notes, " ")}
		if d := cmp.Diff([]string{test.what, test.pads, test.side, test.notes}, got); d != "" {
			t.Errorf("%s: what, pads, side, notes (-want +got)\n%s", test.name, d)
		}
	}
	for name, want := range map[string]string{
		"KEY":  "`KEY` is a net, which is no one place; name one of its points: J1.2, TP1, R1.1, C9.1",
		"C9.1": "the layout `small.kicad_pcb` has no C9; call it in the board file as in the layout",
		"U1.7": "U1 has no terminal `7`; it has 1, 2",
	} {
		if _, err := Find(b, drawn, name); err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", name, err, want)
		}
	}
	if d := cmp.Diff([]string{"C9"}, Missing(b, drawn)); d != "" {
		t.Errorf("missing (-want +got)\n%s", d)
	}
}

func TestLoad(t *testing.T) {
	b := &netlist.Board{}
	if drawn, err := Load(b); drawn != nil || err != nil {
		t.Errorf("a board without a layout: %v, %v", drawn, err)
	}
	b.Layout, b.LayoutAt = "none.kicad_pcb", document.Position{File: "board.yaml", Line: 4, Column: 9}
	_, err := Load(b)
	if problems := (document.Problems)(nil); !errors.As(err, &problems) || !strings.HasPrefix(err.Error(), "board.yaml:4:9: the layout `none.kicad_pcb` cannot be opened: ") {
		t.Errorf("a layout that is not there: %v", err)
	}
}

func TestCut(t *testing.T) {
	in := box{0, 0, 10, 10}
	tests := []struct{ a, b, from, to layout.Point }{
		{layout.Point{X: 1, Y: 1}, layout.Point{X: 9, Y: 9}, layout.Point{X: 1, Y: 1}, layout.Point{X: 9, Y: 9}},
		{layout.Point{X: -5, Y: 5}, layout.Point{X: 15, Y: 5}, layout.Point{X: 0, Y: 5}, layout.Point{X: 10, Y: 5}},
		{layout.Point{X: 5, Y: 20}, layout.Point{X: 5, Y: 5}, layout.Point{X: 5, Y: 10}, layout.Point{X: 5, Y: 5}},
		{layout.Point{X: -1, Y: 9}, layout.Point{X: 1, Y: 11}, layout.Point{X: 0, Y: 10}, layout.Point{X: 0, Y: 10}},
	}
	for _, test := range tests {
		from, to, ok := cut(test.a, test.b, in)
		if !ok || from != test.from || to != test.to {
			t.Errorf("%v to %v: %v to %v, %t", test.a, test.b, from, to, ok)
		}
	}
	for _, out := range [][2]layout.Point{{{X: -1, Y: 5}, {X: -1, Y: 6}}, {{X: -3, Y: 9}, {X: 1, Y: 13}}, {{X: 11, Y: 0}, {X: 12, Y: 10}}} {
		if _, _, ok := cut(out[0], out[1], in); ok {
			t.Errorf("%v is outside", out)
		}
	}
}

// texts and shapes of an SVG.
type element struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Text     string     `xml:",chardata"`
	Elements []element  `xml:",any"`
}

func (e *element) attr(name string) string {
	for _, a := range e.Attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func (e *element) number(t *testing.T, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attr(name), 64)
	if err != nil {
		t.Fatalf("%s of %s: %v", name, e.XMLName.Local, err)
	}
	return v
}

// each visits an element and all in it.
func (e *element) each(f func(*element)) {
	f(e)
	for i := range e.Elements {
		e.Elements[i].each(f)
	}
}

func parse(t *testing.T, svg string) *element {
	t.Helper()
	var root element
	d := xml.NewDecoder(strings.NewReader(strings.TrimSpace(svg)))
	if err := d.Decode(&root); err != nil {
		t.Fatalf("not XML: %v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		t.Fatal("something stands behind the SVG")
	}
	return &root
}

// rings are the middles of the marks: in the whole view, then in the enlarged one.
func rings(t *testing.T, root *element) []layout.Point {
	var at []layout.Point
	root.each(func(e *element) {
		if e.XMLName.Local == "g" && e.attr("stroke") == "#000" && len(e.Elements) == 2 {
			r := &e.Elements[0]
			at = append(at, layout.Point{X: r.number(t, "x") + r.number(t, "width")/2, Y: r.number(t, "y") + r.number(t, "height")/2})
		}
	})
	return at
}

var bar = regexp.MustCompile(`m0 2\.5h([0-9.]+)m`)

// scales are the units per mm that the scales under the two views show.
func scales(t *testing.T, root *element) []float64 {
	var wide, mm []float64
	root.each(func(e *element) {
		if m := bar.FindStringSubmatch(e.attr("d")); m != nil {
			w, err := strconv.ParseFloat(m[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			wide = append(wide, w)
		}
		if number, ok := strings.CutSuffix(e.Text, " mm"); ok {
			n, err := strconv.ParseFloat(number, 64)
			if err != nil {
				t.Fatal(err)
			}
			mm = append(mm, n)
		}
	})
	if len(wide) != 2 || len(mm) != 2 {
		t.Fatalf("%d scales with %d lengths", len(wide), len(mm))
	}
	return []float64{wide[0] / mm[0], wide[1] / mm[1]}
}

// The drawing shows places where they are: what lies between two marks on paper,
// measured by the scale under the view, is what lies between them in the layout; from
// the bottom with left and right changed. Within 0.1 mm in the whole view.
func TestPlaces(t *testing.T) {
	b, drawn := demo(t)
	for _, pair := range []struct {
		a, b   string
		mirror float64
	}{{"J7.3", "C91.2", 1}, {"FL3.in", "U1.G3", 1}, {"J3.34", "J7.1", 1}, {"TP20", "TP40", -1}, {"TP21", "TP20", -1}} {
		var on, in [2]layout.Point
		var scale float64
		for i, name := range []string{pair.a, pair.b} {
			m, err := Find(b, drawn, name)
			if err != nil {
				t.Fatal(err)
			}
			picture := Draw(b, drawn, m)
			root := parse(t, picture.File())
			on[i], in[i], scale = rings(t, root)[0], m.Pads[0].At, scales(t, root)[0]
		}
		dx, dy := (on[1].X-on[0].X)/scale, (on[1].Y-on[0].Y)/scale
		if wantX, wantY := pair.mirror*(in[1].X-in[0].X), in[1].Y-in[0].Y; math.Abs(dx-wantX) > 0.1 || math.Abs(dy-wantY) > 0.1 {
			t.Errorf("%s to %s: %.2f right, %.2f down on paper, want %.2f and %.2f mm", pair.a, pair.b, dx, dy, wantX, wantY)
		}
	}
}

// Whatever is marked, in every drawing: the mark is in both views, the enlarged one
// enlarges, names are on the paper, do not cover each other or the mark's name, and
// the side is stated.
func TestEveryDrawing(t *testing.T) {
	b, drawn := demo(t)
	names := references(b)
	for _, name := range b.Points() {
		if p, err := b.Point(name); err == nil && p.Kind != netlist.PointNet {
			names = append(names, name)
		}
	}
	if len(names) < 300 {
		t.Fatalf("%d places", len(names))
	}
	for i, name := range names {
		if i%7 != 0 { // enough of them
			continue
		}
		m, err := Find(b, drawn, name)
		if err != nil {
			t.Fatal(err)
		}
		picture := Draw(b, drawn, m)
		root := parse(t, picture.File())
		var paper [4]float64
		if _, err := fmt.Sscan(root.attr("viewBox"), &paper[0], &paper[1], &paper[2], &paper[3]); err != nil {
			t.Fatal(err)
		}
		if paper[3] > 495 { // A4 within margins of 10 mm: 277 by 190
			t.Errorf("%s: %g units high, more than an A4 sheet", name, paper[3])
		}
		if n := len(rings(t, root)); n != 2 {
			t.Errorf("%s: %d marks", name, n)
		}
		if s := scales(t, root); s[1] < 1.5*s[0] {
			t.Errorf("%s: enlarged %.2f times", name, s[1]/s[0])
		}
		side, title := 0, 0
		sets := make(map[string][]box)
		root.each(func(e *element) {
			if e.XMLName.Local != "text" {
				return
			}
			if strings.HasPrefix(e.Text, "Top side") || strings.HasPrefix(e.Text, "Bottom side, mirrored") {
				side++
			}
			if e.Text == name {
				title++
			}
			if class := e.attr("class"); class != "" {
				w, h := float64(len(e.Text))*0.6*e.number(t, "font-size"), 0.7*e.number(t, "font-size")
				if e.attr("transform") != "" {
					w, h = h, w
				}
				on := around(e.number(t, "x"), e.number(t, "y"), w, h)
				if !(box{0, 0, paper[2], paper[3]}).holds(on) {
					t.Errorf("%s: %q is off the paper", name, e.Text)
				}
				for _, other := range sets[class] {
					if overlap(on, other) > 0 {
						t.Errorf("%s: %q covers another name", name, e.Text)
					}
				}
				sets[class] = append(sets[class], on)
			}
		})
		if side != 1 || title < 2 {
			t.Errorf("%s: its side is told %d times, its name %d times", name, side, title)
		}
		if m.Footprint.Side == layout.Top && (len(sets["f"]) < 20 || len(sets["c"]) < 10) {
			t.Errorf("%s: %d names, %d on a narrow screen", name, len(sets["f"]), len(sets["c"]))
		}
	}
}

// Names come from files of others. None is more than text.
func TestHostileNames(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>&` + "\u202e"
	b, drawn := demo(t)
	board, place := *b, *drawn
	board.Name, place.File = evil, "a/"+evil
	board.Parts = append([]netlist.Part(nil), b.Parts...)
	place.Footprints = append([]layout.Footprint(nil), drawn.Footprints...)
	for i := range place.Footprints {
		place.Footprints[i].Reference = evil
		place.Footprints[i].Pads = append([]layout.Pad(nil), place.Footprints[i].Pads...)
		for j := range place.Footprints[i].Pads {
			place.Footprints[i].Pads[j].Number = "<b>"
		}
	}
	for i := range place.Footprints[:5] {
		f := &place.Footprints[i]
		picture := Draw(&board, &place, Mark{Name: evil, What: evil, Footprint: f, Pads: []*layout.Pad{&f.Pads[0]}, Notes: []string{evil}})
		parse(t, picture.File()).each(func(e *element) {
			switch e.XMLName.Local {
			case "svg", "style", "g", "path", "rect", "text":
			default:
				t.Errorf("an element %s", e.XMLName.Local)
			}
			for _, a := range e.Attrs {
				if strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "url(") {
					t.Errorf("an attribute %s", a.Name.Local)
				}
			}
			if strings.ContainsRune(e.Text, '\u202e') {
				t.Error("a text that reorders itself")
			}
		})
	}
}

// A layout can be without an outline, hold one part only, or parts at one place.
func TestDegenerate(t *testing.T) {
	b, _ := small(t)
	for name, text := range map[string]string{
		"one pad of no size": `(kicad_pcb (footprint J (layer F.Cu) (at 0 0) (property Reference J1) (pad 1 smd rect (at 0 0) (size 0 0) (layers F.Cu F.Mask))))`,
		"no pad":             `(kicad_pcb (footprint J (layer F.Cu) (at 0 0) (property Reference J1)))`,
		"a flat outline":     `(kicad_pcb (footprint J (layer F.Cu) (at 0 0) (property Reference J1) (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu))) (gr_line (start 0 0) (end 50 0) (layer Edge.Cuts)))`,
		"far away":           `(kicad_pcb (footprint J (layer F.Cu) (at 9000 -9000) (property Reference J1) (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu))) (gr_rect (start 0 0) (end 1 1) (layer Edge.Cuts)))`,
	} {
		drawn, err := layout.Read(strings.NewReader(text), "x")
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []string{"J1", "J1.1"} {
			m, err := Find(b, drawn, at)
			if err != nil {
				t.Fatal(err)
			}
			picture := Draw(b, drawn, m)
			if strings.Contains(picture.SVG, "NaN") || strings.Contains(picture.SVG, "Inf") {
				t.Errorf("%s, %s: %.200s", name, at, picture.SVG)
			}
			parse(t, picture.File())
		}
	}
}

func BenchmarkDraw(b *testing.B) {
	board, drawn := demo(b)
	m, err := Find(board, drawn, "J7.3")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		Draw(board, drawn, m)
	}
}

// A draft calls the elements of an array by its name and a number, and numbers the
// ends of each again: the pad is the one on their net.
func TestElements(t *testing.T) {
	drawn, err := layout.Read(strings.NewReader(`(kicad_pcb (version 20211014) (net 1 "A") (net 2 "/in/B") (net 3 "C") (net 4 "GND")
		(footprint "R_Array" (layer "F.Cu") (at 0 0) (fp_text reference "RN1" (at 0 0) (layer "F.SilkS"))
		 (pad "1" smd rect (at 0 0) (size 1 1) (layers "F.Cu") (net 1 "A")) (pad "2" smd rect (at 0 2) (size 1 1) (layers "F.Cu") (net 2 "/in/B"))
		 (pad "3" smd rect (at 2 2) (size 1 1) (layers "F.Cu") (net 3 "C")) (pad "4" smd rect (at 2 0) (size 1 1) (layers "F.Cu") (net 4 "GND"))))`), "x")
	if err != nil {
		t.Fatal(err)
	}
	b, err := netlist.Parse(strings.NewReader("board: B\nparts:\n  RN1_1: {kind: resistor, pins: [A, GND]}\n  RN1_2: {kind: resistor, pins: [B, C]}\n  RX_2: {kind: resistor, pins: [B, C]}\n"), "b")
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]layout.Point{"RN1_1.1": {X: 0, Y: 0}, "RN1_1.2": {X: 2, Y: 0}, "RN1_2.1": {X: 0, Y: 2}, "RN1_2.2": {X: 2, Y: 2}} {
		m, err := Find(b, drawn, name)
		if err != nil || len(m.Pads) != 1 || m.Pads[0].At != want {
			t.Errorf("%s: %+v, %v; want the pad at %v", name, m.Pads, err, want)
		}
	}
	if d := cmp.Diff([]string{"RX_2"}, Missing(b, drawn)); d != "" {
		t.Errorf("missing (-want +got)\n%s", d)
	}
}
