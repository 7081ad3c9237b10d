package lesson

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/bench"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/engine/powerup"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Points are what a case is worth, out of 100. How they are divided is common
// practice, no source: two thirds for being right, one third for economy.
const (
	partPoints    = 40.0
	modePoints    = 15.0
	remedyPoints  = 15.0
	economyPoints = 30.0
	riskPoints    = 10.0 // taken away for each risky move
	mostRisk      = 30.0
)

// spareSeconds are allowed on top of the best known time before economy suffers: time to
// read again and make sure.
const spareSeconds = 60.0

// Score is how a student did on one case. It does not tell the answer.
type Score struct {
	Student string `json:"student"`
	Record  string `json:"record"`
	Set     string `json:"set"`
	Number  int    `json:"number"`
	Lesson  string `json:"lesson"`
	Level   string `json:"level"`

	Closed bool     `json:"closed"`
	Said   []string `json:"said"` // what the student named as bad
	Remedy string   `json:"remedy"`

	Part     float64 `json:"part"` // share of what is bad that was named, and nothing else
	Mode     float64 `json:"mode"`
	Repaired bool    `json:"repaired"`

	Seconds float64 `json:"seconds"` // at the bench, with handing on where the board is not repaired
	// Best is the best known repair time of this board, this one's where it is; nil
	// where nobody is known to have repaired it.
	Best *float64 `json:"best_known_seconds"`
	// Justified is the probability that the readings gave to the verdict when it
	// was first acted on; nil where the case is not closed.
	Justified *float64 `json:"justified"`

	Points float64      `json:"points"`
	Parts  PointsByPart `json:"points_by_part"`
	Steps  []StepScore  `json:"steps"`
	// Way is the quicker of how the engine's policy and plain half-split work on this
	// board; nil where neither repairs it, empty where there is nothing to do. It ends at
	// the answer.
	Way     []StepScore `json:"best_way"`
	Remarks []Remark    `json:"remarks"`
	// Doubts are readings in the record that the bench did not give.
	Doubts []string `json:"doubts"`

	// Ended is when the last event was written; nil where the record has no times.
	Ended *time.Time `json:"ended"`

	id   string            // of the case
	work [sha256.Size]byte // what workOf makes of the record
}

// Week is the year and week in which the record ended (ISO 8601), "" where it has no
// times.
func (s *Score) Week() string {
	if s.Ended == nil {
		return ""
	}
	year, week := s.Ended.ISOWeek()
	return fmt.Sprintf("%d-W%02d", year, week)
}

// Lost is how many expected seconds all steps gave away.
func (s *Score) Lost() float64 {
	sum := 0.0
	for i := range s.Steps {
		sum += s.Steps[i].Lost
	}
	return sum
}

// PointsByPart is how the points came about.
type PointsByPart struct {
	Part    float64 `json:"part"`
	Mode    float64 `json:"mode"`
	Remedy  float64 `json:"remedy"`
	Economy float64 `json:"economy"`
	Risk    float64 `json:"risk"` // 0 or below
}

// StepScore is one event after the sweep.
type StepScore struct {
	Event   int     `json:"event"`
	Did     string  `json:"did"`
	Seconds float64 `json:"seconds"`

	// Best is the step that the engine would have taken, "" where nothing was
	// left to do; Why says what is worse about the one that was.
	Best string `json:"best"`
	Why  string `json:"why"`
	// Lost is how many expected seconds the step gave away against Best; by what
	// was known before it, not by how it turned out.
	Lost float64 `json:"lost_seconds"`
	// Before and After are the uncertainty around the step in bits, the entropy of
	// what may be wrong; Saved is by how much the step shortened the expected time
	// still to come. After is above Before, and Saved below 0, where what was seen
	// came unexpected.
	Before float64 `json:"bits_before"`
	After  float64 `json:"bits_after"`
	Saved  float64 `json:"saved_seconds"`
	// Posterior is what was justified after the step, likeliest first.
	Posterior []Posterior `json:"posterior"`
}

// Posterior is one suspect.
type Posterior struct {
	Part        string  `json:"part"`
	Probability float64 `json:"probability"`
}

