// Package powerup says whether power may go on after rework.
//
// In most cases:
//
//	a, err := powerup.Check(c, e, powerup.Limits{})
//	if !a.Passed() {
//		fmt.Println(a.Line())
//	}
//
// A short that rework left behind burns when power comes. So every rail and line
// that a removed, reinstalled, new, jumpered or repaired place touches has to be read
// again afterwards, and the reading has to be that of a good board, as the board
// lies then. Whatever else was read has to be right as well, in whatever way and
// wherever it was read, whether anybody worked on it or not. A part that sits the wrong
// way round is caught by the same readings, if need be with the probes swapped. Where no
// rail was measured, or nothing shows that the leads are connected, the board was not
// checked: that is no pass.
// Check reads the record of the case and nothing else: the same record always gives
// the same answer. Whether a reading is right is decided by engine.Compare alone.
//
// The rules are common practice, no source. They do not replace local codes, the
// makers' documents or licensed practice.
package powerup

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// Result is what the check comes to.
type Result string

// Results. Only Pass lets power on.
const (
	Pass       Result = "pass"
	Fail       Result = "fail"
	NotChecked Result = "not checked" // something that has to be read was not
)

// State is how a rail or line stands.
type State string

// States. Shorted and Wrong fail; NotRead and Unsure leave the board not checked.
const (
	Cleared    State = "cleared"
	NotRead    State = "not measured since"
	Shorted    State = "shorted"
	Wrong      State = "out of range"
	Unsure     State = "far off the prediction" // and no good board was read there
	OutOfReach State = "out of reach"           // no probe reaches it, and nothing that is joined to it
)

// Work is rework that an event tells of.
type Work struct {
	Event int    `json:"event"`
	What  string `json:"what"` // "replace FL3"
}

// Line is a rail or another net that rework touched, or that reads wrong.
type Line struct {
	Net   string   `json:"net"`
	Rail  bool     `json:"rail"`
	Volts *float64 `json:"rail_volts"` // nominal; null where it is not known or no rail
	Work  Work     `json:"work"`       // the last that touched it; event 0 where none did
	State State    `json:"state"`
	At    string   `json:"at"`              // where it was read, or is to be read; "" out of reach
	To    string   `json:"to,omitempty"`    // where the other probe was, if not on ground
	Read  *float64 `json:"measured"`        // volts; null for OL and where not read
	Over  bool     `json:"overload"`        // the reading is OL
	Want  *float64 `json:"want"`            // volts that a good board shows; null for OL
	Via   string   `json:"via,omitempty"`   // the net that was read, where it is another that leads here
	Event int      `json:"event,omitempty"` // of the reading
	Why   string   `json:"why"`

	leads references.Polarity // of the reading
	stale bool                // the board was worked on after the reading
	other bool                // only one taken the same way puts the reading right
}

// Reversed is a part that may sit the wrong way round.
type Reversed struct {
	Part  string   `json:"part"`
	Work  Work     `json:"work"`
	Rails []string `json:"rails"` // rails and lines that it touches
	Sure  bool     `json:"sure"`  // the readings say so; false where a reading is missing that would
	Why   string   `json:"why"`
}

// Off is a part that is off the board.
type Off struct {
	Part  string   `json:"part"`
	Stops bool     `json:"stops"`           // the check fails for it
	Costs []string `json:"costs,omitempty"` // functions that the board loses without it
	Why   string   `json:"why"`
}

// Look is how a part looked when it was last inspected.
type Look struct {
	Part string `json:"part"`
	Look string `json:"seen"`
}

// Function is a function of the board as it was last tested under power.
type Function struct {
	Name     string   `json:"name"`
	Result   string   `json:"result"`   // works, fails, not tested
	Expected []string `json:"expected"` // parts off the board without which it is expected to fail
}

// Need is a reading that is missing.
type Need struct {
	At       string              `json:"at"`
	Polarity string              `json:"polarity"`
	Point    netlist.Point       `json:"-"`
	Leads    references.Polarity `json:"-"`
	Why      string              `json:"why"`
}

// Draw is the current that the board takes from a bench supply, in amperes; null
// where it was not read or no limit is known.
type Draw struct {
	Before       *float64 `json:"before"`
	After        *float64 `json:"after"`
	MostBefore   *float64 `json:"most_before"`
	LeastAfter   *float64 `json:"least_after"`
	MostAfter    *float64 `json:"most_after"`
	BeforeBeyond bool     `json:"before_beyond"`
	AfterBeyond  bool     `json:"after_beyond"`
	BeforeSays   string   `json:"before_says"` // "" where it was not read
	AfterSays    string   `json:"after_says"`
}

