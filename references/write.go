package references

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"halfsplit/netlist/quantity"
)

// Write writes a sweep as a file that LoadSweep reads back the same. The meter
// and the state are written in full, since the defaults of a later release may
// differ; what the sweep does not say (sample, by, taken, and Unsaid) is left out.
func (s *Sweep) Write(w io.Writer) error {
	var b strings.Builder
	key := func(name, value string) {
		if value != "" {
			fmt.Fprintf(&b, "%s: %s\n", name, scalar(value))
		}
	}
	key("board", s.Board)
	key("revision", s.Revision)
	key("sample", s.Sample)
	key("by", s.By)
	if !s.Taken.IsZero() {
		layout := "2006-01-02T15:04:05Z07:00"
		if h, m, sec := s.Taken.Clock(); h == 0 && m == 0 && sec == 0 {
			layout = "2006-01-02"
		}
		key("taken", s.Taken.Format(layout))
	}
	for _, x := range []struct{ key, text string }{{"meter", s.Meter.flow(s.Unsaid)}, {"state", s.State.flow(s.Unsaid)}} {
		if x.text != "{}" {
			b.WriteString(x.key + ": " + x.text + "\n")
		}
	}
	if text := s.Supply.flow(); text != "" {
		b.WriteString("supply: " + text + "\n")
	}
	b.WriteString("readings:\n")
	for _, r := range s.Readings {
		fmt.Fprintf(&b, "  %s: %s\n", scalar(r.Name), quantity.FormatReading(r.Reading))
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("writing the sweep: %w", err)
	}
	return nil
}

// Text writes a meter as the `meter` mapping of sweep and case files, on one
// line: what ParseMeter reads.
func (m Meter) Text() string { return m.flow(nil) }

// MeterKeys are the keys of a `meter` mapping but its name.
var MeterKeys = []string{"test_current", "open_voltage", "overload_above", "accuracy", "resolution", "source", "ohms_current", "ohms_open", "ohms_overload_above"}

// Values are what a meter has for MeterKeys, as files write them.
func (m Meter) Values() []string {
	exact := func(v float64, unit quantity.Unit) string {
		return strconv.FormatFloat(v, 'g', -1, 64) + " " + unit.String()
	}
	return []string{
		exact(m.TestCurrent, quantity.Ampere), exact(m.OpenVoltage, quantity.Volt), exact(m.Over, quantity.Volt), m.AccuracyText(), exact(m.Resolution, quantity.Volt),
		m.Source.String(), exact(m.OhmsCurrent, quantity.Ampere), exact(m.OhmsOpen, quantity.Volt), exact(m.OhmsOver, quantity.Ohm),
	}
}

// flow writes a meter on one line, without the keys that are unsaid.
func (m Meter) flow(unsaid []string) string {
	var fields []string
	if m.Name != "" {
		fields = append(fields, "name: "+scalar(m.Name))
	}
	for i, value := range m.Values() {
		if key := MeterKeys[i]; !slices.Contains(unsaid, key) {
			fields = append(fields, key+": "+value)
		}
	}
	return "{" + strings.Join(fields, ", ") + "}"
}

// flow writes a state on one line, without the keys that are unsaid.
func (s State) flow(unsaid []string) string {
	var fields []string
	if !slices.Contains(unsaid, "polarity") {
		fields = append(fields, "polarity: "+s.Polarity.String())
	}
	if s.Battery != "" {
		fields = append(fields, "battery: "+scalar(s.Battery))
	}
	if len(s.Unplugged) > 0 {
		fields = append(fields, "unplugged: "+flowList(s.Unplugged))
	}
	if !slices.Contains(unsaid, "temperature") {
		fields = append(fields, "temperature: "+strconv.FormatFloat(s.Celsius, 'g', -1, 64)+" C")
	}
	return "{" + strings.Join(fields, ", ") + "}"
}

// flowList writes texts as a list on one line.
func flowList(texts []string) string {
	list := make([]string, len(texts))
	for i, text := range texts {
		list[i] = scalar(text)
	}
	return "[" + strings.Join(list, ", ") + "]"
}

// scalar writes text as one YAML scalar on one line that means the same inside
// brackets and braces.
func scalar(text string) string {
	plain := true
	for i, r := range text {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r > 0xA0
		inner := i > 0 && i < len(text)-1 && strings.ContainsRune(" ._-+/%", r)
		plain = plain && (letter || inner || r == '_' || r == '.')
	}
	if plain && text != "" {
		// A word that YAML takes for nothing is a name here.
		switch strings.ToLower(text) {
		case "null":
		default:
			return text
		}
	}
	node := yaml.Node{Kind: yaml.ScalarNode, Style: yaml.DoubleQuotedStyle, Value: text}
	out, err := yaml.Marshal(&node)
	if err != nil {
		return strconv.Quote(text) // JSON's escapes are YAML's as well
	}
	return strings.TrimSuffix(string(out), "\n")
}
