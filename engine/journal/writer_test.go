package journal

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// begin creates a case beside the test board.
func begin(t testing.TB, dir string) *Writer {
	t.Helper()
	w, err := Create(filepath.Join(dir, "case.yaml"), Event{Open: &Opening{Board: "board.yaml", Known: "known", Complaint: "touch dead"}}, "bench 2")
	if err != nil {
		t.Fatalf("Create: %v", err)
	}
	return w
}

func (w *Writer) must(t testing.TB, e Event) {
	t.Helper()
	if err := w.Write(e); err != nil {
		t.Fatalf("Write: %v", err)
	}
}

func (w *Writer) end(t testing.TB) {
	t.Helper()
	if err := w.Close(); err != nil {
		t.Fatalf("Close: %v", err)
	}
}

// TestWriteAndResume keeps a case over two sessions and compares the file and
// the case with what was entered.
func TestWriteAndResume(t *testing.T) {
	dir := folder(t)
	path := filepath.Join(dir, "case.yaml")
	w := begin(t, dir)
	r12 := part(t, w.Case().Board, "R12")
	w.must(t, Event{Kind: KindRemove, Parts: []netlist.PartID{r12}})
	if n := w.Case().All[1].Number; n != 2 {
		t.Errorf("number %d, want 2", n)
	}
	w.end(t)

	w, err := Append(path, "bench 3")
	if err != nil {
		t.Fatal(err)
	}
	w.must(t, Event{Kind: KindUndo})
	w.must(t, Event{Kind: KindNote, Note: "wrong part", By: "bench 3"})
	kept := w.Case()
	w.end(t)

	const want = `--- # event a1e0a0a5
open: {board: board.yaml, known: known, complaint: touch dead}
...
--- # event 38c36723
remove: [R12]
...
--- # event 8c23f210
undo: last
...
--- # event a55a7f50
note: wrong part
by: bench 3
...
`
	if diff := cmp.Diff(bodies(want), bodies(read(t, path))); diff != "" {
		t.Errorf("file (-want +got):\n%s", diff)
	}
	c := load(t, path)
	if diff := cmp.Diff(c.All, kept.All, told); diff != "" {
		t.Errorf("the session's case and the file differ (-file +session):\n%s", diff)
	}
	if len(c.Events) != 2 || c.Events[1].Kind != KindNote || len(c.Warnings) != 0 {
		t.Errorf("events %v, warnings %v", c.Events, c.Warnings)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "case.yaml?*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

// bodies takes the numbers off seals, which TestSealFormat holds.
func bodies(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, sealOpens) {
			line = "---\n"
		}
		out.WriteString(line)
	}
	return out.String()
}

func TestCreate(t *testing.T) {
	dir := folder(t)
	sub := filepath.Join(dir, "cases")
	if err := os.Mkdir(sub, 0o777); err != nil {
		t.Fatal(err)
	}
	opening := func(o Opening) Event { return Event{Open: &o} }
	t.Run("paths from the working folder", func(t *testing.T) {
		path := filepath.Join(sub, "a.yaml")
		w, err := Create(path, opening(Opening{BoardPath: filepath.Join(dir, "board.yaml"), KnownPath: filepath.Join(dir, "known")}), "")
		if err != nil {
			t.Fatal(err)
		}
		w.end(t)
		if o := load(t, path).Opening(); o.Board != "../board.yaml" || o.Known != "../known" {
			t.Errorf("paths %q, %q", o.Board, o.Known)
		}
	})
	t.Run("there already", func(t *testing.T) {
		_, err := Create(filepath.Join(sub, "a.yaml"), opening(Opening{Board: "../board.yaml"}), "")
		wantError(t, err, "a.yaml: already exists; choose another name, or go on with that case")
	})
	t.Run("over a torn beginning", func(t *testing.T) {
		path := filepath.Join(sub, "b.yaml")
		write(t, path, "--- # event 12345678\nopen: {bo")
		w, err := Create(path, opening(Opening{Board: "../board.yaml"}), "")
		if err != nil {
			t.Fatal(err)
		}
		w.end(t)
		load(t, path)
		if got := read(t, path+".torn-1"); !strings.HasSuffix(got, "{bo") {
			t.Errorf("set aside %q", got)
		}
	})
	t.Run("no board", func(t *testing.T) {
		path := filepath.Join(sub, "c.yaml")
		_, err := Create(path, opening(Opening{Board: "board.yaml"}), "")
		wantError(t, err, "c.yaml:2:15: `board` leads to")
		if left, _ := filepath.Glob(path + "*"); len(left) != 0 {
			t.Errorf("left behind: %v", left)
		}
	})
	t.Run("no folder", func(t *testing.T) {
		_, err := Create(filepath.Join(dir, "none", "c.yaml"), opening(Opening{Board: "board.yaml"}), "")
		wantError(t, err, "cannot be locked: no such file or directory; check that the folder is there")
	})
	t.Run("append to nothing", func(t *testing.T) {
		_, err := Append(filepath.Join(sub, "d.yaml"), "")
		wantError(t, err, "d.yaml: cannot be opened: no such file or directory; check the path, or begin a case there")
	})
}

