//go:build unix

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"halfsplit/engine/journal"
)

// bigWork is work of a size that no connector of a handheld gives; invented.
type bigWork struct {
	name  string
	args  []string
	goal  string // what it is wanted within
	usage bool   // it ends in a message about the input
}

// bigWorks writes the files of each.
func bigWorks(t testing.TB, dir string) []bigWork {
	save := func(name, text string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return file
	}
	var lines, readings strings.Builder
	lines.WriteString("board: Lines\nrevision: A\nground: GND\nconnectors: {J1: {pins: {0: GND")
	for i := range 400 {
		fmt.Fprintf(&lines, ", %d: N%d", i+1, i)
		fmt.Fprintf(&readings, "J1.%d: OL, ", i+1)
	}
	lines.WriteString("}}}\nparts:\n")
	for i := range 400 {
		fmt.Fprintf(&lines, "  R%d: {kind: resistor, value: 1K, pins: [N%d, GND]}\n", i, i)
	}
	save("lines.yaml", lines.String())
	var star, wide strings.Builder
	star.WriteString("board: Star\nrevision: A\nground: GND\nconnectors: {J1: {pins: {0: GND, 1: N}}}\nparts:\n  R0: {kind: resistor, value: 1K, pins: [N, GND]}\n")
	for i := 1; i <= 10_000; i++ {
		fmt.Fprintf(&star, "  R%d: {kind: resistor, value: 10K, pins: [N, M%d]}\n", i, i)
	}
	for i := range 80_000 {
		fmt.Fprintf(&wide, "c%d,", i)
	}
	table := save("wide.csv", wide.String()+"\n")
	board := save("star.yaml", star.String())
	return []bigWork{
		{"400 lines all OL", []string{"locate", save("lines-case.yaml", "open: {board: lines.yaml}\n---\nread: {"+readings.String()+"}\n")}, "5 s, 200 MB", false},
		{"10,000 parts on one net", []string{"predict", board}, "2 s", false},
		{"80,000 columns to draft", []string{"draft", table}, "1 s", true},
		{"80,000 columns to known import", []string{"known", "import", table, "--board", save("plain.yaml", plainBoard), "--to", filepath.Join(dir, "known")}, "1 s", true},
	}
}

const plainBoard = "board: Plain\nrevision: A\nground: GND\nconnectors: {J1: {pins: {1: GND, 2: A}}}\nparts:\n  R1: {kind: resistor, value: 1K, pins: [A, GND]}\n"

// BenchmarkBigWork runs each as a process of its own.
func BenchmarkBigWork(bench *testing.B) {
	for _, work := range bigWorks(bench, bench.TempDir()) {
		bench.Run(work.name, func(bench *testing.B) {
			most := 0.0
			for bench.Loop() {
				most = max(most, runBig(bench, work))
			}
			bench.ReportMetric(most, "peak-MB")
		})
	}
}

// runBig runs one and gives its peak in MB.
func runBig(t testing.TB, work bigWork) float64 {
	cmd := asProgram(t, work.args...)
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if work.usage != errors.As(err, &exit) || work.usage && exit.ExitCode() != exitUsage || len(out) == 0 {
		t.Fatalf("%s: %v\n%.2000s", work.name, err, out)
	}
	return peak(cmd)
}

// TestBigWorkMemory holds the memory of big work to 200 MB: 400 lines at OL took 1.1 GB
// when every set of three faults was kept.
func TestBigWorkMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("a process is charged with the memory of the one that starts it, and the race detector's alone is more than 200 MB")
	}
	for _, work := range bigWorks(t, t.TempDir()) {
		if most := runBig(t, work); most > 200 || most == 0 && runtime.GOOS == "linux" {
			t.Errorf("%s takes %.0f MB, want 200 at most", work.name, most)
		}
	}
}

// TestInterrupted waits until long work says that it is long, and interrupts it: it
// ends with a sentence and its own exit status.
func TestInterrupted(t *testing.T) {
	if testing.Short() {
		t.Skip("waits until the program says that it takes long")
	}
	const side = 60 // a grid of 7,080 resistors, all on one line
	dir := t.TempDir()
	var board strings.Builder
	fmt.Fprintf(&board, "board: Grid\nrevision: A\nground: GND\nconnectors: {J1: {pins: {1: GND, 2: N0_0}}}\nparts:\n")
	net := func(x, y int) string {
		if x == side-1 && y == side-1 {
			return "GND"
		}
		return fmt.Sprintf("N%d_%d", x, y)
	}
	n := 0
	for x := range side {
		for y := range side {
			for _, to := range [2][2]int{{x + 1, y}, {x, y + 1}} {
				if to[0] < side && to[1] < side {
					n++
					fmt.Fprintf(&board, "  R%d: {kind: resistor, value: 100R, pins: [%s, %s]}\n", n, net(x, y), net(to[0], to[1]))
				}
			}
		}
	}
	file := filepath.Join(dir, "case.yaml")
	for name, text := range map[string]string{filepath.Join(dir, "board.yaml"): board.String(), file: "open: {board: board.yaml}\n---\nread: {J1.2: OL}\n"} {
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	cmd := asProgram(t, "locate", file)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	var stdout strings.Builder
	cmd.Stdout = &stdout
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	says := bufio.NewReader(stderr)
	first, err := says.ReadString('\n')
	if err != nil || !strings.HasPrefix(first, "halfsplit: working on 1 reading on a board of 7080 parts. ") {
		t.Fatalf("it says %q, %v; output %.300s", first, err, stdout.String())
	}
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	last, err := says.ReadString('\n')
	if err != nil || last != "halfsplit: "+errStopped.Error()+"\n" {
		t.Errorf("it ends with %q, %v", last, err)
	}
	err = cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitStopped || stdout.Len() > 0 {
		t.Errorf("exit status %d, want %d; output %.300s, %v", code, exitStopped, stdout.String(), err)
	}
}

// TestLeftByCtrlC interrupts a session at its prompt: what was entered is in the case, and
// the exit status is that of an interruption.
func TestLeftByCtrlC(t *testing.T) {
	demoFolder(t)
	cmd := asProgram(t, "bench", "left.yaml", "--board", "board.yaml", "--known", "known")
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	io.WriteString(stdin, "0.564 at J7.2\n")
	says, all := bufio.NewReader(stdout), ""
	for !strings.Contains(all, "event 2") {
		line, err := says.ReadString('\n')
		if all += line; err != nil {
			t.Fatalf("%v after\n%s", err, all)
		}
	}
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	rest, _ := io.ReadAll(says)
	cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitStopped || !strings.Contains(string(rest), "Left") {
		t.Errorf("exit status %d, want %d; it ends with\n%s", code, exitStopped, rest)
	}
	if c, err := journal.Load("left.yaml"); err != nil || len(c.All) != 2 {
		t.Errorf("the case: %+v, %v", c, err)
	}
}
