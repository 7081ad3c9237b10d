package lesson

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"halfsplit/netlist/document"
)

// RosterFile is the name of a Roster in the folder of a class.
const RosterFile = "class.yaml"

// Roster is who is in a class, who works on which cases, and what owners say. A
// teacher writes it; Class.Write puts it into the folder of the class.
type Roster struct {
	Class    string
	Students []string
	// Cases gives the numbers of the cases of each student. Empty: all work on all.
	Cases map[string][]int
	// Complaints says what the owner says where a net reads wrong: text by net, or by
	// "other" where none of these does.
	Complaints map[string]string
}

// otherNets is the key of a complaint for all nets that have none of their own.
const otherNets = "other"

// mostStudents bounds a roster.
const mostStudents = 1000

// RosterShape describes a class file.
func RosterShape() *document.Shape {
	return &document.Shape{
		Doc: "A class: its students, their cases, and what owners say of a board that comes in.",
		Fields: []document.Field{
			{Name: "class", Required: true, Shape: &document.Shape{Doc: "Its name.", Example: "spring"}},
			{Name: "students", Required: true, Shape: &document.Shape{Doc: "Names of the students, each once.", MinItems: 1, MaxItems: mostStudents, Item: &document.Shape{Doc: "A name.", Example: "Ada"}}},
			{Name: "cases", Shape: &document.Shape{Doc: "The numbers of the cases of each student. Left out: all work on all.",
				Key: &document.Shape{Doc: "A student."},
				Value: &document.Shape{Doc: "Numbers of cases.", Item: &document.Shape{Doc: "The number of a case.", Example: "7", Parse: func(text string) error {
					if n, err := strconv.Atoi(text); err != nil || n < 1 || n > mostCases {
						return fmt.Errorf("%s is not the number of a case; write 1 to %d", document.Quote(text), mostCases)
					}
					return nil
				}}}}},
			{Name: "complaints", Shape: &document.Shape{Doc: "What the owner says, by the net that reads wrong.",
				Key:   &document.Shape{Doc: "A net of the board, or `" + otherNets + "`.", Example: "KEY_A"},
				Value: &document.Shape{Doc: "The complaint.", Example: "the upper key does nothing"}}},
		},
	}
}

// LoadRoster reads a class file. The error is document.Problems.
func LoadRoster(path string) (*Roster, error) {
	nodes, err := document.Read(path, fileLimit)
	if err != nil {
		return nil, err
	}
	return decodeRoster(nodes, path)
}

func decodeRoster(nodes []document.Node, path string) (*Roster, error) {
	if len(nodes) != 1 {
		return nil, document.Wrong(path, fmt.Sprintf("%d documents, where a class file is one", len(nodes)), "write `class:` and `students:` once")
	}
	n := nodes[0]
	problems := RosterShape().Check(n)
	if len(problems) > 0 {
		return nil, problems.Err()
	}
	r := &Roster{Class: n.Get("class").Text(), Cases: map[string][]int{}, Complaints: map[string]string{}}
	files := map[string]string{}
	for _, x := range n.Get("students").Items() {
		name := strings.TrimSpace(x.Text())
		other, taken := files[fileName(name)]
		switch {
		case name == "":
			problems.Add(x.At(), "a student has no name", "write one, or leave the line out")
		case taken:
			problems.Add(x.At(), fmt.Sprintf("%s and %s would write one record", document.Quote(name), document.Quote(other)), "tell them apart by a letter or a number, such as "+document.Quote(name+" B"))
		}
		files[fileName(name)] = name
		r.Students = append(r.Students, name)
	}
	for _, e := range n.Get("cases").Entries() {
		if !slices.Contains(r.Students, e.Name()) {
			problems.Add(e.Key.At(), "no student is called "+document.Quote(e.Name()), document.Suggest(e.Name(), r.Students, "add the name to `students`"))
		}
		for _, x := range e.Value.Items() {
			number, _ := strconv.Atoi(x.Text()) // checked by the shape
			r.Cases[e.Name()] = append(r.Cases[e.Name()], number)
		}
	}
	for _, e := range n.Get("complaints").Entries() {
		r.Complaints[e.Name()] = e.Value.Text()
	}
	if len(problems) > 0 {
		return nil, problems.Err()
	}
	return r, nil
}

// rosterBeside is the roster in a folder, nil where there is none.
func rosterBeside(dir string) (*Roster, error) {
	path := filepath.Join(dir, RosterFile)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return LoadRoster(path)
}

// Has tells whether a case is a student's: of a student who has cases of his own only
// those are.
func (r *Roster) Has(student string, number int) bool {
	own, some := r.Cases[student]
	return !some && slices.Contains(r.Students, student) || slices.Contains(own, number)
}

// admits says why a student is not to work on a case.
func (r *Roster) admits(student string, number int) error {
	switch {
	case !slices.Contains(r.Students, student):
		return fmt.Errorf("%s is not on the roster of the class; %s", document.Quote(student), document.Suggest(student, r.Students, "add --by and the name as it stands in "+RosterFile))
	case !r.Has(student, number):
		return fmt.Errorf("case %d is somebody else's; yours are %s", number, r.Own(student))
	}
	return nil
}

// deal gives each student as many cases of their own, in turn from the easiest to the
// hardest and back, so that all have about the same work.
func (r *Roster) deal(byDifficulty []int) {
	n := len(r.Students)
	r.Cases = map[string][]int{}
	for i, number := range byDifficulty {
		k := i % n
		if i/n%2 == 1 {
			k = n - 1 - k
		}
		r.Cases[r.Students[k]] = append(r.Cases[r.Students[k]], number)
	}
	for _, own := range r.Cases {
		slices.Sort(own)
	}
}

// encode writes the file.
func (r *Roster) encode() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "class: %q\nstudents:\n", r.Class)
	for _, s := range r.Students {
		fmt.Fprintf(&b, "  - %q\n", s)
	}
	if len(r.Cases) > 0 {
		b.WriteString("cases:\n")
		for _, s := range slices.Sorted(maps.Keys(r.Cases)) {
			fmt.Fprintf(&b, "  %q: [%s]\n", s, r.Own(s))
		}
	}
	if len(r.Complaints) > 0 {
		b.WriteString("complaints:\n")
		for _, net := range slices.Sorted(maps.Keys(r.Complaints)) {
			fmt.Fprintf(&b, "  %q: %q\n", net, r.Complaints[net])
		}
	}
	return b.Bytes()
}

// Own lists the numbers of a student's own cases, "" where all work on all.
func (r *Roster) Own(student string) string {
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(r.Cases[student]), " ", ", "), "[]")
}

// RecordName is where a student's record of a case goes: beside the practice file,
// with the student's name in it, in whatever script that is written.
func RecordName(file, student string) string {
	return strings.TrimSuffix(file, filepath.Ext(file)) + "-" + fileName(student) + ".yaml"
}

// fileName is a name as a part of a file name.
func fileName(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsMark(r) || unicode.IsNumber(r) {
			return unicode.ToLower(r)
		}
		return '-'
	}, name)
}
