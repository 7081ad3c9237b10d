package repair

import (
	"math"
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// acrossTried bounds the ways across which a resistance is worked out.
const acrossTried = 24

// way is where a resistance may be read: between the two ends of a series part, or
// between two nets.
type way struct {
	name string
	a, b netlist.Point
}

// ways lists where a resistance may tell of what is suspected: across series parts, and
// between the nets that they join, their joints in between, or that a short, a leak or a
// bridge joins; each the likeliest first.
func (p *planning) ways() []way {
	var list []way
	order := func(a, b netlist.NetID) [2]netlist.NetID { return [2]netlist.NetID{min(a, b), max(a, b)} }
	in := map[[2]netlist.NetID]bool{}
	between := func(a, b netlist.NetID) {
		if a == p.Board.Ground { // where the red probe stands, however the parts between them are drawn
			a, b = b, a
		}
		nets := order(a, b)
		x, y := p.easiestOn(a, nil), p.easiestOn(b, nil)
		if in[nets] || x == nil || y == nil || p.readBetween(func(r *journal.Read) bool { return order(r.At.Net, p.other(r)) == nets }) {
			return
		}
		in[nets] = true
		list = append(list, way{p.Board.PointName(*x) + " to " + p.Board.PointName(*y), *x, *y})
	}
	for _, part := range p.blamed() {
		if w, ok := p.acrossPart(part); ok {
			list = append(list, w)
		}
		if edit := p.Edits.Of(part); isSeries(&p.Board.Parts[part]) && !edit.Removed && !edit.Jumpered {
			a, b := p.terminals(part)
			between(a.Net, b.Net)
		}
	}
	for i := range p.hyps {
		for _, c := range p.hyps[i].changes {
			if c.Kind == network.AddPath {
				between(c.A.Net, c.B.Net)
			}
		}
	}
	return list[:min(len(list), acrossTried)]
}

func isSeries(p *netlist.Part) bool {
	return len(p.Terminals) == 2 && p.Kind.Class() == netlist.Series
}

// acrossPart gives the way across a series part, where a resistance can be read there and
// was not, of the board as it lies.
func (p *planning) acrossPart(part netlist.PartID) (w way, ok bool) {
	if part == netlist.None || !isSeries(&p.Board.Parts[part]) {
		return w, false
	}
	at, edit := &p.Board.Parts[part], p.Edits.Of(part)
	w.name = at.Name
	w.a, w.b = p.terminals(part)
	return w, at.Access != netlist.Underfill && !edit.Removed && !edit.Jumpered && !p.readBetween(func(r *journal.Read) bool { return p.isAcross(r, part) })
}

// readBetween tells whether a reading between two points was taken, of the board as it lies.
func (p *planning) readBetween(is func(*journal.Read) bool) bool {
	return slices.ContainsFunc(p.Taken, func(t diagnose.Taken) bool {
		return (t.Read.To != nil || t.Ohmic()) && t.Edits.Equal(p.Edits) && is(&t.Read)
	})
}

// across adds reading the resistance between two points of the board as it lies. What
// leads around is in the circuit. A bad joint outside of the probes is not read, which sets
// it apart from the part. So little current is driven that next to nothing passes through
// junctions: leaks show that these hide in diode mode.
func (p *planning) across() error {
	ways := p.ways()
	meter := p.Stages[len(p.Stages)-1].Meter
	drive := diagnose.OhmsDrive(meter)
	shows := make([][]diagnose.Predicted, len(ways))
	err := p.pool.Each(len(ways), func(w *network.Workspace, i int) error {
		a, b := ways[i].a, ways[i].b
		o := fault.Observation{Edits: p.Edits, Probe: p.Probe(a, &b, references.RedOnGround, drive), Noise: fault.Noise{Own: diagnose.LeastNoise}}
		boards, err := p.Physics.PredictBoards(w, &o, p.boards())
		if err != nil {
			return err
		}
		shows[i] = make([]diagnose.Predicted, len(boards))
		share := p.ModelShare(a.Net, b.Net)
		for k, pr := range boards {
			ohms := diagnose.VoltsToOhms(drive, pr.Volts)
			_, slope := diagnose.OhmsToVolts(drive, math.Min(ohms, meter.OhmsOver))
			shows[i][k] = diagnose.Predicted{Volts: pr.Volts, Sigma: math.Hypot(pr.Sigma, slope*math.Hypot(diagnose.LeadOhms, (meter.Gain+share(ohms))*ohms)), Over: pr.Volts > drive.Over}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, w := range ways {
		rows, n := outcomes(shows[i], softSigmas)
		if n < 2 {
			continue
		}
		t := test{step: Step{Do: DoAcross, Part: w.name, At: p.Board.PointName(w.a), Then: []string{p.Board.PointName(w.b)}, Seconds: p.Costs.Across}}
		t.seen = p.readings(shows[i], rows, n)
		for k := range t.seen {
			if v := t.seen[k].Volts; v != nil {
				ohms := diagnose.VoltsToOhms(drive, *v)
				t.seen[k] = StepOutcome{Ohms: &ohms, Seen: quantity.Format(math.Round(ohms*10)/10, quantity.Ohm)}
				if ohms >= 10 {
					t.seen[k].Seen = diagnose.Roughly(ohms)
				}
			}
		}
		p.addRows(t, rows, n, max(p.shielded(w.a), p.shielded(w.b)))
	}
	return nil
}

// terminals gives the two terminals of a part.
func (p *planning) terminals(part netlist.PartID) (a, b netlist.Point) {
	return p.Board.TerminalPoint(netlist.TerminalRef{Part: part}), p.Board.TerminalPoint(netlist.TerminalRef{Part: part, Terminal: 1})
}

// isAcross tells whether a reading is between the two ends of a part.
func (p *planning) isAcross(r *journal.Read, part netlist.PartID) bool {
	a, b := p.terminals(part)
	return r.To != nil && (r.At == a && *r.To == b || r.At == b && *r.To == a)
}
