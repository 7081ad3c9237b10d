package fault

import "math"

// The resistance of a fault is unknown, so the readings it would give are tabled over
// the logarithm of the resistance and interpolated: a reading is a smooth, monotone
// function of it. Steps are halved while their ends lie too far apart (see apart): by more
// than wideVolts where they are wider than wideStep, and by more than closeNodes standard
// deviations where the reading taken is passed, or graded times what it lies away.
const (
	widest     = 2.2  // decades of a step
	wideStep   = 0.55 // decades
	wideVolts  = 0.02 // V
	closeNodes = 6.0  // standard deviations
	graded     = 1.5
	leastStep  = 0.13 // decades of a step that is not halved any more
	silentStep = 1.1  // the same of a fault that no reading asks for
)

// grid is the range of resistances, as decimal logarithms, that a locus is tabled
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

// coarse gives the resistances that every entry has, as decimal logarithms: three or more.
func (g grid) coarse() (out []float64) {
	if g.empty() {
		return nil
	}
	n := max(int(math.Ceil((g.hi-g.lo)/widest)), 2)
	for k := range n {
		out = append(out, g.lo+(g.hi-g.lo)*float64(k)/float64(n))
	}
	return append(out, g.hi)
}
