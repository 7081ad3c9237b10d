// Package gate says whether power may go on after rework.
//
// In most cases:
//
//	g, err := gate.Check(c, e, gate.Limits{})
//	if !g.Open {
//		fmt.Println(g.Lines[0].Net, g.Lines[0].Why)
//	}
//
// A short that rework left behind burns when power comes. So every rail and line
// that a removed, reinstalled, new, bridged or repaired place touches has to be read
// again afterwards, and the reading has to be that of a good board. A part that
// sits the wrong way round is caught by the same readings, if need be with the
// probes swapped. Check reads the record of the case and nothing else: the same
// record always gives the same answer.
//
// The rules are common practice, no source. They do not replace local codes, the
// makers' documents or licensed practice.
package gate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/engine"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/references"
)

// State is how a rail or line stands.
type State string

// States. All but Cleared and OutOfReach keep the gate closed.
const (
	Cleared    State = "cleared"
	NotRead    State = "not read since"
	Shorted    State = "shorted"
	Wrong      State = "reads wrong"
	OutOfReach State = "out of reach" // no probe reaches it, and nothing that is joined to it
)

// Work is rework that an event tells of.
type Work struct {
	Event int    `json:"event"`
	What  string `json:"what"` // "replace FL3"
}

// Line is a rail or another net that rework touched.
type Line struct {
	Net   string   `json:"net"`
	Rail  bool     `json:"rail"`
	Volts *float64 `json:"rail_volts"` // nominal; null where it is not known or no rail
	Work  Work     `json:"work"`       // the last that touched it
	State State    `json:"state"`
	At    string   `json:"at"`              // where it was read, or is to be read; "" out of reach
	Read  *float64 `json:"read"`            // volts; null for OL and where not read
	Over  bool     `json:"overload"`        // the reading is OL
	Want  *float64 `json:"want"`            // volts that a good board shows; null for OL
	Via   string   `json:"via,omitempty"`   // the net that was read, where it is another that leads here
	Event int      `json:"event,omitempty"` // of the reading
	Why   string   `json:"why"`
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
	Part  string `json:"part"`
	Stops bool   `json:"stops"` // the gate stays closed for it
	Why   string `json:"why"`
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
	BeforeKey    *float64 `json:"before_key"`
	AfterKey     *float64 `json:"after_key"`
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

// Gate is the answer.
type Gate struct {
	Board    string     `json:"board"`
	Revision string     `json:"revision"`
	Open     bool       `json:"open"`
	Says     string     `json:"says"`
	Reworked []Work     `json:"reworked"`
	Lines    []Line     `json:"lines"` // those that keep it closed first, rails before lines
	Reversed []Reversed `json:"reversed"`
	Off      []Off      `json:"off"`
	Draw     *Draw      `json:"draw"` // null where no current was read since the last rework
	Need     []Need     `json:"need"`

	readings, rails int // readings that count; rails among the nets that they are on
}

// Limits is what good boards draw from a bench supply, in amperes. A zero limit
// is not known; Check then takes that of the known-good sweeps, if they have one.
type Limits struct {
	MostBefore            float64 // with the power button not pressed
	LeastAfter, MostAfter float64 // with the power button pressed
}

// Check answers for a case as its record stands.
func Check(c *journal.Case, e *engine.Engine, limits Limits) (*Gate, error) {
	readings, err := e.Compare(c)
	if err != nil {
		return nil, err
	}
	k := &check{c: c, e: e, board: c.Board, readings: readings, last: map[netlist.NetID]Work{}, parts: map[netlist.PartID]Work{}}
	stages := c.Stages()
	k.edits, k.meter = stages[len(stages)-1].Edits, stages[len(stages)-1].Meter
	g := &Gate{Board: c.Board.Name, Revision: c.Board.Revision, Reworked: []Work{}, Lines: []Line{}, Reversed: []Reversed{}, Off: []Off{}, Need: []Need{}}
	k.place(g)
	k.rework(g)
	k.lines(g)
	if err := k.reversed(g); err != nil {
		return nil, err
	}
	k.off(g)
	k.draw(g, limits.over(LimitsOf(c.Library)))
	g.conclude()
	return g, nil
}

// check is one gate being checked.
type check struct {
	c        *journal.Case
	e        *engine.Engine
	board    *netlist.Board
	readings []engine.Comparison
	edits    netlist.Edits
	meter    references.Meter
	at       []netlist.Point        // of each reading
	counts   []bool                 // by reading
	last     map[netlist.NetID]Work // last rework of each net
	parts    map[netlist.PartID]Work
}

// rework gathers what was done, and the nets that it touched.
func (k *check) rework(g *Gate) {
	for _, ev := range k.c.Events {
		if !ev.Kind.Edits() {
			continue
		}
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
			g.Reworked = append(g.Reworked, w)
		}
	}
}

