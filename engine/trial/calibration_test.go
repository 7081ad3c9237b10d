package trial

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/trial/recorded"
	"halfsplit/netlist"
	"halfsplit/references"
)

// TestCalibration holds what is said before any step against the truth, on boards that go
// wrong as often as the priors say:
//
//	go test ./engine/trial -run TestCalibration -v -calibration 10000 -use reporting -timeout 60m
//
// Nothing is wrong on the lines of three complaints in ten; the others have one fault, two or
// three in the shares of fault.Search, each by its odds and whether it shows or not; a probe
// in fifty misses its pad. In the other trials there always is a fault and it shows, so that
// a statement which is right of all boards is too modest there.
var calibration = flag.Int("calibration", 0, "diagnose so many boards of TestCalibration; 0: a few")

const fewCalibrated = 400

// calibrationShare is the share of a board in a hundred cases: a large one takes longer.
var calibrationShare = map[string]int{"sensor12": 80, "kestrel": 18, "dock60": 2}

// setShares are those of sets of one, two and three faults (design, from memory).
var setShares = []float64{0.80, 0.15, 0.05}

// byPrior draws faults on the lines of the connectors by their odds, or none. A fault
// elsewhere, of which the complaint tells nothing, comes as often as one on a line, but only
// where some reading shows it: what shows nowhere is no part that is asked for.
func byPrior(r *rand.Rand, t *recorded.Trial, at []netlist.Point) (faults []practice.Fault, err error) {
	p := fault.DefaultPriors()
	on := map[netlist.NetID]bool{}
	for _, pin := range at {
		if pin.Net != netlist.None && pin.Net != t.Model.Board.Ground {
			for _, n := range t.Model.Line(pin.Net) {
				on[n] = true
			}
		}
	}
	onLine := func(l *fault.Locus) bool {
		return slices.ContainsFunc(t.Model.Nets(&l.Change), func(n netlist.NetID) bool { return on[n] })
	}
	loci := fault.Loci(t.Model, p, t.Model.Nominal())
	all, ours := 0.0, 0.0
	for i := range loci {
		for _, m := range loci[i].Modes {
			if all += m.Odds; onLine(&loci[i]) {
				ours += m.Odds
			}
		}
	}
	deck := practice.NewDeck(loci, nil)
	chance := []float64{p.Elsewhere} // by the number of faults, of one in all so far as they are on lines
	for k, share := range setShares {
		chance = append(chance, (1-p.Elsewhere)*share*math.Pow(all/ours, float64(k+1)))
	}
draw:
	for {
		n, x := 0, r.Float64()*sum(chance)
		for x >= chance[n] && n < len(chance)-1 {
			x -= chance[n]
			n++
		}
		faults = faults[:0]
		for len(faults) < n {
			f := deck.Draw(r)
			if !slices.ContainsFunc(faults, func(g practice.Fault) bool { return g.Locus.Change == f.Locus.Change }) {
				faults = append(faults, f)
			}
		}
		for i := range faults {
			if onLine(&faults[i].Locus) {
				continue
			}
			if shows, err := moves(t, &faults[i], at); err != nil || !shows {
				if err != nil {
					return nil, err
				}
				continue draw
			}
		}
		return faults, nil
	}
}

// moves tells whether a fault by itself moves a reading at some points by more than faintly.
func moves(t *recorded.Trial, f *practice.Fault, at []netlist.Point) (bool, error) {
	bad := *t
	bad.Faults = []practice.Fault{*f}
	with, without := practice.Simulator{Board: bad.Faulty(), Meter: t.Instrument}, practice.Simulator{Board: t.Good(), Meter: t.Instrument}
	for _, p := range at {
		v, err := with.Read(p, references.RedOnGround, netlist.Edits{})
		if err != nil {
			return false, err
		}
		w, err := without.Read(p, references.RedOnGround, netlist.Edits{})
		if err != nil {
			return false, err
		}
		if v.Overload != w.Overload || math.Abs(v.Value-w.Value) > movedFrom {
			return true, nil
		}
	}
	return false, nil
}

func sum(list []float64) (s float64) {
	for _, x := range list {
		s += x
	}
	return s
}

// movedFrom is a change in volts that no two good boards have between them.
const movedFrom = 20e-3

func TestCalibration(t *testing.T) {
	if testing.Short() {
		t.Skip("diagnoses hundreds of boards")
	}
	n := *calibration
	if n == 0 {
		n = fewCalibrated
	}
	type said struct {
		first, none float64
		right, good bool
	}
	for _, kind := range []struct {
		name     string
		byPeople bool
	}{{"fully drawn", false}, {"drawn by people", true}} {
		var lead, none Calibration
		eachBoard(t, func(k int, name string, m *network.Model) {
			seed := uint64(100_000 * (k + 1))
			if *use == "reporting" {
				seed += reportingCalibration
			}
			var first, nothing Calibration
			for _, s := range parallel(t, max(n*calibrationShare[name]/100, 1), func(i int) (said, error) {
				tr, err := openTrial(m, seed+uint64(i), byPrior, kind.byPeople, true)
				if err != nil {
					return said{}, err
				}
				_, d, err := tr.engine.Inquire(tr.Case(tr.library)) // the steps are not asked for
				if err != nil || d.Implausible != nil {
					return said{}, err
				}
				f := Judge(d, Bad(tr.Faults, m, tr.drawing))
				return said{f.Said, noneBad(d), f.Right, len(tr.Faults) == 0}, nil
			}) {
				for _, c := range []*Calibration{&first, &lead} {
					if s.first > 0 {
						c.Add(s.first, s.right)
					}
				}
				nothing.Add(s.none, s.good)
				none.Add(s.none, s.good)
			}
			if *tell {
				t.Logf("%s, %s, first suspect: error %.3f\n%s%s, that no part is bad: error %.3f\n%s", name, kind.name, first.Error(), &first, name, nothing.Error(), &nothing)
			}
		})
		for _, c := range []struct {
			of string
			*Calibration
		}{{"first suspect", &lead}, {"that no part is bad", &none}} {
			mean, high := c.Chance()
			t.Logf("%s, %s, %d statements: error %.3f; chance alone %.3f, one in a hundred above %.3f; goal 0.02\n%s", kind.name, c.of, len(c.all), c.Error(), mean, high, c)
			if c.Error() > high+0.02 {
				t.Errorf("%s, %s: calibration error %.3f, goal 0.02 beyond the %.3f that chance leaves", kind.name, c.of, c.Error(), high)
			}
		}
	}
}
