package journal

import (
	"fmt"
	"strconv"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// CaseShape describes one event of a case file, for checking and for editors.
func CaseShape() *document.Shape { return caseShape }

// caseShape is built once; every document of a case file is one of it.
var caseShape = &document.Shape{
	Was:   wasKey,
	Means: map[string]string{"measure": "read", "measured": "read", "reading": "read", "readings": "read", "removed": "remove", "replaced": "replace", "cleaned": "clean", "seen": "inspect", "look": "inspect"},
	Doc:   "One event of a repair. Events follow one another, separated by lines of ---.",
	Fields: []document.Field{
		{Name: "open", Shape: &document.Shape{
			Doc: "Begins the case. Paths are taken from the folder of this file.", Example: "{board: board.yaml, known: known, complaint: touch dead}",
			Fields: []document.Field{
				{Name: "board", Required: true, Shape: &document.Shape{Doc: "The board file.", Example: "../board.yaml"}},
				{Name: "known", Shape: &document.Shape{Doc: "The folder of sweeps of good boards.", Example: "../known"}},
				{Name: "complaint", Shape: &document.Shape{Doc: "What the owner says.", Example: "touch dead", Lines: true}},
				{Name: "at_hand", Shape: &document.Shape{Doc: "What of known good is at hand: `good board`, and connectors of which there is a cable or module.", Example: "[good board, J7]", Single: true, Item: &document.Shape{Example: "J7"}}},
			},
		}},
		{Name: "concerns", Shape: &document.Shape{
			Doc: "The nets that the complaint is about, in place of all pins of the connectors that were read: before they are read, no fault found is no proof.", Example: "[TP_SDA, TP_SCL]", Single: true, MinItems: 1, Item: &document.Shape{Example: "TP_SDA"},
		}},
		{Name: "meter", Shape: references.MeterShape()},
		{Name: "read", Shape: &document.Shape{
			Doc:     "Readings by point: 0.452 is volts, 452 millivolts, 22.1 ohm a resistance, OL over range.",
			Example: "{J7.2: OL, J7.3: 0.517}",
			Value:   &document.Shape{Example: "0.517", Parse: parsesReading}, MinItems: 1,
		}},
		{Name: "polarity", Shape: references.PolarityShape()},
		{Name: "to", Shape: &document.Shape{Doc: "The point that stands in for ground, where the other probe is not on ground.", Example: "R12.2"}},
		{Name: "inspect", Shape: &document.Shape{
			Doc: "What parts and connector pins look like.", Example: "{C40: corroded, C41: clean}",
			Value: &document.Shape{Enum: lookNames}, MinItems: 1,
		}},
		{Name: "undrawn", Shape: &document.Shape{
			Doc: "Parts, and pins of ICs, that stand at a net of the board and are not in the board file: seen under the microscope, [] where there are none. They count as drawn from then on.", Example: "{VTP_1V8: [C99, U9.A1]}",
			Value: &document.Shape{Single: true, Item: &document.Shape{Example: "C99", Pattern: netlist.MarkPattern}}, MinItems: 1,
		}},
		{Name: "inject", Shape: &document.Shape{
			Doc: "A current-limited supply on a shorted rail: the parts that warmed up, [] for none.", Example: "{VTP_1V8: [C71]}",
			Value: partsShape("Parts that warmed up.", 0), MinItems: 1,
		}},
		{Name: "seen_by", Shape: &document.Shape{Doc: "With inject: how warmth is seen. Never by finger.", Enum: seenNames, Example: "camera"}},
		{Name: "drop", Shape: &document.Shape{
			Doc: "What parts of a shorted rail read against ground while a supply drives a known current into it, and what is read across series parts that lead away from it.", Example: "{VTP_1V8: {C71: 12.4 mV, C72: 13.1 mV}}",
			Value: &document.Shape{Value: &document.Shape{Example: "12.4 mV", Parse: parses(quantity.Volt)}, MinItems: 1}, MinItems: 1,
		}},
		{Name: "current", Shape: &document.Shape{Doc: "With drop: what the supply drives.", Example: "1 A", Parse: parses(quantity.Ampere)}},
		{Name: "press", Shape: &document.Shape{
			Doc: "What points read while a part is pressed gently.", Example: "{U5: {J7.3: 0.622}}",
			Value: &document.Shape{Value: &document.Shape{Example: "0.622", Parse: parsesReading}, MinItems: 1}, MinItems: 1,
		}},
		{Name: "good", Shape: &document.Shape{
			Doc: "Readings of a good board at hand, by point.", Example: "{J7.3: 0.622}",
			Value: &document.Shape{Example: "0.622", Parse: parsesReading}, MinItems: 1,
		}},
		{Name: "swap", Shape: &document.Shape{
			Doc: "A known-good cable or module in place of the one at a connector: what became of the complaint.", Example: "{J7: fails}",
			Value: &document.Shape{Enum: testNames[1:]}, MinItems: 1,
		}},
		{Name: "remove", Shape: partsShape("Parts taken off the board.", 1)},
		{Name: "reinstall", Shape: partsShape("The same parts put back.", 1)},
		{Name: "replace", Shape: partsShape("New, good parts put on.", 1)},
		{Name: "jumper", Shape: &document.Shape{
			Doc: "Wires laid across parts and across broken traces between two neighbours along a net, and with how many ohms.", Example: "{FL3: 0 ohm, TP14-R12.1: 0 ohm}",
			Value: &document.Shape{Example: "0 ohm", Parse: parses(quantity.Ohm)}, MinItems: 1,
		}},
		{Name: "resolder", Shape: &document.Shape{
			Doc: "Joints soldered again: connector pins and terminals of parts.", Example: "[J7.2, R12.1]", Single: true, MinItems: 1, Item: &document.Shape{Example: "J7.2"},
		}},
		{Name: "clean", Shape: &document.Shape{
			Doc: "Gaps between two neighbouring connector pins, and parts, cleaned and dried.", Example: "[J7.2-J7.4, C40]", Single: true, MinItems: 1, Item: &document.Shape{Example: "J7.2-J7.4"},
		}},
		{Name: "reflow", Shape: partsShape("Parts, such as a ball-grid IC, whose joints were all melted again with hot air.", 1)},
		{Name: "choose", Shape: &document.Shape{Doc: "What the bench is to ask for next in place of the best step, in its own words: a step, a point, or the line of a point.", Example: "line J7.3"}},
		{Name: "note", Shape: &document.Shape{Doc: "A remark.", Lines: true}},
		{Name: "supply", Shape: references.SupplyShape("Current drawn from a bench supply.", "{before: 3 mA, after: 95 mA}", func(text string) error {
			_, err := references.ParseCurrent(text)
			return err
		})},
		{Name: "mark", Shape: &document.Shape{
			Doc: "Which way round parts sit that were put on, by their marks.", Example: "{D1: right, U3: reversed}",
			Value: &document.Shape{Enum: markNames}, MinItems: 1,
		}},
		{Name: "functions", Shape: &document.Shape{
			Doc: "What works under power.", Example: "{touch: works, display: fails, backlight: not tested}",
			Value: &document.Shape{Enum: testNames}, MinItems: 1,
		}},
		{Name: "undo", Shape: &document.Shape{
			Doc:     "Takes an event back: its number, counted from 1 at the top of the file, or `last`.",
			Example: "last", Parse: parsesUndo,
		}},
		{Name: "acknowledge", Shape: &document.Shape{
			Doc: "Cautions that were read and acknowledged.", Single: true, MinItems: 1, Item: &document.Shape{Example: "battery out"},
		}},
		{Name: "close", Shape: &document.Shape{
			Doc: "Ends the case.", Example: "{cause: FL3 open, remedy: jumper}",
			Fields: []document.Field{
				{Name: "cause", Required: true, Shape: &document.Shape{Doc: "What was wrong: the part and how it failed.", Example: "FL3 open", Lines: true}},
				{Name: "remedy", Shape: &document.Shape{Doc: "What was done about it.", Example: "jumper", Lines: true}},
			},
		}},
		{Name: "time", Shape: references.TimeShape()},
		{Name: "by", Shape: &document.Shape{Doc: "Who, or which bench.", Example: "bench 2"}},
	},
}

func partsShape(doc string, least int) *document.Shape {
	return &document.Shape{Doc: doc, Example: "[C71]", Single: true, MinItems: least, Item: &document.Shape{}}
}

func parsesReading(text string) error {
	_, err := quantity.ParseReading(text)
	return err
}

func parses(u quantity.Unit) func(string) error {
	return func(text string) error {
		_, err := quantity.Parse(text, u)
		return err
	}
}

// undoLast is the spelling of Undo 0.
const undoLast = "last"

// parseUndo reads the number of an event.
func parseUndo(text string) (int, error) {
	if text == undoLast {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || strings.HasPrefix(text, "+") {
		return 0, fmt.Errorf("%s is not the number of an event; count the events from 1 at the top of the file, or write `last`", document.Quote(text))
	}
	return n, nil
}

func parsesUndo(text string) error {
	_, err := parseUndo(text)
	return err
}
