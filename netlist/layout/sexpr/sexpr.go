// Package sexpr reads S-expressions as KiCad writes them: lists in brackets, words,
// and texts in quotes in which a backslash takes the next character as it is.
//
// In most cases:
//
//	file, err := sexpr.Read(reader, "board.net", sexpr.Options{})
//	for _, comp := range file.Root.Get("components").All("comp") {
//		name := comp.Text("ref")
//	}
//
// It knows nothing of what the lists mean. Whatever a list lacks reads as empty, so
// that versions of a format need not be distinguished.
package sexpr

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"strings"
	"unicode/utf8"

	"halfsplit/netlist/document"
)

// Bounds on what is read: a layout of 5,000 parts takes about 40 MB, most of it in
// lists that Skip leaves out.
const (
	mostBytes = 128 << 20
	mostNodes = 4_000_000
	mostDepth = 64
)

// File is what was read.
type File struct {
	Name string // for messages
	Root Node
}

// At is the place of a node, for messages.
func (f *File) At(n *Node) document.Position {
	if n == nil {
		return document.Position{File: f.Name}
	}
	return document.Position{File: f.Name, Line: int(n.Line), Column: int(n.Column)}
}

// Node is a list in brackets, or an atom: a word or a text in quotes. All methods
// work on a nil Node, as on an empty list.
type Node struct {
	Atom         string
	Items        []Node // of a list, the word that it begins with too
	List, Quoted bool
	Line, Column int32 // counted from 1, characters, not bytes
}

// Name is the word that a list begins with.
func (n *Node) Name() string { return n.Item(0) }

// Item is the i-th atom of a list, its name being 0; empty where there is none, or
// a list stands there.
func (n *Node) Item(i int) string {
	if n == nil || i >= len(n.Items) {
		return ""
	}
	return n.Items[i].Atom
}

// All are the lists in n that begin with one of the words.
func (n *Node) All(names ...string) iter.Seq[*Node] {
	return func(yield func(*Node) bool) {
		if n == nil {
			return
		}
		for i := range n.Items {
			x := &n.Items[i]
			for _, name := range names {
				if x.List && x.Name() == name {
					if !yield(x) {
						return
					}
					break
				}
			}
		}
	}
}

// Get is the first list in n that begins with the word, nil where there is none.
func (n *Node) Get(name string) *Node {
	for x := range n.All(name) {
		return x
	}
	return nil
}

// Text is the atom behind the word in such a list, empty where there is none.
func (n *Node) Text(name string) string { return n.Get(name).Item(1) }

// Has tells that a list holds an atom, or a list of that name which is not refused:
// `dnp`, `(dnp)` and `(dnp yes)` hold dnp, `(dnp no)` does not.
func (n *Node) Has(word string) bool {
	if n == nil {
		return false
	}
	for i := 1; i < len(n.Items); i++ {
		if x := &n.Items[i]; !x.List && x.Atom == word {
			return true
		} else if x.List && x.Name() == word {
			return x.Item(1) != "no" && x.Item(1) != "false"
		}
	}
	return false
}

// Options say what to read.
type Options struct {
	// Skip names lists that are passed over wherever they stand, to save memory:
	// tracks and filled areas are most of a layout.
	Skip map[string]bool
	// Again is what to do about a file that is cut off or not what was expected, in
	// the words of its kind: "export the netlist again".
	Again string
}

// Read reads one expression. name is the file's name in messages. The error is
// document.Problems.
func Read(r io.Reader, name string, options Options) (*File, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	p := parser{name: name, again: options.Again, skip: options.Skip, line: 1, column: 1, left: mostNodes}
	if p.again == "" {
		p.again = "write the file again with the program that made it"
	}
	switch {
	case err != nil:
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			err = path.Err
		}
		return nil, p.problem(0, 0, "cannot be read: "+err.Error(), "check the path and the disk")
	case len(text) > mostBytes:
		return nil, p.problem(0, 0, fmt.Sprintf("is larger than %d MB", mostBytes>>20), "check that it is the file you meant")
	case !utf8.Valid(text):
		return nil, p.problem(0, 0, "is not text in UTF-8", p.again)
	}
	p.text = string(bytes.TrimPrefix(text, []byte("\uFEFF")))
	file := &File{Name: name}
	if p.space(); p.at == len(p.text) {
		return nil, p.problem(0, 0, "is empty", p.again)
	}
	if file.Root, err = p.expression(0, true); err != nil {
		return nil, err
	}
	if p.space(); p.at < len(p.text) {
		return nil, p.problem(p.line, p.column, "something stands behind the last bracket", p.again)
	}
	return file, nil
}

