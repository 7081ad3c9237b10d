package coverage

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/references"
)

// lineBoard is invented. SIG is a line with a TVS diode
// before the series resistor and two capacitors behind it; DET has no path to
// ground and reads OL; LAMP conducts only with the black lead on ground; AUX and
// BUS are there so that a sweep has more than one ordinary line; ISLE is on no
// connector.
const lineBoard = `board: Line sample
revision: A
connectors:
  J1: {title: sample, pins: {1: GND, 2: SIG, 3: NC, 4: DET, 5: NC, 6: LAMP}}
  J2: {title: more, pins: {1: AUX, 2: NC, 3: BUS}}
  J4: {title: heaters, pins: {1: HEAT_A, 2: HEAT_B}}
  J5: {title: heaters, pins: {1: HEAT_C, 2: HEAT_D}}
nets:
  VDD: {rail: 1.8 V}
  SIG: {along: [J1.2, TP1, R12.1]}
test_points: {TP1: SIG}
parts:
  D1:  {kind: tvs,       pins: [SIG, GND], direction: bidirectional}
  R12: {kind: resistor,  value: 22R,  pins: [SIG, SIG_U]}
  C40: {kind: capacitor, value: 15p,  pins: [SIG_U, GND], role: filter}
  C41: {kind: capacitor, value: 100p, pins: [SIG_U, GND], role: filter}
  R15: {kind: resistor,  value: 100R, pins: [DET, DET_G]}
  C46: {kind: capacitor, value: 1n,   pins: [DET_G, GND]}
  D9:  {kind: diode,                  pins: [LAMP, GND]}
  R60: {kind: resistor,  value: 1K,   pins: [ISLE, ISLE_U]}
  R71: {kind: resistor, value: 470R,  pins: [HEAT_A, GND]}
  C71: {kind: capacitor, value: 1n,   pins: [HEAT_A, GND]}
  R72: {kind: resistor, value: 470R,  pins: [HEAT_B, GND]}
  C72: {kind: capacitor, value: 1n,   pins: [HEAT_B, GND]}
  R73: {kind: resistor, value: 470R,  pins: [HEAT_C, GND]}
  Y73: {kind: crystal, pins: [HEAT_C, GND], access: underfill}
  R74: {kind: resistor, value: 470R,  pins: [HEAT_D, GND]}
  Y74: {kind: crystal, pins: [HEAT_D, GND], access: underfill}
  U5:  {kind: ic, pins: {A1: VDD, B2: SIG_U, B3: AUX, B4: BUS, C3: GND}, supply: A1, ground: C3}
`

// lineSweeps are four good boards, 3 to 4 mV apart from each other.
var lineSweeps = []string{
	"{J1.2: 0.552, J1.4: OL, J1.6: OL, J2.1: 0.531, J2.3: 0.560, J4.1: 0.471, J4.2: 0.470, J5.1: 0.472, J5.2: 0.471}",
	"{J1.2: 0.555, J1.4: OL, J1.6: OL, J2.1: 0.534, J2.3: 0.557, J4.1: 0.470, J4.2: 0.472, J5.1: 0.468, J5.2: 0.470}",
	"{J1.2: 0.549, J1.4: OL, J1.6: OL, J2.1: 0.529, J2.3: 0.563, J4.1: 0.468, J4.2: 0.469, J5.1: 0.470, J5.2: 0.472}",
	"{J1.2: 0.553, J1.4: OL, J1.6: OL, J2.1: 0.530, J2.3: 0.558, J4.1: 0.470, J4.2: 0.471, J5.1: 0.469, J5.2: 0.470}",
}

// lineFolder writes the board and its sweeps.
func lineFolder(t testing.TB, sweeps []string) string {
	t.Helper()
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("board.yaml", lineBoard)
	for i, s := range sweeps {
		write(fmt.Sprintf("known/%d.yaml", i), fmt.Sprintf("board: Line sample\nrevision: A\nsample: \"%d\"\nreadings: %s\n", i, s))
	}
	return dir
}

