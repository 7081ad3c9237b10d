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
	"halfsplit/netlist/quantity"
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

// read reads a source from a text.
func read(t testing.TB, text string) *Source {
	t.Helper()
	s, err := Read(strings.NewReader(text), "board.net", nil)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return s
}

// whole makes a draft of all that a text holds.
func whole(t testing.TB, text string) *Draft {
	t.Helper()
	d, err := Make(read(t, text), "", nil)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return d
}

// again writes a draft and loads it as a board file.
func again(t testing.TB, d *Draft) (*netlist.Board, string) {
	t.Helper()
	text, err := d.Text()
	if err != nil {
		t.Fatalf("%v\n%s", err, d.write())
	}
	b, err := netlist.Parse(strings.NewReader(text), "draft.yaml")
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return b, text
}

// wanted is the graph of a board as a draft has it: a diode's terminals by name,
// and bare values as the tool reads them. A net of one contact is not connected (NC),
// unless people typed its name.
func wanted(b *netlist.Board, typed bool) map[string]string {
	want := graph(b)
	for i := range b.Nets {
		if n := &b.Nets[i]; !typed && len(n.Terminals)+len(n.Pins) == 1 && !slices.ContainsFunc(b.TestPoints, func(p netlist.TestPoint) bool { return p.Net == netlist.NetID(i) }) {
			for at, net := range want {
				if net == n.Name {
					want[at] = ""
				}
			}
		}
	}
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
		got, text := again(t, whole(t, kicad(b)))
		if diff := cmp.Diff(wanted(b, false), graph(got)); diff != "" {
			t.Errorf("%s by netlist (-want +got):\n%s", path, diff)
		}
		if got.Name != b.Name || got.Revision != b.Revision {
			t.Errorf("%s: board %q revision %q", path, got.Name, got.Revision)
		}
		t.Logf("%s: %d parts, %d lines marked # ?", path, len(b.Parts), strings.Count(text, "# ?")-1)

		got, _ = again(t, whole(t, tableOf(t, b)))
		if diff := cmp.Diff(wanted(b, true), graph(got)); diff != "" {
			t.Errorf("%s by table (-want +got):\n%s", path, diff)
		}
	}
}

