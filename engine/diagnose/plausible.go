package diagnose

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// plain tells a reading against ground in diode mode.
func (c *Comparison) plain() bool { return c.To == "" && !c.Resistance }

// net is the net of a reading; of a pin that not connected (NC), the pin.
func (c *Comparison) net() string { return cmp.Or(c.Net, c.At) }

// zero tells a reading of 0, within what leads and contacts add.
func (c *Comparison) zero() bool { return c.Volts != nil && math.Abs(*c.Volts) < shortVolts }

// good is what a good board reads at a reading, in volts; endless where it is OL.
func (c *Comparison) good() float64 {
	if v, _, _ := c.Good(); v != nil {
		return *v
	}
	return math.Inf(1)
}

// due tells that a good board reads a drop at a reading: neither 0 nor OL.
func (c *Comparison) due() bool { return !c.low() && !math.IsInf(c.good(), 1) }

// low tells that a good board reads next to 0 at a reading.
func (c *Comparison) low() bool { return c.good() <= 3*shortVolts }

// wrongly tells that a reading differs from what good boards read there.
func wrongly(c *Comparison) bool { return c.Verdict != Agrees && c.Verdict != NoKnownGood }

// mostly tells that most nets read wrong.
func mostly(wrong, all int) bool {
	return wrong >= fewestWrong && float64(wrong) > mostWrong*float64(all)
}

// count gathers the nets of readings against ground in diode mode, and those of
// them that have one which is so. A pin that not connected (NC) is a net of its own.
func count(list []Comparison, so func(*Comparison) bool) (those, all map[string]bool) {
	those, all = map[string]bool{}, map[string]bool{}
	for i := range list {
		if r := &list[i]; r.plain() {
			all[r.net()] = true
			if so(r) {
				those[r.net()] = true
			}
		}
	}
	return those, all
}

// implausibleAtSight looks at what was read with the board and the meter unchanged,
// state by state.
func (e *Basis) implausibleAtSight(c *journal.Case, list []Comparison) *Implausible {
	for _, st := range c.Stages() {
		var read []Comparison
		for _, ev := range st.Events {
			for i := range list {
				if list[i].Event == ev.Number && list[i].plain() {
					read = append(read, list[i])
				}
			}
		}
		for _, rule := range []func([]Comparison) *Implausible{e.leadOff, e.leadsTogether, e.leadElsewhere} {
			if x := rule(read); x != nil {
				return x
			}
		}
	}
	return nil
}

// isGround tells a reading on ground, but for the pads of parts: the joint there may be what
// is bad.
func (e *Basis) isGround(r *Comparison) bool {
	at, err := e.Board.Point(r.At)
	return err == nil && at.Net == e.Board.Ground && at.Kind != netlist.PointTerminal
}

// leadOff: one reading after the other is OL, ground pins too; or all are, and no
// ground pin was read.
func (e *Basis) leadOff(read []Comparison) *Implausible {
	for from := 0; from < len(read); {
		to, ground := from, 0
		lines := map[string]bool{}
		for ; to < len(read) && read[to].Overload; to++ {
			if r := &read[to]; e.isGround(r) {
				ground++
			} else if r.due() {
				lines[r.Net] = true
			}
		}
		all := to-from == len(read)
		if ground > 0 && (all || len(lines) >= offRun) || all && len(lines) >= fewestAlike {
			x := &Implausible{What: "the ground lead is off", Events: eventsOf(read[from:to]),
				Why: fmt.Sprintf("OL at %s, where good boards read a drop", several(len(lines), "net"))}
			x.Do = "Put that lead on ground again: a ground pin then reads 0.000."
			switch {
			case ground > 0 && len(lines) == 0:
				x.Why = fmt.Sprintf("OL at %s, and nothing else was read", several(ground, "ground pin"))
			case ground > 0:
				x.Why += fmt.Sprintf(", and at %s", several(ground, "ground pin"))
			default:
				x.Why += ", and no ground pin was read"
				x.Do = "Read a ground pin: if it does not read 0.000, put that lead on ground again."
			}
			return x
		}
		from = max(to, from+1)
	}
	return nil
}

