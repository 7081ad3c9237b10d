package recorded

import (
	"bufio"
	"errors"
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
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Trial is one board that came in, with what was read at its connectors, what
// good boards read, and what is wrong with it.
type Trial struct {
	Number  int
	Tuning  bool           // may be used to tune the engine; others are for reporting only
	Path    string         // of the board file
	Model   *network.Model // shared by the trials of a file
	Meter   references.Meter
	Library []*references.Sweep
	// Readings are those of all connector pins, red-on-ground and for half of
	// the trials black-on-ground as well.
	Readings []TrialReading
	Faults   []practice.Fault // none for a good board
	// Drawing is the board as the engine is given it; nil where that is Model's own.
	Drawing *Drawing

	Truth      *practice.Truth
	Sample     uint64         // seed of the board
	Instrument practice.Meter // that the readings were taken with
	Celsius    float64        // of the board

	volts map[question]float64 // recorded
}

// TrialReading is what the display showed.
type TrialReading struct {
	At       netlist.Point
	Polarity references.Polarity
	Reading  quantity.Reading
}

// Faulty makes the board of the trial again.
func (t *Trial) Faulty() *practice.Board {
	return t.Good().Faulted(t.Faults...)
}

// Good makes the board of the trial as it was before anything went wrong.
func (t *Trial) Good() *practice.Board { return t.Truth.Sample(t.Sample, t.Celsius) }

// MissedPads is the share of readings of a board drawn as people draw it with the probe
// off the pad (common practice, no source).
const MissedPads = 0.02

// Simulator makes the board again with the meter it was read with, to answer
// further questions: the connectors from the recording, the rest by the own
// solver.
func (t *Trial) Simulator() *Simulator {
	b := NewSimulator(t.Faulty(), t.Instrument)
	b.answers, b.Drawing = t.volts, t.Drawing
	if t.Drawing != nil {
		b.Missed, b.reads = MissedPads, len(t.Readings)
	}
	return b
}

// Board gives the board as the engine is given it.
func (t *Trial) Board() *netlist.Board {
	if t.Drawing != nil {
		return t.Drawing.Board
	}
	return t.Model.Board
}

// Case opens a case with the readings that the trial came with.
func (t *Trial) Case(lib *references.Library) *journal.Case {
	b := t.Board()
	c := &journal.Case{Board: b, Library: lib, Meter: t.Meter}
	add := func(e journal.Event) {
		e.Number = len(c.Events) + 1
		c.Events = append(c.Events, e)
	}
	add(journal.Event{Kind: journal.KindOpen, Meter: &t.Meter})
	byPolarity := map[references.Polarity][]journal.Read{}
	for _, r := range t.Readings {
		byPolarity[r.Polarity] = append(byPolarity[r.Polarity], journal.Read{At: r.At, Name: b.PointName(r.At), Polarity: r.Polarity, Reading: r.Reading})
	}
	for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
		if reads := byPolarity[pol]; len(reads) > 0 {
			add(journal.Event{Kind: journal.KindRead, Readings: reads})
		}
	}
	c.All = c.Events
	return c
}

// trialsLimit is the largest file of trials in bytes.
const trialsLimit = 8 << 20

// makeAgain is what to do about a recording that cannot be read.
const makeAgain = "make the file again, see DEVELOPERS.md"

// voltStep is the step in volts of recorded voltages.
const voltStep = 1e-5

// LoadTrials reads a file of recorded trials, plain text that says at its head what its
// columns are, and the board that it names. The error names the line.
func LoadTrials(path string) ([]Trial, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readTrials(io.LimitReader(f, trialsLimit), path, func(board string) (*netlist.Board, error) {
		return netlist.Load(filepath.Join(filepath.Dir(path), board))
	})
}

// columns takes the columns of one line from left to right and keeps the first
// error.
type columns struct {
	cols []string
	err  error
}

func (c *columns) text() string {
	if len(c.cols) == 0 {
		if c.err == nil {
			c.err = errors.New("the line is too short")
		}
		return ""
	}
	s := c.cols[0]
	c.cols = c.cols[1:]
	return s
}

func (c *columns) whole() uint64 {
	s := c.text()
	v, err := strconv.ParseUint(s, 10, 64)
	if err != nil && c.err == nil {
		c.err = fmt.Errorf("%s is not a whole number", document.Quote(s))
	}
	return v
}

