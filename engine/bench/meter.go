package bench

import (
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

// ParseMeterLine reads one line of a meter: what a person would write, or a
// number with an exponent in volts as instruments send it (+4.52000E-01), their
// overload being 9.9E37. A unit behind the number is allowed. The error says
// "what; what to do".
func ParseMeterLine(line string) (quantity.Reading, error) {
	text := strings.TrimSpace(strings.TrimRight(line, "\r\n\x00"))
	number, unit, _ := strings.Cut(text, " ")
	if !scpi.MatchString(number) {
		return quantity.ParseReading(text)
	}
	v, err := strconv.ParseFloat(number, 64)
	ohms := false
	switch strings.ToUpper(strings.ReplaceAll(unit, " ", "")) {
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
