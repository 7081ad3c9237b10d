package coverage

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
)

// cluster is an ambiguity group under way: the likeliest band leads it, and at
// the resistances given all bands make the sweep read alike.
type cluster struct {
	bands []*band
	ohms  []float64
	odds  float64
}

// group gathers the bands that are seen into ambiguity groups. A band joins the
// likeliest group whose leader could make every pin read what the band makes it
// read in the middle of its range.
func (r *reaching) group() ([]*cluster, error) {
	var order []*band
	for _, b := range r.bands {
		if b.seen[usual].state != SeenNever {
			order = append(order, b)
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return order[i].odds > order[j].odds })
	w := network.NewWorkspace(r.Model)
	byPin := make([][]*cluster, len(r.pins))
	var all []*cluster
	for _, b := range order {
		var home *cluster
		for _, g := range byPin[b.by] {
			// a member tells the same as its leader, so that the leader stands for all
			ok, err := r.imitates(w, g.bands[0], b)
			if err != nil {
				return nil, err
			}
			if ok {
				home = g
				break
			}
		}
		if home == nil {
			home = &cluster{}
			all = append(all, home)
			for i, pin := range b.cause.pins {
				if r.sigmas(&r.sights[usual], pin, b.rep[i]) >= seenSigmas {
					byPin[pin] = append(byPin[pin], home)
				}
			}
		}
		ohms := b.ohms
		if len(home.bands) > 0 {
			// where it can, it takes the resistance that makes it like its leader
			l := home.bands[0]
			x, ok, err := r.match(w, b, l.by, l.at)
			if err != nil {
				return nil, err
			}
			if ok {
				ohms = x
			}
		}
		home.bands, home.ohms, home.odds = append(home.bands, b), append(home.ohms, ohms), home.odds+b.odds
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].odds > all[j].odds })
	total := 0.0
	for _, g := range all {
		total += g.odds
	}
	for n, g := range all {
		var faults []int
		for _, b := range g.bands {
			faults = append(faults, b.faults...)
		}
		sort.SliceStable(faults, func(i, j int) bool { return r.odds[faults[i]] > r.odds[faults[j]] })
		x := Group{Members: []string{}, Places: []string{}, Points: []Split{}, Share: g.odds / total}
		for _, f := range faults {
			r.out.Faults[f].Group = n + 1
			x.Members = append(x.Members, r.out.Faults[f].name())
			if !slices.Contains(x.Places, r.places[f]) {
				x.Places = append(x.Places, r.places[f])
			}
		}
		r.out.Groups = append(r.out.Groups, x)
	}
	return all, nil
}

// imitates tells whether band g, at some resistance at which it is seen, makes
// every pin read what band b makes it read in the middle of its own.
func (r *reaching) imitates(w *network.Workspace, g, b *band) (bool, error) {
	ohms, ok, err := r.match(w, g, b.by, b.at)
	if err != nil || !ok {
		return false, err
	}
	for i, pin := range b.cause.pins {
		x, y := b.rep[i], r.sights[usual].obs[pin].Good
		if place(g.cause.pins, pin) >= 0 {
			if y, err = r.under(w, usual, pin, g.cause, ohms); err != nil {
				return false, err
			}
		}
		if r.apart(pin, x, y) {
			return false, nil
		}
	}
	for _, pin := range g.cause.pins {
		if place(b.cause.pins, pin) >= 0 {
			continue
		}
		y, err := r.under(w, usual, pin, g.cause, ohms)
		if err != nil {
			return false, err
		}
		if r.apart(pin, r.sights[usual].obs[pin].Good, y) {
			return false, nil
		}
	}
	return true, nil
}

// place finds x in a sorted list, or gives -1.
func place(sorted []int, x int) int {
	if i, found := slices.BinarySearch(sorted, x); found {
		return i
	}
	return -1
}

// match finds the resistance, of those at which the band is seen, that makes a
// pin read as wanted, or the end of the range that comes nearest; ok is false
// where even that is distinguished.
func (r *reaching) match(w *network.Workspace, b *band, pin int, want fault.Prediction) (ohms float64, ok bool, err error) {
	i := place(b.cause.pins, pin)
	if i < 0 {
		return 0, false, nil
	}
	top := r.sights[usual].obs[pin].Probe.Meter.Over
	over := want.Volts > top
	from, to := b.visible()
	lo, hi := b.lows[i], b.high[i]
	switch {
	case over && lo.Volts > top && hi.Volts > top:
		return b.ohms, true, nil
	case over && (lo.Volts > top || hi.Volts > top):
		strong, _ := b.ends()
		return strong, true, nil
	case over:
		return 0, false, nil
	case (want.Volts-lo.Volts)*(want.Volts-hi.Volts) >= 0: // outside the range
		if math.Abs(want.Volts-lo.Volts) < math.Abs(want.Volts-hi.Volts) {
			return from, !r.apart(pin, want, lo), nil
		}
		return to, !r.apart(pin, want, hi), nil
	}
	up := hi.Volts > lo.Volts
	x, y := math.Log(from), math.Log(to)
	for y-x > math.Log(limitRatio) {
		mid := (x + y) / 2
		p, err := r.under(w, usual, pin, b.cause, math.Exp(mid))
		if err != nil {
			return 0, false, err
		}
		if math.Abs(p.Volts-want.Volts) < sameVolts {
			return math.Exp(mid), true, nil
		}
		if p.Volts < want.Volts == up {
			x = mid
		} else {
			y = mid
		}
	}
	return math.Exp((x + y) / 2), true, nil
}

// apart tells whether a pin's reading tells two predicted ones apart: by seenSigmas
// standard deviations, which is what tells a fault from a good board. The doubt
// about the board's junctions is common to both and so counts once. How far a
// fault moves a reading may be in great doubt, but not which way: what takes a
// path away raises it, what adds one lowers it. So two that are seen on either
// side of a good board's reading are apart.
func (r *reaching) apart(pin int, a, b fault.Prediction) bool {
	s := &r.sights[usual]
	o := &s.obs[pin]
	top := o.Probe.Meter.Over
	if a.Volts > top || b.Volts > top {
		return (a.Volts > top) != (b.Volts > top)
	}
	if (a.Volts-o.Good.Volts)*(b.Volts-o.Good.Volts) < 0 && r.sigmas(s, pin, a) >= seenSigmas && r.sigmas(s, pin, b) >= seenSigmas {
		return true
	}
	return math.Abs(a.Volts-b.Volts) > seenSigmas*math.Hypot(math.Max(a.Sigma, b.Sigma), o.Noise.Own)
}

// sameVolts is a difference in volts that no display of 1 mV shows.
const sameVolts = 2e-4
