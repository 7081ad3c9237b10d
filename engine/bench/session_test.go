package bench

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

var update = flag.Bool("update", false, "write testdata/sessions and testdata/fed again")

// endings is how each case of the demo has to end, from what is true of it
// (testdata/demo/answers/truth.yaml): what its cause names and what its remedy.
var endings = map[string]struct{ cause, remedy string }{
	"tail-not-detected":          {"C46 shorted", "left off C46"},
	"touch-dead":                 {"FL3 open", "jumpered FL3"},
	"touch-never-wakes":          {"C40 shorted", "left off C40"},
	"picture-flickers-when-warm": {"J3.22 to J3.24 bridged", "cleaned J3.22-J3.24"},
	// The way taken reads nothing that tells its 47 ohm from a short.
	"battery-flat-overnight":    {"C72 shorted", "left off C72"},
	"touch-dead-no-fault-found": {"no fault found", "none"},
	"touch-dead-again":          {"no fault found", "none"},
}

// TestSessions plays every case of the demo from an empty case to a closed one,
// doing as asked: the cause is the true part, the board is repaired, the power-up
// check passes, and the case file says the same when it is read again. With -update the
// entries are written to testdata/sessions, from where the tests of the bench page
// enter them, and those of a file to testdata/fed, from where the tests of the command
// line feed them to the program.
func TestSessions(t *testing.T) {
	for i := range 2 * len(loadDemo(t).Cases) {
		name := strings.TrimSuffix(filepath.Base(loadDemo(t).Cases[i/2].File), ".yaml")
		fed := i%2 == 1 // as lines of a file are taken
		t.Run(fmt.Sprintf("%s fed %v", name, fed), func(t *testing.T) {
			want, ok := endings[name]
			if !ok {
				t.Fatalf("nothing says how %s has to end", name)
			}
			tb := lay(t, name)
			tb.s.Fed(fed)
			var sweep []string
			for _, c := range tb.c.Sweep {
				sweep = append(sweep, tb.w.Case().Board.Connectors[c].Name)
			}
			tb.play(sweep...)
			end, closed := tb.w.Case().Closed()
			if !closed || end.Cause != want.cause || end.Remedy != want.remedy {
				t.Errorf("ended as %q, %q; want %q, %q\n%s", end.Cause, end.Remedy, want.cause, want.remedy, tb.log.String())
			}
			g, err := powerup.Check(tb.w.Case(), tb.e, powerup.Limits{})
			if err != nil || !g.Passed() || (len(g.Reworked) > 0) != (want.remedy != "none") {
				t.Errorf("power-up check %+v, %v", g, err)
			}
			again, err := journal.Load(tb.w.Case().File)
			if err != nil || len(again.All) != len(tb.w.Case().All) {
				t.Errorf("read again: %v", err)
			}
			// A sweep, its outliers again, and a handful of steps: more means
			// that the session asks in circles.
			pins := 0
			for _, c := range tb.c.Sweep {
				pins += len(tb.w.Case().Board.Connectors[c].Pins)
			}
			if most := pins + 26; tb.asks > most {
				t.Errorf("%d asks, want at most %d\n%s", tb.asks, most, tb.log.String())
			}
			if *update {
				folder := "sessions"
				if fed {
					folder = "fed"
				}
				text := "# INVENTED session on an invented board: what was entered, line by line.\n" +
					"# Made by: go test ./engine/bench -run TestSessions -update\n" + strings.Join(tb.said, "\n") + "\n"
				if err := os.WriteFile(filepath.Join("testdata", folder, name+".txt"), []byte(text), 0o666); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// TestResume ends the session after every entry and begins another one: it asks
// for the same.
func TestResume(t *testing.T) {
	tb := lay(t, "touch-dead")
	entries := 0
	for sweep := "sweep J7"; ; entries++ {
		p := tb.ask()
		want := describe(tb.w.Case().Board, p)
		if p.Ask == Closed {
			break
		}
		file := tb.w.Case().File
		// What is not in the record is asked again: the choice of a connector,
		// and whether an outlier is accepted.
		transient := p.Ask == AskReading && p.Purpose == ForAgain || p.Ask == AskClose || entries < 4
		if !transient {
			if err := tb.w.Close(); err != nil {
				t.Fatal(err)
			}
			var err error
			if tb.w, err = journal.Append(file, "test"); err != nil {
				t.Fatal(err)
			}
			if tb.s, err = Begin(tb.w, tb.e, Options{}); err != nil {
				t.Fatal(err)
			}
			if got := describe(tb.w.Case().Board, tb.ask()); got != want {
				t.Fatalf("after %d entries another session asks for %q, want %q", entries, got, want)
			}
		}
		line := tb.answer(p)
		if p.Ask == AskConnector {
			line = sweep
		}
		tb.enter(line)
		if entries > 60 {
			t.Fatal("over range")
		}
	}
	if entries < 20 {
		t.Errorf("only %d entries", entries)
	}
}

// begin lays the touch-dead board on the table, cautions acknowledged, J7 being swept.
func begin(t *testing.T) *table {
	t.Helper()
	tb := lay(t, "touch-dead")
	if p := tb.ask(); p.Ask != AskCautions || len(p.Cautions) < 5 {
		t.Fatalf("first asks for %s with %d cautions", describe(tb.w.Case().Board, p), len(p.Cautions))
	}
	tb.enter("y")
	tb.enter("sweep J7")
	return tb
}

func (tb *table) wants(what string) {
	tb.t.Helper()
	if got := describe(tb.w.Case().Board, tb.ask()); got != what {
		tb.t.Fatalf("asks for %q, want %q", got, what)
	}
}

func (tb *table) refuses(line, why string) {
	tb.t.Helper()
	before := len(tb.w.Case().All)
	_, err := tb.s.Enter(line)
	if err == nil || !strings.Contains(err.Error(), why) || !strings.Contains(err.Error(), "; ") {
		tb.t.Errorf("%q: error %v, want %q and what to do", line, err, why)
	}
	if n := len(tb.w.Case().All); n != before {
		tb.t.Errorf("%q was refused and recorded all the same", line)
	}
}

// TestSweepKeys goes through the keys of a sweep.
func TestSweepKeys(t *testing.T) {
	tb := begin(t)
	tb.wants("reading (sweep) J7.1 red-on-ground")
	tb.refuses("", "a reading of J7.1 is wanted")
	tb.refuses("fish", "means nothing here")
	tb.refuses("J99.1 0.5", "`J99.1` is not a point of this board")
	tb.refuses("5.2", "where this meter shows OL")
	tb.refuses("b", "this is the first pin")
	tb.refuses("1", "a display that shows a lone 1")
	tb.refuses("1 at J7.1", "a display that shows a lone 1")
	tb.enter("at J7.2")
	tb.enter("0.564")
	tb.enter("b")
	tb.wants("reading (sweep) J7.2 red-on-ground")
	tb.enter("")
	tb.enter("J7.1") // a point alone is asked for
	tb.enter("0.001")
	// Along the rows: the odd pins, then the even ones.
	tb.wants("reading (sweep) J7.3 red-on-ground")
	tb.enter("s")
	tb.wants("reading (sweep) J7.5 red-on-ground")
	tb.enter("b") // to the skipped one
	tb.wants("reading (sweep) J7.3 red-on-ground")
	tb.enter("p")
	tb.wants("reading (sweep) J7.3 black-on-ground")
	tb.enter("p")
	tb.wants("reading (sweep) J7.3 red-on-ground")
	// An outlier is on the disk before it is asked for again. The second
	// agrees with good boards, so the first one does not count.
	r := tb.enter("9.9E37")
	if !r.Outlier || len(r.Recorded) != 1 || r.Readings[0].Verdict != diagnose.IsOpen {
		t.Errorf("an outlier: %+v", r)
	}
	tb.wants("reading (again) J7.3 red-on-ground")
	r = tb.enter("0.622")
	if len(r.Recorded) != 2 {
		t.Errorf("a second reading that agrees: %+v, want it and an undo", r)
	}
	// Mistyped: b takes the entry back and asks for the same pin.
	tb.wants("reading (sweep) J7.5 red-on-ground")
	if r := tb.enter("0,052"); !r.Outlier || math.Abs(*r.Readings[0].Volts-0.052) > 1e-9 {
		t.Errorf("a decimal comma: %+v", r)
	}
	tb.wants("reading (again) J7.5 red-on-ground")
	tb.enter("b")
	tb.wants("reading (sweep) J7.5 red-on-ground")
	tb.enter("0.562 V DC")
	tb.wants("reading (sweep) J7.7 red-on-ground")
	tb.enter("at J7.4")
	tb.wants("reading (sweep) J7.4 red-on-ground")
	// An outlier and the same again is accepted.
	tb.enter("0.300")
	tb.enter("0.302")
	tb.wants("reading (sweep) J7.6 red-on-ground")
	// The last reading once more, in its place.
	tb.enter("r")
	tb.wants("reading (sweep) J7.4 red-on-ground")
	tb.enter("0.621")
	tb.wants("reading (sweep) J7.6 red-on-ground")
	// Back, look and go on without changing anything.
	tb.enter("b")
	tb.wants("reading (sweep) J7.4 red-on-ground")
	tb.enter("")
	tb.wants("reading (sweep) J7.6 red-on-ground")
	tb.enter("undo")
	tb.enter("note the tail was wet")
	r = tb.enter("0.430 at R12.2")
	if len(r.Readings) == 0 || r.Readings[0].At != "R12.2" {
		t.Errorf("a free reading: %+v", r)
	}
	if p := tb.ask(); p.Purpose == ForAgain {
		tb.enter("y")
	}
	tb.enter("d")
	if p := tb.ask(); p.Ask == AskReading && p.Purpose == ForSweep {
		t.Errorf("asks for %s after enough of the sweep", describe(tb.w.Case().Board, p))
	}
	if r := tb.enter("?"); r.Show != ShowHelp {
		t.Errorf("? shows %d", r.Show)
	}
	if r := tb.enter("q"); !r.Quit {
		t.Error("q does not leave")
	}
}

// TestMoves: what people do of their own accord, in plain words, at any time.
func TestMoves(t *testing.T) {
	b := loadDemo(t).Model.Board
	part := func(name string) netlist.PartID {
		id, err := b.PartByName(name)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	tests := []struct {
		line, event string // as Describe puts it; "" where it is refused
	}{
		{"removed R12", "removed R12"},
		{"I removed r12.", "removed R12"},
		{"took off R12, C40 and C41", "removed R12, C40, C41"},
		{"put back R12", "put back R12"},
		{"replaced FL3", "replaced FL3"},
		{"replaced FL3 and R13", "replaced FL3, R13"},
		{"bridged FL3", "jumpered FL3"},
		{"C40 removed", "removed C40"},
		{"took R12 off", "removed R12"},
		{"R12 and C40 are off", "removed R12, C40"},
		{"desoldered C40", "removed C40"},
		{"FL3 replaced", "replaced FL3"},
		{"FL3 jumpered", "jumpered FL3"},
		{"C40 was cleaned", "cleaned C40"},
		{"C999 removed", ""},
		{"R12.2=0.430", "0.430 at R12.2"},
		{"0.430@R12.2", "0.430 at R12.2"},
		{"430 mv at R12.2", "0.430 at R12.2"},
		{"0.43v at R12.2", "0.430 at R12.2"},
		{"bridged FL3 with 0.1 ohm", "jumpered FL3"},
		{"cleaned J7.2-J7.4", "cleaned J7.2-J7.4"},
		{"cleaned between J7.2 and J7.4", "cleaned J7.2-J7.4"},
		{"resoldered j7.2", "resoldered J7.2"},
		{"wired TP14 to R12.1", "jumpered TP14-R12.1"},
		{"C40 burnt", "C40 burnt"},
		{"C40 looks corroded", "C40 corroded"},
		{"looked at C41: clean", "C41 clean"},
		{"C80 warm on V3V3_A", "C80 warm on V3V3_A"},
		{"C80 got hot on v3v3_a", "C80 warm on V3V3_A"},
		{"nothing warm on V3V3_A", "nothing warm on V3V3_A"},
		{"0.430 at R12.2", "0.430 at R12.2"},
		{"I read 430 at R12.2", "0.430 at R12.2"},
		{"R12.2 reads OL", "OL at R12.2"},
		{"OL at J7.3, black on ground", "OL at J7.3, probes swapped"},
		{"0.6 at J7.3 swapped", "0.600 at J7.3, probes swapped"},
		{"22.1 ohm from R12.1 to R12.2", "22.1 ohm from R12.1 to R12.2"},
		{"R12.1 to R12.2: 22.1 ohm", "22.1 ohm from R12.1 to R12.2"},
		{"22.1 ohm across R12", "22.1 ohm from R12.1 to R12.2"},
		{"measured across r12: 22.1 ohm", "22.1 ohm from R12.1 to R12.2"},
		{"OL across R12.2 and R12.1", "OL from R12.2 to R12.1"},
		{"4.7 kohm across R12.1", ""},
		{"4.7 kohm across J7.3", ""},
		{"4.7 kohm at R12", ""},
		{"draws 12 mA before the key", "draws 12 mA before the power button"},
		{"draws 12 mA before the power button", "draws 12 mA before the power button"},
		{"draws 12 mA after the button", "draws 12 mA after the power button"},
		{"power 95 mA after", "draws 95 mA after the power button"},
		{"note OL at J7.3 was off the pad", "note: OL at J7.3 was off the pad"},
		{"concerns TP_SDA, TP_SCL", "the complaint concerns TP_SDA, TP_SCL"},
		{"concerns", ""},
		{"concerns TP_SDAA", ""},
		{"removed R99", ""},
		{"cleaned J7.2-J7.3", ""},
		{"resoldered J7.2-J7.4", ""},
		{"0.430 at R99.2", ""},
		{"0.430 at", ""},
		{"from R12.1 to 22.1 ohm", ""},
		{"0.430 from R12.1 to R12.1", ""},
		{"C40 warm on NOWHERE", ""},
		{"bridged FL3 with a spoon", ""},
		{"hello", ""},
		{strings.Repeat("x", 3000), ""},
	}
	for _, tt := range tests {
		e, err := understand(b, tt.line)
		if tt.event == "" {
			if err == nil {
				t.Errorf("%q means %+v, want it refused", tt.line, e)
			} else if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", tt.line, err)
			}
			continue
		}
		if err != nil || e.verb != record {
			t.Errorf("%q: %+v, %v", tt.line, e, err)
			continue
		}
		if got := Describe(b, &e.event); got != tt.event {
			t.Errorf("%q means %q, want %q", tt.line, got, tt.event)
		}
	}
	if _, err := understand(b, "0.430 at R122.2"); err == nil || !strings.Contains(err.Error(), "did you mean `R12.2`?") {
		t.Errorf("a point that there is not: %v", err)
	}
	if _, err := understand(b, "4.7 kohm across R12.1"); err == nil || !strings.Contains(err.Error(), "4.7 kohm from R12.1 to R12.2") {
		t.Errorf("one end of a part: %v", err)
	}
	e, err := understand(b, "bridged FL3 with 0.1 ohm")
	if err != nil || e.event.Jumpers[0] != (journal.Jumper{Part: part("FL3"), Ohms: 0.1}) {
		t.Errorf("bridge %+v, %v", e.event.Jumpers, err)
	}
}

// TestMeterLine: what instruments send. The numbers of SCPI-1999 that stand for
// infinity and for no number are from memory.
func TestMeterLine(t *testing.T) {
	volt := func(v float64) quantity.Reading { return quantity.Reading{Value: v, Unit: quantity.Volt} }
	over := quantity.Reading{Overload: true, Unit: quantity.Volt}
	tests := []struct {
		line string
		want quantity.Reading
		bad  bool
	}{
		{"+4.52000E-01", volt(0.452), false},
		{"4.52e-1 V", volt(0.452), false},
		{"+4.52000E-01 VDC\r\n", volt(0.452), false},
		{"-1.2E-03", volt(-0.0012), false},
		{"+0.00000E+00", volt(0), false},
		{"9.9E37", over, false},
		{"+9.90000000E+37", over, false},
		{"2.21E+01 OHM", quantity.Reading{Value: 22.1, Unit: quantity.Ohm}, false},
		{"0.521 V DC", volt(0.521), false}, // as displays and sigrok-cli print it
		{"521.0 mV DC DIODE", volt(0.521), false},
		{"0.521 VDC", volt(0.521), false},
		{"inf V DC DIODE", over, false},
		{"OVLD", over, false},
		{"OL V DC", over, false},
		{"22.10 Ω AUTO", quantity.Reading{Value: 22.1, Unit: quantity.Ohm}, false},
		{"inf kΩ", quantity.Reading{Overload: true, Unit: quantity.Ohm}, false},
		{"0,521", volt(0.521), false},
		{",413", volt(0.413), false},
		{",45 V", volt(0.45), false},
		{"0.521 V AC RMS", quantity.Reading{}, true},
		{"0.521 V DC HOLD", quantity.Reading{}, true},
		{"-inf V DC", quantity.Reading{}, true},
		{"nan V DC", quantity.Reading{}, true},
		{"0,561,2", quantity.Reading{}, true},
		{"9.9E37 OHM", quantity.Reading{Overload: true, Unit: quantity.Ohm}, false},
		{"0.452", volt(0.452), false},
		{"452", volt(0.452), false},
		{"OL", over, false},
		{"9.91E37", quantity.Reading{}, true},
		{"-9.9E37", quantity.Reading{}, true},
		{"4.5E-01 A", quantity.Reading{}, true},
		{"1E999", quantity.Reading{}, true},
		{"", quantity.Reading{}, true},
		{"\x00\xff", quantity.Reading{}, true},
	}
	for _, tt := range tests {
		got, err := ParseMeterLine(tt.line)
		if (err != nil) != tt.bad {
			t.Errorf("%q: %+v, %v", tt.line, got, err)
			continue
		}
		if err == nil && (got.Overload != tt.want.Overload || got.Unit != tt.want.Unit || math.Abs(got.Value-tt.want.Value) > 1e-12) {
			t.Errorf("%q reads %+v, want %+v", tt.line, got, tt.want)
		}
	}
}

// TestCautions: no point is asked for before the cautions are acknowledged, what names its
// point or part is on the disk at once all the same, each is asked for once a case, and heat
// and injected current have their own.
func TestCautions(t *testing.T) {
	tb := lay(t, "touch-dead")
	tb.refuses("0.452", "the cautions come first")
	tb.refuses("", "the cautions come first")
	tb.enter("n owner waits")
	for _, line := range []string{"0.564 at J7.2", "C41 clean"} {
		if r := tb.enter(line); len(r.Recorded) != 1 || len(r.Says) != 1 || !strings.Contains(r.Says[0], "the cautions come next") {
			t.Errorf("%q before the cautions: %+v", line, r)
		}
	}
	p := tb.ask()
	var keys []string
	for _, c := range p.Cautions {
		keys = append(keys, c.Key)
	}
	want := []string{"battery out", "capacitors discharged", "boosted rails discharged", "lithium cells", "rules first"}
	if diff := cmp.Diff(want, keys); diff != "" {
		t.Errorf("cautions (-want +got):\n%s", diff)
	}
	tb.enter("q")
	if c, err := journal.Load(tb.w.Case().File); err != nil || len(c.All) != 4 || len(c.All[2].Readings) != 1 || len(c.All[3].Looks) != 1 {
		t.Errorf("on the disk when the session is left at the cautions: %+v, %v", c.All, err)
	}
	tb.enter("y")
	if p := tb.ask(); p.Ask == AskCautions {
		t.Error("asks for the same cautions twice")
	}
	for when, word := range map[occasion]string{beforeHeat: "Flux fumes", beforeInjecting: "current limit", beforePower: "bench supply"} {
		found := slices.ContainsFunc(cautions(tb.w.Case().Board, when), func(c Caution) bool { return strings.Contains(c.Text, word) })
		if !found {
			t.Errorf("no caution says %q", word)
		}
	}
	if got := len(Cautions(tb.w.Case())); got != len(want) {
		t.Errorf("%d cautions on record, want %d", got, len(want))
	}
}

// TestRotated: a part that was fitted the wrong way round keeps the session from
// the power button, and the power-up check names it and its rail.
func TestRotated(t *testing.T) {
	tb := begin(t)
	tb.enter("d")
	tb.enter("replaced D6")
	// The only junction that conducts from ground to the touch supply is that of
	// the unidirectional TVS diode: turned round it leaves the rail open, and one drop with
	// the probes swapped (0.700 V by the solver that TestTurned of package powerup
	// verifies).
	tb.wants("mark")
	tb.enter("s")
	for range 4 {
		p := tb.ask()
		if p.Ask != AskReading {
			break
		}
		line := "OL"
		if p.At.Polarity == references.BlackOnGround {
			line = "0.700"
		}
		tb.enter(line)
	}
	if p := tb.ask(); p.Ask == AskPowerBefore || p.Ask == AskClose {
		t.Errorf("asks for %s", describe(tb.w.Case().Board, p))
	}
	g, err := tb.s.PowerUp()
	if err != nil || g.Passed() || !strings.Contains(g.Says, "D6 sits the wrong way round on VTP_3V3") {
		t.Errorf("power-up check %s, %v", g.Says, err)
	}
}

// TestCloseUnrepaired closes a case in which a line reads wrong and nothing was done
// about it.
func TestCloseUnrepaired(t *testing.T) {
	tb := begin(t)
	tb.enter("0.025 at J7.2")
	tb.enter("close C40 shorted; none")
	p := tb.ask()
	if p.Ask != AskClose || p.PowerUp == nil || p.PowerUp.Result != powerup.Fail {
		t.Errorf("asks for %s, want the power-up check failed", describe(tb.w.Case().Board, p))
	}
}

// TestTakeInSweep chooses a step while readings are still asked for.
func TestTakeInSweep(t *testing.T) {
	tb := begin(t)
	tb.enter("sweep J7")
	tb.refuses("take 2", "a step cannot be chosen before this reading")
}

// TestRemovedTwice: what is off cannot come off, nor what is on come back.
func TestRemovedTwice(t *testing.T) {
	tb := begin(t)
	tb.refuses("put back R12", "R12 was not removed")
	tb.enter("removed R12")
	tb.refuses("removed R12", "R12 is removed already")
	tb.enter("put back R12")
	tb.refuses("put back R12", "R12 was not removed")
}

// TestOutlierRemoved: with a part off, a reading out of range that is neither that of a good
// board as it then lies nor the one before is asked for again; one that stayed is not.
func TestOutlierRemoved(t *testing.T) {
	for _, tt := range []struct {
		name, before, after string
		again               bool
	}{
		{"as before: D1 was not the cause", "0.102", "0.104", false},
		{"neither as before nor as a good board", "0.102", "0.930", true},
	} {
		tb := begin(t)
		tb.enter("d")
		for _, again := range []string{"", " once more"} { // an outlier is read twice
			if r := tb.enter(tt.before + " at J7.2"); r.Outlier != (again == "") {
				t.Fatalf("%s: before%s: %+v", tt.name, again, r)
			}
		}
		tb.enter("removed D1")
		for p := tb.ask(); p.Ask == AskCautions; p = tb.ask() {
			tb.enter("y")
		}
		if p := tb.ask(); p.Ask != AskReading || p.Purpose != ForRemoved {
			t.Fatalf("%s: asks %s", tt.name, describe(tb.s.board(), p))
		}
		if r := tb.enter(tt.after); r.Outlier != tt.again {
			t.Errorf("%s: asked for again: %v, want %v", tt.name, r.Outlier, tt.again)
		}
		if p := tb.ask(); (p.Purpose == ForAgain) != tt.again {
			t.Errorf("%s: then asks %s", tt.name, describe(tb.s.board(), p))
		}
	}
}

// TestChoiceKept: what was chosen out of turn is asked for by the next session too, as
// long as it was not read and nothing was done since.
func TestChoiceKept(t *testing.T) {
	tb := begin(t)
	tb.sweep()
	steps, err := tb.s.Steps()
	if err != nil {
		t.Fatal(err)
	}
	k := slices.IndexFunc(steps, func(x Numbered) bool { return x.Do == repair.DoRepair })
	if k < 1 {
		t.Fatalf("no repair among the steps on offer: %+v", steps)
	}
	first := describe(tb.s.board(), tb.ask())
	anew := func() string {
		t.Helper()
		if tb.s, err = Begin(tb.w, tb.e, Options{}); err != nil {
			t.Fatal(err)
		}
		return describe(tb.s.board(), tb.ask())
	}
	choose := func() string {
		list, err := tb.s.Steps()
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if stepKey(&x.Step) == stepKey(&steps[k].Step) {
				return fmt.Sprint("take ", x.Number)
			}
		}
		t.Fatalf("%s is not on offer", stepKey(&steps[k].Step))
		return ""
	}
	for _, tt := range []struct{ entry, want, then, after string }{
		{"FL3.in", "reading (chosen) FL3.in red-on-ground", "note later", "reading (chosen) FL3.in red-on-ground"},
		{"line J7.3", "reading (chosen) J7.3 red-on-ground", "OL", "reading (chosen) FL3.out red-on-ground"},
		{"", "cautions", "y", "remedy " + steps[k].Remedy + " " + steps[k].Part},
		{"TP15", "reading (chosen) TP15 red-on-ground", "removed R12", ""},
	} {
		entry := tt.entry
		if entry == "" {
			entry = choose()
		}
		tb.enter(entry)
		if got := anew(); got != tt.want {
			t.Errorf("%s: the next session asks for %s, want %s", tt.entry, got, tt.want)
		}
		tb.enter(tt.then)
		if got := anew(); tt.after != "" && got != tt.after || tt.after == "" && strings.Contains(got, "chosen") {
			t.Errorf("%s, then %s: the next session asks for %s, want %s", tt.entry, tt.then, got, tt.after)
		}
	}
	if strings.Contains(first, "chosen") {
		t.Errorf("asks for %s though nothing was chosen", first)
	}
	// What was chosen is no event to take back: the reading before it is.
	tb.enter("0.5 at TP14")
	tb.enter("TP15")
	if r := tb.enter("u"); !strings.Contains(strings.Join(r.Says, " "), "0.5 at TP14") && !strings.Contains(strings.Join(r.Says, " "), "0.500 at TP14") {
		t.Errorf("u after a choice: %v", r.Says)
	}
}

// TestUndo opens a closed case again.
func TestUndo(t *testing.T) {
	tb := begin(t)
	tb.enter("close no fault; none")
	tb.wants("close: no fault; none")
	tb.enter("y")
	tb.wants("closed")
	tb.refuses("0.5 at J7.2", "the case is closed")
	tb.enter("undo")
	if p := tb.ask(); p.Ask == Closed {
		t.Error("still closed after undo")
	}
	tb.refuses("undo 99", "no event 99")
	tb.refuses("undo 1", "cannot be taken back")
	// A caution that was read is no work: the last reading is what `u` takes back.
	tb = lay(t, "touch-dead")
	tb.enter("0.564 at J7.2")
	tb.enter("y")
	if r := tb.enter("u"); len(r.Says) != 1 || !strings.Contains(r.Says[0], "0.564 at J7.2") {
		t.Errorf("u after the cautions: %+v", r)
	}
	tb.refuses("u", "nothing to take back")
}

// TestOutlierOhms: a resistance out of range is asked for once more where it was taken, as a
// drop is; the same again is accepted, one that agrees takes the first back, and what a
// step was to distinguish is no surprise.
func TestOutlierOhms(t *testing.T) {
	lineUp := func() *table {
		tb := begin(t)
		tb.enter("d")
		return tb
	}
	for _, tt := range []struct{ second, says string }{{"901 ohm", "the same again: accepted"}, {"2.1 ohm", "the probe missed the pad at the first reading"}, {"b", "took back event"}, {"OL", "two readings out of range that differ"}} {
		tb := lineUp()
		if r := tb.enter("900 ohm from FL3.in to FL3.out"); !r.Outlier {
			t.Fatalf("900 ohm across FL3: %+v", r)
		}
		p := tb.ask()
		if p.Purpose != ForAgain || !p.Ohms || p.Name != "FL3.in" || p.To == nil || tb.s.board().PointName(*p.To) != "FL3.out" {
			t.Fatalf("asks %s, want FL3.in to FL3.out again in ohms", describe(tb.s.board(), p))
		}
		tb.refuses("0.4", "the resistance of FL3.in is wanted")
		if r := tb.enter(tt.second); len(r.Says) != 1 || !strings.Contains(r.Says[0], tt.says) {
			t.Errorf("%s after 900 ohm says %v, want %q", tt.second, r.Says, tt.says)
		}
		if p := tb.ask(); p.Ask == AskReading && p.Purpose == ForAgain {
			t.Errorf("%s after 900 ohm: asks a third time", tt.second)
		}
	}
	tb := lineUp()
	tb.enter("2.1 ohm from FL3.in to FL3.out")
	if r := tb.enter("r"); len(r.Says) != 1 || !strings.Contains(r.Says[0], "took back") {
		t.Errorf("r after a resistance: %+v", r)
	}
	at, _ := tb.s.board().Point("FL3.in")
	to, _ := tb.s.board().Point("FL3.out")
	p := &Prompt{Ask: AskReading, Purpose: ForStep, At: diagnose.Spot{At: at}, Ohms: true, To: &to, Step: &repair.Step{Do: repair.DoAcross, Outcomes: []repair.StepOutcome{{Ohms: diagnose.Number(1000)}, {Overload: true}}}}
	for _, x := range []struct {
		ohms    float64
		outlier bool
	}{{800, false}, {500, true}} {
		c := &diagnose.Comparison{Verdict: diagnose.High, Ohms: diagnose.Number(x.ohms), Resistance: true, To: "FL3.out"}
		if got := tb.s.outlier(p, true, c); got != x.outlier {
			t.Errorf("%g ohm where 1000 ohm or OL is expected: outlier %v, want %v", x.ohms, got, x.outlier)
		}
	}
}

// FuzzUnderstand: no line makes the session panic, and what is understood can be
// written and read back.
func FuzzUnderstand(f *testing.F) {
	for _, line := range []string{"0.452", "removed R12", "22.1 ohm from R12.1 to R12.2", "C71 warm on V3V3_A", "cleaned J7.2-J7.4", "undo 3", "9.9E37", "n \xff", "close a; b", "draws 0 before", "undrawn VTP_1V8: C99, U9.A1", "C40 C41 corroded", "cleaned and dried C40", "D10 sits the wrong way round", "touch not tested",
		// Letters whose other case has another number of bytes, and broken ones.
		"clean \xff\xff\xff", "fit ȺȺȺȺȺ", "fit \xe9\xe9\xe9", "removed ȺȺȺȺȺȺȺȺȺ", "bridge \xff\xff\xff\xff", "removed İR12", "sweep ȺȺȺȺȺȺȺȺȺ swapped"} {
		f.Add(line)
	}
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, line string) {
		e, err := understand(b, line)
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%q: %v does not say what to do", line, err)
			}
			return
		}
		if e.verb == record && Describe(b, &e.event) == "" {
			t.Errorf("%q means nothing: %+v", line, e.event)
		}
	})
}

