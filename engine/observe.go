package engine

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// taken is one reading of a case with its observation for the search.
type taken struct {
	read  journal.Read
	meter references.Meter
	edits netlist.Edits
	event int
	obs   int // index of its observation, -1 where nothing can be told from it
}

// ohmic tells whether a reading is a net's resistance to ground.
func (t *taken) ohmic() bool {
	return t.obs >= 0 && t.read.To == nil && t.read.At.Net != netlist.None && t.read.Reading.Unit == quantity.Ohm
}

// probe puts a meter's leads down as a reading says.
func (e *Engine) probe(at netlist.Point, to *netlist.Point, pol references.Polarity, d network.Drive) network.Probe {
	p := fit.ProbeAt(e.model, e.model.PlaceOf(at), pol, d)
	if to == nil {
		return p
	}
	if other := e.model.PlaceOf(*to); pol == references.BlackOnGround {
		p.Minus = other
	} else {
		p.Plus = other
	}
	return p
}

// ohmsDrive is what a meter drives in resistance mode: its open voltage behind a
// resistance, from which it tells the resistance between the leads as a divider.
// Real meters change range; a divider does the same over all ranges at once.
func ohmsDrive(m references.Meter) network.Drive {
	d := network.Drive{Resistive: true, Current: m.OhmsCurrent, Open: m.OhmsOpen}
	d.Over = d.Open * m.OhmsOver / (m.OhmsOver + d.Open/d.Current)
	return d
}

// ohmsToVolts gives the voltage between the leads when so many ohms are between
// them, and its slope in volts per ohm.
func ohmsToVolts(d network.Drive, ohms float64) (volts, slope float64) {
	source := d.Open / d.Current
	sum := ohms + source
	return d.Open * ohms / sum, d.Open * source / (sum * sum)
}

// voltsToOhms is the inverse of ohmsToVolts.
func voltsToOhms(d network.Drive, volts float64) float64 {
	if volts >= d.Open {
		return math.Inf(1)
	}
	return d.Open / d.Current * volts / (d.Open - volts)
}

// Uncertainty of a resistance reading: leads and contact, and the model's
// (common practice, no source).
const (
	leadOhms  = 0.3
	modelOhms = 0.02 // share
	// What is left of leadOhms in the difference of two readings with the same leads:
	// contacts, and a display in steps of 0.1 ohm.
	contactOhms = 0.07
)

// observation makes an observation of a reading.
func (e *Engine) observation(r journal.Read, meter references.Meter, edits netlist.Edits) fault.Observation {
	o := fault.Observation{Edits: edits, Spot: fit.SpotOf(e.model, r.At, r.Polarity), Over: r.Reading.Overload}
	if r.Reading.Unit == quantity.Ohm {
		d := ohmsDrive(meter)
		o.Probe = e.probe(r.At, r.To, r.Polarity, d)
		o.Misfit = 1e-5
		o.Floor = 1e-4
		o.Odd = fault.OddPredicted
		if !o.Over {
			v, slope := ohmsToVolts(d, r.Reading.Value)
			o.Volts = v
			o.Floor = slope * math.Hypot(leadOhms, meter.Gain*r.Reading.Value)
			o.Misfit = math.Max(slope*modelOhms*r.Reading.Value, 1e-6)
		}
		return o
	}
	o.Probe = e.probe(r.At, r.To, r.Polarity, fit.DriveOf(meter))
	o.Volts = r.Reading.Value
	o.Gain, o.Floor, o.Misfit = fault.MeterNoise(meter)
	if r.To == nil {
		o.Known = e.known(o.Spot)
	}
	o.Odd = e.oddShare(&o)
	return o
}

// oddShare gives the share of readings like an observation that nothing accounts
// for.
func (e *Engine) oddShare(o *fault.Observation) float64 {
	switch {
	case o.Known != nil:
		return fault.OddKnown
	case e.posterior.Covers(o.Spot.Polarity):
		return fault.OddPredicted
	}
	return fault.OddUnknown
}

// known gives what good boards read at a spot, nil where none was read.
func (e *Engine) known(s fit.Spot) *fit.Known {
	k, ok := e.posterior.Known(s)
	if !ok {
		return nil
	}
	return &k
}

// matchedSpread is the standard deviation in volts between lines that should read
// alike (common practice, no source).
const matchedSpread = 0.015

// observe turns the readings of a case into observations. Lines that no good
// board was read at are compared with lines that should read alike: against what
// good boards read there, or else against this board's own readings.
func (e *Engine) observe(c *journal.Case) (all []taken, obs []fault.Observation) {
	for _, st := range c.Stages() {
		for _, ev := range st.Events {
			for _, r := range ev.Readings {
				t := taken{read: r, meter: st.Meter, edits: st.Edits, event: ev.Number, obs: -1}
				switch same := e.repeat(&t, all, obs); {
				case r.At.Net == e.Board.Ground && r.To == nil:
				case same >= 0:
					t.obs = same
					obs[same].Repeats++
				default:
					t.obs = len(obs)
					obs = append(obs, e.observation(r, st.Meter, st.Edits))
				}
				all = append(all, t)
			}
		}
	}
	for i := range all {
		t := &all[i]
		if t.obs < 0 || t.read.To != nil || t.read.Reading.Unit == quantity.Ohm || !t.edits.AsDrawn() || obs[t.obs].Known != nil {
			continue
		}
		e.holdMatched(t, all, &obs[t.obs])
	}
	e.pairLeads(all, obs)
	for i := range all {
		if t := &all[i]; t.obs >= 0 && e.vague(t, &obs[t.obs]) {
			obs[t.obs].Vague = true
		}
	}
	return all, obs
}

