package practice

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"halfsplit/engine/circuit"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// How boards differ, from type to type and from one to the next. All of it
// common practice, no source, and on purpose not what the engine assumes
// (network.Origin.Prior, PriorIdeality, PriorSeries).
const (
	idealityLow, idealityHigh = 1.05, 1.95
	seriesLow, seriesHigh     = 2.0, 25.0 // ohm
	driftSD                   = 0.15e-3   // V/K beside what the law of junctions says

	schottkyShare = 0.4 // of diodes

	loadShare         = 0.15 // of rails
	loadLow, loadHigh = 1e3, 100e3
	loadSD            = 0.05 // share, from board to board
	mostLoads         = 4    // network allows twelve changes in all

	junctionSD = 4e-3   // V, one junction from board to board
	commonSD   = 2e-3   // V, all junctions of a board together
	matchedSD  = 1.5e-3 // V, like cells of one chip

	resistorSD   = 0.005 // share, of parts marked 1 %
	coilHalf     = 0.20  // share, uniform: beads, inductors, chokes, filters, fuses, links, switches
	unstatedSpan = 2.0   // a value that the board file does not state is off by at most this factor
)

// dropLaw says how the drops of one kind of junction are spread over board
// types: normal, in volts at 1 mA, drawn again when outside its limits.
type dropLaw struct{ mean, sd, low, high float64 }

var (
	pinLaw      = dropLaw{0.53, 0.07, 0.30, 0.80}
	bodyLaw     = dropLaw{0.43, 0.08, 0.20, 0.70}
	loadLaw     = dropLaw{1.0, 0.35, 0.4, 2.2}
	partLaw     = dropLaw{0.62, 0.05, 0.45, 0.80}
	schottkyLaw = dropLaw{0.28, 0.03, 0.20, 0.38}
)

func (l dropLaw) draw(r *rand.Rand) float64 {
	for {
		if v := l.mean + l.sd*r.NormFloat64(); v >= l.low && v <= l.high {
			return v
		}
	}
}

func lawOf(o network.Origin) dropLaw {
	switch o {
	case network.SupplyBody:
		return bodyLaw
	case network.SupplyLoad:
		return loadLaw
	case network.PartJunction:
		return partLaw
	}
	return pinLaw
}

