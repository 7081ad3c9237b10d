// Package draft makes the beginning of a board file from what a design program or
// a spreadsheet holds: a table of pins, or a netlist export of KiCad.
//
// ReadKiCad and ReadTable read all there is; Around keeps what lies within some
// steps of the connectors that matter; Write writes a board file. Whatever was
// guessed, or could not be known, is marked `# ?` for the person who goes on
// with it: the kind of a part is guessed from the letters of its name, rails and
// ground from the names of nets.
package draft

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Draft is the parts and pins of a board, by name.
type Draft struct {
	Board    string
	Revision string
	Ground   string // empty where no net looks like ground
	Parts    []Part // in the order of the source
	LeftOut  int    // pins of ICs beyond the surroundings that Around kept
}

// Part is a part, connector or test point.
type Part struct {
	Name  string
	Kind  netlist.Kind // NoKind for connectors and test points
	Sort  Sort
	Value string // as the source writes it
	Title string
	Pins  []Pin
	// Guessed tells what about the part is not sure; empty where all is.
	Guessed string
	At      document.Position // in the source
}

// Sort tells parts from connectors and test points.
type Sort uint8

// Sorts of things on a board.
const (
	IsPart Sort = iota
	IsConnector
	IsTestPoint
)

// Pin is a pin with its net; the net is empty where the pin not connected (NC).
type Pin struct {
	Name     string
	Function string // what the symbol calls it, such as A, K, VDD; may be empty
	Net      string
}

// prefixes are the letters that names of parts begin with, longest first: class
// letters of IEEE 315 and what board makers commonly write (common practice).
var prefixes = []struct {
	letters string
	sort    Sort
	kind    netlist.Kind
}{
	{"CONN", IsConnector, netlist.NoKind}, {"CON", IsConnector, netlist.NoKind}, {"CN", IsConnector, netlist.NoKind},
	{"XTAL", IsPart, netlist.Crystal}, {"ESD", IsPart, netlist.TVS}, {"TVS", IsPart, netlist.TVS},
	{"CMC", IsPart, netlist.Choke}, {"JP", IsPart, netlist.Link}, {"TP", IsTestPoint, netlist.NoKind},
	{"FB", IsPart, netlist.Bead}, {"FL", IsPart, netlist.Filter}, {"SW", IsPart, netlist.Switch}, {"IC", IsPart, netlist.IC},
	{"MOD", IsPart, netlist.Module}, {"VD", IsPart, netlist.TVS}, {"ZD", IsPart, netlist.Diode},
	{"R", IsPart, netlist.Resistor}, {"C", IsPart, netlist.Capacitor}, {"L", IsPart, netlist.Inductor}, {"F", IsPart, netlist.Fuse},
	{"D", IsPart, netlist.Diode}, {"Q", IsPart, netlist.Transistor}, {"Y", IsPart, netlist.Crystal}, {"X", IsPart, netlist.Crystal},
	{"U", IsPart, netlist.IC}, {"S", IsPart, netlist.Switch}, {"J", IsConnector, netlist.NoKind}, {"P", IsConnector, netlist.NoKind},
	{"T", IsPart, netlist.Transistor}, {"W", IsPart, netlist.Link}, {"M", IsPart, netlist.Module},
}

// words in a value or library name that tell a kind better than letters do.
var words = []struct {
	pattern *regexp.Regexp
	kind    netlist.Kind
}{
	{regexp.MustCompile(`(?i)ferrite|bead`), netlist.Bead},
	{regexp.MustCompile(`(?i)common.?mode|choke`), netlist.Choke},
	{regexp.MustCompile(`(?i)esd|tvs|varistor|suppress|clamp`), netlist.TVS},
	{regexp.MustCompile(`(?i)^(link|jumper|net.?tie)`), netlist.Link},
}

