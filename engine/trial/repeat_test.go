package trial

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Nobody is sent to one point a third time while the board lies as it does: a
// second reading tells a slipped probe, a third tells nothing. Every series part
// of the course board is opened in turn, on several board types.
func TestNoThirdReading(t *testing.T) {
	b, err := netlist.Load(filepath.Join("..", "..", "testdata", "lessons", "board.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	meter := practice.NewMeter(practice.Meters()[0], 5)
	for seed := range uint64(4) {
		truth := practice.NewTruth(m, 11+seed)
		e, lib := readGood(t, truth, meter)
		for _, part := range []string{"R1", "R2", "R3", "R4", "R7", "R9", "R10", "FB1"} {
			f, err := practice.FindFault(m, loci, part+" through 1-2", fault.Open, math.Inf(1))
			if err != nil {
				t.Fatal(err)
			}
			noThird(t, fmt.Sprintf("%s open, type %d", part, seed), e, lib, recorded.NewSimulator(truth.Sample(7, 24).Faulted(f), meter))
		}
	}
}

// readGood takes sweeps of three good boards of a type.
func readGood(t *testing.T, truth *practice.Truth, meter practice.Meter) (*engine.Engine, *references.Library) {
	t.Helper()
	var sweeps []*references.Sweep
	for s := range uint64(3) {
		sweep, err := truth.SweepGood(100+s, meter, 23)
		if err != nil {
			t.Fatal(err)
		}
		sweeps = append(sweeps, sweep)
	}
	b := truth.Model.Board
	lib := references.NewLibrary(b, sweeps)
	e, err := engine.New(b, lib, engine.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return e, lib
}

func noThird(t *testing.T, name string, e *engine.Engine, lib *references.Library, bench *recorded.Simulator) {
	b := e.Board
	w := Resume(&journal.Case{Board: b, Library: lib, Meter: practice.Meters()[0]}, e, bench)
	w.event(journal.Event{Kind: journal.KindOpen, Meter: &w.Case.Meter})
	for _, pin := range b.Connectors[0].Pins {
		if _, err := w.read("J1."+pin.Name, references.RedOnGround); err != nil {
			t.Fatal(err)
		}
	}
	for range 20 {
		d, err := e.Diagnose(w.Case)
		if err != nil {
			t.Fatal(err)
		}
		if len(d.Next) == 0 || w.Repaired() {
			return
		}
		if err := w.Do(&d.Next[0]); err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
	}
}
