//go:build unix

package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfsplit/engine/journal"
)

// TestMain lets the test binary be the program itself, so that a session can run
// in a process of its own and be killed.
func TestMain(m *testing.M) {
	if os.Getenv("HALFSPLIT_TEST_AS_PROGRAM") == "1" {
		code := run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
		if status, err := os.ReadFile("/proc/self/status"); err == nil { // for peak
			os.WriteFile(os.Getenv("HALFSPLIT_TEST_STATUS"), status, 0o666)
		}
		os.Exit(code)
	}
	debug.SetGCPercent(400) // collecting garbage takes a sixth of the time otherwise
	os.Exit(m.Run())
}

// asProgram makes a process of its own of the program.
func asProgram(t testing.TB, args ...string) *exec.Cmd {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "HALFSPLIT_TEST_AS_PROGRAM=1", "HALFSPLIT_TEST_STATUS="+filepath.Join(t.TempDir(), "status"))
	return cmd
}

// kills is how many processes a test kills: HALFSPLIT_KILLS, or as many as are
// usual.
func kills(t *testing.T, usual int) int {
	if n, err := strconv.Atoi(os.Getenv("HALFSPLIT_KILLS")); err == nil && n > 0 {
		return n
	}
	if testing.Short() {
		return usual / 10
	}
	return usual
}

// killed runs the program, feeds it lines and kills it with signal 9 within a time;
// it returns the lines that were printed whole. The clock runs from the first of
// them, so that most kills fall among entries; one in eight falls wherever it falls.
func killed(t *testing.T, dice *rand.Rand, within time.Duration, line func(i int) string, args ...string) string {
	t.Helper()
	cmd := asProgram(t, args...)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		for i := 0; line != nil; i++ {
			if _, err := fmt.Fprintln(stdin, line(i)); err != nil {
				return
			}
		}
	}()
	begun := make(chan bool, 1)
	done := make(chan string)
	go func() {
		var all strings.Builder
		lines := bufio.NewReader(stdout)
		for {
			line, err := lines.ReadString('\n')
			if err != nil {
				break // a line without its end was not printed whole
			}
			all.WriteString(line)
			select {
			case begun <- true:
			default:
			}
		}
		done <- all.String()
	}()
	if line != nil && dice.IntN(8) > 0 {
		select {
		case <-begun:
		case <-time.After(20 * time.Second):
		}
	}
	time.Sleep(time.Duration(dice.Int64N(int64(within))))
	cmd.Process.Kill() // fails where it has ended, which is as good
	text := <-done
	cmd.Wait()
	return text
}

// smallFolder makes a folder with a small board the working folder: what is written, and
// when, does not depend on the size of the board.
func smallFolder(t *testing.T) {
	t.Helper()
	clean(t)
	text, err := os.ReadFile("../../testdata/boards/sensor12.yaml")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	if err := os.WriteFile("board.yaml", text, 0o666); err != nil {
		t.Fatal(err)
	}
}

var acknowledged = regexp.MustCompile(`note: entry (\d+) +event (\d+)`)

// TestKill kills a running session 200 times at random moments, with signal 9.
// Every event whose number the session had printed is in the file afterwards,
// with what was entered; the file opens again, and the next session goes on.
func TestKill(t *testing.T) {
	kills := kills(t, 200)
	smallFolder(t)
	dice := rand.New(rand.NewPCG(4, 200)) // always the same moments to begin with
	entered, lost, torn, acks := 0, 0, 0, 0
	file := ""
	const perFile = 10
	expect := map[int]int{} // event to entry, of the file at hand
	for n := range kills {
		args := []string{"bench", file, "--by", "killed"}
		if n%perFile == 0 {
			file = fmt.Sprintf("killed-%d.yaml", n/perFile)
			expect = map[int]int{}
			args = []string{"bench", file, "--by", "killed", "--board", "board.yaml"}
		}
		first := entered
		text := killed(t, dice, 25*time.Millisecond, func(i int) string { return fmt.Sprintf("n entry %d", first+i) }, args...)
		for _, m := range acknowledged.FindAllStringSubmatch(text, -1) {
			entry, _ := strconv.Atoi(m[1])
			event, _ := strconv.Atoi(m[2])
			expect[event] = entry
			entered = max(entered, entry+1)
			acks++
		}
		entered += 1000 // what was on its way is not entered again
		if _, err := os.Stat(file); err != nil {
			if len(expect) > 0 {
				t.Fatalf("%s is gone", file)
			}
			// Killed before there was a case: begin it for the next session.
			w, err := journal.Create(file, journal.Event{Kind: journal.KindOpen, Open: &journal.Opening{BoardPath: "board.yaml"}}, "")
			if err != nil {
				t.Fatal(err)
			}
			w.Close()
			continue
		}
		c, err := journal.Load(file)
		if err != nil {
			t.Fatalf("kill %d: %s does not open: %v", n, file, err)
		}
		if c.Torn != nil {
			torn++
		}
		for event, entry := range expect {
			if event > len(c.All) || c.All[event-1].Note != fmt.Sprintf("entry %d", entry) {
				lost++
				t.Errorf("kill %d: event %d, entry %d was confirmed and is lost", n, event, entry)
			}
		}
	}
	left, _ := filepath.Glob("*.torn-*")
	t.Logf("%d kills, %d entries confirmed, %d lost, %d torn ends, %d of them set aside", kills, acks, lost, torn, len(left))
	if acks < kills {
		t.Errorf("only %d entries confirmed in %d sessions: the kills came too early to show anything", acks, kills)
	}
	// A session that was killed leaves its lock file; the next one says so and
	// goes on.
	_, errs, code := play(t, "q\n", "bench", file)
	if code != exitDone || !strings.Contains(errs, "the last session did not end as it should") {
		t.Errorf("after a kill: exit %d, %q", code, errs)
	}
}

