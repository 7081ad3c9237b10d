//go:build unix

package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/bench"
	"halfsplit/engine/journal"
)

// pageSession is the program in a process of its own, with a page.
type pageSession struct {
	t      *testing.T
	cmd    *exec.Cmd
	stdin  io.WriteCloser
	url    string
	stream io.Closer
	news   chan pageNews
	shown  map[string]string // by region
	at     string            // version
	sent   int
}

type pageNews struct {
	Version string
	Regions map[string]string
}

// startPage starts `halfsplit bench ... --page` and opens its page.
func startPage(t *testing.T, args ...string) *pageSession {
	t.Helper()
	return openPage(t, append([]string{"bench", "--page"}, args...)...)
}

// openPage starts a command that serves a page, and opens it.
func openPage(t *testing.T, args ...string) *pageSession {
	t.Helper()
	s := &pageSession{t: t, cmd: asProgram(t, args...), shown: map[string]string{}, news: make(chan pageNews, 100)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if s.stdin, err = s.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.cmd.Process.Kill(); s.cmd.Wait() })
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	s.url = strings.TrimSpace(first)
	if _, bad := url.ParseRequestURI(s.url); err != nil || bad != nil {
		t.Fatalf("the first line is %q, want an address", first)
	}
	go io.Copy(io.Discard, lines)
	resp, err := http.Get(s.url + "events")
	if err != nil {
		t.Fatal(err)
	}
	s.stream = resp.Body
	go func() {
		defer close(s.news)
		lines := bufio.NewScanner(resp.Body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			var n pageNews
			if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok && json.Unmarshal([]byte(text), &n) == nil {
				s.news <- n
			}
		}
	}()
	s.wait()
	return s
}

// wait takes what the page brings next.
func (s *pageSession) wait() {
	s.t.Helper()
	select {
	case n, ok := <-s.news:
		if !ok {
			return
		}
		s.at = n.Version
		for region, html := range n.Regions {
			s.shown[region] = html
		}
	case <-time.After(30 * time.Second):
		s.t.Fatal("the page shows nothing new")
	}
}

// enter sends a line; an error means that no answer came.
func (s *pageSession) enter(text string) (entered bool, says string, err error) {
	s.sent++
	body, _ := json.Marshal(map[string]string{"id": fmt.Sprint("e", s.sent), "version": s.at, "text": text})
	r, err := http.NewRequest("POST", s.url+"enter", strings.NewReader(string(body)))
	if err != nil {
		return false, "", err
	}
	u, _ := url.Parse(s.url)
	r.Header.Set("Origin", "http://"+u.Host)
	r.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return false, "", err
	}
	defer resp.Body.Close()
	var a struct {
		Entered bool
		Says    string
	}
	return a.Entered, a.Says, func() error {
		err := json.NewDecoder(resp.Body).Decode(&a)
		entered, says = a.Entered, a.Says
		return err
	}()
}

// A student works on a practice case in a browser: what is touched there is measured, and
// nothing that the page shows is judged before the verdict.
func TestPracticePage(t *testing.T) {
	courseCopy(t)
	s := openPage(t, "practice", "run", "lesson-06.yaml", "--by", "Ada", "--page")
	for _, step := range []struct{ enter, region, want string }{
		{"read J1.3", "connector", `aria-current="true"`},
		{"read R2.2", "line", "[R2.2]"},
		{"read R2.2", "line", "0.60"},
		{"replace R2", "line", "■ replaced"},
		{"read J1.3", "said", "known good 1.07"},
		{"verdict R2 open", "said", "Right: that is what was bad, and all of it."},
	} {
		entered, says, err := s.enter(step.enter)
		if !entered || err != nil {
			t.Fatalf("%s: %s, %v", step.enter, says, err)
		}
		s.wait()
		if !strings.Contains(s.shown[step.region], step.want) {
			t.Errorf("%s: the %s shows no %q:\n%s", step.enter, step.region, step.want, s.shown[step.region])
		}
		for _, judged := range []string{`class="bad"`, `class="off"`, `class="good"`, "suspect "} {
			for _, region := range []string{"connector", "line", "suspects"} {
				if strings.Contains(s.shown[region], judged) {
					t.Errorf("%s: the %s judges, by %s", step.enter, region, judged)
				}
			}
		}
	}
	if entered, says, err := s.enter("frobnicate"); entered || err != nil || !strings.Contains(says, "means nothing here") {
		t.Errorf("%v, %s, %v", entered, says, err)
	}
	if c, err := journal.Load("lesson-06-ada.yaml"); err != nil || len(c.All) != 8 {
		t.Errorf("the record has %d events, %v", len(c.All), err)
	}
}

