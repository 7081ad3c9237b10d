// Package spice puts the circuits of package circuit before ngspice, a circuit
// simulator that shares no line with it, and brings back what ngspice says the
// meter would read. It exists to check package circuit from outside.
package spice

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"halfsplit/engine/circuit"
)

// The settings of every deck. What they move, against the ideal network:
//
//   - gmin, across each junction, is the same as circuit.Gmin: nothing.
//   - rshunt, from every node to ground, is not in the ideal network; without
//     it an island that touches nothing is a singular matrix. At 1e12 ohm it
//     passes 3 pA per node at 3 V. A reading of 1 mA moves by less than 1 part
//     in 10^7; one of 1 uA through 25 nodes and some megohms, the worst there
//     is, by 0.1 to 0.2 mV. (1e9 ohm, which larger boards have needed to
//     converge, would move the latter by more than 0.1 V.)
//   - reltol ends the iteration when the last step was below 1e-4 of a voltage
//     instead of the usual 1e-3. Steps shrink by their square near the end, so
//     the reading is much closer than that: 1e-6 gives the same readings to
//     0.01 mV, but lets ngspice fail on one circuit in a hundred.
//   - ngspice's diode follows Shockley's law down to -3*n*Vt and from there a
//     cubic of its own, at most 0.4 % of the saturation current off. That shows
//     only where saturation currents are near the test current: by 0.04 mV at
//     most in the 500 recorded circuits, against ngspice given the law itself.
//   - ngspice 39 knows k and q to some 4 parts in 10^7: 0.2 uV in a drop.
const (
	// Shunt is the resistance in ohms that every deck has from each node to
	// ground. Add it to a circuit to see what it does to a reading.
	Shunt = 1e12

	gmin   = 1e-12 // S
	reltol = 1e-4
	abstol = 1e-12 // A
	vntol  = 1e-6  // V
)

// program is looked up in PATH.
const program = "ngspice"

// ErrMissing is wrapped by the errors of Run and Version when ngspice is not
// installed.
var ErrMissing = errors.New("ngspice is not installed; install it, on Debian with: apt-get install ngspice")

// Result is what ngspice made of one circuit.
type Result struct {
	Reading float64 // V, Plus against Minus
	Err     error   // set when ngspice gave no value; Reading is then NaN
}

// Deck writes one batch deck that finds the reading of each circuit in turn.
// Each is entered line by line, run, and dropped again; before each run
// everything earlier is destroyed, since an operating point that fails leaves
// the values of the one before it readable.
func Deck(w io.Writer, circuits []circuit.Circuit) error {
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "readings of %d circuits\n.control\nset numdgt=15\n", len(circuits))
	for i := range circuits {
		c := &circuits[i]
		if err := c.Check(); err != nil {
			return fmt.Errorf("circuit %d: %w", i, err)
		}
		fmt.Fprintf(out, "circbyline c%d\n", i)
		writeCircuit(out, c)
		fmt.Fprintf(out, "circbyline .end\ndestroy all\nop\necho HS %d\n", i)
		if c.Source.Plus == c.Source.Minus {
			// Two probes on one node; ngspice has no name for 0.
			fmt.Fprintf(out, "print 0\n")
		} else {
			fmt.Fprintf(out, "print %s-%s\n", voltage(c.Source.Plus), voltage(c.Source.Minus))
		}
		fmt.Fprintf(out, "echo HSEND %d\nremcirc\n", i)
	}
	fmt.Fprintf(out, "quit\n.endc\n.end\n")
	return out.Flush()
}

func writeCircuit(out io.Writer, c *circuit.Circuit) {
	line := func(format string, args ...any) {
		fmt.Fprintf(out, "circbyline "+format+"\n", args...)
	}
	// tnom equal to temp leaves the saturation current as it is written.
	line(".options temp=%s tnom=%[1]s gmin=%g rshunt=%g reltol=%g abstol=%g vntol=%g itl1=1000", num(c.Celsius), gmin, float64(Shunt), reltol, abstol, vntol)
	for i, r := range c.Resistors {
		line("r%d %s %s %s", i, name(r.A), name(r.B), num(r.Ohms))
	}
	for i, j := range c.Junctions {
		line("d%d %s %s m%d", i, name(j.Anode), name(j.Cathode), i)
		line(".model m%d d(is=%s n=%s rs=%s)", i, num(j.Saturation), num(j.Ideality), num(j.Series))
	}
	s := &c.Source
	p, m := name(s.Plus), name(s.Minus)
	switch s.Kind {
	case circuit.Resistive:
		line("vs open %s %s", m, num(s.Open))
		line("rs %s open %s", p, num(s.SourceOhms()))
	case circuit.ConstantCurrent:
		// The fade of circuit.Source.FadeWidth, written out. A clamp diode in
		// its place has a corner and fails to converge.
		line("bs %s %s i=%s*tanh((%s-v(%s,%s))/%s)", m, p, num(s.Current), num(s.Open), p, m, num(s.FadeWidth()))
	}
}

