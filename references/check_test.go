package references

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"

	"github.com/google/go-cmp/cmp"
)

// truth is what the invented board reads on average, red on ground and black on
// ground, in volts; NaN for OL.
var truth = map[string][2]float64{
	"J7.1": {0, 0}, "J7.2": {0.452, 0.861}, "J7.3": {0.519, 1.204}, "J7.4": {0.517, 1.199}, "J7.5": {0.371, 0.644},
	"J7.6": {math.NaN(), math.NaN()}, "J7.7": {0.588, 1.41}, "J7.8": {0.496, math.NaN()}, "J7.9": {0, 0}, "J7.10": {math.NaN(), math.NaN()},
	"J3.1": {0.443, 0.902}, "J3.2": {0.561, 1.093}, "J3.3": {0.558, 1.088}, "J3.4": {0, 0}, "J3.5": {0.047, 0.047}, "J3.6": {0.371, 0.644},
}

// bench takes sweeps of invented good boards.
type bench struct {
	t      *testing.T
	board  *netlist.Board
	random *rand.Rand
	made   int
}

// sweep reads every pin of one good board: readings scatter by DefaultSpread
// from board to board, those on one net only by their contacts, and move together
// by 3 mV (warmth); each meter has a gain error within its accuracy, and the display
// rounds. mutate, where given, maps the truth to what the mistake makes of it.
func (b *bench) sweep(pol Polarity, mutate func(name string, volts float64) float64) *Sweep {
	b.made++
	s := &Sweep{
		File: fmt.Sprintf("s%02d.yaml", b.made), Board: "Kestrel K3", Revision: "C", Sample: fmt.Sprint(b.made),
		Meter: DefaultMeter(), State: State{Polarity: pol, Celsius: 23},
	}
	together := 0.003 * b.random.NormFloat64()
	gain := 1 + s.Meter.Gain*(2*b.random.Float64()-1)
	names := make([]string, 0, len(truth))
	for name := range truth {
		names = append(names, name)
	}
	slices.Sort(names)
	away := make(map[netlist.NetID]float64) // of a net, in standard deviations
	for _, name := range names {
		at, volts := point(b.t, b.board, name), truth[name][pol]
		if mutate != nil {
			volts = mutate(name, volts)
		}
		if volts > 0.2 {
			volts += together
		}
		z, known := away[at.Net]
		if !known || at.Net == netlist.None {
			z = b.random.NormFloat64()
			away[at.Net] = z
		}
		// The default spread has the contact in it.
		spread := DefaultSpread(volts)
		volts += math.Sqrt(spread*spread-ContactSD*ContactSD)*z + ContactSD*b.random.NormFloat64()
		volts = math.Round(gain*volts*1000) / 1000
		reading := quantity.Reading{Value: volts, Unit: quantity.Volt}
		if math.IsNaN(volts) || volts > s.Meter.Over {
			reading = quantity.Reading{Overload: true, Unit: quantity.Volt}
		}
		s.Readings = append(s.Readings, PointReading{At: at, Name: name, Reading: reading})
	}
	return s
}

func (b *bench) sweeps(n int, pol Polarity) []*Sweep {
	var list []*Sweep
	for range n {
		list = append(list, b.sweep(pol, nil))
	}
	return list
}

// graver leaves out the notes.
func graver(findings []Finding) []Finding {
	return slices.DeleteFunc(findings, func(f Finding) bool { return f.Severity == SeverityNote })
}

// Good sweeps are left in peace: the check aims at one sweep in a hundred for
// outliers and six in a thousand for everything else.
func TestCheckFalseAlarms(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 1))}
	for _, boards := range []int{3, 5, 10, 30} {
		sweeps, alarms := 0, 0
		kinds := map[string]int{}
		for sweeps < 3000 {
			l := NewLibrary(b.board, b.sweeps(boards, RedOnGround))
			sweeps += boards
			hit := map[string]bool{}
			for _, f := range graver(l.Check()) {
				hit[f.Sweep] = true
				kinds[f.Kind]++
			}
			alarms += len(hit)
		}
		t.Logf("%d boards: %.2f %% of good sweeps called up, %v", boards, 100*float64(alarms)/float64(sweeps), kinds)
		if share := float64(alarms) / float64(sweeps); share > 0.02 {
			t.Errorf("%d boards: %.4f of good sweeps called up, want at most 0.02", boards, share)
		}
	}
}

