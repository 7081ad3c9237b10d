package practice

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

func demoModel(t testing.TB) *network.Model {
	t.Helper()
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return network.New(b)
}

func point(t testing.TB, m *network.Model, name string) netlist.Point {
	t.Helper()
	p, err := m.Board.Point(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sample gathers numbers for the tests of statistics.
type numbers []float64

func (x numbers) mean() float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func (x numbers) sd() float64 {
	m, sum := x.mean(), 0.0
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(x)-1))
}

// holds compares mean and standard deviation with what they should be, to four
// standard errors: sd/sqrt(n) of a mean, sd/sqrt(2n) of a standard deviation
// (of a normal; NIST/SEMATECH e-Handbook 1.3.5.2 and 1.3.5.8 have the intervals).
// The seeds are fixed, so that a test that passes always does.
func (x numbers) holds(t *testing.T, what string, mean, sd float64) {
	t.Helper()
	n := float64(len(x))
	if off := math.Abs(x.mean() - mean); off > 4*sd/math.Sqrt(n) {
		t.Errorf("%s: mean %.5f of %d, want %.5f", what, x.mean(), len(x), mean)
	}
	if off := math.Abs(x.sd() - sd); off > 4*sd/math.Sqrt(2*n) {
		t.Errorf("%s: standard deviation %.5f of %d, want %.5f", what, x.sd(), len(x), sd)
	}
}

func (x numbers) within(t *testing.T, what string, low, high float64) {
	t.Helper()
	for _, v := range x {
		if !(v >= low && v <= high) {
			t.Errorf("%s: %g, want %g to %g", what, v, low, high)
			return
		}
	}
}

// Types of boards are spread as stated.
func TestTruthSpread(t *testing.T) {
	m := demoModel(t)
	alike := matchedElements(m)
	drops := map[network.Origin]numbers{}
	var ideality, series, schottky, loads, rails, likeness numbers
	for seed := range uint64(60) {
		truth := NewTruth(m, seed)
		loads = append(loads, float64(len(truth.loads)))
		for _, l := range truth.loads {
			rails = append(rails, l.ohms)
		}
		for e := range m.Elements {
			el, j := &m.Elements[e], truth.values.Junctions[e]
			if el.Class != network.Junction {
				continue
			}
			if el.Origin == network.NotDrawn {
				if !math.IsInf(j.Drop, 1) {
					t.Fatalf("element %d, which no part has, drops %g V", e, j.Drop)
				}
				continue
			}
			if first, ok := alike[int32(e)]; ok && first != int32(e) {
				likeness = append(likeness, j.Drop-truth.values.Junctions[first].Drop)
				continue
			}
			if el.Origin == network.PartJunction && j.Drop < 0.4 {
				schottky = append(schottky, j.Drop)
				continue
			}
			drops[el.Origin] = append(drops[el.Origin], j.Drop)
			series = append(series, j.Series)
			if el.Origin != network.SupplyLoad {
				ideality = append(ideality, j.Ideality)
			}
		}
	}
	drops[network.PinFromGround].holds(t, "pins from ground", 0.53, 0.07)
	drops[network.PinToSupply].holds(t, "pins to supply", 0.53, 0.07)
	drops[network.PartJunction].holds(t, "part junctions", 0.62, 0.05)
	drops[network.SupplyBody].within(t, "supply bodies", 0.2, 0.7)
	drops[network.SupplyLoad].within(t, "supply loads", 0.4, 2.2)
	likeness.holds(t, "cells alike", 0, matchedSD)
	schottky.within(t, "Schottky junctions", 0.2, 0.38)
	if len(schottky) < 10 {
		t.Errorf("%d Schottky junctions in 60 types of board, want 10 or more", len(schottky))
	}
	// A uniform distribution has the standard deviation (b-a)/sqrt(12).
	ideality.holds(t, "ideality", 1.5, 0.9/math.Sqrt(12))
	ideality.within(t, "ideality", 1.05, 1.95)
	series.within(t, "series resistance", 2, 25)
	rails.within(t, "loads", 1e3, 100e3)
	if loads.mean() < 0.5 || loads.mean() > 3 {
		t.Errorf("%.2f loads a board; want some", loads.mean())
	}
}

