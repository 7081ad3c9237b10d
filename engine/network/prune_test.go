package network_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

var oneMilliampere = network.Drive{Current: 1e-3, Open: 3, Over: 2}

// probes puts the leads on a point and ground, both ways round.
func probes(m *network.Model, at netlist.Point, d network.Drive) [2]network.Probe {
	return [2]network.Probe{
		{Plus: m.GroundPlace(), Minus: m.PlaceOf(at), Meter: d},
		{Plus: m.PlaceOf(at), Minus: m.GroundPlace(), Meter: d},
	}
}

// pins lists the connector pins of a board, one of each net.
func pins(b *netlist.Board) []netlist.Point {
	var out []netlist.Point
	seen := map[netlist.NetID]bool{b.Ground: true}
	for c := range b.Connectors {
		for i, pin := range b.Connectors[c].Pins {
			if pin.Net == netlist.None || !seen[pin.Net] {
				seen[pin.Net] = true
				out = append(out, b.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
			}
		}
	}
	return out
}

// gap reads a board by the pruned walk and by the whole one, and gives the
// difference in volts of what the display tells.
func gap(t testing.TB, pruned, whole *network.Workspace, p network.Probe, st *network.State, v *network.Values) float64 {
	t.Helper()
	a, err := pruned.Read(p, st, v)
	if err != nil {
		t.Fatal(err)
	}
	b, err := whole.Read(p, st, v)
	if err != nil {
		t.Fatal(err)
	}
	if a.Over && b.Over {
		return 0
	}
	return math.Abs(math.Min(a.Volts, p.Meter.Over) - math.Min(b.Volts, p.Meter.Over))
}

func workspaces(m *network.Model) (pruned, whole *network.Workspace) {
	pruned, whole = network.NewWorkspace(m), network.NewWorkspace(m)
	whole.Scope = true
	return pruned, whole
}

// TestPruning holds the walk that leaves out what carries no current against the
// whole board, at every pin in both polarities.
func TestPruning(t *testing.T) {
	for name, b := range boards(t) {
		m, v := nominal(b)
		pruned, whole := workspaces(m)
		worst, where := 0.0, ""
		for _, at := range pins(b) {
			for _, p := range probes(m, at, oneMilliampere) {
				if g := gap(t, pruned, whole, p, &network.State{}, v); g > worst {
					worst, where = g, b.PointName(at)
				}
			}
		}
		t.Logf("%s: worst %.4f mV at %s", name, worst*1e3, where)
		if worst > prunedGap {
			t.Errorf("%s: %s reads %.3f mV off", name, where, worst*1e3)
		}
	}
}

// prunedGap is the most in volts that the pruned walk may be off.
const prunedGap = 0.1e-3

// TestPruningFaulty does the same for 200 random faults a board, singly and in
// pairs: with junctions as drawn, and with junctions drawn from their priors,
// where a supply may drop as much as two pins in series and the pins that were
// let go draw a share.
func TestPruningFaulty(t *testing.T) {
	for name, b := range boards(t) {
		for _, tt := range []struct {
			about string
			most  float64 // V
			draw  bool
		}{
			{"as drawn", prunedGap, false},
			{"from priors", 10e-3, true},
		} {
			t.Run(name+" "+tt.about, func(t *testing.T) {
				r := rand.New(rand.NewPCG(1, 2))
				m, v := nominal(b)
				loci := fault.Loci(m, fault.DefaultPriors(), v)
				pruned, whole := workspaces(m)
				at := pins(b)
				worst, where := 0.0, ""
				for n := 0; n < 200; n++ {
					if tt.draw && n%10 == 0 {
						v = drawn(m, r)
					}
					st, what := faulty(b, loci, 1+n%2, r)
					for k := 0; k < 10; k++ {
						pt := at[r.IntN(len(at))]
						for pol, p := range probes(m, pt, oneMilliampere) {
							if g := gap(t, pruned, whole, p, &st, v); g > worst {
								worst, where = g, b.PointName(pt)+[2]string{" red", " black"}[pol]+" on ground with"+what
							}
						}
					}
				}
				t.Logf("worst %.4f mV at %s", worst*1e3, where)
				if worst > tt.most {
					t.Errorf("%.3f mV off at %s, want %.1f at most", worst*1e3, where, tt.most*1e3)
				}
			})
		}
	}
}

// faulty draws a board with some random faults.
func faulty(b *netlist.Board, loci []fault.Locus, n int, r *rand.Rand) (st network.State, what string) {
	for range n {
		l := &loci[r.IntN(len(loci))]
		mode := l.Modes[r.IntN(len(l.Modes))]
		ohms := mode.Lo
		if !math.IsInf(ohms, 1) {
			ohms *= math.Pow(mode.Hi/mode.Lo, r.Float64())
		}
		st.Changes = append(st.Changes, l.At(ohms))
		what += " " + l.Name(b) + " " + mode.Mode.String()
	}
	return st, what
}

// drawn draws every junction from its prior, but for those that would leak
// microamperes backwards.
func drawn(m *network.Model, r *rand.Rand) *network.Values {
	v := m.Nominal()
	for e := range v.Junctions {
		if m.Elements[e].Class != network.Junction || math.IsInf(v.Junctions[e].Drop, 1) {
			continue
		}
		p := m.Elements[e].Origin.Prior()
		v.Junctions[e] = network.JunctionValue{
			Drop:     math.Max(0.35, p.Drop.Mean+p.Drop.SD*r.NormFloat64()),
			Ideality: math.Min(1.7, math.Max(1, p.Ideality.Mean+p.Ideality.SD*r.NormFloat64())),
			Series:   math.Max(0, p.Series.Mean+p.Series.SD*r.NormFloat64()),
		}
	}
	v.Settle()
	return v
}
