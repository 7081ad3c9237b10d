package outside

import (
	"fmt"
	"math"
	"math/rand/v2"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
)

// Posterior gives how likely each of some single faults is that explains readings of
// all probes, NaN for OL. Only their ratios count.
type Posterior func(p *Problem, readings []float64, faults []Hypothesis) ([]float64, error)

// Hypothesis is one place and mode, its resistance even over the logarithm of the
// mode's range; Mode.Odds is its weight before any reading.
type Hypothesis struct {
	Locus fault.Locus
	Mode  fault.ModeRange
}

// Hypotheses lists every single fault of the board.
func (p *Problem) Hypotheses() []Hypothesis {
	var out []Hypothesis
	for _, l := range p.Loci() {
		for _, m := range l.Modes {
			if m.Odds > 0 {
				out = append(out, Hypothesis{l, m})
			}
		}
	}
	return out
}

// at gives the fault with the resistance a share r of the way through the range.
func (h *Hypothesis) at(r float64) *practice.Fault {
	f := &practice.Fault{Locus: h.Locus, Mode: h.Mode.Mode, Ohms: math.Inf(1)}
	if h.ranged() {
		f.Ohms = h.Mode.Lo * math.Pow(h.Mode.Hi/h.Mode.Lo, r)
	}
	return f
}

func (h *Hypothesis) ranged() bool { return !math.IsInf(h.Mode.Lo, 1) }

// Name is the place, as practice.Place writes it, and the mode.
func (h *Hypothesis) Name(m *network.Model) string {
	return practice.Place(m, &h.Locus) + "\t" + h.Mode.Mode.String()
}

// Settings of the sampling. They change how long it takes and not what it finds.
const (
	enough    = 5000   // effective samples
	mostDraws = 400000 // before it is given up
	nodes     = 12     // places in the range of a resistance that a search begins at
	rounds    = 4      // of that search
	freedom   = 20.0   // degrees of freedom of the proposals
	tempering = 0.7    // of the weights of proposals
	least     = 0.01   // weight of each, as a share
	differs   = 0.05   // standard deviations, of a difference quotient
)

// Evidence is the probability density of readings under a hypothesis, integrated over
// the stated prior of the board and the range of the resistance. Nothing in it is
// linearised: samples of board and resistance are drawn from a mixture of Student
// distributions around the likeliest ones and weighted by prior times likelihood over
// the density that they were drawn with (importance sampling). Effective is the
// effective number of samples, (sum of weights)^2 / sum of squares.
func (p *Problem) Evidence(h *Hypothesis, readings []float64, r *rand.Rand) (log, effective float64, err error) {
	s, err := p.sampler(h, readings)
	if err != nil {
		return 0, 0, err
	}
	return s.evidence(r)
}

func (p *Problem) sampler(h *Hypothesis, readings []float64) (*sampler, error) {
	s := &sampler{p: p, h: h, y: readings, active: p.active()}
	return s, s.propose()
}

// about is roughly the logarithm of the evidence: the best of the proposals, each as
// if all were linear around it.
func (s *sampler) about() float64 {
	best := math.Inf(-1)
	for i := range s.parts {
		best = math.Max(best, s.parts[i].log)
	}
	return best
}

func (s *sampler) evidence(r *rand.Rand) (log, effective float64, err error) {
	// Weights are summed with a common factor taken out, which grows as need be.
	var sum, squares float64
	top := math.Inf(-1)
	n := 0
	for n < mostDraws && !(n >= 2*enough && sum*sum/squares >= enough) {
		x := s.draw(r)
		w, err := s.target(x)
		if err != nil {
			return 0, 0, err
		}
		n++
		if w -= s.density(x); math.IsInf(w, -1) {
			continue
		}
		if w > top {
			k := math.Exp(top - w)
			sum, squares, top = sum*k, squares*k*k, w
		}
		e := math.Exp(w - top)
		sum, squares = sum+e, squares+e*e
	}
	if sum == 0 {
		return math.Inf(-1), 0, nil
	}
	return top + math.Log(sum/float64(n)), sum * sum / squares, nil
}