// Boards of one type are spread as stated.
func TestSampleSpread(t *testing.T) {
	m := demoModel(t)
	truth := NewTruth(m, 5)
	const boards = 200
	var drops, common, resistors, coils numbers
	for seed := range uint64(boards) {
		w := truth.Sample(seed, network.RefCelsius)
		var moved numbers
		for e := range m.Elements {
			el := &m.Elements[e]
			switch {
			case el.Class == network.Junction && !math.IsInf(w.values.Junctions[e].Drop, 1):
				moved = append(moved, w.values.Junctions[e].Drop-truth.values.Junctions[e].Drop)
			case el.Class == network.Resistive && m.Board.Parts[el.Part].Kind == netlist.Resistor:
				resistors = append(resistors, w.values.Ohms[e]/truth.values.Ohms[e]-1)
			case el.Class == network.Resistive:
				coils = append(coils, w.values.Ohms[e]/truth.values.Ohms[e]-1)
			}
		}
		drops = append(drops, moved[0]) // one junction over many boards
		common = append(common, moved.mean())
	}
	drops.holds(t, "one junction from board to board", 0, math.Hypot(junctionSD, commonSD))
	// What is left of the single junctions in the mean over all of them is small
	// beside what they have in common.
	common.holds(t, "all junctions of a board", 0, commonSD)
	resistors.holds(t, "resistors", 0, 0.005)
	coils.within(t, "coils", -0.2, 0.2)
	coils.holds(t, "coils", 0, 0.4/math.Sqrt(12))
}

// A silicon drop falls by about 2 mV/K (Sze, Physics of Semiconductor Devices,
// from memory): practice boards follow that, each junction a little its own way.
func TestWorldWarms(t *testing.T) {
	m := demoModel(t)
	at := point(t, m, "J7.2")
	for seed := range uint64(5) {
		truth := NewTruth(m, seed)
		meter := NewMeter(references.DefaultMeter(), 1)
		var v [2]float64
		for i, celsius := range []float64{18, 28} {
			w := truth.Sample(1, celsius)
			var err error
			if v[i], err = w.Volts(w.Probe(at, nil, references.RedOnGround, meter.Drive()), netlist.Edits{}); err != nil {
				t.Fatal(err)
			}
		}
		if slope := (v[1] - v[0]) / 10; slope > -0.8e-3 || slope < -3.5e-3 {
			t.Errorf("type %d: J7.2 moves %.2f mV/K, want about -2", seed, slope*1e3)
		}
	}
}

// With C46 a short, all that is between J7.8 and ground is R15 and C46: by Ohm's
// law the drop is the meter's true current times their sum.
func TestShortBehindResistor(t *testing.T) {
	m := demoModel(t)
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	f, err := FindFault(m, loci, "C46 1-2", fault.Shorted, 0.7)
	if err != nil {
		t.Fatal(err)
	}
	r15, err := m.Board.PartByName("R15")
	if err != nil {
		t.Fatal(err)
	}
	e, _ := m.PartElements(r15)
	truth := NewTruth(m, 8)
	for seed := range uint64(20) {
		w := truth.Sample(seed, 23).Faulted(f)
		meter := NewMeter(references.DefaultMeter(), seed)
		got, err := w.Volts(w.Probe(point(t, m, "J7.8"), nil, references.RedOnGround, meter.Drive()), netlist.Edits{})
		if err != nil {
			t.Fatal(err)
		}
		want := meter.Drive().Current * (w.values.Ohms[e] + 0.7)
		if math.Abs(got-want) > 1e-5 {
			t.Errorf("board %d: J7.8 %.6f V, want %.6f V", seed, got, want)
		}
		// Two-point: R15 alone, wherever ground is.
		to := point(t, m, "R15.2")
		got, err = w.Volts(w.Probe(point(t, m, "R15.1"), &to, references.RedOnGround, meter.Drive()), netlist.Edits{})
		if want := meter.Drive().Current * w.values.Ohms[e]; err != nil || math.Abs(got-want) > 1e-4 {
			t.Errorf("board %d: across R15 %.6f V, want %.6f V (%v)", seed, got, want, err)
		}
	}
}