// pairLeads holds resistances to ground against the last that was read before on the
// same net, or at the other end of a part of few ohms, with the same leads and the
// board the same.
func (e *Engine) pairLeads(all []taken, obs []fault.Observation) {
	for i := range all {
		t := &all[i]
		if !t.ohmic() || t.read.Reading.Overload {
			continue
		}
		near := map[netlist.NetID]bool{t.read.At.Net: true}
		e.model.Neighbours(t.read.At.Net, func(el int32, other netlist.NetID) {
			near[other] = near[other] || e.posterior.Values.Ohms[el] < endsOhms
		})
		for j := i - 1; j >= 0; j-- {
			x := &all[j]
			if x.ohmic() && !x.read.Reading.Overload && near[x.read.At.Net] && x.meter == t.meter && x.read.Polarity == t.read.Polarity && x.edits.Equal(t.edits) {
				shareLeads(&obs[t.obs], &obs[x.obs], t.meter, t.read.Reading.Value)
				break
			}
		}
	}
}

// shareLeads makes of a resistance, in ohms, how much it differs from the one before.
func shareLeads(o, before *fault.Observation, m references.Meter, ohms float64) {
	_, slope := ohmsToVolts(ohmsDrive(m), ohms)
	o.SameLeads, o.Peer, o.PeerVolts, o.LeadVolts = true, before.Probe, before.Volts, 3*leadOhms*slope
	o.Floor = slope * math.Hypot(contactOhms, m.Gain*ohms)
}

// repeat finds an observation that a reading says again: the same point in the
// same state by the same meter, read as the same within the meter's noise. Two
// such readings err together, so they count as one; -1 where there is none.
func (e *Engine) repeat(t *taken, all []taken, obs []fault.Observation) int {
	r := &t.read
	if r.To != nil || r.At.Net == netlist.None || r.Reading.Unit == quantity.Ohm {
		return -1
	}
	for i := range all {
		x := &all[i]
		if x.obs < 0 || x.read.To != nil || x.read.At != r.At || x.read.Polarity != r.Polarity || x.meter != t.meter ||
			x.read.Reading.Unit != r.Reading.Unit || x.read.Reading.Overload != r.Reading.Overload || !x.edits.Equal(t.edits) {
			continue
		}
		noise := 3*t.meter.Counts*t.meter.Resolution + 0.002*r.Reading.Value
		if r.Reading.Overload || math.Abs(x.read.Reading.Value-r.Reading.Value) <= noise {
			return x.obs
		}
	}
	return -1
}

// firstOf finds the first reading of an observation.
func firstOf(all []taken, obs int) int {
	for i := range all {
		if all[i].obs == obs {
			return i
		}
	}
	return -1
}

// holdMatched gives an observation a known-good value out of lines that should read
// alike.
func (e *Engine) holdMatched(t *taken, all []taken, o *fault.Observation) {
	for _, group := range e.Board.Matched {
		if !slices.Contains(group, t.read.At.Net) {
			continue
		}
		var own []*taken
		over := 0
		for _, n := range group {
			if n == t.read.At.Net {
				continue
			}
			if k, ok := e.posterior.Known(fit.Spot{Net: n, Contact: network.NoContact, Polarity: t.read.Polarity}); ok && k.Overload < 0.5 {
				k.Scale = math.Hypot(k.Scale, matchedSpread)
				k.DF = math.Min(k.DF, 4)
				peer := o.Probe
				at := e.model.PlaceOf(netlist.NetPoint(n))
				if peer.Minus == e.model.GroundPlace() {
					peer.Plus = at
				} else {
					peer.Minus = at
				}
				o.Known, o.Peer, o.PeerOffset, o.Matched = &k, peer, k.Offset, true
				return
			}
			for i := range all {
				x := &all[i]
				if x.read.At.Net != n || x.read.To != nil || x.read.Polarity != t.read.Polarity || !x.edits.AsDrawn() || x.read.Reading.Unit == quantity.Ohm {
					continue
				}
				if x.read.Reading.Overload {
					over++
				} else {
					own = append(own, x)
				}
			}
		}
		if len(own) == 0 || over > len(own) {
			continue
		}
		if worst := spreadOf(own, t); worst < disagree {
			continue // they bear each other out, and tell nothing more
		}
		sort.SliceStable(own, func(a, b int) bool { return own[a].read.Reading.Value < own[b].read.Reading.Value })
		peer := own[len(own)/2]
		o.Matched, o.OwnPeer = true, true
		o.Peer = e.probe(peer.read.At, nil, peer.read.Polarity, o.Probe.Meter)
		o.Known = &fit.Known{Center: peer.read.Reading.Value, Scale: matchedSpread * math.Sqrt2, DF: 4, Meter: t.meter}
		return
	}
}

