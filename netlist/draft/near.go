package draft

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// carries tells that a part of the kind carries a supply on to the next net.
func carries(k netlist.Kind) bool {
	switch k {
	case netlist.Inductor, netlist.Bead, netlist.Fuse, netlist.Link, netlist.Filter, netlist.Choke, netlist.Diode, netlist.Transistor:
		return true
	}
	return false
}

// channel keeps of nets those on which a transistor has no gate or base: what drives a
// load switch is a line of its own.
func (p *Part) channel(nets []string) []string {
	return slices.DeleteFunc(nets, func(n string) bool {
		return slices.ContainsFunc(p.Pins, func(pin Pin) bool {
			return pin.Net == n && (pin.Name[0] == 'g' || pin.Name[0] == 'b')
		})
	})
}

// mostSupplyPins is how many pins of an IC on one supply, or on ground, are kept: one
// open joint among two shows nothing, and no more does one among forty.
const mostSupplyPins = 2

// Near keeps what matters to connectors: their lines up to the first ICs, within so
// many parts, with what hangs on them; the supplies they touch; of each IC the pins
// on these nets, on its supplies and on ground. What hangs on a supply alone is kept
// where the supply is on a connector, and then without the pull-ups of other lines.
// What was cut off is in Draft.Cut. hops is at least 1.
func (d *Draft) Near(connectors []string, hops int) (*Draft, error) {
	start := make(map[string]bool)
	var all []string
	for i := range d.Parts {
		if d.Parts[i].Sort == IsConnector {
			all = append(all, d.Parts[i].Name)
		}
	}
	for _, name := range connectors {
		if !slices.Contains(all, name) {
			return nil, fmt.Errorf("there is not a connector %s; %s", document.Quote(name), document.Suggest(name, all, "run without --connector for a list of them"))
		}
		start[name] = true
	}
	byNet := make(map[string][]int)
	for i := range d.Parts {
		for _, n := range partNets(&d.Parts[i]) {
			byNet[n] = append(byNet[n], i)
		}
	}

	depth := make(map[string]int)    // of nets that the walk goes on from
	touched := make(map[string]bool) // supplies where it ends
	kept := make(map[int]int)        // parts, with their distance
	var queue []string
	reach := func(net string, at int) {
		if _, seen := depth[net]; !seen && net != "" && net != d.Ground {
			depth[net] = at
			queue = append(queue, net)
		}
	}
	keep := func(k, at int) {
		if old, ok := kept[k]; !ok || at < old {
			kept[k] = at
		}
	}
	for i := range d.Parts {
		if start[d.Parts[i].Name] {
			kept[i] = 0
			for _, n := range partNets(&d.Parts[i]) {
				reach(n, 0)
			}
		}
	}
	cut := make(map[string]bool) // nets at which the walk ended for the number of hops
	for i := 0; i < len(queue); i++ {
		net, at := queue[i], depth[queue[i]]
		_, supply := d.Rails[net]
		for _, k := range byNet[net] {
			p := &d.Parts[k]
			if p.Sort != IsPart {
				continue
			}
			others := slices.DeleteFunc(partNets(p), func(n string) bool { return n == net || n == d.Ground })
			switch {
			case !p.Kind.Passes() || len(others) == 0:
				keep(k, at+1)
			case at >= hops:
				cut[net] = true
			case supply && !carries(p.Kind):
				// The far end of a pull-up is a line of its own.
			default:
				keep(k, at+1)
				if supply && p.Kind == netlist.Transistor {
					others = p.channel(others)
				}
				for _, n := range others {
					if _, is := d.Rails[n]; is && !(supply && carries(p.Kind)) {
						touched[n] = true
					} else {
						reach(n, at+1)
					}
				}
			}
		}
	}
	for net := range depth {
		touched[net] = true
	}
	// What lies between nets that are kept belongs to them.
	for i := range d.Parts {
		p := &d.Parts[i]
		if _, ok := kept[i]; ok || p.Sort != IsPart || !p.Kind.Passes() {
			continue
		}
		inside, near := true, 0
		for _, n := range partNets(p) {
			at, ok := depth[n]
			inside = inside && (ok || n == d.Ground || touched[n] && p.Kind != netlist.Capacitor)
			near = max(near, at)
		}
		if inside && slices.ContainsFunc(partNets(p), func(n string) bool { _, ok := depth[n]; return ok }) {
			kept[i] = near + 1
		}
	}

	out := *d
	out.Parts, out.Cut = nil, nil
	out.LeftOut = slices.DeleteFunc(slices.Clone(d.LeftOut), func(l LeftOut) bool {
		return !slices.ContainsFunc(l.nets, func(n string) bool { _, ok := depth[n]; return ok })
	})
	pinsCut := 0
	for i := range d.Parts {
		p := d.Parts[i]
		at, ok := kept[i]
		if p.Sort == IsTestPoint && touched[p.Pins[0].Net] {
			at, ok = depth[p.Pins[0].Net], true
		}
		if !ok {
			continue
		}
		p.hops = at
		if p.Sort == IsPart && (p.Kind == netlist.IC || p.Kind == netlist.Module) && len(p.Pins) > 4 {
			var left int
			p.Pins, left = d.pinsThatMatter(p.Pins, touched)
			pinsCut += left
		}
		out.Parts = append(out.Parts, p)
	}
	if pinsCut > 0 {
		out.Cut = append(out.Cut, LeftOut{fmt.Sprintf("%d pins of ICs", pinsCut), "lie on other lines, or are further pins of a supply or of ground", nil})
	}
	for i := range d.Parts {
		p, name := &d.Parts[i], d.Parts[i].Name
		if p.Sort == IsConnector && !start[name] && slices.ContainsFunc(p.Pins, func(pin Pin) bool { _, ok := depth[pin.Net]; return ok }) {
			out.Cut = append(out.Cut, LeftOut{"connector " + name, "shares lines with what is kept", nil})
		}
	}
	if ends := slices.Sorted(maps.Keys(cut)); len(ends) > 0 {
		out.Cut = append(out.Cut, LeftOut{some(ends), fmt.Sprintf("go on behind the %d parts of --hops", hops), nil})
	}
	out.settleEnds()
	return &out, nil
}

