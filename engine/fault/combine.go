package fault

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"halfsplit/engine/network"
)

func (s *search) size() int { return len(s.cands) + len(s.outliers) }

// strong gives the observations that a member settles by itself.
func (s *search) strong(i int) []uint64 {
	if i < len(s.cands) {
		return s.cands[i].strong
	}
	return s.outliers[i-len(s.cands)].mask
}

// single gives the log score of a member alone.
func (s *search) single(i int) float64 {
	if i < len(s.cands) {
		return s.cands[i].all.total
	}
	l := &s.outliers[i-len(s.cands)]
	return l.odds + l.change
}

// unknown tells whether a member is something that nobody drew; a set has at most one.
func (s *search) unknown(i int) bool {
	if i < len(s.cands) {
		return s.cands[i].locus.Unknown
	}
	l := s.outliers[i-len(s.cands)].locus
	return l != nil && l.Unknown
}

// odds gives the log odds of a member before any reading.
func (s *search) odds(i int) float64 {
	if i < len(s.cands) {
		return s.cands[i].odds
	}
	return s.outliers[i-len(s.cands)].odds
}

// backed tells whether the readings speak for both members of a pair.
func (s *search) backed(st *set) bool {
	i, j := st.members[0], st.members[1]
	return st.score > bayesFrom+s.odds(j)+s.single(i) && st.score > bayesFrom+s.odds(i)+s.single(j)
}

// Logarithms of shares of the best score: sets below keepShare (1 in 10,000) are
// dropped; pairs whose upper bound is below workShare (1 in 50) are not solved
// together, as they could not change the answer by more than that; no more than
// jointBudget are, and no more than boundBudget are looked at closely.
const (
	keepShare     = -9.2
	workShare     = -3.9
	jointBudget   = 32
	boundBudget   = 160
	outlierBudget = 64
	pairsKept     = 400
	setsKept      = 4000
	atOnce        = 4 // joint pairs; not as many as processors, so that the answer does not depend on them
)

// joint is two candidates that settle an observation in common.
type joint struct {
	i, j  int
	bound float64
}

func (s *search) combine() error {
	s.gains()
	s.sets = newLeading(setsKept)
	s.sets.add(set{members: [3]int{-1, -1, -1}, score: 0})
	best := 0.0
	keep := func(st set) {
		if st.score > keepShare+best {
			s.sets.add(st)
			best = math.Max(best, st.score)
		}
	}
	for i := range s.size() {
		if s.single(i) > bayesFrom+s.odds(i) {
			keep(set{members: [3]int{i, -1, -1}, score: s.single(i)})
		}
	}
	pairs := newLeading(pairsKept)
	var near []joint // candidates beside misleading readings that they move
	for i := range s.size() {
		if err := s.m.Task.Err(); err != nil {
			return err
		}
		for j := i + 1; j < s.size(); j++ {
			si, sj := s.strong(i), s.strong(j)
			switch {
			case s.unknown(i) && s.unknown(j):
			case overlap(si, sj):
				// two candidates that meet come below
				if j >= len(s.cands) && i < len(s.cands) && (s.cands[i].locus.Series || !s.outliers[j-len(s.cands)].comes) {
					if most := s.outlierCeiling(i, j); most > keepShare+best {
						near = append(near, joint{i, j, most})
					}
				}
			default:
				score := s.single(i) + s.single(j)
				if score > keepShare+best {
					st := set{members: [3]int{i, j, -1}, score: s.apart(i, j, best)}
					if st.score > keepShare+best && s.backed(&st) {
						pairs.add(st)
						best = math.Max(best, st.score)
					}
				}
			}
		}
	}
	slices.SortStableFunc(near, func(a, b joint) int { return cmp.Compare(b.bound, a.bound) })
	for _, q := range near[:min(len(near), outlierBudget)] {
		if q.bound < keepShare+best {
			break
		}
		if st := s.withOutlier(q.i, q.j); st.score > keepShare+best && s.backed(&st) {
			pairs.add(st)
			best = math.Max(best, st.score)
		}
	}
	var joints, live []joint
	if s.wanting(pairs.sets) { // otherwise every reading is accounted for already
		joints = s.joints(workShare + best)
	}
	joints = s.firstClasses(joints, boundBudget)
	if err := s.bounds(joints); err != nil {
		return err
	}
	for _, q := range joints {
		q.bound = s.met[s.classes(q)].bound
		could := set{members: [3]int{q.i, q.j, -1}, score: q.bound}
		if q.bound > workShare+best && s.backed(&could) {
			live = append(live, q)
		}
	}
	total := addLogs(s.sets.total(), pairs.total())
	sort.SliceStable(live, func(a, b int) bool { return live[a].bound > live[b].bound })
	live = s.firstClasses(live, jointBudget)
	for from := 0; from < len(live) && live[from].bound > workShare+total; {
		to := min(len(live), from+atOnce)
		if err := s.solve(live[from:to]); err != nil {
			return err
		}
		for n := from; n < to; n++ {
			s.result.Joint++
			st := *s.met[s.classes(live[n])].solved
			st.members = [3]int{live[n].i, live[n].j, -1}
			if st.score > keepShare+best && s.backed(&st) {
				pairs.add(st)
				best = math.Max(best, st.score)
				total = addLogs(total, st.score)
			}
		}
		from = to
	}
	pairs.cut()
	for _, st := range pairs.sets {
		keep(st)
	}
	if err := s.triples(pairs.sets, &best, keep); err != nil {
		return err
	}
	if len(s.sets.sets) > setsKept {
		s.sets.cut()
	}
	s.sets.rest = addLogs(s.sets.rest, pairs.rest)
	s.result.Left = math.Exp(s.sets.rest - s.sets.total())
	return nil
}

