package fault

import (
	"math"
	"slices"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Observation is one reading with what a good board would have shown.
type Observation struct {
	Probe   network.Probe
	Spot    fit.Spot
	Between bool          // both leads are on the board, and Spot is where one of them is
	Edits   netlist.Edits // the board at the time
	Volts   float64       // the reading between the leads; of no meaning when Over
	Over    bool          // the display showed OL
	Repeats int           // times that the same was read again
	// Session numbers the stretch of time in which the board stayed as warm as it was,
	// and Meter numbers the meter: what the reading has in common with others.
	Session, Meter int
	Matched        bool // compared with lines that should read alike
	Noise          Noise
	// Outliers is the share of such readings that nothing accounts for: one of
	// OutliersKnown, OutliersPredicted, OutliersOhms and OutliersUnknown.
	Outliers float64

	Known *fit.Known // what good boards read; nil where none was read
	// Good is what a board without the fault would have shown, given what all other
	// nets of this board read; filled in by Predict and Join.
	Good Prediction

	base      network.Reading
	row       row           // a good board's reading, before this board was read elsewhere
	zero      []share       // what the meter's zero and its leads add, whatever there is to read
	good      fit.Converted // what good boards read with this meter
	vouch     *vouch        // nil where good boards were read here, or nowhere near
	ratio     float64       // variance of good boards over what the model predicts
	freedom   float64       // degrees of freedom of how far it lies from a good board's
	sharings  []sharing     // filled in by Search
	nonlinear float64       // V, standard deviation beside what its row rests on, see Physics.nonlinearity
	ended     network.Ended
}

// Noise is what a meter adds to a reading. Its gain, its zero and its leads are the
// same for all readings of a session; the rest is each reading's own.
type Noise struct {
	Gain    float64 // share of the reading, standard deviation
	Current float64 // share of the test current, standard deviation
	Zero    float64 // V, standard deviation
	Leads   float64 // V, standard deviation of what leads and contacts add in resistance mode
	Own     float64 // V, standard deviation: resolution, last digit, and a floor for the model
}

// MeterNoise gives the noise of a meter in diode mode, from its accuracy: rectangular,
// a/sqrt(3) (JCGM 100:2008 4.3.7).
func MeterNoise(m references.Meter) Noise {
	return Noise{
		Gain:    m.Gain / math.Sqrt(3),
		Current: testCurrent,
		Zero:    m.Counts * m.Resolution / math.Sqrt(3),
		Own:     math.Hypot(m.Resolution*lastDigit, modelFloor),
	}
}

// Prediction is what a reading should be under some explanation.
type Prediction struct {
	Volts float64 // the mean, or the voltage that makes the display show OL
	Sigma float64 // V, scale of its Student t, without the meter's
	DF    float64 // degrees of freedom of its Student t
	// Something about a board may be otherwise than it is taken to be, as a load on a rail
	// that nobody drew: on the share Else of boards the scale is Wide, in V, instead, of a
	// normal distribution.
	Else, Wide float64
}

// SD gives the standard deviation in volts of boards that are as they are taken to be.
func (p Prediction) SD() float64 {
	if p.DF <= 2 {
		return p.Sigma
	}
	return p.Sigma * math.Sqrt(p.DF/(p.DF-2))
}

// Spread gives the standard deviation in volts of all boards, those included that are
// otherwise.
func (p Prediction) Spread() float64 {
	return math.Sqrt((1-p.Else)*square(p.SD()) + p.Else*square(p.Wide))
}

// density gives the density per volt of a reading with noise of its own, in V.
func (p Prediction) density(volts, noise float64) float64 {
	s, off := math.Hypot(p.Sigma, noise), volts-p.Volts
	sum := (1 - p.Else) * studentDensity(off/s, p.DF) / s
	if p.Else > 0 {
		s = math.Hypot(p.Wide, noise)
		sum += p.Else * math.Exp(-square(off/s)/2) / (s * math.Sqrt(2*math.Pi))
	}
	return sum
}

// upper gives the probability that a reading with noise of its own, in V, lies so many volts
// or more above the mean.
func (p Prediction) upper(off, noise float64) float64 {
	tail := func(scale, df float64) float64 {
		return references.StudentT{Scale: math.Hypot(scale, noise), DF: df}.Upper(off)
	}
	sum := tail(p.Sigma, p.DF)
	if p.Else > 0 {
		sum += p.Else * (tail(p.Wide, math.Inf(1)) - sum)
	}
	return sum
}

// Physics is what a prediction needs: the fitted board, and what the readings of the
// case say together.
type Physics struct {
	Posterior *fit.Posterior
	Values    *network.Values // settled
	Joint     *Joint          // nil where no reading was taken
}

// NewPhysics predicts with what good boards say, at network.RefCelsius.
func NewPhysics(p *fit.Posterior) *Physics {
	return &Physics{Posterior: p, Values: p.At(network.RefCelsius, nil)}
}

// like tells that a row rests on a part of what a good board's reading does, and on
// nothing else but a gap: of an observation of Joint, plus 1 (0 for none).
type like struct {
	obs       int
	part, gap float64
}

// row is a prediction before any other reading of the board is taken into account: a
// mean, and how it depends on everything that is not known.
type row struct {
	volts   float64 // the mean, or the voltage that makes the display show OL
	over    bool    // the display would show OL
	scale   float64 // of slopes
	slope   float64 // V per volt by which all junctions move
	slopes  []fit.Slope
	shared  []share     // in order of key
	own     float64     // V^2, variance of its own
	wrong   []fit.Wrong // values in the drawing
	instead instead     // see sharing
	loads   []railLoad  // of rails, that nobody drew
	rest    float64     // share of what a good board's reading rests on that is left
	like    like
	proj    *fit.Projection // of the slopes; nil where they are not held ready
}

// restsAs tells whether two rows rest on the same, whatever their means: they are of one
// node, or copies.
func (q row) restsAs(r row) bool {
	return q.like == r.like && q.own == r.own && q.scale == r.scale && q.instead == r.instead &&
		one(q.slopes, r.slopes) && one(q.shared, r.shared) && one(q.wrong, r.wrong) && one(q.loads, r.loads)
}

// one tells whether two slices are the same memory.
func one[T any](a, b []T) bool { return len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0]) }

