// Package quantity reads and writes the values that stand on parts and on
// meters: `4K7`, `100n`, `22 ohm`, `1.8 V`, and readings such as `0.452`, `452`
// and `OL`.
//
// Values are kept as float64 in SI units. Two ways of writing are understood:
// the letter-and-digit code of IEC 60062, in which the letter stands where the
// decimal point would (`4K7` is 4.7 kohm, `R47` 0.47 ohm, `4n7` 4.7 nF), and
// the plain number with an SI prefix and a unit, each of them optional.
package quantity

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Unit is what a value is measured in.
type Unit uint8

// Units. None is the unit of kinds of parts that have no value.
const (
	None Unit = iota
	Ohm
	Farad
	Henry
	Volt
	Ampere
	Second
	Celsius
)

// unit holds what Parse and Format know of a Unit.
type unit struct {
	name     string   // as messages and Format write it
	spelled  []string // as people write it, longest first
	prefixes string   // prefixes that people use with it
	letter   string   // stands for the decimal point without a prefix: 4R7, 3V3
	low      float64  // the smallest size that makes sense, 0 aside
	high     float64  // the largest
	zero     bool     // 0 makes sense
	negative bool
	example  string
}

var units = [...]unit{
	None:    {},
	Ohm:     {"ohm", []string{"ohms", "Ohms", "ohm", "Ohm", "OHM", "R", "r"}, "umkKMG", "Rr", 1e-6, 1e12, true, false, "4K7 or 22 ohm"},
	Farad:   {"F", []string{"F"}, "pPnNuUm", "F", 1e-15, 10, false, false, "100n or 15 pF"},
	Henry:   {"H", []string{"H"}, "pnuUm", "H", 1e-12, 100, false, false, "4u7 or 10 uH"},
	Volt:    {"V", []string{"V"}, "umkK", "Vv", 1e-6, 1e3, true, true, "1.8 V or 1V8"},
	Ampere:  {"A", []string{"A"}, "num", "A", 1e-9, 100, false, false, "1 mA"},
	Second:  {"s", []string{"s"}, "num", "", 1e-9, 1e7, true, false, "120 or 120 s"},
	Celsius: {"C", []string{"°C", "C"}, "", "", 1e-3, 300, true, true, "23 C"},
}

// String returns the unit as Format writes it: "ohm", "F".
func (u Unit) String() string { return units[u].name }

// prefixes are the powers of ten that letters stand for.
var prefixes = map[byte]int{'p': -12, 'P': -12, 'n': -9, 'N': -9, 'u': -6, 'U': -6, 'm': -3, 'k': 3, 'K': 3, 'M': 6, 'G': 9}

// spellings folds the several code points of micro and ohm into one each, and
// a no-break space into a space.
var spellings = strings.NewReplacer("µ", "u", "μ", "u", "Ω", "ohm", "Ω", "ohm", "\u00a0", " ", "\u202f", " ")

// maxText is the longest value that is looked at, in bytes.
const maxText = 40

// Parse reads a value in the unit and returns it in SI base units. Its errors
// say what is wrong and, after a semicolon, what to write instead.
func Parse(text string, u Unit) (float64, error) {
	info := units[u]
	if u == None {
		return 0, fmt.Errorf("%s is a value where none belongs; remove it", show(text))
	}
	number, power, err := split(text, u)
	if err != nil {
		return 0, err
	}
	value, err := decimal(number, power)
	switch size := math.Abs(value); {
	case err != nil || math.IsNaN(value) || math.IsInf(value, 0):
		return 0, fmt.Errorf("%s is not a value; write it like %s", show(text), info.example)
	case value < 0 && !info.negative:
		return 0, fmt.Errorf("%s is less than nothing; write it without the minus sign", show(text))
	case value == 0 && !info.zero:
		return 0, fmt.Errorf("%s is not a size in %s; write it like %s, or leave it out", show(text), info.name, info.example)
	case size > info.high || value != 0 && size < info.low:
		return 0, fmt.Errorf("%s is %s, which no board has; write it like %s", show(text), Format(value, u), info.example)
	}
	return value + 0, nil // + 0 turns -0 into 0
}

func show(text string) string {
	if len(text) > maxText {
		text = strings.ToValidUTF8(text[:maxText], "") + "..."
	}
	return strconv.Quote(text)
}

