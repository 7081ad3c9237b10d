package engine_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
)

// What holds of every right answer, whatever the model behind it: how answers change
// when the record of a bench does. Each is described by a case file on an INVENTED board,
// the hand scanner Lark L2; the readings are made up and follow Ohm's law.
const larkBoard = `board: Lark L2
revision: B
connectors:
  J1: {title: scanner head, pins: {1: GND, 2: S0, 3: S1, 4: S2, 5: S3, 6: S4, 7: S5, 8: VS, 9: VS, 10: VS, 11: VS, 12: T0}}
nets:
  VS: {rail: 3.3 V}
  VIO: {rail: 1.8 V}
parts:
  D0:  {kind: tvs,       pins: [S0, GND]}
  FL0: {kind: filter,    value: 2R,   pins: [S0, S0_M, GND]}
  R0:  {kind: resistor,  value: 33R,  pins: [S0_M, S0_U]}
  R1:  {kind: resistor,  value: 33R,  pins: [S1, S1_U]}
  D2:  {kind: tvs,       pins: [S2, GND]}
  R2:  {kind: resistor,  value: 33R,  pins: [S2, S2_U]}
  R3:  {kind: resistor,  value: 33R,  pins: [S3, S3_U]}
  R4:  {kind: resistor,  value: 33R,  pins: [S4, S4_U]}
  D4:  {kind: diode,     pins: {a: GND, k: S4_U}}
  R5:  {kind: resistor,  value: 33R,  pins: [S5, S5_U]}
  RT:  {kind: resistor,  value: 33R,  pins: [T0, T0_U]}
  C1:  {kind: capacitor, value: 1u,   pins: [VS, GND]}
  C2:  {kind: capacitor, value: 100n, pins: [VIO, GND]}
  U1:  {kind: ic, title: controller, pins: {1: VS, 2: S0_U, 3: S1_U, 4: S2_U, 5: S3_U, 6: S5_U, 8: GND}}
  U2:  {kind: ic, title: sensor,     pins: {1: VIO, 2: S4, 3: T0_U, 4: GND}}
`

// larkGood is what good boards read at the pins of J1 from 2 on, in millivolts, and
// larkOff what each of three differs by.
var (
	larkGood = []float64{561, 602, 574, 655, 380, 583, 425, 425, 425, 425, 548}
	larkOff  = [][]float64{
		{3, -4, 2, -1, 4, -3, -2, -2, -3, -2, 1},
		{-2, 3, -4, 4, -1, 2, 3, 3, 3, 2, -4},
		{-1, 1, 2, -3, -3, 1, -1, -1, 0, 0, 3},
	}
)

// folder is a case with its board and its good boards, as files.
type folder struct {
	t     *testing.T
	board string
	good  [][]float64 // volts by board and pin from 2 on
	known bool
	meter string // of the case
}

func lark(t *testing.T) *folder {
	f := &folder{t: t, board: larkBoard, known: true, meter: larkMeter}
	for _, off := range larkOff {
		var volts []float64
		for i := range larkGood {
			volts = append(volts, (larkGood[i]+off[i])/1e3)
		}
		f.good = append(f.good, volts)
	}
	return f
}

const larkMeter = "meter: {test_current: 1 mA, open_voltage: 3 V, overload_above: 2 V, accuracy: 0.5% + 2}\n"

// larkPins writes readings of the pins of J1 from 2 on; NaN is OL.
func larkPins(volts []float64) string {
	words := []string{"J1.1: 0.000"}
	for i, v := range volts {
		words = append(words, fmt.Sprintf("J1.%d: %s", i+2, shown(v)))
	}
	return "read: {" + strings.Join(words, ", ") + "}\n"
}

func shown(v float64) string {
	if math.IsNaN(v) {
		return "OL"
	}
	return fmt.Sprintf("%.3f", v)
}

