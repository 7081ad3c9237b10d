package recorded

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/circuit"
	"halfsplit/engine/circuit/spice"
	"halfsplit/engine/journal"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// The demo's sweeps and cases are made from testdata/demo/answers/truth.yaml and
// from what ngspice says of it. To make them again:
//
//	go test ./engine/trial/recorded -run TestDemo -refresh
//
// To ask ngspice itself and compare with what is recorded:
//
//	HALFSPLIT_NGSPICE=live go test ./engine/trial/recorded -run TestDemo -v
var refresh = flag.Bool("refresh", false, "run ngspice and write testdata again")

const (
	demoTruth = "../../../testdata/demo/answers/truth.yaml"

	// ngspice and the own solver have to agree to this, in volts (design,
	// section 8), before any display rounds.
	tolerance = 1e-3
)

func live() bool { return os.Getenv("HALFSPLIT_NGSPICE") == "live" }

// asked is one question with its circuit.
type asked struct {
	file    string
	q       question
	at      netlist.Point
	volts   float64 // by the own solver
	circuit circuit.Circuit
}

// askDemo lists all questions of a demo, with circuits only where ngspice is
// to run.
func askDemo(t *testing.T, s *Demo, circuits bool) []asked {
	t.Helper()
	var all []asked
	err := s.ask(func(file string, b *Simulator, q question, at netlist.Point, edits netlist.Edits) {
		p := b.Board.Probe(at, nil, q.polarity, b.Meter.Drive())
		v, err := b.Board.Volts(p, edits)
		if err != nil {
			t.Errorf("%s: %s: %v", file, q.at, err)
		}
		a := asked{file: file, q: q, at: at, volts: v}
		if circuits {
			if a.circuit, err = b.Board.Circuit(p, edits); err != nil {
				t.Errorf("%s: %s: %v", file, q.at, err)
			}
		}
		all = append(all, a)
	})
	if err != nil {
		t.Fatal(err)
	}
	if t.Failed() {
		t.FailNow()
	}
	return all
}

// askNgspice gives ngspice's voltages, NaN where it found none.
func askNgspice(t *testing.T, circuits []circuit.Circuit) []float64 {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Minute)
	defer cancel()
	results, err := spice.Run(ctx, circuits)
	if err != nil {
		t.Fatal(err)
	}
	volts := make([]float64, len(results))
	for i, r := range results {
		if volts[i] = r.Reading; r.Err != nil {
			volts[i] = math.NaN()
		}
	}
	return volts
}

func TestDemoAgainstNgspice(t *testing.T) {
	s, err := LoadDemo(demoTruth)
	if err != nil {
		t.Fatal(err)
	}
	all := askDemo(t, s, *refresh || live())
	if *refresh || live() {
		circuits := make([]circuit.Circuit, len(all))
		for i := range all {
			circuits[i] = all[i].circuit
		}
		volts := askNgspice(t, circuits)
		if *refresh {
			record(t, all, volts)
			if s, err = LoadDemo(demoTruth); err != nil {
				t.Fatal(err)
			}
		}
		compareVolts(t, "ngspice now", all, func(i int) (float64, bool) { return volts[i], true })
	}
	recorded := map[string]map[question]float64{}
	for _, k := range s.Known {
		recorded[filepath.Base(k.File)] = k.Simulator.answers
	}
	for _, c := range s.Cases {
		recorded[filepath.Base(c.File)] = c.Simulator.answers
	}
	compareVolts(t, "ngspice recorded", all, func(i int) (float64, bool) {
		v, ok := recorded[all[i].file][all[i].q]
		return v, ok
	})
}

