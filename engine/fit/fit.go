package fit

import (
	"math"

	"halfsplit/engine/circuit"
	"halfsplit/engine/network"
	"halfsplit/references"
	"halfsplit/references/stat"
)

// matchedWarm is the width in K of the temperatures that go into one group: with a
// group for each degree, a library of a hundred sweeps would take minutes to fit.
const matchedWarm = 5.0

// collect groups the library's readings by spot, meter and about the temperature,
// in a fixed order.
func collect(m *network.Model, lib *references.Library) []*group {
	type key struct {
		spot    Spot
		drive   network.Drive
		celsius float64
	}
	groups := map[key]*group{}
	var order []*group
	for _, s := range lib.Sweeps {
		d, t := DriveOf(s.Meter), network.RefCelsius+matchedWarm*math.Round((s.State.Celsius-network.RefCelsius)/matchedWarm)
		for i := range s.Readings {
			r := &s.Readings[i]
			k := key{SpotOf(m, r.At, s.State.Polarity), d, t}
			g := groups[k]
			if g == nil {
				g = &group{spot: k.spot, at: m.PlaceOf(r.At), drive: d, meter: s.Meter, celsius: t}
				groups[k] = g
				order = append(order, g)
			}
			g.samples = append(g.samples, references.Sample{Volts: r.Reading.Value, Overload: r.Reading.Overload, Sweep: s})
		}
	}
	for _, g := range order {
		g.take(g.samples)
	}
	return order
}

// Fit estimates the junctions of a board from a library of known-good sweeps;
// lib may be nil or empty.
func Fit(m *network.Model, lib *references.Library) (*Posterior, error) {
	return learnt(m, lib, true)
}

// Guess is Fit without the fitting: what good boards read is known, but junctions
// drop what junctions usually do. It shows what the fit is worth.
func Guess(m *network.Model, lib *references.Library) (*Posterior, error) {
	return learnt(m, lib, false)
}

func learnt(m *network.Model, lib *references.Library, fitted bool) (*Posterior, error) {
	b := &Posterior{Model: m, Values: m.Nominal(), Spread: references.DefaultSpread(0.5), known: map[Spot]Known{}, conversions: map[Spot]*conversion{}, doubts: map[Spot]float64{}, trial: trial{element: -1}, seenBy: make([][]seen, unknowns*len(m.Elements))}
	b.prior = make([]float64, unknowns*len(m.Elements))
	for e := range m.Elements {
		if m.Elements[e].Class == network.Junction && !math.IsInf(b.Values.Junctions[e].Drop, 1) {
			b.setPrior(int32(e))
		}
	}
	b.Values.Settle()
	pool := network.NewPool(m)
	var groups []*group
	if lib != nil {
		groups = split(b.opposed(collect(m, lib)))
	}
	b.matchLines(groups)
	if len(groups) == 0 && len(b.matched) == 0 {
		return b, nil
	}
	if err := b.matchPaths(pool, groups); err != nil {
		return nil, err
	}
	if err := b.warm(pool, groups); err != nil {
		return nil, err
	}
	for _, g := range groups {
		b.Misread = append(b.Misread, g.cull()...)
	}
	if !fitted {
		return b, b.learn(pool, groups)
	}
	b.start = b.Values.Clone()
	for range mostDoubts {
		b.Values = b.start.Clone() // not where a wrong value led
		b.Values.Settle()
		if err := b.descend(pool, groups); err != nil {
			return nil, err
		}
		if len(b.rows) == 0 {
			break
		}
		if b.fails() {
			continue
		}
		b.inverse = stat.Invert(b.factor, len(b.rows), func(n int, work func(int)) { each(pool, n, work) })
		if again, err := b.doubt(pool, groups); err != nil || !again {
			if err != nil {
				return nil, err
			}
			break
		}
	}
	b.factor = nil
	if err := b.refits(pool, groups); err != nil {
		return nil, err
	}
	b.keep(pool)
	return b, b.learn(pool, groups)
}

// warm carries each sample from the temperature of its sweep to that of its group,
// by what the circuit makes of the difference before the fit, made good for what
// the sample is off: the drop V of a junction goes to the band gap as the
// temperature T goes to 0 K in a straight line (Sze, Physics of Semiconductor
// Devices, from memory), so that one higher by dV falls less by dV/T for each kelvin.
func (b *Posterior) warm(pool *network.Pool, groups []*group) error {
	at := b.warmths(groups)
	for _, g := range groups {
		for i := range g.samples {
			t := math.Round(g.samples[i].Sweep.State.Celsius)
			if at[t] == nil {
				at[t] = b.At(t, nil)
			}
		}
	}
	return pool.Each(len(groups), func(w *network.Workspace, i int) error {
		g := groups[i]
		read := func(celsius float64) (network.Reading, error) {
			return w.Read(g.probe(b.Model), good, at[celsius])
		}
		here, err := read(g.celsius)
		if err != nil {
			return err
		}
		then := map[float64]network.Reading{g.celsius: here} // by degree
		for i := range g.samples {
			s := &g.samples[i]
			if s.Overload {
				continue
			}
			t := math.Round(s.Sweep.State.Celsius)
			there, ok := then[t]
			if !ok {
				if there, err = read(t); err != nil {
					return err
				}
				then[t] = there
			}
			if !here.Over && !there.Over {
				s.Volts += here.Volts - there.Volts + (s.Volts-there.Volts)*(g.celsius-t)/(t+circuit.ZeroCelsius)
			}
		}
		g.take(g.samples)
		return nil
	})
}

// mostKept bounds the unknowns whose covariance is kept: 8 MB.
const mostKept = 1000

// keep works out cov, row by row of J, of which each has few entries:
//
//	cov = C - sum over rows r, q of (C J_r) K^-1_rq (C J_q)'
func (b *Posterior) keep(pool *network.Pool) {
	b.place = make([]int, len(b.seenBy))
	var kept []int32
	for u := range b.seenBy {
		b.place[u] = -1
		if len(b.seenBy[u]) > 0 {
			b.place[u] = len(kept)
			kept = append(kept, int32(u))
		}
	}
	if len(kept) > mostKept {
		return
	}
	b.width = len(kept)
	n := len(b.rows)
	parts := make([]float64, n*b.width) // by row: sum over q of K^-1_rq (C J_q)
	each(pool, n, func(r int) {
		part := parts[r*b.width:][:b.width]
		for q := range b.rows {
			x := b.inverse[r*n+q]
			if x == 0 {
				continue
			}
			for _, s := range b.rows[q].slopes {
				part[b.place[s.unknown]] += x * b.prior[s.unknown] * s.slope
			}
		}
	})
	b.cov = make([]float64, b.width*b.width)
	each(pool, len(kept), func(k int) {
		u := kept[k]
		row := b.cov[k*b.width:][:b.width]
		row[k] = b.prior[u]
		for _, o := range b.seenBy[u] {
			c := b.prior[u] * o.slope
			for l, x := range parts[int(o.row)*b.width:][:b.width] {
				row[l] -= c * x
			}
		}
	})
}
