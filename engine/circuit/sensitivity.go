package circuit

// Sensitivities fills out, one entry per junction of c, with the change of the
// reading in volts per volt by which that junction's forward drop is raised:
//
//	i = Saturation * (exp((u - dV)/(Ideality*Vt)) - 1) + Gmin*u
//
// at dV = 0. c must be the circuit of the last Solve, unchanged; the result is
// that of the matrix Solve ended with and is good to about one part in 10^4.
// After an error, or when the reading is open, every entry is 0.
func (s *Solver) Sensitivities(c *Circuit, out []float64) {
	clear(out)
	if !s.solved {
		return
	}
	s.adjoint()
	for k, i := range s.st.junctions {
		q := &s.js[k]
		// q.g is g/(1+g*rs) with g = f' + Gmin; the shift moves f alone.
		g := q.g
		if s.held.chorded {
			g = s.held.js[k].g // as its adjoint has it: what both are off mostly cancels
		}
		f := g - Gmin*(1-g*q.rs)
		out[i] = f * (s.adjoints[q.anode] - s.adjoints[q.cathode])
	}
}

// ResistorSensitivities fills out, one entry per resistor of c, with the
// change of the reading in volts per ohm. The same conditions hold as for
// Sensitivities.
func (s *Solver) ResistorSensitivities(c *Circuit, out []float64) {
	clear(out)
	if !s.solved {
		return
	}
	s.adjoint()
	for i, cell := range s.st.resCell {
		if cell < 0 {
			continue
		}
		r := &c.Resistors[i]
		a, b := s.st.place[r.A], s.st.place[r.B]
		ohms := r.Ohms
		if s.held.ready && i == s.held.widened {
			ohms = s.held.ohms
		}
		out[i] = (s.adjoints[a] - s.adjoints[b]) * (s.x[a] - s.x[b]) / (ohms * ohms)
	}
}

// Adjoint fills out, one entry per node, with the change of the reading in
// volts per ampere fed into that node and taken out at ground (at Minus when
// ground is out of the meter's reach): the row of the inverse of the nodal
// matrix that belongs to the reading. The reading changes by
//
//	-(Adjoint[a]-Adjoint[b]) * (V[a]-V[b])   per siemens laid between a and b,
//
// for any two nodes, joined or not, within the meter's reach. Entries of nodes
// out of reach are 0, as are all after an error or when the reading is open.
func (s *Solver) Adjoint(out []float64) {
	clear(out)
	if !s.solved {
		return
	}
	s.adjoint()
	ground := s.groundPlace()
	for v, p := range s.st.place {
		if p >= 0 {
			out[v] = s.adjoints[p] - s.adjoints[ground]
		}
	}
}

// adjoint solves the factored matrix, which is symmetric, for 1 A from probe
// to probe.
func (s *Solver) adjoint() {
	if s.adjointsOK {
		return
	}
	s.adjointsOK, s.held.chorded = true, false
	clear(s.adjoints)
	s.adjoints[s.source.plus]++
	s.adjoints[s.source.minus]--
	s.adjoints[s.st.n] = 0
	s.st.substitute(s.cells, s.inverse, s.adjoints)
}

// JunctionCurrents fills out, one entry per junction of c, with the current in
// amperes from anode to cathode. The same conditions hold as for Sensitivities.
func (s *Solver) JunctionCurrents(c *Circuit, out []float64) {
	clear(out)
	if !s.solved {
		return
	}
	for k, i := range s.st.junctions {
		q := &s.js[k]
		out[i] = q.g*(s.x[q.anode]-s.x[q.cathode]) + q.rest
	}
}
