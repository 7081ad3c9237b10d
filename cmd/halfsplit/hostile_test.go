package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
)

// hostile holds what must never reach a terminal: an escape sequence that
// rewrites the title, a bell, a bidirectional override, a zero-width space, a
// byte that is no text.
const hostile = "\x1b]0;owned\x07 \u202egnp.exe \u200b \xff \x1b[2J"

// unprintable returns the first character of a text that does not print.
func unprintable(text string) (rune, bool) {
	for _, r := range text {
		if r != '\n' && !unicode.IsPrint(r) {
			return r, true
		}
	}
	return 0, false
}

// A file or argument may hold anything; every message about it is plain text.
func TestHostileFiles(t *testing.T) {
	clean(t)
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	quotedYAML := `"\e]0;owned\a \u202Egnp.exe \u200B"`
	long := strings.Repeat("N", 1000)
	boards := []string{
		write("escape.yaml", "board: "+quotedYAML+"\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts: {R1: {kind: resistor, value: 1K, pins: [A, GND]}}\n"),
		write("part.yaml", "board: B\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts: {"+quotedYAML+": {kind: resistor, value: 1K, pins: [A, GND]}}\n"),
		write("kind.yaml", "board: B\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts: {R1: {kind: "+quotedYAML+", pins: [A, GND]}}\n"),
		write("bytes.yaml", "board: B\n# "+hostile+"\n"),
		write("name\x1b[2J\u202e.yaml", "board: [\n"),
		write("long.yaml", "board: "+long+"\nrevision: "+long+"\nconnectors: {J"+long+": {pins: {1: GND, 2: A"+long+"}}}\nparts: {R"+long+
			": {kind: resistor, value: 1K, pins: [A"+long+", B"+long+"], place: "+long+"}, C: {kind: capacitor, pins: [B"+long+", GND], title: "+long+"}}\n"),
	}
	for _, board := range boards {
		for _, args := range [][]string{
			{"check", board}, {"check", "--json", board},
			{"trace", board, "A"}, {"trace", board, "A" + long}, {"trace", board, "A" + long, "--json"}, {"trace", board, hostile},
			{"predict", board}, {"predict", board, "--json"}, {"predict", board, "--fault", hostile}, {"predict", board, "--known", dir + "/" + hostile},
			{"locate", board}, {"locate", dir + hostile},
			{"schema", hostile}, {hostile}, {"--" + hostile}, {"trace", board, "A", hostile}, {"trace", "--width", hostile},
			{"trace", board, "A", "--colour", hostile}, {"__complete", "trace", board, ""}, {"__complete", "trace", dir + "/"},
		} {
			var stdout, stderr bytes.Buffer
			code := run(args, strings.NewReader(""), &stdout, &stderr)
			if code < 0 || code > 2 {
				t.Errorf("%q: exit code %d", args, code)
			}
			for _, out := range []string{stdout.String(), stderr.String()} {
				if r, bad := unprintable(out); bad {
					t.Errorf("%q prints %U:\n%q", args, r, out)
				}
			}
			if args[0] == "trace" && board == boards[5] && !strings.Contains(strings.Join(args, " "), "json") {
				for line := range strings.Lines(stdout.String()) {
					if n := cells(line); n > 300 {
						t.Errorf("%.40q prints a line of %d columns", args, n)
					}
				}
			}
		}
	}
}

// A name of 1,000 characters is cut in tables, which keep to their width.
func TestLongNames(t *testing.T) {
	long := strings.Repeat("N", 1000)
	v := 0.5
	var out bytes.Buffer
	s := &screen{w: &out, width: 80}
	s.comparisons([]diagnose.Comparison{{At: "J" + long, Net: long, Volts: &v, KnownGood: &v, Sigma: 0.004, Verdict: diagnose.UnexpectedPath, Polarity: "red-on-ground"}})
	for line := range strings.Lines(out.String()) {
		if n := cells(strings.TrimRight(line, "\n")); n > 80 {
			t.Errorf("a line of %d columns: %q", n, line)
		}
	}
	if !strings.Contains(out.String(), "…") || !strings.Contains(out.String(), "0.500 ± 0.004") {
		t.Errorf("not cut as it should be:\n%s", out.String())
	}
}

// Should the engine ever hand on a text from a file as it was, the screen still
// makes it safe: every string of a diagnosis is replaced by a hostile one.
func TestHostileDiagnosis(t *testing.T) {
	b, err := netlist.Parse(strings.NewReader("board: B\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts: {R1: {kind: resistor, value: 1K, pins: [A, GND]}}\n"), "b.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, do := range []repair.Do{repair.DoMeasure, repair.DoInspect, repair.DoInject, repair.DoRemove, repair.DoRepair} {
		var d repair.Diagnosis
		fill(reflect.ValueOf(&d).Elem(), 3)
		for i := range d.Next {
			d.Next[i].Do = do
		}
		var out bytes.Buffer
		s := &screen{w: &out, width: 80}
		opening := journal.Opening{Complaint: hostile}
		c := &journal.Case{File: "x" + hostile, Board: b, All: []journal.Event{{Open: &opening}},
			Events: []journal.Event{{Kind: journal.KindClose, Close: &journal.Closing{Cause: hostile, Remedy: hostile}}}}
		s.diagnosis(c, &d)
		s.comparisons(d.Readings)
		if r, bad := unprintable(out.String()); bad {
			t.Errorf("%s: prints %U", do, r)
		}
		if n := strings.Count(out.String(), "owned"); n < 20 {
			t.Errorf("%s: only %d of the texts are printed at all:\n%s", do, n, out.String())
		}
	}
	var d repair.Diagnosis
	fill(reflect.ValueOf(&d).Elem(), 3)
	var out bytes.Buffer
	a := newTestApp(&out)
	if err := a.json(d); err != nil {
		t.Fatal(err)
	}
	if err := a.out.Flush(); err != nil {
		t.Fatal(err)
	}
	if r, bad := unprintable(out.String()); bad {
		t.Errorf("JSON prints %U", r)
	}
}

// fill sets every string of a value to hostile text, every list to n entries,
// and numbers to something.
func fill(v reflect.Value, n int) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(hostile)
	case reflect.Float64:
		v.SetFloat(0.25)
	case reflect.Int:
		v.SetInt(1)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			fill(v.Index(i), n)
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), n)
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(reflect.ValueOf(hostile), reflect.ValueOf(0.25))
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Bool:
	default:
		panic(fmt.Sprint("fill: no rule for ", v.Kind()))
	}
}

// TestFolderOfDevices: a device or pipe that lies among the files of a folder is not
// read, for it may have no end.
func TestFolderOfDevices(t *testing.T) {
	clean(t)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "costs.yaml"), []byte("inspect: 5\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/zero", filepath.Join(dir, "device.yaml")); err != nil {
		t.Skip("no symbolic links here: ", err)
	}
	out, errs, code := play(t, "", "check", dir)
	if code != exitDone || out != "1 file (1 costs): no problem\n" {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
}
