package document

import (
	"slices"
	"strings"
)

// maxNearest is the longest name, in characters, that Nearest compares; longer
// ones are not mistyped.
const maxNearest = 64

// leastShort is how many letters of a name are enough to stand for it.
const leastShort = 3

// Nearest returns the candidate that name was probably meant to be, or "" when
// none is near. It counts typing errors: a letter too many, too few or wrong, or two
// neighbours swapped (the restricted Damerau-Levenshtein distance); a
// difference of case alone counts as none. One error is allowed for every three
// letters, and one more from four letters on: R99 is not R12 mistyped. Ties go to the earlier candidate.
//
// A name of three letters or more that only one candidate begins with is short
// for it (`cap` for `capacitor`), unless another is a single error away.
func Nearest(name string, candidates []string) string {
	want := []rune(strings.ToLower(name))
	if len(want) == 0 || len(want) > maxNearest {
		return ""
	}
	allowed := min(len(want)/3+1, 4)
	// A short name is near to half the alphabet: two or three letters may only
	// differ in one, and one letter only in its case.
	if len(want) <= 3 {
		allowed = min(len(want)-1, 1)
	}
	best, fewest := "", allowed+1
	longer, longerOnes := "", 0
	for _, c := range candidates {
		if c == name || len(c) > 4*maxNearest {
			continue
		}
		have := []rune(strings.ToLower(c))
		if len(want) >= leastShort && len(have) > len(want) && slices.Equal(have[:len(want)], want) {
			longer = c
			longerOnes++
		}
		if d := len(have) - len(want); d >= fewest || -d >= fewest {
			continue
		}
		if errors := distance(want, have); errors < fewest {
			best, fewest = c, errors
		}
	}
	if longerOnes == 1 && fewest > 1 {
		return longer
	}
	return best
}

// Suggest is Nearest as the second half of a message: "did you mean `x`?",
// or otherwise when nothing is near.
func Suggest(name string, candidates []string, otherwise string) string {
	if near := Nearest(name, candidates); near != "" {
		return "did you mean " + Quote(near) + "?"
	}
	return otherwise
}

// distance counts the typing errors between a and b (optimal string alignment), with
// three rows of the usual table.
func distance(a, b []rune) int {
	before := make([]int, len(b)+1)
	last := make([]int, len(b)+1)
	row := make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
