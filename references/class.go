package references

import (
	"fmt"
	"math"
)

// class holds what two sweeps must share for their readings to be compared as
// they stand.
type class struct {
	source SourceKind
	// current is the test current in steps of 10 %, counted from 1 mA so that
	// meters of that name stand in one step: within it a junction moves by
	// n*Vt*ln(1.1), about 4 mV.
	current  int
	polarity Polarity
}

func classOf(s *Sweep) class {
	step := int(math.Round(math.Log(s.Meter.TestCurrent/1e-3) / math.Log(1.1)))
	return class{s.Meter.Source, step, s.State.Polarity}
}

// words is the sort of meter, for people: "1 mA", "0.3 mA resistive".
func (c class) words() string {
	// The steps are not round numbers; what is within 5 % of one is called so.
	current := math.Pow(1.1, float64(c.current))
	unit := math.Pow(10, math.Floor(math.Log10(current)))
	if round := math.Round(current/unit) * unit; math.Abs(round/current-1) < 0.05 {
		current = round
	}
	text := fmt.Sprintf("%.2g mA", current)
	if c.source == Resistive {
		text += " resistive"
	}
	return text
}

// roomVolts is a reading converted to RoomCelsius, NaN for OL. Only readings in
// the range of junctions are moved.
func roomVolts(s *Sweep, r PointReading) float64 {
	v := r.Reading.Value
	switch {
	case r.Reading.Overload:
		return math.NaN()
	case v > 0.25 && v < 1.2:
		return v - junctionDrift*(s.State.Celsius-RoomCelsius)
	}
	return v
}
