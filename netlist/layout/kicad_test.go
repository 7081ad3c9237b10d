package layout

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfsplit/netlist/document"
)

// micron compares lengths and angles: within 0.001 mm or degrees, what layouts are
// drawn to.
var micron = cmpopts.EquateApprox(0, 0.001)

// The same invented board in the words of five releases: a resistor turned by 90
// degrees on top, and a header on the bottom.
var releases = map[string]string{
	"4": `(kicad_pcb (version 4) (host pcbnew 4.0.7)
  (general (links 2))
  (page A4)
  (title_block (title "Finch F1") (rev A))
  (layers (0 Upper signal) (31 Lower signal) (44 Edge.Cuts user))
  (net 0 "") (net 1 GND) (net 2 /KEY)
  (module Lib:R_0603 (layer Upper) (tedit 0) (tstamp 0)
    (at 10 20 90)
    (descr "a resistor") (tags resistor)
    (fp_text reference R1 (at 0 -2 90) (layer F.SilkS) (effects (font (size 1 1))))
    (fp_text value 22R (at 0 2 90) (layer F.Fab))
    (fp_line (start -0.8 -0.4) (end 0.8 -0.4) (layer F.Fab) (width 0.1))
    (pad 1 smd rect (at -0.8 0 90) (size 0.8 0.9) (layers Upper F.Paste F.Mask) (net 2 /KEY))
    (pad 2 smd rect (at 0.8 0 90) (size 0.8 0.9) (layers Upper F.Paste F.Mask) (net 1 GND)))
  (module Lib:Header (layer Lower) (at 30 20)
    (fp_text reference J1 (at 0 0) (layer B.SilkS))
    (fp_text value key (at 0 0) (layer B.Fab))
    (attr virtual)
    (pad 1 thru_hole circle (at 0 0) (size 1.7 1.7) (drill 1) (layers *.Cu *.Mask) (net 2 /KEY))
    (pad "" np_thru_hole circle (at 0 5) (size 2 2) (drill 2) (layers *.Cu *.Mask)))
  (gr_line (start 0 0) (end 40 0) (layer Edge.Cuts) (width 0.1))
  (gr_arc (start 40 5) (end 40 0) (angle 90) (layer Edge.Cuts) (width 0.1))
  (segment (start 0 0) (end 1 1) (width 0.2) (layer Upper) (net 1)))`,
	"6": `(kicad_pcb (version 20211014) (generator pcbnew)
  (title_block (title "Finch F1") (rev "A"))
  (layers (0 "F.Cu" signal) (31 "B.Cu" signal) (44 "Edge.Cuts" user))
  (net 0 "") (net 1 "GND") (net 2 "{slash}KEY") (net 3 "unconnected-(J1-Pad3)")
  (footprint "Lib:R_0603" (layer "F.Cu") (tedit 0) (tstamp 0)
    (at 10 20 90) (descr "a resistor") (tags "resistor")
    (property "Sheetname" "") (attr smd)
    (fp_text reference "R1" (at 0 -2 90) (layer "F.SilkS") (tstamp 1))
    (fp_text value "22R" (at 0 2 90) (layer "F.Fab"))
    (fp_line (start -0.8 -0.4) (end 0.8 -0.4) (layer "F.Fab") (width 0.1))
    (pad "1" smd rect (at -0.8 0 90) (size 0.8 0.9) (layers "F.Cu" "F.Paste" "F.Mask") (net 2 "{slash}KEY") (pinfunction "A") (pintype "passive"))
    (pad "2" smd rect (at 0.8 0 90) (size 0.8 0.9) (layers "F.Cu" "F.Paste" "F.Mask") (net 1 "GND")))
  (footprint "Lib:Header" (layer "B.Cu") (at 30 20)
    (attr exclude_from_pos_files exclude_from_bom)
    (fp_text reference "J1" (at 0 0) (layer "B.SilkS"))
    (fp_text value "key" (at 0 0) (layer "B.Fab"))
    (pad "1" thru_hole circle (at 0 0) (size 1.7 1.7) (drill 1) (layers *.Cu *.Mask) (net 2 "{slash}KEY"))
    (pad "3" smd rect (at 0 2) (size 1 1) (layers "B.Cu") (net 3 "unconnected-(J1-Pad3)") (pintype "no_connect"))
    (pad "" np_thru_hole circle (at 0 5) (size 2 2) (drill 2) (layers *.Cu *.Mask)))
  (gr_line (start 0 0) (end 40 0) (layer "Edge.Cuts") (width 0.1))
  (gr_arc (start 40 0) (mid 43.5355339 1.4644661) (end 45 5) (layer "Edge.Cuts") (width 0.1)))`,
	"9": `(kicad_pcb (version 20241229) (generator "pcbnew") (generator_version "9.0")
	(title_block (title "Finch F1") (rev "A"))
	(layers (0 "F.Cu" signal) (2 "B.Cu" signal) (25 "Edge.Cuts" user) (31 "F.CrtYd" user "F.Courtyard"))
	(footprint "Lib:R_0603" (layer "F.Cu") (uuid "1")
		(at 10 20 90) (descr "a resistor") (tags "resistor")
		(property "Reference" "R1" (at 0 -2 90) (layer "F.SilkS") (hide yes))
		(property "Value" "22R" (at 0 2 90) (layer "F.Fab"))
		(property "Description" "Resistor" (at 0 0) (layer "F.Fab"))
		(attr smd dnp)
		(fp_line (start -0.8 -0.4) (end 0.8 -0.4) (stroke (width 0.1) (type solid)) (layer "F.Fab"))
		(pad "1" smd rect (at -0.8 0 90) (size 0.8 0.9) (layers "F.Cu" "F.Mask" "F.Paste") (net "/KEY") (pinfunction "A") (pintype "passive"))
		(pad "2" smd rect (at 0.8 0 90) (size 0.8 0.9) (layers "F.Cu" "F.Mask" "F.Paste") (net "GND"))
		(pad "" smd rect (at 0 0) (size 0.2 0.2) (layers "F.Paste")))
	(footprint "Lib:Header" (layer "B.Cu") (at 30 20)
		(property "Reference" "J1" (at 0 0) (layer "B.SilkS"))
		(property "Value" "key" (at 0 0) (layer "B.Fab"))
		(attr through_hole board_only exclude_from_pos_files exclude_from_bom)
		(pad "1" thru_hole circle (at 0 0) (size 1.7 1.7) (drill 1) (layers "*.Cu" "*.Mask") (net "/KEY"))
		(pad "3" smd rect (at 0 2) (size 1 1) (layers "B.Cu") (net "unconnected-(J1-Pad3)"))
		(pad "" np_thru_hole circle (at 0 5) (size 2 2) (drill 2) (layers "*.Cu" "*.Mask")))
	(gr_line (start 0 0) (end 40 0) (stroke (width 0.1) (type default)) (layer "Edge.Cuts"))
	(gr_arc (start 40 0) (mid 43.5355339 1.4644661) (end 45 5) (stroke (width 0.1) (type default)) (layer "Edge.Cuts")))`,
}

