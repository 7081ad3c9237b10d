package powerup

import (
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// lab is a case under way on a board of which everything is known: an invented
// board of testdata/demo, whose readings come from package practice.
type lab struct {
	t     *testing.T
	w     *journal.Writer
	e     *engine.Engine
	board *practice.Board
	meter practice.Meter
}

func newLab(t *testing.T, sample string) *lab {
	t.Helper()
	demo, err := filepath.Abs("../../testdata/demo")
	if err != nil {
		t.Fatal(err)
	}
	truth, err := recorded.LoadDemo(filepath.Join(demo, "answers", "truth.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l := &lab{t: t}
	for i := range truth.Cases {
		if filepath.Base(truth.Cases[i].File) == sample+".yaml" {
			l.board, l.meter = truth.Cases[i].Simulator.Board, truth.Cases[i].Simulator.Meter
		}
	}
	if l.board == nil {
		t.Fatalf("the demo has no case %s", sample)
	}
	meter := l.meter.Declared
	l.w, err = journal.Create(filepath.Join(t.TempDir(), "case.yaml"), journal.Event{Kind: journal.KindOpen, Meter: &meter,
		Open: &journal.Opening{BoardPath: filepath.Join(demo, "board.yaml"), KnownPath: filepath.Join(demo, "known")}}, "test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.w.Close() })
	c := l.w.Case()
	if l.e, err = engine.New(c.Board, c.Library, engine.Options{}); err != nil {
		t.Fatal(err)
	}
	return l
}

func (l *lab) write(e journal.Event) {
	l.t.Helper()
	if err := l.w.Write(e); err != nil {
		l.t.Fatal(err)
	}
}

func (l *lab) part(name string) netlist.PartID {
	l.t.Helper()
	p, err := l.w.Case().Board.PartByName(name)
	if err != nil {
		l.t.Fatal(err)
	}
	return p
}

// rework records remove, reinstall or fit of a part.
func (l *lab) rework(kind journal.Kind, part string) {
	l.t.Helper()
	l.write(journal.Event{Kind: kind, Parts: []netlist.PartID{l.part(part)}})
}

func (l *lab) bridge(part string) {
	l.t.Helper()
	l.write(journal.Event{Kind: journal.KindJumper, Jumpers: []journal.Jumper{{Part: l.part(part)}}})
}

// read puts the probe on points as the board lies.
func (l *lab) read(pol references.Polarity, points ...string) {
	l.t.Helper()
	for _, name := range points {
		at, err := l.w.Case().Board.Point(name)
		if err != nil {
			l.t.Fatal(err)
		}
		stages := l.w.Case().Stages()
		volts, err := l.board.Volts(l.board.Probe(at, nil, pol, l.meter.Drive()), stages[len(stages)-1].Edits)
		if err != nil {
			l.t.Fatal(err)
		}
		l.write(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{{At: at, Name: name, Polarity: pol, Reading: l.meter.Show(volts, name)}}})
	}
}

func (l *lab) check(limits Limits) *Answer {
	l.t.Helper()
	g, err := Check(l.w.Case(), l.e, limits)
	if err != nil {
		l.t.Fatal(err)
	}
	return g
}

// enter records readings as a meter of the lab showed them, in one event; "A to B" is
// between two points.
func (l *lab) enter(shown map[string]string) {
	l.t.Helper()
	var list []journal.Read
	for _, key := range slices.Sorted(maps.Keys(shown)) {
		name, toName, pair := strings.Cut(key, " to ")
		at, err := l.w.Case().Board.Point(name)
		if err != nil {
			l.t.Fatal(err)
		}
		x, err := quantity.ParseReading(shown[key])
		if err != nil {
			l.t.Fatal(err)
		}
		read := journal.Read{At: at, Name: name, Reading: x}
		if pair {
			to, err := l.w.Case().Board.Point(toName)
			if err != nil {
				l.t.Fatal(err)
			}
			read.To, read.ToName = &to, toName
		}
		list = append(list, read)
	}
	l.write(journal.Event{Kind: journal.KindRead, Readings: list})
}

// leads reads a ground pin and the two rails of J7, which are good on the boards of
// the cases used here.
func (l *lab) leads() { l.read(references.RedOnGround, "J7.1", "J7.5", "J7.7") }

// expect checks the answer, and what it says.
func expect(t *testing.T, g *Answer, result Result, says ...string) {
	t.Helper()
	if g.Result != result {
		t.Errorf("result %s, want %s; %s", g.Result, result, g.Says)
	}
	for _, s := range says {
		if !strings.Contains(g.Says, s) {
			t.Errorf("says %q, want %q in it", g.Says, s)
		}
	}
}

func needs(g *Answer) []string {
	var names []string
	for _, n := range g.Need {
		name := n.At
		if n.Leads == references.BlackOnGround {
			name += " swapped"
		}
		names = append(names, name)
	}
	return names
}

// TestBridge: every net at a bridged part has to be read again, and a reading
// through 2 ohm serves for both.
func TestBridge(t *testing.T) {
	l := newLab(t, "touch-dead")
	l.leads()
	l.read(references.RedOnGround, "J7.2", "J7.3", "J7.4")
	expect(t, l.check(Limits{}), Fail, "TP_SDA is out of range")
	l.bridge("FL3")
	g := l.check(Limits{})
	expect(t, g, NotChecked, "2 of 2 reworked nets not measured since")
	if got := needs(g); !slices.Equal(got, []string{"J7.3", "FL3.out"}) {
		t.Errorf("needs %v, want J7.3 and FL3.out", got)
	}
	l.read(references.RedOnGround, "J7.3")
	g = l.check(Limits{})
	expect(t, g, Pass, "every reworked net", "rails measured: 2 of 12")
	if len(g.Lines) != 2 || g.Lines[1].Via != "TP_SDA" {
		t.Errorf("lines %+v, want TP_SDA_U cleared through TP_SDA", g.Lines)
	}
	// Rework after the reading has to be read again.
	l.rework(journal.KindReplace, "FL3")
	expect(t, l.check(Limits{}), NotChecked, "not measured since")
}

// TestShortLeft: a rail that reads shorted fails, reworked or not, and is named; one
// that lacks a part of its supply as well.
func TestShortLeft(t *testing.T) {
	l := newLab(t, "touch-dead")
	c47 := l.part("C47")
	loci := fault.Loci(l.board.Truth.Model, fault.DefaultPriors(), l.board.Truth.Model.Nominal())
	for i := range loci {
		if loci[i].Part == c47 && loci[i].Change.Kind == network.AddPath {
			l.board = l.board.Faulted(practice.Fault{Locus: loci[i], Mode: fault.Shorted, Ohms: 0.4})
			break
		}
	}
	l.leads()
	expect(t, l.check(Limits{}), Fail, "VTP_1V8 shorted")
	l.rework(journal.KindRemove, "C47")
	expect(t, l.check(Limits{}), NotChecked, "not measured since")
	l.read(references.RedOnGround, "J7.5")
	g := l.check(Limits{})
	expect(t, g, Pass)
	if len(g.Off) != 1 || g.Off[0].Part != "C47" || g.Off[0].Stops {
		t.Errorf("off the board: %+v, want C47, which may stay off", g.Off)
	}
	l.rework(journal.KindRemove, "FB2")
	l.read(references.RedOnGround, "FB2.1", "FB2.2")
	expect(t, l.check(Limits{}), Fail, "FB2 is off the board")
}

// TestWrongInAnyWay: a rail or line that does not read as on a good board fails,
// however it differs, whether anybody worked on it or not; and what was not read is
// not checked. Good boards read 0.707 V at J7.7 and 0.555 V at J7.5 in these cases.
func TestWrongInAnyWay(t *testing.T) {
	good := map[string]string{"J7.1": "0.000", "J7.5": "0.555", "J7.7": "0.707"}
	tests := []struct {
		about  string
		events []map[string]string
		result Result
		says   string
		need   []string
	}{
		{"all right", []map[string]string{good}, Pass, "rails measured: 2 of 12", nil},
		{"two rails at 20 ohm", []map[string]string{{"J7.1": "0.000", "J7.7": "0.020", "J7.5": "0.016"}}, Fail, "VTP_1V8, VTP_3V3 are out of range", nil},
		{"20 mV, no ground pin", []map[string]string{{"J7.7": "0.020"}}, Fail, "VTP_3V3 is out of range", []string{"J7.1"}},
		{"a short", []map[string]string{good, {"J7.7": "0.002"}}, Fail, "VTP_3V3 shorted", nil},
		{"an OL after a short", []map[string]string{good, {"J7.7": "0.002"}, {"J7.7": "OL"}}, Fail, "VTP_3V3 shorted", nil},
		{"a reading still low after a short", []map[string]string{good, {"J7.7": "0.002"}, {"J7.7": "0.300"}}, Fail, "VTP_3V3 shorted", nil},
		{"a good reading after a short", []map[string]string{good, {"J7.7": "0.002"}, {"J7.7": "0.707"}}, Pass, "", nil},
		{"a rail at OL", []map[string]string{good, {"J7.7": "OL"}}, Fail, "VTP_3V3 is out of range", nil},
		{"a rail too high", []map[string]string{{"J7.1": "0.000", "J7.7": "0.800"}}, Fail, "VTP_3V3 is out of range", nil},
		{"a line that nobody touched", []map[string]string{good, {"J7.2": "0.100"}}, Fail, "TP_INT is out of range", nil},
		{"a short by its resistance", []map[string]string{good, {"J7.7": "0.6 ohm"}}, Fail, "VTP_3V3 shorted", nil},
		{"a short from one rail to another", []map[string]string{good, {"TP20 to TP21": "0.001"}}, Fail, "V1V8_IO shorted", nil},
		{"one by its resistance", []map[string]string{good, {"TP21 to TP20": "0.5 ohm"}}, Fail, "V3V3_A shorted", nil},
		{"20 ohm from one rail to another", []map[string]string{good, {"TP20 to TP21": "0.020"}}, Fail, "V1V8_IO is out of range", nil},
		{"a short from a line to a rail", []map[string]string{good, {"J7.2 to J7.7": "0.001"}}, Fail, "VTP_3V3 is out of range", nil},
		{"a short to a ground pin", []map[string]string{good, {"J7.1 to J7.7": "0.002"}}, Fail, "VTP_3V3 shorted", nil},
		{"good against ground after a short to another rail", []map[string]string{good, {"J7.7 to TP21": "0.001"}, {"J7.7": "0.707"}}, Fail, "VTP_3V3 shorted", nil},
		{"OL after a short to another rail", []map[string]string{good, {"TP20 to TP21": "0.001"}, {"TP20 to TP21": "OL"}}, Fail, "V1V8_IO shorted", nil},
		{"good the other way after it", []map[string]string{good, {"TP20 to TP21": "0.001"}, {"TP21 to TP20": "0.855"}}, Pass, "rails measured: 2 of 12", nil},
		{"a rail read to another only", []map[string]string{{"J7.1": "0.000"}, {"TP20 to TP21": "1.373"}}, NotChecked, "no rail was measured", []string{"J7.5"}},
		{"both ends of a part", []map[string]string{good, {"J7.3 to FL3.out": "0.002"}}, Pass, "", nil},
		{"leads off", []map[string]string{{"J7.1": "OL", "J7.5": "OL", "J7.7": "OL", "J7.12": "OL"}}, Fail, "no ground pin measured as ground", []string{"J7.1"}},
		{"leads off on a line that is OL", []map[string]string{{"J7.1": "OL", "J7.11": "OL"}}, NotChecked, "no ground pin", []string{"J7.1", "J7.5"}},
		{"leads off later", []map[string]string{good, {"J7.12": "OL"}}, NotChecked, "no ground pin", []string{"J7.1"}},
		{"no rail", []map[string]string{{"J7.1": "0.000", "J7.3": "0.622"}}, NotChecked, "no rail was measured", []string{"J7.5"}},
		{"no ground", []map[string]string{{"J7.5": "0.555"}}, NotChecked, "no ground pin", []string{"J7.1"}},
		{"nothing", nil, NotChecked, "no rail was measured", []string{"J7.1", "J7.5"}},
	}
	for _, tt := range tests {
		l := newLab(t, "touch-dead")
		for _, x := range tt.events {
			l.enter(x)
		}
		g := l.check(Limits{})
		if g.Result != tt.result || !strings.Contains(g.Says, tt.says) {
			t.Errorf("%s: %s, %q; want %s, %q", tt.about, g.Result, g.Says, tt.result, tt.says)
		}
		if diff := cmp.Diff(tt.need, needs(g)); diff != "" {
			t.Errorf("%s: needs (-want +got):\n%s", tt.about, diff)
		}
	}
}

// TestBehindPull: a shorted rail behind 220 kohm says nothing of the line that the
// resistor pulls.
func TestBehindPull(t *testing.T) {
	l := newLab(t, "touch-dead")
	l.rework(journal.KindReplace, "R24")
	l.leads()
	l.enter(map[string]string{"TP21": "0.002"})
	g := l.check(Limits{})
	expect(t, g, Fail, "V3V3_A shorted")
	for i := range g.Lines {
		if x := &g.Lines[i]; x.Net == "TP_DET_G" && x.fails() {
			t.Errorf("TP_DET_G: %s (%s), and only V3V3_A was measured", x.State, x.Why)
		}
	}
}

// TestReadAgain: what read wrong before work elsewhere still fails, and is asked for
// once more.
func TestReadAgain(t *testing.T) {
	l := newLab(t, "touch-dead")
	l.leads()
	l.enter(map[string]string{"J7.2": "0.100"})
	l.bridge("FL3")
	l.read(references.RedOnGround, "J7.3")
	g := l.check(Limits{})
	expect(t, g, Fail, "TP_INT is out of range")
	if got := needs(g); !slices.Equal(got, []string{"J7.2"}) {
		t.Errorf("needs %v, want J7.2", got)
	}
	l.read(references.RedOnGround, "J7.2")
	expect(t, l.check(Limits{}), Pass)
}

// TestAsItStands: what is right is what a good board reads with what was taken off or
// bridged: with R13, 100 ohm, bridged, J7.6 reads 100 mV less at 1 mA, and what a good
// board read before is wrong.
func TestAsItStands(t *testing.T) {
	for _, tt := range []struct {
		shown  string // "" for what the board reads
		result Result
	}{{"", Pass}, {"0.516", Fail}} {
		l := newLab(t, "touch-dead-no-fault-found")
		l.leads()
		l.bridge("R13")
		if tt.shown == "" {
			l.read(references.RedOnGround, "J7.6")
		} else {
			l.enter(map[string]string{"J7.6": tt.shown})
		}
		expect(t, l.check(Limits{}), tt.result)
	}
}

// turned gives the board with a part soldered on the wrong way round.
func (l *lab) turned(part string) *practice.Board {
	return l.board.Faulted(practice.Fault{Ohms: math.Inf(1), Locus: fault.Locus{Part: netlist.None,
		Change: network.Change{Kind: network.Turn, Part: l.part(part), Owner: netlist.None}}})
}

func (l *lab) mark(part string, reversed bool) {
	l.write(journal.Event{Kind: journal.KindMark, Marks: []journal.Marked{{Part: l.part(part), Reversed: reversed}}})
}

// TestTurned: parts fitted the wrong way round fail; the rail and the part are named.
// Replaced the right way they pass.
func TestTurned(t *testing.T) {
	tests := []struct {
		part, rail string
	}{
		{"Q3", "VTP_3V3"},   // its body diode then points from the touch supply away
		{"D6", "VTP_3V3"},   // a one-way clamp then shorts the rail at one drop
		{"D10", "VLED"},     // a boost rectifier
		{"U7", "VTP_1V8_S"}, // a load switch turned by half
	}
	for _, tt := range tests {
		for _, wrong := range []bool{false, true} {
			l := newLab(t, "touch-dead")
			l.rework(journal.KindReplace, tt.part)
			if wrong {
				l.board = l.turned(tt.part)
			}
			// Read what the check asks for until it asks no more.
			var g *Answer
			asked := 0
			for g = l.check(Limits{}); len(g.Need) > 0; g = l.check(Limits{}) {
				if asked++; asked > 30 {
					t.Fatalf("%s: it keeps asking: %v", tt.part, needs(g))
				}
				l.read(g.Need[0].Leads, g.Need[0].At)
			}
			t.Logf("%s wrong=%t: %d readings; %s", tt.part, wrong, asked, g.Says)
			if !wrong && len(g.Reversed) > 0 { // no reading tells it; the mark does
				expect(t, g, NotChecked, "which way round "+tt.part+" sits")
				l.mark(tt.part, true)
				expect(t, l.check(Limits{}), Fail, tt.part+" sits the wrong way round")
				l.mark(tt.part, false)
				g = l.check(Limits{})
			}
			if !wrong {
				expect(t, g, Pass)
				continue
			}
			expect(t, g, Fail, tt.part+" sits the wrong way round", tt.rail)
		}
	}
}

// TestReversedOfEachKind puts every part of the demo board that has a right way round on
// the wrong way round, kind by kind. No reading and no skipped question lets power on:
// the readings that the check asks for tell it, or the mark is wanted, and tells it.
func TestReversedOfEachKind(t *testing.T) {
	type tally struct{ parts, byReading, byMark int }
	kinds := map[netlist.Kind]*tally{}
	board := newLab(t, "touch-dead").w.Case().Board
	for i := range board.Parts {
		p := &board.Parts[i]
		if !p.Polarised() {
			continue
		}
		l := newLab(t, "touch-dead")
		l.rework(journal.KindReplace, p.Name)
		l.board = l.turned(p.Name)
		g := l.check(Limits{})
		for asked := 0; len(g.Need) > 0 && asked < 60; asked++ {
			l.read(g.Need[0].Leads, g.Need[0].At)
			g = l.check(Limits{})
		}
		k := kinds[p.Kind]
		if k == nil {
			k = &tally{}
			kinds[p.Kind] = k
		}
		k.parts++
		switch {
		case g.Passed():
			t.Errorf("%s %s sits the wrong way round, and the check passes: %s", p.Kind, p.Name, g.Says)
		case g.Result == Fail && strings.Contains(g.Says, p.Name+" sits the wrong way round"):
			k.byReading++
		default:
			l.mark(p.Name, true)
			if g = l.check(Limits{}); g.Result != Fail || !strings.Contains(g.Says, p.Name+" sits the wrong way round") {
				t.Errorf("%s %s with its mark seen reversed: %s, %s", p.Kind, p.Name, g.Result, g.Says)
			}
			k.byMark++
		}
	}
	for _, kind := range []netlist.Kind{netlist.Diode, netlist.TVS, netlist.Transistor, netlist.IC, netlist.Module} {
		if kinds[kind] == nil {
			t.Errorf("no %s was turned", kind)
			continue
		}
		t.Logf("%-10s %d parts: %d told by readings, %d by the mark", kind, kinds[kind].parts, kinds[kind].byReading, kinds[kind].byMark)
	}
}

// TestDraw: the current before the power button is judged by what good boards draw.
func TestDraw(t *testing.T) {
	limits := Limits{MostBefore: 3e-3, LeastAfter: 60e-3, MostAfter: 110e-3}
	tests := []struct {
		before, after float64
		result        Result
		says          string
	}{
		{2e-3, 95e-3, Pass, "as good boards do"},
		{12e-3, math.NaN(), Fail, "a leak or short on a rail that is always on"},
		{2e-3, 300e-3, Fail, "take power off"},
		{2e-3, 10e-3, Fail, "does not start"},
	}
	for _, tt := range tests {
		l := newLab(t, "touch-dead")
		l.leads()
		l.write(journal.Event{Kind: journal.KindSupply, Supply: &journal.SupplyDraw{Before: tt.before, After: tt.after}})
		g := l.check(limits)
		if g.Result != tt.result || g.Draw == nil || !strings.Contains(g.Draw.Says(), tt.says) {
			t.Errorf("%g, %g A: %s, %+v; want %s, %q", tt.before, tt.after, g.Result, g.Draw, tt.result, tt.says)
		}
		if g = l.check(Limits{}); !g.Passed() || !strings.Contains(g.Draw.Says(), "not known") {
			t.Errorf("without limits: %s, %q", g.Result, g.Draw.Says())
		}
		// Rework makes the current one of another board.
		l.bridge("FL3")
		if g = l.check(limits); g.Draw != nil {
			t.Errorf("a current from before the rework still counts: %+v", g.Draw)
		}
	}
}

// TestRepair: repaired pins and gaps are rework too.
func TestRepair(t *testing.T) {
	l := newLab(t, "picture-flickers-when-warm")
	l.leads()
	l.read(references.RedOnGround, "J3.22", "J3.24")
	m, err := l.w.Case().Board.Repair("J3.22-J3.24")
	if err != nil {
		t.Fatal(err)
	}
	l.write(journal.Repaired(m))
	g := l.check(Limits{})
	expect(t, g, NotChecked, "2 of 2 reworked nets")
	l.read(references.RedOnGround, g.Need[0].At, g.Need[1].At)
	expect(t, l.check(Limits{}), Pass)
}
