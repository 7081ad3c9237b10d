package experience

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
)

// closed writes a case of the demo board that ended with a cause, and loads it. The
// readings prove the cause.
func closed(t testing.TB, cause string) *journal.Case {
	t.Helper()
	events := "read: {J7.2: 0.560, J7.3: 0.622}\n"
	if cause != "" {
		events += fmt.Sprintf("---\nclose: {cause: %q, remedy: replace}\n", cause)
	}
	return load(t, "", events)
}

// load makes a case that begins with J7.2 open and goes on with events.
func load(t testing.TB, opened, events string) *journal.Case {
	t.Helper()
	demo, err := filepath.Abs("../../testdata/demo")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "secret-customer.yaml")
	text := fmt.Sprintf("open: {board: %[1]q, known: %[2]q, complaint: \"Mrs. Secret, 5 Hidden Lane\"}\nby: somebody\n%[3]s---\nread: {J7.2: OL, J7.3: 0.621}\n---\n%[4]s", demo+"/board.yaml", demo+"/known", opened, events)
	if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	c, err := journal.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// demoEngine knows the demo board.
func demoEngine(t testing.TB) *engine.Engine {
	t.Helper()
	c := closed(t, "")
	e, err := engine.New(c.Board, c.Library, engine.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestAdd(t *testing.T) {
	e := demoEngine(t)
	for _, test := range []struct{ cause, entry, mode, refused string }{
		{"R12 open", "resistor", "open", ""},
		{"FL3 high resistance, after liquid", "filter", "high", ""},
		{"C40 leaky; corroded", "capacitor", "leaky", ""},
		{"U5.B2 shorted to supply", "ic", "supply", ""},
		{"R12.1 open joint", "joint", "open", ""},
		{"J7.2 open joint", "pin", "open", ""},
		{"J7.2 to J7.4 bridged", "bridge", "shorted", ""},
		{"TP14 to R12.1 Broken Trace", "trace", "open", ""},
		{"R12 missing", "missing", "open", ""},
		{"", "", "", "is not closed"},
		{"the dog ate it", "", "", "names no mode"},
		{"R99 open", "", "", "begins with no part"},
		{"suspected R12 open (61 %)", "", "", "was closed with a suspicion"},
	} {
		tally := NewTally()
		err := tally.Add(closed(t, test.cause), e)
		switch {
		case test.refused != "":
			if err == nil || !strings.Contains(err.Error(), test.refused) || tally.Cases != 0 || len(tally.Exposure) != 0 {
				t.Errorf("%q: %v, %+v", test.cause, err, tally)
			}
		case err != nil || tally.Cases != 1 || tally.Causes[test.entry][test.mode] != 1:
			t.Errorf("%q: %v, %v; want %s %s", test.cause, err, tally.Causes, test.entry, test.mode)
		}
	}
	// J7.2 and J7.3 are read: D1, R12, C40, R20, U5.B2 on the one line; D2, FL3,
	// R21, U5.B3 on the other.
	got := exposure(closed(t, "R12 open"))
	for kind, want := range map[string]float64{"resistor": 3, "tvs": 2, "filter": 1, "capacitor": 1, "pin": 2, "missing": 8} {
		if got[kind] != want {
			t.Errorf("%s: %g on the lines read, want %g (%v)", kind, got[kind], want, got)
		}
	}
}

// A cause counts where the readings prove it: a wrong verdict does not.
func TestAddProven(t *testing.T) {
	e := demoEngine(t)
	const end = "---\nclose: {cause: R12 open, remedy: replace}\n"
	for _, test := range []struct{ name, events, refused string }{
		{"replaced and read right", "replace: [R12]\n---\nread: {J7.2: 0.560}\n" + end, ""},
		{"jumpered, a joint named", "resolder: [R12.1]\n---\nread: {J7.2: 0.560}\n---\nclose: {cause: R12.1 open joint, remedy: resolder}\n", ""},
		{"left off, as the circuit then reads", "remove: [R12]\n---\nread: {J7.2: OL}\n---\nreplace: [R12]\n---\nread: {J7.2: 0.561}\n" + end, ""},
		{"not read again", "replace: [R12]\n" + end, "J7.2 last read wrong (open)"},
		{"still wrong", "replace: [R12]\n---\nread: {J7.2: OL}\n" + end, "J7.2 last read wrong (open)"},
		{"another line is wrong", "replace: [R12]\n---\nread: {J7.2: 0.560, J7.4: OL}\n" + end, "J7.4 last read wrong (open)"},
		{"the work was elsewhere", "replace: [FL3]\n---\nread: {J7.2: 0.560}\n" + end, "names R12 as its cause, and the work was done elsewhere"},
		{"nothing was wrong", "undo: last\n---\nread: {J7.2: 0.560}\n" + end, "no reading that was wrong and is right since"},
	} {
		err := NewTally().Add(load(t, "", test.events), e)
		if (err == nil) != (test.refused == "") || err != nil && !strings.Contains(err.Error(), test.refused) {
			t.Errorf("%s: %v, want %q", test.name, err, test.refused)
		}
	}

	// One case counts once, whatever was added to a copy of it.
	tally := NewTally()
	for _, events := range []string{"read: {J7.2: 0.560}\n" + end, "note: the customer rang\n---\nread: {J7.2: 0.561}\n" + end} {
		for _, at := range []string{"", "time: 2026-08-03 14:05\n", "time: 2026-08-04 09:00\n"} {
			_ = tally.Add(load(t, at, events), e)
		}
	}
	if tally.Cases != 4 { // two that do not say when, and differ; two that do, twice
		t.Errorf("%d cases counted, want 4", tally.Cases)
	}
}

// The arithmetic by hand: one line with 2 resistors of weight 6 and 1 capacitor of
// weight 10; 10 cases, all of them R open. Shares 12/22 and 10/22; with K=50:
// (50*12/22+10)/60 = 0.62121, so the resistor's weight goes to 6*0.62121/(12/22) =
// 6.8333 and the capacitor's to 10*(50*10/22)/60/(10/22) = 8.3333. Modes with 20:
// open (20*0.59+10)/30 = 0.72667.
func TestLearnByHand(t *testing.T) {
	p := &fault.Priors{
		Kinds: map[string]fault.Weights{
			"resistor":  {Weight: 6e-3, Modes: map[string]float64{"open": 0.59, "high": 0.36, "shorted": 0.05}},
			"capacitor": {Weight: 10e-3, Modes: map[string]float64{"shorted": 1}},
			"fuse":      {Weight: 8e-3, Modes: map[string]float64{"open": 1}},
		},
		Copper: map[string]fault.Weights{},
	}
	tally := &Tally{Cases: 10, Causes: map[string]map[string]int{"resistor": {"open": 10}}, Exposure: map[string]float64{"resistor": 2, "capacitor": 1}}
	got := map[string]float64{}
	for _, e := range tally.Learn(p, DefaultStrength()).Entries {
		got[e.Name] = 1000 * e.After
		for _, m := range e.Modes {
			got[e.Name+" "+m.Name] = m.After
		}
	}
	for name, want := range map[string]float64{
		"resistor": 6.833333, "capacitor": 8.333333, "fuse": 8, // no line had a fuse
		"resistor open": 21.8 / 30, "resistor high": 7.2 / 30, "resistor shorted": 1.0 / 30, "capacitor shorted": 1,
	} {
		if math.Abs(got[name]-want) > 1e-5 {
			t.Errorf("%s: %g, want %g", name, got[name], want)
		}
	}
	for _, e := range NewTally().Learn(p, DefaultStrength()).Entries {
		if e.Before != e.After {
			t.Errorf("no case moved %s from %g to %g", e.Name, e.Before, e.After)
		}
	}
}

// With many cases drawn from a shop of its own habits the weights go to the truth,
// and a kind that is merely common is not blamed.
func TestLearnConverges(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 40))
	p := fault.DefaultPriors()
	exposure := map[string]float64{"resistor": 5, "capacitor": 20, "filter": 2, "tvs": 4}
	truth := map[string]float64{"resistor": 3e-3, "capacitor": 4e-3, "filter": 40e-3, "tvs": 10e-3} // odds of one part
	tally := NewTally()
	total := 0.0
	for kind, e := range exposure {
		total += truth[kind] * e
	}
	const cases = 20000
	for range cases {
		u := random.Float64() * total
		for _, kind := range []string{"resistor", "capacitor", "filter", "tvs"} {
			if u -= truth[kind] * exposure[kind]; u < 0 {
				if tally.Causes[kind] == nil {
					tally.Causes[kind] = map[string]int{}
				}
				mode := "open"
				if random.Float64() < 0.3 {
					mode = "shorted"
				}
				tally.Causes[kind][mode]++
				break
			}
		}
	}
	tally.Cases = cases
	for kind, e := range exposure {
		tally.Exposure[kind] = cases * e
	}
	learned := tally.Learn(p, DefaultStrength())
	after := map[string]float64{}
	for _, e := range learned.Entries {
		after[e.Name] = e.After
		sum := 0.0
		for _, m := range e.Modes {
			sum += m.After
			if e.Count > 1000 && m.Name == "open" && math.Abs(m.After-0.7) > 0.02 {
				t.Errorf("%s open: %g, want 0.7 within 0.02", e.Name, m.After)
			}
		}
		if len(e.Modes) > 0 && math.Abs(sum-1) > 1e-9 {
			t.Errorf("%s: shares sum to %g", e.Name, sum)
		}
	}
	for _, kind := range []string{"capacitor", "filter", "tvs"} {
		got, want := after[kind]/after["resistor"], truth[kind]/truth["resistor"]
		if math.Abs(got/want-1) > 0.08 {
			t.Errorf("%s over resistor: %.3g, want %.3g within 8 %%", kind, got, want)
		}
	}
}

