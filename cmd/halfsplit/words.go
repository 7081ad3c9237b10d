package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
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

// signed writes a number with its sign and one decimal.
func signed(v float64) string {
	text := fmt.Sprintf("%+.1f", v)
	if text == "-0.0" || text == "+0.0" {
		return "0.0"
	}
	return text
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

// withArticle puts "a" or "an" before words.
func withArticle(words string) string {
	if strings.ContainsAny(words[:min(len(words), 1)], "aeiouAEIOU") {
		return "an " + words
	}
	return "a " + words
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
