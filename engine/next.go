package engine

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

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
	mostPoints      = 48
	mostLooks       = 12
	mostLifts       = 16
	listedSteps     = 12
	listedMeans     = 4
	apartSigmas     = 4.0 // standard deviations between outcomes that are told apart
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

// planning turns the belief into a plan.Problem and back.
type planning struct {
	*inquiry
	crew     *network.Crew
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
	p := &planning{inquiry: q, crew: network.NewCrew(q.model), byRemedy: map[string]int{}}
	p.problem.Setups = []float64{q.costs.Shield}
	p.problem.GiveUp = q.costs.GiveUp
	p.hypotheses()
	if len(p.remedies) == 0 {
		return nil
	}
	points := p.points()
	if err := p.measures(points); err != nil {
		return err
	}
	p.looks()
	p.injections()
	if err := p.lifts(); err != nil {
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
	likely := p.nothingWrong() >= likelyNothing
	for _, c := range choices {
		if len(d.Next) == listedSteps {
			break
		}
		if likely && (c.Remedy >= 0 || !p.tests[c.Test].gentle() || !telling(c)) {
			continue
		}
		if len(d.Next) == 0 || telling(c) {
			d.Next = append(d.Next, p.step(c, d))
		}
	}
	p.alike(d)
	return nil
}

// gentle tells whether a test leaves the board as it is.
func (t *test) gentle() bool { return t.step.Do == DoMeasure || t.step.Do == DoLook }

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
	for i := range p.res.Explanations {
		x := &p.res.Explanations[i]
		if len(p.hyps) >= mostHypotheses || x.Probability < leastHypothesis {
			p.problem.Rest += x.Probability
			continue
		}
		if slices.ContainsFunc(x.Faults, isDoubt) {
			// no work on this board tells whether a good board was read wrong
			p.problem.Rest += x.Probability
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
				h.changes = append(h.changes, f.Locus.At(f.Ohms))
			} else if p.superseded(f.Observation) {
				continue
			}
			h.faults = append(h.faults, f)
			needs = append(needs, p.need(p.remedy(&f)))
		}
		// Where nothing is wrong, no remedy mends it, and the board is handed on when
		// all else was tried; tests may tell it apart all the same.
		if len(needs) == 0 && len(x.Faults) > 0 && !proven {
			// all of it dealt with: reading once more settles it
			needs = []int{p.need(remedy{key: "reading", name: "read again", advice: "Read the odd points again.", seconds: p.costs.Measure})}
		}
		slices.Sort(needs)
		p.hyps = append(p.hyps, h)
		p.problem.Hypotheses = append(p.problem.Hypotheses, plan.Hypothesis{Weight: x.Probability, Needs: slices.Compact(needs)})
	}
}

// superseded tells whether a reading was taken once more since the board last changed:
// whether it was right does not matter any more.
func (p *planning) superseded(obs int) bool {
	old := &p.taken[p.takenOf(obs)]
	return !old.edits.Equal(p.edits) && slices.ContainsFunc(p.taken, func(t taken) bool {
		return t.read.At == old.read.At && t.read.To == nil && old.read.To == nil && t.read.Polarity == old.read.Polarity && t.edits.Equal(p.edits)
	})
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
			c := &f.Locus.Change
			switch c.Kind {
			case network.AddPath:
				add(c.A.Net)
				add(c.B.Net)
			case network.Cut:
				add(p.model.Net(p.model.Elements[c.Element].A))
				add(p.model.Net(p.model.Elements[c.Element].B))
			case network.Detach:
				add(p.model.Net(c.Contact))
			case network.Split:
				add(c.Net)
			}
		}
	}
	for _, n := range nets[:len(nets):len(nets)] {
		for _, c := range p.model.NetContacts(n) {
			for _, e := range p.model.ContactElements(network.Contact(c)) {
				if el := &p.model.Elements[e]; el.Class == network.Resistive {
					add(p.model.Net(el.A))
					add(p.model.Net(el.B))
				}
			}
		}
	}
	return nets
}