// Planted mistakes are found and named, and nothing is said of the other sweeps.
func TestCheckFindsMistakes(t *testing.T) {
	pin := func(name string, from func(connector string, pin, n int) string) float64 {
		connector, number, _ := strings.Cut(name, ".")
		var k int
		fmt.Sscan(number, &k)
		n := map[string]int{"J7": 10, "J3": 6}[connector]
		if v, ok := truth[from(connector, k, n)]; ok {
			return v[RedOnGround]
		}
		return math.NaN()
	}
	tests := []struct {
		name   string
		mutate func(name string, volts float64) float64
		kind   string
		at     string
		found  float64 // share of cases in which it must be found
	}{
		{"an outlier of 60 mV", func(name string, v float64) float64 {
			if name == "J7.4" {
				return v + 0.060
			}
			return v
		}, KindOutlier, "J7.4", 0.8},
		{"OL where others read a drop", func(name string, v float64) float64 {
			if name == "J3.2" {
				return math.NaN()
			}
			return v
		}, KindOutlier, "J3.2", 0.99},
		{"a drop where others read OL", func(name string, v float64) float64 {
			if name == "J7.6" {
				return 0.58
			}
			return v
		}, KindOutlier, "J7.6", 0.99},
		{"J7 one pin on", func(name string, v float64) float64 {
			if !strings.HasPrefix(name, "J7") {
				return v
			}
			return pin(name, func(c string, k, n int) string { return fmt.Sprintf("%s.%d", c, k+1) })
		}, KindLayout, "J7", 0.97},
		{"J3 one pin back", func(name string, v float64) float64 {
			if !strings.HasPrefix(name, "J3") {
				return v
			}
			return pin(name, func(c string, k, n int) string { return fmt.Sprintf("%s.%d", c, k-1) })
		}, KindLayout, "J3", 0.95},
		{"J7 from the other end", func(name string, v float64) float64 {
			if !strings.HasPrefix(name, "J7") {
				return v
			}
			return pin(name, func(c string, k, n int) string { return fmt.Sprintf("%s.%d", c, n+1-k) })
		}, KindLayout, "J7", 0.99},
		{"J7.2 and J7.3 exchanged", func(name string, v float64) float64 {
			switch name {
			case "J7.2":
				return truth["J7.3"][RedOnGround]
			case "J7.3":
				return truth["J7.2"][RedOnGround]
			}
			return v
		}, KindSwap, "J7.2, J7.3", 0.95},
		{"probes exchanged", func(name string, v float64) float64 { return truth[name][BlackOnGround] }, KindPolarity, "", 0.99},
		{"25 mV too high", func(name string, v float64) float64 {
			if v > 0.2 {
				return v + 0.025
			}
			return v
		}, KindDrift, "", 0.9},
		{"5 % too low", func(name string, v float64) float64 { return v * 0.95 }, KindDrift, "", 0.9},
		{"another board", func(name string, v float64) float64 {
			away := map[string]float64{"J7.2": 0.09, "J7.3": -0.07, "J7.5": 0.12, "J7.8": 0.06, "J3.2": -0.11, "J3.6": 0.08}
			return v + away[name]
		}, KindUnusual, "", 0.9},
		{"battery in", batteryIn, KindUnusual, "", 0.95},
	}
	const trials = 200
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 2))}
	for _, test := range tests {
		found, collateral := 0, 0
		other := map[string]int{}
		for range trials {
			sweeps := b.sweeps(5, RedOnGround)
			bad := b.sweep(RedOnGround, test.mutate)
			for _, f := range graver(NewLibrary(b.board, append(sweeps, bad)).Check()) {
				switch {
				case f.Sweep == bad.File && f.Kind == test.kind && f.At == test.at:
					found++
				case f.Sweep == bad.File:
					other[f.Kind+" "+f.At]++
				default:
					collateral++
				}
			}
		}
		t.Logf("%s: found in %d of %d, said something else %v, other sweeps blamed %d", test.name, found, trials, other, collateral)
		if float64(found) < test.found*trials {
			t.Errorf("%s: found in %d of %d cases, want %g", test.name, found, trials, test.found*trials)
		}
		if collateral > trials*5*2/100 {
			t.Errorf("%s: %d findings on the five good sweeps of %d libraries", test.name, collateral, trials)
		}
	}
}