// TestTornIsSetAside opens a case whose last event was cut off.
func TestTornIsSetAside(t *testing.T) {
	dir := folder(t)
	path := filepath.Join(dir, "case.yaml")
	w := begin(t, dir)
	w.must(t, Event{Kind: KindNote, Note: "kept"})
	w.end(t)
	whole := read(t, path)
	for n, torn := range []string{"--- # event 12345678\nread: {J7.2: 0.4", "--", "\x00\x00"} {
		write(t, path, whole+torn)
		w, err := Append(path, "")
		if err != nil {
			t.Fatal(err)
		}
		aside := fmt.Sprintf("%s.torn-%d", path, n+1)
		if got := w.Case().Torn; got == nil || got.SavedAs != aside || string(got.Bytes) != torn {
			t.Errorf("torn %+v, want %q in %s", got, torn, aside)
		}
		if got := read(t, aside); got != torn {
			t.Errorf("%s holds %q, want %q", aside, got, torn)
		}
		if got := read(t, path); got != whole {
			t.Errorf("the case holds %q, want %q", got, whole)
		}
		w.must(t, Event{Kind: KindNote, Note: "after"})
		if w.Case().Torn == nil {
			t.Error("what was torn is no longer told after the next event")
		}
		w.end(t)
		if c := load(t, path); len(c.All) != 3 || c.Torn != nil {
			t.Errorf("%d events, torn %v", len(c.All), c.Torn)
		}
	}
}

// TestHandWrittenGoesOn appends to a file that a person wrote and left without a
// line end.
func TestHandWrittenGoesOn(t *testing.T) {
	dir := folder(t)
	path := filepath.Join(dir, "case.yaml")
	write(t, path, "open: {board: board.yaml}\n---\nnote: by hand")
	w, err := Append(path, "")
	if err != nil {
		t.Fatal(err)
	}
	w.must(t, Event{Kind: KindNote, Note: "by program"})
	w.end(t)
	c := load(t, path)
	if len(c.All) != 3 || c.All[1].Note != "by hand" || c.All[2].Note != "by program" {
		t.Errorf("events %v", c.All)
	}
	if got := read(t, path); !strings.HasPrefix(got, "open: {board: board.yaml}\n---\nnote: by hand\n--- # event") {
		t.Errorf("file %q", got)
	}
}

// TestWriteRefuses tries events that must not reach the file, and then one that
// must.
func TestWriteRefuses(t *testing.T) {
	dir := folder(t)
	w := begin(t, dir)
	defer w.end(t)
	before := read(t, w.Case().File)
	b := w.Case().Board
	volts := quantity.Reading{Value: 0.4, Unit: quantity.Volt}
	for _, tt := range []struct {
		name  string
		event Event
		want  string
	}{
		{"escape sequence", Event{Kind: KindNote, Note: "a\x1b[31mb"}, "`note` holds the character U+001B"},
		{"not UTF-8", Event{Kind: KindNote, Note: "a\xffb"}, "not UTF-8"},
		{"empty note", Event{Kind: KindNote}, "`note` without what it tells"},
		{"no readings", Event{Kind: KindRead}, "`read` without what it tells"},
		{"no parts", Event{Kind: KindRemove}, "`remove` holds nothing"},
		{"second opening", Event{Kind: KindOpen, Open: &Opening{Board: "board.yaml"}}, "a second `open`"},
		{"undo of nothing", Event{Kind: KindUndo}, "finds nothing left to take back"},
		{"mixed polarities", Event{Kind: KindRead, Readings: []Read{
			{At: point(t, b, "J7.2"), Name: "J7.2", Reading: volts},
			{At: point(t, b, "J7.3"), Name: "J7.3", Reading: volts, Polarity: references.BlackOnGround},
		}}, "two polarities"},
		{"too large", Event{Kind: KindNote, Note: strings.Repeat("a", maxCase)}, "is full"},
		{"unknown kind", Event{Kind: 99}, "unknown kind 99"},
	} {
		wantError(t, w.Write(tt.event), tt.want)
		if got := read(t, w.Case().File); got != before {
			t.Fatalf("%s: the file was changed:\n%s", tt.name, got)
		}
	}
	w.must(t, Event{Kind: KindNote, Note: "fine"})
	if c := load(t, w.Case().File); len(c.All) != 2 {
		t.Errorf("%d events, want 2", len(c.All))
	}
}

