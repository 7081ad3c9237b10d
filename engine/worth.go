package engine

import (
	"math"

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

// Worth compares going on with a replacement board; nil where there is nothing to do.
// A repair that is given up costs the replacement board on top. New parts are those
// that the faults call for, not those that may be replaced for nothing.
func (d *Diagnosis) Worth(r *plan.Rates) *Worth {
	if d.Time == nil || r == nil {
		return nil
	}
	parts := d.NewParts*r.Part + d.NewICs*r.IC
	w := &Worth{Currency: r.Currency, Board: r.Board, Until: math.Max(0, (r.Board-parts)/r.Hour*3600)}
	fixed := func(e *plan.Ending) float64 {
		if e.GivenUp {
			return parts + r.Board
		}
		return parts
	}
	for i := range d.Endings {
		e := &d.Endings[i]
		w.Cost += e.Probability * (fixed(e) + e.Seconds/3600*r.Hour)
		if e.GivenUp {
			w.Beyond += e.Probability
		} else {
			w.Beyond += e.Probability * (1 - e.Within(w.Until))
		}
	}
	x := ranges(func(cost float64) float64 {
		sum := 0.0
		for i := range d.Endings {
			e := &d.Endings[i]
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
