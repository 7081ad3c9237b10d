// Package coverage tells which faults of a board a sweep of its connectors would show,
// which of them it could not tell apart, and the points that would split those.
package coverage

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// seenSigmas is the shift of a reading, in standard deviations, from which a fault counts
// as seen.
const seenSigmas = 3.0

// Bounds of the work (common practice, no source).
const (
	limitRatio   = 1.005 // to which the resistance where a fault vanishes is given
	listedSplits = 3     // points of a group
	splitPoints  = 24    // points tried for a group
	splitBands   = 40    // members distinguished in a group
	listedPoints = 24    // of the board
	leastGain    = 1e-4  // of a point worth listing, of all faults that are seen
	leastDoubt   = 1e-3  // of a point worth listing, of one group
)

// Of works out which faults a sweep of connector pins shows.
func Of(e *diagnose.Basis, q Request) (*Coverage, error) {
	if q.Meter == (references.Meter{}) {
		q.Meter = references.DefaultMeter()
	}
	r := &reaching{Basis: e, pool: network.NewPool(e.Model), met: map[netlist.NetID]meeting{}, out: &Coverage{Board: e.Board.Name, Revision: e.Board.Revision,
		Connectors: []string{}, Faults: []Fault{}, Groups: []Group{}, Points: []Point{}}}
	if err := r.sweep(q.Connectors); err != nil {
		return nil, err
	}
	if err := r.good(q.Meter); err != nil {
		return nil, err
	}
	r.faults()
	if err := r.touch(); err != nil {
		return nil, err
	}
	var mu sync.Mutex
	done, all := 0, int(sights)*len(r.pins)+len(r.causes)
	step := func() {
		if q.Progress != nil {
			mu.Lock()
			defer mu.Unlock()
			done++
			q.Progress(done, all)
		}
	}
	if err := r.strengths(step); err != nil {
		return nil, err
	}
	err := r.pool.Each(len(r.causes), func(w *network.Workspace, i int) error {
		defer step()
		return r.look(w, r.causes[i])
	})
	if err != nil {
		return nil, err
	}
	groups, err := r.group()
	if err != nil {
		return nil, err
	}
	if err := r.split(groups); err != nil {
		return nil, err
	}
	r.summarise()
	return r.out, nil
}

// sweep lists the pins to read.
func (r *reaching) sweep(connectors []string) error {
	if len(connectors) == 0 {
		for c := range r.Board.Connectors {
			connectors = append(connectors, r.Board.Connectors[c].Name)
		}
	}
	for _, name := range connectors {
		c, err := r.Board.ConnectorByName(name)
		if err != nil {
			return err
		}
		if slices.Contains(r.out.Connectors, name) {
			continue
		}
		r.out.Connectors = append(r.out.Connectors, name)
		for _, p := range r.Board.Pins(c) {
			if p.Net != netlist.None && p.Net != r.Board.Ground {
				r.pins = append(r.pins, p)
			}
		}
	}
	if len(r.pins) == 0 {
		return fmt.Errorf("%s: no connector pin leads anywhere but to ground, so a sweep shows nothing; give the pins of the connectors their nets", r.Board.File)
	}
	r.out.Pins = len(r.pins)
	return nil
}

// good works out what a good board reads in each sight, and what a whole sweep of it
// says of what its readings share.
func (r *reaching) good(m references.Meter) error {
	w := network.NewWorkspace(r.Model)
	for k := range r.sights {
		s := &r.sights[k]
		s.ph = fault.NewPhysics(r.Posterior)
		pol := references.RedOnGround
		if k == swapped || k == ohmsBlack {
			pol = references.BlackOnGround
		}
		s.meter, s.ohms = m, k >= ohmsRed
		for _, p := range r.pins {
			o := fault.Observation{Spot: fit.SpotOf(r.Model, p, pol)}
			if s.ohms {
				o.Probe = r.Probe(p, nil, pol, diagnose.OhmsDrive(m))
			} else {
				o.Probe, o.Known, o.Noise = r.Probe(p, nil, pol, fit.DriveOf(m)), r.Known(o.Spot), fault.MeterNoise(m)
				if o.Known != nil && k == usual {
					r.out.Known++
				}
			}
			if err := s.ph.Predict(w, &o); err != nil {
				return err
			}
			if o.Volts, o.Over = o.Good.Volts, o.Good.Volts > o.Probe.Meter.Over; s.ohms {
				o.Noise = diagnose.OhmsNoise(m, diagnose.VoltsToOhms(o.Probe.Meter, math.Min(o.Volts, o.Probe.Meter.Over)), diagnose.ModelOhms)
			}
			s.obs = append(s.obs, o)
		}
		if err := s.ph.Join(r.pool, s.obs); err != nil {
			return err
		}
	}
	return nil
}

