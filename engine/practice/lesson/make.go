package lesson

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"halfsplit/engine"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// Order says which cases to make.
type Order struct {
	Board     *netlist.Board
	BoardText []byte // of its file, which is copied into the class folder
	Set       string // name of the class set
	Lesson    string // one of SubjectNames
	Count     int
	Seed      uint64 // the same order and seed give the same boards and faults
	Phrase    string // of the teacher
	Rounds    int    // of hashing; 0 for DefaultRounds

	// Watch, where it is not nil, is told how far the work is.
	Watch func(done, total int)

	keep bool // the engine's record of each case, with what it thought
}

// Answer is what the teacher may know of a case.
type Answer struct {
	Lesson  string   `json:"lesson"`
	Words   string   `json:"words"` // what is wrong, for people
	Bad     []string `json:"bad"`   // as the engine names suspects; none for a good board
	Faults  []placed `json:"faults"`
	Lures   []string `json:"lures"` // good parts that look bad
	Flicker float64  `json:"flicker"`

	// Optimum is the expected bench seconds from the sweep to a verified repair
	// by the engine's policy. It follows from the sweep alone.
	Optimum  float64 `json:"optimum_seconds"`
	Suspects int     `json:"suspects"` // after the sweep
	Group    int     `json:"group"`    // suspects of the first ambiguity group
	Level    string  `json:"level"`    // in the set: easier, middle, harder

	// Par is what the engine's policy took on this very board.
	ParSeconds float64 `json:"par_seconds"`
	ParSteps   int     `json:"par_steps"`
}

// Case is one case of a class.
type Case struct {
	File   File
	Answer Answer

	data   benchData
	faults []practice.Fault
	key    string
	index  int // in the draw
	ok     bool
	err    error

	sweep *engine.Diagnosis // of a small class, until it was played

	// With Order.keep, the engine's policy at work.
	desk *Desk
	mind *Mind
}

// Class is a set of cases with what they share.
type Class struct {
	Order  Order
	Cases  []*Case
	Sweeps []*references.Sweep // over good boards
	Drawn  int                 // cases drawn to find these

	engine *engine.Engine
	model  *network.Model
	truth  *practice.Truth
	meter  practice.Meter
	loci   []fault.Locus
}

// How many cases are drawn and weighed for each that is kept. In a small class
// there is time to be choosy.
const (
	poolFactor  = 2
	smallClass  = 24
	smallFactor = 4
)

// mostKept is the number of cases up to which what their sweeps mean is kept from
// weighing to playing; more would fill the memory.
const mostKept = 500

// goodSweeps are the meters of the good boards' sweeps.
var goodSweeps = []string{"bench 2", "bench 5", "bench 2", "bench 2"}

const (
	benchMeter   = "bench 2" // on the student's bench
	instrument   = 1
	leastPhrase  = 8   // characters
	mostMisses   = 300 // draws in a row that give nothing new, after which the board is exhausted
	theComplaint = "came back from the field, does not work as it should"
)

// Make draws the cases of a class: all different, spread evenly over difficulty
// and over the parts of the board, and each played to its end by the engine's
// policy, which mends it.
func Make(o Order) (*Class, error) {
	switch {
	case o.Count < 1 || o.Count > mostCases:
		return nil, fmt.Errorf("%d cases cannot be made; ask for 1 to %d", o.Count, mostCases)
	case len(strings.TrimSpace(o.Phrase)) < leastPhrase:
		return nil, fmt.Errorf("the phrase has fewer than %d characters; write a sentence that students do not guess", leastPhrase)
	case strings.TrimSpace(o.Set) == "":
		return nil, errors.New("the class set has no name; give it one that says nothing about the answers")
	}
	if o.Rounds == 0 {
		o.Rounds = DefaultRounds
	}
	if o.Watch == nil {
		o.Watch = func(int, int) {}
	}
	kinds, err := subjectsOf(o.Lesson)
	if err != nil {
		return nil, err
	}
	c, err := prepare(o)
	if err != nil {
		return nil, err
	}
	pool, err := c.draw(kinds)
	if err != nil {
		return nil, err
	}
	c.Drawn = len(pool)
	total := len(pool) + o.Count
	done := 0
	var mu sync.Mutex
	tick := func() {
		mu.Lock()
		defer mu.Unlock()
		done++
		o.Watch(min(done, total), total)
	}
	each(pool, func(x *Case) { x.err = c.weigh(x); tick() })
	if err := failed(pool); err != nil {
		return nil, err
	}
	pool = slices.DeleteFunc(pool, func(x *Case) bool { return !x.ok })
	if err := c.choose(pool, tick); err != nil {
		return nil, err
	}
	o.Watch(total, total)
	return c, c.seal()
}

