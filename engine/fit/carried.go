package fit

import (
	"math"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Open gives the covariance in V^2 that the priors of the junctions give to two
// readings with the given slopes, before any reading of good boards. A series
// resistance is held to the share of its drop that it can have.
func (b *Posterior) Open(one, two []Slope) float64 {
	sum := 0.0
	for _, s := range one {
		v := b.prior[s.unknown]
		if s.unknown%unknowns == series {
			// of what lies anywhere from nothing to the most
			v = math.Min(v, square(mostSeries*b.Values.Junctions[s.unknown/unknowns].Drop/network.RefCurrent)/12)
		}
		for _, t := range two {
			if s.unknown == t.unknown {
				sum += v * s.slope * t.slope
			}
		}
	}
	return sum
}

func square(x float64) float64 { return x * x }

// Carried gives the variance in V^2 that a good board's reading at a spot takes
// on by being converted to a meter under which it reads volts and has the given
// slopes, from the reading of the spot in the library that is nearest to it: none
// where the same meter is used.
func (b *Posterior) Carried(s Spot, slopes []Slope, d network.Drive, volts float64) float64 {
	least := math.Inf(1)
	for r := range b.rows {
		row := &b.rows[r]
		if row.spot != s {
			continue
		}
		diff := append([]Slope(nil), slopes...)
		for _, q := range row.slopes {
			diff = append(diff, Slope{q.unknown, -q.slope})
		}
		diff = merged(diff)
		v := math.Max(b.left(diff, diff), 0)
		if s.Net != netlist.None && b.Model.Board.Nets[s.Net].Rail {
			v += loadGap(row.volts, through(row.probe.Meter, row.volts), volts, through(d, volts))
		}
		least = math.Min(least, v)
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// through gives the current in amperes that a meter drives at a reading.
func through(d network.Drive, volts float64) float64 {
	if d.Resistive {
		return d.Current * math.Max(1-volts/d.Open, 0.05)
	}
	return d.Current
}

// Shares of rails with a load that nobody drew, such as a divider or a
// regulator's feedback, and how much of the current it takes where there is one.
// Common practice, no source.
const (
	loadedRails = 0.15
	loadTakes   = 0.5
)

// loadGap gives the variance in V^2 of carrying a rail's reading from one current
// to another: what a junction hardly changes by, a load changes by in proportion.
func loadGap(from, fromAmperes, to, toAmperes float64) float64 {
	if math.Abs(toAmperes/fromAmperes-1) < 0.03 {
		return 0
	}
	gap := loadTakes * (to - from*toAmperes/fromAmperes)
	return loadedRails * gap * gap
}

// merged adds up slopes against the same unknown.
func merged(slopes []Slope) []Slope {
	at := map[int32]int{}
	out := slopes[:0:0]
	for _, s := range slopes {
		if k, ok := at[s.unknown]; ok {
			out[k].slope += s.slope
			continue
		}
		at[s.unknown] = len(out)
		out = append(out, s)
	}
	return out
}
