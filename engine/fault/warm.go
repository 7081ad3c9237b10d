package fault

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Injection is current from a limited supply into a rail, at the rail's own voltage,
// and what it warmed.
type Injection struct {
	Volts float64                   // V
	Fed   map[netlist.NetID]float64 // by net that the current reaches: ohms on the way there
	Warm  map[netlist.PartID]bool   // by part that was on these nets: did it warm up
	Sight Sight
}

// Sight is how well the warmth of a part is seen: the power in watts that shows beyond
// doubt, and that which does not show at all.
type Sight struct{ Hot, Cold float64 }

// Sights of warmth, by how it is seen (common practice, no source). A small part on a
// board rises by some 100 to 300 K per watt (thermal resistance from junction or film to
// ambient, from memory), so that a film of alcohol, which clears from some 40 K on and
// not at 2 K, takes 0.2 and 0.01 W; a camera shows 10 K and 0.5 K; without either a part
// has to discolour.
var (
	ByFilm   = Sight{0.2, 0.01}
	ByCamera = Sight{0.05, 0.0025}
	ByNone   = Sight{2, 0.5}
)

// Feed gives an injection into a rail of a board as the bench has left it, before
// anything was found warm.
func Feed(m *network.Model, v *network.Values, rail netlist.NetID, edits netlist.Edits) Injection {
	in := Injection{Volts: m.Board.Nets[rail].RailVolts, Fed: map[netlist.NetID]float64{rail: 0}, Warm: map[netlist.PartID]bool{}, Sight: ByFilm}
	if math.IsNaN(in.Volts) || in.Volts <= 0 {
		in.Volts = unknownRail
	}
	for todo := []netlist.NetID{rail}; len(todo) > 0; {
		n := todo[0]
		todo = todo[1:]
		m.Neighbours(n, func(e int32, other netlist.NetID) {
			ohms := in.Fed[n]
			switch x := edits.Of(m.Elements[e].Part); {
			case x.Jumpered:
				ohms += x.Ohms
			case x.Removed:
				return
			default:
				ohms += v.Ohms[e]
			}
			if was, ok := in.Fed[other]; ohms <= feedOhms && other != m.Board.Ground && (!ok || ohms < was) {
				in.Fed[other] = ohms
				todo = append(todo, other)
			}
		})
	}
	return in
}

// Watts gives the power in watts that a fault of so many ohms takes: 0 where it does
// not lead from a fed net to ground. With R its ohms, Rs those on the way, V the
// supply's volts and I its limit it is the less of
//
//	R (V/(R+Rs))^2  and  R I^2
func (in *Injection) Watts(l *Locus, ground netlist.NetID, ohms float64) float64 {
	if l == nil || l.Change.Kind != network.AddPath {
		return 0
	}
	a, b := l.Change.A.Net, l.Change.B.Net
	if a == ground {
		a, b = b, a
	}
	way, fed := in.Fed[a]
	if !fed || b != ground {
		return 0
	}
	amperes := math.Min(in.Volts/math.Max(ohms+way, network.MinOhms), feedAmperes)
	return ohms * amperes * amperes
}

// WarmShare gives the share of parts taking so many watts that are found warm: BadWarm
// from Hot on, OKWarm up to Cold, and straight over the logarithm of the power in
// between.
func (p *Priors) WarmShare(watts float64, by Sight) float64 {
	up := clamp(math.Log(watts/by.Cold)/math.Log(by.Hot/by.Cold), 0, 1)
	// a share of 0 or 1 in a file is not meant as certain beyond all readings
	return clamp(p.OKWarm+up*(p.BadWarm-p.OKWarm), 1e-6, 1-1e-6)
}

// warmRatio gives the likelihood ratio of what was found warm or cold in all injections if
// a locus has so many ohms, over a good part.
func (s *search) warmRatio(l *Locus, ohms float64) float64 {
	f := 1.0
	good := s.p.WarmShare(0, ByFilm)
	for i := range s.ev.Injections {
		in := &s.ev.Injections[i]
		warm, there := in.Warm[l.Part]
		if !there {
			continue
		}
		bad := s.p.WarmShare(in.Watts(l, s.m.Board.Ground, ohms), in.Sight)
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