// Says puts both in one sentence.
func (d *Draw) Says() string {
	return strings.Trim(d.BeforeSays+"; "+d.AfterSays, "; ")
}

// Answer is what the check found.
type Answer struct {
	Board    string     `json:"board"`
	Revision string     `json:"revision"`
	Result   Result     `json:"result"`
	Says     string     `json:"says"` // why, in one line
	Reworked []Work     `json:"reworked"`
	Lines    []Line     `json:"lines"` // those that stop it first, rails before lines
	Reversed []Reversed `json:"reversed"`
	Off      []Off      `json:"off"`
	// Unmarked are parts that were put on, may sit the wrong way round, and whose mark
	// nobody has looked at since.
	Unmarked []string `json:"unmarked"`
	// ComeBack are parts that looked bad and were not seen to; Functions is what works
	// under power. Neither decides the result.
	ComeBack  []Look     `json:"come_back"`
	Functions []Function `json:"functions"`
	Draw      *Draw      `json:"draw"` // null where no current was read since the last rework
	Need      []Need     `json:"need"`
	// Grounded tells that ground read as ground when it was last read, so that the
	// leads were connected. RailsRead counts the rails that were read, of Rails.
	Grounded  bool `json:"grounded"`
	RailsRead int  `json:"rails_read"`
	Rails     int  `json:"rails"`
}

// Passed tells whether power may go on.
func (a *Answer) Passed() bool { return a.Result == Pass }

// Title is the result as it stands over the check on screens and pages.
func (a *Answer) Title() string { return "POWER-UP CHECK: " + strings.ToUpper(string(a.Result)) }

// Line is the result with its reason, in one sentence.
func (a *Answer) Line() string {
	return "Power-up check: " + strings.ToUpper(string(a.Result)) + "; " + a.Says + "."
}

// Limits is what good boards draw from a bench supply, in amperes. A zero limit
// is not known; Check then takes that of the known-good sweeps, if they have one.
type Limits struct {
	MostBefore            float64 // with the power button not pressed
	LeastAfter, MostAfter float64 // with the power button pressed
}

// Check answers for a case as its record stands.
func Check(c *journal.Case, e *engine.Engine, limits Limits) (*Answer, error) {
	readings, err := e.Compare(c)
	if err != nil {
		return nil, err
	}
	k := &check{c: c, e: e, board: c.Board, readings: readings, last: map[netlist.NetID]Work{}, parts: map[netlist.PartID]Work{}, repairs: map[netlist.NetID]int{}}
	now := c.Now()
	k.edits, k.meter = now.Edits, now.Meter
	g := &Answer{Board: c.Board.Name, Revision: c.Board.Revision, Reworked: []Work{}, Lines: []Line{}, Reversed: []Reversed{}, Off: []Off{}, Unmarked: []string{}, ComeBack: []Look{}, Functions: []Function{}, Need: []Need{}}
	for _, x := range c.ComeBack() {
		g.ComeBack = append(g.ComeBack, Look{c.Board.Parts[x.Part].Name, x.Look.String()})
	}
	for _, x := range c.Tested() {
		g.Functions = append(g.Functions, Function{x.Function, x.Result.String(), append([]string{}, c.Without(x.Function)...)})
	}
	k.place(g)
	k.rework(g)
	k.lines(g)
	if err := k.reversed(g); err != nil {
		return nil, err
	}
	k.off(g)
	k.draw(g, limits.over(LimitsOf(c.Library)))
	k.unshown(g)
	g.conclude()
	return g, nil
}

// check is one answer being worked out.
type check struct {
	c        *journal.Case
	e        *engine.Engine
	board    *netlist.Board
	readings []diagnose.Comparison
	edits    netlist.Edits
	meter    references.Meter
	at       []netlist.Point        // of each reading
	other    []netlist.NetID        // of each reading, where the other probe was; None for ground
	counts   []bool                 // by reading
	own      []bool                 // by reading: it speaks for its own net alone
	states   []State                // what each says, of those that count
	edited   int                    // the last event that changed the board
	last     map[netlist.NetID]Work // last rework of each net
	parts    map[netlist.PartID]Work
	repairs  map[netlist.NetID]int // the last event that repaired something of each net
}

