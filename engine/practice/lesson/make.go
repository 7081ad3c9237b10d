package lesson

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
	"halfsplit/netlist/parallel"
	"halfsplit/references"
)

// Order says which cases to make.
type Order struct {
	Board      *netlist.Board
	BoardText  []byte // of its file, which is copied into the class folder
	Set        string // name of the class set
	Lesson     string // one of SubjectNames
	Count      int
	Seed       uint64 // the same order, seed and passphrase give the same boards and faults
	Passphrase string // of the teacher
	Rounds     int    // of hashing; 0 for DefaultRounds
	Exam       bool   // the bench does not say whether a verdict is right

	Modes  []fault.Mode // what may be wrong; nil for all that the lesson has
	Level  string       // one of Levels, "" for all
	Roster *Roster      // nil where nobody says who is in the class
	Each   int          // cases for each student of the roster, of Count in all; 0: all work on all

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

	// Best is the best known repair time of this very board, from the sweep to a
	// verified repair: the quicker of the engine's policy and of plain half-split, where
	// they repair it and name what was bad; nil where neither does.
	Best *float64 `json:"best_known_seconds"`
	// Expected is the repair time that the engine expects after the sweep, over all that
	// may be wrong then.
	Expected float64 `json:"expected_seconds"`
	Suspects int     `json:"suspects"` // after the sweep
	Group    int     `json:"group"`    // suspects of the first ambiguity group

	// Level is the third of the set by Expected, easier, middle or harder; or
	// hardest, where the engine's own policy does not repair the board or does not
	// name what was bad.
	Level string `json:"level"`
}

// Case is one case of a class.
type Case struct {
	File   File
	Answer Answer

	complaint string // what the owner says

	data   benchData
	faults []practice.Fault
	key    string
	index  int  // in the draw
	fair   bool // as weigh finds it
	solved bool // by the engine's policy
	err    error

	sweep *repair.Diagnosis // of a small class, until it was played

	// With Order.keep, the engine's policy at work.
	session   *Session
	diagnoses *Diagnoses
}

// Class is a set of cases with what they share.
type Class struct {
	Order  Order
	Cases  []*Case
	Sweeps []*references.Sweep // over good boards
	Drawn  int                 // cases drawn to find these
	Unfair int                 // of those drawn, left out by weigh

	before int // cases of the set that have lower numbers
	seed   uint64
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
	benchMeter      = "bench 2" // on the student's bench
	instrument      = 1
	leastPassphrase = 8   // characters
	mostMisses      = 300 // draws in a row that give nothing new, after which the board is exhausted
)

