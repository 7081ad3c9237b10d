package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/diagnose"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// The bar shows nothing of what is over at once, how far a long reading is, and
// wipes itself; without a terminal there is none.
func TestProgress(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "terminal"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	read := func() string {
		text, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	quick := &progress{to: f, what: "reading", began: time.Now().Add(time.Hour)}
	quick.show(50, 100)
	quick.clear()
	if read() != "" {
		t.Errorf("shown at once: %q", read())
	}
	slow := &progress{to: f, what: "reading", began: time.Now().Add(-time.Hour)}
	slow.show(2500, 10000)
	slow.clear()
	if got := read(); !strings.HasPrefix(got, "\rreading ██████░░░░░░░░░░░░░░░░░░ 2500 of 10000 ") || !strings.HasSuffix(got, "\r\x1b[K") {
		t.Errorf("shown: %q", got)
	}
	if p := (&app{errors: &strings.Builder{}}).progress("reading"); p.to != nil {
		t.Error("a bar without a terminal")
	}
	if p := (&app{errors: f}).progress("reading"); p.to != nil {
		t.Error("a bar in a file")
	}
}

// TestKnownTake reads a good board into a library, in two sittings, as bench would ask
// for it; the second board is compared with the first.
func TestKnownTake(t *testing.T) {
	demoFolder(t)
	take := strings.Fields("known take board.yaml J7 --to mine --by tester --sample")
	out, errs, code := play(t, "y\n0.001\n0.561\n0.620\n", append(take, "01")...)
	if left, _ := filepath.Glob("mine/[^.]*.yaml"); code != exitDone || errs != "" || len(left) != 0 || !strings.Contains(out, "same command goes on") {
		t.Fatalf("left in the middle: exit %d, %s, %v\n%s", code, errs, left, out)
	}
	out, errs, code = play(t, "0.618\n0.561\n0.523\n0.705\nOL\n0.703\n0.575\nOL\n0.000\n", append(take, "01")...)
	if code != exitDone || errs != "" || !strings.Contains(out, "added mine/kestrel_k3-c-01-") {
		t.Fatalf("exit %d, %s\n%s", code, errs, out)
	}
	b, err := netlist.Load("board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	lib, err := references.LoadLibrary("mine", b)
	if err != nil || len(lib.Sweeps) != 1 {
		t.Fatalf("%v, %v", lib, err)
	}
	var got []string
	for _, r := range lib.Sweeps[0].Readings {
		got = append(got, r.Name+" "+quantity.FormatReading(r.Reading))
	}
	want := []string{"J7.1 0.001", "J7.2 0.561", "J7.3 0.620", "J7.4 0.618", "J7.5 0.561", "J7.6 0.523", "J7.7 0.705", "J7.8 OL", "J7.9 0.703", "J7.10 0.575", "J7.11 OL", "J7.12 0.000"}
	if diff := cmp.Diff(want, got); diff != "" || lib.Sweeps[0].Sample != "01" || lib.Sweeps[0].By != "tester" {
		t.Errorf("sweep of %q by %q (-want +got):\n%s", lib.Sweeps[0].Sample, lib.Sweeps[0].By, diff)
	}
	if rest, _ := filepath.Glob("mine/.*"); len(rest) != 0 {
		t.Errorf("left over: %v", rest)
	}
	// A reading unlike the first board's is asked for again; work ends it.
	out, _, _ = play(t, "y\n0.001\n0.561\nOL\n0.618\n0.561\n0.523\n0.705\nOL\n0.703\n0.575\nOL\n0.000\n0.621\n", append(take, "02")...)
	if !strings.Contains(out, "J7.3  TP_SDA   out of range") || !strings.Contains(out, "added mine/kestrel_k3-c-02-") {
		t.Errorf("a slip on the second board:\n%s", out)
	}
	if _, errs, code := play(t, "y\nremoved R12\nd\n", append(take, "03")...); code != exitUsage || !strings.Contains(errs, "was worked on") {
		t.Errorf("a board that was worked on: exit %d, %s", code, errs)
	}
	for _, x := range []struct{ args, want string }{
		{"known take board.yaml J9 --to mine --sample 4", "J9"},
		{"known take board.yaml J7 --to mine", "--sample"},
		{"known take board.yaml", "CONNECTOR"},
	} {
		if _, errs, code := play(t, "", strings.Fields(x.args)...); code != exitUsage || !strings.Contains(errs, x.want) {
			t.Errorf("%s: exit %d, %s", x.args, code, errs)
		}
	}
}

// What good boards read with a meter of one's own is one number with one uncertainty,
// whichever command is asked: for the meters of the library and for one of none.
func TestKnownShowIsPredict(t *testing.T) {
	demoFolder(t)
	ask := func(args ...string) (points []diagnose.Prediction) {
		var got predictions
		out, errs, code := play(t, "", args...)
		if err := json.Unmarshal([]byte(out), &got); err != nil || code != exitDone {
			t.Fatalf("%v: %v, %s", args, err, errs)
		}
		return got.Points
	}
	for _, meter := range []string{"known/k3-014.yaml", "known/k3-022.yaml", "test_current: 0.3 mA, open_voltage: 2.7 V"} {
		predicted := map[string]diagnose.Prediction{}
		for _, pol := range []string{"red-on-ground", "black-on-ground"} {
			for _, p := range ask("predict", "board.yaml", "--known", "known", "--meter", meter, "--polarity", pol, "--json") {
				predicted[p.At+pol] = p
			}
		}
		shown := ask("known", "show", "known", "--board", "board.yaml", "--meter", meter, "--json")
		n, converted := 0, 0
		for _, x := range shown {
			p, ok := predicted[x.At+x.Polarity]
			if !ok {
				continue
			}
			n++
			if x.Converting > 0 {
				converted++
			}
			if diff := cmp.Diff(p, x); diff != "" {
				t.Errorf("%s %s with %s (-predict +known show):\n%s", x.At, x.Polarity, meter, diff)
			}
		}
		if n < 40 || converted < 10 {
			t.Errorf("%s: %d points compared, %d of them converted; want 40 and 10", meter, n, converted)
		}
	}
}
