package lesson

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/plan"
	"halfsplit/engine/powerup"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// sweepEvent is the number of the event with the sweep that the board came with.
// It costs nothing: the case begins with it.
const sweepEvent = 2

// record is what a session writes to: a journal on the disk, or one in memory for
// those who play thousands of cases.
type record interface {
	Case() *journal.Case
	Write(journal.Event) error
}

// memory is a record that is not kept.
type memory struct{ c journal.Case }

func (m *memory) Case() *journal.Case { return &m.c }

func (m *memory) Write(e journal.Event) error {
	e.Number = len(m.c.All) + 1
	m.c.All = append(m.c.All, e)
	m.c.Events = m.c.All
	return nil
}

// Session is a student's bench. Every action is in the record before its method
// returns. It is for one goroutine.
type Session struct {
	File   *File
	Engine *engine.Engine // knows the board and the good boards, not what is wrong
	By     string
	Now    func() time.Time // nil for no times in the record
	Costs  plan.Costs

	Exam bool // nobody says at the end whether the verdict is right

	rec    record
	writer *journal.Writer // nil where the record is in memory
	pepper string          // of File.Check
	sim    *simulation
	loci   []fault.Locus
}

// noteOf is what the opening of a record says of its practice file, and pathOf
// reads it.
func noteOf(f *File, journalPath string) string {
	rel, err := filepath.Rel(filepath.Dir(journalPath), f.Path)
	if err != nil {
		rel = f.Path
	}
	return fmt.Sprintf("practice %s %s", f.ID, filepath.ToSlash(rel))
}

func pathOf(c *journal.Case) (id, path string, ok bool) {
	words := strings.SplitN(c.All[0].Note, " ", 3)
	if len(words) != 3 || words[0] != "practice" {
		return "", "", false
	}
	path = filepath.FromSlash(words[2])
	if !filepath.IsAbs(path) {
		path = filepath.Join(filepath.Dir(c.File), path)
	}
	return words[1], path, true
}

// Recorded tells that a case is the record of a practice case, whose fault is made up.
func Recorded(c *journal.Case) bool {
	id, _, ok := pathOf(c)
	return ok && idDigits.MatchString(id)
}

// Begin opens a case, or goes on with one whose record is there. by is the
// student, who has to stand on the roster of the class where there is one.
func Begin(file, journalPath, by string) (*Session, error) {
	f, err := Load(file)
	if err != nil {
		return nil, err
	}
	by = strings.TrimSpace(by)
	roster, err := rosterBeside(filepath.Dir(file))
	switch {
	case err != nil:
		return nil, err
	case by == "":
		return nil, errors.New("a record needs the name of who works on it; add --by and a name")
	case roster != nil:
		if err := roster.admits(by, f.Number); err != nil {
			return nil, err
		}
	}
	var w *journal.Writer
	_, err = os.Stat(journalPath)
	begun := errors.Is(err, fs.ErrNotExist)
	if begun {
		meter := f.Meter
		w, err = journal.Create(journalPath, journal.Event{Kind: journal.KindOpen, Meter: &meter, Note: noteOf(f, journalPath), By: by,
			Open: &journal.Opening{BoardPath: f.BoardPath(), KnownPath: f.KnownPath(), Complaint: f.Complaint}}, by)
	} else {
		w, err = journal.Append(journalPath, by)
	}
	if err != nil {
		return nil, err
	}
	d, err := begin(f, w, by)
	if err != nil {
		w.Close()
		if begun {
			os.Remove(journalPath) // nothing was done in it
		}
		return nil, err
	}
	d.writer = w
	return d, nil
}

// Preview opens a case with no more than the sweep that its board came with. Nothing
// is written.
func Preview(file string) (*Session, error) {
	f, err := Load(file)
	if err != nil {
		return nil, err
	}
	b, err := netlist.Load(f.BoardPath())
	if err != nil {
		return nil, err
	}
	library, err := references.LoadLibrary(f.KnownPath(), b)
	if library == nil {
		return nil, err
	}
	data, err := f.bench()
	if err != nil {
		return nil, err
	}
	sim, loci, err := f.simulation(b, data)
	if err != nil {
		return nil, err
	}
	e, err := f.engine(&journal.Case{Board: b, Library: library}, data)
	if err != nil {
		return nil, err
	}
	d, err := inMemory(e, sim, loci)
	if err == nil {
		d.File = f
	}
	return d, err
}

