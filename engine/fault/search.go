package fault

import (
	"math"
	"slices"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
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
	Observation int     // of Missed and Doubtful: the observation that misleads; -1 otherwise
	Moves       []int   // the observations that the locus moves by more than faintVolts
	// Comes tells of a break that comes and goes: readings of one point contradict each
	// other, and it explains some of them by its absence.
	Comes bool
	// Quiet tells that the readings do not speak for it and cannot rule it out.
	Quiet bool
	lacks int32 // the junction that the board lacks for the fault to explain them, -1 for none
}

// Lacks gives the junction that the board lacks if the fault is to explain its readings,
// and false where it may be there.
func (f *Fault) Lacks() (element int32, ok bool) { return f.lacks, f.lacks > 0 }

// Changes gives what the fault does to a board.
func (f *Fault) Changes() []network.Change {
	if math.IsNaN(f.Ohms) {
		return nil
	}
	if f.lacks > 0 {
		return []network.Change{f.Locus.At(f.Ohms), gone(f.lacks)}
	}
	return []network.Change{f.Locus.At(f.Ohms)}
}

// Result is what the search found.
type Result struct {
	Explanations     []Explanation // best first; with Quiet and QuietWithOutlier their probabilities sum to 1
	Base             []float64     // log likelihood of each observation on a good board
	ZScore           []float64     // standard deviations from a good board, by observation
	Joint            int           // pairs of faults solved together
	Quiet            float64       // probability of quiet faults that are not among the explanations
	QuietWithOutlier float64       // the same, beside readings that mislead
	Left             float64       // share of the weight in sets beyond the number that is kept; no explanation
	Loci             []Locus       // everything that could go wrong
}

// Evidence is what is known beside readings.
type Evidence struct {
	Looks      map[netlist.PartID][]string // by part, each look once
	Injections []Injection                 // one for each time; a part counts in one of them at most
	Drops      []Drop
	Presses    []Press
	PinLooks   map[netlist.PinRef]string // by connector pin, its last look
	Swaps      []bool                    // of known-good cables and modules: is the complaint gone
	Concerned  []netlist.NetID           // the nets that the complaint concerns; none for all
	Along      map[netlist.NetID]bool    // nets along which somebody looked for what is not drawn
}

// Search finds the sets of up to three faults that explain the observations.
//
// Faults are taken to be independent before any reading, each with its odds, so
// that a set has the product of its members' odds. Its likelihood is compared
// with that of a good board, observation by observation: those that no member
// touches cancel. So a set's score is
//
//	prod of odds * E[ prod over touched observations of p(reading | set) / p(reading | good) ]
//
// the mean being over the unknown resistances. Faults that the readings do not speak for
// are not tried in company: they add to the weight of every set of so many faults alike
// (see quietFactors). Members that move no observation
// in common by more than faintVolts have independent means and the score is the
// product of theirs. Members that do are solved together on a grid of both
// resistances. The order of work is by an upper bound of the score, the one in
// which an observation touched by both is explained perfectly; the search stops
// when no bound left could change the outcome.
func Search(m *network.Model, p *Priors, ph *Physics, obs []Observation, ev Evidence) (*Result, error) {
	s := &search{m: m, p: p, ph: ph, obs: obs, ev: ev, pool: network.NewPool(m)}
	s.words = (len(obs) + 63) / 64
	touched, err := s.findCandidates()
	if err != nil {
		return nil, err
	}
	if err := s.tabulate(); err != nil {
		return nil, err
	}
	if err := s.silence(touched); err != nil {
		return nil, err
	}
	s.findOutliers()
	s.anywhere(s.unknowns)
	if err := s.combine(); err != nil {
		return nil, err
	}
	s.result.Explanations = s.normalise()
	return &s.result, nil
}

