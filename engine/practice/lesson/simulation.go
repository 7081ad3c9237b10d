package lesson

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// placed is a fault as it is written down.
type placed struct {
	At   string     `json:"at"`          // as practice.Place writes it
	Mode fault.Mode `json:"mode_number"` // a number, which no change of words can touch
	Ohms float64    `json:"ohms"`        // 0 where it has none
}

// benchData is what the student's program has to know. It is sealed in a File.
type benchData struct {
	Identity   string            `json:"identity"` // of the board, netlist.Board.Identity
	Board      string            `json:"board"`    // its name and revision when the case was made, which its sweeps bear
	Revision   string            `json:"revision"`
	Truth      uint64            `json:"truth"`
	Sample     uint64            `json:"sample"`
	Celsius    float64           `json:"celsius"`
	Meter      string            `json:"meter"`
	Instrument uint64            `json:"instrument"`
	Faults     []placed          `json:"faults"`
	Looks      map[string]string `json:"looks"`
	Flicker    float64           `json:"flicker"`
	Pepper     string            `json:"pepper"` // of Check
	Exam       bool              `json:"exam"`   // the bench does not judge the verdict
}

// What may happen at a student's bench; all of it common practice, no source.
const (
	missedShare = 0.01 // of readings: the probe is off the pad, and the display shows OL
	tearShare   = 0.5  // of ICs removed by hand: pads tear

	smokeVolts = 0.05 // V in diode mode below which a rail counts as shorted
	drawGood   = 0.04 // A, a board that runs
	drawIdle   = 0.002
	drawLimit  = 2.0 // A, where the bench supply limits
)

// simulation is the board behind a bench. What it shows follows from its data and
// the record alone.
type simulation struct {
	model   *network.Model
	board   *netlist.Board
	meter   practice.Meter
	bad     *practice.Board
	good    *practice.Board
	flicker float64
	looks   map[netlist.PartID]journal.Look
	torn    map[string]*practice.Board // boards with damage, by its text
}

// newSimulation makes the board.
func newSimulation(m *network.Model, loci []fault.Locus, d *benchData) (*simulation, error) {
	meter, err := practice.MeterNamed(d.Meter, d.Instrument)
	if err != nil {
		return nil, err
	}
	s := &simulation{model: m, board: m.Board, meter: meter, flicker: d.Flicker, looks: map[netlist.PartID]journal.Look{}, torn: map[string]*practice.Board{}}
	var faults []practice.Fault
	for _, p := range d.Faults {
		ohms := p.Ohms
		if ohms == 0 {
			ohms = math.Inf(1)
		}
		f, err := practice.FindFault(m, loci, p.At, p.Mode, ohms)
		if err != nil {
			return nil, err
		}
		faults = append(faults, f)
	}
	s.good = practice.NewNamedTruth(m, d.Truth).Sample(d.Sample, d.Celsius)
	s.bad = s.good.Faulted(faults...)
	for name, word := range d.Looks {
		p, err := m.Board.PartByName(name)
		if err != nil {
			return nil, err
		}
		for l := journal.Clean; l <= journal.Missing; l++ {
			if l.String() == word {
				s.looks[p] = l
			}
		}
	}
	return s, nil
}

// present tells whether a fault that comes and goes is there at an event. In the
// sweep that the board came with it is.
func (s *simulation) present(event int) bool {
	return s.flicker == 0 || event <= sweepEvent || s.bad.Chance(fmt.Sprintf("flicker %d", event)) >= s.flicker
}

// damage lists the pads that were torn by what a record tells before an event.
func (s *simulation) damage(all []journal.Event, before int) []practice.Fault {
	var list []practice.Fault
	for i := range all {
		e := &all[i]
		if e.Kind != journal.KindRemove || e.Number >= before {
			continue
		}
		for _, p := range e.Parts {
			if network.Pinned(s.board.Parts[p].Kind) && s.tears(e.Number, p) {
				t := s.tornTerminal(e.Number, p)
				list = append(list, practice.Fault{Mode: fault.OpenJoint, Ohms: math.Inf(1), Locus: fault.Locus{
					Part: p, Terminal: t, Other: -1, Net: netlist.None, Series: true,
					Change: network.Change{Kind: network.Detach, Contact: s.model.Contact(p, t), Owner: netlist.None},
				}})
			}
		}
	}
	return list
}

func (s *simulation) tears(event int, p netlist.PartID) bool {
	return s.bad.Chance(fmt.Sprintf("tear %d %s", event, s.board.Parts[p].Name)) < tearShare
}

// tornTerminal is the pad that tears: one with a net that is not ground.
func (s *simulation) tornTerminal(event int, p netlist.PartID) int32 {
	terminals := s.board.Parts[p].Terminals
	var pads []int32
	for t := range terminals {
		if n := terminals[t].Net; n != netlist.None && n != s.board.Ground {
			pads = append(pads, int32(t))
		}
	}
	if len(pads) == 0 {
		return 0
	}
	slices.SortFunc(pads, func(x, y int32) int { return strings.Compare(terminals[x].Name, terminals[y].Name) })
	return pads[int(s.bad.Chance(fmt.Sprintf("pad %d %s", event, s.board.Parts[p].Name))*float64(len(pads)))]
}