// active lists the unknowns that are any: a resistor has no drop.
func (p *Problem) active() []int {
	var out []int
	n := 3 * len(p.Model.Elements)
	for e := range p.Model.Elements {
		switch {
		case p.Model.Elements[e].Class == network.Resistive:
			out = append(out, 3*e)
		case !math.IsInf(p.Mean.Junctions[e].Drop, 1):
			out = append(out, 3*e, 3*e+1, 3*e+2)
		}
	}
	for k := n; k < p.Unknowns(); k++ {
		out = append(out, k)
	}
	return out
}

// sampler draws points: the active unknowns and, last, the place of a resistance in
// its range.
type sampler struct {
	p      *Problem
	h      *Hypothesis
	y      []float64
	active []int
	parts  []part
}

// part is one Student distribution of the mixture.
type part struct {
	mean   []float64
	factor [][]float64 // L of the precision L L'
	logDet float64     // of L
	log    float64     // about what it adds to the evidence
	weight float64
}

func (s *sampler) dims() int {
	if s.h.ranged() {
		return len(s.active) + 1
	}
	return len(s.active)
}

// predict gives what the meter shows without noise.
func (s *sampler) predict(x []float64) ([]float64, error) {
	u := make([]float64, s.p.Unknowns())
	for i, k := range s.active {
		u[k] = x[i]
	}
	r := 0.0
	if s.h.ranged() {
		r = math.Min(math.Max(x[len(x)-1], -0.2), 1.2)
	}
	volts, err := s.p.Volts(s.p.Values(u), s.h.at(r))
	return s.p.Shown(u, volts), err
}

// likelihood is the logarithm of the density of the readings.
func (s *sampler) likelihood(f []float64) float64 {
	sd := s.p.SD.Noise
	log := 0.0
	for i, y := range s.y {
		if math.IsNaN(y) {
			log += math.Log(math.Max(normalLevel((f[i]-s.p.Meter.Over)/sd), 1e-300))
			continue
		}
		z := (y - f[i]) / sd
		log -= z*z/2 + math.Log(sd*math.Sqrt(2*math.Pi))
	}
	return log
}

