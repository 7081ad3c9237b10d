// Package exchange carries known-good readings to and from the tables that
// people keep in spreadsheets, and onto paper.
//
// ReadCSV makes sweeps of a table, WriteCSV a table of sweeps: one row for each
// reading, with columns for what a sweep file says. What WriteCSV has written
// ReadCSV reads back the same. WriteSheet prints a connector with the readings at
// its pins as one HTML page.
package exchange

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/draft/table"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Columns of a table of readings, beside those of the meter.
const (
	keyPoint    = "point"
	keyPlug     = "connector" // that pins without its name are of
	keyReading  = "reading"
	keyUnit     = "unit" // of the reading: V or mV
	keySample   = "sample"
	keyBy       = "by"
	keyTaken    = "taken"
	keyPolarity = "polarity"
	keyCelsius  = "temperature"
	keyBattery  = "battery"
	keyMeter    = "meter"
	keySweep    = "sweep" // distinguishes what is alike in all the others: the file's name, as a rule

	keyUnplugged = "unplugged" // connectors, separated by spaces
	keyBefore    = "supply_before"
	keyAfter     = "supply_after"
)

// sweepKeys are the columns that say what holds for a whole sweep.
var sweepKeys = append([]string{keySweep, keySample, keyBy, keyTaken, keyPolarity, keyCelsius, keyBattery, keyUnplugged, keyBefore, keyAfter, keyMeter}, references.MeterKeys...)

// headings are what people call the columns.
var headings = map[string][]string{
	keyPoint:    {"pin", "at", "terminal", "testpoint"},
	keyPlug:     {"plug"},
	keyReading:  {"volts", "value", "diode", "drop", "mv", "v"},
	keySample:   {"board sample", "serial"},
	keyUnit:     {"units"},
	keyBy:       {"bench", "who"},
	keyTaken:    {"date", "time"},
	keyCelsius:  {"celsius", "temp"},
	keyPolarity: {"probes"},
}

// Options say how a table is to be read.
type Options struct {
	// Columns maps keys to headings where they are not called alike. The key
	// `reading:014` makes a column the readings of sample 014; a table may have
	// several of them.
	Columns map[string]string
	// Values are for all rows, by key, where the table has no such column.
	Values map[string]string
	// Unit is "V" or "mV" where all readings are in it, and "" where they are
	// written as in sweep files.
	Unit string
}

// readingColumn is a column of readings and the sample it is of; "" where a
// column of its own says.
type readingColumn struct {
	sample string
	column int
}

// ReadCSV makes sweeps of a table: one for each sample, date, person, meter and
// polarity in it, in the order in which they first stand there. unused are the
// headings of columns that nothing was read from. The error is document.Problems.
func ReadCSV(r io.Reader, file string, b *netlist.Board, o Options) (sweeps []*references.Sweep, unused []string, err error) {
	t, err := table.Read(r, file)
	if err != nil {
		return nil, nil, err
	}
	in := reader{table: t, board: b, options: o, columns: make(map[string]int)}
	if err := in.findColumns(); err != nil {
		return nil, nil, err
	}
	for _, row := range t.Rows {
		in.row(row)
	}
	if len(in.sweeps) == 0 && len(in.problems) == 0 {
		in.problems.Add(document.Position{File: file}, "holds no reading", "give one row for each point, or map the column of readings")
	}
	return in.sweeps, in.unused(), in.problems.Err()
}

// unused lists the headings of columns that mean nothing here.
func (in *reader) unused() []string {
	used := make(map[int]bool)
	for _, column := range in.columns {
		used[column] = true
	}
	for _, c := range in.readings {
		used[c.column] = true
	}
	var heads []string
	for i, h := range in.table.Heads {
		if !used[i] && h.Text != "" {
			heads = append(heads, h.Text)
		}
	}
	return heads
}

type reader struct {
	table    *table.Table
	board    *netlist.Board
	options  Options
	columns  map[string]int
	readings []readingColumn
	problems document.Problems
	sweeps   []*references.Sweep
	byKey    map[string]*references.Sweep
	has      map[string]bool // sweep and point
	decimals map[int]bool    // columns of readings that have a decimal point in them
}

