package recorded

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine/circuit"
	"halfsplit/engine/circuit/spice"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The recorded trials. To make them again, some minutes of ngspice:
//
//	go test ./engine/trial/recorded -run TestTrials -refresh -timeout 60m
//
// To ask ngspice itself about a part of them and compare:
//
//	HALFSPLIT_NGSPICE=live go test ./engine/trial/recorded -run TestTrials -v
type trialPlan struct {
	file, board           string
	seed                  uint64
	singles, doubles, not int
}

const trialsDir = "../../../testdata/trials"

var trialPlans = []trialPlan{
	{"kestrel.txt", "../demo/board.yaml", 1, 260, 60, 40},
	{"sensor12.txt", "../boards/sensor12.yaml", 2, 260, 80, 50},
	{"dock60.txt", "../boards/dock60.yaml", 3, 260, 80, 50},
}

// Of each type, sweeps over six boards with these meters (index in practice.Meters).
// Libraries are the first one, three or six of them; types 2 and 4 have
// black-on-ground sweeps too.
var (
	sweepMeters  = [][]int{{0, 0, 1, 1, 2, 0}, {1, 0, 0, 0, 2, 1}, {0, 2, 0, 1, 1, 0}, {2, 0, 1, 0, 0, 1}}
	librarySizes = []int{1, 3, 6}
)

func blackToo(kind int) []references.Polarity {
	if kind%2 == 1 {
		return []references.Polarity{references.RedOnGround, references.BlackOnGround}
	}
	return []references.Polarity{references.RedOnGround}
}

// recordingLine is a line of a file of trials that wants voltages.
type recordingLine struct {
	head     string // columns before the voltages
	circuits []int  // by pin: index in the recording's circuits
}

// recording collects what ngspice has to answer, each circuit once.
type recording struct {
	lines    []recordingLine
	circuits []circuit.Circuit
}

func (rec *recording) add(t *testing.T, head string, w *practice.Board, m practice.Meter, at []netlist.Point, pol references.Polarity) {
	t.Helper()
	l := recordingLine{head: head}
	spots := map[string]int{}
	for _, p := range at {
		s := w.Spot(p)
		i, ok := spots[s]
		if !ok {
			c, err := w.Circuit(w.Probe(p, nil, pol, m.Drive()), netlist.Edits{})
			if err != nil {
				t.Fatal(err)
			}
			i = len(rec.circuits)
			spots[s] = i
			rec.circuits = append(rec.circuits, c)
		}
		l.circuits = append(l.circuits, i)
	}
	rec.lines = append(rec.lines, l)
}

