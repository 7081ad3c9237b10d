package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist/quantity"
)

// play runs a command with entries on standard input.
func play(t *testing.T, stdin string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(args, strings.NewReader(stdin), &out, &errs)
	for line := range strings.Lines(errs.String()) {
		// How long it takes on this machine is no part of the answer.
		if !strings.HasPrefix(line, "halfsplit: working on ") && !strings.HasPrefix(line, "halfsplit: still working ") {
			stderr += line
		}
	}
	return out.String(), stderr, code
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

// sessions are the scripted sessions of package bench: what was entered, by case, by
// a person who is asked (sessions) or from a file (fed).
func sessions(t *testing.T, folder string) map[string]string {
	t.Helper()
	files, err := filepath.Glob("../../engine/bench/testdata/" + folder + "/*.txt")
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

// played are the scripted sessions as the terminal wrote and showed them, each played once.
var played = map[string]struct {
	text []byte // of the case file
	out  string
}{}

// fedSession feeds a scripted session to the program in the folder of the demo, where the
// case is then.
func fedSession(t *testing.T, name, entries string) (c *journal.Case, out string) {
	t.Helper()
	file := name + ".yaml"
	x, ok := played[name]
	if ok {
		if err := os.WriteFile(file, x.text, 0o666); err != nil {
			t.Fatal(err)
		}
	} else {
		out, errs, code := play(t, entries, "bench", file, "--board", "board.yaml", "--known", "known", "--complaint", "a complaint", "--meter", meterOf(t, name), "--by", "tester")
		if code != exitDone || strings.Contains(out, "not recorded") || errs != "" {
			t.Fatalf("%s: exit %d, %s\n%s", name, code, errs, out)
		}
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		x.text, x.out = text, out
		played[name] = x
	}
	c, err := journal.Load(file)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return c, x.out
}

// TestBenchSessions feeds each scripted session to the program, from an empty
// case to a closed one. Where the flow of a session has changed for a reason,
// `go test ./engine/bench -run TestSessions -update` writes the scripts again.
func TestBenchSessions(t *testing.T) {
	all := sessions(t, "fed")
	if len(all) != 7 {
		t.Errorf("%d sessions, want those of cases (a) to (g)", len(all))
	}
	demoFolder(t)
	for name, entries := range all {
		c, out := fedSession(t, name, entries)
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
	entries := sessions(t, "fed")["touch-dead"]
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
	lines := "9.9E37\r\n9.9E37\r\n+5.62000E-01\r\n9.91E37\r\n+7.00000E-01\r\n"
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
	want := []string{"J7.1", "J7.3", "J7.3", "J7.5", "J7.7"} // along the row
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

// readingsOf are the readings of a case that count, "J7.3 OL" and so on.
func readingsOf(t *testing.T, file string) (list []string) {
	t.Helper()
	c, err := journal.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range c.Events {
		for _, r := range ev.Readings {
			list = append(list, r.Name+" "+quantity.FormatReading(r.Reading))
		}
	}
	return list
}

// TestFedFile: the readings of a file are those of the pins in the order of the board
// file. Some are out of range, one cannot be read and one was not taken: none lands on
// another pin, and what is out of range is asked for again when the sweep is over.
func TestFedFile(t *testing.T) {
	demoFolder(t)
	stdin := "y\nsweep J7\n0,001\n0.564\nOL\n0.1\nfivehundred\n1\n0.700\n\nOL\n0.700\n0.570 V DC\nOVLD\n"
	out, _, code := play(t, stdin, "bench", "fed.yaml", "--board", "board.yaml", "--known", "known")
	// "fivehundred" is a word and holds no place; a lone 1 and an empty line do.
	want := []string{"J7.1 0.001", "J7.2 0.564", "J7.3 OL", "J7.4 0.100", "J7.6 0.700", "J7.8 OL", "J7.9 0.700", "J7.10 0.570", "J7.11 OL"}
	if diff := cmp.Diff(want, readingsOf(t, "fed.yaml")); diff != "" {
		t.Errorf("readings (-want +got):\n%s\n%s", diff, out)
	}
	if code != exitBadly || !strings.Contains(out, "J7.5 is left out") || !strings.Contains(out, "J7.7 is left out") || !strings.Contains(out, "Left at J7.12, 11 of 12 pins read or skipped.") {
		t.Errorf("exit %d\n%s", code, out)
	}
}

// TestMeasuringProgram: lines of sigrok-cli on standard input, as it printed them, ten a
// second: each value that holds still is one reading, of the pin that is asked for.
func TestMeasuringProgram(t *testing.T) {
	demoFolder(t)
	lines := []string{"y\nsweep J7\nFRAME-BEGIN\n"}
	for _, v := range []string{"1.0 mV", "621.0 mV", "0.5560 V"} {
		for range 10 {
			lines = append(lines, "P1: "+v+" DC DIODE\n")
		}
		lines = append(lines, "P1: inf V DC DIODE\n", "P1: 300.0 mV DC DIODE\n")
	}
	stdin := readerFunc(func(p []byte) (int, error) {
		if len(lines) == 0 {
			return 0, io.EOF
		}
		n := copy(p, lines[0])
		lines = lines[1:]
		time.Sleep(20 * time.Millisecond)
		return n, nil
	})
	var out, errs bytes.Buffer
	code := run([]string{"bench", "m.yaml", "--board", "board.yaml", "--known", "known", "--meter-hold", "100ms"}, stdin, &out, &errs)
	if diff := cmp.Diff([]string{"J7.1 0.001", "J7.3 0.621", "J7.5 0.556"}, readingsOf(t, "m.yaml")); diff != "" || code != exitDone {
		t.Errorf("exit %d %s, readings (-want +got):\n%s\n%s", code, errs.String(), diff, out.String())
	}
}

// TestSigrok sweeps a connector with sigrok-cli itself and its demo driver, which shows
// a level for each pin; OL is entered by key.
func TestSigrok(t *testing.T) {
	if os.Getenv("HALFSPLIT_SIGROK") != "live" {
		t.Skip("set HALFSPLIT_SIGROK=live to run sigrok-cli")
	}
	demoFolder(t)
	pins := map[string]string{"J7.1": "0.001", "J7.3": "OL", "J7.5": "0.562", "J7.7": "0.700", "J7.9": "OL", "J7.11": "OL",
		"J7.2": "0.564", "J7.4": "0.623", "J7.6": "0.525", "J7.8": "OL", "J7.10": "0.570"}
	file := "sigrok.yaml"
	var want []string
	args := []string{"bench", file, "--board", "board.yaml", "--known", "known"}
	for i, pin := range strings.Fields("J7.1 J7.3 J7.5 J7.7 J7.9 J7.11 J7.2 J7.4 J7.6 J7.8 J7.10") {
		want = append(want, pin+" "+pins[pin])
		first := ""
		if i == 0 {
			first = "y\nsweep J7\n"
		}
		if pins[pin] == "OL" {
			play(t, first+"at "+pin+"\nOL\n", args[:2]...)
			continue
		}
		// The demo driver's square wave of no height: a level that holds.
		sigrok(t, first+"at "+pin+"\n", args, "-g", "A0", "-c", "amplitude=0:offset="+pins[pin], "--samples", "150000")
		args = args[:2]
	}
	if diff := cmp.Diff(want, readingsOf(t, file)); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
	// Without end, ten times a second; the wave of 10 V is no reading.
	if out := sigrok(t, "at J7.12\n", args, "-c", "samplerate=10", "--continuous"); !strings.Contains(out, "A measuring program sends") || !strings.Contains(out, "is below ground") {
		t.Errorf("--continuous:\n%s", out)
	}
}

// sigrok runs a session that is fed with some lines and then by sigrok-cli.
func sigrok(t *testing.T, first string, args []string, how ...string) (out string) {
	t.Helper()
	// It stops when its own input ends, and is killed where it does not.
	limit, stop := context.WithTimeout(t.Context(), 3*time.Second)
	defer stop()
	meter := exec.CommandContext(limit, "sigrok-cli", append([]string{"-d", "demo:analog_channels=1:logic_channels=0"}, how...)...)
	if _, err := meter.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	shows, err := meter.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := meter.Start(); err != nil {
		t.Fatal(err)
	}
	var text, errs bytes.Buffer
	if code := run(args, io.MultiReader(strings.NewReader(first), shows), &text, &errs); code != exitDone {
		t.Errorf("%s: exit %d, %s\n%s", first, code, errs.String(), text.String())
	}
	meter.Wait()
	return text.String()
}

// TestUndrawn: where good boards show a path that the drawing has no part for, every
// command that sees both says so, and first.
func TestUndrawn(t *testing.T) {
	clean(t)
	t.Chdir(t.TempDir())
	for file, text := range map[string]string{
		"board.yaml": "board: Finch F1\nrevision: A\nconnectors: {J1: {pins: {1: GND, 2: KEY, 3: SDA, 4: VS}}}\nnets: {VS: {rail: 3.3 V}}\nparts:\n" +
			"  R1: {kind: resistor, value: 100R, pins: [KEY, KEY_U]}\n  R3: {kind: resistor, value: 33R, pins: [SDA, SDA_U]}\n" +
			"  U1: {kind: ic, pins: {1: VS, 2: KEY_U, 8: GND}}\n", // its pin of SDA_U is not drawn
		"known/1.yaml": "board: Finch F1\nrevision: A\nsample: 1\nreadings: {J1.1: 0.000, J1.2: 0.667, J1.3: 0.598, J1.4: 0.431}\n",
		"dead.yaml":    "open: {board: board.yaml, known: known, complaint: dead}\n---\nread: {J1.2: OL}\n",
	} {
		os.Mkdir("known", 0o777)
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, x := range []struct {
		args  string
		lines int // within which it is said
		code  int
	}{
		{"check board.yaml known", 3, exitDone},
		{"known check known --board board.yaml", 6, exitDone},
		{"locate dead.yaml", 5, exitDone},
		{"bench dead.yaml", 5, exitDone},
	} {
		out, errs, code := play(t, "", strings.Fields(x.args)...)
		lines := strings.SplitAfter(out, "\n")
		if head := strings.Join(lines[:min(x.lines, len(lines))], ""); code != x.code || errs != "" || !strings.Contains(head, "ood boards show a path that the board file has no part") {
			t.Errorf("%s: exit %d %s\n%s", x.args, code, errs, out)
		}
	}
}

// TestRecordOfMeasurements: ohms are printed as ohms, what decided stands among the
// findings and on the line, a cause that no repair has proven is a suspicion, and a
// closed case has nothing next.
func TestRecordOfMeasurements(t *testing.T) {
	demoFolder(t)
	text := "open: {board: board.yaml, known: known, complaint: x}\n---\nread: {J7.1: 0, J7.3: OL}\n---\nread: {J7.3: OL}\n---\nread: {FL3.in: OL ohm}\nto: FL3.out\n---\nread: {FL3.out: 0.622}\n"
	closed := text + "---\nclose: {cause: FL3 open, remedy: escalated}\n"
	for file, text := range map[string]string{"open.yaml": text, "closed.yaml": closed} {
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	has := func(args, what string, want bool) {
		t.Helper()
		out, errs, code := play(t, "", strings.Fields(args)...)
		if code != exitDone || errs != "" || strings.Contains(strings.ReplaceAll(out, "\\", ""), what) != want {
			t.Errorf("%s: exit %d %s, %q in it: want %v\n%s", args, code, errs, what, want, out)
		}
	}
	has("locate open.yaml", "predicts OL at FL3.in to FL3.out (measured OL, known good 2 ohm)", true)
	has("locate open.yaml", "\n  FL3.in to FL3.out   TP_SDA         OL   2 ohm*          ○ open", true)
	has("locate open.yaml", "known good 0.620)\n     and predicts OL at J7.3", false) // measured twice, printed once
	has("locate open.yaml", "══ NEXT", true)
	has("locate closed.yaml", "══ NEXT", false)
	has("report open.yaml --markdown", "| FL3.in to FL3.out | TP_SDA | OL |  | 2 ohm (predicted) | open |", true)
	has("report open.yaml --markdown", "| FL3.out | TP_SDA_U | 0.622 |", true)
	has("report open.yaml --markdown", "| both on the board, ohms | OL |", true)
	has("report closed.yaml --markdown", "Suspected, not proven: FL3 open", true)
	has("report closed.yaml --html closed.html", "Wrote", true)
	page, err := os.ReadFile("closed.html")
	for _, want := range []string{">○ OL<", ">good 0.6", "across it OL<"} {
		if err != nil || !bytes.Contains(page, []byte(want)) {
			t.Errorf("the page has no %q, %v", want, err)
		}
	}
}
