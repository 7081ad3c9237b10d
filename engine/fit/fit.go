// Package fit works out what the junctions of a board are worth from readings of
// boards that work.
//
// The drops of protection junctions are in no data sheet. Each is believed
// beforehand to be near the mean of its prior (network.Origin.Prior); the
// known-good readings then move the drops to where the good circuit reads what
// good boards read. That is a maximum a posteriori estimate. With the drops
// theta ~ N(theta0, C), C diagonal, and readings y = f(theta) + e, e ~ N(0, R),
// Gauss-Newton iterates
//
//	theta <- theta0 + C J' (J C J' + R)^-1 (y - f(theta) + J (theta - theta0))
//
// with J the slopes of the readings at theta, which engine/circuit gives by one
// extra solve a reading. The form works in the space of readings (tens to
// hundreds) rather than of junctions (thousands), and keeps J sparse. What
// stays unknown afterwards is
//
//	Cov(theta | y) = C - C J' (J C J' + R)^-1 J C.
//
// Each junction has three unknowns: its drop at 1 mA, its ideality n and its
// series resistance. At a current i other than 1 mA the drop is
//
//	V(i) = V(1 mA) + n Vt ln(i / 1 mA) + Rs (i - 1 mA)
//
// so that the last two have the slopes Vt ln(i/1 mA) and i - 1 mA times that of
// the drop. They show only where the current differs from 1 mA (other meters,
// lines with a pull-up, leaks), and keep their priors elsewhere; that is what
// makes a reading carried to another meter as uncertain as it is. (Gaussian
// conditioning: any textbook of linear estimation, such as Rasmussen and Williams
// 2006, A.2.)
package fit

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"halfsplit/engine/circuit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Belief is what known-good readings say of a board's junctions.
type Belief struct {
	Model  *network.Model
	Values *network.Values // the best estimate, at network.RefCelsius
	Spread float64         // V, standard deviation of one junction from board to board
	// Undrawn lists nets on which good boards show a path that the board file
	// has no part for; a junction was assumed there.
	Undrawn []netlist.NetID

	prior   []float64 // variance of each unknown, three to an element; 0 where absent
	rows    []row
	seenBy  [][]seen  // by unknown
	inverse []float64 // (J C J' + R)^-1, dense, len(rows) squared
	factor  []float64 // the Cholesky factor of J C J' + R while fitting
	known   map[Spot]Known

	// cov is Cov(theta | y) over the unknowns that some row depends on, dense,
	// where there are few enough of them; place finds an unknown in it.
	cov   []float64
	width int
	place []int
}

// mostKept bounds the unknowns whose covariance is kept: 8 MB.
const mostKept = 1000

// keep works out cov, row by row of J, of which each has few entries:
//
//	cov = C - sum over rows r, q of (C J_r) K^-1_rq (C J_q)'
func (b *Belief) keep() {
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
	b.cov = make([]float64, b.width*b.width)
	for k, u := range kept {
		b.cov[k*b.width+k] = b.prior[u]
	}
	n := len(b.rows)
	part := make([]float64, b.width) // sum over q of K^-1_rq (C J_q)
	for r := range b.rows {
		clear(part)
		for q := range b.rows {
			x := b.inverse[r*n+q]
			if x == 0 {
				continue
			}
			for _, s := range b.rows[q].slopes {
				part[b.place[s.unknown]] += x * b.prior[s.unknown] * s.slope
			}
		}
		for _, s := range b.rows[r].slopes {
			c := b.prior[s.unknown] * s.slope
			row := b.cov[b.place[s.unknown]*b.width:][:b.width]
			for k, x := range part {
				row[k] -= c * x
			}
		}
	}
}

// Unknowns of a junction.
const (
	drop     = iota // V
	ideality        // 1
	series          // ohm
	unknowns
)