// makeTrials writes one file of trials.
func makeTrials(t *testing.T, plan trialPlan) {
	t.Helper()
	b, err := netlist.Load(filepath.Join(trialsDir, plan.board))
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	var at []netlist.Point
	var names []string
	for _, p := range b.AllPins() {
		if p.Net != netlist.None && p.Net != b.Ground {
			at, names = append(at, p), append(names, b.PointName(p))
		}
	}
	rec := &recording{}
	var types []*practice.Truth
	for k, meters := range sweepMeters {
		truth := practice.NewTruth(m, plan.seed*100+uint64(k))
		types = append(types, truth)
		rec.lines = append(rec.lines, recordingLine{head: fmt.Sprintf("type\t%d\t%d", k+1, truth.Seed)})
		for i, which := range meters {
			r := practice.Random(truth.Seed, fmt.Sprintf("sweep %d", i))
			celsius := math.Round(between(r, 20, 27)*10) / 10
			says := math.Round(celsius + between(r, -0.5, 0.5)) // true within a degree
			instrument := 1 + r.Uint64N(4)
			meter := practice.NewMeter(practice.Meters()[which], instrument)
			for _, pol := range blackToo(k) {
				head := fmt.Sprintf("sweep\t%d\t%d\t%s\t%d\t%.1f\t%.1f\t%s", k+1, i+1, meter.Declared.Name, instrument, celsius, says, pol)
				rec.add(t, head, truth.Sample(uint64(i+1), celsius), meter, at, pol)
			}
		}
	}
	d := practice.NewDeck(fault.Loci(m, fault.DefaultPriors(), m.Nominal()), nil)
	draws, shown := 0, 0
	counts := []int{plan.singles, plan.doubles, plan.not}
	number := 0
	for _, use := range []string{"tuning", "reporting"} {
		for kind, n := range counts {
			for i := range n / 2 {
				number++
				r := practice.Random(plan.seed, fmt.Sprintf("trial %d", number))
				k := i % len(types)
				size := librarySizes[r.IntN(len(librarySizes))]
				which := []int{0, 0, 1, 2}[r.IntN(4)]
				instrument := 1 + r.Uint64N(4)
				meter := practice.NewMeter(practice.Meters()[which], instrument)
				celsius := math.Round(between(r, 18, 28)*10) / 10
				sample := uint64(1000 + number)
				pols := blackToo(i / len(types))
				good := types[k].Sample(sample, celsius)
				var faults []practice.Fault
				drawn := 0
				if kind < 2 {
					if faults, drawn, err = DrawShowing(d, r, kind+1, good, meter, at, pols); err != nil {
						t.Fatal(err)
					}
				}
				if kind == 0 {
					draws, shown = draws+drawn, shown+1
				}
				head := fmt.Sprintf("trial\t%d\t%s\t%d\t%d\t%d\t%s\t%d\t%.1f", number, use, k+1, size, sample, meter.Declared.Name, instrument, celsius)
				for _, f := range faults {
					head += fmt.Sprintf("\t%s\t%s\t%g", practice.Place(m, &f.Locus), f.Mode, f.Ohms)
				}
				rec.lines = append(rec.lines, recordingLine{head: head})
				for _, pol := range pols {
					rec.add(t, "read\t"+pol.String(), good.Faulted(faults...), meter, at, pol)
				}
			}
		}
	}
	version, err := spice.Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s: %d circuits", plan.file, len(rec.circuits))
	volts := askNgspice(t, rec.circuits)
	var out bytes.Buffer
	fmt.Fprintf(&out, "# INVENTED boards of board type %s with known faults: %d single, %d double, %d good.\n", b.Name, plan.singles, plan.doubles, plan.not)
	out.WriteString("# The engine may be tuned on trials marked tuning, the first half of each; the\n# others are for reporting only.\n")
	out.WriteString("# Made by: go test ./engine/trial/recorded -run TestTrials -refresh -timeout 60m\n")
	out.WriteString("# The deck of the first reading of the first trial is " + deckName(plan.file) + ".\n#\n")
	out.WriteString(trialsFormat)
	fmt.Fprintf(&out, "board\t%s\njudge\t%s\ndrawn\t%d\t%d\npins\t%s\n", plan.board, version, draws, draws-shown, strings.Join(names, "\t"))
	deck := -1
	for _, l := range rec.lines {
		out.WriteString(l.head)
		if deck < 0 && strings.HasPrefix(l.head, "read") {
			deck = l.circuits[0]
		}
		for _, i := range l.circuits {
			if math.IsNaN(volts[i]) {
				t.Errorf("%s: ngspice found no operating point for %q", plan.file, l.head)
			}
			fmt.Fprintf(&out, "\t%d", int64(math.Round(volts[i]/voltStep)))
		}
		out.WriteByte('\n')
	}
	if t.Failed() {
		t.Fatal("nothing written")
	}
	write(t, filepath.Join(trialsDir, plan.file), out.Bytes())
	var one bytes.Buffer
	if err := spice.Deck(&one, rec.circuits[deck:deck+1]); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(trialsDir, deckName(plan.file)), one.Bytes())
}

func deckName(file string) string { return strings.TrimSuffix(file, ".txt") + ".cir" }

func loadTrials(t testing.TB, plan trialPlan) []Trial {
	t.Helper()
	trials, err := LoadTrials(filepath.Join(trialsDir, plan.file))
	if err != nil {
		t.Fatal(err)
	}
	return trials
}

