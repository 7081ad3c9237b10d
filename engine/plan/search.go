package plan

import (
	"encoding/binary"
	"math"
	"slices"
)

// node is a state of the search: a posterior, the setups that are paid for, and
// the tests with noise that were used up. Its lower and upper enclose the least
// expected seconds from here.
type node struct {
	hyps     []int32   // hypotheses that agree with the outcomes so far, ascending
	w        []float64 // their probabilities; with Rest they sum to 1
	hopeless float64   // probability that no remedy repairs it: Rest, and what has no needs
	done     bitset    // remedies tried
	open     bitset    // setups paid for
	history  []uint8   // by noisy test: outcome+1, 0 when not used

	lower, upper float64
	proof        proof // where lower came from at first
	expanded     bool
	edges        []edge
	tests        []step // not made into edges yet, the most telling last
	remedies     []step // likewise, the likeliest by cost last
}

// step is a choice that has not been made into an edge: what it might be worth
// and what it costs at least are known, its outcomes are not.
type step struct {
	index int32   // in model.tests, or in model.remedies
	score float64 // order of trying
	floor float64 // no policy that starts with it is quicker
}

// edge is a step that can be taken from a node. A remedy has one kid, "still
// bad", which is absent when it surely repairs.
type edge struct {
	test, remedy int // in the problem; the other one is -1
	cost         float64
	kids         []kid
}

type kid struct {
	p float64
	n *node
}

func (e *edge) lower() float64 {
	v := e.cost
	for _, k := range e.kids {
		v += k.p * k.n.lower
	}
	return v
}

func (e *edge) upper() float64 {
	v := e.cost
	for _, k := range e.kids {
		v += k.p * k.n.upper
	}
	return v
}

// closed tells that the bounds meet.
func (n *node) closed() bool { return same(n.lower, n.upper) }

// left returns how many needs of hypothesis h are not met, and the last of them.
// It is 0 for what is repaired or has no needs.
func (n *node) left(m *model, h int32) (left int, last int32) {
	for _, r := range m.needs[h] {
		if !n.done.has(r) {
			left++
			last = r
		}
	}
	return left, last
}

func (n *node) isOpen(f int) bool { return n.open.has(int32(f)) }

// settle makes bounds that differ by rounding alone equal.
func (n *node) settle() {
	if n.lower > n.upper || n.closed() {
		n.lower = n.upper
	}
}

// floor returns what no policy beats that starts with a step not yet an edge.
func (n *node) floor() float64 {
	least := math.Inf(1)
	for i := range n.tests {
		least = min(least, n.tests[i].floor)
	}
	for i := range n.remedies {
		least = min(least, n.remedies[i].floor)
	}
	return least
}

// search is a best-first search of the graph of states: tests and remedies are
// choices (take the least), outcomes are chance (take the mean). Every state
// keeps a proven interval. A state is looked up by what it knows and not by how
// it was reached, which makes it dynamic programming where the budget allows to
// finish, and a look-ahead with a proven interval where it does not.
type search struct {
	m     *model
	nodes map[string]*node
	work  int
	limit int

	// Scratch: the next state is put together here, and only copied when new.
	next    node
	key     []byte
	members bitset
	useful  bitset
	mass    []float64 // by outcome
	class   []float64 // by remedy and outcome
	ints    []int32   // slabs that new nodes are cut from
	floats  []float64
}

// How many steps become edges at a time.
const (
	testsAtOnce    = 6
	remediesAtOnce = 2
)

func newSearch(m *model, limit int) *search {
	return &search{
		m: m, nodes: make(map[string]*node), limit: limit,
		members: newBitset(len(m.weight)), useful: newBitset(len(m.remedies)),
		mass: make([]float64, maxOutcomes+1), class: make([]float64, len(m.remedies)*max(1, m.maxOutcomes())),
	}
}

