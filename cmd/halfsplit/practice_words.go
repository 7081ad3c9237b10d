package main

import (
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	lessons "halfsplit/engine/practice/lesson"
)

// bestTime is the best known time of a board.
func bestTime(best *float64) string {
	if best == nil {
		return "not known"
	}
	return wording.Duration(*best)
}

// saidWords is a student's verdict.
func saidWords(x *lessons.Score) string {
	switch {
	case !x.Closed:
		return "nothing yet"
	case len(x.Said) == 0:
		return "nothing wrong"
	}
	return prose(strings.Join(x.Said, " and ") + "; " + x.Remedy)
}

// justified is the probability that the readings gave to a verdict, "" before there is
// one.
func justified(x *lessons.Score) string {
	if x.Justified == nil {
		return ""
	}
	return wording.Percent(*x.Justified)
}

// wayless says why there is no best way.
func wayless(x *lessons.Score) string {
	if x.Way == nil {
		return "No way is known that repairs this board; what is wrong stands on the answer sheet."
	}
	return "Nothing is to be done: the board is good, as its sheet says."
}