// faults lists what can go wrong and gathers it into causes.
func (r *reaching) faults() {
	r.loci = fault.Loci(r.Model, r.Priors, r.Posterior.Values)
	byKey := map[network.Change]*cause{}
	next := 0 // locus
	add := func(l *fault.Locus) {
		c, series := r.canonical(l)
		key := c
		key.Owner, key.Cure = netlist.None, netlist.Repair{}
		if key.Kind == network.AddPath {
			key.A, key.B = network.Place{Net: min(c.A.Net, c.B.Net)}, network.Place{Net: max(c.A.Net, c.B.Net)}
		}
		ca := byKey[key]
		if ca == nil {
			whole := *l
			whole.Change, whole.Series = c, series
			ca = &cause{locus: &whole}
			byKey[key] = ca
			r.causes = append(r.causes, ca)
		}
		for _, m := range l.Modes {
			b := ca.band(m.Lo, m.Hi)
			b.odds += m.Odds
			b.faults = append(b.faults, len(r.out.Faults))
			r.fault(l, m.Mode, m.Odds)
		}
	}
	for i := range r.Board.Parts {
		id := netlist.PartID(i)
		r.currentless(id)
		for ; next < len(r.loci) && r.loci[next].Part == id; next++ {
			add(&r.loci[next])
		}
	}
	for ; next < len(r.loci); next++ {
		add(&r.loci[next])
	}
	for _, c := range r.causes {
		r.bands = append(r.bands, c.bands...)
	}
}

// canonical gives a locus's change in the form that all loci share which make
// the same circuit: the joint of a part's only element there is a resistance in
// that element.
func (r *reaching) canonical(l *fault.Locus) (c network.Change, series bool) {
	c = l.Change
	if c.Kind == network.Detach && l.Part != netlist.None {
		if on := r.Model.ContactElements(c.Contact); len(on) == 1 && r.Model.Elements[on[0]].Class == network.Resistive {
			return network.Change{Kind: network.Cut, Element: on[0], Owner: c.Owner}, true
		}
	}
	return c, l.Series
}

// fault adds a fault to the answer.
func (r *reaching) fault(l *fault.Locus, mode fault.Mode, odds float64) {
	at := r.Report(&fault.Fault{Locus: l, Mode: mode})
	f := Fault{Part: at.Part, Terminal: at.Terminal, Mode: at.Mode, At: at.At, Range: SeenNever}
	if l.Part != netlist.None && at.Terminal == "" {
		// parts with several ways through them need to be told which
		p := &r.Board.Parts[l.Part]
		way := func(a, b int32) string {
			return fmt.Sprintf("%s.%s to %s.%s", p.Name, p.Terminals[a].Name, p.Name, p.Terminals[b].Name)
		}
		switch from, to := r.Model.PartElements(l.Part); {
		case l.Other >= 0 && len(p.Terminals) > 2:
			f.At = way(l.Terminal, l.Other)
		case l.Change.Kind == network.Cut && to-from > 1 && len(p.Terminals) > 2:
			el := &r.Model.Elements[l.Change.Element]
			f.At = way(r.Model.Terminal(el.A).Terminal, r.Model.Terminal(el.B).Terminal)
		}
	}
	r.out.Faults = append(r.out.Faults, f)
	r.odds = append(r.odds, odds)
	r.places = append(r.places, l.Name(r.Board))
}

// currentless adds the open of a part through which no direct current passes, so
// that the answer owns up to it.
func (r *reaching) currentless(id netlist.PartID) {
	p := &r.Board.Parts[id]
	from, to := r.Model.PartElements(id)
	odds := r.Priors.Kinds[p.Kind.String()].Odds("open") * r.Priors.Access[p.Access.String()]
	if from != to || network.Pinned(p.Kind) || odds <= 0 {
		return
	}
	r.out.Faults = append(r.out.Faults, Fault{Part: p.Name, Mode: fault.Open.String(), At: p.Name, Range: SeenNever, Why: WhyNoCurrent})
	r.odds = append(r.odds, odds)
	r.places = append(r.places, p.Name)
}

// touch finds the pins that each cause could move, and what readings pass by
// each net.
func (r *reaching) touch() error {
	return r.spreadSights(func(w *network.Workspace, k int) error {
		s := &r.sights[k]
		var st network.State
		for i := range s.obs {
			if err := s.ph.Predict(w, &s.obs[i]); err != nil {
				return err
			}
			for _, c := range r.causes {
				if c.locus.Touches(w, &st, s.ph.Values) {
					c.touched[k] = append(c.touched[k], i)
				}
			}
			if k != usual {
				continue
			}
			o := &s.obs[i]
			over := o.Good.Volts > o.Probe.Meter.Over
			for n := range r.Board.Nets {
				n := netlist.NetID(n)
				if _, reached := w.VoltsAt(network.Place{Net: n, Contact: network.NoContact}, &st); reached && n != r.Board.Ground {
					m := r.met[n]
					r.met[n] = meeting{m.drops || !over, m.unknown || r.guessed(o)}
				}
			}
		}
		return nil
	})
}

// spreadSights does work for each sight; sights share nothing that is written.
func (r *reaching) spreadSights(work func(w *network.Workspace, k int) error) error {
	return r.pool.Each(int(sights), work)
}

