package coverage

import "halfsplit/references"

// Request asks what a sweep of connectors can show of a board.
type Request struct {
	Connectors []string         // empty for all
	Meter      references.Meter // the zero Meter for references.DefaultMeter
	// Progress, if not nil, is called as the work goes on, by one goroutine at a
	// time.
	Progress func(done, of int)
}

// Coverage says which faults a sweep of connector pins shows, before anything is
// wrong. A fault counts as seen where it moves the reading of some pin by
// seenSigmas standard deviations of what good boards read there and of the
// meter, or changes a reading to or from OL.
type Coverage struct {
	Board      string   `json:"board"`
	Revision   string   `json:"revision"`
	Connectors []string `json:"connectors"`
	Pins       int      `json:"pins"`  // that lead somewhere other than ground
	Known      int      `json:"known"` // of them, read on good boards or alike to one that was
	Summary    Summary  `json:"summary"`
	// Faults are all that can go wrong, in the order of the board file: parts,
	// then traces, pins and bridges.
	Faults []Fault `json:"faults"`
	// Groups are the ambiguity groups (IEEE Std 1522, from memory): faults that
	// are seen and that the sweep cannot tell from each other. The likeliest
	// group comes first; a fault's Group is its place in here, from 1.
	Groups []Group `json:"groups"`
	// Points are inner points that split groups of several places. The first is
	// the best one to add to the sweep, the second the best one to add to both,
	// and so on.
	Points []Point `json:"points"`
}

// Summary counts faults by how much of them the sweep shows.
type Summary struct {
	Faults int `json:"faults"`
	Seen   int `json:"seen"`    // at every resistance that they can have
	InPart int `json:"in_part"` // at some
	Never  int `json:"never"`   // at none
	Beyond int `json:"beyond"`  // of Never, those on no line of the pins
	// Share is the part of what goes wrong on the lines of the pins that the
	// sweep shows, each fault weighted by its prior odds and, where it is seen at
	// some resistances only, by their part of the range's logarithm.
	Share float64 `json:"share"`
	// Groups counts ambiguity groups, Single those of one place only: one part,
	// pin, gap or stretch of trace.
	Groups int `json:"groups"`
	Single int `json:"single"`
}

// Fault is one fault and what the sweep shows of it.
type Fault struct {
	Part     string `json:"part"`     // a part, a connector, or "" for a trace
	Terminal string `json:"terminal"` // of Part; "" for the part as a whole
	Mode     string `json:"mode"`
	At       string `json:"at"` // for people: "R12", "U5.B2", "J7.2 to J7.4", "L11.1 to L11.2"

	Seen  bool   `json:"seen"`  // by a sweep in the usual polarity, at some resistance
	Range string `json:"range"` // SeenWhole, SeenPart or SeenNever
	Why   string `json:"why"`   // unless Range is SeenWhole

	// What the sweep shows at one resistance: the middle, by ratio, of the range
	// that it sees, or where it sees nothing the one that shows most.
	Ohms     *float64 `json:"ohms"`        // null for an open
	By       string   `json:"by"`          // the pin that shows most; "" for none
	Shift    *float64 `json:"shift_volts"` // against a good board; null for a change to or from OL
	Overload bool     `json:"overload"`    // the display shows OL
	Sigmas   float64  `json:"sigmas"`      // of a normal; 11 and more are given as 11

	// Where the range is seen in part: a path is too faint above one resistance,
	// a resistance in series below another. Null where always or never seen.
	VanishesAbove *float64 `json:"vanishes_above_ohms"`
	VanishesBelow *float64 `json:"vanishes_below_ohms"`

	// Whether the pins would show it, at some resistance, with the leads changed
	// over, or in resistance mode with the leads either way; and the resistance
	// at which it vanishes there, null where always or never seen.
	OtherPolarity      bool     `json:"other_polarity"`
	OtherPolarityLimit *float64 `json:"other_polarity_limit_ohms"`
	ResistanceMode     bool     `json:"resistance_mode"`
	ResistanceLimit    *float64 `json:"resistance_mode_limit_ohms"`
	// Better tells that one of these shows some of what the sweep does not.
	Better bool `json:"better"`

	Group int `json:"group"` // 0 where nothing is seen
}

// Group is an ambiguity group.
type Group struct {
	Members []string `json:"members"` // "R12 open", likeliest first
	Places  []string `json:"places"`  // parts, pins, gaps and traces that they are in
	Share   float64  `json:"share"`   // of the prior odds of all faults that are seen
	// Points are inner points whose reading would split the group, the best
	// first; none where the group is one place or no point splits it.
	Points []Split `json:"points"`
}

// Split is what the reading of an inner point makes of a group.
type Split struct {
	At        string     `json:"at"`
	Subgroups []Subgroup `json:"subgroups"`
}

// Subgroup is the part of a group that makes an inner point read alike.
type Subgroup struct {
	Volts    *float64 `json:"volts"` // the likeliest member's; null for OL
	Overload bool     `json:"overload"`
	Members  []string `json:"members"`
}

// Point is an inner point worth reading on good boards.
type Point struct {
	At  string `json:"at"`
	Net string `json:"net"`
	// Splits counts the groups that it splits further than the points before it
	// do, and Gain is what that is worth, of all faults that are seen: see
	// reaching.choose.
	Splits int     `json:"splits"`
	Gain   float64 `json:"gain"`
}

// name is a fault in a few words.
func (f *Fault) name() string { return f.At + " " + f.Mode }
