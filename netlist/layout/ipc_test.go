package layout

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfsplit/netlist/document"
)

// An invented board; places are those of its KiCad twin in kicad_test.go, y upwards.
// 0.8 mm are 315 ten-thousandths of an inch.
const (
	ipcRecords = "" +
		//        1         2         3         4         5         6         7
		//234567890123456789012345678901234567890123456789012345678901234567890123456
		"317GND              VIA         D0100PA00X 010000Y-008000X0300Y0000R000 S3\n" +
		"3270001NAMEX        R1    -1          A01X 010000Y-020800X0800Y0900R090 S0\n" +
		"327GND              R1    -2          A01X+010000Y-019200X0800Y0900R090 S1\n" +
		"317/KEY             J1    -1   MD1000PA00X 030000Y-020000X1700Y0000R000 S0\n" +
		"327N/C              J1    -3          A02X 030000Y-022000X1000Y1000R000 S2\n" +
		"367N/C              J1          D2000UA00X 030000Y-025000X2000Y0000      S3\n" +
		"378GND            L01 X0100 X0Y0 X100Y100\n" +
		"389BOARD_EDGE     X0Y0 X40000 Y-20000\n089               X0 Y0 * X1000Y-1000 X2000\n" +
		"389PANEL_EDGE     X-5000Y0 X9000\n"
	ipcHead = "C  an invented board\nP  JOB Finch F1\nP  UNITS CUST 1\nP  NNAME1 /KEY_LONGER_THAN_14\n"
)

