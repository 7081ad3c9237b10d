package circuit

import "math"

// held is an operating point that is kept while one resistance after another is laid
// beside its circuit, or one of its resistors is given one value after another. Such
// a change has rank one: with A the matrix of the network linearised where it is held,
// V0 its voltages, and g siemens between places a and b, e = e_a - e_b,
//
//	(A + g e e')^-1 = A^-1 - k z z',   z = A^-1 e,   k = g/(1 + g (z_a - z_b))
//
// (Sherman and Morrison 1950, from memory), so that the voltages of the linear network
// are V0 - k z (V0_a - V0_b) for one substitution and no factorisation. What the
// junctions conduct there beyond their straight lines goes in as currents, and so on
// until nothing moves (Newton's method with a matrix that stays, a chord). Where
// junctions move too far for that, Newton's method proper takes over.
type held struct {
	ready          bool
	cells, inverse []float64 // the factored matrix
	x, adjoints    []float64 // per place and the reference
	js             []line    // per junction
	volts          float64   // V, between the probes
	a, b           int32     // the places that z is for
	z              []float64
	excess         []float64 // per place: what junctions conduct beyond their lines
	strayed        []int32   // junctions whose state is not that of js
	astray         bool      // all of them
	chorded        bool      // the adjoint is that of js, not of where the junctions are now
	newton         bool      // the last change was solved by Newton's method proper
	widened        int       // the resistor that the last change gave other ohms, -1 for none
	ohms           float64   // those
}

// line is the straight line that stands for a junction, and the voltage across it.
type line struct{ v, u, g, rest float64 }

const (
	// chords is the number of rounds with the held matrix, and enough the change in
	// volts from which on there is no need for more: what is left is less than that.
	chords = 8
	enough = 1e-7
	// still is the change in volts of a junction that its straight line stands for:
	// its current is then off by less than 10^-9 of itself.
	still = 1e-6
	// reach is how far a conducting junction may move, in n*Vt, before the slopes of
	// the held matrix are too far off, for the voltages to settle soon and for
	// Sensitivities to be good to a tenth.
	reach = 0.1
	// flat is how many widths below its open voltage a source is constant to one
	// part in 10^10.
	flat = 12
)

// Hold keeps the operating point just found, for Update and Widen, until the next
// Solve or Again. It does nothing where the reading is open.
func (s *Solver) Hold() {
	h := &s.held
	if h.ready = s.solved; !h.ready {
		return
	}
	s.adjoint()
	h.cells = append(h.cells[:0], s.cells...)
	h.inverse = append(h.inverse[:0], s.inverse...)
	h.x = append(h.x[:0], s.x...)
	h.adjoints = append(h.adjoints[:0], s.adjoints...)
	h.volts = s.source.volts
	h.js = resize(h.js, len(s.js))
	for k := range s.js {
		q := &s.js[k]
		h.js[k] = line{s.x[q.anode] - s.x[q.cathode], q.u, q.g, q.rest}
	}
	h.z, h.excess = resize(h.z, s.st.n+1), resize(h.excess, s.st.n+1)
	h.a, h.b, h.widened = -1, -1, -1
	h.strayed, h.astray = h.strayed[:0], false
}

// Update finds the operating point of the circuit that is held, c, with a resistor
// between two of its nodes beside, and false where that takes a Solve of its own. The
// reading is that of Solve to within a microvolt; Sensitivities after it are within a
// tenth of themselves. With again the nodes are those of the last call, and the search
// may begin where that one ended.
func (s *Solver) Update(c *Circuit, a, b Node, ohms float64, again bool) (Solution, bool, error) {
	r := Resistor{a, b, ohms}
	if err := r.check(len(c.Resistors)); err != nil {
		return Solution{}, false, err
	}
	if !s.held.ready {
		return Solution{}, false, nil
	}
	pa, pb := s.st.place[a], s.st.place[b]
	if pa < 0 || pb < 0 || pa == pb {
		return Solution{}, false, nil
	}
	s.held.widened = -1
	if steps, ok := s.chord(c, pa, pb, 1/ohms, again); ok {
		return s.found(c, steps), true, nil
	}
	cell := s.st.cell(a, b)
	if cell < 0 {
		return Solution{}, false, nil
	}
	s.loadOhms(c)
	s.base[cell] += 1 / ohms
	return s.properly(c, again)
}