// row is one known-good reading with its slopes.
type row struct {
	spot     Spot
	probe    network.Probe
	celsius  float64
	volts    float64
	variance float64
	slopes   []Slope
	model    float64
}

type seen struct {
	row   int32
	slope float64
}

// Slope is the change of a reading in volts per unit of one unknown.
type Slope struct {
	unknown int32
	slope   float64
}

// Slopes gives how the reading just taken by w depends on the junctions of a
// board at a temperature, and the sum of its slopes against their drops.
func (b *Belief) Slopes(w *network.Workspace, celsius float64) (slopes []Slope, sum float64) {
	vt := circuit.ThermalVoltage(celsius)
	w.Sensitivities(func(e int32, s, i float64) {
		sum += s
		slopes = append(slopes, Slope{unknowns*e + drop, s})
		if i = math.Max(i, 1e-9); math.Abs(i/network.RefCurrent-1) > 0.01 {
			slopes = append(slopes,
				Slope{unknowns*e + ideality, s * vt * math.Log(i/network.RefCurrent)},
				Slope{unknowns*e + series, s * (i - network.RefCurrent)})
		}
	})
	return slopes, sum
}

// Spot is where and how a known-good reading was taken. Pins that share a net
// share a spot.
type Spot struct {
	Net      netlist.NetID
	Contact  network.Contact // of a pin that goes nowhere; else NoContact
	Polarity references.Polarity
}

// SpotOf gives the spot of a point.
func SpotOf(m *network.Model, p netlist.Point, pol references.Polarity) Spot {
	s := Spot{Net: p.Net, Contact: network.NoContact, Polarity: pol}
	if p.Net == netlist.None && p.Kind == netlist.PointPin {
		s.Contact = m.PinContact(p.Pin)
	}
	return s
}

// Known is what good boards read at a spot, less what the fitted circuit reads
// there: carried so, it holds for any meter.
type Known struct {
	N         int     // boards read
	Offset    float64 // V, good boards less the fitted circuit
	Scale, DF float64 // V and degrees of freedom of the predictive Student t
	Overload  float64 // share of good boards that read OL
	Center    float64 // V, what good boards read with Meter
	Meter     references.Meter
}

// DriveOf gives what a meter drives in diode mode.
func DriveOf(m references.Meter) network.Drive {
	return network.Drive{Resistive: m.Source == references.Resistive, Current: m.TestCurrent, Open: m.OpenVoltage, Over: m.Over}
}

// ProbeAt puts a meter's leads on a place and ground.
func ProbeAt(m *network.Model, at network.Place, pol references.Polarity, d network.Drive) network.Probe {
	if pol == references.BlackOnGround {
		return network.Probe{Plus: at, Minus: m.GroundPlace(), Meter: d}
	}
	return network.Probe{Plus: m.GroundPlace(), Minus: at, Meter: d}
}

// good is a board as it should be.
var good = &network.State{}

// group gathers the samples of one spot taken alike.
type group struct {
	spot      Spot
	at        network.Place
	drive     network.Drive
	meter     references.Meter
	celsius   float64
	volts     []float64
	overloads int
	samples   []references.Sample // all of them, for the spread
	ended     network.Ended       // where its last reading on the fitted circuit ended
}

// alikeWarm is the width in K of the temperatures that go into one group: with a
// group for each degree, a library of a hundred sweeps would take minutes to fit.
const alikeWarm = 5.0

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
		d, t := DriveOf(s.Meter), network.RefCelsius+alikeWarm*math.Round((s.State.Celsius-network.RefCelsius)/alikeWarm)
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
			if r.Reading.Overload {
				g.overloads++
			} else {
				g.volts = append(g.volts, r.Reading.Value)
			}
		}
	}
	return order
}

// Gauss-Newton makes so many rounds at most, and ends where another would lower the
// cost by less than settled for each row, which is some 1 by itself, or where a share of leastShare of a step still leads uphill.
// Where junctions lie side by side the readings bend within a few tens of
// millivolts, so that no round moves an unknown further than its stride.
const (
	rounds     = 20
	settled    = 0.01
	leastShare = 1.0 / 64
)

