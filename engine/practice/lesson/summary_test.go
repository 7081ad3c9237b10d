package lesson

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist/document/wholefile"
)

// Sums go by student, lesson and week, best student first; who hands in one good case
// of several does not stand above who hands in all.
func TestSummary(t *testing.T) {
	c, dir := written(t, "shorts", 3, 2)
	c.Order.Roster = &Roster{Class: "x", Students: []string{"Ada", "Ben", "Cy"}}
	writeRoster(t, dir, c.Order.Roster)
	at := func(day int) *time.Time {
		d := time.Date(2026, 11, day, 12, 0, 0, 0, time.UTC)
		return &d
	}
	id := func(i int) string { return c.Cases[i].File.ID }
	scores := []*Score{
		{Student: "Ada", Lesson: "shorts", Points: 100, Part: 1, Seconds: 60, Closed: true, Ended: at(2), id: id(0), Steps: []StepScore{{Lost: 4}, {Lost: 6}}},
		{Student: "Ben", Lesson: "shorts", Points: 80, Part: 1, Closed: true, Ended: at(2), id: id(0)},
		{Student: "Ben", Lesson: "opens", Points: 60, Closed: true, Ended: at(9), id: id(1), Remarks: []Remark{{Kind: Risky}}},
		{Student: "Ben", Lesson: "opens", Points: 40, Ended: at(10), id: id(2), Record: "x/case-03-ben.yaml"},
	}
	got, err := Summarize(scores, []string{dir})
	if err != nil {
		t.Fatal(err)
	}
	one := func(points float64, cases int) Mean { return Mean{points, cases} }
	want := &Summary{
		Students: []*StudentSum{
			{Student: "Ben", Cases: 3, Overall: 60, Points: 60, Right: 1, Risky: 1, Lessons: map[string]Mean{"shorts": one(80, 1), "opens": one(50, 2)},
				Weeks: map[string]Mean{"2026-W45": one(80, 1), "2026-W46": one(50, 2)}, Missing: []string{}, Open: []string{"case-03-ben.yaml"}},
			{Student: "Ada", Cases: 1, Overall: 100.0 / 3, Points: 100, Right: 1, Seconds: 60, Lost: 10, Lessons: map[string]Mean{"shorts": one(100, 1)},
				Weeks: map[string]Mean{"2026-W45": one(100, 1)}, Missing: []string{"case-02.yaml", "case-03.yaml"}, Open: []string{}},
			{Student: "Cy", Lessons: map[string]Mean{}, Weeks: map[string]Mean{}, Missing: []string{"case-01.yaml", "case-02.yaml", "case-03.yaml"}, Open: []string{}},
		},
		Lessons: map[string]Mean{"shorts": one(90, 2), "opens": one(50, 2)},
		Weeks:   []string{"2026-W45", "2026-W46"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if w := got.Students[0].Weakest(); w != "opens" {
		t.Errorf("Ben is weakest at %q", w)
	}
	if w := got.Students[1].Weakest(); w != "" {
		t.Errorf("Ada, of one lesson, is weakest at %q", w)
	}
}

func writeRoster(t *testing.T, dir string, r *Roster) {
	t.Helper()
	if err := wholefile.New(filepath.Join(dir, RosterFile), r.encode()); err != nil {
		t.Fatal(err)
	}
}
