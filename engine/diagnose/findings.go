package diagnose

// The types below are what `locate --json` writes. Voltages are in volts,
// resistances in ohms, times in seconds; probabilities are shares of 1.

// Findings are what the readings of a case mean.
type Findings struct {
	Board    string `json:"board"`
	Revision string `json:"revision"`
	// Implausible says that the readings are not those of the board; null where they
	// may be. Nothing is concluded then: there are no suspects and no steps.
	Implausible *Implausible `json:"implausible"`
	Abnormal    []Abnormal   `json:"abnormal"`
	// Explanations are sets of faults, likeliest first. They sum to at most 1;
	// the rest was not listed. An empty set says that nothing is wrong.
	Explanations []Explanation `json:"explanations"`
	// Suspects are parts and places with the marginal probability that they are
	// bad, likeliest first. More than one may be bad, so they need not sum to 1.
	Suspects []Suspect `json:"suspects"`
	// Quiet is the probability that something is bad which no reading speaks for and none
	// rules out, where nothing else explains them; Unseen lists the likeliest of it.
	Quiet  float64  `json:"quiet"`
	Unseen []Unseen `json:"unseen"`
	// Cautions are the safety notes that the work calls for.
	Cautions []string `json:"cautions"`
	// Notes are remarks on the data, such as a pin that no good board was read at.
	// Doubts are what the good boards say against the board file and each other: no
	// answer is better than the drawing.
	Doubts []string `json:"doubts,omitempty"`
	Notes  []string `json:"notes"`

	// Pins counts the points that the complaint concerns; Unread lists those of them that
	// were not read. Before all are, that nothing was found is no proof.
	Pins   int      `json:"pins"`
	Unread []string `json:"pins_unread"`

	Readings []Comparison `json:"-"` // all readings of the case, in order
}

// Abnormal is a reading that a good board would not give.
type Abnormal struct {
	At        string   `json:"at"`
	To        string   `json:"to,omitempty"` // of a two-point reading
	Volts     *float64 `json:"volts"`        // null for OL
	Overload  bool     `json:"overload"`
	KnownGood *float64 `json:"known_good"` // volts; null where good boards read OL or none was read
	// KnownGoodOverload tells that good boards read OL.
	KnownGoodOverload bool    `json:"known_good_overload"`
	Sigma             float64 `json:"sigma"` // volts, standard deviation of good boards' readings
	Verdict           Verdict `json:"verdict"`
	Polarity          string  `json:"polarity"`
}

// Verdict is how a reading compares with good boards.
type Verdict string

// Verdicts.
const (
	Agrees         Verdict = "agrees"
	Low            Verdict = "low"
	High           Verdict = "high"
	IsShorted      Verdict = "shorted"
	IsOpen         Verdict = "open"
	UnexpectedPath Verdict = "unexpected path"
	NoKnownGood    Verdict = "no known good"
)

// Comparison is one reading beside what a good board would show.
type Comparison struct {
	At       string   `json:"at"`
	To       string   `json:"to,omitempty"`
	Net      string   `json:"net"`
	Polarity string   `json:"polarity"`
	Volts    *float64 `json:"volts"` // null for OL or a resistance
	Ohms     *float64 `json:"ohms,omitempty"`
	Overload bool     `json:"overload"`
	// KnownGood is what good boards read in volts, converted to this meter; null for
	// OL or where none was read. Predicted is what the estimated circuit says, in volts or,
	// beside Ohms, in ohms: for a board with parts removed, or a point that no sweep
	// covers, it is all there is.
	KnownGood         *float64 `json:"known_good"`
	KnownGoodOverload bool     `json:"known_good_overload"`
	// Moved is by how many volts KnownGood lies off what good boards read, by what the
	// other lines of this board read; null where KnownGood is.
	Moved             *float64 `json:"known_good_moved"`
	Predicted         *float64 `json:"predicted"`
	PredictedOverload bool     `json:"predicted_overload"`
	Sigma             float64  `json:"sigma"`   // volts
	Boards            int      `json:"boards"`  // good boards behind KnownGood
	ZScore            float64  `json:"sigmas"`  // as rare among good boards as so many standard deviations of a normal
	Verdict           Verdict  `json:"verdict"` // its word
	Event             int      `json:"event"`   // number of the case event
	// Circuit is the verdict that stands where NoKnownGood does not: against what good
	// boards read or, where none was read, against Predicted.
	Circuit    Verdict `json:"-"`
	Resistance bool    `json:"-"` // taken in resistance mode
	// Settling is the time in seconds that the capacitors on the line take to
	// charge, where it is worth waiting for (over 0.3 s); 0 otherwise.
	Settling float64 `json:"settling,omitempty"`
}

