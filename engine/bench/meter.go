package bench

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Numbers that stand for something else in SCPI-1999, volume 1, 7.2.1 (from
// memory): infinity, which meters send for overload, and "not a number".
const (
	scpiInfinity = 9.9e37
	scpiNone     = 9.91e37
)

// scpi is a number as instruments send it: sign, digits, exponent.
var scpi = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)[eE][+-]?\d{1,3}$`)

// What displays and measuring programs print behind a value: a mode that says nothing
// new, or one in which the display does not follow the probes, or not in diode mode.
// The words are those of sigrok-cli 0.7 (read off its output, the rarer from memory).
var (
	modes = map[string]bool{"DC": true, "DIODE": true, "AUTO": true, "REL": true}
	other = map[string]bool{"AC": true, "RMS": true, "HOLD": true, "MAX": true, "MIN": true, "AVG": true}
)

// decimalComma is a comma where the point of a number stands.
var decimalComma = regexp.MustCompile(`(^|\s)([+-]?\d*),(\d+[^,]*?)(\s|$)`)

// anyCase is a unit of voltage after a number, in whatever case.
var anyCase = regexp.MustCompile(`(?i)[\d.] ?m?v$`)

// infinite is how measuring programs print overload.
var infinite = regexp.MustCompile(`(?i)^\+?inf\b`)

// ParseMeterLine reads one line of a meter: what a person would write, with a comma for
// the point or not, or a number with an exponent in volts as instruments send it
// (+4.52000E-01), their overload being 9.9E37. A unit behind the number is allowed, and
// a mode behind the unit (0.521 V DC). The error says "what; what to do".
func ParseMeterLine(line string) (quantity.Reading, error) {
	text := strings.TrimSpace(strings.TrimRight(line, "\r\n\x00"))
	for {
		rest, word := text, ""
		if at := strings.LastIndexByte(text, ' '); at >= 0 {
			rest, word = strings.TrimSpace(text[:at]), strings.ToUpper(text[at+1:])
		}
		if other[word] {
			return quantity.Reading{}, fmt.Errorf("%s is not what the probes see now in diode mode; turn %s off on the meter", document.Quote(text), word)
		}
		if !modes[word] {
			break
		}
		text = rest
	}
	text = infinite.ReplaceAllString(decimalComma.ReplaceAllString(text, "$1$2.$3$4"), "OL")
	text = anyCase.ReplaceAllStringFunc(text, func(unit string) string { // no meter shows megavolts
		return strings.ToLower(unit[:len(unit)-1]) + "V"
	})
	number, unit, _ := strings.Cut(text, " ")
	unit = strings.ToUpper(strings.ReplaceAll(unit, " ", ""))
	if !scpi.MatchString(number) {
		if unit == "VDC" || unit == "MVDC" {
			text = text[:len(text)-len("DC")]
		}
		return quantity.ParseReading(text)
	}
	v, err := strconv.ParseFloat(number, 64)
	ohms := false
	switch unit {
	case "", "V", "VDC":
	case "OHM", "OHMS":
		ohms = true
	default:
		return quantity.Reading{}, fmt.Errorf("%s is in neither volts nor ohms; set the meter to diode mode", document.Quote(text))
	}
	kind := quantity.Volt
	if ohms {
		kind = quantity.Ohm
	}
	switch {
	case err != nil || math.Abs(v-scpiNone) < 1e33 || v <= -scpiInfinity/2:
		return quantity.Reading{}, fmt.Errorf("%s is how a meter says that it has no reading; take it again", document.Quote(text))
	case v >= scpiInfinity*0.999:
		return quantity.Reading{Overload: true, Unit: kind}, nil
	}
	plain := strconv.FormatFloat(v, 'f', -1, 64)
	if ohms {
		return quantity.ParseReading(plain + " ohm")
	}
	if !strings.Contains(plain, ".") {
		plain += ".0"
	}
	return quantity.ParseReading(plain)
}

// errLoneOne asks what a lone 1 means, since a display shows one at overload.
var errLoneOne = errors.New("`1` is one millivolt, a short; a display that shows a lone 1 at its left end is at overload: write OL for that, or 0.001")

// several are the readings of a line that holds readings and nothing else, nil where it
// does not.
func several(line string) (list []quantity.Reading) {
	for _, word := range strings.Fields(line) {
		r, err := ParseMeterLine(strings.TrimRight(word, ",;"))
		if err != nil || word == "1" {
			return nil
		}
		list = append(list, r)
	}
	return list
}