// sortOf guesses what a thing is from its name, and from hint, the words that the
// source has for it: a kind of the board file itself, or a library name.
func sortOf(name, hint string) (Sort, netlist.Kind, string) {
	if kind, ok := netlist.ParseKind(strings.ToLower(strings.TrimSpace(hint))); ok {
		return IsPart, kind, ""
	}
	switch strings.ToLower(hint) {
	case "connector":
		return IsConnector, netlist.NoKind, ""
	case "test point", "testpoint", "test_point":
		return IsTestPoint, netlist.NoKind, ""
	}
	letters := strings.ToUpper(strings.TrimRight(name, "0123456789"))
	for _, p := range prefixes {
		if !strings.HasPrefix(letters, p.letters) {
			continue
		}
		kind := p.kind
		if p.sort == IsPart {
			for _, w := range words {
				if w.pattern.MatchString(hint) {
					kind = w.kind
				}
			}
		}
		guess := ""
		if letters != p.letters {
			guess = "kind guessed from its name"
		}
		return p.sort, kind, guess
	}
	return IsPart, netlist.Module, "kind unknown"
}

var (
	groundName = regexp.MustCompile(`(?i)^(d|a|p|s)?gnd(_?[a-z0-9]{0,3})?$|^vss$|^0$|^ground$`)
	// railName finds supplies by their usual names: +3V3, VCC_1V8, VBAT, 5V.
	railName  = regexp.MustCompile(`(?i)^\+|^v(cc|dd|bat|bus|in|sys|out|led|ref|lcd|tp|ana|io|pp|ee)([_0-9.].*)?$|^[0-9]+v[0-9]*(_.*)?$|^[vp_]*[0-9]+v[0-9]+(_.*)?$`)
	railVolts = regexp.MustCompile(`(?i)(^|[_+vp])([0-9]{1,2})v([0-9]{0,2})(_|$)`)
)

// ground guesses the ground net: of the nets called like one, that with the most
// pins.
func (d *Draft) ground() string {
	count := make(map[string]int)
	for _, p := range d.Parts {
		for _, pin := range p.Pins {
			if groundName.MatchString(pin.Net) {
				count[pin.Net]++
			}
		}
	}
	var names []string
	for name := range count {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		return cmp.Or(count[b]-count[a], strings.Compare(a, b))
	})
	if len(names) == 0 {
		return ""
	}
	return names[0]
}

// SetGround says which net is ground, where its name does not.
func (d *Draft) SetGround(net string) error {
	var nets []string
	for _, p := range d.Parts {
		for _, pin := range p.Pins {
			if pin.Net == net {
				d.Ground = net
				return nil
			}
			nets = append(nets, pin.Net)
		}
	}
	return fmt.Errorf("there is no net %s; %s", document.Quote(net), document.Suggest(net, nets, "name the net that is ground, as the source writes it"))
}

// settle makes what was read fit for a board file: white space in titles and values
// becomes single spaces, and names that hold what does not show are problems.
func (d *Draft) settle(problems *document.Problems) {
	d.Board, d.Revision = shown(d.Board), shown(d.Revision)
	for i := range d.Parts {
		p := &d.Parts[i]
		p.Title, p.Value = shown(p.Title), shown(p.Value)
		names := []string{p.Name}
		for _, pin := range p.Pins {
			names = append(names, pin.Name, pin.Net)
		}
		for _, name := range names {
			if r, hidden := document.Hidden(name); hidden {
				problems.Add(p.At, fmt.Sprintf("the name %s at %s holds the character U+%04X, which does not show", document.Quote(name), document.Quote(p.Name), r), "rename it; names that look alike must be alike")
				break
			}
		}
	}
}

// shown is a text without the characters that do not show.
func shown(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	return strings.Map(func(r rune) rune {
		if _, hidden := document.Hidden(string(r)); hidden {
			return -1
		}
		return r
	}, text)
}

