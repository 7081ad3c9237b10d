package practice

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Fault is one thing that is wrong with a Board.
type Fault struct {
	Locus fault.Locus
	Mode  fault.Mode
	Ohms  float64 // of the path or in series; +Inf for an open
}

// Ohms of a fault that calls for none.
var endless = math.Inf(1)

// Place writes where a locus is, so that FindFault finds it again with its
// mode: `C46 1-2`, `U5 B2-ground`, `FL3 through in-out`, `R12 at 1`,
// `trace J7.2 to D1.1`, `pin J7.2`, `bridge J7.22 to J7.24`.
func Place(m *network.Model, l *fault.Locus) string {
	b := m.Board
	if l.Part == netlist.None {
		switch {
		case l.NPins == 1:
			return "pin " + l.Name(b)
		case l.NPins == 2:
			return "bridge " + l.Name(b)
		}
		return "trace " + l.Name(b)
	}
	p := &b.Parts[l.Part]
	terminal := func(c network.Contact) string {
		if c == network.Ground {
			return "ground"
		}
		return p.Terminals[m.Terminal(c).Terminal].Name
	}
	switch l.Change.Kind {
	case network.Cut:
		el := &m.Elements[l.Change.Element]
		return fmt.Sprintf("%s through %s-%s", p.Name, terminal(el.A), terminal(el.B))
	case network.Detach:
		return fmt.Sprintf("%s at %s", p.Name, terminal(l.Change.Contact))
	}
	other := "ground"
	if l.Other >= 0 {
		other = p.Terminals[l.Other].Name
	}
	return fmt.Sprintf("%s %s-%s", p.Name, p.Terminals[l.Terminal].Name, other)
}

// placeKey writes a place the same whichever of its two ends is named first, as
// the order in a board file may have it.
func placeKey(place string) string {
	cut, ends := strings.LastIndexByte(place, ' ')+1, " to "
	if strings.HasPrefix(place, "bridge ") {
		cut = len("bridge ")
	} else if ends = "-"; strings.HasPrefix(place, "trace ") {
		return place
	}
	two := strings.Split(place[cut:], ends)
	slices.Sort(two)
	return place[:cut] + strings.Join(two, ends)
}

// InOrder sorts faults by place, so that what is drawn from them does not depend
// on the order of a board file.
func InOrder(m *network.Model, loci []fault.Locus) []fault.Locus {
	sorted := slices.Clone(loci)
	slices.SortStableFunc(sorted, func(a, b fault.Locus) int {
		return cmp.Or(strings.Compare(placeKey(Place(m, &a)), placeKey(Place(m, &b))), cmp.Compare(a.Modes[0].Mode, b.Modes[0].Mode))
	})
	return sorted
}

// FindFault finds a fault by where it is, as Place writes it, and its mode.
func FindFault(m *network.Model, loci []fault.Locus, place string, mode fault.Mode, ohms float64) (Fault, error) {
	key := placeKey(place)
	for i := range loci {
		l := &loci[i]
		if slices.ContainsFunc(l.Modes, func(r fault.ModeRange) bool { return r.Mode == mode }) && placeKey(Place(m, l)) == key {
			return Fault{*l, mode, ohms}, nil
		}
	}
	return Fault{}, fmt.Errorf("nothing on board %s can be %s at %q; name a place and a mode as trials do", m.Board.Name, mode, place)
}

// Deck is faults to draw from, by their odds.
type Deck struct {
	loci  []fault.Locus
	locus []int32 // by entry
	mode  []int   // by entry: index in Modes
	sum   []float64
}

// NewDeck takes the faults that keep is true of, given each with the mode in question;
// nil keeps all.
func NewDeck(loci []fault.Locus, keep func(*fault.Locus, fault.Mode) bool) *Deck {
	d := &Deck{loci: loci}
	total := 0.0
	for i := range loci {
		for k, r := range loci[i].Modes {
			if keep == nil || keep(&loci[i], r.Mode) {
				total += r.Odds
				d.locus, d.mode, d.sum = append(d.locus, int32(i)), append(d.mode, k), append(d.sum, total)
			}
		}
	}
	return d
}

// Kinds gives how many faults the deck can give that differ in place or mode.
func (d *Deck) Kinds() int { return len(d.sum) }

// Draw draws one fault, its resistance even over the logarithm of the mode's
// range, to three digits so that a record holds all of it. The deck must not be empty.
func (d *Deck) Draw(r *rand.Rand) Fault {
	at, _ := slices.BinarySearch(d.sum, r.Float64()*d.sum[len(d.sum)-1])
	l := &d.loci[d.locus[at]]
	mode := l.Modes[d.mode[at]]
	f := Fault{Locus: *l, Mode: mode.Mode, Ohms: endless}
	if !math.IsInf(mode.Lo, 1) {
		f.Ohms = threeDigits(logUniform(r, mode.Lo, mode.Hi))
	}
	return f
}

func threeDigits(x float64) float64 {
	scale := math.Pow(10, 2-math.Floor(math.Log10(x)))
	return math.Round(x*scale) / scale
}
