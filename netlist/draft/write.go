package draft

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Text writes the draft as a board file. Its error are the problems that `check`
// would find, where something in the source cannot be part of a board file.
func (d *Draft) Text() (string, error) {
	text := d.write()
	if _, err := netlist.Parse(strings.NewReader(text), "draft"); err != nil {
		return "", err
	}
	return text, nil
}

// mark begins the comment on a line that holds a guess.
const mark = "# ?"

func (d *Draft) write() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	marked := func(text string, guesses []string) {
		if len(guesses) > 0 {
			text += "   " + mark + " " + oneLine(strings.Join(guesses, "; "))
		}
		line("%s", text)
	}
	line("# A draft made by halfsplit. What is marked " + mark + " is a guess: check it, and remove the")
	line("# mark. Drafting again replaces only what is marked.")
	board := d.Board
	if board == "" {
		board = "unnamed"
	}
	line("board: %s", scalar(board))
	if d.Revision != "" {
		line("revision: %s", scalar(d.Revision))
	}
	var guess []string
	if !d.groundSure {
		guess = []string{"no net is called like ground: the one with the most pins"}
	}
	marked("ground: "+scalar(d.Ground), guess)

	if d.Layout != "" {
		line("layout: %s", scalar(d.Layout))
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
		for _, pin := range p.Pins {
			used[pin.Net] = true
		}
		marked(fmt.Sprintf("  %s: {%spins: %s}", scalar(p.Name), title, pinsText(p.Pins)), p.guesses())
	})
	section(IsPart, "parts", func(p *Part) {
		fields := "kind: " + p.Kind.String() + ", "
		add := func(key, text string) {
			if text != "" {
				fields += key + ": " + scalar(text) + ", "
			}
		}
		add("value", p.Value)
		add("title", p.Title)
		add("place", p.Place)
		add("direction", p.Direction.String())
		add("channel", p.Channel.String())
		for _, pin := range p.Pins {
			used[pin.Net] = true
		}
		marked(fmt.Sprintf("  %s: {%spins: %s}", scalar(p.Name), fields, pinsText(p.Pins)), p.guesses())
	})
	taken, parts := make(map[string]bool), make(map[string]bool)
	for i := range d.Parts {
		parts[d.Parts[i].Name] = true
	}
	head := "\ntest_points:\n"
	for i := range d.Parts {
		p := &d.Parts[i]
		if p.Sort != IsTestPoint || !used[p.Pins[0].Net] {
			continue
		}
		net, name := p.Pins[0].Net, p.Name
		// A pad may not have the name of a net that it is not on, nor that of a pin.
		for used[name] && name != net || taken[name] || parts[name[:max(strings.LastIndexByte(name, '.'), 0)]] {
			name = "TP_" + strings.ReplaceAll(name, ".", "_")
		}
		taken[name] = true
		line("%s  %s: %s", head, scalar(name), scalar(net))
		head = ""
	}
	var nets []string
	for net := range d.Rails {
		if used[net] {
			nets = append(nets, net)
		}
	}
	for net, is := range d.apart {
		if used[net] && is {
			nets = append(nets, net)
		}
	}
	slices.Sort(nets)
	if len(nets) > 0 {
		line("\nnets:")
	}
	for _, net := range nets {
		r, supply := d.Rails[net]
		if !supply {
			marked("  "+scalar(net)+":", []string{apart})
			continue
		}
		volts := "yes"
		if !math.IsNaN(r.Volts) {
			volts = quantity.Format(r.Volts, quantity.Volt)
		}
		marked(fmt.Sprintf("  %s: {rail: %s}", scalar(net), volts), []string{r.Why})
	}
	return b.String()
}

func (p *Part) guesses() []string {
	var list []string
	for _, g := range p.Guesses {
		list = append(list, g.What)
	}
	return list
}

func pinsText(list []Pin) string {
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

// oneLine makes foreign text safe in a comment.
func oneLine(text string) string {
	return document.PrintableWords(strings.Join(strings.Fields(text), " "))
}

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