// TestLeadOff: a sweep with the ground lead off ends in taking its readings back and
// in the same sweep again, with no step in between; read with the lead on, the
// session goes on as if it had never been.
func TestLeadOff(t *testing.T) {
	tb := begin(t)
	j7 := tb.w.Case().Board.Connectors[tb.ask().Connector]
	entries := 0
	for p := tb.ask(); p.Ask == AskReading; p = tb.ask() {
		if entries++; entries > 2*len(j7.Pins) {
			t.Fatalf("keeps asking for %s", describe(tb.w.Case().Board, p))
		}
		tb.enter("OL")
	}
	p := tb.ask()
	if p.Ask != AskImplausible || p.Diagnosis.Implausible.What != "the ground lead is off" || len(p.Diagnosis.Suspects) > 0 {
		t.Fatalf("asks for %s", describe(tb.w.Case().Board, p))
	}
	tb.refuses("none", "does not say that it was put right")
	tb.enter("y")
	for _, ev := range tb.w.Case().Events {
		if len(ev.Readings) > 0 {
			t.Errorf("event %d still counts", ev.Number)
		}
	}
	tb.wants("reading (sweep) J7.1 red-on-ground")
	tb.play()
	if end, _ := tb.w.Case().Closed(); end.Cause != endings["touch-dead"].cause {
		t.Errorf("ended as %q, want %q", end.Cause, endings["touch-dead"].cause)
	}
}

