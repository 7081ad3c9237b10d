package document

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// sample is a shape that uses every feature, on an invented file.
var sample = &Shape{
	Doc:   "An invented file.",
	Means: map[string]string{"connections": "pins"},
	Fields: []Field{
		{"board", true, &Shape{Doc: "Name of the board.", Example: "Kestrel K3"}},
		{"rows", false, &Shape{Enum: []string{"1", "2"}}},
		{"numbering", false, &Shape{Enum: []string{"alternate", "around"}, Means: map[string]string{"anticlockwise": "around"}}},
		{"pins", false, &Shape{OneOf: []*Shape{
			{Item: &Shape{Null: true}, MinItems: 2, MaxItems: 4, Example: "[A, B]"},
			{Key: &Shape{Pattern: `[A-Z]?[0-9]+`, Example: "A1"}, Value: &Shape{Null: true, Example: "GND"}},
		}}},
		{"supply", false, &Shape{Item: &Shape{}, Single: true}},
		{"value", false, &Shape{Example: "22", Parse: func(s string) error {
			if _, err := strconv.ParseFloat(s, 64); err != nil {
				return fmt.Errorf("%s is not a number; write it like 22", strconv.Quote(s))
			}
			return nil
		}}},
		{"event", false, &Shape{OneOf: []*Shape{
			{Fields: []Field{{"open", true, &Shape{}}, {"by", false, &Shape{}}}},
			{Fields: []Field{{"close", true, &Shape{}}}},
		}}},
		{"note", false, &Shape{Lines: true, Null: true}},
		{"volts", false, &Shape{Value: &Shape{}, MinItems: 1}},
	},
}

func decode(t testing.TB, text string) ([]Node, error) {
	t.Helper()
	return Decode(strings.NewReader(text), "x.yaml", 0)
}