// number reads a number between limits; +Inf passes where the upper one is.
func (c *columns) number(low, high float64) float64 {
	s := c.text()
	v, err := strconv.ParseFloat(s, 64)
	if (err != nil || !(v >= low && v <= high)) && c.err == nil {
		c.err = fmt.Errorf("%s is not a number from %g to %g", document.Quote(s), low, high)
	}
	return v
}

func (c *columns) polarity() references.Polarity {
	s := c.text()
	p, ok := references.ParsePolarity(s)
	if !ok && c.err == nil {
		c.err = fmt.Errorf("%s is not a polarity", document.Quote(s))
	}
	return p
}

func (c *columns) meter() practice.Meter {
	name := c.text()
	m, err := practice.MeterNamed(name, c.whole())
	if err != nil && c.err == nil {
		c.err = err
	}
	return m
}

// volts reads the rest of the line, one voltage for each pin.
func (c *columns) volts(n int) []float64 {
	v := make([]float64, 0, n)
	for len(c.cols) > 0 && c.err == nil {
		v = append(v, c.number(-1e6, 1e6)*voltStep)
	}
	if len(v) != n && c.err == nil {
		c.err = fmt.Errorf("%d voltages for %d pins", len(v), n)
	}
	return v
}

// trialReader builds trials line by line.
type trialReader struct {
	load func(string) (*netlist.Board, error)

	path   string
	model  *network.Model
	loci   map[lociKey]*fault.Locus
	pins   []netlist.Point
	all    []netlist.Point // every connector pin
	types  []*practice.Truth
	sweeps [][]*references.Sweep
	trials []Trial
}

type lociKey struct {
	place string
	mode  fault.Mode
}

func readTrials(in io.Reader, file string, load func(string) (*netlist.Board, error)) ([]Trial, error) {
	r := &trialReader{load: load}
	lines := bufio.NewScanner(in)
	n := 0
	for lines.Scan() {
		n++
		if strings.HasPrefix(lines.Text(), "#") || lines.Text() == "" {
			continue
		}
		c := &columns{cols: strings.Split(lines.Text(), "\t")}
		if err := r.line(c); err != nil {
			what, do, found := strings.Cut(err.Error(), "; ")
			if !found {
				do = makeAgain
			}
			return nil, document.Problem{Position: document.Position{File: file, Line: n}, What: what, Do: do}
		}
	}
	if err := lines.Err(); err != nil {
		return nil, document.Problem{Position: document.Position{File: file, Line: n + 1}, What: err.Error(), Do: makeAgain}
	}
	return r.trials, nil
}

func (r *trialReader) line(c *columns) error {
	key := c.text()
	if r.model == nil && key != "board" {
		return fmt.Errorf("%s before the board", document.Quote(key))
	}
	switch key {
	case "board":
		return r.board(c)
	case "judge", "drawn":
		return c.err
	case "pins":
		for len(c.cols) > 0 {
			p, err := r.model.Board.Point(c.text())
			if err != nil {
				return err
			}
			r.pins = append(r.pins, p)
		}
		return nil
	case "type":
		number, seed := c.whole(), c.whole()
		if c.err == nil && number != uint64(len(r.types)+1) {
			return fmt.Errorf("type %d is out of turn", number)
		}
		if c.err == nil && len(r.types) >= mostTypes {
			return fmt.Errorf("more than %d types", mostTypes)
		}
		if c.err == nil {
			r.types = append(r.types, practice.NewTruth(r.model, seed))
			r.sweeps = append(r.sweeps, nil)
		}
		return c.err
	case "sweep":
		return r.sweep(c)
	case "trial":
		return r.trial(c)
	case "read":
		return r.read(c)
	}
	return fmt.Errorf("%s is not a kind of line", document.Quote(key))
}

// mostTypes bounds the board types of one file.
const mostTypes = 100

func (r *trialReader) board(c *columns) error {
	if r.model != nil {
		return errors.New("a second board")
	}
	r.path = c.text()
	if c.err != nil {
		return c.err
	}
	b, err := r.load(r.path)
	if err != nil {
		return err
	}
	r.model = network.New(b)
	r.path = b.File
	loci := fault.Loci(r.model, fault.DefaultPriors(), r.model.Nominal())
	r.loci = make(map[lociKey]*fault.Locus)
	for i := range loci {
		for _, mode := range loci[i].Modes {
			r.loci[lociKey{practice.Place(r.model, &loci[i]), mode.Mode}] = &loci[i]
		}
	}
	r.all = b.AllPins()
	return nil
}