// rework gathers what was done, and the nets that it touched.
func (k *check) rework(g *Answer) {
	for _, ev := range k.c.Events {
		if !ev.Kind.Edits() {
			continue
		}
		k.edited = ev.Number
		touch := func(w Work, nets ...netlist.NetID) {
			for _, n := range nets {
				if n != netlist.None && n != k.board.Ground {
					k.last[n] = w
				}
			}
		}
		part := func(p netlist.PartID) {
			w := Work{ev.Number, ev.Kind.String() + " " + k.board.Parts[p].Name}
			k.parts[p] = w
			for _, t := range k.board.Parts[p].Terminals {
				touch(w, t.Net)
			}
			g.Reworked = append(g.Reworked, w)
		}
		for _, p := range ev.Parts {
			part(p)
		}
		for _, b := range ev.Jumpers {
			part(b.Part)
		}
		for _, m := range ev.Repairs {
			w := Work{ev.Number, "repair " + k.board.RepairName(m)}
			touch(w, k.board.RepairNets(m)...)
			for _, n := range k.board.RepairNets(m) {
				k.repairs[n] = ev.Number
			}
			g.Reworked = append(g.Reworked, w)
		}
	}
}

// hiddenShare is the share of what a good board reads within which the drop over a
// series resistance has to stay for a reading in front of it to clear the net
// behind: a short there would show.
const hiddenShare = 0.5

// lines judges every net that rework touched, and lists every other that reads
// wrong.
func (k *check) lines(g *Answer) {
	for n := range k.board.Nets {
		net := netlist.NetID(n)
		w, touched := k.last[net]
		if l := k.line(net, w); touched || l.stops() && l.State != NotRead {
			g.Lines = append(g.Lines, l)
		}
	}
	if l := k.line(netlist.None, Work{}); l.stops() && l.State != NotRead {
		g.Lines = append(g.Lines, l)
	}
	slices.SortStableFunc(g.Lines, func(a, b Line) int {
		return cmp.Or(diagnose.CompareBool(b.stops(), a.stops()), diagnose.CompareBool(b.Rail, a.Rail))
	})
	asked := map[string]bool{}
	for _, l := range g.Lines {
		if l.State != NotRead && !l.stale || l.To != "" || l.other || asked[l.At] {
			continue // a diode reading against ground puts no other right
		}
		asked[l.At] = true
		at, err := k.board.Point(l.At)
		if err != nil {
			continue
		}
		k.need(g, at, l.leads, l.Why)
	}
}

// need asks for a reading that is missing.
func (k *check) need(g *Answer, at netlist.Point, leads references.Polarity, why string) {
	g.Need = append(g.Need, Need{At: k.board.PointName(at), Polarity: leads.String(), Point: at, Leads: leads, Why: why})
}

func (l *Line) fails() bool { return l.State == Shorted || l.State == Wrong }

func (l *Line) stops() bool { return l.fails() || l.State == NotRead || l.State == Unsure }

// line judges one net by the readings that were taken after the rework w, those of
// the nets that are joined to it included. A net that nobody touched, with w at
// event 0, is judged by its own. None stands for the pins that are not connected.
func (k *check) line(net netlist.NetID, w Work) Line {
	n := &netlist.Net{}
	if net != netlist.None {
		n = &k.board.Nets[net]
	}
	l := Line{Net: n.Name, Rail: n.Rail, Work: w, State: NotRead}
	if n.Rail && !math.IsNaN(n.RailVolts) {
		v := n.RailVolts
		l.Volts = &v
	}
	away := map[netlist.NetID]float64{net: 0}
	if w.Event > 0 {
		away = k.joined(net)
	}
	var found *diagnose.Comparison
	own := false
	state, via := NotRead, netlist.NetID(netlist.None)
	for i := range k.readings {
		r := &k.readings[i]
		at := k.at[i]
		if !k.counts[i] || k.own[i] && at.Net != net || r.Event <= k.since(i, w) {
			continue
		}
		ohms, joined := away[at.Net]
		if !joined {
			continue
		}
		s := k.states[i]
		if w.Event == 0 && s == Wrong && r.Verdict == diagnose.NoKnownGood && !n.Rail {
			s = Unsure // the circuit alone says it, and nobody touched the line
		}
		if at.Net != net && !k.reaches(r, ohms) {
			continue // behind 47 kohm, a rail says nothing of the line
		}
		// A wrong reading outweighs a right one; the net's own reading one of
		// another net on its line.
		if found == nil || rank(s) > rank(state) || rank(s) == rank(state) && (at.Net == net || via != net) {
			found, state, via, own = r, s, at.Net, k.own[i]
		}
	}
	l.State = state
	if found == nil {
		if w.Event > 0 {
			k.unread(&l, net, away)
		}
		return l
	}
	l.leads, _ = references.ParsePolarity(found.Polarity)
	l.stale, l.other = l.State != Cleared && found.Event < k.edited, own
	if net == netlist.None {
		l.Net = found.At
	}
	l.At, l.To, l.Read, l.Over, l.Event = found.At, found.To, found.Volts, found.Overload, found.Event
	l.Want, _, _ = found.Good()
	if via != net {
		l.Via = k.board.Nets[via].Name
	}
	l.Why = k.explain(&l, found)
	return l
}

