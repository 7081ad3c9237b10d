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

// acrossTried bounds the parts across which a resistance is worked out.
const acrossTried = 16

// across adds reading the resistance between the two ends of a part where it lies. What
// leads around the part is in the circuit; a bad joint outside of the probes is not read,
// which sets it apart from the part.
func (p *planning) across() error {
	var parts []netlist.PartID
	for _, part := range p.blamed() {
		at := &p.Board.Parts[part]
		if len(at.Terminals) != 2 || at.Kind.Class() != netlist.Series || at.Access == netlist.Underfill || p.Edits.Of(part).Removed ||
			p.Edits.Of(part).Jumpered || len(parts) == acrossTried || p.acrossRead(part) {
			continue
		}
		parts = append(parts, part)
	}
	meter := p.Stages[len(p.Stages)-1].Meter
	drive := diagnose.OhmsDrive(meter)
	shows := make([][]diagnose.Predicted, len(parts))
	err := p.pool.Each(len(parts), func(w *network.Workspace, i int) error {
		a, b := p.terminals(parts[i])
		o := fault.Observation{Edits: p.Edits, Probe: p.Probe(a, &b, references.RedOnGround, drive), Noise: fault.Noise{Own: diagnose.LeastNoise}}
		told, err := p.Physics.PredictBoards(w, &o, p.boards())
		if err != nil {
			return err
		}
		shows[i] = make([]diagnose.Predicted, len(told))
		share := p.ModelShare(a.Net, b.Net)
		for k, pr := range told {
			ohms := diagnose.VoltsToOhms(drive, pr.Volts)
			_, slope := diagnose.OhmsToVolts(drive, math.Min(ohms, meter.OhmsOver))
			shows[i][k] = diagnose.Predicted{Volts: pr.Volts, Sigma: math.Hypot(pr.Sigma, slope*math.Hypot(diagnose.LeadOhms, (meter.Gain+share(ohms))*ohms)), Over: pr.Volts > drive.Over}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, part := range parts {
		rows, n := outcomes(shows[i], softSigmas)
		if n < 2 {
			continue
		}
		a, b := p.terminals(part)
		t := test{step: Step{Do: DoAcross, Part: p.Board.Parts[part].Name, At: p.Board.PointName(a), Then: []string{p.Board.PointName(b)}, Seconds: p.Costs.Across}}
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
		p.addRows(t, rows, n, max(p.shielded(a), p.shielded(b)))
	}
	return nil
}

// terminals gives the two terminals of a part.
func (p *planning) terminals(part netlist.PartID) (a, b netlist.Point) {
	return p.Board.TerminalPoint(netlist.TerminalRef{Part: part}), p.Board.TerminalPoint(netlist.TerminalRef{Part: part, Terminal: 1})
}

// acrossRead tells whether the resistance across a part was read, of the board as it
// lies.
func (p *planning) acrossRead(part netlist.PartID) bool {
	return slices.ContainsFunc(p.Taken, func(t diagnose.Taken) bool { return t.Edits.Equal(p.Edits) && p.isAcross(&t.Read, part) })
}

// isAcross tells whether a reading is between the two ends of a part.
func (p *planning) isAcross(r *journal.Read, part netlist.PartID) bool {
	a, b := p.terminals(part)
	return r.To != nil && (r.At == a && *r.To == b || r.At == b && *r.To == a)
}
