package fault

import (
	"math"
	"sort"

	"halfsplit/engine/network"
)

// sigmaAt gives the standard deviation taken for a prediction of two faults
// together: that of a good board in proportion.
func (o *Observation) sigmaAt(v float64) float64 {
	return math.Hypot(o.Misfit, o.Good.Sigma*math.Min(1, v/o.Good.Volts))
}

// coarse is the number of resistances of a leak or raised resistance that is
// solved together with another fault; a short takes half as many.
const coarse = 6

// together scores two candidates whose effects meet, by solving the board with
// both for the observations that both settle: modes without a range once, the
// others at coarse resistances, each standing for its neighbourhood. What only
// one of them settles is read from its table.
func (s *search) together(w *network.Workspace, i, j int) (set, error) {
	a, b := s.cands[i], s.cands[j]
	as, bs := a.samples(), b.samples()
	ea := evidence{modes: make([]float64, len(a.locus.Modes)), ohms: append([]float64(nil), a.all.ohms...)}
	eb := evidence{modes: make([]float64, len(b.locus.Modes)), ohms: append([]float64(nil), b.all.ohms...)}
	la, lb := a.logs(as, s.obs, s.result.Base, b.strong), b.logs(bs, s.obs, s.result.Base, a.strong)
	// the observations to solve for, and the most that those from each on can add
	_, solve := s.meet(a, b)
	// the oddest first: they settle soonest that a pair of resistances is wrong
	sort.SliceStable(solve, func(a, b int) bool { return s.result.Base[solve[a]] < s.result.Base[solve[b]] })
	most := make([]float64, len(solve)+1)
	for k := len(solve) - 1; k >= 0; k-- {
		most[k] = most[k+1] + s.perfectly(solve[k], a, b)
	}
	type pair struct {
		x, y int
		l    float64
	}
	var order []pair
	for x := range as {
		for y := range bs {
			order = append(order, pair{x, y, math.Log(as[x].odds*bs[y].odds) + la[x] + lb[y]})
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return order[i].l > order[j].l })
	var kept []pair
	top := math.Inf(-1)
	changes := make([]network.Change, 2)
	for _, q := range order {
		ra, rb := as[q.x], bs[q.y]
		l := q.l
		changes[0], changes[1] = a.locus.At(ra.ohms), b.locus.At(rb.ohms)
		for k, o := range solve {
			if l+most[k] < top-8 {
				l = math.Inf(-1)
				break
			}
			v, err := s.ph.volts(w, &s.obs[o], changes)
			if err != nil {
				return set{}, err
			}
			// The spread is at most that of the good board; between coarse
			// samples the reading moves by up to half a step.
			p := Prediction{Volts: v, DF: fewDF, Sigma: math.Hypot(s.obs[o].sigmaAt(v), math.Max(ra.blur, rb.blur)*math.Min(v, 0.6))}
			l += s.obs[o].LogLikelihood(p) - s.result.Base[o]
		}
		if !math.IsInf(l, -1) {
			kept = append(kept, pair{q.x, q.y, l})
			top = math.Max(top, l)
		}
	}
	topA, topB := make([]float64, len(ea.modes)), make([]float64, len(eb.modes))
	sum := 0.0
	for _, q := range kept {
		ra, rb := as[q.x], bs[q.y]
		e := math.Exp(q.l - top)
		sum += e
		ea.modes[ra.mode] += e
		eb.modes[rb.mode] += e
		if e > topA[ra.mode] {
			topA[ra.mode], ea.ohms[ra.mode] = e, ra.ohms
		}
		if e > topB[rb.mode] {
			topB[rb.mode], eb.ohms[rb.mode] = e, rb.ohms
		}
	}
	score := top + math.Log(sum)
	for _, e := range [2]*evidence{&ea, &eb} {
		e.total = score
		for k := range e.modes {
			e.modes[k] /= sum
		}
	}
	if len(kept) == 0 {
		score = math.Inf(-1)
	}
	return set{members: [3]int{i, j, -1}, score: score, parts: [3]*evidence{&ea, &eb}}, nil
}

// sample is one resistance of a candidate with its share of the odds.
type sample struct {
	mode int
	ohms float64
	odds float64
	fine int     // position on the fine grid, -1 for open
	blur float64 // share of a reading by which it stands for its neighbours
}

// samples cuts the resistance range into coarse steps.
func (c *candidate) samples() []sample {
	var out []sample
	for m, r := range c.locus.Modes {
		odds := r.Odds * c.factor
		if math.IsInf(r.Lo, 1) {
			out = append(out, sample{mode: m, ohms: r.Lo, odds: odds, fine: -1})
			continue
		}
		lo, hi := math.Log10(r.Lo), math.Log10(r.Hi)
		n := coarse
		if r.Hi <= ShortOhms {
			n /= 2
		}
		for k := range n {
			x := lo + (hi-lo)*(float64(k)+0.5)/float64(n)
			out = append(out, sample{mode: m, ohms: math.Pow(10, x), odds: odds / float64(n),
				fine: int(math.Round((x - c.grid.lo) / (c.grid.hi - c.grid.lo) * float64(c.fine-1))),
				blur: 0.15})
		}
	}
	return out
}

// logs gives the log likelihood ratio of each sample over the observations not
// in skip.
func (c *candidate) logs(samples []sample, obs []Observation, base []float64, skip []uint64) []float64 {
	out := make([]float64, len(samples))
	for i := range c.tables {
		t := &c.tables[i]
		if hasBit(skip, t.obs) {
			continue
		}
		o := &obs[t.obs]
		for k, s := range samples {
			p := Prediction{Volts: t.open.volts, Sigma: t.open.sigma, DF: fewDF}
			if s.fine >= 0 {
				p = t.read(s.fine, c.fine)
				p.Sigma = math.Hypot(p.Sigma, s.blur*math.Min(p.Volts, 0.6))
			}
			out[k] += o.LogLikelihood(p) - base[t.obs]
		}
	}
	return out
}
