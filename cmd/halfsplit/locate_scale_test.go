//go:build unix

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist/quantity"
)

// scaleCases is how many of the recorded boards BenchmarkLocate diagnoses.
const scaleCases = 24

// writeTrial writes a recorded trial as a person would keep it: known good boards,
// and a case with the readings of its connectors.
func writeTrial(t testing.TB, tr *recorded.Trial, dir string) string {
	known := filepath.Join(dir, "known")
	if err := os.Mkdir(known, 0o777); err != nil {
		t.Fatal(err)
	}
	for i, s := range tr.Library {
		f, err := os.Create(filepath.Join(known, fmt.Sprintf("%02d.yaml", i)))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Write(f); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	board, err := filepath.Abs(tr.Path)
	if err != nil {
		t.Fatal(err)
	}
	m := tr.Meter
	source := "constant-current"
	if m.Source != 0 {
		source = "resistive"
	}
	var text strings.Builder
	fmt.Fprintf(&text, "open: {board: %s, known: known}\nmeter: {test_current: %g A, open_voltage: %g V, overload_above: %g V, accuracy: %g%% + %g, resolution: %g V, source: %s}\n",
		board, m.TestCurrent, m.OpenVoltage, m.Over, 100*m.Gain, m.Counts, m.Resolution, source)
	for _, r := range tr.Readings {
		fmt.Fprintf(&text, "---\nread: {%s: %s}\npolarity: %s\n", tr.Model.Board.PointName(r.At), quantity.FormatReading(r.Reading), r.Polarity)
	}
	file := filepath.Join(dir, "case.yaml")
	if err := os.WriteFile(file, []byte(text.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	return file
}

// BenchmarkLocate runs `locate` on recorded cases of a board of 60 pins and 317
// parts, each as a process of its own: wanted within 0.2 s and 64 MB.
func BenchmarkLocate(bench *testing.B) {
	trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", "dock60.txt"))
	if err != nil {
		bench.Fatal(err)
	}
	var files []string
	for i := range trials {
		if tr := &trials[i]; tr.Tuning && len(files) < scaleCases {
			files = append(files, writeTrial(bench, tr, bench.TempDir()))
		}
	}
	var took []time.Duration
	most, n := 0.0, 0
	for bench.Loop() {
		cmd := asProgram(bench, "locate", files[n%len(files)])
		n++
		start := time.Now()
		if out, err := cmd.CombinedOutput(); err != nil {
			bench.Fatalf("%v\n%.3000s", err, out)
		}
		took = append(took, time.Since(start))
		most = max(most, peak(cmd))
	}
	slices.Sort(took)
	bench.ReportMetric(took[len(took)/2].Seconds(), "median-s")
	bench.ReportMetric(took[len(took)-1].Seconds(), "worst-s")
	bench.ReportMetric(most, "peak-MB")
}