// rail tells whether a net is called like a supply, and its voltage in volts, NaN
// where the name does not say.
func rail(net string) (bool, float64) {
	if !railName.MatchString(net) {
		return false, math.NaN()
	}
	m := railVolts.FindStringSubmatch(net)
	if m == nil {
		return true, math.NaN()
	}
	volts, err := strconv.ParseFloat(m[2]+"."+m[3]+"0", 64)
	if err != nil || volts == 0 {
		return true, math.NaN()
	}
	return true, volts
}

// Around keeps what can be reached from connectors within so many parts, not
// going through ground, nor on from a rail that is not itself on the connector
// (what hangs on such a rail alone is left out), nor through an IC, module or
// crystal; those are kept with the pins that matter: on nets reached, on rails
// and on ground. 0 hops means no limit, and no connectors mean all of them.
func (d *Draft) Around(connectors []string, hops int) (*Draft, error) {
	start := make(map[string]bool)
	var all []string
	for _, p := range d.Parts {
		if p.Sort == IsConnector {
			all = append(all, p.Name)
			start[p.Name] = len(connectors) == 0
		}
	}
	for _, name := range connectors {
		if _, ok := start[name]; !ok {
			return nil, fmt.Errorf("there is not a connector %s; %s", document.Quote(name), document.Suggest(name, all, "the connectors are "+strings.Join(all, ", ")))
		}
		start[name] = true
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s has no connector; call one J1 or CN1, or say its kind", document.Quote(d.Board))
	}
	byNet := make(map[string][]int)
	for i, p := range d.Parts {
		for _, pin := range p.Pins {
			if pin.Net != "" {
				byNet[pin.Net] = append(byNet[pin.Net], i)
			}
		}
	}
	reached := make(map[string]bool)
	var ring []string
	reach := func(net string) {
		if net != "" && net != d.Ground && !reached[net] {
			reached[net] = true
			ring = append(ring, net)
		}
	}
	for _, p := range d.Parts {
		if start[p.Name] {
			for _, pin := range p.Pins {
				reach(pin.Net)
			}
		}
	}
	first := len(ring)
	for i, hop := 0, 1; i < len(ring) && (hops == 0 || hop <= hops); hop++ {
		for end := len(ring); i < end; i++ {
			if is, _ := rail(ring[i]); is && i >= first {
				continue // supplies lead everywhere
			}
			for _, k := range byNet[ring[i]] {
				p := &d.Parts[k]
				if p.Sort != IsPart || p.Kind == netlist.IC || p.Kind == netlist.Module || p.Kind == netlist.Crystal {
					continue
				}
				for _, pin := range p.Pins {
					reach(pin.Net)
				}
			}
		}
	}
	for _, net := range ring[first:] {
		if is, _ := rail(net); is {
			delete(reached, net) // of the last ring
		}
	}
	if hops == 0 && len(connectors) == 0 {
		whole := *d
		return &whole, nil
	}
	out := &Draft{Board: d.Board, Revision: d.Revision, Ground: d.Ground}
	for _, p := range d.Parts {
		touches := false
		for _, pin := range p.Pins {
			touches = touches || reached[pin.Net]
		}
		switch {
		case p.Sort == IsConnector && !start[p.Name], !touches:
			continue
		case p.Sort == IsPart && (p.Kind == netlist.IC || p.Kind == netlist.Module):
			var kept []Pin
			signal := false
			for _, pin := range p.Pins {
				is, _ := rail(pin.Net)
				if reached[pin.Net] || is || pin.Net == d.Ground {
					kept = append(kept, pin)
					signal = signal || reached[pin.Net]
				} else {
					out.LeftOut++
				}
			}
			if !signal {
				continue
			}
			p.Pins = kept
		}
		out.Parts = append(out.Parts, p)
	}
	return out, nil
}

