package spice

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/circuit"
)

var update = flag.Bool("update", false, "write the golden files anew")

// examples holds each element, both sources, both polarities, two points.
func examples() []circuit.Circuit {
	return []circuit.Circuit{
		{
			// The 1N4148 of the ngspice manual's device-model example.
			Nodes: 2, Celsius: 27,
			Junctions: []circuit.Junction{{Anode: 0, Cathode: 1, Saturation: 2.495e-9, Ideality: 1.679, Series: 0.4755}},
			Source:    circuit.Source{Plus: 0, Minus: 1, Kind: circuit.ConstantCurrent, Current: 1e-3, Open: 3},
		},
		{
			Nodes: 3, Celsius: -5,
			Resistors: []circuit.Resistor{{A: 1, B: 2, Ohms: 22}, {A: 2, B: 0, Ohms: 2978}},
			Source:    circuit.Source{Plus: 1, Kind: circuit.Resistive, Current: 1e-3, Open: 3},
		},
		{
			Nodes: 5, Celsius: 23,
			Resistors: []circuit.Resistor{{A: 1, B: 2, Ohms: 1000}},
			Source:    circuit.Source{Plus: 1, Minus: 2, Kind: circuit.Resistive, Open: 2, Ohms: 1000},
		},
		{
			Nodes: 2, Celsius: 23,
			Source: circuit.Source{Plus: 1, Minus: 1, Kind: circuit.ConstantCurrent, Current: 1e-3, Open: 3},
		},
		{
			Nodes: 2, Celsius: 23, // nothing to read: the open voltage
			Source: circuit.Source{Plus: 1, Minus: 0, Kind: circuit.ConstantCurrent, Current: 1e-3, Open: 3},
		},
	}
}

func TestDeck(t *testing.T) {
	const golden = "testdata/examples.cir"
	var got bytes.Buffer
	if err := Deck(&got, examples()); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("deck (-want +got):\n%s", diff)
	}
	// Each op has a clean slate: the reading of the one before is gone.
	if ops, clean := strings.Count(got.String(), "\nop\n"), strings.Count(got.String(), "\ndestroy all\nop\n"); ops != clean || ops != 5 {
		t.Errorf("%d of %d operating points begin with destroy all, want 5 of 5", clean, ops)
	}
}

func TestDeckRefusesBadCircuit(t *testing.T) {
	bad := examples()
	bad[1].Resistors[0].Ohms = math.NaN()
	err := Deck(&bytes.Buffer{}, bad)
	if err == nil || !strings.Contains(err.Error(), "circuit 1: circuit: resistor 0 has NaN ohm") {
		t.Errorf("error %v", err)
	}
}

