package diagnose

import (
	"math"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Spotted is a reading yet to be taken at a spot.
func (e *Basis) Spotted(s Spot, st journal.Stage) fault.Observation {
	o := fault.Observation{Spot: fit.SpotOf(e.Model, s.At, s.Polarity), Edits: st.Edits, Probe: e.Probe(s.At, nil, s.Polarity, DriveOf(st))}
	o.Noise = fault.MeterNoise(st.Meter)
	o.Known = e.Known(o.Spot)
	return o
}

// Turned says what readings tell of a part that may be fitted the wrong way
// round: turned by half, so that its first terminal lies where its last belongs.
type Turned struct {
	// LogOdds is the natural logarithm of how much likelier the readings are
	// with the part turned than with it right.
	LogOdds float64
	Reasons []Reason // the readings that support it
	// Tell are spots on the part's nets at which a turned part would show
	// beyond doubt and which have not been read, the easiest first.
	Tell []Prediction
}

// Turned weighs whether a part sits the wrong way round, by the readings that
// were taken after an event. In Tell, Volts is what the turned part would show
// and Good what the right one would.
func (e *Basis) Turned(c *journal.Case, part netlist.PartID, after int) (*Turned, error) {
	all, obs := e.observe(c)
	ph, err := e.physics(obs)
	if err != nil {
		return nil, err
	}
	w := network.NewWorkspace(e.Model)
	turn := []network.Change{{Kind: network.Turn, Part: part, Owner: netlist.None}}
	t := &Turned{}
	read := map[fit.Spot]bool{}
	for i := range all {
		if all[i].event <= after || all[i].Obs < 0 || all[i].Edits.Of(part).Removed {
			continue
		}
		o := &obs[all[i].Obs]
		if err := ph.Predict(w, o); err != nil {
			return nil, err
		}
		p, err := ph.Under(w, o, turn)
		if err != nil {
			return nil, err
		}
		read[o.Spot] = true
		gain := o.LogLikelihood(p) - o.LogLikelihood(o.Good)
		t.LogOdds += gain
		if gain > 1 {
			r := Reason{At: all[i].Read.Name}
			r.Predicted, r.Overload = Level(p.Volts, o.Probe.Meter)
			r.Good, _ = Level(o.Good.Volts, o.Probe.Meter)
			if !o.Over {
				r.Read = Number(o.Volts)
			}
			t.Reasons = append(t.Reasons, r)
		}
	}
	last := c.Now()
	if last.Edits.Of(part).Removed {
		return t, nil
	}
	seen := map[netlist.NetID]bool{e.Board.Ground: true, netlist.None: true}
	for _, term := range e.Board.Parts[part].Terminals {
		at, ok := netlist.Point{}, false
		if !seen[term.Net] {
			seen[term.Net] = true
			at, ok = e.Touch(term.Net)
		}
		if !ok {
			continue
		}
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			o := e.Spotted(Spot{at, pol}, last)
			if read[o.Spot] {
				continue
			}
			if err := ph.Predict(w, &o); err != nil {
				return nil, err
			}
			p, err := ph.Under(w, &o, turn)
			if err != nil {
				return nil, err
			}
			x := Prediction{At: e.Board.PointName(at), Net: e.Board.Nets[term.Net].Name, Polarity: pol.String()}
			x.Volts, x.Overload = Level(p.Volts, o.Probe.Meter)
			x.Good, x.GoodOL = Level(o.Good.Volts, o.Probe.Meter)
			shift := math.Abs(math.Min(p.Volts, o.Probe.Meter.Over) - math.Min(o.Good.Volts, o.Probe.Meter.Over))
			if x.Overload == x.GoodOL && (x.Overload || shift < turnedVolts || shift < turnedSigmas*math.Hypot(p.Sigma, o.Good.Sigma)) {
				continue
			}
			x.Sigma = o.Good.Spread()
			t.Tell = append(t.Tell, x)
		}
	}
	return t, nil
}