// TestChangedUnderneath changes the file behind a session's back, as editors and
// shared folders do.
func TestChangedUnderneath(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(t *testing.T, path string)
	}{
		{"appended to", func(t *testing.T, path string) { write(t, path, read(t, path)+"---\nnote: by another\n") }},
		{"replaced", func(t *testing.T, path string) {
			copyFile(t, path, path+"~")
			if err := os.Rename(path+"~", path); err != nil {
				t.Fatal(err)
			}
		}},
		{"deleted", func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := folder(t)
			w := begin(t, dir)
			defer w.Close()
			path := w.Case().File
			tt.change(t, path)
			before, _ := os.ReadFile(path)
			for range 2 { // it stays refused
				wantError(t, w.Write(Event{Kind: KindNote, Note: "mine"}), "open the case again; the event just entered is not in it")
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Errorf("the other's file was written to: %q", after)
			}
		})
	}
}

// TestSecondSession refuses a second session while the first lives, also under
// another name of the file.
func TestSecondSession(t *testing.T) {
	dir := folder(t)
	w := begin(t, dir)
	path := w.Case().File
	link := filepath.Join(dir, "link.yaml")
	if err := os.Symlink("case.yaml", link); err != nil {
		t.Fatal(err)
	}
	host, _ := os.Hostname()
	for _, name := range []string{path, link} {
		_, err := Append(name, "bench 3")
		wantError(t, err, fmt.Sprintf("%s: another session has it open: process %d on %s, bench 2, since %d-", name, os.Getpid(), host, time.Now().Year()))
		wantError(t, err, "close that session first")
	}
	_, err := Create(path, Event{Open: &Opening{Board: "board.yaml"}}, "")
	wantError(t, err, "another session has it open")
	if c := load(t, path); len(c.All) != 1 {
		t.Errorf("reading beside a session: %d events", len(c.All))
	}
	w.end(t)
	w, err = Append(path, "bench 3")
	if err != nil {
		t.Fatalf("after the first session: %v", err)
	}
	w.end(t)
}

// TestStaleLock opens cases whose lock file a dead session left behind, here and
// on another machine.
func TestStaleLock(t *testing.T) {
	dir := folder(t)
	w := begin(t, dir)
	path := w.Case().File
	w.end(t)
	for _, tt := range []struct{ left, told string }{
		{"", ""},
		{"process 1 on bench-pc, bench", ""}, // killed while it wrote this
		{"process 7 on bench-pc, bench 9, since 2026-08-02T14:05:00Z\n", "process 7 on bench-pc, bench 9, since 2026-08-02T14:05:00Z"},
		{"process 7 on \x1b[31m" + strings.Repeat("x", 100) + "\n", "?[31m" + strings.Repeat("x", 100)},
	} {
		write(t, path+lockSuffix, tt.left)
		w, err := Append(path, "bench 2")
		if err != nil {
			t.Fatalf("lock file %q: %v", tt.left, err)
		}
		w.must(t, Event{Kind: KindNote, Note: "on"})
		warnings := w.Case().Warnings
		switch {
		case tt.told == "" && len(warnings) > 0:
			t.Errorf("lock file %q: warnings %v", tt.left, warnings)
		case tt.told != "" && (len(warnings) != 1 || !strings.Contains(warnings[0].Error(), tt.told)):
			t.Errorf("lock file %q: warnings %v, want one with %q", tt.left, warnings, tt.told)
		}
		w.end(t)
	}
	if pid, host := holderProcess(thisHolder("bench 2").String()); pid != os.Getpid() || host != thisHolder("").host {
		t.Errorf("holderProcess = %d, %q", pid, host)
	}
}

