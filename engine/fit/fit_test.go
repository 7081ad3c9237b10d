package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// apart is a board whose junctions are each seen alone, and by two meters; the
// last line has two of them side by side and a rail behind a pull-up. Invented.
const apart = `
board: apart
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: B, 3: C, 4: D, 5: V, 6: N, 7: GND}}}
nets: {V: {rail: 1.8 V}}
parts:
  U2: {kind: ic, pins: {1: A, 2: GND}, ground: 2}
  U3: {kind: ic, pins: {1: B, 2: GND}, ground: 2}
  U4: {kind: ic, pins: {1: C, 2: GND}, ground: 2}
  C1: {kind: capacitor, value: 1n, pins: [N, GND]}
  R1: {kind: resistor, value: 100R, pins: [D, D_U]}
  D4: {kind: tvs, pins: [D_U, GND]}
  R2: {kind: resistor, value: 1K, pins: [V, D_U], role: pull}
  U1: {kind: ic, pins: {1: V, 2: D_U, 3: GND}, supply: 1, ground: 3}
`

// yard reads boards of one type, for sweeps.
type yard struct {
	t testing.TB
	b *netlist.Board
	m *network.Model
	w *network.Workspace
}

func newYard(t testing.TB, text string) *yard {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(text), t.Name())
	if err != nil {
		t.Fatal(err)
	}
	return openYard(t, b)
}

func openYard(t testing.TB, b *netlist.Board) *yard {
	m := network.New(b)
	return &yard{t, b, m, network.NewWorkspace(m)}
}

func (y *yard) pins() []netlist.Point {
	var out []netlist.Point
	for c := range y.b.Connectors {
		for i, pin := range y.b.Connectors[c].Pins {
			if pin.Net != y.b.Ground {
				out = append(out, y.b.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
			}
		}
	}
	return out
}

// volts reads a point of a board by a meter, without its errors.
func (y *yard) volts(pt netlist.Point, v *network.Values, m references.Meter) network.Reading {
	y.t.Helper()
	r, err := y.w.Read(ProbeAt(y.m, y.m.PlaceOf(pt), references.RedOnGround, DriveOf(m)), good, v)
	if err != nil {
		y.t.Fatal(err)
	}
	return r
}

// drawn draws a type of board from the priors of its junctions.
func (y *yard) drawn(r *rand.Rand) *network.Values {
	v := y.m.Nominal()
	for e := range v.Junctions {
		if y.m.Elements[e].Class != network.Junction || math.IsInf(v.Junctions[e].Drop, 1) {
			continue
		}
		p := y.m.Elements[e].Origin.Prior()
		draw := func(b network.Posterior, lo, hi float64) float64 {
			for {
				if x := b.Mean + b.SD*r.NormFloat64(); x >= lo && x <= hi {
					return x
				}
			}
		}
		v.Junctions[e] = network.JunctionValue{Drop: draw(p.Drop, 0.3, 2), Ideality: draw(p.Ideality, 1, 2.2), Series: draw(p.Series, 0, 25)}
	}
	v.Settle()
	return v
}

// board draws one board of a type: each junction sd volts from the type's, and all
// together moved by common volts.
func (y *yard) board(kind *network.Values, r *rand.Rand, sd, common float64) *network.Values {
	v := kind.Clone()
	for e := range v.Junctions {
		v.Junctions[e].Drop += common + sd*r.NormFloat64()
	}
	v.Settle()
	return v
}

// sweep reads every pin; noise is the meter's error in volts, drawn afresh at each.
func (y *yard) sweep(name string, v *network.Values, m references.Meter, noise func() float64) *references.Sweep {
	s := &references.Sweep{File: name, Sample: name, Board: y.b.Name, Revision: y.b.Revision, Meter: m, State: references.State{Celsius: network.RefCelsius}}
	for _, pt := range y.pins() {
		r := y.volts(pt, v, m)
		x := quantity.Reading{Overload: r.Over, Unit: quantity.Volt}
		if !r.Over {
			x.Value = r.Volts + noise()
		}
		s.Readings = append(s.Readings, references.PointReading{At: pt, Name: y.b.PointName(pt), Reading: x})
	}
	return s
}

func (y *yard) fit(sweeps ...*references.Sweep) *Posterior {
	y.t.Helper()
	b, err := Fit(y.m, references.NewLibrary(y.b, sweeps))
	if err != nil {
		y.t.Fatal(err)
	}
	return b
}

func none() float64 { return 0 }

// slopesAt gives how a reading depends on the junctions of the fitted board.
func (y *yard) slopesAt(b *Posterior, pt netlist.Point, m references.Meter) (slopes []Slope, volts float64) {
	r := y.volts(pt, b.Values, m)
	slopes, _ = b.Slopes(y.w, network.RefCelsius)
	return slopes, r.Volts
}

// element finds the junction of a part that conducts from ground.
func (y *yard) element(part string) int32 {
	y.t.Helper()
	p, err := y.b.PartByName(part)
	if err != nil {
		y.t.Fatal(err)
	}
	from, _ := y.m.PartElements(p)
	return from
}

// meters are those that teams have; the sources of their numbers are data sheets
// in general, from memory.
func meters() (one, half, resistive references.Meter) {
	one = references.DefaultMeter()
	half = one
	half.TestCurrent, half.OpenVoltage = 0.5e-3, 2.7
	resistive = one
	resistive.TestCurrent, resistive.OpenVoltage, resistive.Source = 1.2e-3, 2.8, references.Resistive
	return one, half, resistive
}

// TestRecovers gives each lone junction's drop back, read at 1 mA without error, to
// 1 mV, and what is read at junctions side by side to 5 mV: their prior draws a
// reading towards its own mean by as much as a reading is doubted.
func TestRecovers(t *testing.T) {
	y := newYard(t, apart)
	one, _, _ := meters()
	r := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		truth := y.drawn(r)
		var sweeps []*references.Sweep
		for n := range 6 {
			sweeps = append(sweeps, y.sweep(fmt.Sprint(n), truth, one, none))
		}
		b := y.fit(sweeps...)
		for _, part := range []string{"U2", "U3", "U4"} {
			e := y.element(part)
			if got, want := b.Values.Junctions[e].Drop, truth.Junctions[e].Drop; math.Abs(got-want) > 1e-3 {
				t.Errorf("%s drops %.4f V, fitted %.4f V", part, want, got)
			}
		}
		// two junctions side by side are not distinguished, what they read is right
		for _, pt := range y.pins() {
			got, want := y.volts(pt, b.Values, one), y.volts(pt, truth, one)
			if got.Over != want.Over || math.Abs(math.Min(got.Volts, 2)-math.Min(want.Volts, 2)) > 5e-3 {
				t.Errorf("%s reads %.4f V, fitted %.4f V", y.b.PointName(pt), want.Volts, got.Volts)
			}
		}
	}
}