func TestMeterStaysWithinItsDataSheet(t *testing.T) {
	for _, declared := range Meters() {
		var current, error numbers
		for seed := range uint64(300) {
			m := NewMeter(declared, seed)
			current = append(current, m.Drive().Current/declared.TestCurrent-1)
			error = append(error, m.Show(1, "x").Value-1)
			if r := m.Show(declared.Over*1.05, "x"); !r.Overload {
				t.Errorf("%s shows %g V above %g V", declared.Name, r.Value, declared.Over)
			}
			if a, b := m.Show(0.4567, "J7.2"), m.Show(0.4567, "J7.2"); a != b {
				t.Errorf("%s shows %v and then %v on the same occasion", declared.Name, a, b)
			}
		}
		current.within(t, declared.Name+": current", -0.015, 0.015)
		current.holds(t, declared.Name+": current", 0, 0.03/math.Sqrt(12))
		// one count of noise and half a count of rounding beside the accuracy
		half := declared.HalfWidth(1) + declared.Resolution*1.001
		error.within(t, declared.Name+": display", -half, half)
	}
}

// A display that rounds shows what a person would write down, and what the
// sweep and case files read back the same.
func TestMeterShows(t *testing.T) {
	exact := Meter{Declared: references.DefaultMeter()}
	shown := map[quantity.Reading]int{}
	for i := range 1000 {
		shown[exact.Show(0.4521, string(rune('a'+i%26))+string(rune('a'+i/26)))]++
	}
	want := []quantity.Reading{{Value: 0.451, Unit: quantity.Volt}, {Value: 0.452, Unit: quantity.Volt}, {Value: 0.453, Unit: quantity.Volt}}
	for i, share := range []float64{0.2, 0.6, 0.2} {
		// binomial: four standard deviations
		if n := float64(shown[want[i]]); math.Abs(n-1000*share) > 4*math.Sqrt(1000*share*(1-share)) {
			t.Errorf("%v shown %v times of 1000, want about %v", want[i], n, 1000*share)
		}
	}
	if len(shown) != 3 {
		t.Errorf("0.4521 V is shown as %v", shown)
	}
	for r := range shown {
		back, err := quantity.ParseReading(quantity.FormatReading(r))
		if err != nil || back != r {
			t.Errorf("%v is read back as %v (%v)", r, back, err)
		}
	}
	for range 100 {
		if r := exact.Show(-0.0004, "ground"); math.Signbit(r.Value) && r.Value == 0 {
			t.Error("shows -0")
		}
	}
}

// The same seeds make the same boards; other seeds make others.
func TestDeterminism(t *testing.T) {
	m := demoModel(t)
	read := func(truth, sample, meter uint64) []quantity.Reading {
		b := &Simulator{Board: NewTruth(m, truth).Sample(sample, 24), Meter: NewMeter(references.DefaultMeter(), meter)}
		var got []quantity.Reading
		for _, p := range m.Board.AllPins() {
			r, err := b.Read(p, references.RedOnGround, netlist.Edits{})
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, r)
		}
		return got
	}
	first := read(1, 2, 3)
	if diff := cmp.Diff(first, read(1, 2, 3)); diff != "" {
		t.Errorf("the same seeds read otherwise:\n%s", diff)
	}
	for _, other := range [][]quantity.Reading{read(9, 2, 3), read(1, 9, 3), read(1, 2, 9)} {
		if cmp.Equal(first, other) {
			t.Error("another seed reads the same")
		}
	}
}

// faulty makes benches over many boards with the same fault.
func faulty(t *testing.T, m *network.Model, place string, mode fault.Mode, ohms float64, boards int) []*Simulator {
	t.Helper()
	f, err := FindFault(m, fault.Loci(m, fault.DefaultPriors(), m.Nominal()), place, mode, ohms)
	if err != nil {
		t.Fatal(err)
	}
	truth := NewTruth(m, 4)
	var all []*Simulator
	for seed := range uint64(boards) {
		all = append(all, &Simulator{Board: truth.Sample(seed, 23).Faulted(f), Meter: NewMeter(references.DefaultMeter(), 1)})
	}
	return all
}

