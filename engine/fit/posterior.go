// Package fit works out what the junctions of a board are worth from readings of
// boards that work.
//
// The drops of protection junctions are in no data sheet. Each is assumed
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
// makes a reading converted to another meter as uncertain as it is. (Gaussian
// conditioning: any textbook of linear estimation, such as Rasmussen and Williams
// 2006, A.2.)
package fit

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"halfsplit/engine/circuit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Posterior is what known-good readings say of a board's junctions.
type Posterior struct {
	Model  *network.Model
	Values *network.Values // the best estimate, at network.RefCelsius
	Spread float64         // V, standard deviation of one junction from board to board
	// Undrawn lists nets on which good boards show a path that the board file
	// has no part for; a junction was assumed there.
	Undrawn []netlist.NetID
	// Assumed lists nets at the end of lines without a pin of an IC in the drawing, where
	// one was assumed that good boards do not tell from what is drawn.
	Assumed []netlist.NetID
	// Freed lists the resistances, by element, whose drawn values good boards speak
	// against; they were estimated.
	Freed []int32
	// Misread lists readings of good boards that do not go with the others, and were
	// left out.
	Misread []Misread

	start       *network.Values // before any reading
	prior       []float64       // variance of each unknown, three to an element; 0 where absent
	rows        []row
	matched     []pair
	seenBy      [][]seen  // by unknown
	inverse     []float64 // (J C J' + R)^-1, dense, len(rows) squared
	factor      []float64 // the Cholesky factor of J C J' + R while fitting
	known       map[Spot]Known
	conversions map[Spot]*conversion
	refit       refit
	doubts      map[Spot]float64
	trial       trial
	refused     []int32 // elements that were freed and did not gain by it

	// cov is Cov(theta | y) over the unknowns that some row depends on, dense,
	// where there are few enough of them; place finds an unknown in it.
	cov   []float64
	width int
	place []int
}

// Unknowns of a junction.
const (
	drop     = iota // V
	ideality        // 1
	series          // ohm
	unknowns

	logOhms = ideality // of a resistance, in its place: the natural logarithm of its ohms
)

