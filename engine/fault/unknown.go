package fault

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Unknowns lists the paths to ground that nobody drew, one for each net but ground,
// where loci are the faults of what is drawn, and along the nets along which somebody looked
// for more. A line is what is joined by resistance, up to rails. Paths that nobody drew and
// good boards show fail as pins of an IC do.
func Unknowns(m *network.Model, p *Priors, v *network.Values, loci []Locus, along map[netlist.NetID]bool) []Locus {
	drawn := make([]float64, len(m.Board.Nets)) // odds of paths that end on a net
	for i := range loci {
		l := &loci[i]
		if l.Change.Kind != network.AddPath {
			continue
		}
		for _, r := range l.Modes {
			for _, p := range [2]network.Place{l.Change.A, l.Change.B} {
				if p.Net != m.Board.Ground && p.Net != netlist.None {
					drawn[p.Net] += r.Odds
				}
			}
		}
	}
	shown := func(n netlist.NetID, black bool) (e int32, ok bool) {
		e, ok = m.Undrawn(n, black)
		return e, ok && !math.IsInf(v.Junctions[e].Drop, 1)
	}
	ic := p.Kinds[netlist.IC.String()]
	var out []Locus
	done := make([]bool, len(m.Board.Nets))
	for n := range m.Board.Nets {
		start := netlist.NetID(n)
		if done[n] || start == m.Board.Ground {
			continue
		}
		line := m.Line(start)
		odds := 0.0
		for _, n := range line {
			done[n] = true
			odds += drawn[n]
		}
		odds *= unknownShare / 2 / float64(len(line))
		for _, n := range line {
			short, leaky := odds/2, odds/2
			_, red := shown(n, false)
			if _, black := shown(n, true); red || black {
				short, leaky = short+ic.Odds("shorted"), leaky+ic.Odds("leaky")
			}
			if short+leaky > 0 {
				here := left(along[n])
				out = append(out, unknown(m, n, short*here, leaky*here))
			}
		}
	}
	pin := ic.Odds("open") + p.Copper["joint"].Odds("open")
	for n := range m.Board.Nets {
		for _, black := range []bool{false, true} {
			if e, ok := shown(netlist.NetID(n), black); ok {
				l := Locus{Part: netlist.None, Terminal: -1, Other: -1, Net: netlist.NetID(n), Unknown: true, Series: true}
				l.Modes = []ModeRange{{UnknownBreak, pin * left(along[l.Net]), math.Inf(1), math.Inf(1)}}
				l.Change = network.Change{Kind: network.Cut, Element: e, Owner: netlist.None}
				out = append(out, l)
			}
		}
	}
	return out
}

// left is the share of what nobody drew at a net that may still be there.
func left(looked bool) float64 {
	if looked {
		return Overlooked
	}
	return 1
}

// unknown is a path from a net to ground that nobody drew, by its odds as a short and as
// a leak.
func unknown(m *network.Model, n netlist.NetID, short, leaky float64) Locus {
	l := Locus{Part: netlist.None, Terminal: -1, Other: -1, Net: n, Unknown: true}
	l.Modes = []ModeRange{{UnknownPath, short, LeastOhms, ShortOhms}, {UnknownPath, leaky, ShortOhms, LeakOhms}}
	l.Change = network.Change{Kind: network.AddPath, Owner: netlist.None, A: m.PlaceOf(netlist.NetPoint(n)), B: m.GroundPlace()}
	return l
}

// anywhere adds, for each net with an outlier, that something undrawn makes it read
// anything; other nets are taken to be as they were.
func (s *search) anywhere(unknowns []Locus) {
	for u := range unknowns {
		l := &unknowns[u]
		if l.Series {
			continue
		}
		mask, first := make([]uint64, s.words), -1
		outlying := false
		for i := range s.obs {
			if o := &s.obs[i]; o.Spot.Net == l.Net && !o.Between {
				setBit(mask, i)
				if first < 0 || s.obs[first].Over && !o.Over {
					first = i
				}
				outlying = outlying || s.isOutlier(i)
			}
		}
		if !outlying {
			continue
		}
		odds := 0.0
		for _, r := range l.Modes {
			odds += r.Odds
		}
		own := s.elsewhere(mask, first)
		s.outliers = append(s.outliers, outlier{mode: UnknownPath, locus: l, obs: first, mask: mask, odds: math.Log(odds), own: own, change: own - s.alone(mask, first)})
	}
}

// elsewhere gives the logarithm of the density of some observations of one net if the
// first of them may be anywhere on the display and the others are where
// it is.
func (s *search) elsewhere(mask []uint64, first int) float64 {
	density := math.Log((1 - outlierOver) / outlierSpan)
	if s.obs[first].Over {
		density = math.Log(outlierOver)
	}
	b := s.ph.Joint.block(mask, nil)
	return density + b.base - b.parts[0]
}
