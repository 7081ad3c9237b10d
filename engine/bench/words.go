package bench

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// An entry is one line: a value, a key, or a few plain words. words.go finds out
// which; what it then means to the session stands in session.go.

// verb is what an entry wants done.
type verb uint8

const (
	record     verb = iota // an event, ready to be written
	value                  // a bare reading: of the point that is asked for
	look                   // a bare look: of the part that is asked for
	warmed                 // bare names of parts, or none: what warmed up
	current                // a bare current
	skip                   // leave this out
	back                   // one pin back
	repeat                 // the last reading once more
	swap                   // the probes the other way round
	yes                    // done, agreed, the usual
	finish                 // the sweep is done
	sweep                  // a connector
	visit                  // a point is to be asked for
	lineOf                 // the points of a line are to be asked for
	take                   // another step than the first
	undo                   // an event
	closing                // the case
	escalating             // close it as escalated
	help                   // show something
	tested                 // what a function does: of the one that is asked for, or by its name
	marked                 // the mark of the part that is asked for; swapped where it is reversed
	quit                   // leave; everything is kept
	nothing                // an empty line
)

// entry is a line, understood.
type entry struct {
	verb     verb
	event    journal.Event       // of record
	reading  quantity.Reading    // of value
	polarity references.Polarity // of value
	turned   bool                // the polarity was said
	look     journal.Look
	seen     journal.SeenBy
	result   journal.TestResult // of tested
	parts    []netlist.PartID   // of warmed
	amperes  float64            // of current
	number   int                // of undo and take
	step     string             // of take: the key of the step
	name     string             // of sweep: the connector
	swapped  bool               // of sweep and marked
	every    bool               // of sweep: ground pins too, by number
	at       netlist.Point      // of visit, lineOf, and of sweep: where it begins
	text     string             // of closing and escalating; of tested: the function
	show     Show
}

// keys are single keys and short words. One letter each for what both hands on
// the probes leave time for.
var keys = map[string]entry{
	"s": {verb: skip}, "skip": {verb: skip},
	"b": {verb: back}, "back": {verb: back},
	"r": {verb: repeat}, "repeat": {verb: repeat}, "again": {verb: repeat},
	"p": {verb: swap}, "swap": {verb: swap}, "polarity": {verb: swap},
	"y": {verb: yes}, "yes": {verb: yes}, "ok": {verb: yes}, "done": {verb: yes}, "keep": {verb: yes}, "k": {verb: yes},
	"d": {verb: finish}, "enough": {verb: finish},
	"u": {verb: undo}, "undo": {verb: undo},
	"?": {verb: help, show: ShowHelp}, "h": {verb: help, show: ShowHelp}, "help": {verb: help, show: ShowHelp},
	"w": {verb: help, show: ShowWhy}, "why": {verb: help, show: ShowWhy},
	"o": {verb: help, show: ShowSteps}, "others": {verb: help, show: ShowSteps}, "steps": {verb: help, show: ShowSteps},
	"c": {verb: help, show: ShowPowerUp}, "check": {verb: help, show: ShowPowerUp},
	"l": {verb: help, show: ShowCase}, "list": {verb: help, show: ShowCase},
	"v": {verb: help, show: ShowNext}, "view": {verb: help, show: ShowNext},
	"q": {verb: quit}, "quit": {verb: quit}, "exit": {verb: quit},
	"close": {verb: closing}, "escalate": {verb: escalating}, "refer": {verb: escalating},
	"right": {verb: marked}, "reversed": {verb: marked, swapped: true}, "wrong way round": {verb: marked, swapped: true},
	"works": {verb: tested, result: journal.Works}, "fails": {verb: tested, result: journal.Fails}, "not tested": {verb: tested},
	"none": {verb: warmed}, "nothing": {verb: warmed}, "nothing warmed": {verb: warmed}, "nothing warm": {verb: warmed}, "nothing warms": {verb: warmed},
}

