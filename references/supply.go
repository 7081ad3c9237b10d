package references

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// Supply is the current that a board draws from a bench supply, nil where it was not
// read.
type Supply struct {
	Before, After *Span // with the power button not yet pressed, and after it
}

// Span is a current in amperes that moves between Low and High.
type Span struct{ Low, High float64 }

// String writes a span as files have it: "3 mA", "60..110 mA", "" for nil.
func (s *Span) String() string {
	text := func(v float64) string { return strconv.FormatFloat(v*1e3, 'g', 12, 64) }
	switch {
	case s == nil:
		return ""
	case s.Low == s.High:
		return text(s.Low) + " mA"
	}
	return text(s.Low) + ".." + text(s.High) + " mA"
}

// flow writes currents on one line.
func (s Supply) flow() string {
	var f document.Flow
	f.Add("before", s.Before.String())
	f.Add("after", s.After.String())
	return f.String()
}

// noCurrent is a current of nothing, which a supply's display may well show though
// no part has it as its value.
var noCurrent = regexp.MustCompile(`^0*\.?0+ *[num]?A?$`)

// ParseCurrent reads a current in amperes.
func ParseCurrent(text string) (float64, error) {
	if noCurrent.MatchString(text) {
		return 0, nil
	}
	if !strings.ContainsAny(text, "Aa") {
		return 0, fmt.Errorf("%s is a current without its unit; write it like 12 mA", document.Quote(text))
	}
	return quantity.Parse(text, quantity.Ampere)
}

// ParseSpan reads a current that may move: "3 mA", "60..110 mA".
func ParseSpan(text string) (*Span, error) {
	low, high, ranged := strings.Cut(text, "..")
	if !ranged {
		v, err := ParseCurrent(text)
		return &Span{v, v}, err
	}
	if !strings.ContainsAny(low, "Aa") { // the unit stands behind the second
		low += strings.TrimLeft(strings.TrimSpace(high), "0123456789.")
	}
	var s Span
	var err error
	if s.Low, err = ParseCurrent(strings.TrimSpace(low)); err == nil {
		s.High, err = ParseCurrent(strings.TrimSpace(high))
	}
	if err == nil && s.Low > s.High {
		err = fmt.Errorf("%s ends below where it begins; write the lesser current first", document.Quote(text))
	}
	return &s, err
}

// ParseSupply reads the currents of good boards as a sweep file writes them, with or
// without the braces; name stands in messages in place of a file.
func ParseSupply(name, text string) (Supply, error) {
	nodes, err := document.Decode(strings.NewReader("{"+strings.Trim(text, "{} ")+"}"), name, 0)
	if err != nil {
		return Supply{}, err
	}
	if len(nodes) != 1 || len(nodes[0].Entries()) == 0 {
		return Supply{}, fmt.Errorf("%s does not say what good boards draw; write it like 'before: 3 mA, after: 60..110 mA'", document.Quote(text))
	}
	return decodeSupply(nodes[0]), supplyShape.Check(nodes[0]).Err()
}

var supplyShape = SupplyShape("Current that this good board draws from a bench supply; from..to where it moves.", "{before: 3 mA, after: 60..110 mA}", func(text string) error {
	_, err := ParseSpan(text)
	return err
})

// SupplyShape describes the current drawn from a bench supply, in sweep and case
// files; parse reads one.
func SupplyShape(doc, example string, parse func(string) error) *document.Shape {
	return &document.Shape{
		Doc: doc, Example: example, Was: map[string]string{"before_key": "`before`", "after_key": "`after`"},
		Fields: []document.Field{
			{Name: "before", Shape: &document.Shape{Doc: "With the power button not yet pressed.", Example: "3 mA", Parse: parse}},
			{Name: "after", Shape: &document.Shape{Doc: "After the power button was pressed.", Example: "95 mA", Parse: parse}},
		},
	}
}

func decodeSupply(node document.Node) Supply {
	var s Supply
	for key, v := range map[string]**Span{"before": &s.Before, "after": &s.After} {
		if span, err := ParseSpan(node.Get(key).Text()); err == nil { // the shape has refused what does not parse
			*v = span
		}
	}
	return s
}