// Remark is something that a teacher would say.
type Remark struct {
	Event int    `json:"event"` // 0 for the case as a whole
	Kind  string `json:"kind"`  // wasteful, risky, lucky, sound
	Why   string `json:"why"`
}

// Kinds of remarks.
const (
	Wasteful = "wasteful"
	Risky    = "risky"
	Lucky    = "lucky"
	Sound    = "sound"
)

// Limits of remarks; common practice, no source.
const (
	wasteSeconds    = 30.0 // lost in one step
	wasteShare      = 0.05 // of what the best step expects
	wildPosterior   = 0.15 // below which replacing a part is a gamble
	poorPosterior   = 0.40 // below which a right verdict was luck
	fairPosterior   = 0.60 // above which a wrong verdict was bad luck
	littleBits      = 0.05
	fairTwice       = 1 // times that any reading may be repeated: a probe misses its pad
	fairAgain       = 4 // times that a reading may be repeated where a fault comes and goes
	listedPosterior = 4
	leastPosterior  = 0.02
)

// Scorer scores records with the teacher's passphrase. What the records of one case
// share is worked out once.
type Scorer struct {
	keys  *Keyring
	cases map[string]*opened
}

// opened is a case with its answer.
type opened struct {
	file   *File
	answer *Answer
	sim    *simulation
	loci   []fault.Locus
	engine *engine.Engine
	way    []StepScore
}

// NewScorer begins with a passphrase.
func NewScorer(passphrase string) *Scorer {
	return &Scorer{keys: NewKeyring(passphrase), cases: map[string]*opened{}}
}

// Score scores a record. It returns the answer as well, for the answer sheet.
func (sc *Scorer) Score(path string) (*Score, *Answer, error) {
	c, err := journal.Load(path)
	if err != nil {
		return nil, nil, err
	}
	id, file, ok := pathOf(c)
	if !ok {
		return nil, nil, document.Wrong(path, "is not the record of a practice case", "name a record that `halfsplit practice run` wrote")
	}
	key := file + "\n" + c.Board.File
	x := sc.cases[key]
	if x == nil {
		f, err := Load(file)
		if err != nil {
			return nil, nil, err
		}
		x = &opened{file: f}
	}
	f := x.file
	if f.ID != id {
		return nil, nil, document.Wrong(path, "was made with another practice file than the one at "+file+", which is case "+fmt.Sprint(f.Number)+" of the set "+document.Quote(f.Set),
			"put the file back that the student worked with, or make its set again with the same board, seed and passphrase")
	}
	if x.engine == nil {
		if err := x.work(c, sc.keys); err != nil {
			return nil, nil, err
		}
		sc.cases[key] = x
	}
	score, err := scoreRecord(c, x.sim, x.loci, x.answer, NewDiagnoses(x.engine), plan.DefaultCosts())
	if err != nil {
		return nil, nil, err
	}
	score.Way, score.id = x.way, f.ID
	score.Record, score.Set, score.Number, score.Student, score.work = path, f.Set, f.Number, student(c), workOf(c)
	if last := c.All[len(c.All)-1].Time; !last.IsZero() {
		score.Ended = &last
	}
	if c.Unsealed > 0 {
		score.Doubts = append(score.Doubts, fmt.Sprintf("%d of its events are not as the bench wrote them: they were changed or added by hand", c.Unsealed))
	}
	return score, x.answer, nil
}

// work opens the answer, and looks for the best way on the board of a record.
func (x *opened) work(c *journal.Case, keys *Keyring) error {
	a, err := x.file.AnswerWith(keys)
	if err != nil {
		return err
	}
	data, err := x.file.bench()
	if err != nil {
		return err
	}
	if x.sim, x.loci, err = x.file.simulation(c.Board, data); err != nil {
		return err
	}
	e, err := x.file.engine(c, data)
	if err != nil {
		return err
	}
	least := math.Inf(1)
	for _, follow := range ways {
		d, err := inMemory(e, x.sim, x.loci)
		if err != nil {
			return err
		}
		diagnoses := NewDiagnoses(e)
		if err := follow(d, diagnoses); err != nil {
			return err
		}
		s, err := scoreRecord(d.Case(), x.sim, x.loci, a, diagnoses, d.Costs)
		if err != nil {
			return err
		}
		if s.Repaired && s.Part == 1 && s.Seconds < least { // Steps is not nil
			x.way, least = s.Steps, s.Seconds
		}
	}
	for i := range x.way { // it is the best known, whatever was expected of a step
		x.way[i].Lost, x.way[i].Why = 0, ""
	}
	x.answer, x.engine = a, e
	return nil
}

