// Package carry tells what one meter would have read where another did.
//
// Meters drive different currents, and a junction reads more at a larger one. The
// circuit fitted to good boards (engine/fit) predicts both readings; their
// difference carries a reading over. What a junction gains with current follows
// from its ideality, which lies between 1 and 2, and its series resistance, and no
// single meter shows them: where all boards were read with one current, carrying
// to a third of it leaves 10 to 40 mV open, and the uncertainty says so. A board
// that was read with two currents shows the step itself, and little is left open.
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
	model     *network.Model
	posterior *fit.Posterior
	ws        *network.Workspace
	lib       *references.Library

	values  map[float64]*network.Values // by temperature
	told    map[told]predicted
	misfits map[pair]misfit
}

// told is a place as one sort of meter reads it.
type told struct {
	spot    fit.Spot
	drive   network.Drive
	celsius float64
}

// predicted is what the estimated circuit reads there, in volts, and how that depends
// on its junctions.
type predicted struct {
	volts  float64
	over   bool
	slopes []fit.Slope
	// split is how much the current divides between junctions side by side: 0
	// where one takes it all, 1/2 between two alike.
	split float64
}

// pair is a step from one sort of meter to another at a place.
type pair struct {
	spot     fit.Spot
	from, to network.Drive
}

// misfit is by how much such a step differs from the predicted one, the standard
// deviation of that, and the one of a single reading around what its board and its
// meter make of the place; all in volts.
type misfit struct{ volts, sigma, scatter float64 }

// A circuit that is not as drawn steps otherwise than predicted by these shares of
// the step (standard deviations; common practice, no source). With the black
// probe on ground current flows into the supplies, whose loads nobody draws.
const (
	undrawnRed   = 0.12
	undrawnBlack = 0.3
)

// splitShare is the standard deviation of a step, as a share of it and of what the
// current is split, where junctions lie side by side: slopes at the estimated circuit
// do not show that one of them may take all the current, with another resistance in
// its way. Common practice, no source.
const splitShare = 1.0

// contactSD is the standard deviation in volts of one probe contact against the
// next (common practice, no source).
const contactSD = 0.001

// contactDF is the weight of contactSD, in readings, against what the readings of a
// place show. Common practice, no source.
const contactDF = 4

// New prepares a board with its known-good sweeps.
func New(b *netlist.Board, lib *references.Library) (*Carrier, error) {
	m := network.New(b)
	posterior, err := fit.Fit(m, lib)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.File, err)
	}
	return &Carrier{m, posterior, network.NewWorkspace(m), lib, map[float64]*network.Values{}, map[told]predicted{}, map[pair]misfit{}}, nil
}

func (c *Carrier) at(celsius float64) *network.Values {
	celsius = math.Round(celsius)
	v, done := c.values[celsius]
	if !done {
		v = c.posterior.At(celsius, 0)
		c.values[celsius] = v
	}
	return v
}

// PredictAt gives what the fitted good circuit reads at a point with a meter, in
// volts; over tells that the display would show OL.
func (c *Carrier) PredictAt(at netlist.Point, state references.State, m references.Meter) (volts float64, over bool, err error) {
	f, err := c.predict(at, state, m)
	return f.volts, f.over, err
}

func (c *Carrier) predict(at netlist.Point, state references.State, m references.Meter) (predicted, error) {
	key := told{fit.SpotOf(c.model, at, state.Polarity), fit.DriveOf(m), math.Round(state.Celsius)}
	if f, done := c.told[key]; done {
		return f, nil
	}
	probe := fit.ProbeAt(c.model, c.model.PlaceOf(at), state.Polarity, key.drive)
	r, err := c.ws.Read(probe, &network.State{}, c.at(state.Celsius))
	if err != nil {
		return predicted{}, err
	}
	f := predicted{volts: r.Volts, over: r.Over}
	f.slopes, _ = c.posterior.Slopes(c.ws, key.celsius)
	c.ws.Sensitivities(func(_ int32, slope, _ float64) {
		share := math.Min(math.Abs(slope), 1) // of the current, near enough
		f.split += share * (1 - share)
	})
	c.told[key] = f
	return f, nil
}

