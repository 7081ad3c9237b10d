package engine

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

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
func (e *Basis) probe(at netlist.Point, to *netlist.Point, pol references.Polarity, d network.Drive) network.Probe {
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

// ohmsNoise gives the noise of a meter in resistance mode where it shows so many ohms.
func ohmsNoise(m references.Meter, ohms float64) fault.Noise {
	_, slope := ohmsToVolts(ohmsDrive(m), ohms)
	return fault.Noise{
		Leads: slope * leadOhms,
		Own:   math.Max(slope*math.Hypot(contactOhms, math.Hypot(m.Gain, modelOhms)*ohms), leastNoise),
	}
}

// leastNoise is the least noise in volts of a resistance reading in its divider.
const leastNoise = 1e-6

// observation makes an observation of a reading.
func (e *Basis) observation(r journal.Read, meter references.Meter, edits netlist.Edits) fault.Observation {
	o := fault.Observation{Edits: edits, Spot: fit.SpotOf(e.model, r.At, r.Polarity), Between: r.To != nil, Over: r.Reading.Overload}
	if r.Reading.Unit == quantity.Ohm {
		d := ohmsDrive(meter)
		o.Probe = e.probe(r.At, r.To, r.Polarity, d)
		o.Odd = fault.OddPredicted
		o.Noise = fault.Noise{Own: 1e-4}
		if !o.Over {
			o.Volts, _ = ohmsToVolts(d, r.Reading.Value)
			o.Noise = ohmsNoise(meter, r.Reading.Value)
		}
		return o
	}
	o.Probe = e.probe(r.At, r.To, r.Polarity, fit.DriveOf(meter))
	o.Volts = r.Reading.Value
	o.Noise = fault.MeterNoise(meter)
	if r.To == nil {
		o.Known = e.known(o.Spot)
	}
	o.Odd = e.oddShare(&o)
	return o
}

// oddShare gives the share of readings like an observation that nothing accounts
// for.
func (e *Basis) oddShare(o *fault.Observation) float64 {
	switch {
	case o.Known != nil:
		return fault.OddKnown
	case e.posterior.Covers(o.Spot.Polarity):
		return fault.OddPredicted
	}
	return fault.OddUnknown
}

// known gives what good boards read at a spot, nil where none was read.
func (e *Basis) known(s fit.Spot) *fit.Known {
	k, ok := e.posterior.Known(s)
	if !ok {
		return nil
	}
	return &k
}

// observe turns the readings of a case into observations, in an order that does not
// depend on that of entry.
func (e *Basis) observe(c *journal.Case) (all []taken, obs []fault.Observation) {
	var meters []references.Meter // in an order of their own, whichever was used first
	for _, st := range c.Stages() {
		meters = append(meters, st.Meter)
	}
	slices.SortFunc(meters, func(a, b references.Meter) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) })
	var last time.Time
	session := 0
	for _, st := range c.Stages() {
		meter := slices.Index(meters, st.Meter)
		for _, ev := range st.Events {
			if ev.Kind.Edits() { // and heats the board
				session++
			} else if !ev.Time.IsZero() && !last.IsZero() && ev.Time.Sub(last) > cooled {
				session++
			}
			if !ev.Time.IsZero() {
				last = ev.Time
			}
			for _, r := range ev.Readings {
				t := taken{read: r, meter: st.Meter, edits: st.Edits, event: ev.Number, obs: -1}
				if r.At.Net != e.Board.Ground || r.To != nil {
					t.obs = len(obs)
					o := e.observation(r, st.Meter, st.Edits)
					o.Session, o.Meter = session, meter
					obs = append(obs, o)
				}
				all = append(all, t)
			}
		}
	}
	return all, e.order(all, obs)
}

// cooled is the time for which a board is taken to stay as warm as it is.
const cooled = 30 * time.Minute

// order sorts observations, and makes one of those that repeat another: the same point
// in the same state and session by the same meter, read as the same within the meter's
// noise.
func (e *Basis) order(all []taken, obs []fault.Observation) []fault.Observation {
	var of []int // in all, those that have an observation
	for i := range all {
		if all[i].obs >= 0 {
			of = append(of, i)
		}
	}
	slices.SortStableFunc(of, func(a, b int) int {
		x, y := &all[a], &all[b]
		p, q := &obs[x.obs], &obs[y.obs]
		return cmp.Or(
			cmp.Compare(p.Spot.Net, q.Spot.Net), cmp.Compare(p.Spot.Contact, q.Spot.Contact), cmp.Compare(p.Spot.Polarity, q.Spot.Polarity),
			strings.Compare(p.Edits.Key(), q.Edits.Key()), cmp.Compare(p.Session, q.Session), cmp.Compare(p.Meter, q.Meter),
			cmp.Compare(x.read.Reading.Unit, y.read.Reading.Unit), strings.Compare(x.read.ToName, y.read.ToName),
			compareBool(p.Over, q.Over), cmp.Compare(p.Volts, q.Volts), strings.Compare(x.read.Name, y.read.Name),
		)
	})
	var out []fault.Observation
	net := 0 // the first observation of the net in question
	for k, i := range of {
		t, o := &all[i], obs[all[i].obs]
		if k > 0 {
			if x := &all[of[k-1]]; out[x.obs].Session == o.Session && repeats(t, x, math.Abs(o.Volts-out[x.obs].Volts), o.Noise) {
				t.obs = x.obs
				out[x.obs].Repeats++
				continue
			}
		}
		if t.read.To == nil && t.read.Reading.Unit != quantity.Ohm && t.read.At.Net != netlist.None {
			if k > 0 && !sameNet(&out[len(out)-1], &o) || len(out) == 0 {
				net = len(out)
			}
			if at := alike(out[net:], &o, repeatVolts(t.meter, o.Volts)); at >= 0 {
				t.obs = net + at
				continue
			}
		}
		t.obs = len(out)
		out = append(out, o)
	}
	for i := range all {
		if t := &all[i]; t.obs >= 0 && out[t.obs].Known == nil && !t.ohmic() && t.read.To == nil {
			if out[t.obs].Matched = e.matched(t, all); out[t.obs].Matched {
				out[t.obs].Odd = fault.OddPredicted
			}
		}
	}
	return out
}

