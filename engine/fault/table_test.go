package fault

import (
	"fmt"
	"math"
	"testing"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestTableError holds what a table of readings foretells between its nodes
// against the circuit solved there, where it counts: where the reading taken is
// within some standard deviations of what is foretold. Every candidate of the
// demo's board that moves a pin is put on it at a random resistance, the pin read,
// and the table asked at the fine position next to that resistance.
func TestTableError(t *testing.T) {
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	lib, err := references.LoadLibrary("../../testdata/demo/known", b)
	if err != nil {
		t.Fatal(err)
	}
	belief, err := fit.Fit(m, lib)
	if err != nil {
		t.Fatal(err)
	}
	ph := &Physics{Belief: belief, Values: belief.At(network.RefCelsius, 0)}
	loci := Loci(m, DefaultPriors(), ph.Values)
	w := network.NewWorkspace(m)
	var errs []float64
	worst, where := 0.0, ""
	for _, pin := range []string{"J7.2", "J7.6", "J7.8", "J3.8", "J3.31", "J7.5"} {
		pt, err := b.Point(pin)
		if err != nil {
			t.Fatal(err)
		}
		for i := range loci {
			l := &loci[i]
			g, open := gridOf(l)
			if g.empty() {
				continue
			}
			drive := network.Drive{Current: 1e-3, Open: 3, Over: 2}
			o := Observation{Probe: fit.ProbeAt(m, m.PlaceOf(pt), references.RedOnGround, drive), Spot: fit.SpotOf(m, pt, references.RedOnGround), Odd: OddForetold}
			o.Gain, o.Floor, o.Misfit = MeterNoise(references.DefaultMeter())
			if k, ok := belief.Known(o.Spot); ok {
				o.Known = &k
			}
			if err := ph.Foresee(w, &o); err != nil {
				t.Fatal(err)
			}
			if !l.Touches(w, &network.State{}, ph.Values) {
				continue
			}
			for _, f := range []float64{0.37, 0.52, 0.61, 0.73} {
				n := g.count(finePerDecade)
				k := int(f * float64(n-1))
				ohms := math.Pow(10, g.value(k, n))
				truth, err := ph.Under(w, &o, []network.Change{l.At(ohms)})
				if err != nil {
					t.Fatal(err)
				}
				if math.Abs(truth.Volts-o.Good.Volts) < 0.02 || truth.Volts > drive.Over {
					continue // hardly moved, or OL
				}
				seen := o
				seen.Volts = truth.Volts
				watch, err := ph.Watch(w, &seen)
				if err != nil {
					t.Fatal(err)
				}
				c := &candidate{locus: l, grid: g, open: open, fine: n}
				table, err := c.tabulate(watch, 0, seen.Surprise(o.Good))
				if err != nil {
					t.Fatal(err)
				}
				if table == nil {
					t.Errorf("%s at %s: no table for %.3f V instead of %.3f V", l.Name(b), pin, truth.Volts, o.Good.Volts)
					continue
				}
				got := table.read(k, n)
				e := math.Abs(got.Volts - truth.Volts)
				errs = append(errs, e)
				if share := e / math.Hypot(truth.Sigma, o.meter(truth.Volts)); share > worst {
					worst, where = share, fmt.Sprintf("%s at %s, %.3g ohm: table %.4f V, circuit %.4f V with a sigma of %.1f mV", l.Name(b), pin, ohms, got.Volts, truth.Volts, truth.Sigma*1e3)
				}
			}
		}
	}
	sum := 0.0
	for _, e := range errs {
		sum += e * e
	}
	rms := math.Sqrt(sum / float64(len(errs)))
	t.Logf("%d readings: root mean square %.2f mV; worst %.2f of a standard deviation (%s)", len(errs), 1e3*rms, worst, where)
	if len(errs) < 100 {
		t.Errorf("only %d readings", len(errs))
	}
	if rms > tableError || worst > tableSigmas {
		t.Errorf("want %.1f mV and %.1f standard deviations at most", tableError*1e3, tableSigmas)
	}
}

// What a table may be off: in volts, a fraction of what good boards vary by, and
// in standard deviations of the prediction, so that a likelihood's top moves by
// little.
const (
	tableError  = 2e-3
	tableSigmas = 0.45
)
