package fault

import (
	"math"
	"slices"
	"sync/atomic"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// twin names what a candidate does to the circuit: two capacitors between the
// same two nets do the same, and one entry serves both. A part that the bench has
// worked on is a case by itself, because its fault goes with it.
type twin struct {
	a, b   netlist.NetID
	lo, hi float64
	owner  netlist.PartID
}

func (s *search) twinOf(l *Locus) (twin, bool) {
	if l.Change.Kind != network.AddPath {
		return twin{}, false
	}
	g, _ := gridOf(l)
	t := twin{l.Change.A.Net, l.Change.B.Net, g.lo, g.hi, netlist.None}
	if t.a > t.b {
		t.a, t.b = t.b, t.a
	}
	if o := l.Change.Owner; o != netlist.None && s.worked[o] {
		t.owner = o
	}
	return t, l.Change.Cure.Kind == netlist.NoRepair || s.ph.untouched(s.obs)
}

// untouched tells whether the bench had done nothing at every observation.
func (ph *Physics) untouched(obs []Observation) bool {
	for i := range obs {
		if obs[i].Edits.Key() != "" {
			return false
		}
	}
	return true
}

// tabulate fills all entries, on every processor.
func (s *search) tabulate() error {
	s.worked = map[netlist.PartID]bool{}
	for i := range s.obs {
		for _, e := range s.obs[i].Edits.List() {
			s.worked[e.Part] = true
		}
	}
	first := map[twin]*candidate{}
	var once []*candidate
	copies := map[*candidate]*candidate{}
	for _, c := range s.cands {
		if t, ok := s.twinOf(c.locus); ok {
			if f := first[t]; f != nil {
				copies[c] = f
				continue
			}
			first[t] = c
		}
		once = append(once, c)
	}
	if err := s.fill(once); err != nil {
		return err
	}
	for c, f := range copies {
		c.grid, c.fine, c.open = f.grid, f.fine, f.open
		c.entries, c.strong, c.weak, c.moves = f.entries, f.strong, f.weak, f.moves
		c.sum, c.openSum = f.sum, f.openSum
	}
	s.cands = slices.DeleteFunc(s.cands, func(c *candidate) bool { return len(c.entries) == 0 })
	s.classify()
	for _, c := range s.cands {
		if s.warmed(c.locus) {
			c.felt = make([]float64, c.fine)
			for k := range c.felt {
				c.felt[k] = math.Log(s.felt(c.locus, math.Pow(10, c.grid.value(k, c.fine))))
			}
		}
		c.all = *s.weigh(c, -1, nil)
		odds := 0.0
		for _, r := range c.locus.Modes {
			odds += r.Odds * c.factor
		}
		c.odds = math.Log(odds)
		if c.most = c.odds; len(c.felt) > 0 {
			c.most += slices.Max(c.felt)
		}
	}
	return nil
}

// classify numbers the candidates by what sets them apart: twins with the same modes
// and looks, and no injection, score alike in any company.
func (s *search) classify() {
	members := map[*entry][]*candidate{}
	n := 0
	for _, c := range s.cands {
		c.class = -1
		if !s.warmed(c.locus) {
			for _, o := range members[&c.entries[0]] {
				if o.factor == c.factor && o.locus.Series == c.locus.Series && slices.Equal(o.locus.Modes, c.locus.Modes) {
					c.class = o.class
				}
			}
		}
		if c.class < 0 {
			c.class = n
			n++
			members[&c.entries[0]] = append(members[&c.entries[0]], c)
		}
	}
	s.weighed = map[company]*evidence{}
	s.met = map[[2]int]meeting{}
}

// weigh is candidate.weigh beside an outlier, -1 for none, once for each class.
func (s *search) weigh(c *candidate, outlier int, skip []uint64) *evidence {
	key := company{c.class, outlier}
	e := s.weighed[key]
	if e == nil {
		x := c.weigh(s.obs, s.result.Base, skip)
		e = &x
		s.weighed[key] = e
	}
	return e
}

// company is a class of candidates and the outlier that it is weighed beside.
type company struct{ class, outlier int }

// meeting is what is known of candidates of two classes together.
type meeting struct {
	bound  float64
	solved *set // nil until it is
}

// fill fills the entries of candidates that can move some odd reading the way it is
// off; the others are left without any. The work goes observation by observation, as
// what the circuit of one reading comes to with one path or another is worked out
// from that reading (network.Workspace.Beside).
func (s *search) fill(cands []*candidate) error {
	touched := make([][]int, len(s.obs)) // by observation: candidates
	for k, c := range cands {
		c.grid, c.open = gridOf(c.locus)
		c.fine = c.grid.count(finePerDecade)
		for _, o := range c.touched {
			touched[o] = append(touched[o], k)
		}
	}
	helps := make([]atomic.Bool, len(cands))
	isOdd := func(o int) bool { return math.Abs(s.result.ZScore[o]) > odd && len(touched[o]) > 0 }
	err := s.watchEach(isOdd, func(watch *Watch, o int) error {
		for _, k := range touched[o] {
			if helps[k].Load() {
				continue
			}
			can, err := s.helps(watch, cands[k], s.result.ZScore[o] > 0)
			if err != nil {
				return err
			}
			if can {
				helps[k].Store(true)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	entries := make([][]*entry, len(s.obs)) // by observation, along with touched
	isMoved := func(o int) bool {
		return slices.ContainsFunc(touched[o], func(k int) bool { return helps[k].Load() })
	}
	err = s.watchEach(isMoved, func(watch *Watch, o int) (err error) {
		entries[o] = make([]*entry, len(touched[o]))
		for i, k := range touched[o] {
			if helps[k].Load() {
				if entries[o][i], err = cands[k].tabulate(watch, o, s.result.ZScore[o]); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for o := range entries {
		for i, t := range entries[o] {
			if t != nil {
				cands[touched[o][i]].take(t)
			}
		}
	}
	return s.pool.Each(len(cands), func(_ *network.Workspace, k int) error {
		if c := cands[k]; len(c.entries) > 0 {
			c.gather(s.obs, s.result.Base)
		}
		return nil
	})
}

// watchEach does work on a watch of each observation that is wanted, on every processor.
func (s *search) watchEach(wanted func(o int) bool, work func(t *Watch, o int) error) error {
	return s.pool.Each(len(s.obs), func(w *network.Workspace, o int) error {
		if !wanted(o) {
			return nil
		}
		watch, err := s.ph.Watch(w, &s.obs[o])
		if err != nil {
			return err
		}
		return work(watch, o)
	})
}

// helps tells whether a candidate can move an odd reading the way it is off, by more
// than faintVolts. As a reading changes one way with the resistance, its worst case
// tells. Most loci on a shared supply are let go here.
func (s *search) helps(t *Watch, c *candidate, above bool) (bool, error) {
	if above != c.locus.Series && !t.o.paired() {
		return false, nil
	}
	change := []network.Change{c.locus.worst()}
	if t.o.veilOf(&change[0]) != nil {
		return true, nil
	}
	sw := t.sweep(change)
	v, err := sw.volts()
	return err == nil && math.Abs(math.Min(v, 3)-math.Min(t.o.Good.Volts, 3)) > faintVolts, err
}
