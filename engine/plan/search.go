package plan

import (
	"encoding/binary"
	"math"
	"slices"
)

// node is a state of the search: a belief, the setups that are paid for, and
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
	expanded     bool
	edges        []edge
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

func (n *node) openSetups(m *model) []bool {
	open := make([]bool, len(m.setups))
	for f := range open {
		open[f] = n.isOpen(f)
	}
	return open
}

// search is a best-first search of the graph of states: tests and remedies are
// choices (take the least), outcomes are chance (take the mean). Every state
// keeps a proven interval. A state is looked up by what it knows and not by how
// it was reached, which makes it dynamic programming where the budget allows to
// finish, and a look-ahead with a proven interval where it does not.
type search struct {
	m     *model
	nodes map[string]*node
	key   []byte
	work  int
	limit int

	mass []float64 // scratch, by outcome
}

func newSearch(m *model, limit int) *search {
	return &search{m: m, nodes: make(map[string]*node), limit: limit, mass: make([]float64, maxOutcomes+1)}
}

// root returns the state before anything is done.
func (s *search) root() *node {
	m := s.m
	n := &node{
		done: newBitset(len(m.remedies)), open: newBitset(len(m.setups)),
		history: make([]uint8, s.noisy()),
	}
	for h := range m.weight {
		n.hyps = append(n.hyps, int32(h))
		n.w = append(n.w, m.weight[h])
	}
	return s.intern(n)
}

func (s *search) noisy() int {
	k := 0
	for i := range s.m.tests {
		k = max(k, s.m.tests[i].noisy+1)
	}
	return k
}

// intern returns the node of this state, with bounds: the one that is known, or
// the new one. The weights of a new one need not sum to 1 yet.
func (s *search) intern(n *node) *node {
	m := s.m
	if m.rho == 0 {
		// Nothing looks like a repaired hypothesis any more.
		k := 0
		for i, h := range n.hyps {
			if left, _ := n.left(m, h); left > 0 || len(m.needs[h]) == 0 {
				n.hyps[k], n.w[k] = h, n.w[i]
				k++
			}
		}
		n.hyps, n.w = n.hyps[:k], n.w[:k]
	}
	key := s.key[:0]
	words := make(bitset, (len(m.weight)+63)/64)
	useful := make(bitset, len(n.done))
	for _, h := range n.hyps {
		words.add(h)
		for _, r := range m.needs[h] {
			useful.add(r)
		}
	}
	for _, w := range words {
		key = binary.LittleEndian.AppendUint64(key, w)
	}
	for i := range n.done {
		key = binary.LittleEndian.AppendUint64(key, n.done[i]&useful[i])
	}
	for _, w := range n.open {
		key = binary.LittleEndian.AppendUint64(key, w)
	}
	key = append(key, n.history...)
	s.key = key
	if known, ok := s.nodes[string(key)]; ok {
		return known
	}
	s.bound(n)
	s.nodes[string(key)] = n
	return n
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
	m.gather(n)
	n.lower = m.lowerBound(n)
	n.settle()
	s.work += 8 + 2*len(n.hyps)
}

// settle makes bounds that differ by rounding alone equal.
func (n *node) settle() {
	if n.lower > n.upper || n.closed() {
		n.lower = n.upper
	}
}

// run spends the budget.
func (s *search) run(root *node) {
	s.expand(root, true)
	s.backUp(root, false)
	for turn := 0; !root.closed() && s.work < s.limit; turn++ {
		s.trial(root, turn%2 == 0, true)
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
			s.trial(k, turn%2 == 0, false)
		}
	}
	s.backUp(root, false)
}

// runnersUp is how many choices are brought to the same precision as the first.
const runnersUp = 6

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
	if n.closed() || s.work >= s.limit {
		return
	}
	var next *node
	if hopeful {
		next = n.pick((*edge).upper).widest()
	}
	if next == nil {
		next = n.pick((*edge).lower).widest()
	}
	if next != nil {
		s.trial(next, hopeful, false)
	}
	s.backUp(n, !root)
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
	lower, upper := math.Inf(1), math.Inf(1)
	for i := range n.edges {
		lower = min(lower, n.edges[i].lower())
		upper = min(upper, n.edges[i].upper())
	}
	n.upper = min(n.upper, upper)
	n.lower = max(n.lower, lower)
	n.settle()
	s.work += len(n.edges)
	if prune {
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
}

