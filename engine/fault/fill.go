package fault

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// twin names what a candidate does to the circuit: two capacitors between the
// same two nets do the same, and so do the joints at both ends of a part; one entry serves
// both. A part that the bench has worked on is a case by itself, because its fault goes
// with it.
type twin struct {
	effect network.Change
	lo, hi float64
	owner  netlist.PartID
}

func (s *search) twinOf(l *Locus) (twin, bool) {
	g, _ := gridOf(l)
	t := twin{l.Change, g.lo, g.hi, netlist.None}
	if len(s.obs) > 0 {
		t.effect = s.m.Effect(l.Change, s.obs[0].Edits, s.obs[0].Probe)
	}
	if o := l.Change.Owner; o != netlist.None && s.worked[o] {
		t.owner = o
	}
	switch {
	case l.Change.Kind == network.AddPath && l.Change.Cure.Kind == netlist.NoRepair:
		return t, true
	case l.Change.Kind == network.Detach && s.probed[l.Change.Contact]:
		return t, false
	}
	return t, s.asDrawn && !s.shared[l.Change]
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
	s.worked, s.probed, s.shared = map[netlist.PartID]bool{}, map[network.Contact]bool{}, map[network.Change]bool{}
	s.asDrawn = s.ph.untouched(s.obs)
	for i := range s.obs {
		o := &s.obs[i]
		for _, e := range o.Edits.List() {
			s.worked[e.Part] = true
		}
		s.probed[o.Probe.Plus.Contact], s.probed[o.Probe.Minus.Contact] = true, true
		for _, v := range o.sharings {
			s.shared[v.change] = true
		}
	}
	if err := s.entries(s.cands, s.fill); err != nil {
		return err
	}
	s.cands = slices.DeleteFunc(s.cands, func(c *candidate) bool { return len(c.entries) == 0 })
	s.weighed = map[company]*evidence{}
	s.met = map[[2]int]meeting{}
	return s.weighAll(s.cands)
}

// entries has the entries of candidates filled in, once for twins.
func (s *search) entries(cands []*candidate, fill func(once []*candidate) error) error {
	first := map[twin]*candidate{}
	var once []*candidate
	copies := map[*candidate]*candidate{}
	for _, c := range cands {
		if t, ok := s.twinOf(c.locus); ok {
			if f := first[t]; f != nil {
				copies[c] = f
				continue
			}
			first[t] = c
		}
		once = append(once, c)
	}
	if err := fill(once); err != nil {
		return err
	}
	for c, f := range copies {
		c.grid, c.open = f.grid, f.open
		c.entries, c.in, c.strong, c.moves = f.entries, f.in, f.strong, f.moves
	}
	return nil
}

// weighAll weighs each candidate alone, once for each class.
func (s *search) weighAll(cands []*candidate) error {
	s.classify(cands)
	leaders := make([]*candidate, 0, len(cands)) // one of each class
	for _, c := range cands {
		if c.class == len(leaders) {
			leaders = append(leaders, c)
		}
		odds := 0.0
		for _, r := range c.locus.Modes {
			odds += r.Odds * c.ratio
		}
		c.odds = math.Log(odds)
		if c.most = c.odds; c.warmed {
			most := math.Inf(-1)
			n := math.Ceil((c.grid.hi - c.grid.lo) * 2 * perDecade)
			for k := 0.0; k <= n; k++ { // both ends of the range are looked at
				x := c.grid.lo + (c.grid.hi-c.grid.lo)*k/math.Max(n, 1)
				most = math.Max(most, math.Log(s.warmRatio(c.locus, math.Pow(10, x))))
			}
			c.most += most
		}
	}
	// One block serves all that are weighed with the same observations, and one profile
	// all of one entry.
	blocks := map[string]int{}
	var lines [][]*candidate
	for _, c := range leaders {
		key := fmt.Sprint(c.in)
		n, ok := blocks[key]
		if !ok {
			n = len(lines)
			blocks[key], lines = n, append(lines, nil)
		}
		lines[n] = append(lines[n], c)
	}
	err := s.pool.Each(len(lines), func(_ *network.Workspace, n int) error {
		b := s.ph.Joint.block(lines[n][0].in, nil)
		known := map[*entry]profile{}
		for _, c := range lines[n] {
			if len(c.entries) == 0 {
				c.all = s.evidence(c, c.profile(b))
				continue
			}
			p, ok := known[&c.entries[0]]
			if !ok {
				p = c.profile(b)
				known[&c.entries[0]] = p
			}
			c.all = s.evidence(c, p)
		}
		return nil
	})
	for _, c := range cands {
		c.all = leaders[c.class].all
	}
	return err
}

// classify numbers the candidates by what sets them apart: twins with the same modes
// and looks, and no injection, score alike in any company.
func (s *search) classify(cands []*candidate) {
	members := map[*entry][]*candidate{} // by the first entry, nil for none
	n := 0
	for _, c := range cands {
		first := (*entry)(nil)
		if len(c.entries) > 0 {
			first = &c.entries[0]
		}
		c.class, c.warmed = -1, s.warmed(c.locus)
		if !c.warmed {
			for _, o := range members[first] {
				if o.ratio == c.ratio && o.locus.Series == c.locus.Series && slices.Equal(o.locus.Modes, c.locus.Modes) {
					c.class = o.class
				}
			}
		}
		if c.class < 0 {
			c.class = n
			n++
			if !c.warmed {
				members[first] = append(members[first], c)
			}
		}
	}
}