func name(n circuit.Node) string {
	if n == 0 {
		return "0"
	}
	return "n" + strconv.Itoa(int(n))
}

func voltage(n circuit.Node) string {
	if n == 0 {
		return "0"
	}
	return "v(" + name(n) + ")"
}

func num(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// batch is how many circuits go into one process; ngspice slows down and grows
// with the circuits it has seen.
const batch = 250

// Run has ngspice find the reading of each circuit. A circuit that ngspice
// gives no value for has its Err set; the error of Run itself means that
// ngspice is missing, was stopped by ctx, or could not be made sense of.
func Run(ctx context.Context, circuits []circuit.Circuit) ([]Result, error) {
	if _, err := exec.LookPath(program); err != nil {
		return nil, fmt.Errorf("%w (%v)", ErrMissing, err)
	}
	results := make([]Result, 0, len(circuits))
	for len(circuits) > 0 {
		n := min(batch, len(circuits))
		part, err := runBatch(ctx, circuits[:n])
		if err != nil {
			return nil, fmt.Errorf("circuits %d to %d: %w", len(results), len(results)+n-1, err)
		}
		results = append(results, part...)
		circuits = circuits[n:]
	}
	return results, nil
}

func runBatch(ctx context.Context, circuits []circuit.Circuit) ([]Result, error) {
	var deck bytes.Buffer
	if err := Deck(&deck, circuits); err != nil {
		return nil, err
	}
	return runDeck(ctx, deck.Bytes(), len(circuits))
}

// runDeck runs a deck of Deck for n circuits.
func runDeck(ctx context.Context, deck []byte, n int) ([]Result, error) {
	dir, err := os.MkdirTemp("", "halfsplit-spice-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "deck.cir")
	if err := os.WriteFile(path, deck, 0o600); err != nil {
		return nil, err
	}
	// Without -n ngspice would read the user's own settings.
	cmd := exec.CommandContext(ctx, program, "-n", "-b", path)
	cmd.Dir = dir
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	runErr := cmd.Run()
	if ctx.Err() != nil {
		return nil, fmt.Errorf("ngspice was stopped: %w", ctx.Err())
	}
	results, err := parse(&stdout, n)
	if err != nil {
		return nil, fmt.Errorf("%w (ngspice ended with %v and said: %s)", err, runErr, tail(stderr.String()))
	}
	return results, nil
}

// parse reads the markers of Deck. A value counts only between the two markers
// of its own circuit; anything else is a failure, never an open reading.
func parse(r io.Reader, n int) ([]Result, error) {
	results := make([]Result, n)
	for i := range results {
		results[i] = Result{Reading: math.NaN(), Err: errors.New("ngspice printed no value; it found no operating point")}
	}
	current, last := -1, -1
	in := bufio.NewScanner(r)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		line := strings.TrimSpace(in.Text())
		if s, ok := strings.CutPrefix(line, "HS "); ok {
			i, err := strconv.Atoi(s)
			if err != nil || i != last+1 || i >= n {
				return nil, fmt.Errorf("ngspice: marker %q out of turn", line)
			}
			current, last = i, i
			continue
		}
		if strings.HasPrefix(line, "HSEND ") {
			current = -1
			continue
		}
		if current < 0 {
			continue
		}
		if _, value, ok := strings.Cut(line, " = "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
			if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
				results[current] = Result{Reading: v}
			}
		}
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("ngspice: output cannot be read: %w", err)
	}
	if last != n-1 {
		return nil, fmt.Errorf("ngspice: output ends after circuit %d of %d", last+1, n)
	}
	return results, nil
}

func tail(s string) string {
	s = strings.TrimSpace(s)
	if len(s) > 500 {
		s = "..." + s[len(s)-500:]
	}
	return s
}

// Version gives the version of the ngspice in PATH, such as "ngspice-39".
func Version(ctx context.Context) (string, error) {
	out, err := exec.CommandContext(ctx, program, "--version").Output()
	if errors.Is(err, exec.ErrNotFound) {
		return "", fmt.Errorf("%w (%v)", ErrMissing, err)
	}
	if err != nil {
		return "", fmt.Errorf("ngspice --version: %w", err)
	}
	for word := range strings.FieldsSeq(string(out)) {
		if strings.HasPrefix(word, "ngspice-") {
			return word, nil
		}
	}
	return "", fmt.Errorf("ngspice --version names no version in %q", tail(string(out)))
}