// TestTwoMetersTellTheSlope reads lone junctions at two currents, without error: the
// fit then knows the reading at a third current in between, to 2 mV, and says so.
func TestTwoMetersTellTheSlope(t *testing.T) {
	y := newYard(t, apart)
	one, half, _ := meters()
	between := one
	between.TestCurrent = 0.7e-3
	r := rand.New(rand.NewPCG(2, 1))
	for range 20 {
		truth := y.drawn(r)
		var sweeps []*references.Sweep
		for n := range 5 {
			sweeps = append(sweeps, y.sweep(fmt.Sprint("one ", n), truth, one, none), y.sweep(fmt.Sprint("half ", n), truth, half, none))
		}
		b := y.fit(sweeps...)
		for _, pt := range y.pins()[:3] {
			slopes, got := y.slopesAt(b, pt, between)
			if want := y.volts(pt, truth, between).Volts; math.Abs(got-want) > 2e-3 {
				t.Errorf("%s reads %.4f V at 0.7 mA, fitted %.4f V", y.b.PointName(pt), want, got)
			}
			if sd := math.Sqrt(b.left(slopes, slopes)); sd > 4e-3 {
				t.Errorf("%s at 0.7 mA is left open by %.1f mV", y.b.PointName(pt), sd*1e3)
			}
		}
	}
}

// TestDemoFits reads the fitted demo board where good boards were read: the
// residuals of all pins.
func TestDemoFits(t *testing.T) {
	bd, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	y := openYard(t, bd)
	lib, err := references.LoadLibrary("../../testdata/demo/known", bd)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Fit(y.m, lib)
	if err != nil {
		t.Fatal(err)
	}
	worst, where, n := 0.0, "", 0
	for s, k := range b.known {
		if k.Overload > 0.5 {
			continue
		}
		n++
		if math.Abs(k.Offset) > worst {
			worst, where = math.Abs(k.Offset), fmt.Sprint(y.b.Nets[s.Net].Name, " ", s.Polarity)
		}
	}
	t.Logf("%d spots, worst residual %.2f mV at %s; a junction differs by %.2f mV from board to board", n, worst*1e3, where, b.Spread*1e3)
	if worst > 5e-3 {
		t.Errorf("the fitted board is %.1f mV from good ones at %s", worst*1e3, where)
	}
	if n < 25 {
		t.Errorf("only %d spots", n)
	}
	if len(b.Undrawn) > 0 {
		t.Errorf("paths that are not drawn: %v", b.Undrawn)
	}
}