// leading keeps the best of many sets: where hundreds of lines are wrong at once, the
// sets of two and three faults are millions.
type leading struct {
	most  int
	sets  []set
	rest  float64 // logarithm of the sum of the scores of those left out
	floor float64 // of the last that was in at the last cut: what is no better has no chance
}

func newLeading(most int) leading {
	return leading{most: most, rest: math.Inf(-1), floor: math.Inf(-1)}
}

func (l *leading) add(st set) {
	if st.score <= l.floor {
		l.rest = addLogs(l.rest, st.score)
		return
	}
	if l.sets = append(l.sets, st); len(l.sets) >= 4*l.most {
		l.cut()
	}
}

// cut leaves the best, in their order; among equals the first.
func (l *leading) cut() {
	slices.SortStableFunc(l.sets, func(a, b set) int { return cmp.Compare(b.score, a.score) })
	for _, st := range l.sets[min(len(l.sets), l.most):] {
		l.rest = addLogs(l.rest, st.score)
	}
	if l.sets = l.sets[:min(len(l.sets), l.most)]; len(l.sets) == l.most {
		l.floor = l.sets[l.most-1].score
	}
}

// total gives the logarithm of the sum of all scores, left out or not.
func (l *leading) total() float64 {
	sum := l.rest
	for i := range l.sets {
		sum = addLogs(sum, l.sets[i].score)
	}
	return sum
}

// gains works out, by observation, the most that any prediction could add to the
// density of its line, and which readings are compared with others of their line, so
// that a fault may help by moving either.
func (s *search) gains() {
	s.gain, s.tied = make([]float64, len(s.obs)), make([]bool, len(s.obs))
	lines := map[int][]uint64{}
	for o := range s.obs {
		l := s.ph.Joint.line[o]
		if lines[l] == nil {
			lines[l] = make([]uint64, s.words)
		}
		setBit(lines[l], o)
	}
	for _, in := range lines {
		b := s.ph.Joint.block(in, nil)
		for k, o := range b.ids {
			s.gain[o] = b.peaks[k] - b.parts[k]
			s.tied[o] = s.obs[o].Between || math.Abs(s.ph.Joint.far[o]) > outlierFrom && slices.ContainsFunc(b.ids, func(k int) bool {
				return !meet(&s.obs[o], &s.obs[k]) && s.ph.Joint.near(o, k)
			})
		}
	}
}

// wantingLogs is how far below a perfect account of a reading the best set found
// may stay before pairs of faults on one line are solved for.
const wantingLogs = 7.0

// wanting tells whether the best set of faults so far leaves some reading badly
// accounted for.
func (s *search) wanting(pairs []set) bool {
	best := set{members: [3]int{-1, -1, -1}}
	for _, list := range [2][]set{s.sets.sets, pairs} {
		for _, st := range list {
			misled := func(m int) bool { return m >= len(s.cands) } // which accounts for anything
			if st.members[0] >= 0 && !slices.ContainsFunc(st.members[:], misled) && (best.members[0] < 0 || st.score > best.score) {
				best = st
			}
		}
	}
	short := slices.Clone(s.gain) // below a perfect account
	for _, m := range best.members {
		switch {
		case m < 0:
		case m >= len(s.cands):
			for o := range s.obs {
				if hasBit(s.outliers[m-len(s.cands)].mask, o) {
					short[o] = 0
				}
			}
		default:
			c := s.cands[m]
			for o, x := range s.short(c) {
				if hasBit(c.in, o) {
					short[o] = x
				}
			}
		}
	}
	return slices.ContainsFunc(short, func(x float64) bool { return x > wantingLogs })
}

