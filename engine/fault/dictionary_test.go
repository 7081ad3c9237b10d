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

// TestEntryError holds what the fault dictionary predicts between its nodes
// against the circuit solved there, where it counts: where the reading taken is
// within some standard deviations of what is predicted. Every candidate of the
// demo's board that moves a pin is put on it at a random resistance, the pin read,
// and the entry asked at the fine position next to that resistance.
func TestEntryError(t *testing.T) {
	b, m, ph := demoPhysics(t)
	loci := Loci(m, DefaultPriors(), ph.Values)
	w := network.NewWorkspace(m)
	var errs []float64
	worst, where, spread, wide := 0.0, "", 0.0, ""
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
			o := observed(m, ph, pt, references.RedOnGround)
			if err := ph.Predict(w, &o); err != nil {
				t.Fatal(err)
			}
			if !l.Touches(w, &network.State{}, ph.Values) {
				continue
			}
			for _, f := range []float64{0.37, 0.52, 0.61, 0.73} {
				ohms := math.Pow(10, g.lo+f*(g.hi-g.lo))
				truth, err := ph.Under(w, &o, []network.Change{l.At(ohms)})
				if err != nil {
					t.Fatal(err)
				}
				if math.Abs(truth.Volts-o.Good.Volts) < 0.02 || truth.Volts > o.Probe.Meter.Over {
					continue // hardly moved, or OL
				}
				seen := o
				seen.Volts = truth.Volts
				watch, err := ph.Watch(w, &seen)
				if err != nil {
					t.Fatal(err)
				}
				c := &candidate{locus: l, grid: g, open: open}
				row, err := c.tabulate(watch, 0)
				if err != nil {
					t.Fatal(err)
				}
				if row == nil {
					t.Errorf("%s at %s: no entry for %.3f V instead of %.3f V", l.Name(b), pin, truth.Volts, o.Good.Volts)
					continue
				}
				q := row.row(g.lo+f*(g.hi-g.lo), false)
				got := q.volts
				if off := math.Abs(math.Log(ph.given(&seen, &q).Sigma / truth.Sigma)); off > spread {
					spread, wide = off, fmt.Sprintf("%s at %s, %.3g ohm", l.Name(b), pin, ohms)
				}
				e := math.Abs(got - truth.Volts)
				errs = append(errs, e)
				if share := e / math.Hypot(truth.Sigma, o.Noise.Own); share > worst {
					worst, where = share, fmt.Sprintf("%s at %s, %.3g ohm: entry %.4f V, circuit %.4f V with a sigma of %.1f mV", l.Name(b), pin, ohms, got, truth.Volts, truth.Sigma*1e3)
				}
			}
		}
	}
	sum := 0.0
	for _, e := range errs {
		sum += e * e
	}
	rms := math.Sqrt(sum / float64(len(errs)))
	t.Logf("%d readings: root mean square %.2f mV; worst %.2f of a standard deviation (%s); spreads within %.1f %% (%s)", len(errs), 1e3*rms, worst, where, 100*spread, wide)
	if len(errs) < 100 {
		t.Errorf("only %d readings", len(errs))
	}
	if rms > tableError || worst > tableSigmas || spread > tableSpread {
		t.Errorf("want %.1f mV, %.2f standard deviations and %.0f %% at most", tableError*1e3, tableSigmas, 100*tableSpread)
	}
}

// demoPhysics is the demo's board, fitted.
func demoPhysics(t *testing.T) (*netlist.Board, *network.Model, *Physics) {
	t.Helper()
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	lib, err := references.LoadLibrary("../../testdata/demo/known", b)
	if err != nil {
		t.Fatal(err)
	}
	posterior, err := fit.Fit(m, lib)
	if err != nil {
		t.Fatal(err)
	}
	return b, m, NewPhysics(posterior)
}

// observed is an observation at a point by the usual meter, without a reading.
func observed(m *network.Model, ph *Physics, pt netlist.Point, pol references.Polarity) Observation {
	o := Observation{Probe: fit.ProbeAt(m, m.PlaceOf(pt), pol, network.Drive{Current: 1e-3, Open: 3, Over: 2}), Spot: fit.SpotOf(m, pt, pol), Outliers: OutliersPredicted}
	o.Noise = MeterNoise(references.DefaultMeter())
	if k, ok := ph.Posterior.Known(o.Spot); ok {
		o.Known = &k
	}
	return o
}

