package fault

import (
	"slices"
	"strings"
)

// meant holds words of the bench for modes, each with the modes that it may mean, the
// likeliest first. A dry, cold or cracked joint is one that is open: the one that
// conducts poorly is called high.
var meant = map[string][]Mode{
	"open": {Open, JointOpen, TraceBroken}, "broken": {Open, TraceBroken, JointOpen}, "cut": {TraceBroken, Open}, "gone": {Missing},
	"high": {Raised, JointPoor, TracePoor}, "poor": {JointPoor, TracePoor, Raised},
	"short": {Shorted, Bridged}, "shorted": {Shorted, Bridged}, "bridge": {Bridged}, "solder bridge": {Bridged},
	"leak": {Leaky, BridgeLeaky}, "leaks": {Leaky, BridgeLeaky}, "leaking": {Leaky, BridgeLeaky}, "leaky": {Leaky, BridgeLeaky}, "leakage": {BridgeLeaky, Leaky},
	"joint": {JointOpen}, "dry": {JointOpen}, "cold": {JointOpen}, "cracked": {JointOpen}, "broken joint": {JointOpen},
	"dry joint": {JointOpen}, "cold joint": {JointOpen}, "cracked joint": {JointOpen}, "bad joint": {JointOpen},
	"poor joint": {JointPoor}, "high joint": {JointPoor}, "cracked trace": {TraceBroken}, "cut trace": {TraceBroken},
}

// MeantMode finds which of some modes a person means: by its name, by a word of the
// bench, or by the beginning of the name where no other of them has it. Spaces may be
// left out or written as dashes.
func MeantMode(text string, among []Mode) (Mode, bool) {
	plain := func(s string) string { return strings.NewReplacer(" ", "", "-", "").Replace(strings.ToLower(s)) }
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
	for m := Shorted; m < Slipped; m++ {
		all = append(all, m)
	}
	return all
}
