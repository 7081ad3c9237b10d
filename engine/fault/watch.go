package fault

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Under gives what the observation should have been with changes on the board.
// What good boards show beyond the model is carried over as far as the reading
// still rests on the same junctions.
func (ph *Physics) Under(w *network.Workspace, o *Observation, changes []network.Change) (Prediction, error) {
	sw := sweep{ph: ph, w: w, o: o, changes: changes}
	return sw.predict()
}

// Watch is an observation to be predicted under one change after another: a workspace
// holds the reading without any.
type Watch struct {
	ph   *Physics
	w    *network.Workspace
	o    *Observation
	told map[network.Change]Prediction // by Effect of a single change
	// What paths to ground from a rail make of the observation, at whole numbers of
	// curvePoints to a decade.
	curves map[curvePoint]Prediction
}

type curvePoint struct {
	rail netlist.NetID
	at   int
}

// curvePoints is the number of resistances to a decade at which a rail's curve is
// solved. Between them it is a cubic; the reading is off by less than 0.1 mV.
//
// curveOhms is the resistance in ohms between a rail and the lines that are read off
// its curve. There are few with less, and the curve is long from there.
const (
	curvePoints = 8
	curveOhms   = 100.0
)

// Watch reads an observation that Predict has been at with nothing changed. The
// workspace is the watch's until it reads something else.
func (ph *Physics) Watch(w *network.Workspace, o *Observation) (*Watch, error) {
	if !o.paired() { // which reads another place in between
		w.Resume(&o.ended)
		if _, err := w.Read(o.Probe, &network.State{Edits: o.Edits}, ph.Values); err != nil {
			return nil, err
		}
	}
	return ph.hold(w, o), nil
}

// hold makes a watch of the reading that w has just taken of an observation.
func (ph *Physics) hold(w *network.Workspace, o *Observation) *Watch {
	if !o.paired() {
		w.Hold()
	}
	return &Watch{ph, w, o, map[network.Change]Prediction{}, map[curvePoint]Prediction{}}
}