// TestLeftImplausible: readings that a technician stands by are left, and no step
// follows from them.
func TestLeftImplausible(t *testing.T) {
	tb := begin(t)
	for tb.ask().Ask == AskReading {
		tb.enter("OL")
	}
	tb.wants("implausible")
	tb.enter("s")
	tb.wants("stuck")
}

// TestVisit asks for points out of turn: a pin of the sweep, which goes on after
// it; a point within the line, once; the cautions before any.
func TestVisit(t *testing.T) {
	tb := lay(t, "touch-dead")
	tb.ask()
	if r := tb.enter("at J7.5"); len(r.Says) != 1 || !strings.Contains(r.Says[0], "cautions come next") {
		t.Errorf("before the cautions: %+v", r)
	}
	tb.enter("y")
	for _, x := range []struct{ enter, want string }{
		{"at J7.5", "reading (sweep) J7.5 red-on-ground"}, // no pin of J7 was read: the sweep begins there
		{"0.562", "reading (sweep) J7.7 red-on-ground"},
		{"at j7.1", "reading (sweep) J7.1 red-on-ground"},
		{"at FL3.out", "reading (chosen) FL3.out red-on-ground"},
		{"s", "reading (sweep) J7.1 red-on-ground"},
		{"at FL3.out", "reading (chosen) FL3.out red-on-ground"},
		{"0.622", "reading (sweep) J7.1 red-on-ground"},
		{"0.001", "reading (sweep) J7.3 red-on-ground"},
		{"at J3.2", "reading (sweep) J3.2 red-on-ground"}, // no pin of J3 was read either
	} {
		tb.enter(x.enter)
		if got := describe(tb.w.Case().Board, tb.ask()); got != x.want {
			t.Errorf("after %q: asks for %q, want %q", x.enter, got, x.want)
		}
	}
	if _, err := tb.s.Enter("at R999.1"); err == nil {
		t.Error("a point that is not on the board was taken")
	}
	// What a good board shows there is predicted before it is read.
	at, err := tb.w.Case().Board.Point("FL3.out")
	if err != nil {
		t.Fatal(err)
	}
	list, err := tb.s.Predict([]netlist.Point{at})
	if err != nil || len(list) != 1 || list[0].Volts == nil || math.Abs(*list[0].Volts-0.622) > 0.01 {
		t.Errorf("predicted at FL3.out: %+v, %v; want 0.622 within 0.010", list, err)
	}
}

