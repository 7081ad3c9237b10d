//go:build unix

package main

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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
		main()
	}
	os.Exit(m.Run())
}

// asProgram makes a process of its own of the program.
func asProgram(t testing.TB, args ...string) *exec.Cmd {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "HALFSPLIT_TEST_AS_PROGRAM=1")
	return cmd
}

var acknowledged = regexp.MustCompile(`note: entry (\d+) +event (\d+)`)

// TestKill kills a running session 200 times at random moments, with signal 9.
// Every event whose number the session had printed is in the file afterwards,
// with what was entered; the file opens again, and the next session goes on.
func TestKill(t *testing.T) {
	kills := 200
	if testing.Short() {
		kills = 20
	}
	demoFolder(t)
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
			args = []string{"bench", file, "--by", "killed", "--board", "board.yaml", "--known", "known"}
		}
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
		first := entered
		go func() {
			for i := first; ; i++ {
				if _, err := fmt.Fprintf(stdin, "n entry %d\n", i); err != nil {
					return
				}
			}
		}()
		// The clock runs from the first prompt, so that most kills fall among
		// entries; one in eight falls wherever it falls.
		begun := make(chan bool, 1)
		done := make(chan string)
		go func() {
			var all strings.Builder
			lines := bufio.NewReader(stdout)
			for {
				line, err := lines.ReadString('\n')
				if err == io.EOF || err != nil {
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
		if dice.IntN(8) > 0 {
			select {
			case <-begun:
			case <-time.After(20 * time.Second):
			}
		}
		time.Sleep(time.Duration(dice.IntN(25000)) * time.Microsecond)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		text := <-done
		cmd.Wait()
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
			w, err := journal.Create(file, journal.Event{Kind: journal.KindOpen, Open: &journal.Opening{BoardPath: "board.yaml", KnownPath: "known"}}, "")
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
