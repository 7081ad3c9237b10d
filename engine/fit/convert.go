package fit

import (
	"math"
	"slices"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
	"halfsplit/references/stat"
)

// Meters drive different currents, and a junction reads more at a larger one. The
// estimated circuit predicts what each sort of meter reads at a spot; readings are
// converted from one to another by the difference, and by what it is known to be off:
// with r the reading of a board less the predicted one and d the sort of meter,
//
//	r = u_d + t + e,   t ~ N(0, spread^2) for the board, e ~ N(0, v)
//
// where u ~ N(0, P) beforehand: what the priors of the junctions leave open (open),
// which moves the readings of all meters together but not alike, and what a circuit that
// is not as drawn makes of another current. Readings with one meter say where the spot
// lies; from there the priors alone lead to another current. A board that several meters
// read shows the step itself. That is least squares with the covariance v I + spread^2 11'
// of a board, whose inverse is (I - spread^2/(v + k spread^2) 11')/v for k readings
// (Sherman and Morrison 1950).
type conversion struct {
	gauges []gauge // of the library
	boards []float64
	h, g   []float64 // what the readings say: u ~ N(h^-1 g, h^-1)
	u      []float64 // by gauge
	mean   float64   // of u, over the readings
	excess float64   // variance of steps from board to board over that of contacts, at least 1
}

// gauge is a spot as the estimated circuit reads it with one sort of meter.
type gauge struct {
	drive  network.Drive
	volts  float64
	ohmic  float64 // V of them across resistances of parts
	slopes []Slope // in order
}

// stray is by how many volts more than the estimated circuit a board read.
type stray struct {
	board, gauge int
	volts, own   float64 // own: V^2, of the meter's last digit and the contact
}

// gaugeOf makes a gauge of the reading that w has just taken, with its slopes. A reading is
// the sum of what each resistance and each junction that carries the current drops, or less,
// by the source's own resistance:
//
//	V sum_j dV/d(drop_j) = sum_e R_e dV/dR_e + sum_j drop_j dV/d(drop_j)
func (b *Posterior) gaugeOf(w *network.Workspace, d network.Drive, volts float64, slopes []Slope) gauge {
	slopes, _ = b.Trim(slopes, noVariance)
	g := gauge{drive: d, volts: volts, ohmic: volts, slopes: slopes}
	if sum := g.junctions(); sum > mostlyOhmic {
		g.ohmic = 0
		b.OhmSlopes(w, func(_ int32, slope float64) { g.ohmic += slope / sum })
	}
	return g
}

// junctions sums the slopes against the drops of junctions.
func (g *gauge) junctions() (sum float64) {
	for _, x := range g.slopes {
		if x.unknown%unknowns == drop {
			sum += math.Abs(x.slope)
		}
	}
	return sum
}

// add takes in a reading that the estimated circuit reads with a gauge, and gives the
// place of that.
func (c *conversion) add(g gauge) int {
	k := slices.IndexFunc(c.gauges, func(x gauge) bool { return x.drive == g.drive })
	if k < 0 {
		k = len(c.gauges)
		c.gauges, c.boards = append(c.gauges, g), append(c.boards, 0)
	}
	return k
}

// span gives the least and the most of something that gauges have.
func span(gauges []gauge, of func(*gauge) float64) (least, most float64) {
	least, most = math.Inf(1), math.Inf(-1)
	for i := range gauges {
		x := of(&gauges[i])
		least, most = math.Min(least, x), math.Max(most, x)
	}
	return least, most
}

// ohmic is for span.
func ohmic(g *gauge) float64 { return g.ohmic }

