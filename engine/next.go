package engine

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Bounds of the planner's problem. Hypotheses beyond them are few in weight and
// go to plan.Problem.Rest.
const (
	mostHypotheses  = 40
	leastHypothesis = 5e-4
	fewHypotheses   = 6 // are planned for however little each weighs
	mostPoints      = 48
	mostLooks       = 12
	mostRemovals    = 16
	listedSteps     = 12
	listedMeans     = 4
	apartSigmas     = 4.0 // standard deviations between outcomes that are distinguished
)

func driveOf(st journal.Stage) network.Drive { return fit.DriveOf(st.Meter) }

func polarityOf(blackOnGround bool) references.Polarity {
	if blackOnGround {
		return references.BlackOnGround
	}
	return references.RedOnGround
}

// hypothesis is an explanation as the planner sees it.
type hypothesis struct {
	faults  []fault.Fault // those not yet cured
	changes []network.Change
	weight  float64
	name    string
}

// planning turns the posterior into a plan.Problem and back.
type planning struct {
	*inquiry
	pool     *network.Pool
	hyps     []hypothesis
	problem  plan.Problem
	tests    []test
	remedies []remedy
	byRemedy map[string]int
}

// test is one test of the problem, in the bench's words.
type test struct {
	step Step
	seen []StepOutcome // by outcome
}

// openShield is the one-off setup of opening a shield.
const openShield = 0

func (q *inquiry) next(d *Diagnosis) error {
	p := &planning{inquiry: q, pool: network.NewPool(q.model), byRemedy: map[string]int{}}
	p.problem.Setups = []float64{q.costs.Shield}
	p.problem.GiveUp = q.costs.GiveUp
	p.hypotheses()
	if len(p.remedies) == 0 {
		p.onwards(d)
	} else if err := p.ranked(d); err != nil {
		return err
	}
	p.further(d)
	return nil
}

// ranked lists the steps that distinguish or repair the suspects, best first.
func (p *planning) ranked(d *Diagnosis) error {
	points := p.points()
	if err := p.measures(points); err != nil {
		return err
	}
	if err := p.ends(); err != nil {
		return err
	}
	if err := p.across(); err != nil {
		return err
	}
	p.beside(d)
	p.looks()
	p.injections()
	p.drops()
	if err := p.removes(); err != nil {
		return err
	}
	choices, bounds, err := plan.Rank(&p.problem, p.limits)
	if err != nil {
		return err
	}
	// Whatever is done, a board with nothing wrong ends in handing it on. That is no
	// time to a repair.
	spare := p.problem.GiveUp * p.healthy()
	d.Expected, d.Least = bounds.Upper-spare, bounds.Lower-spare
	if bounds.Exact {
		d.Least = d.Expected // but for rounding
	}
	for i := range choices {
		choices[i].Seconds -= spare
	}
	likely := p.nothingWrong() >= likelyNothing && len(d.outOfRange()) == 0
	for _, c := range choices {
		if len(d.Next) == listedSteps {
			break
		}
		if likely && (c.Remedy >= 0 || !p.tests[c.Test].gentle() || !telling(c)) {
			continue
		}
		if len(d.Next) == 0 && (c.Remedy >= 0 || !foregone(c)) || telling(c) {
			d.Next = append(d.Next, p.step(c, d))
		}
	}
	if len(d.Next) > 0 {
		d.Time = repairTime(bounds.Endings)
		if p.rates != nil {
			parts, ics := p.newParts()
			d.Worth = worth(bounds.Endings, parts*p.rates.Part+ics*p.rates.IC, p.rates)
		}
	}
	p.alike(d)
	return nil
}

// onwards lists points to read where no remedy is known: those of the lines in question
// that were not read with the board as it lies, the easiest to reach first.
func (p *planning) onwards(d *Diagnosis) {
	for _, pt := range p.points() {
		if len(d.Next) < listedSteps && !p.readAlready(pt, references.RedOnGround) {
			d.Next = append(d.Next, Step{Do: DoMeasure, At: p.Board.PointName(pt), Polarity: references.RedOnGround.String(), Seconds: p.costs.Measure, Outcomes: []StepOutcome{}})
		}
	}
}

// gentle tells whether a test leaves the board as it is.
func (t *test) gentle() bool {
	switch t.step.Do {
	case DoMeasure, DoPress, DoGood, DoEnds, DoAcross, DoInspect:
		return true
	}
	return false
}

// foregone tells whether a choice has an outcome that is known beforehand.
func foregone(c plan.Choice) bool {
	return slices.ContainsFunc(c.Outcomes, func(o plan.Outcome) bool { return o.Probability > 0.995 })
}

// telling tells whether a choice is worth listing behind the best one: its second
// likeliest outcome is one to reckon with.
func telling(c plan.Choice) bool {
	first, second := 0.0, 0.0
	for _, o := range c.Outcomes {
		if o.Probability > first {
			first, second = o.Probability, first
		} else if o.Probability > second {
			second = o.Probability
		}
	}
	return second > 0.02
}