// The own solver says what ngspice said, for every recorded voltage.
func TestTrialsAgainstNgspice(t *testing.T) {
	for _, plan := range trialPlans {
		t.Run(plan.file, func(t *testing.T) {
			if *refresh {
				makeTrials(t, plan)
			}
			trials := loadTrials(t, plan)
			worst, n := 0.0, 0
			var circuits []circuit.Circuit
			var kept []float64
			for i := range trials {
				tr := &trials[i]
				w := tr.Faulty()
				for _, r := range tr.Readings {
					v, ok := tr.volts[question{w.Spot(r.At), r.Polarity, ""}]
					if !ok {
						continue // ground, or a pin that not connected (NC)
					}
					p := w.Probe(r.At, nil, r.Polarity, tr.Instrument.Drive())
					own, err := w.Volts(p, netlist.Edits{})
					if err != nil {
						t.Fatal(err)
					}
					off := math.Abs(own - v)
					if !(off <= tolerance) {
						t.Errorf("trial %d, %s %s: ngspice %.5f V, own solver %.5f V", tr.Number, w.Spot(r.At), r.Polarity, v, own)
					}
					worst, n = math.Max(worst, off), n+1
					if live() && i%30 == 0 {
						c, err := w.Circuit(p, netlist.Edits{})
						if err != nil {
							t.Fatal(err)
						}
						circuits, kept = append(circuits, c), append(kept, v)
					}
				}
			}
			t.Logf("%d readings, worst difference %.3f mV (recorded to 0.01 mV)", n, worst*1e3)
			if n < 1000 {
				t.Errorf("only %d readings were compared", n)
			}
			if live() {
				for i, v := range askNgspice(t, circuits) {
					if !(math.Abs(v-kept[i]) <= tolerance) {
						t.Errorf("circuit %d: ngspice now %.5f V, recorded %.5f V", i, v, kept[i])
					}
				}
				t.Logf("%d readings asked of ngspice again", len(circuits))
			}
		})
	}
}

// The files hold what is promised of them.
func TestTrialsHoldWhatTheyPromise(t *testing.T) {
	for _, plan := range trialPlans {
		t.Run(plan.file, func(t *testing.T) {
			trials := loadTrials(t, plan)
			type count struct {
				faults int
				tuning bool
			}
			counts := map[count]int{}
			black, modes, sizes := 0, map[fault.Mode]int{}, map[int]int{}
			for i := range trials {
				tr := &trials[i]
				counts[count{len(tr.Faults), tr.Tuning}]++
				red := 0
				for _, s := range tr.Library {
					if s.State.Polarity == references.RedOnGround {
						red++
					}
					if len(s.Readings) != len(tr.Model.Board.AllPins()) {
						t.Errorf("trial %d: a sweep of %d pins", tr.Number, len(s.Readings))
					}
				}
				sizes[red]++
				if len(tr.Readings) == 2*len(tr.Model.Board.AllPins()) {
					black++
				} else if len(tr.Readings) != len(tr.Model.Board.AllPins()) {
					t.Errorf("trial %d: %d readings", tr.Number, len(tr.Readings))
				}
				for _, f := range tr.Faults {
					modes[f.Mode]++
				}
				if tr.Number != i+1 {
					t.Errorf("trial %d stands at place %d", tr.Number, i+1)
				}
			}
			for faults, n := range []int{plan.not, plan.singles, plan.doubles} {
				for _, tuning := range []bool{true, false} {
					if got := counts[count{faults, tuning}]; got != n/2 {
						t.Errorf("%d trials of %d faults, tuning %v; want %d", got, faults, tuning, n/2)
					}
				}
			}
			if n := len(trials); black < n*2/5 || black > n*3/5 {
				t.Errorf("%d of %d trials have black-on-ground readings; want half", black, n)
			}
			for _, size := range librarySizes {
				if sizes[size] < len(trials)/5 {
					t.Errorf("%d trials with %d good boards; want a third", sizes[size], size)
				}
			}
			t.Logf("modes: %v, libraries: %v", modes, sizes)
		})
	}
}

