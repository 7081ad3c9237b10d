package lesson

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist/document"
)

// written makes a class and writes it.
func written(t *testing.T, lesson string, count int, seed uint64) (*Class, string) {
	t.Helper()
	c := made(t, small(t, lesson, count, seed))
	dir := filepath.Join(t.TempDir(), "spring")
	if err := c.Write(dir); err != nil {
		t.Fatal(err)
	}
	return c, dir
}

// spring is a class of nine cases for the tests that change nothing of it, made once and
// written to a folder of the test's own.
func spring(t *testing.T) (*Class, string) {
	t.Helper()
	if springClass == nil {
		springClass = made(t, small(t, Mixed, 9, 4))
	}
	dir := filepath.Join(t.TempDir(), "spring")
	if err := springClass.Write(dir); err != nil {
		t.Fatal(err)
	}
	return springClass, dir
}

var springClass *Class

func TestFilesReadBack(t *testing.T) {
	c, _ := spring(t)
	keys := NewKeyring(passphrase + "\n")
	for _, x := range c.Cases {
		f, err := Load(x.File.Path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(&x.File, f); diff != "" {
			t.Errorf("%s (-made +read):\n%s", x.File.Path, diff)
		}
		a, err := f.AnswerWith(keys)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(asJSON(t, x.Answer), asJSON(t, a)); diff != "" {
			t.Errorf("%s: answer (-made +read):\n%s", x.File.Path, diff)
		}
		if right, err := f.Check.Says(a.Bad, x.data.Pepper); !right || err != nil {
			t.Errorf("%s: the hash does not know its answer: %v", f.Path, err)
		}
		if right, _ := f.Check.Says(append([]string{"R99"}, a.Bad...), x.data.Pepper); right {
			t.Errorf("%s: the hash takes a part too many", f.Path)
		}
		if _, err := f.AnswerWith(NewKeyring("another passphrase")); !errors.Is(err, errPassphrase) {
			t.Errorf("%s: a wrong passphrase gives %v", f.Path, err)
		}
	}
	if err := c.Write(filepath.Dir(c.Cases[0].File.Path)); err == nil || !strings.Contains(err.Error(), "cannot be written") {
		t.Errorf("a class was written over another: %v", err)
	}
}

// Of the board and the seed alone nobody makes the class a second time: another
// passphrase draws other boards, and other sweeps over good ones.
func TestPassphraseDraws(t *testing.T) {
	o := small(t, Mixed, 8, 9)
	a := made(t, o)
	o.Passphrase = "the passphrase of a student who would know"
	b := made(t, o)
	same := 0
	for i := range a.Cases {
		if a.Cases[i].key == b.Cases[i].key {
			same++
		}
	}
	if same > 2 { // by chance
		t.Errorf("%d of %d cases are the same under another passphrase", same, len(a.Cases))
	}
	if cmp.Diff(a.Sweeps[0].Readings, b.Sweeps[0].Readings) == "" {
		t.Error("the good boards are the same under another passphrase")
	}
}

// What a student can try on a file without taking the program apart: the answers
// of its board against the hash. Without the pepper, none of them fits.
func TestHashCannotBeTried(t *testing.T) {
	c, _ := spring(t)
	for _, x := range c.Cases {
		answers := [][]string{{}}
		for i := range c.loci {
			answers = append(answers, []string{c.loci[i].Name(c.Order.Board)})
		}
		answers = append(answers, x.Answer.Bad)
		for _, bad := range answers {
			if right, err := x.File.Check.Says(bad, ""); right || err != nil {
				t.Errorf("%s: the hash tells %v without the pepper: %v", x.File.Path, bad, err)
			}
		}
	}
}

func asJSON(t *testing.T, v any) string {
	text, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The same order and seed give the same cases; what is sealed looks otherwise.
func TestSeedsRepeat(t *testing.T) {
	a, _ := spring(t)
	b := made(t, small(t, Mixed, 9, 4))
	for i := range a.Cases {
		x, y := *a.Cases[i], b.Cases[i]
		if x.data.Pepper == y.data.Pepper {
			t.Errorf("case %d has the same pepper twice", i+1)
		}
		x.data.Pepper, y.data.Pepper = "", ""
		if diff := cmp.Diff(asJSON(t, x.data)+asJSON(t, x.Answer), asJSON(t, y.data)+asJSON(t, y.Answer)); diff != "" {
			t.Errorf("case %d differs: %s", i+1, diff)
		}
		if x.File.Bench == y.File.Bench || x.File.Answer.Box == y.File.Answer.Box || x.File.Check == y.File.Check {
			t.Errorf("case %d is sealed the same twice", i+1)
		}
		if x.File.ID != y.File.ID {
			t.Errorf("case %d goes by %s and %s", i+1, x.File.ID, y.File.ID)
		}
	}
}

// Nothing outside the seals tells one case of a class from another: the files
// are of one length and differ only in number and in what is sealed, no part of
// the board is named, and neither is the order of difficulty.
func TestFilesDoNotTell(t *testing.T) {
	c, dir := spring(t)
	sealed := regexp.MustCompile(`(?m)^(practice|bench|check|answer|complaint): .*$|case-\d+\.yaml|^number: \d+$`)
	first := ""
	var sizes []int64
	for _, x := range c.Cases {
		text, err := os.ReadFile(x.File.Path)
		if err != nil {
			t.Fatal(err)
		}
		info, _ := os.Stat(x.File.Path)
		sizes = append(sizes, info.Size()-int64(len(x.File.Complaint))) // which says no more than the sheet
		plain := sealed.ReplaceAllString(string(text), "")
		if first == "" {
			first = plain
		}
		if plain != first {
			t.Errorf("%s differs outside the seals:\n%s", x.File.Path, cmp.Diff(first, plain))
		}
		for _, p := range c.Order.Board.Parts {
			if regexp.MustCompile(`\b` + p.Name + `\b`).MatchString(plain) {
				t.Errorf("%s names the part %s", x.File.Path, p.Name)
			}
		}
		for _, word := range append(SubjectNames(), "shorted", "leaky", "nothing", "easier") {
			if strings.Contains(plain, word) {
				t.Errorf("%s says %q", x.File.Path, word)
			}
		}
	}
	for _, s := range sizes {
		if s != sizes[0] {
			t.Errorf("the files are of sizes %v; want one", sizes)
		}
	}
	rising := true
	for i := 1; i < len(c.Cases); i++ {
		rising = rising && c.Cases[i].Answer.Expected >= c.Cases[i-1].Answer.Expected
	}
	if rising {
		t.Error("the numbers of the cases follow their difficulty")
	}
	board, err := os.ReadFile(filepath.Join(dir, "board.yaml"))
	if err != nil || !bytes.Equal(board, c.Order.BoardText) {
		t.Errorf("the board file was changed: %v", err)
	}
	// What cannot be helped, and is said: the program has the bench's key.
	data, err := c.Cases[0].File.bench()
	if err != nil || len(data.Faults) == 0 && len(c.Cases[0].Answer.Bad) > 0 {
		t.Errorf("the program cannot open its own bench: %v", err)
	}
}

// A file that was tampered with does not open, and says no more than that.
func TestTamperedFiles(t *testing.T) {
	c, dir := written(t, "shorts", 2, 3)
	text, err := os.ReadFile(c.Cases[0].File.Path)
	if err != nil {
		t.Fatal(err)
	}
	other := c.Cases[1].File
	for _, test := range []struct{ name, from, to, want string }{
		{"bench of another case", c.Cases[0].File.Bench, other.Bench, "the bench of this case does not open: the file was changed; ask for the file again"},
		{"number", "number: 1\n", "number: 2\n", "the bench of this case does not open: the file was changed; ask for the file again"},
	} {
		path := filepath.Join(dir, "tampered.yaml")
		if err := os.WriteFile(path, []byte(strings.Replace(string(text), test.from, test.to, 1)), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := Begin(path, filepath.Join(dir, "record.yaml"), "Ada")
		if err == nil || !strings.HasSuffix(err.Error(), test.want) {
			t.Errorf("%s: %v; want %s", test.name, err, test.want)
		}
		if _, err := os.Stat(filepath.Join(dir, "record.yaml")); err == nil {
			t.Errorf("%s: a record was left behind", test.name)
		}
	}
	f := c.Cases[0].File
	f.Answer.Box = other.Answer.Box
	if _, err := f.AnswerWith(NewKeyring(passphrase)); !errors.Is(err, errPassphrase) {
		t.Errorf("the answer of another case opens: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "board.yaml"), bytes.Replace(c.Order.BoardText, []byte("470R"), []byte("471R"), 1), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := Begin(c.Cases[0].File.Path, filepath.Join(dir, "record.yaml"), "Ada"); err == nil || !strings.Contains(err.Error(), "is not the board that this case was made for: a part, a value or a net differs; use the board file of the set `spring`") {
		t.Errorf("a changed board: %v", err)
	}
}

func TestBrokenFiles(t *testing.T) {
	f := File{Path: "f.yaml", ID: "0123456789abcdef", Set: "s", Number: 1, Board: "b", Known: "k", Complaint: "c", Bench: "AAAA", Check: Check{"ab", 10, "cd"}, Answer: Sealed{"ab", 10, "AAAA"}}
	f.Meter = made(t, small(t, "bridges", 1, 1)).meter.Declared
	good := string(f.encode())
	if _, err := Decode(strings.NewReader(good), "f.yaml"); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ from, to, want string }{
		{"set:", "sett:", "f.yaml:10:1: the file lacks the key `set`; add it"},
		{"number: 1", "number: 0", "f.yaml:12:9: `number`: `0` is not the number of a case; write 1 to 10000"},
		{"rounds: 10,", "rounds: 99999999,", "f.yaml:18:29: `rounds`: `99999999` is not a number of rounds; write 1 to 5000000"},
		{"bench: AAAA", "bench: A", "f.yaml:17:8: `bench`: it is not whole; ask for the file again"},
		{`salt: "ab"`, `salt: "a"`, "f.yaml:18:15: `salt` cannot be `a`; write it like `a40c`"},
		{good, "", "f.yaml: 0 documents, where a practice file is one; name a file that `halfsplit practice make` wrote"},
	} {
		_, err := Decode(strings.NewReader(strings.Replace(good, test.from, test.to, 1)), "f.yaml")
		got := ""
		if err != nil {
			got, _, _ = strings.Cut(err.Error(), "\n")
		}
		if got != test.want {
			t.Errorf("%q for %q:\n got %s\nwant %s", test.to, test.from, got, test.want)
		}
	}
}

// What the schema lists is what a file holds, and all of it is needed.
func TestShapeAndDecoderAgree(t *testing.T) {
	f := File{Path: "f.yaml", ID: "0123456789abcdef", Set: "s", Number: 1, Board: "b", Known: "k", Complaint: "c", Bench: "AAAA", Check: Check{"ab", 10, "cd"}, Answer: Sealed{"ab", 10, "AAAA"}}
	nodes, err := document.Decode(bytes.NewReader(f.encode()), "f.yaml", 0)
	if err != nil {
		t.Fatal(err)
	}
	var keys, fields []string
	for _, e := range nodes[0].Entries() {
		keys = append(keys, e.Name())
	}
	for _, x := range PracticeShape().Fields {
		fields = append(fields, x.Name)
		if !x.Required {
			t.Errorf("the key %s may be left out, and the decoder needs it", x.Name)
		}
	}
	if diff := cmp.Diff(fields, keys); diff != "" {
		t.Errorf("keys (-shape +file):\n%s", diff)
	}
	var schema struct {
		Required   []string
		Properties map[string]any
	}
	if err := json.Unmarshal(PracticeShape().Schema("practice"), &schema); err != nil {
		t.Fatal(err)
	}
	if len(schema.Required) != len(fields) || len(schema.Properties) != len(fields) {
		t.Errorf("the schema has %d properties, %d of them required; want %d", len(schema.Properties), len(schema.Required), len(fields))
	}
}

func FuzzDecode(f *testing.F) {
	x := File{Path: "f.yaml", ID: "0123456789abcdef", Set: "s", Number: 1, Board: "b", Known: "k", Complaint: "c", Bench: "AAAA", Check: Check{"ab", 10, "cd"}, Answer: Sealed{"ab", 10, "AAAA"}}
	f.Add(string(x.encode()))
	f.Add("practice: 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := Decode(strings.NewReader(text), "f.yaml")
		if err != nil {
			if got != nil {
				t.Error("a file beside an error")
			}
			return
		}
		if got.Number < 1 || got.Answer.Rounds > mostRounds || got.Check.Rounds > mostRounds {
			t.Error("out of bounds")
		}
		if _, err := got.bench(); err == nil {
			t.Error("a bench opened that nobody sealed")
		}
		again, err := Decode(bytes.NewReader(got.encode()), "f.yaml")
		if err != nil {
			t.Fatalf("cannot be read back: %v", err)
		}
		if diff := cmp.Diff(got, again); diff != "" {
			t.Errorf("read back otherwise: %s", diff)
		}
	})
}

// Decode is Load on a stream; path is its name in messages and from where its
// board is looked for.
func Decode(r io.Reader, path string) (*File, error) {
	nodes, err := document.Decode(r, path, fileLimit)
	if err != nil {
		return nil, err
	}
	return decode(nodes, path)
}
