package circuit_test

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfsplit/engine/circuit"
	"halfsplit/engine/circuit/spice"
)

// This package is checked against ngspice. Its readings of 500 random circuits
// are kept in testdata, beside the deck they came from. To record them anew:
//
//	go test ./engine/circuit -run TestRecordedNgspice -update-ngspice
//
// To ask ngspice itself, for the recorded circuits and as many new ones:
//
//	HALFSPLIT_NGSPICE=live go test ./engine/circuit -run TestLiveNgspice -v
var updateNgspice = flag.Bool("update-ngspice", false, "run ngspice and record its readings in testdata")

const (
	recordedSeed  = 1
	recordedCount = 500
	recordedDeck  = "testdata/random-seed1.cir"
	recordedTable = "testdata/random-seed1.readings"

	// tolerance is what the readings must agree to, in volts; goal is what is
	// hoped for. No meter in use shows less than 0.1 mV in diode mode.
	tolerance = 1e-3
	goal      = 1e-4
)

func series(seed uint64, n int) []circuit.Circuit {
	out := make([]circuit.Circuit, n)
	for i := range out {
		out[i] = randomCircuit(seed, i)
	}
	return out
}

// compare solves each circuit and holds it against the foreign reading.
func compare(t *testing.T, circuits []circuit.Circuit, want []float64, tolerance float64) {
	t.Helper()
	var s circuit.Solver
	worst, at, beyond := 0.0, 0, 0
	for i := range circuits {
		sol, err := s.Solve(&circuits[i], nil)
		if err != nil {
			t.Errorf("circuit %d: %v", i, err)
			continue
		}
		off := math.Abs(sol.Reading - want[i])
		if !(off <= tolerance) {
			t.Errorf("circuit %d (%s): %.6f V, ngspice %.6f V", i, families[i%len(families)].name, sol.Reading, want[i])
		}
		if off > goal {
			beyond++
		}
		if off > worst {
			worst, at = off, i
		}
	}
	t.Logf("%d circuits; worst difference %.4f mV at circuit %d (%s); %d beyond the goal of %.1f mV",
		len(circuits), worst*1e3, at, families[at%len(families)].name, beyond, goal*1e3)
}

func askNgspice(t testing.TB, circuits []circuit.Circuit) []float64 {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	results, err := spice.Run(ctx, circuits)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, len(results))
	for i, r := range results {
		if r.Err != nil {
			t.Errorf("circuit %d (%s): %v", i, families[i%len(families)].name, r.Err)
		}
		out[i] = r.Reading
	}
	return out
}

func TestRecordedNgspice(t *testing.T) {
	circuits := series(recordedSeed, recordedCount)
	var deck bytes.Buffer
	if err := spice.Deck(&deck, circuits); err != nil {
		t.Fatal(err)
	}
	if *updateNgspice {
		record(t, circuits, deck.Bytes())
	}
	kept, err := os.ReadFile(recordedDeck)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(kept, deck.Bytes()) {
		t.Fatalf("%s is not the deck that seed %d makes now; record it anew with -update-ngspice", recordedDeck, recordedSeed)
	}
	compare(t, circuits, readTable(t), tolerance)
}

// Half of the difference is the shunt that ngspice needs at every node. With
// the same shunt in our circuits, what is left is ngspice's own reverse branch
// of the diode (see package spice). It shows where reversed junctions leak
// nearly the test current: circuit 108, the worst, is 0.488497 V with
// ngspice's diodes and 0.4884558132 V, as here, when ngspice is given the law
// of circuit.Junction as a formula.
func TestRecordedNgspiceWithItsShunt(t *testing.T) {
	circuits := series(recordedSeed, recordedCount)
	for i := range circuits {
		c := &circuits[i]
		for v := 1; v < c.Nodes; v++ {
			c.Resistors = append(c.Resistors, circuit.Resistor{A: circuit.Node(v), B: 0, Ohms: spice.Shunt})
		}
	}
	compare(t, circuits, readTable(t), 5e-5)
}

