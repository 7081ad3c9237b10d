package engine_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/references"
)

// A line to a leaded IC and one to a ball-grid IC; invented.
const joints = `
board: joints
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: L1, 3: L2, 4: V}}}
nets: {V: {rail: 1.8 V}}
parts:
  U1: {kind: ic, package: leaded, pins: {1: V, 2: GND, 3: L1}, supply: 1, ground: 2}
  U2: {kind: ic, package: ball-grid, pins: {A1: V, A2: GND, B1: L2}, supply: A1, ground: A2}
`

// stepOf gives a step on offer, nil for none.
func stepOf(d *repair.Diagnosis, do repair.Do, part string) *repair.Step {
	i := slices.IndexFunc(d.Next, func(s repair.Step) bool { return s.Do == do && s.Part == part })
	if i < 0 {
		return nil
	}
	return &d.Next[i]
}

// mode gives the probability of one mode of a suspect.
func mode(d *repair.Diagnosis, part, mode string) float64 {
	for _, x := range d.Suspects {
		if x.Part == part {
			return x.Modes[mode]
		}
	}
	return 0
}

// TestPress: an open line that closes while the IC is pressed has a bad joint, and one
// that does not more likely another fault. Nobody presses a second time.
func TestPress(t *testing.T) {
	for _, tt := range []struct{ part, at, fault string }{{"U1", "J1.2", "U1.3:open joint"}, {"U2", "J1.3", "U2.B1:open joint"}} {
		s := newShop(t, joints, 4)
		bad := s.faulty(netlist.Edits{}, tt.fault)
		swept := reads(s.sweep(references.RedOnGround, bad)...)
		before := s.diagnose(s.open(swept))
		step := stepOf(before, repair.DoPress, tt.part)
		if step == nil || step.At != tt.at || step.Seconds != 10 || len(step.Outcomes) != 2 {
			t.Fatalf("%s: press %+v in %v", tt.part, step, before.Next)
		}
		press := func(as network.State) *repair.Diagnosis {
			return s.diagnose(s.open(swept, journal.Event{Kind: journal.KindPress, Presses: []journal.Press{{Part: s.part(tt.part),
				Read: journal.Read{At: s.point(tt.at), Name: tt.at, Reading: s.show(tt.at, references.RedOnGround, as)}}}}))
		}
		closed, same := press(network.State{}), press(bad)
		joint := func(d *repair.Diagnosis) float64 { return mode(d, tt.part, "open joint") }
		// by Bayes' rule of 0.6 against 0.02, and 0.4 against 0.98
		if p, q := joint(before), joint(closed); q < p || q/(1-q) < 2*p/(1-p) {
			t.Errorf("%s: joint %.3f, closed under pressure %.3f", tt.part, p, q)
		}
		if p, q := joint(before), joint(same); q > 0.8*p {
			t.Errorf("%s: joint %.3f, the same under pressure %.3f", tt.part, p, q)
		}
		for _, d := range []*repair.Diagnosis{closed, same} {
			if s := stepOf(d, repair.DoPress, tt.part); s != nil {
				t.Errorf("%s is to be pressed again", tt.part)
			}
		}
	}
}

// TestGoodAtHand: a good board that reads as this one at the point out of range settles
// that the known-good value is wrong; without one at hand, it is not asked for.
func TestGoodAtHand(t *testing.T) {
	s := newShop(t, joints, 1)
	w := *s.lib.Sweeps[0]
	w.Readings = slices.Clone(w.Readings)
	for i := range w.Readings {
		if w.Readings[i].Name == "J1.2" {
			w.Readings[i].Reading.Value -= 0.15 // a typing error
		}
	}
	s.lib = references.NewLibrary(s.board, []*references.Sweep{&w})
	var err error
	if s.e, err = engine.New(s.board, s.lib, engine.Options{}); err != nil {
		t.Fatal(err)
	}
	swept := reads(s.sweep(references.RedOnGround, network.State{})...)
	c := s.open(swept)
	good := func(d *repair.Diagnosis) bool {
		return slices.ContainsFunc(d.Next, func(x repair.Step) bool { return x.Do == repair.DoGood && x.At == "J1.2" && x.Seconds == 20 })
	}
	if d := s.diagnose(c); good(d) || len(d.Abnormal) == 0 {
		t.Fatalf("without one at hand: good offered %v, out of range %d", good(d), len(d.Abnormal))
	}
	c.All[0].Open = &journal.Opening{AtHand: []string{journal.GoodBoard}}
	d := s.diagnose(c)
	if !good(d) {
		t.Fatalf("no reading of the good board at hand in %+v", d.Next)
	}
	read := journal.Read{At: s.point("J1.2"), Name: "J1.2", Reading: s.show("J1.2", references.RedOnGround, network.State{})}
	c = s.open(swept, journal.Event{Kind: journal.KindGood, Goods: []journal.Read{read}})
	c.All[0].Open = &journal.Opening{AtHand: []string{journal.GoodBoard}}
	c.Library = s.lib.With(journal.GoodSweep(c, []journal.Read{read}, references.DefaultMeter()))
	if s.e, err = s.e.Refit(c); err != nil {
		t.Fatal(err)
	}
	after := s.diagnose(c)
	if good(after) {
		t.Error("it is to be read again")
	}
	if p, q := blames(d, "U1"), blames(after, "U1"); q > 0.5*p {
		t.Errorf("U1 bad %.2f, with the good board read %.2f", p, q)
	}
}