// disagree is the difference in volts from which lines that should read alike do
// not (common practice, no source).
const disagree = 0.05

// spreadOf gives the largest difference of a reading from others.
func spreadOf(others []*taken, t *taken) float64 {
	worst := 0.0
	for _, x := range others {
		if t.read.Reading.Overload {
			return math.Inf(1)
		}
		worst = math.Max(worst, math.Abs(x.read.Reading.Value-t.read.Reading.Value))
	}
	return worst
}

// Between these, in volts, a reading in a polarity that no good board was read in
// tells nothing: what an unpowered board drops upwards varies too much from
// design to design. Only a short or an open can be told.
const (
	vagueFrom = 0.12
)

// vague tells whether a reading is of that sort.
func (e *Engine) vague(t *taken, o *fault.Observation) bool {
	return o.Known == nil && t.read.To == nil && t.read.Reading.Unit == quantity.Volt && !o.Over &&
		o.Volts > vagueFrom && !e.posterior.Covers(o.Spot.Polarity)
}

// The case's own temperature is rarely written down. A board 5 K warmer reads
// 10 mV less at every junction, and so does a meter that drives a little less
// than it says.
const (
	shiftPrior = 0.008 // V, standard deviation of the common shift before any reading
	shiftReach = 0.05  // V, beyond which a reading says nothing of it
)

// physics fits the common shift of all junction drops of this board: the median
// over the readings that rest on junctions, drawn to 0 by its prior. The median
// leaves the shift alone where fewer than half the lines are faulty.
func (e *Engine) physics(obs []fault.Observation) (*fault.Physics, error) {
	ph := &fault.Physics{Posterior: e.posterior, Values: e.posterior.At(network.RefCelsius, 0)}
	w := network.NewWorkspace(e.model)
	var offs []float64
	var plain []*fault.Observation
	spread := e.posterior.Spread
	for i := range obs {
		o := &obs[i]
		if o.Over || o.Known == nil || !o.Edits.AsDrawn() || o.Matched && o.Known.N == 0 {
			continue
		}
		if err := ph.Predict(w, o); err != nil {
			return nil, err
		}
		if o.Known.N > 0 && !math.IsNaN(o.Known.Scale) && o.Good.Volts > 0.1 && !o.Matched {
			plain = append(plain, o)
		}
		if off := o.Volts - o.Good.Volts; o.Good.Slope > 0.5 && math.Abs(off) < shiftReach {
			offs = append(offs, off/o.Good.Slope)
		}
	}
	if len(offs) == 0 {
		ph.Doubt = shiftPrior / 2
		return ph, nil
	}
	sort.Float64s(offs)
	n := float64(len(offs))
	median := (offs[(len(offs)-1)/2] + offs[len(offs)/2]) / 2
	// the median of n normal values varies by 1.2533 sigma / sqrt(n)
	v := 1.5708 * spread * spread / n
	weight := shiftPrior * shiftPrior / (shiftPrior*shiftPrior + v)
	ph.Shift = weight * median
	ph.Doubt = math.Sqrt(weight * v)
	ph.Values = e.posterior.At(network.RefCelsius, ph.Shift)
	ph.Evenness, ph.Readings = evenness(plain, ph.Shift)
	return ph, nil
}

// Weights, in degrees of freedom, of what the library says of the spread of boards,
// and the most that this board's own readings may say: points differ.
const (
	libraryDF = 8.0
	ownDF     = 12.0
)

// evenness learns from this board's own readings how far they lie from those of
// good boards, as a share of what was expected: most of its lines are good, and
// with one good board in the library they know the spread better than it does. The
// median of their distances, which the faulty lines hardly move, is 0.6745 standard
// deviations of a normal; as an estimate of the spread it is worth 0.37 of its
// readings (Hampel 1974, from memory).
func evenness(obs []*fault.Observation, shift float64) (share, df float64) {
	byNet := map[fit.Spot]bool{} // pins of one net say one thing
	var far []float64
	for _, o := range obs {
		if !byNet[o.Spot] {
			byNet[o.Spot] = true
			far = append(far, math.Abs(o.Volts-o.Good.Volts-shift*o.Good.Slope)/o.Expected())
		}
	}
	if len(far) < leastFar {
		return 1, 0
	}
	sort.Float64s(far)
	own := (far[(len(far)-1)/2] + far[len(far)/2]) / 2 / 0.6745
	df = math.Min(0.37*float64(len(far)), ownDF)
	return math.Sqrt((libraryDF + df*own*own) / (libraryDF + df)), df
}

// leastFar is the number of lines from which on they say something of the spread.
const leastFar = 5
