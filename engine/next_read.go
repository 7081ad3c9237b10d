package engine

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

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
		if best := p.easiestOn(n, joint); best != nil {
			add(*best)
		}
	}
	return out
}

func (p *planning) touchable(pt netlist.Point) bool { return !math.IsInf(p.touchCost(pt), 1) }

// easiestOn gives the point of a net that a probe reaches best, but for some by name; nil
// where none is left.
func (p *planning) easiestOn(n netlist.NetID, but map[string]bool) *netlist.Point {
	var best *netlist.Point
	for _, pt := range p.Board.PointsOn(n) {
		if p.touchable(pt) && !but[p.Board.PointName(pt)] && (best == nil || p.touchCost(pt) < p.touchCost(*best)) {
			best = &pt
		}
	}
	return best
}

// touchCost orders the points of a net by how easily a probe reaches them:
// connector pins and test pads first, then terminals in the open, then those
// under a shield. Balls under an IC and parts underfilled cannot be touched.
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

// shown is what one hypothesis predicts at one point.
type shown struct {
	volts, sigma float64
	over         bool
}

// predict gives what each hypothesis predicts at a point of the board with
// edits.
func (p *planning) predict(w *network.Workspace, pt netlist.Point, pol references.Polarity, edits netlist.Edits, boards [][]network.Change) ([]shown, error) {
	st := p.stages[len(p.stages)-1]
	st.Edits = edits
	o := p.spotted(Spot{pt, pol}, st)
	return showing(p.ph, w, &o, boards)
}

// boards gives what is changed on the board of each hypothesis.
func (p *planning) boards() [][]network.Change {
	out := make([][]network.Change, len(p.hyps))
	for i := range p.hyps {
		out[i] = p.hyps[i].changes
	}
	return out
}

// showing gives what an observation shows on each of several boards.
func showing(ph *fault.Physics, w *network.Workspace, o *fault.Observation, boards [][]network.Change) ([]shown, error) {
	told, err := ph.PredictBoards(w, o, boards)
	if err != nil {
		return nil, err
	}
	out := make([]shown, len(told))
	for i, pr := range told {
		out[i] = shown{pr.Volts, math.Hypot(pr.SD(), o.Noise.Own), pr.Volts > o.Probe.Meter.Over}
	}
	return out, nil
}

// wideVolts is the standard deviation in volts from which a prediction is too
// vague to make an outcome of its own.
const wideVolts = 0.015

// softSigmas is the distance in standard deviations from which a reading tells something
// between two predictions, if not for certain (common practice, no source).
const softSigmas = 1.5