// strengths works out how far each cause moves the pins that it touches at its
// strongest, pin by pin (see fault.Watch), and calls step after each.
func (r *reaching) strengths(step func()) error {
	type touch struct {
		cause *cause
		n     int // in touched
	}
	var touches [sights][][]touch // by pin
	for k := range touches {
		touches[k] = make([][]touch, len(r.pins))
	}
	for _, c := range r.causes {
		c.strongest, _ = c.bands[0].ends()
		for _, b := range c.bands {
			if strong, _ := b.ends(); (strong > c.strongest) == c.locus.Series {
				c.strongest = strong
			}
		}
		for k := range c.touched {
			c.sigmas[k] = make([]float64, len(c.touched[k]))
			for n, pin := range c.touched[k] {
				touches[k][pin] = append(touches[k][pin], touch{c, n})
			}
		}
	}
	return r.pool.Each(int(sights)*len(r.pins), func(w *network.Workspace, i int) error {
		defer step()
		k, pin := i/len(r.pins), i%len(r.pins)
		if len(touches[k][pin]) == 0 {
			return nil
		}
		watch, err := r.sights[k].ph.Watch(w, &r.sights[k].obs[pin])
		if err != nil {
			return err
		}
		for _, t := range touches[k][pin] {
			p, err := watch.Under([]network.Change{t.cause.locus.At(t.cause.strongest)})
			if err != nil {
				return err
			}
			t.cause.sigmas[k][t.n] = r.sigmas(&r.sights[k], pin, p)
		}
		return nil
	})
}

// look finds what each sight shows of a cause. A reading changes one way with the
// resistance, so pins that the cause's strongest resistance does not move enough
// to be seen count for none of its bands.
func (r *reaching) look(w *network.Workspace, c *cause) error {
	best, most := -1, 0.0
	for k := range r.sights {
		zs := map[int]float64{} // by pin of shows
		for n, pin := range c.touched[k] {
			z := c.sigmas[k][n]
			if z >= seenSigmas {
				c.shows[k], zs[pin] = append(c.shows[k], pin), z
			}
			if k == usual && (best < 0 || z > most) {
				best, most = pin, z
			}
		}
		if k == usual {
			c.pins = append([]int(nil), c.shows[k]...)
		}
		slices.SortStableFunc(c.shows[k], func(a, b int) int { return cmp.Compare(zs[b], zs[a]) })
	}
	for _, b := range c.bands {
		for k := range r.sights {
			if err := r.limit(w, k, b); err != nil {
				return err
			}
		}
		b.ohms = b.middle()
		pins := c.pins
		if b.seen[usual].state == SeenNever {
			if pins = nil; best >= 0 {
				pins = []int{best}
			}
		}
		if b.seen[usual].state != SeenWhole {
			b.why = r.why(b)
		}
		if err := r.show(w, b, pins); err != nil {
			return err
		}
	}
	return nil
}

// show works out what pins read in the middle of a band and, where it is seen, at
// its ends.
func (r *reaching) show(w *network.Workspace, b *band, pins []int) error {
	for _, pin := range pins {
		p, err := r.under(w, usual, pin, b.cause, b.ohms)
		if err != nil {
			return err
		}
		z := r.sigmas(&r.sights[usual], pin, p)
		if b.by < 0 || z > b.sig+1e-9 || z > b.sig-1e-9 && r.shift(pin, p) > r.shift(b.by, b.at)*1.02 {
			b.by, b.at, b.sig = pin, p, z
		}
		if b.seen[usual].state == SeenNever {
			continue
		}
		lo, hi := p, p
		if from, to := b.visible(); from != to {
			if lo, err = r.under(w, usual, pin, b.cause, from); err != nil {
				return err
			}
			if hi, err = r.under(w, usual, pin, b.cause, to); err != nil {
				return err
			}
		}
		b.rep, b.lows, b.high = append(b.rep, p), append(b.lows, lo), append(b.high, hi)
	}
	return nil
}

// limit finds the part of a band that a sight shows: one stretch from the end
// that shows most, as readings change one way with the resistance. Bisection on
// the real circuit finds where it stops.
func (r *reaching) limit(w *network.Workspace, k int, b *band) error {
	pins := b.cause.shows[k]
	sees := func(ohms float64) (bool, error) {
		for i, pin := range pins {
			p, err := r.under(w, k, pin, b.cause, ohms)
			if err != nil {
				return false, err
			}
			if r.sigmas(&r.sights[k], pin, p) >= seenSigmas {
				pins[0], pins[i] = pins[i], pins[0] // likely to see the next one, too
				return true, nil
			}
		}
		return false, nil
	}
	b.seen[k] = visible{state: SeenNever}
	strong, weak := b.ends()
	if ok, err := sees(weak); ok || err != nil {
		b.seen[k].state = SeenWhole
		return err
	}
	if strong == weak {
		return nil
	}
	if ok, err := sees(strong); !ok || err != nil {
		return err
	}
	yes, no := math.Log(strong), math.Log(weak)
	for math.Abs(no-yes) > math.Log(limitRatio) {
		mid := (yes + no) / 2
		ok, err := sees(math.Exp(mid))
		if err != nil {
			return err
		}
		if ok {
			yes = mid
		} else {
			no = mid
		}
	}
	b.seen[k] = visible{SeenPart, math.Exp(yes)}
	return nil
}
