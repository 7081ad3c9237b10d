package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// maxCase is the largest case file in bytes. A long repair takes some 20 kB.
const maxCase = 4 << 20

// Load reads a case file, its board and its known-good sweeps. The error is
// document.Problems and lists everything wrong at once. An event whose writing
// was cut off is no error: it is left out and stands in Case.Torn. Load changes
// nothing on the disk and may be used while a session has the case open.
func Load(path string) (*Case, error) {
	text, err := readCase(path)
	if err != nil {
		return nil, err
	}
	return decode(path, text, surroundings)
}

// readCase reads at most one byte more than maxCase.
func readCase(path string) ([]byte, error) {
	f, err := document.Open(path, "a case file", "check the path, or begin a case there")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxCase+1))
	if err != nil {
		return nil, document.Wrong(path, "cannot be read: "+document.Reason(err), "check the file and the disk")
	}
	return text, nil
}

// around finds what a case stands on: its board and its known-good sweeps.
type around func(Opening) (*netlist.Board, *references.Library, error)

// surroundings loads what a case stands on.
func surroundings(o Opening) (*netlist.Board, *references.Library, error) {
	board, err := netlist.Load(o.BoardPath)
	if err != nil {
		return nil, nil, err
	}
	if o.Known == "" {
		return board, references.NewLibrary(board, nil), nil
	}
	library, err := references.LoadLibrary(o.KnownPath, board)
	return board, library, err
}

// decode turns the text of a case file into a case. The board and the library
// come from around, which is asked once the opening is known.
func decode(file string, text []byte, around around) (*Case, error) {
	d := &decoder{file: file}
	c := &Case{File: file, Meter: references.DefaultMeter()}
	whole, chunks, torn := text, []chunk(nil), (*Torn)(nil)
	if len(text) <= maxCase { // beyond that it is not a case file, and refused below
		whole, chunks, torn = setAside(file, text)
	}
	c.Torn = torn
	for _, c := range chunks {
		if c.condition == cutOff {
			d.problem(document.Position{File: file, Line: c.line, Column: 1}, "this event was cut off or lost its closing line ...", "complete it by hand and take everything after --- off this line")
		}
	}

	nodes, err := document.Decode(bytes.NewReader(whole), file, maxCase)
	d.add(err)
	sound := make([]bool, len(nodes))
	for i, node := range nodes {
		found := caseShape.Check(node)
		sound[i] = len(found) == 0
		d.add(found.Err())
	}

	misread := false // an undo, so that which events stand is not known
	switch {
	case len(nodes) == 0 && len(d.problems) == 0:
		what := "holds no event"
		if torn != nil {
			what = "holds no event: the writing of its first one was cut off"
		}
		d.problem(document.Position{File: file, Line: 1, Column: 1}, what, "begin it with `open: {board: PATH}`")
	case len(nodes) > 0 && sound[0] && !nodes[0].Get("open").Exists():
		d.problem(nodes[0].At(), "the first event is not `open`", "begin the file with `open: {board: PATH}` and a line of ---")
	case len(nodes) > 0 && nodes[0].Get("open").Get("board").Text() != "":
		opening := decodeOpening(file, nodes[0].Get("open"))
		before := len(d.problems)
		d.board, c.Library, err = around(opening)
		if lib := c.Library; lib != nil && len(lib.Sweeps) == 0 && len(lib.Skipped) == 1 && lib.Skipped[0].File == opening.KnownPath {
			d.problem(nodes[0].Get("open").Get("known").At(), fmt.Sprintf("`known` leads to `%s`: %s", shown(opening.KnownPath), lib.Skipped[0].Why), "name the folder of the known-good sweeps")
		}
		if err != nil && c.Library == nil {
			d.surroundingsFailed(nodes[0].Get("open"), opening, err)
		} else {
			c.sweeps = err
			d.libraryProblems(err)
		}
		d.keepNews(before)
		if d.board == nil {
			break
		}
		c.drawn, c.known = d.board, c.Library
		d.drawIn(nodes)
		c.Board = d.board
		d.atHand(nodes[0].Get("open").Get("at_hand"))
		for i, node := range nodes {
			if d.problems.Full() {
				break
			}
			before := len(d.problems)
			e := d.event(node, i+1)
			c.All = append(c.All, e)
			if !sound[i] {
				d.keepNews(before)
				misread = misread || e.Kind == KindUndo
			}
		}
	}
	if len(d.problems) == 0 {
		c.Unsealed = d.checkSeals(chunks, text, c.All)
	}
	if len(c.All) == len(nodes) && !misread {
		c.Events = d.effective(c.All)
		for _, e := range c.Events {
			if e.Meter != nil {
				c.Meter = *e.Meter
			}
			d.checkDisplay(e.Readings, c.Meter)
			d.checkDisplay(e.Goods, c.Meter)
			for _, x := range e.Presses {
				d.checkDisplay([]Read{x.Read}, c.Meter)
			}
		}
		c.Library = c.withGood()
	}
	if len(d.problems) == 0 {
		d.checkOrder(c)
	}
	if err := d.problems.Err(); err != nil {
		return nil, err
	}
	d.warnings.Sort()
	c.Warnings = d.warnings
	return c, nil
}