// TestWordsOfTheField enters what the help and the screens say: each is understood.
func TestWordsOfTheField(t *testing.T) {
	board := lay(t, "touch-dead").w.Case().Board
	for text, want := range map[string]journal.Kind{
		"removed R12": journal.KindRemove, "reinstalled R12": journal.KindReinstall, "replaced FL3": journal.KindReplace,
		"jumper across FL3": journal.KindJumper, "resoldered J7.2": journal.KindResolder,
	} {
		if e, err := understand(board, text); err != nil || e.verb != record || e.event.Kind != want {
			t.Errorf("%q: %v, verb %d, kind %v, want %v", text, err, e.verb, e.event.Kind, want)
		}
	}
	for text, want := range map[string]verb{"J7": sweep, "measure J7.4": visit, "read FL3.in": visit, "probe R12.1": visit, "escalate": escalating, "escalated under a shield": escalating, "close": closing, "at J7.4": visit, "u": undo} {
		if e, err := understand(board, text); err != nil || e.verb != want {
			t.Errorf("%q: %v, verb %d, want %d", text, err, e.verb, want)
		}
	}
}

// TestFromProgram: lines as sigrok-cli 0.7 printed them for its demo driver, and with
// the units and modes of a meter (from memory).
func TestFromProgram(t *testing.T) {
	b := loadDemo(t).Model.Board
	for _, x := range []struct {
		line, want string
		ok         bool
	}{
		{"A0: -400.0 mV DC", "-400.0 mV DC", true},
		{"A0: 3.0902 V DC", "3.0902 V DC", true},
		{"P1: 0.5210 V DC DIODE\r", "0.5210 V DC DIODE", true},
		{"P1: inf V DIODE", "inf V DIODE", true},
		{"P1: 22.10 Ω AUTO", "22.10 Ω AUTO", true},
		{"FRAME-BEGIN", "", true},
		{"META samplerate: 200000", "", true},
		{"J7.3: 0.622 V DC", "0.622 V DC", true}, // nobody writes modes
		{"J7.3: 0.622 V", "", false},             // somebody wrote it, of that pin
		{"J7.3: 0.622", "", false},
		{"0.622", "", false},
		{"", "", false},
	} {
		if got, ok := FromProgram(b, x.line); got != x.want || ok != x.ok {
			t.Errorf("%q is %q, %v; want %q, %v", x.line, got, ok, x.want, x.ok)
		}
	}
}