type parser struct {
	text, name, again string
	skip              map[string]bool
	at                int
	line, column      int32
	left              int // nodes that may still be kept
}

func (p *parser) problem(line, column int32, what, do string) error {
	return document.Problems{{Position: document.Position{File: p.name, Line: int(line), Column: int(column)}, What: what, Do: do}}
}

// to moves on to the byte at, counting lines and characters.
func (p *parser) to(at int) {
	for _, c := range []byte(p.text[p.at:at]) {
		switch {
		case c == '\n':
			p.line, p.column = p.line+1, 1
		case utf8.RuneStart(c):
			p.column++
		}
	}
	p.at = at
}

func (p *parser) space() {
	at := p.at
	for at < len(p.text) && isSpace(p.text[at]) {
		at++
	}
	p.to(at)
}

func isSpace(c byte) bool { return c == ' ' || c == '\t' || c == '\r' || c == '\n' }

// expression reads what begins at p.at, which is no space and not the end. What is
// not kept is read all the same, so that a fault in it is found.
func (p *parser) expression(depth int, keep bool) (Node, error) {
	n := Node{Line: p.line, Column: p.column}
	if keep {
		p.left--
	}
	var err error
	switch c := p.text[p.at]; {
	case p.left < 0:
		err = p.problem(n.Line, n.Column, fmt.Sprintf("more than %d brackets and words", mostNodes), "check that it is the file you meant")
	case c == ')':
		err = p.problem(n.Line, n.Column, "a closing bracket without its opening one", p.cutOff())
	case c == '"':
		n.Quoted = true
		n.Atom, err = p.quoted()
	case c == '(':
		n.List = true
		err = p.list(&n, depth, keep)
	default:
		at := p.at
		for at < len(p.text) && !isSpace(p.text[at]) && strings.IndexByte("()\"", p.text[at]) < 0 {
			at++
		}
		n.Atom = p.text[p.at:at]
		p.to(at)
	}
	return n, err
}

func (p *parser) list(n *Node, depth int, keep bool) error {
	if depth >= mostDepth {
		return p.problem(n.Line, n.Column, fmt.Sprintf("brackets are nested more than %d deep", mostDepth), p.cutOff())
	}
	p.to(p.at + 1)
	for first := true; ; first = false {
		p.space()
		if p.at == len(p.text) {
			return p.problem(n.Line, n.Column, "a bracket that is never closed", p.cutOff())
		}
		if p.text[p.at] == ')' {
			p.to(p.at + 1)
			return nil
		}
		x, err := p.expression(depth+1, keep)
		if err != nil {
			return err
		}
		if keep {
			n.Items = append(n.Items, x)
		}
		if first && !x.List && p.skip[x.Atom] {
			keep = false
		}
	}
}

// quoted reads a text in quotes.
func (p *parser) quoted() (string, error) {
	line, column, from := p.line, p.column, p.at+1
	at, plain := from, true
	for ; at < len(p.text) && p.text[at] != '"'; at++ {
		if p.text[at] == '\\' {
			plain = false
			at++
		}
	}
	if at >= len(p.text) {
		return "", p.problem(line, column, "a text in quotes that never ends", p.cutOff())
	}
	text := p.text[from:at]
	p.to(at + 1)
	if plain {
		return text, nil
	}
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] == '\\' {
			if i++; text[i] == 'n' {
				b.WriteByte('\n')
				continue
			}
		}
		b.WriteByte(text[i])
	}
	return b.String(), nil
}

func (p *parser) cutOff() string { return "the file is cut off or was changed by hand: " + p.again }
