package engine

import (
	"math"

	"halfsplit/engine/fault"
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
		if len(at.Terminals) != 2 || at.Kind.Class() != netlist.Series || at.Access == netlist.Underfill || p.edits.Of(part).Removed ||
			p.edits.Of(part).Jumpered || len(parts) == acrossTried || p.acrossRead(part) {
			continue
		}
		parts = append(parts, part)
	}
	meter := p.stages[len(p.stages)-1].Meter
	drive := ohmsDrive(meter)
	shows := make([][]shown, len(parts))
	err := p.pool.Each(len(parts), func(w *network.Workspace, i int) error {
		a, b := p.terminals(parts[i])
		o := fault.Observation{Edits: p.edits, Probe: p.probe(a, &b, references.RedOnGround, drive), Noise: fault.Noise{Own: leastNoise}}
		told, err := p.ph.PredictBoards(w, &o, p.boards())
		if err != nil {
			return err
		}
		shows[i] = make([]shown, len(told))
		for k, pr := range told {
			ohms := voltsToOhms(drive, pr.Volts)
			_, slope := ohmsToVolts(drive, math.Min(ohms, meter.OhmsOver))
			shows[i][k] = shown{pr.Volts, math.Hypot(pr.Sigma, slope*math.Hypot(leadOhms, (meter.Gain+modelOhms)*ohms)), pr.Volts > drive.Over}
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
		t := test{step: Step{Do: DoAcross, Part: p.Board.Parts[part].Name, At: p.Board.PointName(a), Then: []string{p.Board.PointName(b)}, Seconds: p.costs.Across}}
		t.seen = p.readings(shows[i], rows, n)
		for k := range t.seen {
			if v := t.seen[k].Volts; v != nil {
				ohms := voltsToOhms(drive, *v)
				t.seen[k] = StepOutcome{Ohms: &ohms, Seen: quantity.Format(math.Round(ohms*10)/10, quantity.Ohm)}
				if ohms >= 10 {
					t.seen[k].Seen = roughly(ohms)
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
	a, b := p.terminals(part)
	for i := range p.taken {
		if t := &p.taken[i]; t.read.To != nil && t.edits.Equal(p.edits) && (t.read.At == a && *t.read.To == b || t.read.At == b && *t.read.To == a) {
			return true
		}
	}
	return false
}