// actions are words for what was done to parts.
var actions = map[string]journal.Kind{
	"lift": journal.KindRemove, "lifted": journal.KindRemove, "remove": journal.KindRemove, "removed": journal.KindRemove, "took off": journal.KindRemove, "take off": journal.KindRemove, "off": journal.KindRemove, "desolder": journal.KindRemove, "desoldered": journal.KindRemove,
	"reinstall": journal.KindReinstall, "reinstalled": journal.KindReinstall, "refit": journal.KindReinstall, "refitted": journal.KindReinstall, "put back": journal.KindReinstall,
	"fit": journal.KindReplace, "fitted": journal.KindReplace, "replace": journal.KindReplace, "replaced": journal.KindReplace, "new": journal.KindReplace,
	"jumper": journal.KindJumper, "jumpered": journal.KindJumper, "jumper across": journal.KindJumper, "bridge": journal.KindJumper, "bridged": journal.KindJumper, "wire": journal.KindJumper, "wired": journal.KindJumper, "joined": journal.KindJumper,
	"resolder": journal.KindResolder, "resoldered": journal.KindResolder,
	"reflow": journal.KindReflow, "reflowed": journal.KindReflow,
	"clean": journal.KindClean, "cleaned": journal.KindClean, "cleaned and dried": journal.KindClean,
}

// understand finds out what a line means on a board. Its error says "what; what
// to do".
func understand(b *netlist.Board, line string) (entry, error) {
	line = strings.TrimSpace(strings.TrimRight(line, "\r\n\x00"))
	if line == "" {
		return entry{verb: nothing}, nil
	}
	if len(line) > maxEntry {
		return entry{}, fmt.Errorf("an entry of %d characters; write at most %d", len(line), maxEntry)
	}
	if rest, ok := cutWord(line, "note", "n"); ok {
		if rest == "" {
			return entry{}, fmt.Errorf("a note without a word; write `note` and what there is to say")
		}
		return entry{verb: record, event: journal.Event{Kind: journal.KindNote, Note: rest}}, nil
	}
	if rest, ok := cutWord(line, "concerns"); ok {
		ev := journal.Event{Kind: journal.KindConcerns}
		for _, name := range strings.FieldsFunc(rest, func(r rune) bool { return r == ',' || r == ' ' }) {
			net, err := b.NetByName(name)
			if err != nil {
				return entry{}, err
			}
			if net != b.Ground && !slices.Contains(ev.Nets, net) {
				ev.Nets = append(ev.Nets, net)
			}
		}
		if len(ev.Nets) == 0 {
			return entry{}, fmt.Errorf("no net that the complaint is about; write `concerns` and their names, as in: concerns TP_SDA TP_SCL")
		}
		return entry{verb: record, event: ev}, nil
	}
	if rest, ok := cutWord(line, "close"); ok && rest != "" {
		return entry{verb: closing, text: rest}, nil
	}
	if rest, ok := cutWord(line, "escalate", "escalated", "refer", "referred"); ok && rest != "" {
		return entry{verb: escalating, text: rest}, nil
	}
	plain := strings.TrimRight(line, ".!")
	if rest, ok := cutWord(plain, "i've", "i have", "i"); ok && rest != "" {
		plain = rest
	}
	if k, ok := keys[strings.ToLower(plain)]; ok {
		return k, nil
	}
	if plain == "1" {
		return entry{}, errLoneOne
	}
	r, wrongReading := ParseMeterLine(line)
	if wrongReading == nil {
		return entry{verb: value, reading: r}, nil
	}
	p := &parser{b: b, text: plain}
	if len(strings.Fields(strings.ReplaceAll(plain, ":", " "))) == 0 {
		return entry{}, fmt.Errorf("%s means nothing here; ? shows what can be entered", document.Quote(line))
	}
	for _, try := range []func() (entry, bool, error){p.undo, p.take, p.drop, p.undrawn, p.beside, p.sweep, p.line, p.visit, p.power, p.action, p.test, p.mark, p.look, p.warm, p.reading} {
		if e, ok, err := try(); ok || err != nil {
			return e, err
		}
	}
	if strings.ContainsAny(line[:1], "+-.0123456789") {
		return entry{}, wrongReading
	}
	if words := strings.Fields(plain); len(words) == 2 {
		if _, err := ParseMeterLine(words[1]); err == nil { // its point is misspelt
			if _, err := b.Point(words[0]); err != nil {
				return entry{}, err
			}
		}
	}
	return entry{}, fmt.Errorf("%s means nothing here; ? shows what can be entered", document.Quote(line))
}

// maxEntry is the longest entry in bytes.
const maxEntry = 2000

// cutWord takes one of some leading words off a text, whatever their case. The
// text itself is cut, never a folded copy of it: folding can change how many bytes
// a letter has.
func cutWord(text string, words ...string) (rest string, ok bool) {
	for _, w := range words {
		if len(text) >= len(w) && strings.EqualFold(text[:len(w)], w) && (len(text) == len(w) || text[len(w)] == ' ') {
			return strings.TrimSpace(text[len(w):]), true
		}
	}
	return text, false
}

