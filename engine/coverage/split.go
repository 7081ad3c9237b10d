package coverage

import (
	"math"
	"slices"
	"sort"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// splitter is an inner point and what its reading makes of one group.
type splitter struct {
	group int
	at    netlist.Point
	of    []int // by band of the cluster: its subgroup
	left  float64
}

// doubtLeft is how much doubt about the place of a fault is left in a group that
// fell apart into subgroups: the chance that a member, picked by its odds, and
// another one picked from the same subgroup are in different places,
//
//	sum over subgroups of P(s) * (1 - sum over places of P(place | s)^2)
//
// (common practice, no source). Modes of one place need not be distinguished.
func (r *reaching) doubtLeft(g *cluster, of []int) float64 {
	type in struct {
		sub   int
		place string
	}
	weight := map[in]float64{}
	var order []in // so that sums come out the same each time
	subs := make(map[int]float64)
	total := 0.0
	for i, b := range g.bands {
		for _, f := range b.faults {
			k := in{of[i], r.places[f]}
			if _, ok := weight[k]; !ok {
				order = append(order, k)
			}
			weight[k] += r.odds[f]
			subs[of[i]] += r.odds[f]
			total += r.odds[f]
		}
	}
	sure := 0.0
	for _, k := range order {
		sure += weight[k] * weight[k] / subs[k.sub]
	}
	return 1 - sure/total
}

// split finds for each group of several places the inner points that tell its
// members apart. Members that stand in the same circuit, as parts in parallel do,
// no point distinguishes.
func (r *reaching) split(groups []*cluster) error {
	founds := make([][]splitter, len(groups))
	err := r.pool.Each(len(groups), func(w *network.Workspace, n int) error {
		g := groups[n]
		if len(r.out.Groups[n].Places) < 2 || len(g.bands) < 2 {
			return nil
		}
		g.bands = g.bands[:min(len(g.bands), splitBands)]
		whole := r.doubtLeft(g, make([]int, len(g.bands)))
		var splits []Split
		for _, pt := range r.inner(g) {
			shows, err := r.shows(w, pt, g)
			if err != nil {
				return err
			}
			of, count := distinguished(shows)
			left := r.doubtLeft(g, of)
			if count < 2 || whole-left < leastDoubt {
				continue
			}
			x := Split{At: r.Board.PointName(pt), Subgroups: make([]Subgroup, count)}
			for i, b := range g.bands {
				sub := &x.Subgroups[of[i]]
				if len(sub.Members) == 0 {
					sub.Volts, sub.Overload = diagnose.Level(shows[i].Volts, r.sights[usual].obs[0].Probe.Meter)
				}
				for _, k := range b.faults {
					sub.Members = append(sub.Members, r.out.Faults[k].name())
				}
			}
			splits = append(splits, x)
			founds[n] = append(founds[n], splitter{n, pt, of, left})
		}
		// points come easiest to touch first, which decides between equals
		order := make([]int, len(splits))
		for i := range order {
			order[i] = i
		}
		sort.SliceStable(order, func(i, j int) bool { return founds[n][order[i]].left < founds[n][order[j]].left-1e-9 })
		for _, i := range order[:min(len(order), listedSplits)] {
			r.out.Groups[n].Points = append(r.out.Groups[n].Points, splits[i])
		}
		return nil
	})
	if err != nil {
		return err
	}
	r.choose(groups, founds)
	return nil
}

// choose lists the points that split the groups best, one after the other: each
// is the one that gains most over those before it, and the gain is the sum over
// groups of the group's share times what doubtLeft falls by.
func (r *reaching) choose(groups []*cluster, founds [][]splitter) {
	byName := map[string][]*splitter{}
	var names []string
	labels := make([][]int, len(groups)) // subgroups by the points chosen so far
	lefts := make([]float64, len(groups))
	for n, g := range groups {
		labels[n] = make([]int, len(g.bands))
		lefts[n] = r.doubtLeft(g, labels[n])
		for i := range founds[n] {
			name := r.Board.PointName(founds[n][i].at)
			if byName[name] == nil {
				names = append(names, name)
			}
			byName[name] = append(byName[name], &founds[n][i])
		}
	}
	refined := func(x *splitter) []int {
		of := make([]int, len(x.of))
		for i := range of {
			of[i] = labels[x.group][i]*(splitBands+1) + x.of[i]
		}
		return of
	}
	for len(r.out.Points) < listedPoints {
		var best Point
		for _, name := range names {
			p := Point{At: name}
			for _, x := range byName[name] {
				if gain := r.out.Groups[x.group].Share * (lefts[x.group] - r.doubtLeft(groups[x.group], refined(x))); gain > leastGain/10 {
					p.Gain += gain
					p.Splits++
				}
			}
			if p.Gain > best.Gain+1e-9 {
				best = p
			}
		}
		if best.Gain < leastGain {
			return
		}
		for _, x := range byName[best.At] {
			best.Net = r.Board.Nets[x.at.Net].Name
			of := refined(x)
			lefts[x.group] = r.doubtLeft(groups[x.group], of)
			labels[x.group] = renumbered(of)
		}
		r.out.Points = append(r.out.Points, best)
	}
}

// renumbered numbers labels from 0 in the order in which they come.
func renumbered(of []int) []int {
	number := map[int]int{}
	out := make([]int, len(of))
	for i, x := range of {
		n, ok := number[x]
		if !ok {
			n = len(number)
			number[x] = n
		}
		out[i] = n
	}
	return out
}

// inner lists points off the connectors that a probe can land on and where
// members of a group could differ: on their nets and one series element further,
// and on both sides of every break, the easiest to touch first.
func (r *reaching) inner(g *cluster) []netlist.Point {
	var nets []netlist.NetID
	net := func(n netlist.NetID) {
		if n != netlist.None && n != r.Board.Ground && !slices.Contains(nets, n) {
			nets = append(nets, n)
		}
	}
	var out []netlist.Point
	have := map[string]bool{}
	add := func(pt netlist.Point) {
		if name := r.Board.PointName(pt); pt.Kind != netlist.PointPin && !have[name] && r.Touchable(pt) {
			have[name] = true
			out = append(out, pt)
		}
	}
	for _, b := range g.bands {
		c := &b.cause.locus.Change
		for _, n := range r.Model.Nets(c) {
			net(n)
		}
		if c.Kind == network.Split {
			add(r.Board.Nets[c.Net].Along[c.After])
			add(r.Board.Nets[c.Net].Along[c.After+1])
		}
		if c.Kind == network.Detach {
			add(r.Model.PointOf(c.Contact))
		}
	}
	for _, n := range nets[:len(nets):len(nets)] {
		r.Model.Neighbours(n, func(_ int32, other netlist.NetID) { net(other) })
	}
	for _, n := range nets {
		best, cost := netlist.Point{}, math.Inf(1)
		for _, pt := range r.Board.PointsOn(n) {
			if c := r.TouchCost(pt); pt.Kind != netlist.PointPin && c < cost {
				best, cost = pt, c
			}
		}
		if !math.IsInf(cost, 1) {
			add(best)
		}
	}
	out = out[:min(len(out), splitPoints)]
	sort.SliceStable(out, func(i, j int) bool { return r.TouchCost(out[i]) < r.TouchCost(out[j]) })
	return out
}

// shows gives what each member of a group predicts at an inner point, at the
// resistance that makes the sweep read alike. What good boards read there is
// predicted by the estimated circuit unless it was read; reading it on good boards
// only sharpens the split.
func (r *reaching) shows(w *network.Workspace, pt netlist.Point, g *cluster) ([]diagnose.Predicted, error) {
	s := &r.sights[usual]
	o := fault.Observation{Spot: fit.SpotOf(r.Model, pt, references.RedOnGround), Probe: r.Probe(pt, nil, references.RedOnGround, s.obs[0].Probe.Meter)}
	o.Known = r.Known(o.Spot)
	o.Noise = fault.MeterNoise(s.meter)
	boards := make([][]network.Change, len(g.bands))
	for i, b := range g.bands {
		boards[i] = []network.Change{b.cause.locus.At(g.ohms[i])}
	}
	return diagnose.PredictEach(s.ph, w, &o, boards)
}

// distinguished sorts predictions into groups that a reading distinguishes, vague ones
// like the others.
func distinguished(shows []diagnose.Predicted) (of []int, n int) {
	order := make([]int, len(shows))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool {
		x, y := shows[order[a]], shows[order[b]]
		if x.Over != y.Over {
			return y.Over
		}
		return !x.Over && x.Volts < y.Volts
	})
	of = make([]int, len(shows))
	for k, i := range order {
		if k > 0 {
			a, b := shows[order[k-1]], shows[i]
			if a.Over != b.Over || !b.Over && b.Volts-a.Volts > diagnose.ApartSigmas*math.Hypot(a.Sigma, b.Sigma) {
				n++
			}
		}
		of[i] = n
	}
	return of, n + 1
}
