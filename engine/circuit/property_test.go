package circuit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"halfsplit/engine/circuit"
)

// junctionCurrent gives the current of j at v volts across it by bisection of
// the law stated at circuit.Junction, and the slope of its inner junction.
func junctionCurrent(j circuit.Junction, celsius, v float64) (amps, slope float64) {
	nvt := j.Ideality * circuit.ThermalVoltage(celsius)
	at := func(u float64) float64 { return j.Saturation*math.Expm1(u/nvt) + circuit.Gmin*u }
	lo, hi := math.Min(v, 0), math.Max(v, 0)
	for range 200 {
		u := (lo + hi) / 2
		if u+at(u)*j.Series < v {
			lo = u
		} else {
			hi = u
		}
	}
	u := (lo + hi) / 2
	slope = j.Saturation*math.Exp(u/nvt)/nvt + circuit.Gmin
	if j.Series*slope > 1 {
		return (v - u) / j.Series, slope // u is known to rounding, this is steadier
	}
	return at(u), slope
}

// imbalance gives the largest current, in amperes, that does not add up at a
// node, less what rounding of the voltages explains. By Kirchhoff it is 0.
func imbalance(c *circuit.Circuit, sol circuit.Solution) float64 {
	sum := make([]float64, c.Nodes)
	slack := make([]float64, c.Nodes)
	flow := func(a, b circuit.Node, amps, slope float64) {
		sum[a] += amps
		sum[b] -= amps
		s := 1e-9*math.Abs(amps) + 4e-16*slope*c.Source.Open
		slack[a] += s
		slack[b] += s
	}
	for _, r := range c.Resistors {
		flow(r.A, r.B, (sol.Voltages[r.A]-sol.Voltages[r.B])/r.Ohms, 1/r.Ohms)
	}
	for _, j := range c.Junctions {
		amps, slope := junctionCurrent(j, c.Celsius, sol.Voltages[j.Anode]-sol.Voltages[j.Cathode])
		if j.Series > 0 {
			slope = math.Min(slope, 1/j.Series)
		}
		flow(j.Anode, j.Cathode, amps, slope)
		// Solve promises a junction's voltage to 0.1 nV, not to rounding.
		slack[j.Anode] += slope * 1e-10
		slack[j.Cathode] += slope * 1e-10
	}
	if !sol.Open {
		s := c.Source
		flow(s.Minus, s.Plus, current(s, sol.Reading), s.Current/s.FadeWidth())
	}
	worst := 0.0
	for v := range sum {
		worst = math.Max(worst, math.Abs(sum[v])-slack[v])
	}
	return worst
}

// Kirchhoff's current law, with the junction currents worked out by other
// means than Solve's; the bounds of a passive network; warm starts.
func TestRandomCircuitsBalance(t *testing.T) {
	var s circuit.Solver
	worst := 0.0
	for i := range 5000 {
		c := randomCircuit(3, i)
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatalf("circuit %d: %v", i, err)
		}
		off := imbalance(&c, sol)
		worst = math.Max(worst, off)
		if !(off <= 1e-12) {
			t.Errorf("circuit %d (%s): %g A do not add up", i, families[i%len(families)].name, off)
		}
		if !(sol.Reading >= -1e-12 && sol.Reading <= c.Source.Open+1e-9) {
			t.Errorf("circuit %d: reading %g V outside 0 to %g V", i, sol.Reading, c.Source.Open)
		}
		cold := sol.Reading
		again, err := s.Solve(&c, sol.Voltages)
		if err != nil {
			t.Fatalf("circuit %d, warm: %v", i, err)
		}
		if math.Abs(again.Reading-cold) > 1e-9 || again.Iterations > 2 {
			t.Errorf("circuit %d: warm start reads %.12g in %d steps, cold %.12g", i, again.Reading, again.Iterations, cold)
		}
	}
	t.Logf("worst imbalance beyond rounding: %.2g A", worst)
}

// The numbers given to nodes, the order of parts and a start from nonsense
// must not matter.
func TestRandomCircuitsRenumbered(t *testing.T) {
	var s circuit.Solver
	r := rand.New(rand.NewPCG(4, 4))
	for i := range 1000 {
		c := randomCircuit(4, i)
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		want := sol.Reading
		to := r.Perm(c.Nodes)
		d := circuit.Circuit{Nodes: c.Nodes, Celsius: c.Celsius, Source: c.Source}
		for _, k := range r.Perm(len(c.Resistors)) {
			x := c.Resistors[k]
			x.A, x.B = circuit.Node(to[x.B]), circuit.Node(to[x.A])
			d.Resistors = append(d.Resistors, x)
		}
		for _, k := range r.Perm(len(c.Junctions)) {
			x := c.Junctions[k]
			x.Anode, x.Cathode = circuit.Node(to[x.Anode]), circuit.Node(to[x.Cathode])
			d.Junctions = append(d.Junctions, x)
		}
		d.Source.Plus, d.Source.Minus = circuit.Node(to[c.Source.Plus]), circuit.Node(to[c.Source.Minus])
		start := make([]float64, d.Nodes)
		for k := range start {
			start[k] = 8*r.Float64() - 4
		}
		sol, err = s.Solve(&d, start)
		if err != nil {
			t.Fatalf("circuit %d renumbered: %v", i, err)
		}
		near(t, "renumbered", sol.Reading, want, 1e-9)
	}
}

