package fit

// The numbers that move a probability, all of them. Priors of junctions stand with their
// origins (network.Origin.Prior); what only ends a loop or bounds the work stands where it
// is used. CPNS: common practice, no source. Influence, where it was measured, is that on
// the share of converted readings within two standard deviations where one meter was ever
// used (97.4 %, TestConvertAgainstNgspice) or on how far held-back readings with one good
// board are from uniform (0.033, TestHeldBack).
const (
	// Good boards.
	pooledDF      = 8.0     // weight of the spread over all points as a prior for one (CPNS)
	enoughDF      = 10.0    // boards less points from which that is used, rather than the default (CPNS)
	sharedSpread  = 1.0 / 3 // part of the default spread of a junction that all of a board's or an IC's have in common, counted there (from memory); none 0.106
	matchedSpread = 0.015   // V, standard deviation of lines that should read alike (CPNS)
	// A sweep's own shift is the median over so many readings at least, of so much slope
	// and within so many volts of the others (CPNS).
	levelReadings = 5
	levelSlope    = 0.5
	levelReach    = 0.05

	// Conversion between meters.
	undrawn     = 0.06  // standard deviation of a step between currents, as a share of what junctions have in it, in a circuit that is not as drawn (CPNS)
	supplies    = 0.12  // the same of what is read into supplies, whose loads lie side by side (CPNS)
	splitShare  = 1.0   // the same for each share of the current that is split between junctions side by side, one of which may take it all (CPNS)
	ohmicStep   = 0.01  // the same, as a share of what drawn resistances have in it (CPNS)
	Tolerance   = 0.006 // standard deviation of a resistance from board to board, as a share: 1 %, rectangular (IEC 60062 code F; JCGM 100:2008 4.3.7)
	mostlyOhmic = 0.05  // V by which a reading moves with 1 V of all junction drops, up to which it is one of resistances alone (CPNS)
	ConvertDF   = 3     // degrees of freedom of what conversion is off: 82.5 % is within one and 96.7 % within two standard deviations, as of a Student t with 3 and not as of a normal
	contactDF   = 4     // weight, in readings, of what contacts usually differ by (references.ContactSD), against what the readings of a spot show (CPNS)
	LoadedRails = 0.15  // of rails have a load that nobody drew, such as a divider or a regulator's feedback (CPNS)
	loadTakes   = 0.5   // of the current it takes there (CPNS)
	mostSeries  = 0.7   // of a drop is due to series resistance at most (from memory)

	// What the drawing has wrong.
	WrongDrawn  = 0.05 // of drawn values are wrong (from memory)
	WrongBy     = 1.2  // standard deviation of the natural logarithm of the factor: a tenth to ten times lie within two (from memory)
	mostWrong   = 20.0 // factor by which one is wrong at most (from memory)
	leastWrong  = 1.5  // factor from which one is wrong and not poor (CPNS)
	nearOver    = 0.9  // of the limit of a display, above which a voltage may well be OL on the next board (CPNS)
	swappedPins = 1e-3 // of pairs of pins next to each other were swapped in a sweep of a good board: one sweep in a hundred (CPNS)
	leastGain   = 1.0  // logarithm of the odds from which a value is taken to be wrong (CPNS)

	// Junctions that nobody drew.
	undrawnSpread = 0.02 // V, within which the drop of one is the same with every meter (CPNS)
	undrawnWrong  = 25   // squares of standard deviations that a reading counts against a place at most, as it may be wrong itself (CPNS)
	farther       = 0.5  // the same, in favour of a place for each resistance further from the spot (CPNS)
	lowBy         = 0.25 // V that good boards read less than the circuit from which one is looked for (CPNS)
	undrawnCost   = 1.5  // twice the logarithm of the odds against one (CPNS)
	secondCost    = 8    // the same, more, on a line where one is drawn (CPNS)
	shown         = 0.2  // of its prior variance is left of a junction that readings of good boards show nothing of (CPNS)
)