// compareVolts holds the own solver to ngspice.
func compareVolts(t *testing.T, who string, all []asked, ngspice func(i int) (float64, bool)) {
	t.Helper()
	worst, at := 0.0, ""
	for i := range all {
		a := &all[i]
		v, ok := ngspice(i)
		where := fmt.Sprintf("%s: %s, %s, %q", a.file, a.q.at, a.q.polarity, a.q.edits)
		if !ok {
			t.Errorf("%s has nothing on %s; make it again with -refresh", who, where)
			continue
		}
		off := math.Abs(v - a.volts)
		if !(off <= tolerance) {
			t.Errorf("%s: %.6f V, own solver %.6f V, %s", where, v, a.volts, who)
		}
		if off > worst {
			worst, at = off, where
		}
	}
	t.Logf("%s: %d readings, worst difference %.4f mV at %s", who, len(all), worst*1e3, at)
}

func record(t *testing.T, all []asked, volts []float64) {
	t.Helper()
	version, err := spice.Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Voltages between the leads, in volts, by %s, of the boards of truth.yaml.\n", version)
	fmt.Fprintf(&b, "# Made by: go test ./engine/trial/recorded -run TestDemo -refresh\n")
	fmt.Fprintf(&b, "# Columns: file, point or net, polarity, what was done to the board, volts. What a\n")
	fmt.Fprintf(&b, "# display makes of a voltage (error, noise, rounding, OL) is practice.Meter's.\n")
	decks := map[string][]circuit.Circuit{}
	for i := range all {
		a := &all[i]
		if math.IsNaN(volts[i]) {
			t.Errorf("%s: %s: ngspice found no operating point", a.file, a.q.at)
			continue
		}
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\t%.6f\n", a.file, a.q.at, a.q.polarity, a.q.edits, volts[i])
		if a.at.Kind == netlist.PointPin && a.q.edits == "" && len(decks[a.file]) < deckPins {
			decks[a.file] = append(decks[a.file], a.circuit)
		}
	}
	if t.Failed() {
		t.Fatal("nothing written")
	}
	dir := filepath.Dir(demoTruth)
	write(t, filepath.Join(dir, answersFile), b.Bytes())
	for file, circuits := range decks {
		var deck bytes.Buffer
		if err := spice.Deck(&deck, circuits); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, strings.TrimSuffix(file, ".yaml")+".cir"), deck.Bytes())
	}
}

// deckPins is how many pins of a sweep have their deck kept: decks are long, and
// those of one board differ in the probe alone.
const deckPins = 4

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// The files of the demo are what truth.yaml and the recorded voltages make.
func TestDemoFiles(t *testing.T) {
	s, err := LoadDemo(demoTruth)
	if err != nil {
		t.Fatal(err)
	}
	version := recordedVersion(t, filepath.Join(filepath.Dir(demoTruth), answersFile))
	head := func(what string) string {
		return fmt.Sprintf("# INVENTED %s.\n# Readings computed by %s, then passed through a meter with errors of its own.\n# Made by: go test ./engine/trial/recorded -run TestDemo -refresh\n", what, version)
	}
	check := func(path string, body bytes.Buffer, head string) {
		want := head + body.String()
		if *refresh {
			write(t, path, []byte(want))
			return
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Error(err)
			return
		}
		if diff := cmp.Diff(want, string(got)); diff != "" {
			t.Errorf("%s is not what truth.yaml makes (-made, +file); if that is meant, use -refresh:\n%s", path, diff)
		}
	}
	for i := range s.Known {
		k := &s.Known[i]
		var b bytes.Buffer
		if err := k.writeSweep(&b); err != nil {
			t.Fatal(err)
		}
		if n := k.Simulator.Unrecorded(); n > 0 {
			t.Errorf("%s: %d readings are not by ngspice", k.File, n)
		}
		check(k.File, b, head("sweep over a good board of an invented product"))
	}
	for i := range s.Cases {
		c := &s.Cases[i]
		var b bytes.Buffer
		if err := c.writeCase(&b); err != nil {
			t.Fatal(err)
		}
		if n := c.Simulator.Unrecorded(); n > 0 {
			t.Errorf("%s: %d readings are not by ngspice", c.File, n)
		}
		check(c.File, b, head("case: a board of an invented product, as it came in"))
	}
}

