package fault

import "math"

// The resistance of a fault is unknown, so the readings it would give are
// tabled over the logarithm of the resistance and interpolated: a reading is a
// smooth, monotone function of it.
const nodesPerDecade = 2

// grid is the set of resistances, as decimal logarithms, that a locus is tabled
// and integrated over.
type grid struct{ lo, hi float64 }

func gridOf(l *Locus) (g grid, open bool) {
	g = grid{math.Inf(1), math.Inf(-1)}
	for _, r := range l.Modes {
		if math.IsInf(r.Lo, 1) {
			open = true
			continue
		}
		g.lo = math.Min(g.lo, math.Log10(r.Lo))
		g.hi = math.Max(g.hi, math.Log10(r.Hi))
	}
	return g, open
}

func (g grid) empty() bool { return g.hi <= g.lo }

func (g grid) count(perDecade float64) int {
	if g.empty() {
		return 0
	}
	return int(math.Ceil((g.hi-g.lo)*perDecade)) + 1
}

func (g grid) value(k, n int) float64 { return g.lo + (g.hi-g.lo)*float64(k)/float64(n-1) }
