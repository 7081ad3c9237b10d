package references

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// By hand: nothing read, 1.96 * 60 mV; one board of 0.500 V, t(0.975, 4) = 2.776 (NIST/
// SEMATECH e-Handbook 1.3.6.7.2) times the default 6 mV times sqrt(1+1/1) = 23.6 mV; two
// boards alike, where the spread comes to sqrt(4/5)*6 mV: 2.571 * 5.37 * sqrt(1+1/2) =
// 16.9 mV, and with a third 2.447 * 5.37 * sqrt(1+1/3) = 15.2 mV.
func TestHalfWidths(t *testing.T) {
	for _, test := range []struct {
		name      string
		known     Predictive
		now, next float64
	}{
		{"nothing", Predictive{}, 0.1176, 0.02356},
		{"one board", Predict([]float64{0.5}, 0), 0.02356, 0.01889},
		{"two boards", Predict([]float64{0.5, 0.5}, 0), 0.01690, 0.01517},
		{"OL alone", Predict(nil, 3), 0, 0},
	} {
		now, next := test.known.halfWidths()
		if math.Abs(now-test.now) > 2e-5 || math.Abs(next-test.next) > 2e-5 {
			t.Errorf("%s: %.5f and then %.5f V, want %.5f and %.5f", test.name, now, next, test.now, test.next)
		}
	}
}

// What nobody has read comes first, of whichever revision, and what is well known last;
// ground and pins that read OL are no work.
func TestReadNext(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 70))}
	old := b.sweeps(3, RedOnGround)
	for i, s := range old {
		for k := len(s.Readings) - 1; k >= 0; k-- {
			if s.Readings[k].Name == "J7.7" && i > 0 { // on one board only
				s.Readings = append(s.Readings[:k], s.Readings[k+1:]...)
			}
		}
	}
	next := *b.board
	next.Revision = "D"
	type piece struct {
		Revision, Connector string
		Pins, Boards        int
	}
	var got []piece
	last := math.Inf(1)
	for _, r := range ReadNext([]*Library{NewLibrary(b.board, old), NewLibrary(&next, nil)}) {
		got = append(got, piece{r.Library.Revision, r.Connector, len(r.Pins), r.Boards})
		if gain := r.HalfWidth - r.Next; gain > last || gain <= 0 {
			t.Errorf("%+v gains %g V after %g V", r, gain, last)
		} else {
			last = gain
		}
	}
	want := []piece{{"D", "J7", 7, 0}, {"D", "J3", 5, 0}, {"C", "J7", 1, 1}, {"C", "J7", 5, 3}, {"C", "J3", 5, 3}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A sort of meter that shares no board with another is named; one board read with both
// joins them.
func TestApart(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 71))}
	sweeps := b.sweeps(3, RedOnGround)
	if got := NewLibrary(b.board, sweeps).Apart(); got != nil {
		t.Errorf("one sort of meter: %v", got)
	}
	low := b.sweep(RedOnGround, nil)
	low.Meter.TestCurrent = 0.5e-3
	if diff := cmp.Diff([]string{"0.5 mA", "1 mA"}, NewLibrary(b.board, append(sweeps, low)).Apart()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	low.Sample = sweeps[0].Sample
	if got := NewLibrary(b.board, append(sweeps, low)).Apart(); len(got) > 0 {
		t.Errorf("joined by one board: %v", got)
	}
}

// Two revisions are compared by what is called alike, also where a point has become one
// of another net.
func TestCompareRevisions(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 72))}
	next := *b.board
	next.Revision = "D"
	changed := func(name string, v float64) float64 {
		if name == "J7.4" {
			return v + 0.08
		}
		return v
	}
	var later []*Sweep
	for range 4 {
		later = append(later, b.sweep(RedOnGround, changed))
	}
	both, differ := 0, []string{}
	for _, c := range Compare(NewLibrary(b.board, b.sweeps(4, RedOnGround)), NewLibrary(&next, later)) {
		if c.A.N > 0 && c.B.N > 0 {
			both++
			if c.Differ > 0.9 {
				differ = append(differ, c.At)
			}
		}
	}
	if both != 13 || !cmp.Equal(differ, []string{"J7.4"}) {
		t.Errorf("%d places in both, want 13; differ: %v, want J7.4", both, differ)
	}

	// Two nets of the one revision are one net of the other.
	library := func(pins string) *Library {
		board, err := netlist.Parse(strings.NewReader("board: X\nground: GND\nconnectors:\n  J1: {pins: {"+pins+"}}\n"), "x.yaml")
		if err != nil {
			t.Fatal(err)
		}
		s := &Sweep{Meter: DefaultMeter()}
		for _, name := range []string{"J1.2", "J1.3"} {
			s.Readings = append(s.Readings, PointReading{At: point(t, board, name), Name: name, Reading: quantity.Reading{Value: 0.5, Unit: quantity.Volt}})
		}
		return NewLibrary(board, []*Sweep{s})
	}
	for _, c := range Compare(library("1: GND, 2: A, 3: B"), library("1: GND, 2: A, 3: A")) {
		if c.A.N != 1 || c.B.N != 1 {
			t.Errorf("%s: %d boards and %d", c.At, c.A.N, c.B.N)
		}
	}
}
