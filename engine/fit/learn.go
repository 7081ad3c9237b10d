package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/references"
)

// learn carries every sample to one meter through the estimated circuit and takes
// the spread of good boards from what is left.
func (b *Posterior) learn(pool *network.Pool, groups []*group) error {
	at := b.warmths(groups)
	readings, slopes, gauges := make([]network.Reading, len(groups)), make([]float64, len(groups)), make([]gauge, len(groups))
	err := pool.Each(len(groups), func(w *network.Workspace, i int) (err error) {
		g := groups[i]
		if readings[i], err = w.Visit(&g.visit, g.probe(b.Model), at[g.celsius]); err == nil {
			var each []Slope
			each, slopes[i] = b.Slopes(w, g.celsius)
			if !readings[i].Over {
				gauges[i] = b.gaugeOf(w, g.drive, readings[i].Volts, each)
			}
			w.Leave(&g.visit, false)
		}
		return err
	})
	if err != nil {
		return err
	}
	piles := map[Spot]*pile{}
	var order []Spot
	for i, g := range groups {
		if g.wrong {
			continue
		}
		r := readings[i]
		p := piles[g.spot]
		if p == nil {
			p = &pile{base: r.Volts, over: r.Over, slope: slopes[i], meter: g.meter, conversion: &conversion{}}
			piles[g.spot] = p
			order = append(order, g.spot)
		}
		if p.over && !r.Over {
			p.base, p.over, p.slope, p.meter = r.Volts, false, slopes[i], g.meter
		}
		k := -1
		if !r.Over {
			k = p.conversion.add(gauges[i])
		}
		for _, s := range g.samples {
			if k >= 0 && !s.Overload {
				s.Volts -= r.Volts
			}
			p.samples, p.gauges = append(p.samples, s), append(p.gauges, k)
		}
	}
	for _, s := range order {
		b.convertAll(s, piles[s])
	}
	b.level(piles, order)
	var pooled spreads
	for _, s := range order {
		if p := piles[s]; !p.over {
			pooled.add(references.PredictSamples(p.samples), p.drawn())
		}
	}
	b.Spread, pooled.sd = pooled.spread(), pooled.spread()
	for _, s := range order {
		p := piles[s]
		pred := references.PredictSamples(p.samples)
		k := Known{N: pred.N, Scale: pred.Scale, DF: pred.DF, Overload: pred.OverloadShare, Center: pred.Center, Meter: p.meter, Doubt: b.doubts[s]}
		if !p.over && !math.IsNaN(pred.Center) {
			k.Offset = pred.Center - p.base
			k.Scale, k.DF = pooled.shrink(pred, p.slope, p.drawn())
		}
		b.known[s] = k
	}
	return nil
}

// convertAll converts the samples of a spot, given less what the circuit reads, to the
// meter of the first by the circuit alone: what meters differ by beyond that is estimated
// from the same few boards, and would take their own spread out.
func (b *Posterior) convertAll(s Spot, p *pile) {
	c := p.conversion
	var list []stray
	var levels []float64
	boards := map[string]int{}
	least, _ := span(c.gauges, ohmic)
	for i, x := range p.samples {
		if k := p.gauges[i]; k >= 0 && !x.Overload {
			name := x.Sweep.BoardName()
			if _, known := boards[name]; !known {
				boards[name] = len(boards)
			}
			own := square(references.ContactSD) + square(math.Max(0.3*x.Sweep.Meter.Resolution, 1e-6)) + square(Tolerance*(c.gauges[k].ohmic-least))
			list = append(list, stray{boards[name], k, x.Volts, own})
			levels = append(levels, x.Volts+c.gauges[k].volts)
		}
	}
	if len(list) == 0 {
		return
	}
	slices.SortStableFunc(list, func(x, y stray) int { return x.board - y.board })
	b.learnConversion(s, c, list, references.DefaultSpread(middle(levels)))
	for i := range p.samples {
		if k := p.gauges[i]; k >= 0 && !p.samples[i].Overload {
			p.samples[i].Volts += p.base
		}
	}
	b.conversions[s] = c
}

