package lesson

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/practice"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// newSession puts a student before a board with given faults.
func newSession(t *testing.T, flicker float64, faults ...placed) *Session {
	t.Helper()
	c := bare(t)
	x := &Case{data: benchData{Truth: c.truth.Seed, Sample: 1001, Celsius: 23, Meter: benchMeter, Instrument: instrument, Faults: faults, Flicker: flicker}}
	d, err := c.begin(x)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// bare is a class without cases.
func bare(t *testing.T) *Class {
	t.Helper()
	c, err := prepare(small(t, Mixed, 1, 1), 1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// answerOf is the answer to a board.
func answerOf(d *Session) *Answer {
	a := &Answer{Lesson: "test", Best: new(300.0), Bad: badNames(d.sim.board, d.sim.bad.Faults)}
	for _, f := range d.sim.bad.Faults {
		a.Faults = append(a.Faults, placed{practice.Place(d.sim.model, &f.Locus), f.Mode, f.Ohms})
	}
	return a
}

func scoreOf(t *testing.T, d *Session) *Score {
	t.Helper()
	s, err := scoreRecord(d.Case(), d.sim, d.loci, answerOf(d), NewDiagnoses(d.Engine), d.Costs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var shortedC1 = placed{"C1 1-2", fault.Shorted, 0.5}

// Every action costs what it should, and shows what a board with a shorted C1
// shows: about 0 at the capacitor, 0.47 V behind 470 ohm at 1 mA (Ohm's law).
func TestActionsAndTheirCost(t *testing.T) {
	d := newSession(t, 0, shortedC1)
	spent := 0.0
	step := func(what string, want float64, err error) {
		t.Helper()
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
		if got := d.Seconds() - spent; math.Abs(got-want) > 1e-9 {
			t.Errorf("%s cost %v s; want %v", what, got, want)
		}
		spent = d.Seconds()
	}
	volts := func(at, to string, pol references.Polarity, ohms bool, want, within float64) error {
		t.Helper()
		r, err := d.Read(at, to, pol, ohms)
		if err == nil && (r.Reading.Overload || math.Abs(r.Reading.Value-want) > within) {
			t.Errorf("%s %s reads %v; want %v", at, to, quantity.FormatReading(r.Reading), want)
		}
		return err
	}
	step("the sweep", 0, nil)
	step("a reading", 10, volts("J1.2", "", 0, false, 0.4705, 0.02))
	step("a net", 10, volts("KEY_A_U", "", 0, false, 0.0005, 0.004))
	step("probes swapped", 14, volts("C1.1", "", references.BlackOnGround, false, 0.0005, 0.004))
	step("two points", 10, volts("R1.1", "R1.2", 0, false, 0.47, 0.02))
	step("ohms", 10, volts("R1.1", "R1.2", 0, true, 470, 10))
	_, err := d.Look("c1")
	step("a look", 20, err)
	err = d.on(journal.KindRemove, "C1")
	step("a remove", 90, err)
	step("reinstall", 60, d.on(journal.KindReinstall, "C1"))
	step("replace", 240, d.on(journal.KindReplace, "C1"))
	step("jumper", 150, d.on(journal.KindJumper, "R1"))
	step("a pin", 60, d.on(journal.KindClean, "J1.2"))
	step("a gap", 90, d.on(journal.KindClean, "J1.2-J1.3"))
	step("a trace", 300, d.on(journal.KindClean, "J1.4-D1.1"))
	_, err = d.Inject("V3V3")
	step("an injection", 120, err)
	step("a note", 0, d.Note("hm"))
	_, err = d.Close("C1 shorted", "done")
	step("the verdict", 0, err)
	for i, do := range []func() error{
		func() error { _, err := d.Read("J1.2", "", 0, false); return err },
		func() error { return d.on(journal.KindReplace, "C1") },
		func() error { _, err := d.Close("nothing", "none"); return err },
	} {
		if err := do(); err == nil || !strings.HasPrefix(err.Error(), "the case is closed; ") {
			t.Errorf("action %d after the end: %v", i, err)
		}
	}
}

// What cannot be done says why, costs nothing and leaves no event.
func TestActionsThatCannotBe(t *testing.T) {
	d := newSession(t, 0, shortedC1)
	for _, test := range []struct {
		what string
		do   func() error
		want string
	}{
		{"a ball", func() error { _, err := d.Read("U1.2", "", 0, false); return err }, "`U1.2` lies under U1, where no probe reaches; read its net at another point, or at its name"},
		{"no point", func() error { _, err := d.Read("J9.2", "", 0, false); return err }, ""},
		{"no part", func() error { _, err := d.Look("C9"); return err }, ""},
		{"reinstall", func() error { return d.on(journal.KindReinstall, "C1") }, "`C1` is on the board; remove it first"},
		{"jumper", func() error { return d.on(journal.KindJumper, "C1") }, "`C1` does not lie along a line, and a jumper across it would short something; remove or replace it"},
		{"signal", func() error { _, err := d.Inject("SDA"); return err }, "`SDA` is not a supply rail, and current from outside harms what drives it; inject into rails only"},
		{"remedy", func() error { _, err := d.Close("C1 shorted", "pray"); return err }, "`pray` is not a remedy; the remedies are done, replace, jumper, leave off, resolder, reflow, clean, none"},
		{"no bridge", func() error { _, err := d.Close("C1 shorted", "jumper"); return err }, "no jumper can lie across `C1`; replace it"},
		{"repair", func() error { return d.on(journal.KindClean, "J1.2-J1.8") }, ""},
		{"nothing done", func() error { _, err := d.Close("c1 leaky", ""); return err }, "nothing was done about `C1`; say what repairs it, as in `C1 leaky; replace`, or `C1 leaky; none` to escalate it"},
	} {
		err := test.do()
		if err == nil || test.want != "" && err.Error() != test.want {
			t.Errorf("%s: %v; want %s", test.what, err, test.want)
		}
	}
	if n := len(d.Case().All); n != sweepEvent || d.Seconds() != 0 {
		t.Errorf("%d events and %v s after nothing was done", n, d.Seconds())
	}
}

// An IC removed by hand tears a pad half of the time, and then nothing repairs the
// board any more.
func TestLiftedICTears(t *testing.T) {
	const boards = 60
	torn := 0
	c := bare(t)
	for i := range boards {
		x := &Case{data: benchData{Truth: c.truth.Seed, Sample: uint64(2000 + i), Celsius: 23, Meter: benchMeter, Instrument: instrument}}
		d, err := c.begin(x)
		if err != nil {
			t.Fatal(err)
		}
		u1, _ := d.sim.board.PartByName("U1")
		harm, err := d.onPart(journal.KindRemove, u1)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.on(journal.KindReplace, "U1"); err != nil {
			t.Fatal(err)
		}
		if harm != "" {
			torn++
		}
		if repaired := d.sim.repaired(d.Case().All, d.edits()); repaired == (harm != "") {
			t.Errorf("board %d: %q, and repaired is %v", i, harm, repaired)
		}
		if i == 0 {
			if s := scoreOf(t, d); len(s.Remarks) == 0 || s.Remarks[0].Kind == Sound {
				t.Errorf("removing an IC is not remarked on: %v", s.Remarks)
			}
		}
	}
	// binomial, n 60, p 1/2: within 4 standard deviations of 3.9
	if torn < 15 || torn > 45 {
		t.Errorf("%d of %d boards torn; want about half", torn, boards)
	}
}

// Power on a shorted rail burns the board, and costs the case.
func TestPowerOnAShort(t *testing.T) {
	d := newSession(t, 0, placed{"C6 1-2", fault.Shorted, 0.2})
	p, err := d.Power()
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Burnt) == 0 || p.Runs {
		t.Errorf("power on a shorted rail: %+v", p)
	}
	if _, err := d.Close("C6 shorted", "replace"); err != nil {
		t.Fatal(err)
	}
	s := scoreOf(t, d)
	if s.Repaired || s.Parts.Risk >= 0 || s.Part != 1 {
		t.Errorf("a burnt board scores %+v", s.Parts)
	}
	d = newSession(t, 0, shortedC1)
	if p, err = d.Power(); err != nil || len(p.Burnt) > 0 || p.Runs {
		t.Errorf("power on a shorted key line: %+v, %v", p, err)
	}
	if err := d.on(journal.KindReplace, "C1"); err != nil {
		t.Fatal(err)
	}
	if p, err = d.Power(); err != nil || !p.Runs || p.PowerUp.Passed() {
		t.Errorf("power after the repair and before reading again: %+v, %v", p, err)
	}
}

// Small letters do; what was repaired is not repaired twice; a wire across a part that
// the board needs repairs nothing; and what power burnt stays burnt.
func TestBenchIsAsStudentsTakeIt(t *testing.T) {
	d := newSession(t, 0, placed{"R1 through 1-2", fault.Open, 0})
	if r, err := d.Read("j1.2", "", 0, false); err != nil || r.At != "J1.2" || !r.Reading.Overload {
		t.Errorf("read j1.2: %+v, %v", r, err)
	}
	if err := d.on(journal.KindClean, "j1.4-d1.1"); err != nil {
		t.Error(err)
	}
	if err := d.on(journal.KindClean, "J1.4 to D1.1"); err == nil || err.Error() != "`J1.4-D1.1` was repaired before, and holds" {
		t.Errorf("repaired twice: %v", err)
	}
	if err := d.on(journal.KindJumper, "r1"); err != nil {
		t.Error(err)
	}
	if r, err := d.Read("J1.2", "", 0, false); err != nil || r.Reading.Overload || d.Repaired() {
		t.Errorf("with a wire across R1 J1.2 reads %+v, %v; repaired: %v", r, err, d.Repaired())
	}
	if err := d.on(journal.KindReplace, "R1"); err != nil || !d.Repaired() {
		t.Errorf("with a new R1: repaired %v, %v", d.Repaired(), err)
	}
	d = newSession(t, 0, placed{"C6 1-2", fault.Shorted, 0.2})
	if p, err := d.Power(); err != nil || len(p.Burnt) == 0 || p.Dead {
		t.Errorf("power on a short: %+v, %v", p, err)
	}
	if err := d.on(journal.KindReplace, "C6"); err != nil {
		t.Fatal(err)
	}
	if p, err := d.Power(); err != nil || len(p.Burnt) > 0 || !p.Dead || p.Runs {
		t.Errorf("power on a burnt board: %+v, %v", p, err)
	}
}

// A case that is closed while a pin still reads wrong is remarked on, and the
// half that was right is no sound guess.
func TestClosedTooSoon(t *testing.T) {
	d := newSession(t, 0, placed{"C2 1-2", fault.Shorted, 0.8}, placed{"R10 through 1-2", fault.Open, 0})
	if err := d.on(journal.KindRemove, "C2"); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Read("J1.3", "", 0, false); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Close("C2 shorted", ""); err != nil {
		t.Fatal(err)
	}
	s := scoreOf(t, d)
	want := []Remark{{5, Risky, "closed though the last reading at J1.8 is open"}}
	if diff := cmp.Diff(want, s.Remarks); diff != "" || s.Part != 0.5 || s.Repaired {
		t.Errorf("part %v, repaired %v, remarks (-want +got):\n%s", s.Part, s.Repaired, diff)
	}
}

// A reading that is doubted may be taken once more, and not forever.
func TestReadingAgain(t *testing.T) {
	d := newSession(t, 0)
	for range 2 {
		if _, err := d.Read("J1.2", "", 0, false); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := d.Close("nothing", ""); err != nil {
		t.Fatal(err)
	}
	s := scoreOf(t, d)
	if len(s.Remarks) != 1 || s.Remarks[0].Event != 4 || !strings.HasSuffix(s.Remarks[0].Why, "the same reading again, nothing changed in between; it cost no points, for the whole was quick enough") {
		t.Errorf("read twice more than the sweep: %v", s.Remarks)
	}
}

// A rail that read shorted before the repair is no reason against power after it,
// and a part that was taken off, and left off once that proved right, was no luck.
func TestLiftedAndProven(t *testing.T) {
	d := newSession(t, 0, placed{"C4 1-2", fault.Shorted, 0.2})
	for _, end := range []string{"FB1.1", "FB1.2"} { // which side of the bead it is on
		if _, err := d.Read(end, "", 0, true); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.on(journal.KindRemove, "C4"); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{"J1.7", "V3V3"} {
		if _, err := d.Read(at, "", 0, false); err != nil {
			t.Fatal(err)
		}
	}
	if p, err := d.Power(); err != nil || !p.Runs || !p.PowerUp.Passed() {
		t.Fatalf("power: %+v, %v", p, err)
	}
	if _, err := d.Close("C4 shorted", ""); err != nil {
		t.Fatal(err)
	}
	if s := scoreOf(t, d); len(s.Remarks) > 0 || *s.Justified < 0.9 || s.Points < 99 {
		t.Errorf("%v points, justified %v, %v", s.Points, *s.Justified, s.Remarks)
	}
}

// A fault that comes and goes is there in the sweep, and in about seven readings
// of ten afterwards.
func TestFlicker(t *testing.T) {
	d := newSession(t, 0.3, placed{"R1 through 1-2", fault.Open, 0})
	if r := d.Case().All[1].Readings[1].Reading; !r.Overload {
		t.Errorf("the sweep reads %v at J1.2; want OL", r)
	}
	there := 0
	const readings = 100
	for range readings {
		r, err := d.Read("J1.2", "", 0, false)
		if err != nil {
			t.Fatal(err)
		}
		if r.Reading.Overload {
			there++
		}
	}
	// binomial, n 100, p 0.7: within 4 standard deviations of 4.6
	if there < 52 || there > 88 {
		t.Errorf("the fault was there in %d of %d readings; want about 70", there, readings)
	}
}

// A probe misses its pad now and then, and the display settles by one count.
func TestReadingsVary(t *testing.T) {
	d := newSession(t, 0)
	missed, seen := 0, map[float64]int{}
	const readings = 400
	for range readings {
		r, err := d.Read("J1.4", "", 0, false)
		if err != nil {
			t.Fatal(err)
		}
		if r.Reading.Overload {
			missed++
		} else {
			seen[math.Round(r.Reading.Value*1e3)]++
		}
	}
	if missed == 0 || missed > 15 { // Poisson, mean 4
		t.Errorf("%d of %d readings missed; want about 4", missed, readings)
	}
	if len(seen) < 2 || len(seen) > 4 {
		t.Errorf("the display showed %v; want a few counts", seen)
	}
}

// A session that is left goes on from its record, and shows the same to one who
// asks the same.
func TestSittingGoesOn(t *testing.T) {
	c, dir := written(t, "shorts", 1, 6)
	play := func(record string, leave bool) []journal.Event {
		d, err := Begin(c.Cases[0].File.Path, filepath.Join(dir, record), "Ada")
		if err != nil {
			t.Fatal(err)
		}
		for i, at := range []string{"J1.2", "J1.4", "SDA_U", "J1.7", "KEY_A_U"} {
			if _, err := d.Read(at, "", 0, false); err != nil {
				t.Fatal(err)
			}
			if leave && i == 2 {
				if err := d.Leave(); err != nil {
					t.Fatal(err)
				}
				if d, err = Begin(c.Cases[0].File.Path, filepath.Join(dir, record), "Ada"); err != nil {
					t.Fatal(err)
				}
			}
		}
		if _, err := Begin(c.Cases[0].File.Path, filepath.Join(dir, record), "Bob"); err == nil {
			t.Error("two sessions write one record")
		}
		if err := d.Leave(); err != nil {
			t.Fatal(err)
		}
		return d.Case().All
	}
	var readings [2][]string
	for k, events := range [][]journal.Event{play("one.yaml", false), play("two.yaml", true)} {
		for _, e := range events {
			for _, r := range e.Readings {
				readings[k] = append(readings[k], fmt.Sprint(r.Name, quantity.FormatReading(r.Reading)))
			}
		}
	}
	if diff := cmp.Diff(readings[0], readings[1]); diff != "" {
		t.Errorf("readings differ: %s", diff)
	}
	if _, err := Begin(c.Cases[0].File.Path, filepath.Join(dir, "board.yaml"), "Ada"); err == nil {
		t.Error("the board file was taken for a record")
	}
}

// A reading that the bench did not show is doubted.
func TestDoubtfulRecords(t *testing.T) {
	c, dir := written(t, "opens", 1, 6)
	record := filepath.Join(dir, "ada.yaml")
	d, err := Begin(c.Cases[0].File.Path, record, "Ada")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Read("J1.4", "", 0, false); err != nil {
		t.Fatal(err)
	}
	if err := d.Leave(); err != nil {
		t.Fatal(err)
	}
	keys := passphrase
	s, _, err := NewScorer(keys).Score(record)
	if err != nil || len(s.Doubts) > 0 || s.Closed || s.Points != 0 {
		t.Fatalf("an honest record: %v, %v", s, err)
	}
	text, err := os.ReadFile(record)
	if err != nil {
		t.Fatal(err)
	}
	forged := string(text) + "---\nread: {J1.3: 0.123}\n---\nclose: {cause: R1 open, remedy: replace}\n"
	if err := os.WriteFile(record, []byte(forged), 0o666); err != nil {
		t.Fatal(err)
	}
	want := []string{"event 4: the bench showed another reading at J1.3", "2 of its events are not as the bench wrote them: they were changed or added by hand"}
	if s, _, err = NewScorer(keys).Score(record); err != nil || !slices.Equal(s.Doubts, want) {
		t.Errorf("a forged reading: %v, %v", s.Doubts, err)
	}
	if _, _, err := NewScorer("another passphrase").Score(record); err == nil {
		t.Error("scored without the passphrase")
	}
	if _, _, err := NewScorer(keys).Score("../../../testdata/demo/cases/touch-dead.yaml"); err == nil || !strings.Contains(err.Error(), "is not the record of a practice case") {
		t.Errorf("a case that is no practice: %v", err)
	}
}

// Scores of plain situations, by the rule that stands beside Points.
func TestPoints(t *testing.T) {
	good := func(d *Session) { d.Read("KEY_A_U", "", 0, false) }
	for _, test := range []struct {
		name    string
		actions func(*Session)
		verdict string
		remedy  string
		want    PointsByPart
		remarks []string // kinds
	}{
		{"right and proven", func(d *Session) { good(d); d.on(journal.KindRemove, "C1"); d.Read("J1.2", "", 0, false) }, "C1 shorted", "done",
			PointsByPart{40, 15, 15, 30, 0}, nil},
		{"right, mode left out, not proven", good, "C1", "leave off", PointsByPart{40, 0, 15, 30, -10}, []string{Risky}},
		{"right part, wrong mode", good, "C1 open", "leave off", PointsByPart{40, 0, 15, 30, -10}, []string{Risky}},
		{"wrong part", good, "R1 open", "replace", PointsByPart{0, 0, 0, 0, -20}, []string{Risky}},
		{"said to be good", good, "nothing", "none", PointsByPart{0, 0, 0, 0, -10}, []string{Risky}},
		{"one part too many", good, "C1 shorted and C2 shorted", "leave off", PointsByPart{20, 7.5, 15, 15, -10}, []string{Risky}},
	} {
		d := newSession(t, 0, shortedC1)
		test.actions(d)
		if _, err := d.Close(test.verdict, test.remedy); err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		s := scoreOf(t, d)
		if diff := cmp.Diff(test.want, s.Parts); diff != "" {
			t.Errorf("%s (-want +got):\n%s%v", test.name, diff, s.Remarks)
		}
		for _, kind := range test.remarks {
			found := false
			for _, r := range s.Remarks {
				found = found || r.Kind == kind
			}
			if !found {
				t.Errorf("%s: nothing %s among %v", test.name, kind, s.Remarks)
			}
		}
	}
}

// Modes that no reading distinguishes count alike.
func TestModesAlike(t *testing.T) {
	k := &marker{c: &journal.Case{Meter: references.DefaultMeter()}}
	for _, test := range []struct {
		said, is fault.Mode
		ohms     float64
		want     bool
	}{
		{fault.Open, fault.OpenJoint, math.Inf(1), true},
		{fault.Open, fault.Missing, math.Inf(1), true},
		{fault.Shorted, fault.Bridged, 0.1, true},
		{fault.Open, fault.High, 5e4, true},  // reads OL at 1 mA
		{fault.Open, fault.High, 300, false}, // reads 0.3 V more
		{fault.Shorted, fault.Leaky, 12, true},
		{fault.Shorted, fault.Leaky, 470, false},
		{fault.Leaky, fault.Shorted, 8, true},
		{fault.Leaky, fault.Open, math.Inf(1), false},
	} {
		if got := k.alike(test.said, test.is, test.ohms); got != test.want {
			t.Errorf("%s said of %s with %g ohm: %v", test.said, test.is, test.ohms, got)
		}
	}
}

// What a student is told agrees with itself: a case that is not closed has no justified
// verdict, a repair that was done is not paid twice, a part that the board needs is put
// on again without blame, and what is said against a step has the probability that the
// readings gave.
func TestFeedbackAgrees(t *testing.T) {
	d := newSession(t, 0, placed{"R9 at 1", fault.OpenJoint, 0})
	if err := d.on(journal.KindClean, "R9.1"); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := d.Read("J1.6", "", 0, false); err != nil {
			t.Fatal(err)
		}
	}
	if s := scoreOf(t, d); s.Justified != nil || s.Closed {
		t.Errorf("not closed, and justified %v", *s.Justified)
	}
	spent := d.Seconds()
	if _, err := d.Close("R9.1 open joint", "resolder"); err != nil {
		t.Fatal(err)
	}
	s := scoreOf(t, d)
	if d.Seconds() != spent || !s.Repaired || slices.ContainsFunc(s.Remarks, func(r Remark) bool { return r.Kind == Risky }) {
		t.Errorf("%.0f s, then %.0f; repaired %v; %v", spent, d.Seconds(), s.Repaired, s.Remarks)
	}

	d = newSession(t, 0, placed{"R9 at 1", fault.OpenJoint, 0})
	if err := d.on(journal.KindRemove, "R9"); err != nil {
		t.Fatal(err)
	}
	if err := d.on(journal.KindReplace, "R9"); err != nil {
		t.Fatal(err)
	}
	if s := scoreOf(t, d); s.Steps[1].Lost != 0 || s.Steps[1].Why != "" {
		t.Errorf("to put on a part that is needed loses %.0f s: %s", s.Steps[1].Lost, s.Steps[1].Why)
	}

	d = newSession(t, 0, placed{"D2 1-2", fault.Shorted, 0.4})
	if err := d.on(journal.KindReplace, "C3"); err != nil { // on another line
		t.Fatal(err)
	}
	if _, err := d.Read("J1.5", "", 0, false); err != nil {
		t.Fatal(err)
	}
	step := scoreOf(t, d).Steps[0]
	if want := "the readings gave C3 less than 1 %, and it took 240 s; better: replace D2, which repairs it with a probability of "; !strings.HasPrefix(step.Why, want) || step.Lost < 200 {
		t.Errorf("%q, lost %.0f s; want %q...", step.Why, step.Lost, want)
	}
	if step.Before < 0 || step.Before > 3 || math.Abs(step.Before-step.After) > 0.3 {
		t.Errorf("a wrong part replaced moves the uncertainty from %.2f to %.2f bits", step.Before, step.After)
	}
}