// ByPlace sorts readings by where they were taken, with the leads one way and in one mode: by
// the net against ground, by both points otherwise. Places come in the order in which they
// were first read, and the readings of each in theirs.
func ByPlace(list []Comparison) [][]*Comparison {
	type place struct {
		net, at, to, polarity string
		ohms                  bool
	}
	index := map[place]int{}
	var places [][]*Comparison
	for i := range list {
		r := &list[i]
		p := place{net: r.Net, to: r.To, polarity: r.Polarity, ohms: r.Resistance}
		if r.Net == "" || r.To != "" {
			p.at = r.At
		}
		k, known := index[p]
		if !known {
			k = len(places)
			index[p] = k
			places = append(places, nil)
		}
		places[k] = append(places[k], r)
	}
	return places
}

// Good is what a good board shows at a reading: volts, nil for OL, or ohms beside
// Ohms. It is predicted by the circuit where no good board was read.
func (c *Comparison) Good() (value *float64, overload, predicted bool) {
	if c.KnownGood != nil || c.KnownGoodOverload {
		return c.KnownGood, c.KnownGoodOverload, false
	}
	return c.Predicted, c.PredictedOverload, true
}

// Explanation is a set of faults that accounts for the readings.
type Explanation struct {
	Faults      []FaultReport `json:"faults"`
	Probability float64       `json:"probability"`
}

// FaultReport is one fault, or one misleading reading.
type FaultReport struct {
	Part     string   `json:"part"`     // a part, a connector, or "" for a trace
	Terminal string   `json:"terminal"` // of Part; "" for the part as a whole
	Mode     string   `json:"mode"`
	Ohms     *float64 `json:"ohms"`            // the resistance that fits best; null where it has none
	At       string   `json:"at"`              // for people: "R12", "J7.2 to J7.3", "TP14 to R12.1"
	Cured    bool     `json:"cured,omitempty"` // the bench has dealt with it
	Comes    bool     `json:"comes_and_goes,omitempty"`
	Quiet    bool     `json:"quiet,omitempty"` // no reading speaks for it, and none rules it out
	// Lacks is the pin that has no junction to ground or supply if this is the fault;
	// no good board ever showed one.
	Lacks string `json:"lacks,omitempty"`
}

// Suspect is a part or place that may be bad.
type Suspect struct {
	Part        string  `json:"part"` // a part, or a place such as "J7.2 to J7.4"
	Probability float64 `json:"probability"`
	// Group is the ambiguity group: suspects of one group predict the same at
	// every point that was read, so that only further steps can distinguish them
	// (IEEE Std 1522). Groups are numbered from 1 in order of their first member.
	Group   int                `json:"group"`
	Modes   map[string]float64 `json:"modes"`
	Reasons []Reason           `json:"reasons"`
	Remedy  string             `json:"remedy"`
	Advice  string             `json:"advice"` // the remedy in a sentence, with what is lost by it
	Place   string             `json:"place"`  // where the part is, from the board file
	Access  string             `json:"access"`
}

// Reason is what a fault of the suspect predicts at a point that was read.
type Reason struct {
	At         string   `json:"at"`
	To         string   `json:"to,omitempty"`         // of a two-point reading
	Resistance bool     `json:"resistance,omitempty"` // taken in resistance mode: what follows is in ohms
	Predicted  *float64 `json:"predicted"`            // volts; null for OL
	Overload   bool     `json:"overload"`
	Read       *float64 `json:"measured"`   // volts; null for OL
	Good       *float64 `json:"known_good"` // volts on a good board; null for OL
}

// Unseen is a fault that the readings do not speak for and cannot rule out.
type Unseen struct {
	Part        string   `json:"part"`
	Mode        string   `json:"mode"`
	Ohms        *float64 `json:"ohms"` // about the middle of what they leave; null where it is open
	Probability float64  `json:"probability"`
}

// Prediction is what the meter should show at one point.
type Prediction struct {
	At       string   `json:"at"`
	Net      string   `json:"net"`
	Polarity string   `json:"polarity"`
	Volts    *float64 `json:"volts"` // null for OL
	Overload bool     `json:"overload"`
	Sigma    float64  `json:"sigma"` // volts
	Good     *float64 `json:"good"`  // volts on the unchanged board; null for OL
	GoodOL   bool     `json:"good_overload"`
	Boards   int      `json:"boards"` // good boards read at this very point
	// Converting is the part of Sigma that conversion from the meters of good boards has,
	// in volts.
	Converting float64 `json:"converting"`
	Settling   float64 `json:"settling,omitempty"` // seconds until it holds still, where worth telling; else 0
}
