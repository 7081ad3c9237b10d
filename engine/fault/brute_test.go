package fault

import (
	"math"
	"runtime"
	"sort"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// pocket is a board small enough to try every pair of faults; invented.
const pocket = `
board: pocket
revision: A
ground: GND
connectors: {J1: {rows: 1, pins: {1: A, 2: GND, 3: B, 4: V}}}
nets: {V: {rail: 1.8 V}}
parts:
  R1: {kind: resistor, value: 100R, pins: [A, A_U]}
  C1: {kind: capacitor, value: 15p, pins: [A_U, GND]}
  R2: {kind: resistor, value: 22R, pins: [B, B_U]}
  U1: {kind: ic, pins: {1: V, 2: A_U, 3: B_U, 4: GND}, supply: 1, ground: 4}
`

// rig reads a board with faults by the engine's own circuit.
type rig struct {
	t         testing.TB
	b         *netlist.Board
	m         *network.Model
	posterior *fit.Posterior
	p         *Priors
}

// newRig fits a board to five good ones, read by the nominal circuit.
func newRig(t testing.TB, text string) *rig {
	b, m, v := board(t, text)
	d := &rig{t: t, b: b, m: m, p: DefaultPriors()}
	var sweeps []*references.Sweep
	for n := range 5 {
		s := &references.Sweep{Board: b.Name, Revision: b.Revision, Meter: references.DefaultMeter(), State: references.State{Celsius: network.RefCelsius}}
		for i, pt := range d.pins() {
			r := d.read(pt, references.RedOnGround, v)
			if r.Reading.Value += 0.003 * math.Sin(float64(5*n+2*i)); r.Reading.Overload {
				r.Reading.Value = 0
			}
			s.Readings = append(s.Readings, r)
		}
		sweeps = append(sweeps, s)
	}
	var err error
	if d.posterior, err = fit.Fit(m, references.NewLibrary(b, sweeps)); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *rig) pins() []string {
	var out []string
	for c := range d.b.Connectors {
		for i, pin := range d.b.Connectors[c].Pins {
			if pin.Net != d.b.Ground {
				out = append(out, d.b.PointName(d.b.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)})))
			}
		}
	}
	return out
}

func (d *rig) probe(at string, pol references.Polarity) (network.Probe, netlist.Point) {
	d.t.Helper()
	pt, err := d.b.Point(at)
	if err != nil {
		d.t.Fatal(err)
	}
	return fit.ProbeAt(d.m, d.m.PlaceOf(pt), pol, fit.DriveOf(references.DefaultMeter())), pt
}

// read gives the reading of a point, to a millivolt.
func (d *rig) read(at string, pol references.Polarity, v *network.Values, changes ...network.Change) references.PointReading {
	d.t.Helper()
	p, pt := d.probe(at, pol)
	r, err := network.NewWorkspace(d.m).Read(p, &network.State{Changes: changes}, v)
	if err != nil {
		d.t.Fatal(err)
	}
	out := references.PointReading{At: pt, Name: at}
	if out.Reading.Overload = r.Over; !r.Over {
		out.Reading.Value = math.Round(r.Volts*1e3) / 1e3
	}
	return out
}

// observations reads every pin of a board with changes.
func (d *rig) observations(changes ...network.Change) []Observation {
	var obs []Observation
	for _, at := range d.pins() {
		r := d.read(at, references.RedOnGround, d.posterior.Values, changes...)
		p, pt := d.probe(at, references.RedOnGround)
		o := Observation{Probe: p, Spot: fit.SpotOf(d.m, pt, references.RedOnGround), Volts: r.Reading.Value, Over: r.Reading.Overload, Outliers: OutliersKnown}
		o.Noise = MeterNoise(references.DefaultMeter())
		if k, ok := d.posterior.Known(o.Spot); ok {
			k.DF = 1e6 // a normal, so that a joint density does not depend on how it is cut
			o.Known = &k
		}
		obs = append(obs, o)
	}
	return obs
}

func (d *rig) physics() *Physics {
	return NewPhysics(d.posterior)
}

// change puts a fault by its name on the board.
func (d *rig) change(name string, mode Mode, ohms float64) network.Change {
	d.t.Helper()
	loci := Loci(d.m, d.p, d.posterior.Values)
	for i := range loci {
		for _, r := range loci[i].Modes {
			if r.Mode == mode && (loci[i].Name(d.b) == name || loci[i].Part >= 0 && loci[i].Terminal >= 0 && d.b.Parts[loci[i].Part].Name+"."+d.b.Parts[loci[i].Part].Terminals[loci[i].Terminal].Name == name) {
				return loci[i].At(ohms)
			}
		}
	}
	d.t.Fatalf("%s cannot be %s", name, mode)
	return network.Change{}
}