// drawIn draws into the board what events found on it. What was taken back keeps its name,
// for events that name it, and joins nothing.
func (d *decoder) drawIn(nodes []document.Node) {
	if !slices.ContainsFunc(nodes, func(n document.Node) bool { return n.Get(KindUndrawn.String()).Exists() }) {
		return
	}
	quiet := &decoder{file: d.file, board: d.board} // what is wrong is reported when the events are read
	var all []Event
	for i, n := range nodes {
		all = append(all, quiet.event(n, i+1))
	}
	stands := numbers(quiet.effective(all))
	var found []netlist.Found
	var at []document.Position
	for i := range all {
		for _, x := range all[i].Undrawn {
			for _, mark := range x.Marks {
				f := netlist.Found{Mark: mark, Net: x.Net}
				if !stands[all[i].Number] {
					f.Net = netlist.None
				}
				found, at = append(found, f), append(at, x.Pos)
			}
		}
	}
	board, err := d.board.DrawIn(found...)
	for k := 0; err != nil && k < len(found); k++ { // which of them it is
		if _, err := d.board.DrawIn(found[:k+1]...); err != nil {
			d.problems.AddError(at[k], err)
			found, at = slices.Delete(found, k, k+1), slices.Delete(at, k, k+1)
			k--
		}
	}
	if err != nil {
		board, _ = d.board.DrawIn(found...)
	}
	d.board = board
}

// FoundBy gives the number of the event that found a part which is not in the board file, 0
// where it is.
func (c *Case) FoundBy(name string) int {
	for i := range c.Events {
		for _, x := range c.Events[i].Undrawn {
			if slices.ContainsFunc(x.Marks, func(mark string) bool { f := netlist.Found{Mark: mark}; return f.Part() == name }) {
				return c.Events[i].Number
			}
		}
	}
	return 0
}

// checkDisplay refuses readings above what the meter displays: it showed OL there,
// or the figure is mistyped.
func (d *decoder) checkDisplay(readings []Read, m references.Meter) {
	for _, r := range readings {
		most, key, shown := m.Over, "overload_above", quantity.FormatReading(r.Reading)
		if r.Reading.Unit == quantity.Ohm {
			most, key, shown = m.OhmsOver, "ohms_overload_above", quantity.Format(r.Reading.Value, quantity.Ohm)
		}
		if r.Reading.Value > most {
			d.problem(r.Pos, fmt.Sprintf("%s reads %s, above %s, where the meter shows OL", document.Quote(r.Name), shown, quantity.Format(most, r.Reading.Unit)),
				"write OL, or give the meter's own limit as `"+key+"` under `meter`")
		}
	}
}

// add keeps the problems of an error.
func (d *decoder) add(err error) {
	var found document.Problems
	switch {
	case err == nil:
	case errors.As(err, &found):
		for _, p := range found {
			d.problems.Add(p.Position, p.What, p.Do)
		}
	default:
		d.problem(document.Position{File: d.file}, err.Error(), "")
	}
}

// keepNews drops the problems from the given one on that stand where another was
// found before.
func (d *decoder) keepNews(from int) {
	news := d.problems[from:]
	d.problems = d.problems[:from:from]
	d.problems.AddElsewhere(news)
}

// libraryProblems keeps what is wrong with single sweeps as warnings. One broken
// file in a folder that a whole team adds to must not stop every repair.
func (d *decoder) libraryProblems(err error) {
	var found document.Problems
	if errors.As(err, &found) {
		for _, p := range found {
			d.warn(p.Position, p.What, p.Do)
		}
	}
}

