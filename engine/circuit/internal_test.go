package circuit

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// scrambled is a network on n nodes: a random tree with extra joins, of
// resistors and junctions of every size.
func scrambled(r *rand.Rand, n, extra int) Circuit {
	c := Circuit{Nodes: n, Celsius: 23}
	part := func(a, b Node) {
		if r.IntN(2) == 0 {
			a, b = b, a
		}
		if r.IntN(2) == 0 {
			c.Resistors = append(c.Resistors, Resistor{a, b, math.Pow(10, 10*r.Float64()-3)})
		} else {
			c.Junctions = append(c.Junctions, Junction{a, b, math.Pow(10, -6-12*r.Float64()), 1 + 1.5*r.Float64(), float64(r.IntN(2) * 20)})
		}
	}
	for v := 1; v < n; v++ {
		part(Node(v), Node(r.IntN(v)))
	}
	for range extra {
		part(Node(r.IntN(n)), Node(r.IntN(n)))
	}
	c.Source = Source{Plus: 0, Minus: Node(1 + r.IntN(n-1)), Kind: SourceKind(r.IntN(2)), Current: math.Pow(10, -2-4*r.Float64()), Open: 3}
	return c
}

// The way round must lead to the same place as the straight way.
func TestEaseAgreesWithNewton(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	var s Solver
	for i := range 500 {
		c := scrambled(r, 2+r.IntN(20), r.IntN(20))
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, way := range []struct {
			name string
			by   func(*Solver, *Circuit) (int, bool)
		}{{"leaky junctions first", (*Solver).easeJunctions}, {"small current first", (*Solver).easeSource}} {
			steps, ok := way.by(&s, &c)
			got := s.x[s.source.plus] - s.x[s.source.minus]
			if !ok || math.Abs(got-sol.Reading) > 1e-9 {
				t.Errorf("circuit %d, %s: %.12g in %d steps (arrived: %v), Solve %.12g", i, way.name, got, steps, ok, sol.Reading)
			}
		}
	}
}

// Both ways to order the elimination must be orders, and solve alike.
func TestEliminationOrders(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	for i := range 300 {
		n := 2 + r.IntN(60)
		c := scrambled(r, n, r.IntN(2*n))
		if i%10 == 0 { // everything joined to everything
			for a := range n {
				for b := range a {
					c.Resistors = append(c.Resistors, Resistor{Node(a), Node(b), 100})
				}
			}
		}
		var few, many Solver
		want, err := few.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		// Dead ends carry no current, but they make more than 64 places.
		for v := range 80 {
			c.Resistors = append(c.Resistors, Resistor{Node(n + v), Node(r.IntN(n)), 1e3})
		}
		c.Nodes = n + 80
		got, err := many.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Reading-want.Reading) > 1e-9 {
			t.Errorf("circuit %d: %.12g with dead ends, %.12g without", i, got.Reading, want.Reading)
		}
		seen := make([]bool, many.st.n)
		for k, v := range many.st.nodeAt {
			if seen[k] || int(many.st.place[v]) != k {
				t.Fatalf("circuit %d: place %d and node %d disagree", i, k, v)
			}
			seen[k] = true
		}
	}
}

// On a tree minimum degree makes no new neighbours: one cell per join.
func TestTreesFillNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(10, 10))
	for _, n := range []int{2, 10, 60, 70, 5000} {
		c := scrambled(r, n, 0)
		c.Source.Plus, c.Source.Minus = 1, 0 // already joined: the source closes no new loop
		var s Solver
		if _, err := s.Solve(&c, nil); err != nil {
			t.Fatal(err)
		}
		if got := len(s.st.rows); got > n-1 {
			t.Errorf("%d cells for a tree of %d nodes", got, n)
		}
	}
}