// random makes the generator for one purpose: draws for one do not move when
// something is added to another.
func random(seed uint64, purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

func uniform(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

// logUniform draws from low to high, evenly over the logarithm.
func logUniform(r *rand.Rand, low, high float64) float64 {
	return math.Exp(uniform(r, math.Log(low), math.Log(high)))
}

// Truth is what a board type really is.
type Truth struct {
	Model *network.Model
	Seed  uint64

	key []string // by element: what its values are drawn for

	values *network.Values
	drift  []float64 // V/K, by element
	loads  []load
}

// load is a resistance from a rail to ground that is not in the board file.
type load struct {
	rail netlist.NetID
	ohms float64
}

// NewTruth draws a board type for a demo, whose board file is not edited: what is
// drawn for an element follows from the seed and from its position in the file.
func NewTruth(m *network.Model, seed uint64) *Truth {
	key := make([]string, len(m.Elements))
	for e := range key {
		key[e] = strconv.Itoa(e)
	}
	rails := make([]netlist.NetID, len(m.Board.Nets))
	for n := range rails {
		rails[n] = netlist.NetID(n)
	}
	return newTruth(m, seed, key, rails, matchedElements(m), true)
}

// NewNamedTruth draws a board type for cases that outlive edits of the board file:
// what is drawn follows from the seed and from the names of parts, terminals and
// nets, wherever in the file they stand.
func NewNamedTruth(m *network.Model, seed uint64) *Truth {
	b := m.Board
	contact := func(c network.Contact) string {
		if c == network.Ground {
			return "ground"
		}
		t := m.Terminal(c)
		return b.Parts[t.Part].Terminals[t.Terminal].Name
	}
	key := make([]string, len(m.Elements))
	for e := range key {
		if el := &m.Elements[e]; el.Part != netlist.None { // otherwise a path that only the fit provides for
			ends := []string{contact(el.A), contact(el.B)}
			if el.Class == network.Resistive {
				slices.Sort(ends)
			}
			key[e] = fmt.Sprintf("%q %q %d", b.Parts[el.Part].Name, ends, el.Origin)
		}
	}
	rails := make([]netlist.NetID, len(b.Nets))
	for n := range rails {
		rails[n] = netlist.NetID(n)
	}
	slices.SortFunc(rails, func(x, y netlist.NetID) int { return strings.Compare(b.Nets[x].Name, b.Nets[y].Name) })
	alike := matchedElements(m)
	first := map[int32]int32{} // the least key of a group, by the first in the file
	for e, f := range alike {
		if now, ok := first[f]; !ok || key[e] < key[now] {
			first[f] = e
		}
	}
	for e, f := range alike {
		alike[e] = first[f]
	}
	return newTruth(m, seed, key, rails, alike, false)
}

// newTruth draws a board type by the keys of its elements; nets are gone through in
// the order given. What is like another element is drawn after all others, or in its
// turn: demos are recorded so, and where the other comes later in the board file, it
// is like one of nominal values there.
func newTruth(m *network.Model, seed uint64, key []string, nets []netlist.NetID, alike map[int32]int32, inTurn bool) *Truth {
	t := &Truth{Model: m, Seed: seed, key: key, values: m.Nominal(), drift: make([]float64, len(m.Elements))}
	stated := statedElements(m)
	like := func(e int) { // draws what is like another
		r, j, first := random(seed, "element "+key[e]), &t.values.Junctions[e], alike[int32(e)]
		r.NormFloat64() // the drift, which it has in common with the first
		*j = t.values.Junctions[first]
		j.Drop += matchedSD * r.NormFloat64()
		t.drift[e] = t.drift[first]
	}
	var later []int
	for e := range m.Elements {
		r := random(seed, "element "+key[e])
		el := &m.Elements[e]
		if el.Class == network.Resistive {
			if !stated[e] {
				t.values.Ohms[e] *= logUniform(r, 1/unstatedSpan, unstatedSpan)
			}
			continue
		}
		j := &t.values.Junctions[e]
		if math.IsInf(j.Drop, 1) {
			continue // a path that only the fit provides for
		}
		if first, ok := alike[int32(e)]; ok && first != int32(e) {
			if inTurn {
				like(e)
			} else {
				later = append(later, e)
			}
			continue
		}
		t.drift[e] = driftSD * r.NormFloat64()
		law := lawOf(el.Origin)
		j.Ideality = uniform(r, idealityLow, idealityHigh)
		j.Series = uniform(r, seriesLow, seriesHigh)
		if el.Part != netlist.None && m.Board.Parts[el.Part].Kind == netlist.Diode && r.Float64() < schottkyShare {
			law = schottkyLaw
			j.Ideality = uniform(r, 1.02, 1.15)
		}
		j.Drop = law.draw(r)
		if el.Origin == network.SupplyLoad {
			// Several junctions stand one on the other in such a path, and
			// their slopes add.
			j.Ideality *= math.Max(1, j.Drop/0.6)
		}
	}
	for _, e := range later {
		like(e)
	}
	r := random(seed, "loads")
	for _, n := range nets {
		if m.Board.Nets[n].Rail && n != m.Board.Ground && r.Float64() < loadShare && len(t.loads) < mostLoads {
			t.loads = append(t.loads, load{n, logUniform(r, loadLow, loadHigh)})
		}
	}
	return t
}

// statedElements tells which resistive elements have the value that the board
// file states, rather than a default.
func statedElements(m *network.Model) []bool {
	stated := make([]bool, len(m.Elements))
	for p := range m.Board.Parts {
		if network.Pinned(m.Board.Parts[p].Kind) {
			continue
		}
		from, to := m.PartElements(netlist.PartID(p))
		for _, path := range m.Board.Parts[p].Paths() {
			for e := from; e < to; e++ {
				if m.Elements[e].A == m.Contact(netlist.PartID(p), path.From) && m.Elements[e].B == m.Contact(netlist.PartID(p), path.To) {
					stated[e] = path.Stated
				}
			}
		}
	}
	return stated
}

// matchedElements gives, for each junction of an IC on lines that the board file
// calls alike, the one it is like: the pads of such lines are the same cell of
// one chip.
func matchedElements(m *network.Model) map[int32]int32 {
	type cell struct {
		group  int
		part   netlist.PartID
		origin network.Origin
		nth    int
	}
	first := map[cell]int32{}
	like := map[int32]int32{}
	for g, nets := range m.Board.Matched {
		for _, start := range nets {
			count := map[cell]int{}
			for _, n := range joined(m, start, math.Inf(1)) {
				if m.Board.Nets[n].Rail {
					continue
				}
				for _, e := range m.Junctions(n) {
					el := &m.Elements[e]
					if el.Origin != network.PinFromGround && el.Origin != network.PinToSupply {
						continue
					}
					k := cell{g, el.Part, el.Origin, 0}
					nth := count[k]
					count[k]++
					k.nth = nth
					if f, ok := first[k]; ok {
						like[e] = f
					} else {
						first[k], like[e] = e, e
					}
				}
			}
		}
	}
	return like
}

// joined lists the nets that resistances of at most ohms in all join to a net,
// itself first. It does not go through ground, nor on from a rail that it did
// not begin at.
func joined(m *network.Model, start netlist.NetID, ohms float64) []netlist.NetID {
	values := m.Nominal()
	nets, left := []netlist.NetID{start}, []float64{ohms}
	seen := map[netlist.NetID]bool{start: true, m.Board.Ground: true}
	for i := 0; i < len(nets); i++ {
		if i > 0 && m.Board.Nets[nets[i]].Rail {
			continue
		}
		m.Neighbours(nets[i], func(e int32, n netlist.NetID) {
			if values.Ohms[e] <= left[i] && !seen[n] {
				seen[n] = true
				nets, left = append(nets, n), append(left, left[i]-values.Ohms[e])
			}
		})
	}
	return nets
}

// Board is one board. It is not safe for concurrent use.
type Board struct {
	Truth   *Truth
	Seed    uint64
	Celsius float64
	Faults  []Fault

	values  *network.Values // settled at Celsius
	changes []network.Change
	ws      *network.Workspace
}

// Sample draws one board of the type, at a temperature in degrees Celsius. The
// same seed gives the same board at any temperature.
func (t *Truth) Sample(seed uint64, celsius float64) *Board {
	m := t.Model
	w := &Board{Truth: t, Seed: seed, Celsius: celsius, values: t.values.Clone(), ws: network.NewWorkspace(m)}
	w.ws.Scope = true // as the decks have it
	w.values.Celsius = celsius
	key := w.Key()
	common := commonSD * random(key, "common").NormFloat64()
	for e := range m.Elements {
		r := random(key, "sample "+t.key[e])
		if m.Elements[e].Class == network.Junction {
			w.values.Junctions[e].Drop += common + junctionSD*r.NormFloat64() + t.drift[e]*(celsius-network.RefCelsius)
			continue
		}
		if m.Board.Parts[m.Elements[e].Part].Kind == netlist.Resistor {
			w.values.Ohms[e] *= 1 + resistorSD*r.NormFloat64()
		} else {
			w.values.Ohms[e] *= uniform(r, 1-coilHalf, 1+coilHalf)
		}
	}
	w.values.Settle()
	r := random(key, "loads")
	for _, l := range t.loads {
		w.changes = append(w.changes, network.Change{Kind: network.AddPath, Owner: netlist.None, Ohms: l.ohms * (1 + loadSD*r.NormFloat64()),
			A: m.PlaceOf(netlist.NetPoint(l.rail)), B: m.GroundPlace()})
	}
	return w
}

// Faulted gives the same board with faults on it.
func (w *Board) Faulted(faults ...Fault) *Board {
	f := *w
	f.ws = network.NewWorkspace(w.Truth.Model)
	f.ws.Scope = true
	f.Faults = append(append([]Fault(nil), w.Faults...), faults...)
	f.changes = append([]network.Change(nil), w.changes...)
	for _, x := range faults {
		f.changes = append(f.changes, x.Locus.At(x.Ohms))
	}
	return &f
}

// Probe puts a meter's leads on a point and ground, or on two points: red on to,
// black on at. A nil to is ground.
func (w *Board) Probe(at netlist.Point, to *netlist.Point, pol references.Polarity, d network.Drive) network.Probe {
	m := w.Truth.Model
	p := fit.ProbeAt(m, m.PlaceOf(at), pol, d)
	if to == nil {
		return p
	}
	if pol == references.BlackOnGround {
		p.Minus = m.PlaceOf(*to)
	} else {
		p.Plus = m.PlaceOf(*to)
	}
	return p
}

// Volts gives the voltage between the leads by the engine's own solver, before
// the meter's errors and even where its display would show OL. It is for
// answers that no recording holds.
func (w *Board) Volts(p network.Probe, edits netlist.Edits) (float64, error) {
	r, err := w.ws.Read(p, &network.State{Edits: edits, Changes: w.changes}, w.values)
	return r.Volts, err
}

// Circuit gives the circuit of a probe for the decks of ngspice.
func (w *Board) Circuit(p network.Probe, edits netlist.Edits) (circuit.Circuit, error) {
	if err := w.ws.Build(p, &network.State{Edits: edits, Changes: w.changes}, w.values); err != nil {
		return circuit.Circuit{}, err
	}
	c := *w.ws.Circuit()
	c.Resistors = append([]circuit.Resistor(nil), c.Resistors...)
	c.Junctions = append([]circuit.Junction(nil), c.Junctions...)
	return c, nil
}

// Key tells one board from others.
func (w *Board) Key() uint64 { return w.Truth.Seed*0x9E3779B97F4A7C15 ^ w.Seed }

// Chance gives a number from 0 to 1 that belongs to a board and an occasion: the
// same each time it is asked for.
func (w *Board) Chance(occasion string) float64 { return random(w.Key(), occasion).Float64() }