// prepare makes the type of board that a class shares, reads good boards of it,
// and fits the engine to them.
func prepare(o Order) (*Class, error) {
	c := &Class{Order: o}
	var err error
	m := network.New(o.Board)
	c.model = m
	if c.meter, err = practice.MeterNamed(benchMeter, instrument); err != nil {
		return nil, err
	}
	c.loci = fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	c.truth = practice.NewTruth(m, practice.Random(o.Seed, "lesson truth").Uint64())
	for i, name := range goodSweeps {
		meter, err := practice.MeterNamed(name, instrument)
		if err != nil {
			return nil, err
		}
		s, err := c.truth.SweepGood(uint64(i+1), meter, 22+float64(i)/2)
		if err != nil {
			return nil, err
		}
		c.Sweeps = append(c.Sweeps, s)
	}
	if c.engine, err = engine.New(o.Board, references.NewLibrary(o.Board, c.Sweeps), engine.Options{}); err != nil {
		return nil, err
	}
	return c, nil
}

// each does something with all cases, on all processors.
func each(cases []*Case, do func(*Case)) {
	work := make(chan *Case)
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for x := range work {
				do(x)
			}
		})
	}
	for _, x := range cases {
		work <- x
	}
	close(work)
	all.Wait()
}

func failed(cases []*Case) error {
	for _, x := range cases {
		if x.err != nil {
			return x.err
		}
	}
	return nil
}

// draw draws more cases than are wanted, all different.
func (c *Class) draw(kinds []Subject) ([]*Case, error) {
	o := &c.Order
	decks := make([]*practice.Deck, len(kinds))
	for i := range kinds {
		decks[i] = practice.NewDeck(c.loci, func(_ *fault.Locus, mode fault.Mode) bool {
			return kinds[i].modes == nil || slices.Contains(kinds[i].modes, mode)
		})
		if decks[i].Kinds() == 0 {
			return nil, fmt.Errorf("nothing on board %s can go wrong as the lesson %s wants it; choose another lesson or board", o.Board.Name, kinds[i].Name)
		}
	}
	var pool []*Case
	seen := map[string]bool{}
	exhausted := make([]bool, len(kinds))
	missed := make([]int, len(kinds))
	taken, healthy := make([]float64, len(kinds)), make([]float64, len(kinds))
	want := poolFactor*o.Count + 2
	if o.Count <= smallClass {
		want = smallFactor * o.Count
	}
	for i := 0; len(pool) < want; i++ {
		k := -1 // the subject with the fewest cases so far
		for j := range kinds {
			if !exhausted[j] && (k < 0 || taken[j] < taken[k]) {
				k = j
			}
		}
		if k < 0 {
			break
		}
		r := practice.Random(o.Seed, fmt.Sprintf("lesson case %d", i))
		well := healthy[k] < kinds[k].good*(taken[k]+1) // the share holds of those taken, not of those drawn
		x, err := drawCase(r, &kinds[k], well, decks[k], c.model, c.truth, c.meter)
		if err != nil {
			return nil, err
		}
		if x == nil || seen[x.key] {
			if missed[k]++; missed[k] > mostMisses {
				exhausted[k] = true
			}
			continue
		}
		missed[k] = 0
		taken[k]++
		if well {
			healthy[k]++
		}
		seen[x.key] = true
		x.index, x.Answer.Lesson = i, kinds[k].Name
		pool = append(pool, x)
	}
	if len(pool) < o.Count {
		return nil, fmt.Errorf("board %s has only about %d different cases of the lesson %s that show at its connectors; ask for fewer, or for the lesson %s", o.Board.Name, len(pool), o.Lesson, Mixed)
	}
	return pool, nil
}

