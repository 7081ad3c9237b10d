package practice

import (
	"fmt"
	"math"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// How a meter departs from its data sheet; common practice, no source.
const (
	currentHalf = 0.015 // share, uniform
	openHalf    = 0.02  // share, uniform
)

// Meter is a meter as it is: what its data sheet says, and what it does.
type Meter struct {
	Declared references.Meter
	Seed     uint64

	drive        network.Drive // what it really drives
	gain, offset float64       // error of the display: a share, and volts
}

// Meters lists the data sheets of the three meters that practice boards are
// read with: 1 mA and 0.5 mA from constant-current sources, and 2.8 V behind a
// resistance.
func Meters() []references.Meter {
	one := references.DefaultMeter()
	one.Name = "bench 2"
	half := references.DefaultMeter()
	half.Name = "bench 5"
	half.TestCurrent, half.OpenVoltage, half.Gain, half.Counts = 0.5e-3, 2.7, 0.008, 3
	resistive := references.DefaultMeter()
	resistive.Name = "pocket"
	resistive.TestCurrent, resistive.OpenVoltage, resistive.Source = 1.2e-3, 2.8, references.Resistive
	resistive.Gain, resistive.Counts = 0.01, 3
	return []references.Meter{one, half, resistive}
}

// NewMeter draws one meter of those that a data sheet describes. Its errors
// stay within the stated accuracy; its test current, which data sheets give
// loosely, within 1.5 %.
func NewMeter(declared references.Meter, seed uint64) Meter {
	r := random(seed, "meter "+declared.Name)
	m := Meter{Declared: declared, Seed: seed, drive: fit.DriveOf(declared)}
	m.drive.Current *= uniform(r, 1-currentHalf, 1+currentHalf)
	m.drive.Open *= uniform(r, 1-openHalf, 1+openHalf)
	m.gain = uniform(r, -declared.Gain, declared.Gain)
	m.offset = uniform(r, -declared.Counts, declared.Counts) * declared.Resolution
	return m
}

// Drive gives what the meter really drives in diode mode.
func (m Meter) Drive() network.Drive { return m.drive }

// Show gives what the display shows of a voltage between the leads. The noise
// of one count either way is settled by the occasion, any text that tells this
// reading from others, so that a reading worked out twice is the same.
func (m Meter) Show(volts float64, occasion string) quantity.Reading {
	r := random(m.Seed, occasion)
	noise := 0.0
	switch u := r.Float64(); {
	case u < 0.2:
		noise = -1
	case u > 0.8:
		noise = 1
	}
	res := m.Declared.Resolution
	counts := math.Round((volts*(1+m.gain)+m.offset)/res + noise)
	counts += 0 // -0, which Round may give, becomes 0
	if shown := counts * res; shown <= m.Declared.Over {
		// Counts over their number in a volt give the closest float to the
		// decimal that the display shows.
		return quantity.Reading{Value: counts / math.Round(1/res), Unit: quantity.Volt}
	}
	return quantity.Reading{Overload: true, Unit: quantity.Volt}
}

// meterByName finds the data sheet of one of Meters.
func meterByName(name string) (references.Meter, error) {
	for _, m := range Meters() {
		if m.Name == name {
			return m, nil
		}
	}
	return references.Meter{}, fmt.Errorf("no meter is called %q; the meters are %q, %q and %q", name, Meters()[0].Name, Meters()[1].Name, Meters()[2].Name)
}
