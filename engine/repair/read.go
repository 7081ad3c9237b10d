package repair

import (
	"fmt"
	"slices"
	"strings"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// predict gives what each hypothesis predicts at a point of the board with
// edits.
func (p *planning) predict(w *network.Workspace, pt netlist.Point, pol references.Polarity, edits netlist.Edits, boards [][]network.Change) ([]diagnose.Predicted, error) {
	st := p.Stages[len(p.Stages)-1]
	st.Edits = edits
	o := p.Spotted(diagnose.Spot{At: pt, Polarity: pol}, st)
	return diagnose.PredictEach(p.Physics, w, &o, boards)
}

// measures adds a reading at each point, in both polarities, where it tells
// anything.
func (p *planning) measures(points []netlist.Point) error {
	var spots []diagnose.Spot
	for _, pt := range points {
		for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
			if pol == references.BlackOnGround && !p.Posterior.Covers(pol) {
				continue // it tells short and open alone, as the other polarity does for less
			}
			// where the first may have missed its point, reading it again is a remedy
			if n := p.timesRead(pt, pol); n == 0 || n < mostTimes && p.comes(pt) && !p.needs(againKey(p.Board.PointName(pt), pol), readAgain) {
				spots = append(spots, diagnose.Spot{At: pt, Polarity: pol})
			}
		}
	}
	shows := make([][]diagnose.Predicted, len(spots))
	boards, comes := p.boards(), slices.ContainsFunc(p.hyps, func(h hypothesis) bool { return h.comes })
	if comes {
		boards = append(boards, nil) // on which what comes and goes is not there
	}
	err := p.pool.Each(len(spots), func(w *network.Workspace, i int) (err error) {
		shows[i], err = p.predict(w, spots[i].At, spots[i].Polarity, p.Edits, boards)
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
		seconds := p.Costs.Measure
		if s.Polarity == references.BlackOnGround {
			seconds += p.Costs.SwapLeads
		}
		t := test{step: Step{Do: DoMeasure, At: p.Board.PointName(s.At), Polarity: s.Polarity.String(), Seconds: seconds, Times: p.timesRead(s.At, s.Polarity)}}
		t.seen = p.readings(shows[i], rows, n)
		p.addRows(t, rows, n, p.shielded(s.At))
	}
	return nil
}

// mostTimes is how often a point is read of a board as it lies where what is wrong
// comes and goes (common practice, no source).
const mostTimes = 3

// comes tells whether what a point reads comes and goes under a hypothesis.
func (p *planning) comes(pt netlist.Point) bool {
	return slices.ContainsFunc(p.hyps, func(h hypothesis) bool {
		return h.comes && slices.ContainsFunc(h.faults, func(f fault.Fault) bool {
			return slices.ContainsFunc(f.Moves, func(o int) bool { return p.Taken[p.TakenOf(o)].Read.At == pt })
		})
	})
}

// readings describes the outcomes of a reading: the mean of what its hypotheses
// predict.
func (p *planning) readings(shows []diagnose.Predicted, rows [][]float64, n int) []StepOutcome {
	seen := make([]StepOutcome, n)
	weight := make([]float64, n)
	for i, s := range shows {
		for k, share := range rows[i] {
			if share == 0 {
				continue
			}
			if s.Over {
				seen[k].Overload = true
				continue
			}
			if seen[k].Volts == nil {
				seen[k].Volts = new(float64)
			}
			w := share * p.hyps[i].weight / (s.Sigma * s.Sigma)
			weight[k] += w
			*seen[k].Volts += w * s.Volts
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
		for _, c := range p.Model.NetContacts(n) {
			t := p.Model.Terminal(network.Contact(c))
			if t.Part == netlist.None || in[t.Part] || p.Board.Parts[t.Part].Kind.Class() != netlist.Series {
				continue
			}
			in[t.Part] = true
			parts = append(parts, t.Part)
		}
	}
	parts = slices.DeleteFunc(parts, func(part netlist.PartID) bool {
		at := &p.Board.Parts[part]
		return network.Pinned(at.Kind) || p.Edits.Of(part).Removed || len(at.Terminals) > 4 || p.removedBefore(part) || p.mayStayOff(part)
	})
	parts = parts[:min(len(parts), mostRemovals)]
	pads, shows := make([][]netlist.Point, len(parts)), make([][][]diagnose.Predicted, len(parts))
	err := p.pool.Each(len(parts), func(w *network.Workspace, i int) error {
		pads[i] = p.pads(parts[i])
		for _, pad := range pads[i] {
			s, err := p.predict(w, pad, references.RedOnGround, p.Edits.Remove(parts[i]), p.boards())
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

// mayStayOff tells whether leaving a part off is a remedy, and the part parts nothing: off,
// it tells the same then as removed to see, and what is right is done.
func (p *planning) mayStayOff(part netlist.PartID) bool {
	at := &p.Board.Parts[part]
	return at.Kind.Class() != netlist.Series && p.needs(at.Name, leaveOff)
}

// removedBefore tells whether a part was off the board before, its pads were read, and
// the rest of the board has not changed since.
func (p *planning) removedBefore(part netlist.PartID) bool {
	return slices.ContainsFunc(p.Stages, func(st journal.Stage) bool {
		return st.Edits.Of(part).Removed && len(st.Readings) > 0 && st.Edits.But(part).Equal(p.Edits.But(part))
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
func (p *planning) remove(part netlist.PartID, pads []netlist.Point, shows [][]diagnose.Predicted) {
	at := &p.Board.Parts[part]
	rows, n := [][]float64(nil), 0
	for _, s := range shows {
		more, k := outcomes(s, diagnose.ApartSigmas)
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
	t.step.Seconds = p.Costs.Remove + float64(len(pads))*p.Costs.Measure + p.Costs.Reinstall
	setup := -1
	switch at.Access {
	case netlist.Shield:
		setup = openShield
	case netlist.Underfill:
		t.step.Seconds += p.Costs.Underfill
	}
	t.seen = make([]StepOutcome, n)
	for k := range t.seen {
		i := likeliest(rows, k, p.hyps)
		if i < 0 {
			continue
		}
		var words []string
		for j, pad := range pads {
			words = append(words, p.Board.PointName(pad)+" "+display(shows[j][i].Volts, shows[j][i].Over))
		}
		t.seen[k].Seen = strings.Join(words, ", ")
		if len(pads) == 1 {
			t.seen[k].Overload = shows[0][i].Over
			if !shows[0][i].Over {
				t.seen[k].Volts = diagnose.Number(shows[0][i].Volts)
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

// display writes a voltage as the meter shows it.
func display(volts float64, over bool) string {
	if over {
		return "OL"
	}
	return fmt.Sprintf("%.3f", volts)
}
