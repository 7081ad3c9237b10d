package page

import (
	"fmt"
	"strings"
	"time"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
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

// Where names a point or, where to is not empty, the two points between which was read.
func Where(at, to string) string {
	if to != "" {
		return name(at) + " to " + name(to)
	}
	return name(at)
}

// prose does the same with text of many words, word by word.
func prose(text string) string { return document.PrintableWords(text) }

func shown(v *float64, over bool) string {
	switch {
	case v != nil:
		return strings.Replace(fmt.Sprintf("%.3f V", *v), "-0.000", "0.000", 1)
	case over:
		return "OL"
	}
	return "none"
}

func goodText(r *diagnose.Comparison) string {
	v, over, predicted := r.Good()
	text := shown(v, over)
	if v != nil && r.Resistance {
		text = quantity.Format(*v, quantity.Ohm)
	} else if v != nil && r.Sigma > 0 {
		text = fmt.Sprintf("%.3f ± %.3f V", *v, r.Sigma)
	}
	if predicted && text != "none" {
		text += " (predicted)"
	}
	return text
}

func readText(r *diagnose.Comparison) string {
	if r.Ohms != nil {
		return quantity.Format(*r.Ohms, quantity.Ohm)
	}
	return shown(r.Volts, r.Overload)
}

// span writes a time at the bench.
func span(d time.Duration) string {
	switch {
	case d < time.Second:
		return "under 1 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
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

func percent(p float64) string {
	switch {
	case p >= 0.995:
		return "over 99 %"
	case p < 0.005:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