// hypotheses lists the explanations worth planning for, with the remedies that
// they need.
func (p *planning) hypotheses() {
	proven := p.unread() < 0
	var undrawn []hypothesis
	defer func() {
		if len(p.remedies) == 0 { // reading on tells where it sits
			p.hyps = append(p.hyps, undrawn...)
		}
	}()
	for i := range p.res.Explanations {
		x := &p.res.Explanations[i]
		if len(p.hyps) >= mostHypotheses || x.Probability < leastHypothesis && len(p.hyps) >= fewHypotheses {
			p.problem.Rest += x.Probability
			continue
		}
		if slices.ContainsFunc(x.Faults, isDoubt) && !p.settles(x.Faults) {
			// no work on this board tells whether a good board was read wrong
			p.problem.Rest += x.Probability
			continue
		}
		if slices.ContainsFunc(x.Faults, isUnknown) {
			// nor does any repair what is not drawn
			p.problem.Rest += x.Probability
			undrawn = append(undrawn, hypothesis{weight: x.Probability, faults: x.Faults})
			continue
		}
		h := hypothesis{weight: x.Probability, name: p.describeAll(x.Faults)}
		var needs []int
		for k := range x.Faults {
			f := x.Faults[k]
			if f.Locus != nil {
				if cured(&f, p.Board, p.edits) {
					continue
				}
				h.changes = append(h.changes, f.Changes()...)
			} else if f.Mode == fault.Doubtful {
				h.faults = append(h.faults, f)
				continue
			} else if p.superseded(p.takenOf(f.Observation)) {
				continue
			}
			h.faults = append(h.faults, f)
			needs = append(needs, p.need(p.remedyOf(&f)))
		}
		// Where nothing is wrong, no remedy repairs it, and the board is handed on when
		// all else was tried; tests may tell it apart all the same.
		if len(needs) == 0 && len(x.Faults) > 0 && !proven && !slices.ContainsFunc(x.Faults, isDoubt) {
			// all of it dealt with: reading once more settles it
			needs = []int{p.need(p.again(p.unread()))}
		}
		slices.Sort(needs)
		p.hyps = append(p.hyps, h)
		p.problem.Hypotheses = append(p.problem.Hypotheses, plan.Hypothesis{Weight: x.Probability, Needs: slices.Compact(needs)})
	}
}

// superseded tells whether taking a reading again can settle nothing more: its point
// was read as the board lies now, and not for the first time.
func (p *planning) superseded(taken int) bool {
	old := &p.taken[taken].read
	if old.To != nil {
		return true
	}
	n := 0
	for i := range p.taken {
		if t := &p.taken[i].read; t.At == old.At && t.To == nil && t.Polarity == old.Polarity && t.Reading.Unit == old.Reading.Unit {
			n++
		}
	}
	return n > 1 && p.readAlready(old.At, old.Polarity)
}

// healthy gives the share of the problem's weight that needs no remedy.
func (p *planning) healthy() float64 {
	nothing, total := 0.0, p.problem.Rest
	for _, h := range p.problem.Hypotheses {
		total += h.Weight
		if len(h.Needs) == 0 {
			nothing += h.Weight
		}
	}
	return nothing / total
}

func isDoubt(f fault.Fault) bool { return f.Mode == fault.Doubtful }

func isUnknown(f fault.Fault) bool { return f.Locus != nil && f.Locus.Unknown }

// need gives the index of a remedy. A part may have two, such as bridging and
// replacing; they are kept apart, as each repairs other faults.
func (p *planning) need(r remedy) int {
	key := r.key + "/" + r.name
	if i, ok := p.byRemedy[key]; ok {
		return i
	}
	setup := -1
	switch r.access {
	case netlist.Shield:
		setup = openShield
	case netlist.Underfill:
		r.seconds += p.costs.Underfill
	}
	p.byRemedy[key] = len(p.remedies)
	p.remedies = append(p.remedies, r)
	p.problem.Remedies = append(p.problem.Remedies, plan.Remedy{Seconds: r.seconds, Setup: setup})
	return len(p.remedies) - 1
}

// reach lists the nets on which the hypotheses differ: those of their loci, and
// those one series element further.
func (p *planning) reach() []netlist.NetID {
	in := map[netlist.NetID]bool{netlist.None: true, p.Board.Ground: true}
	var nets []netlist.NetID
	add := func(n netlist.NetID) {
		if !in[n] {
			in[n] = true
			nets = append(nets, n)
		}
	}
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil {
				add(p.taken[p.takenOf(f.Observation)].read.At.Net)
				continue
			}
			for _, n := range p.model.NetsOf(&f.Locus.Change) {
				add(n)
			}
		}
	}
	for _, n := range nets[:len(nets):len(nets)] {
		p.model.Neighbours(n, func(_ int32, other netlist.NetID) { add(other) })
	}
	return nets
}

// addRows puts a test into the problem: the probability of each outcome under
// each hypothesis.
func (p *planning) addRows(t test, rows [][]float64, n, setup int) {
	p.tests = append(p.tests, t)
	p.problem.Tests = append(p.problem.Tests, plan.Test{Seconds: t.step.Seconds, Setup: setup, Outcomes: n, Likelihood: rows})
}

