package lesson

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"halfsplit/netlist/document"
)

// Mean is a mean over cases.
type Mean struct {
	Points float64 `json:"points"`
	Cases  int     `json:"cases"`
}

func (m *Mean) add(points float64) {
	m.Points = (m.Points*float64(m.Cases) + points) / float64(m.Cases+1)
	m.Cases++
}

// StudentSum is a student's cases together. Points, Seconds and Lost are means over
// the cases handed in; Overall is the mean of points over all cases that the student
// was to work on, with nothing for those that are missing.
type StudentSum struct {
	Student string          `json:"student"`
	Cases   int             `json:"cases"`
	Overall float64         `json:"points_overall"`
	Points  float64         `json:"points"`
	Right   int             `json:"right"`
	Seconds float64         `json:"seconds"`
	Lost    float64         `json:"lost_seconds"`
	Risky   int             `json:"risky"`
	Lessons map[string]Mean `json:"lessons"`
	Weeks   map[string]Mean `json:"weeks"`      // by year and week, ISO 8601, as in 2026-W48
	Missing []string        `json:"missing"`    // practice files
	Open    []string        `json:"not_closed"` // records
}

// Weakest is the lesson in which a student of several lessons did worst, "" where one is
// as good as another.
func (s *StudentSum) Weakest() string {
	worst, best := "", 0.0
	for name, m := range s.Lessons {
		best = max(best, m.Points)
		if w := s.Lessons[worst]; worst == "" || cmp.Or(cmp.Compare(m.Points, w.Points), strings.Compare(name, worst)) < 0 {
			worst = name
		}
	}
	if worst == "" || s.Lessons[worst].Points > best-1 {
		return ""
	}
	return worst
}

// Summary is the work of a class.
type Summary struct {
	Students []*StudentSum   `json:"students"` // best first
	Lessons  map[string]Mean `json:"lessons"`
	Weeks    []string        `json:"weeks"`
}

// Summarize sums up scores by student, lesson and week. folders are those of classes:
// where one has a roster, what its students have not handed in is missing.
func Summarize(scores []*Score, folders []string) (*Summary, error) {
	sum := &Summary{Lessons: map[string]Mean{}}
	by := map[string]*StudentSum{}
	student := func(name string) *StudentSum {
		if by[name] == nil {
			by[name] = &StudentSum{Student: name, Lessons: map[string]Mean{}, Weeks: map[string]Mean{}, Missing: []string{}, Open: []string{}}
			sum.Students = append(sum.Students, by[name])
		}
		return by[name]
	}
	add := func(to map[string]Mean, key string, points float64) {
		m := to[key]
		m.add(points)
		to[key] = m
	}
	done := map[string]bool{}
	for _, x := range scores {
		s := student(x.Student)
		s.Cases++
		s.Points += x.Points
		s.Seconds += x.Seconds
		if x.Part == 1 {
			s.Right++
		}
		s.Lost += x.Lost()
		for _, r := range x.Remarks {
			if r.Kind == Risky {
				s.Risky++
			}
		}
		add(s.Lessons, x.Lesson, x.Points)
		add(sum.Lessons, x.Lesson, x.Points)
		if week := x.Week(); week != "" {
			add(s.Weeks, week, x.Points)
			if !slices.Contains(sum.Weeks, week) {
				sum.Weeks = append(sum.Weeks, week)
			}
		}
		done[s.Student+" "+x.id] = true
		if !x.Closed {
			s.Open = append(s.Open, filepath.Base(x.Record))
		}
	}
	for _, dir := range folders {
		roster, err := rosterBeside(dir)
		if err != nil || roster == nil {
			if err != nil {
				return nil, err
			}
			continue
		}
		files, err := practiceFiles(dir)
		if err != nil {
			return nil, err
		}
		for _, name := range roster.Students {
			s := student(name)
			for _, f := range files {
				if roster.Has(name, f.Number) && !done[name+" "+f.ID] {
					s.Missing = append(s.Missing, filepath.Base(f.Path))
				}
			}
		}
	}
	for _, s := range sum.Students {
		s.Overall = s.Points / float64(max(1, s.Cases+len(s.Missing)))
		n := float64(max(1, s.Cases))
		s.Points, s.Seconds, s.Lost = s.Points/n, s.Seconds/n, s.Lost/n
	}
	slices.Sort(sum.Weeks)
	slices.SortStableFunc(sum.Students, func(a, b *StudentSum) int {
		return cmp.Or(cmp.Compare(b.Overall, a.Overall), strings.Compare(a.Student, b.Student))
	})
	return sum, nil
}

// practiceFiles reads the practice files of a folder, by number.
func practiceFiles(dir string) ([]*File, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, document.Wrong(dir, "cannot be read: "+document.Reason(err), "name the folder of a class")
	}
	var files []*File
	for _, e := range entries {
		if e.IsDir() || filepath.Ext(e.Name()) != ".yaml" {
			continue
		}
		if f, err := Load(filepath.Join(dir, e.Name())); err == nil {
			files = append(files, f)
		}
	}
	slices.SortStableFunc(files, func(a, b *File) int { return cmp.Compare(a.Number, b.Number) })
	return files, nil
}

// Records lists the records in the folder of a class: files that begin with the name of
// a practice file and a dash.
func Records(dir string) ([]string, error) {
	files, err := practiceFiles(dir)
	if err != nil {
		return nil, err
	}
	if len(files) == 0 {
		return nil, document.Wrong(dir, "holds no practice file", "name the folder of a class, or its records")
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, document.Wrong(dir, "cannot be read: "+document.Reason(err), "name the folder of a class")
	}
	var records []string
	for _, e := range entries {
		if filepath.Ext(e.Name()) == ".yaml" && slices.ContainsFunc(files, func(f *File) bool {
			return strings.HasPrefix(e.Name(), strings.TrimSuffix(filepath.Base(f.Path), ".yaml")+"-")
		}) {
			records = append(records, filepath.Join(dir, e.Name()))
		}
	}
	return records, nil
}
