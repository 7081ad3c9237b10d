package engine

import (
	"math"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
)

// shown is what one hypothesis predicts at one point.
type shown struct {
	volts, sigma float64
	over         bool
}

// apartSigmas is by how many standard deviations predictions lie apart that a reading
// distinguishes.
const apartSigmas = 4.0

// showing gives what an observation shows on each of several boards.
func showing(ph *fault.Physics, w *network.Workspace, o *fault.Observation, boards [][]network.Change) ([]shown, error) {
	told, err := ph.PredictBoards(w, o, boards)
	if err != nil {
		return nil, err
	}
	out := make([]shown, len(told))
	for i, pr := range told {
		out[i] = shown{pr.Volts, math.Hypot(pr.SD(), o.Noise.Own), pr.Volts > o.Probe.Meter.Over}
	}
	return out, nil
}
