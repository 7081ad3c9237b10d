package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Reading is what a meter shows.
type Reading struct {
	Value    float64 // in Unit; 0 when Overload
	Overload bool    // OL: nothing conducts, as far as the meter can see
	Unit     Unit    // Volt in diode mode, Ohm in resistance mode
}

// Limits on readings that a meter can show. A probe on ground reads a few
// millivolts either side of nothing; more below it means that the board is not
// without power, or that the probes are the other way round.
const (
	lowestVolts  = -0.020
	highestVolts = 60
	lowestOhms   = -1 // leads nulled once and re-seated since
	highestOhms  = 1e12
	leastShown   = 1e-9 // volts or ohms; what is nearer to nothing is nothing, to every meter
)

// asShown is a value without what no meter shows of it, which written out would
// be a row of zeros too long to be read back.
func asShown(value float64) float64 {
	if math.Abs(value) < leastShown {
		return 0
	}
	return value
}

// ParseReading reads a meter's display as a person writes it. A number with a
// decimal point is volts, without one millivolts, with a unit that unit: volts
// for diode mode, ohms for resistance mode. OL, O.L, 0L and OVLD in any case mean
// overload, `OL ohm` overload in resistance mode.
func ParseReading(text string) (Reading, error) {
	const how = "write volts as 0.452, millivolts as 452, resistance as 22.1 ohm, or OL"
	s := strings.TrimSpace(text)
	if len(s) > maxText || s == "" {
		return Reading{}, fmt.Errorf("%s is not a reading; %s", show(text), how)
	}
	if number := strings.TrimLeft(s, "+-"); len(s)-len(number) <= 1 && isDecimal(number) {
		value, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return Reading{}, fmt.Errorf("%s is not a reading; %s", show(text), how)
		}
		if !strings.Contains(number, ".") {
			value /= 1000
		}
		return checkVolts(text, value)
	}
	if u, ok := overload(s); ok {
		return Reading{Overload: true, Unit: u}, nil
	}
	number, power, err := split(s, Ohm)
	if err == nil && strings.ContainsAny(spellings.Replace(s), "RrohkKMG") {
		value, err := decimal(number, power)
		if err != nil || !(value >= lowestOhms && value <= highestOhms) {
			return Reading{}, fmt.Errorf("%s is not a resistance that a meter shows; %s", show(text), how)
		}
		return Reading{Value: asShown(value), Unit: Ohm}, nil
	}
	number, power, err = split(s, Volt)
	if err == nil && strings.ContainsAny(s, "Vv") {
		value, err := decimal(number, power)
		if err != nil {
			return Reading{}, fmt.Errorf("%s is not a reading; %s", show(text), how)
		}
		return checkVolts(text, value)
	}
	if strings.Contains(s, ",") {
		return Reading{}, fmt.Errorf("%s holds a comma; write a point before the decimals", show(text))
	}
	return Reading{}, fmt.Errorf("%s is not a reading; %s", show(text), how)
}

// overload recognises OL in its spellings, with an optional unit after it.
func overload(s string) (Unit, bool) {
	mark, name, _ := strings.Cut(strings.ToUpper(spellings.Replace(s)), " ")
	switch strings.ReplaceAll(strings.TrimPrefix(mark, "+"), ".", "") {
	case "OL", "0L", "OVLD", "OVL", "OFL": // as displays spell it (common practice, no source)
	default:
		return None, false
	}
	switch strings.TrimSpace(name) {
	case "", "V", "MV":
		return Volt, true
	case "OHM", "KOHM", "MOHM", "OHMS":
		return Ohm, true
	}
	return None, false
}

func isDecimal(s string) bool {
	whole, part, _ := strings.Cut(s, ".")
	return len(whole)+len(part) > 0 && isDigits(whole) && isDigits(part)
}

func checkVolts(text string, volts float64) (Reading, error) {
	switch {
	case volts < lowestVolts:
		return Reading{}, fmt.Errorf("%s is below ground; take the battery out, discharge the board and see which probe is on ground", show(text))
	case !(volts <= highestVolts):
		return Reading{}, fmt.Errorf("%s is %s, which no meter shows in diode mode; millivolts are written without a point (452), volts with one (0.452)", show(text), Format(volts, Volt))
	}
	return Reading{Value: asShown(volts), Unit: Volt}, nil
}

// FormatReading writes a reading so that ParseReading reads the same one:
// "0.452", "OL", "22.1 ohm", "OL ohm". Volts have three decimals or as many
// more as they need.
func FormatReading(r Reading) string {
	switch {
	case r.Unit == Ohm && r.Overload:
		return "OL ohm"
	case r.Overload:
		return "OL"
	case r.Unit == Ohm:
		return strconv.FormatFloat(r.Value, 'f', -1, 64) + " ohm"
	}
	text := strconv.FormatFloat(r.Value, 'f', -1, 64)
	if _, decimals, _ := strings.Cut(text, "."); len(decimals) < 3 {
		text = strconv.FormatFloat(r.Value, 'f', 3, 64)
	}
	return text
}
