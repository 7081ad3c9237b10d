package outside

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"halfsplit/engine/circuit"
	"halfsplit/engine/circuit/spice"
	"halfsplit/engine/fault"
	"halfsplit/engine/practice"
)

var refresh = flag.Bool("refresh", false, "work out the recorded answers again and write testdata")

func live() bool { return os.Getenv("HALFSPLIT_NGSPICE") == "live" }

// waderBoard is INVENTED: a keypad of a parcel locker.
const waderBoard = `board: Wader W1
revision: A
connectors: {J1: {title: keypad, pins: {1: GND, 2: A0, 3: A1, 4: A2, 5: VS, 6: B0}}}
nets: {VS: {rail: 3 V}}
parts:
  D0: {kind: tvs,       pins: [A0, GND]}
  R0: {kind: resistor,  value: 100R, pins: [A0, A0_U]}
  R1: {kind: resistor,  value: 33R,  pins: [A1, A1_U]}
  R2: {kind: resistor,  value: 470R, pins: [A2, A2_U]}
  R3: {kind: resistor,  value: 4K7,  pins: [A2_U, VS]}
  RB: {kind: resistor,  value: 1K,   pins: [B0, B0_U]}
  C1: {kind: capacitor, value: 1u,   pins: [VS, GND]}
  U1: {kind: ic, title: controller, pins: {1: VS, 2: A0_U, 3: A1_U, 4: A2_U, 5: GND}}
  U2: {kind: ic, title: driver,     pins: {1: VS, 2: B0_U, 3: GND}}
`

// waderSeed gives the means of the stated prior.
const waderSeed = 11

func wader() *Problem {
	return NewProblem(waderBoard, waderSeed, Usual, "J1.2", "J1.3", "J1.4", "J1.5", "J1.6", "R0.2", "R2.2", "J1.3-")
}

// waderFaults are the configurations beside the good board.
var waderFaults = []struct {
	place string
	mode  fault.Mode
	ohms  float64
}{
	{"C1 1-2", fault.Leaky, 220},
	{"C1 1-2", fault.Shorted, 2},
	{"D0 1-2", fault.Leaky, 1500},
	{"D0 1-2", fault.Shorted, 3},
	{"U1 2-ground", fault.Leaky, 330},
	{"U1 3-ground", fault.Leaky, 1000},
	{"U1 3-ground", fault.Shorted, 5},
	{"U1 4-ground", fault.Leaky, 2200},
	{"U1 1-ground", fault.Leaky, 100},
	{"U2 2-ground", fault.Leaky, 680},
	{"R0 through 1-2", fault.High, 330},
	{"R0 through 1-2", fault.Open, math.Inf(1)},
	{"R1 through 1-2", fault.High, 1000},
	{"R1 through 1-2", fault.Open, math.Inf(1)},
	{"R2 through 1-2", fault.High, 680},
	{"R2 at 1", fault.HighJoint, 200},
	{"RB through 1-2", fault.Open, math.Inf(1)},
	{"bridge J1.2 to J1.3", fault.Leakage, 220},
	{"bridge J1.3 to J1.4", fault.Leakage, 1000},
	{"U1 2-1", fault.ToSupply, 5},
}

// waderBoards is how many boards are drawn for each configuration.
const waderBoards = 400

const (
	predictedFile = "testdata/predicted.txt.gz"
	heldBackFile  = "testdata/heldback.txt.gz"
	step          = 50e-6 // V, of recorded voltages
	solverWithin  = 1e-4  // V, of ngspice
)

// drawnBoard draws one board of a configuration and gives the generator, from which
// the noise of its readings comes next.
func drawnBoard(p *Problem, config, board int) (u []float64, noise func() float64) {
	r := practice.Random(waderSeed, fmt.Sprintf("configuration %d board %d", config, board))
	return p.Draw(r), func() float64 { return p.SD.Noise * r.NormFloat64() }
}

// configurations gives the good board, nil, and every fault.
func configurations(p *Problem) []*practice.Fault {
	out := []*practice.Fault{nil}
	for _, f := range waderFaults {
		out = append(out, p.Fault(f.place, f.mode, f.ohms))
	}
	return out
}

func configName(k int) string {
	if k == 0 {
		return "good"
	}
	f := waderFaults[k-1]
	return fmt.Sprintf("%s %s %g", f.place, f.mode, f.ohms)
}

// ask has ngspice read circuits; a missing value is a failure.
func ask(t *testing.T, circuits []circuit.Circuit) []float64 {
	t.Helper()
	results, err := spice.Run(context.Background(), circuits)
	if err != nil {
		t.Fatal(err)
	}
	volts := make([]float64, len(results))
	for i, r := range results {
		if r.Err != nil {
			t.Fatalf("circuit %d: %v", i, r.Err)
		}
		volts[i] = r.Reading
	}
	return volts
}

