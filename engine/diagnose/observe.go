package diagnose

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

// Taken is one reading of a case with its observation for the search.
type Taken struct {
	Read  journal.Read
	meter references.Meter
	Edits netlist.Edits
	event int
	Obs   int // index of its observation, -1 where nothing follows from it
}

// Ohmic tells whether a reading is a net's resistance to ground.
func (t *Taken) Ohmic() bool {
	return t.Obs >= 0 && t.Read.To == nil && t.Read.At.Net != netlist.None && t.Read.Reading.Unit == quantity.Ohm
}

// Probe puts a meter's leads down as a reading says.
func (e *Basis) Probe(at netlist.Point, to *netlist.Point, pol references.Polarity, d network.Drive) network.Probe {
	p := fit.ProbeAt(e.Model, e.Model.PlaceOf(at), pol, d)
	if to == nil {
		return p
	}
	if other := e.Model.PlaceOf(*to); pol == references.BlackOnGround {
		p.Minus = other
	} else {
		p.Plus = other
	}
	return p
}

// OhmsDrive is what a meter drives in resistance mode: its open voltage behind a
// resistance, from which it tells the resistance between the leads as a divider.
// Real meters change range; a divider does the same over all ranges at once.
func OhmsDrive(m references.Meter) network.Drive {
	d := network.Drive{Resistive: true, Current: m.OhmsCurrent, Open: m.OhmsOpen}
	d.Over = d.Open * m.OhmsOver / (m.OhmsOver + d.Open/d.Current)
	return d
}

// OhmsToVolts gives the voltage between the leads when so many ohms are between
// them, and its slope in volts per ohm.
func OhmsToVolts(d network.Drive, ohms float64) (volts, slope float64) {
	source := d.Open / d.Current
	sum := ohms + source
	return d.Open * ohms / sum, d.Open * source / (sum * sum)
}

// VoltsToOhms is the inverse of ohmsToVolts.
func VoltsToOhms(d network.Drive, volts float64) float64 {
	if volts >= d.Open {
		return math.Inf(1)
	}
	return d.Open / d.Current * volts / (d.Open - volts)
}

// OhmsNoise gives the noise of a meter in resistance mode where it shows so many ohms; model
// is the share by which the circuit may be off.
func OhmsNoise(m references.Meter, ohms, model float64) fault.Noise {
	_, slope := OhmsToVolts(OhmsDrive(m), ohms)
	return fault.Noise{
		Leads: slope * LeadOhms,
		Own:   math.Max(slope*math.Hypot(ContactOhms, math.Hypot(m.Gain, model)*ohms), LeastNoise),
	}
}

// ModelShare gives the share by which the circuit may be off at so many ohms between two
// nets: ModelOhms, and what nobody drew may lead around them.
func (e *Basis) ModelShare(a, b netlist.NetID) func(ohms float64) float64 {
	around := leakageOhms
	if e.Posterior.LacksIC(a) || e.Posterior.LacksIC(b) {
		if around = pinsOhms; e.Board.Nets[a].Rail || e.Board.Nets[b].Rail {
			around = supplyOhms
		}
	}
	return func(ohms float64) float64 { return math.Hypot(ModelOhms, ohms/around) }
}

// observation makes an observation of a reading.
func (e *Basis) observation(r journal.Read, meter references.Meter, edits netlist.Edits) fault.Observation {
	o := fault.Observation{Edits: edits, Spot: fit.SpotOf(e.Model, r.At, r.Polarity), Between: r.To != nil, Over: r.Reading.Overload}
	if r.Reading.Unit == quantity.Ohm {
		d := OhmsDrive(meter)
		o.Probe = e.Probe(r.At, r.To, r.Polarity, d)
		if o.Outliers = fault.OutliersOhms; r.To != nil && r.At.SamePart(*r.To) {
			o.Outliers = fault.OutliersPredicted
		}
		o.Noise = fault.Noise{Own: 1e-4}
		if !o.Over {
			o.Volts, _ = OhmsToVolts(d, r.Reading.Value)
			share := ModelOhms
			if r.To != nil {
				share = e.ModelShare(r.At.Net, r.To.Net)(r.Reading.Value)
			}
			o.Noise = OhmsNoise(meter, r.Reading.Value, share)
		}
		return o
	}
	o.Probe = e.Probe(r.At, r.To, r.Polarity, fit.DriveOf(meter))
	o.Volts = r.Reading.Value
	o.Noise = fault.MeterNoise(meter)
	if r.To == nil {
		o.Known = e.Known(o.Spot)
	}
	o.Outliers = e.outlierShare(&o)
	return o
}