type parser struct {
	b    *netlist.Board
	text string
}

func (p *parser) undo() (entry, bool, error) {
	rest, ok := cutWord(p.text, "undo", "u")
	if !ok {
		return entry{}, false, nil
	}
	n, err := strconv.Atoi(rest)
	if err != nil || n < 1 {
		return entry{}, false, fmt.Errorf("%s is not the number of an event; write u, or u and a number as l shows them", document.Quote(rest))
	}
	return entry{verb: undo, number: n}, true, nil
}

func (p *parser) take() (entry, bool, error) {
	rest, ok := cutWord(p.text, "take")
	if !ok || strings.HasPrefix(rest, "off") {
		return entry{}, false, nil
	}
	n, err := strconv.Atoi(strings.TrimPrefix(rest, "#"))
	if rest == "" {
		return entry{}, false, fmt.Errorf("`take` without a number; o lists the steps with theirs")
	}
	if err != nil || n < 1 {
		return entry{}, false, fmt.Errorf("%s is not the number of a step; o lists them", document.Quote(rest))
	}
	return entry{verb: take, number: n}, true, nil
}

func (p *parser) sweep() (entry, bool, error) {
	rest, ok := cutWord(p.text, "sweep")
	if !ok { // the name alone
		_, err := netlist.Meant(p.b, p.b.ConnectorByName, p.text)
		rest, ok = p.text, err == nil
	}
	if !ok {
		return entry{}, false, nil
	}
	if rest == "" {
		if len(p.b.Connectors) != 1 {
			return entry{}, false, fmt.Errorf("`sweep` without a connector; name one of %s", connectorNames(p.b))
		}
		rest = p.b.Connectors[0].Name
	}
	e := entry{verb: sweep}
	cut := func(word string) (ok bool) {
		if at := len(rest) - len(word); at >= 0 && strings.EqualFold(rest[at:], word) {
			rest, ok = strings.TrimSpace(rest[:at]), true
		}
		return ok
	}
	e.swapped = cut(" swapped")
	e.every = cut(" all")
	if name, pin, ok := strings.Cut(rest, " from "); ok {
		rest = strings.TrimSpace(name) + "." + strings.TrimPrefix(strings.TrimSpace(pin), name+".")
	}
	if at, ok := p.point(rest); ok && at.Kind == netlist.PointPin {
		e.name, e.at = p.b.Connectors[at.Pin.Connector].Name, at
		return e, true, nil
	}
	id, err := netlist.Meant(p.b, p.b.ConnectorByName, rest)
	if err != nil {
		return entry{}, false, err
	}
	e.name = p.b.Connectors[id].Name
	return e, true, nil
}

func connectorNames(b *netlist.Board) string {
	var names []string
	for i := range b.Connectors {
		names = append(names, b.Connectors[i].Name)
	}
	return strings.Join(names, ", ")
}

// line is "line J7.4": that line and no other.
func (p *parser) line() (entry, bool, error) {
	rest, ok := cutWord(p.text, "line")
	if !ok {
		return entry{}, false, nil
	}
	at, err := netlist.Meant(p.b, p.b.Point, rest)
	return entry{verb: lineOf, at: at}, err == nil, err
}

// visit is "at J7.4", with no reading, or the point alone.
func (p *parser) visit() (entry, bool, error) {
	if at, ok := p.point(p.text); ok && at.Kind != netlist.PointNet && !isNumber(p.text) {
		if _, err := p.b.MeantPart(p.text); err != nil {
			return entry{verb: visit, at: at}, true, nil
		}
	}
	rest, ok := cutWord(p.text, "at")
	if !ok {
		rest, ok = cutWord(p.text, "measure", "read", "probe")
		ok = ok && strings.Contains(rest, ".") // what has none may be a reading
	}
	if !ok || rest == "" || isNumber(rest) || strings.ContainsAny(rest, " ,:") {
		return entry{}, false, nil
	}
	at, err := netlist.Meant(p.b, p.b.Point, rest)
	return entry{verb: visit, at: at}, err == nil, err
}

// currentWords is a current drawn from a supply: "draws 12 mA before the power button".
var currentWords = regexp.MustCompile(`(?i)^(?:it )?(?:power|draws?|drawing) (.+?)(?: (before|after)(?: (?:the )?(?:power )?(?:button|key))?)?$`)

var bareCurrent = regexp.MustCompile(`(?i)^[0-9.]+ *[mµu]?A$`)