// Make draws the cases of a class: all different, and spread evenly over
// difficulty and over the parts of the board. Every case can be solved: each of
// its faults shows at the connectors, alone and beside the others, so that one
// thing done after the other and measured again comes to the end. The
// engine's policy plays each case too. One that it does not solve is kept, as the
// hardest of them: to leave it out would make a class of what the engine is good
// at, and a third of the faults that come and go are not.
func Make(o Order) (*Class, error) {
	switch {
	case o.Count < 1 || o.Count > mostCases:
		return nil, fmt.Errorf("%d cases cannot be made; ask for 1 to %d", o.Count, mostCases)
	case len(strings.TrimSpace(o.Passphrase)) < leastPassphrase:
		return nil, fmt.Errorf("the passphrase has fewer than %d characters; write a sentence that students do not guess", leastPassphrase)
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
	if err := o.check(); err != nil {
		return nil, err
	}
	seed, err := secretSeed(o)
	if err != nil {
		return nil, err
	}
	c, err := prepare(o, seed)
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
	pool = slices.DeleteFunc(pool, func(x *Case) bool { return !x.fair })
	c.Unfair = c.Drawn - len(pool)
	if len(pool) < o.Count {
		return nil, fmt.Errorf("only %d of %d cases drawn read as they are; ask for fewer, or for another lesson", len(pool), c.Drawn)
	}
	if err := c.choose(pool); err != nil {
		return nil, err
	}
	each(c.Cases, func(x *Case) { x.err = c.play(x); tick() })
	if err := failed(c.Cases); err != nil {
		return nil, err
	}
	c.grade()
	o.Watch(total, total)
	return c, c.seal()
}

// Levels are the thirds of what a board gives, by best time.
var Levels = []string{"easier", "middle", "harder"}

// check says what of an order does not fit its board.
func (o *Order) check() error {
	if o.Level != "" && !slices.Contains(Levels, o.Level) {
		return fmt.Errorf("there is no level %s; the levels are %s", document.Quote(o.Level), strings.Join(Levels, ", "))
	}
	if o.Roster == nil {
		return nil
	}
	for _, net := range slices.Sorted(maps.Keys(o.Roster.Complaints)) {
		if _, err := o.Board.NetByName(net); err != nil && net != otherNets {
			return fmt.Errorf("a complaint is about a net that the board has not: %w", err)
		}
	}
	return nil
}

// netOut is a net that reads wrong in a sweep; of a good board, which has an owner too,
// any net at a connector.
func (c *Class) netOut(g *repair.Diagnosis, sample uint64) netlist.NetID {
	b := c.Order.Board
	if len(g.Abnormal) > 0 {
		if at, err := b.Point(g.Abnormal[0].At); err == nil {
			return at.Net
		}
	}
	var nets []netlist.NetID
	for _, p := range b.AllPins() {
		if p.Net != netlist.None && p.Net != b.Ground {
			nets = append(nets, p.Net)
		}
	}
	if len(nets) == 0 {
		return b.Ground
	}
	return nets[sample%uint64(len(nets))]
}

// complaint is what the owner says of a board whose sweep reads wrong at a net, by the
// roster where that has words for it.
func (c *Class) complaint(at netlist.NetID, flicker float64) string {
	net := &c.Order.Board.Nets[at]
	text := net.Name + " does not work"
	if net.Rail {
		text = "what " + net.Name + " supplies does not work"
	}
	if r := c.Order.Roster; r != nil {
		if own, ok := r.Complaints[net.Name]; ok {
			text = own
		} else if own, ok := r.Complaints[otherNets]; ok {
			text = own
		}
	}
	if flicker > 0 {
		text += ", at times"
	}
	return text
}

// secretSeed is what everything is drawn from: the seed under the passphrase. Of the
// seed alone, a student with the board file could make the class a second time,
// under a passphrase of his own. The sweeps over good boards follow from it and are
// open, so guessing a passphrase by them must be no quicker than by the answers.
func secretSeed(o Order) (uint64, error) {
	salt := fmt.Sprintf("halfsplit practice draw %s %d", o.Board.Identity(), o.Seed)
	key, err := NewKeyring(o.Passphrase).key([]byte(salt), o.Rounds)
	if err != nil {
		return 0, err
	}
	return binary.BigEndian.Uint64(key), nil
}

// prepare makes the type of board that a class shares, reads good boards of it,
// and fits the engine to them.
func prepare(o Order, seed uint64) (*Class, error) {
	c := &Class{Order: o, seed: seed}
	var err error
	m := network.New(o.Board)
	c.model = m
	if c.meter, err = practice.MeterNamed(benchMeter, instrument); err != nil {
		return nil, err
	}
	c.loci = practice.InOrder(m, fault.Loci(m, fault.DefaultPriors(), m.Nominal()))
	c.truth = practice.NewNamedTruth(m, practice.Random(seed, "lesson truth").Uint64())
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
	n := len(cases)
	parallel.Each(parallel.Workers(n, n), n, func(_, i int) { do(cases[i]) })
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
	exhausted := make([]bool, len(kinds))
	for i := range kinds {
		decks[i] = practice.NewDeck(c.loci, func(_ *fault.Locus, mode fault.Mode) bool {
			return (kinds[i].modes == nil || slices.Contains(kinds[i].modes, mode)) && (o.Modes == nil || slices.Contains(o.Modes, mode))
		})
		if exhausted[i] = decks[i].Kinds() == 0; exhausted[i] && (len(kinds) == 1 || !slices.Contains(exhausted, false)) {
			return nil, fmt.Errorf("nothing on board %s can go wrong as the lesson %s wants it; choose another lesson, fault or board", o.Board.Name, kinds[i].Name)
		}
	}
	var pool []*Case
	seen := map[string]bool{}
	missed := make([]int, len(kinds))
	taken, healthy := make([]float64, len(kinds)), make([]float64, len(kinds))
	want := poolFactor*o.Count + 2
	if o.Count <= smallClass {
		want = smallFactor * o.Count
	}
	if o.Level != "" {
		want *= len(Levels)
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
		r := practice.Random(c.seed, fmt.Sprintf("lesson case %d", i))
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
		p := placed{practice.Place(m, &f.Locus), f.Mode, f.Ohms}
		if math.IsInf(f.Ohms, 1) {
			p.Ohms = 0
		}
		x.data.Faults = append(x.data.Faults, p)
		keys = append(keys, p.At+" "+p.Mode.String())
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
	for _, n := range m.Nets(&x.faults[0].Locus.Change) {
		if n == m.Board.Ground || m.Board.Nets[n].Rail {
			continue
		}
		for _, t := range m.Board.Nets[n].Terminals {
			if p := &m.Board.Parts[t.Part]; !bad[t.Part] && !network.Pinned(p.Kind) && !slices.Contains(near, t.Part) {
				near = append(near, t.Part)
			}
		}
	}
	slices.SortFunc(near, func(a, b netlist.PartID) int { return strings.Compare(m.Board.Parts[a].Name, m.Board.Parts[b].Name) })
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

// weigh measures how hard a case is, by what its sweep tells. Where the sweep
// reads as a good board though something is wrong, or the other way round, no
// reading would make anybody begin; and where one of two faults reads as a good
// board once the other is repaired, none would make anybody go on. Those are no fair
// questions.
func (c *Class) weigh(x *Case) error {
	x.data.Identity, x.data.Board, x.data.Revision = c.Order.Board.Identity(), c.Order.Board.Name, c.Order.Board.Revision
	d, err := c.begin(x)
	if err != nil {
		return err
	}
	g, err := NewDiagnoses(c.engine).After(d.Case(), sweepEvent)
	if err != nil {
		return err
	}
	if c.Order.Count <= mostKept {
		x.sweep = g
	}
	x.fair = (len(g.Next) > 0) == (len(x.faults) > 0)
	for i := range x.faults {
		if x.fair {
			if x.fair, err = c.shows(x, i); err != nil {
				return err
			}
		}
	}
	a := &x.Answer
	a.Expected, a.Suspects = g.Expected, len(g.Suspects)
	for _, s := range g.Suspects {
		if s.Group == 1 {
			a.Group++
		}
	}
	if x.complaint == "" {
		x.complaint = c.complaint(c.netOut(g, x.data.Sample), x.data.Flicker)
	}
	a.Faults, a.Bad, a.Words = x.data.Faults, badNames(c.Order.Board, x.faults), faultWords(c.Order.Board, x.faults)
	return nil
}

// plainSigmas is the distance in standard deviations from which a reading is out to
// somebody who sees it beside what good boards read. A verdict (3.3) is sharper than
// the eye, and depends on what else was read; common practice, no source.
const plainSigmas = 4.0

// shows tells whether a fault shows on the sheet when it is the only one: whether
// some pin then reads plainly otherwise than good boards do.
func (c *Class) shows(x *Case, i int) (bool, error) {
	alone := *x
	alone.data.Faults = x.data.Faults[i : i+1]
	d, err := c.begin(&alone)
	if err != nil {
		return false, err
	}
	out, err := pinsOut(d)
	return slices.ContainsFunc(out, func(c diagnose.Comparison) bool { return math.Abs(c.ZScore) >= plainSigmas }), err
}

// pinsOut lists the pins that read otherwise in the sweep than good boards do.
func pinsOut(d *Session) ([]diagnose.Comparison, error) {
	list, err := d.Engine.Compare(first(d.Case(), sweepEvent))
	return slices.DeleteFunc(list, func(c diagnose.Comparison) bool {
		return c.Verdict == diagnose.Agrees || c.Verdict == diagnose.NoKnownGood
	}), err
}

// begin opens a case in memory.
func (c *Class) begin(x *Case) (*Session, error) {
	s, err := newSimulation(c.model, c.loci, &x.data)
	if err != nil {
		return nil, err
	}
	return inMemory(c.engine, s, c.loci)
}

// choose keeps cases evenly spread over difficulty: the pool is cut into as many
// bands as cases are wanted, and of each band the case is taken whose parts,
// modes and lesson have come up least.
func (c *Class) choose(pool []*Case) error {
	o := &c.Order
	slices.SortStableFunc(pool, func(a, b *Case) int { return cmp.Compare(a.Answer.Expected, b.Answer.Expected) })
	if k := slices.Index(Levels, o.Level); k >= 0 {
		pool = pool[k*len(pool)/len(Levels) : (k+1)*len(pool)/len(Levels)]
		if len(pool) < o.Count {
			return fmt.Errorf("only %d cases drawn are of the level %s; ask for fewer, or leave the level out", len(pool), o.Level)
		}
	}
	used := map[string]int{}
	cost := func(x *Case) int {
		sum := 3 * used["lesson "+x.Answer.Lesson]
		for _, f := range x.faults {
			sum += 2*used["at "+f.Locus.Name(o.Board)] + used["mode "+f.Mode.String()]
		}
		return sum
	}
	for k := range o.Count {
		band := pool[k*len(pool)/o.Count : (k+1)*len(pool)/o.Count]
		x := slices.MinFunc(band, func(a, b *Case) int { return cmp.Compare(cost(a), cost(b)) })
		used["lesson "+x.Answer.Lesson]++
		for _, f := range x.faults {
			used["at "+f.Locus.Name(o.Board)]++
			used["mode "+f.Mode.String()]++
		}
		c.Cases = append(c.Cases, x)
	}
	return nil
}

// grade gives the cases, which are in order of difficulty, their levels, and then
// shuffles them: the easiest of a mixed class would always be the board with
// nothing wrong.
func (c *Class) grade() {
	for i, x := range c.Cases {
		if x.Answer.Level = c.Order.Level; x.Answer.Level == "" {
			x.Answer.Level = Levels[len(Levels)*i/len(c.Cases)]
		}
		if !x.solved {
			x.Answer.Level = Hardest
		}
	}
	r := practice.Random(c.seed, "lesson order")
	r.Shuffle(len(c.Cases), func(i, j int) { c.Cases[i], c.Cases[j] = c.Cases[j], c.Cases[i] })
	if c.Order.Each == 0 {
		return
	}
	numbers := make([]int, len(c.Cases))
	for i := range numbers {
		numbers[i] = i + 1
	}
	slices.SortStableFunc(numbers, func(a, b int) int {
		return cmp.Compare(c.Cases[a-1].Answer.Expected, c.Cases[b-1].Answer.Expected)
	})
	dealt := *c.Order.Roster
	dealt.deal(numbers)
	c.Order.Roster = &dealt
}

// Hardest is the level of a case that the engine's own policy does not solve.
const Hardest = "hardest"

// play lets the engine's policy and plain half-split work on a case.
func (c *Class) play(x *Case) error {
	for _, follow := range ways {
		d, err := c.begin(x)
		if err != nil {
			return err
		}
		diagnoses := NewDiagnoses(c.engine)
		if x.sweep != nil {
			diagnoses.after[sweepEvent] = x.sweep
		}
		if err := follow(d, diagnoses); err != nil {
			return fmt.Errorf("case %s: %w", x.key, err)
		}
		closing, _ := d.Case().Closed()
		named, err := parseVerdict(c.Order.Board, c.loci, strings.TrimSuffix(closing.Cause, " wrong"))
		if err != nil {
			return err
		}
		right, all := sameParts(named, x.Answer.Bad)
		solved := d.sim.repaired(d.Case().All, d.edits()) && right == all
		if x.Answer.better(d.Seconds()) && solved {
			x.Answer.Best = new(d.Seconds())
		}
		if x.session == nil {
			x.solved, x.session, x.diagnoses = solved, d, diagnoses
		}
	}
	if x.sweep = nil; !c.Order.keep {
		x.session, x.diagnoses = nil, nil
	}
	return nil
}

// better tells whether nobody is known to have been as quick.
func (a *Answer) better(seconds float64) bool { return a.Best == nil || seconds < *a.Best }

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

// idOf is the number of a case. It follows from the secret seed and the case, so
// that a set made once more, of the same seed and passphrase, knows the records of the
// first; it says nothing to who has no passphrase.
func (c *Class) idOf(x *Case) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "halfsplit practice case %d %s %d", c.seed, x.key, x.data.Sample))
	return hex.EncodeToString(sum[:8])
}