var stride = [unknowns]float64{drop: 0.12, ideality: 0.3, series: 50}

// Fit estimates the junctions of a board from a library of known-good sweeps;
// lib may be nil or empty.
func Fit(m *network.Model, lib *references.Library) (*Belief, error) {
	return learnt(m, lib, true)
}

// Guess is Fit without the fitting: what good boards read is known, but junctions
// drop what junctions usually do. It shows what the fit is worth.
func Guess(m *network.Model, lib *references.Library) (*Belief, error) {
	return learnt(m, lib, false)
}

func learnt(m *network.Model, lib *references.Library, fitted bool) (*Belief, error) {
	b := &Belief{Model: m, Values: m.Nominal(), Spread: references.DefaultSpread(0.5), known: map[Spot]Known{}, seenBy: make([][]seen, unknowns*len(m.Elements))}
	b.prior = make([]float64, unknowns*len(m.Elements))
	for e := range m.Elements {
		if m.Elements[e].Class == network.Junction && !math.IsInf(b.Values.Junctions[e].Drop, 1) {
			b.believe(int32(e))
		}
	}
	b.Values.Settle()
	if lib == nil || len(lib.Sweeps) == 0 {
		return b, nil
	}
	groups := collect(m, lib)
	if err := b.matchPaths(network.NewWorkspace(m), groups); err != nil {
		return nil, err
	}
	crew := network.NewCrew(m)
	if err := b.warm(crew, groups); err != nil {
		return nil, err
	}
	if !fitted {
		return b, b.learn(crew, groups)
	}
	if err := b.descend(crew, groups); err != nil {
		return nil, err
	}
	if len(b.rows) > 0 {
		b.inverse, b.factor = invert(b.factor, len(b.rows)), nil
		b.keep()
	}
	return b, b.learn(crew, groups)
}

// descend looks for the likeliest junctions by Gauss-Newton, with steps cut short
// where they lead uphill, and leaves the rows and their factor there.
func (b *Belief) descend(crew *network.Crew, groups []*group) error {
	start := b.Values.Clone()
	if err := b.linearise(crew, groups); err != nil || len(b.rows) == 0 {
		return err
	}
	if err := b.factorise(); err != nil {
		return err
	}
	cost, share := b.cost(start), 1.0
	for range rounds {
		before, rows := b.Values.Clone(), b.rows
		if promised := b.step(start, share); cost-promised < settled*float64(len(rows)) {
			b.Values = before
			b.Values.Settle()
			break
		}
		if err := b.linearise(crew, groups); err != nil {
			return err
		}
		now := b.cost(start)
		if !(now < cost) || len(b.rows) != len(rows) { // uphill, or a reading lost its path
			b.Values, b.rows = before, rows
			b.Values.Settle()
			if share /= 4; share < leastShare {
				break
			}
			continue
		}
		if err := b.factorise(); err != nil {
			return err
		}
		cost, share = now, math.Min(2*share, 1)
	}
	return nil
}

// cost is twice the negative logarithm of the posterior density, but for a
// constant, where the rows were linearised: squares of what the readings and the
// unknowns are off, in standard deviations.
func (b *Belief) cost(start *network.Values) float64 {
	sum := 0.0
	for r := range b.rows {
		q := &b.rows[r]
		off := q.volts - q.model
		sum += off * off / q.variance
	}
	for u, variance := range b.prior {
		if variance > 0 {
			off := *unknown(b.Values, int32(u)) - *unknown(start, int32(u))
			sum += off * off / variance
		}
	}
	return sum
}

