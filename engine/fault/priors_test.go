package fault

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// load writes a priors file and reads it over the defaults.
func load(t testing.TB, text string) (*Priors, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "priors.yaml")
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return LoadPriors(path)
}

// leaves lists the paths of all scalars that a shape allows.
func leaves(s *document.Shape, at []string, visit func(path []string)) {
	if len(s.Fields) == 0 {
		visit(at)
		return
	}
	for _, f := range s.Fields {
		leaves(f.Shape, append(at[:len(at):len(at)], f.Name), visit)
	}
}

// TestEveryPriorIsRead sets each key that the schema allows, alone, to a number
// that the defaults have nowhere: it must change what was read.
func TestEveryPriorIsRead(t *testing.T) {
	want := DefaultPriors()
	n := 0
	leaves(PriorsShape(), nil, func(path []string) {
		n++
		text := ""
		for i, key := range path {
			text += strings.Repeat("  ", i) + key + ":"
			if i < len(path)-1 {
				text += "\n"
			}
		}
		p, err := load(t, text+" 0.123\n")
		if err != nil {
			t.Errorf("%s: %v", strings.Join(path, "."), err)
			return
		}
		if cmp.Equal(want, p) {
			t.Errorf("%s is allowed and not read", strings.Join(path, "."))
		}
	})
	if n < 100 {
		t.Errorf("the schema has only %d keys", n)
	}
}

// TestOwnPriorsFile reads the file that comes with the tool over itself: nothing
// changes. Its shares are shares, every kind of part has a weight, and the modes
// of each kind sum to 1.
func TestOwnPriorsFile(t *testing.T) {
	want := DefaultPriors()
	p, err := load(t, string(defaultPriors))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, p); d != "" {
		t.Errorf("reading the defaults over themselves changes them (-want +got):\n%s", d)
	}
	for _, name := range netlist.KindNames() {
		if w := p.Kinds[name]; !(w.Weight > 0) {
			t.Errorf("%s has no weight", name)
		}
	}
	for _, list := range []map[string]Weights{p.Kinds, p.Copper} {
		for name, w := range list {
			sum := 0.0
			for _, x := range w.Modes {
				sum += x
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Errorf("the modes of %s sum to %g", name, sum)
			}
		}
	}
	for name, looks := range map[string]map[string]float64{"bad": p.BadLook, "good": p.OKLook} {
		sum := 0.0
		for _, x := range looks {
			sum += x
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Errorf("the looks of %s parts sum to %g", name, sum)
		}
	}
	// the shares that priors.yaml was written from
	for _, tt := range []struct {
		kind, mode string
		share      float64
	}{{"capacitor", "open", 0.22}, {"capacitor", "value", 0.29}, {"resistor", "open", 0.59}, {"resistor", "high", 0.36}, {"resistor", "shorted", 0.05}, {"inductor", "open", 0.42}, {"diode", "open", 0.36}} {
		if got := p.Kinds[tt.kind].Modes[tt.mode]; got != tt.share {
			t.Errorf("%s %s has %g, want %g", tt.kind, tt.mode, got, tt.share)
		}
	}
	for _, kind := range []string{"capacitor", "diode"} { // short 0.49, divided
		if got := p.Kinds[kind].Modes["shorted"] + p.Kinds[kind].Modes["leaky"]; math.Abs(got-0.49) > 1e-9 {
			t.Errorf("%s shorted and leaky have %g, want 0.49", kind, got)
		}
	}
}

