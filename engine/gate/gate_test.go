package gate

import (
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// lab is a case under way on a board of which everything is known: an invented
// board of testdata/demo, whose readings come from package practice.
type lab struct {
	t     *testing.T
	w     *journal.Writer
	e     *engine.Engine
	world *practice.World
	meter practice.Meter
}

func newLab(t *testing.T, sample string) *lab {
	t.Helper()
	demo, err := filepath.Abs("../../testdata/demo")
	if err != nil {
		t.Fatal(err)
	}
	scene, err := practice.LoadScene(filepath.Join(demo, "answers", "truth.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l := &lab{t: t}
	for i := range scene.Cases {
		if filepath.Base(scene.Cases[i].File) == sample+".yaml" {
			l.world, l.meter = scene.Cases[i].Bench.World, scene.Cases[i].Bench.Meter
		}
	}
	if l.world == nil {
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
		volts, err := l.world.Volts(l.world.Probe(at, nil, pol, l.meter.Drive()), stages[len(stages)-1].Edits)
		if err != nil {
			l.t.Fatal(err)
		}
		l.write(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{{At: at, Name: name, Polarity: pol, Reading: l.meter.Show(volts, name)}}})
	}
}

func (l *lab) check(limits Limits) *Gate {
	l.t.Helper()
	g, err := Check(l.w.Case(), l.e, limits)
	if err != nil {
		l.t.Fatal(err)
	}
	return g
}

// want checks the answer: open or not, and what it says.
func want(t *testing.T, g *Gate, open bool, says ...string) {
	t.Helper()
	if g.Open != open {
		t.Errorf("open is %t, want %t; %s", g.Open, open, g.Says)
	}
	for _, s := range says {
		if !strings.Contains(g.Says, s) {
			t.Errorf("says %q, want %q in it", g.Says, s)
		}
	}
}

func needs(g *Gate) []string {
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
	l.read(references.RedOnGround, "J7.2", "J7.3", "J7.4")
	want(t, l.check(Limits{}), true, "nothing was reworked; no rail was read")
	l.bridge("FL3")
	g := l.check(Limits{})
	want(t, g, false, "2 of 2 reworked nets not read since")
	if got := needs(g); !slices.Equal(got, []string{"J7.3", "FL3.out"}) {
		t.Errorf("needs %v, want J7.3 and FL3.out", got)
	}
	l.read(references.RedOnGround, "J7.3")
	g = l.check(Limits{})
	want(t, g, true, "every reworked net")
	if len(g.Lines) != 2 || g.Lines[1].Via != "TP_SDA" {
		t.Errorf("lines %+v, want TP_SDA_U cleared through TP_SDA", g.Lines)
	}
	// Rework after the reading closes it again.
	l.rework(journal.KindReplace, "FL3")
	want(t, l.check(Limits{}), false, "not read since")
}

// TestShortLeft: a rail that reads shorted keeps the gate closed, reworked or
// not, and is named; one that reads wrong as well.
func TestShortLeft(t *testing.T) {
	l := newLab(t, "touch-dead")
	c47 := l.part("C47")
	loci := fault.Loci(l.world.Truth.Model, fault.DefaultPriors(), l.world.Truth.Model.Nominal())
	for i := range loci {
		if loci[i].Part == c47 && loci[i].Change.Kind == network.AddPath {
			l.world = l.world.Faulted(practice.Fault{Locus: loci[i], Mode: fault.Shorted, Ohms: 0.4})
			break
		}
	}
	l.read(references.RedOnGround, "J7.5")
	want(t, l.check(Limits{}), false, "VTP_1V8 shorted")
	l.rework(journal.KindRemove, "C47")
	want(t, l.check(Limits{}), false, "not read since")
	l.read(references.RedOnGround, "J7.5")
	g := l.check(Limits{})
	want(t, g, true)
	if len(g.Off) != 1 || g.Off[0].Part != "C47" || g.Off[0].Stops {
		t.Errorf("off the board: %+v, want C47, which may stay off", g.Off)
	}
	l.rework(journal.KindRemove, "FB2")
	l.read(references.RedOnGround, "FB2.1", "FB2.2")
	want(t, l.check(Limits{}), false, "FB2 is off the board")
}

// turned gives the world with a part soldered on the wrong way round.
func (l *lab) turned(part string) *practice.World {
	return l.world.Faulted(practice.Fault{Ohms: math.Inf(1), Locus: fault.Locus{Part: netlist.None,
		Change: network.Change{Kind: network.Turn, Part: l.part(part), Owner: netlist.None}}})
}

// TestTurned: parts fitted the wrong way round keep the gate closed; the rail and
// the part are named. Replaced the right way they do not.
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
				l.world = l.turned(tt.part)
			}
			// Read what the gate asks for until it asks no more.
			var g *Gate
			asked := 0
			for g = l.check(Limits{}); len(g.Need) > 0; g = l.check(Limits{}) {
				if asked++; asked > 30 {
					t.Fatalf("%s: the gate keeps asking: %v", tt.part, needs(g))
				}
				l.read(g.Need[0].Leads, g.Need[0].At)
			}
			t.Logf("%s wrong=%t: %d readings; %s", tt.part, wrong, asked, g.Says)
			if !wrong {
				want(t, g, true)
				continue
			}
			want(t, g, false, tt.part+" sits the wrong way round", tt.rail)
		}
	}
}