type search struct {
	m         *network.Model
	p         *Priors
	ph        *Physics
	obs       []Observation
	ev        Evidence
	pool      *network.Pool
	words     int
	came      [4]float64 // see complaint
	concerned []bool     // by locus
	unknowns  []Locus
	gain      []float64 // see gains
	tied      []bool

	cands    []*candidate
	quiets   []quiet                 // the likeliest first
	worked   map[netlist.PartID]bool // parts that the bench has worked on
	asDrawn  bool                    // there are none
	probed   map[network.Contact]bool
	shared   map[network.Change]bool // changes that open what two junctions share
	outliers []outlier
	sets     leading

	weighed map[company]*evidence
	met     map[[2]int]meeting // by class

	result Result
}

// outlier is an observation that misleads, or a known-good value that does.
type outlier struct {
	mode   Mode
	locus  *Locus // of what is not drawn
	comes  bool   // a break was not there at the time, which comes and goes
	obs    int
	mask   []uint64 // observations it takes out
	odds   float64  // logarithm
	own    float64  // log density of what it takes out
	change float64  // log likelihood ratio against a good board
}

// set is a scored set of candidates and outliers: members below len(cands) are
// candidates, the others outliers.
type set struct {
	members [3]int  // none is -1
	score   float64 // logarithm of the score
	parts   [3]*evidence
}

// findCandidates finds the loci that may account for an outlier, and gives what each
// locus touches.
func (s *search) findCandidates() (touched [][]int, err error) {
	loci := Loci(s.m, s.p, s.ph.Values)
	loci = stubborn(loci, s.obs)
	loci = append(loci, s.groundJoints()...)
	drawn := len(loci)
	loci = append(loci, Unknowns(s.m, s.p, s.ph.Values, loci, s.ev.Along)...)
	s.result.Loci, s.unknowns = loci, loci[drawn:]
	s.result.Base = make([]float64, len(s.obs))
	s.result.ZScore = make([]float64, len(s.obs))
	if err := s.ph.Join(s.pool, s.obs); err != nil {
		return nil, err
	}
	hits := make([][]hit, len(s.obs))
	err = s.pool.Each(len(s.obs), func(w *network.Workspace, i int) error {
		o := &s.obs[i]
		w.Resume(&o.ended)
		if _, err := w.Read(o.Probe, &network.State{Edits: o.Edits}, s.ph.Values); err != nil {
			return err
		}
		w.Note()
		s.result.Base[i] = o.LogLikelihood(o.Good)
		s.result.ZScore[i] = o.ZScore(o.Good)
		hits[i] = s.hits(w, i)
		return nil
	})
	if err != nil {
		return nil, err
	}
	touched = make([][]int, len(loci))
	wanted := make([]bool, len(loci))
	for i := range hits {
		for _, h := range hits[i] {
			if n := len(touched[h.locus]); n == 0 || touched[h.locus][n-1] != i {
				touched[h.locus] = append(touched[h.locus], i)
			}
			wanted[h.locus] = wanted[h.locus] || h.wanted
		}
	}
	s.concerned = s.concerns(loci)
	s.came = s.complaint(loci)
	for l := range loci {
		if wanted[l] {
			s.cands = append(s.cands, s.candidate(&loci[l], touched[l]))
		}
	}
	return touched, nil
}

// groundJoints lists the joints of ground pins that were read and did not read 0: those that
// did are no observations, so that where such a pin is only the other end of a reading nothing
// would speak for its joint.
func (s *search) groundJoints() []Locus {
	return slices.DeleteFunc(GroundJoints(s.m, s.p), func(l Locus) bool {
		at := l.Change.Contact
		return !slices.ContainsFunc(s.obs, func(o Observation) bool {
			return o.Spot.Net == s.m.Board.Ground && (o.Probe.Plus.Contact == at || o.Probe.Minus.Contact == at)
		})
	})
}

// hit is a locus that may move an observation, and whether that is far enough out to make
// a candidate of it.
type hit struct {
	locus  int
	wanted bool
}

