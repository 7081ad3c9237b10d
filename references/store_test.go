package references

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestFileName(t *testing.T) {
	day := time.Date(2026, 8, 2, 14, 5, 0, 0, time.UTC)
	text := []byte("abc")
	// SHA-256 of "abc": FIPS 180-4, example B.1, begins ba7816bf 8f01cfea.
	tests := []struct {
		sweep Sweep
		want  string
	}{
		{Sweep{Board: "Kestrel K3", Revision: "C", Sample: "014", Taken: day}, "kestrel_k3-c-014-2026-08-02-ba7816bf8f01.yaml"},
		{Sweep{Board: "Kestrel K3"}, "kestrel_k3-x-x-undated-ba7816bf8f01.yaml"},
		{Sweep{Board: "../../etc/passwd", Sample: "ä\n*", Taken: day}, "etc_passwd-x-x-2026-08-02-ba7816bf8f01.yaml"},
		{Sweep{Board: strings.Repeat("long", 40)}, "longlonglonglonglonglong-x-x-undated-ba7816bf8f01.yaml"},
	}
	for _, test := range tests {
		if got := FileName(&test.sweep, text); got != test.want {
			t.Errorf("got %s, want %s", got, test.want)
		}
	}
	if digest([]byte("a\r\nb\r\n")) != digest([]byte("a\nb\n")) {
		t.Error("line ends of another system make another digest")
	}
}

// Two people add to copies of one folder; the folders merge without a conflict,
// the same sweep added twice is one file, and no file is ever written over.
func TestAdd(t *testing.T) {
	b := testBoard(t)
	source, one, two := t.TempDir(), t.TempDir(), t.TempDir()
	add := func(dir, text string) (string, bool) {
		t.Helper()
		file := filepath.Join(source, "s.yaml")
		write(t, file, text)
		s, err := LoadSweep(file, b)
		if err != nil {
			t.Fatal(err)
		}
		path, added, err := Add(dir, s, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return filepath.Base(path), added
	}
	first, _ := add(one, sweepText("1", "", "J7.2: 0.452"))
	second, _ := add(two, sweepText("1", "", "J7.2: 0.453"))
	if first == second {
		t.Fatalf("two sweeps of one board and day share the name %s", first)
	}
	if again, added := add(one, sweepText("1", "", "J7.2: 0.452")); added || again != first {
		t.Errorf("the same sweep again: %s, added %t", again, added)
	}
	entries, err := os.ReadDir(one)
	if err != nil || len(entries) != 1 {
		t.Errorf("%v, %v: want the one file and nothing left over", entries, err)
	}
	l, err := LoadLibrary(one, b)
	if err != nil || len(l.Sweeps) != 1 || len(l.edited) != 0 {
		t.Errorf("%+v, %v", l, err)
	}

	// A file that was changed after it was added is called up; line ends are not.
	path := filepath.Join(one, first)
	write(t, path, strings.ReplaceAll(sweepText("1", "", "J7.2: 0.452"), "\n", "\r\n"))
	if l, err = LoadLibrary(one, b); err != nil || len(l.edits()) != 0 {
		t.Errorf("line ends: %+v, %v", l.edits(), err)
	}
	write(t, path, sweepText("1", "", "J7.2: 0.999"))
	if l, err = LoadLibrary(one, b); err != nil || len(l.edits()) != 1 || l.edits()[0].Sweep != path {
		t.Errorf("edited file: %+v, %v", l.edits(), err)
	}
}

// Many at once add the same sweep and different ones: every file is whole, and
// each sweep is reported as added once.
func TestAddTogether(t *testing.T) {
	dir := t.TempDir()
	const hands, sweeps = 8, 5
	done := make(chan int)
	for range hands {
		go func() {
			n := 0
			for k := range sweeps {
				text := sweepText(string(rune('a'+k)), "", "J7.2: 0.452")
				_, added, err := Add(dir, &Sweep{Board: "Kestrel K3", Sample: string(rune('a' + k))}, []byte(text))
				if err != nil {
					t.Error(err)
				}
				if added {
					n++
				}
			}
			done <- n
		}()
	}
	total := 0
	for range hands {
		total += <-done
	}
	l, err := LoadLibrary(dir, testBoard(t))
	if err != nil || len(l.Sweeps) != sweeps || total != sweeps {
		t.Errorf("%d sweeps in the folder and %d told as added, want %d: %v", len(l.Sweeps), total, sweeps, err)
	}
}

func TestWithdraw(t *testing.T) {
	b := testBoard(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "a.yaml")
	write(t, file, sweepText("1", "", "J7.2: 0.452"))
	write(t, filepath.Join(dir, "b.yaml"), sweepText("2", "", "J7.2: 0.454, J7.3: 0.2"))
	before, _ := os.ReadFile(file)
	why := "failed a week later: \"burnt\"\nsee case 7"
	day := time.Date(2026, 8, 9, 10, 0, 0, 0, time.UTC)
	note, err := Withdraw(file, nil, why, "bench 2", day)
	if err != nil {
		t.Fatal(err)
	}
	single, err := Withdraw(filepath.Join(dir, "b.yaml"), []string{"J7.3"}, "missed the pad", "", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	l, err := LoadLibrary(dir, b)
	if err != nil {
		t.Fatal(err)
	}
	want := []Withdrawal{
		{File: file, Note: note, Why: why, By: "bench 2", Time: day},
		{File: filepath.Join(dir, "b.yaml"), Points: []string{"J7.3"}, Note: single, Why: "missed the pad"},
	}
	if diff := cmp.Diff(want, l.Withdrawn); diff != "" || len(l.Sweeps) != 1 {
		t.Errorf("%d sweeps in use (-want +got):\n%s", len(l.Sweeps), diff)
	}
	if used := l.Sweeps[0].Readings; len(used) != 1 || used[0].Name != "J7.2" {
		t.Errorf("readings in use: %+v", used)
	}
	if after, _ := os.ReadFile(file); !slices.Equal(before, after) {
		t.Error("the sweep file was changed")
	}
	for _, test := range []struct {
		file, points, why, want string
	}{
		{file, "", "once more", "is withdrawn already"},
		{filepath.Join(dir, "b.yaml"), "J7.3", "once more", "`J7.3` of it is withdrawn already, by a note beside it"},
		{filepath.Join(dir, "b.yaml"), "J7.9", "x", "has no reading of `J7.9`; did you mean"},
		{file, "", " ", "says nothing without its reason"},
		{filepath.Join(dir, "b.yaml"), "", "a\x1b[0m", "the reason holds the character U+001B, which does not show; leave it out"},
		{filepath.Join(dir, "none.yaml"), "", "x", "none.yaml"},
		{note, "", "x", "withdraw"},
	} {
		var points []string
		if test.points != "" {
			points = []string{test.points}
		}
		if _, err := Withdraw(test.file, points, test.why, "", time.Time{}); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s %s, %q: error %v, want one with %q", test.file, test.points, test.why, err, test.want)
		}
	}
}
