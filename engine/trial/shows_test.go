package trial

import (
	"math"

	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// goodBoards is how many good boards of a type are drawn to learn how far their
// readings lie apart.
const goodBoards = 24

// plainness tells how plainly the faults of a trial show, whatever an engine makes
// of them: the largest change that they make to a reading, in standard deviations
// of what the library lets one predict of a good board there,
//
//	|with the faults - without| / (s sqrt(1 + 1/n))
//
// where s is the spread of good boards of the type and of meters of the kind, and n
// the good boards in the library. It is +Inf where one of the two reads OL. Pins
// that no good board was read at in that polarity do not count.
func plainness(tr *recorded.Trial) (float64, error) {
	boards := map[references.Polarity]float64{}
	for _, s := range tr.Library {
		boards[s.State.Polarity]++
	}
	faulty := tr.Simulator()
	good := recorded.NewSimulator(tr.Good(), faulty.Meter)
	type moved struct {
		r                     recorded.TrialReading
		change                float64
		sum, squares, showing float64
	}
	var pins []moved
	for _, r := range tr.Readings {
		if r.At.Net == netlist.None || boards[r.Polarity] == 0 {
			continue
		}
		without, err := good.Read(r.At, r.Polarity, netlist.Edits{})
		if err != nil {
			return 0, err
		}
		if r.Reading.Overload != without.Overload {
			return math.Inf(1), nil
		}
		if change := math.Abs(r.Reading.Value - without.Value); !without.Overload && change > 5e-3 {
			pins = append(pins, moved{r: r, change: change})
		}
	}
	for i := range uint64(goodBoards) {
		other := practice.Simulator{Board: another(tr, i), Meter: practice.NewMeter(faulty.Meter.Declared, i)}
		for k := range pins {
			p := &pins[k]
			v, err := other.Read(p.r.At, p.r.Polarity, netlist.Edits{})
			if err != nil {
				return 0, err
			}
			if !v.Overload {
				p.sum, p.squares, p.showing = p.sum+v.Value, p.squares+v.Value*v.Value, p.showing+1
			}
		}
	}
	most := 0.0
	for _, p := range pins {
		s := math.Sqrt(math.Max(p.squares-p.sum*p.sum/p.showing, 0) / (p.showing - 1))
		s *= math.Sqrt(1 + 1/boards[p.r.Polarity])
		most = math.Max(most, p.change/math.Hypot(s, leastSpread))
	}
	return most, nil
}

// leastSpread keeps a pin that reads the same on all boards from telling without
// end, in volts: half a step of the display.
const leastSpread = 5e-4

// another draws one more good board of a trial's type, as warm as the trial's.
func another(t *recorded.Trial, seed uint64) *practice.Board {
	return t.Truth.Sample(practice.Random(t.Sample, "another").Uint64()+seed, t.Celsius)
}