// several counts things: "1 net", "7 nets".
func several(n int, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// leadsTogether: all reads 0, or what not connected (NC) does.
func (e *Basis) leadsTogether(read []Comparison) *Implausible {
	ground := e.Board.Nets[e.Board.Ground].Name
	zero, lines := map[string]bool{}, map[string]bool{}
	others, free, freeZero := 0, 0, 0 // readings that are not 0; of pins that are not connected
	for i := range read {
		r := &read[i]
		if !r.zero() {
			others++
		}
		switch {
		case r.Net == ground || r.low():
		case e.unconnected(r):
			free++
			if r.zero() {
				freeZero++
			}
		default:
			lines[r.Net] = true
			if r.zero() {
				zero[r.Net] = true
			}
		}
	}
	n, share := len(zero), float64(len(zero))/float64(len(lines))
	switch {
	case n >= fewestAlike && others == 0:
	case n >= manyAlike && share >= nearlyAll:
	case n >= zeroNets && share >= zeroShare && free > 0 && freeZero == free:
	default:
		return nil
	}
	x := &Implausible{What: "the leads touch, both are on one net, or the meter is not in diode mode", Events: eventsOf(read),
		Why: fmt.Sprintf("0.000 at %d of %s that are not ground", n, several(len(lines), "net"))}
	if freeZero > 0 {
		x.Why += ", and at " + several(freeZero, "pin") + " with nothing connected"
	}
	x.Do = "Hold the leads apart: the meter then reads OL. Set it to diode mode."
	return x
}

// unconnected tells a pin that nothing on the board is joined to.
func (e *Basis) unconnected(r *Comparison) bool {
	at, err := e.Board.Point(r.At)
	return err == nil && (at.Net == netlist.None || len(e.Board.Nets[at.Net].Terminals) == 0 && at.Net != e.Board.Ground)
}

// leadElsewhere: no ground pin reads 0, though current flows.
func (e *Basis) leadElsewhere(read []Comparison) *Implausible {
	ground, at := 0, ""
	for i := range read {
		switch r := &read[i]; {
		case !e.isGround(r):
			if r.zero() {
				at = r.Net
			}
		case r.zero() || r.Overload:
			return nil
		default:
			ground++
		}
	}
	if ground < groundPins {
		return nil
	}
	x := &Implausible{What: "the lead that belongs on ground is elsewhere", Events: eventsOf(read), Why: fmt.Sprintf("none of %s reads 0.000", several(ground, "ground pin"))}
	if at != "" {
		x.Why += ", and " + at + " does"
	}
	x.Do = "Put that lead on ground: a ground pin then reads 0.000."
	return x
}

// leftOver tells that the likeliest set of faults explains few of the nets that read
// wrong.
func (q *Inquiry) leftOver(d *Findings) (*Implausible, error) {
	wrong, all := count(d.Readings, wrongly)
	if !mostly(len(wrong), len(all)) {
		return nil, nil
	}
	var changes []network.Change
	if len(q.Result.Explanations) > 0 {
		for _, f := range q.Result.Explanations[0].Faults {
			if f.Locus != nil {
				changes = append(changes, f.Locus.At(f.Ohms))
			}
		}
	}
	w := network.NewWorkspace(q.Model)
	left := map[string]bool{}
	for i := range d.Readings {
		r := &d.Readings[i]
		if q.Taken[i].Obs < 0 || !r.plain() || !wrongly(r) {
			continue
		}
		o := &q.Obs[q.Taken[i].Obs]
		p, err := q.Physics.Under(w, o, changes)
		if err != nil {
			return nil, err
		}
		if !explains(o, p) {
			left[r.net()] = true
		}
	}
	if len(left) < fewestLeft || float64(len(left)) < leftShare*float64(len(all)) {
		return nil, nil
	}
	return &Implausible{What: "it may be another connector, board, revision or range", Events: eventsOf(d.Readings),
		Why: fmt.Sprintf("%d of %s read wrong, and the likeliest faults explain %d of them", len(wrong), several(len(all), "net"), len(wrong)-len(left)),
		Do:  "Is it the right connector, counted from the right end, the right board and revision, and is the meter in diode mode, with the right lead on ground?"}, nil
}

// explains tells whether a reading is what a prediction says.
func explains(o *fault.Observation, p fault.Prediction) bool {
	if o.Over != (p.Volts > o.Probe.Meter.Over) {
		return false
	}
	return o.Over || math.Abs(o.ZScore(p)) < VerdictSigmas
}

// eventsOf lists the events that readings were taken in, in order.
func eventsOf(read []Comparison) []int {
	var all []int
	for i := range read {
		all = append(all, read[i].Event)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Implausible says that readings are not those of the board, whatever is wrong with
// it: what is wrong lies with the leads, the range, or which board it is. Nothing is
// concluded from such readings.
type Implausible struct {
	What   string `json:"what"`   // in a sentence without its full stop: "the ground lead is off"
	Why    string `json:"why"`    // what the readings show, alike
	Do     string `json:"do"`     // what puts it right, in whole sentences
	Events []int  `json:"events"` // of the readings that are to be taken back
}
