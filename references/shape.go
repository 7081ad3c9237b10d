package references

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// MeterShape describes the `meter` mapping of sweep and case files.
func MeterShape() *document.Shape { return meterShape }

// SweepShape describes a sweep file.
func SweepShape() *document.Shape { return sweepShape }

// WithdrawShape describes the small file that takes a sweep out of use.
func WithdrawShape() *document.Shape { return withdrawShape }

// PolarityShape describes a `polarity` value in sweep and case files.
func PolarityShape() *document.Shape { return polarityShape }

// TimeShape describes a `taken` or `time` value.
func TimeShape() *document.Shape { return timeShape }

var meterShape = &document.Shape{
	Was: wasMeterKey,
	Doc: "The multimeter. What is left out is taken from a common hand meter: 1 mA up to 3 V, OL above 2 V, 0.5% + 2 counts of 1 mV.",
	Fields: []document.Field{
		{Name: "name", Shape: &document.Shape{Doc: "Which meter, in your words.", Example: "bench 2"}},
		{Name: "test_current", Shape: quantityShape("Current through joined probes in diode mode.", "1 mA", quantity.Ampere, 1e-6, 0.1)},
		{Name: "open_voltage", Shape: quantityShape("Voltage between open probes in diode mode.", "3 V", quantity.Volt, 0.2, 30)},
		{Name: "overload_above", Shape: quantityShape("The display shows OL above this voltage in diode mode.", "2 V", quantity.Volt, 0.2, 30)},
		{Name: "accuracy", Shape: &document.Shape{
			Doc:     "Accuracy in diode mode: share of the reading and counts of the last digit.",
			Example: "0.5% + 2",
			Parse:   func(text string) error { _, _, err := parseAccuracy(text); return err },
		}},
		{Name: "resolution", Shape: quantityShape("Voltage of one count of the last digit in diode mode.", "1 mV", quantity.Volt, 1e-6, 0.1)},
		{Name: "source", Shape: &document.Shape{
			Doc:     "constant-current up to the open voltage (most meters), or the open voltage behind a resistance.",
			Example: "constant-current",
			Enum:    sourceNames,
		}},
		{Name: "ohms_current", Shape: quantityShape("Current through joined probes in resistance mode.", "0.1 mA", quantity.Ampere, 1e-9, 0.1)},
		{Name: "ohms_open", Shape: quantityShape("Voltage between open probes in resistance mode.", "0.6 V", quantity.Volt, 0.01, 30)},
		{Name: "ohms_overload_above", Shape: quantityShape("The display shows OL above this resistance.", "20 Mohm", quantity.Ohm, 100, 1e12)},
	},
}

var polarityShape = &document.Shape{
	Doc:     "Which probe is held on ground; red-on-ground is usual.",
	Example: "red-on-ground",
	Enum:    polarityNames,
}

var timeShape = &document.Shape{
	Doc:     "A date, or a date and time.",
	Example: "2026-08-02",
	Parse:   func(text string) error { _, err := ParseTime(text); return err },
}

var stateShape = &document.Shape{
	Doc: "How the board lay on the bench.",
	Fields: []document.Field{
		{Name: "polarity", Shape: polarityShape},
		{Name: "battery", Shape: &document.Shape{Doc: "That the battery was out, as it has to be.", Example: "out", Parse: CheckBattery}},
		{Name: "unplugged", Shape: &document.Shape{Doc: "Connectors that were unplugged.", Single: true, Item: &document.Shape{Example: "J7"}}},
		{Name: "temperature", Shape: &document.Shape{
			Doc:     "Temperature of the board; 23 C where not said.",
			Example: "23 C",
			Parse:   func(text string) error { _, err := ParseCelsius(text); return err },
		}},
	},
}

// CheckBattery takes the word that says that the battery was out, and refuses any other.
func CheckBattery(text string) error {
	switch text {
	case "out":
		return nil
	case "in":
		return errors.New("a battery conducts and drives the lines, so that readings taken with it in are not those of the board; take it out and read the board again")
	}
	return errors.New(document.Quote(text) + " does not say that the battery was out; write out")
}

