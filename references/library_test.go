package references

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/netlist"
	"halfsplit/netlist/document"

	"github.com/google/go-cmp/cmp"
)

// sweepText writes a sweep file of the test board, taken with both kinds of
// probe order.
func sweepText(sample, more, readings string) string {
	return "board: Kestrel K3\nrevision: C\nsample: " + sample + "\n" + more + "readings: {" + readings + "}\n"
}

func point(t testing.TB, b *netlist.Board, name string) netlist.Point {
	t.Helper()
	p, err := b.Point(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestLoadLibrary(t *testing.T) {
	b := testBoard(t)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "a.yaml"), sweepText("1", "", "J7.2: 0.452, J7.3: 0.519, J7.10: OL"))
	write(t, filepath.Join(dir, "2026", "b.yml"), sweepText("2", "", "TP_INT: 0.456, J7.9: 0, J7.1: 0"))
	write(t, filepath.Join(dir, "c.yaml"), sweepText("3", "state: {polarity: black-on-ground}\n", "J7.2: 0.611"))
	write(t, filepath.Join(dir, "d.yaml"), sweepText("4", "", "J7.2: 0.999"))
	write(t, filepath.Join(dir, "d-out.yaml"), "withdraw: {file: d.yaml, why: the board failed, by: bench 1, time: 2026-08-09}\n")
	write(t, filepath.Join(dir, "revision-b.yaml"), "board: Kestrel K3\nrevision: B\nreadings: {J7.2: 0.7, NOWHERE: 0.1}\n")
	write(t, filepath.Join(dir, "other.yaml"), "board: Heron H1\nreadings: {X9.1: 0.7}\n")
	write(t, filepath.Join(dir, "board.yaml"), "board: Kestrel K3\nparts: {}\n")
	write(t, filepath.Join(dir, "case.yaml"), "open: {board: board.yaml}\n---\nread: {J7.2: OL}\n")
	write(t, filepath.Join(dir, ".git", "x.yaml"), "not a sweep at all\n")
	write(t, filepath.Join(dir, ".draft.yaml"), "not a sweep at all\n")
	write(t, filepath.Join(dir, "notes.txt"), "not a sweep at all\n")

	l, err := LoadLibrary(dir, b)
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	for _, s := range l.Sweeps {
		files = append(files, strings.TrimPrefix(s.File, dir+"/"))
	}
	if diff := cmp.Diff([]string{"2026/b.yml", "a.yaml", "c.yaml"}, files); diff != "" {
		t.Errorf("sweeps (-want +got):\n%s", diff)
	}
	skipped := map[string]string{}
	for _, s := range l.Skipped {
		skipped[strings.TrimPrefix(s.File, dir+"/")] = s.Why
	}
	wantSkipped := map[string]string{
		"board.yaml":      "a board file, not a sweep",
		"case.yaml":       "a case file, not a sweep",
		"other.yaml":      "taken on board `Heron H1`, not on `Kestrel K3`",
		"revision-b.yaml": "taken on revision `B`, not on `C`",
	}
	if diff := cmp.Diff(wantSkipped, skipped); diff != "" {
		t.Errorf("skipped (-want +got):\n%s", diff)
	}
	if len(l.Withdrawn) != 1 || l.Withdrawn[0].Why != "the board failed" || l.Withdrawn[0].File != filepath.Join(dir, "d.yaml") || l.Withdrawn[0].Time.Month() != 8 {
		t.Errorf("withdrawn: %+v", l.Withdrawn)
	}

	type reading struct {
		Volts    float64
		Overload bool
		Sample   string
	}
	tests := []struct {
		point    string
		polarity Polarity
		want     []reading
	}{
		// A pin, its net and the test pad on it are one place.
		{"J7.2", RedOnGround, []reading{{0.456, false, "2"}, {0.452, false, "1"}}},
		{"TP_INT", RedOnGround, []reading{{0.456, false, "2"}, {0.452, false, "1"}}},
		{"J7.2", BlackOnGround, []reading{{0.611, false, "3"}}},
		{"J7.1", RedOnGround, []reading{{0, false, "2"}, {0, false, "2"}}},
		// A pin on no net stands for itself alone.
		{"J7.10", RedOnGround, []reading{{0, true, "1"}}},
		{"J7.10", BlackOnGround, nil},
		{"J3.1", RedOnGround, nil},
	}
	for _, test := range tests {
		var got []reading
		for _, s := range l.At(point(t, b, test.point), test.polarity) {
			got = append(got, reading{s.Volts, s.Overload, s.Sweep.Sample})
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s %v (-want +got):\n%s", test.point, test.polarity, diff)
		}
	}

	// One file is a library of one sweep.
	if l, err = LoadLibrary(filepath.Join(dir, "a.yaml"), b); err != nil || len(l.Sweeps) != 1 {
		t.Errorf("library of one file: %+v, %v", l, err)
	}
}