// TestPosteriorHolds draws board types from the priors, fits each from two boards,
// and asks what the type's own reading is at a point inside the line that nobody
// read, and at another current. The error over what the fit says it left open must
// be no more than 1 in the root mean square over 300 types (a chi-square of 300 has
// 0.92 to 1.08 in the 95 % interval of its root; a fifth more is granted to the
// linearisation). It is less where the priors are cut off by what junctions can be,
// and because the fit reckons with boards that differ, which here do not.
func TestPosteriorHolds(t *testing.T) {
	y := newYard(t, apart)
	one, half, resistive := meters()
	inner, err := y.b.Point("D_U")
	if err != nil {
		t.Fatal(err)
	}
	pinA := y.pins()[0]
	tests := []struct {
		about string
		at    netlist.Point
		meter references.Meter
		least float64 // V, that the root mean square error is at most
	}{
		{"inside the line", inner, one, 0.02},
		{"a lone junction at half the current", pinA, half, 0.012},
		{"a lone junction by a resistive meter", pinA, resistive, 0.012},
	}
	for _, tt := range tests {
		r := rand.New(rand.NewPCG(3, 1))
		z2, e2, n := 0.0, 0.0, 0
		for range 300 {
			truth := y.drawn(r)
			noise := func() float64 { return one.HalfWidth(0.5) * (2*r.Float64() - 1) }
			// the same type twice: no spread between boards, so that only the fit's doubt is tested
			b := y.fit(y.sweep("1", truth, one, noise), y.sweep("2", truth, one, noise))
			slopes, got := y.slopesAt(b, tt.at, tt.meter)
			e := got - y.volts(tt.at, truth, tt.meter).Volts
			z2 += e * e / b.left(slopes, slopes)
			e2 += e * e
			n++
		}
		rms, z := math.Sqrt(e2/float64(n)), math.Sqrt(z2/float64(n))
		t.Logf("%s: root mean square error %.2f mV, %.2f of what is said", tt.about, rms*1e3, z)
		if z < 0.3 || z > 1.3 {
			t.Errorf("%s: errors are %.2f of what is said, want 0.3 to 1.3", tt.about, z)
		}
		if rms > tt.least {
			t.Errorf("%s: root mean square error %.1f mV, want %.1f", tt.about, rms*1e3, tt.least*1e3)
		}
	}
}

// TestLeftBothWays works out what is left open from the kept covariance and from
// the rows; they are the same formula. A billionth of a square volt.
func TestLeftBothWays(t *testing.T) {
	y := newYard(t, apart)
	one, half, _ := meters()
	r := rand.New(rand.NewPCG(4, 1))
	truth := y.drawn(r)
	b := y.fit(y.sweep("1", truth, one, none), y.sweep("2", y.board(truth, r, 0.004, 0), half, none))
	if b.cov == nil {
		t.Fatal("the covariance of a small board is not kept")
	}
	rows := *b
	rows.cov = nil
	for _, at := range []string{"J1.1", "J1.4", "J1.5", "D_U", "V"} {
		pt, err := y.b.Point(at)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range []references.Meter{one, half} {
			slopes, _ := y.slopesAt(b, pt, m)
			if a, z := b.left(slopes, slopes), rows.left(slopes, slopes); math.Abs(a-z) > 1e-9 || a < 0 {
				t.Errorf("%s: %.3g V^2 from the covariance, %.3g V^2 from the rows", at, a, z)
			}
			prior := 0.0
			for _, s := range slopes {
				prior += s.slope * s.slope * b.prior[s.unknown]
			}
			if a := b.left(slopes, slopes); a > prior+1e-12 {
				t.Errorf("%s: readings widened %.3g V^2 to %.3g V^2", at, prior, a)
			}
		}
	}
}

