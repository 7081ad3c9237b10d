package fault

import (
	"cmp"
	"math"
	"slices"
)

// quiet is a fault that the readings do not speak for: they hardly change with it, or it
// would make them less likely than on a good board. What they leave of its odds is its
// weight: all of them where it moves no reading.
type quiet struct {
	locus *Locus
	moves []int // the observations that it moves by more than faintVolts
	evidence
}

// silence gives quiet faults, where the complaint concerns them: the loci that are no
// candidates, by what they touch, and the candidates that the readings do not speak for.
func (s *search) silence(touched [][]int) error {
	known := make(map[*Locus]*candidate, len(s.cands))
	for _, c := range s.cands {
		known[c.locus] = c
	}
	var silent []*candidate
	for l := range s.result.Loci {
		locus := &s.result.Loci[l]
		switch c := known[locus]; {
		case locus.Aside, s.concerned != nil && !s.concerned[l]: // it is elsewhere
		case c == nil:
			c = s.candidate(locus, touched[l])
			c.silent = true
			silent = append(silent, c)
		case c.all.total <= bayesFrom+c.odds:
			s.quiets = append(s.quiets, quiet{c.locus, c.moves, c.all})
		}
	}
	err := s.entries(silent, func(once []*candidate) error {
		return s.enter(once, s.touching(once), func(int) bool { return true })
	})
	if err != nil {
		return err
	}
	if err := s.weighAll(silent); err != nil {
		return err
	}
	for _, c := range silent {
		// Far from where it should be a reading gains from the least shift, and from a
		// wider spread: that speaks for nothing.
		c.all.total = math.Min(c.all.total, c.most)
		s.quiets = append(s.quiets, quiet{c.locus, c.moves, c.all})
	}
	slices.SortStableFunc(s.quiets, func(a, b quiet) int { return cmp.Compare(Level(math.Exp(b.total)), Level(math.Exp(a.total))) })
	return nil
}

// quietFactors gives, by the number of faults that account for the readings, the logarithm of
// the factor by which sets that have quiet faults besides outweigh that set alone:
//
//	sum over n of exp(came[k+n] - came[k]) e_n
//
// where e_n is the elementary symmetric polynomial of the quiet faults' weights, those of
// the set's own places counted as if they were others.
func (s *search) quietFactors() (factors [4]float64) {
	e := symmetric{1}
	for i := range s.quiets {
		e.add(math.Exp(s.quiets[i].total))
	}
	for k := range factors {
		sum := 1.0
		for n := 1; k+n < len(s.came); n++ {
			sum += math.Exp(s.came[k+n]-s.came[k]) * e[n]
		}
		factors[k] = math.Log(sum)
	}
	return factors
}

// symmetric are the elementary symmetric polynomials of some weights, from that of degree
// 0, which is 1: the weights of all sets of so many. By sums without a difference, so that
// nothing is left where there are no such sets.
type symmetric [4]float64

// add adds a weight: sets with it to those of one less without it.
func (e *symmetric) add(w float64) {
	for k := len(e) - 1; k > 0; k-- {
		e[k] += w * e[k-1]
	}
}

// leastQuiet is the probability from which a quiet fault is an explanation of its own;
// the others are one number.
const leastQuiet = 1e-3

// spread parts an explanation without faults of the board, of weight alone by itself, and
// with one quiet fault or more: those are listed one by one as far as each is worth it.
func (s *search) spread(x Explanation, alone float64) (out []Explanation) {
	left := x.Probability * (1 - alone)
	x.Probability *= alone
	out = append(out, x)
	one := x.Probability * math.Exp(s.came[1])
	for i := range s.quiets {
		q := &s.quiets[i]
		w := one * math.Exp(q.total)
		if w < leastQuiet {
			break
		}
		for k, f := range q.faults(q.locus) {
			share := w * q.modes[k]
			if share < leastMode {
				continue
			}
			f.Quiet, f.Moves = true, q.moves
			out = append(out, Explanation{append(slices.Clone(x.Faults), f), share})
			left -= share
		}
	}
	rest := &s.result.Quiet
	if len(x.Faults) > 0 {
		rest = &s.result.QuietWithOutlier
	}
	*rest += math.Max(left, 0)
	return out
}

// faults gives the modes of a locus as faults.
func (e *evidence) faults(l *Locus) []Fault {
	out := make([]Fault, len(e.modes))
	for k := range e.modes {
		out[k] = Fault{Locus: l, Mode: l.Modes[k].Mode, Ohms: e.ohms[k], Observation: -1, lacks: -1}
		if math.IsInf(e.ohms[k], 1) {
			out[k].lacks = e.lacks
		}
	}
	return out
}
