package main

import (
	"math"
	"time"

	"halfsplit/engine/bench"
	"halfsplit/netlist/quantity"
)

// still tells when the display of a meter that sends all the time has held still, so
// that what it shows while the probe moves is not a reading. OL never counts so: the
// display holds at OL while the probe is in the air, too, and nobody can tell which it
// is; OL is entered by a key.
type still struct {
	span float64       // volts between the least and the greatest value
	hold time.Duration // for which they have to stay within it; 0 takes every line

	low, high float64
	unit      quantity.Unit
	since     time.Time // zero where nothing holds
	wrong     bool      // the last line was no reading
	given     bool      // it has counted; the probe has to be removed before the next
}

// stillOhms is how far resistances may vary, as a share and in ohms (common practice,
// no source).
const (
	stillShare = 0.02
	stillOhms  = 0.2
)

// programHold is for how long the lines of a measuring program have to hold still where
// nothing else is said: it sends all the time (common practice, no source).
const programHold = 600 * time.Millisecond

// counts tells whether a line that came at a time is a reading. Lines that are none
// count, the first of several, so that somebody is told of them.
func (s *still) counts(line string, at time.Time) bool {
	if s.hold <= 0 {
		return true
	}
	r, err := bench.ParseMeterLine(line)
	switch {
	case err != nil:
		s.since = time.Time{}
		again := s.wrong
		s.wrong = true
		return !again
	case r.Overload:
		s.since, s.wrong = time.Time{}, false
		return false
	}
	s.wrong = false
	span := s.span
	if r.Unit == quantity.Ohm {
		span = math.Max(stillOhms, stillShare*math.Abs(r.Value))
	}
	low, high := math.Min(s.low, r.Value), math.Max(s.high, r.Value)
	if s.since.IsZero() || r.Unit != s.unit || high-low > span {
		s.low, s.high, s.unit, s.since, s.given = r.Value, r.Value, r.Unit, at, false
		return false
	}
	s.low, s.high = low, high
	if s.given || at.Sub(s.since) < s.hold {
		return false
	}
	s.given = true
	return true
}
