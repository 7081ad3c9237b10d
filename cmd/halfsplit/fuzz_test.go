package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzPracticeLines types lines at the bench of a practice case. Whatever they are, the
// session ends in order, and what it printed is text.
func FuzzPracticeLines(f *testing.F) {
	for _, lines := range []string{"read J1.2 J1.3\nsheet\n", "ohms J1.2 to J1.3\nswapped J1.4\n", "inspect C2, R1\nlift C2\nrefit C2\nfit C2\nbridge R1\n", "repair J1.2-J1.3\nmend J1.2 J1.3\ninject VS\n", "power\nline J1.2\nnote \x1b[31m\n", "verdict nothing\n", "verdict R3 open; replace\n", "verdict ;\nundo\n?\nquit\n", "\xff\xff \xff\nfit \u023a\u023a\u023a\n", "repair \u0130 to \xff\nohms to to to\n"} {
		f.Add(lines)
	}
	dir := f.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/lessons")); err != nil {
		f.Fatal(err)
	}
	record := filepath.Join(dir, "record.yaml")
	f.Fuzz(func(t *testing.T, lines string) {
		if len(lines) > 300 { // each reading is on the disk before the next
			return
		}
		os.Remove(record)
		out, errs, exit := typed(lines, "practice", "run", filepath.Join(dir, "lesson-08.yaml"), "--by", "Ada", "--journal", record)
		if exit != exitDone || strings.Contains(out+errs, "\x1b") {
			t.Errorf("exit %d\n%q\n%q", exit, out, errs)
		}
	})
}

// FuzzSupplyFlag reads what good boards draw: currents in order, or an error that says
// what to do.
func FuzzSupplyFlag(f *testing.F) {
	for _, text := range []string{"before: 3 mA, after: 60..110 mA", "{after: 110 mA}", "after: 60 mA..0.1 A", "after: NaN..", "before: -1 A, after: 2..1 A", "\xff", "after: 1....2 A", "before: 1 A}, {after: 2 A"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l, err := (&supplyFlag{text}).limits()
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", text, err)
			}
			return
		}
		for _, v := range []float64{l.MostBefore, l.LeastAfter, l.MostAfter} {
			if !(v >= 0) || math.IsInf(v, 0) {
				t.Errorf("%q is %+v", text, l)
			}
		}
		if l.LeastAfter > l.MostAfter {
			t.Errorf("%q is %+v", text, l)
		}
	})
}