// root returns the state before anything is done.
func (s *search) root() *node {
	m := s.m
	s.next = node{
		done: newBitset(len(m.remedies)), open: newBitset(len(m.setups)),
		history: make([]uint8, m.noisy()),
	}
	for h := range m.weight {
		s.next.hyps = append(s.next.hyps, int32(h))
		s.next.w = append(s.next.w, m.weight[h])
	}
	return s.intern()
}

// intern returns the node of the state in s.next, with bounds: the one that is
// known, or a new one. The weights need not sum to 1 yet.
func (s *search) intern() *node {
	m, n := s.m, &s.next
	clear(s.members)
	clear(s.useful)
	k := 0
	for i, h := range n.hyps {
		// Without Rest nothing looks like a repaired hypothesis any more.
		if m.rho == 0 && len(m.needs[h]) > 0 {
			if left, _ := n.left(m, h); left == 0 {
				continue
			}
		}
		n.hyps[k], n.w[k] = h, n.w[i]
		k++
		s.members.add(h)
		for _, r := range m.needs[h] {
			s.useful.add(r)
		}
	}
	n.hyps, n.w = n.hyps[:k], n.w[:k]
	s.forget(n)
	key := s.key[:0]
	for _, w := range s.members {
		key = binary.LittleEndian.AppendUint64(key, w)
	}
	for i := range n.done {
		key = binary.LittleEndian.AppendUint64(key, n.done[i]&s.useful[i])
	}
	for _, w := range n.open {
		key = binary.LittleEndian.AppendUint64(key, w)
	}
	key = append(key, n.history...)
	s.key = key
	s.work += 32 + len(n.history) + 2*len(n.hyps)
	if known, ok := s.nodes[string(key)]; ok {
		return known
	}
	fresh := &node{hyps: s.cutInts(n.hyps), w: s.cutFloats(n.w), done: n.done, open: n.open, history: slices.Clone(n.history)}
	s.bound(fresh)
	s.nodes[string(key)] = fresh
	return fresh
}

// forget drops from a state's history the tests that show the same under all
// that is left: they can tell nothing more, and what they told is a common factor
// of all weights. States that differ in such a test alone are the same.
func (s *search) forget(n *node) {
	for i := range s.m.tests {
		t := &s.m.tests[i]
		if t.noisy >= 0 && n.history[t.noisy] != 0 && !t.parts(n.hyps) {
			n.history[t.noisy] = 0
		}
	}
}

// slab is how many numbers are allocated at a time.
const slab = 4096

func (s *search) cutInts(from []int32) []int32 {
	if len(s.ints)+len(from) > cap(s.ints) {
		s.ints = make([]int32, 0, max(slab, len(from)))
	}
	k := len(s.ints)
	s.ints = append(s.ints, from...)
	return s.ints[k:len(s.ints):len(s.ints)]
}

func (s *search) cutFloats(from []float64) []float64 {
	if len(s.floats)+len(from) > cap(s.floats) {
		s.floats = make([]float64, 0, max(slab, len(from)))
	}
	k := len(s.floats)
	s.floats = append(s.floats, from...)
	return s.floats[k:len(s.floats):len(s.floats)]
}

// bound scales a new node's weights to sum to 1 and sets its bounds.
func (s *search) bound(n *node) {
	m := s.m
	mass, hopeless := 0.0, 0.0
	for i, h := range n.hyps {
		hopeless += m.rho * n.w[i]
		if len(m.needs[h]) == 0 {
			hopeless += n.w[i]
		} else if left, _ := n.left(m, h); left > 0 {
			mass += n.w[i]
		}
	}
	mass += hopeless
	for i := range n.w {
		n.w[i] /= mass
	}
	n.hopeless = hopeless / mass
	m.gather(n)
	n.upper = m.sequenceCost(n)
	n.proof = m.lowerBound(n)
	n.lower = n.proof.bound(m)
	n.settle()
	s.work += 32 + 4*len(n.hyps)
}