// some lists a few names.
func some(names []string) string {
	const most = 8
	text := strings.Join(names[:min(len(names), most)], ", ")
	if len(names) > most {
		text += fmt.Sprintf(" and %d more nets", len(names)-most)
	}
	return text
}

// pinsThatMatter are the pins of an IC on nets that are kept, on supplies and on
// ground, few of each supply.
func (d *Draft) pinsThatMatter(list []Pin, touched map[string]bool) (kept []Pin, left int) {
	count := make(map[string]int)
	for _, pin := range list {
		_, supply := d.Rails[pin.Net]
		many := supply || pin.Net == d.Ground
		switch {
		case pin.Net == "":
		case !touched[pin.Net] && !many, many && count[pin.Net] >= mostSupplyPins:
			left++
		default:
			count[pin.Net]++
			kept = append(kept, pin)
		}
	}
	return kept, left
}

// settleEnds leaves out pins of ICs whose net nothing else in the draft is on. Such
// ends of other parts stay: they show where the walk ended.
func (d *Draft) settleEnds() {
	contacts := make(map[string]int)
	for i := range d.Parts {
		for _, n := range partNets(&d.Parts[i]) {
			contacts[n]++
		}
	}
	for i := range d.Parts {
		p := &d.Parts[i]
		if p.Sort != IsPart || p.Kind != netlist.IC && p.Kind != netlist.Module {
			continue
		}
		kept := slices.DeleteFunc(slices.Clone(p.Pins), func(pin Pin) bool {
			return pin.Net != d.Ground && contacts[pin.Net] == 1
		})
		if len(kept) > 1 {
			p.Pins = kept
		}
	}
}

// partNets are the different nets of a part.
func partNets(p *Part) []string {
	var list []string
	seen := make(map[string]bool, len(p.Pins))
	for _, pin := range p.Pins {
		if pin.Net != "" && !seen[pin.Net] {
			seen[pin.Net] = true
			list = append(list, pin.Net)
		}
	}
	return list
}