// TestSweepOrder: a ground pin (J7.1, J7.12) first, and no other once it reads as it
// should; then along the rows. `all` and a file have every pin by number.
func TestSweepOrder(t *testing.T) {
	asked := func(tb *table) string {
		var pins []string
		for p := tb.ask(); p.Ask == AskReading && p.Purpose == ForSweep; p = tb.ask() {
			if pins = append(pins, tb.w.Case().Board.Connectors[p.Connector].Pins[p.Pin].Name); len(pins) > 99 {
				t.Fatal("over range")
			}
			if p.Done != len(pins)-1 {
				t.Errorf("%s: %d done, want %d", p.Name, p.Done, len(pins)-1)
			}
			tb.enter(tb.answer(p))
			if tb.ask().Purpose == ForAgain {
				tb.enter("y")
			}
		}
		return strings.Join(pins, " ")
	}
	for sweep, want := range map[string]string{
		"sweep J7":           "1 3 5 7 9 11 2 4 6 8 10",
		"sweep J7 all":       "1 2 3 4 5 6 7 8 9 10 11 12",
		"sweep J7 from J7.5": "5 7 9 11 2 4 6 8 10 1 3",
	} {
		tb := lay(t, "touch-dead")
		tb.enter("y")
		tb.enter(sweep)
		if got := asked(tb); got != want {
			t.Errorf("%s asks for %s, want %s", sweep, got, want)
		}
	}
}

