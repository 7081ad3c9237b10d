package lesson

import (
	"strings"
	"testing"

	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
)

func TestVerdicts(t *testing.T) {
	c := made(t, small(t, "bridges", 1, 1))
	b := c.Order.Board
	for _, test := range []struct{ text, want, err string }{
		{"nothing", "", ""},
		{"No fault", "", ""},
		{"R3 open", "R3 open", ""},
		{"r3 is open", "R3 open", ""},
		{"R3", "R3", ""},
		{"C3 short", "C3 shorted", ""},
		{"C3 leaky and R1.1 open joint", "C3 leaky + R1 open joint", ""},
		{"C3 leaky, R1 high", "C3 leaky + R1 high resistance", ""},
		{"J1.2 to J1.3 bridged", "J1.2 to J1.3 bridged", ""},
		{"J1.2-J1.3 shorted", "J1.2 to J1.3 bridged", ""},
		{"j1.2 J1.3 bridge", "J1.2 to J1.3 bridged", ""},
		{"J1.2 and J1.3 bridged and C3 leaky", "J1.2 to J1.3 bridged + C3 leaky", ""},
		{"J1.3 bridged", "", "`J1.3` alone cannot be bridged; name both pins, as in `J1.2 to J1.3 bridged`"},
		{"C3 leaky (about 180 ohm)", "C3 leaky", ""},
		{"C3 leaky 4K7", "C3 leaky", ""},
		{"trace J1.4 D1.1 broken", "J1.4 to D1.1 broken trace", ""},
		{"J1.4 to D1.1 open", "J1.4 to D1.1 broken trace", ""},
		{"J1.4 open joint", "J1.4 open joint", ""},
		{"J1.4 open", "J1.4 open joint", ""},
		{"U1.5 shorted", "U1 shorted", ""},
		{"leakage between J1.2 and J1.3", "J1.2 to J1.3 leakage between pins", ""},
		{"leak between pins J1.3 and J1.2 and short of C3", "J1.2 to J1.3 leakage between pins + C3 shorted", ""},
		{"J1.2 to J1.3 leakage between pins and R1 open", "J1.2 to J1.3 leakage between pins + R1 open", ""},
		{"J1.3-J1.2 bridged", "J1.2 to J1.3 bridged", ""},
		{"a broken trace between J1.4 and D1.1", "J1.4 to D1.1 broken trace", ""},
		{"an open joint at R1.1", "R1 open joint", ""},
		{"R9 open joint, comes and goes", "R9 open joint", ""},
		{"short of nothing", "", "nothing on this board that could be bad is called `short`; "},
		{"R11 open", "", "nothing on this board that could be bad is called `R11`; did you mean"},
		{"R3 bent", "", "`bent` is not a way to go bad; "},
		{"R3 open and R3 open", "", "`R3` is named twice; name each part once"},
		{"R1, R2, R3, R4, R5", "", "more than 4 parts are named; name those that you mean"},
		{"", "", "nothing on this board that could be bad is called ``; "},
	} {
		list, err := parseVerdict(b, c.loci, test.text)
		if test.err != "" {
			if err == nil || !strings.HasPrefix(err.Error(), test.err) {
				t.Errorf("%q: %v; want %s", test.text, err, test.err)
			}
			continue
		}
		var words []string
		for _, n := range list {
			words = append(words, n.String())
		}
		if got := strings.Join(words, " + "); err != nil || got != test.want {
			t.Errorf("%q: %q, %v; want %q", test.text, got, err, test.want)
		}
	}
}

// Whatever the answer sheet may say of a fault, and the same with the mode in front, is
// a verdict on it.
func TestAnswersAreVerdicts(t *testing.T) {
	for _, file := range []string{courseBoard, boardFile} {
		b, err := netlist.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		m := network.New(b)
		loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
		for i := range loci {
			for _, r := range loci[i].Modes {
				place, mode := loci[i].Name(b), r.Mode.String()
				answer := faultWords(b, []practice.Fault{{Locus: loci[i], Mode: r.Mode, Ohms: 180}})
				for _, text := range []string{answer, answer + intermittent, strings.ToLower(place) + " " + mode, mode + " at " + place, mode + " between " + place} {
					list, err := parseVerdict(b, loci, text)
					if err != nil || len(list) != 1 || list[0].Place != place || list[0].Mode != r.Mode {
						t.Fatalf("%q: %v, %v", text, list, err)
					}
				}
			}
		}
	}
}