func begin(f *File, w *journal.Writer, by string) (*Session, error) {
	c := w.Case()
	if other := student(c); other != "" && other != by {
		return nil, document.Wrong(c.File, "is the record of "+document.Quote(other), "write --by and that name, or name another record with --journal")
	}
	if id, _, ok := pathOf(c); !ok || id != f.ID {
		return nil, document.Wrong(c.File, "is not the record of this practice case", "name another record with --journal")
	}
	data, err := f.bench()
	if err != nil {
		return nil, err
	}
	d := &Session{File: f, By: by, Costs: plan.DefaultCosts(), Exam: data.Exam, rec: w, pepper: data.Pepper}
	if d.sim, d.loci, err = f.simulation(c.Board, data); err != nil {
		return nil, err
	}
	if d.Engine, err = f.engine(c, data); err != nil {
		return nil, err
	}
	if len(c.All) < sweepEvent {
		err = d.sweep()
	}
	return d, err
}

// engine makes the engine that knows the board and the good boards of a case. The
// sweeps bear the name that the board had when the case was made.
func (f *File) engine(c *journal.Case, data *benchData) (*engine.Engine, error) {
	library := c.Library
	if c.Board.Name != data.Board || c.Board.Revision != data.Revision {
		named := *c.Board
		named.Name, named.Revision = data.Board, data.Revision
		var err error
		if library, err = references.LoadLibrary(f.KnownPath(), &named); library == nil {
			return nil, err
		}
	}
	return engine.New(c.Board, library, engine.Options{})
}

// simulation makes the board of a file.
func (f *File) simulation(b *netlist.Board, data *benchData) (*simulation, []fault.Locus, error) {
	if b.Identity() != data.Identity {
		return nil, nil, document.Wrong(f.BoardPath(), "is not the board that this case was made for: a part, a value or a net differs", "use the board file of the set "+document.Quote(f.Set))
	}
	m := network.New(b)
	loci := fault.Loci(m, fault.DefaultPriors(), m.Nominal())
	s, err := newSimulation(m, loci, data)
	return s, loci, err
}

// Leave ends the session; the record stays.
func (d *Session) Leave() error {
	if d.writer == nil {
		return nil
	}
	return d.writer.Close()
}

// Case is the record so far.
func (d *Session) Case() *journal.Case { return d.rec.Case() }

// write writes an event into the record; nothing is added to that of a closed case.
func (d *Session) write(e journal.Event) error {
	if d.Done() {
		return errors.New("the case is closed; its record can be scored, and a new record begun under another name")
	}
	e.By = d.By
	if d.Now != nil {
		e.Time = d.Now()
	}
	return d.rec.Write(e)
}

// next is the number of the next event.
func (d *Session) next() int { return len(d.Case().All) + 1 }

// edits is how the board lies now.
func (d *Session) edits() netlist.Edits { return editsAfter(d.Case().All) }

// editsAfter is how a board lies after some events. A record of practice has no
// undo: what was done was done.
func editsAfter(all []journal.Event) netlist.Edits {
	var edits netlist.Edits
	for i := range all {
		edits = all[i].After(edits)
	}
	return edits
}

// sweep writes down the readings that the board came with: every connector pin,
// red probe on ground.
func (d *Session) sweep() error {
	b := d.sim.board
	var reads []journal.Read
	for _, at := range b.AllPins() {
		r := journal.Read{At: at, Name: b.PointName(at)}
		var err error
		if r.Reading, err = d.sim.show(d.Case().All, sweepEvent, &r, false, netlist.Edits{}); err != nil {
			return err
		}
		reads = append(reads, r)
	}
	return d.write(journal.Event{Kind: journal.KindRead, Readings: reads, Note: "the sweep that the board came with"})
}

// Done tells that the case is closed.
func (d *Session) Done() bool {
	_, closed := d.Case().Closed()
	return closed
}

