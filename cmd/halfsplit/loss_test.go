//go:build unix

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Nothing typed makes a session panic: words whose other case has another number of
// bytes, broken letters, every command with each of them.
func TestTypedBytes(t *testing.T) {
	demoFolder(t)
	words := []string{"ȺȺȺȺȺȺȺȺȺ", "\xe9\xe9\xe9", "\xff\xff\xff\xff", "İR12", "ſ K ﬁ", "R12\x00", "\u202e", strings.Repeat("Ⱥ", 900), ", and", "-", "\x1b[A"}
	actions := []string{"", "n", "note", "replace", "removed", "took off", "put back", "jumper", "repair", "clean between", "sweep", "take", "undo", "draws", "inspect", "look at", "warm on", "close", "refer",
		"0.43 at", "22 ohm from", "J7.2 swapped", "i've fitted"}
	var typed strings.Builder
	for _, action := range actions {
		for _, word := range words {
			fmt.Fprintf(&typed, "%s %s\n%s %s\n%s %s swapped\n", action, word, strings.ToUpper(action), word, action, word)
		}
	}
	// The last entry is understood: the session is still there.
	out, errs, code := play(t, typed.String()+"n still here\n", "bench", "cases/touch-dead.yaml")
	if code != exitBadly || errs != "" || !strings.Contains(out, "note: still here") {
		t.Errorf("bench: exit %d, %s\n%s", code, errs, out[max(0, len(out)-500):])
	}
}

func TestTypedBytesInPractice(t *testing.T) {
	courseCopy(t)
	words := []string{"ȺȺȺȺȺȺȺȺȺ", "\xe9\xe9\xe9", "\xff\xff\xff\xff", "İR1", "\u202e", strings.Repeat("Ⱥ", 900), ", and", "-", "\x1b[A", "J1.2 \xff", "ȺȺ to ȺȺ", "ȺȺ shorted; Ⱥ"}
	var lines strings.Builder
	for _, d := range practiceActions {
		head, _, _ := strings.Cut(d.words, " ")
		if head == "quit" {
			continue
		}
		for _, word := range words {
			fmt.Fprintf(&lines, "%s %s\n%s %s\n", head, word, strings.ToUpper(head), word)
		}
	}
	out, errs, code := play(t, lines.String()+"?\n", "practice", "run", "lesson-01.yaml", "--by", "Ada")
	if code != exitDone || errs != "" || !strings.Contains(out[strings.LastIndex(out, "the end: `verdict"):], "leave; go on later") {
		t.Errorf("exit %d, %s\n%s", code, errs, out[max(0, len(out)-500):])
	}
}

