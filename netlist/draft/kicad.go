package draft

import (
	"bytes"
	"cmp"
	"fmt"
	"path"
	"regexp"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/layout/sexpr"
)

const exportAgain = "export the netlist again"

// fromNetlist reads the netlist export of KiCad (the .net file of its schematic
// editor), an S-expression of this form (from memory of its public documentation of
// the intermediate netlist format):
//
//	(export (version "E")
//	  (design (source "board.kicad_sch") (sheet (title_block (title "Lamp") (rev "A"))) ...)
//	  (components
//	    (comp (ref "R12") (value "22R") (footprint "...") (fields (field (name "DNP") "1"))
//	      (libsource (lib "Device") (part "R") (description "..."))
//	      (property (name "dnp"))))
//	  (libparts
//	    (libpart (lib "Device") (part "R") (description "...") (pins (pin (num "1") (name "A") (type "passive")))))
//	  (nets
//	    (net (code "1") (name "/TP_INT")
//	      (node (ref "R12") (pin "1") (pinfunction "A") (pintype "passive")))))
//
// Versions 4 and 5, and generators that write the same form, leave the quotes out and
// say what pins are called in libparts only. Keys that are not needed are passed over.
func fromNetlist(tree *sexpr.File, problems *document.Problems) *Source {
	root := &tree.Root
	s := &Source{Power: make(map[string]bool)}
	s.title(root.Get("design"))
	for sheet := range root.Get("design").All("sheet") {
		if s.sheets == nil {
			s.sheets = map[string]bool{"/": true}
		}
		s.sheets[sheet.Text("name")] = true
	}
	symbols := make(map[string]*symbol)
	for lib := range root.Get("libparts").All("libpart") {
		sym := &symbol{description: lib.Text("description"), pins: make(map[string]*sexpr.Node)}
		for pin := range lib.Get("pins").All("pin") {
			if number := pin.Text("num"); number != "" {
				sym.pins[number] = pin
				sym.numbers = append(sym.numbers, number)
			}
		}
		symbols[lib.Text("lib")+":"+lib.Text("part")] = sym
		for alias := range lib.Get("aliases").All("alias") {
			symbols[lib.Text("lib")+":"+alias.Item(1)] = sym
		}
	}
	index := make(map[string]int)
	of := make(map[string]*symbol)
	for comp := range root.Get("components").All("comp") {
		name := comp.Text("ref")
		if name == "" {
			problems.Add(tree.At(comp), "a component without its name", "give every symbol a reference, then export again")
			continue
		}
		if _, twice := index[name]; twice {
			problems.Add(tree.At(comp), "the component "+document.Quote(name)+" is there twice", "number the symbols again, then export again")
			continue
		}
		source := comp.Get("libsource")
		c := Component{
			Name: name, Value: comp.Text("value"), Footprint: comp.Text("footprint"), At: tree.At(comp),
			Library: source.Text("lib"), Symbol: source.Text("part"), Description: cmp.Or(source.Text("description"), comp.Text("description")),
		}
		if sym := symbols[c.Library+":"+c.Symbol]; sym != nil {
			of[name] = sym
			if c.Description == "" {
				c.Description = sym.description
			}
		}
		for field := range comp.All("property") {
			c.field(field.Text("name"), field.Text("value"), field.Get("value") == nil)
		}
		for field := range comp.Get("fields").All("field") {
			value := field.Text("value")
			if value == "" && len(field.Items) > 2 {
				value = field.Item(len(field.Items) - 1)
			}
			c.field(field.Text("name"), value, false)
		}
		index[name] = len(s.Parts)
		s.Parts = append(s.Parts, c)
	}
	for net := range root.Get("nets").All("net") {
		name := net.Text("name")
		if name == "" {
			name = "net" + net.Text("code")
		}
		for node := range net.All("node") {
			ref, pin := node.Text("ref"), node.Text("pin")
			i, ok := index[ref]
			switch {
			case strings.HasPrefix(ref, "#"): // a power symbol or flag of the schematic
				s.Power[name] = true
			case !ok:
				problems.Add(tree.At(node), fmt.Sprintf("the net %s has a pin of %s, which is not a component", document.Quote(name), document.Quote(ref)), exportAgain)
			case pin == "":
				problems.Add(tree.At(node), fmt.Sprintf("the net %s has a pin of %s without its number", document.Quote(name), document.Quote(ref)), exportAgain)
			default:
				p := Pad{Number: pin, Function: node.Text("pinfunction"), Type: node.Text("pintype"), Net: name}
				if sym := of[ref]; sym != nil {
					drawn := sym.pins[pin]
					if p.Function == "" {
						p.Function = drawn.Text("name")
					}
					if p.Type == "" {
						p.Type = drawn.Text("type")
					}
				}
				s.Parts[i].pad(p)
			}
		}
	}
	// Symbols of the schematic's own are no parts. Pins that the nets do not list
	// are not connected.
	kept := s.Parts[:0]
	for _, c := range s.Parts {
		if strings.HasPrefix(c.Name, "#") {
			continue
		}
		if sym := of[c.Name]; sym != nil && len(c.Pads) > 0 {
			for _, pin := range sym.numbers {
				if c.numbers[pin] == 0 {
					c.pad(Pad{Number: pin, Function: sym.pins[pin].Text("name"), Type: sym.pins[pin].Text("type")})
				}
			}
		}
		kept = append(kept, c)
	}
	s.Parts = kept
	return s
}

