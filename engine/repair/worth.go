package repair

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"halfsplit/engine/plan"
	"halfsplit/netlist"
)

// RepairTime is how long it takes from here to a verified repair, in seconds, by the
// plan's own reckoning: over everything that may be wrong and all that each step may
// show. A repair that is given up takes until the board is handed on.
type RepairTime struct {
	Median float64    `json:"median_seconds"`
	Half   [2]float64 `json:"half_seconds"`        // from, to: a half of such repairs
	Most   [2]float64 `json:"nine_in_ten_seconds"` // from, to: nine in ten
	// GivenUp is the probability that no repair on offer is the right one.
	GivenUp float64 `json:"given_up"`
}

// mostQuantile is beyond the seconds, and the sum of money, of any repair.
const mostQuantile = 1e12

// repairTime sums up how a plan may end.
func repairTime(endings []plan.Ending) *RepairTime {
	t := &RepairTime{}
	for i := range endings {
		if endings[i].GivenUp {
			t.GivenUp += endings[i].Probability
		}
	}
	x := ranges(func(seconds float64) float64 {
		sum := 0.0
		for i := range endings {
			sum += endings[i].Probability * endings[i].Within(seconds)
		}
		return sum
	})
	t.Median, t.Half, t.Most = x[2], [2]float64{x[1], x[3]}, [2]float64{x[0], x[4]}
	return t
}

// ranges gives the quantiles of the ranges: 5, 25, 50, 75 and 95 %.
func ranges(reached func(float64) float64) (x [5]float64) {
	most := 1.0
	for reached(most) < 0.95 && most < mostQuantile {
		most *= 2
	}
	for i, share := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
		x[i] = plan.Quantile(share, most, reached)
	}
	return x
}

// Worth is what going on with a repair costs, beside a replacement board. Sums are in
// the currency of the rates.
type Worth struct {
	Currency string     `json:"currency,omitempty"`
	Cost     float64    `json:"cost"`             // expected
	Half     [2]float64 `json:"half_cost"`        // from, to: a half of such repairs
	Most     [2]float64 `json:"nine_in_ten_cost"` // from, to: nine in ten
	Board    float64    `json:"replacement_board"`
	// Until is the repair time in seconds from here at which the repair has cost as much
	// as the replacement board; beyond it that is the better offer. 0 where it is at once.
	Until float64 `json:"until_seconds"`
	// Beyond is the probability that the repair takes longer than Until or is given up.
	Beyond float64 `json:"beyond"`
	GoOn   bool    `json:"go_on"` // the expected cost is below that of the replacement board
}

// worth compares going on with a replacement board. A repair that is given up costs the
// replacement board on top. New parts are those that the faults call for and cost
// `parts`, not those that may be replaced for nothing.
func worth(endings []plan.Ending, parts float64, r *plan.Rates) *Worth {
	w := &Worth{Currency: r.Currency, Board: r.Board, Until: math.Max(0, (r.Board-parts)/r.Hour*3600)}
	fixed := func(e *plan.Ending) float64 {
		if e.GivenUp {
			return parts + r.Board
		}
		return parts
	}
	for i := range endings {
		e := &endings[i]
		w.Cost += e.Probability * (fixed(e) + e.Seconds/3600*r.Hour)
		if e.GivenUp {
			w.Beyond += e.Probability
		} else {
			w.Beyond += e.Probability * (1 - e.Within(w.Until))
		}
	}
	x := ranges(func(cost float64) float64 {
		sum := 0.0
		for i := range endings {
			e := &endings[i]
			sum += e.Probability * e.Within((cost-fixed(e))/r.Hour*3600)
		}
		return sum
	})
	w.Half, w.Most = [2]float64{x[1], x[3]}, [2]float64{x[0], x[4]}
	w.GoOn = w.Cost < w.Board
	return w
}

// newParts gives the mean numbers of new parts and of new ICs that the hypotheses call
// for.
func (p *planning) newParts() (parts, ics float64) {
	total := p.problem.Rest
	for i := range p.problem.Hypotheses {
		h := &p.problem.Hypotheses[i]
		total += h.Weight
		for _, n := range h.Needs {
			id, err := p.Board.PartByName(p.remedies[n].place)
			if err != nil || p.remedies[n].name != "replace" {
				continue
			}
			if kind := p.Board.Parts[id].Kind; kind == netlist.IC || kind == netlist.Module {
				ics += h.Weight
			} else {
				parts += h.Weight
			}
		}
	}
	return parts / total, ics / total
}

// Says puts the range in words: "half of such repairs take 8 to 12 min, nine in ten 3
// to 70 min".
func (t *RepairTime) Says() string {
	text := fmt.Sprintf("half of such repairs take %s, nine in ten %s", timeRange(t.Half), timeRange(t.Most))
	if t.GivenUp >= 0.02 {
		text += "; " + percent(t.GivenUp) + " end without the fault found"
	}
	return text
}

// Says puts what going on costs in two sentences.
func (w *Worth) Says() []string {
	sum := func(v ...float64) string { return strings.TrimSpace(twoDigits(v...) + " " + w.Currency) }
	cost := fmt.Sprintf("Going on costs about %s; half of such repairs cost %s, nine in ten %s. A replacement board costs %s.",
		sum(w.Cost), sum(w.Half[0], w.Half[1]), sum(w.Most[0], w.Most[1]), sum(w.Board))
	if !w.GoOn {
		return []string{cost, "The replacement board is the better offer."}
	}
	return []string{cost, fmt.Sprintf("Worth going on. From %s of repair time on, counted from here, the replacement board is the better offer; %s of repairs take longer or end without the fault found.",
		timeRange([2]float64{w.Until, w.Until}), percent(w.Beyond))}
}

// percent writes a share of repairs.
func percent(p float64) string {
	if p < 0.01 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// timeRange writes a range of seconds in the unit of its end, two digits each.
func timeRange(x [2]float64) string {
	unit, by := "s", 1.0
	switch {
	case x[1] >= 2*3600:
		unit, by = "h", 3600
	case x[1] >= 120:
		unit, by = "min", 60
	}
	return twoDigits(x[0]/by, x[1]/by) + " " + unit
}

// twoDigits writes a number, or a range of two, with two digits, or those before the point;
// what is below ten has one beside what is above.
func twoDigits(v ...float64) string {
	digits := 2
	if v[len(v)-1] >= 9.95 {
		digits = 1
	}
	var words []string
	for _, x := range v {
		if x < 9.95 {
			x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', digits, 64), 64)
			words = append(words, strconv.FormatFloat(x, 'f', -1, 64))
			continue
		}
		words = append(words, strconv.FormatFloat(x, 'f', 0, 64))
	}
	if len(words) == 2 && words[0] == words[1] {
		words = words[:1]
	}
	return strings.Join(words, " to ")
}
