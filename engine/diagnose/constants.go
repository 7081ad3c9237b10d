package diagnose

import "time"

// The numbers that move a probability or a verdict, all of them; what only bounds lists and
// work stands where it is used. CPNS: common practice, no source. Influence is what half and
// double of a number move of the expected repair time, as a share, on the cases of
// fault/constants.go; of probabilities none moves 0.0005.
const (
	// Verdicts.
	VerdictSigmas = 3.3   // beyond which a reading is low or high: 1 in 1,000 good ones; half 0, double 0.056
	shortVolts    = 0.015 // V below which a line that should read a drop counts as shorted (CPNS)
	groundOhms    = 2     // ohm, besides leads and meter, beyond which a ground pin is no ground (CPNS)
	ApartSigmas   = 4.0   // by which predictions lie apart that a reading distinguishes (CPNS)
	turnedSigmas  = 6.0   // by which a turned part shifts a reading that shows it beyond doubt (CPNS)
	turnedVolts   = 0.03  // V, and by so many (CPNS)

	// Resistance readings.
	LeadOhms    = 0.3  // ohm, uncertainty of leads and contact (CPNS); half 0.0012, double 0
	ContactOhms = 0.07 // ohm, what is left of it in the difference of two readings with the same leads: contacts, and a display in steps of 0.1 ohm (CPNS); half 0, double 0.0007
	ModelOhms   = 0.02 // share that the model gets wrong (CPNS); half 0, double 0.0009
	LeastNoise  = 1e-6 // V of noise in the divider at least
	// Ohms, at a meter's voltage, of what nobody draws (CPNS).
	supplyOhms  = 3e3 // from a pin of an IC that is not in the drawing to its supply
	pinsOhms    = 5e4 // between two of its pins
	leakageOhms = 3e5 // of junctions and residue on any board; half 0.0043, double 0

	cooled = 30 * time.Minute // for which a board is taken to stay as warm as it is (CPNS)

	// From when on a sweep is no sweep of the board (CPNS). Faults drawn at random, two on a
	// board, rails shorted among them, stay below all of it: TestPlausibleFaults.
	offRun      = 3    // lines at OL one after the other, a ground pin among them, that ought to read a drop
	fewestAlike = 4    // nets that all read OL, or all 0
	nearlyAll   = 0.9  // share of nets that read 0 where some do not,
	manyAlike   = 8    // of so many
	zeroNets    = 3    // nets at 0 next to pins that are not connected and read 0 too,
	zeroShare   = 0.5  // and their share
	mostWrong   = 0.5  // share of nets that read wrong,
	fewestWrong = 5    // and how many,
	leftShare   = 0.25 // where the likeliest faults leave this share of all nets wrong,
	fewestLeft  = 3    // and so many
	groundPins  = 2    // ground pins that none reads 0
)