// learnConversion works out what readings of boards say of the misfits; they are in order
// of board.
func (b *Posterior) learnConversion(s Spot, c *conversion, list []stray, spread float64) {
	n := len(c.gauges)
	c.h, c.g, c.excess = make([]float64, n*n), make([]float64, n), 1
	var boards [][]stray
	for len(list) > 0 {
		k := 1
		for k < len(list) && list[k].board == list[0].board {
			k++
		}
		boards, list = append(boards, list[:k]), list[k:]
	}
	for _, x := range boards {
		sum, sumR, v := make([]float64, n), 0.0, 0.0
		for _, x := range x {
			v += x.own
		}
		v /= float64(len(x))
		for _, x := range x {
			c.g[x.gauge] += x.volts / v
			c.h[x.gauge*n+x.gauge] += 1 / v
			sum[x.gauge]++
			sumR += x.volts
		}
		rho := square(spread) / (v + float64(len(x))*square(spread)) / v
		for i := range sum {
			c.boards[i] += sum[i] / float64(len(x))
			c.g[i] -= rho * sum[i] * sumR
			for j := range sum {
				c.h[i*n+j] -= rho * sum[i] * sum[j]
			}
		}
	}
	c.u = make([]float64, n)
	if n == 1 {
		return
	}
	c.u, _ = b.misfits(s, c, c.gauges)
	for i, x := range c.share() {
		c.mean += x * c.u[i]
	}
	// What boards that several meters read leave over: where boards differ in their
	// step, more than contacts do.
	expected, squares := contactDF*square(references.ContactSD), contactDF*square(references.ContactSD)
	for _, x := range boards {
		mean := 0.0
		for _, x := range x {
			mean += (x.volts - c.u[x.gauge])
		}
		mean /= float64(len(x))
		for _, y := range x {
			squares += square(y.volts - c.u[y.gauge] - mean)
			expected += y.own * float64(len(x)-1) / float64(len(x))
		}
	}
	c.excess = math.Max(squares/expected, 1)
}

// share is the share of each gauge in what is known of the spot.
func (c *conversion) share() []float64 {
	all, out := 0.0, slices.Clone(c.boards)
	for _, x := range out {
		all += x
	}
	for i := range out {
		out[i] /= all
	}
	return out
}

// misfits gives the mean and the covariance of u for gauges that begin with those of the
// library.
func (b *Posterior) misfits(s Spot, c *conversion, gauges []gauge) (u, cov []float64) {
	n := len(gauges)
	low, high := span(gauges, func(g *gauge) float64 { return g.volts })
	least, most := span(gauges, ohmic)
	split := 0.0
	for _, g := range gauges {
		sum, all := 0.0, math.Max(g.junctions(), mostlyOhmic)
		for _, x := range g.slopes {
			if x.unknown%unknowns == drop {
				share := math.Abs(x.slope) / all // of the current, near enough
				sum += share * (1 - share)
			}
		}
		split = math.Max(split, sum)
	}
	inJunctions, steps := math.Max(high-low-(most-least), 0), ohmicStep*(most-least)
	switch {
	case s.Polarity == references.BlackOnGround:
		steps += supplies * inJunctions
	case b.guessed(s.Net):
		// The current may split in any way, and what the junction drops is in doubt: as much is
		// in doubt of what the resistances before it do, up to all of that and as much again.
		weakest, strongest := span(gauges, through)
		doubt := math.Min(math.Sqrt(b.open(gauges[0].slopes, gauges[0].slopes)), most) * (1 - weakest/strongest)
		steps = math.Hypot(math.Hypot(steps, 0.5*splitShare*inJunctions), doubt)
	default:
		steps = math.Hypot(steps+undrawn*inJunctions, splitShare*split*(high-low))
	}
	p := make([]float64, n*n)
	for i := range gauges {
		for j := range i + 1 {
			x, y := &gauges[i], &gauges[j]
			v := b.open(x.slopes, y.slopes)
			if i == j {
				v += square(references.ContactSD) + square(steps)
			}
			p[i*n+j], p[j*n+i] = v, v
		}
	}
	k, g := invert(p, n), make([]float64, n)
	for i := range c.g {
		g[i] = c.g[i]
		for j := range c.g {
			k[i*n+j] += c.h[i*len(c.g)+j]
		}
	}
	cov, u = invert(k, n), make([]float64, n)
	for i := range u {
		u[i] = dot(cov[i*n:][:n], g)
	}
	return u, cov
}

