package engine_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// drawn makes choices of the bytes that a fuzzer gives, and the first of each when
// they are used up.
type drawn struct{ bytes []byte }

func (d *drawn) of(n int) int {
	if len(d.bytes) == 0 {
		return 0
	}
	b := d.bytes[0]
	d.bytes = d.bytes[1:]
	return int(b) % n
}

// randomBoard writes a board of a few parts between a few nets; invented, and mostly
// nonsense as a design.
func randomBoard(d *drawn) string {
	nets := []string{"GND", "V", "A", "B", "C", "D", "E", "F"}[:4+d.of(5)]
	net := func() string { return nets[d.of(len(nets))] }
	var b strings.Builder
	fmt.Fprintf(&b, "board: Fuzz\nrevision: A\nground: GND\nconnectors: {J1: {rows: %d, pins: {1: GND, 2: A, 3: %s, 4: %s, 5: NC}}}\nnets: {V: {rail: 1.8 V}, A: {along: [J1.2, TP1]}}\ntest_points: {TP1: A}\nparts:\n  C0: {kind: capacitor, value: 1u, pins: [V, GND]}\n  R0: {kind: resistor, value: 100R, pins: [A, B]}\n", 1+d.of(2), net(), net())
	for i := 1 + d.of(8); i > 0; i-- {
		value := []string{"0R", "22R", "1K", "100K", "10M"}[d.of(5)]
		switch d.of(9) {
		case 0:
			fmt.Fprintf(&b, "  R%d: {kind: resistor, value: %s, pins: [%s, %s]}\n", i, value, net(), net())
		case 1:
			fmt.Fprintf(&b, "  C%d: {kind: capacitor, value: 100n, pins: [%s, %s]}\n", i, net(), net())
		case 2:
			fmt.Fprintf(&b, "  FB%d: {kind: bead, pins: [%s, %s]}\n", i, net(), net())
		case 3:
			fmt.Fprintf(&b, "  D%d: {kind: diode, pins: {a: %s, k: %s}}\n", i, net(), net())
		case 4:
			fmt.Fprintf(&b, "  DZ%d: {kind: tvs, pins: [%s, GND]}\n", i, net())
		case 5:
			fmt.Fprintf(&b, "  FL%d: {kind: filter, value: 2R, pins: {in: %s, out: %s, gnd: GND}}\n", i, net(), net())
		case 6:
			fmt.Fprintf(&b, "  Q%d: {kind: transistor, pins: {g: %s, d: %s, s: %s}}\n", i, net(), net(), net())
		default:
			fmt.Fprintf(&b, "  U%d: {kind: ic, pins: {1: V, 2: %s, 3: GND, 4: %s, 5: %s}, supply: 1, ground: 3}\n", i, net(), net(), net())
		}
	}
	return b.String()
}

// randomEvent makes an event that a bench could have entered.
func randomEvent(d *drawn, b *netlist.Board, points []netlist.Point) journal.Event {
	part := netlist.PartID(d.of(len(b.Parts)))
	if len(b.Parts) > 255 {
		part = netlist.PartID((int(part)*256 + d.of(256)) % len(b.Parts))
	}
	switch d.of(12) {
	case 0:
		return journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{part}}
	case 1:
		return journal.Event{Kind: journal.KindReplace, Parts: []netlist.PartID{part}}
	case 2:
		return journal.Event{Kind: journal.KindReinstall, Parts: []netlist.PartID{part}}
	case 3:
		if len(b.Parts[part].Jumperable()) > 0 {
			return journal.Event{Kind: journal.KindJumper, Jumpers: []journal.Jumper{{Part: part}}}
		}
		fallthrough
	case 4:
		return journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{{Part: part, Look: journal.Look(d.of(int(journal.Missing) + 1))}}}
	case 5:
		for n := range b.Nets {
			if b.Nets[n].Rail && netlist.NetID(n) != b.Ground {
				return journal.Event{Kind: journal.KindInject, Injections: []journal.Injection{{Rail: netlist.NetID(n), Warm: []netlist.PartID{part}}}}
			}
		}
	}
	var rs []journal.Read
	for range 1 + d.of(4) {
		at := points[(d.of(256)*256+d.of(256))%len(points)]
		r := journal.Read{At: at, Name: b.PointName(at), Polarity: references.Polarity(d.of(2)), Reading: quantity.Reading{Unit: quantity.Volt}}
		switch kind := d.of(8); {
		case kind == 0:
			r.Reading.Overload = true
		case kind == 1:
			r.Reading.Unit, r.Reading.Value = quantity.Ohm, float64(d.of(256))*float64(1+d.of(256))/8
		case kind == 2:
			to := points[d.of(len(points))]
			r.To, r.ToName = &to, b.PointName(to)
			r.Reading.Unit, r.Reading.Overload = quantity.Ohm, d.of(2) == 0
		case kind == 3:
			r.Reading.Value = float64(d.of(256)-128) / 4
		default:
			r.Reading.Value = float64(d.of(256)) / 256
		}
		rs = append(rs, r)
	}
	return reads(rs...)
}

