package outside

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/practice"
)

// dotterelBoard is INVENTED: the alarm of a parcel shelf.
const dotterelBoard = `board: Dotterel D1
revision: A
connectors: {J1: {title: shelf, pins: {1: GND, 2: SENSE, 3: LAMP, 4: DATA, 5: VS}}}
nets:
  VS: {rail: 3.3 V}
  DATA: {along: [J1.4, DD.1, FL1.in]}
parts:
  DD:  {kind: tvs,       pins: [DATA, GND]}
  FL1: {kind: filter,    value: 2R,   pins: {in: DATA, out: DATA_M, gnd: GND}}
  RD:  {kind: resistor,  value: 47R,  pins: [DATA_M, DATA_U]}
  RS:  {kind: resistor,  value: 1K,   pins: [SENSE, SENSE_U]}
  CS:  {kind: capacitor, value: 10n,  pins: [SENSE_U, GND]}
  RP:  {kind: resistor,  value: 10K,  pins: [SENSE_U, VS]}
  RL:  {kind: resistor,  value: 220R, pins: [LAMP, LAMP_U]}
  C1:  {kind: capacitor, value: 1u,   pins: [VS, GND]}
  U1:  {kind: ic, title: controller, pins: {1: VS, 2: SENSE_U, 3: LAMP_U, 4: DATA_U, 5: GND}}
`

// Boards with a fault drawn by its odds, which moves some reading by showVolts. To
// record them again takes some minutes.
const (
	posteriorBoards = 10
	posteriorSeed   = 900
	showVolts       = 20e-3 // V; near the limit of what shows, where probabilities are neither 0 nor 1
	posteriorFile   = "testdata/posterior.txt"
	listed          = 1e-4 // probability from which a fault is recorded
	farWorse        = 14.0 // natural logarithm: what is about so much less likely is not sampled
	posteriorWithin = 0.02
)

// posteriorProblem draws one of them, with the fault and the readings of its board;
// NaN is OL.
func posteriorProblem(k int) (*Problem, *practice.Fault, []float64, error) {
	seed := uint64(posteriorSeed + k)
	text, points := waderBoard, []string{"J1.2", "J1.3", "J1.4", "J1.5", "J1.6", "R0.2"}
	if k%2 == 1 {
		text, points = dotterelBoard, []string{"J1.2", "J1.3", "J1.4", "J1.5", "RS.2"}
	}
	p := NewProblem(text, seed, Usual, points...)
	r := practice.Random(seed, "posterior")
	deck := practice.NewDeck(p.Loci(), func(*fault.Locus, fault.Mode) bool { return true })
	for {
		f := deck.Draw(r)
		u := p.Draw(r)
		v := p.Values(u)
		good, err := p.Volts(v, nil)
		if err != nil {
			return nil, nil, nil, err
		}
		bad, err := p.Volts(v, &f)
		if err != nil {
			return nil, nil, nil, err
		}
		shows := false
		for i := range bad {
			shows = shows || math.Abs(bad[i]-good[i]) > showVolts
		}
		if !shows {
			continue
		}
		for i, x := range p.Shown(u, bad) {
			if bad[i] = x + p.SD.Noise*r.NormFloat64(); bad[i] > p.Meter.Over {
				bad[i] = math.NaN()
			}
			bad[i] = math.Round(bad[i]*1e4) / 1e4 // as Problem.Reading shows it
		}
		return p, &f, bad, nil
	}
}

// sampledFault is what sampling says of one fault.
type sampledFault struct {
	probability, effective float64
}

// samplePosterior works out one of them.
func samplePosterior(t *testing.T, k int) (lines []string) {
	t.Helper()
	p, truth, y, err := posteriorProblem(k)
	if err != nil {
		t.Error(err)
		return nil
	}
	var words []string
	for i := range y {
		words = append(words, fmt.Sprintf("%s %.4f", p.Model.Board.PointName(p.Probes[i].At), y[i]))
	}
	lines = append(lines, fmt.Sprintf("board\t%d\t%s %s %.3g ohm\t%s", k, practice.Place(p.Model, &truth.Locus), truth.Mode, truth.Ohms, strings.Join(words, "\t")))
	hs := p.Hypotheses()
	logs, effective := make([]float64, len(hs)), make([]float64, len(hs))
	samplers := make([]*sampler, len(hs))
	about := math.Inf(-1)
	for i := range hs {
		if samplers[i], err = p.sampler(&hs[i], y); err != nil {
			t.Errorf("board %d: %v", k, err)
			return nil
		}
		about = math.Max(about, samplers[i].about()+math.Log(hs[i].Mode.Odds))
	}
	best := math.Inf(-1)
	for i, s := range samplers {
		logs[i] = s.about()
		if logs[i]+math.Log(hs[i].Mode.Odds) > about-farWorse { // others cannot reach what is listed
			if logs[i], effective[i], err = s.evidence(practice.Random(uint64(k), hs[i].Name(p.Model))); err != nil {
				t.Errorf("board %d: %v", k, err)
				return nil
			}
		}
		best = math.Max(best, logs[i]+math.Log(hs[i].Mode.Odds))
	}
	sum := 0.0
	for i := range hs {
		logs[i] += math.Log(hs[i].Mode.Odds)
		sum += math.Exp(logs[i] - best)
	}
	for i := range hs {
		if x := math.Exp(logs[i]-best) / sum; x >= listed {
			lines = append(lines, fmt.Sprintf("fault\t%s\t%.5f\t%.0f", hs[i].Name(p.Model), x, effective[i]))
		}
	}
	return lines
}

