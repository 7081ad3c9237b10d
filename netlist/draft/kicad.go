package draft

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"unicode/utf8"

	"halfsplit/netlist/document"
)

// Limits of a netlist export: a board of 5,000 parts takes about 4 MB.
const (
	kicadLimit = 64 << 20
	mostDepth  = 64
)

// ReadKiCad reads the netlist export of KiCad (the .net file of its schematic
// editor), an s-expression of this form (from memory of its public
// documentation):
//
//	(export (version "E")
//	  (design (source "board.kicad_sch") ...)
//	  (components
//	    (comp (ref "R12") (value "22R") (libsource (lib "Device") (part "R") (description "...")) ...))
//	  (nets
//	    (net (code "1") (name "/TP_INT")
//	      (node (ref "R12") (pin "1") (pinfunction "A") (pintype "passive")))))
//
// Older releases write the same without quotes. Keys that are not needed are
// passed over. The error is document.Problems.
func ReadKiCad(r io.Reader, file string) (*Draft, error) {
	text, err := io.ReadAll(io.LimitReader(r, kicadLimit+1))
	whole := document.Position{File: file}
	var problems document.Problems
	switch {
	case err != nil:
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			err = path.Err
		}
		problems.Add(whole, "cannot be read: "+err.Error(), "name the netlist that was exported")
	case len(text) > kicadLimit:
		problems.Add(whole, fmt.Sprintf("is longer than %d MB", kicadLimit>>20), "export only the sheets that matter")
	case !utf8.Valid(text):
		problems.Add(whole, "is not text in UTF-8", "export the netlist again")
	}
	if problems != nil {
		return nil, problems.Err()
	}
	p := parser{text: string(bytes.TrimPrefix(text, []byte("\uFEFF"))), file: file, line: 1, column: 1}
	root, err := p.expression(0)
	if err != nil {
		return nil, err
	}
	if p.space(); p.at < len(p.text) {
		problems.Add(p.position(), "something stands behind the end of the netlist", "export the netlist again")
		return nil, problems.Err()
	}
	if root.name() != "export" {
		problems.Add(root.at, "is not a netlist export: it begins with "+document.Quote(root.name())+", not `export`", "in the schematic editor, export the netlist in the program's own format")
		return nil, problems.Err()
	}
	d := &Draft{Board: strings.TrimSuffix(baseName(root.get("design").text("source")), ".kicad_sch")}
	for _, sheet := range root.get("design").all("sheet") {
		block := sheet.get("title_block")
		if title := block.text("title"); title != "" {
			d.Board, d.Revision = title, block.text("rev")
			break
		}
	}
	index := make(map[string]int)
	for _, comp := range root.get("components").all("comp") {
		name := comp.text("ref")
		if name == "" {
			problems.Add(comp.at, "a component without its name", "give every symbol a reference, then export again")
			continue
		}
		if _, twice := index[name]; twice {
			problems.Add(comp.at, "the component "+document.Quote(name)+" is there twice", "number the symbols anew, then export again")
			continue
		}
		if unassembled(comp) {
			index[name] = -1
			continue
		}
		source := comp.get("libsource")
		part := Part{Name: name, Value: comp.text("value"), At: comp.at}
		hint := ""
		for _, field := range append(comp.all("property"), comp.get("fields").all("field")...) {
			if strings.EqualFold(field.text("name"), "halfsplit") {
				hint = field.text("value")
				if hint == "" && len(field.list) > 0 {
					hint = field.list[len(field.list)-1].atom
				}
			}
		}
		if hint == "" {
			hint = source.text("part") + " " + source.text("description") + " " + part.Value
		}
		part.Sort, part.Kind, part.Guessed = sortOf(name, hint)
		index[name] = len(d.Parts)
		d.Parts = append(d.Parts, part)
	}
	names := make(map[string]int)
	for _, net := range root.get("nets").all("net") {
		names[strings.TrimPrefix(net.text("name"), "/")]++
	}
	for _, net := range root.get("nets").all("net") {
		name := net.text("name")
		// A net of the root sheet begins with a stroke, which says nothing.
		if short := strings.TrimPrefix(name, "/"); short != "" && names[short] == 1 {
			name = short
		}
		nodes := net.all("node")
		if strings.HasPrefix(name, "unconnected-") && len(nodes) <= 1 {
			name = ""
		} else if name == "" {
			name = "net" + net.text("code")
		}
		for _, node := range nodes {
			ref, pin := node.text("ref"), node.text("pin")
			i, ok := index[ref]
			switch {
			case !ok:
				problems.Add(node.at, fmt.Sprintf("the net %s has a pin of %s, which is not a component", document.Quote(name), document.Quote(ref)), "export the netlist again")
			case i < 0: // not assembled
			case pin == "":
				problems.Add(node.at, fmt.Sprintf("the net %s has a pin of %s without its number", document.Quote(name), document.Quote(ref)), "export the netlist again")
			case slices.ContainsFunc(d.Parts[i].Pins, func(p Pin) bool { return p.Name == pin }):
				problems.Add(node.at, fmt.Sprintf("pin %s of %s is on two nets", document.Quote(pin), document.Quote(ref)), "export the netlist again")
			default:
				d.Parts[i].Pins = append(d.Parts[i].Pins, Pin{pin, node.text("pinfunction"), name})
			}
		}
	}
	d.settle(&problems)
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(d.Parts) == 0 {
		problems.Add(whole, "holds no component", "export the netlist of a schematic that has parts")
		return nil, problems.Err()
	}
	for i := range d.Parts {
		slices.SortFunc(d.Parts[i].Pins, func(a, b Pin) int { return natural(a.Name, b.Name) })
	}
	d.Ground = d.ground()
	return d, nil
}

