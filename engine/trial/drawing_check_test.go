package trial

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

var drawnBoards = []string{"../../testdata/boards/sensor12.yaml", "../../testdata/demo/board.yaml", "../../testdata/boards/dock60.yaml"}

func loadBoard(t testing.TB, path string) *netlist.Board {
	t.Helper()
	b, err := netlist.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Over many drawings the stated shares are left out and written wrongly, every drawing
// is a board file without a problem, and the same seed gives the same one.
func TestDrawingShares(t *testing.T) {
	const drawings = 60
	var parts, partsGone, pins, pinsGone, valued, wrong float64
	factors := map[float64]int{}
	for _, path := range drawnBoards {
		truth := loadBoard(t, path)
		for seed := range uint64(drawings) {
			d, err := newDrawing(truth, seed)
			if err != nil {
				t.Fatalf("%s, seed %d: %v", path, seed, err)
			}
			if seed == 0 {
				one, err := drawnText(truth, seed)
				again, other := drawnText(truth, seed)
				if err != nil || other != nil || !bytes.Equal(one, again) {
					t.Errorf("%s: one seed gives two drawings (%v)", path, err)
				}
			}
			chips := 0
			for p := range truth.Parts {
				tp := &truth.Parts[p]
				id, err := d.Board.PartByName(tp.Name)
				drawn := err == nil
				switch tp.Kind {
				case netlist.IC, netlist.Module:
					if !drawn {
						chips++
						continue
					}
					pins += float64(len(tp.Terminals))
					pinsGone += float64(len(tp.Terminals) - len(d.Board.Parts[id].Terminals))
				case netlist.Capacitor, netlist.Diode, netlist.TVS:
					if parts++; !drawn {
						partsGone++
					}
				default:
					if !drawn {
						t.Errorf("%s, seed %d: %s %s is left out", path, seed, tp.Kind, tp.Name)
					}
				}
				if !drawn {
					continue
				}
				if v, _ := stated(tp); !math.IsNaN(v) {
					valued++
					if w, _ := stated(&d.Board.Parts[id]); math.Abs(w/v-1) > 0.01 {
						wrong++
						for _, f := range wrongFactors {
							if math.Abs(w/v/f-1) < 0.01 {
								factors[f]++
							}
						}
					}
				}
			}
			if chips < undrawnICs {
				t.Errorf("%s, seed %d: every IC is drawn", path, seed)
			}
		}
	}
	for _, c := range []struct {
		name       string
		hits, n, p float64
	}{{"parts left out", partsGone, parts, undrawnParts}, {"pins left out", pinsGone, pins, undrawnPins}, {"wrong values", wrong, valued, wrongValues}} {
		// four standard deviations of a binomial
		if room := 4 * math.Sqrt(c.p*(1-c.p)/c.n); math.Abs(c.hits/c.n-c.p) > room {
			t.Errorf("%s: %.4f of %.0f, want %.2f within %.4f", c.name, c.hits/c.n, c.n, c.p, room)
		}
	}
	sum := 0
	for _, f := range wrongFactors {
		sum += factors[f]
		if share := float64(factors[f]) / wrong; math.Abs(share-0.25) > 4*math.Sqrt(0.25*0.75/wrong) {
			t.Errorf("a wrong value is off by %g in %.3f of cases, want 0.25", f, share)
		}
	}
	if float64(sum) != wrong {
		t.Errorf("%d of %.0f wrong values are off by a stated factor", sum, wrong)
	}
}

// Every point and edit of a drawing is found again on the board.
func TestDrawingMeansTheBoard(t *testing.T) {
	for _, path := range drawnBoards {
		truth := loadBoard(t, path)
		for seed := range uint64(5) {
			d, err := newDrawing(truth, seed)
			if err != nil {
				t.Fatal(err)
			}
			for _, name := range d.Board.Points() {
				p, err := d.Board.Point(name)
				if err != nil {
					t.Fatal(err)
				}
				q, err := d.Point(p)
				if err != nil || truth.PointName(q) != name {
					t.Fatalf("%s: %s is %s on the board (%v)", path, name, truth.PointName(q), err)
				}
				if (p.Net == netlist.None) != (q.Net == netlist.None) || p.Net != netlist.None && d.Board.Nets[p.Net].Name != truth.Nets[q.Net].Name {
					t.Errorf("%s: %s lies on another net", path, name)
				}
			}
			last := netlist.PartID(len(d.Board.Parts) - 1)
			e := d.Edits(netlist.Edits{}.Replace(0).Remove(last).Repair(netlist.ResolderedTerminal(netlist.TerminalRef{Part: last, Terminal: 0})))
			p, err := truth.PartByName(d.Board.Parts[0].Name)
			if err != nil {
				t.Fatal(err)
			}
			z, err := truth.Point(d.Board.PointName(d.Board.TerminalPoint(netlist.TerminalRef{Part: last, Terminal: 0})))
			if err != nil {
				t.Fatal(err)
			}
			want := netlist.Edits{}.Replace(p).Remove(z.Terminal.Part).Repair(netlist.ResolderedTerminal(z.Terminal))
			if !e.Equal(want) {
				t.Errorf("%s, seed %d: edits are %s, want %s", path, seed, e.Key(), want.Key())
			}
		}
	}
}

const shortBoard = `board: Short S1
connectors: {J1: {pins: {1: GND, 2: A}}}
nets: {A: {along: [J1.2, C1.1, R1.1]}}
parts:
  C1: {kind: capacitor, value: 1n, pins: [A, GND]}
  R1: {kind: resistor, value: 100R, pins: [A, B]}
  U1: {kind: ic, pins: {1: B, 2: GND, 3: V}, supply: 3}
  U2: {kind: ic, pins: {1: B, 2: GND, 3: V}}
`

// A trace that the drawing knows less of than the board has: a break anywhere in it
// goes by its name and is repaired with it. What is not drawn goes by its net.
func TestDrawingNames(t *testing.T) {
	path := t.TempDir() + "/board.yaml"
	if err := os.WriteFile(path, []byte(shortBoard), 0o666); err != nil {
		t.Fatal(err)
	}
	truth := loadBoard(t, path)
	m := network.New(truth)
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	var d *recorded.Drawing
	for seed := range uint64(500) {
		var err error
		if d, err = newDrawing(truth, seed); err != nil {
			t.Fatal(err)
		}
		if _, err := d.Board.PartByName("C1"); err != nil {
			if _, err := d.Board.Point("U2.1"); err != nil {
				break // C1 and, with U2 or alone, its pin 1 are left out
			}
		}
	}
	for _, c := range []struct {
		place string
		mode  fault.Mode
		names []string
		drawn bool
	}{
		{"trace J1.2 to C1.1", fault.BrokenTrace, []string{"J1.2 to R1.1"}, true},
		{"trace C1.1 to R1.1", fault.BrokenTrace, []string{"J1.2 to R1.1"}, true},
		{"C1 1-2", fault.Shorted, []string{"C1", "unknown path at A", "unknown break at A"}, false},
		{"R1 through 1-2", fault.Open, []string{"R1"}, true},
		{"pin J1.2", fault.OpenJoint, []string{"J1.2"}, true},
	} {
		f, err := practice.FindFault(m, loci, c.place, c.mode, 1)
		if err != nil {
			t.Fatal(err)
		}
		names, drawn := namesOf(d, m, &f)
		if diff := cmp.Diff(c.names, names); diff != "" || drawn != c.drawn {
			t.Errorf("%s %s: drawn %v, names %s", c.place, c.mode, drawn, diff)
		}
	}
	f, err := practice.FindFault(m, loci, "U2 1-ground", fault.Leaky, 100)
	if err != nil {
		t.Fatal(err)
	}
	if names, drawn := namesOf(d, m, &f); drawn || len(names) < 2 || names[len(names)-2] != "unknown path at B" {
		t.Errorf("U2.1, which is not drawn: drawn %v, names %v", drawn, names)
	}
	a, err := d.Board.NetByName("A")
	if err != nil {
		t.Fatal(err)
	}
	e := d.Edits(netlist.Edits{}.Repair(netlist.JoinedTrace(a, 0)))
	if len(e.Repairs()) != 2 {
		t.Errorf("joining J1.2 to R1.1 joins %d traces of the board, want both", len(e.Repairs()))
	}
}

// The hidden board of a trial does not depend on its drawing, and the mistakes in the
// good sweeps are one swap and one digit.
func TestDrawnTrial(t *testing.T) {
	m := network.New(loadBoard(t, drawnBoards[0]))
	missed, reads := 0, 0
	for seed := uint64(1); seed <= 40; seed++ {
		plain, err := newTrial(m, seed, showing(1), nil, false)
		if err != nil {
			t.Fatal(err)
		}
		d, err := newDrawing(m.Board, seed)
		if err != nil {
			t.Fatal(err)
		}
		tr, err := newTrial(m, seed, showing(1), d, false)
		if err != nil {
			t.Fatal(err)
		}
		if practice.Place(m, &tr.Faults[0].Locus) != practice.Place(m, &plain.Faults[0].Locus) || tr.Faults[0].Ohms != plain.Faults[0].Ohms {
			t.Errorf("seed %d: the drawing changes the fault", seed)
		}
		differing := map[int]int{}
		for k := range tr.Library {
			n := 0
			for i := range tr.Library[k].Readings {
				if tr.Library[k].Readings[i].Reading != plain.Library[k].Readings[i].Reading {
					n++
				}
			}
			differing[n]++
		}
		// two pins may read the same, so that their swap shows in none
		if differing[0] < 1 || differing[1] != 1 || differing[0]+differing[2] != 2 {
			t.Errorf("seed %d: sweeps by the number of wrong readings: %v", seed, differing)
		}
		for i := range tr.Readings {
			if reads++; tr.Readings[i].Reading != plain.Readings[i].Reading {
				missed++
			}
		}
		b := tr.Simulator()
		for i := range tr.Readings[:3] { // most probes land
			if _, err := b.Read(tr.Readings[i].At, references.RedOnGround, netlist.Edits{}); err != nil {
				t.Error(err)
			}
		}
	}
	// a probe beside the pad may read the same as on it
	if share := float64(missed) / float64(reads); share < 0.005 || share > recorded.MissedPads+4*math.Sqrt(recorded.MissedPads/float64(reads)) {
		t.Errorf("%d of %d readings differ, want up to %.2f", missed, reads, recorded.MissedPads)
	}
}

// TestRedraw draws recorded trials again: the same seed the same board, another seed
// another one, with as many faults and readings, and faults that show.
func TestRedraw(t *testing.T) {
	trials, err := recorded.LoadTrials(filepath.Join("..", "..", "testdata", "trials", "sensor12.txt"))
	if err != nil {
		t.Fatal(err)
	}
	differing := 0
	for i := 0; i < len(trials); i += 20 {
		tr := &trials[i]
		var volts [3]string
		for k, seed := range []uint64{1, 1, 2} {
			u, err := redrawn(tr, seed)
			if err != nil {
				t.Fatal(err)
			}
			if len(u.Faults) != len(tr.Faults) || len(u.Readings) != len(tr.Readings) || len(u.Library) != len(tr.Library) {
				t.Errorf("trial %d has %d faults and %d readings; drawn again %d and %d", tr.Number, len(tr.Faults), len(tr.Readings), len(u.Faults), len(u.Readings))
			}
			for k, r := range u.Readings {
				if r.At != tr.Readings[k].At || r.Polarity != tr.Readings[k].Polarity {
					t.Errorf("trial %d: reading %d is taken elsewhere", tr.Number, k)
				}
			}
			for _, r := range u.Readings {
				volts[k] += fmt.Sprint(r.Reading)
			}
		}
		if volts[0] != volts[1] {
			t.Errorf("trial %d: one seed gives two boards", tr.Number)
		}
		if volts[0] != volts[2] {
			differing++
		}
	}
	if differing == 0 {
		t.Error("no seed gives another board")
	}
}