// everyPoint lists the points of a board that a lead can be put on.
func everyPoint(s *shop) []netlist.Point {
	points := s.pins()
	for n := range s.board.Nets {
		points = append(points, s.board.PointsOn(netlist.NetID(n))...)
	}
	return points
}

// FuzzDiagnose gives random cases on random small boards and on the demo to the
// engine. It answers each, to the bench's rules (sound), and twice with the same bytes.
func FuzzDiagnose(f *testing.F) {
	b, err := netlist.Load("../testdata/demo/board.yaml")
	if err != nil {
		f.Fatal(err)
	}
	demo := openShop(f, b, 2)
	f.Add([]byte{0, 0, 0, 6, 1, 0, 0, 0, 0, 6, 0, 1, 0, 4, 77})
	for i := range 6 { // a few of every kind of board and event
		var seed []byte
		for k := range 90 {
			seed = append(seed, byte(37*i+k*k*(i+5)+11*k))
		}
		seed[0] = []byte{0, 3, 255, 9, 12, 15}[i] // the third is on the demo
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d := &drawn{data}
		var s *shop
		if d.of(256) == 255 {
			with := *demo
			with.t, s = t, &with
		} else {
			known := d.of(3)
			b, err := netlist.Parse(strings.NewReader(randomBoard(d)), "fuzz")
			if err != nil {
				return
			}
			s = openShop(t, b, known)
		}
		points := everyPoint(s)
		var events []journal.Event
		for range 1 + d.of(4) {
			events = append(events, randomEvent(d, s.board, points))
		}
		c := s.open(events...)
		one, err := json.Marshal(s.diagnose(c))
		if err != nil { // NaN, or a number without end
			t.Fatal(err)
		}
		two, err := json.Marshal(s.diagnose(c))
		if err != nil || !bytes.Equal(one, two) {
			t.Errorf("two answers to one case, error %v:\n%s\n%s", err, one, two)
		}
	})
}

// FuzzParseFault reads faults as they are typed, on the demo: one that Predict can put
// on the board, or an error that says what to do.
func FuzzParseFault(f *testing.F) {
	for _, text := range []string{"R12:open", "C40:leaky=470", "J7.2-J7.3:bridged", "U1:shorted", "R12:", ":", "R12:raised=-1", "R12:leaky=NaN", "J7.2:open joint", "r12:OPEN", "K12:\u212a", "\xff:\xff=\xff"} {
		f.Add(text)
	}
	b, err := netlist.Load("../testdata/demo/board.yaml")
	if err != nil {
		f.Fatal(err)
	}
	s := openShop(f, b, 0)
	f.Fuzz(func(t *testing.T, text string) {
		got, err := s.e.ParseFault(text)
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", text, err)
			}
			return
		}
		if got.Locus == nil || math.IsNaN(got.Ohms) || got.Ohms < 0 {
			t.Errorf("%q is %+v", text, got)
		}
		list, err := s.e.Predict(diagnose.Question{Faults: []string{text}, Points: []string{"J7.3"}, Setting: diagnose.Setting{Drive: fit.DriveOf(references.DefaultMeter())}})
		if err != nil || len(list) != 1 || math.IsNaN(list[0].Sigma) {
			t.Errorf("%q: %+v, %v", text, list, err)
		}
	})
}