// A trial's faults show, and its board is made again the same: the good board of
// the same seed reads otherwise.
func TestTrialsShow(t *testing.T) {
	trials := loadTrials(t, trialPlans[0])
	for i := range trials {
		tr := &trials[i]
		if len(tr.Faults) == 0 || i%5 != 0 {
			continue
		}
		var at []netlist.Point
		pols := map[references.Polarity]bool{}
		for _, r := range tr.Readings {
			at, pols[r.Polarity] = append(at, r.At), true
		}
		list := []references.Polarity{references.RedOnGround}
		if pols[references.BlackOnGround] {
			list = append(list, references.BlackOnGround)
		}
		moved, err := practice.ShowsAt(tr.Good(), tr.Faults, tr.Instrument, at, list)
		if err != nil || !moved {
			t.Errorf("trial %d: faults that do not show (%v)", tr.Number, err)
		}
	}
}

// Every place and mode of a fault has a name of its own, by which records find
// it again.
func TestPlacesAreDistinct(t *testing.T) {
	for _, plan := range trialPlans {
		b, err := netlist.Load(filepath.Join(trialsDir, plan.board))
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
		seen := map[lociKey]int{}
		for i := range loci {
			for _, mode := range loci[i].Modes {
				k := lociKey{practice.Place(m, &loci[i]), mode.Mode}
				if first, ok := seen[k]; ok {
					t.Errorf("%s: loci %d and %d are both %s at %q", b.Name, first, i, mode.Mode, k.place)
				}
				seen[k] = i
				f, err := practice.FindFault(m, loci, k.place, mode.Mode, 1)
				if err != nil || f.Locus.Change != loci[i].Change {
					t.Errorf("%s: %s at %q is not found again: %v", b.Name, mode.Mode, k.place, err)
				}
			}
		}
	}
}

func FuzzReadTrials(f *testing.F) {
	b, err := netlist.Load("../../../testdata/boards/sensor12.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add("board\tx\npins\tP1.2\tP1.3\ntype\t1\t7\nsweep\t1\t1\tbench 2\t1\t22.5\t22\tred-on-ground\t45000\t61000\n" +
		"trial\t1\ttuning\t1\t1\t9\tpocket\t1\t24.1\tC1 1-2\tshorted\t0.5\nread\tred-on-ground\t10\t61000\n")
	f.Add("board\tx\npins\tP1.2\ntrial\t1\treporting\t1")
	f.Fuzz(func(t *testing.T, text string) {
		trials, err := readTrials(strings.NewReader(text), "fuzz", func(string) (*netlist.Board, error) { return b, nil })
		if err != nil && trials != nil {
			t.Error("trials beside an error")
		}
		for i := range trials {
			if len(trials[i].Faults) > mostFaults {
				t.Error("too many faults")
			}
		}
	})
}

func FuzzReadAnswers(f *testing.F) {
	f.Add("# x\nk3-011.yaml\tTP_INT\tred-on-ground\tlift R12\t0.560369\n")
	f.Fuzz(func(t *testing.T, text string) {
		answers, err := readAnswers(strings.NewReader(text), "fuzz")
		for _, a := range answers {
			for _, v := range a {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Error("not a voltage", err)
				}
			}
		}
	})
}

// trialsFormat stands at the head of a file of trials.
const trialsFormat = `# board    path of the board file, from the folder of this one
# judge    whose voltages these are
# drawn    faults drawn for single trials, and how many of them moved no pin
# pins     the connector pins that the voltages below belong to, in their order
# type     number and seed of a board type (practice.NewTruth)
# sweep    one good board: type, sample, meter, instrument, true and said
#          temperature, polarity, voltages
# trial    number, use, type, number of sweeps of each polarity in its library
#          (the first so many of its type), sample, meter, instrument, true
#          temperature, and then what is wrong: place, mode and ohms, any number
#          of times
# read     polarity and voltages of the trial above
# Voltages are between the leads, in steps of 10 uV. What a display makes of them
# (error, noise, rounding, OL) is practice.Meter's, by seed. Ground and pins that
# are not connected are left out.
`

func between(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }
