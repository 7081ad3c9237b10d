package trial

import (
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestPlausibleFaults: no sweep of a board with faults is taken for one with the
// leads off or of another board: one fault and two drawn at random, and every rail
// shorted, alone and with each other rail. Half of the sweeps leave out ground and
// the pins that are not connected, as people do.
func TestPlausibleFaults(t *testing.T) {
	for _, file := range []string{"demo/board.yaml", "boards/dock60.yaml", "boards/sensor12.yaml", "lessons/board.yaml"} {
		t.Run(strings.ReplaceAll(file, "/", "-"), func(t *testing.T) {
			b, err := netlist.Load(filepath.Join("..", "..", "testdata", filepath.FromSlash(file)))
			if err != nil {
				t.Fatal(err)
			}
			m := network.New(b)
			meter := practice.NewMeter(practice.Meters()[0], 5)
			truth := practice.NewTruth(m, 41)
			e, lib := readGood(t, truth, meter)
			loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
			deck := practice.NewDeck(loci, func(*fault.Locus, fault.Mode) bool { return true })
			dice := practice.Random(12, file)
			var cases [][]practice.Fault
			for range 150 {
				one, other := deck.Draw(dice), deck.Draw(dice)
				cases = append(cases, []practice.Fault{one}, []practice.Fault{one, other})
			}
			cases = append(cases, railsShorted(b, loci, dice)...)
			for n, x := range parallel(t, len(cases), func(n int) (*diagnose.Implausible, error) {
				return implausible(e, lib, recorded.NewSimulator(truth.Sample(uint64(500+n), 24).Faulted(cases[n]...), meter), n%2 == 0)
			}) {
				if x == nil {
					continue
				}
				var names []string
				for _, f := range cases[n] {
					names = append(names, practice.Place(m, &f.Locus)+" "+f.Mode.String())
				}
				t.Errorf("%s: %s: %s", strings.Join(names, " and "), x.What, x.Why)
			}
			t.Logf("%d boards", len(cases))
		})
	}
}

// railsShorted gives for each rail, and for each two of them, a part that shorts it.
func railsShorted(b *netlist.Board, loci []fault.Locus, dice *rand.Rand) (cases [][]practice.Fault) {
	var shorts []practice.Fault
	done := map[netlist.NetID]bool{}
	for i := range loci {
		l := &loci[i]
		if l.Part == netlist.None || l.Change.Kind != network.AddPath || b.Parts[l.Part].Kind != netlist.Capacitor {
			continue
		}
		for _, term := range b.Parts[l.Part].Terminals {
			if term.Net != netlist.None && b.Nets[term.Net].Rail && term.Net != b.Ground && !done[term.Net] {
				done[term.Net] = true
				shorts = append(shorts, practice.Fault{Locus: *l, Mode: fault.Shorted, Ohms: 0.2 + dice.Float64()})
			}
		}
	}
	for i := range shorts {
		cases = append(cases, shorts[i:i+1])
		for k := range i {
			cases = append(cases, []practice.Fault{shorts[k], shorts[i]})
		}
	}
	return cases
}

// implausible sweeps every connector of a board and asks whether that can be.
func implausible(e *engine.Engine, lib *references.Library, bench *recorded.Simulator, whole bool) (*diagnose.Implausible, error) {
	b := e.Board
	declared := bench.Meter.Declared
	w := Resume(&journal.Case{Board: b, Library: lib, Meter: declared}, e, bench)
	w.event(journal.Event{Kind: journal.KindOpen, Meter: &declared})
	for _, p := range b.AllPins() {
		if !whole && (p.Net == netlist.None || p.Net == b.Ground) {
			continue
		}
		if _, err := w.read(b.PointName(p), references.RedOnGround); err != nil {
			return nil, err
		}
	}
	list, err := e.Compare(w.Case)
	if err != nil {
		return nil, err
	}
	return e.Implausible(w.Case, list)
}
