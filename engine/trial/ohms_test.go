package trial

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
)

// ohmsTaken are resistances that TestOhms reads on one good board.
const ohmsTaken = 24

// TestOhms reads resistances on good boards at places that no good board was read at: to
// ground, across a series part, and between two nets, where the meter's voltage is about what
// the junctions between them drop. Of boards that are as they are drawn, at most one reading
// in a hundred is out of range. What drawings have wrong makes more of them so, which
// OutliersOhms is for.
func TestOhms(t *testing.T) {
	if testing.Short() {
		t.Skip("reads a hundred boards")
	}
	kinds := []string{"to ground", "across a part", "between nets"}
	for _, byPeople := range []bool{false, true} {
		zscores := make([][]float64, len(kinds))
		eachBoard(t, func(k int, name string, m *network.Model) {
			if name == "dock60" {
				return
			}
			for _, list := range parallel(t, 25, func(i int) ([][]float64, error) { return ohms(m, uint64(700_000*(k+1)+i), byPeople) }) {
				for kind := range list {
					zscores[kind] = append(zscores[kind], list[kind]...)
				}
			}
		})
		for kind, list := range zscores {
			far, squares := 0, 0.0
			for _, z := range list {
				squares += math.Min(z*z, 25)
				if math.Abs(z) > 3.3 {
					far++
				}
			}
			rms := math.Sqrt(squares / float64(len(list)))
			t.Logf("drawn by people %v, %s: %d readings, %d out of range; standard deviations off: rms %.2f", byPeople, kinds[kind], len(list), far, rms)
			if !byPeople && (binomialTail(far, len(list), 0.01) < 0.01 || rms < 0.35 || rms > 1.1) {
				t.Errorf("fully drawn, %s: %d of %d out of range, goal 1 %%; rms %.2f, goal 0.35 to 1.1", kinds[kind], far, len(list), rms)
			}
			if byPeople && float64(far) > 3*fault.OutliersOhms*float64(len(list)) {
				t.Errorf("drawn by people, %s: %d of %d out of range, which is more than three times OutliersOhms", kinds[kind], far, len(list))
			}
		}
	}
}

// ohms gives how many standard deviations resistances of one good board are off, by kind.
func ohms(m *network.Model, seed uint64, byPeople bool) (out [][]float64, err error) {
	tr, err := openTrial(m, seed, showing(0), byPeople, false)
	if err != nil {
		return nil, err
	}
	sim, c, b, r := tr.Simulator(), tr.Case(tr.library), tr.Board(), practice.Random(seed, "ohms")
	var points []netlist.Point // one on each net
	for n := range b.Nets {
		points = append(points, b.PointsOn(netlist.NetID(n))[0])
	}
	var series []netlist.PartID
	for p := range b.Parts {
		if len(b.Parts[p].Terminals) == 2 && b.Parts[p].Kind.Class() == netlist.Series {
			series = append(series, netlist.PartID(p))
		}
	}
	out = make([][]float64, 3)
	for n := range ohmsTaken {
		from, to := points[r.IntN(len(points))], points[r.IntN(len(points))]
		switch n % 3 {
		case 0:
			to = points[b.Ground]
		case 1:
			p := series[r.IntN(len(series))]
			from, to = b.TerminalPoint(netlist.TerminalRef{Part: p}), b.TerminalPoint(netlist.TerminalRef{Part: p, Terminal: 1})
		}
		if from.Net == to.Net || from.Net == b.Ground {
			continue
		}
		shown, err := sim.Take(practice.Take{At: from, To: &to, Ohms: true, Occasion: fmt.Sprint(n)})
		if err != nil {
			return nil, err
		}
		read := *c
		read.Events = append(slices.Clone(c.Events), journal.Event{Kind: journal.KindRead, Number: len(c.Events) + 1,
			Readings: []journal.Read{{At: from, Name: b.PointName(from), To: &to, ToName: b.PointName(to), Reading: shown}}})
		read.All = read.Events
		list, err := tr.engine.Compare(&read)
		if err != nil {
			return nil, err
		}
		out[n%3] = append(out[n%3], list[len(list)-1].ZScore)
	}
	return out, nil
}
