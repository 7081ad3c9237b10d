package diagnose

import (
	"math"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
)

// Predicted is what one hypothesis predicts at one point.
type Predicted struct {
	Volts, Sigma float64
	Over         bool
}

// PredictEach gives what an observation shows on each of several boards.
func PredictEach(ph *fault.Physics, w *network.Workspace, o *fault.Observation, boards [][]network.Change) ([]Predicted, error) {
	read, err := ph.PredictBoards(w, o, boards)
	if err != nil {
		return nil, err
	}
	out := make([]Predicted, len(read))
	for i, pr := range read {
		out[i] = Predicted{pr.Volts, math.Hypot(pr.SD(), o.Noise.Own), pr.Volts > o.Probe.Meter.Over}
	}
	return out, nil
}