func TestCheck(t *testing.T) {
	tests := []struct {
		name, text string
		want       []string
	}{
		{"good", "board: K3\nrows: 2\npins: {A1: ~, 2: -}\nsupply: A1\nvalue: 22\nevent: {open: x, by: y}\nnote: |\n  two\n  lines\n", nil},
		{"good list", "board: K3\npins: [A, null]\nsupply: [A1, A2]\nnote:\n", nil},
		{"unknown key", "board: K3\nnumberign: around\n", []string{"x.yaml:2:1: unknown key `numberign`; did you mean `numbering`?"}},
		{"unknown far key", "board: K3\nx: 1\n", []string{"x.yaml:2:1: unknown key `x`; the keys here are `board`, `rows`, `numbering`, `pins`, `supply`, `value`, `event`, `note`, `volts`"}},
		{"twice", "board: K3\nboard: K4\n", []string{"x.yaml:2:1: the key `board` is there twice, first on line 1; keep one of them"}},
		{"missing", "rows: 1\n", []string{"x.yaml:1:1: the file lacks the key `board`; add it, such as `Kestrel K3`"}},
		{"empty", "board:\nrows: 1\n", []string{"x.yaml:1:1: `board` is empty; give text, such as `Kestrel K3`, or remove it"}},
		{"empty text", "board: ''\n", []string{"x.yaml:1:8: `board` is empty; give text, such as `Kestrel K3`, or remove it"}},
		{"kind", "board: [K3]\n", []string{"x.yaml:1:8: `board` is a list; give text, such as `Kestrel K3`"}},
		{"kind of alternatives", "board: K3\npins: A\n", []string{"x.yaml:2:7: `pins` is text; give a list or a mapping (`key: value`)"}},
		{"top", "[a]\n", []string{"x.yaml:1:1: the file is a list; give a mapping (`key: value`)"}},
		{"enum", "board: K3\nrows: 3\n", []string{"x.yaml:2:7: `rows` cannot be `3`; it is one of `1`, `2`"}},
		{"too few", "board: K3\npins: [A]\n", []string{"x.yaml:2:7: `pins` has 1 of at least 2 entries; add the rest, such as `[A, B]`"}},
		{"no entries", "board: K3\nvolts: {}\n", []string{"x.yaml:2:8: `volts` holds nothing; add what belongs there"}},
		{"too many", "board: K3\npins: [A, A, A, A, A]\n", []string{"x.yaml:2:7: `pins` has 5 entries where at most 4 may be; remove what is too many"}},
		{"pattern of a key", "board: K3\npins: {x: GND}\n", []string{"x.yaml:2:8: the key `x` cannot be `x`; write it like `A1`"}},
		{"parse", "board: K3\nvalue: ten\n", []string{"x.yaml:2:8: `value`: \"ten\" is not a number; write it like 22"}},
		{"event", "board: K3\nevent: {opne: x}\n", []string{"x.yaml:2:9: unknown key `opne`; did you mean `open`?"}},
		{"no event", "board: K3\nevent: {by: x}\n", []string{"x.yaml:2:8: `event` has none of the keys that would tell what it is; add one of `open`, `close`"}},
		{"two events", "board: K3\nevent: {open: x, close: y}\n", []string{"x.yaml:2:18: unknown key `close`; the keys here are `open`, `by`"}},
		{"key is a list", "board: K3\npins: {[a]: b}\n", []string{"x.yaml:2:8: a key of `pins` is a list; keys are names"}},
		{"empty key", "board: K3\npins: {'': b}\n", []string{"x.yaml:2:8: a key of `pins` is empty; give it a name"}},
		{"escape sequence", "board: \"K\\e[31m\"\n", []string{"x.yaml:1:8: `board` holds the character U+001B, which does not show; remove it; names that look alike must be alike"}},
		{"bidi override", "board: \"K\\u202e3\"\n", []string{"x.yaml:1:8: `board` holds the character U+202E, which does not show; remove it; names that look alike must be alike"}},
		{"letter that shows as nothing", "board: \"K\\u31643\"\n", []string{"x.yaml:1:8: `board` holds the character U+3164, which does not show; remove it; names that look alike must be alike"}},
		{"variation selector", "board: \"K\\ufe0f3\"\n", []string{"x.yaml:1:8: `board` holds the character U+FE0F, which does not show; remove it; names that look alike must be alike"}},
		{"blank sign", "board: \"K\\u28003\"\n", []string{"x.yaml:1:8: `board` holds the character U+2800, which does not show; remove it; names that look alike must be alike"}},
		{"letters of other scripts", "board: \"\\u6f22\\u05d0e\\u0301\"\n", nil},
		{"space at an end", "board: 'K3 '\n", []string{"x.yaml:1:8: `board` begins or ends with a space; remove it; names that look alike must be alike"}},
		{"space at the end of a number", "board: K3\nvalue: '22 '\n", []string{"x.yaml:2:8: `value`: \"22 \" is not a number; write it like 22"}},
		{"no-break space in a name", "board: \"K\\u00a03\"\n", []string{"x.yaml:1:8: `board` holds the character U+00A0, which does not show; remove it; names that look alike must be alike"}},
		{"joiner in a name", "board: \"K\\u200d3\"\n", []string{"x.yaml:1:8: `board` holds the character U+200D, which does not show; remove it; names that look alike must be alike"}},
		{"lines in a name", "board: \"K\\n3\"\n", []string{"x.yaml:1:8: `board` holds the character U+000A, which does not show; remove it; names that look alike must be alike"}},
		{"decimal comma", "board: K3\nvolts: {J1: 0,539, J2: 1,J3: 2}\n", []string{"x.yaml:2:13: `0,539` is cut in two by its comma; write a point before the decimals: `0.539`"}},
		{"decimal comma before a key", "event: {open: 4,7u}\nboard: K3\n", []string{"x.yaml:1:15: `4,7u` is cut in two by its comma; write a point before the decimals: `4.7u`"}},
		{"no decimal comma", "board: K3\npins: {A1: G1,A2: ,A3: C}\n", nil},
		{"no decimal comma with a space", "board: K3\nevent: {open: 4, 7u}\n", []string{"x.yaml:2:18: unknown key `7u`; put text that holds a comma in quotes; if it is a key, the keys here are `open`, `by`"}},
		{"another word for a key", "board: K3\nconnections: [A, B]\n", []string{"x.yaml:2:1: unknown key `connections`; did you mean `pins`?"}},
		{"another word for a choice", "board: K3\nnumbering: Anticlockwise\n", []string{"x.yaml:2:12: `numbering` cannot be `Anticlockwise`; did you mean `around`?"}},
		{"all in one pass", "rows: 3\nrws: 1\nvalue: x\n", []string{
			"x.yaml:1:1: the file lacks the key `board`; add it, such as `Kestrel K3`",
			"x.yaml:1:7: `rows` cannot be `3`; it is one of `1`, `2`",
			"x.yaml:2:1: unknown key `rws`; did you mean `rows`?",
			"x.yaml:3:8: `value`: \"x\" is not a number; write it like 22",
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			nodes, err := decode(t, test.text)
			if err != nil || len(nodes) != 1 {
				t.Fatalf("Decode: %d documents, %v", len(nodes), err)
			}
			var got []string
			for _, p := range sample.Check(nodes[0]) {
				got = append(got, p.Error())
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Errorf("Check (-want +got):\n%s", diff)
			}
		})
	}
}

