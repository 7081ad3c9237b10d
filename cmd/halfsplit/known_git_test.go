package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/references"
)

// Two people work on clones of one library: both add the same sweep and sweeps of their
// own, withdraw the same sweep and the same reading, and one begins a new revision. Git
// merges the clones without a conflict, and nothing of either is lost.
func TestKnownMerges(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("there is no git on this machine")
	}
	for key, value := range map[string]string{"GIT_CONFIG_GLOBAL": os.DevNull, "GIT_CONFIG_NOSYSTEM": "1", "GIT_AUTHOR_NAME": "a", "GIT_AUTHOR_EMAIL": "a@example.org", "GIT_COMMITTER_NAME": "a", "GIT_COMMITTER_EMAIL": "a@example.org"} {
		t.Setenv(key, value)
	}
	root := t.TempDir()
	t.Chdir(root)
	git := func(dir string, args ...string) {
		t.Helper()
		cmd := exec.Command("git", args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("git %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	halfsplit := func(args ...string) string {
		t.Helper()
		var out, complaints bytes.Buffer
		if code := run(args, strings.NewReader(""), &out, &complaints); code != 0 {
			t.Fatalf("halfsplit %s: exit %d\n%s", strings.Join(args, " "), code, complaints.String())
		}
		return out.String()
	}
	put := func(name, text string) string {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return name
	}
	commit := func(dir string) {
		git(dir, "add", "-A")
		git(dir, "commit", "-q", "-m", "x")
	}
	const board = "board: Finch F1\nrevision: %\nground: GND\nconnectors:\n  J1: {pins: {1: GND, 2: KEY, 3: SDA}}\n"
	sweep := func(revision, sample, key string) string {
		return put("sweep-"+sample+".yaml", "board: Finch F1\nrevision: "+revision+"\nsample: "+sample+"\ntaken: 2026-08-02\nreadings: {J1.1: 0, J1.2: "+key+", J1.3: 0.598}\n")
	}
	if err := os.Mkdir("base", 0o777); err != nil {
		t.Fatal(err)
	}
	git("base", "init", "-q", "-b", "main")
	put("base/board.yaml", strings.Replace(board, "%", "A", 1))
	halfsplit("known", "add", sweep("A", "01", "0.667"), sweep("A", "02", "0.669"), sweep("A", "03", "0.671"), "--to", "base/known", "--board", "base/board.yaml")
	commit("base")
	git(root, "clone", "-q", "base", "one")
	git(root, "clone", "-q", "base", "two")
	stored := func(dir, sample string) string {
		t.Helper()
		list, err := filepath.Glob(filepath.Join(dir, "known", "finch_f1-a-"+sample+"-2026*.yaml"))
		if err != nil || len(list) == 0 {
			t.Fatalf("no sweep %s in %s: %v", sample, dir, err)
		}
		return list[0]
	}

	shared, own := sweep("A", "04", "0.668"), sweep("A", "05", "0.666")
	halfsplit("known", "add", shared, own, "--to", "one/known", "--board", "one/board.yaml")
	halfsplit("known", "withdraw", stored("one", "03"), "--why", "the board failed a week later", "--by", "Ada")
	halfsplit("known", "withdraw", stored("one", "02"), "--point", "J1.3", "--why", "missed the pad", "--by", "Ada")
	put("one/board-b.yaml", strings.Replace(board, "%", "B", 1))
	halfsplit("known", "add", sweep("B", "51", "0.702"), "--to", "one/known", "--board", "one/board-b.yaml")
	commit("one")

	halfsplit("known", "add", shared, sweep("A", "06", "0.670"), "--to", "two/known", "--board", "two/board.yaml")
	halfsplit("known", "withdraw", stored("two", "03"), "--why", "came back dead", "--by", "Bo")
	halfsplit("known", "withdraw", stored("two", "02"), "--point", "J1.3", "--point", "J1.1", "--why", "another board", "--by", "Bo")
	commit("two")

	git("one", "pull", "-q", "--no-rebase", "--no-edit", "../two", "main") // a conflict ends it with an error

	type used struct{ Sample, Points string }
	library := func(file string) (list []used, lib *references.Library) {
		t.Helper()
		b, err := netlist.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		lib, err = references.LoadLibrary("one/known", b)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range lib.Sweeps {
			var points []string
			for _, r := range s.Readings {
				points = append(points, r.Name)
			}
			list = append(list, used{s.Sample, strings.Join(points, " ")})
		}
		slices.SortFunc(list, func(a, b used) int { return strings.Compare(a.Sample, b.Sample) })
		return list, lib
	}
	const all = "J1.1 J1.2 J1.3"
	a, lib := library("one/board.yaml")
	if diff := cmp.Diff([]used{{"01", all}, {"02", "J1.2"}, {"04", all}, {"05", all}, {"06", all}}, a); diff != "" {
		t.Errorf("revision A (-want +got):\n%s", diff)
	}
	var why []string
	for _, w := range lib.Withdrawn {
		why = append(why, w.By+": "+strings.Join(append([]string{w.Why}, w.Points...), " "))
	}
	slices.Sort(why)
	if diff := cmp.Diff([]string{"Ada: missed the pad J1.3", "Ada: the board failed a week later", "Bo: another board J1.3 J1.1", "Bo: came back dead"}, why); diff != "" {
		t.Errorf("withdrawn (-want +got):\n%s", diff)
	}
	if b, _ := library("one/board-b.yaml"); !cmp.Equal([]used{{"51", all}}, b) {
		t.Errorf("revision B: %v", b)
	}
	if got := halfsplit("known", "check", "one/known", "--board", "one/board.yaml"); !strings.Contains(got, "5 sweeps in use, 1 withdrawn, 2 more readings withdrawn, 1 file set aside") {
		t.Errorf("check says:\n%s", got)
	}
}
