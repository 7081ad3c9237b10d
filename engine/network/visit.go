package network

import (
	"halfsplit/engine/circuit"
)

// Visit is a reading of a board as it should be that is taken again and again with
// other junctions: its circuit, gathered once.
type Visit struct {
	made    bool
	ended   Ended
	c       circuit.Circuit
	solver  circuit.Solver
	owners  []int32
	parts   []int32
	coppers []int32
}

// mostVisited bounds the parts and the cells of the matrix of a circuit that a Visit
// keeps: some 100 kB.
const mostVisited = 1000

// Visit reads a probe on a board as it should be, as Read does, for less work each time
// but the first. Until Leave the workspace answers for the reading's junctions as after
// a Read, but for no places. A junction that is no longer there is noticed; one that
// comes is not.
func (w *Workspace) Visit(x *Visit, p Probe, v *Values) (Reading, error) {
	fits := x.made
	for i := 0; fits && i < len(x.owners); i++ {
		e := x.owners[i]
		j := &v.Junctions[e]
		q := &x.c.Junctions[i]
		q.Saturation, q.Ideality, q.Series = v.saturation[e], j.Ideality, j.Series
		fits = q.Saturation > 0 // otherwise it is no longer there
	}
	for i, e := range x.parts {
		if e >= 0 {
			x.c.Resistors[i].Ohms = v.Ohms[e]
		}
	}
	if !fits {
		x.made = false
		w.Resume(&x.ended)
		return w.Read(p, &State{}, v)
	}
	w.swap(x)
	w.series++
	w.probe, w.c.Celsius = p, v.Celsius
	r, err := w.keep(w.solver.Solve(&w.c, x.ended.volts))
	if err != nil {
		w.swap(x)
	}
	return r, err
}

// Leave ends a visit. Without keep nothing but where it ended is kept of one that is
// not kept yet.
func (w *Workspace) Leave(x *Visit, keep bool) {
	w.Keep(&x.ended)
	if !x.made {
		if !keep || len(w.c.Junctions)+len(w.c.Resistors) > mostVisited || w.solver.Cells() > mostVisited {
			return
		}
		x.made = true
	}
	w.swap(x)
}

// swap exchanges the workspace's circuit with that of a visit. No place is seen in it.
func (w *Workspace) swap(x *Visit) {
	w.c, x.c = x.c, w.c
	w.solver, x.solver = x.solver, w.solver
	w.owners, x.owners = x.owners, w.owners
	w.parts, x.parts = x.parts, w.parts
	w.coppers, x.coppers = x.coppers, w.coppers
	w.round++
}