func read(t testing.TB, text string) *Board {
	t.Helper()
	board, err := Read(strings.NewReader(text), "x")
	if err != nil {
		t.Fatal(err)
	}
	return board
}

func TestReleases(t *testing.T) {
	quarter := Polyline(nil).arc(Point{40, 5}, 5, -math.Pi/2, math.Pi/2)
	for release, text := range releases {
		t.Run(release, func(t *testing.T) {
			r1 := Footprint{Reference: "R1", Value: "22R", Library: "Lib", Name: "R_0603", Description: "a resistor", Keywords: "resistor",
				At: Point{10, 20}, Rotation: 90,
				// Turned counterclockwise as seen, pad 1 on the left comes to lie below.
				Pads: []Pad{
					{Number: "1", Net: "/KEY", At: Point{10, 20.8}, Rotation: 90, Width: 0.8, Height: 0.9,
						Copper: Polyline{{9.55, 21.2}, {9.55, 20.4}, {10.45, 20.4}, {10.45, 21.2}, {9.55, 21.2}}},
					{Number: "2", Net: "GND", At: Point{10, 19.2}, Rotation: 90, Width: 0.8, Height: 0.9,
						Copper: Polyline{{9.55, 19.6}, {9.55, 18.8}, {10.45, 18.8}, {10.45, 19.6}, {9.55, 19.6}}},
				},
				Body: []Polyline{{{9.6, 20.8}, {9.6, 19.2}}},
			}
			j1 := Footprint{Reference: "J1", Value: "key", Library: "Lib", Name: "Header", Side: Bottom, At: Point{30, 20},
				Pads: []Pad{
					{Number: "1", Net: "/KEY", Type: Through, Side: BothSides, Shape: Circle, At: Point{30, 20}, Width: 1.7, Height: 1.7, Drill: 1, Copper: circle(Point{30, 20}, 0.85)},
					{Number: "3", Type: Surface, Side: Bottom, At: Point{30, 22}, Width: 1, Height: 1, Covered: true,
						Copper: Polyline{{29.5, 21.5}, {30.5, 21.5}, {30.5, 22.5}, {29.5, 22.5}, {29.5, 21.5}}},
					{Type: Hole, Side: BothSides, Shape: Circle, At: Point{30, 25}, Width: 2, Height: 2, Drill: 2, Covered: true, Copper: circle(Point{30, 25}, 1)},
				}}
			want := &Board{File: "x", Title: "Finch F1", Revision: "A", Nets: []string{"GND", "/KEY"}, Outline: []Polyline{{{0, 0}, {40, 0}}, quarter}}
			switch release {
			case "4":
				j1.Virtual = true
				j1.Pads = append(j1.Pads[:1:1], j1.Pads[2])
			case "6":
				r1.Fields = map[string]string{"Sheetname": ""}
				r1.Pads[0].Function, r1.Pads[0].Electric = "A", "passive"
				j1.NotOrdered, j1.NotPlaced = true, true
				j1.Pads[1].Electric = "no_connect"
			case "9":
				want.Nets = []string{"/KEY", "GND"} // as the pads have them
				r1.Fields = map[string]string{"Description": "Resistor"}
				r1.Absent = true
				r1.Pads[0].Function, r1.Pads[0].Electric = "A", "passive"
				j1.BoardOnly, j1.NotOrdered, j1.NotPlaced = true, true, true
			}
			want.Footprints = []Footprint{r1, j1}
			if d := cmp.Diff(want, read(t, text), micron, cmpopts.IgnoreTypes(document.Position{})); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

// footprint makes a layout of one footprint that holds what is given.
func footprint(inside string) string {
	return "(kicad_pcb (net 1 A) (footprint F (layer F.Cu) (at 100 50 0) (property Reference U1)\n" + inside + "))"
}

func TestPadShapes(t *testing.T) {
	tests := []struct {
		name, pad  string
		left, top  float64 // of the copper, mm from the footprint's place
		right, bot float64
		area       float64 // square mm
	}{
		{"rectangle", "rect (at 1 2) (size 3 1)", -0.5, 1.5, 2.5, 2.5, 3},
		{"turned by 90", "rect (at 1 2 90) (size 3 1)", 0.5, 0.5, 1.5, 3.5, 3},
		// A square turned by 45 degrees stands on its corner.
		{"turned by 45", "rect (at 0 0 45) (size 2 2)", -math.Sqrt2, -math.Sqrt2, math.Sqrt2, math.Sqrt2, 4},
		{"circle", "circle (at 0 0) (size 2 2)", -1, -1, 1, 1, math.Pi},
		{"oval", "oval (at 0 0) (size 1 3)", -0.5, -1.5, 0.5, 1.5, 2 + math.Pi/4},
		{"rounded", "roundrect (at 0 0) (size 4 2) (roundrect_rratio 0.25)", -2, -1, 2, 1, 8 - (4-math.Pi)*0.25},
		{"trapezoid", "trapezoid (at 0 0) (size 2 2) (rect_delta 0 1)", -1, -1.5, 1, 1.5, 4},
		{"offset", "rect (at 0 0 90) (size 2 2) (drill (offset 1 0))", -1, -2, 1, 0, 4},
		{"custom, larger than its anchor", "custom (at 1 0) (size 1 1) (options (anchor circle)) (primitives (gr_poly (pts (xy -1 -1) (xy 2 -1) (xy 2 1) (xy -1 1)) (width 0)))", 0, -1, 3, 1, 6},
		{"custom, smaller", "custom (at 0 0) (size 2 2) (options (anchor rect)) (primitives (gr_circle (center 0 0) (end 0.5 0)))", -1, -1, 1, 1, 4},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			board := read(t, footprint(`(pad "1" smd `+test.pad+` (layers "F.Cu" "F.Mask") (net 1 A))`))
			copper := board.Footprints[0].Pads[0].Copper
			if copper[0] != copper[len(copper)-1] {
				t.Error("the outline is open")
			}
			left, top, right, bottom := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
			for _, p := range copper {
				left, right = min(left, p.X-100), max(right, p.X-100)
				top, bottom = min(top, p.Y-50), max(bottom, p.Y-50)
			}
			// Arcs are within 0.01 mm, so are edges; areas within 0.01 mm times their girth.
			if d := cmp.Diff([]float64{test.left, test.top, test.right, test.bot}, []float64{left, top, right, bottom}, cmpopts.EquateApprox(0, 0.011)); d != "" {
				t.Errorf("edges left, top, right, bottom (-want +got)\n%s", d)
			}
			if got := copper.area(); math.Abs(got-test.area) > 0.12 {
				t.Errorf("%.3f square mm, want %.3f", got, test.area)
			}
		})
	}
}

func TestSides(t *testing.T) {
	for layers, want := range map[string]Pad{
		`"F.Cu" "F.Mask"`:           {Side: Top},
		`"B.Cu" "B.Mask" "B.Paste"`: {Side: Bottom},
		`"*.Cu" "*.Mask"`:           {Side: BothSides},
		`"F&B.Cu" "B.Mask"`:         {Side: BothSides},
		`"F.Cu" "B.Cu"`:             {Side: BothSides, Covered: true},
		`"F.Cu" "B.Mask"`:           {Side: Top, Covered: true},
	} {
		board := read(t, footprint(`(pad 1 smd rect (at 0 0) (size 1 1) (layers `+layers+`))`))
		got := board.Footprints[0].Pads[0]
		if got.Side != want.Side || got.Covered != want.Covered {
			t.Errorf("%s: on side %d, covered %t", layers, got.Side, got.Covered)
		}
	}
	for _, none := range []string{`"F.Paste"`, `"In1.Cu"`, `"F.Mask"`, ""} {
		board := read(t, footprint(`(pad 1 smd rect (at 0 0) (size 1 1) (layers `+none+`))`))
		if n := len(board.Footprints[0].Pads); n != 0 {
			t.Errorf("%s: is a pad to probe", none)
		}
	}
}

func TestOutline(t *testing.T) {
	tests := []struct{ name, drawn, want string }{
		{"rectangle", `(gr_rect (start 0 0) (end 30 20) (layer "Edge.Cuts"))`, "5 points from 0.0 0.0 to 0.0 0.0, x 0.0 to 30.0, y 0.0 to 20.0"},
		{"polygon", `(gr_poly (pts (xy 0 0) (xy 10 0) (xy 10 10)) (layer "Edge.Cuts"))`, "4 points from 0.0 0.0 to 0.0 0.0, x 0.0 to 10.0, y 0.0 to 10.0"},
		{"polygon with an arc", `(gr_poly (pts (xy 0 0) (arc (start 10 0) (mid 15 5) (end 10 10)) (xy 0 10)) (layer "Edge.Cuts"))`, "x 0.0 to 15.0, y 0.0 to 10.0"},
		{"circle", `(gr_circle (center 5 5) (end 5 9) (layer "Edge.Cuts"))`, "from 9.0 5.0 to 9.0 5.0, x 1.0 to 9.0, y 1.0 to 9.0"},
		{"old arc, anticlockwise", `(gr_arc (start 0 0) (end 10 0) (angle -90) (layer Edge.Cuts))`, "from 10.0 0.0 to 0.0 -10.0, x 0.0 to 10.0, y -10.0 to 0.0"},
		{"arc over the longer way", `(gr_arc (start 10 0) (mid -10 0) (end 0 10) (layer Edge.Cuts))`, "from 10.0 0.0 to 0.0 10.0, x -10.0 to 10.0, y -10.0 to 10.0"},
		{"arc whose points lie in a row", `(gr_arc (start 0 0) (mid 5 0) (end 10 0) (layer Edge.Cuts))`, "3 points from 0.0 0.0 to 10.0 0.0"},
		{"curve", `(gr_curve (pts (xy 0 0) (xy 0 10) (xy 10 10) (xy 10 0)) (layer Edge.Cuts))`, "from 0.0 0.0 to 10.0 0.0, x 0.0 to 10.0, y 0.0 to 7.5"},
		{"in a footprint that is turned", `(footprint G (layer F.Cu) (at 50 50 180) (fp_line (start 0 0) (end 10 0) (layer "Edge.Cuts")))`, "2 points from 50.0 50.0 to 40.0 50.0"},
		{"on another layer", `(gr_line (start 0 0) (end 10 0) (layer "F.SilkS"))`, "none"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			board := read(t, `(kicad_pcb (footprint F (layer F.Cu) (at 0 0)) `+test.drawn+`)`)
			got := "none"
			for _, line := range board.Outline {
				a, b := line[0], line[len(line)-1]
				left, top, right, bottom := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
				for _, p := range line {
					left, right = min(left, p.X), max(right, p.X)
					top, bottom = min(top, p.Y), max(bottom, p.Y)
				}
				got = fmt.Sprintf("%d points from %.1f %.1f to %.1f %.1f, x %.1f to %.1f, y %.1f to %.1f", len(line), a.X, a.Y, b.X, b.Y, left, right, top, bottom)
			}
			got = strings.ReplaceAll(got, "-0.0", "0.0")
			if !strings.Contains(got, test.want) {
				t.Errorf("%s, want %s", got, test.want)
			}
		})
	}
}

func TestBrokenLayouts(t *testing.T) {
	const again = "save the layout again with the program that made it"
	tests := []struct{ text, want string }{
		{"(export (components))", "x:1:1: is not a layout: it begins with `export`, not `kicad_pcb`; name the layout (.kicad_pcb), or an IPC-D-356A file"},
		{"(kicad_pcb)", "x: holds no footprint; name the layout of a board with parts"},
		{"(kicad_pcb (module F", "x:1:12: a bracket that is never closed; the file is cut off or was changed by hand: " + again},
		{"(kicad_pcb (module F))", "x:1:12: `module` has no `at`; " + again},
		{"(kicad_pcb (module F (at 1 x)))", "x:1:22: `x` in at is not a number up to 10000; " + again},
		{"(kicad_pcb (module F (at NaN 1e9)))", "x:1:22: `NaN` in at is not a number up to 10000; " + again + "\nx:1:22: `1e9` in at is not a number up to 10000; " + again},
		{footprint("(pad 1 smd star (at 0 0) (size 1 1) (layers F.Cu))"), "x:2:1: the pad `1` has the shape `star`; " + again},
		{footprint("(pad 1 glued rect (at 0 0) (size 1 1) (layers F.Cu))"), "x:2:1: the pad `1` is of the type `glued`; " + again},
		{footprint("(pad 1 smd rect (at 0 0) (layers F.Cu))"), "x:2:1: `pad` has no `size`; " + again},
		{footprint("(pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu) (net 7))"), "x:2:51: there is no net number 7; " + again},
		{footprint("(fp_line (start 0 0) (layer F.Fab))"), "x:2:1: `fp_line` has no `end`; " + again},
		{footprint("(fp_arc (start 0 0) (end 1 1) (layer F.Fab))"), "x:2:1: `fp_arc` has no `mid`; " + again},
		{"hello", "x: is neither a KiCad layout nor an IPC-D-356A file; export one of them from the layout program"},
		{"", "x: is neither a KiCad layout nor an IPC-D-356A file; export one of them from the layout program"},
	}
	for _, test := range tests {
		_, err := Read(strings.NewReader(test.text), "x")
		if problems := (document.Problems)(nil); !errors.As(err, &problems) || err.Error() != test.want {
			t.Errorf("%.60q:\n%v, want\n%s", test.text, err, test.want)
		}
	}
	if _, err := Load(t.TempDir()); err == nil || !strings.HasSuffix(err.Error(), "is a folder, not a file; name the layout in it") {
		t.Errorf("a folder: %v", err)
	}
	if _, err := Load("testdata/missing"); err == nil || !strings.HasPrefix(err.Error(), "testdata/missing: cannot be opened: ") {
		t.Errorf("no file: %v", err)
	}
}

// Outlines take memory that the file does not: an arc is a few bytes and hundreds of
// points.
func TestPointsBounded(t *testing.T) {
	ps := problems{points: mostPoints - 10}
	if !ps.room(document.Position{}, 10) || ps.room(document.Position{}, 1) || ps.room(document.Position{}, 1) || len(ps.Problems) != 1 {
		t.Errorf("%v", ps.Problems)
	}
}

// big is a layout of n resistors of two pads, written as release 8 writes it, with
// tracks between them.
func big(n int) string {
	var b strings.Builder
	b.WriteString("(kicad_pcb (version 20240108) (net 0 \"\") (net 1 \"GND\")\n")
	for i := range n {
		fmt.Fprintf(&b, `(footprint "R" (layer "F.Cu") (uuid "00000000-0000-0000-0000-000000000000") (at %d %d 90) (descr "R") (tags "R")
 (property "Reference" "R%d" (at 0 0) (layer "F.SilkS") (effects (font (size 1 1) (thickness 0.15))))
 (property "Value" "22R" (at 0 0) (layer "F.Fab") (effects (font (size 1 1) (thickness 0.15)))) (attr smd)
`, i%50, i/50, i)
		for range 12 {
			b.WriteString(` (fp_line (start -1 -1) (end 1 1) (stroke (width 0.1) (type solid)) (layer "F.Fab") (uuid "00000000-0000-0000-0000-000000000000"))` + "\n")
		}
		for pad := range 2 {
			fmt.Fprintf(&b, ` (pad "%d" smd roundrect (at %d 0 90) (size 0.8 0.9) (layers "F.Cu" "F.Paste" "F.Mask") (roundrect_rratio 0.25) (net 1 "GND") (pintype "passive"))`+"\n", pad+1, pad)
		}
		b.WriteString(")\n")
		for range 10 {
			b.WriteString(`(segment (start 0 0) (end 1 1) (width 0.2) (layer "F.Cu") (net 1) (uuid "00000000-0000-0000-0000-000000000000"))` + "\n")
		}
	}
	b.WriteString(")")
	return b.String()
}

func BenchmarkRead2000Parts(b *testing.B) {
	text := big(2000)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Read(strings.NewReader(text), "x"); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzKiCad(f *testing.F) {
	for _, text := range releases {
		f.Add(text)
	}
	f.Add(footprint(`(pad "" custom trapezoid (at 1 1 45) (size 1 2) (drill oval 1 2 (offset 1 1)) (layers *.Cu) (rect_delta 1 0))`))
	f.Fuzz(func(t *testing.T, text string) { sane(t, text) })
}

// sane reads a text and asserts what holds for every Board.
func sane(t *testing.T, text string) {
	board, err := Read(strings.NewReader(text), "x")
	if err != nil {
		if problems := (document.Problems)(nil); !errors.As(err, &problems) {
			t.Fatalf("not Problems: %v", err)
		}
		return
	}
	finite := func(lines ...Polyline) {
		for _, line := range lines {
			if len(line) < 2 {
				t.Fatalf("a line of %d points", len(line))
			}
			for _, p := range line {
				if math.IsNaN(p.X+p.Y) || math.Abs(p.X) > 10*farthest || math.Abs(p.Y) > 10*farthest {
					t.Fatalf("a point at %v", p)
				}
			}
		}
	}
	finite(board.Outline...)
	if len(board.Footprints) == 0 {
		t.Fatal("no footprint, and no error")
	}
	for _, part := range board.Footprints {
		finite(part.Body...)
		finite(part.Silk...)
		finite(part.Courtyard...)
		for _, pad := range part.Pads {
			finite(pad.Copper)
			if pad.Source.Line == 0 {
				t.Fatal("a pad without its place in the file")
			}
		}
	}
}