// whole names a set of faults by place, the modes left out.
func (d *rig) whole(faults []Fault) string {
	var names []string
	for _, f := range faults {
		switch {
		case f.Locus == nil:
			names = append(names, f.Mode.String())
		default:
			names = append(names, d.place(f.Locus))
		}
	}
	sort.Strings(names)
	return strings.Join(names, " + ")
}

func (d *rig) place(l *Locus) string {
	name := l.Name(d.b)
	if l.Part >= 0 {
		name = written(d.b, l)
		name = d.b.Parts[l.Part].Name + " " + name[:strings.Index(name, ":")]
	}
	return name
}

// bySet sums a search's explanations over modes.
func (d *rig) bySet(r *Result) map[string]float64 {
	out := map[string]float64{}
	for _, x := range r.Explanations {
		out[d.whole(x.Faults)] += x.Probability
	}
	return out
}

// brute scores every single fault by integrating over its resistance in fine
// steps, each solved and none interpolated, with the same likelihood as the
// search; misleading readings are left out (their priors set to nothing). It gives
// the share of each place, "" for none.
func (d *rig) brute(obs []Observation) map[string]float64 {
	ph := d.physics()
	w := network.NewWorkspace(d.m)
	if err := ph.Join(network.NewPool(d.m), obs); err != nil {
		d.t.Fatal(err)
	}
	predict := func(i int, changes ...network.Change) row {
		sw := sweep{ph: ph, w: w, o: &obs[i], changes: changes}
		q, err := sw.predict()
		if err != nil {
			d.t.Fatal(err)
		}
		return q
	}
	var all *block // the readings that the fault in question moves, given the others
	score := func(changes ...network.Change) (ratio float64, volts []float64) {
		rows := make([]row, len(all.ids))
		for k, i := range all.ids {
			q := predict(i, changes...)
			if rows[k] = q; obs[i].moved(q.volts) < noVolts {
				rows[k] = obs[i].row
			}
		}
		return math.Exp(all.density(all.shape(nil, rows, nil), means(rows), nil) - all.base), means(rows)
	}
	// mean integrates over the logarithm of the resistance in steps; where a reading
	// passes what was read, or is about to, in steps fine enough for any peak.
	var mean func(l *Locus, lo, hi float64, n, finer int) float64
	mean = func(l *Locus, lo, hi float64, n, finer int) float64 {
		at := func(k float64) float64 { return lo * math.Pow(hi/lo, k/float64(n)) }
		scores, volts := make([]float64, n), make([][]float64, n+1)
		for k := range n {
			scores[k], _ = score(l.At(at(float64(k) + 0.5)))
		}
		for k := range volts {
			_, volts[k] = score(l.At(at(float64(k))))
		}
		sum := 0.0
		for k, x := range scores {
			for i, id := range all.ids {
				a, b, v := volts[max(k-1, 0)][i], volts[min(k+2, n)][i], obs[id].Volts
				if finer > 1 && !obs[id].Over && math.Min(a, b) < v && v < math.Max(a, b) {
					x = mean(l, at(float64(k)), at(float64(k+1)), finer, 1)
					break
				}
			}
			sum += x / float64(n)
		}
		return sum
	}
	loci := Loci(d.m, d.p, ph.Values)
	odds := 0.0 // of all places, those that nobody drew among them
	for _, l := range append(loci, Unknowns(d.m, d.p, ph.Values, loci, nil)...) {
		for _, r := range l.Modes {
			odds += r.Odds
		}
	}
	out := map[string]float64{"": d.p.Elsewhere / (1 - d.p.Elsewhere) / setShares[0] * odds}
	for i := range loci {
		touched := []uint64{0}
		for o := range obs {
			if q := predict(o, loci[i].worst()); obs[o].moved(q.volts) >= noVolts {
				setBit(touched, o)
			}
		}
		all = ph.Joint.block(touched, nil)
		for _, r := range loci[i].Modes {
			if math.IsInf(r.Lo, 1) {
				x, _ := score(loci[i].At(r.Lo))
				out[d.place(&loci[i])] += r.Odds * x
				continue
			}
			out[d.place(&loci[i])] += r.Odds * mean(&loci[i], r.Lo, r.Hi, 100, 40)
		}
	}
	total := 0.0
	for _, x := range out {
		total += x
	}
	for k := range out {
		out[k] /= total
	}
	return out
}