// PredictBoards predicts an observation and gives what it should be on each of several
// boards, by what is changed on them: Good where that is nothing.
func (ph *Physics) PredictBoards(w *network.Workspace, o *Observation, boards [][]network.Change) ([]Prediction, error) {
	if err := ph.Predict(w, o); err != nil {
		return nil, err
	}
	watch := ph.hold(w, o)
	out := make([]Prediction, len(boards))
	for i, changes := range boards {
		out[i] = o.Good
		if len(changes) > 0 {
			var err error
			if out[i], err = watch.Under(changes); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// Under gives what Physics.Under does, from the reading that is held, and once for all
// changes of one effect.
func (t *Watch) Under(changes []network.Change) (Prediction, error) {
	sw := t.sweep(changes)
	if len(changes) != 1 {
		return sw.predict()
	}
	effect := changes[0].Effect(t.o.Edits)
	p, ok := t.told[effect]
	if !ok {
		var err error
		if p, err = sw.predict(); err != nil {
			return p, err
		}
		t.told[effect] = p
	}
	return p, nil
}

// sweep makes a sweep over the resistance of changes.
func (t *Watch) sweep(changes []network.Change) sweep {
	return sweep{ph: t.ph, w: t.w, o: t.o, changes: changes, watch: t}
}

// along gives what a path to ground makes of the observation where a path from a rail
// does the same (network.Workspace.Behind): many do, and one curve serves them all.
func (t *Watch) along(c *network.Change) (Prediction, bool, error) {
	same, ok := t.w.Behind(c, &network.State{Edits: t.o.Edits})
	if !ok || same.Ohms-c.Ohms < curveOhms {
		return Prediction{}, false, nil
	}
	x := curvePoints * math.Log10(same.Ohms)
	i := int(math.Floor(x))
	var p [4]Prediction
	for k := range p {
		var err error
		if p[k], err = t.point(same, i-1+k); err != nil || p[k].Volts > t.o.Probe.Meter.Over {
			return Prediction{}, false, err
		}
	}
	// the cubic through four points at -1, 0, 1 and 2 (Lagrange)
	f := x - float64(i)
	by := [4]float64{-f * (f - 1) * (f - 2) / 6, (f + 1) * (f - 1) * (f - 2) / 2, -(f + 1) * f * (f - 2) / 2, (f + 1) * f * (f - 1) / 6}
	out := Prediction{DF: fewDF}
	for k := range p {
		out.Volts += by[k] * p[k].Volts
		out.Slope += by[k] * p[k].Slope
	}
	out.Sigma = p[1].Sigma + f*(p[2].Sigma-p[1].Sigma)
	return out, true, nil
}

// point gives a point of a rail's curve.
func (t *Watch) point(path network.Change, at int) (Prediction, error) {
	key := curvePoint{path.A.Net, at}
	p, ok := t.curves[key]
	if !ok {
		path.Ohms = math.Pow(10, float64(at)/curvePoints)
		sw := t.sweep([]network.Change{path})
		var err error
		if p, err = sw.predict(); err != nil {
			return p, err
		}
		t.curves[key] = p
	}
	return p, nil
}

// sweep is an observation predicted under the same changes with one resistance after
// another.
type sweep struct {
	ph      *Physics
	w       *network.Workspace
	o       *Observation
	changes []network.Change
	watch   *Watch             // nil for none
	at      *network.Workspace // the one that the last reading was taken by
	laid    bool               // the last reading was taken beside what w holds
	begun   bool               // the last reading of w, or of its spare, was of this sweep
}

// held tells whether w holds the reading without changes.
func (s *sweep) held() bool { return s.watch != nil && !s.o.paired() }

// state gives the board that is predicted.
func (s *sweep) state() *network.State {
	return &network.State{Edits: s.o.Edits, Changes: s.changes}
}

func (s *sweep) read() (r network.Reading, err error) {
	s.at = s.w
	if s.held() {
		if r, s.laid, err = s.w.Beside(s.state(), s.ph.Values, s.laid); s.laid || err != nil {
			return r, err
		}
		s.at = s.w.Spare()
	}
	if s.begun {
		r, err = s.at.Again(s.state(), s.ph.Values)
	} else {
		s.at.Resume(&s.o.ended)
		r, err = s.at.Read(s.o.Probe, s.state(), s.ph.Values)
	}
	s.begun = !s.o.paired() // which reads another place in between
	return r, err
}

// along is Watch.along where w holds the reading and there is one change.
func (s *sweep) along() (Prediction, bool, error) {
	if !s.held() || len(s.changes) != 1 {
		return Prediction{}, false, nil
	}
	known := len(s.watch.curves)
	p, ok, err := s.watch.along(&s.changes[0])
	if len(s.watch.curves) > known {
		s.laid = false // w was elsewhere
	}
	return p, ok, err
}

// predict gives what Under does.
func (s *sweep) predict() (Prediction, error) {
	ph, o := s.ph, s.o
	if p, ok, err := s.along(); ok || err != nil {
		return p, err
	}
	r, err := s.read()
	if err != nil {
		return Prediction{}, err
	}
	p, variance := ph.moments(s.at, r)
	variance *= o.inflate
	p.DF = fewDF
	rest := 0.0
	if o.Good.Slope > 0.02 {
		rest = clamp(p.Slope/o.Good.Slope, 0, 1)
	}
	switch {
	case r.Over:
	case o.SameLeads:
		lead, err := ph.lead(s.at, o, s.state())
		if err != nil {
			return Prediction{}, err
		}
		p.Volts += lead.volts
		variance += lead.variance
	case o.Known == nil || o.base.Over:
	case o.OwnPeer:
		// What the model gets wrong shows in the other line, as far as that
		// reading still rests on its junctions.
		peer, err := ph.peer(s.at, o, s.state())
		if err != nil {
			return Prediction{}, err
		}
		tells := rest
		if o.peerSlope > 0.02 {
			tells *= clamp(peer.Slope/o.peerSlope, 0, 1)
		}
		p.Volts += tells * (o.Known.Center - peer.Volts)
		variance += tells * (o.Known.Scale*o.Known.Scale - variance)
	default:
		p.Volts += o.Known.Offset * rest
	}
	// What the model gets wrong is a share of the voltage across what the fault
	// left in place: little where the reading is near 0, little where it is near
	// that of a good board.
	gap := modelGap * math.Min(math.Abs(p.Volts-o.Good.Volts), math.Abs(math.Min(p.Volts, 0.7)))
	p.Sigma = math.Sqrt(variance*(1+(o.ratio-1)*rest) + gap*gap + o.Misfit*o.Misfit)
	o.remove(&p, s.changes)
	return p, nil
}

// volts gives Prediction.Volts of Under for less work. What good boards show
// beyond the model is taken in proportion to the voltage.
func (ph *Physics) volts(w *network.Workspace, o *Observation, changes []network.Change) (float64, error) {
	sw := sweep{ph: ph, w: w, o: o, changes: changes}
	return sw.volts()
}

func (s *sweep) volts() (float64, error) {
	o := s.o
	if o.paired() {
		p, err := s.predict()
		return p.Volts, err
	}
	if p, ok, err := s.along(); ok || err != nil {
		return p.Volts, err
	}
	r, err := s.read()
	if err != nil || o.Known == nil || o.base.Over || r.Over {
		return r.Volts, err
	}
	return r.Volts + o.Known.Offset*clamp(r.Volts/math.Max(o.base.Volts, 1e-3), 0, 1), nil
}

// leads is what leads and contacts add to an observation, in V and V^2.
type leads struct{ volts, variance float64 }

// lead gives what the leads add to an observation, as the reading at its peer shows. A
// state of the board that predicts more there than was read, or less than leads can
// add, says nothing of them: they may add anything then.
func (ph *Physics) lead(w *network.Workspace, o *Observation, st *network.State) (leads, error) {
	r, err := w.Read(o.Peer, st, ph.Values)
	add := o.PeerVolts - r.Volts
	if slack := o.LeadVolts / 4; add < -slack || add > o.LeadVolts+slack {
		return leads{0, o.LeadVolts * o.LeadVolts / 9}, err
	}
	return leads{volts: add}, err
}

// peer reads the line that an observation is compared with.
func (ph *Physics) peer(w *network.Workspace, o *Observation, st *network.State) (Prediction, error) {
	r, err := w.Read(o.Peer, st, ph.Values)
	if err != nil {
		return Prediction{}, err
	}
	_, slope := ph.Posterior.Slopes(w, ph.Values.Celsius)
	return Prediction{Volts: r.Volts, Slope: slope}, nil
}