func (p *parser) power() (entry, bool, error) {
	if bareCurrent.MatchString(p.text) {
		v, err := parseCurrent(p.text)
		return entry{verb: current, amperes: v}, err == nil, err
	}
	m := currentWords.FindStringSubmatch(p.text)
	if m == nil {
		return entry{}, false, nil
	}
	v, err := parseCurrent(m[1])
	if err != nil {
		return entry{}, false, err
	}
	if m[2] == "" {
		return entry{verb: current, amperes: v}, true, nil
	}
	return entry{verb: record, event: drawn(v, strings.EqualFold(m[2], "before"))}, true, nil
}

// parseCurrent reads a current in amperes; 0 is one.
func parseCurrent(text string) (float64, error) {
	text = strings.TrimSpace(text)
	if v, err := strconv.ParseFloat(strings.TrimRight(text, " mAuµ"), 64); err == nil && v == 0 {
		return 0, nil
	}
	v, err := quantity.Parse(text, quantity.Ampere)
	if err != nil {
		return 0, fmt.Errorf("%s is not a current; write it like 12 mA", document.Quote(text))
	}
	return v, nil
}

// repairs reads places between or on joints: "J7.2-J7.4, R12.1".
func (p *parser) repairs(text string) ([]netlist.Repair, error) {
	var repairs []netlist.Repair
	for _, place := range names(between.ReplaceAllString(text, "$1 to $2")) {
		m, err := netlist.Meant(p.b, p.b.Repair, place)
		if err != nil {
			return nil, err
		}
		repairs = append(repairs, m)
	}
	return repairs, nil
}

// Work reads what is done to a board in the words of a session, and nothing else: "remove
// R12 and R13", "resolder J7.2", "clean J7.2-J7.4".
func Work(b *netlist.Board, text string) (journal.Event, error) {
	e, _, err := (&parser{b: b, text: text}).action()
	return e.event, err
}

// action is "lifted R12 and R13", "bridged FL3 with 0.1 ohm", "cleaned J7.2-J7.4".
func (p *parser) action() (entry, bool, error) {
	var kind journal.Kind
	rest, found := "", ""
	for word, k := range actions {
		if r, ok := cutWord(p.text, word); ok && r != "" && len(word) > len(found) {
			kind, found, rest = k, word, r
		}
	}
	if found == "" {
		if m := partFirst.FindStringSubmatch(p.text); m != nil { // "C1 removed"
			if e, ok, err := (&parser{b: p.b, text: m[2] + " " + m[1]}).action(); ok || foundWords.MatchString(m[1]) {
				return e, ok, err
			}
		}
		return entry{}, false, nil
	}
	ev := journal.Event{Kind: kind}
	switch kind {
	case journal.KindResolder, journal.KindClean:
		if parts, err := p.parts(rest); kind == journal.KindClean && err == nil {
			ev.Parts = parts
			break
		}
		repairs, err := p.repairs(rest)
		if err != nil {
			return entry{}, false, err
		}
		for _, m := range repairs {
			if right := journal.KindOfRepair(m); right != kind {
				return entry{}, false, fmt.Errorf("%s is not a place to %s; write `%s %s`", document.Quote(p.b.RepairName(m)), kind, right, p.b.RepairName(m))
			}
		}
		ev.Repairs = repairs
	case journal.KindJumper:
		ohms := 0.0
		if list, text, ok := strings.Cut(rest, " with "); ok {
			v, err := quantity.Parse(strings.TrimSpace(text), quantity.Ohm)
			if err != nil {
				return entry{}, false, err
			}
			rest, ohms = list, v
		}
		if repairs, err := p.repairs(rest); err == nil && !slices.ContainsFunc(repairs, func(m netlist.Repair) bool { return m.Kind != netlist.RepairTrace }) {
			ev.Repairs = repairs
			break
		}
		parts, err := p.parts(rest)
		if err != nil {
			return entry{}, false, err
		}
		for _, x := range parts {
			ev.Jumpers = append(ev.Jumpers, journal.Jumper{Part: x, Ohms: ohms})
		}
	default:
		parts, err := p.parts(rest)
		if err != nil {
			return entry{}, false, err
		}
		ev.Parts = parts
	}
	if len(ev.Parts)+len(ev.Jumpers)+len(ev.Repairs) == 0 {
		return entry{}, false, fmt.Errorf("%s what; name the part or place", document.Quote(found))
	}
	return entry{verb: record, event: ev}, true, nil
}

