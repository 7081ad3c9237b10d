package fault

import (
	"math"
	"runtime"
	"sort"
	"sync"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Explanation is a set of faults that accounts for the readings.
type Explanation struct {
	Faults      []Fault
	Probability float64
}

// Fault is one thing wrong, in one mode.
type Fault struct {
	Locus       *Locus // nil for a misleading reading
	Mode        Mode
	Ohms        float64 // the resistance that fits best; +Inf for open
	Observation int     // of Slipped and Doubtful: the observation that misleads; -1 otherwise
	Moves       []int   // the observations that the locus moves by more than faintVolts
}

// Result is what the search found.
type Result struct {
	Explanations []Explanation // best first; their probabilities sum to 1
	Base         []float64     // log likelihood of each observation on a good board
	Surprise     []float64     // standard deviations from a good board, by observation
	Candidates   int           // loci that could account for something odd
	Joint        int           // pairs of faults solved together
}

// Evidence is what is known beside readings.
type Evidence struct {
	Looks map[netlist.PartID][]string // by part, each look once
	Warm  map[netlist.PartID]bool     // injected rails: did the part warm up
}

// odd is the surprise, in standard deviations, from which a reading calls for
// candidates. It is low, because several small shifts together make a leak; the
// price of a false call is only time.
const odd = 1.6

// Search finds the sets of up to three faults that explain the observations.
//
// Faults are taken to be independent before any reading, each with its odds, so
// that a set has the product of its members' odds. Its likelihood is compared
// with that of a good board, observation by observation: those that no member
// touches cancel. So a set's score is
//
//	prod of odds * E[ prod over touched observations of p(reading | set) / p(reading | good) ]
//
// the mean being over the unknown resistances. Members that move no observation
// in common by more than faintVolts have independent means and the score is the
// product of theirs. Members that do are solved together on a grid of both
// resistances. The order of work is by an upper bound of the score, the one in
// which an observation touched by both is explained perfectly; the search stops
// when no bound left could change the outcome.
func Search(m *network.Model, p *Priors, ph *Physics, obs []Observation, ev Evidence) (*Result, error) {
	s := &search{m: m, p: p, ph: ph, obs: obs, ev: ev}
	s.words = (len(obs) + 63) / 64
	if err := s.findCandidates(); err != nil {
		return nil, err
	}
	if err := s.tabulate(); err != nil {
		return nil, err
	}
	s.misleading()
	if err := s.combine(); err != nil {
		return nil, err
	}
	s.result.Explanations = s.normalise()
	return &s.result, nil
}

type search struct {
	m     *network.Model
	p     *Priors
	ph    *Physics
	obs   []Observation
	ev    Evidence
	words int

	cands []*candidate
	lies  []lie
	sets  []set
	found map[[3]int]bool

	result Result
}

// lie is an observation that misleads, or a known-good value that does.
type lie struct {
	mode   Mode
	obs    int
	mask   []uint64 // observations it takes out
	odds   float64
	change float64 // log likelihood ratio against a good board
}

// set is a scored set of candidates and lies: members below len(cands) are
// candidates, the others lies.
type set struct {
	members [3]int // none is -1
	score   float64
	parts   [3]*evidence
}

func (s *search) findCandidates() error {
	w := network.NewWorkspace(s.m)
	loci := Loci(s.m, s.p, s.ph.Values)
	touched := make([][]int, len(loci))
	wanted := make([]bool, len(loci))
	s.result.Base = make([]float64, len(s.obs))
	s.result.Surprise = make([]float64, len(s.obs))
	if err := s.ph.Together(w, s.obs); err != nil {
		return err
	}
	touch := func(i int) {
		if s.obs[i].Vague {
			return
		}
		st := network.State{Edits: s.obs[i].Edits}
		for l := range loci {
			if n := len(touched[l]); (n == 0 || touched[l][n-1] != i) && loci[l].Touches(w, &st, s.ph.Values) {
				touched[l] = append(touched[l], i)
				wanted[l] = wanted[l] || math.Abs(s.result.Surprise[i]) > odd
			}
		}
	}
	for i := range s.obs {
		o := &s.obs[i]
		if err := s.ph.Foresee(w, o); err != nil {
			return err
		}
		s.result.Base[i] = o.LogLikelihood(o.Good)
		s.result.Surprise[i] = o.Surprise(o.Good)
		touch(i)
		if o.OwnPeer {
			st := network.State{Edits: o.Edits}
			if _, err := w.Read(o.Peer, &st, s.ph.Values); err != nil {
				return err
			}
			w.Note()
			touch(i)
		}
	}
	for l := range loci {
		if wanted[l] {
			s.cands = append(s.cands, &candidate{
				locus: &loci[l], factor: s.factor(&loci[l]),
				strong: make([]uint64, s.words), weak: make([]uint64, s.words),
				tables: make([]table, 0, len(touched[l])),
			})
			for _, o := range touched[l] {
				s.cands[len(s.cands)-1].tables = append(s.cands[len(s.cands)-1].tables, table{obs: o})
			}
		}
	}
	s.result.Candidates = len(s.cands)
	return nil
}

// factor gives what looks and injection make of a locus's odds.
func (s *search) factor(l *Locus) float64 {
	f := 1.0
	if l.Part == netlist.None {
		return f
	}
	for _, look := range s.ev.Looks[l.Part] {
		f *= s.p.LookRatio(look)
	}
	if warm, ok := s.ev.Warm[l.Part]; ok && l.Change.Kind == network.AddPath {
		if warm {
			f *= s.p.BadWarm / s.p.OKWarm
		} else {
			f *= (1 - s.p.BadWarm) / (1 - s.p.OKWarm)
		}
	}
	return f
}

// tabulate fills all tables, on every processor.
func (s *search) tabulate() error {
	var wg sync.WaitGroup
	workers := max(1, min(runtime.GOMAXPROCS(0), len(s.cands)/8))
	errs := make([]error, workers)
	for k := range workers {
		wg.Go(func() {
			w := network.NewWorkspace(s.m)
			for i := k; i < len(s.cands); i += workers {
				c := s.cands[i]
				touched := make([]int, len(c.tables))
				for t := range c.tables {
					touched[t] = c.tables[t].obs
				}
				c.tables = c.tables[:0]
				if err := c.tabulate(w, s.ph, s.obs, touched); err != nil {
					errs[k] = err
					return
				}
				c.all = c.weigh(s.obs, s.result.Base, nil)
				for _, r := range c.locus.Modes {
					c.odds += r.Odds * c.factor
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// slipTwice is the odds that a probe that slipped once slips again to the same
// reading (common practice, no source).
const slipTwice = 0.03

// misleading adds the observations that may have slipped, and the known-good
// values that may be wrong.
func (s *search) misleading() {
	bySpot := map[int][]int{}
	spots := map[any]int{}
	for i := range s.obs {
		o := &s.obs[i]
		if math.Abs(s.result.Surprise[i]) <= odd || o.Vague {
			continue
		}
		density := math.Log(0.6 / oddSpan)
		if o.Over {
			density = math.Log(0.4 * overDensity)
		}
		mask := make([]uint64, s.words)
		setBit(mask, i)
		odds := s.p.Slip * math.Pow(slipTwice, float64(o.Repeats))
		s.lies = append(s.lies, lie{Slipped, i, mask, odds, density - s.result.Base[i]})
		if o.Known != nil && o.Edits.AsDrawn() {
			k, ok := spots[o.Spot]
			if !ok {
				k = i
				spots[o.Spot] = i
			}
			bySpot[k] = append(bySpot[k], i)
		}
	}
	for i := range s.obs {
		group := bySpot[i]
		if len(group) == 0 {
			continue
		}
		l := lie{mode: Doubtful, obs: i, mask: make([]uint64, s.words), odds: s.p.DoubtfulSeveral}
		if s.obs[i].Known.N <= 1 {
			l.odds = s.p.DoubtfulOne
		}
		for n, o := range group {
			setBit(l.mask, o)
			density := math.Log(0.6 / oddSpan)
			if s.obs[o].Over {
				density = math.Log(0.3 * overDensity)
			}
			if n > 0 { // a second reading agrees with the first, wherever that is
				density = math.Log(0.3/0.005) - 1
				if s.obs[o].Over != s.obs[i].Over || math.Abs(s.obs[o].Volts-s.obs[i].Volts) > 0.02 {
					density = math.Log(OddKnown)
				}
			}
			l.change += density - s.result.Base[o]
		}
		s.lies = append(s.lies, l)
	}
}

func (s *search) size() int { return len(s.cands) + len(s.lies) }

// strong gives the observations that a member settles by itself.
func (s *search) strong(i int) []uint64 {
	if i < len(s.cands) {
		return s.cands[i].strong
	}
	return s.lies[i-len(s.cands)].mask
}

// single gives the score of a member alone.
func (s *search) single(i int) float64 {
	if i < len(s.cands) {
		return s.cands[i].all.total
	}
	l := &s.lies[i-len(s.cands)]
	return l.odds * math.Exp(l.change)
}

// support is the least factor by which the readings have to speak for a fault, in
// the company of the others of its set, for the set to be listed. What they do
// not speak for is as likely as it was before anybody measured, and adds nothing
// to an explanation; Unseen lists it.
const support = 2.0

// odds gives the odds of a member before any reading.
func (s *search) odds(i int) float64 {
	if i < len(s.cands) {
		return s.cands[i].odds
	}
	return s.lies[i-len(s.cands)].odds
}

// backed tells whether the readings speak for both members of a pair.
func (s *search) backed(st *set) bool {
	i, j := st.members[0], st.members[1]
	return st.score > support*s.odds(j)*s.single(i) && st.score > support*s.odds(i)*s.single(j)
}

// Shares of the best score: sets below keepShare are dropped; pairs whose upper
// bound is below workShare are not solved together, as they could not change
// the answer by more than that; no more than jointBudget are.
const (
	keepShare   = 1e-4
	workShare   = 0.02
	jointBudget = 40
	pairsKept   = 400
)

func (s *search) combine() error {
	s.found = map[[3]int]bool{}
	s.sets = append(s.sets, set{members: [3]int{-1, -1, -1}, score: 1})
	best := 1.0
	keep := func(st set) {
		if st.score > keepShare*best {
			s.sets = append(s.sets, st)
			best = math.Max(best, st.score)
		}
	}
	for i := range s.size() {
		if s.single(i) > support*s.odds(i) {
			keep(set{members: [3]int{i, -1, -1}, score: s.single(i)})
		}
	}
	type joint struct {
		i, j  int
		bound float64
	}
	var joints []joint
	var pairs []set
	for i := range s.size() {
		for j := i + 1; j < s.size(); j++ {
			si, sj := s.strong(i), s.strong(j)
			switch {
			case overlap(si, sj):
				if j < len(s.cands) {
					joints = append(joints, joint{i, j, 0})
				} else if i < len(s.cands) {
					if st := s.lied(i, j); st.score > keepShare*best && s.backed(&st) {
						pairs = append(pairs, st)
						best = math.Max(best, st.score)
					}
				}
			default:
				score := s.single(i) * s.single(j)
				if score > keepShare*best {
					st := set{members: [3]int{i, j, -1}, score: s.apart(i, j)}
					if st.score > keepShare*best && s.backed(&st) {
						pairs = append(pairs, st)
						best = math.Max(best, st.score)
					}
				}
			}
		}
	}
	live := joints[:0]
	for _, q := range joints {
		if s.ceiling(q.i, q.j) < workShare*best {
			continue
		}
		q.bound = s.bound(q.i, q.j)
		could := set{members: [3]int{q.i, q.j, -1}, score: q.bound}
		if q.bound > workShare*best && s.backed(&could) {
			live = append(live, q)
		}
	}
	total := 0.0
	for i := range s.sets {
		total += s.sets[i].score
	}
	for i := range pairs {
		total += pairs[i].score
	}
	sort.SliceStable(live, func(a, b int) bool { return live[a].bound > live[b].bound })
	live = live[:min(len(live), jointBudget)]
	solved := make([]set, len(live))
	errs := make([]error, len(live))
	for from := 0; from < len(live) && live[from].bound > workShare*total; {
		to := min(len(live), from+runtime.GOMAXPROCS(0))
		var wg sync.WaitGroup
		for n := from; n < to; n++ {
			wg.Go(func() { solved[n], errs[n] = s.together(network.NewWorkspace(s.m), live[n].i, live[n].j) })
		}
		wg.Wait()
		for n := from; n < to; n++ {
			if errs[n] != nil {
				return errs[n]
			}
			s.result.Joint++
			if st := solved[n]; st.score > keepShare*best && s.backed(&st) {
				pairs = append(pairs, st)
				best = math.Max(best, st.score)
				total += st.score
			}
		}
		from = to
	}
	sort.SliceStable(pairs, func(a, b int) bool { return pairs[a].score > pairs[b].score })
	pairs = pairs[:min(len(pairs), pairsKept)]
	for _, st := range pairs {
		keep(st)
	}
	s.triples(pairs, &best, keep)
	return nil
}

// apart scores a pair that settles no observation in common: each has its own
// mean, and an observation that one settles and the other hardly moves counts
// for the first alone.
func (s *search) apart(i, j int) float64 {
	score := 1.0
	for _, k := range [2][2]int{{i, j}, {j, i}} {
		a, b := k[0], k[1]
		if a < len(s.cands) && overlap(s.cands[a].weak, s.strong(b)) && s.single(a)*s.single(b) > workShare {
			score *= s.cands[a].weigh(s.obs, s.result.Base, s.strong(b)).total
		} else {
			score *= s.single(a)
		}
	}
	return score
}

// lied scores a candidate beside a lie about an observation that it moves.
func (s *search) lied(i, j int) set {
	l := &s.lies[j-len(s.cands)]
	e := s.cands[i].weigh(s.obs, s.result.Base, l.mask)
	return set{members: [3]int{i, j, -1}, score: e.total * l.odds * math.Exp(l.change), parts: [3]*evidence{&e}}
}

// ceiling is a quick upper bound of bound: every observation at its best.
func (s *search) ceiling(i, j int) float64 {
	a, b := s.cands[i], s.cands[j]
	sum := 0.0
	for _, c := range [2]*candidate{a, b} {
		other := a
		if c == a {
			other = b
		}
		for k := range c.tables {
			t := &c.tables[k]
			switch {
			case !hasBit(c.strong, t.obs) || !hasBit(other.strong, t.obs):
				sum += t.best
			case c == a:
				sum += s.perfectly(t.obs, a, b)
			}
		}
	}
	return a.odds * b.odds * math.Exp(sum)
}

// bound is an upper bound of the score of two candidates that settle an
// observation in common: as if that observation were explained perfectly and
// each were free to choose its resistance for the rest.
func (s *search) bound(i, j int) float64 {
	a, b := s.cands[i], s.cands[j]
	both := make([]uint64, s.words)
	perfect := 0.0
	for k := range both {
		both[k] = a.strong[k] & b.strong[k]
	}
	for o := range s.obs {
		if hasBit(both, o) {
			perfect += s.perfectly(o, a, b)
		}
	}
	ea := a.weigh(s.obs, s.result.Base, both)
	eb := b.weigh(s.obs, s.result.Base, both)
	return ea.total * eb.total * math.Exp(perfect)
}

// perfectly bounds the log likelihood ratio that two candidates together can
// give an observation. More paths never raise a reading and more series
// resistance never lowers one: a network of resistances and junctions is
// monotone in each of its conductances, as seen from its two terminals (Rayleigh's
// law for linear networks, from memory; it holds for increasing characteristics
// of any shape). So two paths cannot account for a reading above a good board's,
// nor two series resistances for one below.
func (s *search) perfectly(o int, a, b *candidate) float64 {
	ob := &s.obs[o]
	high := ob.Over || ob.Volts > ob.Good.Volts
	if a.locus.Series == b.locus.Series && a.locus.Series != high {
		return 0
	}
	return ob.best() - s.result.Base[o]
}

// best is the largest log likelihood that any prediction can give.
func (o *Observation) best() float64 {
	if o.Over {
		return math.Log(overDensity)
	}
	return math.Log(studentDensity(0, fewDF) / math.Hypot(o.sigmaAt(o.Volts), o.meter(o.Volts)))
}

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
	shared := make([]uint64, s.words)
	for k := range shared {
		shared[k] = a.strong[k] & b.strong[k]
	}
	as, bs := a.samples(), b.samples()
	score := 0.0
	ea := evidence{modes: make([]float64, len(a.locus.Modes)), ohms: append([]float64(nil), a.all.ohms...)}
	eb := evidence{modes: make([]float64, len(b.locus.Modes)), ohms: append([]float64(nil), b.all.ohms...)}
	la, lb := a.logs(as, s.obs, s.result.Base, b.strong), b.logs(bs, s.obs, s.result.Base, a.strong)
	topA, topB := make([]float64, len(ea.modes)), make([]float64, len(eb.modes))
	perfect, top := 0.0, 0.0
	for o := range s.obs {
		if hasBit(shared, o) {
			perfect += s.perfectly(o, a, b)
		}
	}
	changes := make([]network.Change, 2)
	for x, ra := range as {
		for y, rb := range bs {
			l := la[x] + lb[y]
			if ceiling := ra.odds * rb.odds * math.Exp(l+perfect); ceiling < 1e-3*top || ceiling < 1e-12 {
				continue
			}
			changes[0], changes[1] = a.locus.At(ra.ohms), b.locus.At(rb.ohms)
			for o := range s.obs {
				if !hasBit(shared, o) {
					continue
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
			e := ra.odds * rb.odds * math.Exp(l)
			score += e
			top = math.Max(top, e)
			ea.modes[ra.mode] += e
			eb.modes[rb.mode] += e
			if e > topA[ra.mode] {
				topA[ra.mode], ea.ohms[ra.mode] = e, ra.ohms
			}
			if e > topB[rb.mode] {
				topB[rb.mode], eb.ohms[rb.mode] = e, rb.ohms
			}
		}
	}
	ea.total, eb.total = score, score
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

// triples extends the best pairs by a third member that settles nothing either
// of them does, or meets just one of them.
func (s *search) triples(pairs []set, best *float64, keep func(set)) {
	byPair := map[[2]int]set{}
	for _, p := range pairs {
		byPair[[2]int{p.members[0], p.members[1]}] = p
	}
	for _, p := range pairs {
		i, j := p.members[0], p.members[1]
		for k := range s.size() {
			if k == i || k == j || p.score*s.single(k) < keepShare**best || s.single(k) < support*s.odds(k) {
				continue
			}
			if overlap(s.strong(k), s.strong(i)) || overlap(s.strong(k), s.strong(j)) {
				continue
			}
			m := [3]int{i, j, k}
			sort.Ints(m[:])
			if s.found[m] {
				continue
			}
			s.found[m] = true
			score := p.score * s.single(k)
			if k < len(s.cands) {
				mask := append([]uint64(nil), s.strong(i)...)
				for q := range mask {
					mask[q] |= s.strong(j)[q]
				}
				if overlap(s.cands[k].weak, mask) {
					score = p.score * s.cands[k].weigh(s.obs, s.result.Base, mask).total
				}
			}
			st := set{members: [3]int{i, j, k}, score: score, parts: p.parts}
			keep(st)
		}
	}
}

// normalise turns scores into probabilities and splits sets into modes.
func (s *search) normalise() []Explanation {
	sum := 0.0
	for i := range s.sets {
		sum += s.sets[i].score
	}
	var out []Explanation
	for i := range s.sets {
		st := &s.sets[i]
		partial := []Explanation{{Probability: st.score / sum}}
		for k, m := range st.members {
			if m < 0 {
				continue
			}
			if m >= len(s.cands) {
				l := &s.lies[m-len(s.cands)]
				for x := range partial {
					partial[x].Faults = append(partial[x].Faults, Fault{Mode: l.mode, Observation: l.obs, Ohms: math.NaN()})
				}
				continue
			}
			c := s.cands[m]
			e := &c.all
			if st.parts[k] != nil {
				e = st.parts[k]
			}
			total := 0.0
			for _, x := range e.modes {
				total += x
			}
			var next []Explanation
			for _, x := range partial {
				for n, share := range e.modes {
					if total <= 0 || x.Probability*share/total < 1e-7 {
						continue
					}
					f := Fault{Locus: c.locus, Mode: c.locus.Modes[n].Mode, Ohms: e.ohms[n], Observation: -1, Moves: c.moves}
					next = append(next, Explanation{append(append([]Fault(nil), x.Faults...), f), x.Probability * share / total})
				}
			}
			partial = next
		}
		out = append(out, partial...)
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].Probability > out[b].Probability })
	return out
}