// boardAt is the board as it lies before an event.
func (s *simulation) boardAt(all []journal.Event, event int) *practice.Board {
	base, key := s.bad, "bad"
	if !s.present(event) {
		base, key = s.good, "good"
	}
	damage := s.damage(all, event)
	if len(damage) == 0 {
		return base
	}
	for _, f := range damage {
		key += fmt.Sprintf(" %d.%d", f.Locus.Part, f.Locus.Terminal)
	}
	if w, ok := s.torn[key]; ok {
		return w
	}
	s.torn[key] = base.Faulted(damage...)
	return s.torn[key]
}

// show gives what the display shows for one reading of an event, of a board that
// lies as edits say.
func (s *simulation) show(all []journal.Event, event int, r *journal.Read, ohms bool, edits netlist.Edits) (quantity.Reading, error) {
	w := s.boardAt(all, event)
	occasion := fmt.Sprintf("%d %s %s %s %v", event, s.board.PointName(r.At), r.ToName, r.Polarity, ohms)
	if event > sweepEvent && w.Chance("slip "+occasion) < missedShare {
		unit := quantity.Volt
		if ohms {
			unit = quantity.Ohm
		}
		return quantity.Reading{Overload: true, Unit: unit}, nil
	}
	return practice.NewSimulator(w, s.meter).Take(practice.Take{At: r.At, To: r.To, Polarity: r.Polarity, Ohms: ohms, Edits: edits, Occasion: occasion})
}

// look gives what a part or pin looks like.
func (s *simulation) look(l *journal.Looked) journal.Look {
	b := practice.NewSimulator(s.bad, s.meter)
	if l.Part == netlist.None {
		return b.LookPin(l.Pin)
	}
	for part, x := range s.looks {
		b.SetLook(part, x)
	}
	return b.Look(l.Part)
}

// warm lists the parts that warm up when current goes into a rail.
func (s *simulation) warm(rail netlist.NetID, edits netlist.Edits) []netlist.PartID {
	return practice.NewSimulator(s.bad, s.meter).Inject(rail, edits)
}

// repaired tells whether nothing is wrong with the board as it lies: no fault
// holds, no pad is torn, it is not burnt, and no part is without its work that it
// needs.
func (s *simulation) repaired(all []journal.Event, edits netlist.Edits) bool {
	return len(s.bad.Wrong(edits)) == 0 && len(s.damage(all, len(all)+1)) == 0 && !burnt(all) && len(s.idle(edits)) == 0
}

// burnt tells that power was put on a short.
func burnt(all []journal.Event) bool {
	return slices.ContainsFunc(all, func(e journal.Event) bool { return e.Kind == journal.KindSupply && e.Note == smokeNote })
}

// idle says of parts that do not do their work, and should, why not.
func (s *simulation) idle(edits netlist.Edits) []string {
	var words []string
	for _, e := range edits.List() {
		switch p := &s.board.Parts[e.Part]; {
		case e.Jumpered && !p.MayJumper():
			words = append(words, "a jumper across "+p.Name)
		case e.Removed && !e.Jumpered && !p.MayLeaveOff():
			words = append(words, p.Name+" off the board")
		}
	}
	return words
}

// shortedRails lists the rails that would draw all that a supply gives: they
// read next to nothing on this board and more on a good one.
func (s *simulation) shortedRails(edits netlist.Edits) ([]string, error) {
	var names []string
	for n := range s.board.Nets {
		net := netlist.NetID(n)
		if !s.board.Nets[n].Rail || net == s.board.Ground {
			continue
		}
		at := netlist.NetPoint(net)
		v, err := s.bad.Volts(s.bad.Probe(at, nil, references.RedOnGround, s.meter.Drive()), edits)
		if err != nil {
			return nil, err
		}
		g, err := s.good.Volts(s.good.Probe(at, nil, references.RedOnGround, s.meter.Drive()), netlist.Edits{})
		if err != nil {
			return nil, err
		}
		if v < smokeVolts && g > 2*smokeVolts {
			names = append(names, s.board.Nets[n].Name)
		}
	}
	return names, nil
}

// badNames names what is wrong, as the engine names suspects.
func badNames(b *netlist.Board, faults []practice.Fault) []string {
	names := []string{}
	for _, f := range faults {
		names = append(names, f.Locus.Name(b))
	}
	return names
}

// faultWords is a list of faults for people: "C3 shorted and R5 open".
func faultWords(b *netlist.Board, faults []practice.Fault) string {
	if len(faults) == 0 {
		return "nothing"
	}
	var words []string
	for _, f := range faults {
		text := f.Locus.Name(b) + " " + f.Mode.String()
		if !math.IsInf(f.Ohms, 1) {
			text += " (" + quantity.Format(f.Ohms, quantity.Ohm) + ")"
		}
		words = append(words, text)
	}
	return strings.Join(words, " and ")
}