// hits lists the loci that may move the reading that w has just taken of observation i,
// and gives the observation its sharings.
func (s *search) hits(w *network.Workspace, i int) (out []hit) {
	o, loci := &s.obs[i], s.result.Loci
	isOutlier := s.isOutlier(i)
	st := network.State{Edits: o.Edits}
	var sharings []sharing
	line := s.m.Line(o.Spot.Net)
	for _, e := range s.junctions(o, line) {
		if v, ok := s.ph.sharing(w, &st, o, e); ok {
			sharings = append(sharings, v)
		}
	}
	for l := range loci {
		k := -1
		if len(sharings) > 0 && st.Holds(&loci[l].Change) {
			k = s.cutsOff(o, &loci[l], line, sharings)
		}
		switch {
		case k >= 0:
			v := sharings[k]
			v.change = loci[l].Change
			o.sharings = append(o.sharings, v)
			out = append(out, hit{l, isOutlier})
		case loci[l].Touches(w, &st, s.ph.Values):
			out = append(out, hit{l, isOutlier && loci[l].FarShift(w, &st, s.ph.Values) > faintVolts})
		}
	}
	return out
}

// setShares are the shares of sets of one, two and three faults, where there are any
// (from memory).
var setShares = [3]float64{0.80, 0.15, 0.05}

// complaint gives, by the number of faults in a set, the logarithm of the factor that a
// complaint puts on the product of their odds, against a board with none. Before any
// reading, sets of k faults have 1 - Elsewhere times their share between them, whatever
// was read: the product of odds is divided by their elementary symmetric polynomial. What
// the complaint does not concern is elsewhere, unless a reading speaks for it.
func (s *search) complaint(loci []Locus) (factors [4]float64) {
	e := symmetric{1}
	for l := range loci {
		if loci[l].Aside || s.concerned != nil && !s.concerned[l] {
			continue
		}
		w := 0.0
		for _, r := range loci[l].Modes {
			w += r.Odds
		}
		e.add(w)
	}
	none := clamp(s.p.Elsewhere, 1e-6, 1-1e-6)
	for k, share := range setShares {
		if e[k+1] > 0 {
			factors[k+1] = math.Log(share*(1-none)/(none*e[k+1])) - s.ev.swapped()
		}
	}
	return factors
}

// concerns tells which loci lie on a line that the complaint concerns; nil for all.
func (s *search) concerns(loci []Locus) []bool {
	if len(s.ev.Concerned) == 0 {
		return nil
	}
	on := make([]bool, len(s.m.Board.Nets))
	for _, n := range s.ev.Concerned {
		if !on[n] {
			for _, x := range s.m.Line(n) {
				on[x] = true
			}
		}
	}
	out := make([]bool, len(loci))
	for l := range loci {
		out[l] = slices.ContainsFunc(s.m.Nets(&loci[l].Change), func(n netlist.NetID) bool { return n != s.m.Board.Ground && on[n] })
	}
	return out
}

// neighbourReading is what a pin next to the one that was to be read shows.
type neighbourReading struct {
	volts, sd float64
	over      bool
}

// neighbours gives what the pins next to that of an observation show, as far as they were
// read in the same way, are ground, or are on nothing.
func (s *search) neighbours(o *Observation) (out []neighbourReading) {
	at := func(o *Observation) network.Contact {
		if o.Spot.Polarity == references.BlackOnGround {
			return o.Probe.Plus.Contact
		}
		return o.Probe.Minus.Contact
	}
	board := s.m.Board
	if o.Between || at(o) < 0 {
		return nil
	}
	pt := s.m.PointOf(at(o))
	if pt.Kind != netlist.PointPin {
		return nil
	}
	for _, pin := range board.Neighbours(pt.Pin) {
		c := s.m.PinContact(pin)
		switch n := s.m.Net(c); n {
		case board.Ground:
			out = append(out, neighbourReading{sd: missedSD})
		case netlist.None:
			out = append(out, neighbourReading{over: true})
		default:
			for i := range s.obs {
				x := &s.obs[i]
				if x.likewise(o) && at(x) == c {
					out = append(out, neighbourReading{x.Volts, math.Hypot(x.Noise.Own, o.Noise.Own), x.Over})
					break
				}
			}
		}
	}
	return out
}

