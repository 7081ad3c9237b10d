package bench

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/engine/journal"
	"halfsplit/netlist"
)

// Caution is a safety note. It is shown until somebody has said that it was read
// and acknowledged, once for each case; Key is what the record then says.
//
// All of them are common practice of the trade, no source. Local codes, the
// makers' documents and licensed practice come first.
type Caution struct {
	Key  string
	Text string
}

// Occasion is when a caution matters.
type occasion uint8

const (
	beforeProbing occasion = iota
	beforeHeat
	beforeInjecting
	beforePower
)

// cautions lists what a board calls for on an occasion.
func cautions(b *netlist.Board, when occasion) []Caution {
	switch when {
	case beforeHeat:
		return []Caution{
			{"hot tools", "Iron and hot air burn skin and boards: hold the board, keep hands out of the stream, let it cool. Keep heat away from lithium cells and from plastic."},
			{"fumes", "Flux fumes harm the lungs: extract them at the board. Solvent vapour burns and numbs: air the room, no flame, no hot iron near an open bottle, gloves."},
		}
	case beforeInjecting:
		return []Caution{
			{"injected voltage", "Inject at or below the rail's own voltage, with the current limit low at first, and never into a boosted or unknown rail or a signal. A bad part can burst: eye protection, nothing flammable near, look with a camera or a drop of alcohol, not with a finger."},
		}
	case beforePower:
		return []Caution{
			{"cells and boosted rails under power", "A lithium cell goes in last, when the board has run from the supply; never into a board that draws too much. Boosted rails carry their voltage as soon as power is on: no finger and no probe near them."},
			{"first power", "Power up from a bench supply whose current limit was set low before it is connected, not from the battery. Take power off at once if the current climbs, something smells or warms."},
		}
	}
	list := []Caution{
		{"battery out", "Battery out and every supply and cable off before a probe touches the board. A meter in diode mode on a live board misleads and may break."},
		{"capacitors discharged", "Let capacitors discharge, and check large ones in voltage mode first."},
		{"lithium cells", "A lithium cell is never heated, pierced, bent or shorted. Set a swollen one aside, outdoors or in sand, and escalate it."},
		{"rules first", "Local codes, the makers' documents and licensed practice come before anything this tool says. What is beyond your bench, escalate."},
	}
	if rails := boosted(b); len(rails) > 0 {
		list = slices.Insert(list, 2, Caution{"boosted rails discharged",
			fmt.Sprintf("Boosted rails (%s) hold a voltage above the battery's after power is off: discharge them through a resistor, and never feed them from outside.", strings.Join(rails, ", "))})
	}
	return list
}

func boosted(b *netlist.Board) []string {
	var names []string
	for i := range b.Nets {
		if b.Nets[i].Boosted {
			names = append(names, b.Nets[i].Name)
		}
	}
	if len(names) > 4 {
		names = append(names[:3], fmt.Sprintf("and %d more", len(names)-3))
	}
	return names
}

// unacknowledged lists the cautions of an occasion that nobody has acknowledged in
// this case.
func unacknowledged(c *journal.Case, when occasion) []Caution {
	done := map[string]bool{}
	for _, ev := range c.Events {
		for _, key := range ev.Acknowledged {
			done[key] = true
		}
	}
	return slices.DeleteFunc(cautions(c.Board, when), func(x Caution) bool { return done[x.Key] })
}

// Cautions lists every caution that was acknowledged in a case.
func Cautions(c *journal.Case) []Caution {
	var list []Caution
	for _, ev := range c.Events {
		for _, key := range ev.Acknowledged {
			x := Caution{Key: key}
			for _, when := range []occasion{beforeProbing, beforeHeat, beforeInjecting, beforePower} {
				for _, known := range cautions(c.Board, when) {
					if known.Key == key {
						x = known
					}
				}
			}
			if !slices.Contains(list, x) {
				list = append(list, x)
			}
		}
	}
	return list
}
