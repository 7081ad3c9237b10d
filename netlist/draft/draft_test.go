package draft

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

const demoBoard = "../../testdata/demo/board.yaml"

func load(t testing.TB, path string) *netlist.Board {
	t.Helper()
	b, err := netlist.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func netName(b *netlist.Board, id netlist.NetID) string {
	if id == netlist.None {
		return ""
	}
	return b.Nets[id].Name
}

// graph is what a board joins: every part with its kind, value and the net of
// each terminal, every connector pin, every test point.
func graph(b *netlist.Board) map[string]string {
	all := make(map[string]string)
	for _, p := range b.Parts {
		all[p.Name] = p.Kind.String()
		if !math.IsNaN(p.Value) {
			all[p.Name] += fmt.Sprintf(" %g", p.Value)
		}
		for _, terminal := range p.Terminals {
			all[p.Name+"."+terminal.Name] = netName(b, terminal.Net)
		}
	}
	for _, c := range b.Connectors {
		for _, pin := range c.Pins {
			all[c.Name+"."+pin.Name] = netName(b, pin.Net)
		}
	}
	for _, p := range b.TestPoints {
		all[p.Name] = netName(b, p.Net)
	}
	all["ground"] = netName(b, b.Ground)
	return all
}

// kicad writes a board as the netlist export would be: pins by number, what the
// symbols call them as functions, kinds in a field of the symbol's own.
func kicad(b *netlist.Board) string {
	var comps, nets strings.Builder
	nodes := make([]strings.Builder, len(b.Nets))
	comp := func(name, value, kind string) {
		fmt.Fprintf(&comps, "    (comp (ref %q)\n      (value %q)\n      (fields (field (name \"halfsplit\") %q))\n      (libsource (lib \"Device\") (part \"X\") (description \"\")))\n", name, value, kind)
	}
	nowhere := 0
	node := func(net netlist.NetID, ref, pin, function string) {
		text := fmt.Sprintf("      (node (ref %q) (pin %q) (pinfunction %q) (pintype \"passive\"))\n", ref, pin, function)
		if net == netlist.None {
			nowhere++
			fmt.Fprintf(&nets, "    (net (code \"x%d\") (name \"unconnected-(%s-Pad%s)\")\n%s    )\n", nowhere, ref, pin, text)
			return
		}
		nodes[net].WriteString(text)
	}
	for _, p := range b.Parts {
		comp(p.Name, p.ValueText, p.Kind.String())
		for i, terminal := range p.Terminals {
			pin := terminal.Name
			if p.Kind == netlist.Filter || p.Kind == netlist.Transistor {
				pin = strconv.Itoa(i + 1)
			}
			function := terminal.Name
			if p.Kind == netlist.Diode {
				function = []string{"A", "K"}[i]
			}
			node(terminal.Net, p.Name, pin, strings.ToUpper(function))
		}
	}
	for _, c := range b.Connectors {
		comp(c.Name, "", "connector")
		for _, pin := range c.Pins {
			node(pin.Net, c.Name, pin.Name, "")
		}
	}
	for _, p := range b.TestPoints {
		comp(p.Name, "", "test point")
		node(p.Net, p.Name, "1", "1")
	}
	for i := range b.Nets {
		fmt.Fprintf(&nets, "    (net (code \"%d\") (name %q)\n%s    )\n", i+1, "/"+b.Nets[i].Name, nodes[i].String())
	}
	return fmt.Sprintf("(export (version \"E\")\n  (design\n    (source \"/home/x/board.kicad_sch\")\n    (sheet (number \"1\") (name \"/\") (title_block (title %q) (rev %q))))\n  (components\n%s  )\n  (nets\n%s  ))\n", b.Name, b.Revision, comps.String(), nets.String())
}

// again writes a draft and loads it as a board file.
func again(t testing.TB, d *Draft) (*netlist.Board, string) {
	t.Helper()
	var text strings.Builder
	if err := d.Write(&text); err != nil {
		t.Fatal(err)
	}
	b, err := netlist.Parse(strings.NewReader(text.String()), "draft.yaml")
	if err != nil {
		t.Fatalf("%v\n%s", err, text.String())
	}
	return b, text.String()
}

// wanted is the graph of a board as a draft has it: a diode's terminals by name,
// and bare values as the tool reads them.
func wanted(b *netlist.Board) map[string]string {
	want := graph(b)
	for _, p := range b.Parts {
		if p.Kind == netlist.Diode {
			for i, name := range []string{"a", "k"} {
				delete(want, p.Name+"."+p.Terminals[i].Name)
				want[p.Name+"."+name] = netName(b, p.Terminals[i].Net)
			}
		}
	}
	return want
}

// A board written as a netlist export, or as a table of pins, comes back as the
// same graph: parts, kinds, values, terminals, connectors, test points.
func TestRoundTrip(t *testing.T) {
	for _, path := range []string{demoBoard, "../../testdata/boards/sensor12.yaml", "../../testdata/boards/dock60.yaml"} {
		b := load(t, path)
		d, err := ReadKiCad(strings.NewReader(kicad(b)), "board.net")
		if err != nil {
			t.Fatal(err)
		}
		got, text := again(t, d)
		if diff := cmp.Diff(wanted(b), graph(got)); diff != "" {
			t.Errorf("%s by netlist (-want +got):\n%s", path, diff)
		}
		if got.Name != b.Name || got.Revision != b.Revision {
			t.Errorf("%s: board %q revision %q", path, got.Name, got.Revision)
		}
		t.Logf("%s: %d parts, %d lines marked # ?", path, len(b.Parts), strings.Count(text, "# ?")-1)

		d, err = ReadTable(strings.NewReader(pins(t, b)), "pins.csv", nil)
		if err != nil {
			t.Fatal(err)
		}
		d.Board = b.Name
		got, _ = again(t, d)
		if diff := cmp.Diff(wanted(b), graph(got)); diff != "" {
			t.Errorf("%s by table (-want +got):\n%s", path, diff)
		}
	}
}

// pins writes a board as a table of pins.
func pins(t testing.TB, b *netlist.Board) string {
	var text strings.Builder
	w := csv.NewWriter(&text)
	rows := [][]string{{"RefDes", "Pin", "Signal", "Type", "Value", "Pin name"}}
	for _, p := range b.Parts {
		for i, terminal := range p.Terminals {
			value, function := "", terminal.Name
			if i == 0 {
				value = p.ValueText
			}
			if p.Kind == netlist.Diode {
				function = []string{"A", "K"}[i]
			}
			rows = append(rows, []string{p.Name, terminal.Name, netName(b, terminal.Net), p.Kind.String(), value, function})
		}
	}
	for _, c := range b.Connectors {
		for _, pin := range c.Pins {
			rows = append(rows, []string{c.Name, pin.Name, netName(b, pin.Net), "connector", "", ""})
		}
	}
	for _, p := range b.TestPoints {
		rows = append(rows, []string{p.Name, "1", netName(b, p.Net), "test point", "", ""})
	}
	if err := w.WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	return text.String()
}

// Within two parts of the touch connector there are its filters and chips, and
// nothing of the display's fast pairs.
func TestAround(t *testing.T) {
	b := load(t, demoBoard)
	d, err := ReadKiCad(strings.NewReader(kicad(b)), "board.net")
	if err != nil {
		t.Fatal(err)
	}
	near, err := d.Around([]string{"J7"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	got, text := again(t, near)
	names := map[string]bool{}
	for _, p := range got.Parts {
		names[p.Name] = true
	}
	for _, name := range []string{"R12", "C40", "U5", "FL3", "D1", "R20", "FB2", "Q3"} {
		if !names[name] {
			t.Errorf("%s is missing:\n%s", name, text)
		}
	}
	for _, name := range []string{"L11", "R31", "D11", "U3", "C80", "C70"} {
		if names[name] {
			t.Errorf("%s is far from J7", name)
		}
	}
	if len(got.Connectors) != 1 || near.LeftOut == 0 || !strings.Contains(text, "are left out") {
		t.Errorf("%d connectors, %d pins left out", len(got.Connectors), near.LeftOut)
	}
	// What is kept is joined as on the whole board.
	want := wanted(b)
	for at, net := range graph(got) {
		if want[at] != net {
			t.Errorf("%s is on %q, want %q", at, net, want[at])
		}
	}
	chain := "part,pin,net\nJ1,1,GND\nJ1,2,N0\n"
	for i := range 5 {
		chain += fmt.Sprintf("R%d,1,N%d\nR%d,2,N%d\n", i+1, i, i+1, i+1)
	}
	c, err := ReadTable(strings.NewReader(chain), "x", nil)
	if err != nil {
		t.Fatal(err)
	}
	for hops, want := range map[int]int{1: 2, 2: 3, 3: 4, 0: 5} {
		near, err := c.Around([]string{"J1"}, hops)
		if err != nil || len(near.Parts) != want+1 {
			t.Errorf("%d hops along a chain: %d things, want the connector and %d resistors: %v", hops, len(near.Parts), want, err)
		}
	}
	if _, err := d.Around([]string{"J8"}, 1); err == nil || !strings.Contains(err.Error(), "there is not a connector `J8`; did you mean") {
		t.Errorf("J8: %v", err)
	}
}

// What a stranger's export holds is guessed and marked.
func TestGuesses(t *testing.T) {
	export := `(export (version D) (design (source C:\x\lamp.sch))
	(components
	 (comp (ref R1) (value "22R/1%") (libsource (lib Device) (part R)))
	 (comp (ref R2) (value R) (libsource (lib Device) (part R)))
	 (comp (ref R3) (value 10k) (property (name "dnp")))
	 (comp (ref L1) (value 600R@100MHz) (libsource (lib Device) (part FerriteBead)))
	 (comp (ref D1) (value X5V) (libsource (lib Device) (part D_TVS)))
	 (comp (ref D2) (value X) (libsource (lib Device) (part D)))
	 (comp (ref Q1) (value X) (libsource (lib Device) (part Q_NMOS)))
	 (comp (ref ZZ9) (value "odd \"one\"") (libsource (lib a) (part b)))
	 (comp (ref J1) (value Conn) (libsource (lib Connector) (part Conn_01x04))))
	(nets
	 (net (code 1) (name GND) (node (ref J1) (pin 1)) (node (ref D1) (pin 1)) (node (ref D2) (pin 1)) (node (ref ZZ9) (pin 1)) (node (ref Q1) (pin 2)))
	 (net (code 2) (name +3V3) (node (ref J1) (pin 2)) (node (ref R1) (pin 1)) (node (ref L1) (pin 1)))
	 (net (code 3) (name "/A: B") (node (ref J1) (pin 3)) (node (ref R1) (pin 2)) (node (ref D1) (pin 2)) (node (ref R2) (pin 1)) (node (ref R3) (pin 1)))
	 (net (code 4) (name "Net-(R2-Pad2)") (node (ref R2) (pin 2)) (node (ref Q1) (pin 1)) (node (ref ZZ9) (pin 2)) (node (ref L1) (pin 2)) (node (ref D2) (pin 2)) (node (ref Q1) (pin 3)) (node (ref R3) (pin 2)))
	 (net (code 5) (name "unconnected-(J1-Pad4)") (node (ref J1) (pin 4)))))`
	d, err := ReadKiCad(strings.NewReader(export), "lamp.net")
	if err != nil {
		t.Fatal(err)
	}
	_, text := again(t, d)
	want := `# A draft made by halfsplit. Lines marked # ? hold a guess or lack a value:
# check them, then run ` + "`halfsplit check`" + ` on this file.
board: lamp.sch
ground: GND

connectors:
  J1: {pins: {1: GND, 2: "+3V3", 3: "A: B", 4: NC}}

parts:
  R1: {kind: resistor, value: 22R, pins: {1: "+3V3", 2: "A: B"}}   # ? from 22R/1%
  R2: {kind: resistor, pins: {1: "A: B", 2: "Net-(R2-Pad2)"}}   # ? value unknown, the source has R
  L1: {kind: bead, pins: {1: "+3V3", 2: "Net-(R2-Pad2)"}}   # ? value unknown, the source has 600R@100MHz
  D1: {kind: tvs, value: X5V, pins: {2: "A: B", 1: GND}}
  D2: {kind: diode, value: X, pins: {k: GND, a: "Net-(R2-Pad2)"}}   # ? which end is the cathode: taken for pin 1
  Q1: {kind: transistor, value: X, pins: {g: "Net-(R2-Pad2)", s: GND, d: "Net-(R2-Pad2)"}}   # ? which pin is which: taken for gate, source, drain
  ZZ9: {kind: module, value: "odd \"one\"", pins: {1: GND, 2: "Net-(R2-Pad2)"}}   # ? kind unknown

nets:
  "+3V3": {rail: 3.3 V}   # ? by its name
`
	if diff := cmp.Diff(want, text); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestBroken(t *testing.T) {
	comps := "(components (comp (ref R1) (value 1)) (comp (ref J1)))"
	tests := []struct{ text, want string }{
		{"", "x:1:1: the netlist ends too soon; the file is cut off or was changed by hand: export the netlist again"},
		{"(export", "x:1:1: a bracket that is never closed"},
		{"(export\n  (design \"a", "x:2:11: a text in quotes that never ends"},
		{")", "x:1:1: a closing bracket"},
		{"(kicad_sch)", "x:1:1: is not a netlist export: it begins with `kicad_sch`"},
		{"(export) (export)", "x:1:10: something stands behind the end"},
		{"(export (components))", "x: holds no component"},
		{strings.Repeat("(", 200), "x:1:66: brackets are nested more than 64 deep"},
		{"(export " + comps + "\n(nets (net (code 1) (name A) (node (ref R2) (pin 1)))))", "x:2:30: the net `A` has a pin of `R2`, which is not a component"},
		{"(export " + comps + "\n(nets (net (name A) (node (ref R1) (pin 1))) (net (name B) (node (ref R1) (pin 1)))))", "x:2:60: pin `1` of `R1` is on two nets"},
		{"(export (components (comp (ref R1)) (comp (ref R1))))", "x:1:37: the component `R1` is there twice"},
		{"\xff", "x: is not text in UTF-8"},
		{"(export " + comps + "\n(nets (net (name \"A\u202eB\") (node (ref R1) (pin 1)))))", "x:1:21: the name `A\\u202eB` at `R1` holds the character U+202E"},
	}
	for _, test := range tests {
		_, err := ReadKiCad(strings.NewReader(test.text), "x")
		var problems document.Problems
		if !errors.As(err, &problems) || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%.40q: %v, want %s", test.text, err, test.want)
		}
	}
	tables := []struct{ text, want string }{
		{"", "x: holds nothing"},
		{"part,pin\nR1,1\n", "x:1:1: no column holds the nets"},
		{"part,pin,net\nR1,1,A\nR1,1,B\n", "x:3:4: pin `1` of `R1` is there twice"},
		{"part,pin,net\nR1,1,A,B\n", "x:2:8: a field too many: the row has 4 and the headings 3"},
		{"part,pin,net\n,1,A\n", "x:2:1: a row without its part or pin"},
		{"part,pin,net\nR1,1,\"A\n", "x:2:"},
		{"part,pin,net,value\nR1,1,A,22R\nR1,2,B,33R\n", "x:3:8: `R1` has the value `33R` here and `22R` before"},
		{"part,pin,net\nR\x1b1,1,A\n", "x:2:1: the name `R\\u001b1` at `R\\u001b1` holds the character U+001B"},
		{"part,pin,net\nR1,1,\"A\nB\"\n", "x:2:1: the name `A\\nB` at `R1` holds the character U+000A"},
		{"part,part,net\n", "x:1:6: the heading `part` is there twice"},
		{"part,pin,net\n", "x: holds no pin"},
	}
	for _, test := range tables {
		if _, err := ReadTable(strings.NewReader(test.text), "x", nil); err == nil || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%q: %v, want %s", test.text, err, test.want)
		}
	}
	if _, err := ReadTable(strings.NewReader("a,b,c\nR1,1,A\n"), "x", map[string]string{"part": "a", "pin": "b", "net": "d"}); err == nil || !strings.Contains(err.Error(), "no heading is `d`") {
		t.Errorf("mapped to nothing: %v", err)
	}
	semi := "\xef\xbb\xbfRef Des;Pad;Net\r\nR1;1;A\r\nR1;2;GND\r\n"
	if d, err := ReadTable(strings.NewReader(semi), "x", nil); err != nil || len(d.Parts) != 1 || d.Ground != "GND" {
		t.Errorf("semicolons: %+v, %v", d, err)
	}
}

func TestRails(t *testing.T) {
	for _, test := range []struct {
		net   string
		rail  bool
		volts float64
	}{
		{"+3V3", true, 3.3}, {"VTP_1V8", true, 1.8}, {"VBAT", true, math.NaN()}, {"+5V", true, 5}, {"3V3_A", true, 3.3},
		{"V12V0", true, 12}, {"VCC", true, math.NaN()}, {"TP_INT", false, math.NaN()}, {"VSYNC", false, math.NaN()}, {"LCD_RST", false, math.NaN()}, {"VIDEO", false, math.NaN()},
	} {
		is, volts := rail(test.net)
		if is != test.rail || volts != test.volts && !(math.IsNaN(volts) && math.IsNaN(test.volts)) {
			t.Errorf("%s: %t, %g V; want %t, %g V", test.net, is, volts, test.rail, test.volts)
		}
	}
	names := []string{"A10", "A2", "B1", "2", "10", "1"}
	slices.SortFunc(names, natural)
	if diff := cmp.Diff([]string{"1", "2", "10", "A2", "A10", "B1"}, names); diff != "" {
		t.Error(diff)
	}
}

// Whatever is read is refused with its place, or makes a board file that at least
// parses as YAML of the right shape up to what only a person can say.
// Values as people write them: what can be one is taken, with a mark where it is
// not what stood there, and never a part of a number.
func TestValues(t *testing.T) {
	for _, test := range []struct {
		kind        netlist.Kind
		value, want string
	}{
		{netlist.Resistor, "4k7", "value: 4k7, "},
		{netlist.Resistor, "4,7k", "value: 4.7k, ? from 4,7k"},
		{netlist.Capacitor, "0,1u", "value: 0.1u, ? from 0,1u"},
		{netlist.Capacitor, "2,2u/16V", "value: 2.2u, ? from 2,2u/16V"},
		{netlist.Capacitor, "100n,16V", "value: 100n, ? from 100n,16V"},
		{netlist.Resistor, "22R/1%", "value: 22R, ? from 22R/1%"},
		{netlist.Resistor, "/", "? value unknown, the source has /"},
		{netlist.Resistor, " , ", "? value unknown, the source has ,"},
		{netlist.IC, "a\x1b[0m\n b", "value: \"a[0m b\", "},
	} {
		d := &Draft{Parts: []Part{{Name: "X1", Kind: test.kind, Value: test.value}}}
		d.settle(new(document.Problems))
		field, doubt := d.Parts[0].value()
		if len(doubt) > 0 {
			field += "? " + strings.Join(doubt, "; ")
		}
		if field != test.want {
			t.Errorf("%s %q: %s, want %s", test.kind, test.value, field, test.want)
		}
	}
}

// A netlist may begin with a byte order mark; ground is a net that is there.
func TestMarkAndGround(t *testing.T) {
	d, err := ReadKiCad(strings.NewReader("\uFEFF(export (components (comp (ref J1))) (nets (net (name COM) (node (ref J1) (pin 1)))))"), "x")
	if err != nil {
		t.Fatal(err)
	}
	if err := d.SetGround("CON"); err == nil || err.Error() != "there is no net `CON`; did you mean `COM`?" || d.Ground != "" {
		t.Errorf("ground is %q: %v", d.Ground, err)
	}
	if err := d.SetGround("COM"); err != nil || d.Ground != "COM" {
		t.Errorf("ground is %q: %v", d.Ground, err)
	}
}

func FuzzKiCad(f *testing.F) {
	f.Add("(export (version \"E\") (design (sheet (title_block (title \"T\") (rev \"A\")))) (components (comp (ref \"J1\")) (comp (ref \"Q1\") (value \"22R\") (fields (field (name \"halfsplit\") \"transistor\")))) (nets (net (code \"1\") (name \"/GND\") (node (ref \"J1\") (pin \"1\") (pinfunction \"A\")) (node (ref \"Q1\") (pin \"2\")))))")
	f.Add("(export (components (comp (ref R1) (value 1))) (nets (net (name A) (node (ref R1) (pin 1)))))")
	f.Add("(export \"\\")
	f.Fuzz(func(t *testing.T, text string) {
		d, err := ReadKiCad(strings.NewReader(text), "x")
		drafted(t, d, err)
	})
}

func FuzzTable(f *testing.F) {
	f.Add("RefDes,Pin,Signal,Type,Value,Pin name\nR1,1,A,resistor,22R,1\nR1,2,GND,,,\nJ1,1,A,connector,,\nTP1,1,A,test point,,\n")
	f.Add("part;pin;net\nR1;1;A\n")
	f.Add("part,pin,net,value\nR1,1,A,/\n")
	f.Add("part,pin,net\n\"R\n1\",'=1,#\n")
	f.Fuzz(func(t *testing.T, text string) {
		d, err := ReadTable(strings.NewReader(text), "x", nil)
		drafted(t, d, err)
	})
}

func drafted(t *testing.T, d *Draft, err error) {
	if err != nil {
		var problems document.Problems
		if !errors.As(err, &problems) || len(problems) == 0 || problems[0].What == "" {
			t.Fatalf("an error without a problem: %v", err)
		}
		return
	}
	if near, err := d.Around(nil, 2); err == nil {
		d = near
	}
	var out strings.Builder
	if err := d.Write(&out); err != nil {
		t.Fatal(err)
	}
	if _, err := document.Decode(strings.NewReader(out.String()), "x", 0); err != nil && !strings.Contains(err.Error(), "longer than") && !strings.Contains(err.Error(), "larger") {
		t.Fatalf("the draft is no YAML: %v\n%s", err, out.String())
	}
	if _, err := netlist.Parse(strings.NewReader(out.String()), "x"); err != nil && strings.Contains(err.Error(), "does not show") {
		t.Fatalf("the draft holds what no board file may: %v\n%q", err, out.String())
	}
}