// workOf is a digest of what was done and when, but not by whom: two students who do
// the same in the same seconds have one record between them.
func workOf(c *journal.Case) [sha256.Size]byte {
	h := sha256.New()
	fmt.Fprintln(h, c.All[0].Note)
	for i := range c.All[1:] {
		e := c.All[1+i]
		fmt.Fprintln(h, e.Time.Unix(), bench.Describe(c.Board, &e))
	}
	return [sha256.Size]byte(h.Sum(nil))
}

// MarkCopies adds a doubt to each record that is the same work, to the second, as
// another one of the list.
func MarkCopies(scores []*Score) {
	first := map[[sha256.Size]byte]*Score{}
	for _, s := range scores {
		other, seen := first[s.work]
		if !seen {
			first[s.work] = s
			continue
		}
		s.Doubts = append(s.Doubts, "the same work, to the second, as in "+other.Record)
		other.Doubts = append(other.Doubts, "the same work, to the second, as in "+s.Record)
	}
}

// marker scores one record.
type marker struct {
	c      *journal.Case
	s      *simulation
	loci   []fault.Locus
	a      *Answer
	m      *Diagnoses
	score  *Score
	named  []Named
	bill   []Charge
	risks  int
	proven bool // read again after the last rework, and right
}

func scoreRecord(c *journal.Case, s *simulation, loci []fault.Locus, a *Answer, m *Diagnoses, costs plan.Costs) (*Score, error) {
	k := &marker{c: c, s: s, loci: loci, a: a, m: m, bill: Bill(c, costs)}
	k.score = &Score{Lesson: a.Lesson, Level: a.Level, Best: a.Best, Said: []string{}, Steps: []StepScore{}, Remarks: []Remark{}, Doubts: []string{}}
	if err := k.doubts(); err != nil {
		return nil, err
	}
	if err := k.verdict(costs); err != nil {
		return nil, err
	}
	if err := k.steps(); err != nil {
		return nil, err
	}
	k.points()
	return k.score, nil
}

// doubts holds every reading against the bench: what a session shows follows from
// its file and the record, so a reading that differs was not shown by it.
func (k *marker) doubts() error {
	var edits netlist.Edits
	if len(k.c.All) < sweepEvent || k.c.All[sweepEvent-1].Kind != journal.KindRead {
		k.doubt("the record does not begin with the sweep that the board came with")
	}
	for i := range k.c.All {
		e := &k.c.All[i]
		if e.Kind == journal.KindUndo {
			k.doubt(fmt.Sprintf("event %d takes something back, which a practice bench does not do", e.Number))
		}
		for j := range e.Readings {
			r := e.Readings[j]
			r.Name = k.s.board.PointName(r.At)
			want, err := k.s.show(k.c.All[:i], e.Number, &r, r.Reading.Unit == quantity.Ohm, edits)
			if err != nil {
				return err
			}
			if want.Overload != r.Reading.Overload || !want.Overload && math.Abs(want.Value-r.Reading.Value) > 1e-6*math.Max(1, math.Abs(want.Value)) {
				k.doubt(fmt.Sprintf("event %d: the bench showed another reading at %s", e.Number, r.Name))
			}
		}
		for _, l := range e.Looks {
			if k.s.look(&l) != l.Look {
				k.doubt(fmt.Sprintf("event %d: %s looks otherwise on the bench", e.Number, l.Name(k.s.board)))
			}
		}
		edits = e.After(edits)
	}
	return nil
}

