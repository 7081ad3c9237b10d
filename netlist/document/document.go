// Package document reads the YAML files that people write for halfsplit and
// says, all in one pass, what is wrong with them and what to do about it.
//
// In most cases use it in three steps:
//
//	nodes, err := document.Read(path, 0)   // bytes to trees; refuses hostile files
//	problems := shape.Check(nodes[0])      // the tree against a Shape
//	text := nodes[0].Get("board").Text()   // walk what has been checked
//
// A Shape is the one description of a file format. It checks files and it
// prints itself as a JSON Schema, so that an editor completes and checks the
// same keys that the program reads.
//
// Files are read by a deliberately narrow subset of YAML: mappings, lists and
// scalars. Aliases, anchors, merge keys and tags are refused, for nobody needs
// them here and they are how a small file turns into a huge one. Scalars are
// kept as the text that was written: a net called `NO` or a value `0.10` stays
// what it was.
package document

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Position is a place in a file. Line and Column count from 1; Column counts
// characters, not bytes. A zero Line means the file as a whole.
type Position struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Column int    `json:"column"`
}

// String writes a position as file:line:col, leaving out what is unknown.
func (p Position) String() string {
	switch {
	case p.Line == 0:
		return p.File
	case p.Column == 0:
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Problem is one thing wrong with a file.
type Problem struct {
	Position
	What string `json:"what"` // what is wrong, in a few words
	Do   string `json:"do"`   // what the writer should do about it; may be empty
}

// Error writes a problem as `file:line:col: what; what to do`.
func (p Problem) Error() string {
	var b strings.Builder
	if at := p.Position.String(); at != "" {
		b.WriteString(at)
		b.WriteString(": ")
	}
	b.WriteString(p.What)
	if p.Do != "" {
		b.WriteString("; ")
		b.WriteString(p.Do)
	}
	return b.String()
}

// MaxProblems is the most problems that one list keeps. A file with more is
// not the file that was meant, and the list must stay bounded.
const MaxProblems = 200

// Problems is a list of problems, usable as an error.
type Problems []Problem

// Add appends a problem. Past MaxProblems one last entry says that there are
// more, and the rest is dropped.
func (ps *Problems) Add(at Position, what, do string) {
	switch n := len(*ps); {
	case n < MaxProblems:
		*ps = append(*ps, Problem{at, what, do})
	case n == MaxProblems:
		*ps = append(*ps, Problem{at, "more problems follow from here", "repair the ones above first, then check again"})
	}
}

// Wrong is a problem with a file as a whole.
func Wrong(file, what, do string) Problems {
	return Problems{{Position: Position{File: file}, What: what, Do: do}}
}

// AddError appends an error of the form "what; what to do".
func (ps *Problems) AddError(at Position, err error) {
	what, do, _ := strings.Cut(err.Error(), "; ")
	ps.Add(at, what, do)
}

// AddElsewhere adds those problems that stand where none of ps does. What has the
// wrong shape is decoded all the same, so that a wrong name in it is reported in the same
// pass; what that says of the same places is reported already.
func (ps *Problems) AddElsewhere(more Problems) {
	reported := make(map[Position]bool, len(*ps))
	for _, p := range *ps {
		reported[p.Position] = true
	}
	for _, p := range more {
		if !reported[p.Position] {
			ps.Add(p.Position, p.What, p.Do)
		}
	}
}

// Full tells that further problems would be dropped, so that a costly search
// for a suggestion can be spared.
func (ps Problems) Full() bool { return len(ps) > MaxProblems }

// Sort orders the list by file, line and column; problems at one place keep
// the order in which they were found.
func (ps Problems) Sort() {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// Err returns the sorted list as an error, or nil when it is empty.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	ps.Sort()
	return ps
}

// Error writes one problem a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// PrintableWords is Printable word by word, so that a long remark is kept whole and
// a long word is not. White space becomes single spaces.
func PrintableWords(s string) string {
	words := strings.Fields(s)
	for i, w := range words {
		words[i] = printableTo(w, longest+len("`...`;"), true) // what Quote has cut is not cut again
	}
	return strings.Join(words, " ")
}

// longest is the number of characters of foreign text that a message repeats.
const longest = 60

// Few lists names, so many of them at most: "A1, A2 and 12 more".
func Few(names []string, most int) string {
	text := strings.Join(names[:min(len(names), most)], ", ")
	if more := len(names) - most; more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

// Printable makes foreign text safe to show: characters that do not print, or
// that reorder the line they stand in (bidirectional overrides), are written
// as escapes, and long text is cut.
func Printable(s string) string { return printableTo(s, longest, false) }

func printableTo(s string, most int, free bool) string {
	var b strings.Builder
	n := 0
	for i, r := range s {
		if n == most {
			b.WriteString("...")
			break
		}
		n++
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\uFFFD"):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case printable(r) || free && joins(r):
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

// Quote wraps printable text in backticks, as messages show names.
func Quote(s string) string { return "`" + Printable(s) + "`" }

// printable tells whether a character may stand in a name. Format characters
// (category Cf: bidirectional controls, zero-width joiners, the byte order
// mark), letters that show as nothing (variation selectors, fillers) and every
// space but U+0020 are out, since two names that look the same must be the same.
func printable(r rune) bool {
	const blankBraille = 0x2800 // a sign without dots
	return r < 0x300 && unicode.IsPrint(r) ||
		unicode.IsPrint(r) && r != blankBraille && !unicode.In(r, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector)
}

// Hidden returns the first character of a text that does not show, and so may not
// stand in a name; ok is false where all of them do.
func Hidden(text string) (r rune, ok bool) { return firstUnprintable(text, false) }

// joins tells whether a character shapes the letters beside it, as many scripts and
// emoji need: the zero-width joiner and non-joiner (Unicode 23.2) and the variation
// selectors. Free text may hold it, a name may not.
func joins(r rune) bool {
	return r == 0x200C || r == 0x200D || unicode.Is(unicode.Variation_Selector, r)
}

// firstUnprintable returns the first character of s that a name may not hold.
// Free text, which may run over lines, can hold tabs, line ends, joiners and every
// space as well: nobody has to tell two such texts from each other.
func firstUnprintable(s string, free bool) (rune, bool) {
	for i, r := range s {
		if free && (r == '\n' || r == '\t' || unicode.Is(unicode.Zs, r) || joins(r)) {
			continue
		}
		if r == utf8.RuneError && !strings.HasPrefix(s[i:], "\uFFFD") || !printable(r) {
			return r, true
		}
	}
	return 0, false
}
