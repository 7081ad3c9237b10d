package quantity

import (
	"math"
	"strconv"
	"strings"
)

// ParseMarking reads the three digits that are printed on small parts: two figures
// and a power of ten, in ohm, pF or uH (common practice, no source): 222 is 2.2 kohm
// on a resistor, 104 is 100 nF on a capacitor. ok is false for any other text.
func ParseMarking(text string, u Unit) (value float64, ok bool) {
	unit, known := map[Unit]float64{Ohm: 1, Farad: 1e12, Henry: 1e6}[u]
	if !known || len(text) != 3 || !isDigits(text) || text[0] == '0' {
		return 0, false
	}
	figures, _ := strconv.ParseFloat(text[:2], 64)
	return figures * math.Pow10(int(text[2]-'0')) / unit, true
}

// Code writes a value as IEC 60062 does, with the letter of its size where the
// decimal point would stand: 2K2, 47R, 100n.
func Code(value float64, u Unit) string {
	letters := map[Unit]string{Ohm: "RKMG", Farad: "pnum", Henry: "num"}[u]
	scale := map[Unit]float64{Ohm: 1, Farad: 1e-12, Henry: 1e-9}[u]
	for i := range letters {
		if size := value / scale; size < 999.5 || i == len(letters)-1 {
			figures, _ := strconv.ParseFloat(strconv.FormatFloat(size, 'g', 4, 64), 64)
			whole, fraction, _ := strings.Cut(strconv.FormatFloat(figures, 'f', -1, 64), ".")
			return whole + letters[i:i+1] + fraction
		}
		scale *= 1e3
	}
	return Format(value, u)
}
