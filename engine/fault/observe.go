package fault

import (
	"fmt"
	"math"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Observation is one reading with what a good board would have shown.
type Observation struct {
	Probe   network.Probe
	Spot    fit.Spot
	Edits   netlist.Edits // the board at the time
	Volts   float64       // the reading between the leads; of no meaning when Over
	Over    bool          // the display showed OL
	Repeats int           // times that the same was read again
	// The meter's own standard uncertainty is the root of (Gain*v)^2 + Floor^2.
	Gain, Floor float64
	Vague       bool // tells nothing of faults; kept for the record
	// Odd is the share of such readings that nothing accounts for: one of
	// OddKnown, OddPredicted and OddUnknown.
	Odd float64
	// Misfit is the least standard deviation in volts of what the model
	// predicts.
	Misfit float64

	// Of a board without the fault; filled in by Predict.
	Good  Prediction
	Known *fit.Known // nil where no good board was read
	// Matched tells that Known comes from another line that should read alike, and
	// Peer where that is. OwnPeer tells that Known.Center is this board's own
	// reading there, which a fault may have moved as well.
	Matched    bool
	Peer       network.Probe
	PeerOffset float64 // V, Known.Offset of the other line
	OwnPeer    bool
	// SameLeads tells that the reading was taken in resistance mode with the leads
	// that showed PeerVolts at Peer. What leads and contacts add is in both, from
	// nothing to LeadVolts; so the second says by how much it differs from the first.
	SameLeads            bool
	PeerVolts, LeadVolts float64
	base                 network.Reading
	peerSlope            float64 // Prediction.Slope of the other line on a good board
	inflate              float64 // of the variance; see PredictAll
	ratio                float64 // spread of good boards over what the model predicts
	veils                []veil  // filled in by Search
	ended                network.Ended
}

// Prediction is what a reading should be under some explanation.
type Prediction struct {
	Volts float64 // the mean, or the voltage that makes the display show OL
	Sigma float64 // V, standard deviation without the meter's
	DF    float64 // degrees of freedom of its Student t
	Slope float64 // V per volt by which all junctions move
}

// Physics is what a prediction needs: the fitted board at the case's temperature.
type Physics struct {
	Posterior *fit.Posterior
	Values    *network.Values // settled
	Shift     float64         // V by which all drops of this board were moved
	Doubt     float64         // V, standard deviation of Shift
	// Evenness is how far this board's readings lie from those of good boards, as
	// a share of what the library alone lets one expect, and Readings how many
	// degrees of freedom that was learnt with; 1 and 0 where nothing was.
	Evenness, Readings float64
}

// modelGap is the standard deviation that is granted to the model, as a share of
// the reading or of the difference that a fault makes, whichever is less: the
// shape of junction curves and the tolerance of parts (common practice, no
// source).
const modelGap = 0.02

// fewDF is the degrees of freedom of a prediction that no good board vouches
// for: tails wide enough for a model that is not quite right.
const fewDF = 6

// paired tells whether an observation is compared with another reading of this board,
// which a fault may move as well.
func (o *Observation) paired() bool { return o.OwnPeer || o.SameLeads }

// Predict fills in what a good board would show and gives the workspace's state
// for Touches: the reading of the board as edited, without faults.
func (ph *Physics) Predict(w *network.Workspace, o *Observation) error {
	st := network.State{Edits: o.Edits}
	w.Resume(&o.ended)
	r, err := w.Read(o.Probe, &st, ph.Values)
	if err != nil {
		return err
	}
	w.Note()
	w.Keep(&o.ended)
	o.base = r
	p, variance := ph.moments(w, r)
	o.ratio = 1
	if o.inflate == 0 {
		o.inflate = 1
	}
	variance *= o.inflate
	if o.SameLeads && !r.Over {
		lead, err := ph.lead(w, o, &st)
		if err != nil {
			return err
		}
		p.Volts += lead.volts
		variance += lead.variance
	}
	if o.Matched && !r.Over {
		// the reading to expect is the other line's, whatever the model says here
		peer, err := ph.peer(w, o, &st)
		if err != nil {
			return err
		}
		o.peerSlope = peer.Slope
		known := *o.Known
		known.Offset = o.Known.Center - r.Volts
		if !o.OwnPeer {
			known.Offset = peer.Volts + o.PeerOffset - r.Volts
		}
		o.Known = &known
	}
	if (o.SameLeads || o.Matched) && !r.Over {
		if _, err := w.Read(o.Probe, &st, ph.Values); err != nil { // leave w as Touches wants it
			return err
		}
		w.Note()
	}
	p.Sigma = math.Sqrt(variance + o.Misfit*o.Misfit)
	p.DF = fewDF
	if k := o.Known; k != nil && !r.Over && !math.IsNaN(k.Scale) && p.Volts+k.Offset < o.Probe.Meter.Over {
		p.Volts += k.Offset
		slopes, _ := ph.Posterior.Slopes(w, ph.Values.Celsius)
		known := ph.evened(k.Scale*k.Scale+ph.Posterior.Carried(o.Spot, slopes, o.Probe.Meter, p.Volts), o.meter(p.Volts))*o.inflate + 1e-8
		if p.Slope > 0.02 && !o.OwnPeer {
			o.ratio = clamp(known/variance, 0.25, 4)
		}
		p.Sigma = math.Sqrt(known + ph.Doubt*ph.Doubt*p.Slope*p.Slope)
		p.DF = math.Max(k.DF, 3) + ph.Readings
	}
	o.Good = p
	return nil
}

// evened gives the variance of a reading of good boards with this board's own
// readings taken into account: the whole of it goes by Evenness, and the meter's
// share is taken out again.
func (ph *Physics) evened(variance, meter float64) float64 {
	if ph.Readings == 0 {
		return variance
	}
	own := ph.Evenness*ph.Evenness*(variance+meter*meter) - meter*meter
	return clamp(own, variance/4, variance*4)
}

// PredictAll predicts all observations of a case and widens those that err
// together. Readings that rest on one supply share what that supply differs from
// other boards, so n of them tell less than n independent ones. With rho the
// share of a reading's variance that is the supply's, n readings count as
// n/(1 + (n-1) rho) (Kish's design effect, Survey Sampling, 1965, from memory);
// their variances are widened by that factor, which leaves a hard fault on one
// line as plain as it was and takes the weight from many small shifts.
func (ph *Physics) PredictAll(pool *network.Pool, obs []Observation) error {
	type share struct {
		obs int
		rho float64
	}
	type part struct {
		junction int32
		rho      float64
	}
	parts := make([][]part, len(obs))
	err := pool.Each(len(obs), func(w *network.Workspace, i int) error {
		o := &obs[i]
		o.inflate = 1
		if err := ph.Predict(w, o); err != nil {
			return err
		}
		spread := ph.Posterior.Spread * ph.Posterior.Spread
		total := o.Good.Sigma*o.Good.Sigma + 1e-12
		w.Sensitivities(func(e int32, slope, _ float64) {
			if rho := math.Min(slope*slope*spread/total, 1); rho > leastShare && w.Supply(e) {
				parts[i] = append(parts[i], part{e, rho})
			}
		})
		return nil
	})
	if err != nil {
		return err
	}
	byJunction := map[int32][]share{}
	var junctions []int32       // its keys in the order met, so that sums come out alike each time
	byNet := map[string][]int{} // readings of one net err together altogether
	for i := range obs {
		o := &obs[i]
		if o.Spot.Net != netlist.None && o.Probe.Plus.Net != o.Probe.Minus.Net {
			key := fmt.Sprint(o.Spot, o.Edits.Key())
			byNet[key] = append(byNet[key], i)
		}
		for _, p := range parts[i] {
			if byJunction[p.junction] == nil {
				junctions = append(junctions, p.junction)
			}
			byJunction[p.junction] = append(byJunction[p.junction], share{i, p.rho})
		}
	}
	more := make([]float64, len(obs))
	for _, e := range junctions {
		list, sum := byJunction[e], 0.0
		for _, s := range list {
			sum += s.rho
		}
		for _, s := range list {
			more[s.obs] += sum - s.rho
		}
	}
	for _, list := range byNet {
		for _, i := range list {
			more[i] += float64(len(list) - 1)
		}
	}
	for i := range obs {
		obs[i].inflate = 1 + more[i]
	}
	return nil
}

// leastShare is the share of a reading's variance from which a supply counts.
const leastShare = 0.03

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

// moments gives the mean and variance of the reading just taken.
func (ph *Physics) moments(w *network.Workspace, r network.Reading) (Prediction, float64) {
	slopes, sum := ph.Posterior.Slopes(w, ph.Values.Celsius)
	v := 0.0
	if len(slopes) > 0 {
		v = ph.Posterior.Variance(slopes)
	}
	return Prediction{Volts: r.Volts, Slope: sum}, v + ph.Doubt*ph.Doubt*sum*sum
}

// Shares of readings that nothing accounts for, spread evenly over the display:
// where good boards were read, where the estimated circuit predicts, and where it
// has to guess because no good board was ever read in this polarity. They keep
// one odd reading from outweighing any number of good ones (common practice, no
// source).
const (
	OddKnown     = 1e-5
	OddPredicted = 1e-3
	OddUnknown   = 0.1

	oddSpan = 2.0 // V
	oddOver = 0.3 // share of OL among such readings
)

// LogLikelihood gives the natural logarithm of the density (per volt) of the
// observation under a prediction; of OL, the logarithm of its probability times
// a density of 1 per volt, so that both kinds compare.
func (o *Observation) LogLikelihood(p Prediction) float64 {
	if o.Over {
		// the display's limit against the spread of what is there
		s := math.Sqrt(p.Sigma*p.Sigma + o.meter(o.Probe.Meter.Over)*o.meter(o.Probe.Meter.Over))
		tail := 0.5 * math.Erfc((o.Probe.Meter.Over-p.Volts)/(s*math.Sqrt2))
		return math.Log((1-o.Odd)*tail*overDensity + o.Odd*oddOver*overDensity)
	}
	m := o.meter(p.Volts)
	s := math.Sqrt(p.Sigma*p.Sigma + m*m)
	z := (o.Volts - p.Volts) / s
	return math.Log((1-o.Odd)*studentDensity(z, p.DF)/s + o.Odd*(1-oddOver)/oddSpan)
}

// overDensity makes a certain OL as likely as a reading that falls within a
// millivolt or two of what was predicted; only ratios under one observation
// matter, so any value does.
const overDensity = 200.0

// meter gives the meter's standard uncertainty in volts.
func (o *Observation) meter(v float64) float64 { return math.Hypot(o.Gain*v, o.Floor) }

// Expected gives the standard deviation in volts of a good board's reading, the
// meter's error included.
func (o *Observation) Expected() float64 { return math.Hypot(o.Good.Sigma, o.meter(o.Good.Volts)) }

// ZScore gives how far the observation lies from a prediction, in standard
// deviations of a normal: 0 is dead on. An OL lies as far off as the display's
// limit does.
func (o *Observation) ZScore(p Prediction) float64 {
	s := math.Hypot(p.Sigma, o.meter(p.Volts))
	v := o.Volts
	if o.Over {
		if v = o.Probe.Meter.Over; p.Volts > v {
			return 0
		}
	}
	return toNormal((v-p.Volts)/s, p.DF)
}

// sameSigmas is the distance, in standard deviations, within which one reading
// does not tell two predictions apart.
const sameSigmas = 3.0

// Same tells whether the observation could not tell two predictions apart.
func (o *Observation) Same(a, b Prediction) bool {
	// beyond its limit the display shows one thing
	va, vb := math.Min(a.Volts, o.Probe.Meter.Over), math.Min(b.Volts, o.Probe.Meter.Over)
	s := math.Sqrt(a.Sigma*a.Sigma + b.Sigma*b.Sigma + 2*o.meter(va)*o.meter(va))
	return math.Abs(va-vb) < sameSigmas*s
}

// studentDensity is the density of Student's t at z. Nearly all predictions have
// fewDF degrees of freedom, for which
//
//	f(z) = G(7/2) / (sqrt(6 pi) G(3)) * (1 + z^2/6)^(-7/2),  G(7/2)/G(3) = 15 sqrt(pi)/16.
func studentDensity(z, df float64) float64 {
	if df == fewDF {
		x := 1 + z*z/6
		return 0.3827327723098716 / (x * x * x * math.Sqrt(x)) // 15/(16 sqrt 6)
	}
	return math.Exp(references.StudentT{Scale: 1, DF: df}.LogProb(z))
}

// toNormal gives the standard normal deviate with the tail of Student's t at z, at
// most farOff.
func toNormal(z, df float64) float64 {
	t := references.StudentT{Scale: 1, DF: df}
	return math.Copysign(normalTail(t.Upper(math.Abs(z))), z)
}

// farOff is the deviate beyond which a surprise is told no further, and the tail
// of a normal beyond it.
const (
	farOff     = 12.0
	farOffTail = 1.7764821120776762e-33
)

// normalTail gives the standard normal deviate, from 0 to farOff, with a tail of q:
// Newton's method on log Q(x) = log q, with Q the upper tail and phi its density,
//
//	x <- x + (log Q - log q) Q / phi
//
// which keeps its figures where 1 - q is 1 to the computer.
func normalTail(q float64) float64 {
	if !(q > farOffTail) {
		return farOff
	}
	if q >= 0.5 {
		return 0
	}
	x := math.Sqrt(-2 * math.Log(2*q)) // above the root, from where Newton comes down
	for range 60 {
		tail := 0.5 * math.Erfc(x/math.Sqrt2)
		step := (math.Log(tail) - math.Log(q)) * tail / (math.Exp(-x*x/2) / math.Sqrt(2*math.Pi))
		x += step
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	return math.Max(x, 0)
}

// MeterNoise gives Gain, Floor and Misfit of an observation by a meter in diode
// mode, from its accuracy: rectangular, a/sqrt(3) (JCGM 100:2008 4.3.7).
func MeterNoise(m references.Meter) (gain, floor, misfit float64) {
	return m.Gain / math.Sqrt(3), (m.Counts*m.Resolution + m.Resolution/2) / math.Sqrt(3), 1e-3
}