// run spends the budget.
func (s *search) run(root *node) {
	s.expand(root, true)
	s.backUp(root, false)
	for turn := 0; !root.closed() && s.work < s.limit; turn++ {
		s.trial(root, turn%provingTurn != 0, true)
	}
	// What is left of the budget goes to the runners-up, which people also see.
	limit := s.work + (s.limit-s.work)/2
	order := make([]int, len(root.edges))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		ua, ub := root.edges[a].upper(), root.edges[b].upper()
		switch {
		case less(ua, ub):
			return -1
		case less(ub, ua):
			return 1
		}
		return 0
	})
	for _, i := range order[:min(len(order), runnersUp)] {
		for turn := 0; s.work < limit; turn++ {
			k := root.edges[i].widest()
			if k == nil {
				break
			}
			s.trial(k, turn%provingTurn != 0, false)
		}
	}
	s.backUp(root, false)
}

// runnersUp is how many choices are brought to the same precision as the first.
const runnersUp = 6

// provingTurn is how often a trial is not hopeful: every fourth. Common practice,
// no source: on the problems of the benchmarks, more proving left the policy
// worse and less of it left it unproven.
const provingTurn = 4

// widest returns the kid whose interval matters most, nil when all are closed.
func (e *edge) widest() *node {
	var best *node
	most := 0.0
	for _, k := range e.kids {
		if gap := k.p * (k.n.upper - k.n.lower); gap > most {
			best, most = k.n, gap
		}
	}
	return best
}

// trial walks from a node to where its interval comes from, expands on the way
// and brings the news back. A hopeful trial follows the step that looks best now,
// which makes the policy better; the other kind follows the step that might yet
// turn out best, which proves what cannot be.
func (s *search) trial(n *node, hopeful, root bool) {
	if n.closed() {
		return
	}
	if !n.expanded {
		s.expand(n, false)
		s.backUp(n, true)
	}
	var next *node
	if hopeful && !n.closed() {
		next = n.pick((*edge).upper).widest()
	}
	for next == nil && !n.closed() && s.work < s.limit {
		e := n.pick((*edge).lower)
		if n.floor() > e.lower() {
			next = e.widest()
			break
		}
		s.widen(n)
		s.backUp(n, true)
	}
	if next != nil && s.work < s.limit {
		s.trial(next, hopeful, false)
	}
	s.backUp(n, !root) // even so: a kid may have got news by another way
}

// pick returns the edge of the least value, the first of equals.
func (n *node) pick(value func(*edge) float64) *edge {
	best, least := 0, math.Inf(1)
	for i := range n.edges {
		if v := value(&n.edges[i]); v < least {
			best, least = i, v
		}
	}
	return &n.edges[best]
}

// backUp renews a node's interval from its kids'. With prune it drops the steps
// that can no longer be best.
func (s *search) backUp(n *node, prune bool) {
	if len(n.edges) == 0 {
		return
	}
	lower, upper := n.floor(), math.Inf(1)
	for i := range n.edges {
		lower = min(lower, n.edges[i].lower())
		upper = min(upper, n.edges[i].upper())
	}
	n.upper = min(n.upper, upper)
	n.lower = max(n.lower, lower)
	n.settle()
	s.work += 4 * len(n.edges)
	if !prune {
		return
	}
	above := func(st step) bool { return st.floor > n.upper }
	n.tests = slices.DeleteFunc(n.tests, above)
	n.remedies = slices.DeleteFunc(n.remedies, above)
	k := 0
	for i := range n.edges {
		if n.edges[i].lower() <= n.upper {
			n.edges[k] = n.edges[i]
			k++
		}
	}
	if k > 0 {
		clear(n.edges[k:])
		n.edges = n.edges[:k]
	}
}