func recordedVersion(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range strings.Fields(string(data[:min(len(data), 200)])) {
		if word = strings.Trim(word, ","); strings.HasPrefix(word, "ngspice-") {
			return word
		}
	}
	t.Fatalf("%s does not say which ngspice it is by", path)
	return ""
}

// The files load as the bench loads them, with nothing to remark.
func TestDemoLoads(t *testing.T) {
	s, err := LoadDemo(demoTruth)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range s.Cases {
		loaded, err := journal.Load(c.File)
		if err != nil {
			t.Error(err)
			continue
		}
		if len(loaded.Warnings) > 0 || loaded.Torn != nil {
			t.Errorf("%s: %v", c.File, loaded.Warnings)
		}
		if got := loaded.Opening().Complaint; got != c.Complaint {
			t.Errorf("%s: complaint %q, want %q", c.File, got, c.Complaint)
		}
		if loaded.Meter != c.Simulator.Meter.Declared {
			t.Errorf("%s: meter %+v, want %+v", c.File, loaded.Meter, c.Simulator.Meter.Declared)
		}
		if got := len(loaded.Library.Sweeps); got != len(s.Known) {
			t.Errorf("%s: %d good boards, want %d", c.File, got, len(s.Known))
		}
		if findings := loaded.Library.Check(); len(findings) > 0 {
			for _, f := range findings {
				if f.Severity != references.SeverityNote {
					t.Errorf("%s: %s at %s: %s", f.Sweep, f.Kind, f.At, f.Seen)
				}
			}
		}
	}
}

// ask lists what a recording of the demo has to answer, bench by bench, in the
// order of truth.yaml.
//
// A sweep needs the pins. A case is played by somebody who may probe anywhere,
// both ways round, and remove parts: so every net, and after each part on the
// lines of the sweep has been removed or replaced, the nets at that part, those
// behind it, and the pins.
func (s *Demo) ask(visit func(file string, b *Simulator, q question, at netlist.Point, edits netlist.Edits)) error {
	m := s.Model
	g, err := m.Board.Graph()
	if err != nil {
		return err
	}
	for i := range s.Known {
		k := &s.Known[i]
		asked := newAsker(filepath.Base(k.File), k.Simulator, visit)
		for _, p := range m.Board.AllPins() {
			asked.at(p, k.Sweep.State.Polarity, netlist.Edits{})
		}
	}
	for i := range s.Cases {
		c := &s.Cases[i]
		asked := newAsker(filepath.Base(c.File), c.Simulator, visit)
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			for _, p := range m.Board.AllPins() { // those that are not connected are on no net
				asked.at(p, pol, netlist.Edits{})
			}
			for n := range m.Board.Nets {
				for _, p := range m.Board.PointsOn(netlist.NetID(n)) {
					asked.at(p, pol, netlist.Edits{})
				}
			}
		}
		var lines []netlist.NetID
		parts := map[netlist.PartID]bool{}
		for _, conn := range c.Sweep {
			for _, p := range m.Board.Pins(conn) {
				if p.Net != netlist.None && p.Net != m.Board.Ground && c.deviates(p) {
					lines = append(lines, p.Net)
				}
			}
		}
		for _, start := range lines {
			for _, id := range g.Line(start, netlist.AtRails).Parts {
				parts[id] = true
			}
		}
		for p := range m.Board.Parts {
			id := netlist.PartID(p)
			if !parts[id] && !slices.Contains(c.Bad, id) {
				continue
			}
			for _, edits := range []netlist.Edits{netlist.Edits{}.Remove(id), netlist.Edits{}.Replace(id)} {
				for _, t := range m.Board.Parts[p].Terminals {
					if t.Net != netlist.None {
						for _, at := range m.Board.PointsOn(t.Net) {
							asked.at(at, references.RedOnGround, edits)
						}
					}
				}
				for _, n := range lines {
					for _, at := range m.Board.PointsOn(n) {
						asked.at(at, references.RedOnGround, edits)
					}
				}
			}
		}
	}
	return nil
}

