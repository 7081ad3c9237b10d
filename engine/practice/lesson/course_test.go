package lesson

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
)

// The course of lessons in testdata/lessons is made from this table. To make
// it again, sealed under the passphrase that lies beside it:
//
//	go test ./engine/practice/lesson -run TestCourse -refresh
var refresh = flag.Bool("refresh", false, "write the course in testdata/lessons again")

const courseDir = "../../../testdata/lessons"

type lessonRow struct {
	subject, complaint string
	faults             []placed
	looks              map[string]string
	lures              []string
	flicker            float64
}

var course = []lessonRow{
	{subject: "no-fault", complaint: "the upper key does nothing"},
	{subject: "bridges", complaint: "does not answer the locker it belongs to", faults: []placed{{"bridge J1.4 to J1.5", fault.Bridged, 0.6}}},
	{subject: "shorts", complaint: "does not answer the locker it belongs to", faults: []placed{{"D2 1-2", fault.Shorted, 0.4}}},
	{subject: "shorts", complaint: "the whole keypad is dead", faults: []placed{{"C4 1-2", fault.Shorted, 0.2}}},
	{subject: "opens", complaint: "the upper key does nothing", faults: []placed{{"trace TP1 to R1.1", fault.BrokenTrace, 0}}},
	{subject: "opens", complaint: "the lower key does nothing", faults: []placed{{"R2 through 1-2", fault.Open, 0}}},
	{subject: "intermittents", complaint: "the lamp goes out, and comes back when the door is slammed", faults: []placed{{"R9 at 1", fault.OpenJoint, 0}}, flicker: 0.3},
	{subject: "leaks", complaint: "the lower key is held down, says the locker", faults: []placed{{"C2 1-2", fault.Leaky, 180}}},
	{subject: "misleading-looks", complaint: "rain got in; no beep since", faults: []placed{{"C5 1-2", fault.Shorted, 1.5}}, looks: map[string]string{"R10": "burnt", "C5": "clean"}, lures: []string{"R10"}},
	{subject: "two-faults", complaint: "rain got in; no beep, and the lower key is held down", faults: []placed{{"C2 1-2", fault.Shorted, 0.8}, {"R10 through 1-2", fault.Open, 0}}},
	{subject: "shorts", complaint: "dead", faults: []placed{{"C6 1-2", fault.Shorted, 1.9}}},
}

// railLesson is on a board of its own, in a folder of the course.
var railLesson = []lessonRow{
	{subject: "shorts", complaint: "no light, no sound, and the cable gets warm", faults: []placed{{"C5 1-2", fault.Shorted, 0.4}}},
}

// A courseFolder is a board with its lessons, which are numbered through.
type courseFolder struct {
	dir  string // in the course's, "." for itself
	from int    // number of its first lesson
	*Class
}

// courseFolders makes the classes of the course; every case is one that the engine's
// own policy repairs.
func courseFolders(t *testing.T) []courseFolder {
	t.Helper()
	return []courseFolder{{".", 1, courseClass(t, ".", course)}, {"rail", 1 + len(course), courseClass(t, "rail", railLesson)}}
}

// eachLesson calls do with every lesson of the course and its number.
func eachLesson(t *testing.T, do func(c *Class, x *Case, number int)) {
	t.Helper()
	for _, f := range courseFolders(t) {
		for i, x := range f.Cases {
			do(f.Class, x, f.from+i)
		}
	}
}

func courseClass(t *testing.T, dir string, course []lessonRow) *Class {
	t.Helper()
	o := orderOf(t, filepath.Join(courseDir, dir, "board.yaml"), Mixed, len(course), 3)
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
		x := &Case{key: fmt.Sprint("lesson ", i+1), complaint: l.complaint, data: benchData{Truth: c.truth.Seed, Sample: uint64(1001 + i), Celsius: 23, Meter: benchMeter, Instrument: instrument,
			Faults: l.faults, Looks: l.looks, Flicker: l.flicker}}
		d, err := c.begin(x)
		if err != nil {
			t.Fatal(err)
		}
		x.faults = d.sim.bad.Faults
		x.Answer.Lesson, x.Answer.Lures, x.Answer.Flicker = l.subject, l.lures, l.flicker
		x.Answer.Level = Levels[len(Levels)*i/len(course)]
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

func TestCourse(t *testing.T) {
	for _, f := range courseFolders(t) {
		f.test(t)
	}
}

func (f *courseFolder) test(t *testing.T) {
	c := f.Class
	name := func(i int) string { return fmt.Sprintf("lesson-%02d.yaml", f.from+i) }
	for i, x := range c.Cases {
		t.Logf("lesson %2d: %-16s best %4.0f s, expected %4.0f s, suspects %d, alike %d", f.from+i, x.Answer.Lesson, *x.Answer.Best, x.Answer.Expected, x.Answer.Suspects, x.Answer.Group)
		// The lessons stand in the order of what they teach; how long the engine expects
		// one to take moves with its model.
		if i > 0 && x.Answer.Expected == 0 {
			t.Errorf("lesson %d has nothing to do", f.from+i)
		}
	}
	if *refresh && !t.Failed() {
		c.before = f.from - 1
		if err := c.seal(); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		for i, x := range c.Cases {
			x.File.Path = name(i)
			x.File.Board, x.File.Known = path.Join(f.dir, "board.yaml"), path.Join(f.dir, "known")
		}
		if err := c.Write(dir); err != nil {
			t.Fatal(err)
		}
		if err := os.RemoveAll(filepath.Join(courseDir, f.dir, "known")); err != nil {
			t.Fatal(err)
		}
		copied := 0
		err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
			rel, _ := filepath.Rel(dir, path)
			if err != nil || rel == "board.yaml" {
				return err
			}
			if strings.HasPrefix(rel, "known") {
				rel = filepath.Join(f.dir, rel)
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
		if err != nil || copied < len(c.Cases) {
			t.Fatal(copied, err)
		}
	}
	// What lies in the folder is this course.
	keys := NewKeyring(c.Order.Passphrase)
	for i, x := range c.Cases {
		f, err := Load(filepath.Join(courseDir, name(i)))
		if err != nil {
			t.Fatal(err)
		}
		data, err := f.bench()
		if err != nil {
			t.Fatal(err)
		}
		x.data.Pepper = data.Pepper // noise
		if diff := cmp.Diff(asJSON(t, x.data), asJSON(t, data)); diff != "" {
			t.Errorf("lesson %d (-table +file; make it again with -refresh):\n%s", i+1, diff)
		}
		a, err := f.AnswerWith(keys)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(x.Answer.Bad, a.Bad); diff != "" {
			t.Errorf("lesson %d: %s", i+1, diff)
		}
	}
	known, err := filepath.Glob(filepath.Join(courseDir, f.dir, "known", "*.yaml"))
	if err != nil || len(known) != len(c.Sweeps) {
		t.Fatalf("%d sweeps, want %d: %v", len(known), len(c.Sweeps), err)
	}
	for i, s := range c.Sweeps {
		var want bytes.Buffer
		if err := s.Write(&want); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(courseDir, f.dir, "known", fmt.Sprintf("good-%d.yaml", i+1)))
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
	eachLesson(t, func(_ *Class, x *Case, number int) {
		name := fmt.Sprintf("lesson-%02d.md", number)
		text, err := os.ReadFile(filepath.Join(courseDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(text), "**Goal.**"); n != 1 {
			t.Errorf("%s has %d goals; want one", name, n)
		}
		if !strings.Contains(string(text), fmt.Sprintf("halfsplit practice run lesson-%02d.yaml", number)) {
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
	})
}
