package lesson

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The stated optimum of small cases is held against an exhaustive search that
// shares nothing with the planner: it takes the accounts of the sweep with their
// probabilities, asks the engine's Expect what each would show at every point
// that a probe reaches, with every part on the line lifted too, and tries every
// order of every step.

// exhaustive is one small case spelled out.
type exhaustive struct {
	weight []float64
	needs  [][]int     // by account: remedies
	remedy []float64   // seconds
	test   []splitting // steps that only tell
	giveUp float64
	memo   map[string]float64
}

// splitting is a step with the outcome that each account foretells, by its
// probability.
type splitting struct {
	seconds float64
	rows    [][]float64 // account, outcome
}

// What a small case is: so many accounts, which together have at least this
// probability. The rest is left out here and kept by the planner, so that the
// two may differ by about as much.
const (
	mostAccounts = 7
	leastListed  = 0.975
)

// spell writes a small case out; ok is false for one that is not small, or has
// accounts of a slipped probe.
func spell(t *testing.T, e *engine.Engine, d *engine.Diagnosis) (x *exhaustive, ok bool) {
	t.Helper()
	costs, priors := plan.DefaultCosts(), fault.DefaultPriors()
	b := e.Board
	x = &exhaustive{giveUp: costs.GiveUp, memo: map[string]float64{}}
	index := map[string]int{}
	var questions [][]string
	var blamed []map[netlist.PartID]bool
	listed := 0.0
	for _, ex := range d.Explanations {
		if ex.Probability < 0.004 {
			continue
		}
		listed += ex.Probability
		var texts []string
		var needs []int
		parts := map[netlist.PartID]bool{}
		for _, f := range ex.Faults {
			mode, known := fault.ParseMode(f.Mode)
			if !known || mode == fault.Slipped || mode == fault.Doubtful {
				return nil, false
			}
			text := f.At + ":" + f.Mode
			if f.Ohms != nil {
				text += fmt.Sprintf("=%.6f ohm", *f.Ohms)
			}
			texts = append(texts, text)
			key, seconds := "", 0.0
			p, err := b.PartByName(f.Part)
			switch {
			case err != nil && (mode == fault.Bridged || mode == fault.BridgeLeaky):
				key, seconds = f.At, costs.Clean
			case err != nil && (mode == fault.TraceBroken || mode == fault.TracePoor):
				key, seconds = f.At, costs.Wire
			case err != nil:
				key, seconds = f.At, costs.Resolder
			default:
				parts[p] = true
				part := &b.Parts[p]
				switch {
				case network.Pinned(part.Kind):
					key, seconds = f.Part, costs.IC
				case mode.Path() && engine.MayLeaveOff(part):
					key, seconds = f.Part+" off", costs.Lift
				case !mode.Path() && (part.Kind == netlist.Bead || part.Kind == netlist.Filter || part.Kind == netlist.Link):
					key, seconds = f.Part+" bridge", costs.Bridge
				default:
					key, seconds = f.Part, costs.Replace
				}
			}
			if _, there := index[key]; !there {
				index[key] = len(x.remedy)
				x.remedy = append(x.remedy, seconds+2*costs.Measure)
			}
			if !slices.Contains(needs, index[key]) {
				needs = append(needs, index[key])
			}
		}
		if len(needs) == 0 {
			return nil, false
		}
		x.weight, x.needs = append(x.weight, ex.Probability), append(x.needs, needs)
		questions, blamed = append(questions, texts), append(blamed, parts)
	}
	if len(x.weight) > mostAccounts || listed < leastListed {
		return nil, false
	}
	for i := range x.weight {
		x.weight[i] /= listed
	}
	ask := func(points []string, pol bool, lifted []string) [][]engine.Expectation {
		var out [][]engine.Expectation
		for _, q := range questions {
			list, err := e.Expect(engine.Question{Faults: q, Points: points, Lifted: lifted, Setting: engine.Setting{Drive: fit.DriveOf(references.DefaultMeter()), BlackOnGround: pol}})
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, list)
		}
		return out
	}
	var points []string
	for p := range b.Parts {
		for tm := range b.Parts[p].Terminals {
			if n := b.Parts[p].Terminals[tm].Net; !network.Pinned(b.Parts[p].Kind) && n != b.Ground && n != netlist.None {
				points = append(points, b.Parts[p].Name+"."+b.Parts[p].Terminals[tm].Name)
			}
		}
	}
	for c := range b.Connectors {
		for _, pin := range b.Connectors[c].Pins {
			if pin.Net != b.Ground && pin.Net != netlist.None {
				points = append(points, b.Connectors[c].Name+"."+pin.Name)
			}
		}
	}
	for _, black := range []bool{false, true} {
		told := ask(points, black, nil)
		for i := range points {
			seconds := costs.Measure
			if black {
				seconds += costs.SwapLeads
			}
			x.add(seconds, cluster(told, i))
		}
	}
	looked := map[netlist.PartID]bool{}
	for _, parts := range blamed {
		for p := range parts {
			if looked[p] {
				continue
			}
			looked[p] = true
			if !network.Pinned(b.Parts[p].Kind) {
				rows := make([][]float64, len(x.weight))
				for h := range rows {
					clean := priors.OKLook["clean"]
					if blamed[h][p] {
						clean = priors.BadLook["clean"]
					}
					rows[h] = []float64{1 - clean, clean}
				}
				x.test = append(x.test, splitting{costs.Look, rows})
			}
		}
	}
	for p := range b.Parts {
		part := &b.Parts[p]
		if network.Pinned(part.Kind) {
			continue
		}
		var pads []string
		for tm := range part.Terminals {
			if n := part.Terminals[tm].Net; n != b.Ground && n != netlist.None {
				pads = append(pads, part.Name+"."+part.Terminals[tm].Name)
			}
		}
		told := ask(pads, false, []string{part.Name})
		of := make([]int, len(x.weight))
		for i := range pads {
			one := cluster(told, i)
			for h := range of {
				of[h] = of[h]*8 + one[h]
			}
		}
		x.add(costs.Lift+costs.Refit+float64(len(pads))*costs.Measure, of)
	}
	return x, true
}

