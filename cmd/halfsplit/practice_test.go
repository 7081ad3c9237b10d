package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	lessons "halfsplit/engine/practice/lesson"
)

// lessonCount is the number of lessons in the course.
const lessonCount = 12

// typed runs a command line with text on standard input.
func typed(stdin string, args ...string) (out, errs string, exit int) {
	var stdout, stderr bytes.Buffer
	exit = run(args, strings.NewReader(stdin), &stdout, &stderr)
	return stdout.String(), stderr.String(), exit
}

// courseCopy copies the course to a folder that may be written to, and goes there.
func courseCopy(t *testing.T) (scripts string) {
	t.Helper()
	clean(t)
	scripts, err := filepath.Abs("testdata/practice")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/lessons")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	return scripts
}

// The lessons are played to their end by what stands in testdata/practice, as
// a student would who had read the text, and scored as a teacher would.
func TestLessonsPlayedToTheEnd(t *testing.T) {
	scripts := courseCopy(t)
	var records []string
	for i := 1; i <= lessonCount; i++ {
		name := fmt.Sprintf("lesson-%02d", i)
		script, err := os.ReadFile(filepath.Join(scripts, name+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		out, errs, exit := typed(string(script), "practice", "run", name+".yaml", "--by", "Ada")
		if exit != exitDone || errs != "" || !strings.Contains(out, "   Right: ") || strings.Contains(out, "means nothing here") {
			t.Errorf("%s: exit %d\n%s%s", name, exit, out, errs)
		}
		records = append(records, name+"-ada.yaml")
	}
	out, errs, exit := typed("", append([]string{"practice", "score", "--json", "--passphrase-file", "passphrase.txt", "--html", "class.html", "--answers", "answers.html"}, records...)...)
	if exit != exitDone || errs != "" {
		t.Fatalf("exit %d: %s", exit, errs)
	}
	var got struct{ Scores []lessons.Score }
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Scores) != lessonCount {
		t.Fatalf("%d scores; want %d", len(got.Scores), lessonCount)
	}
	for _, s := range got.Scores {
		t.Logf("lesson %2d: %3.0f points, %4.0f s, best %4.0f s, justified %.2f", s.Number, s.Points, s.Seconds, *s.Best, *s.Justified)
		if s.Part != 1 || !s.Repaired || len(s.Doubts) > 0 || s.Points < 90 {
			t.Errorf("lesson %d: %+v", s.Number, s)
		}
	}
	page, err := os.ReadFile("class.html")
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := os.ReadFile("answers.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{string(page), string(sheet)} {
		if regexp.MustCompile(`(?i)(src|href)=|@import|url\(|<script`).MatchString(text) {
			t.Error("a page needs something from outside itself")
		}
	}
	if !strings.Contains(string(sheet), "J1.4 to J1.5 bridged") {
		t.Error("the answer sheet lacks an answer")
	}
	some := records[:3] // a line for each; the points are those above
	out, _, exit = typed("", append([]string{"practice", "score", "--csv", "--passphrase-file", "passphrase.txt"}, some...)...)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if exit != exitDone || err != nil || len(rows) != 1+len(some) {
		t.Errorf("CSV: exit %d, %d rows, %v", exit, len(rows), err)
	}
	if out, _, exit = typed("", "practice", "score", "--steps", "--passphrase-file", "passphrase.txt", records[9]); exit != exitDone || !strings.Contains(out, "removed C2") || !strings.Contains(out, "points") {
		t.Errorf("table: exit %d\n%s", exit, out)
	}
}

// The same lessons as a student walks them who makes the mistakes that each is about:
// what the bench shows, and what the score says of it, stand in golden files.
func TestLessonsWithMistakes(t *testing.T) {
	scripts := courseCopy(t)
	files, err := filepath.Glob(filepath.Join(scripts, "mistakes-*.txt"))
	if err != nil || len(files) != lessonCount {
		t.Fatalf("%d scripts of mistakes, %v; want %d", len(files), err, lessonCount)
	}
	for _, file := range files {
		script, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lesson := "lesson-" + strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "mistakes-"), ".txt")
		out, errs, exit := typed(string(script), "practice", "run", lesson+".yaml", "--by", "Max")
		score, more, scored := typed("", "practice", "score", lesson+"-max.yaml", "--passphrase-file", "passphrase.txt")
		if exit != exitDone || scored != exitDone || errs+more != "" || strings.Contains(out, "means nothing here") {
			t.Errorf("%s: exit %d, %d, %s%s\n%s", lesson, exit, scored, errs, more, out)
		}
		got := string(script) + "\n" + out + "\n" + score
		golden := strings.TrimSuffix(file, ".txt") + ".golden"
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", filepath.Base(golden), diff)
		}
	}
}

