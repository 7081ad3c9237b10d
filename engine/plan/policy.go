package plan

import (
	"cmp"
	"encoding/binary"
	"math"
	"slices"
)

// search works out the policy. One step ahead, the policy takes the step that would be
// best if nothing but replacing in order came after it. A first step is worth what the
// policy makes of its outcomes: a roll-out (Bertsekas, Tsitsiklis and Wu 1997, from
// memory), which is never worse than the policy itself. Nodes are looked up by what they
// know and not by how they were reached.
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
}

func newSearch(m *model, limit int) *search {
	return &search{m: m, nodes: make(map[string]*node), limit: limit, members: newBitset(len(m.weight)), useful: newBitset(len(m.remedies))}
}

// root returns the node before anything is done.
func (s *search) root() *node {
	m := s.m
	s.next = node{done: newBitset(len(m.remedies)), open: newBitset(len(m.setups)), history: make([]uint8, m.noisy())}
	for h := range m.weight {
		s.next.hyps = append(s.next.hyps, int32(h))
		s.next.w = append(s.next.w, m.weight[h])
	}
	return s.intern()
}

// replacing makes the weights in s.next sum to 1 with Rest, and gives the expected
// seconds of replacing in order from there.
func (s *search) replacing() float64 {
	m, n := s.m, &s.next
	k, mass, hopeless := 0, 0.0, 0.0
	for i, h := range n.hyps {
		left, _ := n.left(m, h)
		switch {
		case len(m.needs[h]) == 0:
			hopeless += n.w[i]
		case left > 0:
			mass += n.w[i]
		case m.rho == 0:
			continue // without Rest nothing looks like a repaired hypothesis any more
		}
		hopeless += m.rho * n.w[i]
		n.hyps[k], n.w[k] = h, n.w[i]
		k++
	}
	n.hyps, n.w = n.hyps[:k], n.w[:k]
	mass += hopeless
	for i := range n.w {
		n.w[i] /= mass
	}
	n.hopeless = hopeless / mass
	m.gather(n)
	s.work += 16 + 4*k
	return m.sequenceCost(n)
}

// intern returns the node of the state in s.next: the one that is known, or a new one.
func (s *search) intern() *node {
	m, n := s.m, &s.next
	n.value = s.replacing()
	clear(s.members)
	clear(s.useful)
	for _, h := range n.hyps {
		s.members.add(h)
		for _, r := range m.needs[h] {
			s.useful.add(r)
		}
	}
	// A test with noise that shows the same under all that is left told a common factor
	// of all weights, and states that differ in it alone are the same.
	for i := range m.tests {
		t := &m.tests[i]
		if t.noisy >= 0 && n.history[t.noisy] != 0 && !t.parts(n.hyps) {
			n.history[t.noisy] = 0
		}
	}
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
	if known, ok := s.nodes[string(key)]; ok {
		return known
	}
	fresh := *n
	fresh.hyps, fresh.w, fresh.history = slices.Clone(n.hyps), slices.Clone(n.w), slices.Clone(n.history)
	s.nodes[string(key)] = &fresh
	return &fresh
}

// steps lists what can be done at a node, tests that tell something and remedies that a
// hypothesis needs, with the expected seconds of each where nothing but replacing in
// order comes after it.
func (s *search) steps(n *node) (list []edge, seconds []float64) {
	m := s.m
	add := func(e edge) {
		v := e.cost
		s.outcomes(n, &e, func(p float64) { v += p * s.replacing() })
		list, seconds = append(list, e), append(seconds, v)
	}
	for i := range m.tests {
		t := &m.tests[i]
		s.work += len(n.hyps)
		if (t.noisy < 0 || n.history[t.noisy] == 0) && len(n.hyps) > 0 && t.parts(n.hyps) {
			add(edge{test: t, remedy: -1, cost: t.seconds + s.setup(n, t.setup)})
		}
	}
	useful := newBitset(len(m.remedies))
	for _, h := range n.hyps {
		for _, r := range m.needs[h] {
			if !n.done.has(r) {
				useful.add(r)
			}
		}
	}
	for r := range m.remedies {
		if useful.has(int32(r)) {
			add(edge{remedy: r, cost: m.remedies[r].Seconds + s.setup(n, m.remedies[r].Setup)})
		}
	}
	return list, seconds
}