// points lists where a probe could usefully land: both sides of every break that
// is suspected, every terminal whose joint is, and one point of each net within
// reach, the easiest to touch whose joint is not: read there, the net shows what
// the joint keeps from the terminal.
func (p *planning) points() []netlist.Point {
	var out []netlist.Point
	have, joint := map[string]bool{}, map[string]bool{}
	add := func(pt netlist.Point) {
		if name := p.Board.PointName(pt); !have[name] && len(out) < mostPoints && p.touchable(pt) {
			have[name] = true
			out = append(out, pt)
		}
	}
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			f := &p.hyps[i].faults[k]
			if f.Locus == nil {
				add(p.taken[p.takenOf(f.Observation)].read.At)
				continue
			}
			switch c := &f.Locus.Change; c.Kind {
			case network.Detach:
				pt := p.model.PointOf(c.Contact)
				joint[p.Board.PointName(pt)] = true
				add(pt)
			case network.Split:
				add(p.Board.Nets[c.Net].Along[c.After])
				add(p.Board.Nets[c.Net].Along[c.After+1])
			}
		}
	}
	for _, n := range p.reach() {
		best, cost := netlist.Point{}, math.Inf(1)
		for _, pt := range p.Board.PointsOn(n) {
			if c := p.touchCost(pt); c < cost && !joint[p.Board.PointName(pt)] {
				best, cost = pt, c
			}
		}
		if !math.IsInf(cost, 1) {
			add(best)
		}
	}
	return out
}

func (p *planning) touchable(pt netlist.Point) bool { return !math.IsInf(p.touchCost(pt), 1) }

// touchCost orders the points of a net by how easily a probe reaches them:
// connector pins and test pads first, then terminals in the open, then those
// under a shield. Balls under an IC and parts under fill cannot be touched.
func (p *planning) touchCost(pt netlist.Point) float64 {
	switch pt.Kind {
	case netlist.PointPin:
		return 0
	case netlist.PointPad:
		return 1
	case netlist.PointTerminal:
		part := &p.Board.Parts[pt.Terminal.Part]
		if network.Pinned(part.Kind) || part.Access == netlist.Underfill {
			return math.Inf(1)
		}
		if part.Access == netlist.Shield {
			return 3
		}
		return 2
	}
	return math.Inf(1)
}

// shielded gives the setup that a point needs.
func (p *planning) shielded(pt netlist.Point) int {
	if pt.Kind == netlist.PointTerminal && p.Board.Parts[pt.Terminal.Part].Access == netlist.Shield {
		return openShield
	}
	return -1
}

// shown is what one hypothesis foretells at one point.
type shown struct {
	volts, sigma float64
	over         bool
}

// foretell gives what each hypothesis foretells at a point of the board with
// edits.
func (p *planning) foretell(w *network.Workspace, pt netlist.Point, pol references.Polarity, edits netlist.Edits) ([]shown, error) {
	st := p.stages[len(p.stages)-1]
	st.Edits = edits
	o := p.spotted(Spot{pt, pol}, st)
	if err := p.ph.Foresee(w, &o); err != nil {
		return nil, err
	}
	out := make([]shown, len(p.hyps))
	for i := range p.hyps {
		pr := o.Good
		if len(p.hyps[i].changes) > 0 {
			var err error
			if pr, err = p.ph.Under(w, &o, p.hyps[i].changes); err != nil {
				return nil, err
			}
		}
		out[i] = shown{pr.Volts, math.Hypot(pr.Sigma, o.Floor+o.Gain*pr.Volts), pr.Volts > p.drive.Over}
	}
	if o.Known == nil && !p.belief.Covers(pol) {
		blur(out)
	}
	return out, nil
}

// blur makes one of all voltages above vagueFrom: a reading there in a polarity
// that no good board was read in will be taken to tell nothing.
func blur(shows []shown) {
	sum, n := 0.0, 0.0
	for _, s := range shows {
		if !s.over && s.volts > vagueFrom {
			sum, n = sum+s.volts, n+1
		}
	}
	for i := range shows {
		if s := &shows[i]; !s.over && s.volts > vagueFrom {
			s.volts, s.sigma = sum/n, wideVolts/2
		}
	}
}

// wideVolts is the standard deviation in volts from which a prediction is too
// vague to make an outcome of its own.
const wideVolts = 0.015

