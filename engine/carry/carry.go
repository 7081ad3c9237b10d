// Package carry tells what one meter would have read where another did.
//
// Meters drive different currents, and a junction reads more at a larger one. The
// circuit fitted to good boards (engine/fit) foretells both readings; their
// difference carries a reading over. What a junction gains with current is its
// ideality, which lies between 1 and 2 and which no single meter shows: where all
// boards were read with one current, carrying to a third of it leaves some 8 mV
// open, and the uncertainty says so. Where boards of the team were read with two
// currents, each place shows its own ideality, and little is left open.
//
// In most cases:
//
//	c, err := carry.New(board, library)
//	volts, sigma, ok, err := c.Reading(point, reading.Value, sweep, ownMeter)
package carry

import (
	"fmt"
	"math"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Carrier carries readings of one board type. It is for one goroutine.
type Carrier struct {
	model  *network.Model
	belief *fit.Belief
	ws     *network.Workspace
	lib    *references.Library

	values  map[float64][2]*network.Values // by temperature: as fitted, and of more ideality
	told    map[told]foretold
	misfits map[pair]misfit
}

// told is a place as one sort of meter reads it.
type told struct {
	spot    fit.Spot
	drive   network.Drive
	celsius float64
}

// foretold is what the fitted circuit reads there, in volts, and how much more
// for each unit of ideality.
type foretold struct {
	volts, byIdeality float64
	over              bool
}

// pair is a step from one sort of meter to another at a place.
type pair struct {
	spot     fit.Spot
	from, to network.Drive
}

// misfit is by how much such a step differs from the foretold one, in volts, and
// the standard deviation of that.
type misfit struct{ volts, sigma float64 }

// idealitySD is the standard deviation of the ideality that a place shows,
// around the fitted one (common practice, no source; ideality lies between 1 and
// 2 by theory).
const idealitySD = 0.3

// A circuit that is not as drawn steps otherwise than foretold by these shares of
// the step (standard deviations; common practice, no source). With the black
// probe on ground current flows into the supplies, whose loads nobody draws.
const (
	undrawnRed   = 0.12
	undrawnBlack = 0.3
)

// levelSD is the standard deviation in volts of a place's level around the fitted
// one: wide, since only steps matter.
const levelSD = 0.1

// contactSD is the standard deviation in volts of one probe contact against the
// next (common practice, no source).
const contactSD = 0.001

// New prepares a board with its known-good sweeps.
func New(b *netlist.Board, lib *references.Library) (*Carrier, error) {
	m := network.New(b)
	belief, err := fit.Fit(m, lib)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.File, err)
	}
	return &Carrier{m, belief, network.NewWorkspace(m), lib, map[float64][2]*network.Values{}, map[told]foretold{}, map[pair]misfit{}}, nil
}

// step is the change of ideality by which slopes are found.
const step = 0.05

func (c *Carrier) at(celsius float64) [2]*network.Values {
	celsius = math.Round(celsius)
	v, done := c.values[celsius]
	if !done {
		v[0] = c.belief.At(celsius, 0)
		v[1] = v[0].Clone()
		for e := range v[1].Junctions {
			if v[1].Junctions[e].Ideality > 0 {
				v[1].Junctions[e].Ideality += step
			}
		}
		v[1].Settle()
		c.values[celsius] = v
	}
	return v
}

// Foretell gives what the fitted good circuit reads at a point with a meter, in
// volts; over tells that the display would show OL.
func (c *Carrier) Foretell(at netlist.Point, state references.State, m references.Meter) (volts float64, over bool, err error) {
	f, err := c.foretell(at, state, m)
	return f.volts, f.over, err
}