func TestLooks(t *testing.T) {
	m := demoModel(t)
	bad, good := map[journal.Look]float64{}, map[journal.Look]float64{}
	c46, err := m.Board.PartByName("C46")
	if err != nil {
		t.Fatal(err)
	}
	c45, err := m.Board.PartByName("C45")
	if err != nil {
		t.Fatal(err)
	}
	const boards = 2000
	for _, b := range faulty(t, m, "C46 1-2", fault.Shorted, 1, boards) {
		bad[b.Look(c46)]++
		good[b.Look(c45)]++
		if first := b.Look(c46); first != b.Look(c46) {
			t.Error("the same part looks two ways")
		}
	}
	for _, want := range []struct {
		name   string
		got    map[journal.Look]float64
		shares []share
	}{{"bad", bad, badLooks}, {"good", good, goodLooks}} {
		sum := 0.0
		for _, s := range want.shares {
			sum += s.p
			if n := want.got[s.look]; math.Abs(n-boards*s.p) > 4*math.Sqrt(boards*s.p*(1-s.p)) {
				t.Errorf("%s parts look %s %v times of %d, want about %v", want.name, s.look, n, boards, boards*s.p)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Errorf("shares of %s parts add up to %g", want.name, sum)
		}
	}
	r12, err := m.Board.PartByName("R12")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range faulty(t, m, "R12 through 1-2", fault.Missing, math.Inf(1), 3) {
		if got := b.Look(r12); got != journal.Missing {
			t.Errorf("a part that is missing looks %s", got)
		}
	}
}

func TestInject(t *testing.T) {
	m := demoModel(t)
	rail, err := m.Board.NetByName("V1V8_IO")
	if err != nil {
		t.Fatal(err)
	}
	c72, err := m.Board.PartByName("C72")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		mode  fault.Mode
		ohms  float64
		edits netlist.Edits
		share float64
	}{
		{fault.Shorted, 0.5, netlist.Edits{}, warmShort},
		{fault.Leaky, 60, netlist.Edits{}, warmLeak},
		{fault.Leaky, 5000, netlist.Edits{}, warmGood},
		{fault.Shorted, 0.5, netlist.Edits{}.Remove(c72), 0},
	} {
		const boards = 500
		warm := 0.0
		for _, b := range faulty(t, m, "C72 1-2", test.mode, test.ohms, boards) {
			for _, id := range b.Inject(rail, test.edits) {
				if id == c72 {
					warm++
				}
			}
		}
		if math.Abs(warm-boards*test.share) > 4*math.Sqrt(boards*test.share*(1-test.share)) {
			t.Errorf("C72 %s at %g ohm, %q: warm %v times of %d, want about %v", test.mode, test.ohms, test.edits.Key(), warm, boards, boards*test.share)
		}
	}
}

// A fault goes with its part: removed, the line is free; a new part is good.
func TestEditsTakeFaultsAway(t *testing.T) {
	m := demoModel(t)
	c46, err := m.Board.PartByName("C46")
	if err != nil {
		t.Fatal(err)
	}
	b := faulty(t, m, "C46 1-2", fault.Shorted, 1, 1)[0]
	at := point(t, m, "J7.8")
	for _, test := range []struct {
		edits netlist.Edits
		over  bool
	}{{netlist.Edits{}, false}, {netlist.Edits{}.Remove(c46), true}, {netlist.Edits{}.Replace(c46), true}, {netlist.Edits{}.Remove(c46).Reinstall(c46), false}} {
		r, err := b.Read(at, references.RedOnGround, test.edits)
		if err != nil || r.Overload != test.over {
			t.Errorf("after %q J7.8 reads %v (%v)", test.edits.Key(), r, err)
		}
	}
}

// Points that a fault has parted have names of their own in recordings; others
// go by their net.
func TestSpots(t *testing.T) {
	m := demoModel(t)
	for _, test := range []struct {
		place string
		mode  fault.Mode
		spots map[string]string
	}{
		{"R12 at 1", fault.OpenJoint, map[string]string{"R12.1": "R12.1", "J7.2": "TP_INT", "TP14": "TP_INT", "R12.2": "TP_INT_U"}},
		{"pin J7.7", fault.OpenJoint, map[string]string{"J7.7": "J7.7", "J7.9": "VTP_3V3"}},
		{"C46 1-2", fault.Shorted, map[string]string{"J7.8": "TP_DET", "C46.1": "TP_DET_G", "J7.11": "J7.11", "C46.2": "GND"}},
	} {
		w := faulty(t, m, test.place, test.mode, math.Inf(1), 1)[0].Board
		got := map[string]string{}
		for name := range test.spots {
			got[name] = w.Spot(point(t, m, name))
		}
		if diff := cmp.Diff(test.spots, got); diff != "" {
			t.Errorf("%s: (-want +got)\n%s", test.place, diff)
		}
	}
}