// TestPredictFrom holds what is passed over as moving a reading by too little against what
// is predicted of it: at pins, and at nets that only the next one on the line vouches for.
func TestPredictFrom(t *testing.T) {
	b, m, ph := demoPhysics(t)
	loci := Loci(m, DefaultPriors(), ph.Values)
	w := network.NewWorkspace(m)
	passed, vouched := 0, 0
	for _, name := range []string{"J7.2", "J7.6", "J3.8", "J3.31", "TP_SCL_U", "LCD_RST_U"} {
		pt, err := b.Point(name)
		if err != nil {
			t.Fatal(err)
		}
		o := observed(m, ph, pt, references.RedOnGround)
		if err := ph.Predict(w, &o); err != nil {
			t.Fatal(err)
		}
		if o.vouch != nil && math.Abs(o.vouch.off) > noVolts {
			vouched++
		}
		watch, err := ph.Watch(w, &o)
		if err != nil {
			t.Fatal(err)
		}
		for i := range loci {
			for _, least := range []float64{noVolts, 0.003, 0.03} {
				sw := watch.sweep([]network.Change{loci[i].worst()})
				_, moves, err := sw.predictFrom(least)
				if err != nil {
					t.Fatal(err)
				}
				if moves {
					continue
				}
				passed++
				q, err := sw.predict()
				if err != nil {
					t.Fatal(err)
				}
				if got := o.moved(q.volts); got >= least {
					t.Errorf("%s moves %s by %.2g mV, which passes for less than %.2g mV", loci[i].Name(b), name, got*1e3, least*1e3)
				}
			}
		}
	}
	if passed < 100 || vouched < 2 {
		t.Errorf("only %d passed over, and %d nets vouched for by another", passed, vouched)
	}
}

// TestWatch holds what a watch predicts, from the reading that it holds, against
// circuits solved one by one.
func TestWatch(t *testing.T) {
	b, m, ph := demoPhysics(t)
	loci := Loci(m, DefaultPriors(), ph.Values)
	w, plain := network.NewWorkspace(m), network.NewWorkspace(m)
	told, worst, spread := 0, 0.0, 0.0
	for _, pin := range []string{"J7.2", "J7.6", "J3.8", "J3.23", "J3.31", "J7.5"} {
		pt, err := b.Point(pin)
		if err != nil {
			t.Fatal(err)
		}
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			o := observed(m, ph, pt, pol)
			if err := ph.Predict(plain, &o); err != nil {
				t.Fatal(err)
			}
			watch, err := ph.Watch(w, &o)
			if err != nil {
				t.Fatal(err)
			}
			for i := range loci {
				l := &loci[i]
				if g, _ := gridOf(l); g.empty() || !l.Touches(plain, &network.State{}, ph.Values) {
					continue
				}
				for _, f := range []float64{0.13, 0.48, 0.86} {
					g, _ := gridOf(l)
					change := []network.Change{l.At(math.Pow(10, g.lo+f*(g.hi-g.lo)))}
					got, err := watch.Under(change)
					if err != nil {
						t.Fatal(err)
					}
					want, err := ph.Under(w.Spare(), &o, change)
					if err != nil {
						t.Fatal(err)
					}
					told++
					over := o.Probe.Meter.Over
					worst = math.Max(worst, math.Abs(math.Min(got.Volts, over)-math.Min(want.Volts, over)))
					if want.Volts < over {
						spread = math.Max(spread, math.Abs(math.Log(got.Sigma/want.Sigma)))
					}
				}
			}
		}
	}
	t.Logf("%d told; worst %.2g mV, spreads within %.1f %%", told, worst*1e3, 100*spread)
	if told < 1000 {
		t.Errorf("%d told", told)
	}
	if worst > 0.05e-3 || spread > 0.08 {
		t.Errorf("%.2g mV off and spreads off by %.1f %%, want 0.05 mV and 8 %%", worst*1e3, 100*spread)
	}
}

// What an entry may be off: in volts, a fraction of what good boards vary by, and
// in standard deviations of the prediction, so that a likelihood's top moves by
// little; and the share of a standard deviation that it may be off.
const (
	tableError  = 0.5e-3
	tableSigmas = 0.15
	tableSpread = 0.06
)
