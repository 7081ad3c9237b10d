package journal

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

var update = flag.Bool("update", false, "write golden files again")

// TestHandWritten reads the file that has every kind of event.
func TestHandWritten(t *testing.T) {
	c := load(t, "testdata/hand.yaml")
	b := c.Board
	if len(c.Warnings) != 0 || c.Torn != nil {
		t.Errorf("warnings %v, torn %v", c.Warnings, c.Torn)
	}
	meter := references.DefaultMeter()
	half := meter
	half.TestCurrent = 0.0005
	at := func(name, shown string, polarity references.Polarity) Read {
		reading, err := quantity.ParseReading(shown)
		if err != nil {
			t.Fatal(err)
		}
		return Read{At: point(t, b, name), Name: name, Polarity: polarity, Reading: reading}
	}
	r12, fl3 := part(t, b, "R12"), part(t, b, "FL3")
	rail, _ := b.NetByName("VTP_1V8")
	sda, _ := b.NetByName("TP_SDA")
	other := point(t, b, "R12.2")
	var repairs []netlist.Repair
	for _, place := range []string{"J7.2", "R12.1", "J7.2-J7.4"} {
		m, err := b.Repair(place)
		if err != nil {
			t.Fatal(err)
		}
		repairs = append(repairs, m)
	}
	across := at("R12.1", "22.1 ohm", references.RedOnGround)
	across.To, across.ToName = &other, "R12.2"
	want := []Event{
		{Kind: KindOpen, Open: &Opening{Board: "board.yaml", Known: "known", Complaint: "touch dead"}, Meter: &meter},
		{Kind: KindAcknowledge, Acknowledged: []string{"battery out", "capacitors discharged"}},
		{Kind: KindRead, Readings: []Read{at("J7.1", "0", 0), at("J7.2", "OL", 0), at("J7.3", "0.517", 0)},
			Time: time.Date(2026, 8, 2, 14, 5, 0, 0, time.UTC), By: "bench 2"},
		{Kind: KindRead, Readings: []Read{at("J7.3", "0.611", references.BlackOnGround)}},
		{Kind: KindRead, Readings: []Read{across}},
		{Kind: KindInspect, Looks: []Looked{{Part: part(t, b, "C40"), Look: Corroded}, {Part: part(t, b, "C41"), Look: Clean}}, Note: "green crust on the pad"},
		{Kind: KindInject, Injections: []Injection{{Rail: rail, Warm: []netlist.PartID{part(t, b, "C71")}}}},
		{Kind: KindRemove, Parts: []netlist.PartID{r12}},
		{Kind: KindRead, Readings: []Read{at("R12.1", "OL", 0), at("R12.2", "0.430", 0)}},
		{Kind: KindReinstall, Parts: []netlist.PartID{r12}},
		{Kind: KindMeter, Meter: &half},
		// Event 12 is taken back by 13, event 15 by 16.
		{Kind: KindReplace, Parts: []netlist.PartID{fl3}},
		{Kind: KindJumper, Jumpers: []Jumper{{Part: fl3, Ohms: 0}}},
		{Kind: KindResolder, Repairs: repairs[:2]},
		{Kind: KindClean, Repairs: repairs[2:]},
		{Kind: KindClean, Parts: []netlist.PartID{part(t, b, "C40"), part(t, b, "C41")}},
		{Kind: KindSupply, Supply: &SupplyDraw{Before: 0, After: 0.095}},
		{Kind: KindMark, Marks: []Marked{{Part: fl3}, {Part: r12, Reversed: true}}},
		{Kind: KindFunctions, Functions: []Tested{{"touch", Works}, {"display", Fails}, {"backlight", NotTested}}},
		{Kind: KindNote, Note: "The owner wants\nthe old parts back.\n"},
		{Kind: KindConcerns, Nets: []netlist.NetID{rail, sda}},
		{Kind: KindClose, Close: &Closing{Cause: "FL3 open", Remedy: "jumper", Part: fl3, Mode: "open"}},
	}
	if diff := cmp.Diff(want, c.Events, told); diff != "" {
		t.Errorf("events (-want +got):\n%s", diff)
	}
	if len(c.All) != 26 {
		t.Errorf("%d events in all, want 26", len(c.All))
	}
	for i, e := range c.All {
		if e.Number != i+1 {
			t.Errorf("event %d has number %d", i+1, e.Number)
		}
	}
	if c.Meter != half {
		t.Errorf("meter %+v, want %+v", c.Meter, half)
	}
	if closing, closed := c.Closed(); !closed || closing.Remedy != "jumper" {
		t.Errorf("Closed() = %v, %v", closing, closed)
	}
	o := c.Opening()
	if o.BoardPath != filepath.Join("testdata", "board.yaml") || o.KnownPath != filepath.Join("testdata", "known") {
		t.Errorf("paths %q and %q are not taken from the folder of the case file", o.BoardPath, o.KnownPath)
	}
	if n := len(c.Library.Sweeps); n != 1 {
		t.Errorf("%d sweeps, want 1", n)
	}
}