// outcomes cuts what a reading may show into outcomes that can be told apart, and
// gives the probability of each under each hypothesis. The sharp predictions make
// them, and vague ones that lie apart from all sharp ones: sorted by voltage, a new
// outcome begins where the gap exceeds apartSigmas of both neighbours; OL is one
// more. Each of these hypotheses falls into one; any other is spread over them by
// its normal distribution, cut half way between.
func outcomes(shows []shown) (rows [][]float64, n int) {
	order := make([]int, 0, len(shows))
	over := false
	for i, s := range shows {
		if s.over {
			over = true
		} else if s.sigma < wideVolts {
			order = append(order, i)
		}
	}
	sharp := order
	for i, s := range shows {
		near := func(k int) bool {
			return math.Abs(s.volts-shows[k].volts) <= apartSigmas*math.Hypot(s.sigma, shows[k].sigma)
		}
		if !s.over && s.sigma >= wideVolts && !slices.ContainsFunc(sharp, near) {
			order = append(order, i)
		}
	}
	sort.SliceStable(order, func(a, b int) bool { return shows[order[a]].volts < shows[order[b]].volts })
	of := make([]int, len(shows))
	for i := range of {
		of[i] = -1
	}
	var cuts []float64 // between outcomes, rising
	for k, i := range order {
		if k > 0 {
			a, b := shows[order[k-1]], shows[i]
			if b.volts-a.volts > apartSigmas*math.Hypot(a.sigma, b.sigma) {
				cuts = append(cuts, (a.volts*b.sigma+b.volts*a.sigma)/(a.sigma+b.sigma))
			}
		}
		of[i] = len(cuts)
	}
	n = len(cuts)
	if len(order) > 0 {
		n++
	}
	last := n
	if over {
		n++
	}
	rows = make([][]float64, len(shows))
	for i, s := range shows {
		rows[i] = make([]float64, n)
		switch {
		case s.over:
			rows[i][last] = 1
		case of[i] >= 0:
			rows[i][of[i]] = 1
		default:
			from := 0.0
			for k := 0; k < last; k++ {
				to := 1.0
				if k < len(cuts) {
					to = normalBelow(cuts[k], s.volts, s.sigma)
				}
				if rows[i][k] = to - from; rows[i][k] < vagueShare {
					rows[i][k] = 0
				}
				from = to
			}
			normalise(rows[i])
		}
	}
	return rows, n
}

// toldApart sorts predictions into groups that a reading tells apart, vague ones
// like the others.
func toldApart(shows []shown) (of []int, n int) {
	order := make([]int, len(shows))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool {
		x, y := shows[order[a]], shows[order[b]]
		if x.over != y.over {
			return y.over
		}
		return !x.over && x.volts < y.volts
	})
	of = make([]int, len(shows))
	for k, i := range order {
		if k > 0 {
			a, b := shows[order[k-1]], shows[i]
			if a.over != b.over || !b.over && b.volts-a.volts > apartSigmas*math.Hypot(a.sigma, b.sigma) {
				n++
			}
		}
		of[i] = n
	}
	return of, n + 1
}

// vagueShare is the probability below which an outcome of a vague hypothesis is
// left out of the plan.
const vagueShare = 0.05

func normalBelow(x, mean, sigma float64) float64 { return 0.5 * math.Erfc((mean-x)/(sigma*math.Sqrt2)) }

func normalise(row []float64) {
	sum := 0.0
	for _, x := range row {
		sum += x
	}
	for k := range row {
		row[k] /= sum
	}
}

// measures adds a reading at each point, in both polarities, where it tells
// anything.
func (p *planning) measures(points []netlist.Point) error {
	var spots []Spot
	for _, pt := range points {
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			if pol == references.BlackOnGround && !p.belief.Covers(pol) {
				continue // it tells short and open alone, as the other polarity does for less
			}
			if !p.readAlready(pt, pol) {
				spots = append(spots, Spot{pt, pol})
			}
		}
	}
	shows := make([][]shown, len(spots))
	err := p.crew.Each(len(spots), func(w *network.Workspace, i int) (err error) {
		shows[i], err = p.foretell(w, spots[i].At, spots[i].Polarity, p.edits)
		return err
	})
	if err != nil {
		return err
	}
	for i, s := range spots {
		rows, n := outcomes(shows[i])
		if n < 2 {
			continue
		}
		seconds := p.costs.Measure
		if s.Polarity == references.BlackOnGround {
			seconds += p.costs.SwapLeads
		}
		t := test{step: Step{Do: DoMeasure, At: p.Board.PointName(s.At), Polarity: s.Polarity.String(), Seconds: seconds}}
		t.seen = p.readings(shows[i], rows, n)
		p.addRows(t, rows, n, p.shielded(s.At))
	}
	return nil
}