// Limits of judgement.
const (
	shortVolts = 0.015 // V below which a line that should read a drop is shorted
	oddSigmas  = 3.3   // standard deviations from a good board: 1 in 1,000 good readings
	// A reading clears a net behind series resistance while that takes less than
	// this share of what a good board reads: a short there would show.
	hiddenShare = 0.5
)

// lines judges every net that rework touched, and every rail that reads shorted
// whether touched or not.
func (k *check) lines(g *Gate) {
	for n := range k.board.Nets {
		net := netlist.NetID(n)
		w, touched := k.last[net]
		switch {
		case touched:
			g.Lines = append(g.Lines, k.line(net, w))
		case k.board.Nets[n].Rail:
			l := k.line(net, Work{})
			if l.State == Shorted && l.Via == "" {
				g.Lines = append(g.Lines, l)
			}
		}
	}
	slices.SortStableFunc(g.Lines, func(a, b Line) int {
		return cmp.Or(compareBool(b.stops(), a.stops()), compareBool(b.Rail, a.Rail))
	})
	asked := map[string]bool{}
	for _, l := range g.Lines {
		if l.State != NotRead || asked[l.At] {
			continue
		}
		asked[l.At] = true
		at, err := k.board.Point(l.At)
		if err != nil {
			continue
		}
		g.Need = append(g.Need, Need{At: l.At, Polarity: references.RedOnGround.String(), Point: at, Why: l.Why})
	}
}

func (l *Line) stops() bool { return l.State != Cleared && l.State != OutOfReach }

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// line judges one net by the readings that were taken after the rework w.
func (k *check) line(net netlist.NetID, w Work) Line {
	n := &k.board.Nets[net]
	l := Line{Net: n.Name, Rail: n.Rail, Work: w, State: NotRead}
	if n.Rail && !math.IsNaN(n.RailVolts) {
		v := n.RailVolts
		l.Volts = &v
	}
	away := k.joined(net)
	var found *engine.Comparison
	state, via := NotRead, netlist.NetID(netlist.None)
	for i := range k.readings {
		r := &k.readings[i]
		if r.Event <= w.Event || !k.counts[i] {
			continue
		}
		at := k.at[i]
		ohms, joined := away[at.Net]
		if !joined {
			continue
		}
		s := judge(r)
		if s == Cleared && at.Net != net && !k.reaches(r, ohms) {
			continue
		}
		// A wrong reading outweighs a right one; the net's own reading one of
		// another net on its line.
		if found == nil || rank(s) > rank(state) || rank(s) == rank(state) && (at.Net == net || via != net) {
			found, state, via = r, s, at.Net
		}
	}
	l.State = state
	if found == nil {
		k.unread(&l, net, away)
		return l
	}
	l.At, l.Read, l.Over, l.Event = found.At, found.Volts, found.Overload, found.Event
	l.Want = found.KnownGood
	if l.Want == nil && !found.KnownGoodOverload {
		l.Want = found.Predicted
	}
	if via != net {
		l.Via = k.board.Nets[via].Name
	}
	l.Why = explain(&l, found)
	return l
}

// rank orders states by how much they say.
func rank(s State) int {
	return slices.Index([]State{NotRead, Cleared, Wrong, Shorted}, s)
}

// place finds the readings that count: in diode mode, against ground, and not
// taken again later in the same way at the same net.
func (k *check) place(g *Gate) {
	type spot struct {
		net      netlist.NetID
		polarity string
	}
	latest := map[spot]int{}
	k.at = make([]netlist.Point, len(k.readings))
	k.counts = make([]bool, len(k.readings))
	for i := range k.readings {
		r := &k.readings[i]
		at, err := k.board.Point(r.At)
		if err != nil || at.Net == netlist.None || r.To != "" || r.Ohms != nil {
			continue
		}
		s := spot{at.Net, r.Polarity}
		if old, again := latest[s]; again {
			k.counts[old] = false
		}
		latest[s], k.at[i], k.counts[i] = i, at, true
	}
	rails := map[netlist.NetID]bool{}
	for i, counts := range k.counts {
		if counts {
			g.readings++
			if k.board.Nets[k.at[i].Net].Rail {
				rails[k.at[i].Net] = true
			}
		}
	}
	g.rails = len(rails)
}

