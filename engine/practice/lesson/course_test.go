package lesson

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
)

// The course of ten lessons in testdata/lessons is made from this table. To make
// it anew, sealed under the passphrase that lies beside it:
//
//	go test ./engine/practice/lesson -run TestCourse -refresh
var refresh = flag.Bool("refresh", false, "write the course in testdata/lessons anew")

const courseDir = "../../../testdata/lessons"

var course = []struct {
	subject string
	faults  []placed
	looks   map[string]string
	lures   []string
	flicker float64
}{
	{subject: "no-fault"},
	{subject: "bridges", faults: []placed{{"bridge J1.4 to J1.5", fault.Bridged, 0.6}}},
	{subject: "shorts", faults: []placed{{"D2 1-2", fault.Shorted, 0.4}}},
	{subject: "shorts", faults: []placed{{"C4 1-2", fault.Shorted, 0.2}}},
	{subject: "opens", faults: []placed{{"trace TP1 to R1.1", fault.BrokenTrace, 0}}},
	{subject: "opens", faults: []placed{{"R2 through 1-2", fault.Open, 0}}},
	{subject: "intermittents", faults: []placed{{"R9 at 1", fault.OpenJoint, 0}}, flicker: 0.3},
	{subject: "leaks", faults: []placed{{"C2 1-2", fault.Leaky, 180}}},
	{subject: "misleading-looks", faults: []placed{{"C5 1-2", fault.Shorted, 1.5}}, looks: map[string]string{"R10": "burnt", "C5": "clean"}, lures: []string{"R10"}},
	{subject: "two-faults", faults: []placed{{"C2 1-2", fault.Shorted, 0.8}, {"R10 through 1-2", fault.Open, 0}}},
}

// courseClass makes the class of the course; every case is one that the engine's
// own policy repairs.
func courseClass(t *testing.T) *Class {
	t.Helper()
	o := small(t, Mixed, len(course), 3)
	o.Set, o.Rounds = "course", DefaultRounds
	text, err := os.ReadFile(filepath.Join(courseDir, "passphrase.txt"))
	if err != nil {
		t.Fatal(err)
	}
	o.Passphrase = string(text)
	c, err := prepare(o, o.Seed)
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range course {
		x := &Case{key: fmt.Sprint("lesson ", i+1), data: benchData{Truth: c.truth.Seed, Sample: uint64(1001 + i), Celsius: 23, Meter: benchMeter, Instrument: instrument,
			Faults: l.faults, Looks: l.looks, Flicker: l.flicker}}
		d, err := c.begin(x)
		if err != nil {
			t.Fatal(err)
		}
		x.faults = d.sim.bad.Faults
		x.Answer.Lesson, x.Answer.Lures, x.Answer.Flicker = l.subject, l.lures, l.flicker
		x.Answer.Level = [...]string{"easier", "middle", "harder"}[3*i/len(course)]
		if err := c.weigh(x); err != nil {
			t.Fatal(err)
		}
		if err := c.play(x); err != nil {
			t.Fatal(err)
		}
		if !x.solved {
			closing, _ := x.session.Case().Closed()
			t.Errorf("lesson %d: the engine's policy ends with %q", i+1, closing.Cause)
		}
		c.Cases = append(c.Cases, x)
	}
	return c
}

// inOrder is how much shorter the best time of a lesson may be than that of the
// one before: some are as hard as each other, and the engine's estimates move.
const inOrder = 0.9

func TestCourse(t *testing.T) {
	c := courseClass(t)
	for i, x := range c.Cases {
		t.Logf("lesson %2d: %-16s best %4.0f s, suspects %d, alike %d; the engine took %.0f s", i+1, x.Answer.Lesson, x.Answer.Optimum, x.Answer.Suspects, x.Answer.Group, x.Answer.ParSeconds)
		if i > 0 && x.Answer.Optimum < inOrder*c.Cases[i-1].Answer.Optimum {
			t.Errorf("lesson %d is easier than the one before", i+1)
		}
	}
	if *refresh && !t.Failed() {
		if err := c.seal(); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		for i, x := range c.Cases {
			x.File.Path = fmt.Sprintf("lesson-%02d.yaml", i+1)
		}
		if err := c.Write(dir); err != nil {
			t.Fatal(err)
		}
		if err := os.RemoveAll(filepath.Join(courseDir, "known")); err != nil {
			t.Fatal(err)
		}
		copied := 0
		err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
			rel, _ := filepath.Rel(dir, path)
			if err != nil || rel == "board.yaml" {
				return err
			}
			if e.IsDir() {
				return os.MkdirAll(filepath.Join(courseDir, rel), 0o777)
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			copied++
			return os.WriteFile(filepath.Join(courseDir, rel), text, 0o666)
		})
		if err != nil || copied < len(course) {
			t.Fatal(copied, err)
		}
	}
	// What lies in the folder is this course.
	keys := NewKeyring(c.Order.Passphrase)
	for i, x := range c.Cases {
		f, err := Load(filepath.Join(courseDir, fmt.Sprintf("lesson-%02d.yaml", i+1)))
		if err != nil {
			t.Fatal(err)
		}
		data, err := f.bench()
		if err != nil {
			t.Fatal(err)
		}
		x.data.Pepper = data.Pepper // noise
		if diff := cmp.Diff(asJSON(t, x.data), asJSON(t, data)); diff != "" {
			t.Errorf("lesson %d (-table +file; make it anew with -refresh):\n%s", i+1, diff)
		}
		a, err := f.AnswerWith(keys)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(x.Answer.Bad, a.Bad); diff != "" {
			t.Errorf("lesson %d: %s", i+1, diff)
		}
	}
	known, err := filepath.Glob(filepath.Join(courseDir, "known", "*.yaml"))
	if err != nil || len(known) != len(c.Sweeps) {
		t.Fatalf("%d sweeps, want %d: %v", len(known), len(c.Sweeps), err)
	}
	for i, s := range c.Sweeps {
		var want bytes.Buffer
		if err := s.Write(&want); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(courseDir, "known", fmt.Sprintf("good-%d.yaml", i+1)))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasSuffix(got, want.Bytes()) {
			t.Errorf("good-%d.yaml is not the board's: %s", i+1, cmp.Diff(want.String(), string(got)))
		}
	}
}

// Every lesson has a text with one goal, and no text names what is bad.
func TestCourseTexts(t *testing.T) {
	c := courseClass(t)
	for i, x := range c.Cases {
		name := fmt.Sprintf("lesson-%02d.md", i+1)
		text, err := os.ReadFile(filepath.Join(courseDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(text), "**Goal.**"); n != 1 {
			t.Errorf("%s has %d goals; want one", name, n)
		}
		if !strings.Contains(string(text), fmt.Sprintf("halfsplit practice run lesson-%02d.yaml", i+1)) {
			t.Errorf("%s does not say how to begin", name)
		}
		var hidden []string
		for _, bad := range x.Answer.Bad {
			hidden = append(hidden, strings.Split(bad, " to ")...)
		}
		for _, h := range slices.Concat(hidden, x.Answer.Lures) {
			if regexp.MustCompile(`\b` + regexp.QuoteMeta(h) + `\b`).Match(text) {
				t.Errorf("%s names %s, which is bad or a lure", name, h)
			}
		}
		if len(x.Answer.Bad) == 0 && regexp.MustCompile(`(?i)nothing (is )?wrong|no fault|good board is left`).Match(text) {
			t.Errorf("%s gives away that nothing is wrong", name)
		}
	}
}
