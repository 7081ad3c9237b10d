package fault

import (
	"math"
	"slices"

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
	Locus       *Locus // nil for a findOutliers reading
	Mode        Mode
	Ohms        float64 // the resistance that fits best; +Inf for open
	Observation int     // of Missed and Doubtful: the observation that misleads; -1 otherwise
	Moves       []int   // the observations that the locus moves by more than faintVolts
}

// Result is what the search found.
type Result struct {
	Explanations []Explanation // best first; their probabilities sum to 1
	Base         []float64     // log likelihood of each observation on a good board
	ZScore       []float64     // standard deviations from a good board, by observation
	Joint        int           // pairs of faults solved together
	Left         float64       // share of the weight in sets beyond the number that is kept; no explanation
	Loci         []Locus       // everything that could go wrong
}

// Evidence is what is known beside readings.
type Evidence struct {
	Looks      map[netlist.PartID][]string // by part, each look once
	Injections []Injection                 // one for each time; a part is felt in one of them at most
	Drops      []Drop
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
	s := &search{m: m, p: p, ph: ph, obs: obs, ev: ev, pool: network.NewPool(m)}
	s.words = (len(obs) + 63) / 64
	if err := s.findCandidates(); err != nil {
		return nil, err
	}
	if err := s.tabulate(); err != nil {
		return nil, err
	}
	s.findOutliers()
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
	pool  *network.Pool
	words int
	came  float64 // see complaint

	cands    []*candidate
	worked   map[netlist.PartID]bool // parts that the bench has worked on
	outliers []outlier
	sets     leading

	weighed map[company]*evidence
	met     map[[2]int]meeting // by class

	result Result
}

// outlier is an observation that misleads, or a known-good value that does.
type outlier struct {
	mode   Mode
	obs    int
	mask   []uint64 // observations it takes out
	odds   float64  // logarithm
	change float64  // log likelihood ratio against a good board
}

// set is a scored set of candidates and outliers: members below len(cands) are
// candidates, the others outliers.
type set struct {
	members [3]int  // none is -1
	score   float64 // logarithm of the score
	parts   [3]*evidence
}

func (s *search) findCandidates() error {
	loci := Loci(s.m, s.p, s.ph.Values)
	s.result.Loci = loci
	s.result.Base = make([]float64, len(s.obs))
	s.result.ZScore = make([]float64, len(s.obs))
	if err := s.ph.PredictAll(s.pool, s.obs); err != nil {
		return err
	}
	openers := make([][]int32, len(loci)) // junctions that each takes out
	for l := range loci {
		openers[l] = opened(s.m, &loci[l])
	}
	hits := make([][]hit, len(s.obs))
	err := s.pool.Each(len(s.obs), func(w *network.Workspace, i int) error {
		o := &s.obs[i]
		if err := s.ph.Predict(w, o); err != nil {
			return err
		}
		s.result.Base[i] = o.LogLikelihood(o.Good)
		s.result.ZScore[i] = o.ZScore(o.Good)
		hits[i] = s.hits(w, i, openers)
		if o.paired() {
			if _, err := w.Read(o.Peer, &network.State{Edits: o.Edits}, s.ph.Values); err != nil {
				return err
			}
			w.Note()
			hits[i] = append(hits[i], s.hits(w, i, nil)...)
			slices.SortStableFunc(hits[i], func(a, b hit) int { return a.locus - b.locus })
		}
		return nil
	})
	if err != nil {
		return err
	}
	touched, wanted := make([][]int, len(loci)), make([]bool, len(loci))
	for i := range hits {
		for _, h := range hits[i] {
			if n := len(touched[h.locus]); n == 0 || touched[h.locus][n-1] != i {
				touched[h.locus] = append(touched[h.locus], i)
			}
			wanted[h.locus] = wanted[h.locus] || h.wanted
		}
	}
	s.came = s.complaint(loci, touched)
	for l := range loci {
		if wanted[l] {
			s.cands = append(s.cands, &candidate{
				locus: &loci[l], factor: s.factor(&loci[l]), touched: touched[l],
				strong: make([]uint64, s.words), weak: make([]uint64, s.words),
			})
		}
	}
	return nil
}

// hit is a locus that may move an observation, and whether that is odd enough to make
// a candidate of it.
type hit struct {
	locus  int
	wanted bool
}

// hits lists the loci that may move the reading that w has just taken of observation
// i; by those in openers a veil over it is removed, which it is given.
func (s *search) hits(w *network.Workspace, i int, openers [][]int32) (out []hit) {
	o, loci, surprise := &s.obs[i], s.result.Loci, s.result.ZScore[i]
	if o.Vague {
		return nil
	}
	st := network.State{Edits: o.Edits}
	for l := range loci {
		veils := len(o.veils)
		for k := 0; openers != nil && k < len(openers[l]); k++ {
			if v, ok := s.ph.veiled(w, &st, o, openers[l][k]); ok && st.Holds(&loci[l].Change) {
				v.change = loci[l].Change
				o.veils = append(o.veils, v)
				out = append(out, hit{l, surprise > odd})
				break
			}
		}
		if len(o.veils) == veils && loci[l].Touches(w, &st, s.ph.Values) {
			out = append(out, hit{l, math.Abs(surprise) > odd && loci[l].FarShift(w, &st, s.ph.Values) > faintVolts})
		}
	}
	return out
}

// complaint gives the logarithm of the factor by which a complaint raises the odds
// of every fault over none: before any reading, the faults that the readings could
// show have 1 - Elsewhere between them. On large boards, whose odds add up to more
// by themselves, they are left as they are.
func (s *search) complaint(loci []Locus, touched [][]int) float64 {
	sum := 0.0
	for l := range loci {
		if len(touched[l]) == 0 {
			continue
		}
		for _, r := range loci[l].Modes {
			sum += r.Odds
		}
	}
	none := clamp(s.p.Elsewhere, 1e-6, 1-1e-6)
	if sum == 0 {
		return 0
	}
	return math.Max(math.Log((1-none)/none/sum), 0)
}

// factor gives what looks make of a locus's odds.
func (s *search) factor(l *Locus) float64 {
	f := 1.0
	if l.Part == netlist.None {
		return f
	}
	for _, look := range s.ev.Looks[l.Part] {
		f *= s.p.LookRatio(look)
	}
	return f * s.dropped(l)
}

// slipTwice is the odds that a probe that slipped once slips again to the same
// reading (common practice, no source).
const slipTwice = 0.03

// findOutliers adds the observations that may have slipped, and the known-good
// values that may be wrong.
func (s *search) findOutliers() {
	bySpot := map[int][]int{}
	spots := map[any]int{}
	for i := range s.obs {
		o := &s.obs[i]
		if math.Abs(s.result.ZScore[i]) <= odd || o.Vague {
			continue
		}
		density := math.Log(0.6 / oddSpan)
		if o.Over {
			density = math.Log(0.4 * overDensity)
		}
		mask := make([]uint64, s.words)
		setBit(mask, i)
		odds := s.p.Slip * math.Pow(slipTwice, float64(o.Repeats))
		s.outliers = append(s.outliers, outlier{Missed, i, mask, math.Log(odds), density - s.result.Base[i]})
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
		l := outlier{mode: Doubtful, obs: i, mask: make([]uint64, s.words), odds: s.p.DoubtfulSeveral}
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
		l.odds = math.Log(l.odds)
		s.outliers = append(s.outliers, l)
	}
}
