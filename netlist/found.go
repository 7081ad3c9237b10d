package netlist

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist/document"
)

// Found is a part that stands on the board and not in its file, as seen at one net.
type Found struct {
	Mark string // its reference designator, with the pin where that can be seen: C50, U2.A1
	Net  NetID  // None where the finding was taken back: the part then joins nothing
}

// MarkPattern is how a Mark is written: letters and a number, and behind a dot the pin.
const MarkPattern = `[A-Za-z]+[0-9]\w*(?:\.[^\s,]+)?`

var markWhole = regexp.MustCompile("^(?:" + MarkPattern + ")$")

// IsMark tells that a text is written like a Mark.
func IsMark(text string) bool { return markWhole.MatchString(text) }

// Part gives the reference designator without the pin.
func (f *Found) Part() string { part, _ := f.cut(); return part }

func (f *Found) cut() (part, pin string) {
	if dot := strings.LastIndexByte(f.Mark, '.'); dot > 0 {
		return f.Mark[:dot], f.Mark[dot+1:]
	}
	return f.Mark, ""
}

// kind takes a part that nobody drew for what its reference designator says (common
// practice, no source).
func (f *Found) kind() Kind {
	switch letters := strings.TrimRight(f.Part(), "0123456789"); letters {
	case "C":
		return Capacitor
	case "D":
		return TVS
	case "U", "IC":
		return IC
	}
	return Unknown
}

// DrawIn gives the board with parts, and pins of ICs, that its file leaves out. They come
// behind the others, so that what IDs there are mean the same on both. A part of two
// terminals leads to ground where its other net was not found; an IC has a ground pin. The
// error says "what; what to do".
func (b *Board) DrawIn(found ...Found) (*Board, error) {
	out := *b
	out.Nets, out.Parts, out.index.parts = slices.Clone(b.Nets), slices.Clone(b.Parts), maps.Clone(b.index.parts)
	added := map[PartID]int{} // by part that the file knows or not: how many findings it has
	for i := range found {
		f := &found[i]
		name, pin := f.cut()
		id, known := out.index.parts[name]
		if _, taken := out.index.connectors[name]; taken || name == "" || pin == "" && strings.HasSuffix(f.Mark, ".") {
			return nil, fmt.Errorf("%s is not the mark of a part; write it as on the board, such as C50, or U2.A1 with its pin", document.Quote(f.Mark))
		}
		if !known {
			id = PartID(len(out.Parts))
			out.Parts = append(out.Parts, Part{Name: name, Kind: f.kind(), Value: unknown(), DCOhms: unknown(), Note: "not in the board file; found on the board"})
			out.index.parts[name] = id
		}
		p := &out.Parts[id]
		drawn := int(id) < len(b.Parts)
		many := p.Kind == IC || drawn && kinds[p.Kind].most == 0 && kinds[p.Kind].named == nil
		switch {
		case !many && (drawn || added[id] == 2):
			return nil, fmt.Errorf("%s is drawn with all its terminals; leave it out, or correct the board file", name)
		case pin == "" && many && f.Net != None:
			pin = b.Nets[f.Net].Name
		case pin == "":
			pin = fmt.Sprint(added[id] + 1)
		}
		if k := slices.IndexFunc(p.Terminals, func(t Terminal) bool { return t.Name == pin }); k >= 0 {
			return nil, fmt.Errorf("%s.%s is drawn, on the net %s; leave it out, or correct the board file", name, pin, document.Quote(b.netName(p.Terminals[k].Net)))
		}
		if added[id]++; drawn && added[id] == 1 { // what the board without it has stays as it is
			p.Supplies, p.Grounds, p.Floating, p.Domain = slices.Clone(p.Supplies), slices.Clone(p.Grounds), slices.Clone(p.Floating), slices.Clone(p.Domain)
		}
		out.addTerminal(id, pin, f.Net)
		if p.Kind == IC && !drawn && ballName.MatchString(pin) {
			p.Package = BallGrid
		}
	}
	for id := PartID(0); int(id) < len(out.Parts); id++ {
		if added[id] == 0 {
			continue
		}
		p := &out.Parts[id]
		if int(id) >= len(b.Parts) && (len(p.Terminals) == 1 || p.Kind == IC && len(p.Grounds) == 0) {
			ground := out.Ground
			if p.Terminals[0].Net == None {
				ground = None
			}
			out.addTerminal(id, otherPin(p), ground)
		}
		out.concludePart(p)
	}
	return &out, nil
}

// otherPin names the terminal that leads to ground.
func otherPin(p *Part) string {
	switch {
	case p.Kind == IC:
		return "GND"
	case p.Terminals[0].Name == "2":
		return "1"
	}
	return "2"
}

// addTerminal adds a terminal to a part.
func (b *Board) addTerminal(id PartID, name string, net NetID) {
	p := &b.Parts[id]
	ref := TerminalRef{id, int32(len(p.Terminals))}
	p.Terminals = append(slices.Clip(p.Terminals), Terminal{name, net})
	if p.Kind == IC || p.Kind == Module || p.Kind == TVS {
		p.Domain = append(p.Domain, None)
	}
	if net != None {
		b.Nets[net].Terminals = append(slices.Clip(b.Nets[net].Terminals), ref)
	}
}
