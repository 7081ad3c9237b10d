package network

import (
	"math"

	"halfsplit/engine/circuit"
	"halfsplit/netlist"
)

// FarShift bounds the change in volts of the last reading by anything at all that
// happens on the line that a net is part of, where the leads are not on that line.
//
// Such a line reaches the leads through its resistors to rails alone. With the
// rail at v volts, resistors of R ohms pass at most the sum of v/R, whatever is
// shorted or open behind them, and that current moves the reading by no more than
// the rail's transfer resistance times itself (the voltages of a line without
// sources lie between those of its ends). A pin on the line adds what its
// protection junction passes up to a supply that is pulled below ground, were the
// pin on ground. Infinite for rails, for the probed lines, and where other
// junctions lead to the line.
func (w *Workspace) FarShift(n netlist.NetID, st *State, v *Values) float64 {
	if n == netlist.None {
		return math.Inf(1)
	}
	r := w.m.region[n]
	if r < 0 {
		return math.Inf(1)
	}
	for _, p := range [2]Place{w.probe.Plus, w.probe.Minus} {
		if p.Net != netlist.None && w.m.region[p.Net] == r {
			return math.Inf(1)
		}
	}
	if w.m.tied[r] {
		return math.Inf(1)
	}
	w.boundShifts(st, v)
	return w.shift[r]
}

// boundShifts works out shift and hang for the last reading.
func (w *Workspace) boundShifts(st *State, v *Values) {
	if w.shifted == w.reading {
		return
	}
	w.shifted = w.reading
	if w.shift == nil {
		w.shift, w.hang = make([]float64, w.m.regions), make([]float64, w.m.groups)
	}
	clear(w.shift)
	clear(w.hang)
	for _, c := range w.m.crossings {
		if w.seen[c.rail] != w.round || st.gone(w.m.Elements[c.element].Part) {
			continue
		}
		rail := Place{Net: c.rail, Contact: NoContact, order: -1}
		w.shift[c.region] += math.Abs(w.last.Voltages[w.node[c.rail]]*w.Transfer(rail, st)) / v.Ohms[c.element]
	}
	for _, e := range w.m.hanging {
		el := &w.m.Elements[e]
		b := w.copperOf(el.B, st)
		if b < 0 || w.seen[b] != w.round || st.gone(el.Part) {
			continue
		}
		below := -w.last.Voltages[w.node[b]]
		if below <= 0 {
			continue
		}
		bound := w.passes(e, below, v) * math.Abs(w.Transfer(w.m.PlaceOfContact(el.B), st))
		n := w.m.Net(el.A)
		if r := w.m.region[n]; r >= 0 {
			w.shift[r] += bound
		}
		if g := w.m.group[n]; g >= 0 {
			w.hang[g] += bound
		}
	}
}

// passes gives the current in amperes, whichever way it flows and at most the meter's,
// that a junction without its series resistance passes at a forward voltage.
func (w *Workspace) passes(e int32, volts float64, v *Values) float64 {
	nvt := v.Junctions[e].Ideality * circuit.ThermalVoltage(v.Celsius)
	return math.Min(v.saturation[e]*math.Abs(math.Expm1(volts/nvt)), w.c.Source.Current)
}

// HangShift bounds the change in volts of the last reading by a path from a net
// that the walk passed by: what the protection junctions of the pins on it pass
// up to supplies that are pulled below ground.
func (w *Workspace) HangShift(n netlist.NetID, st *State, v *Values) float64 {
	if n == netlist.None || w.m.group[n] < 0 {
		return 0
	}
	w.boundShifts(st, v)
	return w.hang[w.m.group[n]]
}

// ExitShift bounds the change in volts of the last reading by a path of any resistance
// from a place that the current reaches to the line of a net that it does not: what
// the junctions on that line pass, were the line at the voltage of the place. Infinite
// where resistances lead off the line, or junctions to where no current comes.
func (w *Workspace) ExitShift(from Place, to netlist.NetID, st *State, v *Values) float64 {
	volts, reached := w.VoltsAt(from, st)
	if !reached || to == netlist.None || w.m.region[to] < 0 || w.bridged {
		return math.Inf(1)
	}
	r, ground := w.m.region[to], int32(w.m.Board.Ground)
	passes := 0.0
	for _, n := range w.m.inRegion.at(r) {
		for _, c := range w.m.onNet.at(n) {
			if st.gone(w.m.contacts[c].part) {
				continue
			}
			for _, e := range w.m.ofContact.at(c) {
				el := &w.m.Elements[e]
				a, b := w.m.Net(el.A), w.m.Net(el.B)
				if el.Class == Resistive {
					if a == netlist.None || b == netlist.None || w.m.region[a] != w.m.region[b] {
						return math.Inf(1)
					}
					continue
				}
				if v.saturation[e] == 0 {
					continue
				}
				other, sign := int32(b), 1.0
				if b == netlist.NetID(n) {
					other, sign = int32(a), -1
				}
				there := 0.0
				if other != ground {
					if other < 0 || w.seen[other] != w.round {
						return math.Inf(1)
					}
					there = w.last.Voltages[w.node[other]]
				}
				passes += w.passes(e, sign*(volts-there), v)
			}
		}
	}
	return passes * math.Abs(w.Transfer(from, st))
}

// GroundNet gives the board's ground.
func (w *Workspace) GroundNet() netlist.NetID { return w.m.Board.Ground }

// NetOf gives the net that a contact is soldered to.
func (w *Workspace) NetOf(c Contact) netlist.NetID { return w.m.Net(c) }

// SameLine tells whether two nets are parts of one line.
func (w *Workspace) SameLine(a, b netlist.NetID) bool {
	return a != netlist.None && b != netlist.None && w.m.region[a] >= 0 && w.m.region[a] == w.m.region[b]
}

// LineShift is FarShift, in volts, of the line that an element lies on or leads to.
func (w *Workspace) LineShift(e int32, st *State, v *Values) float64 {
	el := &w.m.Elements[e]
	if el.Class != Resistive {
		return math.Inf(1)
	}
	n := w.m.Net(el.A)
	if w.m.region[n] < 0 {
		n = w.m.Net(el.B)
	}
	return w.FarShift(n, st, v)
}
