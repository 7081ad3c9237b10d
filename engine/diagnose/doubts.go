package diagnose

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"halfsplit/engine/fit"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// DrawingDoubts lists in words what the good boards say against the board file: paths to
// ground that no part accounts for, and values that are not as drawn.
func (e *Basis) DrawingDoubts() []string {
	var out, nets []string
	for _, n := range e.Posterior.Undrawn {
		if name := e.Board.Nets[n].Name; !slices.Contains(nets, name) {
			nets = append(nets, name)
		}
	}
	if len(nets) > 0 {
		out = append(out, "good boards show a path that the board file has no part for on "+document.Few(nets, fewNames)+"; look at the drawing of these lines first: a part is missing, its pins are in another order, or a value in the way is too high")
	}
	if len(e.Posterior.Freed) == 0 {
		return out
	}
	drawn := e.Model.Nominal().Ohms
	for _, el := range e.Posterior.Freed {
		part := &e.Board.Parts[e.Model.Elements[el].Part]
		out = append(out, fmt.Sprintf("the good boards go better with about %s for %s than with %s as the board file says; look at its code, and at their readings there",
			quantity.Format(e.Posterior.Values.Ohms[el], quantity.Ohm), part.Name, quantity.Format(drawn[el], quantity.Ohm)))
	}
	return out
}

// Doubts are DrawingDoubts and what the good boards say against each other: readings that
// were left out, and points on which they do not agree. Each names the point and the value
// as the sweep has them, with file and line.
func (e *Basis) Doubts() []string {
	out := e.DrawingDoubts()
	var left []goodReading // left out
	for _, m := range e.Posterior.Misread {
		left = append(left, e.readingsAt(m.Sweep, m.Spot)...)
	}
	for len(left) > 0 {
		x := left[0]
		left = left[1:]
		y := e.exchanged(&x)
		if y == nil {
			out = append(out, fmt.Sprintf("%s: %s at %s does not go with the other good boards and is left out; look for a typing error, a probe that missed the pad, or a swapped pin", x.where(), quantity.FormatReading(x.Reading), x.Name))
			continue
		}
		names := x.Name + " is"
		if k := slices.Index(left, *y); k >= 0 {
			names, left = "both are", slices.Delete(left, k, k+1)
		}
		out = append(out, fmt.Sprintf("%s: %s and %s look swapped, %s at %s and %s at %s: each is what the other good boards read on the other; %s left out until you have read both again and put them right in the file",
			x.where(), x.Name, y.Name, quantity.FormatReading(x.Reading), x.Name, quantity.FormatReading(y.Reading), y.Name, names))
	}
	var apart []string
	for _, s := range e.Posterior.InDoubt(worthTelling) {
		if text := e.apart(s); text != "" {
			apart = append(apart, text)
		}
	}
	if len(apart) > 0 {
		out = append(out, "the good boards do not agree on what is right at "+document.Few(apart, fewNames)+"; read it again on a good board before you trust it")
	}
	return out
}

// worthTelling is the odds from which a doubt about what good boards read is reported.
const worthTelling = 0.1

// goodReading is a reading of a good board as its sweep has it.
type goodReading struct {
	references.PointReading
	sweep *references.Sweep
	spot  fit.Spot
}

// readingsAt lists what a sweep has of a spot: its pins may be several.
func (e *Basis) readingsAt(s *references.Sweep, at fit.Spot) (out []goodReading) {
	for _, r := range s.Readings {
		if fit.SpotOf(e.Model, r.At, s.State.Polarity) == at {
			out = append(out, goodReading{r, s, at})
		}
	}
	return out
}

// where is the file of a reading, and its line where that is known.
func (t *goodReading) where() string {
	return document.Position{File: filepath.Base(t.sweep.File), Line: int(t.Line)}.String()
}

// exchanged gives the reading of the same sweep that was swapped with one that was left out:
// each is what other good boards read at the place of the other. It is nil where there is none.
func (e *Basis) exchanged(x *goodReading) *goodReading {
	off := func(r quantity.Reading, at fit.Spot) float64 { // V
		k, ok := e.Posterior.Known(at)
		switch {
		case !ok || r.Overload != (k.Overload > 0.5):
			return math.Inf(1)
		case r.Overload:
			return 0
		}
		return math.Abs(r.Value - k.Center)
	}
	for _, r := range x.sweep.Readings {
		y := &goodReading{r, x.sweep, fit.SpotOf(e.Model, r.At, x.sweep.State.Polarity)}
		if y.spot != x.spot && math.Max(off(x.Reading, y.spot), off(r.Reading, x.spot)) < swappedVolts && off(r.Reading, y.spot) > off(r.Reading, x.spot) {
			return y
		}
	}
	return nil
}

// swappedVolts is how near a reading lies to what other boards read at the pin that it was
// swapped with (common practice, no source).
const swappedVolts = 0.02

// apart says what good boards read at a spot on which they do not agree, each value once;
// "" for a spot that no sweep names.
func (e *Basis) apart(at fit.Spot) string {
	const most = 4
	var values []string
	if e.Library == nil {
		return ""
	}
	name, seen := "", map[quantity.Reading]bool{}
	for _, s := range e.Library.Sweeps {
		for _, r := range e.readingsAt(s, at) {
			if seen[r.Reading] {
				continue
			}
			name, seen[r.Reading] = r.Name, true
			if len(values) < most {
				values = append(values, fmt.Sprintf("%s in %s", quantity.FormatReading(r.Reading), r.where()))
			}
		}
	}
	switch more := len(seen) - len(values); {
	case name == "":
		return ""
	case more > 0:
		values = append(values, fmt.Sprintf("and %d more", more))
	}
	return fmt.Sprintf("%s (%s)", name, strings.Join(values, "; "))
}