// drawCase draws one case; nil where its faults do not show.
func drawCase(r *rand.Rand, s *Subject, well bool, deck *practice.Deck, m *network.Model, truth *practice.Truth, meter practice.Meter) (*Case, error) {
	x := &Case{}
	x.data = benchData{Truth: truth.Seed, Sample: 1000 + r.Uint64N(1<<40), Celsius: math.Round((20+6*r.Float64())*10) / 10,
		Meter: meter.Declared.Name, Instrument: meter.Seed, Flicker: s.flicker, Looks: map[string]string{}}
	good := truth.Sample(x.data.Sample, x.data.Celsius)
	if !well {
		for range s.faults {
			x.faults = append(x.faults, deck.Draw(r))
		}
		names := badNames(m.Board, x.faults)
		slices.Sort(names)
		if len(slices.Compact(names)) < len(x.faults) {
			return nil, nil // two faults of one part are no lesson in two faults
		}
		if shows, err := practice.Shows(good, x.faults, meter); err != nil || !shows {
			return nil, err
		}
	}
	var keys []string
	bad := map[netlist.PartID]bool{}
	for i := range x.faults {
		f := &x.faults[i]
		p := placed{practice.Place(m, &f.Locus), f.Mode.String(), f.Ohms}
		if math.IsInf(f.Ohms, 1) {
			p.Ohms = 0
		}
		x.data.Faults = append(x.data.Faults, p)
		keys = append(keys, p.At+" "+p.Mode)
		bad[f.Locus.Part] = true
	}
	slices.Sort(keys)
	if x.key = strings.Join(keys, "; "); len(keys) == 0 {
		x.key = fmt.Sprintf("good %d", x.data.Sample)
	}
	x.Answer.Flicker = s.flicker
	x.lure(r, s, m, bad)
	if s.lures > 0 && len(x.faults) > 0 && len(x.Answer.Lures) == 0 {
		return nil, nil // there is nothing nearby that could mislead
	}
	return x, nil
}

// lure gives good parts near the fault a look that misleads, and the bad one a
// clean one.
func (x *Case) lure(r *rand.Rand, s *Subject, m *network.Model, bad map[netlist.PartID]bool) {
	if s.lures == 0 || len(x.faults) == 0 {
		return
	}
	var near []netlist.PartID
	for _, n := range netsOf(m, &x.faults[0].Locus) {
		if n == m.Board.Ground || m.Board.Nets[n].Rail {
			continue
		}
		for _, t := range m.Board.Nets[n].Terminals {
			if p := &m.Board.Parts[t.Part]; !bad[t.Part] && !network.Pinned(p.Kind) && !slices.Contains(near, t.Part) {
				near = append(near, t.Part)
			}
		}
	}
	r.Shuffle(len(near), func(i, j int) { near[i], near[j] = near[j], near[i] })
	for _, p := range near[:min(len(near), s.lures)] {
		name := m.Board.Parts[p].Name
		x.data.Looks[name] = []string{"corroded", "burnt"}[r.IntN(2)]
		x.Answer.Lures = append(x.Answer.Lures, name)
	}
	for p := range bad {
		if p != netlist.None {
			x.data.Looks[m.Board.Parts[p].Name] = "clean"
		}
	}
}

// netsOf lists the nets at a locus.
func netsOf(m *network.Model, l *fault.Locus) []netlist.NetID {
	c := &l.Change
	switch c.Kind {
	case network.AddPath:
		return []netlist.NetID{c.A.Net, c.B.Net}
	case network.Cut:
		return []netlist.NetID{m.Net(m.Elements[c.Element].A), m.Net(m.Elements[c.Element].B)}
	case network.Detach:
		return []netlist.NetID{m.Net(c.Contact)}
	}
	return []netlist.NetID{c.Net}
}

