package diagnose

import (
	"cmp"
	"math"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Compare sets every reading of a case beside what a good board would show.
func (e *Basis) Compare(c *journal.Case) ([]Comparison, error) {
	all, obs := e.observe(c)
	if _, err := e.physics(obs); err != nil {
		return nil, err
	}
	return e.compare(all, obs), nil
}

// compare describes readings whose observations have been predicted.
func (e *Basis) compare(all []Taken, obs []fault.Observation) []Comparison {
	out := make([]Comparison, 0, len(all))
	farads := map[string]func(netlist.NetID) float64{} // by edits
	for i := range all {
		key := all[i].Edits.Key()
		if farads[key] == nil {
			farads[key] = e.Board.Capacitances(all[i].Edits)
		}
		out = append(out, e.compareOne(&all[i], obs, farads[key]))
	}
	return out
}

func (e *Basis) compareOne(t *Taken, obs []fault.Observation, farads func(netlist.NetID) float64) Comparison {
	c := Comparison{At: t.Read.Name, To: t.Read.ToName, Polarity: t.Read.Polarity.String(), Overload: t.Read.Reading.Overload, Event: t.event,
		Resistance: t.Read.Reading.Unit == quantity.Ohm}
	if t.Read.At.Net != netlist.None {
		c.Net = e.Board.Nets[t.Read.At.Net].Name
	}
	inOhms := c.Resistance
	if !t.Read.Reading.Overload {
		if inOhms {
			c.Ohms = Number(t.Read.Reading.Value)
		} else {
			c.Volts = Number(t.Read.Reading.Value)
		}
	}
	if r := &t.Read; t.Obs < 0 || r.At.Net == e.Board.Ground && r.At.Kind == netlist.PointPin && r.To == nil { // it is known what ground reads
		c.KnownGood, c.Predicted, c.Verdict = Number(0), Number(0), onGround(r.Reading, t.meter)
		if c.Verdict != Agrees {
			c.ZScore = 12
		}
		c.Circuit = c.Verdict
		return c
	}
	o := &obs[t.Obs]
	d := o.Probe.Meter
	goodOver := o.Good.Volts > d.Over
	c.Predicted, c.PredictedOverload = Level(o.Good.Volts, d)
	if inOhms {
		// given in ohms below; the search works in volts
		c.Predicted = nil
		if !goodOver {
			c.Predicted = Number(VoltsToOhms(d, o.Good.Volts))
		}
	}
	if k := o.Known; k != nil && t.Edits.AsDrawn() {
		c.Boards = k.N
		if k.Overload > 0.5 {
			c.KnownGoodOverload, goodOver = true, true
		} else {
			c.KnownGood, c.Moved = Number(o.Good.Volts), Number(o.Moved())
		}
	}
	c.Sigma = o.Good.Spread()
	c.ZScore = o.ZScore(o.Good)
	c.Circuit = verdict(o, goodOver, c.ZScore)
	c.Verdict = c.Circuit
	if o.Known == nil && !o.Matched && t.Edits.AsDrawn() && !inOhms && t.Read.To == nil {
		c.Verdict = NoKnownGood
	}
	c.Settling = netlist.Settling(farads(t.Read.At.Net), math.Min(o.Good.Volts, d.Open), d.Current)
	return c
}

// verdict names how an observation differs from a good board. In resistance mode OL is
// next to what millions of ohms read.
func verdict(o *fault.Observation, goodOver bool, z float64) Verdict {
	switch {
	case o.Known == nil && !o.Over && z > -VerdictSigmas && o.Volts < shortVolts && !goodOver && o.Good.Volts > 10*shortVolts: // no junction drops so little
		return IsShorted
	case o.Over && goodOver, o.Probe.Meter.Resistive && math.Abs(z) < VerdictSigmas:
		return Agrees
	case o.Over:
		return IsOpen
	case goodOver:
		return UnexpectedPath
	case math.Abs(z) < VerdictSigmas:
		return Agrees
	case o.Volts < shortVolts && o.Good.Volts > 3*shortVolts:
		return IsShorted
	case z < 0:
		return Low
	}
	return High
}

// Level gives a voltage as the display shows it: nil and true for OL.
func Level(volts float64, d network.Drive) (*float64, bool) {
	if volts > d.Over {
		return nil, true
	}
	return Number(volts), false
}

// Number gives a number for an answer: nil for what is not one.
func Number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// OutOfRange lists the points whose last reading was out of range, and those that read what
// they did when they were, whatever is said of the last reading by itself: by how much a
// board lies off others is less sure after heat, and what did not move was not repaired.
func (d *Findings) OutOfRange() []string {
	type spot struct{ at, to, polarity string }
	last := map[spot]int{}
	for i := range d.Readings {
		r := &d.Readings[i]
		last[spot{r.At, r.To, r.Polarity}] = i
	}
	var names []string
	for i := range d.Readings {
		r := &d.Readings[i]
		k := last[spot{r.At, r.To, r.Polarity}]
		if (k == i || r.unmoved(&d.Readings[k])) && r.Verdict != Agrees && r.Verdict != NoKnownGood && !slices.Contains(names, r.At) {
			names = append(names, r.At)
		}
	}
	return names
}

// unmovedShare is the share of how far a voltage was off by which another still is what it
// was: well above what a meter's last digit and a warm board make of it (common practice, no
// source).
const unmovedShare = 0.2

// unmoved tells whether a later voltage at the same place lies where this one did.
func (c *Comparison) unmoved(later *Comparison) bool {
	should := cmp.Or(c.KnownGood, c.Predicted)
	return c.Volts != nil && later.Volts != nil && should != nil && math.Abs(*later.Volts-*c.Volts) < unmovedShare*math.Abs(*c.Volts-*should)
}