// row is one known-good reading with its slopes.
type row struct {
	of       *group // nil for a difference of lines that should read alike
	lost     bool   // the estimated circuit shows OL there
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
func (b *Posterior) Slopes(w *network.Workspace, celsius float64) (slopes []Slope, sum float64) {
	slopes = make([]Slope, 0, 24)
	vt := circuit.ThermalVoltage(celsius)
	w.Sensitivities(func(e int32, s, i float64) {
		sum += s
		add := func(unknown int32, s float64) {
			if s*s*math.Max(b.prior[unknown], b.Spread*b.Spread) > noVariance {
				slopes = append(slopes, Slope{unknown, s})
			}
		}
		add(unknowns*e+drop, s)
		if i = math.Max(i, 1e-9); math.Abs(i/network.RefCurrent-1) > 0.01 {
			add(unknowns*e+ideality, s*vt*math.Log(i/network.RefCurrent))
			add(unknowns*e+series, s*(i-network.RefCurrent))
		}
	})
	if len(b.Freed) > 0 {
		b.OhmSlopes(w, func(e int32, s float64) {
			if u := unknowns*e + logOhms; b.prior[u] > 0 {
				slopes = append(slopes, Slope{u, s})
			}
		})
	}
	return slopes, sum
}

// OhmSlopes calls visit with each resistance of a part that the reading just taken by w
// depends on, and by how many volts it moves for a factor of e in it.
func (b *Posterior) OhmSlopes(w *network.Workspace, visit func(element int32, slope float64)) {
	w.OhmSensitivities(func(e int32, s float64) { visit(e, b.Values.Ohms[e]*s) })
}

// Spot is where and how a known-good reading was taken. Pins that share a net
// share a spot.
type Spot struct {
	Net      netlist.NetID
	Contact  network.Contact // of a pin that not connected (NC); else NoContact
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

// Known is what good boards read at a spot, less what the estimated circuit reads
// there: carried so, it holds for any meter.
type Known struct {
	N         int     // boards read
	Offset    float64 // V, good boards less the estimated circuit
	Scale, DF float64 // V and degrees of freedom of the predictive Student t
	Doubt     float64 // odds that this is wrong, as far as other good readings tell
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

// Misread is a reading of a good board that is mistyped, of another point, or of a board
// that is not good.
type Misread struct {
	Spot  Spot
	Sweep *references.Sweep
}

func misread(s Spot, samples []references.Sample) (out []Misread) {
	for _, x := range samples {
		if m := (Misread{s, x.Sweep}); !slices.Contains(out, m) {
			out = append(out, m)
		}
	}
	return out
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
	visit     network.Visit
	wrong     bool // of another point, or mistyped: see doubt
}

// probe is where and with what the group was read.
func (g *group) probe(m *network.Model) network.Probe {
	return ProbeAt(m, g.at, g.spot.Polarity, g.drive)
}

// conducts tells whether good boards show a path there: not OL, for the most part.
func (g *group) conducts() bool { return len(g.volts) > 0 && g.overloads <= len(g.volts) }

// take makes samples those of the group.
func (g *group) take(samples []references.Sample) {
	g.samples, g.volts = samples, nil
	for _, s := range samples {
		if !s.Overload {
			g.volts = append(g.volts, s.Volts)
		}
	}
	g.overloads = len(samples) - len(g.volts)
}

// boards counts the boards of which it has a voltage.
func (g *group) boards() int {
	volts, _ := references.PerBoard(g.samples)
	return len(volts)
}

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }

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

// At gives the fitted values at a temperature in Celsius, with the drop of each junction moved
// by so many of its own standard deviations; nil for none.
func (b *Posterior) At(celsius float64, sigmas func(element int32) float64) *network.Values {
	v := b.Values.Clone()
	v.Celsius = celsius
	for e := range v.Junctions {
		if e := int32(e); sigmas != nil && !math.IsInf(v.Junctions[e].Drop, 1) {
			v.Junctions[e].Drop += sigmas(e) * b.DropSD(e)
		}
	}
	v.Settle()
	return v
}

// Covers tells whether good boards were read in a polarity at all.
func (b *Posterior) Covers(pol references.Polarity) bool {
	for s := range b.known {
		if s.Polarity == pol {
			return true
		}
	}
	return false
}

// Known gives what good boards read at a spot, and false where none was read.
func (b *Posterior) Known(s Spot) (Known, bool) {
	k, ok := b.known[s]
	return k, ok
}

// InDoubt lists the spots, in the order of nets, at which what good boards read is wrong with
// so much odds or more.
func (b *Posterior) InDoubt(odds float64) (out []Spot) {
	for s, x := range b.doubts {
		if x >= odds {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(x, y Spot) int {
		return cmp.Or(cmp.Compare(x.Net, y.Net), cmp.Compare(x.Contact, y.Contact), cmp.Compare(x.Polarity, y.Polarity))
	})
	return out
}

// Covariance gives the covariance in V^2 of two readings of one board with the given
// slopes: what the fit left open and what differs from board to board. Slopes that
// the known readings pin down together (two junctions in parallel) are pinned down
// here as well.
func (b *Posterior) Covariance(s, t []Slope) float64 {
	boards := 0.0
	for _, x := range s {
		if x.unknown%unknowns != drop || b.prior[x.unknown] == 0 {
			continue
		}
		for _, y := range t {
			if x.unknown == y.unknown {
				boards += x.slope * y.slope
			}
		}
	}
	return b.left(s, t) + boards*b.Spread*b.Spread
}

// Unseen gives the junction that a reading rests on most, where that is a pin's and the
// readings of good boards do not show it.
func (b *Posterior) Unseen(slopes []Slope) (element int32, ok bool) {
	if element, ok = Carrier(slopes); !ok {
		return 0, false
	}
	o := b.Model.Elements[element].Origin
	return element, square(b.DropSD(element)) > shown*b.prior[unknowns*element+drop] && (o == network.PinFromGround || o == network.PinToSupply || o == network.NotDrawn)
}

// Carrier gives the junction whose drop is more than half of what a reading rests on.
func Carrier(slopes []Slope) (element int32, ok bool) {
	most := 0.5
	for _, s := range slopes {
		if s.unknown%unknowns == drop && math.Abs(s.slope) > most {
			most, element, ok = math.Abs(s.slope), s.unknown/unknowns, true
		}
	}
	return element, ok
}

// Trim leaves out the slopes that bring less than a variance in V^2, and gives what
// they bring together. The others are put in order.
func (b *Posterior) Trim(s []Slope, least float64) (kept []Slope, rest float64) {
	var room [32]Slope
	more := room[:0]
	for _, x := range s {
		variance := b.prior[x.unknown]
		if b.cov != nil {
			if k := b.place[x.unknown]; k >= 0 {
				variance = b.cov[k*b.width+k]
			}
		}
		if x.unknown%unknowns == drop && b.prior[x.unknown] > 0 {
			variance += b.Spread * b.Spread
		}
		if v := x.slope * x.slope * variance; v < least {
			rest += v
		} else {
			more = append(more, x)
		}
	}
	slices.SortFunc(more, func(x, y Slope) int { return int(x.unknown - y.unknown) })
	return slices.Clone(more), rest // with no room to spare, as thousands are held
}

// Common gives the share of the drops that one reading rests on which another rests on
// as well. Both are to be trimmed.
func Common(of, other []Slope) float64 {
	sum, both, k := 0.0, 0.0, 0
	for _, x := range of {
		if x.unknown%unknowns != drop {
			continue
		}
		for k < len(other) && other[k].unknown < x.unknown {
			k++
		}
		sum += math.Abs(x.slope)
		if k < len(other) && other[k].unknown == x.unknown {
			both += math.Min(math.Abs(x.slope), math.Abs(other[k].slope))
		}
	}
	return both / math.Max(sum, 1e-9)
}

// Projection is what the covariance of a board's readings makes of one of them, so that
// its covariance with any other is quickly had. Both are to be trimmed.
type Projection struct {
	of    []Slope
	dense []float64 // by place of an unknown that some row depends on; nil where there are too many
}

// Project prepares a reading with the given slopes for Dot.
func (b *Posterior) Project(s []Slope) *Projection {
	p := &Projection{of: s}
	if b.cov == nil {
		return p
	}
	p.dense = make([]float64, b.width)
	for _, x := range s {
		k := b.place[x.unknown]
		if k < 0 {
			continue
		}
		for l, c := range b.cov[k*b.width:][:b.width] {
			p.dense[l] += x.slope * c
		}
		if x.unknown%unknowns == drop && b.prior[x.unknown] > 0 {
			p.dense[k] += x.slope * b.Spread * b.Spread
		}
	}
	return p
}

// Dot is Covariance with a reading that was projected.
func (b *Posterior) Dot(s []Slope, p *Projection) float64 {
	if p.dense == nil {
		return b.Covariance(s, p.of)
	}
	v, i := 0.0, 0
	for _, x := range s { // both are in order
		if k := b.place[x.unknown]; k >= 0 {
			v += x.slope * p.dense[k]
			continue
		}
		for i < len(p.of) && p.of[i].unknown < x.unknown {
			i++
		}
		if i < len(p.of) && p.of[i].unknown == x.unknown {
			variance := b.prior[x.unknown]
			if x.unknown%unknowns == drop && variance > 0 {
				variance += b.Spread * b.Spread
			}
			v += x.slope * p.of[i].slope * variance
		}
	}
	return v
}

// Lots calls visit with each IC whose junctions a reading depends on and the sum of
// the reading's slopes against their drops.
func (b *Posterior) Lots(slopes []Slope, visit func(part netlist.PartID, sum float64)) {
	var parts []netlist.PartID
	var sums []float64
	for _, s := range slopes {
		el := &b.Model.Elements[s.unknown/unknowns]
		if s.unknown%unknowns != drop || el.Part == netlist.None || !network.Pinned(b.Model.Board.Parts[el.Part].Kind) {
			continue
		}
		k := slices.Index(parts, el.Part)
		if k < 0 {
			k = len(parts)
			parts, sums = append(parts, el.Part), append(sums, 0)
		}
		sums[k] += s.slope
	}
	for k, p := range parts {
		visit(p, sums[k])
	}
}

// DropSD gives the standard deviation in volts of what the fit estimates of a
// junction's drop.
func (b *Posterior) DropSD(e int32) float64 {
	one := []Slope{{unknowns*e + drop, 1}}
	return math.Sqrt(math.Max(b.left(one, one), 0))
}

// Strain gives a standard deviation in volts of what a reading with the given slopes may be
// off besides, where the fit moved drops further from what they are before any reading than
// three standard deviations of that: something is not as it is drawn there, and how far off
// the drop is itself is as open as it was moved beyond.
func (b *Posterior) Strain(slopes []Slope) (sum float64) {
	if b.start == nil { // no good board was read
		return 0
	}
	for _, s := range slopes {
		if e := s.unknown / unknowns; s.unknown%unknowns == drop {
			moved := math.Abs(b.Values.Junctions[e].Drop - b.start.Junctions[e].Drop)
			sum += math.Abs(s.slope) * math.Max(moved-3*math.Sqrt(b.prior[s.unknown]), 0)
		}
	}
	return sum
}

// left is the covariance that the fit left open of readings with the given slopes, in
// V^2:
//
//	s' C t - (J C s)' (J C J' + R)^-1 (J C t)
func (b *Posterior) left(s, t []Slope) float64 {
	v := 0.0
	if b.cov != nil {
		for _, x := range s {
			k := b.place[x.unknown]
			if k < 0 {
				for _, y := range t {
					if x.unknown == y.unknown {
						v += x.slope * y.slope * b.prior[x.unknown]
					}
				}
				continue
			}
			row := b.cov[k*b.width:][:b.width]
			for _, y := range t {
				if l := b.place[y.unknown]; l >= 0 {
					v += x.slope * y.slope * row[l]
				}
			}
		}
		return v
	}
	for _, x := range s {
		for _, y := range t {
			if x.unknown == y.unknown {
				v += x.slope * y.slope * b.prior[x.unknown]
			}
		}
	}
	n := len(b.rows)
	var roomS, roomT [24]seen // few rows see the same junctions
	rows := b.met(roomT[:0], t)
	for _, i := range b.met(roomS[:0], s) {
		for _, j := range rows {
			v -= i.slope * b.inverse[int(i.row)*n+int(j.row)] * j.slope
		}
	}
	return v
}

// met gives J C s, sparse.
func (b *Posterior) met(out []seen, s []Slope) []seen {
	for _, x := range s {
		c := b.prior[x.unknown] * x.slope
		if c == 0 {
			continue
		}
		for _, o := range b.seenBy[x.unknown] {
			k := 0
			for k < len(out) && out[k].row != o.row {
				k++
			}
			if k == len(out) {
				out = append(out, seen{row: o.row})
			}
			out[k].slope += o.slope * c
		}
	}
	return out
}

// noVariance is the variance in V^2 that one unknown has to bring to a reading to be
// worth counting: (10 microvolts)^2.
const noVariance = 1e-10

// each does n pieces of arithmetic on every processor of a pool.
func each(pool *network.Pool, n int, work func(i int)) {
	_ = pool.Each(n, func(_ *network.Workspace, i int) error { // which cannot fail
		work(i)
		return nil
	})
}

// dot is the inner product of a vector with the beginning of another.
func dot(a, b []float64) (sum float64) {
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

func square(x float64) float64 { return x * x }

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

// Mix gives the sum of two rows of slopes, in order, each times a factor.
func Mix(s []Slope, f float64, t []Slope, g float64) []Slope {
	out := make([]Slope, 0, len(s)+len(t))
	for len(s) > 0 || len(t) > 0 {
		switch {
		case len(t) == 0 || len(s) > 0 && s[0].unknown < t[0].unknown:
			out, s = append(out, Slope{s[0].unknown, f * s[0].slope}), s[1:]
		case len(s) == 0 || s[0].unknown > t[0].unknown:
			out, t = append(out, Slope{t[0].unknown, g * t[0].slope}), t[1:]
		default:
			out = append(out, Slope{s[0].unknown, f*s[0].slope + g*t[0].slope})
			s, t = s[1:], t[1:]
		}
	}
	return out
}