// TestConvert takes a reading from one meter to another: nothing is added for the
// same meter, and for others the 95 % interval of what is added holds the true
// difference in at least 90 %. TestConvertAgainstNgspice holds that it is no wider than it
// has to be.
func TestConvert(t *testing.T) {
	y := newYard(t, apart)
	one, half, resistive := meters()
	r := rand.New(rand.NewPCG(5, 1))
	for _, tt := range []struct {
		about    string
		from, to references.Meter
	}{{"1 mA to 0.5 mA", one, half}, {"0.5 mA to 1 mA", half, one}, {"1 mA to resistive", one, resistive}, {"resistive to 0.5 mA", resistive, half}} {
		within, n, width := 0, 0, 0.0
		for range 150 {
			truth := y.drawn(r)
			b := y.fit(y.sweep("1", truth, tt.from, none), y.sweep("2", truth, tt.from, none))
			for _, pt := range y.pins()[:4] {
				spot := SpotOf(y.m, pt, references.RedOnGround)
				own, there := y.slopesAt(b, pt, tt.from)
				if c := b.Convert(y.w, spot, DriveOf(tt.from), there, own); c.Variance != 0 {
					t.Fatalf("%s: %g V^2 for the meter it was read with", y.b.PointName(pt), c.Variance)
				}
				slopes, volts := y.slopesAt(b, pt, tt.to)
				c := b.Convert(y.w, spot, DriveOf(tt.to), volts, slopes)
				sd := math.Sqrt(c.Variance)
				e := volts + c.Offset - y.volts(pt, truth, tt.to).Volts
				if n++; math.Abs(e) <= 1.96*sd+5e-4 {
					within++
				}
				width += sd
			}
		}
		share := float64(within) / float64(n)
		t.Logf("%s: %.1f %% within; mean standard deviation %.1f mV", tt.about, 100*share, 1e3*width/float64(n))
		if share < 0.9 {
			t.Errorf("%s: %.1f %% of the 95 %% intervals hold the truth", tt.about, 100*share)
		}
	}
}

// TestPathsFollowGoodBoards takes away a junction that good boards do not show, and
// adds one that no part accounts for.
func TestPathsFollowGoodBoards(t *testing.T) {
	y := newYard(t, apart)
	one, _, _ := meters()
	truth := y.drawn(rand.New(rand.NewPCG(6, 1)))
	gone := y.element("U3")
	truth.Junctions[gone].Drop = math.Inf(1)
	pinN := y.pins()[5]
	extra, ok := y.m.Undrawn(pinN.Net, false)
	if !ok {
		t.Fatal("no undrawn path at J1.6")
	}
	truth.Junctions[extra] = network.JunctionValue{Drop: 0.61, Ideality: 1.3, Series: 5}
	truth.Settle()
	b := y.fit(y.sweep("1", truth, one, none), y.sweep("2", truth, one, none))
	if d := b.Values.Junctions[gone].Drop; !math.IsInf(d, 1) {
		t.Errorf("U3 drops %.3f V where good boards read OL", d)
	}
	if d := b.Values.Junctions[extra].Drop; math.Abs(d-0.61) > 5e-3 {
		t.Errorf("the path that is not drawn drops %.3f V, want 0.610 V", d)
	}
	if len(b.Undrawn) != 1 || b.Undrawn[0] != pinN.Net {
		t.Errorf("undrawn %v, want J1.6's net alone", b.Undrawn)
	}
	for _, pt := range y.pins() {
		got, want := y.volts(pt, b.Values, one), y.volts(pt, truth, one)
		if got.Over != want.Over {
			t.Errorf("%s: OL %v, good boards %v", y.b.PointName(pt), got.Over, want.Over)
		}
	}
	k, ok := b.Known(SpotOf(y.m, y.pins()[1], references.RedOnGround))
	if !ok || k.Overload < 0.5 {
		t.Errorf("J1.2 is known as %+v, want OL", k)
	}
}

// TestSpreadIsPooled takes the spread of boards from all points together: boards
// that differ by 8 mV at each junction are said to differ by 8 mV, and those that
// only differ by a common shift, by much less.
func TestSpreadIsPooled(t *testing.T) {
	var pins, parts strings.Builder
	for i := range 24 {
		fmt.Fprintf(&pins, "%d: L%d, ", i+1, i)
		fmt.Fprintf(&parts, "  D%d: {kind: tvs, pins: [L%d, GND]}\n", i, i)
	}
	y := newYard(t, fmt.Sprintf("board: spread\nrevision: A\nground: GND\nconnectors: {J1: {rows: 1, pins: {%s99: GND}}}\nparts:\n%s", pins.String(), parts.String()))
	one, _, _ := meters()
	r := rand.New(rand.NewPCG(7, 1))
	tests := []struct {
		about      string
		sd, common float64
		low, high  float64 // V
	}{
		{"8 mV each", 8e-3, 0, 6e-3, 10e-3},
		{"2 mV each, 10 mV in common", 2e-3, 10e-3, 1.5e-3, 3e-3},
	}
	for _, tt := range tests {
		truth := y.drawn(r)
		var sweeps []*references.Sweep
		for n := range 8 {
			common := tt.common * float64(n%3-1)
			sweeps = append(sweeps, y.sweep(fmt.Sprint(n), y.board(truth, r, tt.sd, common), one, none))
		}
		b := y.fit(sweeps...)
		t.Logf("%s: said to differ by %.2f mV", tt.about, b.Spread*1e3)
		if b.Spread < tt.low || b.Spread > tt.high {
			t.Errorf("%s: said to differ by %.2f mV, want %.1f to %.1f", tt.about, b.Spread*1e3, tt.low*1e3, tt.high*1e3)
		}
	}
}

