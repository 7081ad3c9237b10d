// Package journal keeps the record of one repair: a case file, to which events
// are only ever appended.
//
// In most cases use Load to read a case, and Append to go on with it:
//
//	w, err := journal.Append("dead-touch.yaml", "bench 2")
//	defer w.Close()
//	err = w.Write(journal.Event{Kind: journal.KindRemove, Parts: []netlist.PartID{r12}})
//
// When Write returns without an error the event is on the disk; a crash at any
// later moment cannot take it back. A case file is a stream of YAML documents,
// one event each, and one written by hand works as well. Nothing in it is ever
// changed: what was wrong is taken back by an undo event.
package journal

import (
	"fmt"
	"slices"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Kind is what an event tells.
type Kind uint8

// Kinds of events.
const (
	KindOpen        Kind = iota // the case begins: Open, perhaps Meter
	KindMeter                   // another meter from now on: Meter
	KindRead                    // readings: Readings
	KindInspect                 // what parts look like: Looks
	KindInject                  // current into a rail: Injections
	KindRemove                  // parts taken off the board: Parts
	KindReinstall               // the same parts back: Parts
	KindReplace                 // new, good parts: Parts
	KindJumper                  // parts joined across: Jumpers; and broken traces: Repairs
	KindResolder                // joints soldered again: Repairs
	KindNote                    // a remark: Note
	KindSupply                  // current drawn from a bench supply: Supply
	KindUndo                    // takes an event back: Undo
	KindAcknowledge             // cautions read and acknowledged: Acknowledged
	KindClose                   // the case ends: Close
	KindClean                   // cleaned and dried: gaps between pins, Repairs; Parts
	KindMark                    // which way round parts sit: Marks
	KindFunctions               // what works under power: Functions
	KindReflow                  // all joints of parts melted again: Parts
	KindDrop                    // millivolts along a rail under injected current: Drops
	KindPress                   // readings while a part is pressed gently: Presses
	KindGood                    // readings of a good board at hand: Goods
	KindSwap                    // a known-good cable or module at connectors: Swaps
	KindConcerns                // what the complaint is about, in place of what was said before: Nets
	KindUndrawn                 // what stands at nets and is not in the board file: Undrawn
	KindChoose                  // what is to come next in place of the best step: Choose
)

// kindNames are the keys of events in files, by Kind.
var kindNames = []string{"open", "meter", "read", "inspect", "inject", "remove", "reinstall", "replace", "jumper", "resolder", "note", "supply", "undo", "acknowledge", "close", "clean", "mark", "functions", "reflow", "drop", "press", "good", "swap", "concerns", "undrawn", "choose"}

// String is the key that makes an event of this kind in files.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("Kind(%d)", k)
}

// Edits tells that an event of this kind changes the board.
func (k Kind) Edits() bool {
	return k == KindRemove || k == KindReinstall || k == KindReplace || k == KindJumper || k == KindResolder || k == KindClean || k == KindReflow
}

// Finds tells that an event of this kind tells what was found on the board otherwise than
// by a reading.
func (k Kind) Finds() bool {
	switch k {
	case KindInspect, KindInject, KindDrop, KindPress, KindGood, KindSwap, KindUndrawn:
		return true
	}
	return false
}

// KindOfRepair is the kind of event that tells of a place repaired.
func KindOfRepair(m netlist.Repair) Kind {
	switch m.Kind {
	case netlist.RepairGap:
		return KindClean
	case netlist.RepairTrace:
		return KindJumper
	}
	return KindResolder
}

// Repaired is the event of one place repaired.
func Repaired(m netlist.Repair) Event {
	return Event{Kind: KindOfRepair(m), Repairs: []netlist.Repair{m}}
}

// Event is one thing that was done or seen. Kind says which of the fields below
// it are meant; a Note may come with any kind, a Meter with KindOpen.
type Event struct {
	Kind   Kind
	Number int       // place in the file, from 1; Write sets it
	Time   time.Time // zero where the file does not say
	By     string
	Pos    document.Position

	Open         *Opening
	Meter        *references.Meter
	Readings     []Read
	Looks        []Looked
	Injections   []Injection
	Drops        []Drop
	Presses      []Press
	Goods        []Read
	Swaps        []Swap
	Undrawn      []Undrawn
	Parts        []netlist.PartID
	Jumpers      []Jumper
	Repairs      []netlist.Repair
	Nets         []netlist.NetID
	Note         string
	Supply       *SupplyDraw
	Marks        []Marked
	Functions    []Tested
	Undo         int // Number of the event taken back; 0 is the last one not yet taken back
	Acknowledged []string
	Close        *Closing
	Choose       string // in the words of a session
}