// point finds where a probe is to land. A net is read where it is touched most
// easily.
func (d *Session) point(name string) (netlist.Point, error) {
	b := d.sim.board
	at, err := netlist.Meant(b, b.Point, name)
	if err != nil {
		return at, err
	}
	switch at.Kind {
	case netlist.PointNet:
		if at.Net == b.Ground {
			return at, nil
		}
		touch, ok := d.Engine.Touch(at.Net)
		if !ok {
			return at, fmt.Errorf("no probe reaches the net %s; read it through a part that leads there", document.Quote(name))
		}
		return touch, nil
	case netlist.PointTerminal:
		p := &b.Parts[at.Terminal.Part]
		if network.Pinned(p.Kind) {
			return at, fmt.Errorf("%s lies under %s, where no probe reaches; read its net at another point, or at its name", document.Quote(name), p.Name)
		}
		if p.Access == netlist.Underfill {
			return at, fmt.Errorf("%s is underfilled, where no probe reaches; read its net at another point", document.Quote(name))
		}
	}
	return at, nil
}

// Shown is a reading with what it cost.
type Shown struct {
	At, To   string // "" for ground
	Polarity references.Polarity
	Reading  quantity.Reading
	Settling float64 // seconds that the display took to settle, where that is worth telling
}

// Read takes a reading. to is "" for ground; ohms is resistance mode.
func (d *Session) Read(at, to string, pol references.Polarity, ohms bool) (*Shown, error) {
	r := journal.Read{Polarity: pol}
	var err error
	if r.At, err = d.point(at); err != nil {
		return nil, err
	}
	r.Name = d.sim.board.PointName(r.At)
	if to != "" {
		p, err := d.point(to)
		if err != nil {
			return nil, err
		}
		r.To, r.ToName = &p, d.sim.board.PointName(p)
	}
	n, edits := d.next(), d.edits()
	if r.Reading, err = d.sim.show(d.Case().All, n, &r, ohms, edits); err != nil {
		return nil, err
	}
	if err := d.write(journal.Event{Kind: journal.KindRead, Readings: []journal.Read{r}}); err != nil {
		return nil, err
	}
	return &Shown{At: r.Name, To: r.ToName, Polarity: pol, Reading: r.Reading, Settling: settling(d.sim.board, d.Case().Meter, &r, edits)}, nil
}

// Press reads a point, red probe on ground, while a part is pressed gently.
func (d *Session) Press(name, at string) (*Shown, error) {
	p, err := d.sim.board.MeantPart(name)
	if err != nil {
		return nil, err
	}
	r := journal.Read{}
	if r.At, err = d.point(at); err != nil {
		return nil, err
	}
	r.Name = d.sim.board.PointName(r.At)
	sim := practice.NewSimulator(d.sim.boardAt(d.Case().All, d.next()), d.sim.meter)
	if r.Reading, err = sim.Press(p, r.At, d.edits()); err != nil {
		return nil, err
	}
	return &Shown{At: r.Name, Reading: r.Reading}, d.write(journal.Event{Kind: journal.KindPress, Presses: []journal.Press{{Part: p, Read: r}}})
}

// Look puts a part or a connector pin under the microscope.
func (d *Session) Look(name string) (journal.Look, error) {
	if at, err := netlist.Meant(d.sim.board, d.sim.board.Point, name); err == nil && at.Kind == netlist.PointPin {
		l := journal.Looked{Part: netlist.None, Pin: at.Pin}
		l.Look = d.sim.look(&l)
		return l.Look, d.write(journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{l}})
	}
	p, err := d.sim.board.MeantPart(name)
	if err != nil {
		return 0, err
	}
	if d.sim.board.Parts[p].Access == netlist.Underfill {
		return 0, fmt.Errorf("%s is underfilled, where nothing is to be seen; find out about it by readings", document.Quote(name))
	}
	l := journal.Looked{Part: p}
	l.Look = d.sim.look(&l)
	return l.Look, d.write(journal.Event{Kind: journal.KindInspect, Looks: []journal.Looked{l}})
}

// Along looks along a net for what is not drawn: boards of practice are drawn in full.
func (d *Session) Along(name string) error {
	n, err := netlist.Meant(d.sim.board, d.sim.board.NetByName, name)
	if err != nil {
		return err
	}
	return d.write(journal.Event{Kind: journal.KindUndrawn, Undrawn: []journal.Undrawn{{Net: n}}})
}

// Done is one thing that was done to a board: to what part or place, and, where it tore
// off pads, what is to be said of that.
type Done struct{ Name, Harm string }