// TestKillAdd kills `known add` at random moments. Every sweep that it had reported is
// there, every file is whole, and the next run removes what the killed ones left.
func TestKillAdd(t *testing.T) {
	kills := kills(t, 50)
	demoFolder(t)
	dice := rand.New(rand.NewPCG(4, 201))
	text, err := os.ReadFile("known/k3-022.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const many = 60
	sources := map[string]bool{}
	add := []string{"known", "add", "--board", "board.yaml"}
	for i := range many {
		one := strings.Replace(string(text), "sample:", fmt.Sprintf("# copy %d\nsample:", i), 1)
		sources[one] = true
		file := fmt.Sprintf("copy-%d.yaml", i)
		if err := os.WriteFile(file, []byte(one), 0o666); err != nil {
			t.Fatal(err)
		}
		add = append(add, file)
	}
	told, left, whole := 0, 0, 0
	drafts := func(dir string) int {
		list, _ := filepath.Glob(filepath.Join(dir, ".halfsplit-*"))
		return len(list)
	}
	for n := range kills {
		dir := fmt.Sprintf("into-%d", n)
		out := killed(t, dice, 150*time.Millisecond, nil, append(add, "--to", dir)...)
		for line := range strings.Lines(out) {
			if file, ok := strings.CutPrefix(strings.TrimSpace(line), "added "); ok {
				told++
				if _, err := os.Stat(file); err != nil {
					t.Errorf("kill %d: told as added: %v", n, err)
				}
			}
		}
		files, _ := filepath.Glob(filepath.Join(dir, "*.yaml"))
		for _, file := range files {
			whole++
			if got, err := os.ReadFile(file); err != nil || !sources[string(got)] {
				t.Errorf("kill %d: %s is not whole: %v", n, file, err)
			}
		}
		left += drafts(dir)
		if drafts(dir) > 0 {
			if _, errs, code := play(t, "", append(add, "--to", dir)...); code > exitBadly || drafts(dir) > 0 { // the check of what was added may find something
				t.Errorf("kill %d: the next run exits %d and leaves %d drafts; %s", n, code, drafts(dir), errs)
			}
		}
		os.RemoveAll(dir)
	}
	t.Logf("%d kills, %d sweeps told as added, %d files all whole, %d drafts left and removed", kills, told, whole, left)
}

var paid = regexp.MustCompile(`(?m) s so far$`)

// TestKillPractice kills `practice run` among actions. Every action whose cost was printed
// is in the record.
func TestKillPractice(t *testing.T) {
	kills := kills(t, 50)
	courseCopy(t)
	dice := rand.New(rand.NewPCG(4, 202))
	const perRecord = 10
	told, lost, inRecord, record := 0, 0, 0, ""
	for n := range kills {
		if n%perRecord == 0 {
			record, inRecord = fmt.Sprintf("record-%d.yaml", n/perRecord), 0
		}
		out := killed(t, dice, 25*time.Millisecond, func(i int) string { return fmt.Sprintf("read J1.%d", 2+i%3) }, "practice", "run", "lesson-01.yaml", "--by", "killed", "--journal", record)
		now := len(paid.FindAllString(out, -1))
		told += now
		inRecord += now
		c, err := journal.Load(record)
		if err != nil {
			if _, gone := os.Stat(record); gone == nil || inRecord > 0 {
				t.Fatalf("kill %d: %v", n, err)
			}
			continue
		}
		if have := len(c.All) - 2; have < inRecord { // without the opening and the sweep
			lost += inRecord - have
			t.Errorf("kill %d: %d actions were told, %d are in %s", n, inRecord, have, record)
		}
	}
	t.Logf("%d kills, %d actions told, %d lost", kills, told, lost)
	if told < kills/2 {
		t.Errorf("only %d actions told in %d sessions: the kills came too early to show anything", told, kills)
	}
}