// TestPageSessions plays each session of the demo over the page's protocol: the case
// file ends with the events that the terminal writes.
func TestPageSessions(t *testing.T) {
	all, fed := sessions(t, "sessions"), sessions(t, "fed")
	demoFolder(t)
	names := slices.Sorted(maps.Keys(all))
	if testing.Short() {
		names = names[:2]
	}
	for _, name := range names {
		entries := all[name]
		args := []string{"--board", "board.yaml", "--known", "known", "--complaint", "a complaint", "--meter", meterOf(t, name), "--by", "tester"}
		s := startPage(t, append([]string{name + "-page.yaml"}, args...)...)
		for line := range strings.Lines(entries) {
			entered, says, err := s.enter(strings.TrimSpace(line))
			if err != nil || !entered {
				t.Fatalf("%s: %q: %v %s\n%s", name, line, err, says, s.shown["next"])
			}
			s.wait()
		}
		if !strings.Contains(s.shown["next"], "Closed") || !strings.Contains(s.shown["power"], "PASS") {
			t.Errorf("%s: at the end the page shows\n%s\n%s", name, s.shown["next"], s.shown["power"])
		}
		if resp, err := http.Get(s.url + "report"); err != nil || resp.StatusCode != 200 {
			t.Errorf("%s: no report: %v", name, err)
		}
		s.cmd.Process.Kill()
		s.cmd.Wait()
		want, _ := fedSession(t, name, fed[name])
		got, err := journal.Load(name + "-page.yaml")
		if err != nil {
			t.Fatal(err)
		}
		words := func(c *journal.Case) (list []string) {
			// A file goes through a sweep in another order, has every ground pin, and is
			// asked again for what looks out of range among the pins read so far.
			for i := range c.All {
				if r := c.All[i].Readings; len(r) == 1 && r[0].At.Net == c.Board.Ground {
					continue
				}
				list = append(list, bench.Describe(c.Board, &c.All[i]))
			}
			slices.Sort(list)
			return slices.Compact(list)
		}
		if diff := cmp.Diff(words(want), words(got)); diff != "" {
			t.Errorf("%s: the page wrote otherwise than the terminal (-terminal +page):\n%s", name, diff)
		}
	}
}