// Write writes the draft as a board file.
func (d *Draft) Write(w io.Writer) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# A draft made by halfsplit. Lines marked # ? hold a guess or lack a value:")
	line("# check them, then run `halfsplit check` on this file.")
	if d.LeftOut > 0 {
		line("# %d pins of ICs that lie beyond the surroundings of the connectors are left out.", d.LeftOut)
	}
	board := d.Board
	if board == "" {
		board = "unnamed"
	}
	line("board: %s", scalar(board))
	if d.Revision != "" {
		line("revision: %s", scalar(d.Revision))
	}
	ground := d.Ground
	if ground == "" {
		line("ground: GND # ? no net is called like ground")
	} else {
		line("ground: %s", scalar(ground))
	}
	pins := func(list []Pin) string {
		fields := make([]string, len(list))
		for i, p := range list {
			net := "NC"
			if p.Net != "" {
				net = scalar(p.Net)
			}
			fields[i] = scalar(p.Name) + ": " + net
		}
		return "{" + strings.Join(fields, ", ") + "}"
	}
	used := make(map[string]bool)
	section := func(sort Sort, head string, write func(p *Part)) {
		begun := false
		for i := range d.Parts {
			if p := &d.Parts[i]; p.Sort == sort && len(p.Pins) > 0 {
				if !begun {
					line("\n%s:", head)
					begun = true
				}
				write(p)
			}
		}
	}
	section(IsConnector, "connectors", func(p *Part) {
		title := ""
		if p.Title != "" {
			title = "title: " + scalar(p.Title) + ", "
		}
		line("  %s: {%spins: %s}", scalar(p.Name), title, pins(p.Pins))
		for _, pin := range p.Pins {
			used[pin.Net] = true
		}
	})
	section(IsPart, "parts", func(p *Part) {
		for _, pin := range p.Pins {
			used[pin.Net] = true
		}
		value, doubt := p.value()
		list := pins(p.terminals(d.Ground, &doubt))
		if p.Title != "" {
			value += "title: " + scalar(p.Title) + ", "
		}
		if p.Guessed != "" {
			doubt = append(doubt, p.Guessed)
		}
		mark := ""
		if len(doubt) > 0 {
			mark = "   # ? " + strings.Join(doubt, "; ")
		}
		line("  %s: {kind: %s, %spins: %s}%s", scalar(p.Name), p.Kind, value, list, mark)
	})
	section(IsTestPoint, "test_points", func(p *Part) {
		if net := p.Pins[0].Net; net != "" && used[net] {
			line("  %s: %s", scalar(p.Name), scalar(net))
		} else {
			line("  # %s is on no net of this draft", oneLine(p.Name))
		}
	})
	var nets []string
	for net := range used {
		if is, _ := rail(net); is && net != d.Ground {
			nets = append(nets, net)
		}
	}
	slices.Sort(nets)
	if len(nets) > 0 {
		line("\nnets:")
		for _, net := range nets {
			_, volts := rail(net)
			if math.IsNaN(volts) {
				line("  %s: {rail: yes}   # ? voltage unknown", scalar(net))
			} else {
				line("  %s: {rail: %s}   # ? by its name", scalar(net), quantity.Format(volts, quantity.Volt))
			}
		}
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("writing the draft: %w", err)
	}
	return nil
}

var decimalComma = regexp.MustCompile(`([0-9]),([0-9])`)

// value writes the value of a part, where it can be one, and says what is
// doubtful about it.
func (p *Part) value() (field string, doubt []string) {
	unit := p.Kind.Unit()
	switch {
	case unit == quantity.None && p.Value != "":
		return "value: " + scalar(p.Value) + ", ", nil
	case p.Value == "" || p.Value == "~":
		if p.Kind == netlist.Resistor {
			return "", []string{"value unknown"}
		}
		return "", nil
	}
	// Some write a comma before the decimals, and makers write more behind the
	// value: "4,7k", "100n 16V X5R", "22R/1%".
	pointed := decimalComma.ReplaceAllString(p.Value, "$1.$2")
	first := strings.FieldsFunc(pointed, func(r rune) bool { return strings.ContainsRune(" /,;_", r) })
	for _, text := range append([]string{p.Value, pointed}, first[:min(len(first), 1)]...) {
		for _, u := range []quantity.Unit{unit, quantity.Ohm, quantity.Henry} {
			if u != unit && !(p.Kind == netlist.Inductor && u == quantity.Ohm || p.Kind == netlist.Choke && u == quantity.Henry || p.Kind == netlist.Fuse && u == quantity.Ohm) {
				continue
			}
			if _, err := quantity.Parse(text, u); err == nil {
				if text != p.Value {
					doubt = []string{"from " + oneLine(p.Value)}
				}
				return "value: " + scalar(text) + ", ", doubt
			}
		}
	}
	return "", []string{"value unknown, the source has " + oneLine(p.Value)}
}