func TestDecodeRefuses(t *testing.T) {
	bomb := "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n"
	tests := []struct {
		name, text string
		want       []string
	}{
		{"alias bomb", bomb, []string{
			"x.yaml:1:4: anchor `&a`; remove it and write values out; if it is a name that starts with &, put it in quotes",
			"x.yaml:2:4: anchor `&b`; remove it and write values out; if it is a name that starts with &, put it in quotes",
			"x.yaml:2:8: alias `*a`; write the value out; if it is a name that starts with *, put it in quotes",
			"x.yaml:2:12: alias `*a`; write the value out; if it is a name that starts with *, put it in quotes",
			"x.yaml:3:5: alias `*b`; write the value out; if it is a name that starts with *, put it in quotes",
			"x.yaml:3:9: alias `*b`; write the value out; if it is a name that starts with *, put it in quotes",
		}},
		{"star name", "a: 1\nb: {c: *RST}\n", []string{"x.yaml:2:8: alias `*RST`; write the value out; if it is a name that starts with *, put it in quotes"}},
		{"merge", "<<: {a: 1}\n", []string{"x.yaml:1:1: merge key `<<`; write the keys out"}},
		{"tag", "a: !!binary aGk=\n", []string{"x.yaml:1:4: tag `!!binary`; remove it; if it is a name that starts with !, put it in quotes"}},
		{"nul", "a: b\x00\n", []string{"x.yaml:1:5: control character U+0000; remove it; these files are plain text"}},
		{"escape", "a: é\x1b[2J\n", []string{"x.yaml:1:5: control character U+001B; remove it; these files are plain text"}},
		{"c1", "a: b\u0085\n", []string{"x.yaml:1:5: control character U+0085; remove it; these files are plain text"}},
		{"not utf-8", "ok: 1\na: \xff\n", []string{"x.yaml:2:4: byte 0xff is not UTF-8 text; save the file as UTF-8 text"}},
		{"utf-16", "\xff\xfea\x00", []string{"x.yaml:1:1: byte 0xff is not UTF-8 text; save the file as UTF-8 text"}},
		{"deep", strings.Repeat("[", 66) + strings.Repeat("]", 66), []string{"x.yaml:1:66: nested deeper than 64 levels; flatten it; no halfsplit file needs more than six"}},
		{"bottomless", strings.Repeat("[", 20000), []string{"x.yaml:1: nested far too deep; flatten it; no halfsplit file needs more than six levels"}},
		{"open brace", "board: K3\npins: {a: b\nrows: 1\n", []string{"x.yaml:2: the { that opens here or just before is not closed as it should be; put a comma between entries and a } at the end"}},
		{"end of file", "board: {{{{", []string{"x.yaml:1: a value is missing or starts with a character that YAML keeps for itself; put the value in quotes"}},
		{"open bracket", "board: K3\npins: [a, b\n", []string{"x.yaml:2: the [ that opens here or just before is not closed as it should be; put a comma between entries and a ] at the end"}},
		{"tab", "a:\n\tb: 1\n", []string{"x.yaml:2: a value starts with a character that YAML keeps for itself (a tab, @, ` or %); indent with spaces, or put the value in quotes"}},
		{"at", "a: 1\nb: @x\n", []string{"x.yaml:2: a value starts with a character that YAML keeps for itself (a tab, @, ` or %); indent with spaces, or put the value in quotes"}},
		{"quote", "a: 1\nb: \"x\n", []string{"x.yaml:2: the file ends inside a quote that opens here or further up; close the quote"}},
		{"colon", "a: 1\nb: c: d\n", []string{"x.yaml:2: a second `: ` on one line, or a line indented too far; put text that holds `: ` in quotes and indent keys of one mapping alike"}},
		{"no colon", "a: 1\nb\nc: 2\n", []string{"x.yaml:2: a line is neither `key: value` nor part of the one before; add the colon and a space after the key"}},
		{"indent", "a:\n  b: 1\n c: 2\n", []string{"x.yaml:3: this line, or one below it in the same mapping, does not line up with its neighbours; indent the keys of one mapping alike, with spaces"}},
		{"marks", strings.Repeat(",", maxMarks+1), []string{"x.yaml:1:500001: more than 500000 entries; split the file, or check that it is the file you meant"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := decode(t, test.text)
			problems, ok := err.(Problems)
			if !ok {
				t.Fatalf("Decode: %v, want Problems", err)
			}
			var got []string
			for _, p := range problems {
				got = append(got, p.Error())
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Errorf("Decode (-want +got):\n%s", diff)
			}
		})
	}
}