// symbol is what libparts says of a symbol.
type symbol struct {
	description string
	pins        map[string]*sexpr.Node
	numbers     []string // of pins, in file order
}

// title takes the name of the board from the title blocks: the title where all sheets
// have the same, for the first may be a cover page; otherwise the name of the schematic.
func (s *Source) title(design *sexpr.Node) {
	same := true
	for sheet := range design.All("sheet") {
		block := sheet.Get("title_block")
		switch title := block.Text("title"); {
		case title == "":
		case s.Board == "":
			s.Board, s.Revision = title, block.Text("rev")
		case title != s.Board:
			same = false
		}
	}
	if s.Board == "" || !same {
		file := strings.ReplaceAll(design.Text("source"), `\`, "/")
		if base := strings.TrimSuffix(path.Base(file), path.Ext(file)); file != "" && base != "." && base != "/" {
			s.Board = base
		}
	}
}

var (
	absentField = regexp.MustCompile(`(?i)^(dnp|dnf|dni|do[ _-]?not[ _-]?(populate|fit|place|mount)|no[ _-]?(populate|fit|mount|stuff)|exclude_from_board|not[ _-]?fitted)$`)
	fittedField = regexp.MustCompile(`(?i)^(populate[d]?|fit(ted)?|mount(ed)?|place[d]?|assemble[d]?|install(ed)?|stuff(ed)?|config)$`)
	no          = regexp.MustCompile(`(?i)^(0|no|n|false|-|~|dnp|dnf|dni|none)?$`)
)

// field takes what a field of a symbol says. bare tells that it has no value, as a flag.
func (c *Component) field(name, value string, bare bool) {
	switch lower := strings.ToLower(name); {
	case lower == "halfsplit":
		c.Stated = value
	case absentField.MatchString(name):
		if bare || !no.MatchString(value) || strings.HasPrefix(strings.ToLower(value), "dn") {
			c.Absent = name
		}
	case fittedField.MatchString(name):
		if value != "" && no.MatchString(value) || notFitted.MatchString(value) {
			c.Absent = name + " " + value
		}
	case lower == "ki_keywords" || lower == "keywords":
		c.Keywords = value
	case lower == "ki_description" || lower == "description":
		if c.Description == "" {
			c.Description = value
		} else if c.Keywords == "" {
			c.Keywords = value
		}
	}
}

// earlier tells the form that KiCad wrote before version 4, and that some programs
// still write: parts as lists of their stamp, footprint, reference and value, with
// their pins and nets (from memory of its documentation).
func earlier(text []byte) bool {
	head, _, _ := bytes.Cut(text[:min(len(text), 200)], []byte("\n"))
	return bytes.Contains(bytes.ToLower(head), []byte("eeschema netlist version"))
}

// bare takes away what is no S-expression in that form, keeping lines in their place:
// remarks, and the list of footprints behind the end.
func bare(text []byte) []byte {
	var out bytes.Buffer
	ended := false
	for line := range bytes.Lines(text) {
		trimmed := bytes.TrimSpace(line)
		ended = ended || bytes.Equal(trimmed, []byte("*")) || bytes.HasPrefix(trimmed, []byte("{ Allowed"))
		if ended || bytes.HasPrefix(trimmed, []byte("#")) {
			line = []byte("\n")
		}
		if open, rest, ok := bytes.Cut(line, []byte("{ EESchema")); ok {
			_, rest, _ = bytes.Cut(rest, []byte("}"))
			line = append(bytes.Clone(open), rest...)
		}
		out.Write(line)
	}
	return out.Bytes()
}

// fromEarlier reads that form.
func fromEarlier(tree *sexpr.File, problems *document.Problems) *Source {
	s := &Source{}
	seen := make(map[string]bool)
	for i := range tree.Root.Items {
		part := &tree.Root.Items[i]
		if !part.List {
			continue
		}
		name := part.Item(2)
		switch {
		case name == "":
			problems.Add(tree.At(part), "a component without its name", "give every symbol a reference, then export again")
			continue
		case seen[name]:
			problems.Add(tree.At(part), "the component "+document.Quote(name)+" is there twice", "number the symbols again, then export again")
			continue
		}
		seen[name] = true
		c := Component{Name: name, Value: part.Item(3), Footprint: strings.TrimPrefix(part.Item(1), "$noname"), At: tree.At(part)}
		for k := 4; k < len(part.Items); k++ {
			item := &part.Items[k]
			if lib, ok := strings.CutPrefix(item.Atom, "{Lib="); ok {
				c.Symbol = strings.TrimSuffix(lib, "}")
			}
			if item.List && item.Item(0) != "" {
				net := item.Item(1)
				if net == "?" {
					net = ""
				}
				c.pad(Pad{Number: item.Item(0), Net: net})
			}
		}
		s.Parts = append(s.Parts, c)
	}
	return s
}