func (in *reader) findColumns() error {
	keys := append([]string{keyPoint, keyPlug, keyUnit, "board", "revision"}, sweepKeys...)
	var problems document.Problems
	find := func(key string) int {
		column, err := in.table.Column(key, in.options.Columns, headings[key]...)
		var found document.Problems
		if errors.As(err, &found) {
			problems = append(problems, found...)
		}
		return column
	}
	for _, key := range keys {
		in.columns[key] = find(key)
	}
	var wide []string
	for key := range in.options.Columns {
		base, _, _ := strings.Cut(key, ":")
		switch {
		case key == keyReading+":":
			problems.Add(document.Position{File: in.table.File}, document.Quote(key)+" names no sample", "write reading:014=Board 14")
		case strings.HasPrefix(key, keyReading+":"):
			wide = append(wide, key)
		case !slices.Contains(keys, base) && base != keyReading:
			problems.Add(document.Position{File: in.table.File}, "there is no key "+document.Quote(key)+" for a column", document.Suggest(key, append(keys, keyReading), "the keys are "+strings.Join(append(keys, keyReading), ", ")))
		}
	}
	for key := range in.options.Values {
		if !slices.Contains(keys, key) {
			problems.Add(document.Position{File: in.table.File}, "there is no key "+document.Quote(key)+" for a value", document.Suggest(key, keys, "the keys are "+strings.Join(keys, ", ")))
		}
	}
	slices.Sort(wide)
	for _, key := range wide {
		in.readings = append(in.readings, readingColumn{strings.TrimPrefix(key, keyReading+":"), find(key)})
	}
	if len(wide) == 0 {
		in.readings = []readingColumn{{"", find(keyReading)}}
	}
	at := in.table.Heads[0].At
	if in.columns[keyPoint] < 0 && len(problems) == 0 {
		problems.Add(at, "no column holds the points", "name the column with --column, such as --column point=Pin")
	}
	if in.readings[0].column < 0 && len(problems) == 0 {
		problems.Add(at, "no column holds the readings", "name it with --column, such as --column reading=Volts or --column \"reading:014=Board 14\"")
	}
	if u := in.options.Unit; u != "" && u != "V" && u != "mV" {
		problems.Add(document.Position{File: in.table.File}, "readings cannot be in "+document.Quote(u), "write V or mV")
	}
	in.byKey, in.has, in.decimals = make(map[string]*references.Sweep), make(map[string]bool), make(map[int]bool)
	for _, c := range in.readings {
		in.decimals[c.column] = slices.ContainsFunc(in.table.Rows, func(row table.Row) bool {
			_, err := strconv.ParseFloat(in.point(row.Get(c.column).Text), 64)
			return err == nil && strings.Contains(in.point(row.Get(c.column).Text), ".")
		})
	}
	return problems.Err()
}

// value is what a row says for a key, or what all rows say.
func (in *reader) value(row table.Row, key string) table.Field {
	f := row.Get(in.columns[key])
	f.Text = table.Unguard(f.Text)
	if f.Text == "" {
		f.Text = in.options.Values[key]
	}
	return f
}

