package lesson

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfsplit/netlist"
)

const courseBoard = "../../../testdata/lessons/board.yaml"

// small is an order for the board of the course.
func small(t testing.TB, lesson string, count int, seed uint64) Order {
	t.Helper()
	text, err := os.ReadFile(courseBoard)
	if err != nil {
		t.Fatal(err)
	}
	b, err := netlist.Load(courseBoard)
	if err != nil {
		t.Fatal(err)
	}
	return Order{Board: b, BoardText: text, Set: "spring", Lesson: lesson, Count: count, Seed: seed, Phrase: phrase, Rounds: rounds, keep: true}
}

// Many cases are made, solved by the engine's policy, and scored. Each has to come
// out mended, its verdict right, and its record undoubted; what the policy spends
// on average has to agree with what it expected.
//
// HALFSPLIT_CASES=10000 go test ./engine/practice/lesson -run TestBulk -v -timeout 2h
func TestBulk(t *testing.T) {
	count, set := 24, 24
	if n, err := strconv.Atoi(os.Getenv("HALFSPLIT_CASES")); err == nil && n > 0 {
		count, set = n, 50
	}
	began := time.Now()
	done, points, seconds, expected, drawn := 0, 0.0, 0.0, 0.0, 0
	for seed := uint64(1); done < count; seed++ {
		o := small(t, Mixed, min(set, count-done), seed)
		if os.Getenv("HALFSPLIT_CASES") != "" {
			o.Watch = func(n, all int) {
				share := (float64(done) + float64(o.Count)*float64(n)/float64(all)) / float64(count)
				const wide = 40
				bar := strings.Repeat("#", int(share*wide)) + strings.Repeat(".", wide-int(share*wide))
				fmt.Fprintf(os.Stderr, "\r[%s] %5d of %d, %.1f a second ", bar, int(share*float64(count)), count, share*float64(count)/time.Since(began).Seconds())
			}
		}
		c := made(t, o)
		drawn += c.Drawn
		seen := map[string]bool{}
		for _, x := range c.Cases {
			s, err := scoreRecord(x.desk.Case(), x.desk.stage, c.loci, &x.Answer, x.mind, x.desk.Costs)
			if err != nil {
				t.Fatal(err)
			}
			if s.Part != 1 || !s.Mended || len(s.Doubts) > 0 {
				t.Errorf("seed %d, %s: part %v, mended %v, doubts %v", seed, x.key, s.Part, s.Mended, s.Doubts)
			}
			if seen[x.key] {
				t.Errorf("seed %d: %s is there twice", seed, x.key)
			}
			seen[x.key] = true
			points, seconds, expected = points+s.Points, seconds+s.Seconds, expected+s.Optimum
		}
		done += len(c.Cases)
	}
	n := float64(done)
	t.Logf("%d cases out of %d drawn made, solved and scored in %v: %.1f a second; mean points %.1f, bench seconds %.0f, expected %.0f",
		done, drawn, time.Since(began).Round(time.Second), n/time.Since(began).Seconds(), points/n, seconds/n, expected/n)
	if points/n < 90 {
		t.Errorf("the engine's policy scores %.1f by its own measure; want 90 at least", points/n)
	}
}
