package assembly

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"halfsplit/netlist"
	"halfsplit/netlist/layout"
)

// A name has room where the bodies of other parts cover no more of it than
// coverable, however the bodies are filed: the sum over all of them says the same.
func TestRoomForNames(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	anywhere := func(most float64) box {
		return around(500*r.Float64(), 400*r.Float64(), most*r.Float64(), most*r.Float64())
	}
	l := labels{size: 9, frame: box{0, 0, 500, 400}}
	var bodies []box
	for range 400 {
		bodies = append(bodies, anywhere(40))
	}
	l.keepClear(bodies)
	free := 0
	const tries = 2000
	for range tries {
		b, own := anywhere(60), bodies[r.IntN(len(bodies))]
		covered := 0.0
		for _, x := range bodies {
			if x != own {
				covered += overlap(b, x)
			}
		}
		want := l.frame.holds(b) && covered <= coverable*b.area()
		if got := l.free(b, own); got != want {
			t.Errorf("%v: room %t, want %t: %.4g of %.4g covered", b, got, want, covered, b.area())
		}
		if want {
			free++
		}
	}
	if free < tries/20 || free > tries*19/20 {
		t.Errorf("room for %d of %d", free, tries)
	}
}

// BenchmarkManyParts draws an invented board of 30,000 parts.
func BenchmarkManyParts(b *testing.B) {
	board, err := netlist.Parse(strings.NewReader("board: Grid\nconnectors:\n  J1: {pins: {1: A, 2: GND}}\nparts:\n  R1: {kind: resistor, value: 1k, pins: [A, GND]}\n"), "board.yaml")
	if err != nil {
		b.Fatal(err)
	}
	var text strings.Builder
	text.WriteString("(kicad_pcb")
	for i := range 30_000 {
		fmt.Fprintf(&text, "(footprint R (layer F.Cu) (at %d %d) (property Reference R%d) (pad 1 smd rect (at 0 0) (size 1 1) (layers F.Cu F.Mask)))\n", i%100*2, i/100*2, i)
	}
	text.WriteString(")")
	drawn, err := layout.Read(strings.NewReader(text.String()), "grid.kicad_pcb")
	if err != nil {
		b.Fatal(err)
	}
	mark, err := Find(board, drawn, "R1")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		Draw(board, drawn, mark)
	}
}