func TestStream(t *testing.T) {
	nodes, err := decode(t, "\uFEFFa: 1\r\n---\r\n---\n~\n---\n# nothing\n---\nb: NO\n---\n")
	if err != nil {
		t.Fatal(err)
	}
	if len(nodes) != 2 {
		t.Fatalf("%d documents, want 2", len(nodes))
	}
	if got := nodes[1].Get("b").Text(); got != "NO" {
		t.Errorf("b is %q, want the text as written, NO", got)
	}
	if diff := cmp.Diff(Position{"x.yaml", 8, 4}, nodes[1].Get("b").At()); diff != "" {
		t.Errorf("position of b (-want +got):\n%s", diff)
	}
	if n := nodes[1].Get("c"); n.Exists() || n.Text() != "" || n.Items() != nil || n.Entries() != nil || n.Get("x").Exists() {
		t.Errorf("an absent node is not empty")
	}

	// What stands before a syntax error is still returned.
	nodes, err = decode(t, "a: 1\n---\nb: [\n")
	if len(nodes) != 1 || err == nil {
		t.Errorf("%d documents and %v, want 1 and an error", len(nodes), err)
	}
}

// junk is an endless file that counts what is read from it.
type junk struct{ read int64 }

func (j *junk) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	j.read += int64(len(p))
	return len(p), nil
}

func TestReadBounded(t *testing.T) {
	j := new(junk)
	_, err := Decode(io.LimitReader(j, 100<<20), "big.yaml", 0)
	if want := "big.yaml: is larger than 16 MiB; split it, or check that it is the file you meant"; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
	if j.read > DefaultLimit+1<<20 {
		t.Errorf("read %d bytes of a file that is too large", j.read)
	}
	dir := t.TempDir()
	for path, want := range map[string]string{
		dir:                          dir + ": is a folder, not a file; name a file in it",
		filepath.Join(dir, "absent"): filepath.Join(dir, "absent") + ": cannot be opened: no such file or directory; check the path",
	} {
		if _, err := Read(path, 0); err == nil || err.Error() != want {
			t.Errorf("Read: %v, want %s", err, want)
		}
	}
	path := filepath.Join(dir, "a.yaml")
	if err := os.WriteFile(path, []byte("a: 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if nodes, err := Read(path, 0); err != nil || len(nodes) != 1 || nodes[0].Get("a").At().File != path {
		t.Errorf("Read: %v, %v", nodes, err)
	}
}

func TestProblemsBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("board: K3\n")
	for i := range 5000 {
		fmt.Fprintf(&b, "key%d: 1\n", i)
	}
	nodes, err := decode(t, b.String())
	if err != nil {
		t.Fatal(err)
	}
	problems := sample.Check(nodes[0])
	if len(problems) != MaxProblems+1 || !strings.HasPrefix(problems[MaxProblems].What, "more problems follow") {
		t.Errorf("%d problems, the last %v", len(problems), problems[len(problems)-1])
	}
}

