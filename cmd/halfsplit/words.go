package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
)

// quoted and name make foreign text safe for a terminal.
func quoted(text string) string { return document.Quote(text) }

func name(text string) string { return document.Printable(text) }

// prose does the same with text of many words.
func prose(text string) string { return document.PrintableWords(text) }

// path makes the path of a file safe for a terminal, whatever its length: the
// user has to find the file again.
func path(text string) string {
	parts := strings.SplitAfter(text, "/")
	for i, p := range parts {
		parts[i] = document.Printable(p)
	}
	return strings.Join(parts, "")
}

// volts writes a reading in diode mode as meters show it.
func volts(v *float64, overload bool) string {
	switch {
	case v != nil:
		return threeDecimals(*v)
	case overload:
		return "OL"
	}
	return "?"
}

func threeDecimals(v float64) string {
	text := strconv.FormatFloat(v, 'f', 3, 64)
	if text == "-0.000" {
		return "0.000"
	}
	return text
}

// signed writes a number with its sign and one decimal.
func signed(v float64) string {
	text := fmt.Sprintf("%+.1f", v)
	if text == "-0.0" || text == "+0.0" {
		return "0.0"
	}
	return text
}

// spread writes a voltage with its standard deviation.
func spread(v *float64, overload bool, sigma float64) string {
	text := volts(v, overload)
	if v != nil && sigma > 0 {
		text += " ± " + threeDecimals(sigma)
	}
	return text
}

// ohms writes a resistance. Below 1 ohm it has no prefix: a small m for a
// thousandth is too easily read as a large one for a million.
func ohms(v float64) string {
	if v > 0 && v < 1 {
		return strconv.FormatFloat(v, 'g', 3, 64) + " ohm"
	}
	return quantity.Format(v, quantity.Ohm)
}

// roughOhms writes a resistance that is only estimated, to two figures.
func roughOhms(v float64) string {
	if two, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64); err == nil {
		v = two
	}
	return ohms(v)
}

// percent writes a probability. Only certainty is 100 %.
func percent(p float64) string {
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

// duration writes seconds at the bench, to about two figures.
func duration(seconds float64) string {
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

// count writes a number of things: "1 reading", "2 readings".
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// someNames lists the first few of many names.
func someNames(names []string, most int) string {
	shown := make([]string, len(names))
	for i, n := range names {
		shown[i] = name(n)
	}
	return document.Few(shown, most)
}

// sign is how a verdict is marked. Marks are of the set that old terminal fonts
// share (WGL4), so that they show everywhere.
type sign struct {
	mark  string
	style style
}

var signs = map[diagnose.Verdict]sign{
	diagnose.Agrees:         {"·", faint},
	diagnose.Low:            {"▼", yellow},
	diagnose.High:           {"▲", yellow},
	diagnose.IsShorted:      {"●", loud},
	diagnose.IsOpen:         {"○", loud},
	diagnose.UnexpectedPath: {"►", loud},
	diagnose.NoKnownGood:    {"?", faint},
}

// verdict is a verdict with its mark.
func verdict(v diagnose.Verdict) cell {
	s := signs[v]
	return cell{strings.TrimSpace(s.mark + " " + name(string(v))), s.style}
}

// probes says which probe goes where.
func probes(at, polarity string) string {
	if polarity == blackOnGround {
		return fmt.Sprintf("red probe on %s, black probe on ground", name(at))
	}
	return fmt.Sprintf("black probe on %s, red probe on ground", name(at))
}

const blackOnGround = "black-on-ground"

// share is a named probability.
type share struct {
	name string
	p    float64
}

// byShare sorts a map of probabilities, likeliest first.
func byShare(m map[string]float64) []share {
	list := make([]share, 0, len(m))
	for k, p := range m {
		list = append(list, share{k, p})
	}
	slices.SortFunc(list, func(a, b share) int {
		return cmp.Or(cmp.Compare(b.p, a.p), strings.Compare(a.name, b.name))
	})
	return list
}

// titled is a board with its revision.
func titled(board, revision string) string {
	if revision == "" {
		return name(board)
	}
	return name(board) + ", revision " + name(revision)
}

// accessWords says what stands between the bench and a part; "" where nothing.
func accessWords(access string) string {
	switch access {
	case netlist.Shield.String():
		return "under a shield"
	case netlist.Underfill.String():
		return "underfilled"
	}
	return ""
}

// partWords describes a part for somebody who has to find it: "resistor 22R,
// beside J7, under a shield".
func partWords(p *netlist.Part) string {
	words := []string{kindWords(p)}
	if p.Title != "" {
		words = append(words, prose(p.Title))
	}
	if p.Place != "" {
		words = append(words, prose(p.Place))
	}
	if a := accessWords(p.Access.String()); a != "" {
		words = append(words, a)
	}
	return strings.Join(words, ", ")
}

// withArticle puts "a" or "an" before words.
func withArticle(words string) string {
	if strings.ContainsAny(words[:min(len(words), 1)], "aeiouAEIOU") {
		return "an " + words
	}
	return "a " + words
}

// kindWords is a part's kind with its value.
func kindWords(p *netlist.Part) string {
	if p.ValueText == "" {
		return p.Kind.String()
	}
	return p.Kind.String() + " " + name(p.ValueText)
}

// railWords is a rail with its voltage.
func railWords(n *netlist.Net) string {
	text := "rail"
	if n.Boosted {
		text = "boosted rail"
	}
	if !math.IsNaN(n.RailVolts) {
		text += " " + quantity.Format(n.RailVolts, quantity.Volt)
	}
	return text
}