// TestSwap: on a board that reads right, the known-good cable at hand is put on; where the
// complaint stays, the board is the likelier cause, and where it is gone nothing is left
// to do.
func TestSwap(t *testing.T) {
	s := newShop(t, joints, 4)
	swept := reads(s.sweep(references.RedOnGround, network.State{})...)
	at := func(hand []string, events ...journal.Event) *repair.Diagnosis {
		c := s.open(append([]journal.Event{swept}, events...)...)
		c.All[0].Open = &journal.Opening{AtHand: hand}
		return s.diagnose(c)
	}
	if d := at(nil); stepOf(d, repair.DoSwap, "J1") != nil {
		t.Fatalf("nothing at hand, but %+v", d.Next)
	}
	d := at([]string{"J1"})
	if x := stepOf(d, repair.DoSwap, "J1"); x == nil || x.Seconds != 300 {
		t.Fatalf("no swap in %+v", d.Next)
	}
	for _, works := range []bool{true, false} {
		d := at([]string{"J1"}, journal.Event{Kind: journal.KindSwap, Swaps: []journal.Swap{{Works: works}}})
		if stepOf(d, repair.DoSwap, "J1") != nil {
			t.Error("swapped again")
		}
	}
}

// TestLookAtPin: a corroded connector pin is likelier the open joint than one that looks
// clean, and nobody looks twice.
func TestLookAtPin(t *testing.T) {
	s := newShop(t, joints, 4)
	swept := reads(s.sweep(references.RedOnGround, s.faulty(netlist.Edits{}, "J1.2:open joint"))...)
	before := s.diagnose(s.open(swept))
	look := func(l journal.Look) *repair.Diagnosis {
		d := s.diagnose(s.open(swept, journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{{Part: netlist.None, Pin: s.point("J1.2").Pin, Look: l}}}))
		if stepOf(d, repair.DoInspect, "J1.2") != nil {
			t.Error("looked at twice")
		}
		return d
	}
	p, bad, clean := blames(before, "J1.2"), blames(look(journal.Corroded), "J1.2"), blames(look(journal.Clean), "J1.2")
	if bad < p || clean > p {
		t.Errorf("J1.2 %.3f, corroded %.3f, clean %.3f", p, bad, clean)
	}
}

// TestCleanAgain: leakage that is still there after its gap was cleaned is cleaned again
// and dried, at its own price.
func TestCleanAgain(t *testing.T) {
	s := newShop(t, joints, 4)
	leak := s.faulty(netlist.Edits{}, "J1.2 to J1.1:leakage between pins=200")
	swept := reads(s.sweep(references.RedOnGround, leak)...)
	place, err := s.board.Repair("J1.2-J1.1")
	if err != nil {
		t.Fatal(err)
	}
	step := func(events ...journal.Event) *repair.Step {
		d := s.diagnose(s.open(append([]journal.Event{swept}, events...)...))
		if i := slices.IndexFunc(d.Next, func(x repair.Step) bool { return x.Remedy == "clean" }); i >= 0 {
			return &d.Next[i]
		}
		return nil
	}
	if x := step(); x == nil || x.Part != "J1.2 to J1.1" || x.Seconds != 110 {
		t.Fatalf("first: %+v", x)
	}
	still := reads(s.sweep(references.RedOnGround, leak)...) // a lasting change of the circuit, whatever was cleaned
	if x := step(journal.Repaired(place), still); x == nil || x.Part != "J1.2 to J1.1" || x.Seconds != 320 {
		t.Errorf("cleaned once: %+v", x)
	}
	right := reads(s.sweep(references.RedOnGround, network.State{})...)
	if x := step(journal.Repaired(place), still, journal.Repaired(place), right); x != nil {
		t.Errorf("cleaned twice, all right: %+v", x)
	}
}