func TestIPC(t *testing.T) {
	text := ipcHead + strings.Replace(ipcRecords, "0001NAMEX ", "NNAME1    ", 1) + "999\n"
	want := &Board{File: "x", Title: "Finch F1", Nets: []string{"GND", "/KEY_LONGER_THAN_14", "/KEY"},
		Outline: []Polyline{{{0, 0}, {40, 0}, {40, 20}, {0, 20}, {0, 0}}, {{1, 1}, {2, 1}}},
		Footprints: []Footprint{
			{Reference: "R1", At: Point{10, 20}, Pads: []Pad{
				{Number: "1", Net: "/KEY_LONGER_THAN_14", At: Point{10, 20.8}, Rotation: 90, Width: 0.8, Height: 0.9,
					Copper: Polyline{{9.55, 21.2}, {9.55, 20.4}, {10.45, 20.4}, {10.45, 21.2}, {9.55, 21.2}}},
				{Number: "2", Net: "GND", At: Point{10, 19.2}, Rotation: 90, Width: 0.8, Height: 0.9, Covered: true,
					Copper: Polyline{{9.55, 19.6}, {9.55, 18.8}, {10.45, 18.8}, {10.45, 19.6}, {9.55, 19.6}}},
			}},
			{Reference: "J1", At: Point{30, 22.5}, Pads: []Pad{
				{Number: "1", Net: "/KEY", Type: Through, Side: BothSides, Shape: Circle, At: Point{30, 20}, Width: 1.7, Height: 1.7, Drill: 1, Copper: circle(Point{30, 20}, 0.85)},
				{Number: "3", Side: Bottom, At: Point{30, 22}, Width: 1, Height: 1, Covered: true,
					Copper: Polyline{{29.5, 21.5}, {30.5, 21.5}, {30.5, 22.5}, {29.5, 22.5}, {29.5, 21.5}}},
				{Type: Hole, Side: BothSides, Shape: Circle, At: Point{30, 25}, Width: 2, Height: 2, Drill: 2, Covered: true, Copper: circle(Point{30, 25}, 1)},
			}},
		}}
	if d := cmp.Diff(want, read(t, text), micron, cmpopts.IgnoreTypes(document.Position{})); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

func TestIPCUnits(t *testing.T) {
	for units, want := range map[string]struct{ x, rotation float64 }{
		"":                    {25.4, 90},
		"P  UNITS CUST 0\r\n": {25.4, 90},
		"P  UNITS CUST 1\n":   {10, 90},
		"P  UNITS SI\n":       {10, 90},
		// 0.90 radians.
		"P  UNITS CUST 2\n": {25.4, 51.5662},
	} {
		board := read(t, "C\n"+units+"327GND              R1    -2          A01X+010000Y-019200X0800Y0900R090 S1\r\n999\r\n")
		pad := board.Footprints[0].Pads[0]
		if d := cmp.Diff([]float64{want.x, want.rotation}, []float64{pad.At.X, pad.Rotation}, micron); d != "" {
			t.Errorf("%q: x, rotation (-want +got)\n%s", units, d)
		}
	}
}

func TestIPCGoesOn(t *testing.T) {
	const first = "P  UNITS CUST 1\n317GND              J1    -2    D1000PA01X+010000Y+020000X1500Y1500R000 S0\n"
	for name, test := range map[string]struct {
		next  string
		sides []Side
	}{
		"alone":                       {"", []Side{Top}},
		"the same pad from below":     {"017                                   A02X+010000Y+020000X1500Y1500R000 S0\n", []Side{BothSides}},
		"another pad of the same pin": {"017                                   A02X+015000Y+020000X1500Y1500R000 S0\n", []Side{Top, Bottom}},
	} {
		board := read(t, first+test.next+"999\n")
		var sides []Side
		for _, p := range board.Footprints[0].Pads {
			sides = append(sides, p.Side)
			if p.Number != "2" || p.Net != "GND" || p.Drill != 1 {
				t.Errorf("%s: a pad %q on %q with a hole of %g", name, p.Number, p.Net, p.Drill)
			}
		}
		if d := cmp.Diff(test.sides, sides); d != "" {
			t.Errorf("%s: (-want +got)\n%s", name, d)
		}
	}
}

func TestBrokenIPC(t *testing.T) {
	const (
		pin   = "327GND              R1    -2          A01X+010000Y-019200X0800Y0900R090 S1\n"
		again = "; export the IPC-D-356A file again"
	)
	tests := []struct{ text, want string }{
		{pin, "x: is cut off: the record 999 at its end is missing" + again},
		{"P  JOB a\n999\n", "x: holds no pin of a part" + again},
		{"P  UNITS CUST 7\n" + pin + "999\n", "x:1:1: the units `CUST 7` are not known" + again},
		{pin + "hello\n999\n", "x:2:1: `hel` is no operation of IPC-D-356A" + again},
		{pin + "017                                   A02\n999\n", "x:2:1: nothing stands before it that it could go on with" + again},
		{pin + "327GND              R1    -3          A01\n999\n", "x:2:1: the pin `3` of `R1` has no place" + again},
		{pin + "327GND              R1    -3          A01X+99999999Y+0\n999\n", "x:2:1: the pin `3` of `R1` lies more than 10000 mm away" + again},
		{pin + "327GND              R1    -3          A01X+01?000Y+0\n999\n", "x:2:46: `?000` is no field of IPC-D-356A" + again},
		{pin + "389BOARD_EDGE     X1Y2 Z3\n999\n", "x:2:1: `Z3` is no place on an edge" + again},
		{pin + "\xff", "x: is not text in UTF-8" + again},
	}
	for _, test := range tests {
		_, err := Read(strings.NewReader(test.text), "x")
		if err == nil || err.Error() != test.want {
			t.Errorf("%.60q:\n%v, want\n%s", test.text, err, test.want)
		}
	}
}

func FuzzIPC(f *testing.F) {
	f.Add(ipcHead + ipcRecords + "999\n")
	f.Add("327GND              R1    -2          A01X+010000Y-019200X0800Y0900R090 S1\n017 \n389BOARD_EDGE *\n089\n999")
	f.Fuzz(func(t *testing.T, text string) { sane(t, text) })
}