// expand lists the steps from a node and makes edges of the best looking ones;
// at the root of all, even of those that are dominated, for the user may ask
// about them.
func (s *search) expand(n *node, root bool) {
	m := s.m
	n.expanded = true
	m.gather(n)
	before := s.entropy(n)
	n.tests = make([]step, 0, len(m.tests))
	for i := range m.tests {
		t := &m.tests[i]
		if t.dominated && !root || t.noisy >= 0 && n.history[t.noisy] != 0 {
			continue
		}
		bits, tells := s.tells(n, t, before)
		if !tells {
			continue
		}
		_, extra := s.paySetup(n, t.setup)
		st := step{index: int32(i), score: bits / (t.seconds + extra), floor: n.lower}
		if extra == 0 && len(m.s.several) == 0 {
			st.floor = max(st.floor, t.seconds+n.proof.after(m, bits))
		}
		n.tests = append(n.tests, st)
	}
	clear(s.useful)
	for _, h := range n.hyps {
		for _, r := range m.needs[h] {
			if !n.done.has(r) {
				s.useful.add(r)
			}
		}
	}
	for _, h := range m.s.several {
		for _, r := range m.needs[h] {
			if !n.done.has(r) {
				m.s.p[r] += m.s.weight[h] / float64(len(m.needs[h]))
			}
		}
	}
	for r := range m.remedies {
		if s.useful.has(int32(r)) {
			_, extra := s.paySetup(n, m.remedies[r].Setup)
			n.remedies = append(n.remedies, step{index: int32(r), score: m.s.p[r] / (m.remedies[r].Seconds + extra), floor: n.lower})
			m.s.p[r] = 0
		}
	}
	m.s.touched = m.s.touched[:0]
	if root {
		for _, st := range n.tests {
			n.edges = append(n.edges, s.makeTest(n, &m.tests[st.index]))
		}
		for _, st := range n.remedies {
			n.edges = append(n.edges, s.makeRemedy(n, st.index))
		}
		n.tests, n.remedies = nil, nil
		return
	}
	// The best last, so that taking it shortens the list; the first of equals.
	rising := func(a, b step) int {
		switch {
		case a.score != b.score:
			return -descending(a.score, b.score)
		}
		return int(b.index - a.index)
	}
	slices.SortFunc(n.tests, rising)
	slices.SortFunc(n.remedies, rising)
	n.edges = make([]edge, 0, testsAtOnce+remediesAtOnce)
	s.widen(n)
}

// widen makes edges of the best looking steps left.
func (s *search) widen(n *node) {
	for range testsAtOnce {
		k := len(n.tests) - 1
		if k < 0 {
			break
		}
		e := s.makeTest(n, &s.m.tests[n.tests[k].index])
		n.tests = n.tests[:k]
		if !n.supersedes(e) {
			n.edges = append(n.edges, e)
		}
	}
	for range remediesAtOnce {
		k := len(n.remedies) - 1
		if k < 0 {
			break
		}
		n.edges = append(n.edges, s.makeRemedy(n, n.remedies[k].index))
		n.remedies = n.remedies[:k]
	}
}

// supersedes tells that a test with the same kids is listed already, keeping the
// cheaper of the two.
func (n *node) supersedes(e edge) bool {
	for i := range n.edges {
		f := &n.edges[i]
		if len(f.kids) != len(e.kids) || f.test < 0 {
			continue
		}
		if slices.EqualFunc(f.kids, e.kids, func(a, b kid) bool { return a.n == b.n }) {
			if e.cost < f.cost {
				*f = e
			}
			return true
		}
	}
	return false
}

// paySetup returns the setups paid for after a step that needs setup f, and what
// is added to its seconds.
func (s *search) paySetup(n *node, f int) (bitset, float64) {
	if f < 0 || n.isOpen(f) {
		return n.open, 0
	}
	open := slices.Clone(n.open)
	open.add(int32(f))
	return open, s.m.setups[f]
}

// entropy returns the sum over remedies r of W log2(M/W), where W is the weight of
// the hypotheses whose last need not met is r, and M the sum of all W.
func (s *search) entropy(n *node) float64 {
	mass := 0.0
	for i, h := range n.hyps {
		if left, last := n.left(s.m, h); left > 0 {
			s.class[last] += n.w[i]
			mass += n.w[i]
		}
	}
	sum := mass * log2(mass)
	for _, h := range n.hyps {
		if left, last := n.left(s.m, h); left > 0 {
			sum -= s.class[last] * log2(s.class[last])
			s.class[last] = 0
		}
	}
	return sum
}