// moved gives the readings of a good board with some pins moved, in millivolts by pin
// number; NaN is OL.
func moved(by map[int]float64) []float64 {
	var volts []float64
	for i := range larkGood {
		volts = append(volts, (larkGood[i]+by[i+2])/1e3)
	}
	return volts
}

// open writes the files and loads the case with its engine.
func (f *folder) open(events ...string) (*journal.Case, *engine.Engine) {
	f.t.Helper()
	dir := f.t.TempDir()
	save := func(name, text string) {
		path := filepath.Join(dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			f.t.Fatal(err)
		}
	}
	save("board.yaml", f.board)
	opening := "open: {board: board.yaml, complaint: no scan}\n"
	if f.known {
		opening = "open: {board: board.yaml, known: known, complaint: no scan}\n"
		for k, volts := range f.good {
			save(fmt.Sprintf("known/%d.yaml", k), fmt.Sprintf("board: Lark L2\nrevision: B\nsample: \"%d\"\n", k)+larkMeter+strings.Replace(larkPins(volts), "read:", "readings:", 1))
		}
	}
	save("case.yaml", opening+f.meter+"---\n"+strings.Join(events, "---\n"))
	c, err := journal.Load(filepath.Join(dir, "case.yaml"))
	if err != nil {
		f.t.Fatal(err)
	}
	e, err := engine.New(c.Board, c.Library, engine.Options{})
	if err != nil {
		f.t.Fatal(err)
	}
	return c, e
}

func (f *folder) diagnose(events ...string) *repair.Diagnosis {
	f.t.Helper()
	c, e := f.open(events...)
	d, err := e.Diagnose(c)
	if err != nil {
		f.t.Fatal(err)
	}
	return d
}

// suspicion is the probability that a part is bad.
func suspicion(d *repair.Diagnosis, part string) float64 {
	for _, s := range d.Suspects {
		if s.Part == part {
			return s.Probability
		}
	}
	return 0
}

// noFault is the probability that nothing is wrong.
func noFault(d *repair.Diagnosis) float64 {
	sum := 0.0
	for _, x := range d.Explanations {
		if len(x.Faults) == 0 {
			sum += x.Probability
		}
	}
	return sum
}