// readAlready tells whether a point has been read in a polarity with the board as
// it lies: a second reading would show the same again, whatever the model makes of
// it. Where the first may have slipped, reading it again is a remedy of its own.
func (p *planning) readAlready(pt netlist.Point, pol references.Polarity) bool {
	name := p.Board.PointName(pt)
	return slices.ContainsFunc(p.taken, func(t taken) bool {
		return p.Board.PointName(t.read.At) == name && t.read.To == nil && t.read.Polarity == pol && t.edits.Equal(p.edits)
	})
}

// readings describes the outcomes of a reading: the mean of what its hypotheses
// foretell.
func (p *planning) readings(shows []shown, rows [][]float64, n int) []StepOutcome {
	seen := make([]StepOutcome, n)
	weight := make([]float64, n)
	for i, s := range shows {
		for k, share := range rows[i] {
			if share < 0.5 {
				continue
			}
			if s.over {
				seen[k].Overload = true
				continue
			}
			if seen[k].Volts == nil {
				seen[k].Volts = new(float64)
			}
			w := p.hyps[i].weight / (s.sigma * s.sigma)
			weight[k] += w
			*seen[k].Volts += w * s.volts
		}
	}
	for k := range seen {
		if seen[k].Volts != nil && weight[k] > 0 {
			*seen[k].Volts /= weight[k]
		}
	}
	return seen
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
		if _, looked := p.ev.Looks[part]; looked || at.Access == netlist.Underfill || p.edits.Of(part).Lifted || network.Pinned(at.Kind) {
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
		t := test{step: Step{Do: DoLook, Part: at.Name, Seconds: p.costs.Look}}
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
	for n := range p.Board.Nets {
		net := &p.Board.Nets[n]
		if !net.Rail || net.Boosted || math.IsNaN(net.RailVolts) {
			continue
		}
		if slices.ContainsFunc(p.ev.Injections, func(in fault.Injection) bool { return slices.Contains(in.Nets, netlist.NetID(n)) }) {
			continue // it would show the same again
		}
		in := fault.Feed(p.model, p.ph.Values, netlist.NetID(n))
		var parts []netlist.PartID
		for _, part := range p.blamed() {
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

// warms gives the chance that a part is found warm with current injected, if a
// hypothesis is true.
func (p *planning) warms(h *hypothesis, part netlist.PartID, in *fault.Injection) float64 {
	watts := 0.0
	for k := range h.faults {
		if f := &h.faults[k]; f.Locus != nil && f.Locus.Part == part {
			watts = math.Max(watts, in.Watts(f.Locus, p.Board.Ground, f.Ohms))
		}
	}
	return p.priors.WarmShare(watts)
}

// lifts adds taking a two-terminal part off and reading both its pads: blamed
// parts, and series parts between nets within reach.
func (p *planning) lifts() error {
	parts := p.blamed()
	in := map[netlist.PartID]bool{}
	for _, x := range parts {
		in[x] = true
	}
	for _, n := range p.reach() {
		for _, c := range p.model.NetContacts(n) {
			t := p.model.Terminal(network.Contact(c))
			if t.Part == netlist.None || in[t.Part] || p.Board.Parts[t.Part].Kind.Class() != netlist.Series {
				continue
			}
			in[t.Part] = true
			parts = append(parts, t.Part)
		}
	}
	parts = slices.DeleteFunc(parts, func(part netlist.PartID) bool {
		at := &p.Board.Parts[part]
		return network.Pinned(at.Kind) || p.edits.Of(part).Lifted || len(at.Terminals) > 4
	})
	parts = parts[:min(len(parts), mostLifts)]
	pads, shows := make([][]netlist.Point, len(parts)), make([][][]shown, len(parts))
	err := p.crew.Each(len(parts), func(w *network.Workspace, i int) error {
		pads[i] = p.pads(parts[i])
		for _, pad := range pads[i] {
			s, err := p.foretell(w, pad, references.RedOnGround, p.edits.Lift(parts[i]))
			if err != nil {
				return err
			}
			shows[i] = append(shows[i], s)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, part := range parts {
		p.lift(part, pads[i], shows[i])
	}
	return nil
}

// pads lists a terminal of a part on each of its nets.
func (p *planning) pads(part netlist.PartID) []netlist.Point {
	at := &p.Board.Parts[part]
	var pads []netlist.Point
	read := map[netlist.NetID]bool{p.Board.Ground: true, netlist.None: true}
	for t := range at.Terminals {
		if n := at.Terminals[t].Net; !read[n] {
			read[n] = true
			pads = append(pads, p.Board.TerminalPoint(netlist.TerminalRef{Part: part, Terminal: int32(t)}))
		}
	}
	return pads
}

// lift adds taking a part off, with what is foretold at its pads.
func (p *planning) lift(part netlist.PartID, pads []netlist.Point, shows [][]shown) {
	at := &p.Board.Parts[part]
	rows, n := [][]float64(nil), 0
	for _, s := range shows {
		more, k := outcomes(s)
		if rows, n = cross(rows, n, more, k); n > mostOutcomes {
			return
		}
	}
	if n < 2 {
		return
	}
	t := test{step: Step{Do: DoLift, Part: at.Name, Polarity: references.RedOnGround.String(), Then: []string{}}}
	for _, pad := range pads {
		t.step.Then = append(t.step.Then, p.Board.PointName(pad))
	}
	t.step.Seconds = p.costs.Lift + float64(len(pads))*p.costs.Measure + p.costs.Refit
	setup := -1
	switch at.Access {
	case netlist.Shield:
		setup = openShield
	case netlist.Underfill:
		t.step.Seconds += p.costs.Underfill
	}
	t.seen = make([]StepOutcome, n)
	for k := range t.seen {
		i := likeliest(rows, k, p.hyps)
		if i < 0 {
			continue
		}
		var words []string
		for j, pad := range pads {
			words = append(words, p.Board.PointName(pad)+" "+display(shows[j][i].volts, shows[j][i].over))
		}
		t.seen[k].Seen = strings.Join(words, ", ")
		if len(pads) == 1 {
			t.seen[k].Overload = shows[0][i].over
			if !shows[0][i].over {
				t.seen[k].Volts = number(shows[0][i].volts)
			}
		}
	}
	p.addRows(t, rows, n, setup)
}

// mostOutcomes bounds the outcomes of a lift.
const mostOutcomes = 40

// cross joins two readings into one test: an outcome for each pair that can
// happen.
func cross(a [][]float64, n int, b [][]float64, m int) ([][]float64, int) {
	if a == nil {
		return b, m
	}
	number := map[[2]int]int{}
	for i := range a {
		for j, x := range a[i] {
			for k, y := range b[i] {
				if key := [2]int{j, k}; x*y > 0 {
					if _, ok := number[key]; !ok {
						number[key] = len(number)
					}
				}
			}
		}
	}
	rows := make([][]float64, len(a))
	for i := range a {
		rows[i] = make([]float64, len(number))
		for key, at := range number {
			rows[i][at] = a[i][key[0]] * b[i][key[1]]
		}
	}
	return rows, len(number)
}

// likeliest gives the hypothesis that an outcome most likely means, -1 for none.
func likeliest(rows [][]float64, outcome int, hyps []hypothesis) int {
	best, most := -1, 0.0
	for i := range rows {
		if w := rows[i][outcome] * hyps[i].weight; w > most {
			best, most = i, w
		}
	}
	return best
}

// display writes a voltage as the meter shows it.
func display(volts float64, over bool) string {
	if over {
		return "OL"
	}
	return fmt.Sprintf("%.3f", volts)
}

// step puts a choice into words.
func (p *planning) step(c plan.Choice, d *Diagnosis) Step {
	if c.Remedy >= 0 {
		return p.remedyStep(c, d)
	}
	t := p.tests[c.Test]
	s := t.step
	s.Expected = c.Seconds
	for k, o := range c.Outcomes {
		if o.Probability < leastHypothesis {
			continue
		}
		out := t.seen[k]
		out.Probability = o.Probability
		out.Means = p.means(o.Weights)
		s.Outcomes = append(s.Outcomes, out)
	}
	sort.SliceStable(s.Outcomes, func(a, b int) bool { return s.Outcomes[a].Probability > s.Outcomes[b].Probability })
	s.Why = p.why(&s, len(c.Outcomes))
	return s
}

func (p *planning) why(s *Step, outcomes int) string {
	switch s.Do {
	case DoLook:
		return "a mark on it would make it likelier"
	case DoInject:
		return "the part that loads the rail warms up"
	case DoLift:
		return fmt.Sprintf("splits the line here: %d results to tell apart", outcomes)
	}
	return fmt.Sprintf("%d results to tell apart", outcomes)
}

// means names the explanations left by an outcome.
func (p *planning) means(weights []float64) []string {
	order := make([]int, len(weights))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return fault.Level(weights[order[a]]) > fault.Level(weights[order[b]]) })
	means := []string{}
	for _, i := range order {
		if len(means) == listedMeans || weights[i] < 0.02 {
			break
		}
		means = append(means, p.hyps[i].name)
	}
	return means
}

// remedyStep makes a step of a remedy: a part replaced, left off or bridged, and
// the readings that prove it.
func (p *planning) remedyStep(c plan.Choice, d *Diagnosis) Step {
	r := &p.remedies[c.Remedy]
	if r.key == "reading" {
		s := Step{Do: DoMeasure, Seconds: r.seconds, Expected: c.Seconds, Remedy: r.name, Polarity: references.RedOnGround.String(), Why: r.advice}
		t := &p.taken[p.again()]
		s.At, s.Polarity = t.read.Name, t.read.Polarity.String()
		s.Outcomes = p.remedyOutcomes(c, "reads as a good board", "reads the same again")
		return s
	}
	s := Step{Do: DoReplace, Part: r.place, Seconds: r.seconds, Expected: c.Seconds, Remedy: r.name, Polarity: references.RedOnGround.String(), Why: r.advice, Then: p.proof(d)}
	s.Outcomes = p.remedyOutcomes(c, "all read right", "something still reads wrong")
	return s
}

// again gives the reading to take once more: one that a hypothesis calls a slip, or
// else one that was far off and not read since.
func (p *planning) again() int {
	for i := range p.hyps {
		for k := range p.hyps[i].faults {
			if f := &p.hyps[i].faults[k]; f.Locus == nil {
				return p.takenOf(f.Observation)
			}
		}
	}
	return max(p.unread(), 0)
}

func (p *planning) remedyOutcomes(c plan.Choice, repaired, still string) []StepOutcome {
	var out []StepOutcome
	for k, o := range c.Outcomes {
		if o.Probability < leastHypothesis {
			continue
		}
		x := StepOutcome{Seen: repaired, Probability: o.Probability, Means: []string{"repaired"}}
		if k > 0 {
			x.Seen, x.Means = still, p.means(o.Weights)
		}
		out = append(out, x)
	}
	return out
}

// oddProof is how far off, in standard deviations, a second reading has to be to be
// worth reading again for proof.
const oddProof = 1.5

// proof lists the points whose readings show that a remedy worked: those that
// read wrong before, or else those that read oddest.
func (p *planning) proof(d *Diagnosis) []string {
	points := []string{}
	add := func(name string) {
		if !slices.Contains(points, name) && len(points) < 4 {
			points = append(points, name)
		}
	}
	for _, a := range d.Abnormal {
		if a.To == "" {
			add(a.At)
		}
	}
	if len(points) > 0 {
		return points
	}
	odd := append([]Comparison(nil), d.Readings...)
	sort.SliceStable(odd, func(a, b int) bool { return math.Abs(odd[a].Surprise) > math.Abs(odd[b].Surprise) })
	ground := p.Board.Nets[p.Board.Ground].Name
	for _, known := range []bool{true, false} { // without known good, what the circuit foretells
		for _, r := range odd {
			if r.To != "" || r.Net == ground || (r.Verdict != NoKnownGood) != known {
				continue
			}
			if len(points) > 0 && math.Abs(r.Surprise) < oddProof {
				break
			}
			add(r.At)
		}
		if len(points) > 0 {
			break
		}
	}
	return points
}

// alike names the suspects that no test on offer tells apart although they call
// for different remedies (ambiguity groups, IEEE Std 1522).
func (p *planning) alike(d *Diagnosis) {
	for _, g := range plan.AmbiguityGroups(&p.problem) {
		var names []string
		for _, h := range g {
			if p.hyps[h].weight >= leastSuspect*5 {
				names = append(names, p.hyps[h].name)
			}
		}
		if len(names) > 1 {
			d.Alike = append(d.Alike, names)
		}
	}
}