// TestPageAndTerminal has both faces of one session open: each shows what the other
// entered, and an entry for what is no longer asked is refused.
func TestPageAndTerminal(t *testing.T) {
	demoFolder(t)
	s := startPage(t, "both.yaml", "--board", "board.yaml", "--known", "known")
	old := s.at
	fmt.Fprintln(s.stdin, "y")
	s.wait()
	fmt.Fprintln(s.stdin, "sweep J7")
	s.wait()
	fmt.Fprintln(s.stdin, "0.001")
	s.wait()
	if !strings.Contains(s.shown["next"], "J7.3") || !strings.Contains(s.shown["said"], "J7.1 0.001") || !strings.Contains(s.shown["events"], "0.001 at J7.1") {
		t.Errorf("the page does not show what the terminal entered:\n%s\n%s\n%s", s.shown["next"], s.shown["said"], s.shown["events"])
	}
	now := s.at
	s.at = old
	if entered, says, err := s.enter("0.564"); err != nil || entered || !strings.Contains(says, "look again") {
		t.Errorf("an entry made on an older view: %v %q %v", entered, says, err)
	}
	s.at = now
	if entered, says, err := s.enter("at J7.9"); err != nil || !entered {
		t.Fatalf("at J7.9: %q %v", says, err)
	}
	s.wait()
	if !strings.Contains(s.shown["next"], "J7.9") || !strings.Contains(s.shown["next"], "known good 0.7") {
		t.Errorf("a point that was chosen, with its prediction: %s", s.shown["next"])
	}
	// Where it is on the board: a picture with its own policy, since its style is its own.
	picture := regexp.MustCompile(`src="(place\.svg\?[0-9a-f]{8})" alt="Where J7\.9 is`).FindStringSubmatch(s.shown["place"])
	if picture == nil {
		t.Fatalf("no picture of the place: %q", s.shown["place"])
	}
	resp, err := http.Get(s.url + picture[1])
	if err != nil {
		t.Fatal(err)
	}
	svg, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	if policy := resp.Header.Get("Content-Security-Policy"); !strings.HasPrefix(string(svg), "<svg xmlns") || !strings.Contains(string(svg), "J7.9") ||
		resp.Header.Get("Content-Type") != "image/svg+xml; charset=utf-8" || !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "script") {
		t.Errorf("the picture: %v %.200s", resp.Header, svg)
	}
	// A resistance out of range is to be read again where it was, in ohms.
	if entered, says, err := s.enter("900 ohm from FL3.in to FL3.out"); err != nil || !entered {
		t.Fatalf("900 ohm across FL3: %q %v", says, err)
	}
	s.wait()
	for _, want := range []string{"MEASURE AGAIN", "red on FL3.out", "It measured 900 ohm", `<span id="unit">ohm</span>`} {
		if !strings.Contains(s.shown["next"]+s.shown["field"], want) {
			t.Errorf("a resistance out of range, without %q: %s", want, s.shown["next"])
		}
	}
	if entered, says, err := s.enter("q"); err != nil || entered || !strings.Contains(says, "left at its terminal") {
		t.Errorf("leaving from the page: %v %q %v", entered, says, err)
	}
	if entered, says, err := s.enter("0,5 nonsense"); err != nil || entered || says == "" {
		t.Errorf("nonsense: %v %q %v", entered, says, err)
	}
	fmt.Fprintln(s.stdin, "q")
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("left at the terminal: %v", err)
	}
	c, err := journal.Load("both.yaml")
	if err != nil || len(c.All) != 4 { // opened, cautions, two readings
		t.Errorf("%d events, want 4; %v", len(c.All), err)
	}
}

// TestPageKill kills the program with signal 9 while a page enters notes: whatever was
// acknowledged to the page is in the file, once.
func TestPageKill(t *testing.T) {
	kills := kills(t, 40)
	smallFolder(t)
	dice := rand.New(rand.NewPCG(18, 1))
	args := []string{"killed.yaml", "--board", "board.yaml"}
	acks, n := map[string]bool{}, 0
	for kill := range kills {
		s := startPage(t, args...)
		args = args[:1]
		timer := time.AfterFunc(time.Duration(5+dice.IntN(60))*time.Millisecond, func() { s.cmd.Process.Kill() })
		for {
			n++
			note := fmt.Sprintf("entry %d", n)
			entered, _, err := s.enter("n " + note)
			if err != nil {
				break
			}
			if entered {
				acks[note] = true
			}
			s.wait()
		}
		timer.Stop()
		s.cmd.Process.Kill()
		s.cmd.Wait()
		c, err := journal.Load("killed.yaml")
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		times := map[string]int{}
		for _, ev := range c.All {
			times[ev.Note]++
		}
		for note := range acks {
			if times[note] != 1 {
				t.Fatalf("kill %d: %s was acknowledged and stands %d times in the case", kill, note, times[note])
			}
		}
	}
	t.Logf("%d kills, %d entries sent, %d acknowledged, none lost", kills, n, len(acks))
	if len(acks) < kills {
		t.Errorf("only %d entries acknowledged in %d sessions: the kills came too early to show anything", len(acks), kills)
	}
}