func (k *marker) doubt(text string) { k.score.Doubts = append(k.score.Doubts, text) }

func (k *marker) remark(event int, kind, why string) {
	k.score.Remarks = append(k.score.Remarks, Remark{event, kind, why})
	if kind == Risky {
		k.risks++
	}
}

// verdict scores what was named and what was done about it.
func (k *marker) verdict(costs plan.Costs) error {
	s := k.score
	for _, c := range k.bill {
		s.Seconds += c.Seconds
	}
	closing, closed := k.c.Closed()
	s.Closed, s.Remedy = closed, closing.Remedy
	if closed {
		s.Justified = new(float64)
		*s.Justified = 1
	}
	edits := editsAfter(k.c.All)
	s.Repaired = closed && k.s.repaired(k.c.All, edits)
	if !s.Repaired {
		s.Seconds += costs.GiveUp
	}
	if !closed {
		k.remark(0, Wasteful, "the case is not closed: there is no verdict to judge")
		return nil
	}
	var err error
	if k.named, err = parseVerdict(k.s.board, k.loci, strings.TrimSuffix(closing.Cause, " wrong")); err != nil {
		k.doubt("the verdict cannot be read: " + err.Error())
		return nil
	}
	for _, n := range k.named {
		s.Said = append(s.Said, n.String())
	}
	right, all := sameParts(k.named, k.a.Bad)
	s.Part = float64(right) / float64(all)
	s.Mode = k.modes(all)
	if s.Repaired && right == all && k.a.better(s.Seconds) {
		s.Best = &s.Seconds
	}
	return nil
}

// modes is the share of what is named whose mode fits too. For a board with
// nothing wrong, saying so is all there is.
func (k *marker) modes(all int) float64 {
	if len(k.named) == 0 && len(k.a.Bad) == 0 {
		return 1
	}
	right := 0
	for _, n := range k.named {
		for i, place := range k.a.Bad {
			if n.Said && n.Place == place && k.alike(n.Mode, k.a.Faults[i].Mode, k.a.Faults[i].Ohms) {
				right++
				break
			}
		}
	}
	return float64(right) / float64(all)
}

// alike tells whether the mode that was said is the true one, as far as readings
// can tell: a part that is open, missing or unsoldered reads the same, a
// resistance too high for the meter's current reads as open, and where a short
// ends and a leak begins is a matter of taste.
func (k *marker) alike(said, true_ fault.Mode, ohms float64) bool {
	a, b := family(said), family(true_)
	if a == b {
		return true
	}
	m := k.c.Meter
	if b == fault.High && a == fault.Open {
		return ohms*m.TestCurrent > m.Over/2
	}
	const about = 3 // either way of the border
	path := func(m fault.Mode) bool { return m == fault.Shorted || m == fault.Leaky }
	return path(a) && path(b) && ohms > fault.ShortOhms/about && ohms < fault.ShortOhms*about
}

// points adds up.
func (k *marker) points() {
	s := k.score
	p := &s.Parts
	p.Part, p.Mode = partPoints*s.Part, modePoints*s.Mode
	if s.Repaired && len(k.a.Bad) > 0 || s.Part == 1 && len(k.a.Bad) == 0 && s.Repaired {
		p.Remedy = remedyPoints
	}
	// Economy counts where the board was judged rightly: to be wrong at once is
	// not economical.
	best := k.a.Expected
	if s.Best != nil {
		best = *s.Best
	}
	p.Economy = economyPoints * s.Part * math.Min(1, (best+spareSeconds)/math.Max(s.Seconds, 1))
	if k.risks > 0 { // and not -0
		p.Risk = -math.Min(mostRisk, riskPoints*float64(k.risks))
	}
	s.Points = math.Max(0, p.Part+p.Mode+p.Remedy+p.Economy+p.Risk)
	for i := range s.Remarks {
		if r := &s.Remarks[i]; r.Kind == Wasteful && r.Event > 0 && p.Economy == economyPoints {
			r.Why += "; it cost no points, for the whole was quick enough"
		}
	}
}