// Widen is Update with the ohms of resistor i of c changed instead.
func (s *Solver) Widen(c *Circuit, i int, ohms float64, again bool) (Solution, bool, error) {
	was := c.Resistors[i]
	r := Resistor{was.A, was.B, ohms}
	if err := r.check(i); err != nil {
		return Solution{}, false, err
	}
	if !s.held.ready || s.st.resCell[i] < 0 {
		return Solution{}, false, nil
	}
	s.held.widened, s.held.ohms = i, ohms
	if steps, ok := s.chord(c, s.st.place[was.A], s.st.place[was.B], 1/ohms-1/was.Ohms, again); ok {
		return s.found(c, steps), true, nil
	}
	c.Resistors[i].Ohms = ohms
	s.loadOhms(c)
	c.Resistors[i].Ohms = was.Ohms
	return s.properly(c, again)
}

// properly is find, from where the last change of the same place ended or from what
// is held.
func (s *Solver) properly(c *Circuit, again bool) (Solution, bool, error) {
	if !again {
		s.recall()
	}
	s.held.newton, s.held.astray = true, true
	sol, err := s.find(c)
	return sol, err == nil, err
}

// recall brings the junctions back to where they were held.
func (s *Solver) recall() {
	h := &s.held
	back := func(k int) {
		q, l := &s.js[k], &h.js[k]
		q.u, q.g, q.rest = l.u, l.g, l.rest
	}
	if h.astray {
		for k := range s.js {
			back(k)
		}
	}
	for _, k := range h.strayed {
		back(int(k))
	}
	h.strayed, h.astray = h.strayed[:0], false
	s.source.volts = h.volts
}

// between works out z for places a and b.
func (h *held) between(st *structure, a, b int32) {
	if a == h.a && b == h.b {
		return
	}
	h.a, h.b = a, b
	clear(h.z)
	h.z[a]++
	h.z[b]--
	h.z[st.n] = 0
	st.substitute(h.cells, h.inverse, h.z)
}

// chord looks for the operating point with g siemens laid between places a and b by
// the matrix that is held, and gives up where that does not settle soon.
func (s *Solver) chord(c *Circuit, a, b int32, g float64, again bool) (rounds int, ok bool) {
	h := &s.held
	n := s.st.n
	if again && h.newton {
		return 0, false // it gave up before
	}
	h.newton = false
	h.between(&s.st, a, b)
	whole := 1 + g*(h.z[a]-h.z[b])
	if !(whole > 1e-9) { // a resistor that nothing stands beside, all but taken away
		return 0, false
	}
	s.recall()
	share := g / whole
	pull := share * (h.x[a] - h.x[b])
	for i, x := range h.x {
		s.x[i] = x - pull*h.z[i]
	}
	last := math.Inf(1)
	for rounds = 1; rounds <= chords; rounds++ {
		change, ok := s.stray(c)
		if !ok || change > last/2 {
			return rounds, false
		}
		if last = change; change <= enough {
			s.adjointsOK, h.chorded = true, true
			pull := share * (h.adjoints[a] - h.adjoints[b])
			for i, l := range h.adjoints {
				s.adjoints[i] = l - pull*h.z[i]
			}
			s.source.volts = s.x[s.source.plus] - s.x[s.source.minus]
			return rounds, true
		}
		h.excess[n] = 0
		s.st.substitute(h.cells, h.inverse, h.excess)
		pull := pull - share*(h.excess[a]-h.excess[b])
		for i, x := range h.x {
			s.x[i] = x - pull*h.z[i] - h.excess[i]
		}
	}
	return rounds, false
}

// stray linearises the junctions that moved at the voltages in x, with what they
// conduct beyond their held lines in excess, and gives the largest change in volts
// since they were linearised last. It gives up where one moved too far.
func (s *Solver) stray(c *Circuit) (change float64, ok bool) {
	h := &s.held
	clear(h.excess)
	for k := range s.js {
		q, l := &s.js[k], &h.js[k]
		v := s.x[q.anode] - s.x[q.cathode]
		if v < q.off && l.v < q.off || math.Abs(v-l.v) <= still && q.u == l.u {
			continue
		}
		u := math.Min(v-q.rs*(q.g*v+q.rest), q.most)
		if math.Abs(u-l.u) > reach*q.nvt && math.Max(u, l.u) > q.knee {
			return 0, false
		}
		change = math.Max(change, math.Abs(u-q.u))
		if q.u == l.u {
			h.strayed = append(h.strayed, int32(k))
		}
		q.companion(u, Gmin)
		d := (q.g-l.g)*v + q.rest - l.rest
		h.excess[q.anode] += d
		h.excess[q.cathode] -= d
	}
	if c.Source.Kind == ConstantCurrent {
		v := s.x[s.source.plus] - s.x[s.source.minus]
		if math.Max(v, h.volts) > c.Source.Open-flat*c.Source.FadeWidth() && math.Abs(v-h.volts) > still {
			return 0, false
		}
	}
	return change, true
}
