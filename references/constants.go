package references

// The numbers that move a probability, all of them; what only bounds the work stands where
// it is used. CPNS: common practice, no source. Influence is what half and double of a number
// move, as in fault/constants.go; what the checks of a library move is not in it.
const (
	// Good boards.
	PriorDF       = 4    // weight of the default spread, in boards: it counts as much as the spread seen between PriorDF+1 boards (CPNS)
	overloadDoubt = 0.01 // weight, in boards, of the posterior that a point may read OL on one good board and a voltage on the next: one voltage leaves about 1 % for OL (CPNS)
	displaySpan   = 2.0  // V over which a voltage is thought equally likely on a point that only ever read OL: the usual display limit in diode mode (from memory)
	mostStrays    = 0.2  // of boards are left out as strays at most (CPNS)
	strayLimit    = 5    // robust spreads from the median beyond which a board is a stray: 3.5 by Iglewicz and Hoaglin (NIST/SEMATECH e-Handbook 1.3.5.17); 5 leaves out one good board in two million (CPNS)
	wrongValue    = 0.02 // of readings of good boards are mistyped, of another pin, or of a board that is not good (CPNS)
	wrongOpen     = 0.5  // of wrong readings are OL, as of a probe that missed the pad (CPNS)
	WrongDF       = 8    // weight, in boards, of the default spread when a board is compared with the others (CPNS)
	// WrongDensity is the odds of a wrong value against a right one, times its density per
	// volt.
	WrongDensity  = wrongValue / (1 - wrongValue) / displaySpan
	unreadSpread  = 0.06    // V, standard deviation of what is predicted at a pin that no good board was read at: what protective junctions read at 1 mA, from one make of IC to the next (from memory)
	unlikePrior   = 0.05    // of pairs of libraries read a point differently (CPNS)
	junctionDrift = -0.0018 // V/K of a junction at a constant current; -2 mV/K is the common rule and falls in size as the current rises (from memory)
	ContactSD     = 0.001   // V, standard deviation of one probe contact against the next (CPNS)

	// What goes wrong with a sweep as a whole, and how often: the share of files that a team
	// gets wrong before anybody checks (CPNS). Every mistake but the drift makes whole readings
	// land on the wrong value, so that the evidence is far stronger than these shares.
	priorPolarity = 0.010
	priorLayout   = 0.010 // shared evenly by the connectors and their layouts
	priorDrift    = 0.010
	priorRevision = 0.005
	priorUnusual  = 0.010
	priorSwap     = 0.010 // shared evenly by the pairs of neighbours
	priorCoarse   = 0.01
	priorNamesake = 0.02
	strayShare    = 0.01 // of readings are wrong for no reason that the check knows of: a missed pad, a mistyped figure
	differShare   = 0.4  // of readings differ on a board of another revision or one that is not good

	// explainAt is the probability from which a mistake is reported. Since the likelihood of
	// a mistake exceeds k times that of a good sweep in at most 1/k of the good sweeps
	// (Markov's inequality), a mistake with prior share q is reported for at most
	// q/(1-q)*(1-explainAt)/explainAt of the good sweeps: 0.11 % for a share of 1 %, 0.6 % for
	// all together.
	explainAt = 0.9

	// What good boards and meters in order do, and what a meter with a weak battery or worn
	// leads, or a board out of the heat (CPNS).
	steadyOffset = 0.004 // V by which readings of one sweep move together: a few kelvin of warmth at 2 mV/K,
	steadyGain   = 0.004 // and the share: the meter's calibration
	driftOffset  = 0.020 // V
	driftGain    = 0.03
	driftReach   = 0.15  // V, the largest step that is still drift
	sameBoard    = 0.002 // V, standard deviation between two sweeps of one board at a point, beyond what all points have in common
	twiceLimit   = 0.010 // V that two points of one net may read apart in one sweep: contacts, and a board that warms,
	twiceShare   = 0.02  // and how far more, as a share of the reading
	doubtSlack   = 10    // widens what the data sheet says of a meter that is doubted

	// Shares of good sweeps, and numbers of pairs, that are called wrong by mere chance.
	outlierRate   = 0.01  // of sweeps in which some reading is called an outlier, divided by the readings of the sweep (Bonferroni)
	duplicateRate = 0.01  // pairs of different boards called duplicates in a library
	unlikeRate    = 0.001 // of truly alike groups called unlike
	doubtAt       = 0.2   // probability from which an outlier is a doubt; below it is a note, which stops no hook: reading again takes seconds (CPNS)
	minPeers      = 2     // other boards that a sweep is compared with at least: with one, nobody could say which of the two is wrong
)