// TestSearchAgainstBruteForce holds the search's posterior over single faults
// against brute force on a small board: every set within 0.02 of its probability.
// Sets of several faults are left out on both sides.
func TestSearchAgainstBruteForce(t *testing.T) {
	tests := []struct {
		name string
		mode Mode
		ohms float64
	}{
		{"R1", Open, math.Inf(1)},
		{"C1", Leaky, 330},
		{"C1", Shorted, 0.4},
		{"R2", High, 700},
		{"U1.2", ToSupply, 1},
		{"J1.1 to J1.2", Bridged, 0.5},
		{"R2", Open, math.Inf(1)},
		{"U1.1", Leaky, 220},
		{"C1", Leaky, 8000},        // that hardly shows
		{"U1.1", Leaky, 9000},      // nor this
		{"R1", High, 11},           // nor this
		{"R1", Shorted, LeastOhms}, // in doubt
		{"C1", Leaky, math.Inf(1)}, // nothing wrong
	}
	d := newRig(t, pocket)
	d.p.Missed, d.p.DoubtfulOne, d.p.DoubtfulSeveral = 0, 0, 0
	for _, tt := range tests {
		change := d.change(tt.name, tt.mode, tt.ohms)
		res, err := Search(d.m, d.p, d.physics(), d.observations(change), Evidence{})
		if err != nil {
			t.Fatal(err)
		}
		got, want := d.bySet(res), d.brute(d.observations(change))
		// compare among single faults and none
		single := map[string]float64{}
		total := 0.0
		for k, p := range got {
			if !strings.Contains(k, " + ") && !strings.Contains(k, "unknown") { // of what is drawn
				single[k] = p
				total += p
			}
		}
		total += res.Quiet + res.QuietWithOutlier
		worst, where := 0.0, ""
		for k := range want {
			if off := math.Abs(single[k]/total - want[k]); off > worst {
				worst, where = off, k
			}
		}
		t.Logf("%s %s: singles hold %.3f; worst %.4f off (%s: %.4f, brute force %.4f)", tt.name, tt.mode, total, worst, where, single[where]/total, want[where])
		if quiet := res.Quiet / total; quiet > 0.02 {
			t.Errorf("%s %s: %.3f is in faults that are not listed", tt.name, tt.mode, quiet)
		}
		if worst > 0.02 {
			t.Errorf("%s %s: %s has %.4f, brute force says %.4f", tt.name, tt.mode, where, single[where]/total, want[where])
		}
	}
}

// TestPairsAgainstBruteForce puts faults on two lines that share nothing that
// shows: each line's posterior is then what brute force says of the line alone.
// Held is the probability that each place on it is bad, within 0.03.
func TestPairsAgainstBruteForce(t *testing.T) {
	d := newRig(t, pocket)
	d.p.Missed, d.p.DoubtfulOne, d.p.DoubtfulSeveral = 0, 0, 0
	a, b := d.change("R1", High, 900), d.change("R2", High, 300)
	res, err := Search(d.m, d.p, d.physics(), d.observations(a, b), Evidence{})
	if err != nil {
		t.Fatal(err)
	}
	got, drawn := map[string]float64{}, 0.0
	for set, p := range d.bySet(res) {
		if strings.Contains(set, "unknown") {
			continue
		}
		drawn += p
		for _, name := range strings.Split(set, " + ") {
			got[name] += p
		}
	}
	for _, one := range []network.Change{a, b} {
		worst, where, p := 0.0, "", 0.0
		for place, want := range d.brute(d.observations(one)) {
			if off := math.Abs(got[place]/drawn - want); off > worst && place != "" && want > 1e-3 {
				worst, where, p = off, place, want
			}
		}
		t.Logf("worst %.4f off (%s: %.4f, brute force %.4f)", worst, where, got[where]/drawn, p)
		if worst > 0.03 {
			t.Errorf("%s has %.4f, brute force says %.4f", where, got[where], p)
		}
	}
}

