package draft

import (
	"cmp"
	"fmt"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Sort tells parts from connectors and test points.
type Sort uint8

// Sorts of things on a board. Nothing is what has no place in a board file: a
// mounting hole, a fiducial mark.
const (
	IsPart Sort = iota
	IsConnector
	IsTestPoint
	IsNothing
)

// Part is a part, connector or test point as the board file has it.
type Part struct {
	Name      string
	Sort      Sort
	Kind      netlist.Kind // NoKind for connectors and test points
	Value     string       // as the board file takes it; empty where it has none
	Title     string
	Place     string
	Direction netlist.Direction // of a TVS or ESD diode
	Channel   netlist.Channel   // of a transistor
	Pins      []Pin
	// Guesses tell what about the part is not sure; empty where all is.
	Guesses []Guess

	typed map[string]string // electrical types by net, for telling supplies
	hops  int               // parts between here and the nearest connector chosen
}

// Pin is a pin with its net; the net is empty where the pin is not connected.
type Pin struct{ Name, Net string }

// Weight is how much a guess can mislead, from little to much.
type Weight uint8

// Weights.
const (
	Little   Weight = iota // a value or a name of a pin that no reading hangs on
	Somewhat               // a value that moves readings
	Much                   // which pin is which, what conducts
	Most                   // what the part is
)

// Guess is one thing that a person has to check.
type Guess struct {
	What   string `json:"what"`
	Weight Weight `json:"-"`
}

// parts makes of a component what the board file has of it: one part mostly, one for
// each element of an array, none where nothing conducts. why says what was left out.
func (c *Component) parts(ground string) (list []Part, why string) {
	v := kindOf(c)
	text := strings.Join([]string{c.Symbol, c.Library, c.Description, c.Keywords, c.Footprint, c.Value}, " ")
	m := maker{c: c, v: v, ground: ground, text: fold(text)}
	m.part = Part{Name: c.Name, Sort: v.sort, Kind: v.kind, Title: c.Title}
	if v.wobbly != "" {
		w := Somewhat
		if v.kind == netlist.Unknown {
			w = Most
		}
		m.part.guess(w, "%s", v.wobbly)
	}
	switch n := len(c.Twice); {
	case n == 1:
		m.part.guess(Little, "the source numbers pad %s like another one", c.Twice[0])
	case n > 1:
		m.part.guess(Little, "the source numbers pad %s and %d more like other ones", c.Twice[0], n-1)
	}
	if len(nets(c.Pads)) == 0 {
		return nil, "is connected to nothing"
	}
	switch v.sort {
	case IsConnector, IsTestPoint:
		// A connector of one pad is a place to probe; a hole that is drawn with the
		// symbol of a connector is not even that.
		if len(c.Pads) == 1 || v.sort == IsTestPoint {
			for _, text := range []string{c.Value, c.Footprint} {
				if w, ok := match(text, 1, true); ok && w.sort == IsNothing {
					return nil, "is a mechanical part"
				}
			}
			m.part.Sort = IsTestPoint
			m.part.Guesses = nil // whatever it is, a probe can land on it
		}
		if m.part.Title == "" && c.Value != c.Symbol && m.part.Sort == IsConnector {
			m.part.Title = c.Value
		}
		m.part.Pins = pins(c.Pads)
		return []Part{m.part}, ""
	case IsNothing:
		if len(nets(c.Pads)) > 1 {
			return m.unknown("looks like a mechanical part, but joins several nets"), ""
		}
		return nil, "is a mechanical part"
	}
	return m.make()
}

var (
	openWords   = words(`open(ed)?( .*)?|unsoldered`)
	closedWords = words(`closed( .*)?|bridged\w*( .*)?|soldered|shorted|net ?ties?|0r|zero ohms?|0 ohms?|nc`)
	biWords     = words(`bi|bidir\w*|bi directional|varistors?|movs?|gdts?|spark gaps?|gas discharge( .*)?`)
	dipWords    = words(`dip`)
	ledWords    = words(`leds?`)
	bridgeWords = words(`(d )?bridges?( .*)?`)
	blockWords  = words(`high ?pass( .*)?|band ?pass( .*)?|saw|d[iu]plexers?`)
	bead        = words(`fb\d*|ferrites?|beads?|100 ?mhz`)
)

// make makes parts of a component that is one.
func (m *maker) make() (list []Part, why string) {
	c := m.c
	contacts := m.contacts()
	switch m.v.kind {
	case netlist.Inductor:
		// An inductance of ohms is a bead's impedance.
		if valueText(c.Value, quantity.Henry) == "" && (m.says(bead) || valueText(c.Value, quantity.Ohm) != "" && c.Value != "") {
			m.part.Kind = netlist.Bead
		}
	case netlist.Unknown:
		if len(m.part.Guesses) == 0 {
			m.part.guess(Most, "nobody knows whether it conducts")
		}
		m.part.Value, m.part.Pins = cmp.Or(c.Value, c.Symbol), pins(c.Pads)
		return []Part{m.part}, ""
	case netlist.IC, netlist.Module:
		m.part.Value, m.part.Pins = cmp.Or(c.Value, c.Symbol), pins(c.Pads)
		return []Part{m.part}, ""
	case netlist.Link:
		return m.link(contacts)
	case netlist.Diode:
		return m.diodes(contacts), ""
	case netlist.TVS:
		return m.tvs(contacts), ""
	case netlist.Transistor:
		return m.transistor(contacts), ""
	case netlist.Filter:
		return m.filter(contacts), ""
	case netlist.Choke:
		return m.choke(contacts), ""
	case netlist.Crystal:
		m.part.Value = c.Value
		if len(contacts) > 4 {
			return m.unknown("a crystal of more than four pads"), ""
		}
		m.part.Pins = pins(contacts)
		return []Part{m.part}, ""
	case netlist.Switch:
		if len(contacts) > 2 && m.says(dipWords) {
			m.v.array = true
		}
	}
	m.value()
	if m.v.array && len(contacts) > 2 {
		return m.array(contacts), ""
	}
	if len(contacts) > 2 {
		contacts = oneForNet(contacts)
	}
	if len(nets(contacts)) < 2 {
		if len(contacts) >= 2 && contacts[0].Net == contacts[1].Net {
			return nil, "has both ends on one net"
		}
		return nil, "has an end that is not connected"
	}
	if len(contacts) != 2 {
		return m.unknown(fmt.Sprintf("a %s with %d pads", m.part.Kind, len(contacts))), ""
	}
	if m.part.Kind == netlist.Switch {
		m.atRest(contacts)
	}
	m.two(contacts)
	return []Part{m.part}, ""
}

// offOhms is a switch that is open, as the value of one: no meter tells it from none
// (common practice, no source).
const offOhms = "100M"

// atRest says how a switch stands: a key is open, and so is what is not known, but for
// a switch between two supplies. One to ground is open by itself.
func (m *maker) atRest(ends []Pad) {
	first, _ := rail(ends[0].Net)
	second, _ := rail(ends[1].Net)
	switch {
	case ends[0].Net == m.ground || ends[1].Net == m.ground:
	case m.v.open:
		m.part.Value = offOhms
		m.part.guess(Somewhat, "a key, open at rest: taken for 100 Mohm")
	case first && second:
		m.part.guess(Much, "open or closed? taken for closed")
	default:
		m.part.Value = offOhms
		m.part.guess(Much, "open or closed? taken for open")
	}
}

// contacts are the pads that carry something: not those that hold the part, where
// others are there.
func (m *maker) contacts() []Pad {
	var list []Pad
	for _, p := range m.c.Pads {
		if !tab(p) {
			list = append(list, p)
		}
	}
	if len(list) < 2 {
		return m.c.Pads
	}
	return list
}
