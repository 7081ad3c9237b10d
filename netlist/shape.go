package netlist

import (
	"fmt"
	"math"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// BoardShape describes the board file: Load checks files with it and
// `halfsplit schema board` prints it.
func BoardShape() *document.Shape { return boardShape }

// nothing are the texts that say of a pin that it not connected (NC), beside an
// empty value.
var nothing = map[string]bool{"-": true, "--": true, "NC": true, "nc": true, "N/C": true, "n/c": true, "n.c.": true, "N.C.": true}

var (
	nameText = &document.Shape{}
	freeText = func(doc, example string) *document.Shape {
		return &document.Shape{Doc: doc, Example: example, Lines: true}
	}
	netText   = &document.Shape{Doc: "The name of a net.", Example: "TP_INT"}
	pinNet    = &document.Shape{Doc: "The net that the pin is on; empty, - or NC where it not connected (NC).", Example: "TP_INT", Null: true}
	pointText = &document.Shape{Doc: "A terminal, connector pin or test point.", Example: "R12.1"}
	yesNo     = &document.Shape{Enum: []string{"yes", "no", "true", "false"}}

	pinsShape = &document.Shape{
		Doc: "The nets that the pins are on: a list, counted from 1, or a mapping from pin name to net.",
		OneOf: []*document.Shape{
			{Item: pinNet, MinItems: 1, Example: "[TP_INT, GND]"},
			{Value: pinNet, MinItems: 1, Example: "{1: TP_INT, 2: GND}"},
		},
	}
	terminalsShape = &document.Shape{Doc: "Names of terminals of the part.", Item: nameText, MinItems: 1, Single: true, Example: "A1"}

	partShape = &document.Shape{
		Doc:   "One part.",
		Means: map[string]string{"type": "kind", "nets": "pins", "connections": "pins", "name": "title", "description": "title", "location": "place", "comment": "note"},
		Was:   wasPartKey,
		Fields: []document.Field{
			{Name: "kind", Required: true, Shape: kindShape},
			{Name: "pins", Required: true, Shape: pinsShape},
			{Name: "value", Shape: &document.Shape{Doc: "Its value by IEC 60062 (4K7, 100n) or plain SI (22 ohm); of an ic, module, diode, tvs, transistor or crystal any text.", Example: "22R"}},
			{Name: "title", Shape: freeText("What it does.", "touch controller")},
			{Name: "place", Shape: freeText("Where it is.", "beside J7")},
			{Name: "role", Shape: &document.Shape{Doc: "What it is there for; told from the nets where it is left out.", Enum: roles[1:], Example: "filter"}},
			{Name: "functions", Shape: &document.Shape{Doc: "Functions of the board that it loses without the part.", Item: nameText, MinItems: 1, Single: true, Example: "touch"}},
			{Name: "access", Shape: &document.Shape{Doc: "What stands between the bench and the part.", Enum: accesses[:], Example: "open"}},
			{Name: "package", Shape: &document.Shape{Doc: "Of an ic or module: whether an iron reaches its joints; told from the names of its pins where it is left out (A1, B2: ball-grid).", Enum: packages[1:], Example: "ball-grid"}},
			{Name: "supply", Shape: terminalsShape},
			{Name: "ground", Shape: terminalsShape},
			{Name: "domain", Shape: &document.Shape{Doc: "Which supply a pin's protection goes to.", Value: nameText, Example: "{B2: A4}"}},
			{Name: "floating", Shape: &document.Shape{Doc: "Pins of an ic or module without any junction, such as a sense pin behind megohms.", Item: nameText, MinItems: 1, Single: true, Example: "A3"}},
			{Name: "direction", Shape: &document.Shape{Doc: "Of a TVS or ESD diode: in which direction it conducts; unidirectional where it is left out.", Enum: directions[1:], Example: "bidirectional"}},
			{Name: "channel", Shape: &document.Shape{Doc: "Of a transistor: n (n-channel or npn) or p; told from the nets where it is left out.", Enum: channels[1:], Example: "n"}},
			{Name: "note", Shape: freeText("Anything else.", "often cracked by the screw beside it")},
		},
	}
	boardShape = &document.Shape{
		Doc:   "The net graph of a board.",
		Means: map[string]string{"name": "board", "title": "board", "version": "revision", "rev": "revision", "gnd": "ground", "components": "parts", "comment": "note"},
		Was:   wasBoardKey,
		Fields: []document.Field{
			{Name: "board", Required: true, Shape: &document.Shape{Doc: "Name of the board.", Example: "Kestrel K3"}},
			{Name: "revision", Shape: &document.Shape{Doc: "Its revision; readings never mix between revisions.", Example: "C"}},
			{Name: "ground", Shape: &document.Shape{Doc: "The ground net, GND where it is left out.", Example: "GND"}},
			{Name: "layout", Shape: &document.Shape{Doc: "The layout of the board, a KiCad layout or an IPC-D-356A file, from the folder of this file: where parts and pads lie, for drawings.", Example: "kestrel.kicad_pcb"}},
			{Name: "note", Shape: freeText("Anything else.", "drawn from two boards and a magnifier")},
			{Name: "functions", Shape: &document.Shape{Doc: "What the board does, for the test under power.", Item: nameText, MinItems: 1, Single: true, Example: "[touch, display, backlight]"}},
			{Name: "connectors", Shape: &document.Shape{Doc: "Connectors by name.", Value: &document.Shape{
				Doc: "One connector.",
				Fields: []document.Field{
					{Name: "title", Shape: freeText("What plugs in.", "touch panel")},
					{Name: "rows", Shape: &document.Shape{Doc: "Rows of pins, 1 where it is left out.", Enum: []string{"1", "2"}, Example: "2"}},
					{Name: "numbering", Shape: &document.Shape{Doc: "How numbers run over two rows: odd and even sides, or along one row and back along the other.", Enum: numberings[:], Example: "alternate"}},
					{Name: "pins", Required: true, Shape: pinsShape},
					{Name: "note", Shape: freeText("Anything else.", "the latch breaks easily")},
				}}}},
			{Name: "nets", Shape: &document.Shape{Doc: "What is to be said of nets; a net that only joins pins need not be here.", Value: &document.Shape{
				Doc:     "One net.",
				Example: "{rail: 1.8 V}",
				Null:    true,
				Means:   map[string]string{"voltage": "rail", "supply": "rail", "volts": "rail"},
				Fields: []document.Field{
					{Name: "rail", Shape: &document.Shape{Doc: "The net is a supply: its voltage, or yes where that is not known.", Example: "1.8 V", Parse: func(text string) error {
						_, _, err := parseRail(text)
						return err
					}}},
					{Name: "boosted", Shape: yesNo},
					{Name: "along", Shape: &document.Shape{Doc: "Points of the net in their order along the copper.", Item: pointText, MinItems: 2, Example: "[J7.2, TP14, R12.1]"}},
					{Name: "title", Shape: freeText("What it carries.", "touch interrupt")},
					{Name: "note", Shape: freeText("Anything else.", "runs under the battery")},
				}}}},
			{Name: "test_points", Shape: &document.Shape{Doc: "Pads made for probing, with their nets.", Value: netText, Example: "{TP14: TP_INT}"}},
			{Name: "parts", Shape: &document.Shape{Doc: "Parts by name.", Value: partShape}},
			{Name: "matched", Shape: &document.Shape{Doc: "Groups of nets that should measure alike on a good board.", Example: "[[TP_SDA, TP_SCL]]",
				Item: &document.Shape{Item: netText, MinItems: 2, Example: "[TP_SDA, TP_SCL]"}}},
		},
	}
)

// parseRail reads the value of `rail`: whether the net is one, and its voltage
// in volts, NaN where it is not known.
func parseRail(text string) (rail bool, volts float64, err error) {
	switch strings.ToLower(text) {
	case "yes", "true", "unknown":
		return true, math.NaN(), nil
	case "no", "false":
		return false, math.NaN(), nil
	}
	volts, err = quantity.Parse(text, quantity.Volt)
	if err != nil {
		what, _, _ := strings.Cut(err.Error(), "; ")
		return false, 0, fmt.Errorf("%s; write a voltage such as 1.8 V, or yes where it is not known", what)
	}
	if volts == 0 {
		return false, 0, fmt.Errorf("a rail of 0 V is ground; remove the key, or name the ground net with `ground`")
	}
	return true, volts, nil
}

// parseValue reads the value of a part into its fields.
func (p *Part) parseValue(text string) error {
	p.ValueText = text
	info := kinds[p.Kind]
	if info.unit == quantity.None {
		return nil
	}
	value, err := quantity.Parse(text, info.unit)
	if bare := strings.Trim(text, "0123456789.") == ""; err == nil && bare && value >= 1 && (info.unit == quantity.Farad || info.unit == quantity.Henry) {
		return fmt.Errorf("%s is %s, as it has no unit; write it like %s", document.Quote(text), quantity.Format(value, info.unit), quantity.Code(value*1e-9, info.unit))
	}
	if err == nil {
		p.Value = value
		return nil
	}
	if marked, ok := quantity.ParseMarking(text, info.unit); ok {
		what, _, _ := strings.Cut(err.Error(), "; ")
		return fmt.Errorf("%s; as printed on a part it means %[2]s: write %[2]s", what, quantity.Code(marked, info.unit))
	}
	if info.also != quantity.None {
		other, e := quantity.Parse(text, info.also)
		if e == nil {
			if info.also == quantity.Ohm {
				p.DCOhms = other
			}
			return nil
		}
	}
	return err
}