func TestParse(t *testing.T) {
	tests := []struct {
		name string
		in   string
		want []float64 // NaN for a missing value
		says string    // part of the error, if any
	}{
		{"two values", "Circuit: c0\n\nHS 0\nv(n1)-0 = 5.607394928e-01\nHSEND 0\nHS 1\n0-v(n1) = -2e-3\nHSEND 1\n", []float64{0.5607394928, -2e-3}, ""},
		{"an op that failed", "HS 0\nHSEND 0\nHS 1\n0 = 1\nHSEND 1\n", []float64{math.NaN(), 1}, ""},
		{"a value between circuits is nobody's", "HS 0\nHSEND 0\nv(n1) = 0.5\nHS 1\nv(n1) = 0.7\nHSEND 1\n", []float64{math.NaN(), 0.7}, ""},
		{"words in place of a value", "HS 0\nv(n1) = nan\nHSEND 0\nHS 1\nError = no such vector\nHSEND 1\n", []float64{math.NaN(), math.NaN()}, ""},
		{"broken off", "HS 0\nv(n1) = 0.5\nHSEND 0\n", nil, "ends after circuit 1 of 2"},
		{"nothing", "", nil, "ends after circuit 0 of 2"},
		{"out of turn", "HS 1\n", nil, "out of turn"},
		{"too many", "HS 0\nHS 1\nHS 2\n", nil, "out of turn"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			results, err := parse(strings.NewReader(tt.in), 2)
			if tt.says != "" {
				if err == nil || !strings.Contains(err.Error(), tt.says) {
					t.Fatalf("error %v, want one that says %q", err, tt.says)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			for i, r := range results {
				if missing := math.IsNaN(tt.want[i]); missing != (r.Err != nil) {
					t.Errorf("circuit %d: error %v", i, r.Err)
				} else if !missing && r.Reading != tt.want[i] {
					t.Errorf("circuit %d: %g, want %g", i, r.Reading, tt.want[i])
				}
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add("HS 0\nv(n1) = 0.5\nHSEND 0\n", 1)
	f.Add("HS 0\nHSEND 0\nHS 1\n = = 1\n", 2)
	f.Fuzz(func(t *testing.T, in string, n int) {
		n = max(1, min(n, 100))
		results, err := parse(strings.NewReader(in), n)
		if err != nil {
			return
		}
		if len(results) != n {
			t.Fatalf("%d results for %d circuits", len(results), n)
		}
		for i, r := range results {
			if (r.Err == nil) == (math.IsNaN(r.Reading) || math.IsInf(r.Reading, 0)) {
				t.Errorf("circuit %d: reading %g with error %v", i, r.Reading, r.Err)
			}
		}
	})
}

func TestNgspiceMissing(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	if _, err := Run(context.Background(), examples()); !errors.Is(err, ErrMissing) || !strings.Contains(err.Error(), "apt-get install ngspice") {
		t.Errorf("Run: %v", err)
	}
	if _, err := Version(context.Background()); !errors.Is(err, ErrMissing) {
		t.Errorf("Version: %v", err)
	}
}

// An ngspice that dies half-way must be distinguished from one that found nothing.
func TestNgspiceDies(t *testing.T) {
	dir := t.TempDir()
	script := "#!/bin/sh\necho HS 0\necho 'v(n1) = 1'\necho oh dear >&2\nexit 3\n"
	if err := os.WriteFile(dir+"/ngspice", []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir)
	_, err := Run(context.Background(), examples())
	if err == nil || !strings.Contains(err.Error(), "ends after circuit 1 of 5") || !strings.Contains(err.Error(), "oh dear") {
		t.Errorf("error %v", err)
	}
}

// TestLiveNgspice runs the examples and a circuit that no simulator can be
// blamed for. When told to run, it fails without ngspice.
func TestLiveNgspice(t *testing.T) {
	if os.Getenv("HALFSPLIT_NGSPICE") != "live" {
		t.Skip("set HALFSPLIT_NGSPICE=live to ask ngspice itself")
	}
	version, err := Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Log(version)
	results, err := Run(context.Background(), examples())
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{0.56074, 1.5, 1, 0, 3}
	for i, r := range results {
		if r.Err != nil || !(math.Abs(r.Reading-want[i]) <= 1e-4) {
			t.Errorf("circuit %d: %g V (%v), want %g V", i, r.Reading, r.Err, want[i])
		}
	}

	// Circuit 2 loses the model of its diode, so that its operating point
	// fails; it must not be given the value of the one before.
	pair := []circuit.Circuit{examples()[0], examples()[0], examples()[1]}
	var deck bytes.Buffer
	if err := Deck(&deck, pair); err != nil {
		t.Fatal(err)
	}
	at := strings.LastIndex(deck.String(), "circbyline .model")
	spoilt := deck.String()[:at] + strings.Replace(deck.String()[at:], "circbyline .model m0", "circbyline .model other", 1)
	results, err = runDeck(context.Background(), []byte(spoilt), len(pair))
	if err != nil {
		t.Fatal(err)
	}
	if results[0].Err != nil || results[1].Err == nil || results[2].Err != nil {
		t.Errorf("a spoilt circuit between two good ones: %+v", results)
	}

	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, examples()); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped run: %v", err)
	}
}
