package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/coverage"
)

// TestCoverageConsole plays testdata/coverage/demo.txt: lines that begin with
// "$ halfsplit coverage" with what they print.
func TestCoverageConsole(t *testing.T) {
	clean(t)
	file, err := filepath.Abs("testdata/coverage/demo.txt")
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "demo"), os.DirFS("../../testdata/demo")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	var got strings.Builder
	played, output := 0, false
	for line := range strings.Lines(string(want)) {
		command, ok := strings.CutPrefix(line, "$ halfsplit coverage ")
		switch {
		case ok:
			played++
			output = true
			got.WriteString(line)
			stdout, stderr, exit := play(t, "", append([]string{"coverage"}, shellWords(t, strings.TrimSpace(command))...)...)
			got.WriteString(stdout)
			for l := range strings.Lines(stderr) {
				got.WriteString("stderr| " + l)
			}
			if exit != 0 {
				got.WriteString("exit| " + string(rune('0'+exit)) + "\n")
			}
		case strings.HasPrefix(line, "# "):
			output = false
			got.WriteString(line)
		case !output:
			got.WriteString(line)
		}
	}
	if played == 0 {
		t.Fatal("the console has no commands")
	}
	if *update {
		if err := os.WriteFile(file, []byte(got.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")); diff != "" {
		t.Errorf("demo.txt (-want +got; -update writes it):\n%s", diff)
	}
}

// TestCoverageJSON: what is printed for programs reads back and agrees with itself.
func TestCoverageJSON(t *testing.T) {
	stdout, stderr, exit := play(t, "", "coverage", "../../testdata/demo/board.yaml", "--known", "../../testdata/demo/known", "--connector", "J7", "--json")
	if exit != 0 || stderr != "" {
		t.Fatalf("exit %d: %s", exit, stderr)
	}
	var x coverage.Coverage
	d := json.NewDecoder(strings.NewReader(stdout))
	d.DisallowUnknownFields()
	if err := d.Decode(&x); err != nil {
		t.Fatal(err)
	}
	if len(x.Faults) != x.Summary.Faults || len(x.Groups) != x.Summary.Groups || x.Summary.Seen == 0 {
		t.Errorf("summary %+v of %d faults and %d groups", x.Summary, len(x.Faults), len(x.Groups))
	}
	if strings.Contains(stdout, "null,\n  \"groups\"") || strings.Contains(stdout, `"points": null`) {
		t.Error("an empty list is printed as null")
	}
}

// TestCoverageAll: everything that the answer holds is printed with --all, and the
// short form points to it.
func TestCoverageAll(t *testing.T) {
	clean(t)
	args := []string{"coverage", "../../testdata/demo/board.yaml", "--known", "../../testdata/demo/known", "--connector", "J7", "--width", "200"}
	short, _, _ := play(t, "", args...)
	long, _, exit := play(t, "", append(args, "--all")...)
	if exit != 0 || !strings.Contains(short, "--all") || strings.Contains(long, "--all lists") || len(long) <= len(short) {
		t.Errorf("exit %d; short form of %d bytes, long one of %d", exit, len(short), len(long))
	}
	for _, at := range []string{"C91", "U2.D1", "J7.10 to J7.12", "J3.32 to J3.34"} {
		if !strings.Contains(long, at) {
			t.Errorf("--all does not name %s", at)
		}
	}
}
