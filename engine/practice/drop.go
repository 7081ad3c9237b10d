package practice

import (
	"math"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Drop gives the millivolts, in volts, that parts of a rail read while a supply drives
// so many amperes into the rail at the part clip. The rail is a tree of copper that grew
// part by part, its pieces 0.1 to 20 milliohm, log-uniform; every fourth part lies on a
// plane with the one before. All current leaves through the short of least ohms.
func (s *Simulator) Drop(rail netlist.NetID, clip netlist.PartID, parts []netlist.PartID, amperes float64, edits netlist.Edits) map[netlist.PartID]float64 {
	w := s.Board
	b := w.Truth.Model.Board
	r := random(w.Key(), "copper of "+b.Nets[rail].Name)
	above, ohms := map[netlist.PartID]netlist.PartID{}, map[netlist.PartID]float64{}
	var grown []netlist.PartID
	for _, t := range b.Nets[rail].Terminals {
		if _, there := above[t.Part]; there {
			continue
		}
		above[t.Part] = netlist.None
		if n := len(grown); n > 0 {
			above[t.Part] = grown[r.IntN(n)]
			if r.IntN(4) > 0 {
				ohms[t.Part] = logUniform(r, 1e-4, 2e-2)
			}
		}
		grown = append(grown, t.Part)
	}
	short, least := netlist.PartID(netlist.None), math.Inf(1)
	for _, f := range w.Wrong(edits) {
		if f.Locus.Change.Joins(rail, b.Ground) && f.Ohms < least {
			short, least = f.Locus.Part, f.Ohms
		}
	}
	out := map[netlist.PartID]float64{}
	way := map[netlist.PartID]bool{} // from the clip to the short
	path := func(p netlist.PartID) (list []netlist.PartID) {
		for ; p != netlist.None; p = above[p] {
			list = append(list, p)
		}
		return list
	}
	if !math.IsInf(least, 1) { // a bridge lies at the connector, where the rail begins
		for _, p := range path(clip) {
			way[p] = !way[p]
		}
		for _, p := range path(short) {
			way[p] = !way[p] // pieces that both ways share carry nothing
		}
	}
	amperes = math.Min(amperes, fault.DropVolts/math.Max(least, network.MinOhms))
	show := func(volts float64) float64 { return math.Round(volts*(1+s.Meter.gain)*1e4) / 1e4 }
	for _, p := range parts {
		if at := &b.Parts[p]; at.Kind.Class() == netlist.Series && len(at.Terminals) == 2 {
			out[p] = show(s.across(rail, p, edits))
			continue
		}
		if math.IsInf(least, 1) {
			out[p] = fault.DropVolts // nothing on the rail takes the current
			continue
		}
		// what p reads over the short: the pieces that its way to the short shares with
		// the current's
		own := map[netlist.PartID]bool{}
		for _, x := range path(p) {
			own[x] = !own[x]
		}
		for _, x := range path(short) {
			own[x] = !own[x]
		}
		v := amperes * least
		for x, on := range own {
			if on && way[x] {
				v += amperes * ohms[x]
			}
		}
		out[p] = show(v)
	}
	return out
}

// acrossAmperes is what the supply is limited to where its current is read across a part, as
// the bench is asked to.
const acrossAmperes = 0.1

// across gives the volts across a series part with the supply on its one side, on rail: the
// current divides between the shorts on either side.
func (s *Simulator) across(rail netlist.NetID, part netlist.PartID, edits netlist.Edits) float64 {
	w := s.Board
	m := w.Truth.Model
	x := fault.AcrossPart(m, w.values, rail, part, edits, 0)
	near, far := 0.0, 0.0 // S
	for _, f := range w.Wrong(edits) {
		c := f.Locus.At(f.Ohms)
		switch volts, known := x.Drops(&c, m.Board.Ground, acrossAmperes); {
		case !known:
		case volts > 0:
			far += 1 / (x.Ohms + math.Max(c.Ohms, network.MinOhms))
		default:
			near += 1 / math.Max(c.Ohms, network.MinOhms)
		}
	}
	if far == 0 {
		return 0
	}
	return x.Ohms * far / (near + far) * math.Min(acrossAmperes, fault.DropVolts*(near+far))
}
