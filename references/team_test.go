package references

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Five meters with errors of their own, boards passed from bench to bench: the
// estimate comes as close as it says. In 400 teams the true error of a meter at
// 0.5 V lies in the stated 95 % interval 93 to 97 % of the time (2,000 meters:
// one standard deviation of that share is 0.5 %).
func TestEstimateMetersCoverage(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 20))
	inside, total := 0, 0
	var squares float64
	for range 400 {
		sheet := DefaultMeter()
		const meters = 5
		offset, gain := make([]float64, meters), make([]float64, meters)
		for m := range meters {
			// Within the data sheet, as the estimator's prior has it.
			offset[m] = (sheet.Counts + 0.5) * sheet.Resolution / math.Sqrt(3) * random.NormFloat64()
			gain[m] = sheet.Gain / math.Sqrt(3) * random.NormFloat64()
		}
		var list []Overlap
		for board := range 6 {
			for pin := range 12 {
				truth := 0.3 + 0.03*float64(pin) + 0.006*random.NormFloat64()
				for m := range meters {
					if (board+m)%3 == 0 {
						continue // not every board comes to every bench
					}
					v := truth + ContactSD*random.NormFloat64()
					v += offset[m] + gain[m]*v
					list = append(list, Overlap{Meter: fmt.Sprint(m), Sheet: sheet, Cell: fmt.Sprint(board, "/", pin), Volts: math.Round(v*1000) / 1000})
				}
			}
		}
		for m, b := range EstimateMeters(list) {
			bias, u := b.At(0.5)
			off := bias - (offset[m] + gain[m]*0.5)
			squares += off * off
			total++
			if math.Abs(off) < 1.96*u {
				inside++
			}
		}
	}
	share := float64(inside) / float64(total)
	t.Logf("%d meters: root mean square error %.2f mV at 0.5 V, %.1f %% inside the 95 %% interval", total, 1000*math.Sqrt(squares/float64(total)), 100*share)
	if share < 0.93 || share > 0.97 {
		t.Errorf("%.3f inside, want 0.93 to 0.97", share)
	}
	if rms := math.Sqrt(squares / float64(total)); rms > 0.0015 {
		t.Errorf("root mean square error %.2g V, want at most 1.5 mV", rms)
	}
}

// Between two meters the difference is what counts, and outliers do not pull it.
func TestEstimateMetersSlips(t *testing.T) {
	sheet := DefaultMeter()
	var list []Overlap
	for pin := range 30 {
		v := 0.4 + 0.01*float64(pin)
		high := v + 0.020
		if pin%10 == 0 {
			high = 1.9 // an outlier
		}
		list = append(list,
			Overlap{Meter: "a", Sheet: sheet, Cell: fmt.Sprint(pin), Volts: v},
			Overlap{Meter: "b", Sheet: sheet, Cell: fmt.Sprint(pin), Volts: high},
			Overlap{Meter: "alone", Sheet: sheet, Cell: fmt.Sprint("alone", pin), Volts: v})
	}
	got := EstimateMeters(list, "b")
	if len(got) != 2 || got[0].Meter != "a" || got[1].Meter != "b" || got[1].Readings != 30 {
		t.Fatalf("%+v", got)
	}
	a, _ := got[0].At(0.5)
	b, u := got[1].At(0.5)
	if math.Abs(b-a-0.020) > 0.003 || !(u > 0) {
		t.Errorf("b reads %.1f mV above a, want 20 mV within 3 mV", 1000*(b-a))
	}
	if EstimateMeters(nil) != nil {
		t.Error("something from nothing")
	}
}

// A library of boards that two benches read tells which meter stands apart, and
// stays silent where both are within their data sheets.
func TestCheckMeters(t *testing.T) {
	for _, test := range []struct {
		off  float64 // volts, of the third meter
		want int
	}{{0, 0}, {0.004, 0}, {0.030, 1}} {
		b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 21))}
		var sweeps []*Sweep
		for range 6 {
			s := b.sweep(RedOnGround, nil)
			s.Meter.Name = "one"
			sweeps = append(sweeps, s)
			for name, off := range map[string]float64{"two": 0.001, "three": test.off} {
				c := *s
				c.File, c.Meter.Name, c.Readings = s.File+name, name, nil
				for _, r := range s.Readings {
					if !r.Reading.Overload {
						r.Reading.Value += off
					}
					c.Readings = append(c.Readings, r)
				}
				sweeps = append(sweeps, &c)
			}
		}
		found := NewLibrary(b.board, sweeps).meterFindings()
		if len(found) != test.want || test.want == 1 && found[0].At != "three" {
			t.Errorf("%g mV off: %+v", 1000*test.off, found)
		}
	}
}

// Of a large library some boards are looked at, and a meter that met the others on
// a single board is among them nevertheless.
func TestOverlapsOfManyBoards(t *testing.T) {
	b := &bench{t: t, board: testBoard(t), random: rand.New(rand.NewPCG(7, 22))}
	var sweeps []*Sweep
	for board := range 1000 {
		s := b.sweep(RedOnGround, nil)
		s.Sample, s.Meter.Name = fmt.Sprint(board), "one"
		again := *s
		again.Meter.Name = "two"
		if board == 500 {
			again.Meter.Name = "seldom seen"
		}
		sweeps = append(sweeps, s, &again)
	}
	list := NewLibrary(b.board, sweeps).Overlaps(nil)
	if most := enoughReadings + 4*len(sweeps[0].Readings); len(list) > most || len(list) < enoughReadings/2 {
		t.Errorf("%d readings, want at most %d", len(list), most)
	}
	var names []string
	for _, m := range EstimateMeters(list) {
		names = append(names, m.Meter)
	}
	if diff := cmp.Diff([]string{"one", "seldom seen", "two"}, names); diff != "" {
		t.Errorf("meters (-want +got):\n%s", diff)
	}
}
