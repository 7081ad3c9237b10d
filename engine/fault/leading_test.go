package fault

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestLeading keeps the best of many sets, among equals the first, as sorting all of
// them does; and the weight of the others.
func TestLeading(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, tt := range []struct{ n, levels int }{{0, 1}, {3, 2}, {1000, 1}, {1000, 4}, {1000, 100_000}} {
		l := newLeading(7)
		var all []set
		total := math.Inf(-1)
		for i := range tt.n {
			st := set{members: [3]int{i, -1, -1}, score: float64(r.IntN(tt.levels)) / 100}
			all = append(all, st)
			total = addLogs(total, st.score)
			l.add(st)
		}
		l.cut()
		sort.SliceStable(all, func(a, b int) bool { return all[a].score > all[b].score })
		ids := func(list []set) (out []int) {
			for _, st := range list {
				out = append(out, st.members[0])
			}
			return out
		}
		if d := cmp.Diff(ids(all[:min(len(all), 7)]), ids(l.sets)); d != "" {
			t.Errorf("%+v (-want +got):\n%s", tt, d)
		}
		if got := l.total(); !(math.Abs(got-total) < 1e-9 || tt.n == 0 && math.IsInf(got, -1)) {
			t.Errorf("%+v: the weight of all is exp(%g), want exp(%g)", tt, got, total)
		}
	}
}
