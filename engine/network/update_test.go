package network_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// TestUpdate holds single faults laid beside a reading against the whole board read with the fault, with junctions
// as drawn and drawn from their priors; and what ExitShift says of those that it lets go.
func TestUpdate(t *testing.T) {
	for name, b := range boards(t) {
		m, nominal := nominal(b)
		loci := fault.Loci(m, fault.DefaultPriors(), nominal)
		w, whole := workspaces(m)
		base := network.NewWorkspace(m)
		r := rand.New(rand.NewPCG(31, 7))
		var asked, laid, let int
		worst, worstLet := 0.0, 0.0
		for _, pt := range pins(b) {
			v := nominal
			if r.IntN(2) == 0 {
				v = drawn(m, r)
			}
			for _, p := range probes(m, pt, oneMilliampere) {
				good, err := w.Read(p, &network.State{}, v)
				if err != nil {
					t.Fatal(err)
				}
				w.Hold()
				if _, err := base.Read(p, &network.State{}, v); err != nil {
					t.Fatal(err)
				}
				base.Note()
				for range 200 {
					l := &loci[r.IntN(len(loci))]
					st, what := faulty(b, []fault.Locus{*l}, 1, r)
					read := func(s *network.Workspace, st *network.State) float64 {
						x, err := s.Read(p, st, v)
						if err != nil {
							t.Fatal(err)
						}
						return math.Min(x.Volts, p.Meter.Open)
					}
					ch := &st.Changes[0]
					if ch.Kind == network.AddPath {
						_, far := base.VoltsAt(ch.B, &network.State{})
						if shift := base.ExitShift(ch.A, ch.B.Net, &network.State{}, v); !far && shift < 1e-4 && !good.Over {
							let++
							worstLet = math.Max(worstLet, math.Abs(read(whole, &st)-read(whole, &network.State{}))-shift)
						}
					}
					if !l.Touches(base, &network.State{}, v) {
						continue
					}
					x, ok, err := w.Update(&st, v, false)
					if err != nil {
						t.Fatal(err)
					}
					asked++
					if !ok {
						continue
					}
					laid++
					if d := math.Abs(math.Min(x.Volts, p.Meter.Open) - read(w.Spare(), &st)); d > worst {
						worst = d
						if d > 2e-5 {
							t.Errorf("%s at %s with%s: %.6f V beside, %.6f V read", name, b.PointName(pt), what, x.Volts, read(w.Spare(), &st))
						}
					}
				}
			}
		}
		t.Logf("%s: %d of %d beside, worst %.2g mV; %d let go, worst %.2g mV", name, laid, asked, worst*1e3, let, worstLet*1e3)
		if worstLet > prunedGap {
			t.Errorf("%s: %.3g mV let go; want %.2g mV", name, worstLet*1e3, prunedGap*1e3)
		}
		if laid < asked/3 || let == 0 {
			t.Errorf("%s: only %d of %d beside, %d let go", name, laid, asked, let)
		}
	}
}

// TestEffect: a change and its effect read alike, wherever the leads are.
func TestEffect(t *testing.T) {
	for name, b := range boards(t) {
		m, v := nominal(b)
		w := network.NewWorkspace(m)
		r := rand.New(rand.NewPCG(41, 7))
		moved, worst := 0, 0.0
		for _, l := range fault.Loci(m, fault.DefaultPriors(), v) {
			st, what := faulty(b, []fault.Locus{l}, 1, r)
			points := pins(b)
			pt := points[r.IntN(len(points))]
			if l.Part != netlist.None { // right on the part
				pt = b.TerminalPoint(netlist.TerminalRef{Part: l.Part, Terminal: int32(r.IntN(len(b.Parts[l.Part].Terminals)))})
			}
			for _, p := range probes(m, pt, oneMilliampere) {
				effect := m.Effect(st.Changes[0], netlist.Edits{}, p)
				want, err := w.Read(p, &st, v)
				if err != nil {
					t.Fatal(err)
				}
				got, err := w.Read(p, &network.State{Changes: []network.Change{effect}}, v)
				if err != nil {
					t.Fatal(err)
				}
				if effect.Kind != st.Changes[0].Kind {
					moved++
				}
				if d := math.Abs(got.Volts - want.Volts); d > 1e-6 {
					t.Errorf("%s at %s with%s: %.7f V, its effect %.7f V", name, b.PointName(pt), what, want.Volts, got.Volts)
				} else {
					worst = math.Max(worst, d)
				}
			}
		}
		t.Logf("%s: %d joints as cuts, worst %.2g mV", name, moved, worst*1e3)
		if moved == 0 {
			t.Errorf("%s: no joint has the effect of a cut", name)
		}
	}
}