// warm carries each sample from the temperature of its sweep to that of its group,
// by what the circuit makes of the difference before the fit, made good for what
// the sample is off: the drop V of a junction goes to the band gap as the
// temperature T goes to 0 K in a straight line (Sze, Physics of Semiconductor
// Devices, from memory), so that one higher by dV falls less by dV/T for each kelvin.
func (b *Belief) warm(crew *network.Crew, groups []*group) error {
	at := b.warmths(groups)
	for _, g := range groups {
		for i := range g.samples {
			t := math.Round(g.samples[i].Sweep.State.Celsius)
			if at[t] == nil {
				at[t] = b.At(t, 0)
			}
		}
	}
	return crew.Each(len(groups), func(w *network.Workspace, i int) error {
		g := groups[i]
		read := func(celsius float64) (network.Reading, error) {
			return w.Read(ProbeAt(b.Model, g.at, g.spot.Polarity, g.drive), good, at[celsius])
		}
		here, err := read(g.celsius)
		if err != nil {
			return err
		}
		then := map[float64]network.Reading{g.celsius: here} // by degree
		g.volts = g.volts[:0]
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
			g.volts = append(g.volts, s.Volts)
		}
		w.Keep(&g.ended)
		return nil
	})
}

// warmths gives the values of the board at the temperature of each group.
func (b *Belief) warmths(groups []*group) map[float64]*network.Values {
	at := map[float64]*network.Values{}
	for _, g := range groups {
		if at[g.celsius] == nil {
			at[g.celsius] = b.At(g.celsius, 0)
		}
	}
	return at
}

// believe gives a junction its priors.
func (b *Belief) believe(e int32) {
	p := b.Model.Elements[e].Origin.Prior()
	b.prior[unknowns*e+drop] = p.Drop.SD * p.Drop.SD
	b.prior[unknowns*e+ideality] = p.Ideality.SD * p.Ideality.SD
	b.prior[unknowns*e+series] = p.Series.SD * p.Series.SD
}

// absent takes a junction away.
func (b *Belief) absent(e int32) {
	b.Values.Junctions[e].Drop = math.Inf(1)
	clear(b.prior[unknowns*e : unknowns*e+unknowns])
}

// unknown gives an unknown of some values.
func unknown(v *network.Values, u int32) *float64 {
	j := &v.Junctions[u/unknowns]
	switch u % unknowns {
	case ideality:
		return &j.Ideality
	case series:
		return &j.Series
	}
	return &j.Drop
}

// Bounds of the unknowns, beyond which no real junction lies.
var bounds = [unknowns][2]float64{drop: {0.02, 2.8}, ideality: {1, 2.2}, series: {0, 3000}}

// mostSeries is the largest share of a drop that is due to series resistance.
const mostSeries = 0.7

// step makes a share of one step of Gauss-Newton from the values that the rows were
// linearised at, no further than a stride, and gives the cost that a whole step would
// come to were the circuit linear: with x = (J C J' + R)^-1 r it is r' x.
func (b *Belief) step(start *network.Values, share float64) (promised float64) {
	inn := make([]float64, len(b.rows)) // y - f + J (theta - theta0)
	for r := range b.rows {
		q := &b.rows[r]
		inn[r] = q.volts - q.model
		for _, s := range q.slopes {
			inn[r] += s.slope * (*unknown(b.Values, s.unknown) - *unknown(start, s.unknown))
		}
	}
	x := substitute(b.factor, len(b.rows), inn)
	moved := map[int32]float64{}
	for r := range b.rows {
		promised += inn[r] * x[r]
		for _, s := range b.rows[r].slopes {
			moved[s.unknown] += b.prior[s.unknown] * s.slope * x[r]
		}
	}
	for u, d := range moved {
		lim, reach := bounds[u%unknowns], stride[u%unknowns]
		x := unknown(b.Values, u)
		next := clamp(clamp(*unknown(start, u)+d, *x-reach, *x+reach), lim[0], lim[1])
		*x += share * (next - *x)
	}
	for e := range b.Values.Junctions {
		// the resistance has a share of the drop, not all of it
		if j := &b.Values.Junctions[e]; !math.IsInf(j.Drop, 1) {
			j.Series = math.Min(j.Series, mostSeries*j.Drop/network.RefCurrent)
		}
	}
	b.Values.Settle()
	return promised
}

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