// surroundingsFailed tells that the board or the library could not be loaded,
// and in which line of the case they are named.
func (d *decoder) surroundingsFailed(open document.Node, o Opening, err error) {
	var found document.Problems
	if errors.As(err, &found) && len(found) > 0 {
		for key, path := range map[string]string{"board": o.BoardPath, "known": o.KnownPath} {
			what := ""
			if found[0].File == path && found[0].Line == 0 {
				what = found[0].What
			} else if nodes, _ := document.Read(path, 0); key == "board" && len(nodes) > 0 && !nodes[0].Get("parts").Exists() && !nodes[0].Get("connectors").Exists() {
				what = "has neither `parts` nor `connectors`, and is no board file"
			}
			if what != "" {
				d.problem(open.Get(key).At(), fmt.Sprintf("`%s` leads to `%s`: %s", key, shown(path), what), "check the path; it is taken from the folder of the case file")
				return
			}
		}
	}
	d.add(err)
}

// checkSeals reports sealed events that do not mean what a session wrote, and counts
// those with the events that have no seal.
func (d *decoder) checkSeals(chunks []chunk, text []byte, all []Event) (unsealed int) {
	edited := 0
	var first document.Position
	for _, c := range chunks {
		// The document of a chunk begins on its line or, past remarks, below.
		for len(all) > 0 && all[0].Pos.Line < c.line {
			all = all[1:]
		}
		switch {
		case c.condition == byHand && len(bytes.TrimSpace(text[c.start:c.end])) > 0:
			unsealed++
		case c.condition == sealed && (len(all) == 0 || !d.holds(all[0], c.sum)):
			if edited++; edited == 1 {
				first = document.Position{File: d.file, Line: c.line, Column: 1}
			}
		}
	}
	switch {
	case edited == 1:
		d.warn(first, "this event was changed by hand after it was recorded", "it counts as it is now")
	case edited > 1:
		d.warn(first, fmt.Sprintf("%d events, this one first, were changed by hand after they were recorded", edited), "they count as they are now")
	}
	return unsealed + edited
}

// holds tells whether an event means what was sealed with a checksum.
func (d *decoder) holds(e Event, sum string) bool {
	text, err := encode(e, d.board)
	return err == nil && digest(text) == sum
}

func decodeOpening(file string, node document.Node) Opening {
	o := Opening{
		Board:     node.Get("board").Text(),
		Known:     node.Get("known").Text(),
		Complaint: node.Get("complaint").Text(),
	}
	for _, item := range node.Get("at_hand").Items() {
		o.AtHand = append(o.AtHand, nameOf(item))
	}
	o.BoardPath = resolve(file, o.Board)
	if o.Known != "" {
		o.KnownPath = resolve(file, o.Known)
	}
	return o
}

// resolve makes a path that a case file names one from the working folder.
func resolve(file, path string) string {
	path = filepath.FromSlash(path)
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(filepath.Dir(file), path)
}

