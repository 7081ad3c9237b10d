package lesson

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
	"halfsplit/netlist/document"
)

func TestRoster(t *testing.T) {
	const file = "class: spring\nstudents: [Ada, Ben Alder, Иван, Олег, Jörg Müller]\ncases: {Ada: [1, 4], Иван: [2]}\ncomplaints: {KEY_A: the upper key does nothing, other: fell into water}\n"
	r, err := DecodeRoster(strings.NewReader(file), "class.yaml")
	if err != nil {
		t.Fatal(err)
	}
	again, err := DecodeRoster(bytes.NewReader(r.encode()), "class.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r, again); diff != "" {
		t.Errorf("written and read again (-first +second):\n%s", diff)
	}
	seen := map[string]string{}
	for _, s := range r.Students {
		file := RecordName("case-01.yaml", s)
		if other, taken := seen[file]; taken {
			t.Errorf("%s and %s both write %s", s, other, file)
		}
		seen[file] = s
	}
	if got := RecordName("spring/case-12.yaml", "Jörg Müller"); got != "spring/case-12-jörg-müller.yaml" {
		t.Error(got)
	}
	for _, test := range []struct {
		student string
		number  int
		want    string // "" for admitted
	}{
		{"Ada", 4, ""}, {"Ben Alder", 7, ""}, {"Иван", 2, ""},
		{"Ada", 2, "case 2 is somebody else's; yours are 1, 4"},
		{"Иваn", 2, "`Иваn` is not on the roster of the class; did you mean `Иван`?"},
		{"", 1, "`` is not on the roster of the class; add --by and the name as it stands in class.yaml"},
	} {
		got := ""
		if err := r.admits(test.student, test.number); err != nil {
			got = err.Error()
		}
		if got != test.want {
			t.Errorf("%s, case %d: %q; want %q", test.student, test.number, got, test.want)
		}
	}
	r.deal([]int{5, 3, 1, 2, 4, 10, 9, 8, 7, 6})
	if diff := cmp.Diff(map[string][]int{"Ada": {5, 6}, "Ben Alder": {3, 7}, "Иван": {1, 8}, "Олег": {2, 9}, "Jörg Müller": {4, 10}}, r.Cases); diff != "" {
		t.Errorf("dealt (-want +got):\n%s", diff)
	}
	for _, test := range []struct{ file, want string }{
		{"class: x\nstudents: []\n", "class.yaml:2:11: "},
		{"class: x\n", "class.yaml:1:1: the file lacks the key `students`; add it"},
		{"class: x\nstudents: [Max, MAX]\n", "class.yaml:2:17: `MAX` and `Max` would write one record; tell them apart by a letter or a number, such as `MAX B`"},
		{"class: x\nstudents: [Max]\ncases: {Mex: [1]}\n", "class.yaml:3:9: no student is called `Mex`; did you mean `Max`?"},
		{"class: x\nstudents: [Max]\ncases: {Max: [0]}\n", "class.yaml:3:15: an entry of `Max`: `0` is not the number of a case; write 1 to 10000"},
		{"class: x\n---\nclass: y\n", "class.yaml: 2 documents, where a class file is one; write `class:` and `students:` once"},
	} {
		if _, err := DecodeRoster(strings.NewReader(test.file), "class.yaml"); err == nil || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%q: %v; want %s", test.file, err, test.want)
		}
	}
}

// FuzzRoster reads class files: what is read is written and read back the same; all
// else is an error that says what to do.
func FuzzRoster(f *testing.F) {
	for _, text := range []string{"class: spring\nstudents: [Ada, Ben]\n", "class: x\nstudents: [Иван]\ncases: {Иван: [1, 2]}\n", "class: x\nstudents: [Max, MAX]\n", "class: [\n", "students: {}\n", "class: x\nstudents: [A]\ncomplaints: {other: \"it \\u00e9\"}\n"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		r, err := DecodeRoster(strings.NewReader(text), "class.yaml")
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", text, err)
			}
			return
		}
		again, err := DecodeRoster(bytes.NewReader(r.encode()), "class.yaml")
		if err != nil {
			t.Fatalf("%q is written as %q, which is not read: %v", text, r.encode(), err)
		}
		if diff := cmp.Diff(r, again); diff != "" {
			t.Errorf("%q (-first +second):\n%s", text, diff)
		}
	})
}

// A class is made to order: faults of the kinds that are asked for, a band of
// difficulty, what owners say, and cases of each student's own.
func TestMadeToOrder(t *testing.T) {
	o := small(t, Mixed, 6, 11)
	o.Modes = []fault.Mode{fault.Shorted, fault.Open}
	o.Level = "harder"
	o.Roster = &Roster{Class: "spring", Students: []string{"Ada", "Ben", "Иван"}, Complaints: map[string]string{"KEY_A": "the upper key does nothing", "other": "fell into water"}}
	o.Each = 2
	c := made(t, o)
	all := made(t, small(t, Mixed, 6, 11))
	hardest := 0.0
	for _, x := range all.Cases {
		hardest = max(hardest, x.Answer.Optimum)
	}
	owned := map[int]int{}
	for i, x := range c.Cases {
		for _, f := range x.Answer.Faults {
			if f.Mode != fault.Shorted && f.Mode != fault.Open {
				t.Errorf("case %d is %s", i+1, x.Answer.Words)
			}
		}
		if x.Answer.Level != "harder" && x.Answer.Level != Hardest {
			t.Errorf("case %d is called %s", i+1, x.Answer.Level)
		}
		if x.Answer.Optimum < 0.4*hardest {
			t.Errorf("case %d takes %.0f s at best, and the hardest of all kinds %.0f", i+1, x.Answer.Optimum, hardest)
		}
		said := strings.TrimSuffix(x.File.Complaint, ", at times")
		if said != "fell into water" && said != "the upper key does nothing" {
			t.Errorf("the owner of case %d says %q", i+1, said)
		}
	}
	for student, own := range c.Order.Roster.Cases {
		if len(own) != 2 {
			t.Errorf("%s has %v", student, own)
		}
		for _, n := range own {
			owned[n]++
		}
	}
	if len(owned) != 6 {
		t.Errorf("%d of 6 cases are somebody's", len(owned))
	}
	if o.Roster.Cases != nil {
		t.Error("the teacher's roster was changed")
	}
	for _, test := range []struct {
		change func(*Order)
		want   string
	}{
		{func(o *Order) { o.Level = "hard" }, "there is no level `hard`; the levels are easier, middle, harder"},
		{func(o *Order) { o.Roster.Complaints = map[string]string{"KEY_Z": "x"} }, "a complaint is about a net that the board has not: "},
		{func(o *Order) { o.Lesson, o.Modes = "bridges", []fault.Mode{fault.Open} }, "nothing on board Siskin L1 can go wrong as the lesson bridges wants it; "},
	} {
		bad := o
		roster := *o.Roster
		bad.Roster = &roster
		test.change(&bad)
		if _, err := Make(bad); err == nil || !strings.HasPrefix(err.Error(), test.want) {
			t.Errorf("%v; want %s", err, test.want)
		}
	}
}

// DecodeRoster is LoadRoster on a stream; path is its name in messages.
func DecodeRoster(r io.Reader, path string) (*Roster, error) {
	nodes, err := document.Decode(r, path, fileLimit)
	if err != nil {
		return nil, err
	}
	return decodeRoster(nodes, path)
}