// rank orders states by how much they say.
func rank(s State) int {
	return slices.Index([]State{NotRead, Cleared, Unsure, Wrong, Shorted}, s)
}

// since gives the last event after which a reading of a net with the last rework w would
// have to be taken again. One across a part stands while nobody worked on that part.
func (k *check) since(i int, w Work) int {
	r := &k.readings[i]
	if k.own[i] && r.To != "" {
		to, err := k.board.Point(r.To)
		if at := k.at[i]; err == nil && at.SamePart(to) {
			return max(k.parts[at.Terminal.Part].Event, k.repairs[at.Net], k.repairs[to.Net])
		}
	}
	return max(w.Event, k.last[k.other[i]].Event)
}

// place finds the readings that count: against ground, in diode mode or, where it
// shows a short, in resistance mode, and not put right by a later one. Between two
// points they count where more passes than on a good board: a short from one supply
// to another may read right against ground. A reading as on a good board puts right
// what its net, or the same two nets, read before. An open or a reading too high may
// be of one pin alone, and is put right at the same point. A short is put right by
// nothing else than such a reading, not by an OL. Every other reading that is wrong
// counts too, for its own net alone, until one is taken there in the same way.
func (k *check) place(g *Answer) {
	type spot struct {
		net, other netlist.NetID // other is None against ground
		polarity   string        // "" between two points: a short shows both ways
	}
	type way struct { // how a reading was taken
		at, to   string
		polarity string
		ohms     bool
	}
	earlier, wrong := map[spot][]int{}, map[way]int{}
	k.at = make([]netlist.Point, len(k.readings))
	k.other = make([]netlist.NetID, len(k.readings))
	k.counts, k.own, k.states = make([]bool, len(k.readings)), make([]bool, len(k.readings)), make([]State, len(k.readings))
	grounds := []int{} // wrong readings of ground pins
	rails := map[netlist.NetID]bool{}
	for i := range k.readings {
		r := &k.readings[i]
		at, err := k.board.Point(r.At)
		if err != nil {
			continue
		}
		s, state := spot{at.Net, netlist.None, r.Polarity}, judge(r)
		k.at[i], k.other[i], k.states[i] = at, netlist.None, state
		how := way{r.At, r.To, r.Polarity, r.Resistance}
		if r.Resistance && r.To != "" {
			how.at, how.to, how.polarity = min(r.At, r.To), max(r.At, r.To), "" // a resistor has no direction
		}
		if old, ok := wrong[how]; ok {
			k.counts[old] = false
			delete(wrong, how)
		}
		alone := func() { // the reading speaks for its own net alone, where it is wrong
			if state != Cleared {
				k.counts[i], k.own[i], wrong[how] = true, true, i
			}
		}
		if at.Net == netlist.None {
			alone()
			continue
		}
		if r.To != "" {
			to, err := k.board.Point(r.To)
			if err != nil || to.Net == netlist.None || to.Net == at.Net {
				alone()
				continue
			}
			if at.Net == k.board.Ground || !k.board.Nets[at.Net].Rail && k.board.Nets[to.Net].Rail && to.Net != k.board.Ground {
				at, to = to, at // named by the supply
			}
			s.net = at.Net
			if to.Net != k.board.Ground {
				k.other[i] = to.Net
				s = spot{min(at.Net, to.Net), max(at.Net, to.Net), ""}
			}
		} else if at.Net == k.board.Ground {
			if !r.Resistance {
				g.Grounded = r.Verdict == diagnose.Agrees
				grounds = append(grounds, i)
			}
			alone()
			continue
		}
		if r.To != "" && (r.Circuit == diagnose.IsOpen || r.Circuit == diagnose.High) || r.Resistance && (state == Wrong || state == Cleared && r.To == "") {
			k.at[i] = at
			alone()
			continue
		}
		for _, old := range earlier[s] {
			before := &k.readings[old]
			ofPin := before.Circuit == diagnose.IsOpen || before.Circuit == diagnose.High
			if state == Cleared && (!ofPin || k.at[old] == at) || state == Wrong && k.at[old] == at && k.states[old] != Shorted {
				k.counts[old] = false
			}
		}
		earlier[s] = append(slices.DeleteFunc(earlier[s], func(old int) bool { return !k.counts[old] }), i)
		// What is right between two points shows nothing against ground.
		k.at[i], k.counts[i], k.states[i] = at, r.To == "" || state != Cleared, state
		if k.board.Nets[at.Net].Rail && !r.Resistance && r.To == "" {
			rails[at.Net] = true
		}
	}
	if !g.Grounded { // then the leads may be off, which is said of all of them
		for _, i := range grounds {
			k.counts[i] = false
		}
	}
	for n := range k.board.Nets {
		if k.board.Nets[n].Rail && netlist.NetID(n) != k.board.Ground {
			g.Rails++
		}
	}
	g.RailsRead = len(rails)
}