// partFirst is what was done to a part, written after its name: "C1 removed", "took C1 off".
var partFirst = regexp.MustCompile(`(?i)^(?:took |taken )?(.+?)(?: is| are| was| were)?(?: taken)? (removed|off|desoldered|replaced|put back|reinstalled|jumpered|resoldered|reflowed|cleaned)$`)

// between is "between J7.2 and J7.4".
var between = regexp.MustCompile(`(?i)between (\S+) and (\S+)`)

// separators part the names of a list.
var separators = regexp.MustCompile(`(?i)\s*,\s*(?:and\s+)?|\s+and\s+`)

// names parts a list: "R12, R13 and C4".
func names(text string) []string {
	var list []string
	for _, n := range separators.Split(strings.TrimSpace(text), -1) {
		if n != "" {
			list = append(list, n)
		}
	}
	return list
}

// parts finds the parts of a list. Where no name is asked for more than once,
// case does not matter.
func (p *parser) parts(text string) ([]netlist.PartID, error) {
	var list []netlist.PartID
	for _, n := range names(text) {
		for _, word := range p.words(n) {
			id, err := p.b.MeantPart(word)
			if err != nil {
				return nil, err
			}
			if !slices.Contains(list, id) {
				list = append(list, id)
			}
		}
	}
	return list, nil
}

// words parts a name at its spaces, unless it is the name of a part as it is.
func (p *parser) words(n string) []string {
	if _, err := p.b.MeantPart(n); err == nil {
		return []string{n}
	}
	return strings.Fields(n)
}

// point finds a point whatever its case, if only one is meant.
func (p *parser) point(name string) (netlist.Point, bool) {
	at, err := netlist.Meant(p.b, p.b.Point, strings.TrimSpace(name))
	return at, err == nil
}

// testWords is "touch works", "display fails", "backlight not tested".
var testWords = regexp.MustCompile(`(?i)^(.+?)(?: is| was)? (works|fails|not tested)$`)

func (p *parser) test() (entry, bool, error) {
	m := testWords.FindStringSubmatch(p.text)
	if m == nil {
		return entry{}, false, nil
	}
	result := keys[strings.ToLower(m[2])].result
	return entry{verb: tested, text: m[1], result: result}, true, nil
}

// markWords is "D1 right", "mark of D1 reversed", "D1 sits the wrong way round".
var markWords = regexp.MustCompile(`(?i)^(?:mark of )?(.+?)(?: is| are| sits| sit)? (right|reversed|(?:the )?wrong way round)$`)

func (p *parser) mark() (entry, bool, error) {
	m := markWords.FindStringSubmatch(p.text)
	if m == nil {
		return entry{}, false, nil
	}
	parts, err := p.parts(m[1])
	if err != nil {
		return entry{}, false, err
	}
	ev := journal.Event{Kind: journal.KindMark}
	for _, x := range parts {
		ev.Marks = append(ev.Marks, journal.Marked{Part: x, Reversed: !strings.EqualFold(m[2], "right")})
	}
	return entry{verb: record, event: ev}, len(parts) > 0, nil
}

var lookWords = map[string]journal.Look{
	"clean": journal.Clean, "fine": journal.Clean, "burnt": journal.Burnt, "burned": journal.Burnt,
	"corroded": journal.Corroded, "cracked": journal.Cracked, "missing": journal.Missing, "gone": journal.Missing,
}

// look is "C40 burnt", "C40 looks corroded", "clean".
func (p *parser) look() (entry, bool, error) {
	fields := strings.Fields(strings.ReplaceAll(p.text, ":", " "))
	l, ok := lookWords[strings.ToLower(fields[len(fields)-1])]
	if !ok {
		return entry{}, false, nil
	}
	if len(fields) == 1 {
		return entry{verb: look, look: l}, true, nil
	}
	rest := strings.Join(fields[:len(fields)-1], " ")
	for _, w := range []string{"looked at", "look at", "look"} {
		if r, ok := cutWord(rest, w); ok {
			rest = r
			break
		}
	}
	for _, w := range []string{" looks", " look", " is", " are", " was"} {
		rest = strings.TrimSuffix(rest, w)
	}
	ev := journal.Event{Kind: journal.KindInspect}
	for _, n := range strings.Fields(strings.ReplaceAll(rest, ",", " ")) {
		at, ok := p.point(n)
		if !ok || at.Kind != netlist.PointPin {
			ev.Looks = nil
			break
		}
		ev.Looks = append(ev.Looks, journal.Looked{Part: netlist.None, Pin: at.Pin, Look: l})
	}
	if len(ev.Looks) > 0 {
		return entry{verb: record, event: ev}, true, nil
	}
	parts, err := p.parts(rest)
	if err != nil {
		return entry{}, false, err
	}
	for _, x := range parts {
		ev.Looks = append(ev.Looks, journal.Looked{Part: x, Look: l})
	}
	return entry{verb: record, event: ev}, len(parts) > 0, nil
}

