package fault

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"halfsplit/netlist"
)

var updateDrop = flag.Bool("update-ngspice", false, "solve testdata/drop.cir anew")

// copperRail is a shorted rail with what ngspice is to solve.
type copperRail struct {
	nodes int // parts, at one node each
	clip  int
	short int
	ohms  float64 // of the short
	pulls float64 // A
	plane bool    // some pieces close rings: no tree
	deck  string
}

// copperRails draws rails of 4 to 20 parts: pieces of 0.1 to 20 milliohm, log-uniform
// (from memory), between each part and one before it; on every third rail more pieces
// close rings, as on a plane.
func copperRails(n int) (list []copperRail) {
	r := rand.New(rand.NewPCG(16, 4))
	piece := func() float64 { return 1e-4 * math.Pow(200, r.Float64()) }
	for i := range n {
		x := copperRail{nodes: 4 + r.IntN(17), ohms: 0.05 * math.Pow(20, r.Float64()), plane: i%3 == 2}
		x.clip, x.short = r.IntN(x.nodes), r.IntN(x.nodes)
		x.pulls = math.Min(1, math.Floor(0.3/x.ohms*10)/10)
		var s strings.Builder
		for k := 1; k < x.nodes; k++ {
			fmt.Fprintf(&s, "R%d n%d n%d %.6g\n", k, k, r.IntN(k), piece())
		}
		if x.plane {
			for k := range x.nodes / 2 {
				a, b := r.IntN(x.nodes), r.IntN(x.nodes)
				if a != b {
					fmt.Fprintf(&s, "RP%d n%d n%d %.6g\n", k, a, b, piece())
				}
			}
		}
		fmt.Fprintf(&s, "RS n%d 0 %.6g\nI1 0 n%d %.6g\n", x.short, x.ohms, x.clip, x.pulls)
		x.deck = s.String()
		list = append(list, x)
	}
	return list
}

// solveDrop gives the volts of each part of each rail, from ngspice.
func solveDrop(t *testing.T, rails []copperRail) string {
	t.Helper()
	var out strings.Builder
	for i, x := range rails {
		deck := fmt.Sprintf("rail %d\n%s.control\ndestroy all\nop\n", i, x.deck)
		for k := range x.nodes {
			deck += fmt.Sprintf("print v(n%d)\n", k)
		}
		cmd := exec.CommandContext(context.Background(), "ngspice", "-b")
		cmd.Stdin = strings.NewReader(deck + "quit\n.endc\n.end\n")
		var text bytes.Buffer
		cmd.Stdout = &text
		if err := cmd.Run(); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&out, "%d", i)
		for k := range x.nodes {
			_, rest, found := strings.Cut(text.String(), fmt.Sprintf("v(n%d) = ", k))
			v, _, _ := strings.Cut(rest, "\n")
			if !found {
				t.Fatalf("rail %d: no v(n%d) in\n%s", i, k, text.String())
			}
			fmt.Fprintf(&out, " %s", strings.TrimSpace(v))
		}
		out.WriteByte('\n')
	}
	return out.String()
}