// pile is all samples of a spot, converted to one meter.
type pile struct {
	base    float64
	over    bool
	slope   float64 // of the reading against all drops at once
	samples []references.Sample
	meter   references.Meter
	// of conversion, by sample; -1 where the circuit shows OL
	gauges     []int
	conversion *conversion
}

// drawn gives the variance in V^2 that the tolerance of drawn resistances gives boards.
func (p *pile) drawn() float64 { return square(Tolerance * p.conversion.gauges[0].ohmic) }

// level takes out what all readings of one sweep have in common: its board was
// a little warmer than written, or its meter drives a little less than it says.
// The median over the sweep's readings at junctions tells; a case's own shift is
// fitted likewise when it is diagnosed. One board alone has nothing to compare
// with.
func (b *Posterior) level(piles map[Spot]*pile, order []Spot) {
	offs := map[*references.Sweep][]float64{}
	for _, s := range order {
		p := piles[s]
		if p.over || p.slope < levelSlope {
			continue
		}
		for _, x := range p.samples {
			if off := x.Volts - p.base; !x.Overload && math.Abs(off) < levelReach {
				offs[x.Sweep] = append(offs[x.Sweep], off/p.slope)
			}
		}
	}
	if len(offs) < 2 {
		return
	}
	for _, s := range order {
		p := piles[s]
		if p.over {
			continue
		}
		for i := range p.samples {
			if all := offs[p.samples[i].Sweep]; len(all) >= levelReadings && !p.samples[i].Overload {
				p.samples[i].Volts -= middle(all) * math.Min(p.slope, 1)
			}
		}
	}
}

// spreads gathers the spread of boards over all points, without what the tolerance of drawn
// resistances makes of it, which is known. A few boards say little of the spread at one
// point, but the points together say much of what is usual.
type spreads struct {
	squares, freedom float64
	sd               float64
}

// squaresOf takes the sum of squared deviations back out of a prediction.
func squaresOf(p references.Predictive) (squares, n float64) {
	n = p.DF - references.PriorDF + 1
	prior := references.DefaultSpread(p.Center)
	return math.Max(p.Scale*p.Scale/(1+1/n)*p.DF-references.PriorDF*prior*prior, 0), n
}

func (q *spreads) add(p references.Predictive, drawn float64) {
	if math.IsNaN(p.Scale) {
		return
	}
	squares, n := squaresOf(p)
	// one wild point must not stand for all
	most := 9 * references.DefaultSpread(p.Center) * references.DefaultSpread(p.Center) * (n - 1)
	q.squares += math.Min(squares, most) - (n-1)*drawn
	q.freedom += n - 1
}

func (q *spreads) spread() float64 {
	if q.freedom < enoughDF {
		return references.DefaultSpread(0.5) * (1 - sharedSpread)
	}
	return math.Sqrt(math.Max(q.squares/q.freedom, square(references.ContactSD)))
}

// shrink gives scale and degrees of freedom of the predictive Student t of a
// point, with the pooled spread as prior in place of the default (scaled inverse
// chi-square; Gelman et al., Bayesian Data Analysis, 3.3, from memory).
func (q *spreads) shrink(p references.Predictive, slope, drawn float64) (scale, df float64) {
	if math.IsNaN(p.Scale) {
		return p.Scale, p.DF
	}
	squares, n := squaresOf(p)
	prior, weight := math.Sqrt(q.sd*q.sd+drawn), pooledDF
	if q.freedom < enoughDF {
		prior, weight = references.DefaultSpread(p.Center)*(1-sharedSpread*clamp(slope, 0, 1)), references.PriorDF
	}
	df = weight + n - 1
	return math.Sqrt((weight*prior*prior+squares)/df) * math.Sqrt(1+1/n), df
}