// seal makes the files of the cases.
func (c *Class) seal() error {
	keys := NewKeyring(c.Order.Passphrase)
	salt := noise(16)
	key, err := keys.key(salt, c.Order.Rounds)
	if err != nil {
		return err
	}
	for i, x := range c.Cases {
		f := &x.File
		f.ID, f.Set, f.Number = c.idOf(x), c.Order.Set, c.before+i+1
		f.Board, f.Known, f.Complaint = "board.yaml", "known", x.complaint
		f.Path = fmt.Sprintf("case-%0*d.yaml", max(2, len(fmt.Sprint(len(c.Cases)))), i+1)
		f.Meter = c.meter.Declared
		x.data.Pepper, x.data.Exam = hex.EncodeToString(noise(16)), c.Order.Exam
		if f.Bench, err = seal(benchKey(f.ID), f.label("bench"), &x.data, benchSize); err != nil {
			return err
		}
		if f.Check, err = newCheck(x.Answer.Bad, x.data.Pepper, min(c.Order.Rounds, DefaultRounds/6)); err != nil {
			return err
		}
		f.Answer = Sealed{Salt: hex.EncodeToString(salt), Rounds: c.Order.Rounds}
		if f.Answer.Box, err = seal(key, f.label("answer"), &x.Answer, answerSize); err != nil {
			return err
		}
	}
	return nil
}