// TestNoLibrary falls back on the priors where no good board was read.
func TestNoLibrary(t *testing.T) {
	y := newYard(t, apart)
	for _, lib := range []*references.Library{nil, references.NewLibrary(y.b, nil)} {
		b, err := Fit(y.m, lib)
		if err != nil {
			t.Fatal(err)
		}
		one, _, _ := meters()
		slopes, volts := y.slopesAt(b, y.pins()[0], one)
		if p := network.PinFromGround.Prior(); math.Abs(volts-p.Drop.Mean) > 1e-6 || math.Abs(math.Sqrt(b.left(slopes, slopes))-p.Drop.SD) > 1e-6 {
			t.Errorf("J1.1 is predicted as %.4f +- %.4f V, want the prior's %.2f +- %.2f V", volts, math.Sqrt(b.left(slopes, slopes)), p.Drop.Mean, p.Drop.SD)
		}
		if b.Covers(references.RedOnGround) {
			t.Error("a polarity is covered that nobody read")
		}
	}
}

// TestContradictions fits libraries that no board can be: it must not fail, and
// give numbers.
func TestContradictions(t *testing.T) {
	y := newYard(t, apart)
	one, _, _ := meters()
	truth := y.drawn(rand.New(rand.NewPCG(8, 1)))
	for _, shown := range []float64{-0.02, 0, 1.99, 60} {
		s := y.sweep("1", truth, one, none)
		u := y.sweep("2", truth, one, none)
		for i := range s.Readings {
			s.Readings[i].Reading = quantity.Reading{Value: shown, Unit: quantity.Volt}
			u.Readings[i].Reading.Overload = i%2 == 0
		}
		b := y.fit(s, u, s)
		for e := range b.Values.Junctions {
			if y.m.Elements[e].Class != network.Junction {
				continue
			}
			if j := b.Values.Junctions[e]; math.IsNaN(j.Drop) || math.IsNaN(j.Series) || !(j.Ideality >= 1) {
				t.Errorf("boards that read %g V: %s is fitted as %+v", shown, y.m.Describe(int32(e)), j)
			}
		}
		for _, pt := range y.pins() {
			if k, ok := b.Known(SpotOf(y.m, pt, references.RedOnGround)); ok && (math.IsNaN(k.Overload) || math.IsInf(k.Scale, 0)) {
				t.Errorf("boards that read %g V: %s is known as %+v", shown, y.b.PointName(pt), k)
			}
		}
	}
}

// TestManyTemperatures fits forty boards read at sixteen temperatures, most of them
// above the middle of their group, to what one temperature would give: readings
// within 1 mV, by groups that do not grow with the degrees.
func TestManyTemperatures(t *testing.T) {
	y := newYard(t, apart)
	truth := y.drawn(rand.New(rand.NewPCG(9, 2)))
	one, _, _ := meters()
	var sweeps []*references.Sweep
	for i := range 40 {
		warm := truth.Clone()
		warm.Celsius = network.RefCelsius + 5*float64(i%8-3) + float64(1+i%2)
		warm.Settle()
		s := y.sweep(fmt.Sprint(i), warm, one, none)
		s.State.Celsius = warm.Celsius
		sweeps = append(sweeps, s)
	}
	b := y.fit(sweeps...)
	if most := 9 * len(y.pins()); len(b.rows) > most {
		t.Errorf("%d rows for %d pins, want at most %d", len(b.rows), len(y.pins()), most)
	}
	for _, pt := range y.pins()[:4] {
		want := y.volts(pt, truth, one).Volts
		got := y.volts(pt, b.Values, one).Volts
		if math.Abs(got-want) > 1e-3 {
			t.Errorf("%s reads %.4f V by the fit, %.4f V in truth", y.b.PointName(pt), got, want)
		}
	}
}