// warmWords is "C71 got warm on V3V3_A", "nothing warm on V3V3_A".
var warmWords = regexp.MustCompile(`(?i)^(.+?)(?: got| gets| is| are| was| were)? (?:warm|warms|warmed|hot)(?: up)?(?: on (.+))?$`)

func (p *parser) warm() (entry, bool, error) {
	m := warmWords.FindStringSubmatch(p.text)
	if m == nil {
		// Bare names of parts answer the question what warmed up.
		parts, err := p.parts(p.text)
		if err != nil || len(parts) == 0 {
			return entry{}, false, nil
		}
		return entry{verb: warmed, parts: parts}, true, nil
	}
	var parts []netlist.PartID
	if !strings.EqualFold(m[1], "nothing") && !strings.EqualFold(m[1], "none") {
		var err error
		if parts, err = p.parts(m[1]); err != nil {
			return entry{}, false, err
		}
	}
	if m[2] == "" {
		return entry{verb: warmed, parts: parts}, true, nil
	}
	at, ok := p.point(m[2])
	if !ok {
		_, err := p.b.NetByName(strings.TrimSpace(m[2]))
		return entry{}, false, err
	}
	return entry{verb: record, event: journal.Event{Kind: journal.KindInject, Injections: []journal.Injection{{Rail: at.Net, Warm: parts}}}}, true, nil
}

// leadWords tell which probe is on ground.
var leadWords = regexp.MustCompile(`(?i)[,;]?\s*\b(?:(black|red)[ -](?:probe )?(?:on[ -])ground|(swapped)|probes swapped)\b`)

// fillers are words around a reading that say nothing.
var fillers = regexp.MustCompile(`(?i)^(?:read|reads|reading|measured|measure|got|have|shows|show|is|it|and|the|=|:)$`)

// placeWords stand before a point.
var placeWords = regexp.MustCompile(`(?i)^(?:at|on|from|across|between|to)$`)

// reading is "0.430 at R12.2", "R12.2 reads OL", "22.1 ohm from R12.1 to R12.2", "22.1 ohm
// across R12".
func (p *parser) reading() (entry, bool, error) {
	text := strings.NewReplacer(":", " ", "=", " ", "@", " at ").Replace(p.text)
	e := entry{verb: value}
	if m := leadWords.FindStringSubmatch(text); m != nil {
		e.turned = true
		if strings.EqualFold(m[1], "black") || m[1] == "" {
			e.polarity = references.BlackOnGround
		}
		text = leadWords.ReplaceAllString(text, "")
	}
	var points []netlist.Point
	var said, rest []string
	where, lost := "", "" // a word that a point has to follow; what follows and is none
	across := false
	for _, word := range strings.Fields(strings.ReplaceAll(decimalComma.ReplaceAllString(text, "$1$2.$3$4"), ",", " ")) {
		at, ok := p.point(word)
		switch {
		case ok && !isNumber(word):
			points, said, where = append(points, at), append(said, p.b.PointName(at)), ""
		case placeWords.MatchString(word):
			where = word
			across = across || strings.EqualFold(word, "across")
		case strings.EqualFold(where, "across") && len(p.ends(word)) == 2:
			for _, at := range p.ends(word) {
				points, said = append(points, at), append(said, p.b.PointName(at))
			}
			where = ""
		case fillers.MatchString(word):
		case where != "" && !isNumber(word):
			lost, where = word, ""
		default:
			rest = append(rest, word)
		}
	}
	shown := strings.Join(rest, " ")
	if shown == "1" && len(points) > 0 {
		return entry{}, false, errLoneOne
	}
	r, err := ParseMeterLine(shown)
	switch {
	case err == nil && lost != "":
		_, err := p.b.Point(lost)
		return entry{}, false, err
	case err == nil && where != "":
		return entry{}, false, fmt.Errorf("no point follows %s; write it as in 0.430 at R12.2", document.Quote(where))
	case err != nil && len(points) > 0 && shown != "":
		return entry{}, false, fmt.Errorf("%w", err)
	case err != nil:
		return entry{}, false, nil
	case len(points) == 0:
		e.reading = r
		return e, true, nil
	case across && len(points) == 1:
		to := "another point"
		if at := points[0]; at.Kind == netlist.PointTerminal {
			for _, end := range p.ends(p.b.Parts[at.Terminal.Part].Name) {
				if end != at {
					to = p.b.PointName(end)
				}
			}
		}
		return entry{}, false, fmt.Errorf("%s is one point, and a reading across needs two; write it as in %s from %s to %s", said[0], shown, said[0], to)
	case len(points) > 2:
		return entry{}, false, fmt.Errorf("%d points in one reading; name one, or two with `to` between them", len(points))
	}
	read := journal.Read{At: points[0], Name: said[0], Polarity: e.polarity, Reading: r}
	if len(points) == 2 {
		if points[0] == points[1] {
			return entry{}, false, fmt.Errorf("both probes are on %s; name two points", said[0])
		}
		read.To, read.ToName = &points[1], said[1]
	}
	return entry{verb: record, event: journal.Event{Kind: journal.KindRead, Readings: []journal.Read{read}}}, true, nil
}

