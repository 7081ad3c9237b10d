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

// silence gives quiet faults: the loci that are no candidates, by what they touch, and
// the candidates that the readings do not support.
func (s *search) silence(touched [][]int) error {
	known := make(map[*Locus]bool, len(s.cands))
	for _, c := range s.cands {
		known[c.locus] = true
		if c.all.total <= support+c.odds {
			s.quiets = append(s.quiets, quiet{c.locus, c.moves, c.all})
		}
	}
	var silent []*candidate
	for l := range s.result.Loci {
		if locus := &s.result.Loci[l]; !known[locus] && (s.concerned == nil || s.concerned[l]) {
			silent = append(silent, s.candidate(locus, touched[l]))
		}
	}
	err := s.entries(silent, func(once []*candidate) error {
		all := func(int) bool { return true }
		return s.enter(once, s.touching(once), all, all)
	})
	if err != nil {
		return err
	}
	if err := s.weighAll(silent); err != nil {
		return err
	}
	for _, c := range silent {
		s.quiets = append(s.quiets, quiet{c.locus, c.moves, c.all})
	}
	slices.SortStableFunc(s.quiets, func(a, b quiet) int { return cmp.Compare(Level(math.Exp(b.total)), Level(math.Exp(a.total))) })
	return nil
}

// besides gives, by the number of faults that account for the readings, the logarithm of
// the factor by which sets that have quiet faults besides outweigh that set alone:
//
//	sum over n of exp(came[k+n] - came[k]) e_n
//
// where e_n is the elementary symmetric polynomial of the quiet faults' weights, those of
// the set's own places counted as if they were others.
func (s *search) besides() (factors [4]float64) {
	var p [4]float64
	for i := range s.quiets {
		w := math.Exp(s.quiets[i].total)
		for k := 1; k < len(p); k++ {
			p[k] += math.Pow(w, float64(k))
		}
	}
	e := symmetric(p)
	for k := range factors {
		sum := 1.0
		for n := 1; k+n < len(s.came); n++ {
			sum += math.Exp(s.came[k+n]-s.came[k]) * math.Max(e[n], 0)
		}
		factors[k] = math.Log(sum)
	}
	return factors
}

// symmetric gives the elementary symmetric polynomials of numbers by their sums of powers
// (Newton's identities):
//
//	e_1 = p_1, e_2 = (p_1^2 - p_2) / 2, e_3 = (p_1^3 - 3 p_1 p_2 + 2 p_3) / 6
func symmetric(p [4]float64) [4]float64 {
	return [4]float64{1, p[1], (p[1]*p[1] - p[2]) / 2, (p[1]*p[1]*p[1] - 3*p[1]*p[2] + 2*p[3]) / 6}
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
			f.Quiet, f.Moves = true, q.moves
			share := w * q.modes[k]
			out = append(out, Explanation{append(slices.Clone(x.Faults), f), share})
			left -= share
		}
	}
	rest := &s.result.Quiet
	if len(x.Faults) > 0 {
		rest = &s.result.QuietBeside
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