// What is written is a priors file over the defaults, and holds nothing of the
// customers.
func TestWrite(t *testing.T) {
	tally := NewTally()
	e := demoEngine(t)
	for i := range 30 {
		opened := fmt.Sprintf("time: 2026-08-03 14:%02d\n", i)
		if err := tally.Add(load(t, opened, "read: {J7.2: 0.560}\n---\nclose: {cause: FL3 open, remedy: replace}\n"), e); err != nil {
			t.Fatal(err)
		}
	}
	learned := tally.Learn(fault.DefaultPriors(), DefaultStrength())
	var text strings.Builder
	if err := learned.Write(&text); err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{"Secret", "Hidden", "somebody", "Kestrel", "FL3", "J7", "/"} {
		if strings.Contains(text.String(), secret) {
			t.Errorf("the file holds %q:\n%s", secret, text.String())
		}
	}
	file := filepath.Join(t.TempDir(), "priors.yaml")
	if err := os.WriteFile(file, []byte(text.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	p, err := fault.LoadPriors(file)
	if err != nil {
		t.Fatal(err)
	}
	before := fault.DefaultPriors()
	if got, was := p.Kinds["filter"].Weight, before.Kinds["filter"].Weight; got < 1.5*was {
		t.Errorf("after 30 open filters the weight is %g, before %g", got, was)
	}
	for _, e := range learned.Entries {
		w := p.Kinds[e.Name]
		if e.Copper {
			w = p.Copper[e.Name]
		}
		if math.Abs(w.Weight/e.After-1) > 1e-5 {
			t.Errorf("%s: %g in the file, %g learned", e.Name, w.Weight, e.After)
		}
	}
	if len(learned.Moved()) == 0 || learned.Moved()[0].Name != netlist.Filter.String() {
		t.Errorf("moved: %+v", learned.Moved())
	}
}