// Two matched lines behind resistors; invented.
const pairs = `
board: pairs
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: A, 3: B, 4: V}}}
nets: {V: {rail: 1.8 V}}
matched: [[L1, L2]]
test_points: {TP1: L1, TP2: L2}
parts:
  R1: {kind: resistor, value: 10k, pins: [A, L1]}
  R2: {kind: resistor, value: 10k, pins: [B, L2]}
  U1: {kind: ic, pins: {1: V, 2: GND, 3: L1, 4: L2}, supply: 1, ground: 2}
`

// TestMatchedPoint: where no good board was read, the same point of a matched line is
// worth reading, and once.
func TestMatchedPoint(t *testing.T) {
	s := newShop(t, pairs, 0)
	at := func(name string) *repair.Diagnosis {
		events := []journal.Event{reads(journal.Read{At: s.point("TP1"), Name: "TP1", Reading: s.show("TP1", references.RedOnGround, s.faulty(netlist.Edits{}, "U1.3:leaky=150"))})}
		if name != "" {
			events = append(events, reads(journal.Read{At: s.point(name), Name: name, Reading: s.show(name, references.RedOnGround, network.State{})}))
		}
		return s.diagnose(s.open(events...))
	}
	offered := func(d *repair.Diagnosis) (n int) {
		for _, x := range d.Next {
			if x.Do == repair.DoMeasure && x.At == "TP2" && x.Polarity == references.RedOnGround.String() {
				n++
			}
		}
		return n
	}
	if d := at(""); offered(d) != 1 {
		t.Errorf("TP2 is offered %d times in %+v", offered(d), d.Next)
	}
	if d := at("TP2"); offered(d) != 0 {
		t.Error("TP2 is to be read again")
	}
}

// TestLooksAlong: what nothing drawn explains is looked for along its net, once. A part found
// there is blamed as if it had been drawn; where nothing was found, somebody else goes on.
func TestLooksAlong(t *testing.T) {
	s := newShop(t, `
board: found
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: L1, 3: V}}}
nets: {V: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 1K, pins: [L1, M1]}
  U1: {kind: ic, pins: {1: V, 2: GND, 3: M1}, supply: 1, ground: 2}
  U2: {kind: ic, pins: {1: V, 2: GND}, supply: 1, ground: 2}
`, 4)
	rail, err := s.board.NetByName("M1")
	if err != nil {
		t.Fatal(err)
	}
	short := network.State{Changes: []network.Change{{Kind: network.AddPath, Owner: netlist.None, A: s.e.Model.PlaceOf(netlist.NetPoint(rail)), B: s.e.Model.GroundPlace(), Ohms: 40}}}
	events := []journal.Event{reads(s.sweep(references.RedOnGround, short)...), {Kind: journal.KindReplace, Parts: []netlist.PartID{s.part("U1")}}}
	for _, at := range []string{"J1.2", "R1.2"} {
		events = append(events, reads(journal.Read{At: s.point(at), Name: at, Reading: s.show(at, references.RedOnGround, short)}))
	}
	along := func(d *repair.Diagnosis) int {
		return slices.IndexFunc(d.Next, func(x repair.Step) bool { return x.Do == repair.DoInspect && x.At == "M1" })
	}
	d := s.diagnose(s.open(events...))
	if k := along(d); k != 0 || d.Next[0].Seconds != 60 || len(d.Next[0].Outcomes) != 2 {
		t.Fatalf("to look along M1 is step %d of %+v", k, d.Next)
	}
	find := func(marks ...string) (*repair.Diagnosis, error) {
		c := s.open(append(slices.Clone(events), journal.Event{Kind: journal.KindUndrawn, Undrawn: []journal.Undrawn{{Net: rail, Marks: marks}}})...)
		for _, mark := range marks {
			if c.Board, err = c.Board.DrawIn(netlist.Found{Mark: mark, Net: rail}); err != nil {
				return nil, err
			}
		}
		e, err := s.e.Refit(c)
		if err != nil {
			return nil, err
		}
		return e.Diagnose(c)
	}
	for _, tt := range []struct {
		mark string // what is found
		do   repair.Do
		part string
	}{{"C9", repair.DoRepair, "C9"}, {"U2.3", repair.DoRepair, "U2"}} {
		d, err := find(tt.mark)
		if err != nil {
			t.Fatal(err)
		}
		if p := blames(d, tt.part); p < 0.9 || d.Next[0].Do != tt.do || d.Next[0].Part != tt.part || along(d) >= 0 {
			t.Errorf("%s found: %.2f, then %+v", tt.mark, p, d.Next[0])
		}
	}
	if d, err = find(); err != nil || along(d) >= 0 || stepOf(d, repair.DoEscalate, "") == nil {
		t.Errorf("nothing found: %v, then %+v", err, d.Next)
	}
}

