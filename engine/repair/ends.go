package repair

import (
	"math"
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Resistances of both ends of a part are worth comparing where they are low (common
// practice, no source).
const (
	endsOhms  = 30.0 // ohm to ground; of more, the meter's own error hides what a part adds
	endsLeast = 0.2  // ohm that a part has to have
	endsClear = 0.15 // ohm, the difference from which one end is called lower
	endsTried = 24   // at most so many comparisons are worked out
	endsParts = 8    // and so many that tell something on offer
)

// Results of comparing two ends.
const (
	firstLower = iota
	secondLower
	endsAlike
	endsHigh
	endResults
)

// ends adds comparing the resistances to ground at both ends of a series part. A short
// of less resistance than diode mode shows in millivolts, such as that of one among
// many capacitors, lies on the side that reads lower; what the leads add is the same
// on both.
func (p *planning) ends() error {
	type both struct {
		part netlist.PartID
		at   [2]netlist.Point
		rows [][]float64
	}
	var found []both
	in := map[netlist.PartID]bool{}
	for _, n := range p.reach() {
		p.Model.Neighbours(n, func(e int32, _ netlist.NetID) {
			x := both{part: p.Model.Elements[e].Part}
			at, ohms := &p.Board.Parts[x.part], p.Physics.Values.Ohms[e]
			if in[x.part] || ohms < endsLeast || ohms > endsOhms || at.Kind.Class() != netlist.Series || len(at.Terminals) != 2 ||
				p.Edits.Of(x.part).Removed || p.Edits.Of(x.part).Jumpered || len(found) == endsTried {
				return
			}
			in[x.part] = true
			for t := range x.at {
				x.at[t] = p.easiest(netlist.TerminalRef{Part: x.part, Terminal: int32(t)})
			}
			if p.Touchable(x.at[0]) && p.Touchable(x.at[1]) && !(p.ohmsRead(x.at[0]) && p.ohmsRead(x.at[1])) {
				found = append(found, x)
			}
		})
	}
	err := p.pool.Each(len(found), func(w *network.Workspace, i int) (err error) {
		found[i].rows, err = p.compareEnds(w, found[i].at)
		return err
	})
	if err != nil {
		return err
	}
	found = slices.DeleteFunc(found, func(x both) bool { return !setApart(x.rows) })
	for _, x := range found[:min(len(found), endsParts)] {
		seconds := p.Costs.SwapLeads // turning the meter's dial takes as long
		for _, pt := range x.at {
			if !p.ohmsRead(pt) {
				seconds += p.Costs.Measure
			}
		}
		a, b := p.Board.PointName(x.at[0]), p.Board.PointName(x.at[1])
		t := test{
			step: Step{Do: DoEnds, Part: p.Board.Parts[x.part].Name, At: a, Then: []string{b}, Polarity: references.RedOnGround.String(), Seconds: seconds},
			seen: []StepOutcome{firstLower: {Seen: a + " reads lower"}, secondLower: {Seen: b + " reads lower"}, endsAlike: {Seen: "both alike"}, endsHigh: {Seen: "both high"}},
		}
		p.addRows(t, x.rows, endResults, max(p.shielded(x.at[0]), p.shielded(x.at[1])))
	}
	return nil
}

// easiest gives the point at a terminal that a probe reaches best: the terminal or
// anything on its net, which a resistance of copper does not set apart.
func (p *planning) easiest(t netlist.TerminalRef) netlist.Point {
	best := p.Board.TerminalPoint(t)
	for _, pt := range p.Board.PointsOn(best.Net) {
		if p.TouchCost(pt) < p.TouchCost(best) {
			best = pt
		}
	}
	return best
}

// ohmsRead tells whether the resistance to ground of a point's net was read, red probe
// on ground, of the board as it lies.
func (p *planning) ohmsRead(pt netlist.Point) bool {
	for i := range p.Taken {
		if t := &p.Taken[i]; t.Ohmic() && t.Read.Polarity == references.RedOnGround && t.Read.At.Net == pt.Net && t.Edits.Equal(p.Edits) {
			return true
		}
	}
	return false
}

// compareEnds gives the chance of each result under each hypothesis.
func (p *planning) compareEnds(w *network.Workspace, at [2]netlist.Point) ([][]float64, error) {
	drive := diagnose.OhmsDrive(p.Stages[len(p.Stages)-1].Meter)
	ohms := make([][2]float64, len(p.hyps))
	for t, pt := range at {
		o := fault.Observation{Edits: p.Edits, Spot: fit.SpotOf(p.Model, pt, references.RedOnGround), Probe: p.Probe(pt, nil, references.RedOnGround, drive), Noise: fault.Noise{Own: diagnose.LeastNoise}}
		boards, err := p.Physics.PredictBoards(w, &o, p.boards())
		if err != nil {
			return nil, err
		}
		for i, pr := range boards {
			ohms[i][t] = diagnose.VoltsToOhms(drive, pr.Volts)
		}
	}
	rows := make([][]float64, len(p.hyps))
	for i, r := range ohms {
		rows[i] = make([]float64, endResults)
		if math.Min(r[0], r[1]) > endsOhms {
			rows[i][endsHigh] = 1
			continue
		}
		// each side of the difference has its contact, and its share of the model's error
		sd := math.Hypot(math.Sqrt2*diagnose.ContactOhms, diagnose.ModelOhms*math.Min(r[0], r[1]))
		rows[i][firstLower] = normalBelow(-endsClear, r[0]-r[1], sd)
		rows[i][secondLower] = 1 - normalBelow(endsClear, r[0]-r[1], sd)
		rows[i][endsAlike] = 1 - rows[i][firstLower] - rows[i][secondLower]
		for k := range rows[i] {
			if rows[i][k] < vagueShare {
				rows[i][k] = 0
			}
		}
		normalise(rows[i])
	}
	return rows, nil
}

// endsApart is the difference in the chance of a result that sets hypotheses apart.
const endsApart = 0.3

// setApart tells whether a result is likelier by endsApart under one hypothesis of low
// resistance than under another.
func setApart(rows [][]float64) bool {
	least, most := [endResults]float64{1, 1, 1, 1}, [endResults]float64{}
	for _, row := range rows {
		if row[endsHigh] > 0 {
			continue
		}
		for k, x := range row {
			least[k], most[k] = math.Min(least[k], x), math.Max(most[k], x)
		}
	}
	for k := range most {
		if most[k]-least[k] > endsApart {
			return true
		}
	}
	return false
}