func refreshPosterior(t *testing.T) {
	t.Helper()
	all := make([][]string, posteriorBoards)
	var wg sync.WaitGroup
	limit := make(chan struct{}, runtime.GOMAXPROCS(0))
	for k := range all {
		wg.Go(func() {
			limit <- struct{}{}
			all[k] = samplePosterior(t, k)
			<-limit
		})
	}
	wg.Wait()
	if t.Failed() {
		t.Fatal("nothing written")
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, "# INVENTED boards: %d, each with one fault, drawn from the stated prior Usual and read by\n# the own solver. What single faults explain the readings, given that one does:\n# weighted sampling over the same prior, see sample.go. Faults below %g are left out.\n# board  number, what is wrong, readings in volts (NaN is OL)\n# fault  place, mode, probability, effective samples\n", posteriorBoards, listed)
	for _, lines := range all {
		out.WriteString(strings.Join(lines, "\n") + "\n")
	}
	if err := os.WriteFile(posteriorFile, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// sampledPosteriors reads the recorded probabilities of each board, by name.
func sampledPosteriors(t *testing.T) []map[string]sampledFault {
	t.Helper()
	text, err := os.ReadFile(posteriorFile)
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]sampledFault
	for line := range strings.Lines(string(text)) {
		cols := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		switch cols[0] {
		case "board":
			out = append(out, map[string]sampledFault{})
		case "fault":
			var f sampledFault
			if f.probability, err = strconv.ParseFloat(cols[3], 64); err != nil {
				t.Fatal(err)
			}
			if f.effective, err = strconv.ParseFloat(cols[4], 64); err != nil {
				t.Fatal(err)
			}
			out[len(out)-1][cols[1]+"\t"+cols[2]] = f
		}
	}
	return out
}

// TestPosterior holds the probabilities of single faults to those that sampling found:
// every fault's within 0.02, on every board.
func TestPosterior(t *testing.T) {
	if *refresh {
		refreshPosterior(t)
	}
	sampled := sampledPosteriors(t)
	if len(sampled) != posteriorBoards {
		t.Fatalf("%d recorded boards, want %d", len(sampled), posteriorBoards)
	}
	missed := map[string]bool{}
	for k, want := range sampled {
		p, truth, y, err := posteriorProblem(k)
		if err != nil {
			t.Fatal(err)
		}
		hs := p.Hypotheses()
		got, err := enginePosterior(p, y, hs)
		if err != nil {
			t.Fatal(err)
		}
		sum, sumWant := 0.0, 0.0
		for _, x := range got {
			sum += x
		}
		least := math.Inf(1)
		for _, f := range want {
			sumWant += f.probability
			least = math.Min(least, f.effective)
		}
		if math.Abs(sumWant-1) > 0.005 || least < enough {
			t.Errorf("board %d: recorded probabilities sum to %.4f, with %.0f effective samples", k, sumWant, least)
		}
		worst, where, first := 0.0, "", ""
		for i := range hs {
			name := hs[i].Name(p.Model)
			if off := math.Abs(got[i]/sum - want[name].probability); !(off <= worst) {
				worst, where = off, fmt.Sprintf("%s said %.3f, sampled %.3f", name, got[i]/sum, want[name].probability)
			}
			if want[name].probability > want[first].probability {
				first = name
			}
		}
		t.Logf("  board %d, %s %s %.3g ohm: sampled first %s %.3f, of %d; worst by %.3f: %s", k, practice.Place(p.Model, &truth.Locus), truth.Mode, truth.Ohms, first, want[first].probability, len(want), worst, where)
		missed[fmt.Sprintf("board %d", k)] = !(worst <= posteriorWithin)
	}
	settle(t, missed, enginePosteriorMisses)
}

// Evidence is that of plain sampling from the prior, where the noise is large enough
// for that to be possible: two leaks and an open.
func TestEvidence(t *testing.T) {
	const draws = 12000
	sd := Usual
	sd.Noise = 15e-3
	p := NewProblem(waderBoard, 4, sd, "J1.2", "J1.3", "J1.5")
	hs := p.Hypotheses()
	r := practice.Random(8, "evidence")
	u := p.Draw(r)
	y, err := p.Volts(p.Values(u), p.Fault("U1 2-ground", fault.Leaky, 500))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"U1 2-ground\tleaky", "D0 1-2\tleaky", "R0 through 1-2\topen"} {
		for i := range hs {
			h := &hs[i]
			if h.Name(p.Model) != name {
				continue
			}
			log, effective, err := p.Evidence(h, y, r)
			if err != nil {
				t.Fatal(err)
			}
			s := &sampler{p: p, h: h, y: y, active: p.active()}
			var sum, squares float64
			for range draws {
				x := make([]float64, s.dims())
				for j := range s.active {
					x[j] = r.NormFloat64()
				}
				if h.ranged() {
					x[len(x)-1] = r.Float64()
				}
				f, err := s.predict(x)
				if err != nil {
					t.Fatal(err)
				}
				w := math.Exp(s.likelihood(f))
				sum, squares = sum+w, squares+w*w
			}
			mean := sum / draws
			share := math.Sqrt(squares/draws/(mean*mean)-1) / math.Sqrt(draws) // standard error, as a share
			off := math.Exp(log)/mean - 1
			t.Logf("%s: %.4g by weighting (%.0f effective samples), %.4g by plain sampling within %.1f %%", strings.ReplaceAll(name, "\t", " "), math.Exp(log), effective, mean, 100*share)
			if share > 0.1 || math.Abs(off) > 4*math.Hypot(share, 1/math.Sqrt(effective)) {
				t.Errorf("%s: off by %.1f %%", name, 100*off)
			}
			if effective < enough {
				t.Errorf("%s: %.0f effective samples", name, effective)
			}
		}
	}
}
