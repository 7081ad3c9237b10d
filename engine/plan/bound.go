package plan

import (
	"math"
	"slices"
)

// The lower bound. No policy can beat it, whatever tests are at hand; three
// arguments make it, each on the seconds that one hypothesis would see if it
// were the true one, weighted and summed.
//
// 1. What must be paid. If h is true, its needs are carried out before the end,
// and the setups they need are paid: at least c(needs of h).
//
// 2. What must be learnt. Take the hypotheses X that one more remedy ends, sort
// them into classes g by that remedy, with weights W(g) and sum M, and let
//
//	F(X) = sum over g of W(g) [ c(g) + L log2(M/W(g)) + L log2(1 - 2^(-c(g)/L)) ]
//	       - M sum over tests t of max(0, L - L(t)) log2 K(t)
//
// where K(t) is the number of outcomes of test t, L(t) = c(t)/log2 K(t) its price
// of a bit, and L any price at all. F never exceeds the cost of X:
//
//   - A test lowers the entropy sum of W log2(M/W) by at most M log2 K(t), and so
//     F by at most L M log2 K(t). It costs M c(t) = M L(t) log2 K(t). Where L is
//     above L(t) the difference is in the last sum, once for each test, since a
//     test is worth doing once on every path.
//   - A remedy r that ends the class of weight p costs c M. It lowers F by
//     c p + L M H(p/M) + L p log2(1 - 2^(-c/L)), H being the entropy of a yes or
//     no. With d = M-p, L M H - c d is greatest where M/d = 2^(c/L), and there it is
//     -L p log2(1 - 2^(-c/L)); so F falls by at most c p + c d = c M.
//
// This is Huffman's bound (1952) in Shannon's form, with remedies as splits whose
// two branches cost differently. The last term is the little that a lucky guess
// can save; with a remedy of 240 seconds and bits at 10 it is nothing. Noise in
// tests only lowers what they tell, and hypotheses outside X only add to the cost.
//
// 3. What no test can tell. Give away for free which ambiguity group the truth
// lies in, which can only help. What remains is to replace inside the group in
// the best order, by probability over cost.
//
// 2 and 3 are not added up, the larger is taken; needs of hypotheses with several
// left, setups and giving up are paid besides. The share of Rest that looks like h
// goes the way of h until h is repaired, and further; so it pays what h pays, and
// then for giving up.

// rate is one price of a bit to try in the second argument.
type rate struct {
	price float64
	spill float64   // sum over tests of max(0, price-L(t)) log2 K(t)
	guess []float64 // by remedy: price * log2(1 - 2^(-c/price))
}

// maxRates bounds how many prices are tried; any subset is sound.
const maxRates = 4

// prepareRates chooses prices among the tests' own: between two of them F is
// nearly linear in the price, so the best lies at one of them.
func (m *model) prepareRates() {
	type testRate struct{ price, bits float64 }
	var all []testRate
	for i := range m.tests {
		bits := math.Log2(float64(m.tests[i].outcomes))
		all = append(all, testRate{m.tests[i].seconds / bits, bits})
	}
	slices.SortFunc(all, func(a, b testRate) int {
		switch {
		case a.price < b.price:
			return -1
		case a.price > b.price:
			return 1
		}
		return 0
	})
	for i, t := range all {
		if len(m.rates) == maxRates {
			return
		}
		if i > 0 && t.price <= 1.05*m.rates[len(m.rates)-1].price {
			continue
		}
		r := rate{price: t.price, guess: make([]float64, len(m.remedies))}
		for _, u := range all[:i] {
			r.spill += (t.price - u.price) * u.bits
		}
		for k := range m.remedies {
			// 1-2^-x without loss for small x.
			r.guess[k] = t.price * math.Log2(-math.Expm1(-math.Ln2*m.remedies[k].Seconds/t.price))
		}
		m.rates = append(m.rates, r)
	}
}

// proof is a lower bound by its parts, so that what a test can lower is known
// without working out its outcomes.
type proof struct {
	must   float64 // argument 1 for the hypotheses that one more remedy ends
	learn  float64 // argument 2 at the price that gives most; not below must
	price  float64 // that price
	inside float64 // argument 3
	paid   float64 // in any case: setups, needs of the others, giving up
}

