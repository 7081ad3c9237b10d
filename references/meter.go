package references

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// SourceKind tells how the meter drives the probes in diode mode.
type SourceKind uint8

// Kinds of meter sources.
const (
	// ConstantCurrent pushes TestCurrent until the probes reach OpenVoltage.
	ConstantCurrent SourceKind = iota
	// Resistive is OpenVoltage behind a resistance that lets TestCurrent flow
	// through joined probes.
	Resistive
)

// sourceNames are the spellings in files, by SourceKind.
var sourceNames = []string{ConstantCurrent: "constant-current", Resistive: "resistive"}

// String is the spelling in files.
func (k SourceKind) String() string { return nameOf(sourceNames, int(k), "SourceKind") }

// Polarity tells which probe is held on ground.
type Polarity uint8

// Polarities. RedOnGround is the usual one: the black probe visits the points,
// and current flows from ground into the line, through the junctions that
// protect it.
const (
	RedOnGround Polarity = iota
	BlackOnGround
)

// polarityNames are the spellings in files, by Polarity.
var polarityNames = []string{RedOnGround: "red-on-ground", BlackOnGround: "black-on-ground"}

// String is the spelling in files.
func (p Polarity) String() string { return nameOf(polarityNames, int(p), "Polarity") }

// ParsePolarity reads the spelling in files; ok is false for any other text.
func ParsePolarity(text string) (p Polarity, ok bool) {
	i := slices.Index(polarityNames, text)
	return Polarity(max(0, i)), i >= 0
}

func nameOf(names []string, i int, kind string) string {
	if i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("%s(%d)", kind, i)
}

// Meter is a multimeter as diode mode and resistance mode show it. Meters
// compare with ==.
type Meter struct {
	Name string // which meter, free text; may be empty

	TestCurrent float64 // amperes, in diode mode
	OpenVoltage float64 // volts between open probes, in diode mode
	Over        float64 // volts; the display shows OL above
	Gain        float64 // accuracy: share of the reading (0.005 for 0.5 %)
	Counts      float64 // accuracy: counts of the last digit
	Resolution  float64 // volts per count
	Source      SourceKind

	OhmsCurrent float64 // amperes, in resistance mode
	OhmsOpen    float64 // volts between open probes, in resistance mode
	OhmsOver    float64 // ohms; the display shows OL above
}

// DefaultMeter is a common hand meter: 1 mA up to 3 V, OL above 2 V, 0.5 % + 2
// counts of 1 mV, and in resistance mode 0.1 mA up to 0.6 V and 20 Mohm. All
// from memory of such meters; a sweep or case file that describes its own meter
// overrides it, and `halfsplit meter calibrate` measures the test current.
func DefaultMeter() Meter {
	return Meter{
		TestCurrent: 1e-3, OpenVoltage: 3, Over: 2,
		Gain: 0.005, Counts: 2, Resolution: 1e-3, Source: ConstantCurrent,
		OhmsCurrent: 0.1e-3, OhmsOpen: 0.6, OhmsOver: 20e6,
	}
}

// SourceOhms is the resistance in ohms behind the open voltage of a Resistive
// source, and zero for a ConstantCurrent one.
func (m Meter) SourceOhms() float64 {
	if m.Source == ConstantCurrent {
		return 0
	}
	return m.OpenVoltage / m.TestCurrent
}

// HalfWidth is the largest error in volts that the meter's accuracy allows at a
// reading of volts: Gain*|volts| + Counts*Resolution, and half a count more for
// the rounding of the display.
func (m Meter) HalfWidth(volts float64) float64 {
	return m.Gain*math.Abs(volts) + (m.Counts+0.5)*m.Resolution
}

// Sigma is the standard uncertainty in volts at a reading of volts. Within its
// HalfWidth a every error is taken as equally likely, which gives a/sqrt(3)
// (JCGM 100:2008 4.3.7).
func (m Meter) Sigma(volts float64) float64 {
	return m.HalfWidth(volts) / math.Sqrt(3)
}

// AccuracyText writes Gain and Counts as data sheets do: "0.5% + 2".
func (m Meter) AccuracyText() string {
	return formatNumber(m.Gain*100) + "% + " + formatNumber(m.Counts)
}

func formatNumber(v float64) string {
	return strconv.FormatFloat(v, 'g', 6, 64)
}

// parseAccuracy reads "0.5% + 2", "0.5 % + 2 counts", "1%" or "0.5% + 2 digits":
// a share of the reading in percent and counts of the last digit.
func parseAccuracy(text string) (gain, counts float64, err error) {
	const want = `write a share of the reading and counts of the last digit, such as "0.5% + 2"`
	share, rest, found := strings.Cut(text, "%")
	if !found {
		return 0, 0, fmt.Errorf("%q has no %% sign; %s", text, want)
	}
	percent, err := strconv.ParseFloat(strings.TrimSpace(share), 64)
	if err != nil || !(percent >= 0 && percent <= 20) {
		return 0, 0, fmt.Errorf("in %q, %q is not a share from 0 to 20 percent; %s", text, strings.TrimSpace(share), want)
	}
	rest = strings.TrimSpace(rest)
	if rest == "" {
		return percent / 100, 0, nil
	}
	number, plus := strings.CutPrefix(rest, "+")
	if !plus {
		return 0, 0, fmt.Errorf("in %q, %q after the percentage does not begin with +; %s", text, rest, want)
	}
	number = strings.TrimSpace(number)
	for _, unit := range []string{"counts", "count", "digits", "digit", "dgt"} {
		number = strings.TrimSuffix(number, unit)
	}
	number = strings.TrimSpace(number)
	counts, err = strconv.ParseFloat(number, 64)
	if err != nil || !(counts >= 0 && counts <= 1000) {
		return 0, 0, fmt.Errorf("in %q, %q is not a number of counts from 0 to 1000; %s", text, number, want)
	}
	return percent / 100, counts, nil
}
