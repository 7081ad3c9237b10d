package page

import (
	"cmp"

	"halfsplit/engine/diagnose"
)

// Colour is one colour of the page, as it is on light and on dark paper, in the
// form #rrggbb. Nothing is said by colour alone: Mark is the shape that goes
// with it.
type Colour struct {
	Name  string // of the CSS variable
	Light string
	Dark  string
	Mark  string // "" for paper and ink, which say nothing
	Says  string
}

// Paper, ink and lines. Ink has to stand out from paper by 4.5 to 1, lines and
// marks by 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11).
var surfaces = []Colour{
	{Name: "paper", Light: "#ffffff", Dark: "#15181c"},
	{Name: "sheet", Light: "#f3f5f7", Dark: "#1e2329"},
	{Name: "ink", Light: "#1a1f26", Dark: "#e8ebee"},
	{Name: "faint", Light: "#4e5864", Dark: "#a9b3be"},
	{Name: "rule", Light: "#7d8894", Dark: "#76818d"},
	{Name: "band", Light: "#c4dbee", Dark: "#274a66"},
}

// marks are the colours that say something. The hues are blue, vermilion, ochre
// and violet, which people who confuse red and green distinguish (after Okabe and
// Ito, Color Universal Design, 2008; darkened for contrast).
var marks = []Colour{
	{"good", "#00558f", "#86c5f4", "dot", "agrees with known good"},
	{"bad", "#b23c00", "#ffa374", "ring", "shorted, open or an unexpected path"},
	{"off", "#7a5600", "#e9c46a", "triangle", "low or high"},
	{"work", "#6d3a94", "#d2adf2", "square", "was worked on"},
}

// look is how something is shown: a class of style and the character before it.
type look struct{ class, mark string }

// verdictLooks are how verdicts are shown in tables. The classes are colours of marks, or
// "faint".
var verdictLooks = map[diagnose.Verdict]look{
	diagnose.Agrees:         {"good", "•"},
	diagnose.Low:            {"off", "▼"},
	diagnose.High:           {"off", "▲"},
	diagnose.IsShorted:      {"bad", "●"},
	diagnose.IsOpen:         {"bad", "○"},
	diagnose.UnexpectedPath: {"bad", "►"},
}

// lookOf is how a verdict is shown.
func lookOf(v diagnose.Verdict) look {
	return cmp.Or(verdictLooks[v], look{"faint", "?"})
}
