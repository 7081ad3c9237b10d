package main

import (
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
)

// Columns of a comparison.
const (
	measuredColumn = 3
	goodColumn     = 4
	distanceColumn = 5
)

func comparisonColumns(mixed bool) []column {
	ground := column{}
	if mixed {
		ground.head = "ground"
	}
	return []column{{head: "at", give: true}, {head: "net", give: true}, ground, {head: "measured", right: true}, {head: "known good"}, {head: "dev", right: true}, {head: "verdict"}}
}

// comparisonRow is one reading as a row of comparisonColumns. With mixed
// polarities the probe that is on ground is said.
func comparisonRow(r *diagnose.Comparison, mixed bool) []cell {
	at, ground, off := wording.Where(r.At, r.To), "", ""
	if mixed {
		ground, _, _ = strings.Cut(r.Polarity, "-")
	}
	v := verdict(r.Verdict)
	read := cell{wording.Measured(r), v.style}
	if r.Verdict == diagnose.Agrees || r.Verdict == diagnose.NoKnownGood {
		read.style = plain
	}
	good := "none"
	switch {
	case r.Resistance || r.Ohms != nil:
		if r.Predicted != nil {
			good = wording.Ohms(*r.Predicted) + predictedMark
		} else if r.PredictedOverload {
			good = "OL" + predictedMark
		}
	case r.KnownGood != nil || r.KnownGoodOverload:
		good = wording.Spread(r.KnownGood, r.KnownGoodOverload, r.Sigma)
	case r.Predicted != nil || r.PredictedOverload:
		good = wording.Spread(r.Predicted, r.PredictedOverload, r.Sigma) + predictedMark
	}
	if good != "none" && !r.Overload && !r.KnownGoodOverload && !r.Resistance && r.Ohms == nil {
		switch {
		case r.ZScore > 99.9:
			off = ">+99"
		case r.ZScore < -99.9:
			off = "<-99"
		default:
			off = signed(r.ZScore)
		}
	}
	return []cell{{at, plain}, {name(r.Net), faint}, {ground, faint}, read, {good, plain}, {off, faint}, v}
}
