package plan

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestDefaultCosts holds the figures of the file that comes with the tool
// (common practice, no source).
func TestDefaultCosts(t *testing.T) {
	want := Costs{
		Sweep: 4, Measure: 10, Press: 10, Good: 20, Swap: 300, Across: 15, Drop: 40, DropPart: 8, SwapLeads: 4, Look: 20, LookNext: 8, Along: 60, Inject: 120, Remove: 90, Reinstall: 60, Replace: 240, Jumper: 150, IC: 1800,
		Shield: 120, Underfill: 480, Resolder: 60, ResolderIC: 90, Reflow: 600, Clean: 90, CleanAgain: 300, Wire: 300, GiveUp: 3600,
	}
	if d := cmp.Diff(want, DefaultCosts()); d != "" {
		t.Errorf("costs.yaml (-want +got):\n%s", d)
	}
}

// TestCostsFile holds the keys of the shape and those of the decoder together:
// each is written to a file by itself, and must arrive in its place alone.
func TestCostsFile(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "costs.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, f := range CostsShape().Fields {
		got, err := LoadCosts(write(f.Name + ": 7.5\n"))
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		want, changed := DefaultCosts(), 0
		for _, k := range costKeys {
			if k.key == f.Name {
				*k.of(&want) = 7.5
				changed++
			}
		}
		if d := cmp.Diff(want, got); d != "" || changed != 1 {
			t.Errorf("%s, in %d places (-want +got):\n%s", f.Name, changed, d)
		}
	}
	path := write(string(defaultCosts))
	if got, err := LoadCosts(path); err != nil || got != DefaultCosts() {
		t.Errorf("the default file read back: %+v, %v", got, err)
	}

	for _, c := range []struct{ text, want string }{
		{"", ":1:1: holds nothing; write what differs at your bench, such as `measure: 8`, or leave the file out"},
		{"# later\n---\n", ":1:1: holds nothing; write what differs at your bench, such as `measure: 8`, or leave the file out"},
		{"remove: 0\n", ":1:9: `remove`: `0` is not a number of seconds; write one above 0, such as 60"},
		{"remove: .nan\n", ":1:9: `remove`: `.nan` is not a number of seconds; write one above 0, such as 60"},
		{"remove: NaN\n", ":1:9: `remove`: `NaN` is not a number of seconds; write one above 0, such as 60"},
		{"remove: Inf\n", ":1:9: `remove`: `Inf` is not a number of seconds; write one above 0, such as 60"},
		{"remove: soon\n", ":1:9: `remove`: `soon` is not a number of seconds; write one above 0, such as 60"},
		{"inspect: 10\nremvoe: 90\n", ":2:1: unknown key `remvoe`; did you mean `remove`?"},
	} {
		path := write(c.text)
		_, err := LoadCosts(path)
		if err == nil {
			t.Errorf("%q is taken", c.text)
		} else if got := err.Error(); got != path+c.want {
			t.Errorf("%q:\ngot  %s\nwant %s", c.text, got, path+c.want)
		}
	}
	if _, err := LoadCosts(filepath.Join(t.TempDir(), "none.yaml")); err == nil {
		t.Error("a file that is not there is taken")
	}
}