// judge tells what one reading says, by the verdict that compare gives it; where no
// good board was read, by that of the circuit.
func judge(r *diagnose.Comparison) State {
	switch r.Circuit {
	case diagnose.Agrees:
		return Cleared
	case diagnose.IsShorted:
		return Shorted
	}
	return Wrong
}

// joined gives the nets that series resistance joins to a net, with the ohms
// between them. The walk does not pass ground or a rail.
func (k *check) joined(net netlist.NetID) map[netlist.NetID]float64 {
	ohms := map[netlist.NetID]float64{net: 0}
	queue := []netlist.NetID{net}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		if at != net && k.board.Nets[at].Rail {
			continue
		}
		for _, t := range k.board.Nets[at].Terminals {
			for _, way := range k.edits.Paths(k.board, t.Part) {
				if way.Element != netlist.Resistive || way.From != t.Terminal && way.To != t.Terminal {
					continue
				}
				other := k.board.Parts[t.Part].Terminals[way.From+way.To-t.Terminal].Net
				if other == k.board.Ground || other == netlist.None {
					continue
				}
				sum := ohms[at] + way.Ohms
				if old, seen := ohms[other]; !seen || sum < old {
					ohms[other] = sum
					queue = append(queue, other)
				}
			}
		}
	}
	return ohms
}

// reaches tells whether a short behind so many ohms would show in a reading, so that
// the reading speaks for the net behind them, right or wrong.
func (k *check) reaches(r *diagnose.Comparison, ohms float64) bool {
	good := k.meter.Over
	if v, _, _ := r.Good(); v != nil {
		good = *v
	}
	return ohms*k.meter.TestCurrent < hiddenShare*good
}

// unread says where a net is to be read that was not: on itself, or on the
// nearest net that is joined to it.
func (k *check) unread(l *Line, net netlist.NetID, away map[netlist.NetID]float64) {
	at, ok := k.e.Touch(net)
	if !ok {
		nets := slices.SortedFunc(maps.Keys(away), func(a, b netlist.NetID) int {
			return cmp.Or(cmp.Compare(away[a], away[b]), cmp.Compare(a, b))
		})
		for _, n := range nets {
			if away[n]*k.meter.TestCurrent > 0.2 { // V that a junction's drop still exceeds
				break
			}
			if at, ok = k.e.Touch(n); ok {
				break
			}
		}
	}
	if !ok {
		l.State = OutOfReach
		l.Why = fmt.Sprintf("no probe reaches it; event %d (%s) touched it", l.Work.Event, l.Work.What)
		return
	}
	l.At = k.board.PointName(at)
	l.Why = fmt.Sprintf("not measured since event %d (%s)", l.Work.Event, l.Work.What)
	if at.Net != net {
		l.Via = k.board.Nets[at.Net].Name
		l.Why += ", and only to be measured through " + l.Via
	}
}

