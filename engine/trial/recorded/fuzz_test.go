package recorded

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzDemo reads descriptions of practice folders: a demo, or an error.
func FuzzDemo(f *testing.F) {
	dir := f.TempDir()
	board, err := os.ReadFile("../../../testdata/boards/sensor12.yaml")
	if err != nil {
		f.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "board.yaml"), board, 0o600); err != nil {
		f.Fatal(err)
	}
	const known = "known: [{file: k.yaml, sample: 1, by: x, taken: 2026-07-14, meter: bench 2, polarity: red-on-ground, celsius: 22.6, says: 22}]\n"
	f.Add("board: board.yaml\ntruth: 3\n" + known + "cases: []\n")
	f.Add("board: board.yaml\ntruth: 3\n" + known + "cases: [{file: c.yaml, about: a, complaint: c, remedy: r, sample: 2, meter: bench 2, celsius: 1e300, sweep: [P1], faults: [{at: C1 1-2, mode: shorted, ohms: 0.7}], bad: [C1], look: [C1], looks: {C1: corroded}}]\n")
	f.Add("board: board.yaml\ntruth: 18446744073709551615\n" + known + "cases: [{file: c.yaml, about: a, complaint: c, remedy: r, sample: 2, meter: nobody, celsius: 20, sweep: P9, faults: [{at: trace, mode: open}], read: {P1.1: missed}, warm: {V: [X]}}]\n")
	f.Add("board: ..\n---\n")
	path := filepath.Join(dir, "truth.yaml")
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Contains(text, "/") { // no file but the board
			return
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		demo, err := LoadDemo(path)
		if (demo == nil) == (err == nil) {
			t.Errorf("demo %v with error %v", demo, err)
		}
	})
}