// weigh measures how hard a case is, by what its sweep tells. A case that the
// engine misjudges from the start, a good board held for bad or the other way
// round, is no fair question.
func (c *Class) weigh(x *Case) error {
	x.data.BoardSum = sumOf(c.Order.BoardText)
	d, err := c.sit(x)
	if err != nil {
		return err
	}
	g, err := NewMind(c.engine).After(d.Case(), sweepEvent)
	if err != nil {
		return err
	}
	if c.Order.Count <= mostKept {
		x.sweep = g
	}
	x.ok = (len(g.Next) > 0) == (len(x.faults) > 0)
	a := &x.Answer
	a.Optimum, a.Suspects = g.Expected, len(g.Suspects)
	for _, s := range g.Suspects {
		if s.Group == 1 {
			a.Group++
		}
	}
	a.Faults, a.Bad, a.Words = x.data.Faults, badNames(c.Order.Board, x.faults), faultWords(c.Order.Board, x.faults)
	return nil
}

// sit begins a case in memory.
func (c *Class) sit(x *Case) (*Desk, error) {
	s, err := newStage(c.model, c.loci, &x.data)
	if err != nil {
		return nil, err
	}
	return inMemory(c.engine, s, c.loci)
}

// choose keeps cases evenly spread over difficulty: the pool is cut into as many
// bands as cases are wanted, and of each band the case is taken whose parts,
// modes and lesson have come up least. Then the engine plays it, and where it
// does not mend the board, the next of the band is taken.
func (c *Class) choose(pool []*Case, tick func()) error {
	o := &c.Order
	slices.SortStableFunc(pool, func(a, b *Case) int { return cmp.Compare(a.Answer.Optimum, b.Answer.Optimum) })
	used := map[string]int{}
	tried := map[*Case]bool{}
	cost := func(x *Case) int {
		sum := 3 * used["lesson "+x.Answer.Lesson]
		for _, f := range x.faults {
			sum += 2*used["at "+f.Locus.Name(o.Board)] + used["mode "+f.Mode.String()]
		}
		return sum
	}
	count := func(x *Case, by int) {
		used["lesson "+x.Answer.Lesson] += by
		for _, f := range x.faults {
			used["at "+f.Locus.Name(o.Board)] += by
			used["mode "+f.Mode.String()] += by
		}
	}
	// A band's cases, its own first and then those nearest to it.
	band := func(k int) []*Case {
		from, to := k*len(pool)/o.Count, (k+1)*len(pool)/o.Count
		own := slices.Clone(pool[from:max(to, min(from+1, len(pool)))])
		slices.SortStableFunc(own, func(a, b *Case) int { return cmp.Compare(cost(a), cost(b)) })
		for away := 1; away < len(pool); away++ {
			if i := from - away; i >= 0 {
				own = append(own, pool[i])
			}
			if i := to + away - 1; i < len(pool) {
				own = append(own, pool[i])
			}
		}
		return own
	}
	chosen := make([]*Case, o.Count)
	for {
		var play []*Case
		for k := range chosen {
			if chosen[k] != nil {
				continue
			}
			for _, x := range band(k) {
				if !tried[x] {
					tried[x] = true
					count(x, 1)
					chosen[k] = x
					play = append(play, x)
					break
				}
			}
			if chosen[k] == nil {
				return fmt.Errorf("only %d of %d cases drawn come out mended by the engine's own policy; ask for fewer, or for another lesson", o.Count-missing(chosen), o.Count)
			}
		}
		if len(play) == 0 {
			break
		}
		each(play, func(x *Case) { x.err = c.play(x); tick() })
		if err := failed(play); err != nil {
			return err
		}
		for k, x := range chosen {
			if !x.ok {
				count(x, -1)
				chosen[k] = nil
			}
		}
	}
	// chosen is in order of difficulty, which makes the levels. The numbers are
	// not: the easiest of a mixed class would always be the board with nothing
	// wrong.
	for i, x := range chosen {
		x.Answer.Level = [...]string{"easier", "middle", "harder"}[3*i/len(chosen)]
	}
	r := practice.Random(o.Seed, "lesson order")
	r.Shuffle(len(chosen), func(i, j int) { chosen[i], chosen[j] = chosen[j], chosen[i] })
	c.Cases = chosen
	return nil
}