// What looked bad stays on the list until the part is taken off, replaced or cleaned, or
// looks clean; a function's last test counts until the board is worked on; a mark is
// wanted of what has a right way round and was put on, until somebody looked.
func TestLists(t *testing.T) {
	board, _, err := surroundings(Opening{BoardPath: "testdata/board.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	id := func(name string) netlist.PartID { return part(t, board, name) }
	for _, tt := range []struct {
		name                     string
		events                   []Event
		comeBack, tested, marked string
	}{
		{"nothing", nil, "", "", ""},
		{"seen", []Event{{Looks: []Looked{{Part: id("C40"), Look: Corroded}, {Part: id("C41"), Look: Clean}, {Part: id("R12"), Look: Burnt}}}}, "C40 corroded, R12 burnt", "", ""},
		{"seen again", []Event{{Looks: []Looked{{Part: id("C40"), Look: Corroded}}}, {Looks: []Looked{{Part: id("C40"), Look: Cracked}}}}, "C40 cracked", "", ""},
		{"cleaned", []Event{{Looks: []Looked{{Part: id("C40"), Look: Corroded}, {Part: id("R12"), Look: Burnt}}}, {Kind: KindClean, Parts: []netlist.PartID{id("C40")}}}, "R12 burnt", "", ""},
		{"tested twice", []Event{{Functions: []Tested{{"touch", Fails}, {"light", Works}}}, {Functions: []Tested{{"touch", Works}}}}, "", "touch works, light works", ""},
		{"worked on since", []Event{{Functions: []Tested{{"touch", Fails}}}, {Kind: KindReplace, Parts: []netlist.PartID{id("C40")}}}, "", "", ""},
		{"put on", []Event{{Kind: KindReplace, Parts: []netlist.PartID{id("U5"), id("C40")}}}, "", "", "U5"},
		{"looked at", []Event{{Kind: KindReplace, Parts: []netlist.PartID{id("U5")}}, {Kind: KindMark, Marks: []Marked{{Part: id("U5")}}}}, "", "", ""},
		{"taken off again", []Event{{Kind: KindReplace, Parts: []netlist.PartID{id("U5")}}, {Kind: KindRemove, Parts: []netlist.PartID{id("U5")}}}, "", "", ""},
		{"put on again", []Event{{Kind: KindMark, Marks: []Marked{{Part: id("U5")}}}, {Kind: KindReinstall, Parts: []netlist.PartID{id("U5")}}}, "", "", "U5"},
	} {
		c := &Case{Board: board, Events: tt.events}
		var looks, tests, marks []string
		for _, x := range c.ComeBack() {
			looks = append(looks, board.Parts[x.Part].Name+" "+x.Look.String())
		}
		for _, x := range c.Tested() {
			tests = append(tests, x.Function+" "+x.Result.String())
		}
		for _, p := range c.Unmarked() {
			marks = append(marks, board.Parts[p].Name)
		}
		got := []string{strings.Join(looks, ", "), strings.Join(tests, ", "), strings.Join(marks, ", ")}
		if diff := cmp.Diff([]string{tt.comeBack, tt.tested, tt.marked}, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

// TestStages checks which edits and which meter each reading was taken under.
func TestStages(t *testing.T) {
	c := load(t, "testdata/hand.yaml")
	var got []string
	for _, s := range c.Stages() {
		line := s.Events[0].Kind.String() + ":"
		for _, r := range s.Readings {
			line += " " + r.Name
		}
		got = append(got, fmt.Sprintf("%s at %g mA", line, s.Meter.TestCurrent*1000))
	}
	want := []string{
		"open: J7.1 J7.2 J7.3 J7.3 R12.1 at 1 mA",
		"remove: R12.1 R12.2 at 1 mA",
		"reinstall: at 1 mA",
		"meter: at 0.5 mA",
		"replace: at 0.5 mA",
		"jumper: at 0.5 mA",
		"resolder: at 0.5 mA",
		"clean: at 0.5 mA",
		"clean: at 0.5 mA",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("stages (-want +got):\n%s", diff)
	}
	r12, fl3 := part(t, c.Board, "R12"), part(t, c.Board, "FL3")
	removed := netlist.Edits{}.Remove(r12)
	both := netlist.Edits{}.Remove(r12).Reinstall(r12).Replace(fl3).Jumper(fl3, 0)
	repaired := both
	for _, place := range []string{"R12.1", "J7.2-J7.4", "J7.2"} {
		m, err := c.Board.Repair(place)
		if err != nil {
			t.Fatal(err)
		}
		repaired = repaired.Repair(m)
	}
	stages := c.Stages()
	for _, tt := range []struct {
		stage int
		want  netlist.Edits
	}{{0, netlist.Edits{}}, {1, removed}, {5, both}, {7, repaired}} {
		if got := stages[tt.stage].Edits; !got.Equal(tt.want) {
			t.Errorf("stage %d: edits %q, want %q", tt.stage, got.Key(), tt.want.Key())
		}
	}
}

// TestShape holds the shape and the decoder together: each key of the shape makes
// an event, or is one of those that go with events.
func TestShape(t *testing.T) {
	keys := append([]string{"polarity", "to", "seen_by", "current", "time", "by"}, kindNames...)
	var fields []string
	for _, f := range CaseShape().Fields {
		fields = append(fields, f.Name)
	}
	slices.Sort(keys)
	slices.Sort(fields)
	if diff := cmp.Diff(keys, fields); diff != "" {
		t.Errorf("(-decoder +shape):\n%s", diff)
	}
	if n := int(KindChoose) + 1; len(kindNames) != n {
		t.Errorf("%d names for %d kinds", len(kindNames), n)
	}
}

// TestClosing finds the part that a cause names.
func TestClosing(t *testing.T) {
	board, _, err := surroundings(Opening{BoardPath: "testdata/board.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ cause, part, mode string }{
		{"FL3 open", "FL3", "open"},
		{"FL3", "FL3", ""},
		{"R12.1 open joint", "R12", "open joint"},
		{"[R7]#a high resistance", "[R7]#a", "high resistance"},
		{"C40: leaky, C41 shorted", "C40", "leaky"},
		{"water under the shield", "", ""},
		{"the board, R12 open", "", ""},
	} {
		d := decoder{board: board}
		got := d.closing(tt.cause, "")
		name := ""
		if got.Part != netlist.None {
			name = board.Parts[got.Part].Name
		}
		if name != tt.part || got.Mode != tt.mode {
			t.Errorf("closing(%q) = part %q, mode %q; want %q, %q", tt.cause, name, got.Mode, tt.part, tt.mode)
		}
	}
}

// TestBroken reads every case file of testdata/broken and compares what is said
// of it, problems and warnings alike, with the golden table.
func TestBroken(t *testing.T) {
	files, err := filepath.Glob("testdata/broken/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 25 {
		t.Fatalf("%d broken files, want 25 or more", len(files))
	}
	var out strings.Builder
	for _, file := range files {
		fmt.Fprintf(&out, "== %s\n", filepath.Base(file))
		c, err := Load(file)
		switch {
		case err != nil:
			fmt.Fprintln(&out, err)
		case len(c.Warnings) == 0 && c.Torn == nil:
			t.Errorf("%s loads without a word", file)
		default:
			for _, p := range c.Warnings {
				fmt.Fprintln(&out, "warning:", p.Error())
			}
			if c.Torn != nil {
				fmt.Fprintln(&out, "torn:", c.Torn.Problem().Error())
			}
		}
	}
	const golden = "testdata/broken.golden"
	got := strings.ReplaceAll(out.String(), "testdata/broken/", "")
	if *update {
		write(t, golden, got)
	}
	if diff := cmp.Diff(read(t, golden), got); diff != "" {
		t.Errorf("messages (-want +got):\n%s", diff)
	}
}

// TestLoadPaths covers what cannot lie in testdata.
func TestLoadPaths(t *testing.T) {
	dir := folder(t)
	t.Run("no file", func(t *testing.T) {
		_, err := Load(filepath.Join(dir, "none.yaml"))
		wantError(t, err, "none.yaml: cannot be opened: no such file or directory; check the path, or begin a case there")
	})
	t.Run("folder", func(t *testing.T) {
		_, err := Load(dir)
		wantError(t, err, "is a folder, not a file; name a case file in it")
	})
	t.Run("absolute paths", func(t *testing.T) {
		elsewhere := filepath.Join(t.TempDir(), "case.yaml")
		write(t, elsewhere, fmt.Sprintf("open: {board: %s}\n", filepath.Join(dir, "board.yaml")))
		if c := load(t, elsewhere); c.Board.Name != "Kestrel K3" || len(c.Library.Sweeps) != 0 {
			t.Errorf("board %q, %d sweeps", c.Board.Name, len(c.Library.Sweeps))
		}
	})
	t.Run("too large", func(t *testing.T) {
		path := filepath.Join(dir, "huge.yaml")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := f.Truncate(100 << 20); err != nil {
			t.Fatal(err)
		}
		_, err = Load(path)
		wantError(t, err, "huge.yaml: is larger than 4 MiB")
	})
	t.Run("one broken sweep", func(t *testing.T) {
		write(t, filepath.Join(dir, "known", "bad.yaml"), "board: Kestrel K3\nrevision: C\nreadings: {J7.2: 9 apples}\n")
		path := filepath.Join(dir, "case.yaml")
		write(t, path, "open: {board: board.yaml, known: known}\n")
		c := load(t, path)
		if len(c.Library.Sweeps) != 1 || len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0].Error(), "bad.yaml:3:") {
			t.Errorf("%d sweeps, warnings: %v", len(c.Library.Sweeps), c.Warnings)
		}
	})
}

func wantError(t *testing.T, err error, part string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), part) {
		t.Errorf("error %v, want it to hold %q", err, part)
	}
}

// TestRoundTrip writes events and reads them back.
func TestRoundTrip(t *testing.T) {
	around := surroundingsOnce(t)
	board, _, _ := around(Opening{})
	hand, err := decode("testdata/hand.yaml", []byte(read(t, "testdata/hand.yaml")), around)
	if err != nil {
		t.Fatal(err)
	}
	odd, null := part(t, board, "[R7]#a"), part(t, board, "null")
	meter := references.Meter{
		Name: `a "good" one: 1`, TestCurrent: 0.00087, OpenVoltage: 2.9, Over: 1.9999, Gain: 0.008, Counts: 3,
		Resolution: 0.0001, Source: references.Resistive, OhmsCurrent: 1.3e-6, OhmsOpen: 0.55, OhmsOver: 6.5e7,
	}
	events := append(hand.All,
		Event{Kind: KindRemove, Parts: []netlist.PartID{odd, null}},
		Event{Kind: KindNote, Note: "tab\t, \"quotes\", 100 % # no comment\n--- \n...\nyes", By: "null"},
		Event{Kind: KindNote, Note: "größer 測定 🔧 — '", Time: time.Date(2026, 8, 2, 14, 5, 0, 123456789, time.FixedZone("", 3600))},
		Event{Kind: KindNote, Note: "no"},
		Event{Kind: KindMeter, Meter: &meter},
		Event{Kind: KindSupply, Supply: &SupplyDraw{Before: math.NaN(), After: 1.2345e-5}},
		Event{Kind: KindInject, Injections: []Injection{{Rail: 0}}},
		Event{Kind: KindJumper, Jumpers: []Jumper{{Part: odd, Ohms: 0.047}, {Part: null, Ohms: 1e6}}},
		Event{Kind: KindResolder, Repairs: []netlist.Repair{netlist.ResolderedTerminal(netlist.TerminalRef{Part: odd})}},
		Event{Kind: KindClean, Repairs: []netlist.Repair{netlist.CleanedGap(netlist.PinRef{Pin: 1}, netlist.PinRef{Pin: 3})}},
		Event{Kind: KindClean, Parts: []netlist.PartID{odd, null}, Repairs: []netlist.Repair{netlist.CleanedGap(netlist.PinRef{Pin: 1}, netlist.PinRef{Pin: 3})}},
		Event{Kind: KindMark, Marks: []Marked{{Part: odd, Reversed: true}}},
		Event{Kind: KindFunctions, Functions: []Tested{{`touch: "left"`, Fails}, {"no", NotTested}}},
		Event{Kind: KindInspect, Looks: []Looked{{Part: netlist.None, Pin: netlist.PinRef{Pin: 1}, Look: Corroded}, {Part: odd}}},
		Event{Kind: KindPress, Presses: []Press{{odd, Read{At: point(t, board, "J7.2"), Name: "J7.2", Reading: quantity.Reading{Overload: true, Unit: quantity.Volt}}}, {odd, Read{At: point(t, board, "J7.3"), Name: "J7.3", Reading: quantity.Reading{Value: 0.4, Unit: quantity.Volt}}}}},
		Event{Kind: KindGood, Goods: []Read{{At: point(t, board, "J7.2"), Name: "J7.2", Reading: quantity.Reading{Value: 0.517, Unit: quantity.Volt}}}},
		Event{Kind: KindSwap, Swaps: []Swap{{0, true}}},
		Event{Kind: KindChoose, Choose: "repair FL3 jumper"},
		Event{Kind: KindUndrawn, Undrawn: []Undrawn{{Net: 1, Marks: []string{"C99", "U9.A1", "U9.&B"}}, {Net: 2}}},
		Event{Kind: KindDrop, Drops: []Drop{{Rail: board.Parts[odd].Terminals[0].Net, Amperes: 0.5, Volts: []PartVolts{{odd, 0.0124}}}}},
		Event{Kind: KindRead, Readings: []Read{{At: point(t, board, "SCL: up"), Name: "SCL: up", Reading: quantity.Reading{Value: 0.4520001, Unit: quantity.Volt}}}},
		Event{Kind: KindRead, Readings: []Read{{At: point(t, board, "J7.2"), Name: "J7.2", Reading: quantity.Reading{Overload: true, Unit: quantity.Ohm}}}},
	)
	var text []byte
	for i, e := range events {
		document, err := encode(e, board)
		if err != nil {
			t.Fatalf("event %d: %v", i+1, err)
		}
		text = append(text, seal(document)...)
	}
	got, err := decode("again.yaml", text, around)
	if err != nil {
		t.Fatalf("%v\nin\n%s", err, text)
	}
	if diff := cmp.Diff(events, got.All, told); diff != "" {
		t.Errorf("events (-written +read):\n%s\nin\n%s", diff, text)
	}
	for _, w := range got.Warnings {
		if strings.Contains(w.What, "changed by hand") {
			t.Errorf("a digest does not hold: %v", w)
		}
	}
}