// apart scores a pair that settles no observation in common: each has its own
// mean, and an observation that one settles and the other hardly moves counts
// for the first alone.
func (s *search) apart(i, j int, best float64) float64 {
	if s.sameLine(i, j) {
		a, b := &s.outliers[i-len(s.cands)], &s.outliers[j-len(s.cands)]
		return a.odds + b.odds + a.own + b.own - s.alone(union(a.mask, b.mask), a.obs)
	}
	score := 0.0
	for _, k := range [2][2]int{{i, j}, {j, i}} {
		a, b := k[0], k[1]
		if a < len(s.cands) && overlap(s.cands[a].in, s.strong(b)) && s.single(a)+s.single(b) > workShare+best {
			score += s.weighing(s.cands[a], s.strong(b)).total
		} else {
			score += s.single(a)
		}
	}
	return score
}

// sameLine tells whether two members are misleading readings of one line. What these
// gain is not the sum of what each does: one that contradicts the other is out with
// either.
func (s *search) sameLine(i, j int) bool {
	n := len(s.cands)
	return i >= n && j >= n && s.ph.Joint.line[s.outliers[i-n].obs] == s.ph.Joint.line[s.outliers[j-n].obs]
}

// outlierCeiling is a quick upper bound of withOutlier: every observation left at its best.
func (s *search) outlierCeiling(i, j int) float64 {
	l, c := &s.outliers[j-len(s.cands)], s.cands[i]
	if len(c.moves) > fewMoved && s.short(c)[l.obs] < worthOutlier {
		return math.Inf(-1) // the candidate accounts for it
	}
	return c.most + l.odds + l.change + s.best(c, nil, without(c.in, l.mask))
}

// A candidate that moves more observations than fewMoved is held to account for those
// that lie less than worthOutlier below their best where it fits best; nothing is gained
// by taking them for misleading.
const (
	fewMoved     = 4
	worthOutlier = 2.0
)

// short gives, by observation, how far below a perfect account it stays with a candidate
// where that fits best.
func (s *search) short(c *candidate) []float64 {
	if c.short != nil {
		return c.short
	}
	mode, top := 0, -1.0
	for k, x := range c.all.modes {
		if x > top {
			mode, top = k, x
		}
	}
	b := s.ph.Joint.block(c.in, nil)
	open := math.IsInf(c.all.ohms[mode], 1)
	x := 0.0
	if !open {
		x = clamp(math.Log10(c.all.ohms[mode]), c.grid.lo, c.grid.hi)
	}
	rows := c.rows(b, x, open, false)
	parts := make([]float64, len(rows))
	b.density(b.shape(nil, rows, nil), means(rows), parts)
	c.short = slices.Clone(s.gain)
	for k, o := range b.ids {
		c.short[o] = b.peaks[k] - parts[k]
	}
	return c.short
}

// best bounds the log likelihood ratio that one or two candidates can give some
// observations. More paths never raise a reading and more series resistance never
// lowers one: a network of resistances and junctions is monotone in each of its
// conductances, as seen from its two terminals (Rayleigh's law for linear networks,
// from memory; it holds for increasing characteristics of any shape). So a path cannot
// account for a reading above a good board's, nor a series resistance for one below.
func (s *search) best(a, b *candidate, in []uint64) float64 {
	sum := 0.0
	for o, gain := range s.gain {
		if !hasBit(in, o) {
			continue
		}
		ob := &s.obs[o]
		high := ob.Over || ob.Volts > ob.row.volts
		can := func(c *candidate) bool {
			return c != nil && (c.locus.Series == high || s.tied[o]) && hasBit(c.in, o)
		}
		switch ca, cb := can(a), can(b); {
		case (ca || cb) && s.tied[o]:
			sum += gain
		case ca && cb:
			sum += s.reach(a, b, o, gain)
		case ca:
			sum += s.reach(a, nil, o, gain)
		case cb:
			sum += s.reach(b, nil, o, gain)
		}
	}
	return sum
}

// withOutlier scores a candidate beside an outlier about an observation that it moves.
func (s *search) withOutlier(i, j int) set {
	l := &s.outliers[j-len(s.cands)]
	e := s.weigh(s.cands[i], j-len(s.cands), l.mask)
	st := set{members: [3]int{i, j, -1}, score: e.total + l.odds + l.change, parts: [3]*evidence{e}}
	for _, o := range s.cands[i].moves {
		if l.comes && hasBit(l.mask, o) { // had it been there, it would have shown
			st.score += float64(1+s.obs[o].Repeats) * math.Log(NotThere)
		}
	}
	return st
}

