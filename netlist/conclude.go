package netlist

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// conclude fills in what the file leaves to be concluded from the nets, part by part.
func (b *Board) conclude() {
	for i := range b.Parts {
		b.concludePart(&b.Parts[i])
	}
}

// concludePart fills in one part: the grounds and supplies of an IC, the supply behind each
// of its pins, the channel of a transistor, the role of any part.
func (b *Board) concludePart(p *Part) {
	for t := range p.Terminals {
		pin := int32(t)
		if p.Terminals[t].Net == b.Ground && !slices.Contains(p.Grounds, pin) && !slices.Contains(p.Supplies, pin) && !slices.Contains(p.Floating, pin) {
			p.Grounds = append(p.Grounds, pin)
		}
	}
	p.Grounds = p.together(p.Grounds)
	if p.Domain != nil {
		if len(p.Supplies) == 0 {
			for t := range p.Terminals {
				if b.onRail(p, t) && !slices.Contains(p.Grounds, int32(t)) && !slices.Contains(p.Floating, int32(t)) {
					p.Supplies = append(p.Supplies, int32(t))
				}
			}
		}
		// A TVS of two terminals on a rail protects the rail; it has no
		// supply of its own.
		if p.Kind == TVS && len(p.Terminals) == 2 {
			p.Supplies = nil
		}
		p.Supplies = p.together(p.Supplies)
		b.domains(p)
	}
	if p.Direction == NoDirection && p.Kind == TVS {
		p.Direction = Unidirectional
	}
	if p.Channel == NoChannel && p.Kind == Transistor {
		p.Channel = b.channelOf(p)
	}
	if p.Role == NoRole {
		p.Role = b.role(p)
	}
	if p.Package == NoPackage {
		p.Package = p.packageOf()
	}
}

// ballName is how a ball of a grid is called: its row, then its column.
var ballName = regexp.MustCompile(`^[A-Z]{1,2}[0-9]{1,2}$`)

// packageOf tells the package of an IC or module from the names of its pins.
func (p *Part) packageOf() Package {
	if p.Kind != IC && p.Kind != Module {
		return NoPackage
	}
	if len(p.Terminals) > 3 && !slices.ContainsFunc(p.Terminals, func(t Terminal) bool { return !ballName.MatchString(t.Name) }) {
		return BallGrid
	}
	return Leaded
}

// together adds to a list of terminals the others of the part on the same nets:
// who names one of four ground balls means them all.
func (p *Part) together(list []int32) []int32 {
	for _, named := range list {
		for t := range p.Terminals {
			net := p.Terminals[t].Net
			if net != None && net == p.Terminals[named].Net && !slices.Contains(list, int32(t)) && !slices.Contains(p.Floating, int32(t)) {
				list = append(list, int32(t))
			}
		}
	}
	return list
}

// onRail tells that a terminal is on a supply.
func (b *Board) onRail(p *Part, terminal int) bool {
	net := p.Terminals[terminal].Net
	return net != None && b.Nets[net].Rail
}

// domains chooses the supply of each pin that the file leaves out: the one to
// which a resistor pulls the pin's net, since that is the voltage the line
// works at; otherwise the first.
func (b *Board) domains(p *Part) {
	if len(p.Supplies) == 0 {
		return
	}
	for t := range p.Terminals {
		pin := int32(t)
		if p.Domain[t] != None || slices.Contains(p.Supplies, pin) || slices.Contains(p.Grounds, pin) || slices.Contains(p.Floating, pin) {
			continue
		}
		p.Domain[t] = p.Supplies[0]
		if len(p.Supplies) == 1 || p.Terminals[t].Net == None {
			continue
		}
		for _, ref := range b.Nets[p.Terminals[t].Net].Terminals {
			r := &b.Parts[ref.Part]
			if r.Kind != Resistor {
				continue
			}
			other := r.Terminals[1-ref.Terminal].Net
			for _, s := range p.Supplies {
				if other != None && p.Terminals[s].Net == other {
					p.Domain[t] = s
				}
			}
		}
	}
}

