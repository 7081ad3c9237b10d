package references

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Write writes a sweep as a file that LoadSweep reads back the same. The meter
// and the state are written in full, since the defaults of a later release may
// differ; what the sweep does not say (sample, by, taken, and Unsaid) is left out.
func (s *Sweep) Write(w io.Writer) error {
	var b document.Writer
	b.Key("board", document.Optional(s.Board))
	b.Key("revision", document.Optional(s.Revision))
	b.Key("sample", document.Optional(s.Sample))
	b.Key("by", document.Optional(s.By))
	b.Key("taken", s.TakenText())
	for _, x := range []struct{ key, text string }{{"meter", s.Meter.flow(s.Unsaid)}, {"state", s.State.flow(s.Unsaid)}, {"supply", s.Supply.flow()}} {
		if x.text != "{}" {
			b.Key(x.key, x.text)
		}
	}
	b.WriteString("readings:\n")
	for _, r := range s.Readings {
		b.Key("  "+document.Scalar(r.Name), quantity.FormatReading(r.Reading))
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("writing the sweep: %w", err)
	}
	return nil
}

// TakenText is when a sweep was taken as files write it, "" where that is not known: a
// date, or a date and time.
func (s *Sweep) TakenText() string {
	switch h, m, sec := s.Taken.Clock(); {
	case s.Taken.IsZero():
		return ""
	case h == 0 && m == 0 && sec == 0:
		return s.Taken.Format(time.DateOnly)
	}
	return s.Taken.Format(time.RFC3339)
}

// Text writes a meter as the `meter` mapping of sweep and case files, on one
// line: what ParseMeter reads.
func (m Meter) Text() string { return m.flow(nil) }

// MeterKeys are the keys of a `meter` mapping but its name.
var MeterKeys = []string{"test_current", "open_voltage", "overload_above", "accuracy", "resolution", "source", "ohms_current", "ohms_open", "ohms_overload_above"}

// Values are what a meter has for MeterKeys, as files write them.
func (m Meter) Values() []string {
	return []string{
		quantity.Exact(m.TestCurrent, quantity.Ampere), quantity.Exact(m.OpenVoltage, quantity.Volt), quantity.Exact(m.Over, quantity.Volt), m.AccuracyText(), quantity.Exact(m.Resolution, quantity.Volt),
		m.Source.String(), quantity.Exact(m.OhmsCurrent, quantity.Ampere), quantity.Exact(m.OhmsOpen, quantity.Volt), quantity.Exact(m.OhmsOver, quantity.Ohm),
	}
}

// flow writes a meter on one line, without the keys that are unsaid.
func (m Meter) flow(unsaid []string) string {
	var f document.Flow
	f.Add("name", document.Optional(m.Name))
	for i, value := range m.Values() {
		if key := MeterKeys[i]; !slices.Contains(unsaid, key) {
			f.Add(key, value)
		}
	}
	return f.String()
}

// flow writes a state on one line, without the keys that are unsaid.
func (s State) flow(unsaid []string) string {
	var f document.Flow
	if !slices.Contains(unsaid, "polarity") {
		f.Add("polarity", s.Polarity.String())
	}
	f.Add("battery", document.Optional(s.Battery))
	if len(s.Unplugged) > 0 {
		f.Add("unplugged", document.FlowList(document.Scalars(s.Unplugged)...))
	}
	if !slices.Contains(unsaid, "temperature") {
		f.Add("temperature", strconv.FormatFloat(s.Celsius, 'g', -1, 64)+" C")
	}
	return f.String()
}