// event decodes one document of the right shape.
func (d *decoder) event(node document.Node, number int) Event {
	e := Event{Number: number, Pos: node.At(), By: node.Get("by").Text()}
	if t := node.Get("time"); t.Exists() {
		e.Time, _ = references.ParseTime(t.Text()) // the shape has read it already
	}
	if !d.kind(node, &e) {
		return e
	}
	e.Note = node.Get("note").Text()
	if m := node.Get("meter"); m.Exists() {
		meter, found := references.DecodeMeter(m)
		d.add(found.Err())
		e.Meter = &meter
	}
	value := node.Get(e.Kind.String())
	switch e.Kind {
	case KindOpen:
		opening := decodeOpening(d.file, value)
		e.Open = &opening
		if number > 1 {
			d.problem(value.At(), "a second `open`", "a case is opened once; begin another file for another case")
		}
	case KindRead:
		e.Readings = d.readings(node, value)
	case KindInspect:
		for _, entry := range value.Entries() {
			l := Looked{Part: netlist.None, Look: Look(max(0, slices.Index(lookNames, entry.Value.Text()))), Pos: entry.Key.At()}
			if at, err := d.board.Point(entry.Name()); err == nil && at.Kind == netlist.PointPin {
				l.Pin = at.Pin
			} else if l.Part, _ = d.part(entry.Key); l.Part == netlist.None {
				continue
			}
			e.Looks = append(e.Looks, l)
		}
	case KindInject:
		for _, entry := range value.Entries() {
			if rail, ok := d.net(entry.Key); ok {
				e.Injections = append(e.Injections, Injection{rail, d.parts(entry.Value), SeenBy(max(0, slices.Index(seenNames, node.Get("seen_by").Text()))), entry.Key.At()})
			}
		}
	case KindDrop:
		e.Drops = d.drops(node, value)
	case KindPress:
		for _, entry := range value.Entries() {
			if part, ok := d.part(entry.Key); ok {
				for _, r := range d.diode(d.readings(node, entry.Value)) {
					e.Presses = append(e.Presses, Press{part, r})
				}
			}
		}
	case KindGood:
		e.Goods = d.diode(d.readings(node, value))
	case KindSwap:
		for _, entry := range value.Entries() {
			if id, err := d.board.ConnectorByName(entry.Name()); err != nil {
				d.problems.AddError(entry.Key.At(), err)
			} else {
				e.Swaps = append(e.Swaps, Swap{id, entry.Value.Text() == Works.String()})
			}
		}
	case KindUndrawn:
		for _, entry := range value.Entries() {
			if net, ok := d.net(entry.Key); ok {
				x := Undrawn{Net: net, Pos: entry.Key.At()}
				for _, item := range entry.Value.Items() {
					if mark := nameOf(item); netlist.IsMark(mark) { // the shape tells the others
						x.Marks = append(x.Marks, mark)
					}
				}
				e.Undrawn = append(e.Undrawn, x)
			}
		}
	case KindRemove, KindReinstall, KindReplace, KindReflow:
		e.Parts = d.parts(value)
	case KindJumper:
		for _, entry := range value.Entries() {
			ohms, _ := quantity.Parse(entry.Value.Text(), quantity.Ohm) // the shape has read it already
			if m, err := d.board.Repair(entry.Name()); err == nil && m.Kind == netlist.RepairTrace {
				if e.Repairs = append(e.Repairs, m); ohms > mostWireOhms {
					d.problem(entry.Value.At(), fmt.Sprintf("%s on the trace %s, which is no wire", entry.Value.Text(), document.Quote(entry.Name())), "write 0 ohm, or put what else was done in a `note`")
				}
				continue
			}
			if part, ok := d.part(entry.Key); ok {
				e.Jumpers = append(e.Jumpers, Jumper{part, ohms, entry.Key.At()})
			}
		}
	case KindResolder:
		e.Repairs, _ = d.repairs(value, e.Kind)
	case KindClean:
		e.Repairs, e.Parts = d.repairs(value, e.Kind)
	case KindSupply:
		e.Supply = d.supply(value)
	case KindConcerns:
		for _, item := range value.Items() {
			net, ok := d.net(item)
			switch {
			case !ok:
			case net == d.board.Ground:
				d.problem(item.At(), "a complaint about ground, which every reading is against", "name the nets of what does not work")
			case slices.Contains(e.Nets, net):
				d.problem(item.At(), document.Quote(item.Text())+" is there twice", "keep one of them")
			default:
				e.Nets = append(e.Nets, net)
			}
		}
	case KindMark:
		for _, entry := range value.Entries() {
			if part, ok := d.part(entry.Key); ok {
				e.Marks = append(e.Marks, Marked{part, entry.Value.Text() == markNames[1], entry.Key.At()})
			}
		}
	case KindFunctions:
		for _, entry := range value.Entries() {
			result := max(0, slices.Index(testNames, entry.Value.Text())) // the shape allows no other text
			e.Functions = append(e.Functions, Tested{entry.Name(), TestResult(result)})
		}
	case KindUndo:
		e.Undo, _ = parseUndo(value.Text()) // the shape has read it already
	case KindAcknowledge:
		for _, item := range value.Items() {
			e.Acknowledged = append(e.Acknowledged, item.Text())
		}
	case KindChoose:
		e.Choose = value.Text()
	case KindClose:
		closing := d.closing(value.Get("cause").Text(), value.Get("remedy").Text())
		e.Close = &closing
	}
	return e
}