// looseFrom gives it for an observation.
func (o *Observation) looseFrom() float64 {
	if o.Probe.Meter.Resistive {
		return looseNoise * o.Noise.Own
	}
	return looseFrom
}

// share is a standard deviation in volts that a row has from a cause which others have
// as well.
type share struct {
	key   int
	volts float64
}

// Keys of shared causes: of the board, sessions, meters and ICs, and, from keyNear on, of
// causes that tie readings together as one line: leads, resistances and spots.
const (
	keyBoard   = 0
	keySession = 1
	keyMeter   = keySession + 1<<20 // gain, zero and current
	keyLot     = keyMeter + 1<<20
	keyNear    = keyLot + 1<<24
	keyLeads   = keyNear
	keyOhms    = keyLeads + 1<<20
	keySpot    = keyOhms + 1<<24
)

// rowOf makes the row of the reading that w has just taken of an observation.
func (ph *Physics) rowOf(w *network.Workspace, o *Observation, r network.Reading) row {
	q := row{volts: r.Volts, over: r.Over, scale: 1, own: o.Noise.Own * o.Noise.Own}
	q.shared = make([]share, 0, 8)
	q.slopes, q.slope = ph.Posterior.Slopes(w, ph.Values.Celsius)
	// The mean of good boards has what each of those shared as well.
	both := 1.0
	if o.Known != nil && o.Known.N > 0 {
		both = math.Sqrt(1 + 1/float64(o.Known.N))
	}
	q.share(keyBoard, boardShift*both*q.slope)
	q.share(keySession+o.Session, sessionShift*both*q.slope)
	volts := math.Min(r.Volts, o.Probe.Meter.Over)
	q.share(keyMeter+3*o.Meter, o.Noise.Gain*volts)
	q.share(o.zeroKey(), o.Noise.Zero)
	q.share(keyLeads+o.Meter, o.Noise.Leads)
	ohmic := 0.0 // V across resistances
	ph.Posterior.OhmSlopes(w, func(e int32, slope float64) {
		ohmic += slope
		if volts := fit.Tolerance * both * slope; volts*volts < leastShare {
			q.own += volts * volts
		} else {
			q.share(keyOhms+int(e), volts)
		}
	})
	q.share(keyMeter+3*o.Meter+2, o.Noise.Current*both*ohmic)
	var trimmed float64
	q.slopes, trimmed = ph.Posterior.Trim(q.slopes, leastShare)
	q.own += trimmed
	ph.Posterior.Lots(q.slopes, func(part netlist.PartID, sum float64) {
		q.share(keyLot+int(part), lotShift*both*sum)
	})
	return q
}

