package diagnose

import (
	"fmt"
	"math"
)

// Roughly gives a resistance to two figures.
func Roughly(ohms float64) string {
	switch {
	case ohms >= 9.5e5:
		return figures(ohms/1e6) + " Mohm"
	case ohms >= 950:
		return figures(ohms/1e3) + " kohm"
	}
	return figures(ohms) + " ohm"
}

// figures writes a number from 0.1 to 999 with two figures and no exponent.
func figures(v float64) string {
	if v >= 10 {
		step := math.Pow(10, math.Floor(math.Log10(v))-1)
		return fmt.Sprintf("%.0f", math.Round(v/step)*step)
	}
	return fmt.Sprintf("%.1f", v)
}

// fewNames is how many points or lines a note names.
const fewNames = 8
