package netlist

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gopkg.in/yaml.v3"

	"halfsplit/netlist/document"
)

func load(t testing.TB, path string) *Board {
	t.Helper()
	b, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func net(t testing.TB, b *Board, name string) NetID {
	t.Helper()
	id, err := b.NetByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func part(t testing.TB, b *Board, name string) PartID {
	t.Helper()
	id, err := b.PartByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// describe writes the whole model as text, for golden files.
func describe(b *Board) string {
	var s strings.Builder
	fmt.Fprintf(&s, "board %q revision %q ground %q note %q\n", b.Name, b.Revision, b.Nets[b.Ground].Name, b.Note)
	if b.Layout != "" {
		fmt.Fprintf(&s, "layout %s, named at %s\n", filepath.ToSlash(b.Layout), b.LayoutAt)
	}
	for i := range b.Connectors {
		c := &b.Connectors[i]
		fmt.Fprintf(&s, "connector %s %q rows %d %s", c.Name, c.Title, c.Rows, c.Numbering)
		for _, p := range c.Pins {
			name := "nowhere"
			if p.Net != None {
				name = b.Nets[p.Net].Name
			}
			fmt.Fprintf(&s, " [%s %s]", p.Name, name)
		}
		s.WriteByte('\n')
	}
	for i := range b.Nets {
		n := &b.Nets[i]
		fmt.Fprintf(&s, "net %q", n.Name)
		if n.Rail {
			fmt.Fprintf(&s, " rail %g V", n.RailVolts)
		}
		if n.Boosted {
			s.WriteString(" boosted")
		}
		for _, p := range b.PointsOn(NetID(i)) {
			s.WriteString(" " + b.PointName(p))
		}
		for i, p := range n.Along {
			if i == 0 {
				s.WriteString(" along")
			}
			s.WriteString(" " + b.PointName(p))
		}
		s.WriteByte('\n')
	}
	for i := range b.Parts {
		p := &b.Parts[i]
		fmt.Fprintf(&s, "part %s %s", p.Name, p.Kind)
		if p.ValueText != "" {
			fmt.Fprintf(&s, " %q = %.6g", p.ValueText, p.Value)
		}
		if !math.IsNaN(p.DCOhms) {
			fmt.Fprintf(&s, " DC %g ohm", p.DCOhms)
		}
		fmt.Fprintf(&s, ", %s, %s", p.Role, p.Access)
		if p.Direction != NoDirection {
			fmt.Fprintf(&s, ", %s", p.Direction)
		}
		if p.Channel != NoChannel {
			fmt.Fprintf(&s, ", channel %s", p.Channel)
		}
		for _, l := range []struct {
			name string
			list []int32
		}{{"supplies", p.Supplies}, {"grounds", p.Grounds}, {"floating", p.Floating}} {
			for j, t := range l.list {
				if j == 0 {
					s.WriteString(", " + l.name)
				}
				s.WriteString(" " + p.Terminals[t].Name)
			}
		}
		s.WriteByte('\n')
		for _, w := range p.Paths() {
			from, to := p.Terminals[w.From].Name, p.Terminals[w.To].Name
			switch w.Element {
			case Resistive:
				fmt.Fprintf(&s, "  %s to %s %g ohm", from, to, w.Ohms)
				if !w.Stated {
					s.WriteString(" assumed")
				}
				s.WriteByte('\n')
			case Junction:
				fmt.Fprintf(&s, "  %s conducts to %s\n", from, to)
			default:
				fmt.Fprintf(&s, "  %s to %s blocks\n", from, to)
			}
		}
	}
	for _, w := range b.Warnings() {
		fmt.Fprintf(&s, "warning %s\n", w)
	}
	return s.String()
}

func TestLoad(t *testing.T) {
	for _, name := range []string{"kestrel", "messy", "every_key"} {
		t.Run(name, func(t *testing.T) {
			golden(t, "testdata/"+name+".golden", describe(load(t, "testdata/"+name+".yaml")))
		})
	}
}

// The numbers of the demo board, by hand from its file.
func TestKestrel(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	if len(b.Parts) != 9 || len(b.Nets) != 10 || len(b.Connectors) != 1 {
		t.Errorf("%d parts, %d nets, %d connectors", len(b.Parts), len(b.Nets), len(b.Connectors))
	}
	r12 := &b.Parts[part(t, b, "R12")]
	want := []Path{{From: 0, To: 1, Element: Resistive, Ohms: 22, Stated: true}}
	if diff := cmp.Diff(want, r12.Paths()); diff != "" {
		t.Errorf("R12 (-want +got):\n%s", diff)
	}
	d2 := &b.Parts[part(t, b, "D2")]
	// A TVS conducts from ground, its terminal 2, to the line.
	if diff := cmp.Diff([]Path{{From: 1, To: 0, Element: Junction}}, d2.Paths()); diff != "" {
		t.Errorf("D2 (-want +got):\n%s", diff)
	}
	u5 := &b.Parts[part(t, b, "U5")]
	// Ground to supply; ground to and supply from each of four lines.
	if n := len(u5.Paths()); n != 9 {
		t.Errorf("U5 has %d paths, want 9", n)
	}
	c40 := &b.Parts[part(t, b, "C40")]
	if c40.Value != 15e-12 || c40.Role != RoleFilter || c40.Access != Underfill {
		t.Errorf("C40 is %g F, %s, %s", c40.Value, c40.Role, c40.Access)
	}
	if vtp := &b.Nets[net(t, b, "VTP_1V8")]; !vtp.Rail || vtp.RailVolts != 1.8 {
		t.Errorf("VTP_1V8 is a rail %v of %g V", vtp.Rail, vtp.RailVolts)
	}
}

// Every key that the shape takes changes the board, and the fixture holds every
// key: shape and decoder cannot drift apart.
func TestEveryKey(t *testing.T) {
	const path = "testdata/every_key.yaml"
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	whole := load(t, path)
	same := cmp.Options{
		cmpopts.EquateNaNs(),
		cmpopts.IgnoreTypes(document.Position{}, index{}, document.Problems{}),
		cmpopts.IgnoreUnexported(Board{}),
		cmpopts.IgnoreFields(Board{}, "File"),
	}
	used := map[string]bool{}
	var walk func(s *document.Shape, place []string, prefix string)
	// cut removes the node at a place, by keys, from a fresh tree.
	cut := func(place []string) string {
		var root yaml.Node
		if err := yaml.Unmarshal(text, &root); err != nil {
			t.Fatal(err)
		}
		n := root.Content[0]
		for depth, key := range place {
			i := 0
			for i < len(n.Content) && n.Content[i].Value != key {
				i += 2
			}
			if i >= len(n.Content) {
				return ""
			}
			if depth == len(place)-1 {
				n.Content = slices.Delete(n.Content, i, i+2)
				break
			}
			n = n.Content[i+1]
		}
		out, err := yaml.Marshal(&root)
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	names := map[string][]string{"connectors": {"J1"}, "nets": {"L1", "VLED"}, "parts": {"R1", "D1", "Q1", "U1"}}
	walk = func(s *document.Shape, place []string, prefix string) {
		for _, f := range s.Fields {
			here := append(slices.Clone(place), f.Name)
			key := prefix + f.Name
			if _, ok := used[key]; !ok {
				used[key] = false
			}
			if without := cut(here); without != "" {
				b, err := Parse(strings.NewReader(without), path)
				if err != nil || !cmp.Equal(whole, b, same) {
					used[key] = true
				}
			}
			if f.Shape.Value != nil && f.Shape.Value.Fields != nil {
				for _, name := range names[f.Name] {
					walk(f.Shape.Value, append(slices.Clone(here), name), f.Name+".")
				}
			}
		}
	}
	walk(BoardShape(), nil, "")
	if len(used) < 28 {
		t.Errorf("the walk found only %d keys", len(used))
	}
	for key, ok := range used {
		if !ok {
			t.Errorf("the key %s is in the shape but the board is the same without it", key)
		}
	}
}

func TestSchema(t *testing.T) {
	golden(t, "testdata/board.schema.golden", string(BoardShape().Schema("halfsplit board")))
}

func TestPoints(t *testing.T) {
	for _, path := range []string{"testdata/kestrel.yaml", "testdata/messy.yaml"} {
		b := load(t, path)
		for _, name := range b.Points() {
			p, err := b.Point(name)
			if err != nil {
				t.Errorf("%s: %v", path, err)
				continue
			}
			// A net may share its name with a pin on it: then the pin is meant.
			if got := b.PointName(p); got != name {
				t.Errorf("%s: %s is written back as %s", path, name, got)
			}
			made := p
			switch p.Kind {
			case PointTerminal:
				made = b.TerminalPoint(p.Terminal)
			case PointPin:
				made = b.PinPoint(p.Pin)
			case PointNet:
				made = NetPoint(p.Net)
			}
			if made != p {
				t.Errorf("%s: %s is %+v by its name and %+v by its number", path, name, p, made)
			}
		}
	}

	messy := load(t, "testdata/messy.yaml")
	tests := []struct {
		text string
		kind PointKind
		net  string
	}{
		{"R1.2", PointTerminal, "DP_U"},
		{"R1.1", PointPad, "USB2.0_D+"}, // the pad lies on the net of the terminal of that name
		{"TP.1", PointPad, "USB2.0_D+"},
		{"USB2.0_D+", PointNet, "USB2.0_D+"},
		{"U1.A.5", PointTerminal, "DP_W"},
		{"J1.4", PointPin, "VBUS"},
		{"J2.2", PointPin, "/RST~"},
		{"/RST~", PointNet, "/RST~"},
		{"J1.6", PointPin, ""},
		{"Ø_TEMP", PointNet, "Ø_TEMP"},
	}
	for _, test := range tests {
		p, err := messy.Point(test.text)
		if err != nil {
			t.Errorf("Point(%q): %v", test.text, err)
			continue
		}
		name := ""
		if p.Net != None {
			name = messy.Nets[p.Net].Name
		}
		if p.Kind != test.kind || name != test.net {
			t.Errorf("Point(%q) is of kind %d on %q, want %d on %q", test.text, p.Kind, name, test.kind, test.net)
		}
	}
}

func TestPointsRefuse(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	tests := []struct{ text, want string }{
		{"R12", "`R12` is a part; name one of its terminals: R12.1, R12.2"},
		{"J7", "`J7` is a connector; name one of its pins: J7.1, J7.2, J7.3, J7.4, J7.5, J7.6"},
		{"R12.3", "R12 has no terminal `3`; it has 1, 2"},
		{"U5.B22", "U5 has no terminal `B22`; did you mean `B2`?"},
		{"J7.9", "J7 has no pin `9`; it has 1, 2, 3, 4, 5, 6"},
		{"R22.1", "`R22.1` is not a point of this board; did you mean `R12.1`?"},
		{"tp14", "`tp14` is not a point of this board; did you mean `TP14`?"},
		{"", "`` is not a point of this board; write a terminal as R12.1, a connector pin as J7.2, or the name of a net or test point"},
		{"\x1b[2J.....", "`\\u001b[2J.....` is not a point of this board; write a terminal as R12.1, a connector pin as J7.2, or the name of a net or test point"},
	}
	for _, test := range tests {
		if _, err := b.Point(test.text); err == nil || err.Error() != test.want {
			t.Errorf("Point(%q): %v, want %s", test.text, err, test.want)
		}
	}
	for _, err := range []error{second(b.PartByName("R13x")), second(b.NetByName("TP_IMT")), second(b.ConnectorByName("J8"))} {
		if err == nil || !strings.Contains(err.Error(), "; did you mean `") {
			t.Errorf("error %v does not suggest a name", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestNeighbours(t *testing.T) {
	row := func(n int, skip ...int) string {
		var pins []string
		for i := 1; i <= n; i++ {
			if !slices.Contains(skip, i) {
				pins = append(pins, fmt.Sprintf("%d: N%d", i, i))
			}
		}
		return "{" + strings.Join(pins, ", ") + "}"
	}
	tests := []struct {
		name, connector string
		pin             string
		want            []string
	}{
		{"one row", "pins: " + row(6), "3", []string{"2", "4"}},
		{"one row, end", "pins: " + row(6), "1", []string{"2"}},
		{"one row, gap", "pins: " + row(6, 2), "3", []string{"4"}},
		{"alternate", "rows: 2, pins: " + row(6), "3", []string{"1", "5"}},
		{"alternate, end", "rows: 2, pins: " + row(6), "6", []string{"4"}},
		{"around", "rows: 2, numbering: around, pins: " + row(6), "2", []string{"1", "3"}},
		{"around, end of the row", "rows: 2, numbering: around, pins: " + row(6), "3", []string{"2"}},
		{"around, second row", "rows: 2, numbering: around, pins: " + row(6), "4", []string{"5"}},
		{"around, odd", "rows: 2, numbering: around, pins: " + row(7), "4", []string{"3"}},
		{"letters", "pins: {A1: N1, A2: N2, B1: N3}", "A2", []string{"A1", "B1"}},
		{"list", "pins: [N1, N2, ~, N4]", "4", []string{"3"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			b, err := Parse(strings.NewReader("board: X\nground: N1\nconnectors: {J1: {"+test.connector+"}}\n"), "x.yaml")
			if err != nil {
				t.Fatal(err)
			}
			p, err := b.Point("J1." + test.pin)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, n := range b.Neighbours(p.Pin) {
				got = append(got, b.Connectors[n.Connector].Pins[n.Pin].Name)
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Errorf("neighbours of %s (-want +got):\n%s", test.pin, diff)
			}
		})
	}
}

// firstExample is the first way of writing terminals in a kind's row.
var firstExample = regexp.MustCompile(`^(\[[^]]*\]|\{[^}]*\})`)

// Kinds and Paths hold together: every kind has a name, a part with the terminals that
// its row shows is read and conducts somehow, unless nobody knows how, and paths stay
// within the part's terminals for any number of them.
func TestKinds(t *testing.T) {
	for k := NoKind + 1; int(k) < len(kinds); k++ {
		text := fmt.Sprintf("board: x\nground: GND\nconnectors: {J1: {pins: {1: GND}}}\nparts: {P: {kind: %s, pins: %s}}\n", k, firstExample.FindString(kinds[k].terminals))
		b, err := Parse(strings.NewReader(text), "x.yaml")
		if err != nil {
			t.Errorf("%s: %v in\n%s", k, err, text)
			continue
		}
		if p := &b.Parts[0]; len(p.Paths()) == 0 && k != Unknown || p.Role == NoRole {
			t.Errorf("%s: %d paths, role %q", k, len(p.Paths()), p.Role)
		}
	}
	if len(KindNames()) != int(Unknown) {
		t.Errorf("%d names of %d kinds", len(KindNames()), Unknown)
	}
	for _, name := range KindNames() {
		k, ok := ParseKind(name)
		if !ok || k.String() != name {
			t.Errorf("ParseKind(%q) = %v, %v", name, k, ok)
		}
		for n := range 6 {
			p := Part{Kind: k, Value: unknown(), DCOhms: unknown()}
			for i := range n {
				p.Terminals = append(p.Terminals, Terminal{fmt.Sprint(i + 1), NetID(i)})
			}
			for _, w := range p.Paths() {
				if w.From < 0 || w.To < 0 || int(w.From) >= n || int(w.To) >= n || w.From == w.To {
					t.Errorf("%s of %d terminals: path %v", name, n, w)
				}
				if w.Element == Resistive && !(w.Ohms > 0) {
					t.Errorf("%s: resistive path of %g ohm", name, w.Ohms)
				}
			}
		}
	}
}

func FuzzBoard(f *testing.F) {
	for _, path := range []string{"testdata/kestrel.yaml", "testdata/messy.yaml", "testdata/every_key.yaml", "testdata/broken/many_at_once.yaml", "testdata/broken/filter_half.yaml"} {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 1<<14 {
			return
		}
		b, err := Parse(strings.NewReader(string(text)), "x.yaml")
		if err != nil {
			problems, ok := err.(document.Problems)
			if !ok || len(problems) == 0 {
				t.Fatalf("error %T %v", err, err)
			}
			for _, p := range problems {
				if p.What == "" || p.Do == "" || strings.ContainsFunc(p.Error(), func(r rune) bool { return r < ' ' || r == 0x202e }) {
					t.Errorf("problem %q", p.Error())
				}
			}
			return
		}
		for _, name := range b.Points() {
			p, err := b.Point(name)
			if err != nil {
				t.Errorf("Point(%q): %v", name, err)
			} else if b.PointName(p) != name {
				t.Errorf("%q is written back as %q", name, b.PointName(p))
			}
		}
		g, err := b.Graph()
		if err != nil {
			t.Fatal(err)
		}
		for _, stop := range []Stop{AtGround, AtRails} {
			for n := range b.Nets {
				g.Line(NetID(n), stop)
				g.Tree(NetID(n), stop)
				b.Capacitance(NetID(n), Edits{})
			}
		}
		for i := range b.Connectors {
			for p := range b.Connectors[i].Pins {
				b.Neighbours(PinRef{ConnectorID(i), int32(p)})
			}
		}
	})
}

// TestNetByCase: a net in small letters that joins nothing is a misspelling of the one in
// capitals, which most contacts are on.
func TestNetByCase(t *testing.T) {
	b, err := Parse(strings.NewReader(`board: K
connectors: {J1: {pins: {1: GND, 2: KEY, 3: GND}}}
parts:
  R1: {kind: resistor, value: 1K, pins: [KEY, gnd]}
  C1: {kind: capacitor, value: 1n, pins: [KEY, Key]}
  C2: {kind: capacitor, value: 1n, pins: [KEY, AWAY]}
`), "b.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range b.Warnings() {
		got = append(got, w.Error())
	}
	want := []string{
		"b.yaml:4:47: the net `gnd` joins nothing but R1.2; did you mean `GND`? Capital and small letters differ",
		"b.yaml:5:48: the net `Key` joins nothing but C1.2; did you mean `KEY`? Capital and small letters differ",
		"b.yaml:6:48: the net `AWAY` joins nothing but C2.2; check its spelling, or write NC",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("Warnings (-want +got):\n%s", diff)
	}
}