// expand lists the steps from a node. At the root even those that are dominated
// are listed, for the user may ask about them.
func (s *search) expand(n *node, root bool) {
	n.expanded = true
	for i := range s.m.tests {
		t := &s.m.tests[i]
		if t.dominated && !root {
			continue
		}
		s.work += len(n.hyps)
		if e, ok := s.tryTest(n, t); ok && (root || !n.supersedes(e)) {
			n.edges = append(n.edges, e)
		}
	}
	s.m.gather(n)
	useful := newBitset(len(s.m.remedies))
	for _, h := range n.hyps {
		for _, r := range s.m.needs[h] {
			if !n.done.has(r) {
				useful.add(r)
			}
		}
	}
	for r := range s.m.remedies {
		if useful.has(int32(r)) {
			n.edges = append(n.edges, s.tryRemedy(n, int32(r)))
		}
	}
}

// supersedes tells that a test with the same kids is listed already, keeping the
// cheaper of the two.
func (n *node) supersedes(e edge) bool {
	for i := range n.edges {
		f := &n.edges[i]
		if len(f.kids) != len(e.kids) || f.kids[0].n != e.kids[0].n {
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

// tryTest returns the edge of a test, or false when it tells nothing here.
func (s *search) tryTest(n *node, t *modelTest) (edge, bool) {
	if t.noisy >= 0 && n.history[t.noisy] != 0 {
		return edge{}, false
	}
	k := t.outcomes
	mass := s.mass[:k]
	clear(mass)
	tells := false
	known := 0.0
	if t.certain {
		first := t.outcome[n.hyps[0]]
		for i, h := range n.hyps {
			o := t.outcome[h]
			tells = tells || o != first
			mass[o] += s.real(n, i)
		}
	} else {
		first := t.like[int(n.hyps[0])*k : int(n.hyps[0])*k+k]
		for i, h := range n.hyps {
			row := t.like[int(h)*k : int(h)*k+k]
			tells = tells || !slices.Equal(row, first)
			w := s.real(n, i)
			for o, v := range row {
				mass[o] += w * v
			}
		}
	}
	if !tells {
		return edge{}, false
	}
	for _, v := range mass {
		known += v
	}
	open, extra := s.paySetup(n, t.setup)
	e := edge{test: t.index, remedy: -1, cost: t.seconds + extra}
	for o := range k {
		if mass[o] <= 0 {
			continue
		}
		c := &node{done: n.done, open: open, history: n.history}
		for i, h := range n.hyps {
			v := t.like[int(h)*k+o]
			if w := n.w[i] * v; w > 0 {
				c.hyps = append(c.hyps, h)
				c.w = append(c.w, w)
			}
		}
		if len(c.hyps) == 0 {
			continue // underflow: too unlikely to have a number
		}
		if t.noisy >= 0 {
			c.history = slices.Clone(n.history)
			c.history[t.noisy] = uint8(o) + 1
		}
		s.work += len(n.hyps)
		e.kids = append(e.kids, kid{mass[o] / known, s.intern(c)})
	}
	return e, true
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

// tryRemedy returns the edge of a remedy that some hypothesis of the node needs.
func (s *search) tryRemedy(n *node, r int32) edge {
	open, extra := s.paySetup(n, s.m.remedies[r].Setup)
	e := edge{test: -1, remedy: int(r), cost: s.m.remedies[r].Seconds + extra}
	c := &node{
		done: slices.Clone(n.done), open: open, history: n.history,
		hyps: slices.Clone(n.hyps), w: slices.Clone(n.w),
	}
	c.done.add(r)
	still := 0.0
	for i := range c.hyps {
		still += s.real(c, i)
	}
	s.work += len(n.hyps)
	if still > 0 {
		e.kids = []kid{{min(still, 1), s.intern(c)}}
	}
	return e
}
