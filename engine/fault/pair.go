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

// coarse is the number of resistances of a leak or high resistance that is
// solved together with another fault at first; a short takes half as many. Then the
// likeliest pairs of resistances, at most mostCut of them, are cut in three either
// way, so often as finer says: from 0.7 of a decade to 6 % of a resistance.
const (
	coarse  = 6
	finer   = 3
	mostCut = 8
)

// Cells whose logarithm lies below the best by more than this are
// let go, and not cut finer.
const (
	farBelow = 8.0
	notWorth = 4.0
)

// scorePair scores two candidates whose effects meet, by solving the board with
// both for the observations that both settle: modes without a range once, the
// others at resistances each of which stands for its neighbourhood. What only one
// of them settles is read from its entries.
func (s *search) scorePair(w *network.Workspace, i, j int) (set, error) {
	a, b := s.cands[i], s.cands[j]
	d := pair{search: s, w: w, a: a, b: b, top: math.Inf(-1)}
	// the oddest first: they settle soonest that a pair of resistances is wrong
	_, d.solve = s.settled(a, b)
	sort.SliceStable(d.solve, func(a, b int) bool { return s.result.Base[d.solve[a]] < s.result.Base[d.solve[b]] })
	d.most = make([]float64, len(d.solve)+1)
	for k := len(d.solve) - 1; k >= 0; k-- {
		d.most[k] = d.most[k+1] + s.perfectly(d.solve[k], a, b)
	}
	todo := d.cells(a.pieces(), b.pieces())
	var kept []cell
	for level := 0; ; level++ {
		found, err := d.score(todo)
		if err != nil {
			return set{}, err
		}
		kept = append(kept, found...)
		sort.SliceStable(kept, func(i, j int) bool { return kept[i].l > kept[j].l })
		if level == finer {
			break
		}
		todo, d.level = nil, level+1
		rest := kept[:0]
		for _, q := range kept {
			if len(todo) >= 9*mostCut || q.l < d.top-notWorth || q.level < level || q.x.open() && q.y.open() {
				rest = append(rest, q)
				continue
			}
			todo = append(todo, d.cells(q.x.cut(), q.y.cut())...)
		}
		if kept = rest; len(todo) == 0 {
			break
		}
	}
	return d.sum(i, j, kept), nil
}

// pair is two candidates that are being scored as a pair.
type pair struct {
	*search
	w     *network.Workspace
	a, b  *candidate
	solve []int     // the observations to solve for
	most  []float64 // the most that those from each on can add
	top   float64   // the best cell so far
	level int
}

// cell is a piece of each candidate's resistances.
type cell struct {
	x, y  piece
	level int
	l     float64 // logarithm of the odds times the likelihood ratio
}

// cells joins pieces, with what only one of the candidates settles.
func (d *pair) cells(xs, ys []piece) []cell {
	out := make([]cell, 0, len(xs)*len(ys))
	lx, ly := d.a.logs(xs, d.obs, d.result.Base, d.b.strong), d.b.logs(ys, d.obs, d.result.Base, d.a.strong)
	for i, x := range xs {
		for k, y := range ys {
			out = append(out, cell{x, y, d.level, math.Log(x.odds*y.odds) + lx[i] + ly[k]})
		}
	}
	return out
}

// score adds what both candidates settle, and gives the cells that are not far
// below the best.
func (d *pair) score(todo []cell) ([]cell, error) {
	sort.SliceStable(todo, func(i, j int) bool { return todo[i].l > todo[j].l })
	var kept []cell
	var changes [2]network.Change
	for _, q := range todo {
		changes[0], changes[1] = d.a.locus.At(q.x.ohms()), d.b.locus.At(q.y.ohms())
		blur := math.Max(q.x.blur(), q.y.blur())
		for k, o := range d.solve {
			if q.l+d.most[k] < d.top-farBelow {
				q.l = math.Inf(-1)
				break
			}
			v, err := d.ph.volts(d.w, &d.obs[o], changes[:])
			if err != nil {
				return nil, err
			}
			// The spread is at most that of the good board; within a piece the
			// reading moves by up to half its width.
			p := Prediction{Volts: v, DF: fewDF, Sigma: math.Hypot(d.obs[o].sigmaAt(v), blur*math.Min(v, 0.6))}
			q.l += d.obs[o].LogLikelihood(p) - d.result.Base[o]
		}
		if !math.IsInf(q.l, -1) {
			kept = append(kept, q)
			d.top = math.Max(d.top, q.l)
		}
	}
	return kept, nil
}