// bound returns seconds that no policy can beat.
func (b *proof) bound(m *model) float64 { return b.after(m, 0) }

// after returns what the bound of a node's kids comes to at least, weighed by
// their probabilities, when a test that opens no setup lowers the entropy by so
// many bits. Arguments 1 and 3 do not change: an ambiguity group goes through a
// test as one.
func (b *proof) after(m *model, bits float64) float64 {
	return (1+m.rho)*max(b.must, b.inside, b.learn-b.price*bits) + b.paid
}

// lowerBound makes the proof for a node. The scratch has been gathered.
func (m *model) lowerBound(n *node) proof {
	s := &m.s
	var b proof
	setups, several, mass := 0.0, 0.0, 0.0
	for _, r := range s.touched {
		b.must += s.p[r] * m.remedies[r].Seconds
		mass += s.p[r]
		if f := m.remedies[r].Setup; f >= 0 && !n.isOpen(f) {
			setups += s.p[r] * m.setups[f]
		}
	}
	for _, h := range s.several {
		for i, r := range m.needs[h] {
			if n.done.has(r) {
				continue
			}
			several += s.weight[h] * m.remedies[r].Seconds
			f := m.remedies[r].Setup
			if f < 0 || n.isOpen(f) {
				continue
			}
			first := true
			for _, before := range m.needs[h][:i] {
				first = first && (n.done.has(before) || m.remedies[before].Setup != f)
			}
			if first {
				several += s.weight[h] * m.setups[f]
			}
		}
	}
	b.paid = (1+m.rho)*(setups+several) + m.giveUp*n.hopeless
	b.learn, b.inside = b.must, b.must
	if len(s.touched) < 2 {
		return b
	}
	entropy := mass * log2(mass)
	for _, r := range s.touched {
		entropy -= s.p[r] * log2(s.p[r])
	}
	for i := range m.rates {
		q := &m.rates[i]
		f := b.must + q.price*entropy - mass*q.spill
		for _, r := range s.touched {
			f += s.p[r] * q.guess[r]
		}
		if f > b.learn {
			b.learn, b.price = f, q.price
		}
	}
	if m.ambiguous {
		b.inside = m.insideGroups(n)
	}
	return b
}

// insideGroups is the third argument: the cost of replacing in the best order
// inside each ambiguity group, summed.
func (m *model) insideGroups(n *node) float64 {
	s := &m.s
	total := 0.0
	for i := 0; i < len(n.hyps); {
		group := m.group[n.hyps[i]]
		if i+1 == len(n.hyps) || m.group[n.hyps[i+1]] != group { // on its own
			if left, last := n.left(m, n.hyps[i]); left == 1 {
				total += m.remedies[last].Seconds * n.w[i]
			}
			i++
			continue
		}
		s.items = s.items[:0]
		mass := 0.0
		for ; i < len(n.hyps) && m.group[n.hyps[i]] == group; i++ {
			left, last := n.left(m, n.hyps[i])
			if left != 1 {
				continue
			}
			mass += n.w[i]
			s.items = append(s.items, item{ratio: n.w[i] / m.remedies[last].Seconds, key: n.w[i], remedy: last})
		}
		if len(s.items) > 1 {
			slices.SortFunc(s.items, func(a, b item) int { return int(a.remedy - b.remedy) })
			merged := s.items[:1]
			for _, it := range s.items[1:] {
				if k := len(merged) - 1; merged[k].remedy == it.remedy {
					merged[k].key += it.key
					merged[k].ratio += it.ratio
				} else {
					merged = append(merged, it)
				}
			}
			s.items = merged
			slices.SortFunc(s.items, func(a, b item) int {
				if a.ratio != b.ratio {
					return descending(a.ratio, b.ratio)
				}
				return int(a.remedy - b.remedy)
			})
		}
		for _, it := range s.items {
			total += m.remedies[it.remedy].Seconds * mass
			mass = max(mass-it.key, 0)
		}
	}
	return total
}