// resistorNetwork is linear as long as the source stays far from its open
// voltage: 1 uA and up to some hundred kilohms.
func resistorNetwork(r *rand.Rand) circuit.Circuit {
	n := 3 + r.IntN(15)
	c := circuit.Circuit{Nodes: n, Celsius: 23}
	for v := 1; v < n; v++ {
		c.Resistors = append(c.Resistors, circuit.Resistor{A: circuit.Node(v), B: node(r, v), Ohms: logUniform(r, 1, 1e5)})
	}
	for range r.IntN(n) {
		c.Resistors = append(c.Resistors, circuit.Resistor{A: node(r, n), B: node(r, n), Ohms: logUniform(r, 1, 1e5)})
	}
	c.Source = circuit.Source{Current: 1e-6, Open: 90}
	return c
}

// Superposition and reciprocity of linear networks (any textbook of circuit
// theory): current from a to b does what current from a to ground and from
// ground to b do together; and the voltage at b from current into a equals
// that at a from current into b.
func TestLinearNetworks(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	var s circuit.Solver
	volts := func(c circuit.Circuit, plus, minus circuit.Node) []float64 {
		c.Source.Plus, c.Source.Minus = plus, minus
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		return append([]float64(nil), sol.Voltages...)
	}
	for range 300 {
		c := resistorNetwork(r)
		a, b := 1+node(r, c.Nodes-1), 1+node(r, c.Nodes-1)
		if a == b {
			continue
		}
		fromA, fromB, both := volts(c, a, 0), volts(c, b, 0), volts(c, a, b)
		for v := range both {
			near(t, "superposition", both[v], fromA[v]-fromB[v], 1e-13)
		}
		near(t, "reciprocity", fromA[b], fromB[a], 1e-14)
	}
}

// A chain of 1 milliohm links with 10 megohm to ground at its end: what a
// factorisation that subtracts would lose.
func TestMilliohmBesideMegohm(t *testing.T) {
	c := circuit.Circuit{Nodes: 302, Celsius: 23, Source: circuit.Source{Plus: 1, Kind: circuit.Resistive, Current: 1e-6, Open: 3}}
	for v := circuit.Node(1); v < 301; v++ {
		c.Resistors = append(c.Resistors, circuit.Resistor{A: v, B: v + 1, Ohms: 1e-3})
	}
	c.Resistors = append(c.Resistors, circuit.Resistor{A: 301, B: 0, Ohms: 1e7})
	near(t, "reading", reading(t, &c), 3*(1e7+0.3)/(1e7+0.3+3e6), 1e-12)
	c.Source = circuit.Source{Plus: 1, Minus: 301, Current: 1e-6, Open: 3}
	near(t, "along the chain", reading(t, &c), 0.3e-6, 1e-17)
}