// Do carries out work, one part or place after the other, as far as it can be done.
func (d *Session) Do(e journal.Event) (list []Done, err error) {
	parts := slices.Clone(e.Parts)
	for _, x := range e.Jumpers {
		parts = append(parts, x.Part)
	}
	for _, p := range parts {
		harm, err := d.onPart(e.Kind, p)
		if err != nil {
			return list, err
		}
		list = append(list, Done{d.sim.board.Parts[p].Name, harm})
	}
	for _, m := range e.Repairs {
		place := d.sim.board.RepairName(m)
		again := m
		again.Again = m.Kind == netlist.RepairGap // a gap may be cleaned twice
		if d.edits().Repaired(again) {
			return list, fmt.Errorf("%s was repaired before, and holds", document.Quote(place))
		}
		if err := d.write(journal.Repaired(m)); err != nil {
			return list, err
		}
		list = append(list, Done{Name: place})
	}
	return list, nil
}

// onPart works on a part. An IC that is taken off may tear its pads off with it; what
// is said then is not "". Nobody puts a part on the wrong way round here, and where its
// mark matters the record says so. Nothing is said of how a part was made: that under glue
// the heat tears pads is for the student to know.
func (d *Session) onPart(kind journal.Kind, p netlist.PartID) (harm string, err error) {
	part, off := &d.sim.board.Parts[p], d.edits().Of(p).Removed
	e := journal.Event{Kind: kind, Parts: []netlist.PartID{p}}
	wrong := func(format string) (string, error) { return "", fmt.Errorf(format, document.Quote(part.Name)) }
	switch n := d.next(); {
	case kind == journal.KindRemove && off:
		return wrong("%s is off the board already; reinstall it, or replace it")
	case kind == journal.KindReinstall && !off:
		return wrong("%s is on the board; remove it first")
	case kind == journal.KindReflow && off:
		return wrong("%s is off the board; reinstall it or put a new one on")
	case kind == journal.KindJumper && len(part.Jumperable()) == 0:
		return wrong("%s does not lie along a line, and a jumper across it would short something; remove or replace it")
	case kind == journal.KindClean:
		_, err := d.sim.board.Repair(part.Name)
		return "", err
	case kind == journal.KindJumper:
		e = journal.Event{Kind: kind, Jumpers: []journal.Jumper{{Part: p, Ohms: diagnose.JumperOhms}}}
	case kind == journal.KindRemove && network.Pinned(part.Kind) && d.sim.tears(n, p):
		harm = fmt.Sprintf("the pad under %s.%s tore off: this board will not work again", part.Name, part.Terminals[d.sim.tornTerminal(n, p)].Name)
		e.Note = harm
	}
	err = d.write(e)
	if err == nil && (kind == journal.KindReinstall || kind == journal.KindReplace) && part.Polarised() {
		err = d.write(journal.Event{Kind: journal.KindMark, Marks: []journal.Marked{{Part: p}}})
	}
	return harm, err
}

// Inject puts current from a limited supply on a rail, and gives the names of
// the parts that warm up.
func (d *Session) Inject(rail string) ([]string, error) {
	n, err := netlist.Meant(d.sim.board, d.sim.board.NetByName, rail)
	if err != nil {
		return nil, err
	}
	net := &d.sim.board.Nets[n]
	switch {
	case !net.Rail || n == d.sim.board.Ground:
		return nil, fmt.Errorf("%s is not a supply rail, and current from outside harms what drives it; inject into rails only", document.Quote(rail))
	case net.Boosted || math.IsNaN(net.RailVolts):
		return nil, fmt.Errorf("%s is boosted, or its voltage is not known, and is never fed from outside; find out by readings", document.Quote(rail))
	}
	warm := d.sim.warm(n, d.edits())
	names := []string{}
	for _, p := range warm {
		names = append(names, d.sim.board.Parts[p].Name)
	}
	return names, d.write(journal.Event{Kind: journal.KindInject, Injections: []journal.Injection{{Rail: n, Warm: warm}}})
}

// Drop drives current into a rail, clipped to a part, and reads millivolts at parts of it.
func (d *Session) Drop(rail, clip string, parts []string, amperes float64) error {
	n, err := netlist.Meant(d.sim.board, d.sim.board.NetByName, rail)
	if err != nil {
		return err
	}
	if net := &d.sim.board.Nets[n]; !net.Rail || n == d.sim.board.Ground || net.Boosted {
		return fmt.Errorf("%s is not a rail that may be fed from outside; find out by readings", document.Quote(rail))
	}
	at, err := d.sim.board.MeantPart(clip)
	if err != nil {
		return err
	}
	var ids []netlist.PartID
	for _, name := range parts {
		p, err := d.sim.board.MeantPart(name)
		if err != nil {
			return err
		}
		ids = append(ids, p)
	}
	x := journal.Drop{Rail: n, Amperes: amperes}
	volts := practice.NewSimulator(d.sim.bad, d.sim.meter).Drop(n, at, ids, amperes, d.edits())
	for _, p := range ids {
		x.Volts = append(x.Volts, journal.PartVolts{Part: p, Volts: volts[p]})
	}
	return d.write(journal.Event{Kind: journal.KindDrop, Drops: []journal.Drop{x}})
}

// Note writes a remark.
func (d *Session) Note(text string) error {
	return d.write(journal.Event{Kind: journal.KindNote, Note: text})
}

// Powered is what came of switching power on.
type Powered struct {
	PowerUp *powerup.Answer
	Burnt   []string // rails that were shorted
	Dead    bool     // power had burnt it before
	Runs    bool
}

// smokeNote is what the record says where power met a short.
const smokeNote = "power met a short: the board is burnt"

// Power switches the board on, whatever the power-up check says.
func (d *Session) Power() (*Powered, error) {
	g, err := powerup.Check(d.Case(), d.Engine, powerup.Limits{})
	if err != nil {
		return nil, err
	}
	p := &Powered{PowerUp: g}
	if p.Burnt, err = d.sim.shortedRails(d.edits()); err != nil {
		return nil, err
	}
	p.Runs = len(p.Burnt) == 0 && d.Repaired()
	p.Dead = burnt(d.Case().All)
	e := journal.Event{Kind: journal.KindSupply, Supply: &journal.SupplyDraw{Before: drawIdle, After: drawIdle}}
	switch {
	case len(p.Burnt) > 0:
		e.Supply.Before, e.Supply.After = drawLimit, math.NaN()
		e.Note = smokeNote
	case p.Runs:
		e.Supply.After = drawGood
	}
	return p, d.write(e)
}

// Remedies are the words for what repairs a board. "done" is what was done at the
// bench before.
var Remedies = []string{"done", "replace", "jumper", "leave off", "resolder", "reflow", "clean", "none"}

// Repaired tells whether nothing is wrong with the board as it lies. It is not for
// the student's eyes before the end.
func (d *Session) Repaired() bool { return d.sim.repaired(d.Case().All, d.edits()) }

// Close ends the case with what is bad and what repairs it. Where the remedy has
// not been carried out, it is now; where none is named, something must have been
// done. right tells, by the hash in the file, whether
// these are the bad parts; it is false in an examination, and where the record is
// in memory.
func (d *Session) Close(verdict, remedy string) (right bool, err error) {
	named, err := parseVerdict(d.sim.board, d.loci, verdict)
	if err != nil {
		return false, err
	}
	if remedy = strings.ToLower(strings.TrimSpace(remedy)); remedy == "" {
		remedy = "done"
		for _, n := range named {
			if !d.worked(n) {
				return false, fmt.Errorf("nothing was done about %s; say what repairs it, as in `%s; %s`, or `%s; none` to escalate it", document.Quote(n.Place), text(named), remedyFor(n.locus), text(named))
			}
		}
	}
	if !slices.Contains(Remedies, remedy) {
		return false, fmt.Errorf("%s is not a remedy; %s", document.Quote(remedy), document.Suggest(remedy, Remedies, "the remedies are "+strings.Join(Remedies, ", ")))
	}
	if len(named) == 0 {
		remedy = "none"
	}
	for _, n := range named {
		if err := d.carryOut(n, remedy); err != nil {
			return false, err
		}
	}
	bad := []string{}
	for _, n := range named {
		bad = append(bad, n.Place)
	}
	err = d.write(journal.Event{Kind: journal.KindClose, Close: &journal.Closing{Cause: text(named), Remedy: remedy}})
	if err != nil || d.File == nil || d.Exam {
		return false, err
	}
	return d.File.Check.Says(bad, d.pepper)
}

// remedyFor is a word for what repairs a place.
func remedyFor(l *fault.Locus) string {
	switch l.Change.Cure.Kind {
	case netlist.RepairGap:
		return "clean"
	case netlist.RepairTrace:
		return "jumper"
	case netlist.RepairPin:
		return "resolder"
	}
	return "replace"
}