func (c *Carrier) foretell(at netlist.Point, state references.State, m references.Meter) (foretold, error) {
	key := told{fit.SpotOf(c.model, at, state.Polarity), fit.DriveOf(m), math.Round(state.Celsius)}
	if f, done := c.told[key]; done {
		return f, nil
	}
	probe := fit.ProbeAt(c.model, c.model.PlaceOf(at), state.Polarity, key.drive)
	v := c.at(state.Celsius)
	good := &network.State{}
	one, err := c.ws.Read(probe, good, v[0])
	if err != nil {
		return foretold{}, err
	}
	two, err := c.ws.Read(probe, good, v[1])
	if err != nil {
		return foretold{}, err
	}
	f := foretold{one.Volts, (two.Volts - one.Volts) / step, one.Over}
	c.told[key] = f
	return f, nil
}

// Reading carries a reading in volts that a sweep's meter showed on a good board
// to another meter. sigma is its standard uncertainty in volts: that of the
// reading, and of what the two meters' currents make of the place. ok is false
// where one of the meters shows OL, which carries nothing.
func (c *Carrier) Reading(at netlist.Point, volts float64, s *references.Sweep, to references.Meter) (carried, sigma float64, ok bool, err error) {
	from, err := c.foretell(at, s.State, s.Meter)
	if err != nil {
		return 0, 0, false, err
	}
	target, err := c.foretell(at, s.State, to)
	if err != nil || from.over || target.over {
		return 0, 0, false, err
	}
	n, err := c.misfit(at, s.State, s.Meter, to)
	if err != nil {
		return 0, 0, false, err
	}
	carried = volts + target.volts - from.volts + n.volts
	return carried, math.Sqrt(square(s.Meter.Sigma(volts)) + square(contactSD) + square(n.sigma)), carried <= to.Over, nil
}

// Known makes what good boards read at a point into what they would read with
// another meter: the distribution of the next good board, and the standard
// uncertainty in volts that carrying leaves in its Center. Predictive.N is 0
// where no reading can be carried.
func (c *Carrier) Known(at netlist.Point, pol references.Polarity, to references.Meter) (p references.Predictive, sigma float64, err error) {
	var carried []references.Sample
	for _, x := range c.lib.At(at, pol) {
		if !x.Overload {
			volts, s, ok, err := c.Reading(at, x.Volts, x.Sweep, to)
			if err != nil {
				return references.Predictive{}, 0, err
			}
			x.Volts, x.Overload = volts, !ok
			if n, done := c.misfits[pair{fit.SpotOf(c.model, at, pol), fit.DriveOf(x.Sweep.Meter), fit.DriveOf(to)}]; ok && done {
				sigma = math.Max(sigma, math.Min(s, n.sigma))
			}
		}
		if x.Overload {
			x.Volts = 0
		}
		carried = append(carried, x)
	}
	return references.PredictSamples(carried), sigma, nil
}

func square(x float64) float64 { return x * x }