// Rework tells that the event changed the board by more than that parts were cleaned.
func (e *Event) Rework() bool {
	return e.Kind.Edits() && (e.Kind != KindClean || len(e.Repairs) > 0)
}

// Opening begins a case.
type Opening struct {
	Board string // path of the board file, as written: from the folder of the case file
	Known string // path of the folder of known-good sweeps, as written; may be empty

	BoardPath, KnownPath string // the same from the working folder; KnownPath may be empty

	Complaint string
	// AtHand names what of known good the bench has: GoodBoard, and connectors of which
	// there is a cable or module.
	AtHand []string
}

// GoodBoard is a good board in Opening.AtHand.
const GoodBoard = "good board"

// AtHand tells whether the bench has something of known good at hand.
func (c *Case) AtHand(name string) bool {
	return len(c.All) > 0 && c.All[0].Open != nil && slices.Contains(c.All[0].Open.AtHand, name)
}

// Read is one reading. To is nil where the other probe is on ground.
type Read struct {
	At       netlist.Point
	Name     string // of At, as written
	To       *netlist.Point
	ToName   string
	Polarity references.Polarity
	Reading  quantity.Reading
	Pos      document.Position
}

// Look is what a part looks like under the microscope.
type Look uint8

// Looks.
const (
	Clean Look = iota
	Burnt
	Corroded
	Cracked
	Missing
)

// lookNames are the spellings in files, by Look.
var lookNames = []string{"clean", "burnt", "corroded", "cracked", "missing"}

// String is the spelling in files.
func (l Look) String() string { return lookNames[l] }

// Looked is the look of one part, or of a connector pin.
type Looked struct {
	Part netlist.PartID // None for a pin
	Pin  netlist.PinRef
	Look Look
	Pos  document.Position
}

// Name names the part or pin.
func (l *Looked) Name(b *netlist.Board) string {
	if l.Part == netlist.None {
		return b.PointName(b.PinPoint(l.Pin))
	}
	return b.Parts[l.Part].Name
}

// Press is what a point reads while a part is pressed gently.
type Press struct {
	Part netlist.PartID
	Read Read
}

// Swap is a known-good cable or module put on a connector in place of its own.
type Swap struct {
	Connector netlist.ConnectorID
	Works     bool // the complaint is gone with it
}

// Undrawn is what was found along a net under the microscope and is not in the board file:
// marks as netlist.Found has them; none where nothing was found.
type Undrawn struct {
	Net   netlist.NetID
	Marks []string
	Pos   document.Position
}

// Injection is a current-limited supply put on a rail, and the parts that
// warmed up.
type Injection struct {
	Rail   netlist.NetID
	Warm   []netlist.PartID
	SeenBy SeenBy
	Pos    document.Position
}

// SeenBy is how the warmth of parts is seen. It is never felt by finger.
type SeenBy uint8

// Ways of seeing warmth.
const (
	SeenByFilm   SeenBy = iota // of alcohol or freeze spray, that clears first; where nothing is said
	SeenByCamera               // a thermal camera
	SeenByNone                 // what discolours or smokes
)

// seenNames are the spellings in files, by SeenBy.
var seenNames = []string{"film", "camera", "none"}

// String is the spelling in files.
func (s SeenBy) String() string { return seenNames[s] }

// Drop is a known current driven into a shorted rail, and what parts read on it.
type Drop struct {
	Rail    netlist.NetID
	Amperes float64
	Volts   []PartVolts
	Pos     document.Position
}

// PartVolts is what a part's pad on the rail reads against ground, in volts, or what is read
// across a series part of two terminals.
type PartVolts struct {
	Part  netlist.PartID
	Volts float64
}

// Jumper is a part joined across with a resistance in ohms.
type Jumper struct {
	Part netlist.PartID
	Ohms float64
	Pos  document.Position
}

// SupplyDraw is the current in amperes that the board draws from a bench
// supply, NaN where it was not read.
type SupplyDraw struct {
	Before float64 // with the power button not yet pressed
	After  float64
}

// Marked tells which way round a part sits, by its mark.
type Marked struct {
	Part     netlist.PartID
	Reversed bool
	Pos      document.Position
}

// markNames are the spellings of Marked.Reversed in files.
var markNames = []string{"right", "reversed"}

// String is the spelling in files.
func (m Marked) String() string {
	if m.Reversed {
		return markNames[1]
	}
	return markNames[0]
}

// Tested is a function of the board as it was tested under power.
type Tested struct {
	Function string
	Result   TestResult
}

// TestResult is what a function did.
type TestResult uint8