func (k *check) explain(l *Line, r *diagnose.Comparison) string {
	want, got, leads, good := shown(l.Want), shown(l.Read), "", "known good"
	if r.Resistance {
		got = "OL"
		if r.Ohms != nil {
			got = quantity.Format(*r.Ohms, quantity.Ohm)
		}
		if l.Want != nil {
			want = quantity.Format(*l.Want, quantity.Ohm)
		}
	}
	if l.leads == references.BlackOnGround {
		leads = ", black probe on ground"
	}
	at := l.At
	if l.To != "" {
		at += " to " + l.To
	}
	if l.stale {
		leads += fmt.Sprintf(" at event %d, and was not measured since event %d", l.Event, k.edited)
	}
	if l.State == Cleared {
		return fmt.Sprintf("%s measured %s%s, as on a good board", l.At, got, leads)
	}
	switch _, _, predicted := r.Good(); {
	case l.State == Unsure:
		good = "no good board was measured there; predicted"
	case predicted:
		good = "predicted"
	}
	return fmt.Sprintf("%s measured %s%s; %s %s", at, got, leads, good, want)
}

// reversed looks for parts that were soldered on and may sit the wrong way
// round.
func (k *check) reversed(g *Answer) error {
	unmarked := k.c.Unmarked()
	for _, p := range unmarked {
		g.Unmarked = append(g.Unmarked, k.board.Parts[p].Name)
	}
	for _, p := range slices.Sorted(maps.Keys(k.parts)) {
		w := k.parts[p]
		x := k.edits.Of(p)
		if x.Removed || !x.Replaced && !x.Reinstalled {
			continue // off the board, or never taken off
		}
		soldered := k.soldered(p)
		t, err := k.e.Turned(k.c, p, soldered.Event)
		if err != nil {
			return err
		}
		r := Reversed{Part: k.board.Parts[p].Name, Work: w, Rails: k.touches(p)}
		const likely, settled = 3.0, -3.0 // natural log odds: 20 to 1 for and against
		switch {
		case k.marked(p):
			r.Sure = true
			r.Why = fmt.Sprintf("its mark shows that %s sits the wrong way round", r.Part)
		case t.LogOdds > likely:
			r.Sure = true
			r.Why = fmt.Sprintf("%s is as with %s the wrong way round", reasonList(t.Reasons), r.Part)
		case t.LogOdds > settled && len(t.Tell) > 0:
			x := t.Tell[0]
			r.Why = fmt.Sprintf("%s the wrong way round would show at %s, %s: %s instead of %s", r.Part, x.At, x.Polarity, shown(x.Volts), shown(x.Good))
			at, err := k.board.Point(x.At)
			if err != nil {
				return err
			}
			pol, _ := references.ParsePolarity(x.Polarity)
			k.need(g, at, pol, r.Why)
		case t.LogOdds > settled && slices.Contains(unmarked, p):
			r.Why = fmt.Sprintf("no reading tells which way round %s sits: look at its mark", r.Part)
		default:
			continue
		}
		g.Reversed = append(g.Reversed, r)
	}
	return nil
}

// marked tells that the mark of a part, when it was last looked at since it was put on,
// showed that it sits the wrong way round.
func (k *check) marked(p netlist.PartID) bool {
	reversed := false
	for i := range k.c.Events {
		ev := &k.c.Events[i]
		if slices.Contains(ev.Parts, p) {
			reversed = false
		}
		for _, m := range ev.Marks {
			if m.Part == p {
				reversed = m.Reversed
			}
		}
	}
	return reversed
}

// soldered is the last event that soldered a part on.
func (k *check) soldered(p netlist.PartID) Work {
	var w Work
	for _, ev := range k.c.Events {
		if (ev.Kind == journal.KindReplace || ev.Kind == journal.KindReinstall) && slices.Contains(ev.Parts, p) {
			w = Work{Event: ev.Number}
		}
	}
	return w
}

func reasonList(reasons []diagnose.Reason) string {
	var words []string
	for _, r := range reasons {
		words = append(words, fmt.Sprintf("%s measured %s and not %s", r.At, shown(r.Read), shown(r.Good)))
	}
	if len(words) > 3 {
		words = words[:3]
	}
	return strings.Join(words, ", ")
}

func shown(v *float64) string {
	if v == nil {
		return "OL"
	}
	return fmt.Sprintf("%.3f", *v)
}

