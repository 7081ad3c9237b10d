// Package circuit works out what a meter in diode or resistance mode would
// show when its two probes touch a small network of resistors and junctions.
//
// The network is a list of parts between numbered nodes; node 0 is ground.
// The meter is the only source: it pushes a current out of its Plus probe,
// through whatever path there is, and back into its Minus probe. The package
// finds the voltages at which every current has somewhere to go (the DC
// operating point) and gives the voltage between the probes.
//
// It knows nothing of boards, parts or pins. It is the physics alone.
package circuit

import (
	"fmt"
	"math"
)

// The exact constants of the SI (SI Brochure, 9th edition, 2019).
const (
	Boltzmann        = 1.380649e-23    // J/K
	ElementaryCharge = 1.602176634e-19 // C
)

// ZeroCelsius is 0 degrees Celsius in kelvin, exact by definition.
const ZeroCelsius = 273.15

// Gmin is a conductance, in siemens, laid across every junction. A junction
// biased backwards conducts so little that its neighbour would hang on nothing
// at all; with Gmin every node that touches the network hangs on something.
// 1 pS is the customary value of circuit simulators: at 3 V it passes 3 pA,
// three millionths of the smallest test current (1 uA) this package is for.
const Gmin = 1e-12

// FadeVolts is the width, in volts, of the band below its open voltage in
// which a ConstantCurrent source gives up its current; see Source.FadeWidth.
const FadeVolts = 0.05

// Limits of what Solve accepts. They are far outside anything found on a
// board and keep the arithmetic away from overflow.
const (
	minOhms, maxOhms             = 1e-9, 1e18 // ohm
	minSaturation, maxSaturation = 1e-40, 1.0 // A
	minIdeality, maxIdeality     = 0.5, 20.0
	maxSeries                    = 1e6          // ohm
	minCurrent, maxCurrent       = 1e-12, 100.0 // A
	minOpen, maxOpen             = 1e-3, 100.0  // V
	minCelsius, maxCelsius       = -100.0, 300.0
	maxNodes                     = 4 << 20
)

// ThermalVoltage gives kT/q in volts: 25.852 mV at 300 K.
func ThermalVoltage(celsius float64) float64 {
	return Boltzmann * (celsius + ZeroCelsius) / ElementaryCharge
}

// Node names a place in the network. Node 0 is ground; the others run up to
// Circuit.Nodes-1.
type Node = int32

// Resistor joins two nodes.
type Resistor struct {
	A, B Node
	Ohms float64 // greater than 0; write a 0-ohm link as a small value, such as 1e-3
}

// Junction is a diode: current flows easily from Anode to Cathode.
//
// Its law is Shockley's with a resistance in series,
//
//	i = Saturation * (exp(u/(Ideality*Vt)) - 1) + Gmin*u,   V = u + i*Series
//
// where V is the voltage from Anode to Cathode and Vt the thermal voltage.
type Junction struct {
	Anode, Cathode Node
	Saturation     float64 // A, at the temperature of the circuit
	Ideality       float64 // 1 to about 2.5 in real parts
	Series         float64 // ohm; 0 is allowed
}

// SourceKind tells how a meter drives its probes.
type SourceKind uint8

const (
	// ConstantCurrent drives Current at any voltage well below Open.
	ConstantCurrent SourceKind = iota
	// Resistive is a voltage Open behind a resistance.
	Resistive
)

// Source is the meter. It pushes its current out of Plus into the network and
// takes it back at Minus. A red probe on ground and a black probe on node 7 is
// Plus 0, Minus 7. Neither probe needs to be on ground.
type Source struct {
	Plus, Minus Node
	Kind        SourceKind
	Current     float64 // A; what flows when the probes are held together
	Open        float64 // V; what the probes show when they touch nothing
	Ohms        float64 // ohm, Resistive only; 0 means Open/Current
}

// FadeWidth gives w, in volts, of the current that the source drives out of Plus when
// the probes are volts apart:
//
//	Resistive:        (Open - volts) / Ohms
//	ConstantCurrent:  Current * tanh((Open - volts) / w),  w = min(FadeVolts, Open/20)
//
// The second is flat to one part in 10^8 until 0.5 V below Open (with w at
// 0.05 V), and from there falls without a corner to 0 at Open. A source with a
// corner is no more true to any one meter, and harder to solve.
func (s Source) FadeWidth() float64 { return math.Min(FadeVolts, s.Open/20) }

// SourceOhms gives the resistance in ohms behind a Resistive source.
func (s Source) SourceOhms() float64 {
	if s.Ohms != 0 {
		return s.Ohms
	}
	return s.Open / s.Current
}

// peak gives the largest current in amperes that the source can drive into a
// network without sources of its own.
func (s Source) peak() float64 {
	if s.Kind == Resistive {
		return s.Open / s.SourceOhms()
	}
	return s.Current
}

// Circuit is a network of parts and the meter that reads it.
type Circuit struct {
	Nodes     int     // number of nodes, ground among them
	Celsius   float64 // temperature of every junction
	Resistors []Resistor
	Junctions []Junction
	Source    Source
}

// Check reports the first value that Solve would refuse, or nil.
func (c *Circuit) Check() error {
	if c.Nodes < 1 || c.Nodes > maxNodes {
		return fmt.Errorf("circuit: %d nodes; give 1 (ground alone) to %d", c.Nodes, maxNodes)
	}
	if !within(c.Celsius, minCelsius, maxCelsius) {
		return fmt.Errorf("circuit: temperature %g C; give %g to %g C", c.Celsius, minCelsius, maxCelsius)
	}
	n := Node(c.Nodes)
	for i := range c.Resistors {
		r := &c.Resistors[i]
		if uint32(r.A) >= uint32(n) || uint32(r.B) >= uint32(n) {
			return fmt.Errorf("circuit: resistor %d joins nodes %d and %d; nodes run from 0 to %d", i, r.A, r.B, n-1)
		}
		if err := r.check(i); err != nil {
			return err
		}
	}
	for i := range c.Junctions {
		j := &c.Junctions[i]
		if uint32(j.Anode) >= uint32(n) || uint32(j.Cathode) >= uint32(n) {
			return fmt.Errorf("circuit: junction %d joins nodes %d and %d; nodes run from 0 to %d", i, j.Anode, j.Cathode, n-1)
		}
		if !within(j.Saturation, minSaturation, maxSaturation) {
			return fmt.Errorf("circuit: junction %d has saturation current %g A; give %g to %g A", i, j.Saturation, minSaturation, maxSaturation)
		}
		if !within(j.Ideality, minIdeality, maxIdeality) {
			return fmt.Errorf("circuit: junction %d has ideality %g; give %g to %g", i, j.Ideality, minIdeality, maxIdeality)
		}
		if !within(j.Series, 0, maxSeries) {
			return fmt.Errorf("circuit: junction %d has %g ohm in series; give 0 to %g ohm", i, j.Series, maxSeries)
		}
	}
	s := &c.Source
	if uint32(s.Plus) >= uint32(n) || uint32(s.Minus) >= uint32(n) {
		return fmt.Errorf("circuit: source joins nodes %d and %d; nodes run from 0 to %d", s.Plus, s.Minus, n-1)
	}
	if s.Kind != ConstantCurrent && s.Kind != Resistive {
		return fmt.Errorf("circuit: source is of unknown kind %d; give ConstantCurrent or Resistive", s.Kind)
	}
	if !within(s.Open, minOpen, maxOpen) {
		return fmt.Errorf("circuit: source opens at %g V; give %g to %g V", s.Open, minOpen, maxOpen)
	}
	if s.Kind == ConstantCurrent || s.Ohms == 0 {
		if !within(s.Current, minCurrent, maxCurrent) {
			return fmt.Errorf("circuit: source drives %g A; give %g to %g A", s.Current, minCurrent, maxCurrent)
		}
	} else if !within(s.Open/s.Ohms, minCurrent, maxCurrent) {
		return fmt.Errorf("circuit: source of %g V behind %g ohm drives %g A; give %g to %g A", s.Open, s.Ohms, s.Open/s.Ohms, minCurrent, maxCurrent)
	}
	return nil
}

// check tells whether the ohms of resistor i are such as Solve takes.
func (r *Resistor) check(i int) error {
	if !within(r.Ohms, minOhms, maxOhms) {
		return fmt.Errorf("circuit: resistor %d has %g ohm; give %g to %g (a 0-ohm link as 1e-3, an open one left out)", i, r.Ohms, minOhms, maxOhms)
	}
	return nil
}

// within is false for NaN, which compares false to everything.
func within(x, lo, hi float64) bool { return x >= lo && x <= hi }