// span gives what the resistances of a candidate make of an observation, from the least
// to the most volts.
func (s *search) span(c *candidate, obs int) (lo, hi float64) {
	lo = s.obs[obs].row.volts
	hi = lo
	if c == nil {
		return lo, hi
	}
	if t := c.entry(obs); t != nil {
		lo, hi = t.least, t.most
		if c.open {
			lo, hi = math.Min(lo, t.open.volts), math.Max(hi, t.open.volts)
		}
	}
	return lo, hi
}

// reach gives how much of a gain one or two candidates can have: all of it where what
// was read lies between what their resistances predict. Together two paths leave of a
// reading no less than the product of what each leaves, and two resistances add no more
// than the sum.
func (s *search) reach(a, b *candidate, obs int, gain float64) float64 {
	o := &s.obs[obs]
	lo, hi := s.span(a, obs)
	if low, high := s.span(b, obs); b != nil {
		lo *= low / math.Max(o.row.volts, 1e-3)
		hi += high - o.row.volts
	}
	v := o.Volts
	if o.Over {
		v = o.Probe.Meter.Over
	}
	sd := math.Hypot(math.Hypot(o.Good.Sigma, o.Noise.Own), o.gap(clamp(v, lo, hi)))
	far := math.Max(math.Max(lo-v, v-hi)-3*sd, 0) / sd
	return math.Max(gain+math.Log(studentDensity(far, o.freedom)/studentDensity(0, o.freedom)), 0)
}

// ceiling is a quick upper bound of bound: every observation at its best.
func (s *search) ceiling(i, j int) float64 {
	a, b := s.cands[i], s.cands[j]
	return a.most + b.most + s.best(a, b, union(a.in, b.in))
}