// TestForeignSiblings: files beside a case that no session made stay as they are,
// whatever they are called.
func TestForeignSiblings(t *testing.T) {
	dir := folder(t)
	write(t, filepath.Join(dir, "case.yaml.new"), "my draft")
	w := begin(t, dir)
	path := w.Case().File
	w.end(t)
	if got := read(t, path+".new"); got != "my draft" {
		t.Errorf("the sibling holds %q", got)
	}

	write(t, path+lockSuffix, "the key of the lock is in the drawer\n")
	_, err := Append(path, "")
	wantError(t, err, "case.yaml.lock lies beside it, and no session made that; move that file away first")
	if got := read(t, path+lockSuffix); got != "the key of the lock is in the drawer\n" {
		t.Errorf("the foreign lock file holds %q", got)
	}

	// A link in the place of the lock, and one in the place of the case.
	precious := filepath.Join(dir, "precious")
	write(t, precious, "precious")
	os.Remove(path + lockSuffix)
	if err := os.Symlink("precious", path+lockSuffix); err != nil {
		t.Skip("no links here: ", err)
	}
	_, err = Append(path, "")
	wantError(t, err, "case.yaml.lock lies beside it, and no session made that; move that file away first")
	nowhere := filepath.Join(dir, "other.yaml")
	if err := os.Symlink("elsewhere", nowhere); err != nil {
		t.Fatal(err)
	}
	_, err = Create(nowhere, Event{Kind: KindOpen, Open: &Opening{BoardPath: filepath.Join(dir, "board.yaml")}}, "")
	wantError(t, err, "already exists and cannot be read; choose another name")
	if got := read(t, precious); got != "precious" {
		t.Errorf("the target of a link holds %q", got)
	}
	if _, err := os.Lstat(filepath.Join(dir, "elsewhere")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a link was followed: %v", err)
	}
	if _, err := os.Lstat(nowhere + lockSuffix); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a lock is left behind: %v", err)
	}
}

// TestChangedBeneath: an editor changes the case during a session and leaves its
// size as it was. The next event is refused and nothing is written.
func TestChangedBeneath(t *testing.T) {
	w := begin(t, folder(t))
	defer w.Close()
	w.must(t, Event{Kind: KindNote, Note: "the coil sings"})
	path := w.Case().File
	for _, change := range []func(string){
		func(text string) { write(t, path, text) }, // in place
		func(text string) { // as careful editors do
			write(t, path+"~", text)
			if err := os.Rename(path+"~", path); err != nil {
				t.Fatal(err)
			}
		},
	} {
		text := strings.Replace(read(t, path), "sings", "humms", 1)
		change(text)
		wantError(t, w.Write(Event{Kind: KindNote, Note: "on"}), "another program changed it; open the case again; the event just entered is not in it")
		if got := read(t, path); got != text {
			t.Errorf("the file became %q", got)
		}
		w.Close()
		var err error
		if w, err = Append(path, ""); err != nil {
			t.Fatal(err)
		}
		w.must(t, Event{Kind: KindNote, Note: "it sings again"})
	}
}

