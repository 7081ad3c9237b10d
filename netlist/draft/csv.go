package draft

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/draft/table"
)

// headings are what people call the columns of a table of pins.
var headings = []struct {
	key   string
	names []string
}{
	{"part", []string{"ref", "refdes", "reference", "designator", "component", "name"}},
	{"pin", []string{"pad", "pin number", "terminal", "ball"}},
	{"net", []string{"signal", "net name", "node"}},
	{"kind", []string{"type", "class"}},
	{"value", []string{"val"}},
	{"title", []string{"description", "comment"}},
	{"function", []string{"pin name", "pin function"}},
	{"pin type", []string{"electrical type"}},
	{"footprint", []string{"package"}},
}

// Keys are the columns of a table that Read knows.
func Keys() []string {
	keys := make([]string, len(headings))
	for i, h := range headings {
		keys[i] = h.key
	}
	return keys
}

// fromTable reads a table with one row for each pin: part, pin and net, and, in
// any row of a part, its kind, value and title. columns maps keys to headings
// where they are not called alike. The error is document.Problems.
func fromTable(r io.Reader, file string, columns map[string]string) (*Source, error) {
	t, err := table.Read(r, file)
	if err != nil {
		return nil, err
	}
	var problems document.Problems
	at := make(map[string]int)
	for _, h := range headings {
		column, err := t.Column(h.key, columns, h.names...)
		var found document.Problems
		if errors.As(err, &found) {
			problems = append(problems, found...)
		}
		at[h.key] = column
	}
	for key := range columns {
		if !slices.Contains(Keys(), key) {
			problems.Add(document.Position{File: file}, "there is no key "+document.Quote(key)+" for a column", document.Suggest(key, Keys(), "the keys are "+strings.Join(Keys(), ", ")))
		}
	}
	for _, key := range []string{"part", "pin", "net"} {
		if at[key] < 0 && len(problems) == 0 {
			problems.Add(t.Heads[0].At, "no column holds the "+key+"s", "name it with --column, such as --column "+key+"=HEADING")
		}
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	s := &Source{Typed: true}
	index := make(map[string]int)
	for _, row := range t.Rows {
		get := func(key string) table.Field {
			f := row.Get(at[key])
			f.Text = table.Unguard(f.Text)
			return f
		}
		name, pin := get("part"), get("pin")
		if name.Text == "" || pin.Text == "" {
			problems.Add(name.At, "a row without its part or pin", "name both, or remove the row")
			continue
		}
		i, known := index[name.Text]
		if !known {
			i = len(s.Parts)
			index[name.Text] = i
			s.Parts = append(s.Parts, Component{Name: name.Text, At: name.At})
		}
		c := &s.Parts[i]
		for _, x := range []struct {
			key  string
			into *string
		}{{"value", &c.Value}, {"title", &c.Title}, {"kind", &c.Stated}, {"footprint", &c.Footprint}} {
			f := get(x.key)
			switch {
			case f.Text == "":
			case *x.into == "":
				*x.into = f.Text
			case *x.into != f.Text:
				problems.Add(f.At, fmt.Sprintf("%s has the %s %s here and %s before", document.Quote(name.Text), x.key, document.Quote(f.Text), document.Quote(*x.into)), "write the same in every row, or in one only")
			}
		}
		if c.numbers[pin.Text] > 0 {
			problems.Add(pin.At, fmt.Sprintf("pin %s of %s is there twice", document.Quote(pin.Text), document.Quote(name.Text)), "keep one row for each pin")
			continue
		}
		function := get("function").Text
		if function == "" {
			function = pin.Text // a pin may be given by its function alone
		}
		c.pad(Pad{Number: pin.Text, Function: function, Type: get("pin type").Text, Net: get("net").Text})
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(s.Parts) == 0 {
		problems.Add(document.Position{File: file}, "holds no pin", "give one row for each pin")
		return nil, problems.Err()
	}
	return s, nil
}