// flagged lists the points whose last reading does not agree with good boards.
func flagged(d *repair.Diagnosis) string {
	last := map[string]diagnose.Verdict{}
	for _, r := range d.Readings {
		last[r.At] = r.Verdict
	}
	var out []string
	for at, v := range last {
		if v != diagnose.Agrees && v != diagnose.NoKnownGood {
			out = append(out, at)
		}
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// deviation gives the last z-score at a point.
func deviation(d *repair.Diagnosis, at string) float64 {
	z := math.NaN()
	for _, r := range d.Readings {
		if r.At == at {
			z = r.ZScore
		}
	}
	return z
}

// complaints gathers what is wrong with answers.
type complaints []string

func (c *complaints) add(format string, args ...any) { *c = append(*c, fmt.Sprintf(format, args...)) }

func (c *complaints) flagged(what string, d *repair.Diagnosis, want string) {
	if got := flagged(d); got != want {
		c.add("%s: called outliers are %q, want %q", what, got, want)
	}
}

// property is what holds of every right answer; check complains of what does not.
type property struct {
	name  string
	check func(t *testing.T, c *complaints)
}

var metamorphic = []property{
	{"the order of readings does not matter", orderOfReadings},
	{"a pin read twice hardly moves the odds", readTwice},
	{"a rail read at four pins hardly moves the odds", readAtFourPins},
	{"one line off is called so, however many agree", oneLineOff},
	{"one line off beside one faulty net", besideFaultyNet},
	{"a rail off accuses no healthy line", railOff},
	{"three nets moved alike, and one further", threeNets},
	{"more than R I between both ends of a part", acrossPart(0.648, 0.578)},
	{"more than R I between both ends of a part, the other way", acrossPart(0.578, 0.648)},
	{"more than R I between both ends of a part, with another meter, on a line whose pin nobody drew", acrossConverted},
	{"a healthy resistor between two junctions", healthyResistor},
	{"an open part before a shadowed pin that does not conduct", shadowedPin(math.NaN())},
	{"an open part before a shadowed pin that conducts", shadowedPin(0.560)},
	{"one bad value among three good boards hides no fault", swappedGood},
	{"5 K between two days is no fault", warmDay},
	{"an IC of a second maker is no fault", secondMaker},
	{"a leaky IC and an unknown path at its net are one group", leakyOrUnknown},
	{"after the IC was replaced to no effect the unknown path leads", replacedInVain},
	{"compare and locate say the same", compareLocate},
	{"the check before power says what compare says", comparePowerUp},
	{"without good boards, one of six equal lines", withoutGood},
	{"with two pins read there is more to read", twoPins},
	{"what a later session reads is not taken for the same again", laterSession},
	{"one of two readings that contradict each other misleads, not both", contradiction},
	{"OL at two points of a net calls neither misleading", openTwice},
}

// knownToFail lists what the engine as it stands gets wrong, by name. A property that
// fails and is not listed fails the test; so does one that is listed and holds: take
// it out of the list.
var knownToFail = map[string]bool{
	"a rail read at four pins hardly moves the odds": true,
	"one line off is called so, however many agree":  true,
}

func TestMetamorphic(t *testing.T) {
	for _, p := range metamorphic {
		t.Run(p.name, func(t *testing.T) {
			var wrong complaints
			p.check(t, &wrong)
			for _, w := range wrong {
				t.Log(w)
			}
			switch {
			case len(wrong) > 0 && !knownToFail[p.name]:
				t.Error("does not hold")
			case len(wrong) == 0 && knownToFail[p.name]:
				t.Error("holds now: take it out of knownToFail")
			}
		})
	}
	for name := range knownToFail {
		if !slices.ContainsFunc(metamorphic, func(p property) bool { return p.name == name }) {
			t.Errorf("knownToFail names %q, which is no property", name)
		}
	}
}

// posterior is what a diagnosis says of parts, without their order.
func posterior(d *repair.Diagnosis) (suspects map[string]float64, deviations map[string]float64) {
	suspects, deviations = map[string]float64{"": noFault(d)}, map[string]float64{}
	for _, s := range d.Suspects {
		suspects[s.Part] = s.Probability
	}
	for _, r := range d.Readings {
		deviations[r.At] = r.ZScore
	}
	return suspects, deviations
}

// To the last digit: the readings of a board with a leak, in five orders.
func orderOfReadings(t *testing.T, c *complaints) {
	volts := moved(map[int]float64{3: -30, 6: 20, 8: -12, 9: -12})
	var words []string
	for i, v := range volts {
		words = append(words, fmt.Sprintf("J1.%d: %s", i+2, shown(v)))
	}
	f := lark(t)
	suspects, deviations := posterior(f.diagnose("read: {" + strings.Join(words, ", ") + "}\n"))
	for seed := range uint64(4) {
		r := practice.Random(seed, "order")
		r.Shuffle(len(words), func(a, b int) { words[a], words[b] = words[b], words[a] })
		k := 1 + r.IntN(len(words)-1)
		s, z := posterior(f.diagnose("read: {"+strings.Join(words[:k], ", ")+"}\n", "read: {"+strings.Join(words[k:], ", ")+"}\n"))
		if diff := cmp.Diff(suspects, s); diff != "" {
			c.add("order %d: suspects differ: %s", seed, diff)
		}
		if diff := cmp.Diff(deviations, z); diff != "" {
			c.add("order %d: deviations differ: %s", seed, diff)
		}
	}
}

// hardly is how far the odds between two faults may move, in natural logarithms.
const hardly = 0.2

// odds compares the odds between suspects that both have a probability worth naming.
func (c *complaints) odds(what string, before, after *repair.Diagnosis, parts ...string) {
	for i, a := range parts {
		for _, b := range append([]string{""}, parts[:i]...) {
			chance := func(d *repair.Diagnosis, part string) float64 {
				if part == "" {
					return noFault(d)
				}
				return suspicion(d, part)
			}
			if chance(before, a) < 0.02 || chance(before, b) < 0.02 {
				continue
			}
			was, is := math.Log(chance(before, a)/chance(before, b)), math.Log(chance(after, a)/chance(after, b))
			if !(math.Abs(is-was) <= hardly) {
				c.add("%s: the odds of %q against %q move from %.3f to %.3f (natural logarithm)", what, a, b, was, is)
			}
		}
	}
}

// A line 25 mV low, and its pin read three times more: nothing new about the line.
func readTwice(t *testing.T, c *complaints) {
	for _, by := range []float64{-25, -40, -120} {
		f, low := lark(t), moved(map[int]float64{5: by})
		again := fmt.Sprintf("read: {J1.5: %s}\n", shown(low[3]))
		c.odds(fmt.Sprintf("J1.5 %g mV", by), f.diagnose(larkPins(low)), f.diagnose(larkPins(low), again, again, again), "U1", "R3")
	}
}

// A rail 15, 25 or 40 mV low, read at one of its four pins or at all.
func readAtFourPins(t *testing.T, c *complaints) {
	for _, by := range []float64{-15, -25, -40} {
		low := moved(map[int]float64{8: by, 9: by, 10: by, 11: by})
		one := fmt.Sprintf("read: {J1.2: %s, J1.3: %s, J1.4: %s, J1.5: %s, J1.6: %s, J1.7: %s, J1.12: %s, J1.8: %s}\n",
			shown(low[0]), shown(low[1]), shown(low[2]), shown(low[3]), shown(low[4]), shown(low[5]), shown(low[10]), shown(low[6]))
		f := lark(t)
		c.odds(fmt.Sprintf("VS %g mV", by), f.diagnose(one), f.diagnose(larkPins(low)), "U1", "C1", "U2")
	}
}

// S3 60 mV low is low where it alone is read, and no less off the more lines agree
// that nothing else has moved. (The common shift has a standard deviation of 8 mV and
// a board one of some 4: 60 mV are more than six times both together.)
func oneLineOff(t *testing.T, c *complaints) {
	low := moved(map[int]float64{5: -60})
	at := []int{2, 3, 4, 6, 7, 12}
	last := 0.0
	for n := range len(at) + 1 {
		words := []string{"J1.5: " + shown(low[3])}
		for _, pin := range at[:n] {
			words = append(words, fmt.Sprintf("J1.%d: %s", pin, shown(low[pin-2])))
		}
		d := lark(t).diagnose("read: {" + strings.Join(words, ", ") + "}\n")
		c.flagged(fmt.Sprintf("J1.5 60 mV low beside %d lines", n), d, "J1.5")
		z := deviation(d, "J1.5")
		if !(z < -3.3) || n > 0 && z > last+0.3 {
			c.add("J1.5 60 mV low beside %d lines: %.1f sigma, beside fewer %.1f", n, z, last)
		}
		last = z
	}
	// No cliff: twice as far off is at most about twice as many sigma.
	last = 0
	for by := -15.0; by >= -75; by -= 15 {
		z := deviation(lark(t).diagnose("read: {J1.5: "+shown(moved(map[int]float64{5: by})[3])+"}\n"), "J1.5")
		if before := by + 15; before < 0 && !(z < last && z > 1.15*last*by/before) {
			c.add("J1.5 alone: %.1f sigma at %g mV, %.1f at %g mV", last, before, z, by)
		}
		last = z
	}
}

// 48 mV low beside a net that is open: both are called, and no other.
func besideFaultyNet(t *testing.T, c *complaints) {
	for _, pin := range []int{4, 7} {
		d := lark(t).diagnose(larkPins(moved(map[int]float64{5: -48, pin: math.NaN()})))
		want := []string{"J1.5", fmt.Sprintf("J1.%d", pin)}
		slices.Sort(want)
		c.flagged(fmt.Sprintf("J1.5 48 mV low beside J1.%d OL", pin), d, strings.Join(want, " "))
		for _, healthy := range []string{"R1", "R5", "RT"} {
			if pin == 7 && healthy == "R5" {
				continue
			}
			if p := suspicion(d, healthy); p > 0.02 {
				c.add("J1.%d OL: %s on a healthy line is bad with %.3f", pin, healthy, p)
			}
		}
	}
}

// A rail 34 mV low at all of its four pins.
func railOff(t *testing.T, c *complaints) {
	all := map[int]float64{8: -34, 9: -34, 10: -34, 11: -34}
	d := lark(t).diagnose(larkPins(moved(all)))
	c.flagged("VS 34 mV low", d, "J1.10 J1.11 J1.8 J1.9")
	few := moved(all)
	d = lark(t).diagnose(fmt.Sprintf("read: {J1.3: %s, J1.5: %s, J1.8: %s, J1.9: %s, J1.10: %s, J1.11: %s}\n",
		shown(few[1]), shown(few[3]), shown(few[6]), shown(few[7]), shown(few[8]), shown(few[9])))
	c.flagged("VS 34 mV low beside two lines", d, "J1.10 J1.11 J1.8 J1.9")
	for _, healthy := range []string{"R1", "R3"} {
		if p := suspicion(d, healthy); p > 0.02 {
			c.add("VS 34 mV low: %s on a healthy line is bad with %.3f", healthy, p)
		}
	}
}

// Three nets 20 mV low agree with one another; one that is 47 mV lower still does not.
func threeNets(t *testing.T, c *complaints) {
	three := func(s1, s3, s5 float64) string {
		v := moved(map[int]float64{3: s1, 5: s3, 7: s5})
		return fmt.Sprintf("read: {J1.3: %s, J1.5: %s, J1.7: %s}\n", shown(v[1]), shown(v[3]), shown(v[5]))
	}
	d := lark(t).diagnose(three(-20, -20, -20))
	for _, at := range []string{"J1.3", "J1.5", "J1.7"} {
		if z := deviation(d, at); math.Abs(z) > 1 {
			c.add("three nets 20 mV low: %s is %.1f sigma off", at, z)
		}
	}
	c.flagged("one of three 47 mV further down", lark(t).diagnose(three(-20, -67, -20)), "J1.5")
}

// 1 mA through 2 ohm is 2 mV: 70 mV between the ends of a filter are the filter or its
// joints, whatever good boards read there.
func acrossPart(in, out float64) func(*testing.T, *complaints) {
	return func(t *testing.T, c *complaints) {
		d := lark(t).diagnose(fmt.Sprintf("read: {J1.2: %s, FL0.in: %s, FL0.out: %s}\n", shown(in), shown(in), shown(out)))
		if p := suspicion(d, "FL0"); p < 0.95 {
			c.add("%.3f and %.3f V either side of FL0: bad with %.2f (R0 %.2f, D0 %.2f, U1 %.2f)", in, out, p, suspicion(d, "R0"), suspicion(d, "D0"), suspicion(d, "U1"))
		}
	}
}

// The same with half the current, where no good board was read with that meter and the pin at
// the end of the line is not drawn: by how much conversion is off at one end of the part it is
// off at the other.
func acrossConverted(t *testing.T, c *complaints) {
	f := lark(t)
	f.board = strings.Replace(f.board, "2: S0_U, ", "", 1)
	f.meter = strings.Replace(larkMeter, "1 mA", "0.5 mA", 1)
	if p := suspicion(f.diagnose("read: {J1.2: 0.588, FL0.in: 0.588, FL0.out: 0.535}\n"), "FL0"); p < 0.95 {
		c.add("0.588 and 0.535 V either side of FL0: bad with %.2f", p)
	}
}

// Junctions of 0.578 and 0.648 V at 1 mA either side of 33 ohm, n = 1.4: read at one
// end 0.574, at the other 0.594, for the current takes the lower junction.
func healthyResistor(t *testing.T, c *complaints) {
	d := lark(t).diagnose(strings.Replace(larkPins(moved(nil)), "}", ", R2.1: 0.574, R2.2: 0.594}", 1))
	if p := suspicion(d, "R2"); p > 0.1 {
		c.add("a healthy R2 is bad with %.2f", p)
	}
	if p := noFault(d); p < 0.5 {
		c.add("a good board has no fault with %.2f", p)
	}
	c.flagged("a healthy R2", d, "")
}

// R4 is open. Good boards never showed whether U2 conducts at S4, since D4 behind R4
// drops less.
func shadowedPin(volts float64) func(*testing.T, *complaints) {
	return func(t *testing.T, c *complaints) {
		v := moved(nil)
		v[4] = volts
		d := lark(t).diagnose(larkPins(v))
		p := suspicion(d, "R4")
		if !slices.ContainsFunc(d.Suspects, func(s diagnose.Suspect) bool { return s.Part == "R4" && s.Group == 1 }) || p < 0.1 {
			c.add("R4 is bad with %.3f and not in the first group, where J1.6 reads %s", p, shown(volts))
		}
	}
}

// S1 and S3, 53 mV apart, and S1 and S4, 222 mV: one of three sweeps has them swapped,
// and the dead board reads what the wrong sweep says.
func swappedGood(t *testing.T, c *complaints) {
	for _, to := range []int{5, 6} {
		for board := range larkOff {
			f := lark(t)
			g := f.good[board]
			g[1], g[to-2] = g[to-2], g[1]
			v := moved(nil)
			v[1] = larkGood[to-2]/1e3 + 0.002
			d := f.diagnose(larkPins(v))
			what := fmt.Sprintf("J1.3 reads %s where good boards read 0.602, and one swapped it with J1.%d", shown(v[1]), to)
			c.flagged(what, d, "J1.3")
			if p := noFault(d); p > 0.2 {
				c.add("%s: no fault with %.2f", what, p)
			}
		}
	}
}

// Drops fall by about 2 mV for each kelvin (circuit: Is of SPICE over temperature).
func warmDay(t *testing.T, c *complaints) {
	for _, by := range []float64{-11, 11} {
		all := map[int]float64{}
		for pin := 2; pin <= 12; pin++ {
			all[pin] = by
		}
		for _, some := range []int{12, 4, 3} {
			words := []string{}
			for pin := 2; pin <= some; pin++ {
				words = append(words, fmt.Sprintf("J1.%d: %s", pin, shown(moved(all)[pin-2])))
			}
			d := lark(t).diagnose("read: {" + strings.Join(words, ", ") + "}\n")
			c.flagged(fmt.Sprintf("pins to J1.%d %g mV off", some, by), d, "")
			if p := noFault(d); some == 12 && p < 0.5 {
				c.add("all pins %g mV off: no fault with %.2f", by, p)
			}
		}
	}
}

// All lines whose only junction is in U1 read 15 mV otherwise.
func secondMaker(t *testing.T, c *complaints) {
	for _, by := range []float64{-15, 15} {
		d := lark(t).diagnose(larkPins(moved(map[int]float64{3: by, 5: by, 7: by})))
		c.flagged(fmt.Sprintf("lines of U1 %g mV off", by), d, "")
		if p := noFault(d); p < 0.5 {
			c.add("lines of U1 %g mV off: no fault with %.2f", by, p)
		}
	}
}

// leakAtS3 is what J1.5 reads with 270 ohm from S3_U to ground: 1 mA times 303 ohm.
// It is less than the neighbouring pins read, so that no bridge to them explains it.
const leakAtS3 = 0.303

func leakyOrUnknown(t *testing.T, c *complaints) {
	v := moved(nil)
	v[3] = leakAtS3
	d := lark(t).diagnose(larkPins(v))
	group := func(part string) int {
		for _, s := range d.Suspects {
			if s.Part == part {
				return s.Group
			}
		}
		return 0
	}
	ic, unknown := group("U1"), group(unknownPath+"S3_U")
	if ic == 0 || ic != unknown {
		c.add("U1 is in group %d, the unknown path at S3_U in group %d", ic, unknown)
	}
}

// unknownPath begins the name of a suspect that nobody drew.
const unknownPath = "unknown path at "

func replacedInVain(t *testing.T, c *complaints) {
	v := moved(nil)
	v[3] = leakAtS3
	d := lark(t).diagnose(larkPins(v), "replace: [U1]\n", fmt.Sprintf("read: {J1.5: %s}\n", shown(v[3])))
	if len(d.Suspects) == 0 || !strings.HasPrefix(d.Suspects[0].Part, unknownPath) {
		for i, s := range d.Suspects[:min(len(d.Suspects), 3)] {
			c.add("U1 was replaced to no effect; suspect %d is %s, %.3f", i+1, s.Part, s.Probability)
		}
		if len(d.Suspects) == 0 {
			c.add("U1 was replaced to no effect; nothing is suspected")
		}
	}
}

// verdicts writes each reading with its verdict.
func verdicts(readings []diagnose.Comparison) []string {
	var out []string
	for _, r := range readings {
		out = append(out, fmt.Sprintf("%s %s %.6f %.6f", r.At, r.Verdict, r.ZScore, r.Sigma))
	}
	return out
}

func compareLocate(t *testing.T, c *complaints) {
	for _, by := range []float64{-15, -30, -40, 25} {
		cs, e := lark(t).open(larkPins(moved(map[int]float64{8: by, 9: by, 10: by, 11: by})))
		compared, err := e.Compare(cs)
		if err != nil {
			t.Fatal(err)
		}
		d, err := e.Diagnose(cs)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(verdicts(compared), verdicts(d.Readings)); diff != "" {
			c.add("VS %g mV, compare against locate: %s", by, diff)
		}
		outliers := 0
		for _, r := range compared {
			if r.Verdict != diagnose.Agrees && r.Verdict != diagnose.NoKnownGood {
				outliers++
			}
		}
		if outliers != len(d.Abnormal) {
			c.add("VS %g mV: compare calls %d readings outliers, locate %d", by, outliers, len(d.Abnormal))
		}
	}
}

func comparePowerUp(t *testing.T, c *complaints) {
	for _, by := range []float64{0, -15, -20, -30, -40} {
		v := moved(map[int]float64{8: by, 9: by, 10: by, 11: by})
		cs, e := lark(t).open(larkPins(v), "resolder: [J1.8]\n", larkPins(v))
		d, err := e.Diagnose(cs)
		if err != nil {
			t.Fatal(err)
		}
		g, err := powerup.Check(cs, e, powerup.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range g.Lines {
			if l.Net != "VS" {
				continue
			}
			if wrong := strings.Contains(flagged(d), "J1.8"); wrong != (l.State == powerup.Wrong) {
				c.add("VS %g mV: locate calls its readings %q outliers, the check says %q", by, flagged(d), l.State)
			}
		}
	}
}

// Six lines of one IC that read alike but for one.
func withoutGood(t *testing.T, c *complaints) {
	var b strings.Builder
	b.WriteString("board: Lark L2\nrevision: B\nconnectors: {J1: {pins: {1: GND, 2: S0, 3: S1, 4: S2, 5: S3, 6: S4, 7: S5, 8: VS}}}\nnets: {VS: {rail: 3.3 V}}\nparts:\n")
	for i := range 6 {
		fmt.Fprintf(&b, "  R%d: {kind: resistor, value: 33R, pins: [S%d, S%[1]d_U]}\n", i, i)
	}
	b.WriteString("  U1: {kind: ic, pins: {1: VS, 2: S0_U, 3: S1_U, 4: S2_U, 5: S3_U, 6: S4_U, 7: S5_U, 8: GND}}\nmatched: [[S0, S1, S2, S3, S4, S5]]\n")
	f := &folder{t: t, board: b.String(), meter: larkMeter}
	for _, off := range []float64{0.118, -0.118} {
		d := f.diagnose(larkPins([]float64{0.412, 0.411, 0.412 + off, 0.413, 0.411, 0.412, 0.430}))
		c.flagged(fmt.Sprintf("S2 %.3f V off", off), d, "J1.4")
		if p := noFault(d); p > 0.1 {
			c.add("S2 %.3f V off: no fault with %.2f", off, p)
		}
	}
	d := f.diagnose(larkPins([]float64{0.412, 0.411, 0.415, 0.413, 0.411, 0.412, 0.430}))
	c.flagged("six lines that read alike", d, "")
}

// Two of twelve pins agree: that is no reason to stop.
func twoPins(t *testing.T, c *complaints) {
	d := lark(t).diagnose("read: {J1.2: 0.561, J1.3: 0.602}\n")
	if len(d.Next) == 0 {
		c.add("nothing to do next, no fault with %.2f", noFault(d))
	}
}

// A line that reads otherwise two hours later, lower or higher.
func laterSession(t *testing.T, c *complaints) {
	for _, v := range []string{"0.050", "0.700"} {
		d := lark(t).diagnose("time: 2026-01-01T10:00:00Z\n"+larkPins(moved(nil)), "time: 2026-01-01T12:00:00Z\nread: {J1.4: "+v+"}\n")
		if last := d.Readings[len(d.Readings)-1]; last.Verdict == diagnose.Agrees {
			c.add("J1.4 at %s in a later session: %s", v, last.Verdict)
		}
		if p := noFault(d); p > 0.9 {
			c.add("J1.4 at %s in a later session: no fault with %.2f", v, p)
		}
	}
}

// weight sums the probabilities of explanations by how many readings mislead in them.
func weight(d *repair.Diagnosis, mislead int) float64 {
	sum := 0.0
	for _, x := range d.Explanations {
		n := 0
		for _, f := range x.Faults {
			if f.Mode == fault.Missed.String() {
				n++
			}
		}
		if n == mislead {
			sum += x.Probability
		}
	}
	return sum
}

// A probe misses the pad once in 250 readings (the prior), so that both of two did is
// a hundred times less likely than that one did.
func contradiction(t *testing.T, c *complaints) {
	d := lark(t).diagnose(larkPins(moved(nil)), "read: {J1.4: 0.050}\n")
	if one, two := weight(d, 1), weight(d, 2); two > 0.02*one {
		c.add("both mislead with %.4f, one with %.4f", two, one)
	}
}

func openTwice(t *testing.T, c *complaints) {
	d := lark(t).diagnose("read: {J1.4: OL, R2.1: OL}\n")
	if p := weight(d, 1) + weight(d, 2); p > 0.05 {
		c.add("a reading misleads with %.3f", p)
	}
}

// TestSpreadOfResistances: two good boards that differ by 24 mV at 10 ohm to ground say how
// boards spread there, though no junction is in the way to spread. One of them may be wrong;
// nobody is sure of the value between.
func TestSpreadOfResistances(t *testing.T) {
	f := lark(t)
	f.board = strings.Replace(f.board, "12: T0}", "12: T0, 13: N}", 1) + "  RN:  {kind: resistor, value: 10R, pins: [N, GND]}\n"
	f.good = f.good[:2]
	f.good[0], f.good[1] = append(f.good[0], 0.010), append(f.good[1], 0.034)
	for _, volts := range []float64{0.008, 0.022, 0.036} {
		if z := deviation(f.diagnose(fmt.Sprintf("read: {J1.13: %s}\n", shown(volts))), "J1.13"); math.Abs(z) > 2.5 {
			t.Errorf("%.3f V is %.1f standard deviations from boards that read 0.010 and 0.034 V", volts, z)
		}
	}
}