// ends gives the points of a part with two terminals, nil for any other word.
func (p *parser) ends(word string) []netlist.Point {
	parts, err := p.parts(word)
	if err != nil || len(parts) != 1 || len(p.b.Parts[parts[0]].Terminals) != 2 {
		return nil
	}
	return []netlist.Point{
		p.b.TerminalPoint(netlist.TerminalRef{Part: parts[0], Terminal: 0}),
		p.b.TerminalPoint(netlist.TerminalRef{Part: parts[0], Terminal: 1}),
	}
}

func isNumber(word string) bool {
	_, err := strconv.ParseFloat(word, 64)
	return err == nil
}

// foundWords are marks of parts, and noneWords say that there are none.
var (
	foundWords = regexp.MustCompile(`^\s*` + netlist.MarkPattern + `([, ]+` + netlist.MarkPattern + `)*\s*$`)
	noneWords  = regexp.MustCompile(`(?i)^\s*(none|nothing)\s*$`)
)

// undrawn is "undrawn VTP_1V8: C99, U9.A1", "undrawn VTP_1V8: none": what stands along a net
// and is not drawn; and "look along VTP_1V8", the step that asks for it.
func (p *parser) undrawn() (entry, bool, error) {
	rest, ok := cutWord(p.text, "undrawn")
	step := false
	if !ok {
		if rest, step = cutWord(p.text, "look along", "looked along"); !step {
			return entry{}, false, nil
		}
	}
	net, list, said := strings.Cut(rest, ":")
	id, err := p.b.NetByName(strings.TrimSpace(net))
	if err != nil {
		return entry{}, false, err
	}
	if step && !said {
		return entry{verb: take, at: netlist.NetPoint(id)}, true, nil
	}
	x := journal.Undrawn{Net: id}
	switch {
	case foundWords.MatchString(list):
		x.Marks = strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == ' ' })
	case !noneWords.MatchString(list):
		return entry{}, false, fmt.Errorf("%s says no marks of parts; write it as in undrawn %s: C99, U9.A1, or none", document.Quote(strings.TrimSpace(list)), p.b.Nets[id].Name)
	}
	return entry{verb: record, event: journal.Event{Kind: journal.KindUndrawn, Undrawn: []journal.Undrawn{x}}}, true, nil
}