// missed gives the density per volt of an observation taken beside the pad; of OL, the
// probability.
func (s *search) missed(i int) float64 {
	o := &s.obs[i]
	over, volts := missedOver, (1-missedOver)/outlierSpan
	near := s.neighbours(o)
	if len(near) > 0 {
		volts -= missedNeighbour / outlierSpan
	}
	for _, n := range near {
		share := missedNeighbour / float64(len(near))
		if n.over {
			over += share
		} else if !o.Over {
			volts += share * studentDensity((o.Volts-n.volts)/n.sd, fewDF) / n.sd
		}
	}
	if o.Over {
		return over
	}
	return volts
}

// findContacts adds, for each net of which one reading was out of range and another was
// not with the board as it lay, that a break was not there at the time of those that were
// in range.
func (s *search) findContacts() {
	out := func(k int) bool { return math.Abs(s.result.ZScore[k]) > outlierFrom }
	for i := range s.obs {
		a := &s.obs[i]
		if !out(i) || a.Between {
			continue
		}
		in, odds, first, contradicted := make([]uint64, s.words), math.Log(comesAndGoes), true, false
		for k := range s.obs {
			switch b := &s.obs[k]; {
			case !meet(a, b):
			case out(k):
				first = first && k >= i
				odds += float64(1+b.Repeats) * math.Log(1-NotThere)
			default:
				setBit(in, k)
				contradicted = contradicted || b.Edits.Equal(a.Edits)
			}
		}
		if first && contradicted {
			s.outliers = append(s.outliers, outlier{comes: true, obs: i, mask: in, odds: odds, own: s.alone(in, i)})
		}
	}
}

// vouched tells whether a good board's value stands for an observation as it is.
func (o *Observation) vouched() bool { return o.Known != nil && o.Edits.AsDrawn() && !o.Between }

// findOutliers adds the observations where the probe may have missed the pad, and the
// known-good values that may be wrong.
func (s *search) findOutliers() {
	s.findContacts()
	bySpot := map[int][]int{}
	spots := map[fit.Spot]int{} // the first outlier
	for i := range s.obs {
		o := &s.obs[i]
		if !s.isOutlier(i) {
			continue
		}
		density := math.Log(s.missed(i))
		mask := make([]uint64, s.words)
		setBit(mask, i)
		odds := s.p.Missed * math.Pow(missedTwice, float64(o.Repeats))
		s.outliers = append(s.outliers, outlier{mode: Missed, obs: i, mask: mask, odds: math.Log(odds), own: density, change: density - s.alone(mask, i)})
		if o.vouched() {
			if _, ok := spots[o.Spot]; !ok {
				spots[o.Spot] = i
			}
		}
	}
	for i := range s.obs { // a wrong value concerns all that was read there
		if k, ok := spots[s.obs[i].Spot]; ok && s.obs[i].vouched() {
			bySpot[k] = append(bySpot[k], i)
		}
	}
	for i := range s.obs {
		group := bySpot[i]
		if len(group) == 0 {
			continue
		}
		odds := s.p.DoubtfulSeveral
		if s.obs[i].Known.N <= 1 {
			odds = s.p.DoubtfulOne
		}
		odds = math.Max(odds, s.obs[i].Known.Doubt)
		for _, but := range append([]int{-1}, group...) { // but for one that missed the pad
			l := outlier{mode: Doubtful, obs: i, mask: make([]uint64, s.words), odds: math.Log(odds)}
			first := -1
			for _, o := range group {
				if o == but {
					continue
				}
				setBit(l.mask, o)
				if first < 0 {
					first = o
				}
			}
			if first < 0 || but >= 0 && !s.isOutlier(but) {
				continue
			}
			l.own = s.elsewhere(l.mask, first)
			l.change = l.own - s.alone(l.mask, first)
			s.outliers = append(s.outliers, l)
		}
	}
}