// TestDraw: the current before the power button is judged by what good boards draw.
func TestDraw(t *testing.T) {
	limits := Limits{MostBefore: 3e-3, LeastAfter: 60e-3, MostAfter: 110e-3}
	tests := []struct {
		before, after float64
		open          bool
		says          string
	}{
		{2e-3, 95e-3, true, "as good boards do"},
		{12e-3, math.NaN(), false, "a leak on a rail that is always on"},
		{2e-3, 300e-3, false, "take power off"},
		{2e-3, 10e-3, false, "does not start"},
	}
	for _, tt := range tests {
		l := newLab(t, "touch-dead")
		l.write(journal.Event{Kind: journal.KindPower, Supply: &journal.SupplyDraw{BeforeKey: tt.before, AfterKey: tt.after}})
		g := l.check(limits)
		if g.Open != tt.open || g.Draw == nil || !strings.Contains(g.Draw.Says(), tt.says) {
			t.Errorf("%g, %g A: open %t, %+v; want %t, %q", tt.before, tt.after, g.Open, g.Draw, tt.open, tt.says)
		}
		if g = l.check(Limits{}); !g.Open || !strings.Contains(g.Draw.Says(), "not known") {
			t.Errorf("without limits: open %t, %q", g.Open, g.Draw.Says())
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
	l.read(references.RedOnGround, "J3.22", "J3.24")
	m, err := l.w.Case().Board.Repair("J3.22-J3.24")
	if err != nil {
		t.Fatal(err)
	}
	l.write(journal.Event{Kind: journal.KindMend, Repairs: []netlist.Repair{m}})
	g := l.check(Limits{})
	want(t, g, false, "2 of 2 reworked nets")
	l.read(references.RedOnGround, g.Need[0].At, g.Need[1].At)
	want(t, l.check(Limits{}), true)
}

// TestNothingRead: a gate that knows of no reading stays closed, and says how many
// rails it knows of when it opens over a board that nobody worked on.
func TestNothingRead(t *testing.T) {
	l := newLab(t, "touch-dead")
	want(t, l.check(Limits{}), false, "nothing was read")
	l.read(references.RedOnGround, "J7.2")
	want(t, l.check(Limits{}), true, "no rail was read")
	l.read(references.RedOnGround, "J7.5")
	want(t, l.check(Limits{}), true, "the one rail that was read is not shorted")
	l.read(references.RedOnGround, "J7.7")
	want(t, l.check(Limits{}), true, "none of the 2 rails that were read is shorted")
}