// TestPairOnOneLine solves two faults together that move the same reading: of the
// explanations, the pair that is there has to be listed. What it predicts with the
// resistances it is listed with lies within pairOff of what was read: pairs are solved
// at resistances that lie 6 % apart where they count.
func TestPairOnOneLine(t *testing.T) {
	d := newRig(t, strings.Replace(pocket, "rows: 1, pins: {1: A,", "rows: 1, pins: {5: A_U, 6: GND, 1: A,", 1))
	d.p.Missed, d.p.DoubtfulOne, d.p.DoubtfulSeveral = 0, 0, 0
	a, b := d.change("R1", High, 500), d.change("C1", Leaky, 200)
	obs := d.observations(a, b)
	res, err := Search(d.m, d.p, d.physics(), obs, Evidence{})
	if err != nil {
		t.Fatal(err)
	}
	ph, w, sum := d.physics(), network.NewWorkspace(d.m), 0.0
	for _, x := range res.Explanations {
		if x.Probability > 0.02 {
			t.Log(d.whole(x.Faults), x.Probability)
		}
		if d.whole(x.Faults) != "C1 1-2 + R1 through" {
			continue
		}
		if sum += x.Probability; x.Probability < 0.05 {
			continue
		}
		changes := []network.Change{x.Faults[0].Locus.At(x.Faults[0].Ohms), x.Faults[1].Locus.At(x.Faults[1].Ohms)}
		for i := range obs {
			p, err := ph.Under(w, &obs[i], changes)
			if err != nil {
				t.Fatal(err)
			}
			if !obs[i].Over && math.Abs(p.Volts-obs[i].Volts) > pairOff {
				t.Errorf("C1 of %.0f ohm and R1 of %.0f ohm more predict %.3f V where %.3f V was read", x.Faults[0].Ohms, x.Faults[1].Ohms, p.Volts, obs[i].Volts)
			}
		}
	}
	if t.Logf("the pair has %.3f; %d pairs were solved", sum, res.Joint); sum < 0.05 {
		t.Errorf("the pair has %.3f", sum)
	}
}

const pairOff = 0.025 // V

// TestSearchOnProcessors solves pairs of faults on one processor and on sixteen: the
// same to the last digit.
func TestSearchOnProcessors(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	d := newRig(t, strings.Replace(pocket, "rows: 1, pins: {1: A,", "rows: 1, pins: {5: A_U, 6: GND, 1: A,", 1))
	step := 4.4
	if testing.Short() {
		step = 20
	}
	for raised := 40.0; raised < 9e3; raised *= step {
		for leaky := 10.5; leaky < 5e3; leaky *= step {
			var by [2]map[string]float64
			for k, procs := range []int{1, 16} {
				runtime.GOMAXPROCS(procs)
				res, err := Search(d.m, d.p, d.physics(), d.observations(d.change("R1", High, raised), d.change("C1", Leaky, leaky)), Evidence{})
				if err != nil {
					t.Fatal(err)
				}
				by[k] = d.bySet(res)
			}
			if diff := cmp.Diff(by[0], by[1]); diff != "" {
				t.Errorf("R1 of %.0f ohm more and C1 of %.0f ohm (-one +sixteen):\n%.600s", raised, leaky, diff)
			}
		}
	}
}

// TestSearchIsSteady gives the same answer to the last digit, twenty times over,
// on one processor and on two; and probabilities that sum to 1.
func TestSearchIsSteady(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	d := newRig(t, pocket)
	obs := func() []Observation {
		return d.observations(d.change("R1", Open, math.Inf(1)), d.change("R2", High, 300))
	}
	var first *Result
	for run := range 20 {
		runtime.GOMAXPROCS(1 + run%2)
		res, err := Search(d.m, d.p, d.physics(), obs(), Evidence{})
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for i, x := range res.Explanations {
			sum += x.Probability
			if i > 0 && Level(x.Probability) > Level(res.Explanations[i-1].Probability) {
				t.Errorf("explanation %d is likelier than the one before", i)
			}
		}
		if math.Abs(sum+res.Quiet+res.QuietWithOutlier-1) > 1e-4 { // modes of less than 1e-7 are dropped
			t.Errorf("probabilities sum to %.6f", sum)
		}
		if first == nil {
			first = res
			continue
		}
		opt := cmp.Options{cmpopts.EquateNaNs(), cmpopts.EquateComparable(network.Place{}), cmp.AllowUnexported(Fault{}), cmp.Comparer(func(a, b *Locus) bool {
			return (a == nil) == (b == nil) && (a == nil || d.place(a) == d.place(b))
		})}
		if diff := cmp.Diff(first, res, opt); diff != "" {
			t.Fatalf("run %d differs:\n%.3000s", run, diff)
		}
	}
}
