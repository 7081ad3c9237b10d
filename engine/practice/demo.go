package practice

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// Demo is a folder of good-board sweeps and cases whose truth is known: the
// demo. It is written as truth.yaml, from which everything else was made.
type Demo struct {
	Model *network.Model
	Truth *Truth
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

func text(doc string) *document.Shape { return &document.Shape{Doc: doc} }

func numeric(doc string) *document.Shape {
	return &document.Shape{Doc: doc, Parse: func(s string) error {
		if v, err := strconv.ParseFloat(s, 64); err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s is not a number; write one such as 23.5", document.Quote(s))
		}
		return nil
	}}
}

func counted(doc string) *document.Shape {
	return &document.Shape{Doc: doc, Parse: func(s string) error {
		if _, err := strconv.ParseUint(s, 10, 64); err != nil {
			return fmt.Errorf("%s is not a whole number; write one such as 14", document.Quote(s))
		}
		return nil
	}}
}

func field(name string, s *document.Shape) document.Field {
	return document.Field{Name: name, Shape: s, Required: true}
}

func maybe(name string, s *document.Shape) document.Field {
	return document.Field{Name: name, Shape: s}
}

func list(s *document.Shape) *document.Shape { return &document.Shape{Item: s, Single: true} }

// demoShape describes truth.yaml.
var demoShape = &document.Shape{
	Doc: "What is true of the boards that sweeps and cases come from.",
	Fields: []document.Field{
		field("board", text("the board file, from the folder of this one")),
		field("truth", counted("seed of the board type")),
		field("known", &document.Shape{Item: &document.Shape{Fields: []document.Field{
			field("file", text("the sweep file")),
			field("sample", counted("seed of the board")),
			field("by", text("who took it")),
			field("taken", references.TimeShape()),
			field("meter", text("one of the meters of package practice")),
			field("polarity", references.PolarityShape()),
			field("celsius", numeric("true temperature of the board")),
			field("says", numeric("temperature that the file says")),
		}}}),
		field("cases", &document.Shape{Item: &document.Shape{Fields: []document.Field{
			field("file", text("the case file")),
			field("about", text("what is wrong, for people")),
			field("complaint", text("what the owner says")),
			field("remedy", text("what repairs it, for people")),
			field("sample", counted("seed of the board")),
			field("meter", text("one of the meters of package practice")),
			field("celsius", numeric("true temperature of the board")),
			field("sweep", list(text("connectors that the case has readings of"))),
			maybe("faults", &document.Shape{Item: &document.Shape{Fields: []document.Field{
				field("at", text("where, as practice.Place writes it")),
				field("mode", text("a mode of package fault")),
				maybe("ohms", numeric("of the path or in series; none for an open")),
			}}}),
			maybe("bad", list(text("parts that are bad"))),
			maybe("read", &document.Shape{Doc: "further readings: point and how it came about", Value: &document.Shape{Enum: []string{"true", "missed"}}}),
			maybe("inspect", list(text("parts that the case has looks of"))),
			maybe("looks", &document.Shape{Doc: "how parts look, where that is not left to chance", Value: text("")}),
			maybe("warm", &document.Shape{Doc: "by rail, the parts that warm up, where that is not left to chance", Value: list(text(""))}),
		}}}),
	},
}

