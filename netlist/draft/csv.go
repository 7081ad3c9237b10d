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
}

// Keys are the columns that ReadTable knows.
func Keys() []string {
	keys := make([]string, len(headings))
	for i, h := range headings {
		keys[i] = h.key
	}
	return keys
}

// ReadTable reads a table with one row for each pin: part, pin and net, and, in
// any row of a part, its kind, value and title. columns maps keys to headings
// where they are not called alike. The error is document.Problems.
func ReadTable(r io.Reader, file string, columns map[string]string) (*Draft, error) {
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
			problems.Add(t.Heads[0].At, "no column holds the "+key+"s", "say which with a column map, such as "+key+"=HEADING")
		}
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	d := &Draft{}
	index := make(map[string]int)
	hints := make(map[string]string)
	has := make(map[string]bool)
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
			i = len(d.Parts)
			index[name.Text] = i
			d.Parts = append(d.Parts, Part{Name: name.Text, At: name.At})
		}
		p := &d.Parts[i]
		for _, x := range []struct {
			key  string
			into *string
		}{{"value", &p.Value}, {"title", &p.Title}} {
			f := get(x.key)
			switch {
			case f.Text == "":
			case *x.into == "":
				*x.into = f.Text
			case *x.into != f.Text:
				problems.Add(f.At, fmt.Sprintf("%s has the %s %s here and %s before", document.Quote(name.Text), x.key, document.Quote(f.Text), document.Quote(*x.into)), "write the same in every row, or in one only")
			}
		}
		if f := get("kind"); f.Text != "" {
			hints[name.Text] = f.Text
		}
		if has[name.Text+"\x00"+pin.Text] {
			problems.Add(pin.At, fmt.Sprintf("pin %s of %s is there twice", document.Quote(pin.Text), document.Quote(name.Text)), "keep one row for each pin")
			continue
		}
		has[name.Text+"\x00"+pin.Text] = true
		net := get("net").Text
		if slices.Contains([]string{"-", "--", "NC", "nc", "N/C", "n/c", "N.C.", "n.c."}, net) {
			net = ""
		}
		p.Pins = append(p.Pins, Pin{pin.Text, get("function").Text, net})
	}
	d.settle(&problems)
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(d.Parts) == 0 {
		problems.Add(document.Position{File: file}, "holds no pin", "give one row for each pin")
		return nil, problems.Err()
	}
	for i := range d.Parts {
		p := &d.Parts[i]
		p.Sort, p.Kind, p.Guessed = sortOf(p.Name, hints[p.Name])
		for k := range p.Pins {
			// The table may give a pin by its function alone.
			if p.Pins[k].Function == "" {
				p.Pins[k].Function = p.Pins[k].Name
			}
		}
	}
	d.Ground = d.ground()
	return d, nil
}
