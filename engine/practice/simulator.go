package practice

import (
	"fmt"
	"math"
	"math/rand/v2"
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
	// Drawing is what the board file shows of the board: questions name its points
	// and parts. Nil where it shows the board as it is.
	Drawing *Drawing
	// Missed is the share of Read's readings with the probe off the pad.
	Missed float64

	reads   int
	answers map[question]float64 // recorded volts
	looks   map[netlist.PartID]journal.Look
	warm    map[netlist.NetID][]netlist.PartID
	missed  int
}

// question is one reading that may have been recorded.
type question struct {
	at       string // as spot writes it
	polarity references.Polarity
	edits    string // as editsText writes them
}

// Read gives what the meter shows at a point with the other lead on ground. It
// is made from the recorded voltage where there is one, and from the own
// solver's otherwise; see Unrecorded.
func (b *Simulator) Read(at netlist.Point, pol references.Polarity, edits netlist.Edits) (quantity.Reading, error) {
	at, err := b.Drawing.Point(at)
	if err != nil {
		return quantity.Reading{}, err
	}
	edits = b.Drawing.Edits(edits)
	if b.Missed > 0 {
		b.reads++
		r := random(b.Board.key(), fmt.Sprintf("probe put down %d", b.reads))
		if r.Float64() < b.Missed {
			at = beside(b.Board.Truth.Model.Board, at, r)
		}
	}
	q := question{b.Board.spot(at), pol, editsText(b.Board.Truth.Model.Board, edits)}
	volts, ok := b.answers[q]
	switch board := b.Board.Truth.Model.Board; {
	case q.at == board.Nets[board.Ground].Name:
		volts, ok = 0, true // both leads on ground
	case at.Net == netlist.None:
		volts, ok = b.Meter.Drive().Open, true // a pin that not connected (NC)
	}
	if !ok {
		b.missed++
		if volts, err = b.Board.Volts(b.Board.Probe(at, nil, pol, b.Meter.Drive()), edits); err != nil {
			return quantity.Reading{}, err
		}
	}
	name := b.Board.Truth.Model.Board.PointName(at)
	return b.Meter.Show(volts, occasion(b.Board, name, pol, q.edits)), nil
}

// beside gives where a probe that missed the pad stands: on a neighbouring pin, or
// on nothing.
func beside(b *netlist.Board, at netlist.Point, r *rand.Rand) netlist.Point {
	if at.Kind == netlist.PointPin && r.Float64() < 0.5 { // common practice, no source
		if near := b.Neighbours(at.Pin); len(near) > 0 {
			return b.PinPoint(near[r.IntN(len(near))])
		}
	}
	at.Net = netlist.None
	return at
}

// occasion tells one reading from others, for Meter.Show.
func occasion(w *Board, at string, pol references.Polarity, edits string) string {
	return fmt.Sprintf("%d %s %s %s", w.key(), at, pol, edits)
}

// Unrecorded gives the number of readings that the own solver had to answer.
func (b *Simulator) Unrecorded() int { return b.missed }

// spot names the copper under a point, the same for all points that cannot but
// read alike: the net, unless a fault has parted the point from it.
func (w *Board) spot(at netlist.Point) string {
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

// editsText writes what the bench has done to a board: `remove C46`, or nothing.
func editsText(b *netlist.Board, edits netlist.Edits) string {
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
	if b.Drawing != nil {
		p = b.Drawing.parts[p]
	}
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

// found is the share of parts that the drawing leaves out and that are found when somebody
// looks along their net; on purpose not quite what the engine takes. Common practice, no
// source.
const found = 0.92

// Along gives what is found along a net that is not drawn.
func (b *Simulator) Along(net netlist.NetID) (marks []string) {
	for _, name := range b.Drawing.undrawn(net) {
		if b.Board.Chance("found "+name) < found {
			marks = append(marks, name)
		}
	}
	return marks
}

// Inject gives the parts that warm up when a current-limited supply feeds a
// rail: mostly a part that is a short there, now and then a good one.
// Nothing is said of a part that is not drawn.
func (b *Simulator) Inject(rail netlist.NetID, edits netlist.Edits) []netlist.PartID {
	d := b.Drawing
	if d == nil {
		return b.inject(rail, edits)
	}
	n, err := d.truth.NetByName(d.Board.Nets[rail].Name)
	if err != nil {
		return nil
	}
	var warm []netlist.PartID
	for _, p := range b.inject(n, d.Edits(edits)) {
		if id, ok := d.drawn[p]; ok {
			warm = append(warm, id)
		}
	}
	return warm
}

func (b *Simulator) inject(rail netlist.NetID, edits netlist.Edits) []netlist.PartID {
	if warm, ok := b.warm[rail]; ok {
		return slices.DeleteFunc(slices.Clone(warm), func(p netlist.PartID) bool { return edits.Of(p).Removed || edits.Of(p).Replaced })
	}
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
		if random(w.key(), "warm "+m.Board.Parts[p].Name).Float64() < odds {
			warm = append(warm, id)
		}
	}
	return warm
}
