package netlist

import (
	"fmt"
	"strings"
	"testing"
)

func BenchmarkParse(b *testing.B) {
	for _, n := range []int{300, 5000} {
		text := generated(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Parse(strings.NewReader(text), "generated.yaml"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkGraph(b *testing.B) {
	for _, n := range []int{300, 5000} {
		board, err := Parse(strings.NewReader(generated(n)), "generated.yaml")
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("build/%d", n), func(b *testing.B) {
			for b.Loop() {
				if _, err := board.Graph(); err != nil {
					b.Fatal(err)
				}
			}
		})
		g, err := board.Graph()
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("lines/%d", n), func(b *testing.B) {
			for b.Loop() {
				for net := range board.Nets {
					g.Line(NetID(net), AtRails)
				}
			}
		})
	}
}
