package repair

import (
	"cmp"
	"math"
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Limits of driving current into a short to read millivolts along the rail (common
// practice, no source).
const (
	DropAmperes = 1.0 // A, the most
	dropLeast   = 0.1 // A, the least
	// The copper between two parts that has to show twice the step of the display.
	dropCopper = 2e-3 // ohm

	dropParts = 20
	dropNames = 0.7 // share of plays in which the shorted part reads lowest by itself
)

// drops adds reading millivolts at the parts of a shorted rail.
func (p *planning) drops() {
	blamed := p.blamed()
	for n := range p.Board.Nets {
		rail, net := netlist.NetID(n), &p.Board.Nets[n]
		if !net.Rail || net.Boosted {
			continue
		}
		clip := p.clip(rail)
		var parts []netlist.PartID
		for _, part := range blamed {
			if len(parts) < dropParts && p.padOn(part, rail) && p.lowest(rail, part) && slices.ContainsFunc(p.hyps, func(h hypothesis) bool { return p.dropAmperes(&h, part, rail) > 0 }) {
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
			if p.hyps[i].joins(rail, p.Board.Ground) { // at what no probe reaches: the nearest part reads lowest
				for k := range parts {
					rows[i][k] = 1 / float64(len(parts))
				}
				rows[i][len(parts)] = 0
			}
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

// joins tells whether a hypothesis has a path between two nets.
func (h *hypothesis) joins(a, b netlist.NetID) bool {
	return slices.ContainsFunc(h.changes, func(c network.Change) bool { return c.Joins(a, b) })
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
		amperes := math.Floor(math.Min(DropAmperes, fault.DropVolts/math.Max(f.Ohms, network.MinOhms))*10) / 10
		if amperes >= dropLeast && amperes*dropCopper > 2*fault.DropStep-1e-12 {
			return amperes
		}
	}
	return 0
}

// clip gives where to clip the supply: the largest capacitor on the rail, otherwise a coil;
// None where there is none. A connector pin would burn. Clipped once more it is to one of
// those that read lowest before: what lies beside the way from there to the short reads
// higher then, unless the short is at the clip, from where no current passes along the rail.
func (p *planning) clip(rail netlist.NetID) netlist.PartID {
	list := slices.DeleteFunc(p.clips(rail), func(part netlist.PartID) bool { return !p.lowest(rail, part) })
	drops, alike := 0, 0
	for _, x := range p.Evidence.Drops {
		if x.Rail == rail && len(x.Volts) > 0 {
			drops++
			if x.Alike() {
				alike++ // clipped to a part that is still on the list
			}
		}
	}
	if drops > 0 && len(list) < 2 || drops >= mostClips || alike >= min(mostAlike, len(list)) {
		return netlist.None
	}
	return list[alike]
}

// clips lists what the supply may be clipped to on a rail: large capacitors first, coils last.
func (p *planning) clips(rail netlist.NetID) (list []netlist.PartID) {
	for _, t := range p.Board.Nets[rail].Terminals {
		at := &p.Board.Parts[t.Part]
		if at.Access == netlist.Open && !p.Edits.Of(t.Part).Removed && (at.Kind == netlist.Capacitor || at.Kind == netlist.Inductor) && !slices.Contains(list, t.Part) {
			list = append(list, t.Part)
		}
	}
	size := func(part netlist.PartID) float64 {
		if at := &p.Board.Parts[part]; at.Kind == netlist.Capacitor && at.Value > 0 {
			return at.Value
		}
		return 0
	}
	slices.SortStableFunc(list, func(a, b netlist.PartID) int { return cmp.Compare(size(b), size(a)) })
	return list
}

// lowest tells whether a part read as low as any other whenever millivolts were read along
// a rail.
func (p *planning) lowest(rail netlist.NetID, part netlist.PartID) bool {
	return !slices.ContainsFunc(p.Evidence.Drops, func(x fault.Drop) bool { return x.Rail == rail && !x.Lowest(part) })
}

// The supply is clipped to so many places, one after the other, and to so many from which
// all parts read alike: they lie on a plane then, or the short is on another net (common
// practice, no source).
const (
	mostClips = 6
	mostAlike = 2
)

// padOn tells whether a probe reaches a terminal of a part on a net.
func (p *planning) padOn(part netlist.PartID, net netlist.NetID) bool {
	at := &p.Board.Parts[part]
	return at.Access == netlist.Open && at.Package != netlist.BallGrid && !p.Edits.Of(part).Removed &&
		slices.ContainsFunc(at.Terminals, func(t netlist.Terminal) bool { return t.Net == net })
}

// endsTell is how many times the resistance of a part a short may have for the resistances at
// the ends of the part to tell its side: of more, ModelOhms of it hides the difference.
const endsTell = 1 / (3 * math.Sqrt2 * diagnose.ModelOhms)

// sides adds reading millivolts across a series part between a rail that may be fed and
// another: where the short lies beyond it, the current leaves through it. That tells the
// sides of a bead apart up to a few hundred ohm, far beyond what resistances at its ends do.
func (p *planning) sides() {
	for n := range p.Board.Nets {
		rail, net := netlist.NetID(n), &p.Board.Nets[n]
		if !net.Rail || net.Boosted || len(p.clips(rail)) == 0 {
			continue
		}
		p.Model.Neighbours(rail, func(e int32, _ netlist.NetID) {
			part := p.Model.Elements[e].Part
			if part == netlist.None || !isSeries(&p.Board.Parts[part]) || !p.padOn(part, rail) || p.Edits.Of(part).Jumpered || p.readAcross(part) {
				return
			}
			at := &p.Board.Parts[part]
			x := fault.AcrossPart(p.Model, p.Physics.Values, rail, part, p.Edits, 0)
			rows, amperes, apart := make([][]float64, len(p.hyps)), dropLeast, [2]bool{}
			for i := range p.hyps {
				rows[i] = []float64{1, 0}
				for k := range p.hyps[i].changes {
					c := &p.hyps[i].changes[k]
					volts, known := x.Drops(c, p.Board.Ground, dropLeast)
					switch {
					case !known:
					case volts == 0:
						apart[0] = apart[0] || c.Ohms > endsTell*x.Ohms
					case volts > 1.05*fault.AcrossLeast: // whatever rounding the current in the case file
						rows[i], apart[1] = []float64{0, 1}, apart[1] || c.Ohms > endsTell*x.Ohms
						amperes = math.Min(amperes, volts/x.Ohms)
					default: // too little to tell
						rows[i] = []float64{0.5, 0.5}
					}
				}
			}
			if apart[0] && apart[1] {
				p.addRows(test{
					step: Step{Do: DoDrop, At: net.Name, Part: at.Name, Parts: []string{at.Name}, Amperes: amperes, Seconds: p.Costs.Drop + p.Costs.DropPart},
					seen: []StepOutcome{{Seen: "nothing across " + at.Name}, {Seen: "millivolts across " + at.Name}},
				}, rows, 2, -1)
			}
		})
	}
}

// readAcross tells whether millivolts were read across a part, from whichever side.
func (p *planning) readAcross(part netlist.PartID) bool {
	return slices.ContainsFunc(p.Evidence.Drops, func(d fault.Drop) bool {
		return slices.ContainsFunc(d.Across, func(x fault.Across) bool { return x.Part == part })
	})
}

// across tells of millivolts that are read across a part, and not along a rail.
func (s *Step) across() bool { return s.Do == DoDrop && len(s.Parts) == 1 }

// DropCautions says how current is driven into a short: where to clip, what limits to
// set, what has to be off.
func DropCautions(s *Step) []string {
	off := "cable, module and battery off; supply limited to " + quantity.Format(fault.DropVolts, quantity.Volt) + " and " + quantity.Format(dropLeast, quantity.Ampere)
	if s.across() {
		return []string{off,
			"clip it to a large capacitor on " + s.At + " and to ground, never to a connector pin; both leads on the pads of " + s.Part + ", on a range that shows 0.1 mV"}
	}
	return []string{
		off + " first, then up to " + quantity.Format(s.Amperes, quantity.Ampere),
		"clip it to " + s.Part + " and to ground, never to a connector pin; black lead on ground, where it stays; red on the rail's pad of each part, in millivolts",
	}
}