// steps scores every event after the sweep.
func (k *marker) steps() error {
	acted := make([]bool, len(k.named)) // by what was named
	lastWork := 0
	for i := sweepEvent; i < len(k.c.All); i++ {
		e := &k.c.All[i]
		before, err := k.m.After(k.c, i)
		if err != nil {
			return err
		}
		for n := range k.named {
			// A part that was removed was tried without; to leave it off is to act.
			if k.score.Closed && !acted[n] && (e.Kind == journal.KindClose || e.Kind != journal.KindRemove && works(e, k.named[n].locus)) {
				acted[n] = true
				*k.score.Justified = math.Min(*k.score.Justified, posteriorIn(before, k.named[n].Place))
			}
		}
		if e.Kind == journal.KindClose {
			k.justify(before)
			k.closing(before, lastWork)
			continue
		}
		now, err := k.m.After(k.c, i+1)
		if err != nil {
			return err
		}
		if err := k.step(e, before, now); err != nil {
			return err
		}
		if e.Kind.Edits() {
			lastWork, k.proven = e.Number, false
		} else if e.Kind == journal.KindRead && lastWork > 0 {
			k.proven = true
		}
	}
	return nil
}

// justify says whether the verdict was a sound one.
func (k *marker) justify(d *repair.Diagnosis) {
	s := k.score
	if len(k.named) == 0 {
		*s.Justified = 0
		for _, x := range d.Explanations {
			if len(x.Faults) == 0 {
				*s.Justified = x.Probability
			}
		}
	}
	switch {
	case k.a.Flicker > 0:
		// The engine takes faults to stay as they are, so that its posterior is no
		// measure where one comes and goes.
	case s.Part == 1 && *s.Justified < poorPosterior:
		k.remark(0, Lucky, fmt.Sprintf("right, but the readings gave it %s when it was acted on", percent(*s.Justified)))
	case s.Part == 0 && *s.Justified > fairPosterior:
		k.remark(0, Sound, fmt.Sprintf("wrong, but the readings gave it %s: a sound guess that did not come true", percent(*s.Justified)))
	}
}

func posteriorIn(d *repair.Diagnosis, place string) float64 {
	for _, x := range d.Suspects {
		if x.Part == place {
			return x.Probability
		}
	}
	return 0
}