// misfit estimates how much more the step from one meter to another is at a place
// than the fitted circuit foretells, from boards that were read with several
// meters. With r the reading less the foretold one, h the slope of the latter by
// ideality and d the sort of meter, the readings of one board are
//
//	r = a + b*h + u_d + t + e,   t ~ N(0, spread²) for the board, e ~ N(0, sigma²)
//
// where b ~ N(0, idealitySD²) is a place's own ideality, and u_d ~ N(0, s²) is
// what a circuit that is not as drawn makes of another current: a load on a rail
// that no part accounts for. s grows with what the step is foretold to be. The
// misfit is b*(h_to - h_from) + u_to - u_from. Weighted least squares with the
// covariance sigma² I + spread² 11' of a board, whose inverse is (I -
// spread²/(sigma² + k spread²) 11')/sigma² for k readings (Sherman and Morrison
// 1950).
func (c *Carrier) misfit(at netlist.Point, state references.State, from, to references.Meter) (misfit, error) {
	key := pair{fit.SpotOf(c.model, at, state.Polarity), fit.DriveOf(from), fit.DriveOf(to)}
	if m, done := c.misfits[key]; done {
		return m, nil
	}
	// The columns of the least squares: a, b, then one for each sort of meter.
	columns := map[network.Drive]int{}
	column := func(d network.Drive) int {
		if _, known := columns[d]; !known {
			columns[d] = 2 + len(columns)
		}
		return columns[d]
	}
	column(key.from)
	column(key.to)
	type row struct {
		r, h, v float64
		column  int
	}
	boards := map[string][]row{}
	var order []string
	var levels []float64
	one, err := c.foretell(at, state, from)
	if err != nil {
		return misfit{}, err
	}
	two, err := c.foretell(at, state, to)
	if err != nil {
		return misfit{}, err
	}
	low, high := math.Min(one.volts, two.volts), math.Max(one.volts, two.volts)
	for _, x := range c.lib.At(at, state.Polarity) {
		if x.Overload {
			continue
		}
		f, err := c.foretell(at, x.Sweep.State, x.Sweep.Meter)
		if err != nil {
			return misfit{}, err
		}
		if f.over {
			continue
		}
		low, high = math.Min(low, f.volts), math.Max(high, f.volts)
		name := x.Sweep.BoardName()
		if boards[name] == nil {
			order = append(order, name)
		}
		v := square(contactSD) + square(math.Max(0.3*x.Sweep.Meter.Resolution, 1e-6))
		boards[name] = append(boards[name], row{x.Volts - f.volts, f.byIdeality, v, column(fit.DriveOf(x.Sweep.Meter))})
		levels = append(levels, x.Volts)
	}
	n := 2 + len(columns)
	h, g := make([]float64, n*n), make([]float64, n)
	add := func(i, j int, w float64) { h[i*n+j] += w }
	undrawn := undrawnRed
	if state.Polarity == references.BlackOnGround {
		undrawn = undrawnBlack
	}
	add(0, 0, 1/square(levelSD))
	add(1, 1, 1/square(idealitySD))
	for i := 2; i < n; i++ {
		add(i, i, 1/(square(contactSD)+square(undrawn*(high-low))))
	}
	spread := 0.0
	if len(levels) > 0 {
		spread = square(references.DefaultSpread(references.Median(levels)))
	}
	for _, name := range order {
		list := boards[name]
		sum, sumR := make([]float64, n), 0.0
		v := 0.0
		for _, x := range list {
			v += x.v / float64(len(list))
		}
		for _, x := range list {
			z := make([]float64, n)
			z[0], z[1], z[x.column] = 1, x.h, 1
			for i := range z {
				sum[i] += z[i]
				g[i] += z[i] * x.r / v
				for j := range z {
					add(i, j, z[i]*z[j]/v)
				}
			}
			sumR += x.r
		}
		rho := spread / (v + float64(len(list))*spread) / v
		for i := range sum {
			g[i] -= rho * sum[i] * sumR
			for j := range sum {
				add(i, j, -rho*sum[i]*sum[j])
			}
		}
	}
	want := make([]float64, n)
	want[1] = two.byIdeality - one.byIdeality
	want[columns[key.to]]++
	want[columns[key.from]]--
	// The misfit is want'x with Hx = g, and its variance want' H^-1 want.
	y := solve(h, want, n)
	var m misfit
	for i := range y {
		m.volts += y[i] * g[i]
		m.sigma += y[i] * want[i]
	}
	m.sigma = math.Sqrt(math.Max(m.sigma, 0))
	c.misfits[key] = m
	return m, nil
}

// solve solves a symmetric positive definite system of n rows by elimination,
// which needs no pivoting on such a system; the priors keep it definite.
func solve(h, b []float64, n int) []float64 {
	a, x := append([]float64(nil), h...), append([]float64(nil), b...)
	for c := range n {
		for r := c + 1; r < n; r++ {
			f := a[r*n+c] / a[c*n+c]
			for k := c; k < n; k++ {
				a[r*n+k] -= f * a[c*n+k]
			}
			x[r] -= f * x[c]
		}
	}
	for r := n - 1; r >= 0; r-- {
		for k := r + 1; k < n; k++ {
			x[r] -= a[r*n+k] * x[k]
		}
		x[r] /= a[r*n+r]
	}
	return x
}
