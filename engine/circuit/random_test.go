package circuit_test

import (
	"math"
	"math/rand/v2"
	"strconv"

	"halfsplit/engine/circuit"
)

// families are the shapes of the random circuits; circuit i of a series is of
// family i modulo their number, so that each is met equally often.
var families = []struct {
	name string
	make func(*rand.Rand) circuit.Circuit
}{
	{"line", boardLine},
	{"tree", func(r *rand.Rand) circuit.Circuit { return network(r, 0, 0, false) }},
	{"mesh", func(r *rand.Rand) circuit.Circuit { return network(r, 0.8, 0, false) }},
	{"islands", func(r *rand.Rand) circuit.Circuit { return network(r, 0.3, 0.3, false) }},
	{"extreme", func(r *rand.Rand) circuit.Circuit { return network(r, 0.5, 0.05, true) }},
	{"bank", bank},
	{"strings", chains},
	{"resistors", resistors},
	{"two points", twoPoints},
	{"open probe", openProbe},
}

// randomCircuit gives circuit i of the series that seed begins.
func randomCircuit(seed uint64, i int) circuit.Circuit {
	r := rand.New(rand.NewPCG(seed, uint64(i)))
	c := families[i%len(families)].make(r)
	// Four digits keep the recorded decks short and readable.
	for k := range c.Resistors {
		c.Resistors[k].Ohms = digits(c.Resistors[k].Ohms)
	}
	for k := range c.Junctions {
		j := &c.Junctions[k]
		j.Saturation, j.Ideality, j.Series = digits(j.Saturation), digits(j.Ideality), digits(j.Series)
	}
	c.Source.Current, c.Source.Open = digits(c.Source.Current), digits(c.Source.Open)
	return c
}

func digits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	if err != nil {
		panic(err)
	}
	return y
}

func logUniform(r *rand.Rand, lo, hi float64) float64 {
	return lo * math.Exp(r.Float64()*math.Log(hi/lo))
}

func node(r *rand.Rand, n int) circuit.Node { return circuit.Node(r.IntN(n)) }

// meter is a source of either kind and polarity at the probe on point.
func meter(r *rand.Rand, point circuit.Node) circuit.Source {
	s := circuit.Source{Plus: 0, Minus: point, Current: logUniform(r, 1e-6, 1e-2), Open: 1.5 + 3.5*r.Float64()}
	if r.IntN(2) == 0 {
		s.Plus, s.Minus = point, 0
	}
	if r.IntN(2) == 0 {
		s.Kind = circuit.Resistive
	}
	return s
}

func celsius(r *rand.Rand) float64 { return math.Round(-10 + 60*r.Float64()) }

// junction is an everyday one: a silicon or Schottky junction of some size.
func junction(r *rand.Rand, a, c circuit.Node) circuit.Junction {
	j := circuit.Junction{Anode: a, Cathode: c, Ideality: 1 + 1.2*r.Float64()}
	j.Saturation = circuit.SaturationFor(0.3+0.5*r.Float64(), 1e-3, j.Ideality, 0, 23)
	if r.IntN(2) == 0 {
		j.Series = 50 * r.Float64()
	}
	return j
}

func extremeJunction(r *rand.Rand, a, c circuit.Node) circuit.Junction {
	j := circuit.Junction{Anode: a, Cathode: c, Saturation: logUniform(r, 1e-18, 1e-6), Ideality: 1 + 1.5*r.Float64()}
	if r.IntN(2) == 0 {
		j.Series = 50 * r.Float64()
	}
	return j
}

// network is a random tree on 3 to 25 nodes with extra joins (extra times the
// nodes) and some joins missing (each with the given chance).
func network(r *rand.Rand, extra, missing float64, extreme bool) circuit.Circuit {
	n := 3 + r.IntN(23)
	c := circuit.Circuit{Nodes: n, Celsius: celsius(r)}
	part := func(a, b circuit.Node) {
		if r.IntN(2) == 0 {
			a, b = b, a
		}
		switch {
		case extreme && r.IntN(2) == 0:
			c.Resistors = append(c.Resistors, circuit.Resistor{A: a, B: b, Ohms: logUniform(r, 1e-3, 1e7)})
		case extreme:
			c.Junctions = append(c.Junctions, extremeJunction(r, a, b))
		case r.IntN(5) < 3:
			c.Resistors = append(c.Resistors, circuit.Resistor{A: a, B: b, Ohms: logUniform(r, 0.1, 1e5)})
		default:
			c.Junctions = append(c.Junctions, junction(r, a, b))
		}
	}
	for v := 1; v < n; v++ {
		if r.Float64() >= missing {
			part(circuit.Node(v), node(r, v))
		}
	}
	for range int(extra * float64(n)) {
		part(node(r, n), node(r, n))
	}
	c.Source = meter(r, 1+node(r, n-1))
	return c
}

