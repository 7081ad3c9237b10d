package document

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"
)

// Shape describes what may stand at one place of a file. Exactly one of these
// groups is set:
//
//   - Fields: a mapping with these keys and no others;
//   - Value (with Key): a mapping whose keys the writer chooses;
//   - Item: a list;
//   - OneOf: one of several shapes, distinguished by kind of node, and mappings
//     among themselves by which has all its required keys;
//   - none of them: a scalar, restricted by Enum, Pattern and Parse.
//
// Shapes are built once as package variables and not changed afterwards.
type Shape struct {
	Doc     string // one sentence, shown by editors
	Example string // a value as the file writes it, shown by editors

	// Null allows the value to be empty, `~` or `null`.
	Null bool

	// A scalar is one of Enum where that is set. Pattern is a regular
	// expression in the syntax that Go and ECMA-262 share; it has to match the
	// whole text. Parse has the last word and its error is shown as it is; an
	// error written "what; what to do" is split there. Lines is for free text: it
	// may run over several lines and hold what a name may not (joiners, no-break
	// spaces).
	Enum    []string
	Pattern string
	Parse   func(text string) error
	Lines   bool

	// Means holds other words that people write for a scalar of Enum or for a key
	// of Fields, in small letters, with the word that is meant. They are refused
	// all the same, but the message names what to write.
	Means map[string]string

	// Also holds other words for a scalar of Enum, in small letters, that are taken
	// for it; then capital letters do not matter either. Word says which is meant.
	Also map[string]string

	// Was holds the former words for scalars of Enum and for keys of Fields. They
	// are refused, and the message says what they are now.
	Was map[string]string

	Fields []Field

	Key   *Shape // a scalar; nil for any name
	Value *Shape

	Item     *Shape
	MinItems int  // of a list, or of a mapping whose keys the writer chooses
	MaxItems int  // of a list; 0 means any number
	Single   bool // a single text may stand for a list of one

	OneOf []*Shape
}

// Field is one fixed key of a mapping.
type Field struct {
	Name     string
	Required bool
	Shape    *Shape
}

// Check compares a node with the shape and returns everything that does not
// fit, in file order. A node that passes can be walked without further tests
// of kind, keys or emptiness.
func (s *Shape) Check(n Node) Problems {
	var problems Problems
	s.check(n, label{"the file", ""}, &problems)
	problems.Sort()
	return problems
}

// kinds lists the kinds of node that the shape takes, Null aside.
func (s *Shape) kinds() []Kind {
	switch {
	case s.OneOf != nil:
		var all []Kind
		for _, o := range s.OneOf {
			for _, k := range o.kinds() {
				if !slices.Contains(all, k) {
					all = append(all, k)
				}
			}
		}
		return all
	case s.Fields != nil || s.Value != nil:
		return []Kind{Mapping}
	case s.Item != nil && s.Single:
		return []Kind{Text, List}
	case s.Item != nil:
		return []Kind{List}
	}
	return []Kind{Text}
}

// wanted describes the kinds in a message: "a list or a mapping".
func (s *Shape) wanted() string {
	var names []string
	for _, k := range s.kinds() {
		name := k.String()
		if k == Mapping {
			name += " (`key: value`)"
		}
		names = append(names, name)
	}
	return strings.Join(names, " or ")
}

// label names a place in messages: "the file", "`pins`", "the key `7`". It is put
// into words only where there is something to say.
type label struct{ before, name string }

func (l label) String() string {
	switch {
	case l.name == "":
		return l.before
	case l.before == "":
		return Quote(l.name)
	}
	return l.before + " " + Quote(l.name)
}

// check is Check; what names the place in messages.
func (s *Shape) check(n Node, what label, problems *Problems) {
	kind := n.Kind()
	if kind == Nothing {
		if !s.allowsNull() {
			problems.Add(n.At(), what.String()+" is empty", "give "+s.wanted()+s.example()+", or remove it")
		}
		return
	}
	if !slices.Contains(s.kinds(), kind) {
		problems.Add(n.At(), fmt.Sprintf("%s is %s", what, kind), "give "+s.wanted()+s.example())
		return
	}
	switch {
	case s.OneOf != nil:
		if option := s.option(n, what, problems); option != nil {
			option.check(n, what, problems)
		}
	case s.Fields != nil:
		s.checkFields(n, what, problems)
	case s.Value != nil:
		s.checkFree(n, what, problems)
	case s.Item != nil:
		s.checkList(n, what, problems)
	default:
		s.checkText(n.At(), n.raw.Value, what, problems)
	}
}

func (s *Shape) allowsNull() bool {
	return s.Null || slices.ContainsFunc(s.OneOf, (*Shape).allowsNull)
}

