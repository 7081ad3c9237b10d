package circuit

import "math"

// SaturationFor gives the saturation current in amperes of the junction that
// drops dropVolts at currentAmps: Shockley's law turned round,
//
//	Is = I / (exp((V - I*series)/(ideality*Vt)) - 1)
//
// It gives NaN when series alone drops as much as dropVolts, or when a value
// makes no sense; Solve refuses NaN by name. Gmin, 1 pA per volt, is left out.
func SaturationFor(dropVolts, currentAmps, ideality, series, celsius float64) float64 {
	inner := dropVolts - currentAmps*series
	if !(inner > 0 && currentAmps > 0 && ideality > 0) {
		return math.NaN()
	}
	return currentAmps / math.Expm1(inner/(ideality*ThermalVoltage(celsius)))
}

// innerDrop gives u, the part of the voltage across a junction that is left
// when its series resistance has taken its share: it solves
// u + rs*is*(exp(u/nvt)-1) = v. Gmin is left out; this serves as a start.
//
// With y = rs*(i+is)/nvt this is y + ln y = z, which has the same shape for
// every junction; Newton on it settles in a few rounds from either side.
// scale is ln(rs*is/nvt).
func innerDrop(v, is, nvt, rs, scale float64) float64 {
	if rs == 0 {
		return v
	}
	z := (v+rs*is)/nvt + scale
	if z < -6 {
		e := math.Exp(z)
		return v + rs*is - nvt*e/(1+e) // y is e/(1+e) to within e cubed
	}
	var y float64
	if z < 1 {
		y = math.Exp(z) / (1 + math.Exp(z))
	} else {
		y = z - math.Log(z)*z/(1+z)
	}
	for range 4 {
		step := (z - y - math.Log(y)) * y / (1 + y)
		y += step
		if math.Abs(step) <= 1e-3*y {
			break // what is left is nvt times half the square of that, 10 nV
		}
	}
	return v + rs*is - nvt*y
}