// tells returns by how much a test lowers the entropy, and whether it tells
// anything here at all.
func (s *search) tells(n *node, t *modelTest, before float64) (bits float64, tells bool) {
	m, k := s.m, t.outcomes
	s.work += len(n.hyps)
	if !t.parts(n.hyps) {
		return 0, false
	}
	mass := s.mass[:k]
	clear(mass)
	for i, h := range n.hyps {
		left, last := n.left(m, h)
		if left == 0 {
			continue
		}
		class := s.class[int(last)*k : int(last)*k+k]
		if t.certain {
			o := t.outcome[h]
			class[o] += n.w[i]
			mass[o] += n.w[i]
			continue
		}
		for o, v := range t.like[int(h)*k : int(h)*k+k] {
			class[o] += n.w[i] * v
			mass[o] += n.w[i] * v
		}
	}
	after := 0.0
	for _, v := range mass {
		after += v * log2(v)
	}
	for _, h := range n.hyps {
		left, last := n.left(m, h)
		if left == 0 {
			continue
		}
		class := s.class[int(last)*k : int(last)*k+k]
		for o, v := range class {
			if v > 0 {
				after -= v * log2(v)
				class[o] = 0
			}
		}
	}
	return before - after, true
}

// makeTest works out the outcomes of a test that tells something.
func (s *search) makeTest(n *node, t *modelTest) edge {
	k := t.outcomes
	open, extra := s.paySetup(n, t.setup)
	e := edge{test: t.index, remedy: -1, cost: t.seconds + extra, kids: make([]kid, 0, k)}
	known := 0.0
	for o := range k {
		c := &s.next
		c.done, c.open, c.history = n.done, open, append(c.history[:0], n.history...)
		c.hyps, c.w = c.hyps[:0], c.w[:0]
		mass := 0.0
		for i, h := range n.hyps {
			v := 0.0
			if !t.certain {
				v = t.like[int(h)*k+o]
			} else if int(t.outcome[h]) == o {
				v = 1
			}
			if w := n.w[i] * v; w > 0 {
				c.hyps = append(c.hyps, h)
				c.w = append(c.w, w)
				mass += s.real(n, i) * v
			}
		}
		if mass <= 0 {
			continue // impossible, or too unlikely to have a number
		}
		if t.noisy >= 0 {
			c.history[t.noisy] = uint8(o) + 1
		}
		s.work += len(n.hyps)
		known += mass
		e.kids = append(e.kids, kid{mass, s.intern()})
	}
	for i := range e.kids {
		e.kids[i].p /= known
	}
	return e
}

// real returns the probability of hypothesis number i of a node together with
// the part of Rest that looks like it.
func (s *search) real(n *node, i int) float64 {
	v := s.m.rho * n.w[i]
	if left, _ := n.left(s.m, n.hyps[i]); left > 0 || len(s.m.needs[n.hyps[i]]) == 0 {
		v += n.w[i]
	}
	return v
}

// makeRemedy works out the one outcome of a remedy that leaves work to do.
func (s *search) makeRemedy(n *node, r int32) edge {
	open, extra := s.paySetup(n, s.m.remedies[r].Setup)
	e := edge{test: -1, remedy: int(r), cost: s.m.remedies[r].Seconds + extra}
	c := &s.next
	c.done, c.open, c.history = slices.Clone(n.done), open, append(c.history[:0], n.history...)
	c.done.add(r)
	c.hyps = append(c.hyps[:0], n.hyps...)
	c.w = append(c.w[:0], n.w...)
	still := 0.0
	for i := range c.hyps {
		still += s.real(c, i)
	}
	s.work += len(n.hyps)
	if still > 0 {
		e.kids = []kid{{min(still, 1), s.intern()}}
	}
	return e
}