// Write writes the class into a new folder, or an empty one: the board, the sweeps
// over good boards, and a file for each case. The folder appears whole or not at
// all.
func (c *Class) Write(dir string) error {
	err := wholefile.Folder(dir, c.fill)
	if err != nil {
		return fileError(dir, err)
	}
	for _, x := range c.Cases {
		x.File.Path = filepath.Join(dir, filepath.Base(x.File.Path))
	}
	return nil
}

// fill writes the files of the class into a folder.
func (c *Class) fill(dir string) error {
	known := filepath.Join(dir, "known")
	if err := wholefile.MakeFolder(known); err != nil {
		return err
	}
	if err := wholefile.New(filepath.Join(dir, "board.yaml"), c.Order.BoardText); err != nil {
		return err
	}
	if err := c.copyLayout(dir); err != nil {
		return err
	}
	if c.Order.Roster != nil {
		if err := wholefile.New(filepath.Join(dir, RosterFile), c.Order.Roster.encode()); err != nil {
			return err
		}
	}
	for i, s := range c.Sweeps {
		var b bytes.Buffer
		b.WriteString("# Invented, like the board.\n")
		if err := s.Write(&b); err != nil {
			return err
		}
		if err := wholefile.New(filepath.Join(known, fmt.Sprintf("good-%d.yaml", i+1)), b.Bytes()); err != nil {
			return err
		}
	}
	for _, x := range c.Cases {
		if err := wholefile.New(filepath.Join(dir, filepath.Base(x.File.Path)), x.File.encode()); err != nil {
			return err
		}
	}
	return nil
}

// copyLayout copies the layout to where the board file names it from. One that cannot
// be read, or lies elsewhere, stays behind: nothing but drawings needs it.
func (c *Class) copyLayout(dir string) error {
	b := c.Order.Board
	if b.Layout == "" {
		return nil
	}
	name, err := filepath.Rel(filepath.Dir(b.File), b.Layout)
	text, readErr := os.ReadFile(b.Layout)
	if err != nil || readErr != nil || !filepath.IsLocal(name) {
		return nil
	}
	to := filepath.Join(dir, name)
	if err := wholefile.MakeFolder(filepath.Dir(to)); err != nil {
		return err
	}
	return wholefile.New(to, text)
}