// A broken file in the folder is an error, and the rest is still there to use.
func TestLoadLibraryProblems(t *testing.T) {
	b := testBoard(t)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "a.yaml"), sweepText("1", "", "J7.2: 0.452"))
	write(t, filepath.Join(dir, "b.yaml"), sweepText("2", "", "J7.2: 0.45x"))
	write(t, filepath.Join(dir, "c.yaml"), "withdraw: {file: aa.yaml, why: slip}\n")
	write(t, filepath.Join(dir, "d.yaml"), "withdraw: {file: a.yaml}\n")
	write(t, filepath.Join(dir, "e.yaml"), "just text\n")
	l, err := LoadLibrary(dir, b)
	var problems document.Problems
	if !errors.As(err, &problems) {
		t.Fatalf("error %v, want problems", err)
	}
	if len(l.Sweeps) != 1 {
		t.Errorf("%d sweeps, want the good one", len(l.Sweeps))
	}
	want := `b.yaml:4:18: ` + "`J7.2`" + `: "0.45x" is not a reading; write volts as 0.452, millivolts as 452, resistance as 22.1 ohm, or OL; until then nothing of this file is used
c.yaml:1:18: withdraws ` + "`aa.yaml`" + `, which is not in this folder; did you mean ` + "`a.yaml`" + `?
d.yaml:1:11: ` + "`withdraw`" + ` lacks the key ` + "`why`" + `; add it, such as ` + "`the board failed a week later`" + `; until then nothing of this file is used
e.yaml:1:1: the file is text; give a mapping (` + "`key: value`" + `); until then nothing of this file is used`
	if diff := cmp.Diff(want, strings.ReplaceAll(err.Error(), dir+"/", "")); diff != "" {
		t.Errorf("problems (-want +got):\n%s", diff)
	}

	if l, err := LoadLibrary(filepath.Join(dir, "none"), b); l != nil || err == nil || !strings.Contains(err.Error(), "the known-good folder cannot be read: no such file or directory; name the folder that holds the sweeps") {
		t.Errorf("missing folder: %v, %v", l, err)
	}
	// An empty folder is a library that knows nothing yet.
	if l, err := LoadLibrary(t.TempDir(), b); err != nil || len(l.Sweeps) != 0 {
		t.Errorf("empty folder: %+v, %v", l, err)
	}
}

// Whatever lies in the folder, loading it ends in a library, in problems, or in
// both, and checking what was loaded does not panic.
func FuzzLibrary(f *testing.F) {
	f.Add([]byte("withdraw: {file: s.yaml, why: the board failed}\n"), []byte(sweepText("1", "", "J7.2: 0.452")))
	f.Add([]byte("withdraw: {file: s.yaml, points: [J7.2, J7.2, J9], why: missed the pad}\n"), []byte(sweepText("1", "", "J7.2: 0.452, J7.3: OL")))
	f.Add([]byte("withdraw: {file: ../../etc/passwd, why: x, time: 2026-08-02}\n"), []byte("open: {}\n"))
	f.Add([]byte(sweepText("2", "state: {polarity: black-on-ground}\n", "J7.2: OL")), []byte("board: Kestrel K3\nrevision: B\nreadings: {J7.2: 0.4, X: 1.0}\n"))
	b := testBoard(f)
	f.Fuzz(func(t *testing.T, one, two []byte) {
		dir := t.TempDir()
		write(t, filepath.Join(dir, "n.yaml"), string(one))
		write(t, filepath.Join(dir, "s.yaml"), string(two))
		l, err := LoadLibrary(dir, b)
		if l == nil {
			t.Fatalf("no library, %v", err)
		}
		if err == nil && len(l.Sweeps)+len(l.Skipped)+len(l.Withdrawn) == 0 {
			t.Fatal("both files vanished without a word")
		}
		l.Check()
	})
}

// BenchmarkLoadLibrary loads and checks 10,000 sweeps of one connector, of 2,000
// boards that five meters each read: wanted within 5 s and 256 MB.
func BenchmarkLoadLibrary(bench *testing.B) {
	for _, pins := range []int{16, 60} {
		bench.Run(fmt.Sprintf("pins=%d", pins), func(bench *testing.B) {
			var list strings.Builder
			for pin := range pins {
				fmt.Fprintf(&list, "    %d: N%d\n", pin+1, pin)
			}
			b, err := netlist.Parse(strings.NewReader("board: Kestrel K3\nrevision: C\nground: N0\nconnectors:\n  J7:\n   pins:\n"+list.String()), "board.yaml")
			if err != nil {
				bench.Fatal(err)
			}
			dir := bench.TempDir()
			for i := range 10_000 {
				var readings strings.Builder
				for pin := range pins {
					fmt.Fprintf(&readings, "J7.%d: 0.%03d, ", pin+1, 400+(i*i*31+i*7+pin*i*13)%90)
				}
				text := sweepText(fmt.Sprint(i/5), fmt.Sprintf("by: bench 2\nmeter: {name: m%d, test_current: 1 mA, open_voltage: 3 V, overload_above: 2 V, accuracy: 0.5%% + 2, resolution: 1 mV}\nstate: {polarity: red-on-ground, battery: out, unplugged: [J7]}\n", i%5), readings.String())
				if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%05d.yaml", i)), []byte(text), 0o666); err != nil {
					bench.Fatal(err)
				}
			}
			for bench.Loop() {
				l, err := LoadLibrary(dir, b)
				if err != nil || len(l.Sweeps) != 10_000 {
					bench.Fatal(err)
				}
				l.Check()
			}
			bench.ReportMetric(peakMB(), "peak-MB")
		})
	}
}

// peakMB is the most memory the process has held, in MB, where the system says.
func peakMB() float64 {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	var kB float64
	for _, line := range strings.Split(string(status), "\n") {
		if _, err := fmt.Sscanf(line, "VmHWM: %f kB", &kB); err == nil {
			break
		}
	}
	return kB / 1000
}
