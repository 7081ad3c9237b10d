package page

import (
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	"halfsplit/netlist/document"
)

func strong(text string) Cell { return Cell{Text: text, Strong: true} }

func wide(text string) Cell { return Cell{Text: text, Class: "all"} }

func num(text string) Cell { return Cell{Text: text, Class: "num"} }

// verdict is a verdict with its colour and mark.
func verdict(v diagnose.Verdict) Cell {
	return Cell{Text: string(v), Class: "num " + lookOf(v).class, Mark: lookOf(v).mark}
}

// name makes a name from a file safe to print: no characters that do not show,
// no more than fits on a line.
func name(text string) string { return document.Printable(text) }

// prose does the same with text of many words, word by word.
func prose(text string) string { return document.PrintableWords(text) }

func goodText(r *diagnose.Comparison) string {
	v, over, predicted := r.Good()
	text := wording.Spread(v, over, r.Sigma)
	if v != nil && r.Resistance {
		text = wording.Ohms(*v)
	} else if v == nil && !over {
		return "none"
	}
	if predicted {
		text += " (predicted)"
	}
	return text
}

// verdictOf is the verdict on a reading: where no good board was read, by what the
// circuit predicts of one.
func verdictOf(x *diagnose.Comparison) diagnose.Verdict {
	if x.Verdict == diagnose.NoKnownGood && x.Circuit != "" {
		return x.Circuit
	}
	return x.Verdict
}

func rankPoint(p point) int {
	if p.before != nil && p.before.Verdict != diagnose.Agrees && p.before.Verdict != diagnose.NoKnownGood {
		return 0
	}
	return 1
}
