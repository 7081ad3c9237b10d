// Package fault says what can go wrong on a board, how likely each fault is
// before any reading, and which sets of faults explain the readings taken.
//
// A Locus is one place and manner of going wrong that has a resistance: a path
// across a capacitor, a resistance in a resistor, a joint. Its Modes cut the
// range of that resistance: a path below 10 ohm is a short, above it a leak;
// a resistance without end is an open. One fault dictionary over the
// resistance serves all modes of a locus.
package fault

import "fmt"

// Mode is a named manner of going wrong.
type Mode uint8

// Modes. Their numbers stand in encrypted practice cases: a new mode of a part or of
// copper takes a new number, and none is given twice.
const (
	Shorted Mode = iota
	Leaky
	Open
	High
	ToSupply
	OpenJoint
	HighJoint
	BrokenTrace
	HighTrace
	Bridged
	Leakage
	Missing
	Missed   // of a reading: the probe missed the pad
	Doubtful // of a known-good value: it is not to be trusted
	UnknownPath
	UnknownBreak
	modes
)

var modeNames = [modes]string{
	"shorted", "leaky", "open", "high resistance", "shorted to supply",
	"open joint", "high-resistance joint", "broken trace", "high-resistance trace", "bridged", "leakage between pins",
	"missing", "probe missed the pad", "known good doubtful", "unknown path", "unknown break",
}

// String is the name in tables, files and JSON.
func (m Mode) String() string {
	if m < modes {
		return modeNames[m]
	}
	return fmt.Sprintf("Mode(%d)", uint8(m))
}

// ParseMode finds a mode by its name.
func ParseMode(name string) (Mode, bool) {
	for m, n := range modeNames {
		if n == name {
			return Mode(m), true
		}
	}
	return 0, false
}

// ModeNames lists the names of all modes that a part or its copper can have.
func ModeNames() []string { return append([]string(nil), modeNames[:Missed]...) }

// Path tells whether the mode adds a path for current rather than taking one
// away.
func (m Mode) Path() bool {
	switch m {
	case Shorted, Leaky, ToSupply, Bridged, Leakage, UnknownPath:
		return true
	}
	return false
}
