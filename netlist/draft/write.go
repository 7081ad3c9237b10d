package draft

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
	line("board: %s", document.Scalar(board))
	if d.Revision != "" {
		line("revision: %s", document.Scalar(d.Revision))
	}
	var guess []string
	if !d.groundSure {
		guess = []string{"no net is called like ground: the one with the most pins"}
	}
	marked("ground: "+document.Scalar(d.Ground), guess)

	if d.Layout != "" {
		line("layout: %s", document.Scalar(d.Layout))
	}

	used := make(map[string]bool)
	for _, section := range []struct {
		head string
		sort Sort
	}{{"connectors", IsConnector}, {"parts", IsPart}} {
		head := "\n" + section.head + ":\n"
		for i := range d.Parts {
			if p := &d.Parts[i]; p.Sort == section.sort && len(p.Pins) > 0 {
				marked(head+"  "+document.Scalar(p.Name)+": "+p.entry(used), p.guesses())
				head = ""
			}
		}
	}
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
		line("%s  %s: %s", head, document.Scalar(name), document.Scalar(net))
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
			marked("  "+document.Scalar(net)+":", []string{apart})
			continue
		}
		volts := "yes"
		if !math.IsNaN(r.Volts) {
			volts = quantity.Format(r.Volts, quantity.Volt)
		}
		marked(fmt.Sprintf("  %s: {rail: %s}", document.Scalar(net), volts), []string{r.Why})
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

// entry is a part as the value of its name, and notes the nets that it uses.
func (p *Part) entry(used map[string]bool) string {
	var f, pins document.Flow
	if p.Sort == IsPart {
		f.Add("kind", p.Kind.String())
		f.Add("value", document.Optional(p.Value))
	}
	f.Add("title", document.Optional(p.Title))
	if p.Sort == IsPart {
		f.Add("place", document.Optional(p.Place))
		f.Add("direction", p.Direction.String())
		f.Add("channel", p.Channel.String())
	}
	for _, pin := range p.Pins {
		used[pin.Net] = true
		net := "NC"
		if pin.Net != "" {
			net = document.Scalar(pin.Net)
		}
		pins.Add(document.Scalar(pin.Name), net)
	}
	f.Add("pins", pins.String())
	return f.String()
}

// oneLine makes foreign text safe in a comment.
func oneLine(text string) string {
	return document.PrintableWords(strings.Join(strings.Fields(text), " "))
}