// matchPaths makes the circuit agree with good boards on where there is a path
// at all: a junction that good boards do not show (OL) is taken away, and one
// that no part accounts for is added.
func (b *Belief) matchPaths(w *network.Workspace, groups []*group) error {
	told := map[network.Probe]network.Reading{} // of the board as it stands
	change := func() {
		clear(told)
		b.Values.Settle()
	}
	for _, g := range groups {
		probe := ProbeAt(b.Model, g.at, g.spot.Polarity, g.drive)
		for try := 0; try < 24; try++ {
			r, ok := told[probe]
			if !ok || r.Over != (g.overloads > len(g.volts)) {
				var err error
				if r, err = w.Read(probe, good, b.Values); err != nil {
					return err
				}
				told[probe] = r
			}
			overload := g.overloads > len(g.volts)
			if overload == r.Over {
				break
			}
			if !overload {
				if e, ok := b.Model.Undrawn(g.spot.Net, g.spot.Polarity == references.BlackOnGround); ok && math.IsInf(b.Values.Junctions[e].Drop, 1) {
					b.Values.Junctions[e].Drop = clamp(middle(g.volts), 0.05, 2.5)
					b.believe(e)
					b.Undrawn = append(b.Undrawn, g.spot.Net)
					change()
				}
				break
			}
			best, most := int32(-1), 0.0
			w.Sensitivities(func(e int32, s, _ float64) {
				if math.Abs(s) > most {
					best, most = e, math.Abs(s)
				}
			})
			if best < 0 {
				break
			}
			if j := &b.Values.Junctions[best]; g.spot.Polarity == references.BlackOnGround && j.Drop < 2.6 {
				// an unpowered supply may drop more than the display shows
				j.Drop += 0.2
				change()
				continue
			}
			b.absent(best)
			change()
		}
	}
	return nil
}

// middle gives the median, which one bad board does not move.
func middle(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	n := len(s)
	if n == 0 {
		return math.NaN()
	}
	return (s[(n-1)/2] + s[n/2]) / 2
}