func record(t *testing.T, circuits []circuit.Circuit, deck []byte) {
	version, err := spice.Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	readings := askNgspice(t, circuits)
	if t.Failed() {
		t.Fatal("nothing recorded")
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Readings in volts of %d random circuits, by %s.\n", len(circuits), version)
	fmt.Fprintf(&b, "# Deck: %s, made by randomCircuit(%d, 0 to %d). Columns: circuit, reading, family.\n", filepath.Base(recordedDeck), recordedSeed, len(circuits)-1)
	fmt.Fprintf(&b, "# To record anew: go test ./engine/circuit -run TestRecordedNgspice -update-ngspice\n")
	for i, v := range readings {
		fmt.Fprintf(&b, "%d\t%.12g\t%s\n", i, v, families[i%len(families)].name)
	}
	if err := os.MkdirAll("testdata", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(recordedDeck, deck, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(recordedTable, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

func readTable(t *testing.T) []float64 {
	t.Helper()
	f, err := os.Open(recordedTable)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []float64
	for in := bufio.NewScanner(f); in.Scan(); {
		if strings.HasPrefix(in.Text(), "#") {
			continue
		}
		cols := strings.Split(in.Text(), "\t")
		if len(cols) != 3 || cols[0] != strconv.Itoa(len(out)) {
			t.Fatalf("%s: line %q is out of turn", recordedTable, in.Text())
		}
		v, err := strconv.ParseFloat(cols[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	if len(out) != recordedCount {
		t.Fatalf("%s holds %d readings, want %d", recordedTable, len(out), recordedCount)
	}
	return out
}

// The 500 circuits must hold every element and situation they are meant to.
func TestRecordedCircuitsCoverEverything(t *testing.T) {
	met := map[string]int{}
	count := func(what string, yes bool) {
		if yes {
			met[what]++
		} else {
			met[what] += 0
		}
	}
	var s circuit.Solver
	for _, c := range series(recordedSeed, recordedCount) {
		sol, err := s.Solve(&c, nil)
		if err != nil {
			t.Fatal(err)
		}
		src := c.Source
		count("red on ground", src.Plus == 0)
		count("black on ground", src.Minus == 0)
		count("two points", src.Plus != 0 && src.Minus != 0)
		count("constant current", src.Kind == circuit.ConstantCurrent)
		count("resistive", src.Kind == circuit.Resistive)
		count("2 uA or less", src.Current < 2e-6)
		count("5 mA or more", src.Current > 5e-3)
		count("source sees nothing", sol.Open)
		count("floating nodes beside a path", !sol.Open && contains(sol.Floating))
		count("current round a floating island", !sol.Open && sol.Floating[src.Plus])
		count("in the fade", !sol.Open && src.Kind == circuit.ConstantCurrent && sol.Reading > src.Open-2*circuit.FadeVolts)
		count("an everyday drop", sol.Reading > 0.3 && sol.Reading < 0.9)
		count("below 10 mV", sol.Reading < 0.01)
		for _, r := range c.Resistors {
			count("below 10 milliohm", r.Ohms < 1e-2)
			count("above 5 megohm", r.Ohms > 5e6)
		}
		for _, j := range c.Junctions {
			count("Is below 1e-17", j.Saturation < 1e-17)
			count("Is above 1e-7", j.Saturation > 1e-7)
			count("ideality above 2.4", j.Ideality > 2.4)
			count("series above 40 ohm", j.Series > 40)
			count("no series", j.Series == 0)
		}
		count("dozens of junctions", len(c.Junctions) >= 36)
	}
	for what, n := range met {
		if n < 5 {
			t.Errorf("%s: met %d times in %d circuits, want 5 or more", what, n, recordedCount)
		}
	}
	t.Log(met)
}

func contains(flags []bool) bool {
	for _, f := range flags {
		if f {
			return true
		}
	}
	return false
}

// TestLiveNgspice asks ngspice itself. When told to, it fails without ngspice.
func TestLiveNgspice(t *testing.T) {
	if os.Getenv("HALFSPLIT_NGSPICE") != "live" {
		t.Skip("set HALFSPLIT_NGSPICE=live to ask ngspice itself; the recorded readings are checked by TestRecordedNgspice")
	}
	version, err := spice.Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Log(version)
	for _, seed := range []uint64{recordedSeed, 20} {
		circuits := series(seed, recordedCount)
		compare(t, circuits, askNgspice(t, circuits), tolerance)
	}
	// Whole boards, from several pins in both polarities.
	for _, n := range []int{30, 100, 300, 1000} {
		var boards []circuit.Circuit
		for k := range 4 {
			c := boardOf(n)
			c.Source.Minus = circuit.Node(n/4 + k)
			if k%2 == 1 {
				c.Source.Plus, c.Source.Minus = c.Source.Minus, c.Source.Plus
			}
			boards = append(boards, c)
		}
		compare(t, boards, askNgspice(t, boards), tolerance)
	}
}