// No option that names an output writes over a file of another kind, over one that
// is read, over what another option names, nor through a link or into a pipe.
func TestOutputsAreGuarded(t *testing.T) {
	courseCopy(t)
	script := "fit R3\nverdict nothing\n"
	for _, by := range []string{"Ada"} {
		if _, errs, code := play(t, script, "practice", "run", "lesson-01.yaml", "--by", by); code != exitDone {
			t.Fatalf("exit %d: %s", code, errs)
		}
	}
	const record = "lesson-01-ada.yaml"
	page := func(args ...string) []string { return append(args, "--passphrase-file", "passphrase.txt") }
	put := func(file, text string) {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("theirs.html", "<!doctype html>\n<html><head><title>theirs</title></head></html>\n")
	put("theirs.yaml", "theirs\n")
	put("theirs", "")
	if err := os.Symlink("theirs.yaml", "link.html"); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(".", "here"); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo("pipe", 0o666); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := play(t, "", page("practice", "answers", "lesson-02.yaml", "--html", "sheet.html")...); code != exitDone {
		t.Fatalf("a new page: exit %d, %s", code, errs)
	}
	if _, errs, code := play(t, "", page("practice", "answers", "lesson-03.yaml", "--html", "sheet.html")...); code != exitDone {
		t.Errorf("over an older page of its kind: exit %d, %s", code, errs)
	}
	before := map[string]string{}
	for _, file := range []string{record, "passphrase.txt", "theirs.html", "theirs.yaml", "theirs", "sheet.html", "board.yaml", "lesson-01.yaml"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		before[file] = string(text)
	}
	for _, tt := range []struct {
		args []string
		want string
	}{
		{page("practice", "score", record, "--answers", record), "`--answers` names `" + record + "`, which is read"},
		{page("practice", "score", record, "--html", "./here/../"+record), "which is read"},
		{page("practice", "answers", "lesson-01.yaml", "--html", "passphrase.txt"), "`--html` names `passphrase.txt`, which is read"},
		{page("practice", "answers", "lesson-01.yaml", "--html", "theirs.html"), "is no page that `--html` wrote"},
		{page("practice", "answers", "lesson-01.yaml", "--html", "theirs"), "is no page that `--html` wrote"},
		{page("practice", "answers", "lesson-01.yaml", "--html", "link.html"), "is no page that `--html` wrote"},
		{page("practice", "answers", "lesson-01.yaml", "--html", "pipe"), "is no page that `--html` wrote"},
		{page("practice", "score", record, "--html", "sheet.html"), "is no page that `--html` wrote"},
		{page("practice", "score", record, "--html", "both.html", "--answers", "both.html"), "`--html` and `--answers` name one file, `both.html`"},
		{page("practice", "score", record, "--html", "both.html", "--answers", "here/both.html"), "name one file"},
		{[]string{"report", record, "--html", record}, "`--html` names `" + record + "`, which is read"},
		{[]string{"report", record, "--html", "theirs.html"}, "is no page that `--html` wrote"},
		{[]string{"report", record, "--html", "/dev/stdout"}, "is no page that `--html` wrote"},
		{[]string{"report", record, "--html", "pipe"}, "is no page that `--html` wrote"},
		{[]string{"known", "sheet", "known", "J1", "--board", "board.yaml", "--to", "theirs.html"}, "cannot be written: file exists"},
		{[]string{"known", "export", "known", "--board", "board.yaml", "--to", "link.html"}, "cannot be written: file exists"},
		{[]string{"memory", "learn", record, "--to", "theirs.yaml"}, "cannot be written: file exists"},
		{[]string{"practice", "run", "lesson-01.yaml", "--by", "Ada", "--journal", "theirs.yaml"}, "theirs.yaml"},
		{[]string{"practice", "run", "lesson-01.yaml", "--by", "Ada", "--journal", "lesson-01.yaml"}, "lesson-01.yaml"},
		{page("practice", "make", "board.yaml", "--lesson", "opens", "--count", "1", "--to", "."), "cannot be written: file exists"},
	} {
		if _, errs, code := play(t, "", tt.args...); code != exitUsage || !strings.Contains(errs, tt.want) {
			t.Errorf("%v: exit %d, %q; want %q", tt.args, code, errs, tt.want)
		}
	}
	for file, want := range before {
		if text, err := os.ReadFile(file); err != nil || string(text) != want {
			t.Errorf("%s became %q, %v", file, text, err)
		}
	}
	if _, err := os.Stat("both.html"); err == nil {
		t.Error("one of two pages of one name was written")
	}
	if left, _ := filepath.Glob(".halfsplit-*"); len(left) > 0 {
		t.Errorf("drafts are left: %v", left)
	}
}

// A demonstration that was cut off is completed; one with a changed file is not.
func TestDemoCompleted(t *testing.T) {
	clean(t)
	t.Chdir(t.TempDir())
	if _, errs, code := play(t, "", "demo", "k"); code != exitDone {
		t.Fatal(errs)
	}
	for _, file := range []string{"k/board.yaml", "k/cases/touch-dead.yaml"} {
		if err := os.Remove(file); err != nil {
			t.Fatal(err)
		}
	}
	if _, errs, code := play(t, "", "demo", "k"); code != exitDone {
		t.Errorf("one that was cut off: exit %d, %s", code, errs)
	}
	if _, err := os.Stat("k/board.yaml"); err != nil {
		t.Error(err)
	}
	if err := os.Remove("k/cases/touch-dead.yaml"); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("k/board.yaml", []byte("mine"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := play(t, "", "demo", "k"); code != exitUsage || !strings.Contains(errs, "already exists") {
		t.Errorf("over another board: exit %d, %s", code, errs)
	}
	if _, err := os.Stat("k/cases/touch-dead.yaml"); err == nil {
		t.Error("something was written before the refusal")
	}
}

// through makes a pipe that gives a text, named as a process substitution is.
func through(t *testing.T, text string) string {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		w.WriteString(text)
		w.Close()
	}()
	t.Cleanup(func() { r.Close() })
	return fmt.Sprintf("/dev/fd/%d", r.Fd())
}

// Streams are read once where that makes sense, and refused with a sentence where
// it does not; nothing waits forever.
func TestStreams(t *testing.T) {
	if _, err := os.Stat("/dev/fd/0"); err != nil {
		t.Skip("no /dev/fd here: ", err)
	}
	demoFolder(t)
	sweeps, err := filepath.Glob("known/*.yaml")
	if err != nil || len(sweeps) < 3 {
		t.Fatal("no sweeps")
	}
	text := func(file string) string {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	table := "part,pin,net\nJ1,1,GND\nJ1,2,KEY\nR1,1,KEY\nR1,2,KEY_U\n"
	if _, errs, code := play(t, "", "known", "export", "known", "--board", "board.yaml", "--to", "all.csv"); code != exitDone {
		t.Fatal(errs)
	}
	for _, tt := range []struct {
		stdin string
		args  []string
		want  string
	}{
		{text(sweeps[0]), []string{"known", "add", "-", "--to", "new", "--board", "board.yaml"}, "1 added of 1 sweep"},
		{"", []string{"known", "add", through(t, text(sweeps[1])), "--to", "new", "--board", "board.yaml"}, "1 added of 1 sweep"},
		{text("all.csv"), []string{"known", "import", "-", "--to", "imported", "--board", "board.yaml"}, "added"},
		{table, []string{"draft", "-", "--to", "drafted.yaml"}, "1 part on 3 nets"},
		{"", []string{"draft", through(t, table), "--to", "drafted-too.yaml"}, "1 part on 3 nets"},
	} {
		out, errs, code := play(t, tt.stdin, tt.args...)
		if code != exitDone || !strings.Contains(out, tt.want) {
			t.Errorf("%v: exit %d, %q, %s", tt.args, code, out, errs)
		}
	}
	kept, _ := filepath.Glob("new/*.yaml")
	if len(kept) != 2 {
		t.Fatalf("added are %v", kept)
	}
	for _, file := range kept {
		if got := text(file); got != text(sweeps[0]) && got != text(sweeps[1]) {
			t.Errorf("%s holds %q", file, got)
		}
	}
	if err := syscall.Mkfifo("pipe.yaml", 0o666); err != nil { // nobody ever writes to it
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"locate", "pipe.yaml"}, {"check", "pipe.yaml"}, {"bench", "pipe.yaml"}, {"practice", "run", "pipe.yaml", "--journal", "x.yaml"}, {"memory", "learn", "pipe.yaml"},
		{"trace", "pipe.yaml", "J7.2"}, {"predict", "pipe.yaml"}, {"known", "show", "known", "--board", "pipe.yaml"}, {"locate", through(t, text("cases/touch-dead.yaml"))},
	} {
		said := make(chan string)
		go func() {
			out, errs, _ := play(t, "", args...)
			said <- out + errs
		}()
		select {
		case text := <-said:
			if !strings.Contains(strings.Join(strings.Fields(text), " "), "is a pipe or a device, not a file") {
				t.Errorf("%v: %s", args, text)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("%v waits forever", args)
		}
	}
	// A meter that is a pipe may come later; the session goes on meanwhile.
	if out, errs, code := play(t, "n waiting\nq\n", "bench", "cases/touch-dead.yaml", "--meter-device", "pipe.yaml"); code != exitDone || !strings.Contains(out, "note: waiting") {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
}

// Numbers that are none are refused where they are given.
func TestNoNumbers(t *testing.T) {
	demoFolder(t)
	for _, args := range [][]string{
		{"memory", "learn", "cases", "--kinds", "Inf"}, {"memory", "learn", "cases", "--modes", "NaN"}, {"memory", "learn", "cases", "--kinds", "1e300"},
		{"meter", "calibrate", "100R=0.104", "--diode", "0.56", "--celsius", "NaN"}, {"meter", "calibrate", "100R=0.104", "--celsius", "-Inf"},
	} {
		if out, errs, code := play(t, "", args...); code != exitUsage || !strings.Contains(errs, args[len(args)-2]) || out != "" {
			t.Errorf("%v: exit %d, %q, %s", args, code, out, errs)
		}
	}
}

// A session that is fed lines tells by its exit code that one was refused.
func TestRefusedExit(t *testing.T) {
	demoFolder(t)
	if out, errs, code := play(t, "n one\nflurb\nn two\n", "bench", "cases/touch-dead.yaml"); code != exitBadly || errs != "" {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
	if out, errs, code := play(t, "n three\n", "bench", "cases/touch-dead.yaml"); code != exitDone || errs != "" {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
}

// Free text keeps the spaces and joiners that languages need.
func TestFreeText(t *testing.T) {
	demoFolder(t)
	typed := "n écran\u00a0: mort\nn می\u200cخواهم\nn 👩\u200d🔧\ufe0f\n"
	out, errs, code := play(t, typed, "bench", "c.yaml", "--board", "board.yaml", "--complaint", "écran\u202f: mort")
	if code != exitDone || errs != "" || !strings.Contains(out, "note: écran : mort") || !strings.Contains(out, "note: می\u200cخواهم") {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
	if _, errs, code := play(t, "", "bench", "d.yaml", "--board", "board.yaml", "--complaint", "a\u202eb"); code != exitUsage || !strings.Contains(errs, "U+202E") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

// The score marks a record that was changed by hand, and two that are one work.
func TestScoreMarksHands(t *testing.T) {
	courseCopy(t)
	for _, by := range []string{"Cy", "Eve"} {
		if _, errs, code := play(t, "read J1.2\nverdict nothing\n", "practice", "run", "lesson-01.yaml", "--by", by); code != exitDone {
			t.Fatal(errs)
		}
		time.Sleep(1100 * time.Millisecond) // two students do not work in the same second
	}
	text, err := os.ReadFile("lesson-01-cy.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("lesson-01-di.yaml", []byte(strings.ReplaceAll(string(text), "by: Cy", "by: Di")), 0o666); err != nil {
		t.Fatal(err)
	}
	out, errs, code := play(t, "", "practice", "score", "--width", "200", "lesson-01-cy.yaml", "lesson-01-di.yaml", "lesson-01-eve.yaml", "--passphrase-file", "passphrase.txt")
	if code != exitDone {
		t.Fatalf("exit %d, %s", code, errs)
	}
	for want, n := range map[string]int{
		"doubtful record: the same work, to the second, as in lesson-01-cy.yaml": 1,
		"doubtful record: the same work, to the second, as in lesson-01-di.yaml": 1,
		"events are not as the bench wrote them":                                 1,
		"doubtful record:":                                                       3,
	} {
		if got := strings.Count(out, want); got != n {
			t.Errorf("%q is said %d times, want %d:\n%s", want, got, n, out)
		}
	}
}