// kind finds the one key that makes a document an event. A meter may come with
// the opening and a note with anything; then they are not the event.
func (d *decoder) kind(node document.Node, e *Event) bool {
	var keys []Kind
	for k := range kindNames {
		if node.Get(kindNames[k]).Exists() {
			keys = append(keys, Kind(k))
		}
	}
	drop := func(k Kind, beside bool) {
		if i := slices.Index(keys, k); i >= 0 && len(keys) > 1 && beside {
			keys = slices.Delete(keys, i, i+1)
		}
	}
	drop(KindNote, true)
	drop(KindMeter, slices.Contains(keys, KindOpen))
	if len(keys) == 0 {
		d.problem(node.At(), "this document holds no event", "add one of `"+strings.Join(kindNames, "`, `")+"`")
		return false
	}
	e.Kind = keys[0]
	if len(keys) > 1 {
		d.problem(node.At(), fmt.Sprintf("`%s` and `%s` in one event", keys[0], keys[1]), "put a line of --- between them: one event does one thing")
		return false
	}
	for key, with := range besideKinds {
		if beside := node.Get(key); beside.Exists() && e.Kind != with {
			d.problem(beside.At(), fmt.Sprintf("`%s` goes with `%s` only", key, with), "remove it")
		}
	}
	return true
}

// besideKinds are keys that stand beside an event of one kind.
var besideKinds = map[string]Kind{"to": KindRead, "polarity": KindRead, "seen_by": KindInject, "current": KindDrop}

// drops reads what parts of rails read under current.
func (d *decoder) drops(node, value document.Node) (list []Drop) {
	current := node.Get("current")
	if !current.Exists() {
		d.problem(value.At(), "`drop` without its current", "add `current`, such as 1 A: what the supply drives")
	}
	amperes, _ := quantity.Parse(current.Text(), quantity.Ampere) // the shape has read it already
	if current.Exists() && !(amperes > 0) {
		d.problem(current.At(), "no current", "write what the supply drives, such as 1 A")
	}
	for _, entry := range value.Entries() {
		rail, ok := d.net(entry.Key)
		if !ok {
			continue
		}
		x := Drop{Rail: rail, Amperes: amperes, Pos: entry.Key.At()}
		for _, at := range entry.Value.Entries() {
			part, ok := d.part(at.Key)
			if !ok {
				continue
			}
			if !slices.ContainsFunc(d.board.Parts[part].Terminals, func(t netlist.Terminal) bool { return t.Net == rail }) {
				d.problem(at.Key.At(), fmt.Sprintf("%s is not on %s", document.Quote(at.Name()), document.Quote(d.board.Nets[rail].Name)), "name a part that has a terminal on the rail")
				continue
			}
			volts, _ := quantity.Parse(at.Value.Text(), quantity.Volt)
			x.Volts = append(x.Volts, PartVolts{part, volts})
		}
		list = append(list, x)
	}
	return list
}

// diode refuses readings in resistance mode, where only diode mode compares.
func (d *decoder) diode(list []Read) []Read {
	for _, r := range list {
		if r.Reading.Unit != quantity.Volt {
			d.problem(r.Pos, quantity.FormatReading(r.Reading)+" at "+document.Quote(r.Name)+" is a resistance", "read it in diode mode; a resistance goes into `read`")
		}
	}
	return list
}

// atHand checks what is said to be at hand.
func (d *decoder) atHand(list document.Node) {
	for _, item := range list.Items() {
		if name := nameOf(item); name != GoodBoard {
			if _, err := d.board.ConnectorByName(name); err != nil {
				d.problems.AddError(item.At(), err)
			}
		}
	}
}

// withGood gives the library with what was read on good boards at hand, as sweeps of one
// more board.
func (c *Case) withGood() *references.Library {
	var sweeps []*references.Sweep
	meter := references.DefaultMeter()
	for i := range c.Events {
		e := &c.Events[i]
		if e.Meter != nil {
			meter = *e.Meter
		}
		if len(e.Goods) == 0 {
			continue
		}
		sweeps = append(sweeps, GoodSweep(c, e.Goods, meter))
	}
	if len(sweeps) == 0 || c.known == nil {
		return c.known
	}
	return c.known.With(sweeps...)
}

// GoodSweep is what a good board at hand read, as a sweep of it.
func GoodSweep(c *Case, goods []Read, m references.Meter) *references.Sweep {
	s := &references.Sweep{File: c.File, Board: c.Board.Name, Revision: c.Board.Revision, Sample: GoodBoard, Meter: m, State: references.State{Celsius: references.RoomCelsius}}
	for _, r := range goods {
		s.Readings = append(s.Readings, references.PointReading{At: r.At, Name: r.Name, Reading: r.Reading})
	}
	return s
}