// tableOf writes a board as a table of pins.
func tableOf(t testing.TB, b *netlist.Board) string {
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

// export writes a netlist of one part between nets, beside a connector J1 that is on
// all of them and a capacitor of each to ground. pads are written "NUMBER NET FUNCTION
// TYPE", the last two where they are needed.
func export(comp string, pads ...string) string {
	nodes := make(map[string]string)
	var order []string
	add := func(net, node string) {
		if nodes[net] == "" {
			order = append(order, net)
		}
		nodes[net] += node
	}
	add("GND", `(node (ref J1) (pin 98)) (node (ref J1) (pin 99))`)
	for i, pad := range pads {
		f := append(strings.Fields(pad), "", "")
		if f[1] != "GND" && f[1] != "-" && !strings.Contains(nodes[f[1]], "J1") {
			add(f[1], fmt.Sprintf(`(node (ref J1) (pin %d))`, i+1))
		}
		add(f[1], fmt.Sprintf(`(node (ref X9) (pin %q) (pinfunction %q) (pintype %q))`, f[0], f[2], f[3]))
	}
	var nets strings.Builder
	for i, net := range order {
		fmt.Fprintf(&nets, "(net (code %d) (name %q) %s)\n", i+1, net, nodes[net])
	}
	return fmt.Sprintf("(export (version D) (components (comp (ref J1) (value C)) (comp %s))\n(nets %s))", comp, nets.String())
}

// lines are the lines of parts and test points in a draft of the part X9, which tests
// call by the reference that matters.
func lines(t *testing.T, text string) string {
	t.Helper()
	_, file := again(t, whole(t, text))
	var kept []string
	for line := range strings.Lines(file) {
		if strings.HasPrefix(line, "  ") && !strings.Contains(line, "rail:") && !strings.HasPrefix(line, "  J1: {pins") && !strings.Contains(line, "{title: C,") {
			kept = append(kept, strings.TrimSpace(line))
		}
	}
	return strings.Join(kept, "\n")
}

// The kind of a part is concluded from everything that speaks, its reference last, and
// what is not said is marked.
func TestKinds(t *testing.T) {
	two := []string{"1 A", "2 B"}
	toGround := []string{"1 A", "2 GND"}
	for _, test := range []struct {
		name, comp string
		pads       []string
		want       string
	}{
		{"resistor", `(ref R5) (value 22R/1%)`, two, `R5: {kind: resistor, value: 22R, pins: {1: A, 2: B}}`},
		{"resistor without a value", `(ref R5) (value R)`, two, `R5: {kind: resistor, pins: {1: A, 2: B}}   # ? value unknown, the source has R`},
		{"resistor by its description", `(ref ZZ5) (value 1k) (libsource (lib a) (part b) (description "thick film resistor"))`, two, `ZZ5: {kind: resistor, value: 1k, pins: {1: A, 2: B}}`},
		{"capacitor", `(ref C5) (value "100nF/10V/10%") (footprint x:C_0402)`, toGround, `C5: {kind: capacitor, value: 100nF, pins: {1: A, 2: GND}}`},
		{"capacitor that is a header", `(ref C30) (value hdr) (footprint Connector_IDC:IDC_2x03)`, []string{"1 A", "2 B", "3 C", "4 D", "5 E", "6 GND"}, `C30: {title: hdr, pins: {1: A, 2: B, 3: C, 4: D, 5: E, 6: GND}}   # ? kind by its footprint`},
		{"two-pin capacitor that is a connector", `(ref C30) (value x) (footprint Connector_PinHeader:P1x02)`, two, `C30: {title: x, pins: {1: A, 2: B}}   # ? kind by its footprint or value`},
		{"inductor", `(ref L1) (value 4u7) (libsource (lib Device) (part L))`, two, `L1: {kind: inductor, value: 4u7, pins: {1: A, 2: B}}`},
		{"bead drawn as an inductor", `(ref L1) (value FB0805/600R/2A) (libsource (lib Rcl) (part L))`, two, `L1: {kind: bead, value: 600R, pins: {1: A, 2: B}}   # ? value from FB0805/600R/2A`},
		{"bead", `(ref FB1) (value 600R@100MHz) (libsource (lib Device) (part FerriteBead))`, two, `FB1: {kind: bead, value: 600R, pins: {1: A, 2: B}}`},
		{"bead called a filter", `(ref FB1) (value FILTER) (libsource (lib device) (part FILTER))`, two, `FB1: {kind: bead, pins: {1: A, 2: B}}`},
		{"display connector with the letter of an inductor", `(ref LCD_CON1) (value P40) (libsource (lib House_Connectors) (part LCD_CON))`, two, `LCD_CON1: {title: P40, pins: {1: A, 2: B}}`},
		{"connector by a part of its reference", `(ref LCD_CON1) (value P40) (libsource (lib House) (part P40))`, []string{"1 A", "2 B", "3 C", "4 GND"}, `LCD_CON1: {pins: {1: A, 2: B, 3: C, 4: GND}}   # ? kind by a part of its reference`},
		{"connector by its many pins", `(ref ZZ1) (value P40)`, []string{"1 A", "2 B", "3 C", "4 D", "5 E", "6 GND"}, `ZZ1: {title: P40, pins: {1: A, 2: B, 3: C, 4: D, 5: E, 6: GND}}   # ? kind by its many pins without a name`},
		{"IC by the types of its pins", `(ref ZZ1) (value Z80)`, []string{"1 A IN input", "2 B OUT output", "3 GND GND power_in"}, `ZZ1: {kind: ic, value: Z80, pins: {1: A, 2: B, 3: GND}}   # ? kind by the types of its pins`},
		{"IC whose description speaks of other parts", `(ref U1) (value 3AB) (libsource (lib a) (part b) (description "LED driver with ESD protection and a switch"))`, []string{"1 A", "2 B", "3 GND"}, `U1: {kind: ic, value: 3AB, pins: {1: A, 2: B, 3: GND}}`},
		{"IC in a package of transistors", `(ref U1) (value 3AB) (footprint Package_TO_SOT_SMD:SOT-23)`, []string{"1 A", "2 B", "3 GND"}, `U1: {kind: ic, value: 3AB, pins: {1: A, 2: B, 3: GND}}`},
		{"regulator", `(ref VR1) (value adj) (libsource (lib House_Regulators) (part REG3))`, []string{"1 GND", "2 B", "3 A"}, `VR1: {kind: ic, value: adj, pins: {1: GND, 2: B, 3: A}}`},
		{"FET with the letter of a fuse", `(ref FET1) (value p20) (libsource (lib House_Transistors) (part P-MOS+DIOD))`, []string{"1 A", "2 B", "3 C"}, `FET1: {kind: transistor, value: p20, channel: p, pins: {g: A, s: B, d: C}}   # ? which pad is which: taken for g s d`},
		{"FET by its pins", `(ref Q1) (value p20) (libsource (lib Device) (part Q_NMOS_GSD))`, []string{"1 A G", "2 GND S", "3 C D"}, `Q1: {kind: transistor, value: p20, channel: n, pins: {g: A, d: C, s: GND}}`},
		{"FET by the letters of its symbol", `(ref Q1) (value p20) (libsource (lib Device) (part Q_PMOS_GDS))`, []string{"1 A", "2 B", "3 C"}, `Q1: {kind: transistor, value: p20, channel: p, pins: {g: A, d: B, s: C}}`},
		{"FET whose pads are letters", `(ref Q2) (value MOSFET_P) (footprint x:SOT23GDS)`, []string{"D A", "G B", "S C"}, `Q2: {kind: transistor, value: MOSFET_P, channel: p, pins: {g: B, d: A, s: C}}`},
		{"bipolar transistor", `(ref Q1) (value x) (libsource (lib Transistor_BJT) (part XY3))`, []string{"1 A", "2 GND", "3 C"}, `Q1: {kind: transistor, value: x, pins: {b: A, e: GND, c: C}}   # ? which pad is which: taken for b e c`},
		{"two FETs in one package", `(ref Q1) (value x) (libsource (lib a) (part Q_Dual_NMOS_S1G1D2S2G2D1))`, []string{"1 GND S1", "2 A G1", "3 B D2", "4 GND S2", "5 C G2", "6 D D1"}, `Q1: {kind: transistor, value: x, channel: n, pins: {g1: A, g2: C, d1: D, d2: B, s1: GND, s2: GND}}`},
		{"FET with many drain pads", `(ref Q1) (value x) (libsource (lib Transistor_FET) (part b))`, []string{"1 B S", "2 B S", "3 B S", "4 A G", "5 C D", "6 C D", "7 C D", "8 C D"}, `Q1: {kind: transistor, value: x, pins: {g: A, d: C, s: B}}`},
		{"transistor without names", `(ref Q1) (value x)`, []string{"1 A", "2 B", "3 C", "4 D", "5 E", "6 GND"}, `Q1: {kind: unknown, value: x, pins: {1: A, 2: B, 3: C, 4: D, 5: E, 6: GND}}   # ? a transistor, and nobody says which pad is which`},
		{"crystal with the letter of a transistor", `(ref Q1) (value 12M) (libsource (lib House_Devices) (part Crystal))`, two, `Q1: {kind: crystal, value: 12M, pins: {1: A, 2: B}}`},
		{"crystal with two pads on ground", `(ref X1) (value 12M) (libsource (lib Device) (part Crystal_GND24))`, []string{"1 A", "2 GND", "3 B", "4 GND"}, `X1: {kind: crystal, value: 12M, pins: {1: A, 2: GND, 3: B, 4: GND}}`},
		{"oscillator", `(ref CR1) (value 24M) (libsource (lib House_Devices) (part Oscillator-100MHz))`, []string{"1 A", "2 GND", "3 B", "4 A"}, `CR1: {kind: ic, value: 24M, pins: {1: A, 2: GND, 3: B, 4: A}}`},
		{"oscillator by its supply pin", `(ref Y1) (value 24M)`, []string{"1 A EN input", "2 GND GND power_in", "3 B OUT output", "4 C VDD power_in"}, `Y1: {kind: ic, value: 24M, pins: {1: A, 2: GND, 3: B, 4: C}}`},
		{"thermistor", `(ref TH1) (value 10k) (libsource (lib Device) (part Thermistor_NTC))`, toGround, `TH1: {kind: resistor, value: 10k, pins: {1: A, 2: GND}}`},
		{"resettable fuse", `(ref F1) (value 500mA) (libsource (lib Device) (part Polyfuse))`, two, `F1: {kind: fuse, value: 500mA, pins: {1: A, 2: B}}`},
		{"push button to ground", `(ref RESET1) (value side) (libsource (lib House_Buttons) (part T11))`, toGround, `RESET1: {kind: switch, pins: {1: A, 2: GND}}`},
		{"push button in a line, with a shield", `(ref SW1) (value x) (libsource (lib a) (part SW_PUSH_SHIELDED))`, []string{"0 GND", "1 A", "2 B"}, `SW1: {kind: switch, value: 100M, pins: {1: A, 2: B}}   # ? a key, open at rest: taken for 100 Mohm`},
		{"push button with its pads twice", `(ref SW1) (value x) (libsource (lib Switch) (part SW_Push_45))`, []string{"1 A", "2 A", "3 GND", "4 GND"}, `SW1: {kind: switch, place: pads 1 and 3, pins: {1: A, 2: GND}}`},
		{"switch between supplies", `(ref SW1) (value x) (libsource (lib Switch) (part SW_SPST))`, []string{"1 +5V", "2 VBAT"}, `SW1: {kind: switch, pins: {1: "+5V", 2: VBAT}}   # ? open or closed? taken for closed`},
		{"switch of which nobody knows", `(ref SW1) (value x) (footprint x:SWITCH)`, two, `SW1: {kind: switch, value: 100M, pins: {1: A, 2: B}}   # ? open or closed? taken for open`},
		{"DIP switch", `(ref SW1) (value x) (libsource (lib Switch) (part SW_DIP_x02))`, []string{"1 A", "2 B", "3 GND", "4 GND"}, "SW1_1: {kind: switch, place: SW1 pads 1 and 4, pins: {1: A, 2: GND}}   # ? pads of an element by the usual rule\nSW1_2: {kind: switch, place: SW1 pads 2 and 3, pins: {1: B, 2: GND}}   # ? pads of an element by the usual rule"},
		{"test pad", `(ref VCORE1) (value TESTPAD) (libsource (lib House_OTHER) (part TESTPAD))`, []string{"1 A"}, `VCORE1: A`},
		{"test pad with the name of another net", `(ref B) (value TESTPAD) (libsource (lib o) (part TestPoint))`, []string{"1 A"}, `B: A`},
		{"connector of one pin", `(ref P7) (value GPO) (footprint x:TESTPOINT-50MIL) (libsource (lib conn) (part CONN_1))`, []string{"1 A"}, `P7: A`},
		{"fiducial", `(ref FID1) (value Fiducial)`, []string{"1 A"}, ``},
		{"mounting hole with the symbol of a connector", `(ref J4) (value MOUNTING_HOLE) (libsource (lib c) (part CONN_1))`, []string{"1 GND"}, ``},
		{"shield frame", `(ref J2) (value x) (libsource (lib c) (part RF-SHIELD-FRAME))`, []string{"0 GND"}, ``},
		{"open solder jumper", `(ref BOOT1) (value Opened) (libsource (lib House_Jumpers) (part SJ))`, two, ``},
		{"closed solder jumper", `(ref BOOT1) (value Soldered) (libsource (lib House_Jumpers) (part SJ))`, two, `BOOT1: {kind: link, pins: {1: A, 2: B}}`},
		{"open jumper by its symbol", `(ref JP1) (value x) (libsource (lib Jumper) (part SolderJumper_2_Open))`, two, ``},
		{"jumper of which nobody knows", `(ref JP1) (value x) (libsource (lib Jumper) (part Jumper))`, two, `JP1: {kind: link, pins: {1: A, 2: B}}   # ? open or closed? taken for closed`},
		{"jumper of three pads", `(ref JP1) (value x) (libsource (lib Jumper) (part SolderJumper_3_Bridged12))`, []string{"1 A", "2 B", "3 C"}, `JP1: {kind: link, pins: {1: A, 2: B}}   # ? closed from 1 to 2 by its name`},
		{"net tie", `(ref NT1) (value x) (libsource (lib Device) (part NetTie_2))`, toGround, `NT1: {kind: link, pins: {1: A, 2: GND}}`},
		{"LED with a name of its own", `(ref PWRLED1) (value LED/red/0603) (libsource (lib House_Diodes) (part LED))`, []string{"1 GND K", "2 A A"}, `PWRLED1: {kind: diode, value: LED/red/0603, title: LED, pins: {a: A, k: GND}}`},
		{"diode without names", `(ref D1) (value x) (libsource (lib Device) (part D))`, two, `D1: {kind: diode, value: x, pins: {a: B, k: A}}   # ? which end is the cathode: taken for pad 1`},
		{"diode in three leads", `(ref D1) (value x) (libsource (lib Device) (part D))`, []string{"1 A", "3 B", "2 -"}, `D1: {kind: diode, value: x, pins: {a: A, k: B}}   # ? which end is the cathode: taken for pad 3`},
		{"two diodes with a common cathode", `(ref D1) (value x) (libsource (lib Diode) (part D_Schottky_Dual))`, []string{"1 A A", "2 B A", "3 C K"}, "D1_1: {kind: diode, value: x, place: D1 pads 1 and 3, pins: {a: A, k: C}}\nD1_2: {kind: diode, value: x, place: D1 pads 2 and 3, pins: {a: B, k: C}}"},
		{"two diodes in series", `(ref D1) (value x) (libsource (lib Diode) (part D2))`, []string{"1 GND A", "2 B K", "3 C COM"}, "D1_1: {kind: diode, value: x, place: D1 pads 1 and 3, pins: {a: GND, k: C}}\nD1_2: {kind: diode, value: x, place: D1 pads 3 and 2, pins: {a: C, k: B}}"},
		{"three LEDs", `(ref D1) (value x) (libsource (lib Device) (part LED_RGB))`, []string{"1 A RK", "2 B GK", "3 C BK", "4 D A"}, "D1_1: {kind: diode, value: x, title: LED, place: D1 pads 4 and 1, pins: {a: D, k: A}}\nD1_2: {kind: diode, value: x, title: LED, place: D1 pads 4 and 2, pins: {a: D, k: B}}\nD1_3: {kind: diode, value: x, title: LED, place: D1 pads 4 and 3, pins: {a: D, k: C}}"},
		{"diodes without names", `(ref D1) (value x)`, []string{"1 A", "2 B", "3 C"}, `D1: {kind: unknown, value: x, pins: {1: A, 2: B, 3: C}}   # ? several diodes, and nobody says which pad is which`},
		{"TVS", `(ref D1) (value X5V) (libsource (lib Device) (part D_TVS))`, []string{"1 GND", "2 A"}, `D1: {kind: tvs, value: X5V, pins: {2: A, 1: GND}}`},
		{"TVS both ways", `(ref D1) (value x) (libsource (lib h) (part DIODE-TVS-BI))`, toGround, `D1: {kind: tvs, value: x, direction: bidirectional, pins: {1: A, 2: GND}}`},
		{"varistor", `(ref RV1) (value x) (libsource (lib Device) (part Varistor))`, toGround, `RV1: {kind: tvs, value: x, direction: bidirectional, pins: {1: A, 2: GND}}`},
		{"TVS array", `(ref U2) (value x) (libsource (lib Power_Protection) (part X4))`, []string{"1 A IO1", "2 GND VN", "3 B IO2", "4 C IO3", "5 D VP"}, `U2: {kind: tvs, value: x, pins: {1: A, 2: GND, 3: B, 4: C, 5: D}}`},
		{"TVS array without ground", `(ref D2) (value x) (libsource (lib a) (part ESD_array)) `, []string{"1 A", "2 B", "3 C"}, `D2: {kind: unknown, value: x, pins: {1: A, 2: B, 3: C}}   # ? protects several lines, but has no pad on ground`},
		{"common-mode choke by its nets", `(ref L1) (value 90R) (libsource (lib Device) (part EMI_Filter_CommonMode))`, []string{"1 USB_P", "2 USB_N", "3 CON_N", "4 CON_P"}, `L1: {kind: choke, value: 90R, place: windings 1-4 and 2-3, pins: {1: USB_P, 2: CON_P, 3: USB_N, 4: CON_N}}   # ? windings taken for 1-4 and 2-3`},
		{"common-mode choke by its pins", `(ref L1) (value 90R) (libsource (lib a) (part CMC))`, []string{"1 A IN1", "2 B IN2", "3 C OUT2", "4 D OUT1"}, `L1: {kind: choke, value: 90R, place: windings 1-4 and 2-3, pins: {1: A, 2: D, 3: B, 4: C}}`},
		{"balun with a tap", `(ref T1) (value BALUN) (libsource (lib h) (part BALUN))`, []string{"1 A", "2 GND", "3 B", "4 C", "5 D"}, `T1: {kind: unknown, value: BALUN, pins: {1: A, 2: GND, 3: B, 4: C, 5: D}}   # ? windings of a part with 5 pads`},
		{"EMI filter by its pins", `(ref FL1) (value 2R) (libsource (lib a) (part b))`, []string{"1 A IN", "2 GND GND", "3 B OUT"}, `FL1: {kind: filter, value: 2R, pins: {in: A, out: B, gnd: GND}}`},
		{"EMI filter without names", `(ref FL1) (value 2R) (libsource (lib a) (part EMI_Filter_LCL))`, []string{"1 A", "2 GND", "3 B"}, `FL1: {kind: filter, value: 2R, pins: {in: A, out: B, gnd: GND}}   # ? which pad is in and which is out`},
		{"filter of two lines", `(ref FL1) (value 2R) (libsource (lib a) (part filter))`, []string{"1 A IN1", "2 B IN2", "3 GND GND", "4 C OUT2", "5 D OUT1"}, `FL1: {kind: filter, value: 2R, pins: {in1: A, in2: B, out2: C, out1: D, gnd: GND}}`},
		{"high-pass filter", `(ref U8) (value RX_HIGHPASS_FILTER) (libsource (lib a) (part FIL-X))`, []string{"1 A", "2 GND", "3 B", "4 GND"}, `U8: {kind: unknown, value: RX_HIGHPASS_FILTER, pins: {1: A, 2: GND, 3: B, 4: GND}}   # ? a filter that may not pass direct current`},
		{"LED with a controller", `(ref D1) (value x) (libsource (lib LED) (part RGB5))`, []string{"1 A VDD power_in", "2 B DOUT output", "3 GND VSS power_in", "4 C DIN input"}, `D1: {kind: ic, value: x, pins: {1: A, 2: B, 3: GND, 4: C}}`},
		{"rectifier", `(ref D1) (value x) (libsource (lib Device) (part "D_Bridge_+-AA"))`, []string{"1 A +", "2 GND -", "3 B ~", "4 C ~"}, "D1_1: {kind: diode, value: x, place: D1 pads 3 and 1, pins: {a: B, k: A}}\nD1_2: {kind: diode, value: x, place: D1 pads 4 and 1, pins: {a: C, k: A}}\nD1_3: {kind: diode, value: x, place: D1 pads 2 and 3, pins: {a: GND, k: B}}\nD1_4: {kind: diode, value: x, place: D1 pads 2 and 4, pins: {a: GND, k: C}}"},
		{"FET with pins of one name numbered", `(ref Q1) (value x) (libsource (lib Transistor_FET) (part b))`, []string{"1 B S_1", "2 B S_2", "3 B S_3", "4 A G", "5 C D_5", "6 C D_6"}, `Q1: {kind: transistor, value: x, pins: {g: A, d: C, s: B}}`},
		{"IC from a library of what it drives", `(ref U1) (value x) (libsource (lib Driver_Motor) (part b))`, []string{"1 A", "2 B", "3 GND"}, `U1: {kind: ic, value: x, pins: {1: A, 2: B, 3: GND}}`},
		{"IC from a library of batteries", `(ref U1) (value x) (libsource (lib Battery_Management) (part b))`, []string{"1 A", "2 B", "3 GND"}, `U1: {kind: ic, value: x, pins: {1: A, 2: B, 3: GND}}`},
		{"protecting switch", `(ref U1) (value x) (libsource (lib Power_Protection) (part b))`, []string{"1 A IN power_in", "2 GND GND power_in", "3 B OUT power_out", "4 C EN input"}, `U1: {kind: ic, value: x, pins: {1: A, 2: GND, 3: B, 4: C}}`},
		{"optocoupler", `(ref U1) (value x) (libsource (lib Isolator) (part b))`, []string{"1 A A", "2 B K", "3 GND E", "4 C C"}, `U1: {kind: unknown, value: x, pins: {1: A, 2: B, 3: GND, 4: C}}   # ? nobody knows whether it conducts`},
		{"connector with the letter of an IC", `(ref U1) (value x) (libsource (lib Connector) (part Micro_SD))`, []string{"1 A", "2 B", "3 GND"}, `U1: {title: x, pins: {1: A, 2: B, 3: GND}}`},
		{"relay", `(ref K1) (value x)`, []string{"1 A", "2 B", "3 C", "4 D", "5 E"}, `K1: {kind: unknown, value: x, pins: {1: A, 2: B, 3: C, 4: D, 5: E}}   # ? nobody knows whether it conducts`},
		{"nothing known", `(ref ZZ9) (value "odd \"one\"")`, []string{"1 A", "2 B", "3 GND"}, `ZZ9: {kind: unknown, value: "odd \"one\"", pins: {1: A, 2: B, 3: GND}}   # ? kind unknown`},
		{"array by its pins", `(ref RN1) (value 4k7) (libsource (lib Device) (part R_Pack02))`, []string{"1 A R1.1", "2 B R2.1", "3 C R2.2", "4 D R1.2"}, "RN1_1: {kind: resistor, value: 4k7, place: RN1 pads 1 and 4, pins: {1: A, 2: D}}\nRN1_2: {kind: resistor, value: 4k7, place: RN1 pads 2 and 3, pins: {1: B, 2: C}}"},
		{"array by the numbers of its pads", `(ref RM1) (value RA0805_22R) (libsource (lib Rcl) (part RA1206_x2))`, []string{"1.1 A", "1.2 B", "2.1 C", "2.2 D"}, "RM1_1: {kind: resistor, value: 22R, place: RM1 pads 1.1 and 1.2, pins: {1: A, 2: B}}   # ? value from RA0805_22R\nRM1_2: {kind: resistor, value: 22R, place: RM1 pads 2.1 and 2.2, pins: {1: C, 2: D}}   # ? value from RA0805_22R"},
		{"array by the usual rule", `(ref RN1) (value 33)`, []string{"1 A", "2 B", "3 C", "4 D"}, "RN1_1: {kind: resistor, value: 33, place: RN1 pads 1 and 4, pins: {1: A, 2: D}}   # ? pads of an element by the usual rule\nRN1_2: {kind: resistor, value: 33, place: RN1 pads 2 and 3, pins: {1: B, 2: C}}   # ? pads of an element by the usual rule"},
		{"array with unused elements", `(ref RN1) (value 33)`, []string{"1 A", "2 -", "3 C", "4 D"}, "RN1_1: {kind: resistor, value: 33, place: RN1 pads 1 and 4, pins: {1: A, 2: D}}   # ? pads of an element by the usual rule"},
		{"network with a common pin", `(ref RN1) (value 10k) (libsource (lib Device) (part R_Network02))`, []string{"1 A common", "2 B R1", "3 C R2"}, "RN1_1: {kind: resistor, value: 10k, place: RN1 pads 1 and 2, pins: {1: A, 2: B}}\nRN1_2: {kind: resistor, value: 10k, place: RN1 pads 1 and 3, pins: {1: A, 2: C}}"},
		{"capacitor array", `(ref CA1) (value 100p) (libsource (lib Device) (part C_Array))`, []string{"1 A", "2 GND"}, `CA1: {kind: capacitor, value: 100p, pins: {1: A, 2: GND}}`},
		{"not assembled", `(ref R5) (value NA)`, two, ``},
		{"not assembled, with what would be", `(ref R5) (value "NA(10k)")`, two, ``},
		{"not assembled by a field", `(ref R5) (value 10k) (fields (field (name Populate) "no"))`, two, ``},
		{"fitted by a field", `(ref R5) (value 10k) (fields (field (name DNP) 0))`, two, `R5: {kind: resistor, value: 10k, pins: {1: A, 2: B}}`},
		{"not assembled by a flag", `(ref R5) (value 10k) (property (name "dnp"))`, two, ``},
		{"both ends on one net", `(ref R5) (value 10k)`, []string{"1 A", "2 A"}, ``},
		{"pads that share a number", `(ref J5) (value usb) (libsource (lib Connector) (part USB_B))`, []string{"1 A", "2 B", "0 GND", "0 SHIELD", "0 GND"}, `J5: {title: usb, pins: {0: GND, 1: A, 2: B, 0_2: SHIELD}}   # ? the source numbers pad 0_2 like another one`},
		{"kind by a field of ours", `(ref ZZ5) (value x) (fields (field (name "halfsplit") "tvs"))`, toGround, `ZZ5: {kind: tvs, value: x, pins: {1: A, 2: GND}}`},
	} {
		t.Run(test.name, func(t *testing.T) {
			ref := strings.Fields(strings.TrimPrefix(test.comp, "(ref "))[0]
			text := strings.ReplaceAll(export(test.comp, test.pads...), "(ref X9)", "(ref "+ref)
			if diff := cmp.Diff(test.want, lines(t, text)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Values as people write them: what can be one is taken, never a part of a number.
func TestValues(t *testing.T) {
	for _, test := range []struct {
		unit        quantity.Unit
		value, want string
	}{
		{quantity.Ohm, "4k7", "4k7"},
		{quantity.Ohm, "4,7k", "4.7k"},
		{quantity.Farad, "0,1u", "0.1u"},
		{quantity.Farad, "2,2u/16V", "2.2u"},
		{quantity.Farad, "100n,16V", "100n"},
		{quantity.Farad, "10uF/6.3V/20%/X5R/C0603", "10uF"},
		{quantity.Farad, "100nF 16V X5R", "100nF"},
		{quantity.Ohm, "22R/1%", "22R"},
		{quantity.Ohm, "0R_Board_Mounted", "0R"},
		{quantity.Ohm, "600R@100MHz", "600R"},
		{quantity.Ohm, "FB0805/600R/2A", "600R"},
		{quantity.Ohm, "600 Ohm 2A", "600Ohm"},
		{quantity.Ohm, "R0402/5%", ""},
		{quantity.Ohm, "x 0402 5%", ""},
		{quantity.Ohm, "/", ""},
		{quantity.Ohm, " , ", ""},
		{quantity.Ohm, "", ""},
		{quantity.None, "22R", ""},
	} {
		if got := valueText(test.value, test.unit); got != test.want {
			t.Errorf("%q in %s: %q, want %q", test.value, test.unit, got, test.want)
		}
	}
	for value, want := range map[string]bool{
		"NA": true, "n.p.": true, "NP": true, "NF": true, "DNP": true, "10k DNP": true, "DNF/10k": true, "NA(100nF/10V)": true, "not populated": true, "do not fit": true, "NoPop": true, "N/A": true,
		"22pF NP0": false, "10uF NP": false, "NAND": false, "DNPX": false, "10k": false, "SNA": false, "NPN": false, "not": false,
	} {
		if got := notFitted.MatchString(value); got != want {
			t.Errorf("%q is not assembled: %t, want %t", value, got, want)
		}
	}
}

func TestRails(t *testing.T) {
	unknown := math.NaN()
	for _, test := range []struct {
		net   string
		rail  bool
		volts float64
	}{
		{"+3V3", true, 3.3}, {"+3.3V", true, 3.3}, {"+1.8V", true, 1.8}, {"3.3V", true, 3.3}, {"1V8", true, 1.8}, {"P1V8", true, 1.8}, {"+5V", true, 5}, {"-12V", true, -12}, {"12V", true, 12},
		{"VTP_1V8", true, 1.8}, {"VCC_3V3", true, 3.3}, {"MCM_3V3", true, 3.3}, {"3V3_A", true, 3.3}, {"1.35V_DDR", true, 1.35}, {"V12V0", true, 12}, {"VDDA_1V8", true, 1.8}, {"/mcu/usb/+1.8V", true, 1.8}, {"+5V_EXT", true, 5},
		{"V33", true, 3.3}, {"V18", true, 1.8}, {"V1P8", true, 1.8}, {"V3.3", true, 3.3}, {"PP3V3_S5", true, 3.3}, {"V12", false, unknown}, {"V1", false, unknown},
		{"VDD33", true, 3.3}, {"VDD18", true, 1.8}, {"VCC", true, unknown}, {"VBAT", true, unknown}, {"V_BAT", true, unknown}, {"VAA", true, unknown}, {"/power/VBUS", true, unknown}, {"AVDD", true, unknown}, {"VDDIO", true, unknown}, {"VDD-FLASH", true, unknown}, {"+BATT", true, unknown}, {"USB_VBUS", true, unknown}, {"power-vcc", true, unknown}, {"3V3_SW", true, 3.3}, {"5V_LED", true, 5},
		{"TP_INT", false, unknown}, {"VSYNC", false, unknown}, {"LCD_RST", false, unknown}, {"VIDEO", false, unknown}, {"EN_5V", false, unknown}, {"3V3_EN", false, unknown}, {"PG_1V8", false, unknown}, {"VBUS_DET", false, unknown}, {"VBUSCTRL", false, unknown}, {"SD_VOLT0", false, unknown}, {"I2C_3V3_SDA", false, unknown}, {"S0SVREFX", false, unknown}, {"GND", false, unknown}, {"U3V3", false, unknown},
	} {
		is, volts := rail(test.net)
		if is != test.rail || volts != test.volts && !(math.IsNaN(volts) && math.IsNaN(test.volts)) {
			t.Errorf("%s: %t, %g V; want %t, %g V", test.net, is, volts, test.rail, test.volts)
		}
	}
	for net, want := range map[string]bool{"GND": true, "AGND": true, "GNDA": true, "VSS": true, "0": true, "/power/GND": true, "GND_SENSE": true, "GNDX": true, "power-gnd": true, "usb.gnd": true, "GNDREF": true, "LEGEND": false, "BGND": false, "0V": true} {
		if got := groundName.MatchString(lastName(net)); got != want {
			t.Errorf("%s is ground: %t, want %t", net, got, want)
		}
	}
	names := []string{"A10", "A2", "B1", "2", "10", "1"}
	slices.SortFunc(names, natural)
	if diff := cmp.Diff([]string{"1", "2", "10", "A2", "A10", "B1"}, names); diff != "" {
		t.Error(diff)
	}
}

// A net without a name is a supply by its shape: a supply pin and a capacitor on it.
// A net with only one pin not connected (NC).
func TestShapes(t *testing.T) {
	text := `(export (version D) (components (comp (ref U1) (value x)) (comp (ref C1) (value 100n)) (comp (ref C2) (value 33p)) (comp (ref J1) (value x)) (comp (ref "#PWR01") (value x)))
	(nets
	 (net (code 1) (name GND) (node (ref U1) (pin 1) (pintype power_in)) (node (ref C1) (pin 2)) (node (ref C2) (pin 2)) (node (ref J1) (pin 1)))
	 (net (code 2) (name "Net-(C1-Pad1)") (node (ref U1) (pin 2) (pintype powerIn)) (node (ref C1) (pin 1)))
	 (net (code 3) (name "/cpu/SIG") (node (ref U1) (pin 3) (pintype BiDi)) (node (ref C2) (pin 1)) (node (ref J1) (pin 2)))
	 (net (code 4) (name "/cpu/PW") (node (ref U1) (pin 4) (pintype BiDi)) (node (ref "#PWR01") (pin 1)) (node (ref J1) (pin 3)))
	 (net (code 5) (name "Net-(J1-Pad4)") (node (ref J1) (pin 4)))
	 (net (code 6) (name "/a/RST") (node (ref J1) (pin 5)) (node (ref U1) (pin 5)))
	 (net (code 7) (name "/b/RST") (node (ref J1) (pin 6)) (node (ref U1) (pin 6)))
	 (net (code 8) (name "/~{CS}{slash}EN") (node (ref J1) (pin 7)) (node (ref U1) (pin 7)))))`
	_, file := again(t, whole(t, text))
	want := `# A draft made by halfsplit. What is marked # ? is a guess: check it, and remove the
# mark. Drafting again replaces only what is marked.
board: board
ground: GND

connectors:
  J1: {title: x, pins: {1: GND, 2: SIG, 3: PW, 4: NC, 5: a/RST, 6: b/RST, 7: "~CS/EN"}}

parts:
  U1: {kind: ic, value: x, pins: {1: GND, 2: "Net-(C1-Pad1)", 3: SIG, 4: PW, 5: a/RST, 6: b/RST, 7: "~CS/EN"}}
  C1: {kind: capacitor, value: 100n, pins: {1: "Net-(C1-Pad1)", 2: GND}}
  C2: {kind: capacitor, value: 33p, pins: {1: SIG, 2: GND}}

nets:
  "Net-(C1-Pad1)": {rail: yes}   # ? by its supply pins and capacitors, voltage unknown
  PW: {rail: yes}   # ? by its power symbol, voltage unknown
`
	if diff := cmp.Diff(want, file); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A second ground that nothing joins to the first is a net of its own, and marked.
func TestGroundApart(t *testing.T) {
	text := "part,pin,net,value\nJ1,1,GND,\nJ1,2,AGND,\nJ1,3,GNDD,\nC1,1,GND,1u\nC1,2,AGND,1u\nL1,1,GND,1u\nL1,2,GNDD,1u\nR1,1,GND,1k\nR1,2,A,1k\nR2,1,A,1k\nR2,2,AGND,1k\n"
	d := whole(t, text)
	_, file := again(t, d)
	if !strings.Contains(file, "  AGND:   # ? called like ground, but no part joins it to ground\n") || strings.Contains(file, "  GNDD:") {
		t.Error(file)
	}
	if got := d.Doubts(); len(got) != 1 || got[0].Name != "AGND" {
		t.Errorf("%+v", got)
	}
}

// ground is a net that is there.
func TestGround(t *testing.T) {
	s := read(t, "\uFEFF(export (components (comp (ref J1)) (comp (ref U1))) (nets (net (name COM) (node (ref J1) (pin 1)) (node (ref U1) (pin 1))) (net (name A) (node (ref J1) (pin 2)) (node (ref U1) (pin 2)) (node (ref U1) (pin 3)))))")
	if _, err := Make(s, "CON", nil); err == nil || err.Error() != "there is no net `CON`; did you mean `COM`?" {
		t.Errorf("%v", err)
	}
	d, err := Make(s, "COM", nil)
	if err != nil || d.Ground != "COM" || len(d.Doubts()) != 0 {
		t.Errorf("%+v, %v", d, err)
	}
	d, err = Make(s, "", nil)
	if err != nil || d.Ground != "A" || len(d.Doubts()) != 1 || !strings.Contains(d.write(), "ground: A   # ?") {
		t.Errorf("ground is guessed: %+v, %v", d, err)
	}
	if _, err = Make(s, "", []string{"J9"}); err == nil || err.Error() != "there is no part `J9`; did you mean `J1`?" {
		t.Errorf("%v", err)
	}
}

// The connectors are listed, sure ones before guessed ones, then by their lines; any
// part may be called one.
func TestCandidates(t *testing.T) {
	d := whole(t, "part,pin,net\nJ1,1,GND\nJ1,2,A\nZZ1,1,A\nZZ1,2,B\nZZ1,3,C\nZZ1,4,D\nZZ1,5,E\nZZ1,6,GND\nJ2,1,GND\nJ2,2,A\nJ2,3,B\nJ2,4,VCC\nR1,1,C\nR1,2,D\nR2,1,E\nR2,2,VCC\n")
	want := []Candidate{{Name: "J2", Pins: 4, Lines: 2}, {Name: "J1", Pins: 2, Lines: 1}, {Name: "ZZ1", Pins: 6, Lines: 5, Guessed: true}}
	if diff := cmp.Diff(want, d.Candidates()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	d, err := Make(read(t, "part,pin,net,kind\nU1,1,GND,\nU1,2,A,\nU1,3,B,\nR1,1,A,\nR1,2,B,\n"), "", []string{"U1"})
	if err != nil {
		t.Fatal(err)
	}
	if d, err := Make(read(t, "part,pin,net,value\nJ1,1,GND,NA\nJ1,2,A,NA\nU1,1,GND,x\nU1,2,A,x\nU1,3,A,x\n"), "", []string{"J1"}); err != nil || len(d.Parts) != 2 || len(d.LeftOut) != 0 {
		t.Errorf("who names a connector has one: %+v, %v", d, err)
	}
	if got := d.Candidates(); len(got) != 1 || got[0].Name != "U1" {
		t.Errorf("U1 called a connector: %+v", got)
	}
}

// What matters to a connector comes along, and what was cut off is said.
func TestNear(t *testing.T) {
	b := load(t, demoBoard)
	d := whole(t, kicad(b))
	near, err := d.Near([]string{"J7"}, 4)
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
	for _, name := range []string{"L11", "R31", "D11", "U3"} {
		if names[name] {
			t.Errorf("%s is far from J7", name)
		}
	}
	// What is kept is joined as on the whole board.
	want := wanted(b, false)
	for at, net := range graph(got) {
		if want[at] != net {
			t.Errorf("%s is on %q, want %q", at, net, want[at])
		}
	}
	if len(got.Connectors) != 1 || len(near.Cut) == 0 {
		t.Errorf("%d connectors; cut off: %v", len(got.Connectors), near.Cut)
	}
	if _, err := d.Near([]string{"J8"}, 1); err == nil || !strings.Contains(err.Error(), "there is not a connector `J8`; did you mean") {
		t.Errorf("J8: %v", err)
	}
}

// A line is followed so many parts far; a pull-up does not lead on over its supply; a
// supply on the connector brings its capacitors, what feeds it and its ICs, but not
// the pull-ups of other lines; large ICs come with the pins that matter.
func TestReach(t *testing.T) {
	var text strings.Builder
	text.WriteString("part,pin,net,value\nJ1,1,GND,\nJ1,2,N0,\nJ1,3,VCC,\nJ2,1,N0,\nJ2,2,F1,\n")
	for i := range 6 {
		fmt.Fprintf(&text, "R%d,1,N%d,22\nR%d,2,N%d,22\n", i+1, i, i+1, i+1)
	}
	text.WriteString("C1,1,N6,1n\nC1,2,GND,1n\n")                               // beyond four parts
	text.WriteString("R11,1,N1,10k\nR11,2,VIO,10k\nC2,1,VIO,1u\nC2,2,GND,1u\n") // a pull-up; its supply's capacitor
	text.WriteString("C3,1,VCC,1u\nC3,2,GND,1u\nFB1,1,VCC,600R\nFB1,2,VCC_A,600R\nC4,1,VCC_A,1u\nC4,2,GND,1u\n")
	text.WriteString("R12,1,VCC,10k\nR12,2,F1,10k\n") // another line's pull-up
	for i := range 20 {
		fmt.Fprintf(&text, "U1,%d,%s,\n", i+1, []string{"GND", "VCC", "N2", "F1", "GND", "GND", "VIO", "F2"}[i%8])
	}
	text.WriteString("TP1,1,N1,\nTP2,1,F2,\n")
	d := whole(t, text.String())
	near, err := d.Near([]string{"J1"}, 4)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, p := range near.Parts {
		names = append(names, p.Name)
	}
	if diff := cmp.Diff([]string{"J1", "R1", "R2", "R3", "R4", "R11", "C3", "FB1", "C4", "U1", "TP1"}, names); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	u := near.Parts[slices.IndexFunc(near.Parts, func(p Part) bool { return p.Name == "U1" })]
	count := map[string]int{}
	for _, pin := range u.Pins {
		count[pin.Net]++
	}
	if diff := cmp.Diff(map[string]int{"GND": 2, "VCC": 2, "VIO": 2, "N2": 3}, count); diff != "" {
		t.Errorf("pins of U1 (-want +got):\n%s", diff)
	}
	said := fmt.Sprint(near.Cut)
	for _, want := range []string{"pins of ICs", "connector J2", "N4 go on behind the 4 parts"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said to be cut off: %s", want, said)
		}
	}
}

// Guesses near the connector come first, and among these those that mislead most.
func TestDoubts(t *testing.T) {
	d := whole(t, "part,pin,net,value\nJ1,1,GND,\nJ1,2,A,\nD1,1,A,x\nD1,2,GND,x\nR1,1,A,?\nR1,2,B,?\nZZ1,1,B,\nZZ1,2,GND,\nZZ1,3,VCC,\nR2,1,C,?\nR2,2,VCC,?\n")
	near, err := d.Near([]string{"J1"}, 4)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range near.Doubts() {
		got = append(got, x.Name+": "+x.What)
	}
	want := []string{"ZZ1: kind unknown", "D1: which end is the cathode: taken for pad 1", "R1: value unknown, the source has ?", "VCC: a supply by its name, voltage unknown"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Drafting again replaces what is marked and leaves what people wrote.
func TestMerge(t *testing.T) {
	old := `# my own remark
board: Lamp          # as its label says
ground: GND

connectors:
  J1: {pins: {1: GND, 2: A, 3: B}}

parts:
  R1: {kind: resistor, value: 4k7, pins: {1: A, 2: B}}
  R2: {kind: resistor, pins: {1: A, 2: GND}}   # ? value unknown
  # looked at it with a lens
  D1:
    kind: diode
    pins: {a: GND, k: A}   # the other way round
  D2: {kind: diode, pins: {a: B, k: GND}}   # ? which end is the cathode
  C9: {kind: capacitor, pins: {1: B, 2: GND}}   # ? old
  X1: {kind: crystal, pins: {1: A, 2: B}}

test_points:
  TP1: A
  TP2: OLD

nets:
  A: {rail: 5 V}
  OLD: {rail: yes}   # ? by its name

matched: [[A, B]]
`
	fresh := `# A draft
board: lamp.net
revision: B
ground: GND

connectors:
  J1: {pins: {1: GND, 2: A, 3: B}}
  J2: {pins: {1: B}}

parts:
  R1: {kind: resistor, value: 10k, pins: {1: A, 2: B}}
  R2: {kind: resistor, value: 22k, pins: {1: A, 2: GND}}
  R3: {kind: resistor, pins: {1: A, 2: B}}   # ? value unknown
  D1: {kind: diode, pins: {a: A, k: GND}}   # ? which end is the cathode
  D2: {kind: diode, pins: {a: B, k: GND}}   # ? which end is the cathode

nets:
  A: {rail: yes}   # ? by its name
  B: {rail: 1.8 V}   # ? by its name
`
	text, changes, err := Merge(old, fresh, "board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := `# my own remark
board: Lamp          # as its label says
ground: GND

connectors:
  J1: {pins: {1: GND, 2: A, 3: B}}
  J2: {pins: {1: B}}

parts:
  R1: {kind: resistor, value: 4k7, pins: {1: A, 2: B}}
  R2: {kind: resistor, value: 22k, pins: {1: A, 2: GND}}
  # looked at it with a lens
  D1:
    kind: diode
    pins: {a: GND, k: A}   # the other way round
  D2: {kind: diode, pins: {a: B, k: GND}}   # ? which end is the cathode
  X1: {kind: crystal, pins: {1: A, 2: B}}
  R3: {kind: resistor, pins: {1: A, 2: B}}   # ? value unknown

test_points:
  TP1: A

nets:
  A: {rail: 5 V}
  B: {rail: 1.8 V}   # ? by its name

matched: [[A, B]]

revision: B
`
	if diff := cmp.Diff(want, text); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var got []string
	for _, c := range changes {
		got = append(got, string(c.What)+" "+c.Entry)
	}
	wantChanges := []string{"kept board", "kept parts R1", "replaced parts R2", "kept parts D1", "removed parts C9", "kept parts X1", "kept test_points TP1", "kept test_points TP2", "kept nets A", "removed nets OLD", "added revision", "added connectors J2", "added parts R3", "added nets B", "removed test_points TP2"}
	if diff := cmp.Diff(wantChanges, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	// Merged again, nothing changes but what stays a person's.
	twice, again, err := Merge(text, fresh, "board.yaml")
	if err != nil || twice != text {
		t.Errorf("merged twice: %v\n%s", err, cmp.Diff(text, twice))
	}
	for _, c := range again {
		if c.What != Kept {
			t.Errorf("merged twice: %s %s", c.What, c.Entry)
		}
	}
	for _, test := range []struct{ old, want string }{
		{"parts: {", "x:1:"},
		{"sample: 01\nreadings: {J1.1: 0}\n", "x: is no board file"},
		{"board: B\nparts: {R1: {kind: resistor, pins: [A, GND]}, R2: {kind: resistor, pins: [A, GND]}}\n", "x:2:9: `R1` stands on one line with another key"},
		{"board: B\nparts:\n  R1: {kind: resistr, pins: [A, GND]}\n", "x:3:14: `kind` cannot be"},
	} {
		if _, _, err := Merge(test.old, fresh, "x"); err == nil || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%q: %v, want %s", test.old, err, test.want)
		}
	}
}

func TestBroken(t *testing.T) {
	comps := "(components (comp (ref R1) (value 1)) (comp (ref J1)))"
	for _, test := range []struct{ text, want string }{
		{"(export", "x:1:1: a bracket that is never closed"},
		{"(export\n  (design \"a", "x:2:11: a text in quotes that never ends"},
		{"(kicad_sch)", "x: is no netlist and no layout: it begins with `kicad_sch`; a schematic does not say what is joined"},
		{"(other)", "x: is no netlist and no layout: it begins with `other`"},
		{"(export) (export)", "x:1:10: something stands behind the last bracket"},
		{"(export (components))", "x: holds no component"},
		{"(export (a " + strings.Repeat("(", 200), "x:1:74: brackets are nested more than 64 deep"},
		{"(export " + comps + "\n(nets (net (code 1) (name A) (node (ref R2) (pin 1)))))", "x:2:30: the net `A` has a pin of `R2`, which is not a component"},
		{"(export " + comps + "\n(nets (net (code 1) (name A) (node (ref R1)))))", "x:2:30: the net `A` has a pin of `R1` without its number"},
		{"(export (components (comp (ref R1)) (comp (ref R1))))", "x:1:37: the component `R1` is there twice"},
		{"(export (components (comp (value R1))))", "x:1:21: a component without its name"},
		{"(kicad_pcb)", "x: holds no footprint"},
		{"# EESchema Netlist Version 1.1 created\n(\n ( /1 $noname R1 10k {Lib=R}\n", "x:3:2: a bracket that is never closed"},
		{"# EESchema Netlist Version 1.1 created\n(\n ( /1 $noname )\n)\n*\n", "x:3:2: a component without its name"},
		{"(export " + comps + "\n(nets (net (name \"A\u202eB\") (node (ref R1) (pin 1)))))", "x:1:21: the name `A\\u202eB` at `R1` holds the character U+202E"},
		{"", "x: holds nothing"},
		{"part,pin,net\nR1,1,A\nR1,1,B\n", "x:3:4: pin `1` of `R1` is there twice"},
		{"part,pin,net\nR1,1,A,B\n", "x:2:8: a field too many: the row has 4 and the headings 3"},
		{"part,pin,net\n,1,A\n", "x:2:1: a row without its part or pin"},
		{"part,pin,net\nR1,1,\"A\n", "x:2:"},
		{"part,pin,net,value\nR1,1,A,22R\nR1,2,B,33R\n", "x:3:8: `R1` has the value `33R` here and `22R` before"},
		{"part,pin,net\nR\x1b1,1,A\n", "x:2:1: the name `R\\u001b1` at `R\\u001b1` holds the character U+001B"},
		{"part,part,net\n", "x:1:6: the heading `part` is there twice"},
		{"part,pin,net\n", "x: holds no pin"},
		{"a,b\nc,d\n", "x:1:1: no column holds the parts"},
	} {
		_, err := Read(strings.NewReader(test.text), "x", nil)
		var problems document.Problems
		if !errors.As(err, &problems) || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%.40q: %v, want %s", test.text, err, test.want)
		}
	}
	if _, err := Read(strings.NewReader("a,b,c\nR1,1,A\n"), "x", map[string]string{"part": "a", "pin": "b", "net": "d"}); err == nil || !strings.Contains(err.Error(), "no heading is `d`") {
		t.Errorf("mapped to nothing: %v", err)
	}
	if _, err := Read(strings.NewReader("(export "+comps+")"), "x", map[string]string{"part": "a"}); err == nil || !strings.Contains(err.Error(), "is not a table") {
		t.Errorf("columns of a netlist: %v", err)
	}
	semi := "\xef\xbb\xbfRef Des;Pad;Net\r\nR1;1;A\r\nR1;2;GND\r\nR2;1;A\r\nR2;2;GND\r\n"
	if d := whole(t, semi); len(d.Parts) != 2 || d.Ground != "GND" {
		t.Errorf("semicolons: %+v", d)
	}
}

func FuzzRead(f *testing.F) {
	f.Add("(export (version \"E\") (design (sheet (title_block (title \"T\") (rev \"A\")))) (components (comp (ref \"J1\")) (comp (ref \"Q1\") (value \"22R\") (fields (field (name \"halfsplit\") \"transistor\")))) (nets (net (code \"1\") (name \"/GND\") (node (ref \"J1\") (pin \"1\") (pinfunction \"A\")) (node (ref \"Q1\") (pin \"2\")))))")
	f.Add("(export (components (comp (ref R1) (value 1))) (nets (net (name A) (node (ref R1) (pin 1)))))")
	f.Add("(export \"\\")
	f.Add("RefDes,Pin,Signal,Type,Value,Pin name\nR1,1,A,resistor,22R,1\nR1,2,GND,,,\nJ1,1,A,connector,,\nTP1,1,A,test point,,\n")
	f.Add("part;pin;net\nR1;1;A\n")
	f.Add("part,pin,net,value\nR1,1,A,/\n")
	f.Add("part,pin,net\n\"R\n1\",'=1,#\n")
	f.Add("# EESchema Netlist Version 1.1 created x\n(\n ( /1 $noname R1 10k {Lib=R}\n  ( 1 A )\n  ( 2 GND )\n )\n)\n*\n{ Allowed footprints")
	f.Add("(kicad_pcb (version 4) (net 1 A) (module x:R_0402 (layer F.Cu) (at 1 1) (fp_text reference R1 (at 0 0) (layer F.SilkS)) (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu) (net 1 A))))")
	f.Add("P  UNITS CUST 0\n327GND              U1    -1         A01X+010000Y+010000X0100Y0100R000S1\n999\n")
	f.Add(export(`(ref RN1) (value x) (libsource (lib a) (part R_Network))`, "1 A", "2 B", "3 C"))
	f.Add(export(`(ref D1) (value x)`, "1 A RK", "2 B GK", "3 C A"))
	f.Add(export(`(ref L1) (value x) (libsource (lib a) (part CMC))`, "1 A", "2 B", "3 C", "4 D"))
	f.Add(export(`(ref JP1) (value "closed (1-2)")`, "1 A", "2 B", "3 C"))
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Read(strings.NewReader(text), "x", nil)
		if err != nil {
			var problems document.Problems
			if !errors.As(err, &problems) || len(problems) == 0 || problems[0].What == "" {
				t.Fatalf("an error without a problem: %v", err)
			}
			return
		}
		d, err := Make(s, "", nil)
		if err != nil {
			return
		}
		for _, c := range d.Candidates()[:min(1, len(d.Candidates()))] {
			if d, err = d.Near([]string{c.Name}, 2); err != nil {
				t.Fatal(err)
			}
		}
		d.Doubts()
		out := d.write()
		if _, err := document.Decode(strings.NewReader(out), "x", 0); err != nil && !strings.Contains(err.Error(), "longer than") && !strings.Contains(err.Error(), "larger") {
			t.Fatalf("the draft is no YAML: %v\n%s", err, out)
		}
		if _, err := netlist.Parse(strings.NewReader(out), "x"); err != nil {
			// What may be wrong all the same: a choice without ground, a board without a
			// part, and names that mean two things.
			for _, known := range []string{"is on the ground net", "name of a pin", "more than", "is empty", "begins or ends with a space"} {
				if strings.Contains(err.Error(), known) {
					return
				}
			}
			t.Fatalf("the draft does not pass: %v\n%s", err, out)
		}
	})
}

func FuzzMerge(f *testing.F) {
	f.Add("board: B\nparts:\n  R1: {kind: resistor, pins: [A, GND]}  # ? x\n", "board: B\nparts:\n  R1: {kind: resistor, value: 1k, pins: [A, GND]}\n  R2: {kind: resistor, pins: [A, GND]}\n")
	f.Add("# a\nboard: B # ? b\n\nnets:\n  A: {rail: yes}\n", "board: B\ntest_points:\n  T: A\n")
	f.Fuzz(func(t *testing.T, old, fresh string) {
		text, _, err := Merge(old, fresh, "x")
		if err != nil {
			var problems document.Problems
			if !errors.As(err, &problems) || len(problems) == 0 {
				t.Fatalf("an error without a problem: %v", err)
			}
			return
		}
		again, changes, err := Merge(text, fresh, "x")
		if err != nil || again != text {
			t.Fatalf("merged twice differs: %v %v\n%s\n---\n%s", err, changes, text, again)
		}
	})
}

// BenchmarkDraft drafts the neighbourhood of a connector on a board of 2,000 parts,
// from the text of its netlist to the text of its board file. Wanted: within 1 s.
func BenchmarkDraft(b *testing.B) {
	text := large(2000)
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		s, err := Read(strings.NewReader(text), "large.net", nil)
		if err != nil {
			b.Fatal(err)
		}
		d, err := Make(s, "", nil)
		if err != nil {
			b.Fatal(err)
		}
		near, err := d.Near([]string{"J1"}, 4)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := near.Text(); err != nil {
			b.Fatal(err)
		}
	}
}

// large is a netlist of so many parts: an IC of many pins for each fifty, on lines
// with series and shunt parts, all from one connector.
func large(parts int) string {
	var comps strings.Builder
	nets := make(map[string]*strings.Builder)
	var order []string
	node := func(net, ref string, pin int) {
		if nets[net] == nil {
			nets[net] = new(strings.Builder)
			order = append(order, net)
		}
		fmt.Fprintf(nets[net], "(node (ref \"%s\") (pin \"%d\") (pinfunction \"~\") (pintype \"passive\"))", ref, pin)
	}
	comp := func(ref, value, part string) {
		fmt.Fprintf(&comps, "(comp (ref %q) (value %q) (footprint \"lib:fp_0402\") (libsource (lib \"Device\") (part %q) (description \"part of a large board\")))\n", ref, value, part)
	}
	comp("J1", "FPC", "Conn_01x60")
	for i := range parts {
		line := fmt.Sprintf("/sheet/LINE%d", i/4)
		switch i % 4 {
		case 0:
			ref := fmt.Sprintf("R%d", i)
			comp(ref, "22R", "R")
			node(line, ref, 1)
			node(line+"_U", ref, 2)
			if i/4 < 60 {
				node(line, "J1", i/4+1)
			}
		case 1, 2:
			ref := fmt.Sprintf("C%d", i)
			comp(ref, "100n", "C")
			node([]string{line + "_U", "+3V3"}[i%4-1], ref, 1)
			node("GND", ref, 2)
		case 3:
			ref := fmt.Sprintf("U%d", i/200)
			if i%200 == 3 {
				comp(ref, "chip", "XC")
				node("GND", ref, 300)
				node("+3V3", ref, 301)
			}
			node(line+"_U", ref, i%200+1)
		}
	}
	var all strings.Builder
	for i, net := range order {
		fmt.Fprintf(&all, "(net (code \"%d\") (name %q) %s)\n", i+1, net, nets[net])
	}
	return "(export (version \"E\") (components " + comps.String() + ") (nets " + all.String() + "))"
}

// TestNotWhatItIsCalled: a file that its name calls a layout is no table, whatever it holds.
func TestNotWhatItIsCalled(t *testing.T) {
	for _, text := range []string{"", "hello", "\x00\xff\x13", "part,pin,net\nR1,1,A\n"} {
		_, err := Read(strings.NewReader(text), "a/b.KICAD_PCB", nil)
		if want := "a/b.KICAD_PCB:1:1: is not what its name says: a file .kicad_pcb begins with `(kicad_pcb`"; err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

// TestNamesOfOneWord: what a table calls with a space or a comma gets a name that a board
// file takes.
func TestNamesOfOneWord(t *testing.T) {
	s, err := Read(strings.NewReader("part,pin,net\nKey cable,1 a,GND\n\"R,1\",1,A\n\"R,1\",2,GND\n"), "x", nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := []string{s.Parts[0].Name, s.Parts[0].Pads[0].Number, s.Parts[1].Name}; strings.Join(got, " ") != "Key_cable 1_a R_1" {
		t.Errorf("named %q", got)
	}
	for _, tt := range []struct{ rows, want string }{
		{"R 1,1,A\nR 1,2,GND\nR_1,1,B\nR_1,2,GND\n", "x:4:1: the components `R 1` and `R_1` would both be called `R_1`, for a name holds neither spaces nor commas; rename one of them"},
		{"U1,VDD A,A\nU1,VDD_A,B\nU1,3,GND\n", "x:2:1: the pins `VDD A` and `VDD_A` would both be called `VDD_A`, for a name holds neither spaces nor commas; rename one of them"},
	} {
		if _, err := Read(strings.NewReader("part,pin,net\n"+tt.rows), "x", nil); err == nil || err.Error() != tt.want {
			t.Errorf("%q: %v, want %s", tt.rows, err, tt.want)
		}
	}
}
