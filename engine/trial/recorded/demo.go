package recorded

import (
	"bufio"
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// Demo is a folder of good-board sweeps and cases whose truth is known: the
// demo. It is written as truth.yaml, from which everything else was made.
type Demo struct {
	Model *network.Model
	Truth *practice.Truth
	Known []DemoSweep
	Cases []DemoCase
}

// DemoSweep is one sweep over one good board.
type DemoSweep struct {
	File      string // path of the sweep file
	Sweep     references.Sweep
	Simulator *Simulator // the board and the meter it was taken with
}

// DemoCase is one case: its file, and what is true of it.
type DemoCase struct {
	File      string // path of the case file
	About     string // what is wrong, for people
	Complaint string
	Remedy    string // what repairs it, for people
	Bad       []netlist.PartID
	Sweep     []netlist.ConnectorID // that the case file has readings of
	Extra     []DemoReading         // further readings in the case file
	Looks     []netlist.PartID      // that the case file has looks of
	Simulator *Simulator
}

// DemoReading is one reading beside the sweep in a case file.
type DemoReading struct {
	At     netlist.Point
	Name   string
	Missed bool // the probe missed the pad, and the display showed OL
}

// demoFile is truth.yaml. It is ours: what it holds is described where it is used.
type demoFile struct {
	Board string // the board file, from the folder of this one
	Truth uint64 // seed of the board type
	Known []struct {
		File, By, Taken, Meter, Polarity string
		Sample                           string  // seed of the board
		Celsius                          float64 // true temperature of the board
		Says                             float64 // what the sweep file says of it
	}
	Cases []demoCaseFile
}

// demoCaseFile is a case in truth.yaml.
type demoCaseFile struct {
	File, About, Complaint, Remedy, Sample, Meter string

	Celsius float64
	Sweep   []string // connectors that the case has readings of
	Faults  []struct {
		At, Mode string
		Ohms     *float64 // none for an open
	}
	Bad     []string            // parts
	Read    yaml.Node           // further readings: point, and true or missed
	Inspect []string            // parts that the case has looks of
	Looks   map[string]string   // where that is not left to chance
	Warm    map[string][]string // parts that warm up, by rail, where that is not left to chance
}

// LoadDemo reads a truth.yaml and the voltages that ngspice found for it, which
// are kept beside it in ngspice.txt; without that file every answer comes from
// the own solver.
func LoadDemo(path string) (*Demo, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var file demoFile
	in := yaml.NewDecoder(bytes.NewReader(text))
	in.KnownFields(true)
	if err := in.Decode(&file); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	dir := filepath.Dir(path)
	board, err := netlist.Load(filepath.Join(dir, file.Board))
	if err != nil {
		return nil, err
	}
	m := network.New(board)
	s := &demoReader{dir: dir, m: m, loci: fault.Loci(m, fault.DefaultPriors(), m.Nominal()), truth: practice.NewTruth(m, file.Truth)}
	demo := &Demo{Model: m, Truth: s.truth}
	for i := range file.Known {
		x := &file.Known[i]
		k := DemoSweep{File: filepath.Join(dir, x.File), Simulator: s.bench(x.Sample, x.Meter, x.Celsius, nil)}
		k.Sweep = references.Sweep{File: k.File, Board: board.Name, Revision: board.Revision, Sample: x.Sample, By: x.By, Meter: k.Simulator.Meter.Declared,
			State: references.State{Battery: "out", Celsius: x.Says}}
		k.Sweep.Taken, err = references.ParseTime(x.Taken)
		s.keep(err)
		k.Sweep.State.Polarity, _ = references.ParsePolarity(x.Polarity)
		for c := range board.Connectors {
			k.Sweep.State.Unplugged = append(k.Sweep.State.Unplugged, board.Connectors[c].Name)
		}
		demo.Known = append(demo.Known, k)
	}
	for i := range file.Cases {
		demo.Cases = append(demo.Cases, s.demoCase(&file.Cases[i]))
	}
	if s.err != nil {
		return nil, fmt.Errorf("%s: %w", path, s.err)
	}
	f, err := os.Open(filepath.Join(dir, answersFile))
	if os.IsNotExist(err) {
		return demo, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	answers, err := readAnswers(f, f.Name())
	if err != nil {
		return nil, err
	}
	for i := range demo.Known {
		demo.Known[i].Simulator.answers = answers[filepath.Base(demo.Known[i].File)]
	}
	for i := range demo.Cases {
		demo.Cases[i].Simulator.answers = answers[filepath.Base(demo.Cases[i].File)]
	}
	return demo, nil
}

// answersFile is the file of recorded voltages beside truth.yaml.
const answersFile = "ngspice.txt"

// demoReader finds on the board what truth.yaml names, and keeps the first error.
type demoReader struct {
	dir   string
	m     *network.Model
	loci  []fault.Locus
	truth *practice.Truth
	err   error
}

func (s *demoReader) keep(err error) { s.err = cmp.Or(s.err, err) }

// bench makes the board and the meter of a sweep or a case. Two with the same
// meter share the very instrument.
func (s *demoReader) bench(sample, meter string, celsius float64, faults []practice.Fault) *Simulator {
	instrument, err := practice.MeterNamed(meter, s.truth.Seed)
	s.keep(err)
	seed, err := strconv.ParseUint(sample, 10, 64)
	s.keep(err)
	return NewSimulator(s.truth.Sample(seed, celsius).Faulted(faults...), instrument)
}

// find looks names up on the board.
func find[T any](s *demoReader, names []string, by func(string) (T, error)) (list []T) {
	for _, name := range names {
		x, err := by(name)
		s.keep(err)
		list = append(list, x)
	}
	return list
}

func (s *demoReader) demoCase(x *demoCaseFile) DemoCase {
	b := s.m.Board
	c := DemoCase{File: filepath.Join(s.dir, x.File), About: x.About, Complaint: x.Complaint, Remedy: x.Remedy,
		Bad: find(s, x.Bad, b.PartByName), Looks: find(s, x.Inspect, b.PartByName), Sweep: find(s, x.Sweep, b.ConnectorByName)}
	var faults []practice.Fault
	for _, f := range x.Faults {
		mode, ok := fault.ParseMode(f.Mode)
		if !ok {
			s.keep(fmt.Errorf("%s is not a mode; %s", document.Quote(f.Mode), document.Suggest(f.Mode, fault.ModeNames(), "see package fault")))
			continue
		}
		ohms := math.Inf(1)
		if f.Ohms != nil {
			ohms = *f.Ohms
		}
		found, err := practice.FindFault(s.m, s.loci, f.At, mode, ohms)
		s.keep(err)
		faults = append(faults, found)
	}
	for i := 0; i+1 < len(x.Read.Content); i += 2 {
		name := x.Read.Content[i].Value
		at, err := b.Point(name)
		s.keep(err)
		c.Extra = append(c.Extra, DemoReading{at, name, x.Read.Content[i+1].Value == "missed"})
	}
	if s.err != nil {
		return c
	}
	c.Simulator = s.bench(x.Sample, x.Meter, x.Celsius, faults)
	for name, word := range x.Looks {
		id, err := b.PartByName(name)
		s.keep(err)
		look := journal.Clean
		for look.String() != word && look < journal.Missing {
			look++
		}
		c.Simulator.SetLook(id, look)
	}
	for name, parts := range x.Warm {
		rail, err := b.NetByName(name)
		s.keep(err)
		c.Simulator.warm[rail] = find(s, parts, b.PartByName)
	}
	return c
}

// readAnswers reads recorded voltages, by file and question. Lines are tab
// separated: file, spot, polarity, edits, volts. Lines that begin with # are
// remarks.
func readAnswers(r io.Reader, file string) (map[string]map[question]float64, error) {
	answers := map[string]map[question]float64{}
	in := bufio.NewScanner(r)
	for line := 1; in.Scan(); line++ {
		if strings.HasPrefix(in.Text(), "#") || in.Text() == "" {
			continue
		}
		at := document.Position{File: file, Line: line}
		cols := strings.Split(in.Text(), "\t")
		if len(cols) != 5 {
			return nil, document.Problem{Position: at, What: fmt.Sprintf("%d columns, not 5", len(cols)), Do: makeAgain}
		}
		pol, ok := references.ParsePolarity(cols[2])
		volts, err := strconv.ParseFloat(cols[4], 64)
		if !ok || err != nil || math.IsNaN(volts) || math.IsInf(volts, 0) {
			return nil, document.Problem{Position: at, What: "not a recorded voltage", Do: makeAgain}
		}
		if answers[cols[0]] == nil {
			answers[cols[0]] = map[question]float64{}
		}
		answers[cols[0]][question{cols[1], pol, cols[3]}] = volts
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return answers, nil
}