// TestDropAgainstNgspice names the shorted part of rails with unknown copper from
// millivolts that ngspice gives, by the step of the meter's display: the part with the
// greatest likelihood ratio, or one of several with the same. testdata/drop.ngspice.txt
// keeps the answers; HALFSPLIT_NGSPICE=live compares them with those of ngspice now.
func TestDropAgainstNgspice(t *testing.T) {
	const file = "testdata/drop.ngspice.txt"
	rails := copperRails(300)
	if *updateDrop {
		version, err := exec.Command("ngspice", "--version").Output()
		if err != nil {
			t.Fatal(err)
		}
		head := ""
		for _, line := range strings.Split(string(version), "\n") {
			if strings.Contains(line, "ngspice-") {
				head = strings.Trim(line, "* ")
			}
		}
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte("# "+head+"; rail, then volts by part\n"+solveDrop(t, rails)), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, body, _ := strings.Cut(string(text), "\n")
	if os.Getenv("HALFSPLIT_NGSPICE") == "live" && solveDrop(t, rails) != body {
		t.Errorf("ngspice says otherwise than %s", file)
	}
	answers := solvedRails(t, body, len(rails))
	for _, tt := range []struct {
		step                    float64
		named, alone, excluding float64 // least shares; excluding: of the good parts
	}{{1e-4, 0.99, 0.30, 0.55}, {1e-3, 0.99, 0.10, 0.25}} {
		named, alone, good, excluded := 0, 0, 0, 0
		for i, x := range rails {
			d := x.read(answers[i], tt.step, -1)
			best, ties := 0.0, 0
			for k := range x.nodes {
				switch f := d.Ratio(netlist.PartID(k)); {
				case f > best+1e-9:
					best, ties = f, 1
				case f > best-1e-9:
					ties++
				}
				if k != x.short {
					good++
					if d.Ratio(netlist.PartID(k)) < 0.1 {
						excluded++
					}
				}
			}
			if d.Ratio(netlist.PartID(x.short)) > best-1e-9 {
				named++
				if ties == 1 {
					alone++
				}
			}
		}
		n := float64(len(rails))
		t.Logf("display in %.1f mV: of %d rails the short is among those named in %.1f %%, by itself in %.1f %%; %.1f %% of the good parts are ruled out",
			1e3*tt.step, len(rails), 100*float64(named)/n, 100*float64(alone)/n, 100*float64(excluded)/float64(good))
		if float64(named) < tt.named*n || float64(alone) < tt.alone*n || float64(excluded) < tt.excluding*float64(good) {
			t.Errorf("display in %.1f mV: want at least %v, %v, %v", 1e3*tt.step, tt.named, tt.alone, tt.excluding)
		}
	}
}

// solvedRails gives the volts of each part of n rails from what ngspice answered.
func solvedRails(t *testing.T, body string, n int) (volts [][]float64) {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(body), "\n")
	if len(lines) != n {
		t.Fatalf("%d answers for %d rails; go test -update-ngspice", len(lines), n)
	}
	for _, line := range lines {
		var row []float64
		for _, f := range strings.Fields(line)[1:] {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				t.Fatal(err)
			}
			row = append(row, v)
		}
		volts = append(volts, row)
	}
	return volts
}

// read gives what a display with a step in volts shows at all parts of a rail but one.
func (x *copperRail) read(volts []float64, step float64, hidden int) Drop {
	d := Drop{Amperes: x.pulls, Volts: map[netlist.PartID]float64{}}
	for k, v := range volts {
		if k != hidden {
			d.Volts[netlist.PartID(k)] = math.Round(v/step) * step
		}
	}
	return d
}

// TestDropUnread leaves out the reading of one part after the other, as of a pin under an IC
// or of a bridge: by the likelihood ratios, all parts of a rail being as likely beforehand,
// the one that is not read is the short about as often as it is on rails that ngspice solved.
func TestDropUnread(t *testing.T) {
	rails := copperRails(300)
	text, err := os.ReadFile("testdata/drop.ngspice.txt")
	if err != nil {
		t.Fatal(err)
	}
	_, body, _ := strings.Cut(string(text), "\n")
	answers := solvedRails(t, body, len(rails))
	for _, step := range []float64{1e-4, 1e-3} {
		said := 0.0
		for i, x := range rails {
			for hidden := range x.nodes {
				d, sum := x.read(answers[i], step, hidden), 0.0
				for k := range x.nodes {
					sum += d.Ratio(netlist.PartID(k))
				}
				said += d.Ratio(netlist.PartID(hidden)) / sum
			}
		}
		t.Logf("display in %.1f mV: the part that is not read is the short %.0f times by what is said, %d times by ngspice", 1e3*step, said, len(rails))
		if n := float64(len(rails)); said < 0.7*n || said > 1.3*n {
			t.Errorf("display in %.1f mV: said %.0f times, want within 30 %% of %.0f", 1e3*step, said, n)
		}
	}
}