// channelOf takes a field-effect transistor whose source is on a rail to
// be p-channel, and any other transistor to be n-channel or npn (common
// practice, no source).
func (b *Board) channelOf(p *Part) Channel {
	for t := range p.Terminals {
		if base, _ := section(p.Terminals[t].Name); (base == "s" || base == "e") && b.onRail(p, t) {
			return PChannel
		}
	}
	return NChannel
}

// role tells what a part is there for from its kind and the nets it joins
// (common practice, no source).
func (b *Board) role(p *Part) Role {
	rails, grounds := 0, 0
	for t := range p.Terminals {
		switch {
		case p.Terminals[t].Net == b.Ground:
			grounds++
		case b.onRail(p, t):
			rails++
		}
	}
	if of := kinds[p.Kind].role; of != nil {
		return of(rails, grounds)
	}
	return Required
}

// Warnings returns what is unusual about the board but could be understood, in
// file order: most often a misspelt net.
func (b *Board) Warnings() document.Problems { return slices.Clone(b.warnings) }

func (b *Board) warn() {
	add := func(at document.Position, do, format string, args ...any) {
		b.warnings.Add(at, fmt.Sprintf(format, args...), do)
	}
	for i := range b.Parts {
		p := &b.Parts[i]
		nets := make(map[NetID]bool)
		for _, t := range p.Terminals {
			if t.Net != None {
				nets[t.Net] = true
			}
		}
		switch {
		case len(nets) == 0:
			add(p.At, "give its pins nets, or remove the part", "%s is connected to nothing", p.Name)
		case p.Kind == Unknown:
			add(p.At, "give its kind once you know it", "nobody knows whether %s conducts; readings on its nets tell less", p.Name)
		case len(nets) == 1 && len(p.Terminals) > 1 && p.Kind != IC && p.Kind != Module:
			add(p.At, "check its pins; it cannot be told from a wire", "%s has every terminal on one net", p.Name)
		case (p.Kind == IC || p.Kind == Module) && len(p.Grounds) == 0:
			add(p.At, "name its ground pins with `ground`", "%s has no pin on ground, so that none of its pins is predicted to conduct", p.Name)
		case p.Kind == Resistor && p.ValueText == "":
			ohms, _ := p.seriesOhms()
			add(p.At, "add `value` if you know it", "the resistor %s has no value and is taken for %g ohm", p.Name, ohms)
		case p.Kind == Resistor:
			if marked, ok := quantity.ParseMarking(p.ValueText, quantity.Ohm); ok {
				plain, code := quantity.Code(p.Value, quantity.Ohm), quantity.Code(marked, quantity.Ohm)
				add(p.At, fmt.Sprintf("write %s if that is meant, or %s if %s is what is printed on the part", plain, code, p.ValueText),
					"the value %s of the resistor %s is taken for %g ohm", p.ValueText, p.Name, p.Value)
			}
		}
	}
	// The net of most contacts among those that only differ in case.
	byFold, contacts := make(map[string]string), make(map[string]int)
	for i := range b.Nets {
		n := &b.Nets[i]
		fold, joins := strings.ToLower(n.Name), len(n.Terminals)+len(n.Pins)
		if joins > contacts[fold] {
			byFold[fold], contacts[fold] = n.Name, joins
		}
	}
	for i := range b.Nets {
		n := &b.Nets[i]
		if len(n.Terminals)+len(n.Pins) == 1 {
			only := ""
			if len(n.Terminals) == 1 {
				only = b.PointName(b.TerminalPoint(n.Terminals[0]))
			} else {
				only = b.PointName(b.PinPoint(n.Pins[0]))
			}
			do := "check its spelling, or write NC"
			if other := byFold[strings.ToLower(n.Name)]; other != n.Name {
				do = "did you mean " + document.Quote(other) + "? Capital and small letters differ"
			}
			add(b.index.netAt[i], do, "the net %s joins nothing but %s", document.Quote(n.Name), only)
		}
	}
	if len(b.Connectors) == 0 {
		add(document.Position{File: b.File}, "add the one that the complaint is about", "the board has no connectors, so that there is nothing to sweep")
	}
	b.warnings.Sort()
}