// TestSeveral enters several readings on a line: each goes to its pin, and those out of
// range are asked for again after the last of them.
func TestSeveral(t *testing.T) {
	tb := begin(t)
	tb.enter("0.001")
	r := tb.enter("OL 0,562, 700")
	var got []string
	for _, x := range r.Readings {
		got = append(got, x.At+" "+string(x.Verdict))
	}
	if diff := cmp.Diff([]string{"J7.3 open", "J7.5 agrees", "J7.7 agrees"}, got); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
	tb.wants("reading (again) J7.3 red-on-ground")
	tb.enter("OL")
	tb.wants("reading (sweep) J7.9 red-on-ground")
	tb.refuses("0.5 0.5 0.5 0.5 0.5 0.5 0.5 0.5 0.5 0.5", "10 readings for 7 pins")
	tb.refuses("0.5 5.2", "where this meter shows OL")
	tb.refuses("0.5 fish", "")
}

// TestFed: of values in the order of the pins, none lands on another pin, though some
// are out of range; those are asked for again when the sweep is over.
func TestFed(t *testing.T) {
	tb := begin(t)
	tb.s.Fed(true)
	tb.enter("sweep J7")
	want := map[string]float64{}
	for i := 1; i <= 12; i++ {
		v := 0.1 + 0.01*float64(i) // wrong on every pin
		want[fmt.Sprintf("J7.%d", i)] = v
		tb.enter(fmt.Sprintf("%.3f", v))
	}
	for _, ev := range tb.w.Case().Events {
		for _, r := range ev.Readings {
			if v := want[r.Name]; math.Abs(r.Reading.Value-v) > 1e-9 {
				t.Errorf("%s was given %.3f, want %.3f", r.Name, r.Reading.Value, v)
			}
			delete(want, r.Name)
		}
	}
	if len(want) > 0 {
		t.Errorf("not read: %v", want)
	}
	tb.wants("reading (again) J7.1 red-on-ground")
}

