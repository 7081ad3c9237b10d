package fault

import (
	"math"
	"slices"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Under gives what the observation should have been with changes on the board.
// What good boards show beyond the model is carried over as far as the reading
// still rests on the same junctions.
func (ph *Physics) Under(w *network.Workspace, o *Observation, changes []network.Change) (Prediction, error) {
	sw := sweep{ph: ph, w: w, o: o, changes: changes}
	q, err := sw.predict()
	return ph.given(o, &q), err
}

// Watch is an observation to be predicted under one change after another: a workspace
// holds the reading without any.
type Watch struct {
	ph      *Physics
	w       *network.Workspace
	o       *Observation
	singles map[network.Change]row // by Effect of a single change, without its sharing
}

// Watch reads an observation that Predict has been at with nothing changed. The
// workspace is the watch's until it reads something else.
func (ph *Physics) Watch(w *network.Workspace, o *Observation) (*Watch, error) {
	w.Resume(&o.ended)
	if _, err := w.Read(o.Probe, &network.State{Edits: o.Edits}, ph.Values); err != nil {
		return nil, err
	}
	return ph.hold(w, o), nil
}

// hold makes a watch of the reading that w has just taken of an observation.
func (ph *Physics) hold(w *network.Workspace, o *Observation) *Watch {
	w.Hold()
	return &Watch{ph, w, o, map[network.Change]row{}}
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
	q, err := sw.predict()
	return t.ph.given(t.o, &q), err
}

// absent gives the observation under changes on a board that lacks the junction which
// that prediction rests on most, where no reading of a good board ever showed it; nil
// where one did.
func (t *Watch) absent(changes []network.Change, q *row) (*absence, error) {
	e, ok := t.ph.Posterior.Unseen(q.slopes)
	if !ok {
		return nil, nil
	}
	sw := sweep{ph: t.ph, w: t.w.Spare(), o: t.o, changes: append(slices.Clone(changes), gone(e))}
	r, err := sw.predict()
	if err != nil || t.o.moved(r.volts)-t.o.moved(q.volts) < noVolts {
		return nil, err
	}
	return &absence{r, e}, nil
}

// absence is a prediction on a board that lacks a junction.
type absence struct {
	row      row
	junction int32
}

// gone takes a junction away.
func gone(junction int32) network.Change {
	return network.Change{Kind: network.Cut, Element: junction, Owner: netlist.None, Ohms: math.Inf(1)}
}

// sweep makes a sweep over the resistance of changes.
func (t *Watch) sweep(changes []network.Change) sweep {
	return sweep{ph: t.ph, w: t.w, o: t.o, changes: changes, watch: t}
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
func (s *sweep) held() bool { return s.watch != nil }

// state gives the board that is predicted.
func (s *sweep) state() *network.State {
	return &network.State{Edits: s.o.Edits, Changes: s.changes}
}

func (s *sweep) read() (r network.Reading, err error) {
	s.at = s.w
	if s.held() {
		if r, s.laid, err = s.w.Update(s.state(), s.ph.Values, s.laid); s.laid || err != nil {
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
	s.begun = true
	return r, err
}

// predict gives the row of the observation under the changes; of a watch once for all
// changes of one effect.
func (s *sweep) predict() (q row, err error) {
	if s.held() && len(s.changes) == 1 {
		q, _, err = s.predictFrom(0)
		return q, err
	}
	if q, err = s.bare(); err == nil {
		s.o.remove(&q, s.changes)
	}
	return q, err
}

// predictFrom gives what predict does of a single change, and false where it moves the
// reading by less than so many volts for certain: what good boards show beyond the model
// stays on between none and all of it.
func (s *sweep) predictFrom(least float64) (q row, moves bool, err error) {
	effect := s.ph.Posterior.Model.Effect(s.changes[0], s.o.Edits, s.o.Probe)
	q, ok := s.watch.singles[effect]
	if !ok {
		r, err := s.read()
		if err != nil {
			return q, false, err
		}
		o, off := s.o, 0.0
		if !r.Over {
			off = o.offset()
		}
		if s.o.sharingOf(&s.changes[0]) == nil && s.beyond() == nil && math.Max(o.moved(r.Volts), o.moved(r.Volts+off)) < least {
			return q, false, nil
		}
		q = s.bareOf(r)
		s.watch.singles[effect] = q
	}
	s.o.remove(&q, s.changes)
	return q, true, nil
}

// bare is predict without what two junctions share.
func (s *sweep) bare() (row, error) {
	r, err := s.read()
	if err != nil {
		return row{}, err
	}
	return s.bareOf(r), nil
}

// bareOf is bare for the reading just taken.
func (s *sweep) bareOf(r network.Reading) row {
	ph, o := s.ph, s.o
	q := ph.rowOf(s.at, o, r)
	q.rest = fit.Common(o.row.slopes, q.slopes)
	on := o // what the reading rests on
	if x := s.beyond(); x != nil {
		if rest := fit.Common(x.row.slopes, q.slopes); rest > q.rest {
			on, q.rest = x, rest
		}
	}
	carried, taken := 0.0, 0.0
	if on.Known != nil && !on.base.Over && !r.Over {
		q.volts += on.good.Offset * q.rest
		taken = q.rest
		for _, x := range on.row.shared {
			if x.key == on.spotKey() {
				carried = x.volts * q.rest
			}
		}
	}
	if on.Known == nil {
		q.share(on.spotKey(), ph.Posterior.Strain(q.slopes))
	}
	if on.vouch != nil && !r.Over {
		on.vouch.take(&q, q.rest)
	}
	q.wrong = ph.Posterior.Wrongs(s.at, q.slopes, on.Spot, &on.good, taken, o.looseFrom())
	q.loads = o.loaded(q.volts)
	q.share(on.spotKey(), math.Hypot(math.Hypot(on.gap(q.volts), carried), o.nonlinear*q.rest))
	q.scale = math.Sqrt(1 + (on.ratio-1)*q.rest)
	return q
}

// beyond gives the observation, taken in the same way, of the net that a path leads to from
// the net of this one; nil where there is none. Two nets bridged read what the lower does,
// which is known from that one's good boards.
func (s *sweep) beyond() *Observation {
	if s.ph.Joint == nil || s.o.Between {
		return nil
	}
	for i := range s.changes {
		c := &s.changes[i]
		if g := s.ph.Posterior.Model.Board.Ground; c.Kind != network.AddPath || c.A.Net == g || c.B.Net == g {
			continue
		}
		n := c.A.Net
		if n == s.o.Spot.Net {
			n = c.B.Net
		} else if c.B.Net != s.o.Spot.Net {
			continue
		}
		for k := range s.ph.Joint.obs {
			if x := &s.ph.Joint.obs[k]; x.likewise(s.o) && x.Spot.Net == n {
				return x
			}
		}
	}
	return nil
}

// volts gives the mean of predict for less work.
func (s *sweep) volts() (float64, error) {
	o := s.o
	if s.beyond() != nil {
		q, err := s.bare()
		return q.volts, err
	}
	r, err := s.read()
	if err != nil || o.base.Over || r.Over {
		return r.Volts, err
	}
	return r.Volts + o.offset()*o.restAt(r.Volts), nil
}

// offset gives by how many volts good boards read more than the model where the observation
// rests on all that a good board's reading does.
func (o *Observation) offset() float64 {
	switch {
	case o.vouch != nil:
		return o.vouch.off * o.vouch.rest
	case o.base.Over:
		return 0
	}
	return o.good.Offset
}

// restAt gives about the share of a good board's slopes that is left at a reading in
// volts: of a path to ground beside a junction of n kT/q = w, which draws the current that
// the junction has lost, the conductances being i_j/w and (i - i_j)/volts with
// i_j = i exp(-lost/w). Where there is no junction, in proportion to the voltage.
func (o *Observation) restAt(volts float64) float64 {
	if o.row.slope < 0.02 {
		return clamp(volts/math.Max(o.base.Volts, 1e-3), 0, 1)
	}
	w := 0.08 * o.row.slope // V, for each junction in series: twice n kT/q, for the resistance in the way (measured here, TestEntryError)
	return 1 / (1 + w/math.Max(volts, 1e-4)*math.Expm1(math.Max(o.base.Volts-volts, 0)/w))
}