// outcomes cuts what a reading may show into outcomes, and gives the probability of each
// under each hypothesis. The sharp predictions make them, and vague ones that lie apart
// from all sharp ones: sorted by voltage, a new outcome begins where one lies further than
// apart standard deviations from the first of the last outcome; OL is one more. Each
// hypothesis is spread over them by its normal distribution, cut half way between.
func outcomes(shows []shown, apart float64) (rows [][]float64, n int) {
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
	var cuts []float64 // between outcomes, rising
	first := 0
	for k, i := range order {
		if a, b := shows[order[first]], shows[i]; b.volts-a.volts > apart*math.Hypot(a.sigma, b.sigma) {
			a = shows[order[k-1]]
			cuts = append(cuts, (a.volts*b.sigma+b.volts*a.sigma)/(a.sigma+b.sigma))
			first = k
		}
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
		if s.over {
			rows[i][last] = 1
			continue
		}
		from := 0.0
		for k := range last {
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
	return rows, n
}

// toldApart sorts predictions into groups that a reading distinguishes, vague ones
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

// vagueShare is the probability below which an outcome of a hypothesis is left out of
// the plan.
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
			if pol == references.BlackOnGround && !p.posterior.Covers(pol) {
				continue // it tells short and open alone, as the other polarity does for less
			}
			if n := p.timesRead(pt, pol); n == 0 || n < mostTimes && p.comes(pt) {
				spots = append(spots, Spot{pt, pol})
			}
		}
	}
	shows := make([][]shown, len(spots))
	boards, comes := p.boards(), slices.ContainsFunc(p.hyps, func(h hypothesis) bool { return h.comes })
	if comes {
		boards = append(boards, nil) // on which what comes and goes is not there
	}
	err := p.pool.Each(len(spots), func(w *network.Workspace, i int) (err error) {
		shows[i], err = p.predict(w, spots[i].At, spots[i].Polarity, p.edits, boards)
		return err
	})
	if err != nil {
		return err
	}
	for i, s := range spots {
		rows, n := outcomes(shows[i], softSigmas)
		if n < 2 {
			continue
		}
		if comes {
			last := len(p.hyps)
			for h := range p.hyps {
				for k := range rows[h] {
					if p.hyps[h].comes {
						rows[h][k] += fault.NotThere * (rows[last][k] - rows[h][k])
					}
				}
			}
			shows[i], rows = shows[i][:last], rows[:last]
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
	return p.timesRead(pt, pol) > 0
}

// mostTimes is how often a point is read of a board as it lies where what is wrong
// comes and goes (common practice, no source).
const mostTimes = 3

// timesRead counts the readings of a point in a polarity with the board as it lies.
func (p *planning) timesRead(pt netlist.Point, pol references.Polarity) (n int) {
	name := p.Board.PointName(pt)
	for i := range p.taken {
		if t := &p.taken[i]; t.read.To == nil && t.read.Polarity == pol && t.edits.Equal(p.edits) && p.Board.PointName(t.read.At) == name {
			n++
		}
	}
	return n
}

// comes tells whether what a point reads comes and goes under a hypothesis.
func (p *planning) comes(pt netlist.Point) bool {
	return slices.ContainsFunc(p.hyps, func(h hypothesis) bool {
		return h.comes && slices.ContainsFunc(h.faults, func(f fault.Fault) bool {
			return slices.ContainsFunc(f.Moves, func(o int) bool { return p.taken[p.takenOf(o)].read.At == pt })
		})
	})
}

// readings describes the outcomes of a reading: the mean of what its hypotheses
// predict.
func (p *planning) readings(shows []shown, rows [][]float64, n int) []StepOutcome {
	seen := make([]StepOutcome, n)
	weight := make([]float64, n)
	for i, s := range shows {
		for k, share := range rows[i] {
			if share == 0 {
				continue
			}
			if s.over {
				seen[k].Overload = true
				continue
			}
			if seen[k].Volts == nil {
				seen[k].Volts = new(float64)
			}
			w := share * p.hyps[i].weight / (s.sigma * s.sigma)
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

// removes adds taking a two-terminal part off and reading both its pads: blamed
// parts, and series parts between nets within reach.
func (p *planning) removes() error {
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
		return network.Pinned(at.Kind) || p.edits.Of(part).Removed || len(at.Terminals) > 4 || p.removedBefore(part)
	})
	parts = parts[:min(len(parts), mostRemovals)]
	pads, shows := make([][]netlist.Point, len(parts)), make([][][]shown, len(parts))
	err := p.pool.Each(len(parts), func(w *network.Workspace, i int) error {
		pads[i] = p.pads(parts[i])
		for _, pad := range pads[i] {
			s, err := p.predict(w, pad, references.RedOnGround, p.edits.Remove(parts[i]), p.boards())
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
		p.remove(part, pads[i], shows[i])
	}
	return nil
}

// removedBefore tells whether a part was off the board before, its pads were read, and
// the rest of the board has not changed since.
func (p *planning) removedBefore(part netlist.PartID) bool {
	return slices.ContainsFunc(p.stages, func(st journal.Stage) bool {
		return st.Edits.Of(part).Removed && len(st.Readings) > 0 && st.Edits.But(part).Equal(p.edits.But(part))
	})
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

// remove adds taking a part off, with what is predicted at its pads.
func (p *planning) remove(part netlist.PartID, pads []netlist.Point, shows [][]shown) {
	at := &p.Board.Parts[part]
	rows, n := [][]float64(nil), 0
	for _, s := range shows {
		more, k := outcomes(s, apartSigmas)
		if rows, n = cross(rows, n, more, k); n > mostOutcomes {
			return
		}
	}
	if n < 2 {
		return
	}
	t := test{step: Step{Do: DoRemove, Part: at.Name, Polarity: references.RedOnGround.String(), Then: []string{}}}
	for _, pad := range pads {
		t.step.Then = append(t.step.Then, p.Board.PointName(pad))
	}
	t.step.Seconds = p.costs.Remove + float64(len(pads))*p.costs.Measure + p.costs.Reinstall
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

// mostOutcomes bounds the outcomes of a remove.
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