func TestNearest(t *testing.T) {
	candidates := []string{"connectors", "nets", "parts", "R12", "R21", "TP_INT", "VTP_1V8"}
	tests := []struct{ name, want string }{
		{"conectors", "connectors"},
		{"connectros", "connectors"},
		{"Parts", "parts"},
		{"net", "nets"},
		{"r12", "R12"},
		{"con", "connectors"}, // short for it
		{"par", "parts"},      // short, though two errors away
		{"VTP", "VTP_1V8"},
		{"co", ""}, // too short to say
		{"R1", "R12"},
		{"TPINT", "TP_INT"},
		{"VTP_1V", "VTP_1V8"},
		{"zzz", ""},
		{"R99", ""}, // two digits wrong is another part
		{"x", ""},
		{"", ""},
		{strings.Repeat("a", 1000), ""},
	}
	for _, test := range tests {
		if got := Nearest(test.name, candidates); got != test.want {
			t.Errorf("Nearest(%.20q) = %q, want %q", test.name, got, test.want)
		}
	}
}

func TestPrintable(t *testing.T) {
	tests := []struct{ text, want string }{
		{"TP+INT~/#é 日", "TP+INT~/#é 日"},
		{"a\x1b[31mb", `a\u001b[31mb`},
		{"a\u202eb", `a\u202eb`},
		{"a\nb\tc", `a\nb\tc`},
		{"a\xffb", `a\xffb`},
		{strings.Repeat("x", 100), strings.Repeat("x", 60) + "..."},
	}
	for _, test := range tests {
		if got := Printable(test.text); got != test.want {
			t.Errorf("Printable(%q) = %q, want %q", test.text, got, test.want)
		}
	}
}

// A name that Quote has cut stays whole in a sentence.
func TestPrintableWords(t *testing.T) {
	for text, want := range map[string]string{
		"a  b\nc":   "a b c",
		"\x1b[0m x": `\u001b[0m x`,
		Quote(strings.Repeat("x", 100)) + "; repair it": "`" + strings.Repeat("x", 60) + "...`; repair it",
		strings.Repeat("x", 100):                        strings.Repeat("x", 66) + "...",
	} {
		if got := PrintableWords(text); got != want {
			t.Errorf("PrintableWords(%q) = %q, want %q", text, got, want)
		}
	}
}

// fits checks the subset of JSON Schema that Schema prints, written
// from the specification (draft 2020-12, Validation, sections 6 and Core 10)
// and independent of Check.
func fits(s map[string]any, v any) bool {
	if types, ok := s["type"].([]any); ok && !slices.ContainsFunc(types, func(t any) bool {
		switch v := v.(type) {
		case nil:
			return t == "null"
		case bool:
			return t == "boolean"
		case float64:
			return t == "number"
		case string:
			return t == "string"
		case []any:
			return t == "array"
		case map[string]any:
			_ = v
			return t == "object"
		}
		return false
	}) {
		return false
	}
	if enum, ok := s["enum"].([]any); ok && !slices.ContainsFunc(enum, func(e any) bool { return cmp.Equal(e, v) }) {
		return false
	}
	if any, ok := s["anyOf"].([]any); ok && !slices.ContainsFunc(any, func(o interface{}) bool { return fits(o.(map[string]interface{}), v) }) {
		return false
	}
	switch v := v.(type) {
	case string:
		if p, ok := s["pattern"].(string); ok && !regexp.MustCompile(p).MatchString(v) {
			return false
		}
		if n, ok := s["minLength"].(float64); ok && len(v) < int(n) {
			return false
		}
	case []any:
		if n, ok := s["minItems"].(float64); ok && len(v) < int(n) {
			return false
		}
		if n, ok := s["maxItems"].(float64); ok && len(v) > int(n) {
			return false
		}
		if items, ok := s["items"].(map[string]any); ok {
			for _, item := range v {
				if !fits(items, item) {
					return false
				}
			}
		}
	case map[string]any:
		if n, ok := s["minProperties"].(float64); ok && len(v) < int(n) {
			return false
		}
		properties, _ := s["properties"].(map[string]any)
		for _, name := range asList(s["required"]) {
			if _, ok := v[name.(string)]; !ok {
				return false
			}
		}
		for name, value := range v {
			if names, ok := s["propertyNames"].(map[string]any); ok && !fits(names, name) {
				return false
			}
			if p, ok := properties[name].(map[string]any); ok {
				if !fits(p, value) {
					return false
				}
				continue
			}
			switch more := s["additionalProperties"].(type) {
			case bool:
				if !more {
					return false
				}
			case map[string]any:
				if !fits(more, value) {
					return false
				}
			}
		}
	}
	return true
}

func asList(v any) []any { l, _ := v.([]any); return l }

