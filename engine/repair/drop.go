package repair

import (
	"math"
	"slices"

	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Limits of driving current into a short to read millivolts along the rail (common
// practice, no source).
const (
	DropVolts   = 0.3 // V, to which the supply is limited: no junction conducts there
	DropAmperes = 1.0 // A, the most
	dropLeast   = 0.1 // A, the least
	// The copper between two parts that has to show twice the step of the display.
	dropCopper = 2e-3 // ohm
	dropStep   = 1e-4 // V, of a common hand meter's millivolt range (from memory)

	dropParts = 20
	dropNames = 0.7 // share of plays in which the shorted part reads lowest by itself
)

// drops adds reading millivolts at the parts of a shorted rail.
func (p *planning) drops() {
	blamed := p.blamed()
	for n := range p.Board.Nets {
		rail, net := netlist.NetID(n), &p.Board.Nets[n]
		if !net.Rail || net.Boosted || p.droppedBefore(rail) {
			continue
		}
		clip := p.clip(rail)
		var parts []netlist.PartID
		for _, part := range blamed {
			if len(parts) < dropParts && p.padOn(part, rail) && slices.ContainsFunc(p.hyps, func(h hypothesis) bool { return p.dropAmperes(&h, part, rail) > 0 }) {
				parts = append(parts, part)
			}
		}
		if clip == netlist.None || len(parts) < 2 {
			continue
		}
		rows, amperes := make([][]float64, len(p.hyps)), DropAmperes
		for i := range p.hyps {
			rows[i] = make([]float64, len(parts)+1)
			rows[i][len(parts)] = 1
			for k, part := range parts {
				a := p.dropAmperes(&p.hyps[i], part, rail)
				if a == 0 {
					continue
				}
				amperes = math.Min(amperes, a)
				for j := range parts {
					rows[i][j] = (1 - dropNames) / float64(len(parts)-1)
				}
				rows[i][k], rows[i][len(parts)] = dropNames, 0
				break
			}
		}
		t := test{step: Step{Do: DoDrop, At: net.Name, Amperes: amperes, Part: p.Board.Parts[clip].Name, Seconds: p.Costs.Drop + p.Costs.DropPart*float64(len(parts))}}
		for _, part := range parts {
			t.step.Parts = append(t.step.Parts, p.Board.Parts[part].Name)
			t.seen = append(t.seen, StepOutcome{Seen: p.Board.Parts[part].Name + " lowest"})
		}
		t.seen = append(t.seen, StepOutcome{Seen: "all alike"})
		p.addRows(t, rows, len(parts)+1, -1)
	}
}

// dropAmperes gives the current that a hypothesis lets through a part's short on a rail,
// in amperes, rounded down to what a supply's dial shows: 0 where it is no such short, or
// one of too many ohms for the copper to show.
func (p *planning) dropAmperes(h *hypothesis, part netlist.PartID, rail netlist.NetID) float64 {
	for k := range h.faults {
		f := &h.faults[k]
		if f.Locus == nil || f.Locus.Part != part || !f.Locus.Change.Joins(rail, p.Board.Ground) {
			continue
		}
		amperes := math.Floor(math.Min(DropAmperes, DropVolts/math.Max(f.Ohms, network.MinOhms))*10) / 10
		if amperes >= dropLeast && amperes*dropCopper > 2*dropStep-1e-12 {
			return amperes
		}
	}
	return 0
}

// clip gives where to clip the supply: the largest capacitor on the rail, otherwise a coil;
// None where there is none. A connector pin would burn.
func (p *planning) clip(rail netlist.NetID) netlist.PartID {
	best, farads := netlist.PartID(netlist.None), 0.0
	for _, t := range p.Board.Nets[rail].Terminals {
		at := &p.Board.Parts[t.Part]
		if at.Access != netlist.Open || p.Edits.Of(t.Part).Removed {
			continue
		}
		switch {
		case at.Kind == netlist.Capacitor && at.Value > farads:
			best, farads = t.Part, at.Value
		case at.Kind == netlist.Inductor && best == netlist.None:
			best = t.Part
		}
	}
	return best
}

// padOn tells whether a probe reaches a terminal of a part on a net.
func (p *planning) padOn(part netlist.PartID, net netlist.NetID) bool {
	at := &p.Board.Parts[part]
	return at.Access == netlist.Open && at.Package != netlist.BallGrid && !p.Edits.Of(part).Removed &&
		slices.ContainsFunc(at.Terminals, func(t netlist.Terminal) bool { return t.Net == net })
}

// droppedBefore tells whether millivolts were read along a rail of the board as it lies.
func (p *planning) droppedBefore(rail netlist.NetID) bool {
	for _, st := range p.Stages {
		for _, ev := range st.Events {
			if slices.ContainsFunc(ev.Drops, func(x journal.Drop) bool { return x.Rail == rail }) && st.Edits.Equal(p.Edits) {
				return true
			}
		}
	}
	return false
}

// DropCautions says how current is driven into a short: where to clip, what limits to
// set, what has to be off.
func DropCautions(s *Step) []string {
	return []string{
		"cable, module and battery off; supply limited to " + quantity.Format(DropVolts, quantity.Volt) + " and " + quantity.Format(dropLeast, quantity.Ampere) + " first, then up to " + quantity.Format(s.Amperes, quantity.Ampere),
		"clip it to " + s.Part + " and to ground, never to a connector pin; black lead on ground, where it stays; red on the rail's pad of each part, in millivolts",
	}
}
