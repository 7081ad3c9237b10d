package fault

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Drop is millivolts read at parts of a rail while a supply drives a known current into
// the short on it: the copper drops a little from part to part, and the lowest reading
// sits nearest the short.
type Drop struct {
	Rail    netlist.NetID
	Amperes float64
	Volts   map[netlist.PartID]float64 // V against ground, by part
	Across  []Across                   // across series parts that lead away from the rail
}

// Across is millivolts read across a series part with the supply on one side of it: a drop
// where the short lies beyond it, next to nothing where it does not.
type Across struct {
	Part      netlist.PartID
	Volts     float64
	Ohms      float64                   // of the part, as drawn
	near, far map[netlist.NetID]float64 // nets on the side of the supply, and beyond
}

// AcrossPart gives a reading in volts across a series part between the rail that is fed and
// another net, of a board as the bench has left it.
func AcrossPart(m *network.Model, v *network.Values, rail netlist.NetID, part netlist.PartID, edits netlist.Edits, volts float64) Across {
	x := Across{Part: part, Volts: volts, near: Feed(m, v, rail, edits.Remove(part)).Fed}
	m.Neighbours(rail, func(e int32, other netlist.NetID) {
		if m.Elements[e].Part == part {
			x.Ohms, x.far = v.Ohms[e], Feed(m, v, other, edits.Remove(part)).Fed
		}
	})
	return x
}

// Drops gives the volts across the part that a path to ground makes of a supply of up to so
// many amperes: 0 on the side of the supply. It is not known of one that neither side leads
// to, or both do.
func (x *Across) Drops(c *network.Change, ground netlist.NetID, amperes float64) (volts float64, known bool) {
	n := c.A.Net
	if n == ground {
		n = c.B.Net
	}
	if !c.Joins(n, ground) {
		return 0, false
	}
	_, near := x.near[n]
	_, far := x.far[n]
	if far && !near {
		volts = x.Ohms * math.Min(amperes, DropVolts/(x.Ohms+math.Max(c.Ohms, network.MinOhms)))
	}
	return volts, near != far
}

// ratio gives the likelihood of what was read across the part if a path to ground is the
// short, its ohms left open, over that where it was to be expected.
func (x *Across) ratio(c network.Change, ground netlist.NetID, amperes float64) float64 {
	c.Ohms = 0
	volts, known := x.Drops(&c, ground, amperes)
	if shows := math.Abs(x.Volts) > 1.5*DropStep; known && shows != (volts > 0) && (shows || volts > AcrossLeast) {
		return strayShare
	}
	return 1
}

// Step is the step of the display that the readings show, in volts: 0.1 mV, or 1 mV where
// none of them has a tenth.
func (d *Drop) Step() float64 {
	for _, v := range d.Volts {
		if math.Abs(v*1e3-math.Round(v*1e3)) > 0.01 {
			return DropStep
		}
	}
	return 10 * DropStep
}

// lowest gives the lowest reading, and how much above it counts as alike, in volts.
func (d *Drop) lowest() (volts, alike float64) {
	volts = math.Inf(1)
	for _, x := range d.Volts {
		volts = math.Min(volts, x)
	}
	return volts, 1.5 * d.Step()
}

// Lowest tells whether a part reads as low as any other, or was not read.
func (d *Drop) Lowest(part netlist.PartID) bool {
	v, read := d.Volts[part]
	low, alike := d.lowest()
	return !read || v-low <= alike
}

// Alike tells whether all parts read alike.
func (d *Drop) Alike() bool {
	for part := range d.Volts {
		if !d.Lowest(part) {
			return false
		}
	}
	return true
}

// Ratio gives the likelihood of all that was read if a part is the short, over that if one
// which reads lowest is. What was not read, such as a bridge or a pin under an IC, is likelier
// the more of the parts read alike: they hang on the copper that leads to it then.
//
// Each other part ties with the short with a chance that is the same all along the rail and
// not known beforehand (Beta-binomial): where a branch leads away from the current, all that
// hangs on it ties at once.
func (d *Drop) Ratio(part netlist.PartID) float64 {
	v, read := d.Volts[part]
	if len(d.Volts) < 2 {
		return 1
	}
	lowest, alike := d.lowest()
	within := clamp(math.Log(alike/(d.Amperes*leastCopper))/math.Log(mostCopper/leastCopper), 0, 1)
	tied := tiedCount * (tiedShare + (1-tiedShare)*within)
	low := 0.0
	for _, x := range d.Volts {
		if x-lowest <= alike {
			low++
		}
	}
	n := float64(len(d.Volts))
	switch {
	case !read: // all low ones tie with it, and not only the others
		return (tied + low - 1) / (tiedCount + n - 1)
	case v-lowest <= alike:
		return 1
	}
	return math.Min(1, strayShare*(tied+low-1)/(tiedCount-tied+n-1-low))
}

// dropped gives the likelihood ratio of all such readings for a locus.
func (s *search) dropped(l *Locus) float64 {
	f := 1.0
	for i := range s.ev.Drops {
		d := &s.ev.Drops[i]
		if l.Change.Joins(d.Rail, s.m.Board.Ground) {
			f *= d.Ratio(l.Part)
		}
		for k := range d.Across {
			f *= d.Across[k].ratio(l.Change, s.m.Board.Ground, d.Amperes)
		}
	}
	return f
}
