package references

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/netlist/document"

	"github.com/google/go-cmp/cmp"
)

// Every key that the shape of a sweep file allows changes what is decoded: a key
// that the decoder forgot, or a key added to the shape alone, fails here.
func TestEverySweepKeyIsRead(t *testing.T) {
	// For each key a value that is not its default.
	values := map[string]string{
		"board": "Heron H1", "revision": "X", "sample": "s", "by": "b", "taken": "2026-08-02",
		"meter.name": "m", "meter.test_current": "0.5 mA", "meter.open_voltage": "2.5 V", "meter.overload_above": "1.5 V",
		"meter.accuracy": "1% + 3", "meter.resolution": "0.1 mV", "meter.source": "resistive",
		"meter.ohms_current": "1 mA", "meter.ohms_open": "0.2 V", "meter.ohms_overload_above": "60 Mohm",
		"state.polarity": "black-on-ground", "state.battery": "out", "state.unplugged": "J7", "state.temperature": "30 C",
		"supply.before": "3 mA", "supply.after": "95 mA",
		"readings": "{J7.3: 0.5}",
	}
	path := filepath.Join(t.TempDir(), "s.yaml")
	load := func(key, text string) *Sweep {
		write(t, path, text)
		s, err := LoadSweep(path, nil)
		if err != nil {
			t.Fatalf("%s: %v", key, err)
		}
		return s
	}
	plain := load("", "board: Kestrel K3\nreadings: {J7.2: 0.4}\n")
	var walk func(shape *document.Shape, prefix, open, shut string)
	walk = func(shape *document.Shape, prefix, open, shut string) {
		for _, f := range shape.Fields {
			key := prefix + f.Name
			if f.Shape.Fields != nil {
				walk(f.Shape, key+".", open+f.Name+": {", "}"+shut)
				continue
			}
			value, known := values[key]
			if !known {
				t.Errorf("the shape allows `%s`, of which this test knows nothing", key)
				continue
			}
			delete(values, key)
			text := open + f.Name + ": " + value + shut + "\n"
			if key != "board" {
				text += "board: Kestrel K3\n"
			}
			if key != "readings" {
				text += "readings: {J7.2: 0.4}\n"
			}
			if diff := cmp.Diff(plain, load(key, text)); diff == "" {
				t.Errorf("`%s: %s` changes nothing", key, value)
			}
		}
	}
	walk(SweepShape(), "", "", "")
	for key := range values {
		t.Errorf("this test names `%s`, which the shape does not allow", key)
	}
}

// The shapes print as JSON Schema, and every example they give passes their own
// check.
func TestShapesAreSound(t *testing.T) {
	for name, shape := range map[string]*document.Shape{
		"sweep": SweepShape(), "meter": MeterShape(), "withdraw": WithdrawShape(), "polarity": PolarityShape(), "time": TimeShape(),
	} {
		var schema map[string]any
		if err := json.Unmarshal(shape.Schema(name), &schema); err != nil || schema["$schema"] == nil {
			t.Errorf("%s: schema %v, %v", name, schema, err)
		}
		var walk func(key string, s *document.Shape)
		walk = func(key string, s *document.Shape) {
			if s.Doc == "" && s.Example == "" {
				t.Errorf("%s: no word of explanation", key)
			}
			if s.Example != "" && s.Fields == nil && s.Value == nil && s.Item == nil {
				if problems := s.Check(decodeOne(t, s.Example)); problems != nil {
					t.Errorf("%s: example `%s`: %v", key, s.Example, problems)
				}
			}
			for _, f := range s.Fields {
				walk(key+"."+f.Name, f.Shape)
			}
			for _, inner := range []*document.Shape{s.Key, s.Value, s.Item} {
				if inner != nil {
					walk(key+"[]", inner)
				}
			}
		}
		walk(name, shape)
	}
}

// TestMeterColumns: columns count in the text as it was typed, with braces or without.
func TestMeterColumns(t *testing.T) {
	for text, want := range map[string]string{
		"test: 1":                       "meter:1:1: ",
		"{test: 1}":                     "meter:1:2: ",
		"  test: 1":                     "meter:1:3: ",
		"test_current: 1 mA, over: 2":   "meter:1:21: ",
		"overload_above: 3.5 V":         "meter:1:17: ",
		" {overload_above: 3.5 V}":      "meter:1:19: ",
		"{test_current: 1 mA,\nbad: 2}": "meter:2:1: ",
	} {
		if _, err := ParseMeter(text); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}