var sweepShape = &document.Shape{
	Doc: "One pass over one good board with one meter: what good boards read.",
	Was: wasSweepKey,
	Fields: []document.Field{
		{Name: "board", Required: true, Shape: &document.Shape{Doc: "Name of the board, as its board file gives it.", Example: "Kestrel K3"}},
		{Name: "revision", Shape: &document.Shape{Doc: "Revision of the board; readings never mix between revisions.", Example: "C"}},
		{Name: "sample", Shape: &document.Shape{Doc: "Which good board. Two sweeps of one sample count as one board.", Example: "014"}},
		{Name: "by", Shape: &document.Shape{Doc: "Who took the sweep.", Example: "bench 2"}},
		{Name: "taken", Shape: timeShape},
		{Name: "meter", Shape: meterShape},
		{Name: "state", Shape: stateShape},
		{Name: "supply", Shape: supplyShape},
		{Name: "readings", Required: true, Shape: &document.Shape{
			Doc:   "Reading by point. With a decimal point it is volts, without one millivolts, with a unit that unit; OL where the display shows OL.",
			Key:   &document.Shape{Doc: "A connector pin, a terminal, a test point or a net.", Example: "J7.2"},
			Value: &document.Shape{Doc: "A diode-mode reading.", Example: "0.452", Parse: checkVoltage},
		}},
	},
}

var withdrawShape = &document.Shape{
	Doc: "Takes a sweep, or readings of it, out of use without changing its file.",
	Fields: []document.Field{
		{Name: "withdraw", Required: true, Shape: &document.Shape{
			Doc: "The sweep that is not to be used any more.",
			Fields: []document.Field{
				{Name: "file", Required: true, Shape: &document.Shape{Doc: "File name of the sweep, in the same folder.", Example: "k3-c-014.yaml"}},
				{Name: "points", Shape: &document.Shape{Doc: "Points whose readings are not to be used; the whole sweep where left out.", Single: true, MinItems: 1, Item: &document.Shape{Example: "J7.2"}}},
				{Name: "why", Required: true, Shape: &document.Shape{Doc: "Why it is not to be used.", Example: "the board failed a week later", Lines: true}},
				{Name: "by", Shape: &document.Shape{Doc: "Who withdrew it.", Example: "bench 2"}},
				{Name: "time", Shape: timeShape},
			},
		}},
	},
}

// quantityShape is a scalar in a unit between two bounds in SI units.
func quantityShape(doc, example string, unit quantity.Unit, low, high float64) *document.Shape {
	return &document.Shape{Doc: doc, Example: example, Parse: func(text string) error {
		value, err := quantity.Parse(text, unit)
		if err == nil && !(value >= low && value <= high) {
			err = fmt.Errorf("%s is not between %s and %s; write it like %s", document.Quote(text), quantity.Format(low, unit), quantity.Format(high, unit), example)
		}
		return err
	}}
}

// ParseCelsius reads the temperature of a board in degrees Celsius, -40 to 85.
func ParseCelsius(text string) (float64, error) {
	celsius, err := quantity.Parse(text, quantity.Celsius)
	if err == nil && !(celsius >= -40 && celsius <= 85) {
		err = fmt.Errorf("%s is not a temperature that boards are read at; write -40 C to 85 C", document.Quote(text))
	}
	return celsius, err
}

func checkVoltage(text string) error {
	reading, err := quantity.ParseReading(text)
	if err == nil && reading.Unit == quantity.Ohm {
		err = errors.New(document.Quote(text) + " is a resistance; a sweep holds diode-mode readings, volts or OL")
	}
	return err
}

