package lesson

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Named is one thing that a student says is bad.
type Named struct {
	Place string     // as the engine names suspects
	Mode  fault.Mode // valid where Said
	Said  bool       // a mode was said
	locus *fault.Locus
}

// String is "R12 open", or "R12" where no mode was said.
func (n Named) String() string {
	if !n.Said {
		return n.Place
	}
	return n.Place + " " + n.Mode.String()
}

// noFault are words for a board with nothing wrong.
var noFault = []string{"nothing", "nothing wrong", "none", "no fault", "good"}

// intermittent is what the answer sheet says of a fault that is not always there.
const intermittent = ", comes and goes"

// joined writes "between J1.4 and J1.5" as "between J1.4 to J1.5" where that is a
// place: what is left of "and" stands between faults.
func joined(b *netlist.Board, loci []fault.Locus, text string) string {
	words := strings.Fields(text)
	for i := range words {
		at := i + 1
		if at < len(words) && words[at] == "pins" {
			at++
		}
		if words[i] != "between" || at+2 >= len(words) || words[at+1] != "and" {
			continue
		}
		pair := strings.Join(words[at:at+3], " ")
		if slices.ContainsFunc(loci, func(l fault.Locus) bool {
			return slices.ContainsFunc(l.Names(b), func(name string) bool { return strings.EqualFold(name, pair) })
		}) {
			words[at+1] = "to"
		}
	}
	return strings.Join(words, " ")
}

// parseVerdict reads what a student says is bad: "C3 shorted", "R12.1 open joint
// and P1.2 to P1.3 bridged", "short of C3", "nothing".
func parseVerdict(b *netlist.Board, loci []fault.Locus, text string) ([]Named, error) {
	text = joined(b, loci, strings.TrimSuffix(strings.TrimSpace(text), intermittent))
	for _, word := range noFault {
		if strings.EqualFold(text, word) {
			return nil, nil
		}
	}
	for i := range loci { // "J1.4 and J1.5 bridged" is one fault
		if both := strings.Replace(loci[i].Name(b), " to ", " and ", 1); loci[i].NPins == 2 && len(text) >= len(both) && strings.EqualFold(text[:len(both)], both) {
			text = loci[i].Name(b) + text[len(both):]
		}
	}
	var list []Named
	for _, piece := range strings.Split(strings.NewReplacer(", ", " and ", " + ", " and ").Replace(text), " and ") {
		n, err := parseNamed(b, loci, strings.TrimSpace(piece))
		if err != nil {
			return nil, err
		}
		for _, other := range list {
			if other.Place == n.Place {
				return nil, fmt.Errorf("%s is named twice; name each part once", document.Quote(n.Place))
			}
		}
		list = append(list, n)
		if len(list) > mostNamed {
			return nil, fmt.Errorf("more than %d parts are named; name those that you mean", mostNamed)
		}
	}
	return list, nil
}

// mostNamed bounds a verdict.
const mostNamed = 4

func parseNamed(b *netlist.Board, loci []fault.Locus, text string) (Named, error) {
	for _, word := range []string{"a ", "an ", "the ", "trace ", "pin ", "pins ", "gap ", "between "} {
		text = strings.TrimPrefix(text, word)
	}
	for _, word := range []string{" between ", " of ", " at ", " in ", " across ", " from "} { // "leakage between J1.2 to J1.3"
		mode, place, found := strings.Cut(text, word)
		if _, ok := fault.MeantMode(mode, fault.Modes()); found && ok {
			if n, err := parseNamed(b, loci, place+" "+mode); err == nil {
				return n, nil
			}
		}
	}
	best, found := "", Named{}
	var all []string
	for i := range loci {
		l := &loci[i]
		for _, name := range l.Names(b) {
			all = append(all, name)
			if len(name) <= len(text) && strings.EqualFold(text[:len(name)], name) && (len(text) == len(name) || text[len(name)] == ' ') && len(name) > len(best) {
				best, found = name, Named{Place: l.Name(b), locus: l}
			}
		}
	}
	if best == "" {
		first, _, _ := strings.Cut(text, " ")
		return Named{}, fmt.Errorf("nothing on this board that could be bad is called %s; %s", document.Quote(first),
			document.Suggest(first, all, "name a part and what is wrong with it, such as `"+loci[0].Name(b)+" open`, or write `nothing`"))
	}
	rest := strings.TrimSpace(text[len(best):])
	for _, filler := range []string{"is ", "has "} {
		rest = strings.TrimPrefix(rest, filler)
	}
	if rest == "" {
		return found, nil
	}
	mode, ok := fault.MeantMode(withoutOhms(rest), fault.Modes())
	if !ok {
		return Named{}, fmt.Errorf("%s is not a way to go bad; %s", document.Quote(rest),
			document.Suggest(rest, fault.ModeNames(), "the ways are "+strings.Join(fault.ModeNames(), ", ")))
	}
	if found.locus.Part == netlist.None { // "P1.2 to P1.3 shorted", "trace open"
		switch {
		case found.locus.NPins == 2 && mode == fault.Shorted:
			mode = fault.Bridged
		case found.locus.NPins == 2 && mode == fault.Leaky:
			mode = fault.Leakage
		case found.locus.NPins == 0 && mode == fault.Open:
			mode = fault.BrokenTrace
		case found.locus.NPins == 1 && mode == fault.Open:
			mode = fault.OpenJoint
		}
	}
	if (mode == fault.Bridged || mode == fault.Leakage) && found.locus.NPins != 2 {
		return Named{}, fmt.Errorf("%s alone cannot be bridged; name both pins, as in `J1.2 to J1.3 bridged`", document.Quote(found.Place))
	}
	found.Mode, found.Said = mode, true
	return found, nil
}

// withoutOhms takes a resistance from the end of a mode: "leaky about 180 ohm".
func withoutOhms(text string) string {
	words := strings.Fields(strings.NewReplacer("(", " ", ")", " ", ",", " ").Replace(text))
	for i := 1; i < len(words); i++ {
		if _, err := quantity.Parse(strings.Join(words[i:], " "), quantity.Ohm); err == nil {
			words = words[:i]
		}
	}
	if n := len(words); n > 1 && words[n-1] == "about" {
		words = words[:n-1]
	}
	return strings.Join(words, " ")
}

// family puts together the modes that no reading distinguishes: a part that is
// open, missing, or not joined to the board.
func family(m fault.Mode) fault.Mode {
	switch m {
	case fault.OpenJoint, fault.Missing, fault.BrokenTrace:
		return fault.Open
	case fault.HighJoint, fault.HighTrace:
		return fault.High
	case fault.Bridged, fault.ToSupply:
		return fault.Shorted
	case fault.Leakage:
		return fault.Leaky
	}
	return m
}