// TestBrokenPriors gets one error that says where and what to do.
func TestBrokenPriors(t *testing.T) {
	tests := []struct{ text, says string }{
		{"kinds: {capacitor: {weight: lots}}", "1:29"},
		{"kinds: {capacitor: {weight: -1}}", "from 0 to"},
		{"kinds: {capacitor: {weight: NaN}}", "from 0 to"},
		{"kinds: {capacitor: {weight: .inf}}", "from 0 to"},
		{"kinds: {capacitor: {weight: 1e7}}", "from 0 to"},
		{"kinds: {capacitor: {modes: {shorted: 1.5}}}", "from 0 to 1"},
		{"kinds: {capacitor: {modes: {shortd: 0.5}}}", "shorted"},
		{"kinds: {capacitr: {weight: 1}}", "capacitor"},
		{"kinds: [capacitor]", "1:8"},
		{"kinds: 3", "1:8"},
		{"wet: {joint: [1]}", "1:14"},
		{"wett: {joint: 1}", "wet"},
		{"warm: {bad: 2}", "from 0 to 1"},
		{"reading: {missed: yes}", "1:19"},
		{"source: {a: b}", "1:9"},
		{"a: b: c", "1:"},
		{"kinds: {capacitor: {weight: 1}}\nkinds: {}", "kinds"},
		{"", ""},
	}
	for _, tt := range tests {
		_, err := load(t, tt.text)
		if tt.says == "" {
			continue // an empty file changes nothing, or is refused; either is fine
		}
		if err == nil {
			t.Errorf("%q is taken", tt.text)
			continue
		}
		if !strings.Contains(err.Error(), tt.says) || !strings.Contains(err.Error(), "priors.yaml:") || !strings.Contains(err.Error(), ";") {
			t.Errorf("%q: says %q, want the place, %q and what to do", tt.text, err, tt.says)
		}
	}
	if _, err := LoadPriors(filepath.Join(t.TempDir(), "none.yaml")); err == nil || !strings.Contains(err.Error(), "none.yaml") {
		t.Errorf("a missing file: %v", err)
	}
}

// usable tells what of some priors would bring the search to something that is no
// number.
func usable(p *Priors) error {
	for _, look := range []string{"burnt", "corroded", "cracked", "missing", "clean"} {
		if r := p.LookRatio(look); !(r > 0) || math.IsInf(r, 0) {
			return fmt.Errorf("the ratio of %s is %g", look, r)
		}
	}
	for _, watts := range []float64{0, 0.1, 1} {
		if share := p.WarmShare(watts, ByFilm); !(share > 0 && share < 1) {
			return fmt.Errorf("the share of warm parts at %g W is %g", watts, share)
		}
	}
	return nil
}

// TestExtremePriors takes what the schema allows at its ends.
func TestExtremePriors(t *testing.T) {
	for _, text := range []string{
		"warm: {bad: 0, good: 0}", "warm: {bad: 1, good: 1}", "warm: {bad: 1, good: 0}", "warm: {bad: 0, good: 1}",
		"looks: {bad: {burnt: 0}, good: {burnt: 0}}", "looks: {bad: {burnt: 1}, good: {burnt: 0}}",
		"elsewhere: 0", "elsewhere: 1",
		"reading: {missed: 0, doubtful_one: 0, doubtful_several: 0}",
	} {
		p, err := load(t, text)
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if err := usable(p); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
}

func FuzzPriors(f *testing.F) {
	f.Add(defaultPriors)
	f.Add([]byte("warm: {bad: 0.5, good: 0}\n---\nlooks: {bad: {clean: 1}}\n"))
	f.Add([]byte("kinds: {ic: {weight: 0x1p3, modes: {}}}"))
	f.Add([]byte("copper: {joint: {weight: 1_0}}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		nodes, err := document.Decode(bytes.NewReader(text), "priors.yaml", 0)
		if err != nil {
			return
		}
		p := DefaultPriors()
		if err := p.overlay(nodes); err != nil {
			return
		}
		if err := usable(p); err != nil {
			t.Error(err)
		}
	})
}

// Before any reading, sets of one, two and three faults have 0.80, 0.15 and 0.05 of what
// faults have, and "no fault" 0.3, however large the board is.
func TestSetShares(t *testing.T) {
	for _, board := range []string{"demo/board.yaml", "boards/sensor12.yaml", "boards/dock60.yaml"} {
		b, err := netlist.Load("../../testdata/" + board)
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		s := &search{p: DefaultPriors()}
		loci := Loci(m, s.p, m.Nominal())
		factors := s.complaint(loci)
		// The odds of all sets of a size, place by place: each place adds sets with it to
		// those of one less without it.
		of := [4]float64{1}
		for l := range loci {
			w := 0.0
			for _, r := range loci[l].Modes {
				w += r.Odds
			}
			for k := 3; k > 0; k-- {
				of[k] += w * of[k-1]
			}
		}
		faults := 0.0
		for k := 1; k < 4; k++ {
			of[k] *= math.Exp(factors[k])
			faults += of[k]
		}
		for k, share := range setShares {
			if got := of[k+1] / faults; math.Abs(got-share) > 1e-6 {
				t.Errorf("%s: sets of %d have %.4f, want %.2f", board, k+1, got, share)
			}
		}
		if none := 1 / (1 + faults); math.Abs(none-s.p.Elsewhere) > 1e-6 {
			t.Errorf("%s: no fault has %.3f, want %.2f", board, none, s.p.Elsewhere)
		}
	}
}