// Sensitivities against central differences. Raising a drop by h divides the
// saturation current by exp(h/nVt), except that it also moves the -1 in the
// law, by Is*h/nVt; that part is put right with the adjoint.
func TestSensitivitiesAgainstDifferences(t *testing.T) {
	const h = 1e-4 // V
	var s circuit.Solver
	checked := 0
	for i := range 600 {
		c := randomCircuit(6, i)
		if c.Source.Plus == c.Source.Minus {
			continue
		}
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		volts := append([]float64(nil), sol.Voltages...)
		js := make([]float64, len(c.Junctions))
		rs := make([]float64, len(c.Resistors))
		adjoint := make([]float64, c.Nodes)
		s.Sensitivities(&c, js)
		s.ResistorSensitivities(&c, rs)
		s.Adjoint(adjoint)
		solve := func() float64 {
			sol, err := s.Solve(&c, volts)
			if err != nil {
				t.Fatal(err)
			}
			return sol.Reading
		}
		check := func(what string, k int, got, want float64) {
			checked++
			if !(math.Abs(got-want) <= 2e-4*math.Abs(want)+2e-6) {
				t.Errorf("circuit %d %s %d: %.9g, by differences %.9g", i, what, k, got, want)
			}
		}
		for k := range c.Junctions {
			j := &c.Junctions[k]
			was := *j
			nvt := j.Ideality * circuit.ThermalVoltage(c.Celsius)
			j.Saturation = was.Saturation * math.Exp(-h/nvt)
			up := solve()
			j.Saturation = was.Saturation * math.Exp(h/nvt)
			down := solve()
			*j = was
			_, slope := junctionCurrent(was, c.Celsius, volts[j.Anode]-volts[j.Cathode])
			minusOne := (adjoint[j.Anode] - adjoint[j.Cathode]) * j.Saturation / nvt / (1 + slope*j.Series)
			check("junction", k, js[k]-minusOne, (up-down)/(2*h))
		}
		for k := range c.Resistors {
			r := &c.Resistors[k]
			was := r.Ohms
			r.Ohms = was * (1 + 1e-4)
			up := solve()
			r.Ohms = was * (1 - 1e-4)
			down := solve()
			r.Ohms = was
			// Per part of its value, so that all are in volts.
			check("resistor", k, rs[k]*was, (up-down)/2e-4)
			byAdjoint := -(adjoint[r.A] - adjoint[r.B]) * (volts[r.A] - volts[r.B])
			check("resistor by adjoint", k, -byAdjoint/was, (up-down)/2e-4)
		}
	}
	if checked < 5000 {
		t.Errorf("only %d sensitivities were checked", checked)
	}
}

// After an error or an open reading there is nothing to be sensitive to.
func TestSensitivitiesOfOpen(t *testing.T) {
	var s circuit.Solver
	c := circuit.Circuit{Nodes: 3, Celsius: 23, Junctions: []circuit.Junction{junctionOf(0.5, 1, 0, 1, 0)}, Source: milliamp(2, 0)}
	if _, err := s.Solve(&c, nil); err != nil {
		t.Fatal(err)
	}
	out := []float64{7}
	s.Sensitivities(&c, out)
	near(t, "open", out[0], 0, 0)
	c.Source.Plus = 1
	if _, err := s.Solve(&c, nil); err != nil {
		t.Fatal(err)
	}
	s.Sensitivities(&c, out)
	near(t, "a single junction's drop is the reading", out[0], 1, 1e-6)
	c.Celsius = math.NaN()
	if _, err := s.Solve(&c, nil); err == nil {
		t.Fatal("NaN was taken for a temperature")
	}
	s.Sensitivities(&c, out)
	near(t, "after an error", out[0], 0, 0)
}

// The currents of junctions in parallel from the source to ground add up to the
// source's.
func TestJunctionCurrents(t *testing.T) {
	c := circuit.Circuit{Nodes: 2, Celsius: 27, Source: circuit.Source{Plus: 1, Minus: 0, Current: 1e-3, Open: 3},
		Resistors: []circuit.Resistor{{A: 1, B: 0, Ohms: 1e4}},
		Junctions: []circuit.Junction{
			{Anode: 1, Cathode: 0, Saturation: 1e-9, Ideality: 1.7, Series: 3},
			{Anode: 1, Cathode: 0, Saturation: 3e-12, Ideality: 1.2, Series: 11},
		}}
	var s circuit.Solver
	sol, err := s.Solve(&c, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, 2)
	s.JunctionCurrents(&c, out)
	if sum := out[0] + out[1] + sol.Reading/1e4; math.Abs(sum-1e-3) > 1e-9 {
		t.Errorf("the currents add up to %g A, want 1e-3", sum)
	}
	for i, j := range c.Junctions {
		if v := circuit.DropAt(j.Saturation, out[i], j.Ideality, j.Series, 27); math.Abs(v-sol.Reading) > 1e-6 {
			t.Errorf("junction %d drops %g V at its current, want %g", i, v, sol.Reading)
		}
	}
}

