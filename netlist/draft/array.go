package draft

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

var (
	elementFunction = regexp.MustCompile(`^[A-Za-z]*([0-9]+)[._-]([0-9A-Za-z]+)$`)
	elementNumber   = regexp.MustCompile(`^([0-9]+)[._-]([0-9]+)$`)
	networkWords    = words(`(r|res|resistors?) ?networks?\w*( .*)?|bussed|star|common`)
)

// array takes a part of several equal elements apart: by the names of its pins, by
// numbers such as 1.1 and 1.2, from a common pin, or by the usual rule that the ends of
// an element lie opposite each other.
func (m *maker) array(pads []Pad) []Part {
	pairs, sure := pairsBy(pads, func(p Pad) string { return sub(elementFunction, p.Function) })
	if pairs == nil {
		pairs, sure = pairsBy(pads, func(p Pad) string { return sub(elementNumber, p.Number) })
	}
	if pairs == nil {
		common := slices.IndexFunc(pads, func(p Pad) bool {
			return slices.Contains([]string{"common", "com", "c"}, strings.ToLower(p.Function))
		})
		sure = common >= 0
		if common < 0 && m.says(networkWords) {
			common = 0
		}
		if common >= 0 {
			for i, p := range pads {
				if i != common {
					pairs = append(pairs, [2]Pad{pads[common], p})
				}
			}
		}
	}
	if n := len(pads); pairs == nil && n%2 == 0 {
		sure = n == 2
		for i := range n / 2 {
			pairs = append(pairs, [2]Pad{pads[i], pads[n-1-i]})
		}
	}
	if pairs == nil {
		return m.unknown(fmt.Sprintf("an array of %d pads", len(pads)))
	}
	var list []Part
	for i, pair := range pairs {
		guess := ""
		if !sure {
			guess = "pads of an element by the usual rule"
		}
		list = m.element(list, i+1, pair, [2]string{"1", "2"}, guess)
	}
	return list
}

// element adds one of the parts that a component holds, where it joins two nets.
func (m *maker) element(list []Part, number int, pads [2]Pad, names [2]string, guess string) []Part {
	if pads[0].Net == "" || pads[1].Net == "" || pads[0].Net == pads[1].Net {
		return list
	}
	e := m.part
	e.Guesses = slices.Clone(e.Guesses)
	e.Name = m.c.Name + "_" + strconv.Itoa(number)
	e.Place = fmt.Sprintf("%s pads %s and %s", m.c.Name, pads[0].Number, pads[1].Number)
	e.Pins = []Pin{{names[0], pads[0].Net}, {names[1], pads[1].Net}}
	if guess != "" {
		e.guess(Much, "%s", guess)
	}
	return append(list, e)
}

// sub is the first group of a match, empty where there is none.
func sub(pattern *regexp.Regexp, text string) string {
	if m := pattern.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	return ""
}

// pairsBy puts pads with the same key together, where that makes pairs of all.
func pairsBy(pads []Pad, key func(Pad) string) (pairs [][2]Pad, all bool) {
	at := make(map[string]int)
	var groups [][]Pad
	for _, p := range pads {
		k := key(p)
		if k == "" {
			return nil, false
		}
		i, ok := at[k]
		if !ok {
			i = len(groups)
			at[k] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], p)
	}
	for _, g := range groups {
		if len(g) != 2 {
			return nil, false
		}
		pairs = append(pairs, [2]Pad{g[0], g[1]})
	}
	return pairs, true
}

// link makes a link of a jumper that is closed, and nothing of one that is open.
func (m *maker) link(pads []Pad) ([]Part, string) {
	said := fold(m.c.Value + " " + m.c.Symbol)
	pads = oneForNet(pads)
	closed := m.says(closedWords)
	switch {
	case len(pads) < 2:
		return nil, "has both ends on one net"
	case len(pads) == 3:
		a, b := "", ""
		if pair := closedPair.FindStringSubmatch(said); pair != nil {
			a, b = pair[1], pair[2]
		} else if m.v.open || openWords.MatchString(said) {
			return nil, "is an open jumper"
		}
		kept := slices.DeleteFunc(slices.Clone(pads), func(p Pad) bool { return p.Number != a && p.Number != b })
		if len(kept) != 2 {
			return m.unknown("a jumper of three pads, nobody knows how it is set"), ""
		}
		pads = kept
		m.part.guess(Much, "closed from %s to %s by its name", a, b)
	case m.v.open && !closed, openWords.MatchString(said) && !closed, fold(m.c.Value) == " open " || fold(m.c.Value) == " opened ":
		return nil, "is an open jumper"
	case !closed:
		m.part.guess(Much, "open or closed? taken for closed")
	}
	m.value()
	m.two(pads)
	return []Part{m.part}, ""
}

var closedPair = regexp.MustCompile(`(?:closed|bridged) ?([0-9]) ?([0-9])`)