// location is the reading of a group: the mean of a few, the median of many.
func location(v []float64) float64 {
	if len(v) >= 5 {
		return middle(v)
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// linearise reads the fitted circuit as each group did, with slopes.
func (b *Belief) linearise(crew *network.Crew, groups []*group) error {
	at := b.warmths(groups)
	rows := make([]row, len(groups))
	err := crew.Each(len(groups), func(w *network.Workspace, i int) (err error) {
		if g := groups[i]; len(g.volts) > 0 && g.overloads <= len(g.volts) {
			rows[i], err = b.row(w, g, at[g.celsius])
		}
		return err
	})
	b.rows = slices.DeleteFunc(rows, func(q row) bool { return len(q.slopes) == 0 })
	return err
}

// row reads the fitted circuit as a group did.
func (b *Belief) row(w *network.Workspace, g *group, v *network.Values) (row, error) {
	probe := ProbeAt(b.Model, g.at, g.spot.Polarity, g.drive)
	w.Resume(&g.ended)
	r, err := w.Read(probe, good, v)
	if err != nil {
		return row{}, err
	}
	w.Keep(&g.ended)
	y := location(g.volts)
	a := g.meter.HalfWidth(y)
	q := row{spot: g.spot, probe: probe, celsius: g.celsius, volts: y, model: r.Volts,
		variance: b.Spread*b.Spread/float64(len(g.volts)) + a*a/3}
	all, _ := b.Slopes(w, g.celsius)
	for _, s := range all {
		if b.prior[s.unknown] > 0 {
			q.slopes = append(q.slopes, s)
		}
	}
	return q, nil
}

// factorise forms J C J' + R and its Cholesky factor.
func (b *Belief) factorise() error {
	n := len(b.rows)
	clear(b.seenBy)
	for r := range b.rows {
		for _, s := range b.rows[r].slopes {
			b.seenBy[s.unknown] = append(b.seenBy[s.unknown], seen{int32(r), s.slope})
		}
	}
	k := make([]float64, n*n)
	for r := range b.rows {
		q := &b.rows[r]
		for _, s := range q.slopes {
			for _, o := range b.seenBy[s.unknown] {
				k[r*n+int(o.row)] += b.prior[s.unknown] * s.slope * o.slope
			}
		}
		k[r*n+r] += q.variance
	}
	b.factor = k
	return cholesky(k, n)
}

// cholesky factors a positive definite matrix of n rows in place: k = L L', with L
// in the lower triangle.
func cholesky(k []float64, n int) error {
	for i := 0; i < n; i++ {
		ki := k[i*n:][:i+1]
		for j := 0; j <= i; j++ {
			kj := k[j*n:][:j+1]
			s := ki[j]
			for l, x := range kj[:j] {
				s -= ki[l] * x
			}
			if i > j {
				ki[j] = s / kj[j]
				continue
			}
			if !(s > 0) {
				return fmt.Errorf("fit: the known-good readings contradict each other beyond arithmetic (row %d); look for a reading with no spread at all", i)
			}
			ki[i] = math.Sqrt(s)
		}
	}
	return nil
}

// substitute solves L L' x = v.
func substitute(k []float64, n int, v []float64) []float64 {
	x := slices.Clone(v)
	for i := 0; i < n; i++ {
		for l, a := range k[i*n:][:i] {
			x[i] -= a * x[l]
		}
		x[i] /= k[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		x[i] /= k[i*n+i]
		for l, a := range k[i*n:][:i] {
			x[l] -= a * x[i]
		}
	}
	return x
}

// invert gives the inverse of a matrix of n rows from its Cholesky factor.
func invert(k []float64, n int) []float64 {
	// The inverse of L, row by row; then L^-T L^-1, whose entries are products of
	// columns of L^-1, held as rows of its transpose for the sake of the cache.
	up := make([]float64, n*n) // up[c*n+i] = (L^-1)[i][c]
	for c := 0; c < n; c++ {
		row := up[c*n:][:n]
		row[c] = 1 / k[c*n+c]
		for i := c + 1; i < n; i++ {
			sum := 0.0
			ki := k[i*n:][:i]
			for l := c; l < i; l++ {
				sum += ki[l] * row[l]
			}
			row[i] = -sum / k[i*n+i]
		}
	}
	inv := make([]float64, n*n)
	for i := 0; i < n; i++ {
		for j := 0; j <= i; j++ {
			sum := 0.0
			a, b := up[i*n:][:n], up[j*n:][:n]
			for l := i; l < n; l++ {
				sum += a[l] * b[l]
			}
			inv[i*n+j], inv[j*n+i] = sum, sum
		}
	}
	return inv
}

// At gives the fitted values at a temperature in Celsius with every drop moved
// by shift volts.
func (b *Belief) At(celsius, shift float64) *network.Values {
	v := b.Values.Clone()
	v.Celsius = celsius
	for e := range v.Junctions {
		v.Junctions[e].Drop += shift
	}
	v.Settle()
	return v
}

// learn carries every sample to one meter through the fitted circuit and takes
// the spread of good boards from what is left.
func (b *Belief) learn(crew *network.Crew, groups []*group) error {
	at := b.warmths(groups)
	readings, slopes := make([]network.Reading, len(groups)), make([]float64, len(groups))
	err := crew.Each(len(groups), func(w *network.Workspace, i int) (err error) {
		g := groups[i]
		w.Resume(&g.ended)
		if readings[i], err = w.Read(ProbeAt(b.Model, g.at, g.spot.Polarity, g.drive), good, at[g.celsius]); err == nil {
			_, slopes[i] = b.Slopes(w, g.celsius)
		}
		return err
	})
	if err != nil {
		return err
	}
	piles := map[Spot]*pile{}
	var order []Spot
	for i, g := range groups {
		r := readings[i]
		p := piles[g.spot]
		if p == nil {
			p = &pile{base: r.Volts, over: r.Over, slope: slopes[i], meter: g.meter}
			piles[g.spot] = p
			order = append(order, g.spot)
		}
		for _, s := range g.samples {
			if !s.Overload && !r.Over {
				s.Volts += p.base - r.Volts
			}
			p.samples = append(p.samples, s)
		}
	}
	b.level(piles, order)
	var pooled pool
	for _, s := range order {
		if p := piles[s]; !p.over {
			pooled.add(references.PredictSamples(p.samples))
		}
	}
	b.Spread, pooled.sd = pooled.spread(), pooled.spread()
	for _, s := range order {
		p := piles[s]
		pred := references.PredictSamples(p.samples)
		k := Known{N: pred.N, Scale: pred.Scale, DF: pred.DF, Overload: pred.OverloadShare, Center: pred.Center, Meter: p.meter}
		if !p.over && !math.IsNaN(pred.Center) {
			k.Offset = pred.Center - p.base
			k.Scale, k.DF = pooled.shrink(pred)
		}
		b.known[s] = k
	}
	return nil
}

// pile is all samples of a spot, carried to one meter.
type pile struct {
	base    float64
	over    bool
	slope   float64 // of the reading against all drops at once
	samples []references.Sample
	meter   references.Meter
}

// level takes out what all readings of one sweep have in common: its board was
// a little warmer than written, or its meter drives a little less than it says.
// The median over the sweep's readings at junctions tells; a case's own shift is
// fitted likewise when it is diagnosed. One board alone has nothing to compare
// with.
func (b *Belief) level(piles map[Spot]*pile, order []Spot) {
	offs := map[*references.Sweep][]float64{}
	for _, s := range order {
		p := piles[s]
		if p.over || p.slope < 0.5 {
			continue
		}
		for _, x := range p.samples {
			if off := x.Volts - p.base; !x.Overload && math.Abs(off) < 0.05 {
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
			if all := offs[p.samples[i].Sweep]; len(all) >= 5 && !p.samples[i].Overload {
				p.samples[i].Volts -= middle(all) * math.Min(p.slope, 1)
			}
		}
	}
}

// pool gathers the spread of boards over all points. A few boards say little of
// the spread at one point, but the points together say much of what is usual.
type pool struct {
	squares, freedom float64
	sd               float64
}

// Degrees of freedom: of the prior inside references.Predict, of the pooled
// spread as a prior for one point (points differ), and the least number that the
// pool needs before it is believed rather than the default.
const (
	predictDF = 4.0
	pooledDF  = 8.0
	enoughDF  = 10.0
)

// squaresOf takes the sum of squared deviations back out of a prediction.
func squaresOf(p references.Predictive) (squares, n float64) {
	n = p.DF - predictDF + 1
	prior := references.DefaultSpread(p.Center)
	return math.Max(p.Scale*p.Scale/(1+1/n)*p.DF-predictDF*prior*prior, 0), n
}

func (q *pool) add(p references.Predictive) {
	if math.IsNaN(p.Scale) {
		return
	}
	squares, n := squaresOf(p)
	// one wild point must not speak for all
	most := 9 * references.DefaultSpread(p.Center) * references.DefaultSpread(p.Center) * (n - 1)
	q.squares += math.Min(squares, most)
	q.freedom += n - 1
}

func (q *pool) spread() float64 {
	if q.freedom < enoughDF {
		return references.DefaultSpread(0.5)
	}
	return math.Sqrt(q.squares / q.freedom)
}

// shrink gives scale and degrees of freedom of the predictive Student t of a
// point, with the pooled spread as prior in place of the default (scaled inverse
// chi-square; Gelman et al., Bayesian Data Analysis, 3.3, from memory).
func (q *pool) shrink(p references.Predictive) (scale, df float64) {
	if q.freedom < enoughDF || math.IsNaN(p.Scale) {
		return p.Scale, p.DF
	}
	squares, n := squaresOf(p)
	df = pooledDF + n - 1
	return math.Sqrt((pooledDF*q.sd*q.sd+squares)/df) * math.Sqrt(1+1/n), df
}

// Covers tells whether good boards were read in a polarity at all.
func (b *Belief) Covers(pol references.Polarity) bool {
	for s := range b.known {
		if s.Polarity == pol {
			return true
		}
	}
	return false
}

// Known gives what good boards read at a spot, and false where none was read.
func (b *Belief) Known(s Spot) (Known, bool) {
	k, ok := b.known[s]
	return k, ok
}

// Variance gives the variance in V^2 of a reading with the given slopes: what
// the fit left open and what differs from board to board. Slopes that the known
// readings pin down together (two junctions in parallel) are pinned down here
// as well.
func (b *Belief) Variance(slopes []Slope) float64 {
	boards := 0.0
	for _, s := range slopes {
		if s.unknown%unknowns == drop && b.prior[s.unknown] > 0 {
			boards += s.slope * s.slope
		}
	}
	return math.Max(b.left(slopes)+boards*b.Spread*b.Spread, 1e-8)
}

// DropSD gives the standard deviation in volts of what the fit believes of a
// junction's drop.
func (b *Belief) DropSD(e int32) float64 {
	return math.Sqrt(b.left([]Slope{{unknowns*e + drop, 1}}))
}

// left is what the fit left open of a reading with the given slopes, in V^2:
//
//	s' C s - (J C s)' (J C J' + R)^-1 (J C s)
func (b *Belief) left(slopes []Slope) float64 {
	if b.cov != nil {
		v := 0.0
		for i, s := range slopes {
			k := b.place[s.unknown]
			if k < 0 {
				v += s.slope * s.slope * b.prior[s.unknown]
				continue
			}
			v += s.slope * s.slope * b.cov[k*b.width+k]
			for _, t := range slopes[:i] {
				if l := b.place[t.unknown]; l >= 0 {
					v += 2 * s.slope * t.slope * b.cov[k*b.width+l]
				}
			}
		}
		return math.Max(v, 0)
	}
	v := 0.0
	var room [24]seen // few rows see the same junctions
	touched := room[:0]
	for _, s := range slopes {
		c := b.prior[s.unknown] * s.slope
		if c == 0 {
			continue
		}
		v += s.slope * c
		for _, o := range b.seenBy[s.unknown] {
			k := 0
			for k < len(touched) && touched[k].row != o.row {
				k++
			}
			if k == len(touched) {
				touched = append(touched, seen{row: o.row})
			}
			touched[k].slope += o.slope * c
		}
	}
	n := len(b.rows)
	less := 0.0
	for _, i := range touched {
		for _, j := range touched {
			less += i.slope * b.inverse[int(i.row)*n+int(j.row)] * j.slope
		}
	}
	return math.Max(v-less, 0)
}

// Open gives the covariance in V^2 that the priors of the junctions give to two
// readings with the given slopes, before any reading of good boards. A series
// resistance is held to the share of its drop that it can have.
func (b *Belief) Open(one, two []Slope) float64 {
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
// on by being carried to a meter under which it reads volts and has the given
// slopes, from the reading of the spot in the library that is nearest to it: none
// where the same meter is used.
func (b *Belief) Carried(s Spot, slopes []Slope, d network.Drive, volts float64) float64 {
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
		v := b.left(merged(diff))
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