// beside is "pressed U5: 0.622 at J7.3", "good board: 0.622 at J7.3", "swapped J7: works".
func (p *parser) beside() (entry, bool, error) {
	text := strings.ReplaceAll(p.text, ":", " ")
	ev := journal.Event{}
	rest, ok := cutWord(text, "good board")
	if ok {
		ev.Kind = journal.KindGood
	} else if rest, ok = cutWord(text, "pressed", "press"); ok {
		ev.Kind = journal.KindPress
	} else if rest, ok = cutWord(text, "swapped", "swap"); ok {
		ev.Kind = journal.KindSwap
	}
	if !ok || rest == "" {
		return entry{}, false, nil
	}
	name, value, _ := strings.Cut(rest, " ")
	switch ev.Kind {
	case journal.KindSwap:
		id, err := p.b.ConnectorByName(name)
		k := keys[strings.ToLower(strings.TrimSpace(value))]
		if err == nil && (k.verb != tested || k.result == journal.NotTested) {
			err = fmt.Errorf("%s does not say what became of the complaint; write it as in swapped %s: works", document.Quote(value), name)
		}
		ev.Swaps = []journal.Swap{{Connector: id, Works: k.result == journal.Works}}
		return entry{verb: record, event: ev}, err == nil, err
	case journal.KindPress:
		part, err := p.b.MeantPart(name)
		if err != nil {
			return entry{}, false, err
		}
		ev.Presses, rest = []journal.Press{{Part: part}}, value
	}
	e, ok, err := (&parser{b: p.b, text: rest}).reading()
	if err == nil && (!ok || e.verb != record || e.turned && e.polarity != references.RedOnGround || e.event.Readings[0].To != nil) {
		err = fmt.Errorf("%s is not a reading of one point with the red probe on ground; write it as in good board: 0.622 at J7.3", document.Quote(rest))
	}
	if err != nil {
		return entry{}, false, err
	}
	if x := e.event.Readings[0]; ev.Kind == journal.KindGood {
		ev.Goods = []journal.Read{x}
	} else {
		ev.Presses[0].Read = x
	}
	return entry{verb: record, event: ev}, true, nil
}

// drop is what parts of a rail read under current: "drop VTP_1V8 at 1 A: C71 12.4 mV".
func (p *parser) drop() (entry, bool, error) {
	rest, ok := cutWord(p.text, "drop")
	if !ok {
		return entry{}, false, nil
	}
	head, list, _ := strings.Cut(rest, ":")
	railName, current, _ := strings.Cut(head, " at ")
	wrong := func(err error) (entry, bool, error) { return entry{}, false, err }
	rail, err := p.b.NetByName(strings.TrimSpace(railName))
	if err != nil {
		return wrong(err)
	}
	amperes, err := quantity.Parse(strings.TrimSpace(current), quantity.Ampere)
	if err != nil || !(amperes > 0) {
		return wrong(fmt.Errorf("%s is not a current; write it as in drop %s at 1 A: C71 12.4 mV", document.Quote(current), railName))
	}
	x := journal.Drop{Rail: rail, Amperes: amperes}
	for _, item := range names(list) {
		part, text, _ := strings.Cut(item, " ")
		id, err := p.b.MeantPart(strings.TrimSuffix(part, ":"))
		if err != nil {
			return wrong(err)
		}
		if !slices.ContainsFunc(p.b.Parts[id].Terminals, func(t netlist.Terminal) bool { return t.Net == rail }) {
			return wrong(fmt.Errorf("%s is not on %s; name parts of that rail", document.Quote(part), railName))
		}
		volts, err := quantity.Parse(text, quantity.Volt)
		if err != nil {
			return wrong(err)
		}
		x.Volts = append(x.Volts, journal.PartVolts{Part: id, Volts: volts})
	}
	if len(x.Volts) == 0 {
		return wrong(fmt.Errorf("nothing was read on %s; write each part with its millivolts, as in C71 12.4 mV, C72 13.1 mV", railName))
	}
	return entry{verb: record, event: journal.Event{Kind: journal.KindDrop, Drops: []journal.Drop{x}}}, true, nil
}

// measured is a line of sigrok-cli in its analog output: channel, value, unit, modes.
var measured = regexp.MustCompile(`^([^\s:]+): ([+-]?(?:\d+\.?\d*|inf|nan) \S+((?: [A-Z]+)*))$`)

// FromProgram takes a line of a measuring program (sigrok-cli 0.7) apart: "P1: 521.0 mV
// DC DIODE" is "521.0 mV DC DIODE". Lines between its values are "". It is none where it
// has no mode and its first word is a point of the board: somebody wrote it then.
func FromProgram(b *netlist.Board, line string) (value string, ok bool) {
	line = strings.TrimRight(line, "\r\n\x00 ")
	if line == "FRAME-BEGIN" || line == "FRAME-END" || strings.HasPrefix(line, "META ") {
		return "", true
	}
	m := measured.FindStringSubmatch(line)
	if m == nil {
		return "", false
	}
	if m[3] == "" { // with one it is sure, and such lines may come fast
		if _, is := (&parser{b: b}).point(m[1]); is {
			return "", false
		}
	}
	return m[2], true
}

// drawn is an event that tells of a current.
func drawn(amperes float64, before bool) journal.Event {
	d := &journal.SupplyDraw{Before: math.NaN(), After: math.NaN()}
	if before {
		d.Before = amperes
	} else {
		d.After = amperes
	}
	return journal.Event{Kind: journal.KindSupply, Supply: d}
}