// TestNumbers: a step keeps its number while the list changes, and a number that was
// never shown chooses nothing.
func TestNumbers(t *testing.T) {
	tb := begin(t)
	tb.sweep()
	tb.refuses("take 2", "no step 2 is on offer")
	list, err := tb.s.Steps()
	if err != nil || len(list) < 4 {
		t.Fatalf("%d steps, %v", len(list), err)
	}
	third := list[2]
	tb.enter("s") // the first is gone from the list
	again, err := tb.s.Steps()
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range again {
		if x.Number == list[0].Number {
			t.Errorf("number %d is now that of %s", x.Number, stepKey(&x.Step))
		}
	}
	tb.enter(fmt.Sprintf("take %d", third.Number))
	if p := tb.ask(); p.Step == nil || stepKey(p.Step) != stepKey(&third.Step) {
		t.Errorf("take %d asks for %s, want %s", third.Number, describe(tb.w.Case().Board, p), stepKey(&third.Step))
	}
	tb.refuses(fmt.Sprintf("take %d", list[0].Number), "is on offer")
}

// TestSweptAgain: a connector that was read is read again, all of it, when somebody asks
// for it, and the session goes on after it.
func TestSweptAgain(t *testing.T) {
	tb := begin(t)
	for p := tb.ask(); p.Ask == AskReading; p = tb.ask() {
		tb.enter(tb.answer(p))
	}
	for _, line := range []string{"sweep J7", "j7"} {
		tb.enter(line)
		n := 0
		for p := tb.ask(); p.Ask == AskReading && p.Purpose == ForSweep; p = tb.ask() {
			tb.enter(tb.answer(p))
			n++
		}
		if n != 11 { // all but one of the two on ground
			t.Errorf("%q asks for %d pins, want 11", line, n)
		}
	}
}

