package diagnose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// ParseFault reads a fault as a person writes it: a part, a terminal, a pair of
// pins or of neighbours along a trace; a mode; and, where the mode leaves it
// open, a resistance: "R12:open", "U5.B2:shorted", "C40:leaky=470",
// "J7.2-J7.4:bridged", "R12.1:dry joint". fault.MeantMode says which words are taken
// for a mode.
func (e *Basis) ParseFault(text string) (fault.Fault, error) {
	where, what, ok := strings.Cut(text, ":")
	what, ohmsText, given := strings.Cut(what, "=")
	if !ok || where == "" || what == "" {
		return fault.Fault{}, fmt.Errorf("fault %s is not PLACE:MODE; write for example R12:open or C40:leaky=470", document.Quote(text))
	}
	ohms := math.NaN()
	if given {
		v, err := quantity.Parse(ohmsText, quantity.Ohm)
		if err != nil {
			return fault.Fault{}, fmt.Errorf("fault %s: %w", document.Quote(text), err)
		}
		ohms = v
	}
	loci := append(fault.Loci(e.Model, e.Priors, e.Posterior.Values), fault.GroundJoints(e.Model, e.Priors)...)
	var there []choice
	var modes []fault.Mode
	var places []string
	for i := range loci {
		l := &loci[i]
		if !slices.Contains(l.Names(e.Board), where) {
			places = append(places, l.Name(e.Board))
			continue
		}
		for _, m := range l.Modes {
			there = append(there, choice{l, m})
			if !slices.Contains(modes, m.Mode) {
				modes = append(modes, m.Mode)
			}
		}
	}
	if len(there) == 0 {
		return fault.Fault{}, fmt.Errorf("fault %s: nothing on the board is called %s that could be bad; %s", document.Quote(text), document.Quote(where),
			document.Suggest(where, places, "name a part, a terminal of an IC, a connector pin, or two neighbouring pins as J7.2-J7.4"))
	}
	mode, ok := fault.MeantMode(what, modes)
	if !ok {
		says := "cannot be " + document.Printable(what)
		if _, known := fault.MeantMode(what, fault.Modes()); known {
			says += " in a way that a meter sees"
		}
		var names []string
		for _, m := range modes {
			names = append(names, m.String())
		}
		return fault.Fault{}, fmt.Errorf("fault %s: %s %s; %s", document.Quote(text), document.Printable(where), says,
			document.Suggest(what, names, "it can be "+strings.Join(names, ", ")))
	}
	at := slices.IndexFunc(there, func(c choice) bool { return c.Mode == mode })
	l, m := there[at].Locus, there[at].ModeRange
	if l.Part >= 0 && l.Terminal >= 0 && network.Pinned(e.Board.Parts[l.Part].Kind) && l.Name(e.Board) == where {
		pin := where + "." + e.Board.Parts[l.Part].Terminals[l.Terminal].Name
		return fault.Fault{}, fmt.Errorf("fault %s: %s has several pins; name one of them, such as %s:%s", document.Quote(text), document.Printable(where), document.Printable(pin), document.Printable(what))
	}
	f := fault.Fault{Locus: l, Mode: m.Mode, Ohms: ohms, Observation: -1}
	switch {
	case math.IsInf(m.Lo, 1) && given:
		return fault.Fault{}, fmt.Errorf("fault %s: what is %s has no resistance; leave out =%s, or name another mode", document.Quote(text), m.Mode, document.Printable(ohmsText))
	case math.IsInf(m.Lo, 1):
		f.Ohms = m.Lo
	case !given:
		f.Ohms = math.Sqrt(m.Lo * m.Hi) // the middle of the range, by ratio
		if m.Lo == fault.LeastOhms {
			f.Ohms = 0.5
		}
	}
	return f, nil
}

// choice is one mode of one locus.
type choice struct {
	*fault.Locus
	fault.ModeRange
}
