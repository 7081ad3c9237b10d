package fault

import (
	"math"
	"slices"

	"halfsplit/engine/circuit"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// sharing is what the fit cannot see of two junctions side by side: which of them
// carries the current. A TVS beside an IC's pin reads as the lower of the two
// drops, and the fit, which settles on one answer, may leave the TVS with next
// to nothing to carry. If it does carry a share s after all, the reading rises by
//
//	n Vt ln(1/(1-s))
//
// when the TVS goes open, which is exponential with a mean of n Vt where any
// share is as likely as any other.
type sharing struct {
	junction int32
	change   network.Change // that cuts it off, without its resistance
	volts    float64        // V, mean rise of the reading
	variance float64        // V^2
	// What good boards read may as well be the drop of this junction as of the one that the
	// fit puts it down to, which then drops more.
	instead instead
}

// junctions lists those on the line of an observation, which an open may cut off from it.
func (s *search) junctions(o *Observation, line []netlist.NetID) (out []int32) {
	if o.Spot.Net == netlist.None || o.Between {
		return nil
	}
	for _, n := range line {
		for _, e := range s.m.Junctions(n) {
			if !slices.Contains(out, e) {
				out = append(out, e)
			}
		}
	}
	return out
}

// cutsOff gives the first of some sharings over junctions on a line that a locus, where it is
// open, cuts off from the observation while the junction that carries its current is not;
// -1 for none.
func (s *search) cutsOff(o *Observation, l *Locus, line []netlist.NetID, sharings []sharing) int {
	c := &l.Change
	if _, open := gridOf(l); !open || !l.Series || !slices.ContainsFunc(s.m.Nets(c), func(n netlist.NetID) bool { return slices.Contains(line, n) }) {
		return -1
	}
	at := o.Probe.Minus
	if o.Spot.Polarity == references.BlackOnGround {
		at = o.Probe.Plus
	}
	near := s.m.Reached(at, c)
	reached := func(e int32) bool { return near[s.m.Elements[e].A] || near[s.m.Elements[e].B] }
	carrier, ok := fit.Carrier(o.row.slopes)
	return slices.IndexFunc(sharings, func(v sharing) bool {
		return c.Kind == network.Cut && c.Element == v.junction || !reached(v.junction) && (!ok || reached(carrier))
	})
}

// instead tells that with a chance it is not the carrier that carries the current of a
// good board; that one then lies higher, by a standard deviation in volts.
type instead struct {
	carrier   int32 // element
	share, sd float64
}

// instead gives the chance that what an observation's good boards read is the drop of
// junction e and not of the one that the fit puts it down to, by the priors of both, and how
// far that one then lies above it.
func (ph *Physics) instead(o *Observation, e int32, across float64) instead {
	first, ok := fit.Carrier(o.row.slopes)
	if !ok || o.Known == nil || first == e {
		return instead{}
	}
	of := func(e int32) (density, above, z, sd float64) {
		p := ph.Posterior.Model.Elements[e].Origin.Prior().Drop
		z = (across - p.Mean) / p.SD
		return math.Exp(-z*z/2) / p.SD, math.Erfc(z/math.Sqrt2) / 2, z, p.SD
	}
	f1, above1, z, sd := of(first)
	f2, above2, _, _ := of(e)
	hazard := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / above1
	return instead{carrier: first, share: f2 * above1 / (f2*above1 + f1*above2), sd: sd * math.Sqrt(math.Max(1+z*z-z*hazard, 0))}
}

// sharing gives the sharing of a junction at the reading of a good board that w has
// just taken, or nothing.
//
// The drop of the junction is normal by the fit, cut off where it would carry so
// much that the reading were lower. The chance that it carries a share that counts
// is that of its drop lying within n Vt of the voltage across it.
func (ph *Physics) sharing(w *network.Workspace, st *network.State, o *Observation, e int32) (v sharing, ok bool) {
	j := &ph.Values.Junctions[e]
	across, reached := w.Across(e, st)
	if !reached || o.base.Over || across < sharingVolts || o.base.Volts-across > sharingBehind {
		return sharing{}, false
	}
	step := j.Ideality * circuit.ThermalVoltage(ph.Values.Celsius)
	if math.Exp((across-j.Drop)/step)*network.RefCurrent > sharingCurrent*o.Probe.Meter.Current {
		return sharing{}, false
	}
	sd := ph.Posterior.DropSD(e)
	if sd < step {
		return sharing{}, false
	}
	drop := references.StudentT{Center: j.Drop, Scale: sd, DF: math.Inf(1)} // a normal
	chance := (drop.CDF(across+step) - drop.CDF(across-step)) / drop.Upper(across-step)
	mean := chance * step
	return sharing{junction: e, volts: mean, variance: 2*chance*step*step - mean*mean, instead: ph.instead(o, e, across)}, true
}

// remove adds a sharing to a row for a board where the junction is open.
func (o *Observation) remove(q *row, changes []network.Change) {
	for i := range changes {
		if v := o.sharingOf(&changes[i]); v != nil {
			q.volts += v.volts
			q.share(o.spotKey(), math.Sqrt(v.variance))
			q.instead = v.instead
		}
	}
}

// sharingOf gives the sharing over a change that opens a junction, nil where there is
// none.
func (o *Observation) sharingOf(c *network.Change) *sharing {
	if !math.IsInf(c.Ohms, 1) {
		return nil
	}
	for i := range o.sharings {
		if v := &o.sharings[i]; v.change.Kind == c.Kind && v.change.Element == c.Element && v.change.Contact == c.Contact && v.change.Net == c.Net && v.change.After == c.After {
			return v
		}
	}
	return nil
}
