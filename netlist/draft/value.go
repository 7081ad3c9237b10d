package draft

import (
	"regexp"
	"strings"

	"halfsplit/netlist/quantity"
)

var (
	decimalComma = regexp.MustCompile(`([0-9]),([0-9])`)
	valueToken   = regexp.MustCompile(`^[0-9][0-9.]*[a-zA-ZµμΩΩ][0-9a-zA-ZµμΩΩ]*$`)
	spacedUnit   = regexp.MustCompile(`([0-9]) +([pnuµμmkKMG]?(?:ohms?|Ohms?|OHMS?|Ω|Ω|F|H|A|R))\b`)
)

// valueText finds in a value the part that a unit can have: people write a comma
// before the decimals, and makers write more behind or before ("4,7k", "100n 16V X5R",
// "FB0805/600R/2A", "600R@100MHz"). It is empty where there is none.
func valueText(raw string, u quantity.Unit) string {
	if u == quantity.None || raw == "" || len(raw) > 200 {
		return ""
	}
	fits := func(text string) bool { _, err := quantity.Parse(text, u); return err == nil }
	if fits(raw) {
		return raw
	}
	text := spacedUnit.ReplaceAllString(decimalComma.ReplaceAllString(raw, "$1.$2"), "$1$2")
	if fits(text) {
		return text
	}
	for i, token := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" /,;_@()[]|=", r) }) {
		// A bare number further on is a size or a tolerance.
		if (i == 0 || valueToken.MatchString(token)) && token != "" && token[0] >= '0' && token[0] <= '9' && fits(token) {
			return token
		}
	}
	return ""
}
