package lesson

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Each number and rule that a lesson states is compared with what the simulated bench
// shows: the sentence stands in the text, and the reading lies where it says.
func TestCourseClaims(t *testing.T) {
	classes, cases := map[int]*Class{}, map[int]*Case{}
	eachLesson(t, func(c *Class, x *Case, number int) { classes[number], cases[number] = c, x })
	own := []placed{} // marks the lesson's own faults
	sound := []placed(nil)
	const afterwards = 0 // in afterwards.md, of the lesson whose number stands in claim.of
	for _, claim := range []struct {
		in, of    int // text, and the lesson whose board is read
		sentence  string
		faults    []placed
		at, to    string
		ohms      bool
		low, high float64 // volts or ohms; both 9 for OL
	}{
		{2, 2, "both read the same within a few millivolts, and lower than either did", own, "J1.4", "", false, 0.530, 0.575},
		{2, 2, "both read the same within a few millivolts, and lower than either did", own, "J1.5", "", false, 0.530, 0.575},
		{2, 2, "twice the area takes some tens of millivolts less", sound, "J1.5", "", false, 0.580, 0.600},
		{2, 2, "about an ohm where there is one", own, "J1.4", "J1.5", true, 0.5, 1.5},
		{2, 2, "and kilohms where there is none", sound, "J1.4", "J1.5", true, 2000, 20000},
		{afterwards, 2, "`ohms J1.4 to J1.5` shows 0.7 ohm", own, "J1.4", "J1.5", true, 0.5, 0.9},
		{afterwards, 2, "The controller lies behind R3 and R4, 47 ohm each", sound, "R3.1", "R3.2", true, 46, 49},
		{3, 3, "Through 47 ohm that is 47 mV", []placed{{"U1 6-ground", fault.Shorted, 0.4}}, "J1.5", "", false, 0.044, 0.052},
		{3, 3, "through 470 ohm 0.47 V", []placed{{"C1 1-2", fault.Shorted, 0.4}}, "J1.2", "", false, 0.45, 0.49},
		{3, 3, "Zero at the pin is a short at the pin's own copper", own, "J1.5", "", false, 0, 0.004},
		{3, 3, "a rail reads some 30 mV less where a pull-up leads from it to a short", own, "J1.7", "", false, 0.395, 0.420},
		{afterwards, 3, "J1.5 reads 0.002, and a short behind R4 shows 0.049", own, "J1.5", "", false, 0, 0.004},
		{4, 4, "every point of the rail reads about the same, near zero, whichever part it is", own, "J1.7", "", false, 0, 0.004},
		{4, 4, "so that both rails read the same here", own, "TP3", "", false, 0, 0.004},
		{4, 4, "FB1 has three tenths of an ohm for direct current", own, "J1.7", "TP3", true, 0.2, 0.5},
		{4, 4, "The short is on the side that reads less", own, "J1.7", "", true, 0.2, 0.45},
		{4, 4, "The short is on the side that reads less", own, "TP3", "", true, 0.45, 0.8},
		{5, 5, "A line that should read a drop and shows OL is broken somewhere", own, "J1.2", "", false, 9, 9},
		{5, 5, "if it reads OL, it is behind", own, "TP1", "", false, 9, 9},
		{afterwards, 5, "TP1 reads OL, R1.1 reads good", own, "R1.1", "", false, 1.04, 1.10},
		{6, 6, "One side OL and the other as a good board: the part between them does not conduct", own, "R2.1", "", false, 9, 9},
		{6, 6, "the same place on the other line reads the same too", own, "R1.2", "", false, 0.59, 0.61},
		{afterwards, 6, "R2.2 reads 0.602, where 0.601 is predicted", own, "R2.2", "", false, 0.595, 0.609},
		{8, 8, "the side behind it is the leak's own millivolts", own, "R2.2", "", false, 0.175, 0.190},
		{8, 8, "what falls across it is the current times its value", own, "J1.3", "", false, 0.63, 0.68},
		{afterwards, 8, "Behind R2 the display shows 0.183 V at 1 mA", own, "R2.2", "", false, 0.178, 0.188},
		{afterwards, 9, "the short reads 0.025 at J1.8", own, "J1.8", "", false, 0.021, 0.028},
		{11, 11, "a few tenths of an ohm are a few tenths of a millivolt", own, "J1.7", "TP3", false, 0, 0.002},
		{11, 11, "the end that is further from the short reads more by what is read across", own, "J1.7", "", true, 2.1, 2.7},
		{11, 11, "the end that is further from the short reads more by what is read across", own, "TP3", "", true, 1.8, 2.3},
		{12, 12, "5 mV for each resistor, and a millivolt or so for the short itself", own, "J1.2", "", false, 0.0094, 0.0135},
		{12, 12, "each resistor in its way takes 4.7 mV", own, "TP1", "", false, 0.0045, 0.0085},
		{12, 12, "At the short's own point the least is left", own, "TP2", "", false, 0, 0.003},
		{12, 12, "one resistor further on it is 5 mV more again", own, "TP3", "", false, 0.0045, 0.0085},
		{11, 11, "across a good resistor its own value is read", sound, "R1.1", "R1.2", true, 460, 480},
	} {
		of, c := cases[claim.of], classes[claim.of]
		name := fmt.Sprintf("lesson-%02d.md", claim.in)
		if claim.in == afterwards {
			name = "afterwards.md"
		}
		text, err := os.ReadFile(filepath.Join(courseDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), claim.sentence) {
			t.Errorf("%s does not say %q", name, claim.sentence)
		}
		x := &Case{key: of.key, data: of.data}
		if claim.faults == nil || len(claim.faults) > 0 {
			x.data.Faults, x.data.Flicker = claim.faults, 0
		}
		d, err := c.begin(x)
		if err != nil {
			t.Fatal(err)
		}
		r, err := d.Read(claim.at, claim.to, references.RedOnGround, claim.ohms)
		if err != nil {
			t.Fatal(err)
		}
		over := claim.low == 9
		if r.Reading.Overload != over || !over && (r.Reading.Value < claim.low || r.Reading.Value > claim.high) {
			t.Errorf("%s, %q: the bench shows %s at %s %s; want %g to %g", name, claim.sentence, quantity.FormatReading(r.Reading), claim.at, claim.to, claim.low, claim.high)
		}
	}
	// Lesson 1: no reading of a good board lies four standard deviations off.
	d, err := classes[1].begin(cases[1])
	if err != nil {
		t.Fatal(err)
	}
	list, err := d.Engine.Compare(d.Case())
	if err != nil || len(list) == 0 {
		t.Fatal(list, err)
	}
	for _, r := range list {
		if r.ZScore < -4 || r.ZScore > 4 {
			t.Errorf("lesson 1: %s is %.1f standard deviations off", r.At, r.ZScore)
		}
	}
}