func (r *trialReader) truth(c *columns) (*practice.Truth, int) {
	n := c.whole()
	if c.err == nil && (n < 1 || n > uint64(len(r.types))) {
		c.err = fmt.Errorf("no type %d", n)
	}
	if c.err != nil {
		return nil, 0
	}
	return r.types[n-1], int(n - 1)
}

func (r *trialReader) sweep(c *columns) error {
	truth, k := r.truth(c)
	sample, meter := c.whole(), c.meter()
	celsius, says := c.number(-40, 85), c.number(-40, 85)
	pol := c.polarity()
	volts := c.volts(len(r.pins))
	if c.err != nil {
		return c.err
	}
	b := r.model.Board
	s := &references.Sweep{File: fmt.Sprintf("type %d sample %d %s", k+1, sample, pol), Board: b.Name, Revision: b.Revision, Sample: strconv.FormatUint(sample, 10),
		Meter: meter.Declared, State: references.State{Polarity: pol, Battery: "out", Celsius: says}}
	bench := NewSimulator(truth.Sample(sample, celsius), meter)
	bench.answers = r.answers(nil, bench.Board, pol, volts)
	for _, p := range r.all {
		reading, err := bench.Read(p, pol, netlist.Edits{})
		if err != nil {
			return err
		}
		s.Readings = append(s.Readings, references.PointReading{At: p, Name: b.PointName(p), Reading: reading})
	}
	r.sweeps[k] = append(r.sweeps[k], s)
	return nil
}

// answers adds recorded voltages of the pins.
func (r *trialReader) answers(to map[question]float64, w *practice.Board, pol references.Polarity, volts []float64) map[question]float64 {
	if to == nil {
		to = make(map[question]float64, 2*len(volts))
	}
	for i, v := range volts {
		to[question{w.Spot(r.pins[i]), pol, ""}] = v
	}
	return to
}

func (r *trialReader) trial(c *columns) error {
	t := Trial{Number: int(c.whole()), Path: r.path, Model: r.model}
	switch use := c.text(); use {
	case "tuning":
		t.Tuning = true
	case "reporting":
	default:
		c.err = errors.Join(c.err, fmt.Errorf("%s is neither tuning nor reporting", document.Quote(use)))
	}
	truth, k := r.truth(c)
	size := c.whole()
	t.Sample, t.Instrument = c.whole(), c.meter()
	t.Celsius = c.number(-40, 85)
	for len(c.cols) > 0 && c.err == nil {
		place, name := c.text(), c.text()
		ohms := c.number(0, math.Inf(1))
		mode, ok := fault.ParseMode(name)
		l := r.loci[lociKey{place, mode}]
		if c.err == nil && (!ok || l == nil) {
			return fmt.Errorf("nothing can be %s at %s", document.Quote(name), document.Quote(place))
		}
		if c.err == nil {
			t.Faults = append(t.Faults, practice.Fault{Locus: *l, Mode: mode, Ohms: ohms})
		}
	}
	if c.err != nil {
		return c.err
	}
	if len(t.Faults) > mostFaults {
		return fmt.Errorf("%d faults, more than %d", len(t.Faults), mostFaults)
	}
	t.Truth, t.Meter = truth, t.Instrument.Declared
	count := map[references.Polarity]uint64{}
	for _, s := range r.sweeps[k] {
		if count[s.State.Polarity]++; count[s.State.Polarity] <= size {
			t.Library = append(t.Library, s)
		}
	}
	r.trials = append(r.trials, t)
	return nil
}

// mostFaults bounds the faults of one trial.
const mostFaults = 4

func (r *trialReader) read(c *columns) error {
	pol := c.polarity()
	volts := c.volts(len(r.pins))
	if c.err != nil {
		return c.err
	}
	if len(r.trials) == 0 {
		return errors.New("`read` before any trial")
	}
	t := &r.trials[len(r.trials)-1]
	bench := t.Simulator()
	t.volts = r.answers(t.volts, bench.Board, pol, volts)
	bench.answers = t.volts
	for _, p := range r.all {
		reading, err := bench.Read(p, pol, netlist.Edits{})
		if err != nil {
			return err
		}
		t.Readings = append(t.Readings, TrialReading{p, pol, reading})
	}
	return nil
}