// A class of twelve, with names of several scripts, from make to pages: each has a case
// of their own, one hands in nothing, one does not finish, and one record is damaged.
func TestClassOfTwelve(t *testing.T) {
	small, err := os.ReadFile("../../engine/practice/lesson/testdata/eight.yaml")
	if err != nil {
		t.Fatal(err)
	}
	courseCopy(t)
	if err := os.WriteFile("eight.yaml", small, 0o666); err != nil {
		t.Fatal(err)
	}
	students := []string{"Ada", "Ben Alder", "Иван", "Олег", "Jörg Müller", "José", "Łukasz", "Νίκος", "美咲", "Zoë", "Max A", "Max B"}
	file := "class: spring\nstudents: [" + strings.Join(students, ", ") + "]\ncomplaints: {other: fell into water}\n"
	if err := os.WriteFile("class.yaml", []byte(file), 0o666); err != nil {
		t.Fatal(err)
	}
	halfsplit := func(stdin string, want int, args ...string) (out, errs string) {
		t.Helper()
		out, errs, exit := typed(stdin, args...)
		if exit != want {
			t.Fatalf("%v: exit %d\n%s%s", args, exit, out, errs)
		}
		return out, errs
	}
	halfsplit("", exitDone, "practice", "make", "eight.yaml", "--fault", "shorted", "--fault", "open", "--each", "1", "--seed", "1", "--class", "class.yaml", "--passphrase-file", "passphrase.txt", "--to", "spring")
	out, _ := halfsplit("", exitDone, "practice", "answers", "--json", "--passphrase-file", "passphrase.txt", "spring/case-01.yaml", "spring/case-02.yaml", "spring/case-03.yaml", "spring/case-04.yaml", "spring/case-05.yaml", "spring/case-06.yaml",
		"spring/case-07.yaml", "spring/case-08.yaml", "spring/case-09.yaml", "spring/case-10.yaml", "spring/case-11.yaml", "spring/case-12.yaml")
	var sheet struct{ Answers []answerRow }
	if err := json.Unmarshal([]byte(out), &sheet); err != nil {
		t.Fatal(err)
	}
	roster, err := lessons.LoadRoster("spring/class.yaml")
	if err != nil {
		t.Fatal(err)
	}
	right := map[string]bool{}
	for i, name := range students {
		number := roster.Cases[name][0]
		verdict := "verdict nothing\n"
		switch {
		case i == 0: // hands in nothing
			continue
		case i == 1: // does not finish
			verdict = ""
		case i%2 == 0:
			right[name] = true
			if words := sheet.Answers[number-1].Answer.Words; words != "nothing" {
				verdict = "verdict " + words + "; replace\n"
			}
		}
		out, _ := halfsplit("read J1.2\n"+verdict, exitDone, "practice", "run", fmt.Sprintf("spring/case-%02d.yaml", number), "--by", name)
		if right[name] != strings.Contains(out, "   Right: ") && sheet.Answers[number-1].Answer.Words != "nothing" {
			t.Errorf("%s, %s:\n%s", name, verdict, out)
		}
	}
	_, errs := halfsplit("", exitUsage, "practice", "run", fmt.Sprintf("spring/case-%02d.yaml", roster.Cases["Ada"][0]), "--by", "Иван")
	if !strings.Contains(errs, "is somebody else's; yours are ") {
		t.Error(errs)
	}
	broken := lessons.RecordName(fmt.Sprintf("spring/case-%02d.yaml", roster.Cases["Max B"][0]), "Max B")
	text, err := os.ReadFile(broken)
	if err == nil {
		err = os.WriteFile(broken, append(text, "a stray line\n"...), 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	out, errs = halfsplit("", exitUsage, "practice", "score", "spring", "--json", "--passphrase-file", "passphrase.txt", "--html", "pages.html", "--answers", "answers.html")
	if !strings.HasPrefix(errs, broken+":") {
		t.Errorf("the damaged record is not named: %s", errs)
	}
	var got struct {
		Scores   []lessons.Score
		Students []lessons.StudentSum
		Weeks    []string
		Unscored []string
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Scores) != 10 || len(got.Students) != 12 || len(got.Unscored) != 1 || len(got.Weeks) != 1 {
		t.Fatalf("%d scores, %d students, unscored %v, weeks %v", len(got.Scores), len(got.Students), got.Unscored, got.Weeks)
	}
	for i, s := range got.Students {
		wantMissing, wantOpen := 0, 0
		switch s.Student {
		case "Ada", "Max B":
			wantMissing = 1
		case "Ben Alder":
			wantOpen = 1
		}
		if len(s.Missing) != wantMissing || len(s.Open) != wantOpen {
			t.Errorf("%s: missing %v, not closed %v", s.Student, s.Missing, s.Open)
		}
		if right[s.Student] && s.Right != 1 {
			t.Errorf("%s said what the answer sheet says, and is not right", s.Student)
		}
		if i > 0 && s.Overall > got.Students[i-1].Overall {
			t.Errorf("%s stands below %s", s.Student, got.Students[i-1].Student)
		}
	}
	pages, err := filepath.Glob("pages*.html")
	if err != nil || len(pages) != 1+10 {
		t.Errorf("%d pages, %v; want that of the class and of ten students", len(pages), err)
	}
	for _, file := range append(pages, "answers.html") {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if regexp.MustCompile(`(?i)(src|href)=|@import|url\(|<script|ZgotmplZ`).Match(text) {
			t.Errorf("%s needs something from outside itself, or was cut", file)
		}
	}
	for _, text := range []string{"spring/case-01.yaml", "spring/case-12.yaml"} {
		halfsplit("", exitDone, "practice", "handout", text, "--html", "paper.html")
	}
}

// A wrong verdict is called wrong and no more; what is printed of it names the
// bad part nowhere, nor does the page for the class.
func TestWrongVerdictDoesNotTell(t *testing.T) {
	courseCopy(t)
	out, _, exit := typed("verdict C1 shorted; leave off\n", "practice", "run", "lesson-08.yaml", "--by", "Bob")
	if exit != exitDone || !strings.Contains(out, "Not so: ") || regexp.MustCompile(`\bC2\b`).MatchString(out) {
		t.Errorf("exit %d:\n%s", exit, out)
	}
	if text, err := os.ReadFile("lesson-08-bob.yaml"); err != nil || regexp.MustCompile(`\bC2\b`).Match(text) {
		t.Errorf("the record names what is bad: %v\n%s", err, text)
	}
	out, _, _ = typed("verdict C2 leaky; leave off\n", "practice", "run", "lesson-08.yaml", "--by", "Eve", "--exam")
	if strings.Contains(out, "Right") || strings.Contains(out, "Not so") || !strings.Contains(out, "Written down.") {
		t.Errorf("an examination tells:\n%s", out)
	}
	// In a class made for an examination, no student chooses otherwise.
	if _, errs, exit := typed("", "practice", "make", "board.yaml", "--lesson", "no-fault", "--count", "2", "--exam", "--passphrase-file", "passphrase.txt", "--to", "exam"); exit != exitDone {
		t.Fatal(errs)
	}
	for _, file := range []string{"exam/case-01.yaml", "exam/case-02.yaml"} {
		if out, _, _ = typed("verdict nothing\n", "practice", "run", file, "--by", "Eve"); !strings.Contains(out, "Written down.") || strings.Contains(out, "Right") || strings.Contains(out, "Not so") {
			t.Errorf("an examination tells:\n%s", out)
		}
	}
	_, errs, exit := typed("", "practice", "score", "lesson-08-bob.yaml")
	if exit != exitUsage || !strings.Contains(errs, "no passphrase is given; add --passphrase-file") {
		t.Errorf("without the passphrase: %d, %s", exit, errs)
	}
	if err := os.WriteFile("wrong.txt", []byte("not the passphrase at all\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, errs, exit = typed("", "practice", "answers", "lesson-08.yaml", "--passphrase-file", "wrong.txt")
	if exit != exitUsage || errs != "halfsplit: lesson-08.yaml: the answer does not open; the passphrase is not that of this class, or the file was changed\n" {
		t.Errorf("with a wrong passphrase: %d, %s", exit, errs)
	}
	// Names from a record are escaped on the page, and do not become a formula.
	typed("verdict nothing\n", "practice", "run", "lesson-02.yaml", "--by", "=cmd<b>", "--journal", "odd.yaml")
	if _, errs, exit = typed("", "practice", "score", "odd.yaml", "--passphrase-file", "passphrase.txt", "--html", "odd.html"); exit != exitDone {
		t.Fatal(errs)
	}
	page, err := os.ReadFile("odd.html")
	if err != nil || strings.Contains(string(page), "<b>") || !strings.Contains(string(page), "cmd&lt;b&gt;") {
		t.Errorf("a name is not escaped: %v", err)
	}
	out, _, _ = typed("", "practice", "score", "odd.yaml", "--passphrase-file", "passphrase.txt", "--csv")
	if !strings.Contains(out, "\n'=cmd<b>,") {
		t.Errorf("a name may be a formula:\n%s", out)
	}
}

// Whatever is typed is answered in one line, and the session goes on.
func TestPracticeBenchTakesAnything(t *testing.T) {
	courseCopy(t)
	for _, test := range []struct{ line, want string }{
		{"frobnicate", "`frobnicate` means nothing here; ? lists what can be done"},
		{"reed J1.2", "`reed` means nothing here; did you mean `read`?"},
		{"read", "`read` what; write read POINT..."},
		{"read J1.99", "J1 has no pin `99`"},
		{"read U1.2", "`U1.2` lies under U1, where no probe reaches"},
		{"remove", "`remove` what; write remove PART"},
		{"inspect Z9", "no part `Z9`"},
		{"inject SDA", "`SDA` is not a supply rail"},
		{"line GND", "`GND` leads nowhere; name another point"},
		{"verdict R1 bent", "`bent` is not a way to go bad"},
		{"remove R7, reinstall R7", "`reinstall` is an action of its own; write one action a line"},
		{"jumper TP1 r1.1", "`TP1 r1.1` may be one place or two; write jumper TP1-r1.1 for what lies between"},
		{"remove j1.2", "`J1.2` is a point, not a part; read it, or repair it"},
		{"clean j1.2", "`J1.2` is not a place to clean; write `resolder J1.2`"},
		{"clean r1", "`R1` is a part; name one of its terminals: R1.1, R1.2"},
		{"resolder j1.2 and r2.1", "J1.2 is done R2.1 is done"},
		{"remove r1 R99", "no part `R99` on this board"},
		{"line j1.5", "the line from J1.5"},
		{"undo", "nothing is taken back at a bench; reinstall a part or read again, and go on"},
		{"verdict R1 open", "nothing was done about `R1`; say what repairs it, as in `R1 open; replace`"},
		{"ohms r1.1 r1.2", "R1.1 to R1.2 4"}, // 4xx ohm, one probe on each
		{"inspect r9", "R9 "},
		{"verdict R1 open; hope", "`hope` is not a remedy"},
		{hostile, "means nothing here"},
		{strings.Repeat("x", 10000), "means nothing here"},
	} {
		out, errs, exit := typed(test.line+"\nread J1.2\nquit\n", "practice", "run", "lesson-03.yaml", "--by", "Ada")
		flat := strings.Join(strings.Fields(out), " ")
		if exit != exitDone || errs != "" || !strings.Contains(flat, test.want) || !strings.Contains(flat, "s so far") { // the reading after it was taken
			t.Errorf("%.40q: exit %d, want %q\n%s%s", test.line, exit, test.want, out, errs)
		}
		if r, bad := unprintable(out); bad {
			t.Errorf("%.40q puts %U on the terminal", test.line, r)
		}
	}
}

// A class is made, its files are of one length, and it tells how hard its cases
// are and not what is wrong.
func TestPracticeMake(t *testing.T) {
	courseCopy(t)
	out, errs, exit := typed("", "practice", "make", "board.yaml", "--lesson", "shorts", "--count", "3", "--seed", "5", "--set", "spring", "--passphrase-file", "passphrase.txt", "--to", "spring")
	if exit != exitDone || errs != "" || !strings.Contains(out, "3 cases in spring") {
		t.Fatalf("exit %d: %s%s", exit, out, errs)
	}
	if regexp.MustCompile(`\b[CDRU]\d`).MatchString(out) {
		t.Errorf("a part is named:\n%s", out)
	}
	files, err := filepath.Glob("spring/case-*.yaml")
	if err != nil || len(files) != 3 {
		t.Fatalf("%v, %v", files, err)
	}
	out, errs, exit = typed("", "practice", "make", "board.yaml", "--json", "--count", "2", "--passphrase-file", "passphrase.txt", "--to", "two")
	var class madeClass
	if err := json.Unmarshal([]byte(out), &class); err != nil || exit != exitDone || len(class.Cases) != 2 || class.Cases[1].File != filepath.Join("two", "case-02.yaml") || class.Drawn < 2 {
		t.Errorf("make --json: exit %d, %v, %s%s", exit, err, out, errs)
	}
	out, errs, exit = typed("", "practice", "answers", "--json", "--passphrase-file", "passphrase.txt", "two/case-01.yaml", "two/case-02.yaml")
	var sheet struct{ Answers []answerRow }
	if err := json.Unmarshal([]byte(out), &sheet); err != nil || exit != exitDone || len(sheet.Answers) != 2 || sheet.Answers[0].Answer.Words == "" {
		t.Errorf("answers --json: exit %d, %v, %s%s", exit, err, out, errs)
	}
	answers, _, exit := typed("", append([]string{"practice", "answers", "--passphrase-file", "passphrase.txt"}, files...)...)
	if exit != exitDone || strings.Count(answers, "shorts") != 3 {
		t.Errorf("answers: exit %d\n%s", exit, answers)
	}
	for _, test := range []struct {
		args []string
		want string
	}{
		{[]string{"board.yaml", "--passphrase-file", "passphrase.txt", "--count", "2", "--lesson", "bridges", "--to", "spring"}, "cannot be written: file exists; name a folder that is new or empty"},
		{[]string{"board.yaml", "--passphrase-file", "passphrase.txt"}, "no folder is named; add `--to` and a new folder for the class"},
		{[]string{"board.yaml", "--to", "x"}, "no passphrase is given; "},
		{[]string{"board.yaml", "--to", "x", "--passphrase-file", "passphrase.txt", "--lesson", "shrots"}, "there is no lesson `shrots`; did you mean `shorts`?"},
		{[]string{"board.yaml", "--to", "x", "--passphrase-file", "passphrase.txt", "--lesson", "zz"}, "there is no lesson `zz`; the lessons are mixed, shorts, "},
		{[]string{"board.yaml", "--to", "x", "--passphrase-file", "passphrase.txt", "--count", "0"}, "0 cases cannot be made; ask for 1 to 10000"},
		{[]string{"board.yaml", "--to", "x", "--passphrase-file", "passphrase.txt", "--lesson", "bridges", "--count", "200"}, "different cases of the lesson bridges that show at its connectors; ask for fewer"},
		{[]string{"lesson-01.yaml", "--to", "x", "--passphrase-file", "passphrase.txt"}, "lesson-01.yaml"},
		{[]string{"none.yaml", "--to", "x", "--passphrase-file", "passphrase.txt"}, "none.yaml: cannot be opened"},
	} {
		_, errs, exit := typed("", append([]string{"practice", "make"}, test.args...)...)
		if exit != exitUsage || !strings.Contains(errs, test.want) {
			t.Errorf("%v: exit %d, %q; want %q", test.args, exit, errs, test.want)
		}
		if _, err := os.Stat("x"); err == nil {
			t.Errorf("%v left a folder behind", test.args)
		}
	}
}

// A set and the records of its cases outlive edits of the board file that leave the
// board what it is: the score is the same, also with a set made again.
func TestSetOutlivesEdits(t *testing.T) {
	courseCopy(t)
	const file = "spring/case-01.yaml"
	score := func(record string) lessons.Score {
		t.Helper()
		out, errs, exit := typed("", "practice", "score", "--json", "--passphrase-file", "passphrase.txt", record)
		var got struct{ Scores []lessons.Score }
		if err := json.Unmarshal([]byte(out), &got); err != nil || exit != exitDone || len(got.Scores) != 1 {
			t.Fatalf("exit %d, %v: %s%s", exit, err, out, errs)
		}
		return got.Scores[0]
	}
	makeSet := func(board, to string) {
		t.Helper()
		if _, errs, exit := typed("", "practice", "make", board, "--lesson", "shorts", "--count", "2", "--passphrase-file", "passphrase.txt", "--to", to); exit != exitDone {
			t.Fatal(errs)
		}
	}
	makeSet("board.yaml", "spring")
	if out, errs, exit := typed("read KEY_A_U TP2\nread TP3\ninspect C1\nverdict nothing\n", "practice", "run", file, "--by", "Ada"); exit != exitDone {
		t.Fatal(out, errs)
	}
	const record = "case-01-ada.yaml"
	before := score("spring/" + record)
	text, err := os.ReadFile("spring/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	edited := string(text)
	for _, change := range [][2]string{
		{"board: Siskin L1\nrevision: A\nground: GND\n", "# tidied\nground: GND\nboard: Siskin, with lamp\nrevision: A\n"},
		{"title: keypad cable", "title: cable of the keypad"},
		{"  R1:  {kind: resistor,  value: 470R, pins: [KEY_A, KEY_A_U],  place: beside J1}\n", ""},
		{"  C7:  {", "  R1:  {place: left of J1, pins: [KEY_A, KEY_A_U], value: 470 ohm, kind: resistor}\n  C7:  {"},
		{"matched: [[KEY_A, KEY_B], [SDA, SCL]]", "matched: [[SDA, SCL], [KEY_B, KEY_A]]"},
	} {
		if !strings.Contains(edited, change[0]) {
			t.Fatalf("no %q in the board file", change[0])
		}
		edited = strings.Replace(edited, change[0], change[1], 1)
	}
	for _, path := range []string{"spring/board.yaml", "edited.yaml"} {
		if err := os.WriteFile(path, []byte(edited), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	nearly := cmp.Options{cmpopts.EquateApprox(1e-6, 1e-6), cmpopts.IgnoreFields(lessons.Score{}, "Record"), cmpopts.IgnoreUnexported(lessons.Score{})}
	if diff := cmp.Diff(before, score("spring/"+record), nearly); diff != "" {
		t.Errorf("scored after the edits (-before +after):\n%s", diff)
	}
	makeSet("edited.yaml", "again")
	work, err := os.ReadFile("spring/" + record)
	if err == nil {
		err = os.WriteFile("again/"+record, work, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, score("again/"+record), nearly); diff != "" {
		t.Errorf("scored with the set made again (-before +after):\n%s", diff)
	}
	// Another board, though, is distinguished from this one.
	if err := os.WriteFile("spring/board.yaml", []byte(strings.Replace(edited, "value: 22R", "value: 33R", 1)), 0o666); err != nil {
		t.Fatal(err)
	}
	_, errs, exit := typed("", "practice", "score", "--passphrase-file", "passphrase.txt", "spring/"+record)
	if want := "is not the board that this case was made for: a part, a value or a net differs; use the board file of the set `practice`"; exit != exitUsage || !strings.Contains(errs, want) {
		t.Errorf("another board: exit %d, %s", exit, errs)
	}
}