// invert inverts a matrix that is positive definite, as the noise of contacts makes them.
func invert(k []float64, n int) []float64 {
	stat.Cholesky(k, n)
	return stat.Invert(k, n, nil)
}

// Converted is what good boards read at a spot with some meter.
type Converted struct {
	Offset   float64 // V, that they read more than the estimated circuit
	Variance float64 // V^2, that a reading takes on by conversion from the meters that they were read with; none for the same meter
	Loaded   float64 // V, standard deviation that it has besides if the spot is one of the LoadedRails
	takes    []take
}

// take is how far Offset follows what good boards read more with one meter.
type take struct {
	drive network.Drive
	share float64
}

// Convert gives what good boards read at a spot with a meter, with which w has just read
// volts there with the given slopes.
func (b *Posterior) Convert(w *network.Workspace, s Spot, d network.Drive, volts float64, slopes []Slope) Converted {
	c := b.conversions[s]
	if c == nil {
		return Converted{}
	}
	x := Converted{Offset: b.known[s].Offset}
	if len(c.gauges) == 1 && c.gauges[0].drive == d {
		x.takes = []take{{d, 1}}
		return x
	}
	gauges := slices.Clone(c.gauges)
	to := slices.IndexFunc(gauges, func(x gauge) bool { return x.drive == d })
	if to < 0 {
		to = len(gauges)
		gauges = append(gauges, b.gaugeOf(w, d, volts, slopes))
	}
	u, cov := b.misfits(s, c, gauges)
	n, m := len(gauges), len(c.gauges)
	want := make([]float64, n)
	want[to] = 1
	shares := c.share()
	for i, x := range shares {
		want[i] -= x
	}
	gain := make([]float64, n)
	for i := range gain {
		gain[i] = dot(cov[i*n:][:n], want)
	}
	x.Offset += u[to] - c.mean
	step, load := gauges[to].ohmic, b.load(s, &gauges[0])
	x.Loaded = load(&gauges[to])
	for i, share := range shares {
		step -= share * gauges[i].ohmic
		share += dot(c.h[i*m:][:m], gain)
		x.Loaded -= share * load(&gauges[i])
		x.takes = append(x.takes, take{gauges[i].drive, share})
	}
	x.Variance = c.excess*(math.Max(dot(want, gain), 0)+square(references.ContactSD)) + square(Tolerance*step)
	return x
}

// load tells how much more than a junction a load on a rail that nobody drew changes what is
// read, in V, from one meter to another.
func (b *Posterior) load(s Spot, from *gauge) func(to *gauge) float64 {
	if s.Net == netlist.None || !b.Model.Board.Nets[s.Net].Rail {
		return func(*gauge) float64 { return 0 }
	}
	return func(to *gauge) float64 { return loadTakes * (to.volts - from.volts*through(to)/through(from)) }
}

// open gives the covariance in V^2 that the priors of the junctions give to two
// readings with the given slopes, in order, before any reading of good boards. A series
// resistance is held to the share of its drop that it can have.
func (b *Posterior) open(one, two []Slope) float64 {
	sum, i := 0.0, 0
	for _, s := range one {
		for i < len(two) && two[i].unknown < s.unknown {
			i++
		}
		if i == len(two) || two[i].unknown != s.unknown {
			continue
		}
		v := b.prior[s.unknown]
		if s.unknown%unknowns == series {
			// of what lies anywhere from nothing to the most
			v = math.Min(v, square(mostSeries*b.Values.Junctions[s.unknown/unknowns].Drop/network.RefCurrent)/12)
		}
		sum += v * s.slope * two[i].slope
	}
	return sum
}

// through gives the current in amperes that a meter drives at a reading.
func through(g *gauge) float64 {
	if g.drive.Resistive {
		return g.drive.Current * math.Max(1-g.volts/g.drive.Open, 0.05)
	}
	return g.drive.Current
}