// split takes a text apart into a plain decimal number and the power of ten that its
// prefix stands for.
func split(text string, u Unit) (number string, power int, err error) {
	info := units[u]
	bad := fmt.Errorf("%s is not a value in %s; write it like %s", show(text), info.name, info.example)
	if len(text) > maxText {
		return "", 0, bad
	}
	s := strings.TrimSpace(spellings.Replace(text))
	if strings.Contains(s, ",") {
		return "", 0, fmt.Errorf("%s holds a comma; write a point before the decimals", show(text))
	}
	sign := ""
	if s != "" && (s[0] == '+' || s[0] == '-') {
		sign, s = strings.TrimPrefix(s[:1], "+"), s[1:]
	}
	digits := run(s)
	whole, rest := s[:digits], s[digits:]

	// IEC 60062: exactly one letter between or before the digits.
	if rest != "" && isDigits(rest[1:]) && len(rest) > 1 {
		letter := rest[0]
		if strings.IndexByte(info.letter, letter) >= 0 {
			return sign + whole + "." + rest[1:], 0, nil
		}
		if strings.IndexByte(info.prefixes, letter) >= 0 {
			return sign + whole + "." + rest[1:], prefixes[letter], nil
		}
	}

	number = whole
	if strings.HasPrefix(rest, ".") {
		n := run(rest[1:])
		if digits+n == 0 {
			return "", 0, bad
		}
		number, rest = whole+rest[:n+1], rest[n+1:]
	} else if digits == 0 {
		return "", 0, bad
	}
	if e := exponent(rest); e > 0 {
		number, rest = number+rest[:e], rest[e:]
	}
	rest = strings.TrimLeft(rest, " ")
	power, ok := suffix(rest, info)
	if !ok {
		if other := named(rest); other != None && other != u {
			return "", 0, fmt.Errorf("%s is in %s where %s is wanted; write it like %s", show(text), other, info.name, info.example)
		}
		return "", 0, bad
	}
	return sign + number, power, nil
}

// suffix reads [prefix][unit], both optional.
func suffix(s string, info unit) (power int, ok bool) {
	for _, name := range info.spelled {
		if cut, found := strings.CutSuffix(s, name); found && len(cut) <= 1 {
			s = cut
			break
		}
	}
	switch {
	case s == "":
		return 0, true
	case len(s) == 1 && strings.IndexByte(info.prefixes, s[0]) >= 0:
		return prefixes[s[0]], true
	}
	return 0, false
}

// named returns the unit that a suffix belongs to, for messages.
func named(s string) Unit {
	for u := Ohm; u <= Celsius; u++ {
		if _, ok := suffix(s, units[u]); ok && s != "" {
			for _, name := range units[u].spelled {
				if strings.HasSuffix(s, name) {
					return u
				}
			}
		}
	}
	return None
}

// run counts the digits that s begins with.
func run(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

func isDigits(s string) bool { return run(s) == len(s) }

// exponent counts the characters of the decimal exponent that s begins with,
// as in 1e-9.
func exponent(s string) int {
	if s == "" || s[0] != 'e' && s[0] != 'E' {
		return 0
	}
	n := 1
	if n < len(s) && (s[n] == '+' || s[n] == '-') {
		n++
	}
	d := run(s[n:])
	if d == 0 {
		return 0
	}
	return n + d
}

// steps are the powers of ten that are written with a prefix, the largest first.
var steps = []struct {
	prefix string
	power  int
}{{"G", 9}, {"M", 6}, {"k", 3}, {"", 0}, {"m", -3}, {"u", -6}, {"n", -9}, {"p", -12}}

// Exact writes a value for files, so that Parse gives back the same number: with a prefix
// that leaves 0.1 to 1000 where that is exact ("20 Mohm", "1.041 mA", "0.6 V"), without
// one otherwise.
func Exact(value float64, u Unit) string {
	plain := strconv.FormatFloat(value, 'g', -1, 64)
	for _, s := range steps {
		least := 1.0
		if s.power <= 0 {
			least = 0.1
		}
		scaled, _ := decimal(plain, -s.power)
		if size := math.Abs(scaled); size < least || size >= 1000 || !strings.Contains(units[u].prefixes, s.prefix) {
			continue
		}
		text := strconv.FormatFloat(scaled, 'f', -1, 64) + " " + s.prefix + units[u].name
		if again, err := Parse(text, u); err == nil && again == value {
			return text
		}
	}
	return plain + " " + units[u].name
}

// decimal reads a number times a power of ten, and rounds once.
func decimal(number string, power int) (float64, error) {
	digits, exponent, _ := strings.Cut(strings.ToLower(number), "e")
	own, err := strconv.Atoi(cmp.Or(exponent, "0"))
	if err != nil {
		return 0, err
	}
	return strconv.ParseFloat(digits+"e"+strconv.Itoa(own+power), 64)
}

// Format writes a value for people, with four significant digits at most and
// an SI prefix: "22 ohm", "4.7 kohm", "100 nF", "452 mV". Celsius takes no
// prefix. A value that is not known (NaN) is written "unknown".
func Format(value float64, u Unit) string {
	name := units[u].name
	switch {
	case math.IsNaN(value):
		return "unknown"
	case math.IsInf(value, 0):
		return "no end of " + name
	case value == 0 || u == Celsius || u == None:
		return strings.TrimSpace(four(value) + " " + name)
	}
	for _, s := range steps {
		if s.power > 0 && u == Second {
			continue
		}
		// 999.96 rounds to 1000 at four digits and belongs to the next prefix.
		if scaled := value / math.Pow10(s.power); math.Abs(scaled) >= 0.99995 {
			return four(scaled) + " " + s.prefix + name
		}
	}
	return four(value/1e-12) + " p" + name
}

// four writes a number to four significant digits, without a needless zero at
// the end and, unless it is huge or as good as nothing, without an exponent.
func four(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
	if err != nil || math.Abs(v) >= 1e9 || v != 0 && math.Abs(v) < 1e-9 {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
