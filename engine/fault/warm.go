package fault

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Injection is current from a limited supply into a rail, at the rail's own voltage,
// and what was felt of it.
type Injection struct {
	Volts float64                 // V
	Nets  []netlist.NetID         // what is fed; see Fed
	Warm  map[netlist.PartID]bool // by part that was on these nets: did it warm up
}

// Power in watts that warms a part beyond doubt, and that is not felt at all. A small
// part on a board rises by some 100 to 300 K per watt (thermal resistance from
// junction or film to ambient, from memory), so that these are some 40 K and 2 K.
const (
	hotWatts  = 0.2
	coldWatts = 0.01
)

// feedOhms bounds the resistances that injected current passes to nets beside its
// rail (common practice, no source): beads and links.
const feedOhms = 5.0

// unknownRail is the voltage in volts taken for a rail whose own is not known
// (common practice, no source).
const unknownRail = 1.8

// Feed gives an injection into a rail, before anything was felt.
func Feed(m *network.Model, v *network.Values, rail netlist.NetID) Injection {
	in := Injection{Volts: m.Board.Nets[rail].RailVolts, Nets: []netlist.NetID{rail}, Warm: map[netlist.PartID]bool{}}
	if math.IsNaN(in.Volts) || in.Volts <= 0 {
		in.Volts = unknownRail
	}
	seen := map[netlist.NetID]bool{rail: true, m.Board.Ground: true, netlist.None: true}
	for i := 0; i < len(in.Nets); i++ {
		for _, c := range m.NetContacts(in.Nets[i]) {
			for _, e := range m.ContactElements(network.Contact(c)) {
				el := &m.Elements[e]
				if el.Class != network.Resistive || v.Ohms[e] > feedOhms {
					continue
				}
				for _, n := range [2]netlist.NetID{m.Net(el.A), m.Net(el.B)} {
					if !seen[n] {
						seen[n] = true
						in.Nets = append(in.Nets, n)
					}
				}
			}
		}
	}
	return in
}

// Watts gives the power in watts that a fault of so many ohms takes: V^2/R where it
// leads from a fed net to ground, 0 elsewhere.
func (in *Injection) Watts(l *Locus, ground netlist.NetID, ohms float64) float64 {
	if l == nil || l.Change.Kind != network.AddPath {
		return 0
	}
	a, b := l.Change.A.Net, l.Change.B.Net
	if a == ground {
		a, b = b, a
	}
	if b != ground {
		return 0
	}
	for _, n := range in.Nets {
		if n == a {
			return in.Volts * in.Volts / math.Max(ohms, network.MinOhms)
		}
	}
	return 0
}

// WarmShare gives the share of parts taking so many watts that are found warm: BadWarm
// from hotWatts on, OKWarm up to coldWatts, and straight over the logarithm of the
// power in between.
func (p *Priors) WarmShare(watts float64) float64 {
	up := clamp(math.Log(watts/coldWatts)/math.Log(hotWatts/coldWatts), 0, 1)
	// a share of 0 or 1 in a file is not meant as certain beyond all readings
	return clamp(p.OKWarm+up*(p.BadWarm-p.OKWarm), 1e-6, 1-1e-6)
}

// felt gives the likelihood ratio of what was felt of all injections if a locus has so
// many ohms, over a good part.
func (s *search) felt(l *Locus, ohms float64) float64 {
	f := 1.0
	good := s.p.WarmShare(0)
	for i := range s.ev.Injections {
		in := &s.ev.Injections[i]
		warm, there := in.Warm[l.Part]
		if !there {
			continue
		}
		bad := s.p.WarmShare(in.Watts(l, s.m.Board.Ground, ohms))
		if warm {
			f *= bad / good
		} else {
			f *= (1 - bad) / (1 - good)
		}
	}
	return f
}

// warmed tells whether any injection says something of a locus.
func (s *search) warmed(l *Locus) bool {
	for i := range s.ev.Injections {
		if _, there := s.ev.Injections[i].Warm[l.Part]; there && l.Part != netlist.None && s.ev.Injections[i].Watts(l, s.m.Board.Ground, 1) > 0 {
			return true
		}
	}
	return false
}
