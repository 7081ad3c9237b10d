package fault

import (
	"slices"
	"strings"
)

// meant holds words of the bench for modes, each with the modes that it may mean, the
// likeliest first. A dry, cold or cracked joint is one that is open: the one that
// conducts poorly is called high.
var meant = map[string][]Mode{
	"open": {Open, OpenJoint, BrokenTrace}, "broken": {Open, BrokenTrace, OpenJoint}, "cut": {BrokenTrace, Open}, "gone": {Missing},
	"high": {High, HighJoint, HighTrace}, "poor": {HighJoint, HighTrace, High},
	"short": {Shorted, Bridged}, "shorted": {Shorted, Bridged}, "bridge": {Bridged}, "solder bridge": {Bridged},
	"leak": {Leaky, Leakage}, "leaks": {Leaky, Leakage}, "leaking": {Leaky, Leakage}, "leaky": {Leaky, Leakage}, "leakage": {Leakage, Leaky},
	"joint": {OpenJoint}, "dry": {OpenJoint}, "cold": {OpenJoint}, "cracked": {OpenJoint}, "broken joint": {OpenJoint},
	"dry joint": {OpenJoint}, "cold joint": {OpenJoint}, "cracked joint": {OpenJoint}, "bad joint": {OpenJoint},
	"poor joint": {HighJoint}, "high joint": {HighJoint}, "cracked trace": {BrokenTrace}, "cut trace": {BrokenTrace},
}

// MeantMode finds which of some modes a person means: by its name, by a word of the
// bench, or by the beginning of the name where no other of them has it. Spaces may be
// left out or written as dashes.
func MeantMode(text string, among []Mode) (Mode, bool) {
	plain := func(s string) string {
		return strings.ReplaceAll(strings.ReplaceAll(strings.ToLower(s), " ", ""), "-", "")
	}
	want := plain(text)
	for _, m := range among {
		if plain(m.String()) == want {
			return m, true
		}
	}
	for word, modes := range meant {
		if plain(word) != want {
			continue
		}
		for _, m := range modes {
			if slices.Contains(among, m) {
				return m, true
			}
		}
	}
	var begun []Mode
	for _, m := range among {
		if want != "" && strings.HasPrefix(plain(m.String()), want) {
			begun = append(begun, m)
		}
	}
	if len(begun) != 1 {
		return 0, false
	}
	return begun[0], true
}

// Modes lists all modes that a part or its copper can have.
func Modes() []Mode {
	var all []Mode
	for m := Shorted; m < Missed; m++ {
		all = append(all, m)
	}
	return all
}