// take makes the kids of a step, once.
func (s *search) take(n *node, e *edge) {
	if e.kids == nil {
		s.outcomes(n, e, func(p float64) { e.kids = append(e.kids, kid{p, s.intern()}) })
	}
}

// follow gives the expected seconds of the policy from a node that is reached with a
// probability.
func (s *search) follow(n *node, p float64) float64 {
	if n.known || p < leastReached || s.work >= s.limit {
		return n.value
	}
	n.known = true
	list, seconds := s.steps(n)
	best, least := -1, math.Inf(1)
	for i, v := range seconds {
		if less(v, least) {
			best, least = i, v
		}
	}
	if best >= 0 {
		if v := s.rollOut(n, &list[best], p); v < n.value {
			n.value, n.next = v, &list[best]
		}
	}
	return n.value
}

// rollOut gives the expected seconds of a step with the policy after it.
func (s *search) rollOut(n *node, e *edge, p float64) float64 {
	s.take(n, e)
	v := e.cost
	for _, k := range e.kids {
		v += k.p * s.follow(k.n, p*k.p)
	}
	return v
}

// rank lists the first steps with their expected seconds, the best first.
func (s *search) rank(root *node) (list []edge, seconds []float64) {
	list, seconds = s.steps(root)
	order := make([]int, len(list))
	for i := range list {
		order[i] = i
	}
	bySeconds := func(a, b int) int {
		if same(seconds[a], seconds[b]) {
			return 0
		}
		return cmp.Compare(seconds[a], seconds[b])
	}
	slices.SortStableFunc(order, bySeconds)
	limit := s.limit
	tried := min(rolledOut, len(order))
	for k, i := range order[:tried] {
		s.limit = s.work + (limit-s.work)/(tried-k)
		seconds[i] = min(seconds[i], s.rollOut(root, &list[i], 1))
	}
	slices.Sort(order)
	slices.SortStableFunc(order, bySeconds)
	if len(order) > 0 && seconds[order[0]] < root.value {
		root.value, root.next = seconds[order[0]], &list[order[0]]
		s.take(root, root.next)
	}
	ranked, sorted := make([]edge, len(list)), make([]float64, len(list))
	for k, i := range order {
		ranked[k], sorted[k] = list[i], seconds[i]
	}
	return ranked, sorted
}

// setup gives the seconds of a step's setup, where it is not paid for.
func (s *search) setup(n *node, f int) float64 {
	if f < 0 || n.isOpen(f) {
		return 0
	}
	return s.m.setups[f]
}

// outcomes puts each outcome of a step that leaves work to do into s.next and calls do
// with its probability.
func (s *search) outcomes(n *node, e *edge, do func(p float64)) {
	f, done, open := -1, n.done, n.open
	if e.test != nil {
		f = e.test.setup
	} else {
		f, done = s.m.remedies[e.remedy].Setup, slices.Clone(done)
		done.add(int32(e.remedy))
	}
	if f >= 0 && !n.isOpen(f) {
		open = slices.Clone(open)
		open.add(int32(f))
	}
	c := &s.next
	if e.test == nil {
		c.done, c.open, c.history = done, open, append(c.history[:0], n.history...)
		c.hyps, c.w = append(c.hyps[:0], n.hyps...), append(c.w[:0], n.w...)
		still := 0.0
		for i := range c.hyps {
			still += s.real(c, i)
		}
		if still > 0 {
			do(min(still, 1))
		}
		return
	}
	k, total := e.test.outcomes, 0.0
	for i := range n.hyps {
		total += s.real(n, i)
	}
	for o := range k {
		c.done, c.open, c.history = done, open, append(c.history[:0], n.history...)
		c.hyps, c.w = c.hyps[:0], c.w[:0]
		mass := 0.0
		for i, h := range n.hyps {
			if v := e.test.like[int(h)*k+o]; n.w[i]*v > 0 {
				c.hyps = append(c.hyps, h)
				c.w = append(c.w, n.w[i]*v)
				mass += s.real(n, i) * v
			}
		}
		if mass > 0 { // otherwise impossible, or too unlikely to have a number
			if e.test.noisy >= 0 {
				c.history[e.test.noisy] = uint8(o) + 1
			}
			do(mass / total)
		}
	}
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