// TestAgain changes the resistances of random circuits, from a tenth to ten times,
// and solves on from where the last solution ended: the same as from nothing, 1 nV.
func TestAgain(t *testing.T) {
	var s, fresh circuit.Solver
	rng := rand.New(rand.NewPCG(11, 5))
	for i := range 2000 {
		c := randomCircuit(7, i)
		if _, err := s.Solve(&c, nil); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			for k := range c.Resistors {
				if r := &c.Resistors[k]; rng.IntN(2) == 0 {
					r.Ohms = math.Min(math.Max(r.Ohms*math.Pow(10, 2*rng.Float64()-1), 1e-3), 1e12)
				}
			}
			got, err := s.Again(&c)
			if err != nil {
				t.Fatalf("circuit %d: %v", i, err)
			}
			reading, open := got.Reading, got.Open
			want, err := fresh.Solve(&c, nil)
			if err != nil {
				t.Fatal(err)
			}
			if open != want.Open || !(math.Abs(reading-want.Reading) <= 1e-9) {
				t.Errorf("circuit %d: reads %.12g V (open %v), from nothing %.12g V (open %v)", i, reading, open, want.Reading, want.Open)
			}
		}
	}
	c := circuit.Circuit{Nodes: 2, Celsius: 25, Resistors: []circuit.Resistor{{A: 0, B: 1, Ohms: 10}},
		Source: circuit.Source{Minus: 1, Current: 1e-3, Open: 3}}
	if _, err := s.Solve(&c, nil); err != nil {
		t.Fatal(err)
	}
	c.Resistors[0].Ohms = math.NaN()
	if _, err := s.Again(&c); err == nil {
		t.Error("a resistance of NaN was taken")
	}
	c.Resistors[0].Ohms = 20
	if got, err := s.Again(&c); err != nil || math.Abs(got.Reading-0.02) > 1e-9 {
		t.Errorf("after an error 20 ohm at 1 mA read %g V (%v)", got.Reading, err)
	}
}

// A path beside a held circuit, and a resistor of it widened, against a circuit that
// has them from the start.
func TestUpdateAndWiden(t *testing.T) {
	var s, plain circuit.Solver
	worst, off, byOhms, asked, given := 0.0, 0.0, 0.0, 0, 0
	for i := range 6000 {
		c := randomCircuit(17, i)
		r := rand.New(rand.NewPCG(18, uint64(i)))
		if _, err := s.Solve(&c, nil); err != nil {
			t.Fatalf("circuit %d: %v", i, err)
		}
		s.Hold()
		for range 4 {
			a, b := node(r, c.Nodes), node(r, c.Nodes)
			widened := len(c.Resistors) > 0 && r.IntN(3) == 0
			k := r.IntN(max(len(c.Resistors), 1))
			for step := range 3 {
				ohms := logUniform(r, 0.1, 1e6)
				changed := c
				changed.Resistors = append([]circuit.Resistor(nil), c.Resistors...)
				var got circuit.Solution
				var ok bool
				var err error
				if widened {
					ohms += c.Resistors[k].Ohms
					changed.Resistors[k].Ohms = ohms
					got, ok, err = s.Widen(&c, k, ohms, step > 0)
				} else {
					changed.Resistors = append(changed.Resistors, circuit.Resistor{A: a, B: b, Ohms: ohms})
					got, ok, err = s.Update(&c, a, b, ohms, step > 0)
				}
				if err != nil {
					t.Fatalf("circuit %d: %v", i, err)
				}
				asked++
				if !ok {
					break
				}
				given++
				want, err := plain.Solve(&changed, nil)
				if err != nil {
					t.Fatalf("circuit %d: %v", i, err)
				}
				d := math.Abs(got.Reading - want.Reading)
				worst = math.Max(worst, d)
				if d > 1e-6 {
					t.Errorf("circuit %d, %g ohm at %d-%d, widened %v: %.9f, want %.9f", i, ohms, a, b, widened, got.Reading, want.Reading)
				}
				x, y := make([]float64, len(c.Junctions)), make([]float64, len(c.Junctions))
				s.Sensitivities(&c, x)
				plain.Sensitivities(&changed, y)
				p, q := make([]float64, len(c.Resistors)), make([]float64, len(changed.Resistors))
				s.ResistorSensitivities(&c, p)
				plain.ResistorSensitivities(&changed, q)
				for j := range p {
					byOhms = math.Max(byOhms, math.Abs(p[j]-q[j])*changed.Resistors[j].Ohms/(0.01+math.Abs(q[j])*changed.Resistors[j].Ohms))
				}
				for j := range x {
					off = math.Max(off, math.Abs(x[j]-y[j])/(0.01+math.Abs(y[j])))
				}
			}
		}
	}
	t.Logf("%d of %d given, worst %.2g V, sensitivities off by %.2g, those against ohms by %.2g at most", given, asked, worst, off, byOhms)
	if off > 0.1 || byOhms > 0.1 {
		t.Errorf("a sensitivity is off by %.2g of itself, one against ohms by %.2g, want 0.1", off, byOhms)
	}
	if given < asked*3/4 {
		t.Errorf("only %d of %d given", given, asked)
	}
}

// current gives what the source drives when the probes are volts apart, see FadeWidth.
func current(s circuit.Source, volts float64) float64 {
	if s.Kind == circuit.Resistive {
		return (s.Open - volts) / s.SourceOhms()
	}
	return s.Current * math.Tanh((s.Open-volts)/s.FadeWidth())
}