// TestOfferedByName: a step is chosen by the words that the list of them has for it; work
// done while the case is being closed is to be proven first.
func TestOfferedByName(t *testing.T) {
	tb := begin(t)
	for p := tb.ask(); p.Ask == AskReading && (p.Purpose == ForSweep || p.Purpose == ForAgain); p = tb.ask() {
		tb.enter(tb.answer(p))
	}
	steps, err := tb.s.Steps()
	if err != nil || len(steps) < 2 {
		t.Fatal(steps, err)
	}
	chosen := 0
	for _, x := range steps[1:] {
		words := x.Phrase(x.Part, x.At)
		if words == "" || x.Do == repair.DoSweep || x.Do == repair.DoRemove || x.Do == repair.DoEscalate { // said as done
			continue
		}
		tb.enter(words)
		if p := tb.ask(); p.Step == nil || stepKey(p.Step) != stepKey(&x.Step) {
			if p.Ask != AskReading || p.Name != x.At { // a point by its name
				t.Errorf("%q: asks %s", words, describe(tb.s.board(), p))
			}
			tb.enter("s")
		}
		chosen++
	}
	if chosen == 0 {
		t.Error("no step has words")
	}
	tb.enter("close")
	tb.enter("replaced FL3")
	if p := tb.ask(); p.Ask == AskClose {
		t.Error("asks to close after a repair that nobody proved")
	}
}

// TestLine asks for a point of each net of a line and for nothing else.
func TestLine(t *testing.T) {
	tb := begin(t)
	tb.enter("line J7.3")
	var got []string
	for p := tb.ask(); p.Ask == AskReading && p.Purpose == ForChosen; p = tb.ask() {
		got = append(got, p.Name)
		tb.enter("s")
	}
	if diff := cmp.Diff([]string{"J7.3", "FL3.out"}, got); diff != "" {
		t.Errorf("asks for (-want +got):\n%s", diff)
	}
	tb.refuses("line J7.1", "no line begins at")
}

// TestMistypedProof: a value that is not what a good board shows where a repair is to be
// proven is asked for again, whether a good board was read there or not, and b takes it
// back.
func TestMistypedProof(t *testing.T) {
	purposes := map[Purpose]int{}
	for _, name := range []string{"battery-flat-overnight", "picture-flickers-when-warm", "tail-not-detected", "touch-dead"} {
		tb := lay(t, name)
		sweep := tb.c.Sweep[0]
		for range 150 {
			p := tb.ask()
			if p.Ask == Closed || p.Ask == AskNothing {
				break
			}
			line := tb.answer(p)
			if p.Ask == AskConnector {
				line = "sweep " + tb.w.Case().Board.Connectors[sweep].Name
			}
			if p.Ask == AskReading && (p.Purpose == ForProof || p.Purpose == ForPowerUp) && p.Predict.Volts != nil && line != "OL" {
				purposes[p.Purpose]++
				want := describe(tb.w.Case().Board, p)
				wrong := *p.Predict.Volts + 0.16
				if r := tb.enter(fmt.Sprintf("%.3f", wrong)); !r.Outlier {
					t.Errorf("%s: %.3f is believed; %s", name, wrong, want)
				}
				tb.enter("b")
				if p = tb.ask(); p.Ask != AskReading || p.Name+p.At.Polarity.String() != strings.Join(strings.Fields(want)[2:4], "") {
					t.Errorf("%s: after b it asks for %s, not %s", name, describe(tb.w.Case().Board, p), want)
				}
				line = tb.answer(p)
			}
			tb.enter(line)
		}
	}
	if purposes[ForProof] == 0 || purposes[ForPowerUp] == 0 {
		t.Errorf("readings asked for: %v, want both", purposes)
	}
}