// With sweeps of the other polarity at hand the mistake is known by their
// readings, both ways.
func TestCheckPolarityBothWays(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 3))}
	red, black := b.sweeps(4, RedOnGround), b.sweeps(4, BlackOnGround)
	red[1].State.Polarity, black[2].State.Polarity = BlackOnGround, RedOnGround
	var got []string
	for _, f := range graver(NewLibrary(b.board, append(red, black...)).Check()) {
		got = append(got, f.Sweep+" "+f.Kind+": "+f.Seen)
	}
	want := []string{
		"s02.yaml wrong polarity: says black-on-ground but reads as if taken red-on-ground",
		"s07.yaml wrong polarity: says red-on-ground but reads as if taken black-on-ground",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Two pins of the ground net always read 0 mV and 2 mV on fifty boards: that is
// contact, and no outlier.
func TestCheckPinsOfOneNet(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 9))}
	sweeps := b.sweeps(50, RedOnGround)
	for _, s := range sweeps {
		for i := range s.Readings {
			switch s.Readings[i].Name {
			case "J7.1":
				s.Readings[i].Reading.Value = 0.002
			case "J7.9":
				s.Readings[i].Reading.Value = 0
			}
		}
	}
	for _, f := range graver(NewLibrary(b.board, sweeps).Check()) {
		if f.At == "J7.1" || f.At == "J7.9" {
			t.Errorf("%+v", f)
		}
	}
}

// A warm board is no drift where the file says how warm, and is one where it
// does not.
func TestCheckTemperature(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 4))}
	sweeps := b.sweeps(5, RedOnGround)
	warm := b.sweep(RedOnGround, func(_ string, v float64) float64 {
		if v > 0.2 {
			return v - 0.0018*17
		}
		return v
	})
	warm.State.Celsius = 40
	l := NewLibrary(b.board, append(sweeps, warm))
	if got := graver(l.Check()); len(got) != 0 {
		t.Errorf("said to be warm: %+v", got)
	}
	warm.State.Celsius = 23
	if got := graver(l.Check()); len(got) != 1 || got[0].Kind != KindDrift || got[0].Sweep != warm.File {
		t.Errorf("not said to be warm: %+v", got)
	}
}

// A board of another revision is named as such where the folder holds sweeps of
// that revision, though they are set aside.
func TestCheckRevision(t *testing.T) {
	board := testBoard(t)
	b := &bench{t: t, board: board, random: rand.New(rand.NewPCG(7, 8))}
	dir := t.TempDir()
	put := func(s *Sweep) {
		var text strings.Builder
		if err := s.Write(&text); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, s.File), text.String())
	}
	away := map[string]float64{"J7.2": 0.09, "J7.3": -0.07, "J7.8": 0.06, "J3.2": -0.11}
	revisionB := func(name string, v float64) float64 { return v + away[name] }
	for range 4 {
		put(b.sweep(RedOnGround, nil))
		s := b.sweep(RedOnGround, revisionB)
		s.Revision = "B"
		put(s)
	}
	mixed := b.sweep(RedOnGround, revisionB) // says C
	put(mixed)
	l, err := LoadLibrary(dir, board)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range graver(l.Check()) {
		got = append(got, filepath.Base(f.Sweep)+" "+f.Kind+": "+f.Seen)
	}
	want := []string{mixed.File + " wrong revision: says revision `C` but reads like revision `B`"}
	if diff := cmp.Diff(want, got); diff != "" || len(l.Sweeps) != 5 || len(l.Skipped) != 4 {
		t.Errorf("%d sweeps, %d skipped (-want +got):\n%s", len(l.Sweeps), len(l.Skipped), diff)
	}
}

