package plan

import (
	"encoding/binary"
	"math"
	"slices"
	"sort"
)

// model is a problem made ready for the search: hypotheses that nothing can
// distinguish and that call for the same remedies are one, weights sum to 1 with
// Rest, and what the inner loop reads lies in flat arrays.
//
// Merging keeps the answer exact: two hypotheses with equal needs and equal
// rows see the same seconds under every policy, so only the sum of their
// weights matters.
type model struct {
	weight []float64 // by hypothesis
	needs  [][]int32 // by hypothesis: remedies, ascending, no repeats
	giveUp float64
	rho    float64 // Rest's weight as a share of the hypotheses' weight

	remedies []Remedy
	setups   []float64
	tests    []modelTest
	byNeed   [][]int32 // by remedy: the hypotheses with several needs, it among them
	multi    bool      // some hypothesis has several needs

	s scratch
}

// modelTest is a test over the merged hypotheses.
type modelTest struct {
	seconds  float64
	setup    int
	outcomes int
	index    int       // in the problem
	row      []uint16  // by hypothesis: equal numbers for equal rows
	like     []float64 // hypothesis*outcomes + outcome
	noisy    int       // place in the history of a state, -1 where every row is a single 1
}

// compile merges hypotheses and drops those of no weight and tests that tell
// nothing. The problem has been checked.
func compile(p *Problem, ignore float64) *model {
	m := &model{giveUp: p.GiveUp, remedies: p.Remedies, setups: p.Setups}
	total := p.total()
	var alive []int
	for h := range p.Hypotheses {
		if p.Hypotheses[h].Weight/total > 0 {
			alive = append(alive, h)
		}
	}
	known := 0.0
	for _, h := range alive {
		known += p.Hypotheses[h].Weight
	}
	m.rho = p.Rest / known

	// Rows as the search will see them: tails cut, sums exactly 1.
	rows := make([][]float64, len(p.Tests))
	for t := range p.Tests {
		k := p.Tests[t].Outcomes
		flat := make([]float64, len(alive)*k)
		for i, h := range alive {
			row := flat[i*k : (i+1)*k]
			sum := 0.0
			for o, v := range p.Tests[t].Likelihood[h] {
				if v >= ignore {
					row[o] = v
					sum += v
				}
			}
			if sum == 0 { // every outcome is unlikely: nothing to cut
				copy(row, p.Tests[t].Likelihood[h])
				for _, v := range row {
					sum += v
				}
			}
			for o := range row {
				row[o] /= sum
			}
		}
		rows[t] = flat
	}

	// Hypotheses sorted by rows, then by needs; equal ones are merged.
	needs := make([][]int32, len(alive))
	for i, h := range alive {
		for _, n := range p.Hypotheses[h].Needs {
			needs[i] = append(needs[i], int32(n))
		}
		slices.Sort(needs[i])
		needs[i] = slices.Compact(needs[i])
	}
	row := func(t, i int) []float64 {
		k := p.Tests[t].Outcomes
		return rows[t][i*k : (i+1)*k]
	}
	byRows := func(a, b int) int {
		for t := range rows {
			if c := slices.Compare(row(t, a), row(t, b)); c != 0 {
				return c
			}
		}
		return 0
	}
	order := make([]int, len(alive))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(x, y int) bool {
		a, b := order[x], order[y]
		if c := byRows(a, b); c != 0 {
			return c < 0
		}
		return slices.Compare(needs[a], needs[b]) < 0
	})
	var kept []int // positions in alive, one for each merged hypothesis
	for _, i := range order {
		w := p.Hypotheses[alive[i]].Weight / total
		if n := len(kept); n > 0 && byRows(kept[n-1], i) == 0 && slices.Equal(needs[kept[n-1]], needs[i]) {
			m.weight[n-1] += w
			continue
		}
		kept = append(kept, i)
		m.weight = append(m.weight, w)
		m.needs = append(m.needs, needs[i])
	}

	m.byNeed = make([][]int32, len(p.Remedies))
	for h, ns := range m.needs {
		if len(ns) > 1 {
			m.multi = true
			for _, r := range ns {
				m.byNeed[r] = append(m.byNeed[r], int32(h))
			}
		}
	}
	noisy := 0
	for t := range p.Tests {
		k := p.Tests[t].Outcomes
		mt := modelTest{
			row:     make([]uint16, len(kept)),
			seconds: p.Tests[t].Seconds, setup: p.Tests[t].Setup, outcomes: k, index: t,
			like: make([]float64, 0, len(kept)*k), noisy: -1,
		}
		certain := true
		distinct := make(map[string]uint16)
		var key []byte
		numberOf := func(r []float64) uint16 {
			key = key[:0]
			for _, v := range r {
				key = binary.LittleEndian.AppendUint64(key, math.Float64bits(v))
			}
			number, ok := distinct[string(key)]
			if !ok {
				number = uint16(len(distinct))
				distinct[string(key)] = number
			}
			return number
		}
		for j, i := range kept {
			r := row(t, i)
			mt.like = append(mt.like, r...)
			mt.row[j] = numberOf(r)
			certain = certain && slices.Max(r) == 1
		}
		if len(distinct) < 2 {
			continue
		}
		if !certain {
			mt.noisy = noisy
			noisy++
		}
		m.tests = append(m.tests, mt)
	}
	m.s = newScratch(m)
	return m
}

// noisy returns how many tests have noise.
func (m *model) noisy() int {
	k := 0
	for i := range m.tests {
		k = max(k, m.tests[i].noisy+1)
	}
	return k
}

// parts tells that a test does not show the same under all of these.
func (t *modelTest) parts(hyps []int32) bool {
	first := t.row[hyps[0]]
	for _, h := range hyps[1:] {
		if t.row[h] != first {
			return true
		}
	}
	return false
}

// scratch holds arrays that the bounds fill again for every state.
type scratch struct {
	p       []float64 // by remedy: weight of the hypotheses it alone would end
	touched []int32   // remedies with p set
	weight  []float64 // by hypothesis with several needs left: its weight in the state
	missing []int32   // by such hypothesis: needs not yet met in the sequence
	several []int32   // such hypotheses of the state
	items   []item
	done    []bool // by remedy, within a sequence
	open    []bool // by setup, within a sequence
	order   []int32
}

func newScratch(m *model) scratch {
	return scratch{
		p:       make([]float64, len(m.remedies)),
		weight:  make([]float64, len(m.weight)),
		missing: make([]int32, len(m.weight)),
		done:    make([]bool, len(m.remedies)),
		open:    make([]bool, len(m.setups)),
	}
}

// bitset is a set of small numbers.
type bitset []uint64

func newBitset(n int) bitset      { return make(bitset, (n+63)/64) }
func (b bitset) has(i int32) bool { return b[i>>6]&(1<<(uint(i)&63)) != 0 }
func (b bitset) add(i int32)      { b[i>>6] |= 1 << (uint(i) & 63) }

// less orders seconds, taking those that differ by rounding alone as equal.
func less(a, b float64) bool { return a < b && !same(a, b) }

// same tells that two numbers of seconds differ by rounding alone.
func same(a, b float64) bool { return math.Abs(a-b) <= 1e-11*(1+math.Abs(a)) }

// total returns the weight of everything.
func (p *Problem) total() float64 {
	sum := p.Rest
	for _, h := range p.Hypotheses {
		sum += h.Weight
	}
	return sum
}
