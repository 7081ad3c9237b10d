package circuit_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"halfsplit/engine/circuit"
	"halfsplit/engine/circuit/spice"
)

// boardOf is a board of about n nodes: lines of a few parts in series, each
// ending at an IC pin with junctions to ground and to one of a few supplies,
// all hanging together through the supplies.
func boardOf(n int) circuit.Circuit {
	r := rand.New(rand.NewPCG(42, uint64(n)))
	c := circuit.Circuit{Nodes: 1, Celsius: 23}
	add := func() circuit.Node { c.Nodes++; return circuit.Node(c.Nodes - 1) }
	supplies := make([]circuit.Node, 1+n/200)
	for i := range supplies {
		supplies[i] = add()
	}
	for i := range supplies {
		c.Junctions = append(c.Junctions, junction(r, 0, supplies[i]))
		c.Resistors = append(c.Resistors, circuit.Resistor{A: supplies[i], B: supplies[(i+1)%len(supplies)], Ohms: 1e4})
	}
	for c.Nodes < n {
		at := add()
		for range r.IntN(3) {
			if c.Nodes >= n {
				break
			}
			to := add()
			c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: to, Ohms: logUniform(r, 1, 100)})
			at = to
		}
		c.Junctions = append(c.Junctions, junction(r, 0, at), junction(r, at, supplies[r.IntN(len(supplies))]))
	}
	c.Source = circuit.Source{Plus: 0, Minus: circuit.Node(len(supplies) + 1), Current: 1e-3, Open: 3}
	return c
}

func BenchmarkSolve(b *testing.B) {
	for _, n := range []int{10, 100, 1000, 5000} {
		c := boardOf(n)
		var s circuit.Solver
		sol, err := s.Solve(&c, nil)
		if err != nil {
			b.Fatal(err)
		}
		cold := sol.Iterations
		at := append([]float64(nil), sol.Voltages...)
		b.Run(fmt.Sprintf("nodes=%d/cold", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Solve(&c, nil); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(cold), "steps")
		})
		// The junction that matters most to the reading moves by nVt*ln 2:
		// what a fit or a fault asks for.
		most := 0
		weights := make([]float64, len(c.Junctions))
		s.Sensitivities(&c, weights)
		for k, w := range weights {
			if w > weights[most] {
				most = k
			}
		}
		b.Run(fmt.Sprintf("nodes=%d/warm", n), func(b *testing.B) {
			b.ReportAllocs()
			is := c.Junctions[most].Saturation
			steps, rounds := 0, 0
			for b.Loop() {
				c.Junctions[most].Saturation = is * float64(1+rounds%2)
				sol, err := s.Solve(&c, at)
				if err != nil {
					b.Fatal(err)
				}
				steps += sol.Iterations
				rounds++
			}
			c.Junctions[most].Saturation = is
			b.ReportMetric(float64(steps)/float64(rounds), "steps")
		})
		// A resistor moves to and fro: the order is worked out anew each time,
		// as for a part that is taken off.
		b.Run(fmt.Sprintf("nodes=%d/rejoined", n), func(b *testing.B) {
			b.ReportAllocs()
			was := c.Resistors[0]
			for k := 0; b.Loop(); k++ {
				c.Resistors[0].B = was.B
				if k%2 == 0 {
					c.Resistors[0].B = 0
				}
				if _, err := s.Solve(&c, at); err != nil {
					b.Fatal(err)
				}
			}
			c.Resistors[0] = was
		})
		b.Run(fmt.Sprintf("nodes=%d/fresh", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				var s circuit.Solver
				if _, err := s.Solve(&c, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkSensitivities(b *testing.B) {
	c := boardOf(100)
	var s circuit.Solver
	if _, err := s.Solve(&c, nil); err != nil {
		b.Fatal(err)
	}
	out := make([]float64, len(c.Junctions))
	for b.Loop() {
		s.Sensitivities(&c, out)
	}
}

// BenchmarkNgspiceRatio gives how many times longer ngspice takes than Solve,
// for the recorded decks in one batch process each; Solve begins cold, with
// another circuit every time. The project wants 100 or more.
func BenchmarkNgspiceRatio(b *testing.B) {
	if _, err := spice.Version(context.Background()); errors.Is(err, spice.ErrMissing) {
		b.Skip(err)
	}
	circuits := series(recordedSeed, recordedCount)
	var theirs, ours time.Duration
	var s circuit.Solver
	for b.Loop() {
		begin := time.Now()
		askNgspice(b, circuits)
		theirs += time.Since(begin)
		begin = time.Now()
		for i := range circuits {
			if _, err := s.Solve(&circuits[i], nil); err != nil {
				b.Fatal(err)
			}
		}
		ours += time.Since(begin)
	}
	each := float64(b.N * len(circuits))
	b.ReportMetric(float64(theirs.Microseconds())/each, "us/ngspice-op")
	b.ReportMetric(float64(ours.Nanoseconds())/1e3/each, "us/our-op")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "ratio")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkGrid solves a square of resistors from corner to corner, which no order of
// elimination keeps thin.
func BenchmarkGrid(b *testing.B) {
	for _, side := range []int{20, 40, 60} {
		b.Run(fmt.Sprintf("%dx%d", side, side), func(b *testing.B) {
			var c circuit.Circuit
			c.Nodes = side * side
			for x := range side {
				for y := range side {
					at := circuit.Node(x*side + y)
					if y+1 < side {
						c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: at + 1, Ohms: 100})
					}
					if x+1 < side {
						c.Resistors = append(c.Resistors, circuit.Resistor{A: at, B: at + circuit.Node(side), Ohms: 100})
					}
				}
			}
			c.Source = circuit.Source{Plus: circuit.Node(c.Nodes - 1), Minus: 0, Current: 1e-3, Open: 3}
			c.Celsius = 25
			for b.Loop() {
				var s circuit.Solver // with nothing known of the circuit
				if _, err := s.Solve(&c, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