func (in *reader) row(row table.Row) {
	if in.problems.Full() {
		return
	}
	point := in.value(row, keyPoint)
	if point.Text == "" {
		for _, c := range in.readings {
			if f := row.Get(c.column); f.Text != "" {
				in.problems.Add(f.At, "a reading without its point", "name the point in the same row")
				return
			}
		}
		return // a row of remarks
	}
	p, err := in.board.Point(point.Text)
	if plug := in.value(row, keyPlug).Text; err != nil && plug != "" {
		point.Text = plug + "." + point.Text
		p, err = in.board.Point(point.Text)
	}
	if err != nil {
		what, do, _ := strings.Cut(err.Error(), "; ")
		if _, bare := strconv.Atoi(point.Text); bare == nil {
			do = "name its connector, in a column of its own or with --value connector=J7"
		}
		in.problems.Add(point.At, what, do)
		return
	}
	for key, want := range map[string]string{"board": in.board.Name, "revision": in.board.Revision} {
		if f := in.value(row, key); f.Text != "" && f.Text != want {
			in.problems.Add(f.At, fmt.Sprintf("taken on %s %s, not on %s", key, document.Quote(f.Text), document.Quote(want)), "readings never mix between boards or revisions: use the board file that they belong to")
			return
		}
	}
	unit := in.options.Unit
	if f := in.value(row, keyUnit); f.Text != "" {
		if unit = f.Text; unit != "V" && unit != "mV" {
			in.problems.Add(f.At, "readings cannot be in "+document.Quote(unit), "write V or mV")
			return
		}
	}
	for _, c := range in.readings {
		f := row.Get(c.column)
		if strings.Trim(f.Text, "-\u2013\u2014") == "" {
			continue // not read
		}
		if f.Text == "1" && unit == "" && in.decimals[c.column] {
			in.problems.Add(f.At, "a lone `1` among readings with a decimal point would be a millivolt, and is OL on the display of many meters", "write OL or 0.001, or say the unit with --unit")
			continue
		}
		reading, err := in.reading(table.Unguard(f.Text), unit)
		if err != nil {
			in.problems.AddError(f.At, err)
			continue
		}
		s := in.sweep(row, c.sample)
		if s == nil {
			return
		}
		key := fmt.Sprintf("%p|%s", s, point.Text)
		switch {
		case in.has[key]:
			in.problems.Add(f.At, document.Quote(point.Text)+" is read twice in one sweep", "keep one reading, or tell the sweeps apart by sample, date or person")
			continue
		case reading.Value > s.Meter.Over:
			in.problems.Add(f.At, fmt.Sprintf("%s is above %s, where the meter shows OL", document.Quote(f.Text), quantity.Format(s.Meter.Over, quantity.Volt)), "write OL, or say that the readings are in mV")
			continue
		}
		in.has[key] = true
		s.Readings = append(s.Readings, references.PointReading{At: p, Name: point.Text, Reading: reading})
	}
}

// comma is a number with a comma for its decimal point, and what follows it, such
// as its unit.
var comma = regexp.MustCompile(`^([-+]?[0-9]+),([0-9]+([^0-9,].*)?)$`)

// number is value where a number is wanted.
func (in *reader) number(row table.Row, key string) table.Field {
	f := in.value(row, key)
	f.Text = in.point(f.Text)
	return f
}

// point writes a number with a decimal point, in tables that have commas for them.
func (in *reader) point(text string) string {
	if in.table.Decimal {
		return comma.ReplaceAllString(text, "$1.$2")
	}
	return text
}

func (in *reader) reading(text, unit string) (quantity.Reading, error) {
	text = in.point(text)
	if _, err := strconv.ParseFloat(text, 64); err == nil && unit != "" {
		text += " " + unit
	}
	reading, err := quantity.ParseReading(text)
	if err == nil && reading.Unit != quantity.Volt {
		err = errors.New(document.Quote(text) + " is a resistance; a sweep holds diode-mode readings, volts or OL")
	}
	return reading, err
}