// LoadDemo reads a truth.yaml and the voltages that ngspice found for it, which
// are kept beside it in ngspice.txt; without that file every answer comes from
// the own solver. The error is document.Problems.
func LoadDemo(path string) (*Demo, error) {
	nodes, err := document.Read(path, 0)
	if err != nil {
		return nil, err
	}
	if len(nodes) != 1 {
		return nil, document.Problems{{Position: document.Position{File: path}, What: fmt.Sprintf("%d documents", len(nodes)), Do: "write one"}}
	}
	if problems := demoShape.Check(nodes[0]); len(problems) > 0 {
		return nil, problems.Err()
	}
	dir := filepath.Dir(path)
	board, err := netlist.Load(filepath.Join(dir, nodes[0].Get("board").Text()))
	if err != nil {
		return nil, err
	}
	m := network.New(board)
	s := &demoReader{dir: dir, m: m, loci: fault.Loci(m, fault.DefaultPriors(), m.Nominal())}
	s.truth = NewTruth(m, whole(nodes[0].Get("truth")))
	demo := &Demo{Model: m, Truth: s.truth}
	for _, n := range nodes[0].Get("known").Items() {
		demo.Known = append(demo.Known, s.sweep(n))
	}
	for _, n := range nodes[0].Get("cases").Items() {
		demo.Cases = append(demo.Cases, s.demoCase(n))
	}
	if err := s.problems.Err(); err != nil {
		return nil, err
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

type demoReader struct {
	dir      string
	m        *network.Model
	loci     []fault.Locus
	truth    *Truth
	problems document.Problems
}

// whole and decimal read scalars that the shape has checked.
func whole(n document.Node) uint64 {
	v, _ := strconv.ParseUint(n.Text(), 10, 64)
	return v
}

func decimal(n document.Node) float64 {
	v, _ := strconv.ParseFloat(n.Text(), 64)
	return v
}

// bench makes the board and the meter of a sweep or a case. Two with the same
// meter share the very instrument.
func (s *demoReader) bench(n document.Node, faults []Fault) *Simulator {
	declared, err := meterByName(n.Get("meter").Text())
	if err != nil {
		s.problems.AddError(n.Get("meter").At(), err)
	}
	return &Simulator{
		Board: s.truth.Sample(whole(n.Get("sample")), decimal(n.Get("celsius"))).Faulted(faults...),
		Meter: NewMeter(declared, s.truth.Seed),
		looks: map[netlist.PartID]journal.Look{},
		warm:  map[netlist.NetID][]netlist.PartID{},
	}
}

func (s *demoReader) sweep(n document.Node) DemoSweep {
	k := DemoSweep{File: filepath.Join(s.dir, n.Get("file").Text()), Simulator: s.bench(n, nil)}
	b := s.m.Board
	k.Sweep = references.Sweep{File: k.File, Board: b.Name, Revision: b.Revision, Sample: n.Get("sample").Text(), By: n.Get("by").Text(), Meter: k.Simulator.Meter.Declared}
	k.Sweep.Taken, _ = references.ParseTime(n.Get("taken").Text()) // checked by the shape
	k.Sweep.State = references.State{Battery: "out", Celsius: decimal(n.Get("says"))}
	k.Sweep.State.Polarity, _ = references.ParsePolarity(n.Get("polarity").Text())
	for i := range b.Connectors {
		k.Sweep.State.Unplugged = append(k.Sweep.State.Unplugged, b.Connectors[i].Name)
	}
	return k
}

func (s *demoReader) parts(nodes document.Node) []netlist.PartID {
	var ids []netlist.PartID
	for _, n := range nodes.Items() {
		if id, err := s.m.Board.PartByName(n.Text()); err != nil {
			s.problems.AddError(n.At(), err)
		} else {
			ids = append(ids, id)
		}
	}
	return ids
}

func (s *demoReader) demoCase(n document.Node) DemoCase {
	c := DemoCase{
		File: filepath.Join(s.dir, n.Get("file").Text()), About: n.Get("about").Text(),
		Complaint: n.Get("complaint").Text(), Remedy: n.Get("remedy").Text(),
		Bad: s.parts(n.Get("bad")), Looks: s.parts(n.Get("inspect")),
	}
	for _, x := range n.Get("sweep").Items() {
		if id, err := s.m.Board.ConnectorByName(x.Text()); err != nil {
			s.problems.AddError(x.At(), err)
		} else {
			c.Sweep = append(c.Sweep, id)
		}
	}
	var faults []Fault
	for _, x := range n.Get("faults").Items() {
		mode, ok := fault.ParseMode(x.Get("mode").Text())
		if !ok {
			s.problems.Add(x.Get("mode").At(), document.Quote(x.Get("mode").Text())+" is not a mode", document.Suggest(x.Get("mode").Text(), fault.ModeNames(), "see package fault"))
			continue
		}
		ohms := endless
		if o := x.Get("ohms"); o.Exists() {
			ohms = decimal(o)
		}
		f, err := FindFault(s.m, s.loci, x.Get("at").Text(), mode, ohms)
		if err != nil {
			s.problems.AddError(x.At(), err)
			continue
		}
		faults = append(faults, f)
	}
	for _, e := range n.Get("read").Entries() {
		at, err := s.m.Board.Point(e.Name())
		if err != nil {
			s.problems.AddError(e.Key.At(), err)
			continue
		}
		c.Extra = append(c.Extra, DemoReading{at, e.Name(), e.Value.Text() == "missed"})
	}
	c.Simulator = s.bench(n, faults)
	for _, e := range n.Get("looks").Entries() {
		id, err := s.m.Board.PartByName(e.Name())
		if err != nil {
			s.problems.AddError(e.Key.At(), err)
			continue
		}
		look := journal.Clean
		for look.String() != e.Value.Text() && look < journal.Missing {
			look++
		}
		c.Simulator.looks[id] = look
	}
	for _, e := range n.Get("warm").Entries() {
		id, err := s.m.Board.NetByName(e.Name())
		if err != nil {
			s.problems.AddError(e.Key.At(), err)
			continue
		}
		c.Simulator.warm[id] = s.parts(e.Value)
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
			return nil, document.Problem{Position: at, What: fmt.Sprintf("%d columns, not 5", len(cols)), Do: makeAnew}
		}
		pol, ok := references.ParsePolarity(cols[2])
		volts, err := strconv.ParseFloat(cols[4], 64)
		if !ok || err != nil || math.IsNaN(volts) || math.IsInf(volts, 0) {
			return nil, document.Problem{Position: at, What: "not a recorded voltage", Do: makeAnew}
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
