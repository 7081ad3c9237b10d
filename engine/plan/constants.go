package plan

// The numbers that move an expected time or its range; bench time stands in costs.yaml, and
// what only bounds the work stands where it is used. Influence is what half and double of a
// number move of the expected time, as a share, on the cases of fault/constants.go.
const (
	// pace is the standard deviation of the natural logarithm of how long a person takes for
	// what the plan says: the seconds of costs.yaml are to the second, people are not, and
	// four in five are within a third of them. Common practice, no source. What share of
	// repairs ends in the ranges that follow is measured by TestRange of engine/trial.
	pace = 0.25

	matchedWithin = 1e-9  // between two likelihoods that count as the same: far above rounding, far below what readings could tell
	leastEnding   = 1e-5  // probability below which a way is not followed further; it ends in the mean of what may follow
	leastReached  = 0.005 // probability below which a node is not looked at: remedies are tried in order there
	rolledOut     = 8     // first steps that are rolled out, those that look best one step ahead; half 0.0095, double 0
)