// boardLine is what a pin of a connector sees: parts in series, junctions of
// an IC to ground and to a supply that other lines share.
func boardLine(r *rand.Rand) circuit.Circuit {
	c := circuit.Circuit{Celsius: celsius(r)}
	next := circuit.Node(2) // 0 ground, 1 supply
	c.Junctions = append(c.Junctions, junction(r, 0, 1))
	c.Resistors = append(c.Resistors, circuit.Resistor{A: 1, B: 0, Ohms: logUniform(r, 100, 1e6)})
	var points []circuit.Node
	for range 1 + r.IntN(6) {
		at := next
		points = append(points, at)
		next++
		for range r.IntN(3) {
			c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: next, Ohms: logUniform(r, 1e-3, 1e3)})
			at = next
			points = append(points, at)
			next++
		}
		c.Junctions = append(c.Junctions, junction(r, 0, at), junction(r, at, 1))
		if r.IntN(3) == 0 { // a pull-up
			c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: 1, Ohms: logUniform(r, 1e3, 1e5)})
		}
		if r.IntN(4) == 0 { // a fault
			c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: 0, Ohms: logUniform(r, 1e-2, 1e5)})
		}
	}
	c.Nodes = int(next)
	c.Source = meter(r, points[r.IntN(len(points))])
	return c
}

// bank is dozens of junctions in parallel and antiparallel.
func bank(r *rand.Rand) circuit.Circuit {
	c := circuit.Circuit{Nodes: 3, Celsius: celsius(r)}
	c.Resistors = append(c.Resistors, circuit.Resistor{A: 1, B: 2, Ohms: logUniform(r, 1e-3, 1e4)})
	for range 2 + r.IntN(60) {
		if r.IntN(2) == 0 {
			c.Junctions = append(c.Junctions, extremeJunction(r, 2, 0))
		} else {
			c.Junctions = append(c.Junctions, extremeJunction(r, 0, 2))
		}
	}
	c.Source = meter(r, 1)
	return c
}

// chains is several strings of junctions side by side, each with its own
// mixture of directions and a resistance.
func chains(r *rand.Rand) circuit.Circuit {
	c := circuit.Circuit{Nodes: 2, Celsius: celsius(r)}
	for range 1 + r.IntN(4) {
		at := circuit.Node(1)
		turn := r.Float64() * 0.4
		for range r.IntN(12) {
			to := circuit.Node(c.Nodes)
			c.Nodes++
			if r.Float64() < turn {
				c.Junctions = append(c.Junctions, extremeJunction(r, to, at))
			} else {
				c.Junctions = append(c.Junctions, extremeJunction(r, at, to))
			}
			at = to
		}
		c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: 0, Ohms: logUniform(r, 1e-3, 1e6)})
	}
	c.Source = meter(r, node(r, c.Nodes-1)+1)
	return c
}

func resistors(r *rand.Rand) circuit.Circuit {
	n := 2 + r.IntN(20)
	c := circuit.Circuit{Nodes: n, Celsius: celsius(r)}
	for v := 1; v < n; v++ {
		c.Resistors = append(c.Resistors, circuit.Resistor{A: circuit.Node(v), B: node(r, v), Ohms: logUniform(r, 1e-3, 1e7)})
	}
	for range r.IntN(n) {
		c.Resistors = append(c.Resistors, circuit.Resistor{A: node(r, n), B: node(r, n), Ohms: logUniform(r, 1e-3, 1e7)})
	}
	c.Source = meter(r, 1+node(r, n-1))
	return c
}

// twoPoints reads between two nodes that are not ground; in half of the
// circuits ground is not joined to them at all.
func twoPoints(r *rand.Rand) circuit.Circuit {
	c := network(r, 0.4, 0, false)
	if r.IntN(2) == 0 {
		c.Resistors = keep(c.Resistors, func(x circuit.Resistor) bool { return x.A != 0 && x.B != 0 })
		c.Junctions = keep(c.Junctions, func(x circuit.Junction) bool { return x.Anode != 0 && x.Cathode != 0 })
	}
	c.Source.Plus = 1 + node(r, c.Nodes-1)
	for c.Source.Minus = c.Source.Plus; c.Source.Minus == c.Source.Plus; {
		c.Source.Minus = 1 + node(r, c.Nodes-1)
	}
	return c
}

// openProbe puts one probe on an island of its own.
func openProbe(r *rand.Rand) circuit.Circuit {
	c := network(r, 0.3, 0.1, false)
	a := circuit.Node(c.Nodes)
	c.Nodes += 2
	c.Resistors = append(c.Resistors, circuit.Resistor{A: a, B: a + 1, Ohms: 22})
	if r.IntN(2) == 0 {
		c.Source.Minus = a
	} else {
		c.Source.Plus = a
	}
	return c
}

func keep[T any](in []T, ok func(T) bool) []T {
	var out []T
	for _, x := range in {
		if ok(x) {
			out = append(out, x)
		}
	}
	return out
}
