package fault

import (
	"math"

	"halfsplit/netlist"
)

// Drop is millivolts read at parts of a rail while a supply drives a known current into
// the short on it: the copper drops a little from part to part, and the lowest reading
// sits nearest the short.
type Drop struct {
	Rail    netlist.NetID
	Amperes float64
	Volts   map[netlist.PartID]float64 // V against ground, by part
}

// Step is the step of the display that the readings show, in volts: 0.1 mV, or 1 mV where
// none of them has a tenth.
func (d *Drop) Step() float64 {
	for _, v := range d.Volts {
		if math.Abs(v*1e3-math.Round(v*1e3)) > 0.01 {
			return 1e-4
		}
	}
	return 1e-3
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

// Ratio gives the likelihood ratio of what a part reads if it is the short, over
// another part being it.
func (d *Drop) Ratio(part netlist.PartID) float64 {
	v, read := d.Volts[part]
	if !read || len(d.Volts) < 2 {
		return 1
	}
	lowest, alike := d.lowest()
	within := clamp(math.Log(alike/(d.Amperes*leastCopper))/math.Log(mostCopper/leastCopper), 0, 1)
	tied := tiedShare + (1-tiedShare)*within
	if v-lowest <= alike {
		return (1 - strayShare) / tied
	}
	return strayShare / math.Max(1-tied, strayShare)
}

// dropped gives the likelihood ratio of all such readings for a locus.
func (s *search) dropped(l *Locus) float64 {
	f := 1.0
	for i := range s.ev.Drops {
		d := &s.ev.Drops[i]
		if l.Change.Joins(d.Rail, s.m.Board.Ground) {
			f *= d.Ratio(l.Part)
		}
	}
	return f
}