// touches lists the rails that a part is on, or its lines where it is on no
// rail.
func (k *check) touches(p netlist.PartID) []string {
	rails, lines := []string{}, []string{}
	for _, t := range k.board.Parts[p].Terminals {
		if t.Net == netlist.None || t.Net == k.board.Ground {
			continue
		}
		n := &k.board.Nets[t.Net]
		if n.Rail && !slices.Contains(rails, n.Name) {
			rails = append(rails, n.Name)
		}
		if !slices.Contains(lines, n.Name) {
			lines = append(lines, n.Name)
		}
	}
	if len(rails) > 0 {
		return rails
	}
	return lines
}

// off lists the parts that are off the board. One that feeds, switches or holds
// a supply, or that the board file calls required, fails the check; a
// filter or bypass capacitor does not, nor does a part across which a bridge
// lies.
func (k *check) off(g *Answer) {
	for _, x := range k.edits.List() {
		if !x.Removed {
			continue
		}
		p := &k.board.Parts[x.Part]
		o := Off{Part: p.Name, Costs: p.Functions}
		onRail := ""
		for _, t := range p.Terminals {
			if t.Net != netlist.None && t.Net != k.board.Ground && k.board.Nets[t.Net].Rail {
				onRail = k.board.Nets[t.Net].Name
			}
		}
		switch {
		case p.MayLeaveOff():
			o.Why = "left off; the board runs without it, with less filtering"
		case x.Jumpered:
			o.Why = "off, with a jumper in its place"
		case p.Role == netlist.Required:
			o.Stops, o.Why = true, "the board file calls it required; put it back or replace it"
		case onRail != "":
			o.Stops, o.Why = true, fmt.Sprintf("it is part of the supply %s; put it back or replace it", onRail)
		default:
			o.Why = "off the board; its line does not work without it"
		}
		if len(o.Costs) > 0 {
			o.Why += "; expected not to work: " + strings.Join(o.Costs, ", ")
		}
		g.Off = append(g.Off, o)
	}
}

// draw judges the current that was read from a bench supply since the last
// rework.
func (k *check) draw(g *Answer, limits Limits) {
	var supply *journal.SupplyDraw
	for _, ev := range k.c.Events {
		switch {
		case ev.Kind.Edits():
			supply = nil
		case ev.Kind == journal.KindSupply:
			if supply == nil {
				supply = &journal.SupplyDraw{Before: math.NaN(), After: math.NaN()}
			}
			if !math.IsNaN(ev.Supply.Before) {
				supply.Before = ev.Supply.Before
			}
			if !math.IsNaN(ev.Supply.After) {
				supply.After = ev.Supply.After
			}
		}
	}
	if supply == nil {
		return
	}
	some := func(v float64) *float64 {
		if v == 0 || math.IsNaN(v) {
			return nil
		}
		return &v
	}
	d := &Draw{Before: diagnose.Number(supply.Before), After: diagnose.Number(supply.After),
		MostBefore: some(limits.MostBefore), LeastAfter: some(limits.LeastAfter), MostAfter: some(limits.MostAfter)}
	amperes := func(v *float64) string { return quantity.Format(*v, quantity.Ampere) }
	const unknown, asGood = "; what good boards draw is not known", ", as good boards do"
	if d.Before != nil {
		d.BeforeSays = "draws " + amperes(d.Before) + " before the power button"
		switch {
		case d.MostBefore == nil:
			d.BeforeSays += unknown
		case *d.Before > *d.MostBefore:
			d.BeforeBeyond = true
			d.BeforeSays += fmt.Sprintf(", good boards at most %s, which speaks for a leak or short on a rail that is always on%s and proves none: read the rails", amperes(d.MostBefore), k.alwaysOn())
		default:
			d.BeforeSays += asGood
		}
	}
	if d.After != nil {
		d.AfterSays = "draws " + amperes(d.After) + " after the power button"
		switch {
		case d.MostAfter == nil && d.LeastAfter == nil:
			d.AfterSays += unknown
		case d.MostAfter != nil && *d.After > *d.MostAfter:
			d.AfterBeyond = true
			d.AfterSays += fmt.Sprintf(", good boards at most %s, which speaks for a short behind the power button and proves none: take power off and read the rails", amperes(d.MostAfter))
		case d.LeastAfter != nil && *d.After < *d.LeastAfter:
			d.AfterBeyond = true
			d.AfterSays += fmt.Sprintf(", good boards at least %s, so the board does not start; that alone says nothing of a rail", amperes(d.LeastAfter))
		default:
			d.AfterSays += asGood
		}
	}
	g.Draw = d
}