// deviates tells whether the faults of a case move the true reading of a pin.
func (c *DemoCase) deviates(at netlist.Point) bool {
	w := c.Simulator.Board
	good := w.Truth.Sample(w.Seed, w.Celsius)
	p := w.Probe(at, nil, references.RedOnGround, c.Simulator.Meter.Drive())
	a, errA := w.Volts(p, netlist.Edits{})
	b, errB := good.Volts(p, netlist.Edits{})
	return errA != nil || errB != nil || math.Abs(a-b) > 2e-3
}

// asker passes each question on once.
type asker struct {
	file  string
	bench *Simulator
	seen  map[question]bool
	visit func(string, *Simulator, question, netlist.Point, netlist.Edits)
}

func newAsker(file string, b *Simulator, visit func(string, *Simulator, question, netlist.Point, netlist.Edits)) *asker {
	return &asker{file, b, map[question]bool{}, visit}
}

func (a *asker) at(p netlist.Point, pol references.Polarity, edits netlist.Edits) {
	board := a.bench.Board.Truth.Model.Board
	q := question{a.bench.Board.Spot(p), pol, practice.EditsText(board, edits)}
	if q.at != board.Nets[board.Ground].Name && !a.seen[q] { // ground reads nothing, without ngspice

		a.seen[q] = true
		a.visit(a.file, a.bench, q, p, edits)
	}
}

// writeSweep writes the sweep file of a good board.
func (k *DemoSweep) writeSweep(w io.Writer) error {
	b := k.Simulator.Board.Truth.Model.Board
	s := k.Sweep
	for _, p := range b.AllPins() {
		r, err := k.Simulator.Read(p, s.State.Polarity, netlist.Edits{})
		if err != nil {
			return err
		}
		s.Readings = append(s.Readings, references.PointReading{At: p, Name: b.PointName(p), Reading: r})
	}
	return s.Write(w)
}

// writeCase writes the case file, without the truth.
func (c *DemoCase) writeCase(w io.Writer) error {
	b := c.Simulator.Board.Truth.Model.Board
	var out strings.Builder
	m := c.Simulator.Meter.Declared
	fmt.Fprintf(&out, "open: {board: ../board.yaml, known: ../known, complaint: %q}\n", c.Complaint)
	fmt.Fprintf(&out, "meter: {name: %s, test_current: %s, open_voltage: %s, overload_above: %s, accuracy: %s, resolution: %s, source: %s}\n", m.Name,
		quantity.Format(m.TestCurrent, quantity.Ampere), quantity.Format(m.OpenVoltage, quantity.Volt), quantity.Format(m.Over, quantity.Volt),
		m.AccuracyText(), quantity.Format(m.Resolution, quantity.Volt), m.Source)
	for _, conn := range c.Sweep {
		out.WriteString("---\nread:\n")
		for _, p := range b.Pins(conn) {
			r, err := c.Simulator.Read(p, references.RedOnGround, netlist.Edits{})
			if err != nil {
				return err
			}
			fmt.Fprintf(&out, "  %s: %s\n", b.PointName(p), quantity.FormatReading(r))
		}
	}
	for _, x := range c.Extra {
		r := quantity.Reading{Overload: true, Unit: quantity.Volt}
		if !x.Missed {
			var err error
			if r, err = c.Simulator.Read(x.At, references.RedOnGround, netlist.Edits{}); err != nil {
				return err
			}
		}
		fmt.Fprintf(&out, "---\nread: {%s: %s}\n", x.Name, quantity.FormatReading(r))
	}
	if len(c.Looks) > 0 {
		var looks []string
		for _, id := range c.Looks {
			looks = append(looks, b.Parts[id].Name+": "+c.Simulator.Look(id).String())
		}
		fmt.Fprintf(&out, "---\ninspect: {%s}\n", strings.Join(looks, ", "))
	}
	_, err := io.WriteString(w, out.String())
	return err
}
