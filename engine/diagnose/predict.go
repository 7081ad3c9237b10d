package diagnose

import (
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

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
func (e *Basis) Predict(q Question) ([]Prediction, error) {
	var edits netlist.Edits
	for _, list := range []struct {
		names []string
		apply func(netlist.PartID)
	}{
		{q.Removed, func(p netlist.PartID) { edits = edits.Remove(p) }},
		{q.Replaced, func(p netlist.PartID) { edits = edits.Replace(p) }},
		{q.Jumpered, func(p netlist.PartID) { edits = edits.Jumper(p, JumperOhms) }},
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
	ph := fault.NewPhysics(e.Posterior)
	w := network.NewWorkspace(e.Model)
	w.Bare = true
	farads := e.Board.Capacitances(edits)
	var out []Prediction
	for _, p := range points {
		o := fault.Observation{Spot: fit.SpotOf(e.Model, p, polarityOf(q.Setting.BlackOnGround))}
		if to == nil {
			o.Known = e.Known(o.Spot)
		}
		o.Probe = e.Probe(p, to, polarityOf(q.Setting.BlackOnGround), q.Setting.Drive)
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
		x.Good, x.GoodOL = Level(o.Good.Volts, q.Setting.Drive)
		x.Volts, x.Overload, x.Sigma = x.Good, x.GoodOL, o.Good.Spread()
		if len(changes) > 0 || !edits.AsDrawn() {
			o.Edits = edits
			pr, err := ph.Under(w, &o, changes)
			if err != nil {
				return nil, err
			}
			x.Volts, x.Overload = Level(pr.Volts, q.Setting.Drive)
			x.Sigma = pr.Spread()
		}
		volts := q.Setting.Drive.Open
		if x.Volts != nil {
			volts = *x.Volts
		}
		x.Settling = netlist.Settling(farads(p.Net), volts, q.Setting.Drive.Current)
		out = append(out, x)
	}
	return out, nil
}

// JumperOhms is the resistance in ohms of a jumper where nobody states it.
const JumperOhms = 0.01

// points resolves names, or lists one point a net where none are given:
// connector pins all, then one contact of each other net.
func (e *Basis) points(names []string) ([]netlist.Point, error) {
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
	out = e.Board.AllPins()
	for _, at := range out {
		shown[at.Net] = true
	}
	for n := range e.Board.Nets {
		if pts := e.Board.PointsOn(netlist.NetID(n)); !shown[netlist.NetID(n)] && len(pts) > 0 {
			out = append(out, pts[0])
		}
	}
	return out, nil
}

// PredictPoints is PredictAt with the red probe on ground.
func (e *Basis) PredictPoints(c *journal.Case, points []netlist.Point) ([]Prediction, error) {
	spots := make([]Spot, len(points))
	for i, at := range points {
		spots[i].At = at
	}
	return e.PredictAt(c, spots)
}

// PredictAt gives what the meter of a case should show at spots of its board as
// it lies now, with what the bench has removed, jumpered and replaced, if nothing is
// wrong with it.
func (e *Basis) PredictAt(c *journal.Case, spots []Spot) ([]Prediction, error) {
	last := c.Now()
	_, obs := e.observe(c)
	ph, err := e.physics(obs)
	if err != nil {
		return nil, err
	}
	w := network.NewWorkspace(e.Model)
	drive, farads := DriveOf(last), e.Board.Capacitances(last.Edits)
	var out []Prediction
	for _, s := range spots {
		o := e.Spotted(s, last)
		if err := ph.Predict(w, &o); err != nil {
			return nil, err
		}
		x := Prediction{At: e.Board.PointName(s.At), Polarity: s.Polarity.String(), Sigma: o.Good.Spread()}
		if s.At.Net != netlist.None {
			x.Net = e.Board.Nets[s.At.Net].Name
		}
		x.Volts, x.Overload = Level(o.Good.Volts, drive)
		if o.Known != nil && last.Edits.AsDrawn() {
			x.Good, x.GoodOL, x.Boards = x.Volts, x.Overload, o.Known.N
			if o.Known.Overload > 0.5 {
				x.Volts, x.Overload, x.Good, x.GoodOL = nil, true, nil, true
			}
		}
		volts := drive.Open
		if x.Volts != nil {
			volts = *x.Volts
		}
		x.Settling = netlist.Settling(farads(s.At.Net), volts, drive.Current)
		out = append(out, x)
	}
	return out, nil
}