// example is ", such as `x`" where the shape has one.
func (s *Shape) example() string {
	if s.Example == "" {
		return ""
	}
	return ", such as " + Quote(s.Example)
}

// option chooses the one shape of OneOf that the node is meant for.
func (s *Shape) option(n Node, what label, problems *Problems) *Shape {
	var fits []*Shape
	for _, o := range s.OneOf {
		if slices.Contains(o.kinds(), n.Kind()) {
			fits = append(fits, o)
		}
	}
	if len(fits) == 1 || n.Kind() != Mapping {
		return fits[0]
	}
	var marks []string
	for _, o := range fits {
		all, some := true, false
		for _, f := range o.Fields {
			if f.Required {
				some = true
				all = all && n.Get(f.Name).Exists()
				if !slices.Contains(marks, f.Name) {
					marks = append(marks, f.Name)
				}
			}
		}
		if all && some || o.Value != nil {
			return o
		}
	}
	// No option is complete: name the key that was probably meant.
	for _, e := range n.Entries() {
		if near := Nearest(e.Name(), marks); near != "" {
			problems.Add(e.Key.At(), "unknown key "+Quote(e.Name()), "did you mean "+Quote(near)+"?")
			return nil
		}
	}
	problems.Add(n.At(), what.String()+" has none of the keys that would tell what it is", "add one of "+quoteAll(marks))
	return nil
}

func (s *Shape) checkFields(n Node, what label, problems *Problems) {
	entries := n.Entries()
	seen := make(map[string]int, len(entries))
	for at, e := range entries {
		name, ok := key(e, what, seen, problems)
		if !ok {
			continue
		}
		i := slices.IndexFunc(s.Fields, func(f Field) bool { return f.Name == name })
		if i < 0 {
			if problems.Full() {
				return
			}
			if decimalComma(entries, at, problems) {
				continue
			}
			names := make([]string, len(s.Fields))
			for i, f := range s.Fields {
				names[i] = f.Name
			}
			if now, ok := s.Was[name]; ok {
				problems.Add(e.Key.At(), Quote(name)+" is now "+now, "write it so")
				continue
			}
			do := s.suggest(name, names, "the keys here are "+quoteAll(names))
			if e.Value.Kind() == Nothing && at > 0 && entries[at-1].Key.At().Line == e.Key.At().Line { // between braces
				do = "put text that holds a comma in quotes; if it is a key, " + do
			}
			problems.Add(e.Key.At(), "unknown key "+Quote(name), do)
			continue
		}
		value := e.Value
		if value.Kind() == Nothing {
			// An empty value has no place of its own worth pointing at.
			value.raw.Line, value.raw.Column = e.Key.At().Line, e.Key.At().Column
		}
		s.Fields[i].Shape.check(value, label{"", name}, problems)
	}
	for _, f := range s.Fields {
		if _, ok := seen[f.Name]; f.Required && !ok {
			problems.Add(n.At(), what.String()+" lacks the key "+Quote(f.Name), "add it"+f.Shape.example())
		}
	}
}

func (s *Shape) checkFree(n Node, what label, problems *Problems) {
	entries := n.Entries()
	s.checkCount(n, len(entries), what, problems)
	seen := make(map[string]int, len(entries))
	for at, e := range entries {
		name, ok := key(e, what, seen, problems)
		if !ok || !s.Value.allowsNull() && decimalComma(entries, at, problems) {
			continue
		}
		if s.Key != nil {
			s.Key.checkText(e.Key.At(), name, label{"the key", name}, problems)
		} else {
			free.checkText(e.Key.At(), name, label{"the key", name}, problems)
		}
		value := e.Value
		if value.Kind() == Nothing {
			value.raw.Line, value.raw.Column = e.Key.At().Line, e.Key.At().Column
		}
		s.Value.check(value, label{"", name}, problems)
	}
}

// Word gives the word of Enum that a text stands for; ok is false where it is none.
func (s *Shape) Word(text string) (word string, ok bool) {
	if s.Also != nil {
		text = strings.ToLower(text)
		if word, ok := s.Also[text]; ok {
			return word, true
		}
	}
	return text, slices.Contains(s.Enum, text)
}

// suggest is Suggest after a look at what people call things.
func (s *Shape) suggest(name string, candidates []string, otherwise string) string {
	if meant, ok := s.Means[strings.ToLower(name)]; ok {
		return "did you mean " + Quote(meant) + "?"
	}
	return Suggest(name, candidates, otherwise)
}