// sum adds up the cells.
func (d *pair) sum(i, j int, kept []cell) set {
	a, b := d.a, d.b
	ea := evidence{modes: make([]float64, len(a.locus.Modes)), ohms: append([]float64(nil), a.all.ohms...)}
	eb := evidence{modes: make([]float64, len(b.locus.Modes)), ohms: append([]float64(nil), b.all.ohms...)}
	topA, topB := make([]float64, len(ea.modes)), make([]float64, len(eb.modes))
	sum := 0.0
	for _, q := range kept {
		e := math.Exp(q.l - d.top)
		sum += e
		ea.modes[q.x.mode] += e
		eb.modes[q.y.mode] += e
		if e > topA[q.x.mode] {
			topA[q.x.mode], ea.ohms[q.x.mode] = e, q.x.ohms()
		}
		if e > topB[q.y.mode] {
			topB[q.y.mode], eb.ohms[q.y.mode] = e, q.y.ohms()
		}
	}
	score := math.Inf(-1)
	if len(kept) > 0 {
		score = d.top + math.Log(sum)
	}
	for _, e := range [2]*evidence{&ea, &eb} {
		e.total = score
		for k := range e.modes {
			e.modes[k] /= math.Max(sum, 1e-300)
		}
	}
	return set{members: [3]int{i, j, -1}, score: score, parts: [3]*evidence{&ea, &eb}}
}

// piece is a stretch of a candidate's resistances in one mode, as decimal
// logarithms, with its share of the odds; both ends are infinite for an open.
type piece struct {
	mode   int
	lo, hi float64
	odds   float64
}

func (p piece) open() bool    { return math.IsInf(p.lo, 1) }
func (p piece) ohms() float64 { return math.Pow(10, (p.lo+p.hi)/2) }

// blur gives the share of a reading by which a piece stands for its neighbourhood:
// the standard deviation of a reading in proportion to the resistance, but no more
// than mostBlur, as junctions keep it from that.
func (p piece) blur() float64 {
	if p.open() {
		return 0
	}
	return math.Min((p.hi-p.lo)*math.Ln10/math.Sqrt(12), mostBlur)
}

const mostBlur = 0.15

// cut divides a piece in three.
func (p piece) cut() []piece {
	if p.open() {
		return []piece{p}
	}
	out := make([]piece, 3)
	for k := range out {
		third := (p.hi - p.lo) / 3
		out[k] = piece{p.mode, p.lo + third*float64(k), p.lo + third*float64(k+1), p.odds / 3}
	}
	return out
}

// pieces cuts the resistances into coarse steps.
func (c *candidate) pieces() []piece {
	var out []piece
	for m, r := range c.locus.Modes {
		odds := r.Odds * c.factor
		if math.IsInf(r.Lo, 1) {
			out = append(out, piece{m, r.Lo, r.Lo, odds})
			continue
		}
		lo, hi := math.Log10(r.Lo), math.Log10(r.Hi)
		n := coarse
		if r.Hi <= ShortOhms {
			n /= 2
		}
		for k := range n {
			step := (hi - lo) / float64(n)
			out = append(out, piece{m, lo + step*float64(k), lo + step*float64(k+1), odds / float64(n)})
		}
	}
	return out
}

// at gives the fine position of a piece's middle.
func (c *candidate) at(p piece) int {
	x := ((p.lo+p.hi)/2 - c.grid.lo) / (c.grid.hi - c.grid.lo)
	return int(math.Round(x * float64(c.fine-1)))
}

// logs gives the log likelihood ratio of each piece over injections and the
// observations not in skip.
func (c *candidate) logs(pieces []piece, obs []Observation, base []float64, skip []uint64) []float64 {
	out := make([]float64, len(pieces))
	if c.felt != nil {
		for k, s := range pieces {
			out[k] = c.felt[c.at(s)]
		}
	}
	for i := range c.entries {
		t := &c.entries[i]
		if hasBit(skip, t.obs) {
			continue
		}
		o := &obs[t.obs]
		for k, s := range pieces {
			p := Prediction{Volts: t.open.volts, Sigma: t.open.sigma, DF: fewDF}
			if !s.open() {
				p = t.read(c.at(s), c.fine)
				p.Sigma = math.Hypot(p.Sigma, s.blur()*math.Min(p.Volts, 0.6))
			}
			out[k] += o.LogLikelihood(p) - base[t.obs]
		}
	}
	return out
}