// text is a verdict as it is written down.
func text(named []Named) string {
	if len(named) == 0 {
		return "nothing wrong"
	}
	var words []string
	for _, n := range named {
		words = append(words, n.String())
	}
	return strings.Join(words, " and ")
}

// worked tells whether anything was done at what is named.
func (d *Session) worked(n Named) bool {
	return slices.ContainsFunc(d.Case().All, func(e journal.Event) bool {
		if e.Kind == journal.KindResolder && n.locus.Part != netlist.None && slices.ContainsFunc(e.Repairs, func(m netlist.Repair) bool {
			return m.Kind == netlist.RepairJoint && m.Terminal.Part == n.locus.Part
		}) {
			return true
		}
		return works(&e, n.locus)
	})
}

// carryOut does what repairs a part, unless something was done about it already.
func (d *Session) carryOut(n Named, remedy string) error {
	l, edits := n.locus, d.edits()
	if l.Part == netlist.None {
		if remedy == "none" || remedy == "done" || edits.Repaired(l.Change.Cure) {
			return nil
		}
		return d.write(journal.Repaired(l.Change.Cure))
	}
	x := edits.Of(l.Part)
	switch {
	case remedy == "none", remedy == "done", x.Replaced || x.Jumpered:
		return nil
	case remedy == "leave off":
		if x.Removed {
			return nil
		}
		return d.write(journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{l.Part}})
	case remedy == "jumper":
		if len(d.sim.board.Parts[l.Part].Jumperable()) == 0 {
			return fmt.Errorf("no jumper can lie across %s; replace it", document.Quote(n.Place))
		}
		_, err := d.onPart(journal.KindJumper, l.Part)
		return err
	case remedy == "resolder":
		if x.NewJoints() || d.worked(n) {
			return nil
		}
		p := &d.sim.board.Parts[l.Part]
		var repairs []netlist.Repair
		for t := range p.Terminals {
			repairs = append(repairs, netlist.ResolderedTerminal(netlist.TerminalRef{Part: l.Part, Terminal: int32(t)}))
		}
		return d.write(journal.Event{Kind: journal.KindResolder, Repairs: repairs})
	case remedy == "reflow":
		_, err := d.onPart(journal.KindReflow, l.Part)
		return err
	case remedy == "replace":
		_, err := d.onPart(journal.KindReplace, l.Part)
		return err
	}
	return fmt.Errorf("%s is not a remedy for %s; write replace, jumper, leave off, resolder, reflow, done or none", document.Quote(remedy), document.Quote(n.Place))
}

// Predict says what a good board would show now at some points, red probe on ground.
func (d *Session) Predict(points []netlist.Point) ([]diagnose.Prediction, error) {
	return d.Engine.PredictPoints(d.Case(), points)
}

// Seconds is the bench time spent so far.
func (d *Session) Seconds() float64 { return total(Bill(d.Case(), d.Costs)) }

// inMemory begins a case without a file, for those who play many.
func inMemory(e *engine.Engine, s *simulation, loci []fault.Locus) (*Session, error) {
	meter := s.meter.Declared
	rec := &memory{c: journal.Case{Board: e.Board, Library: e.Library, Meter: meter}}
	if err := rec.Write(journal.Event{Kind: journal.KindOpen, Meter: &meter, Open: &journal.Opening{}}); err != nil {
		return nil, err
	}
	d := &Session{Engine: e, Costs: plan.DefaultCosts(), rec: rec, sim: s, loci: loci}
	return d, d.sweep()
}

// student is who worked on a case.
func student(c *journal.Case) string {
	for i := range c.All {
		if c.All[i].By != "" {
			return c.All[i].By
		}
	}
	return ""
}

// works tells whether an event works on the place of a fault.
func works(e *journal.Event, l *fault.Locus) bool {
	switch e.Kind {
	case journal.KindReplace, journal.KindRemove, journal.KindReflow:
		return slices.Contains(e.Parts, l.Part)
	case journal.KindJumper, journal.KindResolder, journal.KindClean:
		return slices.ContainsFunc(e.Jumpers, func(b journal.Jumper) bool { return b.Part == l.Part }) || slices.Contains(e.Repairs, l.Change.Cure)
	}
	return false
}
