package references

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Medians, spreads and counts by hand; unlike meters and polarities stand apart;
// two sweeps of one board count once.
func TestSummaries(t *testing.T) {
	b := testBoard(t)
	volts := func(sample, meter string, current float64, pol Polarity, value float64) *Sweep {
		m := DefaultMeter()
		m.Name, m.TestCurrent = meter, current
		r := PointReading{At: point(t, b, "J7.2"), Name: "J7.2"}
		r.Reading.Value, r.Reading.Overload = value, math.IsNaN(value)
		return &Sweep{File: fmt.Sprint(sample, meter, value), Sample: sample, Meter: m, State: State{Polarity: pol, Celsius: RoomCelsius}, Readings: []PointReading{r}}
	}
	l := NewLibrary(b, []*Sweep{
		volts("1", "a", 1e-3, RedOnGround, 0.450), volts("2", "a", 1e-3, RedOnGround, 0.452), volts("3", "b", 1e-3, RedOnGround, 0.458), volts("4", "b", 1e-3, RedOnGround, math.NaN()),
		volts("2", "b", 1.02e-3, RedOnGround, 0.454), // board 2 again: 0.453 on average
		volts("1", "c", 0.5e-3, RedOnGround, 0.431), volts("1", "a", 1e-3, BlackOnGround, 0.861),
	})
	type row struct {
		At, Net, Like  string
		Polarity       Polarity
		N, Overloads   int
		Median, Spread string
		Meters, Boards []string
	}
	var got []row
	for _, s := range l.SummaryAt(point(t, b, "TP_INT")) {
		got = append(got, row{s.At, s.Net, s.Like, s.Polarity, s.N, s.Overloads, fmt.Sprintf("%.4f", s.Median), fmt.Sprintf("%.4f", s.Spread), s.Meters, s.Samples})
	}
	// Of 0.450, 0.453, 0.458: median 0.453, deviations 3, 0, 5 mV; 1.4826 * 3 mV.
	want := []row{
		{"TP_INT", "TP_INT", "1 mA", RedOnGround, 4, 1, "0.4530", "0.0044", []string{"a", "b"}, []string{"1", "2", "3", "4"}},
		{"TP_INT", "TP_INT", "0.5 mA", RedOnGround, 1, 0, "0.4310", "0.0000", []string{"c"}, []string{"1"}},
		{"TP_INT", "TP_INT", "1 mA", BlackOnGround, 1, 0, "0.8610", "0.0000", []string{"a"}, []string{"1"}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if all := l.Summaries(); len(all) != 3 || all[0].At != "J7.2" {
		t.Errorf("%+v", all)
	}
}

// Libraries of the same boards seldom differ beyond the stated chance; a line that
// moved by 40 mV is called out.
func TestCompare(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 70))}
	places, called := 0, 0
	for range 200 {
		for _, c := range Compare(NewLibrary(b.board, b.sweeps(6, RedOnGround)), NewLibrary(b.board, b.sweeps(6, RedOnGround))) {
			if c.A.N > 0 && c.B.N > 0 {
				places++
				if c.Chance < 0.01 {
					called++
				}
			}
		}
	}
	share := float64(called) / float64(places)
	t.Logf("%d places of like libraries, %.2f %% differ at a chance of 1 %%", places, 100*share)
	if share > 0.02 {
		t.Errorf("%.4f of like places differ at a chance of 0.01", share)
	}
	var moved []*Sweep
	for range 6 {
		moved = append(moved, b.sweep(RedOnGround, func(name string, v float64) float64 {
			if name == "J7.3" {
				return v + 0.040
			}
			return v
		}))
	}
	list := Compare(NewLibrary(b.board, b.sweeps(6, RedOnGround)), NewLibrary(b.board, moved))
	i := slices.IndexFunc(list, func(c Contrast) bool { return c.At == "J7.3" })
	if i < 0 || list[i].Chance > 1e-4 || list[i].Differ < 0.99 {
		t.Errorf("moved by 40 mV: %+v", list)
	}
}