// decimalComma tells that the entry is the tail of a number written with a comma,
// which ends a value between braces: `{value: 4,7u}` has the keys `value` and `7u`.
func decimalComma(entries []Entry, at int, problems *Problems) bool {
	e := entries[at]
	if at == 0 || e.Value.Kind() != Nothing || !digit(e.Name()[0]) {
		return false
	}
	before := entries[at-1].Value
	head := before.Text()
	if head == "" || !digit(head[len(head)-1]) || before.At().Line != e.Key.At().Line || e.Key.At().Column != before.At().Column+utf8.RuneCountInString(head)+1 {
		return false
	}
	problems.Add(before.At(), fmt.Sprintf("%s is cut in two by its comma", Quote(head+","+e.Name())), "write a point before the decimals: "+Quote(head+"."+e.Name()))
	return true
}

func digit(c byte) bool { return '0' <= c && c <= '9' }

// free is a name that the writer chooses.
var free = &Shape{}

// key checks what holds for every key: that it is text, not empty, and there
// once; seen has the line on which each stands.
func key(e Entry, what label, seen map[string]int, problems *Problems) (string, bool) {
	if k := e.Key.Kind(); k == List || k == Mapping {
		problems.Add(e.Key.At(), "a key of "+what.String()+" is "+k.String(), "keys are names")
		return "", false
	}
	name := e.Name()
	if name == "" {
		problems.Add(e.Key.At(), "a key of "+what.String()+" is empty", "give it a name")
		return "", false
	}
	if first, twice := seen[name]; twice {
		problems.Add(e.Key.At(), fmt.Sprintf("the key %s is there twice, first on line %d", Quote(name), first), "keep one of them")
		return "", false
	}
	seen[name] = e.Key.raw.Line
	return name, true
}

func (s *Shape) checkList(n Node, what label, problems *Problems) {
	items := n.Items()
	s.checkCount(n, len(items), what, problems)
	if s.MaxItems > 0 && len(items) > s.MaxItems {
		problems.Add(n.At(), fmt.Sprintf("%s has %d entries where at most %d may be", what, len(items), s.MaxItems), "remove what is too many")
	}
	place := label{"an entry of " + what.String(), ""}
	if n.Kind() == Text {
		place = what
	}
	for _, item := range items {
		s.Item.check(item, place, problems)
	}
}

// checkCount checks that there are entries enough.
func (s *Shape) checkCount(n Node, entries int, what label, problems *Problems) {
	switch {
	case entries >= s.MinItems:
	case entries == 0:
		problems.Add(n.At(), what.String()+" holds nothing", "add what belongs there"+s.example())
	default:
		problems.Add(n.At(), fmt.Sprintf("%s has %d of at least %d entries", what, entries, s.MinItems), "add the rest"+s.example())
	}
}

func (s *Shape) checkText(at Position, text string, what label, problems *Problems) {
	if text == "" {
		problems.Add(at, what.String()+" is empty", "give "+s.wanted()+s.example()+", or remove it")
		return
	}
	if r, bad := firstUnprintable(text, s.Lines); bad {
		problems.Add(at, fmt.Sprintf("%s holds the character U+%04X, which does not show", what, r), "remove it; names that look alike must be alike")
		return
	}
	if !s.Lines && s.Parse == nil && strings.TrimSpace(text) != text {
		problems.Add(at, what.String()+" begins or ends with a space", "remove it; names that look alike must be alike")
		return
	}
	if word, ok := s.Word(text); s.Enum != nil && !ok {
		if now, ok := s.Was[word]; ok {
			problems.Add(at, Quote(text)+" is now "+now, "write it so")
			return
		}
		near := s.Enum
		if len(s.Enum) <= 4 {
			near = nil // all of them fit on the line
		}
		problems.Add(at, fmt.Sprintf("%s cannot be %s", what, Quote(text)), s.suggest(text, near, "it is one of "+quoteAll(s.Enum)))
		return
	}
	if s.Parse != nil {
		if err := s.Parse(text); err != nil {
			why, do, _ := strings.Cut(err.Error(), "; ")
			problems.Add(at, what.String()+": "+why, do)
			return
		}
	}
	if s.Pattern != "" && !expression(s.Pattern).MatchString(text) {
		problems.Add(at, fmt.Sprintf("%s cannot be %s", what, Quote(text)), "write it like "+Quote(s.Example))
	}
}

// compiled keeps each pattern's compiled form; the patterns are program text,
// so that it cannot grow without end.
var compiled sync.Map

func expression(pattern string) *regexp.Regexp {
	if e, ok := compiled.Load(pattern); ok {
		return e.(*regexp.Regexp)
	}
	e := regexp.MustCompile(anchored(pattern))
	compiled.Store(pattern, e)
	return e
}

// anchored makes a pattern match whole texts, here and in the JSON Schema.
func anchored(pattern string) string { return "^(?:" + pattern + ")$" }

// quoteAll lists names: "`a`, `b`, `c`".
func quoteAll(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = Quote(n)
	}
	return strings.Join(quoted, ", ")
}
