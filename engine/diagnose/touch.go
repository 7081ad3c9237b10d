package diagnose

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Spot is a place to put a probe, with the other one on ground.
type Spot struct {
	At       netlist.Point
	Polarity references.Polarity
}

// Touch gives the point of a net that a probe reaches most easily: a connector
// pin, a test pad, or a terminal of a part in the open. ok is false where none
// can be touched.
func (e *Basis) Touch(net netlist.NetID) (at netlist.Point, ok bool) {
	best := math.Inf(1)
	for _, pt := range e.Board.PointsOn(net) {
		if cost := e.TouchCost(pt); cost < best {
			at, best, ok = pt, cost, true
		}
	}
	return at, ok
}

// TouchCost orders the points of a net by how easily a probe reaches them:
// connector pins and test pads first, then terminals in the open, then those
// under a shield. Balls under an IC and parts underfilled cannot be touched.
func (e *Basis) TouchCost(pt netlist.Point) float64 {
	switch pt.Kind {
	case netlist.PointPin:
		return 0
	case netlist.PointPad:
		return 1
	case netlist.PointTerminal:
		part := &e.Board.Parts[pt.Terminal.Part]
		if network.Pinned(part.Kind) || part.Access == netlist.Underfill {
			return math.Inf(1)
		}
		if part.Access == netlist.Shield {
			return 3
		}
		return 2
	}
	return math.Inf(1)
}

// Touchable tells whether a probe reaches a point.
func (e *Basis) Touchable(pt netlist.Point) bool { return !math.IsInf(e.TouchCost(pt), 1) }