// sweep finds or begins the sweep that a row belongs to, nil where the row is
// wrong.
func (in *reader) sweep(row table.Row, sample string) *references.Sweep {
	if sample == "" {
		sample = in.value(row, keySample).Text
	}
	parts := []string{sample}
	for _, key := range sweepKeys {
		if key == keySample {
			continue
		}
		parts = append(parts, in.value(row, key).Text)
	}
	key := strings.Join(parts, "\x00")
	if s := in.byKey[key]; s != nil {
		return s
	}
	before := len(in.problems)
	s := &references.Sweep{
		File: in.table.File, Board: in.board.Name, Revision: in.board.Revision, Sample: sample, By: in.value(row, keyBy).Text,
		State: references.State{Celsius: references.RoomCelsius},
	}
	take(in, in.value(row, keyTaken), &s.Taken, func(text string) (time.Time, error) {
		if day, err := time.Parse("2.1.2006", text); err == nil {
			return day, nil
		}
		return references.ParseTime(text)
	})
	take(in, in.value(row, keyPolarity), &s.State.Polarity, func(text string) (references.Polarity, error) {
		pol, ok := references.ParsePolarity(text)
		if !ok {
			return pol, fmt.Errorf("%s is not a polarity; write red-on-ground or black-on-ground", document.Quote(text))
		}
		return pol, nil
	})
	take(in, in.value(row, keyBattery), &s.State.Battery, func(text string) (string, error) { return text, references.CheckBattery(text) })
	take(in, in.number(row, keyCelsius), &s.State.Celsius, references.ParseCelsius)
	take(in, in.number(row, keyBefore), &s.Supply.Before, references.ParseSpan)
	take(in, in.number(row, keyAfter), &s.Supply.After, references.ParseSpan)
	for _, name := range strings.Fields(in.value(row, keyUnplugged).Text) {
		if _, err := in.board.ConnectorByName(name); err != nil {
			in.problems.AddError(in.value(row, keyUnplugged).At, err)
		}
		s.State.Unplugged = append(s.State.Unplugged, name)
	}
	for _, f := range []table.Field{{Text: sample, At: in.value(row, keySample).At}, in.value(row, keyBy), in.value(row, keyMeter)} {
		if r, hidden := document.Hidden(f.Text); hidden {
			in.problems.AddError(f.At, fmt.Errorf("%s holds the character U+%04X, which does not show; leave it out", document.Quote(f.Text), r))
		}
	}
	s.Meter = in.meter(row)
	for _, key := range append(slices.Clip(references.MeterKeys), keyPolarity, keyCelsius) {
		if in.value(row, key).Text == "" {
			s.Unsaid = append(s.Unsaid, key)
		}
	}
	if len(in.problems) > before {
		return nil
	}
	in.byKey[key] = s
	in.sweeps = append(in.sweeps, s)
	return s
}

// take reads what a field says, where it says something.
func take[T any](in *reader, f table.Field, into *T, parse func(string) (T, error)) {
	if f.Text == "" {
		return
	}
	var err error
	if *into, err = parse(f.Text); err != nil {
		in.problems.AddError(f.At, err)
	}
}

// meter reads the columns of the meter.
func (in *reader) meter(row table.Row) references.Meter {
	var fields document.Flow
	at := row.Get(in.columns[keyMeter]).At
	for _, key := range references.MeterKeys {
		if f := in.number(row, key); f.Text != "" {
			fields.Add(key, document.Scalar(f.Text))
			at = f.At
		}
	}
	m, err := references.ParseMeter(fields.String())
	var found document.Problems
	if errors.As(err, &found) {
		for _, p := range found {
			in.problems.Add(at, p.What, p.Do)
		}
	} else if err != nil {
		in.problems.Add(at, err.Error(), "")
	}
	m.Name = in.value(row, keyMeter).Text
	return m
}

// WriteCSV writes sweeps as a table, one row for each reading.
func WriteCSV(w io.Writer, sweeps []*references.Sweep) error {
	out := csv.NewWriter(w)
	heads := append([]string{"board", "revision", keyPoint, keyReading}, sweepKeys...)
	if err := out.Write(heads); err != nil {
		return err
	}
	for _, s := range sweeps {
		file := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(s.File), ".yaml"), ".yml")
		if _, hidden := document.Hidden(file); hidden {
			file = document.Printable(file)
		}
		for _, r := range s.Readings {
			row := append([]string{s.Board, s.Revision, r.Name, quantity.FormatReading(r.Reading),
				file, s.Sample, s.By, s.TakenText(), s.State.Polarity.String(), strconv.FormatFloat(s.State.Celsius, 'g', -1, 64), s.State.Battery, strings.Join(s.State.Unplugged, " "), s.Supply.Before.String(), s.Supply.After.String(), s.Meter.Name}, s.Meter.Values()...)
			for i, text := range row {
				if slices.Contains(s.Unsaid, heads[i]) {
					row[i] = ""
					continue
				}
				if _, err := strconv.ParseFloat(text, 64); err != nil {
					row[i] = table.Guard(text)
				}
			}
			if err := out.Write(row); err != nil {
				return err
			}
		}
	}
	out.Flush()
	return out.Error()
}
