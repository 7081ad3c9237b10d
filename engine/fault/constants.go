package fault

import "math"

// The numbers that move a probability, all of them; how likely each kind of part fails
// stands in priors.yaml, and what only bounds the work stands where it is used. CPNS: common
// practice, no source. Influence is what half and double of a number move, on average over
// 18 cases of two boards (sweeps that came in, and the same cases before the first rework):
// half the sum of the absolute changes of what is said of suspects, of no fault and of quiet
// faults. Where none is given both move less than 0.0005, or no case has what it is about: presses,
// drops, swaps, injected current, cleaning.
const (
	// Ranges of resistance in ohms. A short stays below ShortOhms; a leak lies between it
	// and LeakOhms; a high resistance is anything from leastHigh that a series part has no
	// right to, up to what is as good as open (CPNS).
	LeastOhms = 0.05 // ohm; half 0.0008, double 0.0008
	ShortOhms = 10.0 // ohm; half 0.0026, double 0.0011
	LeakOhms  = 1e5  // ohm; half 0.004, double 0.0025
	leastHigh = 2.0  // ohm; half 0.0018, double 0.0018

	// What readings of one board share, as standard deviations, and what is each one's own.
	boardShift    = 0.007   // V, all junctions of the board, by lot and meter (from memory); half 0.0028, double 0.0025
	sessionShift  = 0.004   // V, all junctions in one session, by temperature: 2 K (from memory); half 0.0011, double 0.0015
	lotShift      = 0.005   // V, all junctions of one IC, by lot and maker (from memory); half 0.016, double 0.023
	testCurrent   = 0.009   // share of a meter's test current: 1.5 %, rectangular (from memory)
	lastDigit     = 0.695   // counts: a step of the display and one count either way in two readings of five, sqrt(1/12 + 2/5); half 0.0005, double 0.0009
	modelFloor    = 0.0005  // V that the model itself gets wrong (from memory); half 0, double 0.0005
	modelGap      = 0.02    // the same, as a share of the reading or of the difference that a fault makes, whichever is less: the shape of junction curves, the tolerance of parts; all readings of a net are off alike (CPNS); half 0.0009, double 0.0023
	fewDF         = 6       // degrees of freedom of a prediction that no good board vouches for: tails wide enough for a model that is not quite right (CPNS)
	priorDF       = 30      // the same of how far a point that no good board was read at may lie from what its junctions usually drop: nearly a normal (from memory)
	faultyNet     = 0.03    // of nets are touched by a fault (CPNS)
	faultyDensity = 1 / 0.6 // per V, of what such a net then reads: evenly over 0.6 V (CPNS)
	inLineFrom    = 0.5     // correlation, without what sessions and ICs share, from which readings hang together as one line (CPNS); half 0, double 0.0005
	loadOhms      = 3e3     // of a rail's load that nobody drew (fit.LoadedRails of them have one): what it then makes of a reading is a standard deviation (CPNS)
	existing      = 0.9     // of the junctions to ground and supply of IC pins are there although no reading ever showed them (from memory)

	// From when on something counts.
	outlierFrom = 1.6      // standard deviations from which a reading calls for candidates: low, for several small shifts make a leak, and a false call costs only time (CPNS); half 0.0032, double 0.0036
	bayesFrom   = math.Ln2 // logarithm of the least factor by which the readings have to speak for a fault in the company of its set; others are quiet (CPNS); half 0.0007, double 0.0043
	doubtedFrom = 2.0      // standard deviations by which a voltage is off from which it is weighed that something may be otherwise (CPNS); half 0.0008, double 0.001
	doubtedOver = 0.05     // the same of OL: the chance of it up to which it is (CPNS)
	looseFrom   = 0.01     // V for a factor of e from which a wrong value counts (CPNS); half 0.008, double 0.0014
	looseNoise  = 5        // the same of a resistance reading: times its noise (CPNS)
	faintVolts  = 0.004    // V by which a fault may change a reading and leave other faults' effect on it as it is (CPNS); half 0, double 0.0032
	leastMoved  = 0.2      // of what a reading varies by is worth an entry (CPNS); half 0.0041, double 0.0014
	mostMoved   = 0.5      // of it leaves other faults' effect as it is (CPNS); half 0, double 0.0033
	noVolts     = 3e-4     // V that are worth no entry (CPNS)
	many        = 12       // observations from which what they rest on under a fault is taken to be that of a good board, in proportion to the voltage (CPNS); half 0.015, double 0
	sameSigmas  = 3.0      // within which one reading does not tell two predictions apart (CPNS)

	// Readings that nothing accounts for, spread evenly over the display: they keep one
	// outlier from outweighing any number of good ones (CPNS).
	OutliersKnown     = 1e-5 // of readings where good boards were read
	OutliersPredicted = 1e-3 // where the estimated circuit predicts
	OutliersOhms      = 0.04 // of resistances other than those of one part, for pins of ICs and values that drawings have wrong (measured here, TestOhms: 2 to 4 % on boards drawn by people)
	OutliersUnknown   = 0.1  // where it has to guess, as no good board was ever read in this polarity; half 0.001, double 0.0025
	outlierSpan       = 2.0  // V over which they lie; half 0.005, double 0.0035
	outlierOver       = 0.3  // of them are OL; half 0.0025, double 0.0048

	// A probe that misses a pad: otherwise it reads anything (CPNS).
	missedOver      = 0.4   // touches nothing; half 0.0069, double 0.019
	missedNeighbour = 0.4   // touches a neighbouring pin where there is one, and reads as that was read; half 0.0031, double 0.013
	missedSD        = 0.004 // V about 0 where that pin is ground
	missedTwice     = 0.03  // odds that it is missed again to the same reading; half 0, double 0.0005

	// Breaks and repairs that hold only at times (CPNS).
	comesAndGoes = 0.05 // of breaks come and go; half 0.0005, double 0.0009
	NotThere     = 0.3  // of the time such a break is not there; half 0, double 0.001
	ReflowHolds  = 0.5  // of open joints under ball-grid parts hold once melted again; the others count as open within the part
	CleanHolds   = 0.8  // of leakage between pins is gone once they were cleaned; the rest goes when they are cleaned again and dried

	// A junction side by side with one that carries the current: what counts as such (CPNS).
	sharingCurrent = 0.3  // of the test current, beyond which the fit sees it; half 0, double 0.0009
	sharingVolts   = 0.25 // V across it at least; half 0, double 0.0005
	sharingBehind  = 0.15 // V that lie between it and the leads at most

	// What nobody drew.
	unknownShare = 0.08 // of the odds of all drawn paths of a line, half a conductance to ground, half anything else (from memory); half 0.012, double 0.022
	Overlooked   = 0.1  // of it stays once somebody has looked along a net (CPNS)

	// Injected current and what is read under it.
	feedOhms    = 5.0          // ohm up to which it passes to nets next to its rail, as through beads and links (CPNS)
	unknownRail = 1.8          // V taken for a rail whose own are not known (CPNS)
	feedAmperes = 2.0          // A that the supply is limited to (CPNS)
	DropVolts   = 0.3          // V that it is limited to for a drop, so that no junction conducts (CPNS)
	DropStep    = 1e-4         // V, the least step of the displays that read it, of a common hand meter's millivolt range (from memory)
	AcrossLeast = 3 * DropStep // V that a part as drawn drops at least where that tells anything: half of it shows, and beads differ by less (CPNS)
	leastCopper = 1e-4         // ohm between neighbours on a rail at least, log-uniform: 0.5 milliohm a square for copper of 35 um (from memory)
	mostCopper  = 6e-2         // ohm at most, some pieces following one another
	tiedShare   = 0.3          // of parts tie with the shorted one: on a branch that leads away from the current, or on a plane (CPNS)
	tiedCount   = 2            // parts that the share of tied ones known beforehand counts for (measured here, TestDropUnread)
	strayShare  = 0.02         // of shorted parts do not read lowest, for a probe next to the pad (CPNS)

	// Pressing a part, and a known-good cable or module in place of the one at a connector.
	pressCloses = 0.6  // of presses of a part with a bad joint make it (CPNS)
	pressStray  = 0.02 // of other presses change the reading (CPNS)
	SwapMends   = 0.6  // of swaps mend the complaint where the board is good (CPNS)
	SwapStray   = 0.02 // where it is not (CPNS)
)