func (d *decoder) readings(node, value document.Node) []Read {
	polarity, _ := references.ParsePolarity(node.Get("polarity").Text()) // absent is the usual one
	var to *netlist.Point
	if other := node.Get("to"); other.Exists() {
		point, err := d.board.Point(other.Text())
		if err != nil {
			d.problems.AddError(other.At(), err)
			return nil
		}
		to = &point
	}
	var all []Read
	for _, entry := range value.Entries() {
		if d.problems.Full() { // nearest names are costly to find
			break
		}
		if entry.Value.Kind() == document.Nothing {
			continue // the shape says so, and often the tail of a decimal comma
		}
		at, err := d.board.Point(entry.Name())
		if err != nil {
			d.problems.AddError(entry.Key.At(), err)
			continue
		}
		if to != nil && at == *to {
			d.problem(entry.Key.At(), "both probes are on "+document.Quote(entry.Name()), "name another point in `to`, or leave `to` out where the other probe is on ground")
			continue
		}
		if entry.Value.Text() == "1" && at.Net != d.board.Ground {
			d.warn(entry.Value.At(), "`1` is one millivolt, a short; a display that shows a lone 1 at its left end is at overload", "write OL for that, or 0.001")
		}
		reading, _ := quantity.ParseReading(entry.Value.Text()) // the shape has read it already
		all = append(all, Read{At: at, Name: entry.Name(), To: to, ToName: node.Get("to").Text(), Polarity: polarity, Reading: reading, Pos: entry.Key.At()})
	}
	return all
}

func (d *decoder) supply(value document.Node) *SupplyDraw {
	draw := &SupplyDraw{Before: notRead, After: notRead}
	before, after := value.Get("before"), value.Get("after")
	if before.Exists() {
		draw.Before, _ = references.ParseCurrent(before.Text()) // the shape has read them already
	}
	if after.Exists() {
		draw.After, _ = references.ParseCurrent(after.Text())
	}
	if !before.Exists() && !after.Exists() {
		d.problem(value.At(), "`supply` holds no current", "add `before` or `after`, such as `{before: 2 mA}`")
	}
	return draw
}

// closing finds the part that a cause begins with, by the longest name. It looks
// no further than the first of several faults.
func (d *decoder) closing(cause, remedy string) Closing {
	c := Closing{Cause: cause, Remedy: remedy, Part: netlist.None}
	first := cause
	if end := strings.IndexAny(cause, ",;\n"); end >= 0 {
		first = cause[:end]
	}
	words := strings.Fields(first)
	for n := min(len(words), 8); n > 0; n-- {
		if part, ok := d.named(strings.Join(words[:n], " ")); ok {
			c.Part, c.Mode = part, strings.Join(words[n:], " ")
			break
		}
	}
	return c
}

func (d *decoder) parts(list document.Node) []netlist.PartID {
	var parts []netlist.PartID
	seen := make(map[netlist.PartID]bool)
	for _, item := range list.Items() {
		if d.problems.Full() {
			break
		}
		part, ok := d.part(item)
		if !ok {
			continue
		}
		if seen[part] {
			d.problem(item.At(), document.Quote(item.Text())+" is there twice", "keep one of them")
			continue
		}
		seen[part] = true
		parts = append(parts, part)
	}
	return parts
}

// mostWireOhms is the most that a wire across a broken trace has; what it has does
// not matter. Common practice, no source.
const mostWireOhms = 1.0

// repairs finds the places that an event of a kind names, and the parts where it may
// name parts.
func (d *decoder) repairs(list document.Node, kind Kind) (repairs []netlist.Repair, parts []netlist.PartID) {
	for _, item := range list.Items() {
		if d.problems.Full() {
			break
		}
		m, err := d.board.Repair(nameOf(item))
		if part, ok := d.named(nameOf(item)); ok && kind == KindClean && err != nil {
			if slices.Contains(parts, part) {
				d.problem(item.At(), document.Quote(nameOf(item))+" is there twice", "keep one of them")
				continue
			}
			parts = append(parts, part)
			continue
		}
		switch {
		case err != nil:
			d.problems.AddError(item.At(), err)
		case KindOfRepair(m) != kind:
			d.problem(item.At(), fmt.Sprintf("%s is not a place to %s", document.Quote(nameOf(item)), kind), "put it under `"+KindOfRepair(m).String()+"`")
		case slices.Contains(repairs, m):
			d.problem(item.At(), document.Quote(nameOf(item))+" is there twice", "keep one of them")
		default:
			repairs = append(repairs, m)
		}
	}
	return repairs, parts
}