func missing(cases []*Case) int {
	n := 0
	for _, x := range cases {
		if x == nil {
			n++
		}
	}
	return n
}

// play lets the engine's policy work on a case.
func (c *Class) play(x *Case) error {
	d, err := c.sit(x)
	if err != nil {
		return err
	}
	x.ok = false
	mind := NewMind(c.engine)
	if x.sweep != nil {
		mind.after[sweepEvent] = x.sweep
		x.sweep = nil
	}
	if err := Follow(d, mind); err != nil {
		return fmt.Errorf("case %s: %w", x.key, err)
	}
	closing, _ := d.Case().Closed()
	named, err := parseVerdict(c.Order.Board, c.loci, strings.TrimSuffix(closing.Cause, " wrong"))
	if err != nil {
		return err
	}
	right, all := sameParts(named, x.Answer.Bad)
	x.ok = d.stage.mended(d.Case().All, d.edits()) && right == all
	x.Answer.ParSeconds = d.Seconds()
	x.Answer.ParSteps = len(d.Case().All) - sweepEvent - 1
	if c.Order.keep {
		x.desk, x.mind = d, mind
	}
	return nil
}

// sameParts counts the parts named that are bad, out of those named or bad,
// whichever are more. Nothing named of nothing bad is 1 out of 1.
func sameParts(named []Named, bad []string) (right, all int) {
	if len(named) == 0 && len(bad) == 0 {
		return 1, 1
	}
	for _, n := range named {
		if slices.Contains(bad, n.Place) {
			right++
		}
	}
	return right, max(len(named), len(bad))
}

// seal makes the files of the cases.
func (c *Class) seal() error {
	keys := NewKeyring(c.Order.Phrase)
	salt := noise(16)
	key, err := keys.key(salt, c.Order.Rounds)
	if err != nil {
		return err
	}
	for i, x := range c.Cases {
		f := &x.File
		f.ID, f.Set, f.Number = hex.EncodeToString(noise(8)), c.Order.Set, i+1
		f.Board, f.Known, f.Complaint = "board.yaml", "known", theComplaint
		f.Path = fmt.Sprintf("case-%0*d.yaml", max(2, len(fmt.Sprint(len(c.Cases)))), i+1)
		f.Meter = c.meter.Declared
		if f.Bench, err = seal(benchKey(f.ID), f.label("bench"), &x.data, worldSize); err != nil {
			return err
		}
		if f.Check, err = newCheck(x.Answer.Bad, min(c.Order.Rounds, DefaultRounds/6)); err != nil {
			return err
		}
		f.Answer = Sealed{Salt: hex.EncodeToString(salt), Rounds: c.Order.Rounds}
		if f.Answer.Box, err = seal(key, f.label("answer"), &x.Answer, answerSize); err != nil {
			return err
		}
	}
	return nil
}

// Write writes the class into a folder: the board, the sweeps over good boards,
// and a file for each case. Nothing that is there is written over.
func (c *Class) Write(dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, "known"), 0o777); err != nil {
		return fileError(dir, err)
	}
	files := []struct {
		path string
		text []byte
	}{{filepath.Join(dir, "board.yaml"), c.Order.BoardText}}
	for i, s := range c.Sweeps {
		var b bytes.Buffer
		b.WriteString("# Invented, like the board.\n")
		if err := s.Write(&b); err != nil {
			return err
		}
		files = append(files, struct {
			path string
			text []byte
		}{filepath.Join(dir, "known", fmt.Sprintf("good-%d.yaml", i+1)), b.Bytes()})
	}
	for _, f := range files {
		out, err := os.OpenFile(f.path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if err != nil {
			return fileError(f.path, err)
		}
		_, err = out.Write(f.text)
		if err := errors.Join(err, out.Close()); err != nil {
			return fileError(f.path, err)
		}
	}
	for _, x := range c.Cases {
		f := x.File
		f.Path = filepath.Join(dir, x.File.Path)
		if err := f.write(); err != nil {
			return err
		}
		x.File.Path = f.Path
	}
	return nil
}
