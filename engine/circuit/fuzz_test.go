package circuit_test

import (
	"encoding/binary"
	"math"
	"testing"

	"halfsplit/engine/circuit"
)

// fuzzCircuit makes a circuit of any bytes: every value may be anything a
// float can be, though most choices fall within what Solve accepts.
func fuzzCircuit(data []byte) circuit.Circuit {
	next := func() byte {
		if len(data) == 0 {
			return 0
		}
		b := data[0]
		data = data[1:]
		return b
	}
	value := func(lo, hi float64) float64 {
		kind := next()
		if kind == 255 && len(data) >= 8 {
			x := math.Float64frombits(binary.LittleEndian.Uint64(data))
			data = data[8:]
			return x
		}
		return lo * math.Pow(hi/lo, (float64(kind)+float64(next())/256)/255)
	}
	nodes := 1 + int(next())%40
	at := func() circuit.Node { return circuit.Node(int(next())%(nodes+1)) % circuit.Node(nodes) }
	c := circuit.Circuit{Nodes: nodes, Celsius: value(1, 150) - 40}
	c.Source = circuit.Source{Plus: at(), Minus: at(), Kind: circuit.SourceKind(next() % 2), Current: value(1e-9, 1), Open: value(0.01, 50)}
	for len(data) > 0 {
		if next()%2 == 0 {
			c.Resistors = append(c.Resistors, circuit.Resistor{A: at(), B: at(), Ohms: value(1e-4, 1e10)})
		} else {
			j := circuit.Junction{Anode: at(), Cathode: at(), Saturation: value(1e-20, 1e-3), Ideality: value(0.8, 4)}
			if next()%2 == 0 {
				j.Series = value(1e-3, 1e4)
			}
			c.Junctions = append(c.Junctions, j)
		}
	}
	return c
}

// Whatever the circuit: no panic, and a solution that is one.
func FuzzSolve(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("\x03\x80\x80\x01\x00\x00\x80\x80\x80\x80\x00\x01\x02\x80\x80\x01\x02\x00\x40\x40\x40\x40\x01"))
	f.Add([]byte("a rather longer line of bytes, which makes a few parts of each kind between a few nodes"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 2000 {
			return // some 200 parts are enough; more only slow the search
		}
		c := fuzzCircuit(data)
		var s circuit.Solver
		sol, err := s.Solve(&c, nil)
		if err != nil {
			if c.Check() == nil {
				t.Fatalf("valid but not solved: %v", err)
			}
			return
		}
		if !(sol.Reading >= -1e-9 && sol.Reading <= c.Source.Open*(1+1e-9)) {
			t.Errorf("reading %g V outside 0 to %g V", sol.Reading, c.Source.Open)
		}
		for v, x := range sol.Voltages {
			if !(math.Abs(x) <= c.Source.Open*(1+1e-9)+1e-9) {
				t.Errorf("node %d at %g V, source at most %g V", v, x, c.Source.Open)
			}
		}
		if off := imbalance(&c, sol); !(off <= 1e-12+1e-8*c.Source.Current) {
			t.Errorf("%g A do not add up", off)
		}
	})
}
