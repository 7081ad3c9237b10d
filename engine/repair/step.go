package repair

import (
	"strings"

	"halfsplit/engine/diagnose"
)

// Diagnosis is what the readings of a case mean, and what to do next: what `locate --json`
// writes.
type Diagnosis struct {
	diagnose.Findings
	// Next is what could be done next, best first. It is empty where nothing is
	// wrong.
	Next []Step `json:"next"`
	// Expected is the expected time in seconds to a verified repair, by the steps that
	// the plan takes.
	Expected float64 `json:"expected_seconds"`
	// Time is the range of that time; null where there is nothing to do.
	Time *RepairTime `json:"repair_time"`
	// Worth is what that costs beside a replacement board; null without rates.
	Worth *Worth `json:"worth"`
	// Ambiguous are groups of suspects that no step on offer can distinguish.
	Ambiguous [][]string `json:"ambiguity_groups"`
}

// Do is the kind of a step.
type Do string

// Kinds of steps.
const (
	DoSweep     Do = "sweep"     // read the pins of Then of the connector Part
	DoMeasure   Do = "measure"   // read At
	DoPress     Do = "press"     // read At while Part is pressed gently
	DoGood      Do = "good"      // read At on a good board
	DoSwap      Do = "swap"      // put a known-good cable or module on the connector Part
	DoEnds      Do = "ends"      // read the resistance to ground at At and at the one point of Then, the ends of Part
	DoAcross    Do = "across"    // read the resistance between At and the one point of Then: the ends of Part, or of two nets
	DoInject    Do = "inject"    // current into the rail At
	DoDrop      Do = "drop"      // drive Amperes into the rail At, clipped to Part, and read millivolts at Parts; or across Part, where it alone is among them
	DoInspect   Do = "inspect"   // Part, or the connector pin of that name; or along the net At for what is not drawn
	DoRemove    Do = "remove"    // Part, read the points of Then, and put it back
	DoReinstall Do = "reinstall" // Part, which is off the board
	DoRepair    Do = "repair"    // Part, as Remedy says, and read the points of Then
	DoEscalate  Do = "escalate"  // the board, with what is known written down
)

// phrases are the words of steps but for repairs in a few words.
var phrases = map[Do]string{
	DoMeasure: "measure AT", DoPress: "press PART and measure AT", DoGood: "measure AT of a good board", DoAcross: "measure across PART",
	DoEnds: "compare both ends of PART", DoSwap: "swap the cable or module at PART", DoDrop: "read millivolts along AT", DoInject: "inject current into AT",
	DoSweep: "sweep the rest of PART", DoInspect: "inspect PART", DoRemove: "remove PART", DoReinstall: "reinstall PART", DoEscalate: "escalate the board",
}

// Step is one thing to do next.
type Step struct {
	Do       Do       `json:"do"`
	At       string   `json:"at"`                // the point to read, or the rail to inject into
	Part     string   `json:"part"`              // the part, connector or place to work on
	Parts    []string `json:"parts,omitempty"`   // of DoDrop
	Amperes  float64  `json:"amperes,omitempty"` // of DoDrop: the most to set, or what passes at least where it is across Part
	Then     []string `json:"then,omitempty"`    // points to read afterwards
	Polarity string   `json:"polarity"`
	Seconds  float64  `json:"seconds"` // bench time of the step itself
	// Expected is the expected time in seconds to a verified repair when this is
	// done first.
	Expected float64       `json:"expected_seconds"`
	Outcomes []StepOutcome `json:"outcomes"`
	Why      string        `json:"why"`    // in a few words
	Remedy   string        `json:"remedy"` // of a repair: replace, resolder, reflow, jumper, leave off, clean
	// Again tells of a reading that is to be taken once more, as the first may have
	// missed its point.
	Again bool `json:"again,omitempty"`
	// Times is how often At was read of the board as it lies, of a reading that is taken
	// once more because what is wrong comes and goes.
	Times int `json:"-"`
}

// Phrase puts a step in a few words, with its part and point as they are to be written;
// "" is a repair.
func (s *Step) Phrase(part, at string) string {
	text := phrases[s.Do]
	if s.Do == DoInspect && s.At != "" {
		text = "look along AT for what is not drawn"
	} else if s.across() {
		text = "read millivolts across PART, current into AT"
	} else if s.Do == DoAcross && strings.Contains(s.Part, " to ") {
		text = "measure from PART"
	}
	return strings.NewReplacer("PART", part, "AT", at).Replace(text)
}

// Ends lists At and Then: the two ends of a part.
func (s *Step) Ends() []string { return append([]string{s.At}, s.Then...) }

// StepOutcome is one thing that a step may show, and what it would mean.
type StepOutcome struct {
	Volts       *float64 `json:"volts"`          // null for OL, or where the step reads no voltage
	Ohms        *float64 `json:"ohms,omitempty"` // of DoAcross
	Overload    bool     `json:"overload"`
	Seen        string   `json:"seen,omitempty"` // of a look or injection: what is seen; of a remove: readings in words
	Probability float64  `json:"probability"`
	Means       []string `json:"means"`
}
