package fault

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/network"
)

// coarse is the number of resistances of a leak or high resistance that is
// solved together with another fault at first; a short takes half as many. Then the
// likeliest pairs of resistances, at most mostCut of them, are cut in three either
// way, so often as finer says: from 0.7 of a decade to 6 % of a resistance.
const (
	coarse  = 6
	finer   = 3
	mostCut = 12
	rounds  = 5
)

// Pairs of resistances whose logarithm lies below the best by more than this are
// let go, and not cut finer.
const (
	farBelow = 8.0
	notWorth = 4.0
)

// scorePair scores two candidates whose effects meet, by solving the board with
// both for the observations that both settle: modes without a range once, the
// others at resistances each of which stands for its neighbourhood. What only one
// of them settles is read from its entry.
func (s *search) scorePair(w *network.Workspace, i, j int) (set, error) {
	a, b := s.cands[i], s.cands[j]
	d := pair{search: s, w: w, a: a, b: b, top: math.Inf(-1)}
	d.block = s.ph.Joint.block(union(a.in, b.in), nil)
	_, both := s.settled(a, b)
	sort.SliceStable(both, func(x, y int) bool { return s.result.Base[both[x]] < s.result.Base[both[y]] })
	d.farthest, d.many = both[:min(len(both), farthest)], len(both) > farthest
	d.rows, d.means = make([]row, len(d.block.ids)), make([]float64, len(d.block.ids))
	todo := d.pairs(d.pieces(a), d.pieces(b), 0)
	var kept []cell
	for round := 0; ; round++ {
		found, err := d.score(todo)
		if err != nil {
			return set{}, err
		}
		kept = append(kept, found...)
		sort.SliceStable(kept, func(i, j int) bool { return kept[i].l > kept[j].l })
		if round == rounds {
			break
		}
		todo = nil
		rest := kept[:0]
		for _, q := range kept {
			if len(todo) >= 9*mostCut || q.l < d.top-notWorth || q.level == finer || q.x.open() && q.y.open() {
				rest = append(rest, q)
				continue
			}
			todo = append(todo, d.pairs(d.cut(a, q.x), d.cut(b, q.y), q.level+1)...)
		}
		if kept = rest; len(todo) == 0 {
			break
		}
	}
	return d.sum(i, j, kept), nil
}

// pair is two candidates on the way to be scored together.
type pair struct {
	*search
	w        *network.Workspace
	a, b     *candidate
	block    *block  // the observations of all lines that either touches
	farthest []int   // of them, those that are solved for
	many     bool    // there are more that both move
	top      float64 // the best cell so far
	rows     []row   // room for ratio
	means    []float64
	shape    *shape
}

// farthest is for how many readings that two candidates both move the board is solved with
// both, mostSolved how many pairs of resistances each time.
const (
	farthest   = 6
	mostSolved = 16
)

// cell is a piece of each candidate's resistances.
type cell struct {
	x, y  *piece
	level int
	odds  float64 // logarithm, with that of what was found warm
	// V, by farthest: what the board with both is solved for.
	solved [farthest]float64
	l      float64 // logarithm of the odds times the likelihood ratio
}

// pairs joins pieces.
func (d *pair) pairs(xs, ys []*piece, level int) []cell {
	out := make([]cell, 0, len(xs)*len(ys))
	for _, x := range xs {
		for _, y := range ys {
			out = append(out, cell{x: x, y: y, level: level, odds: math.Log(x.odds*y.odds) + x.warmth + y.warmth})
		}
	}
	return out
}

// score gives the pairs that are not far below the best: by what their entries let one
// expect of both, and then with the board solved for both where that speaks for them.
func (d *pair) score(todo []cell) (kept []cell, err error) {
	for _, solve := range [2]bool{false, true} {
		if !solve && !d.many {
			continue
		}
		if solve {
			if err := d.solve(todo); err != nil {
				return nil, err
			}
		}
		top := math.Inf(-1)
		for k := range todo {
			todo[k].l = d.ratio(&todo[k], solve)
			top = math.Max(top, todo[k].l)
		}
		if solve {
			d.top = math.Max(d.top, top)
			top = d.top
		}
		todo = slices.DeleteFunc(todo, func(q cell) bool { return q.l < top-farBelow })
		sort.SliceStable(todo, func(i, j int) bool { return todo[i].l > todo[j].l })
		if d.many {
			todo = todo[:min(len(todo), mostSolved)]
		}
	}
	return todo, nil
}

// solve solves the board with both for the farthest observations: one after another, as the
// circuit of one is gathered once.
func (d *pair) solve(todo []cell) error {
	for n, i := range d.farthest {
		if d.a.entry(i) == nil || d.b.entry(i) == nil {
			continue
		}
		changes := []network.Change{d.a.locus.Change, d.b.locus.Change}
		sw := sweep{ph: d.ph, w: d.w, o: &d.obs[i], changes: changes}
		for k := range todo {
			q := &todo[k]
			changes[0].Ohms, changes[1].Ohms = q.x.ohms(), q.y.ohms()
			var err error
			if q.solved[n], err = sw.volts(); err != nil {
				return err
			}
		}
	}
	return nil
}