// alwaysOn names the rails that may be on without the key: those that the board
// file draws no switch for are not known, so all that are not boosted.
func (k *check) alwaysOn() string {
	var names []string
	for n := range k.board.Nets {
		net := &k.board.Nets[n]
		if net.Rail && !net.Boosted && netlist.NetID(n) != k.board.Ground {
			names = append(names, net.Name)
		}
	}
	if len(names) == 0 || len(names) > 6 {
		return ""
	}
	return " (one of " + strings.Join(names, ", ") + ")"
}

// unshown asks for what shows that the board was checked at all: a ground pin, and
// a rail.
func (k *check) unshown(g *Answer) {
	need := func(n netlist.NetID, why string) bool {
		at, ok := k.e.Touch(n)
		if ok {
			k.need(g, at, references.RedOnGround, why)
		}
		return ok
	}
	if !g.Grounded {
		need(k.board.Ground, "no ground pin measured as ground, so the leads may be off")
	}
	if g.RailsRead > 0 || slices.ContainsFunc(g.Lines, func(l Line) bool { return l.Rail && l.State == NotRead }) {
		return
	}
	for _, ofPin := range []bool{true, false} { // a connector pin is the easiest to read
		for n := range k.board.Nets {
			net := netlist.NetID(n)
			if !k.board.Nets[n].Rail || net == k.board.Ground {
				continue
			}
			at, ok := k.e.Touch(net)
			if ok && (at.Kind == netlist.PointPin) == ofPin && need(net, "no rail was measured, so a short on one would not be known of") {
				return
			}
		}
	}
}

// conclude sums up.
func (g *Answer) conclude() {
	var wrong, shorts, unsure []string
	unread := 0
	for i := range g.Lines {
		switch l := &g.Lines[i]; l.State {
		case Shorted:
			shorts = append(shorts, l.Net)
		case Wrong:
			wrong = append(wrong, l.Net)
		case Unsure:
			unsure = append(unsure, l.Net)
		case NotRead:
			unread++
		}
	}
	var bad, missing []string
	for _, r := range g.Reversed {
		if r.Sure {
			bad = append(bad, fmt.Sprintf("%s sits the wrong way round on %s", r.Part, strings.Join(r.Rails, ", ")))
		} else {
			missing = append(missing, "it is not known which way round "+r.Part+" sits")
		}
	}
	if len(shorts) > 0 {
		bad = append(bad, document.Few(shorts, fewNames)+" shorted")
	}
	if len(wrong) == 1 {
		bad = append(bad, wrong[0]+" is out of range")
	} else if len(wrong) > 1 {
		bad = append(bad, document.Few(wrong, fewNames)+" are out of range")
	}
	for _, o := range g.Off {
		if o.Stops {
			bad = append(bad, o.Part+" is off the board")
		}
	}
	if g.Draw != nil && (g.Draw.BeforeBeyond || g.Draw.AfterBeyond) {
		bad = append(bad, "the board "+g.Draw.Says())
	}
	if !g.Grounded {
		missing = append(missing, "no ground pin measured as ground, so the leads may be off")
	}
	switch {
	case g.RailsRead == 0 && g.Rails == 0:
		missing = append(missing, "the board file names no rail")
	case g.RailsRead == 0:
		missing = append(missing, "no rail was measured, so a short on one would not be known of")
	}
	if unread > 0 {
		missing = append(missing, fmt.Sprintf("%d of %d reworked nets not measured since", unread, g.touched()))
	}
	if len(unsure) > 0 {
		missing = append(missing, document.Few(unsure, fewNames)+" measured far from what is predicted, and no good board was measured there")
	}
	read := fmt.Sprintf("rails measured: %d of %d", g.RailsRead, g.Rails)
	switch {
	case len(bad) > 0:
		g.Result, g.Says = Fail, strings.Join(append(bad, missing...), "; ")
	case len(missing) > 0:
		g.Result, g.Says = NotChecked, strings.Join(missing, "; ")
	case len(g.Reworked) == 0:
		g.Result, g.Says = Pass, "nothing was reworked, and everything that was measured is as on a good board; "+read
	default:
		g.Result, g.Says = Pass, "every reworked net within reach was measured again and is as on a good board, and so is all else that was measured; "+read
	}
}

// touched counts the nets that rework touched.
func (g *Answer) touched() (n int) {
	for i := range g.Lines {
		if g.Lines[i].Work.Event > 0 {
			n++
		}
	}
	return n
}

// fewNames is how many parts or points a sentence names.
const fewNames = 6