// outlierShare gives the share of readings like an observation that nothing accounts
// for.
func (e *Basis) outlierShare(o *fault.Observation) float64 {
	switch {
	case o.Known != nil:
		return fault.OutliersKnown
	case e.Posterior.Covers(o.Spot.Polarity):
		return fault.OutliersPredicted
	}
	return fault.OutliersUnknown
}

// Known gives what good boards read at a spot, nil where none was read.
func (e *Basis) Known(s fit.Spot) *fit.Known {
	k, ok := e.Posterior.Known(s)
	if !ok {
		return nil
	}
	return &k
}

// onGround gives the verdict on what a meter reads on ground.
func onGround(r quantity.Reading, m references.Meter) Verdict {
	v := r.Value
	switch inOhms := r.Unit == quantity.Ohm; {
	case r.Overload:
		return IsOpen
	case inOhms && v > groundOhms+VerdictSigmas*math.Hypot(LeadOhms, m.Gain*v), !inOhms && math.Abs(v) > shortVolts:
		return High
	}
	return Agrees
}

// observe turns the readings of a case into observations, in an order that does not
// depend on that of entry.
func (e *Basis) observe(c *journal.Case) (all []Taken, obs []fault.Observation) {
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
				t := Taken{Read: r, meter: st.Meter, Edits: st.Edits, event: ev.Number, Obs: -1}
				// On ground a pad of a part tells that its joint is good, and a pin that reads
				// otherwise in diode mode that the probe may have missed it.
				pin := r.At.Kind == netlist.PointPin && r.Reading.Unit != quantity.Ohm && onGround(r.Reading, st.Meter) != Agrees
				if r.At.Net != e.Board.Ground || r.At.Kind == netlist.PointTerminal || pin || r.To != nil {
					t.Obs = len(obs)
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

// order sorts observations, and makes one of those that repeat another: the same point
// in the same state and session by the same meter, read as the same within the meter's
// noise.
func (e *Basis) order(all []Taken, obs []fault.Observation) []fault.Observation {
	var of []int // in all, those that have an observation
	for i := range all {
		if all[i].Obs >= 0 {
			of = append(of, i)
		}
	}
	slices.SortStableFunc(of, func(a, b int) int {
		x, y := &all[a], &all[b]
		p, q := &obs[x.Obs], &obs[y.Obs]
		return cmp.Or(
			cmp.Compare(p.Spot.Net, q.Spot.Net), cmp.Compare(p.Spot.Contact, q.Spot.Contact), cmp.Compare(p.Spot.Polarity, q.Spot.Polarity),
			strings.Compare(p.Edits.Key(), q.Edits.Key()), cmp.Compare(p.Session, q.Session), cmp.Compare(p.Meter, q.Meter),
			cmp.Compare(x.Read.Reading.Unit, y.Read.Reading.Unit), strings.Compare(x.Read.ToName, y.Read.ToName),
			CompareBool(p.Over, q.Over), cmp.Compare(p.Volts, q.Volts), strings.Compare(x.Read.Name, y.Read.Name),
		)
	})
	var out []fault.Observation
	net := 0 // the first observation of the net in question
	for k, i := range of {
		t, o := &all[i], obs[all[i].Obs]
		if k > 0 {
			if x := &all[of[k-1]]; out[x.Obs].Session == o.Session && repeats(t, x, math.Abs(o.Volts-out[x.Obs].Volts), o.Noise) {
				t.Obs = x.Obs
				out[x.Obs].Repeats++
				continue
			}
		}
		if t.Read.To == nil && t.Read.Reading.Unit != quantity.Ohm && t.Read.At.Net != netlist.None {
			if k > 0 && !sameNet(&out[len(out)-1], &o) || len(out) == 0 {
				net = len(out)
			}
			if at := alike(out[net:], &o, repeatVolts(t.meter, o.Volts)); at >= 0 {
				t.Obs = net + at
				continue
			}
		}
		t.Obs = len(out)
		out = append(out, o)
	}
	for i := range all {
		if t := &all[i]; t.Obs >= 0 && out[t.Obs].Known == nil && !t.Ohmic() && t.Read.To == nil {
			if out[t.Obs].Matched = e.matched(t, all); out[t.Obs].Matched {
				out[t.Obs].Outliers = fault.OutliersPredicted
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

// CompareBool puts false before true.
func CompareBool(a, b bool) int {
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
func repeats(t, x *Taken, away float64, n fault.Noise) bool {
	r := &t.Read
	if r.At.Net == netlist.None || x.Read.At != r.At || (r.To == nil) != (x.Read.To == nil) || x.Read.ToName != r.ToName ||
		x.Read.Polarity != r.Polarity || x.meter != t.meter || x.Read.Reading.Unit != r.Reading.Unit ||
		x.Read.Reading.Overload != r.Reading.Overload || !x.Edits.Equal(t.Edits) {
		return false
	}
	if r.Reading.Unit == quantity.Ohm {
		return r.Reading.Overload || away <= 3*n.Own
	}
	return r.Reading.Overload || away <= repeatVolts(t.meter, r.Reading.Value)
}

// matched tells whether a reading can be compared with lines that should read alike:
// known good, or read on this board.
func (e *Basis) matched(t *Taken, all []Taken) bool {
	for _, group := range e.Board.Matched {
		if !slices.Contains(group, t.Read.At.Net) {
			continue
		}
		for _, n := range group {
			if n == t.Read.At.Net {
				continue
			}
			if _, ok := e.Posterior.Known(fit.Spot{Net: n, Contact: network.NoContact, Polarity: t.Read.Polarity}); ok {
				return true
			}
			if slices.ContainsFunc(all, func(x Taken) bool {
				return x.Obs >= 0 && x.Read.At.Net == n && x.Read.To == nil && x.Read.Polarity == t.Read.Polarity && !x.Ohmic() && !x.Read.Reading.Overload
			}) {
				return true
			}
		}
	}
	return false
}

// physics works out what the readings of a case say together.
func (e *Basis) physics(obs []fault.Observation) (*fault.Physics, error) {
	ph := fault.NewPhysics(e.Posterior)
	return ph, ph.Join(network.NewPool(e.Model), obs)
}

// firstOf finds the first reading of an observation.
func firstOf(all []Taken, obs int) int {
	for i := range all {
		if all[i].Obs == obs {
			return i
		}
	}
	return -1
}

// DriveOf is what the meter of a stage drives in diode mode.
func DriveOf(st journal.Stage) network.Drive { return fit.DriveOf(st.Meter) }

func polarityOf(blackOnGround bool) references.Polarity {
	if blackOnGround {
		return references.BlackOnGround
	}
	return references.RedOnGround
}

// Plain tells whether a reading was taken in diode mode, red probe on ground, of a board
// that lay as edits say.
func (t *Taken) Plain(edits netlist.Edits) bool {
	r := &t.Read
	return t.Obs >= 0 && r.To == nil && r.At.Net != netlist.None && r.Polarity == references.RedOnGround && r.Reading.Unit != quantity.Ohm && t.Edits.Equal(edits)
}

// before gives the last reading of a point before it was read with a part pressed, nil
// where there is none.
func (q *Inquiry) before(e *journal.Event, x *journal.Press, edits netlist.Edits) (last *Taken) {
	for i := range q.Taken {
		if t := &q.Taken[i]; t.event < e.Number && t.Read.At == x.Read.At && t.Plain(edits) {
			last = t
		}
	}
	return last
}

// changed tells whether a point read otherwise with a part pressed than before.
func changed(t *Taken, now *journal.Read) bool {
	was := t.Read.Reading
	return was.Overload != now.Reading.Overload || !was.Overload && math.Abs(was.Value-now.Reading.Value) > repeatVolts(t.meter, was.Value)
}
