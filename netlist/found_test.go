package netlist

import (
	"slices"
	"strings"
	"testing"
)

func TestDrawIn(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	net := func(name string) NetID {
		n, err := b.NetByName(name)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	before, rail, line := b.Identity(), net("VTP_1V8"), net("TP_INT")
	u5, err := b.PartByName("U5")
	if err != nil {
		t.Fatal(err)
	}
	got, err := b.DrawIn(Found{"C99", rail}, Found{"U9.A1", rail}, Found{"U9.B2", line}, Found{"R98.2", line}, Found{"R98.1", rail}, Found{"U5", line}, Found{"D97", None})
	if err != nil {
		t.Fatal(err)
	}
	if b.Identity() != before {
		t.Error("the board that was drawn in has changed")
	}
	tests := []struct {
		part     string
		kind     Kind
		points   string // its terminals from the given one on, with their nets
		from     int
		supplies int
	}{
		{"C99", Capacitor, "C99.1@VTP_1V8 C99.2@GND", 0, 0},
		{"U9", IC, "U9.A1@VTP_1V8 U9.B2@TP_INT U9.GND@GND", 0, 1},
		{"R98", Unknown, "R98.2@TP_INT R98.1@VTP_1V8", 0, 0},
		{"U5", IC, "U5.TP_INT@TP_INT", len(b.Parts[u5].Terminals), len(b.Parts[u5].Supplies)},
		{"D97", TVS, "D97.1@ D97.2@", 0, 0}, // taken back: it joins nothing
	}
	for _, tt := range tests {
		id, err := got.PartByName(tt.part)
		if err != nil {
			t.Fatal(err)
		}
		p := &got.Parts[id]
		var points []string
		for k := tt.from; k < len(p.Terminals); k++ {
			ref := TerminalRef{id, int32(k)}
			at := got.TerminalPoint(ref)
			points = append(points, got.PointName(at)+"@"+got.netName(at.Net))
			if at.Net != None && !slices.Contains(got.Nets[at.Net].Terminals, ref) {
				t.Errorf("%s is not among the terminals of its net", got.PointName(at))
			}
			if again, err := got.Point(got.PointName(at)); err != nil || again != at {
				t.Errorf("%s is found as %v, %v", got.PointName(at), again, err)
			}
		}
		if text := strings.Join(points, " "); p.Kind != tt.kind || text != tt.points || len(p.Supplies) != tt.supplies {
			t.Errorf("%s is a %s with %s and %d supplies, want a %s with %s and %d", tt.part, p.Kind, text, len(p.Supplies), tt.kind, tt.points, tt.supplies)
		}
		for k := range p.Terminals {
			if p.Kind == IC && p.Terminals[k].Net != got.Ground && !slices.Contains(p.Supplies, int32(k)) && p.Terminals[k].Net != None && p.Domain[k] == None {
				t.Errorf("%s.%s has no supply", p.Name, p.Terminals[k].Name)
			}
		}
	}
	for mark, want := range map[string]string{
		"C40":   "drawn with all its terminals; ",
		"U5.B2": "is drawn, on the net ",
		"J7":    "not the mark of a part; ",
		"":      "not the mark of a part; ",
		"C99.":  "not the mark of a part; ",
	} {
		if _, err := b.DrawIn(Found{mark, line}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want one with %q", mark, err, want)
		}
	}
}