// ratio gives the logarithm of the odds of a cell times its likelihood ratio. Where one
// alone moves a reading, its entry tells; the farthest of those that both move are solved
// for. Within a piece a reading moves by up to half its width.
func (d *pair) ratio(q *cell, solve bool) float64 {
	for k, i := range d.block.ids {
		o := &d.obs[i]
		x, y := q.x.rows[k], q.y.rows[k]
		r, blur := &o.row, 0.0
		switch {
		case x != nil && y != nil:
			v := 0.0
			if n := slices.Index(d.farthest, i); n >= 0 && solve {
				v = q.solved[n]
			} else {
				v = d.both(o, x.volts, y.volts)
			}
			p := o.proportion(v)
			r, blur = &p, math.Max(q.x.blur(), q.y.blur())
		case x != nil:
			r, blur = x, q.x.blur()
		case y != nil:
			r, blur = y, q.y.blur()
		}
		d.rows[k] = *r
		d.rows[k].own += square(blur * math.Min(r.volts, 0.6))
		d.means[k] = r.volts
	}
	d.shape = d.block.shape(d.shape, d.rows, nil)
	return q.odds + d.block.density(d.shape, d.means, nil) - d.block.base
}

// both gives about what two faults together make of a reading, from what each does
// alone: side by side conductances add, in series voltages do. Where one is a path and
// the other a resistance it depends on which comes first; what fits better is taken.
func (d *pair) both(o *Observation, a, b float64) float64 {
	good := o.row.volts
	series := math.Max(a+b-good, 0)
	side := 1 / math.Max(1/math.Max(a, 1e-4)+1/math.Max(b, 1e-4)-1/math.Max(good, 1e-4), 1e-4)
	switch {
	case d.a.locus.Series && d.b.locus.Series:
		return series
	case !d.a.locus.Series && !d.b.locus.Series:
		return side
	case math.Abs(series-o.Volts) < math.Abs(side-o.Volts):
		return series
	}
	return side
}

// sum adds up the pairs.
func (d *pair) sum(i, j int, kept []cell) set {
	a, b := d.a, d.b
	ea := evidence{lacks: -1, modes: make([]float64, len(a.locus.Modes)), ohms: slices.Clone(a.all.ohms)}
	eb := evidence{lacks: -1, modes: make([]float64, len(b.locus.Modes)), ohms: slices.Clone(b.all.ohms)}
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
	warmth float64  // logarithm of warmRatio
	rows   []*row   // by place in the block: what the candidate's entry makes of it, nil for none
	thirds []*piece // see cut
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

const mostBlur = 0.45

// piece fills in what a candidate makes of a piece.
func (d *pair) piece(c *candidate, p piece) *piece {
	if c.warmed && !p.open() {
		p.warmth = math.Log(d.warmRatio(c.locus, p.ohms()))
	}
	p.rows = make([]*row, len(d.block.ids))
	for k, i := range d.block.ids {
		t := c.entry(i)
		if t == nil {
			continue
		}
		q := t.open
		if !p.open() {
			q = t.row(clamp((p.lo+p.hi)/2, c.grid.lo, c.grid.hi), len(d.block.ids) > many)
		}
		q = d.block.slim(k, &q)
		p.rows[k] = &q
	}
	return &p
}

// cut divides a piece in three.
func (d *pair) cut(c *candidate, p *piece) []*piece {
	if p.open() {
		return []*piece{p}
	}
	for k := len(p.thirds); k < 3; k++ {
		third := (p.hi - p.lo) / 3
		p.thirds = append(p.thirds, d.piece(c, piece{mode: p.mode, lo: p.lo + third*float64(k), hi: p.lo + third*float64(k+1), odds: p.odds / 3}))
	}
	return p.thirds
}

// pieces cuts the resistances of a candidate into coarse steps.
func (d *pair) pieces(c *candidate) []*piece {
	var out []*piece
	for m, r := range c.locus.Modes {
		odds := r.Odds * c.ratio
		if math.IsInf(r.Lo, 1) {
			out = append(out, d.piece(c, piece{mode: m, lo: r.Lo, hi: r.Lo, odds: odds}))
			continue
		}
		lo, hi := math.Log10(r.Lo), math.Log10(r.Hi)
		n := coarse
		if r.Hi <= ShortOhms {
			n /= 2
		}
		for k := range n {
			step := (hi - lo) / float64(n)
			out = append(out, d.piece(c, piece{mode: m, lo: lo + step*float64(k), hi: lo + step*float64(k+1), odds: odds / float64(n)}))
		}
	}
	return out
}

// settled gives the observations that two candidates both settle, as a set and as a
// list.
func (s *search) settled(a, b *candidate) (both []uint64, list []int) {
	both = make([]uint64, s.words)
	for k := range both {
		both[k] = a.strong[k] & b.strong[k]
	}
	for o := range s.obs {
		if hasBit(both, o) {
			list = append(list, o)
		}
	}
	return both, list
}
