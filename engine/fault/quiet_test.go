package fault

import (
	"math"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// A complaint that concerns one or two places says nothing of sets of more: what is left of
// their sums by rounding would make them likelier than anything.
func TestFewConcerned(t *testing.T) {
	b, err := netlist.Load("../../testdata/boards/sensor12.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	s := &search{p: DefaultPriors()}
	loci := Loci(m, s.p, m.Nominal())
	for i := range loci {
		for k := range i + 1 {
			s.concerned = make([]bool, len(loci))
			s.concerned[i], s.concerned[k] = true, true
			factors := s.complaint(loci)
			if i == k && factors[2] != 0 || factors[3] != 0 || factors[1] == 0 {
				t.Fatalf("places %d and %d: sets of one, two and three have factors of %.3g", i, k, factors[1:])
			}
		}
	}
}

// A fault that the complaint does not concern is no quiet one, whether or not a reading was
// odd enough to look at it.
func TestQuietElsewhere(t *testing.T) {
	d := newRig(t, pocket)
	obs := d.observations()
	for i := range obs {
		if d.b.Nets[obs[i].Spot.Net].Name == "B" {
			obs[i].Volts += 0.02
		}
	}
	_, a := d.probe("J1.1", references.RedOnGround)
	s := &search{m: d.m, p: d.p, ph: d.physics(), obs: obs, pool: network.NewPool(d.m), words: 1, ev: Evidence{Concerned: []netlist.NetID{a.Net}}}
	touched, err := s.findCandidates()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.tabulate(); err != nil {
		t.Fatal(err)
	}
	if err := s.silence(touched); err != nil {
		t.Fatal(err)
	}
	if len(s.cands) == 0 || len(s.quiets) == 0 {
		t.Fatalf("%d candidates and %d quiet faults", len(s.cands), len(s.quiets))
	}
	concerned := map[*Locus]bool{}
	for l := range s.result.Loci {
		concerned[&s.result.Loci[l]] = s.concerned[l]
	}
	for _, q := range s.quiets {
		if !concerned[q.locus] {
			t.Errorf("%s is quiet, with odds of %.3g", d.place(q.locus), math.Exp(q.total))
		}
	}
}