func normalLevel(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// target is the logarithm of prior times likelihood.
func (s *sampler) target(x []float64) (float64, error) {
	log := 0.0
	if s.h.ranged() {
		if r := x[len(x)-1]; r < 0 || r > 1 {
			return math.Inf(-1), nil
		}
	}
	for i := range s.active {
		log -= x[i]*x[i]/2 + math.Log(2*math.Pi)/2
	}
	f, err := s.predict(x)
	return log + s.likelihood(f), err
}

// propose finds the likeliest points, one from each node of the range, by
// Gauss-Newton, and the curvature there.
func (s *sampler) propose() error {
	starts := []float64{0}
	if s.h.ranged() {
		starts = starts[:0]
		for k := range nodes {
			starts = append(starts, (float64(k)+0.5)/nodes)
		}
	}
	d := s.dims()
	for _, start := range starts {
		// Around its start a resistance is held by a normal of a node's width, so
		// that one that does not matter stays.
		scale := make([]float64, d)
		centre := make([]float64, d)
		for i := range scale {
			scale[i] = 1
		}
		if s.h.ranged() {
			scale[d-1], centre[d-1] = 1.0/nodes, start
		}
		x := append([]float64(nil), centre...)
		var slopes [][]float64 // by reading that counts, in units of noise
		var f []float64
		var err error
		for range rounds {
			if f, err = s.predict(x); err != nil {
				return err
			}
			if slopes, err = s.slopes(x, f); err != nil {
				return err
			}
			// x = centre + C J' (J C J' + 1)^-1 (residual + J (x - centre))
			n := len(slopes)
			m, v := make([][]float64, n), make([]float64, n)
			k := 0
			for i, y := range s.y {
				if math.IsNaN(y) {
					continue
				}
				v[k] = (y - f[i]) / s.p.SD.Noise
				for j := range x {
					v[k] += slopes[k][j] * (x[j] - centre[j])
				}
				k++
			}
			for a := range slopes {
				m[a] = make([]float64, n)
				for b := range slopes {
					for j := range x {
						m[a][b] += slopes[a][j] * slopes[b][j] * scale[j] * scale[j]
					}
				}
				m[a][a]++
			}
			l, ok := cholesky(m)
			if !ok {
				return fmt.Errorf("no step for %s", s.h.Name(s.p.Model))
			}
			v = backward(l, forward(l, v))
			for j := range x {
				t := centre[j]
				for a := range slopes {
					t += scale[j] * scale[j] * slopes[a][j] * v[a]
				}
				x[j] += math.Max(-3*scale[j], math.Min(3*scale[j], t-x[j]))
			}
		}
		if s.h.ranged() {
			x[d-1] = math.Min(math.Max(x[d-1], 0), 1)
		}
		precision := make([][]float64, d)
		for i := range precision {
			precision[i] = make([]float64, d)
			for j := range precision {
				for a := range slopes {
					precision[i][j] += slopes[a][i] * slopes[a][j]
				}
			}
			precision[i][i] += 1 / (scale[i] * scale[i])
		}
		l, ok := cholesky(precision)
		if !ok {
			return fmt.Errorf("no curvature for %s", s.h.Name(s.p.Model))
		}
		q := part{mean: x, factor: l}
		for i := range l {
			q.logDet += math.Log(l[i][i])
		}
		if q.log, err = s.target(x); err != nil {
			return err
		}
		q.log += float64(d)/2*math.Log(2*math.Pi) - q.logDet
		s.parts = append(s.parts, q)
	}
	best, sum := math.Inf(-1), 0.0
	for i := range s.parts {
		best = math.Max(best, s.parts[i].log)
	}
	for i := range s.parts {
		s.parts[i].weight = math.Exp(tempering*(s.parts[i].log-best)) + least
		sum += s.parts[i].weight
	}
	for i := range s.parts {
		s.parts[i].weight /= sum
	}
	return nil
}

// slopes gives the change from f of each reading that is no OL, in units of noise, per unit
// of each dimension.
func (s *sampler) slopes(x, f []float64) ([][]float64, error) {
	var out [][]float64
	for _, y := range s.y {
		if !math.IsNaN(y) {
			out = append(out, make([]float64, len(x)))
		}
	}
	for j := range x {
		step := differs
		if s.h.ranged() && j == len(x)-1 {
			step /= nodes
		}
		was := x[j]
		x[j] = was + step
		up, err := s.predict(x)
		if err != nil {
			return nil, err
		}
		x[j] = was
		k := 0
		for i, y := range s.y {
			if !math.IsNaN(y) {
				out[k][j] = (up[i] - f[i]) / (step * s.p.SD.Noise)
				k++
			}
		}
	}
	return out, nil
}

// draw draws a point from the mixture.
func (s *sampler) draw(r *rand.Rand) []float64 {
	u := r.Float64()
	k := 0
	for k < len(s.parts)-1 && u >= s.parts[k].weight {
		u -= s.parts[k].weight
		k++
	}
	q := &s.parts[k]
	z := make([]float64, len(q.mean))
	for i := range z {
		z[i] = r.NormFloat64()
	}
	chi := 0.0
	for range int(freedom) {
		g := r.NormFloat64()
		chi += g * g
	}
	x := backward(q.factor, z)
	for i := range x {
		x[i] = q.mean[i] + x[i]*math.Sqrt(freedom/chi)
	}
	return x
}

// density is the logarithm of the mixture's density at a point.
func (s *sampler) density(x []float64) float64 {
	d := float64(len(x))
	top, sum := math.Inf(-1), 0.0
	a, _ := math.Lgamma((freedom + d) / 2)
	b, _ := math.Lgamma(freedom / 2)
	for k := range s.parts {
		q := &s.parts[k]
		square := 0.0
		for i := range x { // L' (x - mean)
			t := 0.0
			for j := i; j < len(x); j++ {
				t += q.factor[j][i] * (x[j] - q.mean[j])
			}
			square += t * t
		}
		log := math.Log(q.weight) + a - b - d/2*math.Log(freedom*math.Pi) + q.logDet - (freedom+d)/2*math.Log1p(square/freedom)
		if log > top {
			sum, top = sum*math.Exp(top-log), log
		}
		sum += math.Exp(log - top)
	}
	return top + math.Log(sum)
}