// Reading carries a reading in volts that a sweep's meter showed on a good board
// to another meter. sigma is its standard uncertainty in volts: that of the
// reading, and of what the two meters' currents make of the place. ok is false
// where one of the meters shows OL, which carries nothing.
func (c *Carrier) Reading(at netlist.Point, volts float64, s *references.Sweep, to references.Meter) (carried, sigma float64, ok bool, err error) {
	from, err := c.predict(at, s.State, s.Meter)
	if err != nil {
		return 0, 0, false, err
	}
	target, err := c.predict(at, s.State, to)
	if err != nil || from.over || target.over {
		return 0, 0, false, err
	}
	n, err := c.misfit(at, s.State, s.Meter, to)
	if err != nil {
		return 0, 0, false, err
	}
	carried = volts + target.volts - from.volts + n.volts
	return carried, math.Sqrt(square(s.Meter.Sigma(volts)) + square(n.scatter) + square(n.sigma)), carried <= to.Over, nil
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
// than the estimated circuit predicts. With r the reading of a board less the
// predicted one and d the sort of meter,
//
//	r = u_d + t + e,   t ~ N(0, spread²) for the board, e ~ N(0, sigma²)
//
// and the misfit is u_to - u_from. Beforehand u ~ N(0, P): what the priors of the
// junctions that the place sees leave open (fit.Posterior.Open), which moves the
// readings of all meters together but not alike, and what a circuit that is not as
// drawn makes of another current, each by itself. Readings with one meter say where
// the place lies; from there the priors alone lead to another current. A board that
// several meters read shows the step itself. Normal priors and linear readings
// make that weighted least squares with the covariance sigma² I + spread² 11' of a
// board, whose inverse is (I - spread²/(sigma² + k spread²) 11')/sigma² for k
// readings (Sherman and Morrison 1950).
func (c *Carrier) misfit(at netlist.Point, state references.State, from, to references.Meter) (misfit, error) {
	key := pair{fit.SpotOf(c.model, at, state.Polarity), fit.DriveOf(from), fit.DriveOf(to)}
	if m, done := c.misfits[key]; done {
		return m, nil
	}
	columns := map[network.Drive]int{} // a sort of meter each
	var sorts []predicted
	column := func(d network.Drive, f predicted) int {
		k, known := columns[d]
		if !known {
			k = len(sorts)
			columns[d] = k
			sorts = append(sorts, f)
		}
		return k
	}
	one, err := c.predict(at, state, from)
	if err != nil {
		return misfit{}, err
	}
	two, err := c.predict(at, state, to)
	if err != nil {
		return misfit{}, err
	}
	column(key.from, one)
	column(key.to, two)
	type row struct {
		r, v   float64
		column int
	}
	boards := map[string][]row{}
	var order []string
	var levels []float64
	for _, x := range c.lib.At(at, state.Polarity) {
		if x.Overload {
			continue
		}
		f, err := c.predict(at, x.Sweep.State, x.Sweep.Meter)
		if err != nil {
			return misfit{}, err
		}
		if f.over {
			continue
		}
		name := x.Sweep.BoardName()
		if boards[name] == nil {
			order = append(order, name)
		}
		v := square(contactSD) + square(math.Max(0.3*x.Sweep.Meter.Resolution, 1e-6))
		boards[name] = append(boards[name], row{x.Volts - f.volts, v, column(fit.DriveOf(x.Sweep.Meter), f)})
		levels = append(levels, x.Volts)
	}
	n := len(sorts)
	h, g := c.precision(sorts, state.Polarity), make([]float64, n)
	spread := 0.0
	if len(levels) > 0 {
		spread = square(references.DefaultSpread(references.Median(levels)))
	}
	for _, name := range order {
		list := boards[name]
		sum, sumR, v := make([]float64, n), 0.0, 0.0
		for _, x := range list {
			v += x.v / float64(len(list))
		}
		for _, x := range list {
			g[x.column] += x.r / v
			h[x.column*n+x.column] += 1 / v
			sum[x.column]++
			sumR += x.r
		}
		rho := spread / (v + float64(len(list))*spread) / v
		for i := range sum {
			g[i] -= rho * sum[i] * sumR
			for j := range sum {
				h[i*n+j] -= rho * sum[i] * sum[j]
			}
		}
	}
	want := make([]float64, n)
	want[columns[key.to]]++
	want[columns[key.from]]--
	// The misfit is want'u with hu = g, and its variance want' h^-1 want.
	y, u := solve(h, want, n), solve(h, g, n)
	var m misfit
	for i := range y {
		m.volts += y[i] * g[i]
		m.sigma += y[i] * want[i]
	}
	// What boards that several meters read leave over: on a place where boards
	// differ in their step, more than contact.
	expected, squares := contactDF*square(contactSD), contactDF*square(contactSD)
	for _, name := range order {
		mean, list := 0.0, boards[name]
		for _, x := range list {
			mean += (x.r - u[x.column]) / float64(len(list))
		}
		for _, x := range list {
			squares += square(x.r - u[x.column] - mean)
			expected += x.v * float64(len(list)-1) / float64(len(list))
		}
	}
	excess := math.Sqrt(math.Max(squares/expected, 1))
	m.sigma, m.scatter = excess*math.Sqrt(math.Max(m.sigma, 0)), excess*contactSD
	c.misfits[key] = m
	return m, nil
}

// precision is the inverse of P, dense, a row for each sort of meter.
func (c *Carrier) precision(sorts []predicted, pol references.Polarity) []float64 {
	n := len(sorts)
	low, high, split := sorts[0].volts, sorts[0].volts, 0.0
	for _, f := range sorts {
		low, high = math.Min(low, f.volts), math.Max(high, f.volts)
		split = math.Max(split, f.split)
	}
	byItself := math.Hypot(undrawnRed, splitShare*split)
	if pol == references.BlackOnGround {
		byItself = undrawnBlack // supplies, whose many loads side by side are assumed to differ enough
	}
	p := make([]float64, n*n)
	for i := range sorts {
		for j := range sorts {
			p[i*n+j] = c.posterior.Open(sorts[i].slopes, sorts[j].slopes)
		}
		p[i*n+i] += square(contactSD) + square(byItself*(high-low))
	}
	inverse := make([]float64, 0, n*n)
	for i := range n {
		unit := make([]float64, n)
		unit[i] = 1
		inverse = append(inverse, solve(p, unit, n)...)
	}
	return inverse
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
