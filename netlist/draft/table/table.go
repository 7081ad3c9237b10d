// Package table reads the tables that people keep in spreadsheets and save as
// CSV (RFC 4180): a first line of headings, then one row a line. Fields are
// separated by commas, semicolons or tabs, whichever the first line has most of. A
// map of columns says which heading means what.
package table

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"unicode/utf8"

	"halfsplit/netlist/document"
)

// Limit is the largest table in bytes.
const Limit = 16 << 20

// Table is a table with its headings.
type Table struct {
	File    string
	Heads   []Field
	Rows    []Row
	Decimal bool // a comma may stand for the decimal point: fields are not separated by commas
}

// Row is one row; it has as many fields as there are headings.
type Row []Field

// Field is one field and where it stands.
type Field struct {
	Text string
	At   document.Position
}

// Read reads a table; file is its name in messages. The error is
// document.Problems.
func Read(r io.Reader, file string) (*Table, error) {
	var problems document.Problems
	whole := document.Position{File: file}
	text, err := io.ReadAll(io.LimitReader(r, Limit+1))
	switch {
	case err != nil:
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			err = path.Err
		}
		problems.Add(whole, "cannot be read: "+err.Error(), "name a table saved as CSV")
	case len(text) > Limit:
		problems.Add(whole, fmt.Sprintf("is longer than %d MB", Limit>>20), "split it")
	case bytes.IndexByte(text, 0) >= 0 || !utf8.Valid(text):
		problems.Add(whole, "is not text in UTF-8", "save it as CSV with the encoding UTF-8")
	}
	if problems != nil {
		return nil, problems.Err()
	}
	// Spreadsheets begin UTF-8 with a byte order mark.
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	t := &Table{File: file}
	lines := bytes.SplitAfter(text, []byte("\n"))
	in := csv.NewReader(bytes.NewReader(text))
	in.Comma = separator(text)
	in.FieldsPerRecord = -1
	t.Decimal = in.Comma != ','
	for {
		record, err := in.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			at := whole
			var syntax *csv.ParseError
			if errors.As(err, &syntax) {
				at.Line, at.Column = syntax.Line, characters(lines, syntax.Line, syntax.Column)
				err = syntax.Err
			}
			problems.Add(at, "is not a table: "+err.Error(), "put fields that hold quotes or separators in quotes, and double the quotes inside")
			return nil, problems.Err()
		}
		row := make(Row, len(record))
		blank := true
		for i, text := range record {
			line, column := in.FieldPos(i)
			row[i] = Field{strings.TrimSpace(text), document.Position{File: file, Line: line, Column: characters(lines, line, column)}}
			blank = blank && row[i].Text == ""
		}
		switch {
		case blank:
		case t.Heads == nil:
			t.Heads = row
		case len(row) > len(t.Heads) && !empty(row[len(t.Heads):]):
			problems.Add(row[len(t.Heads)].At, fmt.Sprintf("a field too many: the row has %d and the headings %d", len(row), len(t.Heads)), "put a text that holds the separator in quotes")
		default:
			for len(row) < len(t.Heads) {
				row = append(row, Field{"", row[len(row)-1].At})
			}
			t.Rows = append(t.Rows, row[:len(t.Heads)])
		}
	}
	if t.Heads == nil {
		problems.Add(whole, "holds nothing", "begin it with a line of headings")
	}
	seen := make(map[string]bool)
	for _, h := range t.Heads {
		key := plain(h.Text)
		if key != "" && seen[key] {
			problems.Add(h.At, "the heading "+document.Quote(h.Text)+" is there twice", "rename one of them")
		}
		seen[key] = true
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	return t, nil
}

func empty(row Row) bool {
	return !slices.ContainsFunc(row, func(f Field) bool { return f.Text != "" })
}

// separator is the one of comma, semicolon and tab that the first line has the
// most of outside quotes.
func separator(text []byte) rune {
	line, _, _ := bytes.Cut(text, []byte("\n"))
	quoted := false
	count := map[byte]int{}
	for _, b := range line {
		if b == '"' {
			quoted = !quoted
		} else if !quoted {
			count[b]++
		}
	}
	best := ','
	for _, b := range []byte{';', '\t'} {
		if count[b] > count[byte(best)] {
			best = rune(b)
		}
	}
	return best
}

// characters turns a column counted in bytes from 1 into one in characters.
func characters(lines [][]byte, line, column int) int {
	if line < 1 || line > len(lines) {
		return column
	}
	text := lines[line-1]
	return utf8.RuneCount(text[:min(max(column-1, 0), len(text))]) + 1
}

// plain makes headings comparable: small letters, and none of the signs that
// people put between words.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(" _-.#/", r) {
			return -1
		}
		return r
	}, strings.ToLower(text))
}

// Column finds the column for a key: that whose heading chosen maps it to, else
// the first with one of the given headings. It is -1 where there is none. A
// chosen heading that the table lacks is an error.
func (t *Table) Column(key string, chosen map[string]string, headings ...string) (int, error) {
	if want, ok := chosen[key]; ok {
		for i, h := range t.Heads {
			if plain(h.Text) == plain(want) {
				return i, nil
			}
		}
		var names []string
		for _, h := range t.Heads {
			names = append(names, h.Text)
		}
		return -1, document.Problems{{Position: t.Heads[0].At, What: fmt.Sprintf("no heading is %s, which was to be %s", document.Quote(want), document.Quote(key)), Do: document.Suggest(want, names, "the headings stand in the first line")}}
	}
	for _, want := range append([]string{key}, headings...) {
		for i, h := range t.Heads {
			if plain(h.Text) == plain(want) {
				return i, nil
			}
		}
	}
	return -1, nil
}

// Get returns the field of a column, an empty one where the column is -1.
func (r Row) Get(column int) Field {
	if column < 0 {
		return Field{At: r[0].At}
	}
	return r[column]
}

// Guard puts an apostrophe before a text that begins like a formula, which a
// spreadsheet would run; Unguard takes it away again.
func Guard(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r'", rune(text[0])) {
		return "'" + text
	}
	return text
}

// Unguard undoes Guard.
func Unguard(text string) string {
	if len(text) > 1 && text[0] == '\'' && Guard(text[1:]) != text[1:] {
		return text[1:]
	}
	return text
}

// ParseMap reads a map of columns as the command line writes it: "point=Pin".
func ParseMap(list []string) (map[string]string, error) {
	m := make(map[string]string)
	for _, item := range list {
		key, heading, ok := strings.Cut(item, "=")
		if !ok || key == "" || heading == "" {
			return nil, fmt.Errorf("%s is not a column; write KEY=HEADING, such as point=Pin", document.Quote(item))
		}
		if before, twice := m[key]; twice {
			return nil, fmt.Errorf("%s is given twice, as %s and %s; keep one of them", document.Quote(key), document.Quote(before), document.Quote(heading))
		}
		m[key] = heading
	}
	return m, nil
}