// unassembled tells that a component is not on the board.
func unassembled(comp *expression) bool {
	for _, p := range comp.all("property") {
		if name := strings.ToLower(p.text("name")); name == "dnp" || name == "exclude_from_board" {
			return true
		}
	}
	return strings.EqualFold(comp.text("value"), "DNP") || strings.EqualFold(comp.text("value"), "DNF")
}

func baseName(path string) string {
	return path[strings.LastIndexAny(path, `/\`)+1:]
}

// natural orders names as people do: A2 before A10.
func natural(a, b string) int {
	split := func(s string) (string, int) {
		head := strings.TrimRight(s, "0123456789")
		n := 0
		for _, r := range s[len(head):] {
			n = min(n*10+int(r-'0'), 1<<30)
		}
		return head, n
	}
	ha, na := split(a)
	hb, nb := split(b)
	if ha != hb {
		return strings.Compare(ha, hb)
	}
	if na != nb {
		return na - nb
	}
	return strings.Compare(a, b)
}

// expression is a list in brackets, or an atom.
type expression struct {
	atom string
	list []*expression // nil for an atom
	at   document.Position
}

// name is the word that a list begins with.
func (e *expression) name() string {
	if e == nil || len(e.list) == 0 {
		return ""
	}
	return e.list[0].atom
}

// all are the lists in e that begin with a word.
func (e *expression) all(name string) []*expression {
	if e == nil {
		return nil
	}
	var found []*expression
	for _, x := range e.list {
		if x.name() == name {
			found = append(found, x)
		}
	}
	return found
}

// get is the first of them, nil where there is none.
func (e *expression) get(name string) *expression {
	if e == nil {
		return nil
	}
	for _, x := range e.list {
		if x.name() == name {
			return x
		}
	}
	return nil
}

// text is the atom behind the word in such a list, "" where there is none.
func (e *expression) text(name string) string {
	if x := e.get(name); x != nil && len(x.list) > 1 {
		return x.list[1].atom
	}
	return ""
}

// parser reads s-expressions.
type parser struct {
	text, file   string
	at           int
	line, column int
}

func (p *parser) position() document.Position {
	return document.Position{File: p.file, Line: p.line, Column: p.column}
}

func (p *parser) problem(at document.Position, what, do string) error {
	return document.Problems{{Position: at, What: what, Do: do}}
}

// next takes one character, 0 at the end.
func (p *parser) next() rune {
	if p.at >= len(p.text) {
		return 0
	}
	r, n := utf8.DecodeRuneInString(p.text[p.at:])
	p.at += n
	if r == '\n' {
		p.line, p.column = p.line+1, 1
	} else {
		p.column++
	}
	return r
}

func (p *parser) peek() byte {
	if p.at >= len(p.text) {
		return 0
	}
	return p.text[p.at]
}

func (p *parser) space() {
	for p.at < len(p.text) && strings.IndexByte(" \t\r\n", p.text[p.at]) >= 0 {
		p.next()
	}
}

const broken = "the file is cut off or was changed by hand: export the netlist again"

func (p *parser) expression(depth int) (*expression, error) {
	p.space()
	e := &expression{at: p.position()}
	switch c := p.peek(); {
	case p.at >= len(p.text):
		return nil, p.problem(e.at, "the netlist ends too soon", broken)
	case depth > mostDepth:
		return nil, p.problem(e.at, fmt.Sprintf("brackets are nested more than %d deep", mostDepth), broken)
	case c == ')':
		return nil, p.problem(e.at, "a closing bracket without its opening one", broken)
	case c == '"':
		return e, p.quoted(e)
	case c != '(':
		from := p.at
		for p.at < len(p.text) && strings.IndexByte(" \t\r\n()\"", p.text[p.at]) < 0 {
			p.next()
		}
		e.atom = p.text[from:p.at]
		return e, nil
	}
	p.next()
	e.list = []*expression{}
	for {
		p.space()
		switch p.peek() {
		case 0:
			if p.at >= len(p.text) {
				return nil, p.problem(e.at, "a bracket that is never closed", broken)
			}
		case ')':
			p.next()
			return e, nil
		}
		x, err := p.expression(depth + 1)
		if err != nil {
			return nil, err
		}
		e.list = append(e.list, x)
	}
}

// quoted reads a text in quotes, in which a backslash takes the next character
// as it is, and n for a new line.
func (p *parser) quoted(e *expression) error {
	p.next()
	var b strings.Builder
	for p.at < len(p.text) {
		r := p.next()
		switch r {
		case '"':
			e.atom = b.String()
			return nil
		case '\\':
			if r = p.next(); r == 'n' {
				r = '\n'
			}
		}
		b.WriteRune(r)
	}
	return p.problem(e.at, "a text in quotes that never ends", broken)
}
