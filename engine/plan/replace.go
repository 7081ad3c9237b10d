package plan

import "slices"

// item is a set of remedies that is carried out in one go.
type item struct {
	key    float64 // probability gained by the second; larger first
	family int32   // equal keys: what shares a composite stays together
	ratio  float64 // and its likeliest goes first
	remedy int32   // or -1:
	hyp    int32   // all that this hypothesis still needs
}

// gather fills the scratch with the weights of a state: p by remedy for the
// hypotheses that one more remedy ends, several for the others.
func (m *model) gather(n *node) {
	s := &m.s
	for _, r := range s.touched {
		s.p[r] = 0
	}
	for _, h := range s.several {
		s.weight[h] = 0
	}
	s.touched, s.several = s.touched[:0], s.several[:0]
	for i, h := range n.hyps {
		left, last := n.left(m, h)
		switch {
		case left == 1:
			if s.p[last] == 0 {
				s.touched = append(s.touched, last)
			}
			s.p[last] += n.w[i]
		case left > 1:
			s.several = append(s.several, h)
			s.weight[h] = n.w[i]
			s.missing[h] = int32(left)
		}
	}
}

// sequenceCost returns the expected seconds of a state when remedies are tried
// one after the other until the board works. The scratch has been gathered.
//
// With one fault and no setups, trying the remedies by falling probability over
// cost is optimal: exchanging two neighbours a, b in a sequence changes the
// expected cost by p(b) c(a) - p(a) c(b) and nothing else (Kadane and Simon
// 1977; Heckerman, Breese and Rommelse 1995).
//
// With setups it is single-machine scheduling of weighted completion times where
// a setup of no weight precedes the remedies that need it: the precedence is a
// forest of out-trees, for which composites of the best ratio are optimal (Horn
// 1972, SIAM J. Appl. Math. 23; Sidney 1975; both from memory). Here the composite of a setup is
// the setup with those first remedies of its family that give the highest
// probability over cost together.
//
// With hypotheses of several needs the problem is NP-hard; a set of needs is
// then taken as one item, by the probability of all that it would end over its
// cost. The result is still the cost of a policy that can be followed, which is
// all that an upper bound needs.
func (m *model) sequenceCost(n *node) float64 {
	return m.sequence(n, nil, nil)
}

// sequence is sequenceCost, and tells, where repaired is not nil, after how many
// seconds a board is repaired with what probability, and after how many the sequence
// is at its end.
func (m *model) sequence(n *node, repaired func(seconds, p float64), end func(seconds float64)) float64 {
	s := &m.s
	for f := range s.open {
		s.open[f] = n.isOpen(f)
	}
	clear(s.done)
	s.items = s.items[:0]
	for _, r := range s.touched {
		ratio := s.p[r] / m.remedies[r].Seconds
		s.items = append(s.items, item{key: ratio, family: -1, ratio: ratio, remedy: r, hyp: -1})
	}
	m.composeSetups()
	for _, h := range s.several {
		gain, cost := s.weight[h], 0.0
		for _, r := range m.needs[h] {
			if n.done.has(r) {
				continue
			}
			gain += s.p[r]
			cost += m.remedies[r].Seconds
			if f := m.remedies[r].Setup; f >= 0 && !s.open[f] {
				cost += m.setups[f]
			}
		}
		s.items = append(s.items, item{key: gain / cost, family: -1, ratio: gain / cost, remedy: -1, hyp: h})
	}
	slices.SortFunc(s.items, func(a, b item) int {
		switch {
		case a.key != b.key:
			return descending(a.key, b.key)
		case a.family != b.family:
			return int(a.family - b.family)
		case a.ratio != b.ratio:
			return descending(a.ratio, b.ratio)
		case a.remedy != b.remedy:
			return int(a.remedy - b.remedy)
		}
		return int(a.hyp - b.hyp)
	})

	q := sequence{m: m, n: n, mass: 1, repaired: repaired}
	for _, it := range s.items {
		if it.remedy >= 0 {
			q.try(it.remedy)
			continue
		}
		for _, r := range m.needs[it.hyp] {
			q.try(r)
		}
	}
	if end != nil {
		end(q.spent)
	}
	return q.cost + m.giveUp*n.hopeless
}

func descending(a, b float64) int {
	if a > b {
		return -1
	}
	return 1
}

// sequence adds up the cost of trying remedies in a given order.
type sequence struct {
	m    *model
	n    *node
	mass float64 // probability that the board is still bad
	cost float64

	spent    float64 // seconds to here, where the board is still bad
	repaired func(seconds, p float64)
}

// try carries out one remedy unless that was done already.
func (q *sequence) try(r int32) {
	m, s := q.m, &q.m.s
	if s.done[r] || q.n.done.has(r) {
		return
	}
	s.done[r] = true
	c := m.remedies[r].Seconds
	if f := m.remedies[r].Setup; f >= 0 && !s.open[f] {
		s.open[f] = true
		c += m.setups[f]
	}
	q.cost += c * q.mass
	q.spent += c
	before := q.mass
	q.mass -= s.p[r]
	if m.multi {
		for _, h := range m.byNeed[r] {
			if s.weight[h] > 0 {
				s.missing[h]--
				if s.missing[h] == 0 {
					q.mass -= s.weight[h]
				}
			}
		}
	}
	q.mass = max(q.mass, 0)
	if q.repaired != nil {
		q.repaired(q.spent, before-q.mass)
	}
}

// composeSetups lowers the keys of the remedies that need a setup not yet paid
// for: those in the best composite get the composite's ratio, which is no less
// than that of any member left out. The items
// so far are single remedies.
func (m *model) composeSetups() {
	s := &m.s
	for f := range m.setups {
		if s.open[f] || m.setups[f] == 0 {
			continue
		}
		s.order = s.order[:0]
		for i := range s.items {
			if m.remedies[s.items[i].remedy].Setup == f {
				s.order = append(s.order, int32(i))
			}
		}
		if len(s.order) == 0 {
			continue
		}
		slices.SortFunc(s.order, func(a, b int32) int {
			if s.items[a].ratio != s.items[b].ratio {
				return descending(s.items[a].ratio, s.items[b].ratio)
			}
			return int(a - b)
		})
		p, c, best, size := 0.0, m.setups[f], 0.0, 0
		for k, i := range s.order {
			r := s.items[i].remedy
			p += s.p[r]
			c += m.remedies[r].Seconds
			if p/c > best {
				best, size = p/c, k+1
			}
		}
		for _, i := range s.order[:size] {
			s.items[i].key, s.items[i].family = best, int32(f)
		}
	}
}