// ParseTime reads a date (2026-08-02), a date and time (2026-08-02 14:05) or the
// form of RFC 3339 (2026-08-02T14:05:00Z).
func ParseTime(text string) (time.Time, error) {
	for _, layout := range []string{time.DateOnly, time.RFC3339, "2006-01-02 15:04", time.DateTime} {
		if t, err := time.Parse(layout, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, errors.New(document.Quote(text) + " is not a date; write 2026-08-02 or 2026-08-02 14:05")
}

// ParseMeter reads a meter as Text writes it, with the braces or without: "{name:
// bench 2, test_current: 0.3 mA}". Its error says what is wrong and what to do;
// positions in it count from the beginning of the text.
func ParseMeter(text string) (Meter, error) {
	trimmed := strings.TrimSpace(text)
	moved := strings.Index(text, trimmed) // columns that the first line loses, less the brace it gets
	if !strings.HasPrefix(trimmed, "{") {
		trimmed = "{" + trimmed + "}"
		moved--
	}
	nodes, err := document.Decode(strings.NewReader(trimmed), "meter", 0)
	if err == nil && len(nodes) != 1 {
		return Meter{}, fmt.Errorf("%s is not a meter; write it as in sweep files, such as {test_current: 0.3 mA, open_voltage: 2.7 V}", document.Quote(text))
	}
	var m Meter
	if err == nil {
		err = meterShape.Check(nodes[0]).Err()
	}
	if err == nil {
		var problems document.Problems
		m, problems = DecodeMeter(nodes[0])
		err = problems.Err()
	}
	var problems document.Problems
	if errors.As(err, &problems) {
		for i := range problems {
			if p := &problems[i]; p.Line == 1 {
				p.Column = max(1, p.Column+moved)
			}
		}
		return Meter{}, problems
	}
	return m, err
}

// DecodeMeter reads a `meter` mapping; MeterShape tells what it cannot read. What it leaves
// out, or all of it where the node is absent, is taken from DefaultMeter. The
// problems are values that do not fit together.
func DecodeMeter(node document.Node) (Meter, document.Problems) {
	var problems document.Problems
	m := DefaultMeter()
	m.Name = strings.Clone(node.Get("name").Text())
	for _, field := range []struct {
		key  string
		unit quantity.Unit
		into *float64
	}{
		{"test_current", quantity.Ampere, &m.TestCurrent},
		{"open_voltage", quantity.Volt, &m.OpenVoltage},
		{"overload_above", quantity.Volt, &m.Over},
		{"resolution", quantity.Volt, &m.Resolution},
		{"ohms_current", quantity.Ampere, &m.OhmsCurrent},
		{"ohms_open", quantity.Volt, &m.OhmsOpen},
		{"ohms_overload_above", quantity.Ohm, &m.OhmsOver},
	} {
		if value := node.Get(field.key); value.Exists() {
			v, err := quantity.Parse(value.Text(), field.unit)
			if err != nil { // the shape tells it; what the display shows is not known
				m.Over, m.OhmsOver = math.Inf(1), math.Inf(1)
				return m, problems
			}
			*field.into = v
		}
	}
	if accuracy := node.Get("accuracy"); accuracy.Exists() {
		m.Gain, m.Counts, _ = parseAccuracy(accuracy.Text())
	}
	m.Source = SourceKind(max(0, slices.Index(sourceNames, node.Get("source").Text())))
	over, open := node.Get("overload_above"), node.Get("open_voltage")
	switch {
	case m.Over <= m.OpenVoltage:
	case over.Exists() && open.Exists():
		problems.Add(over.At(), fmt.Sprintf("`overload_above` %s is above the open voltage %s, so that the display would never show OL", document.Quote(over.Text()), document.Quote(open.Text())), "`overload_above` is the highest voltage that the display shows, at most the open voltage")
	case over.Exists():
		problems.Add(over.At(), fmt.Sprintf("`overload_above` %s is above 3 V, the open voltage taken where the file gives none", document.Quote(over.Text())), "add open_voltage, measured between the open probes with a second meter")
	default:
		// A meter that opens at less than 2 V shows OL at its open voltage.
		m.Over = m.OpenVoltage
	}
	return m, problems
}
