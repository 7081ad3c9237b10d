package plan

import (
	"fmt"
	"strconv"

	"halfsplit/netlist/document"
)

// Rates is what repair time and parts cost, in one currency.
type Rates struct {
	Currency string  // as it stands behind a sum, "" where the file does not say
	Hour     float64 // of repair time
	Part, IC float64 // a new part of two or three terminals; a new IC or module
	Board    float64 // a replacement board, with putting it in
}

var rateKeys = []struct {
	key, doc, example string
	required          bool
	of                func(*Rates) *float64
}{
	{"hour", "What an hour of repair time costs.", "60", true, func(r *Rates) *float64 { return &r.Hour }},
	{"part", "What a new part of two or three terminals costs; nothing where it is left out.", "1.50", false, func(r *Rates) *float64 { return &r.Part }},
	{"ic", "What a new IC or module costs; nothing where it is left out.", "12", false, func(r *Rates) *float64 { return &r.IC }},
	{"replacement_board", "What a replacement board costs, with putting it in.", "140", true, func(r *Rates) *float64 { return &r.Board }},
}

// ratesShape describes a rates file.
var ratesShape = func() *document.Shape {
	s := &document.Shape{Doc: "What repair time, parts and a replacement board cost.", Fields: []document.Field{
		{Name: "currency", Shape: &document.Shape{Doc: "The currency of all sums.", Example: "EUR"}},
	}}
	for _, k := range rateKeys {
		s.Fields = append(s.Fields, document.Field{Name: k.key, Required: k.required, Shape: &document.Shape{Doc: k.doc, Example: k.example, Parse: func(text string) error {
			if v, err := strconv.ParseFloat(text, 64); err != nil || !(v >= 0 && v <= 1e9) || v == 0 && k.required {
				return fmt.Errorf("%s is not a sum of money; write a number such as %s, without the currency", document.Quote(text), k.example)
			}
			return nil
		}}})
	}
	return s
}()

// RatesShape describes a rates file.
func RatesShape() *document.Shape { return ratesShape }

// LoadRates reads a rates file. The error is document.Problems and lists everything
// wrong at once.
func LoadRates(path string) (*Rates, error) {
	nodes, err := document.ReadSome(path, "write `hour` and `replacement_board`")
	if err != nil {
		return nil, err
	}
	return decodeRates(path, nodes)
}

func decodeRates(file string, nodes []document.Node) (*Rates, error) {
	if len(nodes) != 1 {
		return nil, document.Wrong(file, fmt.Sprintf("holds %d documents, where a rates file is one", len(nodes)), "write `hour` and `replacement_board` into one document")
	}
	if err := ratesShape.Check(nodes[0]).Err(); err != nil {
		return nil, err
	}
	r := &Rates{Currency: nodes[0].Get("currency").Text()}
	for _, k := range rateKeys {
		*k.of(r), _ = strconv.ParseFloat(nodes[0].Get(k.key).Text(), 64) // the shape has parsed it; 0 where it is left out
	}
	return r, nil
}
