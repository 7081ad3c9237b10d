// Package wording puts values, parts and readings into words for people: the same on
// the terminal, on the bench page and in reports.
package wording

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

func name(text string) string { return document.Printable(text) }

func prose(text string) string { return document.PrintableWords(text) }

// Volts writes a reading in diode mode as meters show it.
func Volts(v *float64, overload bool) string {
	switch {
	case v != nil:
		return Decimals(*v)
	case overload:
		return "OL"
	}
	return "?"
}

func Decimals(v float64) string {
	text := strconv.FormatFloat(v, 'f', 3, 64)
	if text == "-0.000" {
		return "0.000"
	}
	return text
}

// Spread writes a voltage with its standard deviation.
func Spread(v *float64, overload bool, sigma float64) string {
	text := Volts(v, overload)
	if v != nil && sigma > 0 {
		text += " ± " + Decimals(sigma)
	}
	return text
}

// Ohms writes a resistance. Below 1 ohm it has no prefix: a small m for a
// thousandth is too easily read as a large one for a million.
func Ohms(v float64) string {
	if v > 0 && v < 1 {
		return strconv.FormatFloat(v, 'g', 3, 64) + " ohm"
	}
	return quantity.Format(v, quantity.Ohm)
}

// RoughOhms writes a resistance that is only estimated, to two figures.
func RoughOhms(v float64) string {
	if two, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64); err == nil {
		v = two
	}
	return Ohms(v)
}

// Percent writes a probability. Only certainty is 100 %.
func Percent(p float64) string {
	switch {
	case p >= 1:
		return "100 %"
	case p >= 0.995:
		return ">99 %"
	case p < 0.005:
		return "<1 %"
	}
	return fmt.Sprintf("%.0f %%", math.Round(100*p))
}

// Duration writes seconds at the bench, to about two figures.
func Duration(seconds float64) string {
	switch {
	case math.IsInf(seconds, 0) || math.IsNaN(seconds):
		return "?"
	case seconds < 10 && seconds != math.Trunc(seconds):
		return fmt.Sprintf("%.1f s", seconds)
	case seconds < 120:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 120*60:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}

// Count writes a number of things: "1 reading", "2 readings".
func Count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// Board is a board with its revision.
func Board(board, revision string) string {
	if revision == "" {
		return name(board)
	}
	return name(board) + ", revision " + name(revision)
}

// Access says what stands between the bench and a part; "" where nothing.
func Access(access string) string {
	switch access {
	case netlist.Shield.String():
		return "under a shield"
	case netlist.Underfill.String():
		return "underfilled"
	}
	return ""
}

// Part describes a part for somebody who has to find it: "resistor 22R,
// beside J7, under a shield".
func Part(p *netlist.Part) string {
	words := []string{Kind(p)}
	if p.Title != "" {
		words = append(words, prose(p.Title))
	}
	if p.Place != "" {
		words = append(words, prose(p.Place))
	}
	if a := Access(p.Access.String()); a != "" {
		words = append(words, a)
	}
	return strings.Join(words, ", ")
}

// Kind is a part's kind with its value.
func Kind(p *netlist.Part) string {
	if p.ValueText == "" {
		return p.Kind.String()
	}
	return p.Kind.String() + " " + name(p.ValueText)
}

// Where names a point or, where to is not empty, the two points between which was read.
func Where(at, to string) string {
	if to != "" {
		return name(at) + " to " + name(to)
	}
	return name(at)
}

// Measured is what a reading showed.
func Measured(r *diagnose.Comparison) string {
	if r.Ohms != nil {
		return Ohms(*r.Ohms)
	}
	return Volts(r.Volts, r.Overload)
}

// Reason says what a suspect predicts where something else was expected.
func Reason(r *diagnose.Reason) string {
	level := func(v *float64, overload bool) string {
		if v != nil && r.Resistance {
			return Ohms(*v)
		}
		return Volts(v, overload)
	}
	return fmt.Sprintf("predicts %s at %s (measured %s, known good %s)",
		level(r.Predicted, r.Overload), Where(r.At, r.To), level(r.Read, r.Read == nil), level(r.Good, r.Good == nil))
}
