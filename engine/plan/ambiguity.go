package plan

import (
	"math"
	"slices"
	"sort"
)

// AmbiguityGroups lists the hypotheses that no test on the list distinguishes
// although they call for different remedies (the ambiguity groups of IEEE Std
// 1522), as indices in rising order, the group with the lowest index first. Groups
// of one, and groups that one and the same remedy repairs, are left out, for there
// nothing is open; so are hypotheses of no weight. A malformed problem has none.
func AmbiguityGroups(p *Problem) [][]int {
	if p.check() != nil {
		return nil
	}
	var order []int
	for h := range p.Hypotheses {
		if p.Hypotheses[h].Weight > 0 {
			order = append(order, h)
		}
	}
	compare := func(a, b int) int {
		for t := range p.Tests {
			x, y := p.Tests[t].Likelihood[a], p.Tests[t].Likelihood[b]
			for o := range x {
				// Rounded, so that the order is one: equal within a step of the grid.
				i, j := math.Round(x[o]/matchedWithin), math.Round(y[o]/matchedWithin)
				switch {
				case i < j:
					return -1
				case i > j:
					return 1
				}
			}
		}
		return 0
	}
	sort.SliceStable(order, func(i, j int) bool { return compare(order[i], order[j]) < 0 })
	var groups [][]int
	for i := 0; i < len(order); {
		k := i + 1
		open := false
		for ; k < len(order) && compare(order[i], order[k]) == 0; k++ {
			open = open || !sameNeeds(p.Hypotheses[order[i]].Needs, p.Hypotheses[order[k]].Needs)
		}
		if open {
			group := slices.Clone(order[i:k])
			slices.Sort(group)
			groups = append(groups, group)
		}
		i = k
	}
	sort.Slice(groups, func(i, j int) bool { return groups[i][0] < groups[j][0] })
	return groups
}

// sameNeeds tells that two lists hold the same remedies.
func sameNeeds(a, b []int) bool {
	for _, x := range a {
		if !slices.Contains(b, x) {
			return false
		}
	}
	for _, x := range b {
		if !slices.Contains(a, x) {
			return false
		}
	}
	return true
}