// record asks ngspice about rows of circuits and writes a file: a row of voltages
// between the leads, in steps, for each row of circuits, and the deck of the first.
func record(t *testing.T, file, head string, rows [][]circuit.Circuit) {
	t.Helper()
	version, err := spice.Version(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	var all []circuit.Circuit
	for _, row := range rows {
		all = append(all, row...)
	}
	volts := ask(t, all)
	var text bytes.Buffer
	fmt.Fprintf(&text, "# INVENTED boards. %s\n# Voltages between the leads in steps of 50 uV, by %s; the deck of the first is %s.\n", head, version, filepath.Base(deckOf(file)))
	for _, row := range rows {
		for i := range row {
			if i > 0 {
				text.WriteByte(' ')
			}
			fmt.Fprint(&text, int64(math.Round(volts[i]/step)))
		}
		volts = volts[len(row):]
		text.WriteByte('\n')
	}
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := z.Write(text.Bytes()); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	var deck bytes.Buffer
	if err := spice.Deck(&deck, all[:1]); err != nil {
		t.Fatal(err)
	}
	for path, content := range map[string][]byte{file: out.Bytes(), deckOf(file): deck.Bytes()} {
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func deckOf(file string) string { return strings.TrimSuffix(file, ".txt.gz") + ".cir" }

// recorded reads such a file.
func recorded(t *testing.T, file string) [][]float64 {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]float64
	lines := bufio.NewScanner(z)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "#") {
			continue
		}
		var row []float64
		for word := range strings.FieldsSeq(lines.Text()) {
			n, err := strconv.ParseInt(word, 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			row = append(row, float64(n)*step)
		}
		rows = append(rows, row)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return rows
}

// predictedRows gives the circuits of every board, a row each.
func predictedRows(t *testing.T, p *Problem, every int) (rows [][]circuit.Circuit, which []int) {
	t.Helper()
	for c, f := range configurations(p) {
		for k := range waderBoards {
			if (c*waderBoards+k)%every != 0 {
				continue
			}
			u, _ := drawnBoard(p, c, k)
			v := p.Values(u)
			var row []circuit.Circuit
			for i := range p.Probes {
				x, err := p.Circuit(v, f, i)
				if err != nil {
					t.Fatal(err)
				}
				row = append(row, x)
			}
			rows, which = append(rows, row), append(which, c*waderBoards+k)
		}
	}
	return rows, which
}

// predictedReadings gives what the meters showed of each configuration, a row a board;
// NaN is OL.
func predictedReadings(t *testing.T, p *Problem) [][][]float64 {
	t.Helper()
	if *refresh {
		rows, _ := predictedRows(t, p, 1)
		record(t, predictedFile, fmt.Sprintf("%d boards of Wader W1 drawn from the stated prior Usual, good and with each of %d faults, in the order of predicted_test.go.", waderBoards, len(waderFaults)), rows)
	}
	rows := recorded(t, predictedFile)
	configs := configurations(p)
	if len(rows) != len(configs)*waderBoards {
		t.Fatalf("%d recorded rows, want %d", len(rows), len(configs)*waderBoards)
	}
	out := make([][][]float64, len(configs))
	for c := range configs {
		for k := range waderBoards {
			u, noise := drawnBoard(p, c, k)
			row := p.Shown(u, rows[c*waderBoards+k])
			for i := range row {
				if row[i] += noise(); row[i] > p.Meter.Over {
					row[i] = math.NaN()
				}
			}
			out[c] = append(out[c], row)
		}
	}
	return out
}

// Goals of a prediction (issue 14): standard deviations within 16 %, correlations
// within 0.25 and 0.07 root-mean-square (0.05 is chance with 400 boards), distances
// chi-squared at 1 %. A mean further off than four and a half standard errors happens
// to one of the 150 once in a thousand runs.
const (
	meanWithin = 4.5
	sdWithin   = 0.16
	corrWithin = 0.25
	corrRMS    = 0.07
)

// verdicts holds a model to the goals and says which it misses.
func verdicts(t *testing.T, p *Problem, readings [][][]float64, predict Predict) (missed map[string]bool) {
	t.Helper()
	missed = map[string]bool{}
	var uniform []float64
	var worst Score
	squares, pairs := 0.0, 0
	for c, f := range configurations(p) {
		x, err := predict(p, f)
		if err != nil {
			t.Fatalf("%s: %v", configName(c), err)
		}
		s := x.Compare(readings[c])
		t.Logf("  %-34s %d readings: mean off by %4.1f standard errors, sd by %5.1f %%, correlation by %.2f, rms %.3f", configName(c), s.Readings, s.Mean, 100*s.SD, s.Corr, s.CorrRMS)
		worst.Mean, worst.SD, worst.Corr = math.Max(worst.Mean, s.Mean), math.Max(worst.SD, s.SD), math.Max(worst.Corr, s.Corr)
		n := s.Readings * (s.Readings - 1) / 2
		squares, pairs = squares+s.CorrRMS*s.CorrRMS*float64(n), pairs+n
		uniform = append(uniform, s.Uniform...)
		if x.Corr == nil {
			missed["correlations"], missed["distances"] = true, true
		}
	}
	rms := math.Sqrt(squares / float64(max(pairs, 1)))
	missed["means"] = !(worst.Mean <= meanWithin)
	missed["standard deviations"] = !(worst.SD <= sdWithin)
	if !missed["correlations"] {
		missed["correlations"] = !(worst.Corr <= corrWithin && rms <= corrRMS)
		d, limit := Uniformity(uniform)
		t.Logf("  %d distances: %.4f from chi-squared, limit %.4f", len(uniform), d, limit)
		missed["distances"] = !(d <= limit) || len(uniform) < len(readings)*waderBoards
	}
	t.Logf("  worst: mean %.1f standard errors, sd %.1f %%, correlation %.2f, rms of all %.3f", worst.Mean, 100*worst.SD, worst.Corr, rms)
	return missed
}

// settle fails for a goal that is missed and not listed, and for one that is listed
// and not missed.
func settle(t *testing.T, missed, known map[string]bool) {
	t.Helper()
	for goal, m := range missed {
		switch {
		case m && !known[goal]:
			t.Errorf("missed: %s", goal)
		case !m && known[goal]:
			t.Errorf("no longer missed; take it out of the list: %s", goal)
		}
	}
	for goal := range known {
		if _, ok := missed[goal]; !ok {
			t.Errorf("the list names %q, which is no goal", goal)
		}
	}
}

// TestPredicted holds predictions to 8,400 boards read by ngspice: first those of
// Linear, to show that the goals can be met and are not met by chance, then those of
// the engine.
func TestPredicted(t *testing.T) {
	p := wader()
	readings := predictedReadings(t, p)
	t.Log("slopes at the own solver")
	settle(t, verdicts(t, p, readings, Linear), nil)
	t.Log("the same, taken for independent")
	settle(t, verdicts(t, p, readings, func(p *Problem, f *practice.Fault) (Prediction, error) {
		x, err := Linear(p, f)
		for i := range x.Corr {
			for j := range x.Corr {
				if i != j {
					x.Corr[i][j] = 0
				}
			}
		}
		return x, err
	}), map[string]bool{"correlations": true, "distances": true})
	t.Log("the engine")
	settle(t, verdicts(t, p, readings, enginePredict(t)), engineMisses)
}

// The own solver says what ngspice said; live, ngspice says it again.
func TestPredictedAgainstNgspice(t *testing.T) {
	p := wader()
	rows := recorded(t, predictedFile)
	configs := configurations(p)
	every := 7
	if live() {
		every = 70
	}
	circuits, which := predictedRows(t, p, every)
	worst, n := 0.0, 0
	for k, row := range circuits {
		var now []float64
		if live() {
			now = ask(t, row)
		} else {
			u, _ := drawnBoard(p, which[k]/waderBoards, which[k]%waderBoards)
			var err error
			if now, err = p.Volts(p.Values(u), configs[which[k]/waderBoards]); err != nil {
				t.Fatal(err)
			}
		}
		for i := range row {
			n++
			off := math.Abs(now[i] - rows[which[k]][i])
			worst = math.Max(worst, off)
			if !(off <= solverWithin) {
				t.Errorf("%s, board %d, probe %d: recorded %.5f V, now %.5f V", configName(which[k]/waderBoards), which[k]%waderBoards, i, rows[which[k]][i], now[i])
			}
		}
	}
	t.Logf("%d readings, worst difference %.3f mV (recorded to 0.05 mV)", n, 1e3*worst)
}

// The chi-squared distribution against a table (NIST/SEMATECH e-Handbook 1.3.6.7.4, from
// memory), and distances that are none.
func TestJudge(t *testing.T) {
	for _, c := range []struct{ x, degrees, want float64 }{
		{3.841, 1, 0.95}, {5.991, 2, 0.95}, {15.507, 8, 0.95}, {2.733, 8, 0.05}, {20.090, 8, 0.99}, {2 * math.Ln2, 2, 0.5},
	} {
		if got := chiSquared(c.x, c.degrees); math.Abs(got-c.want) > 1e-4 {
			t.Errorf("chi-squared of %g, %g degrees: %.5f, want %.5f", c.x, c.degrees, got, c.want)
		}
	}
	r := practice.Random(5, "answers")
	var flat, bent []float64
	for range 2000 {
		x := r.Float64()
		flat, bent = append(flat, x), append(bent, math.Pow(x, 1.15))
	}
	if d, limit := Uniformity(flat); d > limit {
		t.Errorf("uniform numbers are %.4f off, limit %.4f", d, limit)
	}
	if d, limit := Uniformity(bent); d < limit {
		t.Errorf("numbers that are not uniform are %.4f off, limit %.4f", d, limit)
	}
	l, ok := cholesky([][]float64{{4, 2}, {2, 5}})
	if !ok || math.Abs(norm2(forward(l, []float64{2, 3}))-2) > 1e-12 { // (2,3) A^-1 (2,3)' = 2
		t.Errorf("cholesky: %v", l)
	}
	if x := backward(l, forward(l, []float64{8, 12})); math.Abs(x[0]-1) > 1e-12 || math.Abs(x[1]-2) > 1e-12 {
		t.Errorf("solution %v, want 1 2", x)
	}
}