// TestGroundPad: the pad of a part on ground reads OL where its joint is open. That speaks of
// the joint, not of the lead that belongs on ground, and is proven by soldering it.
func TestGroundPad(t *testing.T) {
	s := newShop(t, `
board: clamped
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: L, 3: M, 4: V}}}
nets: {V: {rail: 1.8 V}}
parts:
  D1: {kind: tvs, pins: [L, GND]}
  R1: {kind: resistor, value: 33R, pins: [L, N]}
  U1: {kind: ic, package: leaded, pins: {1: V, 2: GND, 3: N, 4: M}, supply: 1, ground: 2}
`, 4)
	bad := s.faulty(netlist.Edits{}, "D1.2:open joint")
	swept := reads(s.sweep(references.RedOnGround, bad)...)
	pad := journal.Read{At: s.point("D1.2"), Name: "D1.2", Polarity: references.RedOnGround, Reading: s.show("D1.2", references.RedOnGround, bad)}
	if !pad.Reading.Overload {
		t.Fatalf("D1.2 reads %v", pad.Reading)
	}
	removed := journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{s.part("R1")}}
	for _, before := range [][]journal.Event{{swept}, {swept, removed}} { // read alone as the board lies, too
		without := mode(s.diagnose(s.open(before...)), "D1", "open joint")
		d := s.diagnose(s.open(append(slices.Clone(before), reads(pad))...))
		if d.Implausible != nil {
			t.Fatalf("said to be implausible: %+v", d.Implausible)
		}
		if with := mode(d, "D1", "open joint"); with < 0.3 || with < 3*without {
			t.Errorf("D1 open joint has %.3f, before its pad was read %.3f", with, without)
		}
	}
	pad.Reading = s.show("D1.2", references.RedOnGround, s.faulty(netlist.Edits{}))
	if with := mode(s.diagnose(s.open(swept, reads(pad))), "D1", "open joint"); with > 0.1 {
		t.Errorf("D1 open joint has %.3f though its pad reads 0", with)
	}
}

// TestGroundPin: a pin on ground that reads OL, or what a line reads, is read again before
// anything else: the probe missed it more likely than its joint is bad, and no complaint is
// about one ground pin of several. Where it reads OL again, the joint it is.
func TestGroundPin(t *testing.T) {
	s := newShop(t, `
board: grounds
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: L, 3: M, 4: V, 5: GND}}}
nets: {V: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 33R, pins: [L, N]}
  U1: {kind: ic, package: leaded, pins: {1: V, 2: GND, 3: N, 4: M}, supply: 1, ground: 2}
`, 4)
	for _, shown := range []string{"OL", "0.5 V"} {
		swept := s.sweep(references.RedOnGround, network.State{})
		at := slices.IndexFunc(swept, func(r journal.Read) bool { return r.Name == "J1.5" })
		swept[at] = s.read("J1.5", "", shown, references.RedOnGround)
		d := s.diagnose(s.open(reads(swept...)))
		if len(d.Next) == 0 || d.Next[0].Do != repair.DoMeasure || d.Next[0].At != "J1.5" || !d.Next[0].Again {
			t.Errorf("J1.5 reads %s: next %+v, want it read again", shown, d.Next)
		}
		if len(d.Suspects) > 0 && (d.Suspects[0].Part != "J1.5" || d.Suspects[0].Probability > 0.3) {
			t.Errorf("J1.5 reads %s: %s is suspected with %.2f", shown, d.Suspects[0].Part, d.Suspects[0].Probability)
		}
		if shown == "OL" {
			d := s.diagnose(s.open(reads(swept...), reads(s.read("J1.5", "", "OL", references.RedOnGround))))
			if p := blames(d, "J1.5"); p < 0.7 {
				t.Errorf("J1.5 reads OL twice: its joint is bad with %.2f", p)
			}
			if len(d.Next) == 0 || d.Next[0].Do != repair.DoRepair || d.Next[0].Part != "J1.5" {
				t.Errorf("J1.5 reads OL twice: next %+v, want it resoldered", d.Next)
			}
		}
		d = s.diagnose(s.open(reads(swept...), reads(s.read("J1.5", "", "0 V", references.RedOnGround))))
		if len(d.OutOfRange()) > 0 || len(d.Next) > 0 && d.Next[0].At == "J1.5" {
			t.Errorf("J1.5 reads %s, then 0: next %+v", shown, d.Next)
		}
	}
}

// TestReadBothAgain: where only two readings that were both taken beside their pads explain
// what was read, each is taken again, though neither alone settles it; a resistance too, and
// none a third time.
func TestReadBothAgain(t *testing.T) {
	s := newShop(t, `
board: two lines
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: A, 3: B, 4: V, 5: W}}}
nets: {V: {rail: 1.8 V}, W: {rail: 1.8 V}}
parts:
  FB1: {kind: bead, value: 600R, pins: [V, W]}
  R1: {kind: resistor, value: 33R, pins: [A, A_U]}
  R2: {kind: resistor, value: 33R, pins: [B, B_U]}
  U1: {kind: ic, package: leaded, pins: {1: V, 2: GND, 3: A_U, 4: B_U}, supply: 1, ground: 2}
`, 4)
	good := s.sweep(references.RedOnGround, network.State{})
	swept := slices.Clone(good)
	for i := range swept {
		if swept[i].Name == "J1.2" || swept[i].Name == "J1.3" {
			swept[i].Reading.Overload = true
		}
	}
	inner := []journal.Read{s.read("J1.2", "R1.2", "33.0 ohm", references.RedOnGround), s.read("J1.3", "R2.2", "33.0 ohm", references.RedOnGround)}
	for _, at := range []string{"R1.1", "R1.2", "R2.1", "R2.2"} {
		inner = append(inner, journal.Read{At: s.point(at), Name: at, Reading: s.show(at, references.RedOnGround, network.State{})})
	}
	events, asked := []journal.Event{reads(swept...), reads(inner...)}, []string{}
	for range 2 {
		d := s.diagnose(s.open(events...))
		if len(d.Next) == 0 || !d.Next[0].Again {
			t.Fatalf("after %v read again: %+v", asked, d.Next)
		}
		at := d.Next[0].At
		asked = append(asked, at)
		events = append(events, reads(journal.Read{At: s.point(at), Name: at, Reading: s.show(at, references.RedOnGround, network.State{})}))
	}
	if slices.Sort(asked); !slices.Equal(asked, []string{"J1.2", "J1.3"}) {
		t.Errorf("%v are read again", asked)
	}
	ohms := func(shown ...string) *repair.Step {
		events := []journal.Event{reads(good...)}
		for _, x := range shown {
			events = append(events, reads(s.read("J1.4", "J1.5", x, references.RedOnGround)))
		}
		return stepOf(s.diagnose(s.open(events...)), repair.DoAcross, "J1.4 to J1.5")
	}
	if x := ohms("OL ohm"); x == nil || !x.Again || x.At != "J1.4" || !slices.Equal(x.Then, []string{"J1.5"}) || x.Seconds != 15 {
		t.Errorf("two pins that read OL between them: %+v, want it read once more", x)
	}
	if x := ohms("OL ohm", "OL ohm"); x != nil {
		t.Errorf("a third time: %+v", x)
	}
}