// cluster sorts accounts by what they foretell at a point: two fall together
// where less than four standard deviations lie between them, or others bridge
// the gap.
func cluster(told [][]engine.Expectation, point int) []int {
	const apart = 4
	order := make([]int, len(told))
	for i := range order {
		order[i] = i
	}
	level := func(i int) float64 {
		if told[i][point].Volts == nil {
			return math.Inf(1)
		}
		return *told[i][point].Volts
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case level(a) < level(b):
			return -1
		case level(a) > level(b):
			return 1
		}
		return 0
	})
	of := make([]int, len(told))
	k := 0
	for n, i := range order {
		if n > 0 {
			j := order[n-1]
			meter := 0.002 + 0.005*math.Min(level(i), 2)
			gap := level(i) - level(j)
			if math.IsInf(level(i), 1) != math.IsInf(level(j), 1) || gap > apart*math.Hypot(math.Hypot(told[i][point].Sigma, meter/math.Sqrt(3)), math.Hypot(told[j][point].Sigma, meter/math.Sqrt(3))) {
				k++
			}
		}
		of[i] = k
	}
	return of
}

// add adds a step with certain outcomes, unless it tells nothing or another tells
// the same for less.
func (x *exhaustive) add(seconds float64, of []int) {
	number := map[int]int{}
	for i, k := range of {
		if _, ok := number[k]; !ok {
			number[k] = len(number)
		}
		of[i] = number[k]
	}
	if len(number) < 2 {
		return
	}
	rows := make([][]float64, len(of))
	for i, k := range of {
		rows[i] = make([]float64, len(number))
		rows[i][k] = 1
	}
	for i := range x.test {
		if fmt.Sprint(x.test[i].rows) == fmt.Sprint(rows) {
			x.test[i].seconds = math.Min(x.test[i].seconds, seconds)
			return
		}
	}
	x.test = append(x.test, splitting{seconds, rows})
}

// value is the least expected seconds to a mended board times the weight of what
// is still possible.
func (x *exhaustive) value(weight []float64, done []bool, used []bool) float64 {
	mass := 0.0
	for _, w := range weight {
		mass += w
	}
	if mass < 1e-12 {
		return 0
	}
	scaled := make([]float64, len(weight))
	for i := range weight {
		scaled[i] = math.Round(weight[i] / mass * 1e9)
	}
	key := fmt.Sprint(scaled, done, used)
	if v, ok := x.memo[key]; ok {
		return v * mass
	}
	best := math.Inf(1)
	for r := range x.remedy {
		if done[r] {
			continue
		}
		after := slices.Clone(done)
		after[r] = true
		left := slices.Clone(weight)
		for h := range left {
			if !slices.ContainsFunc(x.needs[h], func(n int) bool { return !after[n] }) {
				left[h] = 0
			}
		}
		best = math.Min(best, x.remedy[r]*mass+x.value(left, after, used))
	}
	if math.IsInf(best, 1) {
		best = x.giveUp * mass
	}
	for i := range x.test {
		if used[i] {
			continue
		}
		s := &x.test[i]
		sum := s.seconds * mass
		now := slices.Clone(used)
		now[i] = true
		for o := range s.rows[0] {
			part := make([]float64, len(weight))
			for h := range weight {
				part[h] = weight[h] * s.rows[h][o]
			}
			if sum += x.value(part, done, now); sum >= best {
				break // it can no longer matter
			}
		}
		best = math.Min(best, sum)
	}
	x.memo[key] = best / mass
	return best
}

// The stated optimum holds what was left out here as well, so it may be longer
// by about that share; the bounds are twice it.
const optimumWithin = 0.08

func TestOptimumAgainstExhaustiveSearch(t *testing.T) {
	checked, sum, worst := 0, 0.0, 0.0
	for _, name := range []string{"shorts", "bridges", "leaks"} {
		c := made(t, small(t, name, 8, 5))
		for _, k := range c.Cases {
			d, err := k.mind.After(k.desk.Case(), sweepEvent)
			if err != nil {
				t.Fatal(err)
			}
			x, ok := spell(t, c.engine, d)
			if !ok || len(x.test) > 11 {
				continue
			}
			got := x.value(x.weight, make([]bool, len(x.remedy)), make([]bool, len(x.test)))
			off := k.Answer.Optimum/got - 1
			t.Logf("%-10s %d accounts, %2d steps: stated %6.1f s, exhaustive %6.1f s (%+.1f %%)", name, len(x.weight), len(x.test), k.Answer.Optimum, got, 100*off)
			if math.Abs(off) > optimumWithin {
				t.Errorf("%s: stated %.1f s, exhaustive %.1f s", k.key, k.Answer.Optimum, got)
			}
			checked++
			sum += off
			worst = math.Max(worst, math.Abs(off))
		}
	}
	t.Logf("%d small cases, mean difference %+.1f %%, worst %.1f %%", checked, 100*sum/float64(max(checked, 1)), 100*worst)
	if checked < 4 {
		t.Errorf("only %d cases are small enough to be checked; want 4 at least", checked)
	}
}