// joints lists the pairs of candidates that meet and whose ceiling lies above a score,
// best first.
func (s *search) joints(above float64) []joint {
	var members [][]int
	for i, c := range s.cands {
		for len(members) <= c.class {
			members = append(members, nil)
		}
		members[c.class] = append(members[c.class], i)
	}
	var out []joint
	for a := range members {
		for b := a; b < len(members); b++ {
			i, j := members[a][0], members[b][len(members[b])-1]
			if i == j || s.cands[i].locus.Unknown || s.cands[j].locus.Unknown || !overlap(s.cands[i].strong, s.cands[j].strong) {
				continue
			}
			ceiling := s.ceiling(i, j)
			if !(ceiling > above) {
				continue
			}
			for _, i := range members[a] {
				for _, j := range members[b] {
					if a != b || i < j {
						out = append(out, joint{min(i, j), max(i, j), ceiling})
					}
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b joint) int {
		return cmp.Or(cmp.Compare(b.bound, a.bound), cmp.Compare(a.i, b.i), cmp.Compare(a.j, b.j))
	})
	return out
}

// firstClasses cuts a list of joints after so many pairs of classes: those of one pair
// cost no more than one.
func (s *search) firstClasses(list []joint, most int) []joint {
	seen := map[[2]int]bool{}
	for k, q := range list {
		if seen[s.classes(q)] = true; len(seen) > most {
			return list[:k]
		}
	}
	return list
}

// classes gives the classes of a joint, which have what is known of it.
func (s *search) classes(q joint) [2]int { return [2]int{s.cands[q.i].class, s.cands[q.j].class} }

// bounds works out bound on every processor, once for two classes.
func (s *search) bounds(joints []joint) error {
	var todo []joint
	for _, q := range joints {
		if _, ok := s.met[s.classes(q)]; !ok {
			s.met[s.classes(q)] = meeting{}
			todo = append(todo, q)
		}
	}
	err := s.pool.Each(len(todo), func(_ *network.Workspace, n int) error {
		todo[n].bound = s.bound(todo[n].i, todo[n].j)
		return nil
	})
	for _, q := range todo {
		s.met[s.classes(q)] = meeting{bound: q.bound}
	}
	return err
}

// solve solves joints together, on every processor, once for two classes.
func (s *search) solve(joints []joint) error {
	var todo []joint
	for _, q := range joints {
		same := func(o joint) bool { return s.classes(o) == s.classes(q) }
		if s.met[s.classes(q)].solved == nil && !slices.ContainsFunc(todo, same) {
			todo = append(todo, q)
		}
	}
	solved := make([]set, len(todo))
	err := s.pool.Each(len(todo), func(w *network.Workspace, n int) (err error) {
		solved[n], err = s.scorePair(w, todo[n].i, todo[n].j)
		return err
	})
	for n, q := range todo {
		m := s.met[s.classes(q)]
		m.solved = &solved[n]
		s.met[s.classes(q)] = m
	}
	return err
}

// bound is an upper bound of the score of two candidates that settle an
// observation in common: as if that observation were explained perfectly and
// each were free to choose its resistance for the rest.
func (s *search) bound(i, j int) float64 {
	a, b := s.cands[i], s.cands[j]
	both, _ := s.settled(a, b)
	return s.weighing(a, both).total + s.weighing(b, both).total + s.best(a, b, both)
}

// triples extends the best pairs by a third member that settles nothing either
// of them does, or meets just one of them.
func (s *search) triples(pairs []set, best *float64, keep func(set)) error {
	found := map[uint64]bool{} // three numbers in one: there may be millions
	for _, p := range pairs {
		if err := s.m.Task.Err(); err != nil {
			return err
		}
		i, j := p.members[0], p.members[1]
		for k := range s.size() {
			if k == i || k == j || p.score+s.single(k) < keepShare+*best || s.single(k) < bayesFrom+s.odds(k) {
				continue
			}
			if s.unknown(k) && (s.unknown(i) || s.unknown(j)) || overlap(s.strong(k), s.strong(i)) || overlap(s.strong(k), s.strong(j)) || s.sameLine(k, i) || s.sameLine(k, j) {
				continue
			}
			m := [3]int{i, j, k}
			sort.Ints(m[:])
			key := uint64(m[0])<<42 | uint64(m[1])<<21 | uint64(m[2])
			if found[key] {
				continue
			}
			found[key] = true
			score := p.score + s.single(k)
			if k < len(s.cands) {
				mask := append([]uint64(nil), s.strong(i)...)
				for q := range mask {
					mask[q] |= s.strong(j)[q]
				}
				if overlap(s.cands[k].in, mask) {
					score = p.score + s.weighing(s.cands[k], mask).total
				}
			}
			st := set{members: [3]int{i, j, k}, score: score, parts: p.parts}
			keep(st)
		}
	}
	return nil
}

// leastMode is the probability below which a set in one of its modes is no explanation.
const leastMode = 1e-7

// normalise turns scores into probabilities and splits sets into modes. Until here
// scores are over a board that nobody complains of. Whether there is a quiet fault besides
// is asked only where no fault of the board accounts for the readings.
func (s *search) normalise() []Explanation {
	sum, quiet := math.Inf(-1), s.quietFactors()
	faulty := make([]bool, len(s.sets.sets))
	for i := range s.sets.sets {
		st := &s.sets.sets[i]
		faults := 0
		for _, m := range st.members {
			if m >= 0 && (m < len(s.cands) && !s.cands[m].locus.Aside || m >= len(s.cands) && s.outliers[m-len(s.cands)].locus != nil) {
				faults++
			}
		}
		st.score += s.came[faults] + quiet[faults]
		faulty[i] = faults > 0
		sum = addLogs(sum, st.score)
	}
	var out []Explanation
	for i := range s.sets.sets {
		st := &s.sets.sets[i]
		partial := []Explanation{{Probability: math.Exp(st.score - sum)}}
		for k, m := range st.members {
			if m < 0 {
				continue
			}
			if m >= len(s.cands) {
				l := &s.outliers[m-len(s.cands)]
				for x := range partial {
					if l.comes {
						for k := range partial[x].Faults {
							f := &partial[x].Faults[k]
							f.Comes = f.Comes || f.Locus != nil && f.Locus.Series
						}
						continue
					}
					partial[x].Faults = append(partial[x].Faults, Fault{Locus: l.locus, Mode: l.mode, Observation: l.obs, Ohms: math.NaN()})
				}
				continue
			}
			c := s.cands[m]
			e := &c.all
			if st.parts[k] != nil {
				e = st.parts[k]
			}
			var next []Explanation
			faults := e.faults(c.locus)
			for _, x := range partial {
				for n, share := range e.modes {
					if x.Probability*share < leastMode {
						continue
					}
					f := faults[n]
					f.Moves = c.moves
					next = append(next, Explanation{append(append([]Fault(nil), x.Faults...), f), x.Probability * share})
				}
			}
			partial = next
		}
		for _, x := range partial {
			if faulty[i] {
				out = append(out, x)
			} else {
				out = append(out, s.spread(x, math.Exp(-quiet[0]))...)
			}
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return Level(out[a].Probability) > Level(out[b].Probability) })
	return out
}