func loadBasis(t testing.TB, board, known string) *diagnose.Basis {
	t.Helper()
	b, err := netlist.Load(board)
	if err != nil {
		t.Fatal(err)
	}
	var lib *references.Library
	if known != "" {
		if lib, err = references.LoadLibrary(known, b); err != nil {
			t.Fatal(err)
		}
	}
	e, err := diagnose.NewBasis(b, lib, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func lineReach(t *testing.T, sweeps []string, q Request) *Coverage {
	t.Helper()
	dir := lineFolder(t, sweeps)
	known := ""
	if len(sweeps) > 0 {
		known = filepath.Join(dir, "known")
	}
	x, err := Of(loadBasis(t, filepath.Join(dir, "board.yaml"), known), q)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// find gives a fault by its name.
func (x *Coverage) find(t *testing.T, name string) *Fault {
	t.Helper()
	for i := range x.Faults {
		if x.Faults[i].name() == name {
			return &x.Faults[i]
		}
	}
	t.Fatalf("no fault is called %s", name)
	return nil
}

func TestCoverageLine(t *testing.T) {
	x := lineReach(t, lineSweeps, Request{})
	if x.Pins != 9 || x.Known != 9 {
		t.Errorf("%d pins, %d known, want 9 and 9", x.Pins, x.Known)
	}
	// What follows is common practice, no source: a line that should read a drop
	// and shows OL is broken; one that should read OL shows no break; a capacitor
	// carries no direct current.
	for _, c := range []struct {
		fault, rang, why, by string
		overload             bool
	}{
		{"R12 open", SeenWhole, "", "J1.2", true},
		{"J1.2 open joint", SeenWhole, "", "J1.2", true},
		{"J1.2 to TP1 broken trace", SeenWhole, "", "J1.2", true},
		{"U5.B2 open", SeenWhole, "", "J1.2", true},
		{"C40 shorted", SeenWhole, "", "J1.2", false},
		{"C40 leaky", SeenPart, WhySmall, "J1.2", false},
		{"C40 open", SeenNever, WhyNoCurrent, "", false},
		{"R15 open", SeenNever, WhyOpen, "", false},
		{"J1.4 open joint", SeenNever, WhyOpen, "J1.4", true},
		{"C46 leaky", SeenPart, WhyOpen, "J1.4", false},
		{"R60 open", SeenNever, WhyBeyond, "", false},
		{"D9 open", SeenNever, WhyOpen, "", false},
		{"D9 shorted", SeenWhole, "", "J1.6", false},
		{"U5.B3 shorted", SeenWhole, "", "J2.1", false},
	} {
		f := x.find(t, c.fault)
		if f.Range != c.rang || f.Why != c.why || f.By != c.by || f.Overload != c.overload || f.Seen != (c.rang != SeenNever) {
			t.Errorf("%s: range %s, why %q, by %q, OL %v; want %s, %q, %q, %v", c.fault, f.Range, f.Why, f.By, f.Overload, c.rang, c.why, c.by, c.overload)
		}
	}
	// 1 mA through 22 ohm is 22 mV: so much is left of the line's 552 mV when
	// C40 is shorted, within the 10 ohm of a short (0.7 mV at its middle).
	if f := x.find(t, "C40 shorted"); math.Abs(*f.Shift-(0.022+0.0007-0.552)) > 0.002 {
		t.Errorf("C40 shorted shifts J1.2 by %.4f V, want -0.529 within 2 mV", *f.Shift)
	}
	// DET shows a leak R behind its 100 ohm while 1 mA * (100 ohm + R) stays under
	// the display's 2 V: up to 1,900 ohm.
	if f := x.find(t, "C46 leaky"); f.VanishesAbove == nil || math.Abs(*f.VanishesAbove/1900-1) > 0.006 {
		t.Errorf("C46 leaky vanishes above %v ohm, want 1900 within 0.6 %%", deref(f.VanishesAbove))
	}
	// A resistance R in SIG adds 1 mA * R; raised begins at half of R12's 22 ohm, which
	// is 11 mV. Where whole sweeps tell the meter and the warmth, a line is left with
	// what junctions differ by, 3 to 6 mV, of which three can be distinguished: 9 to 20 ohm.
	if f := x.find(t, "R12 high resistance"); f.By != "J1.2" || f.Range == SeenPart && (*f.VanishesBelow < 9 || *f.VanishesBelow > 20) || f.Range == SeenNever {
		t.Errorf("R12 raised is %s, vanishes below %v ohm, want it seen from 9 to 20 ohm on", f.Range, deref(f.VanishesBelow))
	}
	// A leak behind a resistor hides sooner than one before it.
	if a, b := *x.find(t, "D1 leaky").VanishesAbove, *x.find(t, "C40 leaky").VanishesAbove; a <= b {
		t.Errorf("a leak before R12 vanishes above %.0f ohm, behind it above %.0f; want the first larger", a, b)
	}
}

func deref(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// TestCoverageOtherWays: D9 conducts from LAMP to ground, so that only the swapped
// leads see it, and resistance mode drives a leak with less current to a lower
// voltage and so sees it where diode mode has lost it.
func TestCoverageOtherWays(t *testing.T) {
	x := lineReach(t, lineSweeps, Request{})
	if f := x.find(t, "D9 open"); f.Seen || !f.OtherPolarity || !f.Better {
		t.Errorf("D9 open: seen %v, other polarity %v, better %v; want false, true, true", f.Seen, f.OtherPolarity, f.Better)
	}
	f := x.find(t, "C46 leaky")
	if !f.ResistanceMode || !f.Better || f.ResistanceLimit != nil {
		t.Errorf("C46 leaky: resistance mode %v, limit %v, better %v; want a leak on a line without a path seen up to 100 kohm", f.ResistanceMode, deref(f.ResistanceLimit), f.Better)
	}
	for _, f := range x.Faults {
		if f.Range == SeenWhole && f.Better {
			t.Errorf("%s is wholly seen and yet another way is better", f.name())
		}
	}
}

func TestCoverageGroups(t *testing.T) {
	x := lineReach(t, lineSweeps, Request{})
	group := func(name string) int { return x.find(t, name).Group }
	for _, alike := range [][]string{
		{"C40 shorted", "C41 shorted", "U5.B2 shorted"}, // in parallel
		{"R12 open", "R12.1 open joint", "R12.2 open joint", "R12 missing"},
	} {
		for _, f := range alike {
			if group(f) != group(alike[0]) || group(f) == 0 {
				t.Errorf("%s is in group %d, %s in %d; want one group", f, group(f), alike[0], group(alike[0]))
			}
		}
	}
	for _, apart := range [][2]string{
		{"D1 shorted", "C40 shorted"}, // 22 mV of R12 between them
		{"C40 shorted", "R12 open"},
		{"U5.B3 shorted", "U5.B4 shorted"}, // each on its own pin
		// A leak of 470 ohm makes one pin read what a bridge does, 0.235 V, but only
		// the bridge moves both. A capacitor is likelier to leak than the pins are to
		// be bridged, a crystal underfilled less so: the group is led by either.
		{"C71 leaky", "J4.1 to J4.2 bridged"},
		{"C72 leaky", "J4.1 to J4.2 bridged"},
		{"Y73 leaky", "J5.1 to J5.2 bridged"},
		{"Y74 leaky", "J5.1 to J5.2 bridged"},
	} {
		if group(apart[0]) == group(apart[1]) {
			t.Errorf("%s and %s are in group %d together", apart[0], apart[1], group(apart[0]))
		}
	}
	for _, f := range x.Faults {
		if f.Seen != (f.Group > 0) {
			t.Errorf("%s: seen %v, group %d", f.name(), f.Seen, f.Group)
		}
		if f.Seen && !slices.Contains(x.Groups[f.Group-1].Members, f.name()) {
			t.Errorf("%s is not listed in its group %d", f.name(), f.Group)
		}
	}
}

// TestCoverageSides: a path taken away raises a reading and a path added lowers it,
// however little is known of how far.
func TestCoverageSides(t *testing.T) {
	x, err := Of(loadBasis(t, "../../testdata/demo/board.yaml", "../../testdata/demo/known"), Request{})
	if err != nil {
		t.Fatal(err)
	}
	up := make(map[int]string)
	for _, f := range x.Faults {
		if f.Shift != nil && f.Group > 0 && *f.Shift > 0 {
			up[f.Group] = f.name()
		}
	}
	for _, f := range x.Faults {
		if other := up[f.Group]; f.Shift != nil && *f.Shift < 0 && other != "" {
			t.Errorf("%s lowers %s by %.3f V and is in group %d with %s, which raises it", f.name(), f.By, -*f.Shift, f.Group, other)
		}
	}
}

// TestCoverageSplits: behind a bad joint of the pin, TP1 shows the good line; with
// R12 open it shows OL as the pin does. R12.2 has the good IC to show even then.
func TestCoverageSplits(t *testing.T) {
	x := lineReach(t, lineSweeps, Request{})
	g := &x.Groups[x.find(t, "R12 open").Group-1]
	if !slices.Contains(g.Members, "J1.2 open joint") {
		t.Fatalf("the group of R12 open is %v, want J1.2 open joint in it", g.Members)
	}
	split := func(at string) *Split {
		for i := range g.Points {
			if g.Points[i].At == at {
				return &g.Points[i]
			}
		}
		t.Fatalf("%s is not among the points %+v", at, g.Points)
		return nil
	}
	side := func(s *Split, member string) *Subgroup {
		for i := range s.Subgroups {
			if slices.Contains(s.Subgroups[i].Members, member) {
				return &s.Subgroups[i]
			}
		}
		t.Fatalf("%s has no %s in %+v", s.At, member, s.Subgroups)
		return nil
	}
	s := split("TP1")
	if pin, r12 := side(s, "J1.2 open joint"), side(s, "R12 open"); pin.Overload || math.Abs(deref(pin.Volts)-0.552) > 0.01 || !r12.Overload {
		t.Errorf("TP1 reads %+v and %+v; want 0.552 V with the pin's open joint and OL with R12 open", pin, r12)
	}
	s = split("R12.2")
	if ic, r12 := side(s, "U5.B2 open"), side(s, "R12 open"); !ic.Overload || math.Abs(deref(r12.Volts)-0.530) > 0.01 {
		t.Errorf("R12.2 reads %+v and %+v; want OL with U5.B2 open and 0.530 V with R12 open", ic, r12)
	}
	if len(x.Points) == 0 || x.Points[0].Gain < x.Points[len(x.Points)-1].Gain {
		t.Errorf("points %+v are not sorted", x.Points)
	}
	// Parts in parallel: no point distinguishes them.
	for _, p := range x.Groups[x.find(t, "C40 shorted").Group-1].Points {
		for _, sub := range p.Subgroups {
			if slices.Contains(sub.Members, "C40 shorted") != slices.Contains(sub.Members, "C41 shorted") {
				t.Errorf("%s tells C40 from C41, which are in parallel: %+v", p.At, p.Subgroups)
			}
		}
	}
}

// TestCoverageBestLeads: in resistance mode the leads may be put either way, and the
// way that shows more counts: of a path the larger limit, of a resistance in
// series the smaller.
func TestCoverageBestLeads(t *testing.T) {
	for _, c := range []struct {
		series     bool
		red, black visible
		want       float64 // NaN for none
		seen       bool
	}{
		{false, visible{SeenPart, 50}, visible{SeenPart, 20}, 50, true},
		{false, visible{SeenPart, 20}, visible{SeenPart, 50}, 50, true},
		{true, visible{SeenPart, 50}, visible{SeenPart, 20}, 20, true},
		{true, visible{SeenPart, 20}, visible{SeenPart, 50}, 20, true},
		{false, visible{SeenPart, 20}, visible{SeenWhole, 0}, math.NaN(), true},
		{false, visible{SeenNever, 0}, visible{SeenPart, 20}, 20, true},
		{false, visible{SeenNever, 0}, visible{SeenNever, 0}, math.NaN(), false},
	} {
		b := &band{cause: &cause{locus: &fault.Locus{Series: c.series}}, by: -1}
		b.seen = [sights]visible{usual: {SeenNever, 0}, swapped: {SeenNever, 0}, ohmsRed: c.red, ohmsBlack: c.black}
		var f Fault
		(&reaching{}).describe(&f, b)
		if got := deref(f.ResistanceLimit); f.ResistanceMode != c.seen || got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("series %v, %v and %v: seen %v, limit %v; want %v, %v", c.series, c.red, c.black, f.ResistanceMode, got, c.seen, c.want)
		}
	}
}

// TestCoverageDoubt: two places, each shorted with odds 3 and leaky with odds 1.
// Told nothing, two picks blame different places in half of all cases; telling
// the modes apart leaves that as it is; telling the places apart leaves nothing;
// telling one mode of one place (odds 1 of 8) apart leaves, of the other 7 with 3
// and 4 in the two places, 7/8 * (1 - (9+16)/49) = 3/7.
func TestCoverageDoubt(t *testing.T) {
	r := &reaching{odds: []float64{3, 1, 3, 1}, places: []string{"C45", "C45", "C46", "C46"}}
	g := &cluster{bands: []*band{{faults: []int{0}}, {faults: []int{1}}, {faults: []int{2}}, {faults: []int{3}}}}
	for _, c := range []struct {
		of   []int
		want float64
	}{
		{[]int{0, 0, 0, 0}, 0.5},
		{[]int{0, 1, 0, 1}, 0.5},
		{[]int{0, 0, 1, 1}, 0},
		{[]int{0, 1, 0, 0}, 3.0 / 7},
	} {
		if got := r.doubtLeft(g, c.of); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("doubt left by %v: %.6f, want %.6f", c.of, got, c.want)
		}
	}
}

// TestCoverageOnePlace: C45 and C46 in parallel stay alike; TP17 never tells C45 from C46,
// so it is not a point to read.
func TestCoverageOnePlace(t *testing.T) {
	x, err := Of(loadBasis(t, "../../testdata/demo/board.yaml", ""), Request{Connectors: []string{"J7"}})
	if err != nil {
		t.Fatal(err)
	}
	g := &x.Groups[x.find(t, "C45 shorted").Group-1]
	if want := []string{"C45", "C46"}; !cmp.Equal(g.Places, want) {
		t.Fatalf("C45 shorted is alike with %v, want %v", g.Places, want)
	}
	if !slices.Contains(g.Members, "C46 shorted") || len(g.Points) > 0 {
		t.Errorf("members %v, points %+v; want both shorts among the members and no points", g.Members, g.Points)
	}
}

// TestCoverageAgreesWithCompare lets Compare look at the readings of a board with the
// fault at a little more and a little less than the resistance at which Coverage says
// that it vanishes.
func TestCoverageAgreesWithCompare(t *testing.T) {
	dir := lineFolder(t, lineSweeps)
	e := loadBasis(t, filepath.Join(dir, "board.yaml"), filepath.Join(dir, "known"))
	x, err := Of(e, Request{})
	if err != nil {
		t.Fatal(err)
	}
	zScore := func(f *Fault, ohms float64) float64 {
		t.Helper()
		at := strings.ReplaceAll(f.At, " to ", "-")
		list, err := e.Predict(diagnose.Question{Faults: []string{fmt.Sprintf("%s:%s=%.5g", at, f.Mode, ohms)},
			Setting: diagnose.Setting{Drive: diagnose.DriveOf(journal.Stage{Meter: references.DefaultMeter()})},
			Points:  []string{"J1.2", "J1.4", "J1.6", "J2.1", "J2.3", "J4.1", "J4.2", "J5.1", "J5.2"}})
		if err != nil {
			t.Fatal(err)
		}
		var reads []string
		for _, p := range list {
			v := "OL"
			if p.Volts != nil {
				v = fmt.Sprintf("%.6f V", *p.Volts)
			}
			reads = append(reads, p.At+": "+v)
		}
		file := filepath.Join(dir, "case.yaml")
		text := "open: {board: board.yaml, known: known, complaint: test}\n---\nread: {" + strings.Join(reads, ", ") + "}\n"
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		c, err := journal.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		seen, err := e.Compare(c)
		if err != nil {
			t.Fatal(err)
		}
		most := 0.0
		for _, s := range seen {
			most = math.Max(most, math.Abs(s.ZScore))
		}
		return most
	}
	checked := 0
	for i := range x.Faults {
		f := &x.Faults[i]
		var shows, hides float64
		switch {
		case f.VanishesAbove != nil:
			shows, hides = *f.VanishesAbove/1.1, *f.VanishesAbove*1.1
		case f.VanishesBelow != nil:
			shows, hides = *f.VanishesBelow*1.1, *f.VanishesBelow/1.1
		default:
			continue
		}
		checked++
		// Compare holds a pin against others that the fault moves as well.
		if z := zScore(f, shows); z < 0.8*seenSigmas {
			t.Errorf("%s at %.3g ohm lies %.2f standard deviations off, want %g and more", f.name(), shows, z, 0.8*seenSigmas)
		}
		if z := zScore(f, hides); z >= 1.1*seenSigmas {
			t.Errorf("%s at %.3g ohm lies %.2f standard deviations off, want less than %g", f.name(), hides, z, 1.1*seenSigmas)
		}
	}
	if checked < 10 {
		t.Errorf("only %d faults are seen in part; the board has more", checked)
	}
}

// Without known good, nothing in the middle of the display tells anything, but a
// short does.
func TestCoverageWithoutKnown(t *testing.T) {
	x := lineReach(t, nil, Request{})
	if x.Known != 0 {
		t.Errorf("%d pins known, want none", x.Known)
	}
	f := x.find(t, "C40 leaky")
	if f.Range != SeenPart || f.Why != WhyUnknown {
		t.Errorf("C40 leaky: %s, %q; want %s, %q", f.Range, f.Why, SeenPart, WhyUnknown)
	}
	// Pins drop 0.55 V give or take 0.12 V (network.Origin.Prior); three of these below
	// are 0.19 V, at 1 mA and less R12's 22 mV 168 ohm. The TVS beside the pin and the
	// meter's own make it a little less.
	if math.Abs(deref(f.VanishesAbove)-160) > 20 {
		t.Errorf("C40 leaky vanishes above %v ohm, want 160 within 20", deref(f.VanishesAbove))
	}
}

func TestCoverageConnectors(t *testing.T) {
	x := lineReach(t, lineSweeps, Request{Connectors: []string{"J2"}})
	if x.Pins != 2 {
		t.Errorf("%d pins of J2, want 2", x.Pins)
	}
	if f := x.find(t, "C46 shorted"); f.Why != WhyBeyond {
		t.Errorf("C46 shorted: %q, want %q", f.Why, WhyBeyond)
	}
	if f := x.find(t, "C46 open"); f.Why != WhyBeyond {
		t.Errorf("C46 open: %q, want %q", f.Why, WhyBeyond)
	}
	s := x.Summary
	if s.Seen+s.InPart+s.Never != s.Faults || s.Faults != len(x.Faults) || s.Share <= 0 || s.Share >= 1 {
		t.Errorf("the summary does not add up: %+v of %d faults", s, len(x.Faults))
	}
	dir := lineFolder(t, nil)
	e := loadBasis(t, filepath.Join(dir, "board.yaml"), "")
	if _, err := Of(e, Request{Connectors: []string{"J3"}}); err == nil || !strings.Contains(err.Error(), "J3") {
		t.Errorf("connector J3: error %v, want one that names it", err)
	}
}

// TestCoverageSteady: the work is spread over processors and comes out the same.
func TestCoverageSteady(t *testing.T) {
	e := loadBasis(t, "../../testdata/demo/board.yaml", "../../testdata/demo/known")
	var all [2]*Coverage
	for i, procs := range []int{1, 4} {
		old := runtime.GOMAXPROCS(procs)
		last := 0
		x, err := Of(e, Request{Connectors: []string{"J7"}, Progress: func(done, of int) {
			if done != last+1 || done > of {
				t.Errorf("progress goes from %d to %d of %d", last, done, of)
			}
			last = done
		}})
		runtime.GOMAXPROCS(old)
		if err != nil {
			t.Fatal(err)
		}
		if last == 0 {
			t.Error("no progress was told")
		}
		all[i] = x
	}
	if diff := cmp.Diff(all[0], all[1]); diff != "" { // to the last digit
		t.Errorf("one processor and four differ (-one +four):\n%s", diff)
	}
}

func BenchmarkCoverage(b *testing.B) {
	for _, c := range []struct{ name, board, known string }{
		{"90 parts", "../../testdata/demo/board.yaml", "../../testdata/demo/known"},
		{"317 parts", "../../testdata/boards/dock60.yaml", ""},
	} {
		e := loadBasis(b, c.board, c.known)
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Of(e, Request{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
