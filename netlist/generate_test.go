package netlist

import (
	"fmt"
	"strings"
)

// generated writes an invented board of about n parts: lines that each run
// from a connector pin through a resistor to an IC, with a TVS, a filter
// capacitor and a pull-up, and bypass capacitors on a rail.
func generated(n int) string {
	var b, parts strings.Builder
	b.WriteString("board: Generated\nrevision: A\nconnectors:\n")
	lines := n / 5
	for c := range (lines + 49) / 50 {
		fmt.Fprintf(&b, "  J%d:\n    title: connector %d\n    rows: 2\n    pins:\n", c, c)
		for i := c * 50; i < min(c*50+50, lines); i++ {
			fmt.Fprintf(&b, "      %d: SIG_%d\n", i-c*50+1, i)
		}
	}
	for i := range lines {
		fmt.Fprintf(&parts, "  R%d: {kind: resistor, value: 22R, pins: [SIG_%d, SIG_%d_U], place: beside J%d}\n", i, i, i, i/50)
		fmt.Fprintf(&parts, "  RP%d: {kind: resistor, value: 4K7, pins: [SIG_%d_U, VDD]}\n", i, i)
		fmt.Fprintf(&parts, "  C%d: {kind: capacitor, value: 15p, pins: [SIG_%d_U, GND], role: filter}\n", i, i)
		fmt.Fprintf(&parts, "  D%d: {kind: tvs, pins: [SIG_%d, GND]}\n", i, i)
		fmt.Fprintf(&parts, "  CB%d: {kind: capacitor, value: 100n, pins: [VDD, GND]}\n", i)
		if i%40 == 0 {
			fmt.Fprintf(&parts, "  U%d: {kind: ic, pins: {A1: VDD, A2: GND", i)
			for j := i; j < min(i+40, lines); j++ {
				fmt.Fprintf(&parts, ", B%d: SIG_%d_U", j-i, j)
			}
			parts.WriteString("}}\n")
		}
	}
	b.WriteString("nets:\n  VDD: {rail: 1.8 V}\nparts:\n")
	return b.String() + parts.String()
}