// blamed sums the weight of hypotheses by part, heaviest first.
func (p *planning) blamed() []netlist.PartID {
	weight := map[netlist.PartID]float64{}
	var parts []netlist.PartID
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			if l := p.hyps[i].faults[k].Locus; l != nil && l.Part != netlist.None {
				if _, ok := weight[l.Part]; !ok {
					parts = append(parts, l.Part)
				}
				weight[l.Part] += p.hyps[i].weight
			}
		}
	}
	sort.SliceStable(parts, func(a, b int) bool { return fault.Level(weight[parts[a]]) > fault.Level(weight[parts[b]]) })
	return parts
}

// blames tells whether a hypothesis has a fault of a part.
func (h *hypothesis) blames(part netlist.PartID) bool {
	for k := range h.faults {
		if h.faults[k].Locus != nil && h.faults[k].Locus.Part == part {
			return true
		}
	}
	return false
}

// looks adds a look at each blamed part that has not been looked at.
func (p *planning) looks() {
	bad := 1 - p.priors.BadLook[journal.Clean.String()]
	good := 1 - p.priors.OKLook[journal.Clean.String()]
	for n, part := range p.blamed() {
		if n >= mostLooks {
			return
		}
		at := &p.Board.Parts[part]
		if _, looked := p.ev.Looks[part]; looked || at.Access == netlist.Underfill || p.edits.Of(part).Removed || network.Pinned(at.Kind) {
			continue
		}
		setup := -1
		if at.Access == netlist.Shield {
			setup = openShield
		}
		rows := make([][]float64, len(p.hyps))
		for i := range p.hyps {
			marks := good
			if p.hyps[i].blames(part) {
				marks = bad
			}
			rows[i] = []float64{marks, 1 - marks}
		}
		t := test{step: Step{Do: DoInspect, Part: at.Name, Seconds: p.costs.Look}}
		t.seen = []StepOutcome{{Seen: "burnt, corroded or cracked"}, {Seen: "clean"}}
		p.addRows(t, rows, 2, setup)
	}
}

// Conditions of injecting current (common practice, no source): a rail of known
// voltage that is not boosted, and several parts with a fair chance to be found warm.
const (
	injectParts = 3
	fairWarm    = 0.1
)

// injections adds current into shorted rails.
func (p *planning) injections() {
	blamed := p.blamed()
	for n := range p.Board.Nets {
		net := &p.Board.Nets[n]
		if !net.Rail || net.Boosted || math.IsNaN(net.RailVolts) {
			continue
		}
		if slices.ContainsFunc(p.ev.Injections, func(in fault.Injection) bool { _, fed := in.Fed[netlist.NetID(n)]; return fed }) {
			continue // it would show the same again
		}
		in := fault.Feed(p.model, p.ph.Values, netlist.NetID(n), p.edits)
		in.Sight = p.sight()
		var parts []netlist.PartID
		for _, part := range blamed {
			if slices.ContainsFunc(p.hyps, func(h hypothesis) bool { return p.warms(&h, part, &in) > fairWarm }) {
				parts = append(parts, part)
			}
		}
		if len(parts) < injectParts {
			continue
		}
		if len(parts) > 60 {
			parts = parts[:60]
		}
		rows := make([][]float64, len(p.hyps))
		t := test{step: Step{Do: DoInject, At: net.Name, Seconds: p.costs.Inject}}
		for _, part := range parts {
			t.seen = append(t.seen, StepOutcome{Seen: p.Board.Parts[part].Name + " warms"})
		}
		t.seen = append(t.seen, StepOutcome{Seen: "nothing warms"})
		for i := range p.hyps {
			rows[i] = make([]float64, len(parts)+1)
			rows[i][len(parts)] = 1
			for k, part := range parts {
				if share := p.warms(&p.hyps[i], part, &in); share > fairWarm {
					rows[i][k], rows[i][len(parts)] = share, 1-share
					break
				}
			}
		}
		p.addRows(t, rows, len(parts)+1, -1)
	}
}

// warmSights are how well warmth is seen, by journal.SeenBy.
var warmSights = [...]fault.Sight{journal.SeenByFilm: fault.ByFilm, journal.SeenByCamera: fault.ByCamera, journal.SeenByNone: fault.ByNone}

// sight is how this bench sees warmth: as the last time.
func (p *planning) sight() fault.Sight {
	if n := len(p.ev.Injections); n > 0 {
		return p.ev.Injections[n-1].Sight
	}
	return fault.ByFilm
}

// warms gives the chance that a part is found warm with current injected, if a
// hypothesis is true.
func (p *planning) warms(h *hypothesis, part netlist.PartID, in *fault.Injection) float64 {
	watts := 0.0
	for k := range h.faults {
		if f := &h.faults[k]; f.Locus != nil && f.Locus.Part == part {
			watts = math.Max(watts, in.Watts(f.Locus, p.Board.Ground, f.Ohms))
		}
	}
	return p.priors.WarmShare(watts, in.Sight)
}