// Where a net was read at more pins than mostAlike, others that read the same within the
// meter's noise add next to nothing, and beyond mostPins none does: each costs as much
// as all before it.
const (
	mostAlike = 12
	mostPins  = 32
)

// sameNet tells whether two observations are of one net in one state, session and meter.
func sameNet(a, b *fault.Observation) bool {
	return !a.Between && a.Spot.Net == b.Spot.Net && a.Spot.Polarity == b.Spot.Polarity && a.Session == b.Session && a.Meter == b.Meter && a.Edits.Equal(b.Edits)
}

// alike gives the observation of a net that stands for another one as well, by its place
// among them; -1 for none.
func alike(of []fault.Observation, o *fault.Observation, tolerance float64) int {
	if len(of) < mostAlike {
		return -1
	}
	best, least := -1, math.Inf(1)
	for i := range of {
		off := math.Abs(of[i].Volts - o.Volts)
		if o.Over && of[i].Over {
			off = 0
		}
		if of[i].Over == o.Over && off < least {
			best, least = i, off
		}
	}
	if least > tolerance && len(of) < mostPins {
		return -1
	}
	return best
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// repeatVolts is how far two readings of the same lie apart at most, in volts.
func repeatVolts(m references.Meter, volts float64) float64 {
	return 3*m.Counts*m.Resolution + 0.002*volts
}

// repeats tells whether a reading that is so many volts away says another again.
func repeats(t, x *taken, away float64, n fault.Noise) bool {
	r := &t.read
	if r.At.Net == netlist.None || x.read.At != r.At || (r.To == nil) != (x.read.To == nil) || x.read.ToName != r.ToName ||
		x.read.Polarity != r.Polarity || x.meter != t.meter || x.read.Reading.Unit != r.Reading.Unit ||
		x.read.Reading.Overload != r.Reading.Overload || !x.edits.Equal(t.edits) {
		return false
	}
	if r.Reading.Unit == quantity.Ohm {
		return r.Reading.Overload || away <= 3*n.Own
	}
	return r.Reading.Overload || away <= repeatVolts(t.meter, r.Reading.Value)
}

// matched tells whether a reading can be compared with lines that should read alike:
// known good, or read on this board.
func (e *Basis) matched(t *taken, all []taken) bool {
	for _, group := range e.Board.Matched {
		if !slices.Contains(group, t.read.At.Net) {
			continue
		}
		for _, n := range group {
			if n == t.read.At.Net {
				continue
			}
			if _, ok := e.posterior.Known(fit.Spot{Net: n, Contact: network.NoContact, Polarity: t.read.Polarity}); ok {
				return true
			}
			if slices.ContainsFunc(all, func(x taken) bool {
				return x.obs >= 0 && x.read.At.Net == n && x.read.To == nil && x.read.Polarity == t.read.Polarity && !x.ohmic() && !x.read.Reading.Overload
			}) {
				return true
			}
		}
	}
	return false
}

// physics works out what the readings of a case say together.
func (e *Basis) physics(obs []fault.Observation) (*fault.Physics, error) {
	ph := &fault.Physics{Posterior: e.posterior, Values: e.posterior.At(network.RefCelsius, 0)}
	return ph, ph.Join(network.NewPool(e.model), obs)
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

func driveOf(st journal.Stage) network.Drive { return fit.DriveOf(st.Meter) }

func polarityOf(blackOnGround bool) references.Polarity {
	if blackOnGround {
		return references.BlackOnGround
	}
	return references.RedOnGround
}

// plain tells whether a reading was taken in diode mode, red probe on ground, of a board
// that lay as edits say.
func (t *taken) plain(edits netlist.Edits) bool {
	r := &t.read
	return t.obs >= 0 && r.To == nil && r.At.Net != netlist.None && r.Polarity == references.RedOnGround && r.Reading.Unit != quantity.Ohm && t.edits.Equal(edits)
}

// before gives the last reading of a point before it was read with a part pressed, nil
// where there is none.
func (q *inquiry) before(e *journal.Event, x *journal.Press, edits netlist.Edits) (last *taken) {
	for i := range q.taken {
		if t := &q.taken[i]; t.event < e.Number && t.read.At == x.Read.At && t.plain(edits) {
			last = t
		}
	}
	return last
}

// changed tells whether a point read otherwise with a part pressed than before.
func changed(t *taken, now *journal.Read) bool {
	was := t.read.Reading
	return was.Overload != now.Reading.Overload || !was.Overload && math.Abs(was.Value-now.Reading.Value) > repeatVolts(t.meter, was.Value)
}
