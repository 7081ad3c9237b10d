package references

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"halfsplit/netlist/quantity"
)

// Write writes a sweep as a file that LoadSweep reads back the same. The meter
// and the state are written in full, since the defaults of a later release may
// differ; what the sweep does not say (sample, by, taken) is left out.
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
	b.WriteString("meter: " + s.Meter.Text() + "\n")
	b.WriteString("state: " + s.State.flow() + "\n")
	if text := s.Draw.flow(); text != "" {
		b.WriteString("draw: " + text + "\n")
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
func (m Meter) Text() string {
	var fields []string
	if m.Name != "" {
		fields = append(fields, "name: "+scalar(m.Name))
	}
	exact := func(v float64, unit quantity.Unit) string {
		return strconv.FormatFloat(v, 'g', -1, 64) + " " + unit.String()
	}
	fields = append(fields,
		"test_current: "+exact(m.TestCurrent, quantity.Ampere),
		"open_voltage: "+exact(m.OpenVoltage, quantity.Volt),
		"overload_above: "+exact(m.Over, quantity.Volt),
		"accuracy: "+scalar(m.AccuracyText()),
		"resolution: "+exact(m.Resolution, quantity.Volt),
		"source: "+m.Source.String(),
		"ohms_current: "+exact(m.OhmsCurrent, quantity.Ampere),
		"ohms_open: "+exact(m.OhmsOpen, quantity.Volt),
		"ohms_overload_above: "+exact(m.OhmsOver, quantity.Ohm),
	)
	return "{" + strings.Join(fields, ", ") + "}"
}

// flow writes a state on one line.
func (s State) flow() string {
	fields := []string{"polarity: " + s.Polarity.String()}
	if s.Battery != "" {
		fields = append(fields, "battery: "+scalar(s.Battery))
	}
	if len(s.Unplugged) > 0 {
		names := make([]string, len(s.Unplugged))
		for i, name := range s.Unplugged {
			names[i] = scalar(name)
		}
		fields = append(fields, "unplugged: ["+strings.Join(names, ", ")+"]")
	}
	fields = append(fields, "temperature: "+strconv.FormatFloat(s.Celsius, 'g', -1, 64)+" C")
	return "{" + strings.Join(fields, ", ") + "}"
}

// flow writes a draw on one line, "" where nothing was read.
func (d Draw) flow() string {
	var fields []string
	for _, x := range []struct {
		key string
		v   *float64
	}{{"before_button", d.BeforeButton}, {"after_button", d.AfterButton}} {
		if x.v != nil {
			fields = append(fields, x.key+": "+strconv.FormatFloat(*x.v*1e3, 'f', -1, 64)+" mA")
		}
	}
	if fields == nil {
		return ""
	}
	return "{" + strings.Join(fields, ", ") + "}"
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
