package quantity

import (
	"errors"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Codes and their values: the examples of IEC 60062 (letter in place of the
// decimal point, R K M G for ohms, p n µ m F for farads); the plain SI rows are
// the ways people write, common practice.
func TestParse(t *testing.T) {
	tests := []struct {
		text string
		unit Unit
		want float64
	}{
		// IEC 60062, table of resistance codes.
		{"R10", Ohm, 0.1},
		{"R332", Ohm, 0.332},
		{"R47", Ohm, 0.47},
		{"1R0", Ohm, 1},
		{"3R32", Ohm, 3.32},
		{"2R2", Ohm, 2.2},
		{"10R", Ohm, 10},
		{"33R2", Ohm, 33.2},
		{"K10", Ohm, 100},
		{"332R", Ohm, 332},
		{"1K0", Ohm, 1e3},
		{"3K32", Ohm, 3320},
		{"4K7", Ohm, 4700},
		{"M10", Ohm, 1e5},
		{"1M0", Ohm, 1e6},
		{"33M2", Ohm, 33.2e6},
		{"1G0", Ohm, 1e9},
		// IEC 60062, table of capacitance codes.
		{"p10", Farad, 0.1e-12},
		{"1p5", Farad, 1.5e-12},
		{"15p", Farad, 15e-12},
		{"n15", Farad, 150e-12},
		{"4n7", Farad, 4.7e-9},
		{"100n", Farad, 100e-9},
		{"1µ5", Farad, 1.5e-6},
		{"2u2", Farad, 2.2e-6},
		{"1m5", Farad, 1.5e-3},
		// Plain SI.
		{"0R", Ohm, 0},
		{"0", Ohm, 0},
		{"22", Ohm, 22},
		{"22 ohm", Ohm, 22},
		{"22 Ω", Ohm, 22},
		{"22Ω", Ohm, 22},
		{"4.7 kohm", Ohm, 4700},
		{"4.7 kΩ", Ohm, 4700},
		{"4k7", Ohm, 4700},
		{"4.7k", Ohm, 4700},
		{"10 mohm", Ohm, 0.010},
		{"1 Mohm", Ohm, 1e6},
		{"  22  ", Ohm, 22},
		{"100 nF", Farad, 100e-9},
		{"100NF", Farad, 100e-9},
		{"1e-9", Farad, 1e-9},
		{"4u7", Henry, 4.7e-6},
		{"10 uH", Henry, 10e-6},
		{"1.8 V", Volt, 1.8},
		{"1V8", Volt, 1.8},
		{"3.3", Volt, 3.3},
		{"-5 V", Volt, -5},
		{"120 mV", Volt, 0.120},
		{"1 mA", Ampere, 1e-3},
		{"0.5mA", Ampere, 0.5e-3},
		{"3 s", Second, 3},
		{"120", Second, 120},
		{"23 C", Celsius, 23},
		{"23 °C", Celsius, 23},
		{"-5 C", Celsius, -5},
	}
	for _, test := range tests {
		got, err := Parse(test.text, test.unit)
		if err != nil {
			t.Errorf("Parse(%q, %v): %v", test.text, test.unit, err)
			continue
		}
		// One part in 1e15: the nearest float64 or its neighbour.
		if math.Abs(got-test.want) > 1e-15*math.Abs(test.want) {
			t.Errorf("Parse(%q, %v) = %v, want %v", test.text, test.unit, got, test.want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	tests := []struct {
		text  string
		unit  Unit
		wants string // part of the message
	}{
		{"", Ohm, "is not a value in ohm; write it like 4K7 or 22 ohm"},
		{"NaN", Ohm, "is not a value in ohm"},
		{"Inf", Volt, "is not a value in V"},
		{"-22", Ohm, "less than nothing"},
		{"100 nF", Ohm, `"100 nF" is in F where ohm is wanted`},
		{"4K7", Farad, "is not a value in F"},
		{"4.7 kohm", Farad, "is in ohm where F is wanted"},
		{"1.8 V", Ampere, "is in V where A is wanted"},
		{"4,7k", Ohm, "write a point before the decimals"},
		{"4K7K", Ohm, "is not a value in ohm"},
		{"4.7K7", Ohm, "is not a value in ohm"},
		{"1e99", Ohm, "which no board has"},
		{"1e999", Ohm, "is not a value"},
		{"104", Farad, "is 104 F, which no board has; write it like 100n"},
		{"0", Farad, "is not a size in F"},
		{"0", Ampere, "is not a size in A"},
		{".", Ohm, "is not a value in ohm"},
		{"R", Ohm, "is not a value in ohm"},
		{"--5", Volt, "is not a value in V"},
		{"22 ohm ohm", Ohm, "is not a value in ohm"},
		{"0x10", Ohm, "is not a value in ohm"},
		{"1_000", Ohm, "is not a value in ohm"},
		{"22", None, "is a value where none belongs"},
		{strings.Repeat("1", 10000), Ohm, "is not a value in ohm"},
	}
	for _, test := range tests {
		got, err := Parse(test.text, test.unit)
		if err == nil {
			t.Errorf("Parse(%.50q, %v) = %v, want an error with %q", test.text, test.unit, got, test.wants)
		} else if !strings.Contains(err.Error(), test.wants) {
			t.Errorf("Parse(%.50q, %v): %v; want %q in it", test.text, test.unit, err, test.wants)
		}
	}
}

func TestFormat(t *testing.T) {
	tests := []struct {
		value float64
		unit  Unit
		want  string
	}{
		{22, Ohm, "22 ohm"},
		{4700, Ohm, "4.7 kohm"},
		{999.96, Ohm, "1 kohm"},
		{999.9, Ohm, "999.9 ohm"},
		{0, Ohm, "0 ohm"},
		{0.02, Ohm, "20 mohm"},
		{100e-9, Farad, "100 nF"},
		{15e-12, Farad, "15 pF"},
		{0.1e-12, Farad, "0.1 pF"},
		{1e-300, Ohm, "1e-288 pohm"},
		{0.452, Volt, "452 mV"},
		{1.8, Volt, "1.8 V"},
		{-5, Volt, "-5 V"},
		{1e-3, Ampere, "1 mA"},
		{1800, Second, "1800 s"},
		{23, Celsius, "23 C"},
		{math.NaN(), Ohm, "unknown"},
		{math.Inf(1), Ohm, "no end of ohm"},
	}
	for _, test := range tests {
		if got := Format(test.value, test.unit); got != test.want {
			t.Errorf("Format(%v, %v) = %q, want %q", test.value, test.unit, got, test.want)
		}
	}
}

// TestExact: what is written for files is short and is read back to the last bit.
func TestExact(t *testing.T) {
	for _, tt := range []struct {
		value float64
		unit  Unit
		want  string
	}{
		{2e7, Ohm, "20 Mohm"}, {0.001041, Ampere, "1.041 mA"}, {1e-4, Ampere, "0.1 mA"}, {1.3e-6, Ampere, "1.3 uA"},
		{0.6, Volt, "0.6 V"}, {0.001, Volt, "1 mV"}, {1.9999, Volt, "1.9999 V"}, {0, Volt, "0 V"}, {470, Ohm, "470 ohm"}, {4.5e5, Ohm, "450 kohm"},
	} {
		if got := Exact(tt.value, tt.unit); got != tt.want {
			t.Errorf("Exact(%g, %s) = %q, want %q", tt.value, tt.unit, got, tt.want)
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		u := []Unit{Ohm, Volt, Ampere, Farad}[r.IntN(4)]
		info := units[u]
		v := info.low * math.Pow(info.high/info.low, r.Float64())
		if digits := r.IntN(18); digits > 0 && digits < 6 { // as a person writes it
			v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
		}
		text := Exact(v, u)
		if again, err := Parse(text, u); v >= info.low && v <= info.high && (err != nil || again != v) {
			t.Fatalf("%v %s is written %q and read as %v, %v", v, u, text, again, err)
		}
	}
}

func TestReading(t *testing.T) {
	volts := func(v float64) Reading { return Reading{Value: v, Unit: Volt} }
	ohms := func(v float64) Reading { return Reading{Value: v, Unit: Ohm} }
	tests := []struct {
		text string
		want Reading
	}{
		{"0.452", volts(0.452)},
		{".452", volts(0.452)},
		{"452", volts(0.452)},
		{"1", volts(0.001)},
		{"0", volts(0)},
		{"0.0", volts(0)},
		{"-3", volts(-0.003)},
		{"1.8 V", volts(1.8)},
		{"452 mV", volts(0.452)},
		{"452mV", volts(0.452)},
		{"OL", Reading{Overload: true, Unit: Volt}},
		{"ol", Reading{Overload: true, Unit: Volt}},
		{"O.L", Reading{Overload: true, Unit: Volt}},
		{"0L", Reading{Overload: true, Unit: Volt}},
		{".OL", Reading{Overload: true, Unit: Volt}},
		{"OL ohm", Reading{Overload: true, Unit: Ohm}},
		{"OL MΩ", Reading{Overload: true, Unit: Ohm}},
		{"22.1 ohm", ohms(22.1)},
		{"22.1Ω", ohms(22.1)},
		{"4K7", ohms(4700)},
		{"0.3 ohm", ohms(0.3)},
		{"-0.1 ohm", ohms(-0.1)},
		{"1.2 Mohm", ohms(1.2e6)},
		{"1e-300 V", volts(0)}, // written out it could not be read back
		{"R00000000000000000000000000000000001", ohms(0)},
	}
	for _, test := range tests {
		got, err := ParseReading(test.text)
		if err != nil {
			t.Errorf("ParseReading(%q): %v", test.text, err)
			continue
		}
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("ParseReading(%q) (-want +got):\n%s", test.text, diff)
		}
		again, err := ParseReading(FormatReading(got))
		if err != nil || again != got {
			t.Errorf("FormatReading(%v) = %q, which reads %v, %v", got, FormatReading(got), again, err)
		}
	}
}

func TestReadingRefuses(t *testing.T) {
	tests := []struct{ text, wants string }{
		{"", "is not a reading; write volts as 0.452"},
		{"NaN", "is not a reading"},
		{"inf", "is not a reading"},
		{"-0.452", "is below ground; take the battery out"},
		{"-21", "is below ground"},
		{"452.", "is 452 V, which no meter shows in diode mode; millivolts are written without a point"},
		{"61000", "which no meter shows"},
		{"1e3", "is not a reading"},
		{"0,452", "write a point before the decimals"},
		{"-22 ohm", "is not a resistance that a meter shows"},
		{"100 nF", "is not a reading"},
		{"OL x", "is not a reading"},
		{"+-3", "is not a reading"},
		{"open", "is not a reading"},
	}
	for _, test := range tests {
		got, err := ParseReading(test.text)
		if err == nil {
			t.Errorf("ParseReading(%q) = %v, want an error with %q", test.text, got, test.wants)
		} else if !strings.Contains(err.Error(), test.wants) {
			t.Errorf("ParseReading(%q): %v; want %q in it", test.text, err, test.wants)
		}
	}
}

// The whole E96 series as IEC 60063 lists it.
var e96 = []float64{
	100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130,
	133, 137, 140, 143, 147, 150, 154, 158, 162, 165, 169, 174,
	178, 182, 187, 191, 196, 200, 205, 210, 215, 221, 226, 232,
	237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
	316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412,
	422, 432, 442, 453, 464, 475, 487, 499, 511, 523, 536, 549,
	562, 576, 590, 604, 619, 634, 649, 665, 681, 698, 715, 732,
	750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
}

func TestPreferred(t *testing.T) {
	var got []float64
	for n := range int(E96) {
		got = append(got, E96.step(n))
	}
	if diff := cmp.Diff(e96, got); diff != "" {
		t.Errorf("E96 (IEC 60063) (-want +got):\n%s", diff)
	}
	tests := []struct {
		value  float64
		series Series
		want   float64
	}{
		{22, E24, 22},
		{23.1, E24, 24},
		{4650, E24, 4700},
		{9.7, E24, 10},
		{9.3, E24, 9.1},
		{99.5, E96, 100},
		{0.0471, E24, 0.047},
		{4.8e-9, E24, 4.7e-9},
		{22.4, E96, 22.6},
		{0, E24, 0},
	}
	for _, test := range tests {
		if got := Nearest(test.value, test.series); math.Abs(got-test.want) > 1e-12*test.want {
			t.Errorf("Nearest(%v, E%d) = %v, want %v", test.value, test.series, got, test.want)
		}
	}
}

func FuzzQuantity(f *testing.F) {
	for _, text := range []string{"4K7", "R47", "22 ohm", "100 nF", "1e-9", "-5 V", "23 °C", "", "µ", "1.8.8"} {
		f.Add(text, byte(Ohm))
	}
	f.Fuzz(func(t *testing.T, text string, u byte) {
		unit := Unit(u) % (Celsius + 1)
		value, err := Parse(text, unit)
		if err != nil {
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("Parse(%q, %v): %v does not say what to do", text, unit, err)
			}
			return
		}
		if math.IsNaN(value) || math.IsInf(value, 0) {
			t.Fatalf("Parse(%q, %v) = %v", text, unit, value)
		}
		again, err := Parse(Format(value, unit), unit)
		// Four digits are kept: half a unit of the fourth is 5e-4 of a 1.
		if err != nil || math.Abs(again-value) > 5.01e-4*math.Abs(value) {
			t.Errorf("Format(%v, %v) = %q, which reads %v, %v", value, unit, Format(value, unit), again, err)
		}
	})
}

func FuzzReading(f *testing.F) {
	for _, text := range []string{"0.452", "452", "OL", "o.l ohm", "22.1 ohm", "-3", "452 mV", "", "61 V", "1e-300 V", "R00000000000000000000000000000000001"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		r, err := ParseReading(text)
		if err != nil {
			if r != (Reading{}) || errors.Unwrap(err) != nil {
				t.Errorf("ParseReading(%q) = %v beside %v", text, r, err)
			}
			return
		}
		again, err := ParseReading(FormatReading(r))
		if err != nil || math.Abs(again.Value-r.Value) > 1e-15*math.Abs(r.Value) || again.Overload != r.Overload || again.Unit != r.Unit {
			t.Errorf("ParseReading(%q) = %v; %q reads %v, %v", text, r, FormatReading(r), again, err)
		}
	})
}

func BenchmarkParseReading(b *testing.B) {
	for b.Loop() {
		if _, err := ParseReading("0.452"); err != nil {
			b.Fatal(err)
		}
	}
}