// share adds a shared cause, unless it is nothing.
func (q *row) share(key int, volts float64) {
	if volts*volts < noVariance {
		return
	}
	k := len(q.shared)
	for k > 0 && q.shared[k-1].key > key {
		k--
	}
	if k > 0 && q.shared[k-1].key == key {
		q.shared[k-1].volts = math.Hypot(q.shared[k-1].volts, volts)
		return
	}
	q.shared = slices.Insert(q.shared, k, share{key, volts})
}

// proportion makes the row of a prediction of which only the mean is known: what it
// rests on is what a good board's reading does, in proportion to the voltage.
func (o *Observation) proportion(volts float64) row {
	q := o.row
	part := 0.0
	if !o.row.over {
		part = clamp(volts/math.Max(o.row.volts, 1e-3), 0, 1)
	}
	q.volts, q.over, q.loads = volts, volts > o.Probe.Meter.Over, o.loaded(volts)
	if q.like.obs > 0 {
		q.like.part, q.like.gap = part, o.gap(volts)
		return q
	}
	q.scale *= part
	q.shared = slices.Clone(q.shared)
	for i := range q.shared {
		q.shared[i].volts *= part
	}
	for _, x := range o.zero {
		q.share(x.key, x.volts*math.Sqrt(1-part*part)) // what of it is left above
	}
	q.share(o.spotKey(), o.gap(volts))
	return q
}

// loaded gives the loads on rails beside a fault that leaves so many volts: a path beside
// another moves what both leave by the square of that, the current being the same.
func (o *Observation) loaded(volts float64) []railLoad {
	share := square(clamp(volts/math.Max(o.row.volts, 1e-3), 0, 1))
	if len(o.row.loads) == 0 || share > 0.99 {
		return o.row.loads
	}
	var out []railLoad
	for _, x := range o.row.loads {
		if x.volts *= share; math.Abs(x.volts) > looseNoise*o.Noise.Own {
			out = append(out, x)
		}
	}
	return out
}

// gap gives what the model may get wrong of a prediction under a fault, in V: a share
// of the voltage across what the fault left in place, little where the reading is
// near 0, little where it is near that of a good board.
func (o *Observation) gap(volts float64) float64 {
	return modelGap * math.Min(math.Abs(volts-o.row.volts), math.Abs(math.Min(volts, 0.7)))
}

// noVariance is a variance in V^2 that is not worth counting: (10 microvolts)^2.
const noVariance = 1e-10

// inLine is covariance without what whole sessions and ICs share.
func (ph *Physics) inLine(a, b *row) float64 {
	switch {
	case len(a.slopes) == 0 || len(b.slopes) == 0:
		return 0
	case b.proj != nil:
		return a.scale * b.scale * ph.Posterior.Dot(a.slopes, b.proj)
	case a.proj != nil:
		return a.scale * b.scale * ph.Posterior.Dot(b.slopes, a.proj)
	}
	return a.scale * b.scale * ph.Posterior.Covariance(a.slopes, b.slopes)
}