func percent(p float64) string {
	if p < 0.005 {
		return "less than 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// closing scores how a case was ended.
func (k *marker) closing(before *repair.Diagnosis, lastWork int) {
	if lastWork > 0 && !k.proven && len(k.named) > 0 {
		k.remark(len(k.c.All), Risky, "closed without reading again after the rework: nothing proves that it is repaired")
	}
	if idle := k.s.idle(editsAfter(k.c.All)); len(idle) > 0 {
		k.remark(len(k.c.All), Risky, "closed with "+strings.Join(idle, " and ")+", which the board needs")
	}
	if out := stillOut(before); k.proven && len(k.named) > 0 && out != nil {
		k.remark(len(k.c.All), Risky, fmt.Sprintf("closed though the last reading at %s is %s", out.At, out.Verdict))
	}
	if len(k.named) == 0 && lastWork == 0 && len(before.Next) > 0 && len(before.Abnormal) > 0 {
		a := before.Abnormal[0]
		k.remark(len(k.c.All), Risky, fmt.Sprintf("said to be good, though %s reads %s", a.At, a.Verdict))
	}
}

// stillOut is a pin of the sweep that read plainly otherwise than good boards do, and
// did so when it was last read; nil where there is none.
func stillOut(d *repair.Diagnosis) *diagnose.Comparison {
	for _, p := range diagnose.ByPlace(d.Readings) {
		first, last := p[0], p[len(p)-1]
		if first.Event <= sweepEvent && first.Verdict != diagnose.Agrees && last.Verdict != diagnose.Agrees && last.Verdict != diagnose.NoKnownGood && math.Abs(last.ZScore) >= plainSigmas {
			return last
		}
	}
	return nil
}

// step scores one event by what was known before it.
func (k *marker) step(e *journal.Event, before, now *repair.Diagnosis) error {
	paid := 0.0
	for _, c := range k.bill {
		if c.Event == e.Number {
			paid = c.Seconds
		}
	}
	s := StepScore{Event: e.Number, Did: bench.Describe(k.s.board, e), Seconds: paid, Posterior: posteriors(now)}
	if e.Kind == journal.KindSupply {
		s.Did = "switched power on"
	}
	s.Before, s.After = entropy(before), entropy(now)
	s.Saved = before.Expected - now.Expected
	if len(before.Next) > 0 {
		s.Best = stepWords(&before.Next[0])
	}
	if s.Lost = k.lost(e, before, paid, s.Saved); s.Lost >= 1 {
		s.Why = k.why(e, &s, before)
	}
	k.score.Steps = append(k.score.Steps, s)
	k.name(e, &s, before)
	return k.danger(e, before)
}

// lost gives the expected seconds that a step gave away. A step that the engine
// lists is worth what it expects of it. Of one that it does not list, the seconds
// are gone but for those that it saved as it turned out.
func (k *marker) lost(e *journal.Event, before *repair.Diagnosis, paid, saved float64) float64 {
	switch {
	case paid == 0, e.Kind == journal.KindReinstall, k.emptied(e) && !k.s.board.Parts[e.Parts[0]].MayLeaveOff():
		return 0
	case e.Kind == journal.KindRead && k.a.Flicker > 0 && k.again(e) > 0 && k.again(e) <= fairAgain:
		return 0 // what comes and goes has to be read more than once
	case e.Kind == journal.KindRead && dealtWith(before):
		return 0 // it proves the repair
	case len(before.Next) == 0 && k.a.Flicker > 0:
		return 0 // the engine has no account of what comes and goes, and so no better step
	case len(before.Next) == 0:
		return paid
	}
	best := before.Next[0].Expected
	lost := paid
	if !worksOn(e) {
		lost = math.Min(paid, math.Max(0, paid-saved))
	}
	for i := range before.Next {
		n := &before.Next[i]
		if !k.same(e, n) {
			continue
		}
		over := 0.0
		if n.Do == repair.DoRepair {
			over = math.Max(0, paid-n.Seconds)
		}
		lost = math.Min(lost, math.Max(0, n.Expected+over-best))
	}
	return lost
}

// worksOn tells whether an event is rework rather than a question.
func worksOn(e *journal.Event) bool {
	return e.Kind.Edits() && e.Kind != journal.KindRemove && e.Kind != journal.KindReinstall
}

// same tells whether an event is what a step asks for.
func (k *marker) same(e *journal.Event, n *repair.Step) bool {
	b := k.s.board
	switch e.Kind {
	case journal.KindRead:
		r := &e.Readings[0]
		if n.Do == repair.DoEnds {
			return r.To == nil && r.Reading.Unit == quantity.Ohm && r.Polarity == polarity(n.Polarity) &&
				slices.ContainsFunc(n.Ends(), func(name string) bool {
					at, err := b.Point(name)
					return err == nil && at.Net == r.At.Net
				})
		}
		if n.Do == repair.DoAcross && r.To != nil {
			a, z := b.PointName(r.At), b.PointName(*r.To)
			return r.Reading.Unit == quantity.Ohm && (a == n.At && z == n.Then[0] || z == n.At && a == n.Then[0])
		}
		if n.Do == repair.DoSweep {
			return r.To == nil && r.Reading.Unit == quantity.Volt && slices.Contains(n.Then, b.PointName(r.At))
		}
		at, err := b.Point(n.At)
		return n.Do == repair.DoMeasure && err == nil && r.To == nil && r.Reading.Unit == quantity.Volt &&
			at.Net == r.At.Net && r.Polarity == polarity(n.Polarity)
	case journal.KindInspect:
		return n.Do == repair.DoInspect && n.Part == e.Looks[0].Name(b)
	case journal.KindUndrawn:
		return n.Do == repair.DoInspect && n.At == b.Nets[e.Undrawn[0].Net].Name
	case journal.KindInject:
		return n.Do == repair.DoInject && n.At == b.Nets[e.Injections[0].Rail].Name
	case journal.KindPress:
		return n.Do == repair.DoPress && n.Part == b.Parts[e.Presses[0].Part].Name
	case journal.KindDrop:
		return n.Do == repair.DoDrop && n.At == b.Nets[e.Drops[0].Rail].Name
	case journal.KindRemove:
		return (n.Do == repair.DoRemove || n.Do == repair.DoRepair && n.Remedy == "leave off") && n.Part == b.Parts[e.Parts[0]].Name
	case journal.KindReplace, journal.KindReflow:
		return n.Do == repair.DoRepair && n.Part == b.Parts[e.Parts[0]].Name
	case journal.KindJumper, journal.KindResolder, journal.KindClean:
		if len(e.Jumpers) > 0 {
			return n.Do == repair.DoRepair && n.Part == b.Parts[e.Jumpers[0].Part].Name
		}
		return n.Do == repair.DoRepair && len(e.Repairs) > 0 && (n.Part == b.RepairName(e.Repairs[0]) || strings.ReplaceAll(n.Part, " to ", "-") == b.RepairName(e.Repairs[0]) ||
			e.Repairs[0].Kind == netlist.RepairJoint && n.Part == b.Parts[e.Repairs[0].Terminal.Part].Name)
	}
	return false
}

// emptied tells whether an event puts a new part where one was taken off.
func (k *marker) emptied(e *journal.Event) bool {
	edits := editsAfter(k.c.All[:e.Number-1])
	return e.Kind == journal.KindReplace && edits.Of(e.Parts[0]).Removed
}

// name says what was wasteful about a step.
func (k *marker) name(e *journal.Event, s *StepScore, before *repair.Diagnosis) {
	if s.Lost < wasteSeconds || s.Lost < wasteShare*before.Expected {
		if s.Lost > 0 && k.repeated(e) {
			k.remark(e.Number, Wasteful, s.Did+": "+againWords)
		}
		return
	}
	k.remark(e.Number, Wasteful, fmt.Sprintf("%s: gave away %.0f s; %s", s.Did, s.Lost, s.Why))
}

const againWords = "the same reading again, nothing changed in between"

func (k *marker) repeated(e *journal.Event) bool {
	return e.Kind == journal.KindRead && k.again(e) > fairTwice
}

// why says of a step what was worse about it than about the best one, by what was
// known before it.
func (k *marker) why(e *journal.Event, s *StepScore, before *repair.Diagnosis) string {
	b := k.s.board
	switch {
	case k.emptied(e):
		return b.Parts[e.Parts[0]].Name + " may stay off: the board works without it"
	case len(before.Next) == 0:
		return "nothing was left to find out"
	case k.repeated(e):
		return againWords
	}
	best := &before.Next[0]
	better := fmt.Sprintf("; better: %s, which %s", s.Best, promise(best))
	if worksOn(e) {
		name := ""
		switch {
		case len(e.Parts) > 0:
			name = b.Parts[e.Parts[0]].Name
		case len(e.Jumpers) > 0:
			name = b.Parts[e.Jumpers[0].Part].Name
		default:
			name = strings.ReplaceAll(b.RepairName(e.Repairs[0]), "-", " to ")
		}
		return fmt.Sprintf("the readings gave %s %s, and it took %.0f s%s", name, percent(posteriorIn(before, name)), s.Seconds, better)
	}
	for i := range before.Next {
		if n := &before.Next[i]; k.same(e, n) {
			return "this one " + promise(n) + better
		}
	}
	if gained := s.Before - s.After; gained >= littleBits {
		return fmt.Sprintf("it told %.1f of %.1f bits in %.0f s%s", gained, s.Before, s.Seconds, better)
	}
	return fmt.Sprintf("it told nothing that was not known, in %.0f s%s", s.Seconds, better)
}

// promise is what a step can be expected to tell or to repair, before it is taken. Each
// fault has one outcome, so that what a step tells is the entropy of its outcomes.
func promise(s *repair.Step) string {
	if s.Do == repair.DoRepair {
		if len(s.Outcomes) == 0 {
			return fmt.Sprintf("takes %.0f s", s.Seconds)
		}
		return fmt.Sprintf("repairs it with a probability of %s, in %.0f s", percent(s.Outcomes[0].Probability), s.Seconds)
	}
	bits := 0.0
	for _, o := range s.Outcomes {
		bits += bitsOf(o.Probability)
	}
	return fmt.Sprintf("could tell %.1f bits, in %.0f s", bits, s.Seconds)
}

// again counts the readings at the same point, of the board as it lies, that
// showed the same as this one before it.
func (k *marker) again(e *journal.Event) int {
	r := &e.Readings[0]
	n, name := 0, k.s.board.PointName(r.At)
	for i := e.Number - 2; i >= 0 && !k.c.All[i].Kind.Edits(); i-- {
		for j := range k.c.All[i].Readings {
			if y := &k.c.All[i].Readings[j]; k.s.board.PointName(y.At) == name && y.Polarity == r.Polarity && (y.To == nil) == (r.To == nil) && y.Reading.Unit == r.Reading.Unit && y.Reading.Overload == r.Reading.Overload {
				n++
			}
		}
	}
	return n
}

// danger says what was risky about a step.
func (k *marker) danger(e *journal.Event, before *repair.Diagnosis) error {
	b := k.s.board
	switch e.Kind {
	case journal.KindRemove:
		for _, p := range e.Parts {
			if network.Pinned(b.Parts[p].Kind) {
				why := b.Parts[p].Name + " was removed to find out: work under an IC can tear its pads"
				if k.s.tears(e.Number, p) {
					why += ", and did"
				}
				k.remark(e.Number, Risky, why)
			}
		}
	case journal.KindReplace:
		for _, p := range e.Parts {
			name := b.Parts[p].Name
			if posterior := posteriorIn(before, name); posterior < wildPosterior {
				k.remark(e.Number, Risky, fmt.Sprintf("%s was replaced on a posterior of %s: a new part for a guess", name, percent(posterior)))
			}
		}
	case journal.KindSupply:
		g, err := powerup.Check(first(k.c, e.Number-1), k.m.e, powerup.Limits{})
		if err != nil {
			return err
		}
		if e.Note == smokeNote {
			k.remark(e.Number, Risky, "power was put on a shorted rail: the board burnt")
		} else if !g.Passed() {
			k.remark(e.Number, Risky, "power was put on against the power-up check, "+string(g.Result)+": "+g.Says)
		} else if d := k.shorted(before); d != "" {
			k.remark(e.Number, Risky, "power was put on though "+d+" reads shorted")
		}
	}
	return nil
}

// shorted names a point of a rail that read shorted when it was last read, "" where
// there is none.
func (k *marker) shorted(d *repair.Diagnosis) string {
	at := map[string]string{} // by rail, where its last reading is shorted
	for _, r := range d.Readings {
		if n, err := k.s.board.NetByName(r.Net); err == nil && k.s.board.Nets[n].Rail {
			if delete(at, r.Net); r.Verdict == diagnose.IsShorted {
				at[r.Net] = r.At
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(at)) {
		return at[name]
	}
	return ""
}

func posteriors(d *repair.Diagnosis) []Posterior {
	list := []Posterior{}
	for _, x := range d.Suspects {
		if len(list) < listedPosterior && x.Probability >= leastPosterior {
			list = append(list, Posterior{x.Part, x.Probability})
		}
	}
	return list
}

// stepWords is a step for people.
func stepWords(s *repair.Step) string {
	switch s.Do {
	case repair.DoMeasure:
		if s.Polarity == references.BlackOnGround.String() {
			return s.Phrase(s.Part, s.At) + ", probes swapped"
		}
	case repair.DoEnds:
		return "compare the resistances at both ends of " + s.Part
	case repair.DoAcross:
		return strings.Replace(s.Phrase(s.Part, s.At), "measure", "read the resistance", 1)
	case repair.DoRemove:
		return s.Phrase(s.Part, s.At) + " and read both sides"
	case repair.DoRepair:
		return s.Remedy + " " + s.Part
	}
	return s.Phrase(s.Part, s.At)
}
