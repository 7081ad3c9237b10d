package repair

import (
	"math"
	"slices"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// looks adds a look at each blamed part that has not been looked at.
func (p *planning) looks() {
	bad := 1 - p.Priors.BadLook[journal.Clean.String()]
	good := 1 - p.Priors.OKLook[journal.Clean.String()]
	under := map[netlist.NetID]int{} // by net: the setup of putting the board under the microscope there
	for n, part := range p.blamed() {
		if n >= mostLooks {
			return
		}
		at := &p.Board.Parts[part]
		if _, looked := p.Evidence.Looks[part]; looked || at.Access == netlist.Underfill || p.Edits.Of(part).Removed || network.Pinned(at.Kind) {
			continue
		}
		seconds, setup := p.lookSeconds(part), -1
		if at.Access == netlist.Shield {
			setup = openShield
		} else if line := slices.IndexFunc(at.Terminals, func(t netlist.Terminal) bool { return t.Net != netlist.None && t.Net != p.Board.Ground }); line >= 0 && seconds > p.Costs.LookNext { // the next on that net takes less
			net := at.Terminals[line].Net
			if _, ok := under[net]; !ok {
				under[net] = len(p.problem.Setups)
				p.problem.Setups = append(p.problem.Setups, p.Costs.Look-p.Costs.LookNext)
			}
			setup = under[net]
		}
		rows := make([][]float64, len(p.hyps))
		for i := range p.hyps {
			marks := good
			if p.hyps[i].blames(part) {
				marks = bad
			}
			rows[i] = []float64{marks, 1 - marks}
		}
		t := test{step: Step{Do: DoInspect, Part: at.Name, Seconds: seconds}}
		t.seen = []StepOutcome{{Seen: "burnt, corroded or cracked"}, {Seen: "clean"}}
		p.addRows(t, rows, 2, setup)
	}
}

// lookSeconds gives the seconds that inspecting a part takes: less while the board lies under
// the microscope there.
func (p *planning) lookSeconds(part netlist.PartID) float64 {
	if events := p.Case.Events; len(events) > 0 && events[len(events)-1].Inspected(p.Board, part) {
		return p.Costs.LookNext
	}
	return p.Costs.Look
}

// along is the step of looking along a net for what is not drawn.
func (p *planning) along(net, why string) Step {
	return Step{Do: DoInspect, At: net, Seconds: p.Costs.Along, Why: why}
}

// injections adds current into shorted rails.
func (p *planning) injections() {
	blamed := p.blamed()
	for n := range p.Board.Nets {
		net := &p.Board.Nets[n]
		if !net.Rail || net.Boosted || math.IsNaN(net.RailVolts) {
			continue
		}
		in := fault.Feed(p.Model, p.Physics.Values, netlist.NetID(n), p.Edits)
		in.Sight = p.sight()
		var parts []netlist.PartID
		for _, part := range blamed {
			if slices.ContainsFunc(p.Evidence.Injections, func(x fault.Injection) bool {
				_, seen := x.Warm[part]
				_, fed := x.Fed[netlist.NetID(n)]
				return seen && fed
			}) {
				continue // it would show the same again
			}
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
		t := test{step: Step{Do: DoInject, At: net.Name, Seconds: p.Costs.Inject}}
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

// sight is how this bench sees warmth: as the last time.
func (p *planning) sight() fault.Sight {
	if n := len(p.Evidence.Injections); n > 0 {
		return p.Evidence.Injections[n-1].Sight
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
	return p.Priors.WarmShare(watts, in.Sight)
}

// Conditions of injecting current (common practice, no source): a rail of known
// voltage that is not boosted, and several parts with a fair chance to be found warm.
const (
	injectParts = 3
	fairWarm    = 0.1
)
