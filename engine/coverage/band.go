package coverage

import (
	"math"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The ways of reading a pin.
const (
	usual   = iota // diode mode, red lead on ground
	swapped        // diode mode, black lead on ground
	ohmsRed        // resistance mode, red lead on ground
	ohmsBlack
	sights
)

// sight is one way of reading all pins. Its observations hold what a good board
// reads.
type sight struct {
	meter references.Meter
	ohms  bool
	obs   []fault.Observation
	ph    *fault.Physics
}

// cause is a place and manner of going wrong as the circuit has it: loci that
// make the same circuit are one cause.
type cause struct {
	locus   *fault.Locus
	bands   []*band
	touched [sights][]int // pins that it could move
	// sigmas is by how many standard deviations it moves each of them at strongest,
	// the resistance in ohms that shows most.
	sigmas    [sights][]float64
	strongest float64
	shows     [sights][]int // of them, those that it moves enough at its strongest
	pins      []int         // shows[usual], in order
}

// band is a range of a cause's resistance that some fault's mode covers, with
// what the sweep shows there.
type band struct {
	cause  *cause
	lo, hi float64 // ohms; both +Inf for an open
	odds   float64
	faults []int // of Coverage.Faults

	seen [sights]visible
	// Where seen, by cause.pins: what they read at ohms, and at the ends of the
	// range that is seen.
	rep, lows, high []fault.Prediction

	ohms float64
	by   int              // the pin that shows most at ohms, -1 for none
	at   fault.Prediction // what it reads
	sig  float64
	why  string
}

// visible is how much of a band one sight shows.
type visible struct {
	state string
	limit float64 // ohms at which it vanishes, where state is SeenPart
}

// reaching is the work on one question.
type reaching struct {
	*diagnose.Basis
	pool   *network.Pool
	pins   []netlist.Point
	sights [sights]sight
	loci   []fault.Locus
	causes []*cause
	bands  []*band
	odds   []float64 // by fault
	places []string  // by fault
	met    map[netlist.NetID]meeting
	out    *Coverage
}

// meeting tells which readings of a sweep pass by a net.
type meeting struct{ drops, unknown bool }

// band finds the band of a range, or makes it.
func (c *cause) band(lo, hi float64) *band {
	for _, b := range c.bands {
		if b.lo == lo && b.hi == hi {
			return b
		}
	}
	b := &band{cause: c, lo: lo, hi: hi, by: -1}
	c.bands = append(c.bands, b)
	return b
}

// guessed tells that a reading has nothing to be compared with but a guess; see
// Engine.vague.
func (r *reaching) guessed(o *fault.Observation) bool {
	return o.Known == nil && !o.Probe.Meter.Resistive && !r.Posterior.Covers(o.Spot.Polarity)
}

// sigmas gives how far a predicted reading lies from a good board's, in standard
// deviations of a normal. Where a good board's reading is but a guess, a reading
// is distinguished from it only as a short or an open (common practice, no source).
func (r *reaching) sigmas(s *sight, pin int, p fault.Prediction) float64 {
	o := s.obs[pin]
	o.Volts, o.Over = p.Volts, p.Volts > o.Probe.Meter.Over
	if s.ohms && !o.Over {
		o.Noise = diagnose.OhmsNoise(s.meter, diagnose.VoltsToOhms(o.Probe.Meter, p.Volts), diagnose.ModelOhms)
	}
	return math.Abs(o.ZScore(o.Good))
}

func (r *reaching) under(w *network.Workspace, k, pin int, c *cause, ohms float64) (fault.Prediction, error) {
	change := [1]network.Change{c.locus.At(ohms)}
	return r.sights[k].ph.Under(w, &r.sights[k].obs[pin], change[:])
}

// shift is how far a pin's display moves, in volts; beyond OL it moves no more.
func (r *reaching) shift(pin int, p fault.Prediction) float64 {
	o := &r.sights[usual].obs[pin]
	return math.Abs(math.Min(p.Volts, o.Probe.Meter.Over) - math.Min(o.Good.Volts, o.Probe.Meter.Over))
}

// ends gives the resistances of a band that show most and least.
func (b *band) ends() (strong, weak float64) {
	if b.cause.locus.Series {
		return b.hi, b.lo
	}
	return b.lo, b.hi
}

// visible gives the range of resistance in which the sweep sees a band.
func (b *band) visible() (lo, hi float64) {
	v := b.seen[usual]
	switch {
	case v.state != SeenPart:
		return b.lo, b.hi
	case b.cause.locus.Series:
		return v.limit, b.hi
	}
	return b.lo, v.limit
}

// middle is the middle, by ratio, of what the sweep sees of a band; where it sees
// nothing, the end that shows most.
func (b *band) middle() float64 {
	if b.seen[usual].state == SeenNever || math.IsInf(b.lo, 1) {
		strong, _ := b.ends()
		return strong
	}
	lo, hi := b.visible()
	return math.Sqrt(lo * hi)
}