func TestCheckFacts(t *testing.T) {
	board := testBoard(t)
	b := &bench{t: t, board: board, random: rand.New(rand.NewPCG(7, 5))}
	list := func(findings []Finding) []string {
		var lines []string
		for _, f := range findings {
			lines = append(lines, fmt.Sprintf("%s|%s|%s|%s|%s", f.Severity, f.Kind, f.Sweep, f.At, f.Seen))
			if f.Do == "" || !(f.Confidence > 0 && f.Confidence <= 1) {
				t.Errorf("finding without advice or confidence: %+v", f)
			}
		}
		return lines
	}

	// A copied file, a pin that nobody read, one read on a single board.
	sweeps := b.sweeps(3, RedOnGround)
	copied := *sweeps[1]
	copied.File, copied.Sample = "copy.yaml", "99"
	sweeps = append(sweeps, &copied)
	for i, s := range sweeps {
		s.Readings = slices.DeleteFunc(slices.Clone(s.Readings), func(r PointReading) bool {
			return r.Name == "J7.7" || r.Name == "J3.1" && i != 0
		})
	}
	want := []string{
		"doubt|duplicate|copy.yaml||has the same 14 readings as s02.yaml",
		"note|gap||J7|1 of 9 pins were never read red-on-ground: J7.7",
		"note|few boards||J3|1 of 6 pins were read red-on-ground on fewer than 3 boards, the least on 1: J3.1",
	}
	if diff := cmp.Diff(want, list(NewLibrary(board, sweeps).Check())); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}

	// One sweep alone: nothing to compare with.
	alone := b.sweep(RedOnGround, nil)
	want = []string{
		"note|few boards||J7|9 of 9 pins were read red-on-ground on fewer than 3 boards, the least on 1: J7.1, J7.2, J7.3, J7.4, J7.5, J7.6, J7.7, J7.8 and 1 more",
		"note|few boards||J3|6 of 6 pins were read red-on-ground on fewer than 3 boards, the least on 1: J3.1, J3.2, J3.3, J3.4, J3.5, J3.6",
		"note|not compared|" + alone.File + "||fewer than 2 other boards were read red-on-ground with a comparable meter",
	}
	if diff := cmp.Diff(want, list(NewLibrary(board, []*Sweep{alone}).Check())); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}

	// Lines said to be alike that are not: 0.452 V and 0.519 V. Lines that are:
	// 0.519 V and 0.517 V.
	lines := func(names ...string) (group []netlist.NetID) {
		for _, name := range names {
			id, err := board.NetByName(name)
			if err != nil {
				t.Fatal(err)
			}
			group = append(group, id)
		}
		return group
	}
	odd := *board
	odd.Matched = [][]netlist.NetID{lines("TP_SDA", "TP_SCL"), lines("TP_SDA", "TP_INT"), lines("TP_RST", "TP_INT")}
	var unlike []string
	for _, f := range NewLibrary(&odd, b.sweeps(4, RedOnGround)).Check() {
		if f.Kind == KindUnlike {
			unlike = append(unlike, f.At)
		}
	}
	if diff := cmp.Diff([]string{"TP_INT", "TP_INT"}, unlike); diff != "" {
		t.Errorf("unlike (-want +got):\n%s", diff)
	}
	// A new revision begins with what to read.
	want = []string{
		"note|gap||J7|9 of 9 pins were never read red-on-ground: J7.1, J7.2, J7.3, J7.4, J7.5, J7.6, J7.7, J7.8 and 1 more",
		"note|gap||J3|6 of 6 pins were never read red-on-ground: J3.1, J3.2, J3.3, J3.4, J3.5, J3.6",
	}
	if diff := cmp.Diff(want, list(NewLibrary(board, nil).Check())); diff != "" {
		t.Errorf("empty library (-want +got):\n%s", diff)
	}
}