// together sums what two rows share from a key on.
func together(a, b []share, from int) float64 {
	sum := 0.0
	for i, k := 0, 0; i < len(a) && k < len(b); {
		switch {
		case a[i].key < b[k].key:
			i++
		case a[i].key > b[k].key:
			k++
		default:
			if a[i].key >= from {
				sum += a[i].volts * b[k].volts
			}
			i++
			k++
		}
	}
	return sum
}

// zeroKey numbers the zero of a meter.
func (o *Observation) zeroKey() int { return keyMeter + 3*o.Meter + 1 }

// spotKey numbers a spot.
func (s *Observation) spotKey() int {
	n := int(s.Spot.Net)
	if s.Spot.Net == netlist.None {
		n = 1<<24 + int(s.Spot.Contact)
	}
	n = 4*n + int(s.Spot.Polarity)
	if s.Between {
		n = -n - 1
	}
	return keySpot + 1<<27 + n
}

// Converting gives the standard deviation in V of converting good boards' readings to the
// meter of the observation.
func (o *Observation) Converting() float64 { return math.Sqrt(o.good.Variance) }

// Moved gives by how many volts what other nets of this board read moves the prediction
// of a good board's reading.
func (o *Observation) Moved() float64 { return o.Good.Volts - o.row.volts }

// LogLikelihood gives the natural logarithm of the density (per volt) of the
// observation under a prediction; of OL, the logarithm of its probability times
// a density of 1 per volt, so that both kinds compare.
func (o *Observation) LogLikelihood(p Prediction) float64 {
	if o.Over {
		p.DF = math.Inf(1) // the display's limit against the spread of what is there
		tail := p.upper(o.Probe.Meter.Over-p.Volts, o.Noise.Own)
		return math.Log((1-o.Outliers)*tail + o.Outliers*outlierOver)
	}
	return math.Log((1-o.Outliers)*p.density(o.Volts, o.Noise.Own) + o.Outliers*(1-outlierOver)/outlierSpan)
}

// ZScore gives how far the observation lies from a prediction, in standard
// deviations of a normal: 0 is dead on. An OL lies as far off as the display's
// limit does.
func (o *Observation) ZScore(p Prediction) float64 {
	v := o.Volts
	if o.Over {
		if v = o.Probe.Meter.Over; p.Volts > v {
			return 0
		}
	}
	off := v - p.Volts
	return math.Copysign(normalTail(p.upper(math.Abs(off), o.Noise.Own)), off)
}

// Same tells whether the observation could not tell two predictions apart.
func (o *Observation) Same(a, b Prediction) bool {
	// beyond its limit the display shows one thing
	va, vb := math.Min(a.Volts, o.Probe.Meter.Over), math.Min(b.Volts, o.Probe.Meter.Over)
	s := math.Sqrt(a.Sigma*a.Sigma + b.Sigma*b.Sigma + 2*o.Noise.Own*o.Noise.Own)
	return math.Abs(va-vb) < sameSigmas*s
}

// likewise tells whether an observation against ground was taken as another: in the same
// polarity, with the same meter, on the board as it was then.
func (o *Observation) likewise(as *Observation) bool {
	return !o.Between && o.Spot.Polarity == as.Spot.Polarity && o.Meter == as.Meter && o.Probe.Meter == as.Probe.Meter && o.Edits.Equal(as.Edits)
}

// farOff is the deviate up to which one is worked out, and the tail of a
// normal beyond it.
const (
	farOff     = 12.0
	farOffTail = 1.7764821120776762e-33
)

// moved gives by how much a prediction differs from a good board's, in V as the display
// shows it.
func (o *Observation) moved(volts float64) float64 {
	limit := o.Probe.Meter.Over + 1
	return math.Abs(math.Min(volts, limit) - math.Min(o.row.volts, limit))
}