// Results of a function test.
const (
	NotTested TestResult = iota
	Works
	Fails
)

// testNames are the spellings in files, by TestResult.
var testNames = []string{"not tested", "works", "fails"}

// String is the spelling in files.
func (r TestResult) String() string { return testNames[r] }

// Closing ends a case. Part and Mode are what Cause begins with where it names a
// part: "FL3 open" is FL3 and "open", "R12.1 open joint" is R12 and "open joint".
type Closing struct {
	Cause  string
	Remedy string
	Part   netlist.PartID // netlist.None where Cause names no part
	Mode   string
}

// Case is a case file as it stands.
type Case struct {
	File    string
	Board   *netlist.Board
	Library *references.Library // empty where the case names no known-good sweeps
	Meter   references.Meter    // in force at the end

	Events []Event // without undone events and undo events
	All    []Event // every event of the file, in order

	Torn     *Torn // nil where the last event is whole
	Warnings document.Problems

	// Unsealed is how many documents of the file are not as a session wrote them:
	// changed since, or written by hand.
	Unsealed int

	drawn  *netlist.Board      // Board before Undrawn is drawn into it
	known  *references.Library // Library before Goods are among it
	sweeps error               // what is wrong with single sweeps of the library
}

// Opening returns how the case began.
func (c *Case) Opening() Opening { return *c.All[0].Open }

// Counting tells of events, by their numbers, that they count: the others were taken back.
func (c *Case) Counting() map[int]bool { return numbers(c.Events) }

func numbers(events []Event) map[int]bool {
	set := make(map[int]bool, len(events))
	for i := range events {
		set[events[i].Number] = true
	}
	return set
}

// Concerns lists the nets that the complaint is about; none where nobody said.
func (c *Case) Concerns() []netlist.NetID {
	for i := len(c.Events) - 1; i >= 0; i-- {
		if c.Events[i].Kind == KindConcerns {
			return c.Events[i].Nets
		}
	}
	return nil
}

// Closed tells that the case has ended, and how.
func (c *Case) Closed() (Closing, bool) {
	for i := len(c.Events) - 1; i >= 0; i-- {
		if c.Events[i].Kind == KindClose {
			return *c.Events[i].Close, true
		}
	}
	return Closing{}, false
}

// ComeBack lists the parts that looked bad when they were last inspected and that
// nobody has taken off, replaced or cleaned since, in the order in which they were seen.
func (c *Case) ComeBack() []Looked {
	var list []Looked
	drop := func(p netlist.PartID) {
		list = slices.DeleteFunc(list, func(x Looked) bool { return x.Part == p })
	}
	for i := range c.Events {
		e := &c.Events[i]
		for _, l := range e.Looks {
			if l.Part == netlist.None {
				continue
			}
			if drop(l.Part); l.Look != Clean {
				list = append(list, l)
			}
		}
		if e.Kind == KindRemove || e.Kind == KindReplace || e.Kind == KindClean {
			for _, p := range e.Parts {
				drop(p)
			}
		}
	}
	return list
}

// Inspected tells whether an event inspected a part that shares a net with the given one,
// ground aside: the board lies under the microscope there.
func (e *Event) Inspected(b *netlist.Board, part netlist.PartID) bool {
	return slices.ContainsFunc(e.Looks, func(l Looked) bool {
		return l.Part != netlist.None && b.Share(l.Part, part)
	})
}

// Tested gives what each function did when it was last tested since the board was last
// worked on, in the order of the tests.
func (c *Case) Tested() []Tested {
	var list []Tested
	for i := range c.Events {
		e := &c.Events[i]
		if e.Kind.Edits() {
			list = nil
		}
		for _, t := range e.Functions {
			if k := slices.IndexFunc(list, func(x Tested) bool { return x.Function == t.Function }); k >= 0 {
				list[k] = t
				continue
			}
			list = append(list, t)
		}
	}
	return list
}

// Unmarked lists the parts that were put on the board, may sit the wrong way round, and
// whose mark nobody has looked at since.
func (c *Case) Unmarked() []netlist.PartID {
	var list []netlist.PartID
	for i := range c.Events {
		e := &c.Events[i]
		drop := func(p netlist.PartID) {
			list = slices.DeleteFunc(list, func(x netlist.PartID) bool { return x == p })
		}
		for _, p := range e.Parts {
			drop(p)
			if (e.Kind == KindReplace || e.Kind == KindReinstall) && c.Board.Parts[p].Polarised() {
				list = append(list, p)
			}
		}
		for _, m := range e.Marks {
			drop(m.Part)
		}
	}
	return list
}