// TestHeldUntilRead: what was held is gone with the next circuit.
func TestHeldUntilRead(t *testing.T) {
	x := newBench(t, line)
	p := network.Probe{Plus: x.m.GroundPlace(), Minus: x.place("J1.1"), Meter: oneMilliampere}
	st := network.State{Changes: []network.Change{{Kind: network.AddPath, A: x.place("J1.1"), B: x.m.GroundPlace(), Owner: netlist.None, Ohms: 100}}}
	if _, err := x.w.Read(p, &network.State{}, x.v); err != nil {
		t.Fatal(err)
	}
	if _, ok, _ := x.w.Update(&st, x.v, false); ok {
		t.Error("laid beside a reading that was not held")
	}
	x.w.Hold()
	if r, ok, err := x.w.Update(&st, x.v, false); !ok || err != nil || math.Abs(r.Volts-0.1) > 5e-3 {
		t.Errorf("100 ohm beside the line: %+v %v %v, want a little less than 0.1 V", r, ok, err)
	}
	if err := x.w.Build(p, &network.State{}, x.v); err != nil {
		t.Fatal(err)
	}
	if _, ok, _ := x.w.Update(&st, x.v, false); ok {
		t.Error("laid beside a reading whose circuit is gone")
	}
}

// TestVisit reads every pin of the boards again and again with other junctions, one of
// them gone at last: as a workspace reads them that comes for the first time, but for
// the faint leaks that either left out.
func TestVisit(t *testing.T) {
	for name, b := range boards(t) {
		m, v := nominal(b)
		r := rand.New(rand.NewPCG(5, 5))
		w, fresh := network.NewWorkspace(m), network.NewWorkspace(m)
		at := pins(b)
		visits := make([]network.Visit, 2*len(at))
		for round := range 4 {
			for i, pt := range at {
				for k, p := range probes(m, pt, oneMilliampere) {
					got, err := w.Visit(&visits[2*i+k], p, v)
					if err != nil {
						t.Fatal(err)
					}
					slopes := map[int32]float64{}
					w.Sensitivities(func(e int32, s, _ float64) { slopes[e] = s })
					w.Leave(&visits[2*i+k], i > 0)
					want, err := fresh.Read(p, &network.State{}, v)
					if err != nil {
						t.Fatal(err)
					}
					if got.Over != want.Over || math.Abs(got.Volts-want.Volts) > 1e-5 {
						t.Errorf("%s, %s, round %d: %.10f V, want %.10f V", name, b.PointName(pt), round, got.Volts, want.Volts)
					}
					fresh.Sensitivities(func(e int32, s, _ float64) {
						if math.Abs(slopes[e]-s) > 1e-4 {
							t.Errorf("%s, %s, round %d: %s counts %.5f, want %.5f", name, b.PointName(pt), round, m.Describe(e), slopes[e], s)
						}
					})
				}
			}
			for e := range v.Junctions {
				v.Junctions[e].Drop += 0.02 * r.NormFloat64()
				v.Junctions[e].Ideality = 1 + r.Float64()/2
				if round == 2 && r.IntN(10) == 0 {
					v.Junctions[e].Drop = math.Inf(1)
				}
			}
			v.Settle()
		}
	}
}

// TestBrokenRail: a line beyond a break of the rail that it hangs from feeds the pin of an
// IC before the break, up to the IC's supply.
func TestBrokenRail(t *testing.T) {
	x := newBench(t, `
board: broken rail
revision: A
ground: GND
connectors: {J1: {pins: {1: V, 2: GND, 3: L}}}
nets: {V: {rail: 1.8 V, along: [U1.1, R1.1, J1.1]}}
parts:
  R1: {kind: resistor, value: 100, pins: [V, L]}
  U1: {kind: ic, pins: {1: V, 2: GND, 3: L}, supply: 1, ground: 2}
`)
	whole := network.NewWorkspace(x.m)
	whole.Scope = true
	for _, ohms := range []float64{10, 1000, math.Inf(1)} {
		st := network.State{Changes: []network.Change{{Kind: network.Split, Net: x.place("J1.1").Net, After: 0, Owner: netlist.None, Ohms: ohms}}}
		p := network.Probe{Plus: x.place("J1.1"), Minus: x.m.GroundPlace(), Meter: oneMilliampere}
		got, err := x.w.Read(p, &st, x.v)
		if err != nil {
			t.Fatal(err)
		}
		want, err := whole.Read(p, &st, x.v)
		if err != nil || math.Abs(got.Volts-want.Volts) > prunedGap {
			t.Errorf("break of %v ohm: %.3f V, want %.3f V (%v)", ohms, got.Volts, want.Volts, err)
		}
	}
}