// weigh weighs a candidate beside an outlier, -1 for none, once for each class.
func (s *search) weigh(c *candidate, outlier int, skip []uint64) *evidence {
	key := company{c.class, outlier}
	e := s.weighed[key]
	if e == nil {
		x := s.weighing(c, skip)
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

// fill fills the entries of candidates that can move some outlier the way it is
// off; the others are left without any. The work goes observation by observation, as
// what the circuit of one reading comes to with one path or another is worked out
// from that reading (network.Workspace.Update).
func (s *search) fill(cands []*candidate) error {
	touched := s.touching(cands)
	helps := make([]atomic.Bool, len(cands))
	isOutlier := func(o int) bool { return s.isOutlier(o) && len(touched[o]) > 0 }
	err := s.watchEach(isOutlier, func(watch *Watch, o int) error {
		for _, k := range touched[o] {
			if helps[k].Load() {
				continue
			}
			can, err := s.helps(watch, cands[k], o)
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
	return s.enter(cands, touched, func(k int) bool { return helps[k].Load() })
}

// enter makes the entries of those candidates that are wanted, where touched lists them by
// observation.
func (s *search) enter(cands []*candidate, touched [][]int, wanted func(k int) bool) error {
	entries := make([][]*entry, len(s.obs)) // along with touched
	err := s.watchEach(func(o int) bool { return slices.ContainsFunc(touched[o], wanted) }, func(watch *Watch, o int) (err error) {
		entries[o] = make([]*entry, len(touched[o]))
		for i, k := range touched[o] {
			if wanted(k) {
				if entries[o][i], err = cands[k].tabulate(watch, o); err != nil {
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
				c := cands[touched[o][i]]
				c.entries = append(c.entries, *t)
			}
		}
	}
	for _, c := range cands {
		s.lines(c)
	}
	return nil
}

// lines works out which observations a candidate is weighed with: those that it moves
// by a share of what they vary by, and others of their lines that cannot be counted on.
func (s *search) lines(c *candidate) {
	in := map[int]bool{} // lines
	line := s.ph.Joint.line
	for i := range c.entries {
		t := &c.entries[i]
		in[line[t.obs]] = true
		setBit(c.in, t.obs)
		if t.strong {
			setBit(c.strong, t.obs)
			c.moves = append(c.moves, t.obs)
		}
	}
	for o := range s.obs {
		if !s.ph.Joint.doubtful(o) {
			continue
		}
		if in[line[o]] {
			setBit(c.in, o)
		}
		if slices.ContainsFunc(c.moves, func(k int) bool { return s.ph.Joint.near(o, k) }) {
			setBit(c.strong, o)
		}
	}
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

// helps tells whether a candidate can move an outlier the way it is off, by more
// than faintVolts. As a reading changes one way with the resistance, its worst case
// tells. Most loci on a shared supply are let go here.
func (s *search) helps(t *Watch, c *candidate, obs int) (bool, error) {
	above := s.result.ZScore[obs] > outlierFrom || s.ph.Joint.far[obs] > outlierFrom
	below := s.result.ZScore[obs] < -outlierFrom || s.ph.Joint.far[obs] < -outlierFrom
	if c.locus.Series && !above || !c.locus.Series && !below {
		if !t.o.Between {
			return false, nil
		}
	}
	change := []network.Change{c.locus.worst()}
	if t.o.sharingOf(&change[0]) != nil {
		return true, nil
	}
	sw := t.sweep(change)
	v, err := sw.volts()
	return err == nil && t.o.moved(v) > s.faint(obs), err
}

// faint is the change in volts of a reading that is not worth a candidate: that of a
// resistance is worked out more closely.
func (s *search) faint(obs int) float64 {
	return math.Min(faintVolts, 4*math.Max(s.obs[obs].Noise.Own, s.obs[obs].Noise.Leads))
}

// isOutlier tells whether a reading calls for candidates: by what other nets make of it, or
// by what the others of its line do.
func (s *search) isOutlier(obs int) bool {
	return math.Abs(s.result.ZScore[obs]) > outlierFrom || math.Abs(s.ph.Joint.far[obs]) > outlierFrom
}

// alone gives the logarithm of the density of some observations of one line on a good
// board, over that of none of them: what they have in the density of the line.
func (s *search) alone(mask []uint64, obs int) float64 {
	line := make([]uint64, s.words)
	for o := range s.obs {
		if s.ph.Joint.line[o] == s.ph.Joint.line[obs] {
			setBit(line, o)
		}
	}
	return s.ph.Joint.block(line, nil).base - s.ph.Joint.block(without(line, mask), mask).base
}

// candidate makes a candidate of a locus that may move some observations.
func (s *search) candidate(l *Locus, touched []int) *candidate {
	return &candidate{locus: l, ratio: s.ratio(l, touched), touched: touched, strong: make([]uint64, s.words), in: make([]uint64, s.words)}
}

// touching lists candidates by the observations that they touch, and readies their grids.
func (s *search) touching(cands []*candidate) [][]int {
	touched := make([][]int, len(s.obs))
	for k, c := range cands {
		c.grid, c.open = gridOf(c.locus)
		for _, o := range c.touched {
			touched[o] = append(touched[o], k)
		}
	}
	return touched
}

// ratio gives what looks, drops and presses make of a locus's odds, where it moves
// some observations.
func (s *search) ratio(l *Locus, moves []int) float64 {
	f := s.pressed(l, moves)
	for _, pin := range l.Pins[:l.NPins] {
		if look, ok := s.ev.PinLooks[pin]; ok {
			f *= s.p.LookRatio(look)
		}
	}
	for _, look := range s.ev.Looks[l.Part] {
		f *= s.p.LookRatio(look)
	}
	return f * s.dropped(l)
}