// plainValue is what an editor's YAML reader makes of a node.
func plainValue(n Node) any {
	switch n.Kind() {
	case Text:
		if n.raw.Tag == "!!bool" {
			return n.raw.Value == "true"
		}
		if v, err := strconv.ParseFloat(n.raw.Value, 64); err == nil && (n.raw.Tag == "!!int" || n.raw.Tag == "!!float") {
			return v
		}
		return n.raw.Value
	case List:
		list := []any{}
		for _, i := range n.Items() {
			list = append(list, plainValue(i))
		}
		return list
	case Mapping:
		m := map[string]any{}
		for _, e := range n.Entries() {
			m[e.Name()] = plainValue(e.Value)
		}
		return m
	}
	return nil
}

// The schema and the checker may not drift apart: what the schema refuses, the
// checker refuses; and what the checker refuses for its keys, kinds, counts,
// choices or patterns, the schema refuses.
func TestSchemaAgrees(t *testing.T) {
	var s map[string]any
	if err := json.Unmarshal(sample.Schema("sample"), &s); err != nil {
		t.Fatal(err)
	}
	if s["$schema"] != draft || s["title"] != "sample" {
		t.Errorf("$schema %v, title %v", s["$schema"], s["title"])
	}
	tests := []struct {
		text string
		good bool
	}{
		{"{board: K3}", true},
		{"{board: 3}", true},
		{"{board: K3, rows: 2, pins: {A1: ~, 2: -}, supply: A1, value: 22, event: {open: x, by: y}, note: ~}", true},
		{"{board: K3, rows: '2', pins: [A, ~], supply: [A], event: {close: x}}", true},
		{"{}", false},
		{"{board: ~}", false},
		{"{board: ''}", false},
		{"{board: [K3]}", false},
		{"{board: K3, rowz: 2}", false},
		{"{board: K3, rows: 3}", false},
		{"{board: K3, pins: [A]}", false},
		{"{board: K3, pins: [A, B, C, D, E]}", false},
		{"{board: K3, pins: A}", false},
		{"{board: K3, pins: {x: A}}", false},
		{"{board: K3, supply: {a: b}}", false},
		{"{board: K3, volts: {}}", false},
		{"{board: K3, volts: {J1: 0.5}}", true},
		{"{board: K3, event: {by: x}}", false},
		{"{board: K3, event: {open: x, close: y}}", false},
		{"{board: K3, event: [open]}", false},
		{"[board]", false},
	}
	for _, test := range tests {
		nodes, err := decode(t, test.text)
		if err != nil || len(nodes) != 1 {
			t.Fatalf("%s: %v", test.text, err)
		}
		if got := fits(s, plainValue(nodes[0])); got != test.good {
			t.Errorf("schema takes %s: %v, want %v", test.text, got, test.good)
		}
		if problems := sample.Check(nodes[0]); (len(problems) == 0) != test.good {
			t.Errorf("Check(%s) = %v, want good %v", test.text, problems, test.good)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, text := range []string{
		"board: K3\nrows: 2\npins: {A1: ~, 2: -}\n",
		"a: &a [x]\nb: *a\n", "a: !!binary x\n", "? [a]\n: b\n", "a: |\n  x\n", "\"\\u202e\": 1\n", "a: 1\n---\nb: [\n", "<<: {}\n", "%YAML 1.1\n---\na: 1\n",
	} {
		f.Add([]byte(text))
	}
	var s map[string]any
	if err := json.Unmarshal(sample.Schema("sample"), &s); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		nodes, err := Decode(bytes.NewReader(text), "x.yaml", 1<<16)
		if err != nil {
			for _, p := range err.(Problems) {
				if p.Do == "" {
					t.Errorf("%v: nothing to do about it", p)
				}
				if r, bad := firstUnprintable(p.Error(), false); bad {
					t.Errorf("message %q holds U+%04X", p.Error(), r)
				}
			}
			return
		}
		for _, n := range nodes {
			problems := sample.Check(n)
			for _, p := range problems {
				if r, bad := firstUnprintable(p.Error(), false); bad {
					t.Errorf("message %q holds U+%04X", p.Error(), r)
				}
			}
			if len(problems) == 0 && !fits(s, plainValue(n)) {
				t.Errorf("Check takes what the schema refuses: %q", text)
			}
		}
	})
}