// terminals names the pins as the kind of part wants them.
func (p *Part) terminals(ground string, doubt *[]string) []Pin {
	list := slices.Clone(p.Pins)
	named := func(name func(i int, pin Pin) string) []Pin {
		for i := range list {
			list[i].Name = name(i, p.Pins[i])
		}
		return list
	}
	function := func(names ...string) bool {
		for _, pin := range p.Pins {
			f := strings.ToLower(pin.Function)
			if !slices.Contains(names, strings.TrimRight(f, "0123456789")) {
				return false
			}
		}
		return true
	}
	byFunction := func() []Pin {
		return named(func(_ int, pin Pin) string { return strings.ToLower(pin.Function) })
	}
	numbered := func() []Pin { return named(func(i int, _ Pin) string { return strconv.Itoa(i + 1) }) }
	switch p.Kind {
	case netlist.Filter:
		switch {
		case function("in", "out", "gnd"):
			return byFunction()
		case len(list) == 3:
			*doubt = append(*doubt, "which pin is in and which is out")
			sides := []string{"in", "out"}
			return named(func(_ int, pin Pin) string {
				if pin.Net == ground || len(sides) == 0 {
					return "gnd"
				}
				side := sides[0]
				sides = sides[1:]
				return side
			})
		}
	case netlist.Transistor:
		if function("g", "d", "s") || function("b", "c", "e") {
			return byFunction()
		}
		if len(list) == 3 {
			*doubt = append(*doubt, "which pin is which: taken for gate, source, drain")
			return named(func(i int, _ Pin) string { return []string{"g", "s", "d"}[i] })
		}
	case netlist.Diode:
		if function("a", "k") {
			return byFunction()
		}
		if len(list) == 2 {
			// Symbols of design programs number the cathode 1 (from memory).
			*doubt = append(*doubt, "which end is the cathode: taken for pin 1")
			return named(func(i int, _ Pin) string { return []string{"k", "a"}[i] })
		}
	case netlist.Resistor, netlist.Capacitor, netlist.Inductor, netlist.Bead, netlist.Fuse, netlist.Link, netlist.Switch, netlist.Choke:
		for i := range list {
			if n, err := strconv.Atoi(list[i].Name); err != nil || n < 1 || n > len(list) {
				return numbered()
			}
		}
		return list
	case netlist.TVS:
		if ground != "" && len(list) == 2 && list[0].Net == ground {
			slices.Reverse(list) // written line first
		}
		return list
	default:
		return list
	}
	*doubt = append(*doubt, "does not have the pins of its kind")
	return list
}

// oneLine makes foreign text safe in a comment.
func oneLine(text string) string { return document.Printable(strings.Join(strings.Fields(text), " ")) }

// scalar writes text as one YAML scalar that means the same inside braces.
func scalar(text string) string {
	plain := text != "" && !strings.EqualFold(text, "null")
	for i, r := range text {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		inner := i > 0 && i < len(text)-1 && strings.ContainsRune(" ._-+/%", r)
		plain = plain && (letter || inner || r == '_')
	}
	if plain {
		return text
	}
	out, err := yaml.Marshal(&yaml.Node{Kind: yaml.ScalarNode, Style: yaml.DoubleQuotedStyle, Value: text})
	if err != nil {
		return strconv.Quote(text) // JSON's escapes are YAML's as well
	}
	return strings.TrimSuffix(string(out), "\n")
}
