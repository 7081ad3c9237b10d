//go:build unix

package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"halfsplit/references"
)

// bigTeam writes a board of one 60-pin connector and a folder of 10,000 sweeps of
// it, 2,000 boards that five meters read each, one line a reading, under the names
// that `known add` gives. One board in a hundred was counted one pin off. In a
// mixed team two of the meters read with the black probe on ground, and every
// fourth board is of another revision.
func bigTeam(t testing.TB, dir string, mixed bool) (board, known string) {
	const boards, meters, pins = 2000, 5, 60
	dice := rand.New(rand.NewPCG(5, 10_000))
	save := func(name, text string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return file
	}
	var list strings.Builder
	list.WriteString("board: Kestrel K3\nrevision: C\nground: N1\nconnectors:\n  J7:\n    pins:\n")
	var typical [pins + 1]float64 // volts, +Inf for OL
	for pin := 1; pin <= pins; pin++ {
		fmt.Fprintf(&list, "      %d: N%d\n", pin, pin)
		typical[pin] = 0.35 + 0.4*dice.Float64()
	}
	typical[1], typical[17], typical[42] = 0, math.Inf(1), math.Inf(1)
	board, known = save("board.yaml", list.String()), filepath.Join(dir, "known")
	if err := os.Mkdir(known, 0o777); err != nil {
		t.Fatal(err)
	}
	var gains [meters]float64
	for m := range gains {
		gains[m] = 1 + 0.002*dice.NormFloat64()
	}
	for b := range boards {
		var volts [pins + 1]float64
		for pin, v := range typical {
			volts[pin] = v + 0.005*dice.NormFloat64()*min(v, 1)
		}
		revision := "C"
		if mixed && b%4 == 0 {
			revision = "B"
			volts[7], volts[9] = volts[7]+0.2, volts[9]-0.1
		}
		for m, gain := range gains {
			polarity, more := references.RedOnGround, 0.0
			if mixed && m < 2 {
				polarity, more = references.BlackOnGround, 0.5
			}
			var text strings.Builder
			fmt.Fprintf(&text, `board: Kestrel K3
revision: %s
sample: %04d
by: bench %d
taken: 2026-%02d-%02d
meter: {name: meter %d, test_current: 1 mA, open_voltage: 3 V, overload_above: 2 V, accuracy: 0.5%% + 2, resolution: 1 mV, source: constant-current}
state: {polarity: %s, battery: out, unplugged: [J7], temperature: 23 C}
readings:
`, revision, b, m, 1+b%12, 1+b%28, m, polarity)
			for pin := 1; pin <= pins; pin++ {
				v := volts[pin] + more
				if b%100 == 99 {
					v = volts[1+pin%pins] + more
				}
				if v > 2 {
					fmt.Fprintf(&text, "  J7.%d: OL\n", pin)
				} else {
					fmt.Fprintf(&text, "  J7.%d: %.3f\n", pin, max(0, gain*v+0.001*dice.NormFloat64()))
				}
			}
			sweep := &references.Sweep{Board: "Kestrel K3", Revision: revision, Sample: fmt.Sprintf("%04d", b)}
			save(filepath.Join("known", references.FileName(sweep, []byte(text.String()))), text.String())
		}
	}
	return board, known
}

// peak gives the most memory in MB that a process of asProgram had at once, as it said
// itself (VmHWM, proc_pid_status(5)): what a wait tells has that of the process which
// started it. It gives 0 where there is none.
func peak(cmd *exec.Cmd) float64 {
	_, file, _ := strings.Cut(cmd.Env[len(cmd.Env)-1], "=")
	status, err := os.ReadFile(file)
	if err != nil {
		return 0
	}
	_, text, _ := strings.Cut(string(status), "VmHWM:")
	kb, _ := strconv.ParseFloat(strings.Fields(text + " 0")[0], 64)
	return kb / 1000
}

// BenchmarkKnownCheck runs `known check` over 10,000 sweeps of 60 pins as a
// process of its own: wanted within 5 s and 256 MB.
func BenchmarkKnownCheck(bench *testing.B) {
	for _, team := range []struct {
		name  string
		mixed bool
		head  string
	}{
		{"alike", false, "10000 sweeps in use"},
		{"mixed", true, "7500 sweeps in use, 2500 files set aside"},
	} {
		bench.Run(team.name, func(bench *testing.B) {
			board, known := bigTeam(bench, bench.TempDir(), team.mixed)
			most := 0.0
			for bench.Loop() {
				cmd := asProgram(bench, "known", "check", known, "--board", board)
				out, err := cmd.Output()
				var exit *exec.ExitError
				if !errors.As(err, &exit) || exit.ExitCode() != exitBadly || !bytes.Contains(out, []byte(team.head)) || bytes.Count(out, []byte("wrong pins J7")) != 100 {
					bench.Fatalf("%v\n%.3000s", err, out)
				}
				most = max(most, peak(cmd))
			}
			bench.ReportMetric(most, "peak-MB")
		})
	}
}
