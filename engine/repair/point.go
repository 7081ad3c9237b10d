package repair

import (
	"math"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// points lists where a probe could usefully land: both sides of every break that
// is suspected, every terminal whose joint is, and one point of each net within
// reach, the easiest to touch whose joint is not: read there, the net shows what
// the joint keeps from the terminal.
func (p *planning) points() []netlist.Point {
	var out []netlist.Point
	have, joint := map[string]bool{}, map[string]bool{}
	add := func(pt netlist.Point) {
		if name := p.Board.PointName(pt); !have[name] && len(out) < mostPoints && p.Touchable(pt) {
			have[name] = true
			out = append(out, pt)
		}
	}
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil {
				add(p.Taken[p.TakenOf(f.Observation)].Read.At)
				continue
			}
			switch c := &f.Locus.Change; c.Kind {
			case network.Detach:
				pt := p.Model.PointOf(c.Contact)
				joint[p.Board.PointName(pt)] = true
				add(pt)
			case network.Split:
				add(p.Board.Nets[c.Net].Along[c.After])
				add(p.Board.Nets[c.Net].Along[c.After+1])
			}
		}
	}
	for _, n := range p.reach() {
		if best := p.easiestOn(n, joint); best != nil {
			add(*best)
		}
	}
	return out
}

// easiestOn gives the point of a net that a probe reaches best, but for some by name; nil
// where none is left.
func (p *planning) easiestOn(n netlist.NetID, but map[string]bool) *netlist.Point {
	var best *netlist.Point
	for _, pt := range p.Board.PointsOn(n) {
		if p.Touchable(pt) && !but[p.Board.PointName(pt)] && (best == nil || p.TouchCost(pt) < p.TouchCost(*best)) {
			best = &pt
		}
	}
	return best
}

// shielded gives the setup that a point needs.
func (p *planning) shielded(pt netlist.Point) int {
	if pt.Kind == netlist.PointTerminal && p.Board.Parts[pt.Terminal.Part].Access == netlist.Shield {
		return openShield
	}
	return -1
}

// readAlready tells whether a point has been read in a polarity with the board as
// it lies: a second reading would show the same again, whatever the model makes of
// it. Where the first may have missed the pad, reading it again is a remedy of its own.
func (p *planning) readAlready(pt netlist.Point, pol references.Polarity) bool {
	return p.timesRead(pt, pol) > 0
}

// timesRead counts the readings of a point in a polarity with the board as it lies.
func (p *planning) timesRead(pt netlist.Point, pol references.Polarity) (n int) {
	name := p.Board.PointName(pt)
	for i := range p.Taken {
		if t := &p.Taken[i]; t.Read.To == nil && t.Read.Polarity == pol && t.Edits.Equal(p.Edits) && p.Board.PointName(t.Read.At) == name {
			n++
		}
	}
	return n
}

// measure is the step of reading a point, red probe on ground.
func (p *planning) measure(at string) Step {
	return Step{Do: DoMeasure, At: at, Polarity: references.RedOnGround.String(), Seconds: p.Costs.Measure, Outcomes: []StepOutcome{}}
}

// oddest gives the reading furthest out of range of some observations that was taken at a
// point as the board lies, nil where none is.
func (p *planning) oddest(obs []int) (best *diagnose.Taken) {
	far := diagnose.VerdictSigmas
	for _, o := range obs {
		for i := range p.Taken {
			t := &p.Taken[i]
			if z := math.Abs(p.Result.ZScore[o]); t.Obs == o && z > far && t.Plain(p.Edits) {
				best, far = t, z
			}
		}
	}
	return best
}
