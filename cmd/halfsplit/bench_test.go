package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
)

// play runs a command with entries on standard input.
func play(t *testing.T, stdin string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(args, strings.NewReader(stdin), &out, &errs)
	return out.String(), errs.String(), code
}

// demoFolder is a fresh copy of the demonstration, made the working folder.
func demoFolder(t *testing.T) {
	t.Helper()
	clean(t)
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/demo")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
}

// sessions are the scripted sessions of package bench: what was entered, by case.
func sessions(t *testing.T) map[string]string {
	t.Helper()
	files, err := filepath.Glob("../../engine/bench/testdata/sessions/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no sessions: %v", err)
	}
	all := map[string]string{}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		entries := ""
		for line := range strings.Lines(string(text)) {
			if !strings.HasPrefix(line, "#") {
				entries += line
			}
		}
		all[strings.TrimSuffix(filepath.Base(f), ".txt")] = entries
	}
	return all
}

// meterOf is the meter that a case of the demo was read with.
func meterOf(t *testing.T, name string) string {
	t.Helper()
	c, err := journal.Load(filepath.Join("cases", name+".yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return c.Meter.Text()
}

// TestBenchSessions feeds each scripted session to the program, from an empty
// case to a closed one. Where the flow of a session has changed for a reason,
// `go test ./engine/bench -run TestSessions -update` writes the scripts anew.
func TestBenchSessions(t *testing.T) {
	all := sessions(t)
	if len(all) != 7 {
		t.Errorf("%d sessions, want those of cases (a) to (g)", len(all))
	}
	demoFolder(t)
	for name, entries := range all {
		out, errs, code := play(t, entries, "bench", name+".yaml", "--board", "board.yaml", "--known", "known", "--complaint", "a complaint", "--meter", meterOf(t, name), "--by", "tester")
		if code != exitDone || strings.Contains(out, "not recorded") || errs != "" {
			t.Errorf("%s: exit %d, %s\n%s", name, code, errs, out)
			continue
		}
		c, err := journal.Load(name + ".yaml")
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if _, closed := c.Closed(); !closed {
			t.Errorf("%s: the case is not closed:\n%s", name, out)
		}
		if _, errs, code := play(t, "", "power", name+".yaml"); code != exitDone {
			t.Errorf("%s: the power-up check exits %d; %s", name, code, errs)
		}
		if out, errs, code := play(t, "", "report", name+".yaml", "--html", name+".html"); code != exitDone || !strings.Contains(out, "Wrote") {
			t.Errorf("%s: report exits %d; %s", name, code, errs)
		}
	}
}

// TestNewcomer is the log of somebody who follows the help alone: writes the
// demonstration, plays a case of it, asks for the power-up check and the report.
func TestNewcomer(t *testing.T) {
	entries := sessions(t)["touch-dead"]
	golden, err := filepath.Abs("testdata/newcomer.golden")
	if err != nil {
		t.Fatal(err)
	}
	clean(t)
	t.Chdir(t.TempDir())
	log := ""
	do := func(stdin string, args ...string) {
		out, errs, code := play(t, stdin, args...)
		log += "$ halfsplit " + strings.Join(args, " ") + "\n" + out + errs
		if code != exitDone {
			log += fmt.Sprintf("exit %d\n", code)
		}
	}
	do("", "demo", "kestrel")
	do("?\n"+entries, "bench", "kestrel/mine.yaml", "--board", "kestrel/board.yaml", "--known", "kestrel/known", "--complaint", "'touch dead'", "--by", "newcomer")
	do("", "power", "kestrel/mine.yaml")
	do("", "report", "kestrel/mine.yaml", "--html", "mine.html")
	if *update {
		if err := os.WriteFile(golden, []byte(log), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(log, "\n")); diff != "" {
		t.Errorf("the newcomer's log (-want +got; -update writes it):\n%s", diff)
	}
}

// TestBenchRefused: a second session on a case is told who has it, where, and
// since when; flags for a new case are refused on an old one.
func TestBenchRefused(t *testing.T) {
	demoFolder(t)
	w, err := journal.Append("cases/touch-dead.yaml", "ann at bench 2")
	if err != nil {
		t.Fatal(err)
	}
	host, _ := os.Hostname()
	_, errs, code := play(t, "y\n", "bench", "cases/touch-dead.yaml")
	if code != exitUsage || !strings.Contains(errs, "ann at bench 2") || !strings.Contains(errs, host) || !regexp.MustCompile(`since \d{4}-\d\d-\d\dT\d\d:\d\d`).MatchString(errs) {
		t.Errorf("a second session: exit %d, %q", code, errs)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := play(t, "q\n", "bench", "cases/touch-dead.yaml"); code != exitDone {
		t.Errorf("after the first has ended: exit %d, %q", code, errs)
	}
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"bench", "new.yaml"}, "name the board file with --board"},
		{[]string{"bench", "cases/touch-dead.yaml", "--board", "board.yaml"}, "is for a new case"},
		{[]string{"bench", "new.yaml", "--board", "nowhere.yaml"}, "nowhere.yaml"},
		{[]string{"bench", "cases/touch-dead.yaml", "--meter-device", "nowhere"}, "check the cable"},
		{[]string{"bench", "cases/touch-dead.yaml", "--supply", "before: 3 V"}, "--supply"},
		{[]string{"power", "cases/touch-dead.yaml", "--supply", "after: 110..60 mA"}, "the lesser current first"},
		{[]string{"report", "cases/touch-dead.yaml", "--html", "x.html", "--markdown"}, "one of them"},
		{[]string{"report", "cases/touch-dead.yaml", "--html", "nowhere/x.html"}, "where you may write"},
		{[]string{"report", "cases/touch-dead.yaml", "--html", "cases/touch-dead.yaml"}, "which is read"},
		{[]string{"report", "cases/touch-dead.yaml", "--html", "known"}, "is no page that `--html` wrote"},
	} {
		_, errs, code := play(t, "", tt.args...)
		if code != exitUsage || !strings.Contains(errs, tt.want) {
			t.Errorf("%v: exit %d, %q; want %q", tt.args, code, errs, tt.want)
		}
	}
}

// TestMeterDevice: a meter gives the readings of a sweep, a line each, as
// instruments send them.
func TestMeterDevice(t *testing.T) {
	demoFolder(t)
	start := "open: {board: board.yaml, known: known}\n---\nacknowledge: [battery out, capacitors discharged, boosted rails discharged, lithium cells, rules first]\n---\nread: {J7.1: 0.001}\n"
	if err := os.WriteFile("c.yaml", []byte(start), 0o666); err != nil {
		t.Fatal(err)
	}
	lines := "+5.64000E-01\r\n9.9E37\r\n9.9E37\r\n+6.23000E-01\r\n9.91E37\r\n+5.62000E-01\r\n"
	if err := os.WriteFile("meter", []byte(lines), 0o666); err != nil {
		t.Fatal(err)
	}
	out, errs, code := play(t, "", "bench", "c.yaml", "--meter-device", "meter", "--by", "x")
	if code != exitDone || errs != "" {
		t.Fatalf("exit %d, %s", code, errs)
	}
	c, err := journal.Load("c.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, ev := range c.Events {
		for _, r := range ev.Readings {
			got = append(got, r.Name)
		}
	}
	want := []string{"J7.1", "J7.2", "J7.3", "J7.3", "J7.4", "J7.5"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("readings (-want +got):\n%s\n%s", diff, out)
	}
	if !strings.Contains(out, "not recorded: ") || !strings.Contains(out, "has no reading") {
		t.Errorf("the line without a reading is not told:\n%s", out)
	}
}

// TestPowerClosed: rework that was not read again is not checked, exit code 1,
// in text and in JSON.
func TestPowerClosed(t *testing.T) {
	demoFolder(t)
	w, err := journal.Append("cases/touch-dead.yaml", "")
	if err != nil {
		t.Fatal(err)
	}
	fl3, err := w.Case().Board.PartByName("FL3")
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(journal.Event{Kind: journal.KindJumper, Jumpers: []journal.Jumper{{Part: fl3}}}); err != nil {
		t.Fatal(err)
	}
	w.Close()
	out, errs, code := play(t, "", "power", "cases/touch-dead.yaml")
	if code != exitBadly || errs != "" || !strings.Contains(out, "POWER-UP CHECK: NOT CHECKED") || !strings.Contains(out, "TP_SDA") {
		t.Errorf("exit %d, %q\n%s", code, errs, out)
	}
	out, errs, code = play(t, "", "power", "cases/touch-dead.yaml", "--json")
	var g powerup.Answer
	if err := json.Unmarshal([]byte(out), &g); err != nil || code != exitBadly || errs != "" || g.Passed() || len(g.Need) == 0 {
		t.Errorf("exit %d, %v, %q\n%s", code, err, errs, out)
	}
}

// TestBenchFileGone: a session whose case was taken from under it does not say that
// all is in the case.
func TestBenchFileGone(t *testing.T) {
	demoFolder(t)
	in := strings.NewReader("y\n")
	gone := readerFunc(func(p []byte) (int, error) {
		if in.Len() > 0 {
			return in.Read(p)
		}
		if err := os.Remove("mine.yaml"); err == nil {
			return copy(p, "n too late\nq\n"), nil
		}
		return 0, io.EOF
	})
	var out, errs bytes.Buffer
	if code := run([]string{"bench", "mine.yaml", "--board", "board.yaml", "--known", "known"}, gone, &out, &errs); code != exitBadly {
		t.Errorf("exit %d, %s", code, errs.String())
	}
	if text := out.String(); !strings.Contains(text, "not recorded: mine.yaml") || !strings.Contains(text, "are not in the case") || strings.Contains(text, "All that was entered is") {
		t.Errorf("says\n%s", text)
	}
}

type readerFunc func(p []byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }
