package circuit

import "math"

// DropAt gives the drop in volts of a junction that carries currentAmps, the
// inverse of SaturationFor:
//
//	V = ideality*Vt*ln(1 + I/Is) + I*series
func DropAt(saturation, currentAmps, ideality, series, celsius float64) float64 {
	return ideality*ThermalVoltage(celsius)*math.Log1p(currentAmps/saturation) + currentAmps*series
}
