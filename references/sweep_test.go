package references

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files again")

func testBoard(t testing.TB) *netlist.Board {
	t.Helper()
	b, err := netlist.Load(filepath.Join("testdata", "board.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestLoadSweep(t *testing.T) {
	b := testBoard(t)
	got, err := LoadSweep(filepath.Join("testdata", "sweep.yaml"), b)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range got.Readings {
		if want, err := b.Point(r.Name); err != nil || r.At != want {
			t.Errorf("%s resolved to %v, want %v (%v)", r.Name, r.At, want, err)
		}
	}
	type plain struct {
		Name     string
		Volts    float64
		Overload bool
	}
	var readings []plain
	for _, r := range got.Readings {
		if r.Reading.Unit != quantity.Volt {
			t.Errorf("%s is in %v", r.Name, r.Reading.Unit)
		}
		readings = append(readings, plain{r.Name, r.Reading.Value, r.Reading.Overload})
	}
	want := []plain{
		{"J7.2", 0.452, false}, {"J7.3", 0.519, false}, {"J7.4", 0.517, false}, {"J7.5", 0.371, false},
		{"J7.6", 0, true}, {"J7.1", 0, false}, {"TP_WAKE", 0.5, false}, {"J7.10", 0, true},
	}
	if diff := cmp.Diff(want, readings); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
	got.Readings = nil
	wantSweep := &Sweep{
		File: filepath.Join("testdata", "sweep.yaml"), Board: "Kestrel K3", Revision: "C", Sample: "014", By: "bench 2",
		Taken: time.Date(2026, 8, 2, 0, 0, 0, 0, time.UTC), Meter: DefaultMeter(),
		State:  State{RedOnGround, "out", []string{"J7"}, 23},
		Unsaid: []string{"ohms_current", "ohms_open", "ohms_overload_above"},
	}
	if diff := cmp.Diff(wantSweep, got); diff != "" {
		t.Errorf("sweep (-want +got):\n%s", diff)
	}
}

// The shortest sweep takes everything else from defaults.
func TestLoadSweepDefaults(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.yaml")
	write(t, path, "board: Kestrel K3\nrevision: C\nstate: {polarity: black-on-ground}\nreadings: {J7.2: 0.452}\n")
	got, err := LoadSweep(path, testBoard(t))
	if err != nil {
		t.Fatal(err)
	}
	if got.Meter != DefaultMeter() || got.State.Celsius != 23 || got.State.Polarity != BlackOnGround || !got.Taken.IsZero() || got.Sample != "" {
		t.Errorf("got %+v", got)
	}
	// Without a board the file alone is checked.
	write(t, path, "board: Heron H1\nreadings: {X1.2: 0.452, X1.3: OL}\n")
	if got, err = LoadSweep(path, nil); err != nil || len(got.Readings) != 2 || got.Readings[0].At.Net != netlist.None {
		t.Errorf("without a board: %+v, %v", got, err)
	}
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// Every broken file has its messages in testdata/broken/messages.golden, each
// with a place, what is wrong and what to do.
func TestBrokenSweeps(t *testing.T) {
	b := testBoard(t)
	dir := filepath.Join("testdata", "broken")
	paths, err := filepath.Glob(filepath.Join(dir, "*.yaml"))
	if err != nil || len(paths) < 20 {
		t.Fatalf("%d broken files, %v", len(paths), err)
	}
	var table strings.Builder
	for _, path := range paths {
		sweep, err := LoadSweep(path, b)
		var problems document.Problems
		if sweep != nil || !errors.As(err, &problems) {
			t.Errorf("%s: loaded with error %v, want problems", path, err)
			continue
		}
		for _, p := range problems {
			if p.File != path || p.What == "" || p.Do == "" {
				t.Errorf("%s: the problem lacks a place or an advice: %+v", path, p)
			}
			p.File = filepath.Base(p.File)
			table.WriteString(p.Error() + "\n")
		}
	}
	golden := filepath.Join(dir, "messages.golden")
	if *update {
		write(t, golden, table.String())
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(table.String(), "\n")); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

func FuzzSweep(f *testing.F) {
	paths, err := filepath.Glob(filepath.Join("testdata", "broken", "*.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range append(paths, filepath.Join("testdata", "sweep.yaml")) {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	b := testBoard(f)
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "s.yaml")
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
		sweep, err := LoadSweep(path, b)
		if (sweep == nil) == (err == nil) {
			t.Fatalf("sweep %v with error %v", sweep, err)
		}
		if err != nil {
			return
		}
		// What loads can be used without further care.
		l := NewLibrary(b, []*Sweep{sweep})
		for _, r := range sweep.Readings {
			p := PredictSamples(l.At(r.At, sweep.State.Polarity))
			if p.N != 1 || !(sweep.Meter.Sigma(p.Center) > 0) && p.OverloadShare < 0.5 {
				t.Errorf("%s: %+v with meter %+v", r.Name, p, sweep.Meter)
			}
		}
	})
}
