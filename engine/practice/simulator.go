package practice

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Simulator is a board and a meter, and answers what a technician asks.
type Simulator struct {
	Board *Board
	Meter Meter
	// Recorded gives the voltage, in volts, that Read has without the own solver, if there
	// is one: between ground and a spot as Board.Spot writes it, after edits as EditsText
	// writes them. Nil where nothing was recorded.
	Recorded func(spot string, pol references.Polarity, edits string) (volts float64, ok bool)

	looks map[netlist.PartID]journal.Look
}

// Read gives what the meter shows at a point with the other lead on ground.
func (b *Simulator) Read(at netlist.Point, pol references.Polarity, edits netlist.Edits) (quantity.Reading, error) {
	board := b.Board.Truth.Model.Board
	spot, done := b.Board.Spot(at), EditsText(board, edits)
	volts, known := 0.0, true
	switch {
	case spot == board.Nets[board.Ground].Name: // both leads on ground
	case at.Net == netlist.None: // a pin that is not connected (NC)
		volts = b.Meter.Drive().Open
	case b.Recorded != nil:
		volts, known = b.Recorded(spot, pol, done)
	default:
		known = false
	}
	if !known {
		var err error
		if volts, err = b.Board.Volts(b.Board.Probe(at, nil, pol, b.Meter.Drive()), edits); err != nil {
			return quantity.Reading{}, err
		}
	}
	return b.Meter.Show(volts, fmt.Sprintf("%d %s %s %s", b.Board.Key(), board.PointName(at), pol, done)), nil
}

// Spot names the copper under a point, the same for all points that cannot but
// read alike: the net, unless a fault has parted the point from it.
func (w *Board) Spot(at netlist.Point) string {
	b := w.Truth.Model.Board
	if at.Net == netlist.None {
		return b.PointName(at)
	}
	own := w.Truth.Model.PlaceOf(at)
	for i := range w.changes {
		c := &w.changes[i]
		if c.Kind == network.Split && c.Net == at.Net || c.Kind == network.Detach && c.Contact == own.Contact {
			return b.PointName(at)
		}
	}
	return b.PointName(netlist.NetPoint(at.Net))
}

// EditsText writes what the bench has done to a board: `remove C46`, or nothing.
func EditsText(b *netlist.Board, edits netlist.Edits) string {
	var words []string
	for _, e := range edits.List() {
		name := b.Parts[e.Part].Name
		if e.Removed {
			words = append(words, "remove "+name)
		}
		if e.Replaced {
			words = append(words, "replace "+name)
		}
		if e.Jumpered {
			words = append(words, fmt.Sprintf("jumper %s with %g ohm", name, e.Ohms))
		}
		if e.NewJoints() {
			words = append(words, "new joints of "+name)
		}
	}
	for _, m := range edits.Repairs() {
		words = append(words, "repair "+b.RepairName(m))
	}
	return strings.Join(words, ", ")
}

// What the microscope shows, as shares of bad and of good parts. On purpose not
// quite the shares that the engine takes (fault.Priors). Common practice, no
// source.
var (
	badLooks  = []share{{journal.Corroded, 0.40}, {journal.Burnt, 0.08}, {journal.Cracked, 0.08}, {journal.Clean, 0.44}}
	goodLooks = []share{{journal.Corroded, 0.05}, {journal.Burnt, 0.002}, {journal.Cracked, 0.004}, {journal.Clean, 0.944}}
)

type share struct {
	look journal.Look
	p    float64
}

// Shares of parts that warm up under injected current; common practice, no
// source. A path of many ohms takes too little power to be felt.
const (
	warmShort = 0.85
	warmLeak  = 0.30
	warmGood  = 0.008

	warmShortOhms = 20.0  // up to here warmShort holds
	warmLeakOhms  = 150.0 // and up to here warmLeak
	warmReachOhms = 5.0   // between the rail and the part
)

// Look gives what a part looks like. Asked twice, it looks the same.
func (b *Simulator) Look(p netlist.PartID) journal.Look {
	w := b.Board
	if look, ok := b.looks[p]; ok {
		return look
	}
	bad := false
	for i := range w.Faults {
		if w.Faults[i].Locus.Part != p {
			continue
		}
		if w.Faults[i].Mode == fault.Missing {
			return journal.Missing
		}
		bad = true
	}
	return looked(w, w.Truth.Model.Board.Parts[p].Name, bad)
}

// looked draws what a part or pin of a board looks like.
func looked(w *Board, name string, bad bool) journal.Look {
	looks := goodLooks
	if bad {
		looks = badLooks
	}
	u := w.Chance("look " + name)
	for _, s := range looks {
		if u -= s.p; u < 0 {
			return s.look
		}
	}
	return journal.Clean
}

// Inject gives the parts that warm up when a current-limited supply feeds a
// rail: mostly a part that is a short there, now and then a good one.
func (b *Simulator) Inject(rail netlist.NetID, edits netlist.Edits) []netlist.PartID {
	w := b.Board
	m := w.Truth.Model
	near := joined(m, rail, warmReachOhms)
	var warm []netlist.PartID
	for p := range m.Board.Parts {
		id := netlist.PartID(p)
		odds := 0.0
		if slices.ContainsFunc(m.Board.Parts[p].Terminals, func(t netlist.Terminal) bool { return t.Net == rail }) {
			odds = warmGood
		}
		for i := range w.Faults {
			f := &w.Faults[i]
			c := f.Locus.At(f.Ohms)
			st := network.State{Edits: edits}
			if f.Locus.Part != id || c.Kind != network.AddPath || !st.Holds(&c) {
				continue
			}
			feeds := slices.Contains(near, c.A.Net) && c.B.Net == m.Board.Ground || slices.Contains(near, c.B.Net) && c.A.Net == m.Board.Ground
			switch {
			case feeds && f.Ohms <= warmShortOhms:
				odds = warmShort
			case feeds && f.Ohms <= warmLeakOhms:
				odds = math.Max(odds, warmLeak)
			}
		}
		if edits.Of(id).Removed || odds == 0 {
			continue
		}
		if random(w.Key(), "warm "+m.Board.Parts[p].Name).Float64() < odds {
			warm = append(warm, id)
		}
	}
	return warm
}