// TestNextLook: while the board lies under the microscope, the next part on the net takes
// less; after anything else, it has to be put there again.
func TestNextLook(t *testing.T) {
	s := newShop(t, `
board: rail
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: V}}}
nets: {V: {rail: 1.8 V}}
parts:
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  C2: {kind: capacitor, value: 1u, pins: [V, GND]}
  C3: {kind: capacitor, value: 1u, pins: [V, GND]}
  C4: {kind: capacitor, value: 1u, pins: [V, GND], access: shield}
  U1: {kind: ic, pins: {1: V, 2: GND}, supply: 1, ground: 2}
`, 4)
	leaky := s.faulty(netlist.Edits{}, "C2:leaky=300")
	swept := reads(s.sweep(references.RedOnGround, leaky)...)
	look := journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{{Part: s.part("C1"), Look: journal.Clean}}}
	for _, tt := range []struct {
		about  string
		events []journal.Event
		c3, c4 float64 // seconds
	}{
		{"at first", []journal.Event{swept}, 20, 20},
		{"after a look at C1", []journal.Event{swept, look}, 8, 8},
		{"after a look and a reading", []journal.Event{swept, look, swept}, 20, 20},
	} {
		d := s.diagnose(s.open(tt.events...))
		for part, want := range map[string]float64{"C3": tt.c3, "C4": tt.c4} {
			if x := stepOf(d, repair.DoInspect, part); x == nil || x.Seconds != want {
				t.Errorf("%s: %s: %+v, want %g s", tt.about, part, x, want)
			}
		}
	}
}

// TestLookEitherWay: which way round the capacitors of two rails are drawn changes neither
// what their inspection takes nor the time to a repair after it. Being on ground together
// puts no two parts on one net.
func TestLookEitherWay(t *testing.T) {
	const drawn = `
board: two rails
revision: A
ground: GND
connectors: {J1: {pins: {1: GND, 2: V, 3: W}}}
nets: {V: {rail: 1.8 V}, W: {rail: 3.3 V}}
parts:
  C1: {kind: capacitor, value: 1u, pins: [V, GND]}
  C2: {kind: capacitor, value: 1u, pins: [V, GND]}
  C3: {kind: capacitor, value: 1u, pins: [W, GND]}
  C4: {kind: capacitor, value: 1u, pins: [W, GND]}
  U1: {kind: ic, pins: {1: V, 2: GND, 3: W}, supply: [1, 3], ground: 2}
`
	var times [2]map[string][2]float64 // by part
	for i, text := range []string{drawn, strings.NewReplacer("[V, GND]", "[GND, V]", "[W, GND]", "[GND, W]").Replace(drawn)} {
		s := newShop(t, text, 4)
		leaky := s.faulty(netlist.Edits{}, "C2:leaky=300", "C3:leaky=300")
		d := s.diagnose(s.open(reads(s.sweep(references.RedOnGround, leaky)...)))
		times[i] = map[string][2]float64{}
		for _, x := range d.Next {
			if x.Do == repair.DoInspect && x.Part != "" {
				times[i][x.Part] = [2]float64{x.Seconds, math.Round(x.Expected)}
			}
		}
	}
	if diff := cmp.Diff(times[0], times[1]); diff != "" || len(times[0]) == 0 {
		t.Errorf("seconds, and expected seconds, of %d inspections (-one way +turned):\n%s", len(times[0]), diff)
	}
}

// TestOfferedOnce: a resistance that may have been read beside its pads before the board was
// worked on, and would tell more of the board as it lies, is offered once.
func TestOfferedOnce(t *testing.T) {
	s := newShop(t, joints, 4)
	place, err := s.board.Repair("J1.2-J1.3")
	if err != nil {
		t.Fatal(err)
	}
	leak := s.faulty(netlist.Edits{}, "J1.2 to J1.3:leakage between pins=700")
	between := reads(s.read("J1.2", "J1.3", "690 ohm", references.RedOnGround))
	for name, swept := range map[string]journal.Event{"leakage": reads(s.sweep(references.RedOnGround, leak)...), "good": reads(s.sweep(references.RedOnGround, network.State{})...)} {
		for _, after := range [][]journal.Event{{swept}, nil} {
			d := s.diagnose(s.open(append([]journal.Event{swept, between, journal.Repaired(place)}, after...)...))
			if n := len(slices.DeleteFunc(slices.Clone(d.Next), func(x repair.Step) bool { return x.Do != repair.DoAcross || x.Part != "J1.2 to J1.3" })); n > 1 {
				t.Errorf("%s: offered %d times in %+v", name, n, d.Next)
			}
		}
	}
}
