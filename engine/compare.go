package engine

import (
	"math"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// Compare sets every reading of a case beside what a good board would show.
func (e *Engine) Compare(c *journal.Case) ([]Comparison, error) {
	all, obs := e.observe(c)
	if _, err := e.physics(obs); err != nil {
		return nil, err
	}
	return e.compare(all, obs), nil
}

// Limits of verdicts.
const (
	verdictSigmas = 3.3   // beyond which a reading is low or high: 1 in 1,000 good ones
	shortVolts    = 0.015 // V below which a line that should read a drop counts as shorted
	settleSeconds = 0.3   // s of settling worth telling
)

// compare describes readings whose observations have been predicted.
func (e *Engine) compare(all []taken, obs []fault.Observation) []Comparison {
	out := make([]Comparison, 0, len(all))
	farads := map[string]func(netlist.NetID) float64{} // by edits
	for i := range all {
		key := all[i].edits.Key()
		if farads[key] == nil {
			farads[key] = e.Board.Capacitances(all[i].edits)
		}
		out = append(out, e.compareOne(&all[i], obs, farads[key]))
	}
	return out
}

func (e *Engine) compareOne(t *taken, obs []fault.Observation, farads func(netlist.NetID) float64) Comparison {
	c := Comparison{At: t.read.Name, To: t.read.ToName, Polarity: t.read.Polarity.String(), Overload: t.read.Reading.Overload, Event: t.event,
		Resistance: t.read.Reading.Unit == quantity.Ohm}
	if t.read.At.Net != netlist.None {
		c.Net = e.Board.Nets[t.read.At.Net].Name
	}
	inOhms := c.Resistance
	if !t.read.Reading.Overload {
		if inOhms {
			c.Ohms = number(t.read.Reading.Value)
		} else {
			c.Volts = number(t.read.Reading.Value)
		}
	}
	if t.obs < 0 { // ground
		c.KnownGood, c.Predicted, c.Verdict = number(0), number(0), Agrees
		if t.read.Reading.Overload {
			c.Verdict, c.ZScore = IsOpen, 12
		} else if math.Abs(t.read.Reading.Value) > shortVolts && !inOhms {
			c.Verdict, c.ZScore = High, 12
		}
		c.Circuit = c.Verdict
		return c
	}
	o := &obs[t.obs]
	d := o.Probe.Meter
	goodOver := o.Good.Volts > d.Over
	c.Predicted, c.PredictedOverload = level(o.Good.Volts, d)
	if inOhms {
		// told in ohms below; the search works in volts
		c.Predicted = nil
		if !goodOver {
			c.Predicted = number(voltsToOhms(d, o.Good.Volts))
		}
	}
	if k := o.Known; k != nil && t.edits.AsDrawn() {
		c.Boards = k.N
		if k.Overload > 0.5 {
			c.KnownGoodOverload, goodOver = true, true
		} else {
			c.KnownGood, c.Moved = number(o.Good.Volts), number(o.Moved())
		}
	}
	c.Sigma = o.Good.SD()
	c.ZScore = o.ZScore(o.Good)
	c.Circuit = verdict(o, goodOver, c.ZScore)
	c.Verdict = c.Circuit
	if o.Known == nil && !o.Matched && t.edits.AsDrawn() && !inOhms && t.read.To == nil {
		c.Verdict = NoKnownGood
	}
	c.Settling = settling(farads(t.read.At.Net), math.Min(o.Good.Volts, d.Open), d)
	return c
}

// settling gives the seconds that so many farads take to charge to a voltage, where
// they are worth telling; 0 otherwise.
func settling(farads, volts float64, d network.Drive) float64 {
	if tau := netlist.Settling(farads, volts, d.Current); tau > settleSeconds {
		return tau
	}
	return 0
}

// verdict names how an observation differs from a good board.
func verdict(o *fault.Observation, goodOver bool, surprise float64) Verdict {
	switch {
	case o.Over && goodOver:
		return Agrees
	case o.Over:
		return IsOpen
	case goodOver:
		return UnexpectedPath
	case math.Abs(surprise) < verdictSigmas:
		return Agrees
	case o.Volts < shortVolts && o.Good.Volts > 3*shortVolts:
		return IsShorted
	case surprise < 0:
		return Low
	}
	return High
}

// level gives a voltage as the display shows it: nil and true for OL.
func level(volts float64, d network.Drive) (*float64, bool) {
	if volts > d.Over {
		return nil, true
	}
	return number(volts), false
}

func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// Question asks what the meter should show.
type Question struct {
	Faults                      []string // such as "R12:open", "C40:leaky=470", "J7.2-J7.3:bridged"
	Removed, Replaced, Jumpered []string // parts
	Setting                     Setting
	Points                      []string // empty for every point of the board
}

// Setting is how the meter stands.
type Setting struct {
	Drive         network.Drive
	BlackOnGround bool
	To            string // the point of the other lead; "" for ground
}

// Predict predicts the readings at points of a board, with faults and edits if
// the question has any. Errors name what the question has wrong.
func (e *Engine) Predict(q Question) ([]Prediction, error) {
	var edits netlist.Edits
	for _, list := range []struct {
		names []string
		apply func(netlist.PartID)
	}{
		{q.Removed, func(p netlist.PartID) { edits = edits.Remove(p) }},
		{q.Replaced, func(p netlist.PartID) { edits = edits.Replace(p) }},
		{q.Jumpered, func(p netlist.PartID) { edits = edits.Jumper(p, jumperOhms) }},
	} {
		for _, name := range list.names {
			p, err := e.Board.PartByName(name)
			if err != nil {
				return nil, err
			}
			list.apply(p)
		}
	}
	var changes []network.Change
	for _, text := range q.Faults {
		f, err := e.ParseFault(text)
		if err != nil {
			return nil, err
		}
		changes = append(changes, f.Locus.At(f.Ohms))
	}
	var to *netlist.Point
	if q.Setting.To != "" {
		at, err := e.Board.Point(q.Setting.To)
		if err != nil {
			return nil, err
		}
		to = &at
	}
	points, err := e.points(q.Points)
	if err != nil {
		return nil, err
	}
	ph := &fault.Physics{Posterior: e.posterior, Values: e.posterior.At(network.RefCelsius, 0)}
	w := network.NewWorkspace(e.model)
	w.Bare = true
	farads := e.Board.Capacitances(edits)
	var out []Prediction
	for _, p := range points {
		o := fault.Observation{Spot: fit.SpotOf(e.model, p, polarityOf(q.Setting.BlackOnGround))}
		if to == nil {
			o.Known = e.known(o.Spot)
		}
		o.Probe = e.probe(p, to, polarityOf(q.Setting.BlackOnGround), q.Setting.Drive)
		if err := ph.Predict(w, &o); err != nil {
			return nil, err
		}
		x := Prediction{At: e.Board.PointName(p), Polarity: polarityOf(q.Setting.BlackOnGround).String()}
		if p.Net != netlist.None {
			x.Net = e.Board.Nets[p.Net].Name
		}
		if o.Known != nil {
			x.Boards, x.Converting = o.Known.N, o.Converting()
		}
		x.Good, x.GoodOL = level(o.Good.Volts, q.Setting.Drive)
		x.Volts, x.Overload, x.Sigma = x.Good, x.GoodOL, o.Good.SD()
		if len(changes) > 0 || !edits.AsDrawn() {
			o.Edits = edits
			pr, err := ph.Under(w, &o, changes)
			if err != nil {
				return nil, err
			}
			x.Volts, x.Overload = level(pr.Volts, q.Setting.Drive)
			x.Sigma = pr.SD()
		}
		volts := q.Setting.Drive.Open
		if x.Volts != nil {
			volts = *x.Volts
		}
		x.Settling = settling(farads(p.Net), volts, q.Setting.Drive)
		out = append(out, x)
	}
	return out, nil
}

// jumperOhms is the resistance in ohms of a bridge that a question lays.
const jumperOhms = 0.01

// points resolves names, or lists one point a net where none are given:
// connector pins all, then one contact of each other net.
func (e *Engine) points(names []string) ([]netlist.Point, error) {
	var out []netlist.Point
	for _, name := range names {
		p, err := e.Board.Point(name)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	if len(names) > 0 {
		return out, nil
	}
	shown := map[netlist.NetID]bool{e.Board.Ground: true}
	for c := range e.Board.Connectors {
		for i, pin := range e.Board.Connectors[c].Pins {
			shown[pin.Net] = true
			out = append(out, e.Board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
		}
	}
	for n := range e.Board.Nets {
		if pts := e.Board.PointsOn(netlist.NetID(n)); !shown[netlist.NetID(n)] && len(pts) > 0 {
			out = append(out, pts[0])
		}
	}
	return out, nil
}