// TestTwoWriters lets sessions fight for one case. Each must get its turn and no
// event may be lost.
func TestTwoWriters(t *testing.T) {
	dir := folder(t)
	w := begin(t, dir)
	path := w.Case().File
	w.end(t)
	const writers, each = 4, 10
	var wg sync.WaitGroup
	for i := range writers {
		wg.Go(func() {
			for j := 0; j < each; {
				w, err := Append(path, fmt.Sprint("bench ", i))
				if err != nil {
					if !strings.Contains(err.Error(), "another session") {
						t.Error(err)
						return
					}
					time.Sleep(time.Millisecond)
					continue
				}
				err = w.Write(Event{Kind: KindNote, Note: fmt.Sprintf("note %d of %d", j, i)})
				if err == nil {
					j++
				} else {
					t.Error(err)
					j = each
				}
				if err := w.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	c := load(t, path)
	next := make([]int, writers)
	for _, e := range c.All[1:] {
		var i, j int
		if _, err := fmt.Sscanf(e.Note, "note %d of %d", &j, &i); err != nil || next[i] != j {
			t.Errorf("note %q, where note %d was due", e.Note, next[i])
		}
		next[i]++
	}
	if len(c.All) != 1+writers*each || len(c.Warnings) != 0 {
		t.Errorf("%d events, want %d; warnings %v", len(c.All), 1+writers*each, c.Warnings)
	}
}

// childCase names the case that a child process of TestKilled appends to.
const childCase = "HALFSPLIT_JOURNAL_TEST_CASE"

// TestMain turns the test binary into a session that appends events until it is
// killed, and says of each, once it is confirmed, that it is.
func TestMain(m *testing.M) {
	path := os.Getenv(childCase)
	if path == "" {
		os.Exit(m.Run())
	}
	w, err := Append(path, "child")
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	board := w.Case().Board
	at, err := board.Point("J7.2")
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	for n := len(w.Case().All) + 1; ; n++ {
		e := Event{Kind: KindNote, Note: fmt.Sprint("confirmed ", n)}
		if n%2 == 0 {
			e = Event{Kind: KindRead, Note: fmt.Sprint("confirmed ", n), Readings: []Read{
				{At: at, Name: "J7.2", Reading: quantity.Reading{Value: float64(n) / 1e4, Unit: quantity.Volt}}}}
		}
		if err := w.Write(e); err != nil {
			fmt.Println("error:", err)
			os.Exit(1)
		}
		fmt.Println(n)
	}
}

// TestKilled kills a writing process 200 times at random moments. Every event
// that it confirmed must be in the file, in order, and the file must open again.
// One case takes ten kills, each session going on where the last was killed.
func TestKilled(t *testing.T) {
	kills := 200
	if testing.Short() {
		kills = 20
	}
	const seed = 7
	moment := rand.New(rand.NewPCG(seed, seed))
	torn, events := 0, 0
	var path string
	confirmed := 0
	for kill := range kills {
		if kill%10 == 0 {
			w := begin(t, folder(t))
			path = w.Case().File
			w.end(t)
			confirmed = 1
		}
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childCase+"="+path)
		said, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(said)
		hear := func() error {
			line, err := lines.ReadString('\n')
			if err != nil {
				return err
			}
			var n int
			if _, err := fmt.Sscan(line, &n); err != nil {
				t.Fatalf("kill %d: the session says %q", kill, line)
			}
			confirmed = n
			return nil
		}
		if kill%4 != 0 { // otherwise somewhere on the way to its first event
			if err := hear(); err != nil {
				t.Fatalf("kill %d: %v", kill, err)
			}
		}
		time.Sleep(time.Duration(moment.IntN(8000)) * time.Microsecond)
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for err = nil; err == nil; err = hear() {
		}
		if err != io.EOF && err != io.ErrUnexpectedEOF {
			t.Fatal(err)
		}
		child.Wait() // it was killed; that is its error

		c, err := Load(path)
		if err != nil {
			t.Fatalf("kill %d: the file does not open again: %v\n%s", kill, err, read(t, path))
		}
		if c.Torn != nil {
			torn++
		}
		if len(c.All) < confirmed || len(c.All) > confirmed+1 {
			t.Fatalf("kill %d: %d events in the file, %d confirmed", kill, len(c.All), confirmed)
		}
		for _, e := range c.All[1:] {
			if want := fmt.Sprint("confirmed ", e.Number); e.Note != want {
				t.Fatalf("kill %d: event %d says %q", kill, e.Number, e.Note)
			}
		}
		// The dead session's lock does not stand in the way.
		w, err := Append(path, "parent")
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		if len(w.Case().All) != len(c.All) || c.Torn != nil && w.Case().Torn.SavedAs == "" {
			t.Fatalf("kill %d: the session found %d events, Load %d", kill, len(w.Case().All), len(c.All))
		}
		if kill%4 != 0 {
			if warnings := w.Case().Warnings; len(warnings) != 1 || !strings.Contains(warnings[0].What, "the last session did not end as it should: process") {
				t.Fatalf("kill %d: warnings %v", kill, warnings)
			}
		}
		w.end(t)
		confirmed = len(c.All)
		events += confirmed
	}
	t.Logf("%d kills, %d torn events set aside, %d events checked", kills, torn, events)
}

// BenchmarkWrite measures one event on the disk in a case of 200 events.
func BenchmarkWrite(b *testing.B) {
	w := begin(b, folder(b))
	defer w.Close()
	for range 200 {
		w.must(b, Event{Kind: KindNote, Note: "one of two hundred"})
	}
	size := int64(len(w.text))
	b.ReportAllocs()
	for b.Loop() {
		w.must(b, Event{Kind: KindNote, Note: "one more"})
		b.StopTimer()
		if err := w.file.Truncate(size); err != nil {
			b.Fatal(err)
		}
		w.text = w.text[:size]
		b.StartTimer()
	}
}

// BenchmarkLoad measures the reading of a case of 200 events, its board and its
// library.
func BenchmarkLoad(b *testing.B) {
	w := begin(b, folder(b))
	for range 200 {
		w.must(b, Event{Kind: KindNote, Note: "one of two hundred"})
	}
	w.end(b)
	b.ReportAllocs()
	for b.Loop() {
		load(b, w.Case().File)
	}
}