// judge tells what one reading says.
func judge(r *engine.Comparison) State {
	over := r.KnownGoodOverload || r.KnownGood == nil && r.PredictedOverload
	good := 3 * shortVolts
	if r.KnownGood != nil {
		good = *r.KnownGood
	} else if r.Predicted != nil && !over {
		good = *r.Predicted
	}
	switch {
	case r.Volts != nil && *r.Volts < shortVolts && (over || good >= 3*shortVolts):
		return Shorted
	case r.Overload == over && (over || math.Abs(r.ZScore) < oddSigmas):
		return Cleared
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

// reaches tells whether a short behind so many ohms would have shown in a
// reading.
func (k *check) reaches(r *engine.Comparison, ohms float64) bool {
	good := k.meter.Over
	if r.KnownGood != nil {
		good = *r.KnownGood
	} else if r.Predicted != nil && !r.KnownGoodOverload {
		good = *r.Predicted
	}
	return ohms*k.meter.TestCurrent < hiddenShare*good
}

// unread says where a net is to be read that was not: on itself, or on the
// nearest net that is joined to it.
func (k *check) unread(l *Line, net netlist.NetID, away map[netlist.NetID]float64) {
	at, ok := k.e.Touch(net)
	if !ok {
		nets := make([]netlist.NetID, 0, len(away))
		for n := range away {
			nets = append(nets, n)
		}
		slices.SortFunc(nets, func(a, b netlist.NetID) int {
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
	l.Why = fmt.Sprintf("not read since event %d (%s)", l.Work.Event, l.Work.What)
	if at.Net != net {
		l.Via = k.board.Nets[at.Net].Name
		l.Why += ", and only to be read through " + l.Via
	}
}

func explain(l *Line, r *engine.Comparison) string {
	want := "OL"
	if l.Want != nil {
		want = fmt.Sprintf("%.3f", *l.Want)
	}
	got := "OL"
	if l.Read != nil {
		got = fmt.Sprintf("%.3f", *l.Read)
	}
	leads := ""
	if r.Polarity == references.BlackOnGround.String() {
		leads = ", black probe on ground"
	}
	switch l.State {
	case Cleared:
		return fmt.Sprintf("%s reads %s%s, as a good board does", l.At, got, leads)
	case Shorted:
		return fmt.Sprintf("%s reads %s%s: shorted; a good board reads %s", l.At, got, leads, want)
	}
	return fmt.Sprintf("%s reads %s%s; a good board reads %s", l.At, got, leads, want)
}

// reversed looks for parts that were soldered on and may sit the wrong way
// round.
func (k *check) reversed(g *Gate) error {
	var ids []netlist.PartID
	for p := range k.parts {
		ids = append(ids, p)
	}
	slices.Sort(ids)
	for _, p := range ids {
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
		case t.LogOdds > likely:
			r.Sure = true
			r.Why = fmt.Sprintf("%s reads as with %s the wrong way round", reasonList(t.Reasons), r.Part)
		case t.LogOdds > settled && len(t.Tell) > 0:
			x := t.Tell[0]
			r.Why = fmt.Sprintf("%s the wrong way round would show at %s, %s: %s instead of %s", r.Part, x.At, x.Polarity, shown(x.Volts), shown(x.Good))
			at, err := k.board.Point(x.At)
			if err != nil {
				return err
			}
			pol, _ := references.ParsePolarity(x.Polarity)
			g.Need = append(g.Need, Need{At: x.At, Polarity: x.Polarity, Point: at, Leads: pol, Why: r.Why})
		default:
			continue
		}
		g.Reversed = append(g.Reversed, r)
	}
	return nil
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

func reasonList(reasons []engine.Reason) string {
	var words []string
	for _, r := range reasons {
		words = append(words, fmt.Sprintf("%s reading %s and not %s", r.At, shown(r.Read), shown(r.Good)))
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
// a supply, or that the board file calls required, keeps the gate closed; a
// filter or bypass capacitor does not, nor does a part across which a bridge
// lies.
func (k *check) off(g *Gate) {
	for _, x := range k.edits.List() {
		if !x.Removed {
			continue
		}
		p := &k.board.Parts[x.Part]
		o := Off{Part: p.Name}
		onRail := ""
		for _, t := range p.Terminals {
			if t.Net != netlist.None && t.Net != k.board.Ground && k.board.Nets[t.Net].Rail {
				onRail = k.board.Nets[t.Net].Name
			}
		}
		switch {
		case engine.MayLeaveOff(p):
			o.Why = "left off; the board runs without it, with less filtering"
		case x.Jumpered:
			o.Why = "off, with a bridge in its place"
		case p.Role == netlist.Required:
			o.Stops, o.Why = true, "the board file calls it required; put it back or replace it"
		case onRail != "":
			o.Stops, o.Why = true, fmt.Sprintf("it is part of the supply %s; put it back or replace it", onRail)
		default:
			o.Why = "off the board; its line does not work without it"
		}
		g.Off = append(g.Off, o)
	}
}

// draw judges the current that was read from a bench supply since the last
// rework.
func (k *check) draw(g *Gate, limits Limits) {
	var supply *journal.SupplyDraw
	for _, ev := range k.c.Events {
		switch {
		case ev.Kind.Edits():
			supply = nil
		case ev.Kind == journal.KindPower:
			if supply == nil {
				supply = &journal.SupplyDraw{BeforeKey: math.NaN(), AfterKey: math.NaN()}
			}
			if !math.IsNaN(ev.Supply.BeforeKey) {
				supply.BeforeKey = ev.Supply.BeforeKey
			}
			if !math.IsNaN(ev.Supply.AfterKey) {
				supply.AfterKey = ev.Supply.AfterKey
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
	d := &Draw{MostBefore: some(limits.MostBefore), LeastAfter: some(limits.LeastAfter), MostAfter: some(limits.MostAfter)}
	if v := supply.BeforeKey; !math.IsNaN(v) {
		d.BeforeKey = &v
	}
	if v := supply.AfterKey; !math.IsNaN(v) {
		d.AfterKey = &v
	}
	if d.BeforeKey != nil {
		text := fmt.Sprintf("draws %s before the power button", milliamperes(*d.BeforeKey))
		switch {
		case d.MostBefore == nil:
			text += "; what good boards draw is not known"
		case *d.BeforeKey > *d.MostBefore:
			d.BeforeBeyond = true
			text += fmt.Sprintf(", good boards at most %s: a leak on a rail that is always on%s", milliamperes(*d.MostBefore), k.alwaysOn())
		default:
			text += ", as good boards do"
		}
		d.BeforeSays = text
	}
	if d.AfterKey != nil {
		text := fmt.Sprintf("draws %s after the power button", milliamperes(*d.AfterKey))
		switch {
		case d.MostAfter == nil && d.LeastAfter == nil:
			text += "; what good boards draw is not known"
		case d.MostAfter != nil && *d.AfterKey > *d.MostAfter:
			d.AfterBeyond = true
			text += fmt.Sprintf(", good boards at most %s: a rail that the key turns on is loaded; take power off", milliamperes(*d.MostAfter))
		case d.LeastAfter != nil && *d.AfterKey < *d.LeastAfter:
			d.AfterBeyond = true
			text += fmt.Sprintf(", good boards at least %s: the board does not start", milliamperes(*d.LeastAfter))
		default:
			text += ", as good boards do"
		}
		d.AfterSays = text
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

func milliamperes(a float64) string { return fmt.Sprintf("%.3g mA", a*1e3) }

// conclude sums up.
func (g *Gate) conclude() {
	var lines, shorts []string
	unread := 0
	for i := range g.Lines {
		switch l := &g.Lines[i]; {
		case l.State == Shorted:
			shorts = append(shorts, l.Net)
		case l.State == Wrong:
			lines = append(lines, l.Net)
		case l.State == NotRead:
			unread++
		}
	}
	var why []string
	for _, r := range g.Reversed {
		if r.Sure {
			why = append(why, fmt.Sprintf("%s sits the wrong way round on %s", r.Part, strings.Join(r.Rails, ", ")))
		}
	}
	if len(shorts) > 0 {
		why = append(why, strings.Join(shorts, ", ")+" shorted")
	}
	if len(lines) > 0 {
		why = append(why, strings.Join(lines, ", ")+" read wrong")
	}
	for _, o := range g.Off {
		if o.Stops {
			why = append(why, o.Part+" is off the board")
		}
	}
	if unread > 0 {
		why = append(why, fmt.Sprintf("%d of %d reworked nets not read since", unread, len(g.Lines)))
	}
	for _, r := range g.Reversed {
		if !r.Sure {
			why = append(why, "it is not known which way round "+r.Part+" sits")
		}
	}
	if g.Draw != nil && (g.Draw.BeforeBeyond || g.Draw.AfterBeyond) {
		why = append(why, "the board "+g.Draw.Says())
	}
	// A board that draws from a supply what good ones do was powered already.
	if g.readings == 0 && g.Draw == nil && len(why) == 0 {
		why = append(why, "nothing was read, so a short would not be known of")
	}
	g.Open = len(why) == 0
	switch {
	case !g.Open:
		g.Says = "closed: " + strings.Join(why, "; ")
	case len(g.Reworked) == 0 && g.rails == 0:
		g.Says = "open: nothing was reworked; no rail was read, so a short on one would not be known of"
	case len(g.Reworked) == 0 && g.rails == 1:
		g.Says = "open: nothing was reworked, and the one rail that was read is not shorted"
	case len(g.Reworked) == 0:
		g.Says = fmt.Sprintf("open: nothing was reworked, and none of the %d rails that were read is shorted", g.rails)
	default:
		g.Says = "open: every reworked net within reach was read again and reads as on a good board"
	}
}