func BenchmarkCheck(bb *testing.B) {
	b := &bench{t: &testing.T{}, board: testBoard(bb), random: rand.New(rand.NewPCG(7, 6))}
	l := NewLibrary(b.board, b.sweeps(1000, RedOnGround))
	for bb.Loop() {
		l.Check()
	}
}

// A watched check tells how far it is, in order and over all groups, and finds the
// same.
func TestCheckWatched(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 23))}
	var sweeps []*Sweep
	for i := range 900 {
		s := b.sweep(RedOnGround, nil)
		if i%3 == 0 {
			s.Meter.TestCurrent = 0.3e-3 // a group of its own
		}
		sweeps = append(sweeps, s)
	}
	l := NewLibrary(b.board, sweeps)
	var seen []int
	found := l.CheckWatched(func(done, total int) {
		if total != len(sweeps) {
			t.Errorf("%d in all, want %d", total, len(sweeps))
		}
		seen = append(seen, done)
	})
	if !slices.IsSorted(seen) || len(seen) < 4 || seen[len(seen)-1] >= len(sweeps) {
		t.Errorf("told %v of %d", seen, len(sweeps))
	}
	if diff := cmp.Diff(l.Check(), found); diff != "" {
		t.Errorf("(-unwatched +watched):\n%s", diff)
	}
}

// Two points of one net that read unlike in one sweep are reported, though there is
// nothing else to compare with.
func TestCheckOneNetTwice(t *testing.T) {
	b := testBoard(t)
	for _, test := range []struct {
		readings string
		want     []string
	}{
		{"J7.2: 0.452, TP_INT: 0.463", nil},
		{"J7.2: OL, TP_INT: OL", nil},
		{"J7.2: 0.452, TP_INT: 0.480", []string{"J7.2, TP_INT read 0.452 and 0.480, though both lie on `TP_INT`"}},
		{"J7.2: OL, TP_INT: 0.452", []string{"J7.2, TP_INT read OL and 0.452, though both lie on `TP_INT`"}},
	} {
		dir := t.TempDir()
		write(t, filepath.Join(dir, "a.yaml"), sweepText("1", "", test.readings))
		l, err := LoadLibrary(dir, b)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, f := range l.Check() {
			if f.Kind == KindTwice {
				got = append(got, f.At+" "+f.Seen)
			}
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.readings, diff)
		}
	}
}

// One board that two meters read on two days is one board; two boards under one name
// are not.
func TestCheckNamesakes(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 61))}
	const trials = 1000
	said := map[string]int{}
	for range trials {
		first := b.sweep(RedOnGround, nil)
		first.Meter.Name = "one"
		again := *first
		again.File, again.Meter.Name, again.Readings = "again.yaml", "two", nil
		gain, warm := 1+0.005*(2*b.random.Float64()-1), 0.006*b.random.NormFloat64()
		for _, r := range first.Readings {
			if r.Reading.Value > 0.2 {
				r.Reading.Value = math.Round(1000*(gain*(r.Reading.Value+warm)+math.Sqrt2*ContactSD*b.random.NormFloat64())) / 1000
			}
			again.Readings = append(again.Readings, r)
		}
		other := b.sweep(RedOnGround, nil)
		other.Sample, other.Meter.Name = first.Sample, "one"
		for name, s := range map[string]*Sweep{"one board": &again, "two boards": other} {
			said[name] += len(NewLibrary(b.board, []*Sweep{first, s}).namesakes())
		}
	}
	t.Logf("of %d: %v", trials, said)
	if said["one board"] > trials/100 || said["two boards"] < trials*9/10 {
		t.Errorf("called two boards: %v of %d, want at most 1 %% of the one board and 90 %% of the two", said, trials)
	}
}