// The kept structure must be noticed to be out of date.
func TestStructureIsRenewed(t *testing.T) {
	var s Solver
	c := Circuit{Nodes: 3, Celsius: 23, Resistors: []Resistor{{1, 2, 10}, {2, 0, 10}}, Source: Source{Plus: 1, Current: 1e-3, Open: 3}}
	steps := []struct {
		change func()
		want   float64
	}{
		{func() {}, 0.02},
		{func() { c.Resistors[0].Ohms = 30 }, 0.04},
		{func() { c.Resistors[0].B = 0 }, 0.03},
		{func() { c.Source.Plus = 2 }, 0.01},
		{func() { c.Resistors = c.Resistors[:1] }, 3},
		{func() { c.Source.Minus = 1 }, 3},
		{func() { c.Resistors[0] = Resistor{2, 1, 5} }, 0.005},
		{func() { c.Junctions = []Junction{{2, 0, 1e-12, 1, 0}} }, 0.005},
		{func() { c.Source.Minus = 0; c.Source.Current = 2e-3 }, DropAt(1e-12, 2e-3, 1, 0, 23)},
		{func() { c.Celsius = 60 }, DropAt(1e-12, 2e-3, 1, 0, 60)},
		{func() { c.Junctions[0].Series = 10 }, DropAt(1e-12, 2e-3, 1, 10, 60)},
		{func() { c.Source.Current = 1e-3 }, DropAt(1e-12, 1e-3, 1, 10, 60)},
	}
	for i, step := range steps {
		step.change()
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !(math.Abs(sol.Reading-step.want) <= 1e-7) {
			t.Errorf("step %d: reads %g, want %g", i, sol.Reading, step.want)
		}
	}
}

// The start of a junction with series resistance must already be its answer.
func TestInnerDrop(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 11))
	for range 20000 {
		is := math.Pow(10, -6-12*r.Float64())
		nvt := (1 + 1.5*r.Float64()) * ThermalVoltage(23)
		rs := math.Pow(10, 6*r.Float64()-3)
		v := 6*r.Float64() - 3
		u := innerDrop(v, is, nvt, rs, math.Log(rs*is/nvt))
		back := u + rs*is*math.Expm1(u/nvt)
		slope := 1 + rs*is*math.Exp(u/nvt)/nvt // dv/du
		if !(math.Abs(back-v) <= 1e-7*slope) {
			t.Fatalf("v %g is %g rs %g: u %g leads back to %g", v, is, rs, u, back)
		}
	}
}

// When Newton's method and every way round give up, Solve must say so, and
// leave nothing behind for Sensitivities.
func TestNotFoundIsAnError(t *testing.T) {
	c := Circuit{Nodes: 2, Celsius: 23, Junctions: []Junction{{1, 0, 1e-12, 1.3, 5}}, Source: Source{Plus: 1, Current: 1e-3, Open: 3}}
	s := Solver{limit: 2}
	_, err := s.Solve(&c, nil)
	if err == nil || !strings.Contains(err.Error(), "no operating point found") {
		t.Fatalf("error %v", err)
	}
	out := []float64{7}
	if s.Sensitivities(&c, out); out[0] != 0 {
		t.Errorf("sensitivity %g after an error", out[0])
	}
}

// Any circuit within the limits of Check is solved, sensible or not, and no
// voltage leaves the bounds of a passive network.
func TestLimitsOfCheck(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 12))
	span := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	var s Solver
	eased := 0
	for i := range 20000 {
		n := 2 + r.IntN(30)
		c := Circuit{Nodes: n, Celsius: minCelsius + (maxCelsius-minCelsius)*r.Float64()}
		part := func(a, b Node) {
			if r.IntN(3) == 0 {
				c.Resistors = append(c.Resistors, Resistor{a, b, span(minOhms, maxOhms)})
				return
			}
			j := Junction{Anode: a, Cathode: b, Saturation: span(minSaturation, maxSaturation)}
			j.Ideality = minIdeality + (maxIdeality-minIdeality)*r.Float64()*r.Float64()
			if r.IntN(2) == 0 {
				j.Series = span(1e-6, maxSeries)
			}
			c.Junctions = append(c.Junctions, j)
		}
		for v := 1; v < n; v++ {
			if r.IntN(2) == 0 {
				part(Node(v), Node(r.IntN(v)))
			} else {
				part(Node(r.IntN(v)), Node(v))
			}
		}
		for range r.IntN(2 * n) {
			part(Node(r.IntN(n)), Node(r.IntN(n)))
		}
		c.Source = Source{Plus: Node(r.IntN(n)), Minus: Node(r.IntN(n)), Kind: SourceKind(r.IntN(2)), Current: span(minCurrent, maxCurrent), Open: span(minOpen, maxOpen)}
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Errorf("circuit %d: %v", i, err)
			continue
		}
		if sol.Iterations > patience {
			eased++
		}
		for v, x := range append(sol.Voltages, sol.Reading) {
			if !(math.Abs(x) <= c.Source.Open*(1+1e-6)) {
				t.Errorf("circuit %d: %g V at node %d, source %g V", i, x, v, c.Source.Open)
			}
		}
	}
	t.Logf("%d of 20000 called for ease", eased)
}
