package draft

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// Source is a board as somebody drew it, whatever the file it comes from. Every
// reader fills it in the same way, and nothing in it is guessed.
type Source struct {
	Board    string
	Revision string
	Parts    []Component // in the order of the file
	// Drawn tells that the source is a layout, which drawings can be made from.
	Drawn bool
	// Typed tells that people wrote the names of nets, so that a pin by itself on one is
	// on it, as in a table of a connector's pins.
	Typed bool
	// Power holds the nets that a power symbol of the schematic names.
	Power map[string]bool

	sheets map[string]bool // paths of the sheets of the schematic; nil where they are not known
}

// Component is a thing on the board, with all that the file says about it. Texts are
// empty where it says nothing.
type Component struct {
	Name        string
	Stated      string // what somebody said that it is: a kind, `connector` or `test point`
	Value       string
	Title       string
	Symbol      string // its name in the library of symbols
	Library     string // of symbols
	Description string
	Keywords    string
	Footprint   string
	// Absent says why the part is not on the board, in the words of the file.
	Absent string
	Pads   []Pad
	Twice  []string // pads that the file numbers like another one, by their new numbers
	At     document.Position

	places  map[[2]string]bool
	numbers map[string]int
}

// Pad is a contact of a component.
type Pad struct {
	Number   string
	Function string // what the symbol calls it, such as A, K or VDD
	Type     string // electrical type, as in the KiCad file formats: power_in, passive, ...
	Net      string // empty where it is not connected
}

// pad gives a component a pad. A number that the symbol uses again, as mounting tabs
// do, is kept once where both are on one net; on another net it becomes a number of
// its own, and the component keeps in mind that the source had it twice.
func (c *Component) pad(p Pad) {
	if c.places == nil {
		c.places = make(map[[2]string]bool)
		c.numbers = make(map[string]int)
	}
	number, place := p.Number, [2]string{p.Number, p.Net}
	if c.places[place] {
		return
	}
	c.places[place] = true
	for c.numbers[p.Number] > 0 {
		c.numbers[number]++
		p.Number = fmt.Sprintf("%s_%d", number, c.numbers[number])
	}
	if p.Number != number {
		c.Twice = append(c.Twice, p.Number)
	}
	c.numbers[p.Number]++
	c.Pads = append(c.Pads, p)
}

// settle makes what was read fit for a board file: pads in the order of their
// numbers, pads that nothing else joins on no net unless it is typed, nets by their short names, white
// space in texts single. Names that hold what does not show are problems.
func (s *Source) settle(problems *document.Problems) {
	s.Board, s.Revision = shown(s.Board), shown(s.Revision)
	joined, called := make(map[string]int), make(map[string]string)
	for i := range s.Parts {
		c := &s.Parts[i]
		for _, text := range []*string{&c.Stated, &c.Value, &c.Title, &c.Symbol, &c.Library, &c.Description, &c.Keywords, &c.Footprint, &c.Absent} {
			*text = shown(*text)
		}
		if c.Absent == "" && notFitted.MatchString(c.Value) {
			c.Absent = c.Value
		}
		c.Name = oneWord("component", c.Name, c.At, called, problems)
		pins := make(map[string]string)
		for k := range c.Pads {
			c.Pads[k].Number = oneWord("pin", c.Pads[k].Number, c.At, pins, problems)
		}
		for k := range c.Twice {
			c.Twice[k] = netlist.OneWord(c.Twice[k])
		}
		slices.SortStableFunc(c.Pads, func(a, b Pad) int { return natural(a.Number, b.Number) })
		names := []string{c.Name}
		for _, p := range c.Pads {
			names = append(names, p.Number, p.Net)
			if c.Absent == "" {
				joined[p.Net]++
			} else if joined[p.Net] == 0 {
				joined[p.Net] = 0 // the net has a name all the same
			}
		}
		for _, name := range names {
			if r, hidden := document.Hidden(name); hidden {
				problems.Add(c.At, fmt.Sprintf("the name %s at %s holds the character U+%04X, which does not show", document.Quote(name), document.Quote(c.Name), r), "rename it; names that look alike must be alike")
				break
			}
		}
	}
	delete(joined, "")
	short := s.shortNames(joined)
	power := make(map[string]bool, len(s.Power))
	for net := range s.Power {
		if name, ok := short[net]; ok {
			power[name] = true
		}
	}
	s.Power = power
	for i := range s.Parts {
		for k := range s.Parts[i].Pads {
			p := &s.Parts[i].Pads[k]
			// Newer releases of KiCad distinguish pins of one name by their numbers.
			p.Function = strings.TrimSuffix(p.Function, "_"+p.Number)
			if !s.Typed && joined[p.Net] <= 1 && s.Parts[i].Absent == "" || unconnected[strings.ToUpper(p.Net)] || strings.Contains(p.Type, "no_connect") {
				p.Net = ""
			}
			p.Net = short[p.Net]
		}
	}
}

// oneWord makes of a name one that a board file may have. called holds the names that were
// made already, each with what it was made of.
func oneWord(what, name string, at document.Position, called map[string]string, problems *document.Problems) string {
	word := netlist.OneWord(name)
	if other, twice := called[word]; twice && other != name {
		problems.Add(at, fmt.Sprintf("the %ss %s and %s would both be called %s, for a name holds neither spaces nor commas", what, document.Quote(other), document.Quote(name), document.Quote(word)), "rename one of them")
	}
	called[word] = name
	return word
}

// unconnected are the names that people give to no net.
var unconnected = map[string]bool{"-": true, "--": true, "NC": true, "N/C": true, "N.C.": true}

// notFitted finds the words by which values say that a part is left out (common
// practice, no source): alone, or beside the value that would be fitted.
var notFitted = regexp.MustCompile(`(?i)^n[pfm]$|(^|[\s/_,;(\[-])(n/?a|dn[pfimsi]|n\.p\.?|n\.a\.?|d\.n\.[pf]\.?|no[\s_-]?pop|no[\s_-]?fit|no[\s_-]?stuff|no[\s_-]?mount|unpopulated|unstuffed|omit(ted)?|(do[\s_-]?)?not[\s_-]?(be[\s_-]?)?(populated?|fit(ted)?|mount(ed)?|plac(ed?)|install(ed)?|assembl(ed?)|stuff(ed)?))($|[\s/_,;)(\]-])`)

// escapes are characters that KiCad writes into names by words (from memory of its
// documentation of text variables and escapes).
var escapes = strings.NewReplacer("{slash}", "/", "{backslash}", `\`, "{space}", " ", "{colon}", ":", "{lt}", "<", "{gt}", ">", "{dblquote}", `"`, "{brace}", "{", "{amp}", "&")

// overbar is the sign of a signal that is active low.
var overbar = regexp.MustCompile(`~\{([^{}]*)\}`)

// shortNames gives nets the names that people say: without the path of sheets where
// that leaves them different from all others, and with escaped characters as drawn.
// The names of the first sheet come first.
func (s *Source) shortNames(nets map[string]int) map[string]string {
	last := func(net string) string {
		i := strings.LastIndexByte(net, '/')
		for ; i >= 0; i = strings.LastIndexByte(net[:i], '/') {
			if s.sheets == nil && net[0] == '/' && i < len(net)-1 || s.sheets[net[:i+1]] {
				return net[i+1:]
			}
		}
		return net
	}
	claims := make(map[string]int)
	ordered := slices.Sorted(maps.Keys(nets))
	for _, net := range ordered {
		claims[last(net)]++
	}
	short := make(map[string]string, len(nets))
	taken := make(map[string]bool)
	give := func(net, name string) {
		short[net] = plainName(name)
		taken[short[net]] = true
	}
	for _, net := range ordered {
		if bare := strings.TrimPrefix(net, "/"); bare == last(net) {
			give(net, bare)
		}
	}
	for _, net := range ordered {
		if _, done := short[net]; done {
			continue
		}
		name := last(net)
		if claims[name] > 1 || taken[plainName(name)] || name == "" {
			name = strings.TrimPrefix(net, "/")
		}
		give(net, name)
	}
	// Names that have become equal stay as they were.
	count := make(map[string]int)
	for _, name := range short {
		count[name]++
	}
	for net, name := range short {
		if count[name] > 1 {
			short[net] = net
		}
	}
	short[""] = ""
	return short
}

func plainName(net string) string {
	return strings.TrimSpace(overbar.ReplaceAllString(escapes.Replace(net), "~$1"))
}

// shown is a text without the characters that do not show.
func shown(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	return strings.Map(func(r rune) rune {
		if _, hidden := document.Hidden(string(r)); hidden {
			return -1
		}
		return r
	}, text)
}

// natural orders names as people do: A2 before A10.
func natural(a, b string) int {
	split := func(s string) (string, int) {
		head := strings.TrimRight(s, "0123456789")
		n := 0
		for _, r := range s[len(head):] {
			n = min(n*10+int(r-'0'), 1<<30)
		}
		return head, n
	}
	ha, na := split(a)
	hb, nb := split(b)
	if ha != hb {
		return strings.Compare(ha, hb)
	}
	if na != nb {
		return na - nb
	}
	return strings.Compare(a, b)
}

// isType compares types of pins, which programs spell in several ways: power_in,
// powerIn, BiDi, passive+no_connect.
func isType(have, want string) bool {
	plain := func(s string) string {
		s, _, _ = strings.Cut(s, "+")
		return strings.NewReplacer("_", "", "-", "", " ", "").Replace(strings.ToLower(s))
	}
	h, w := plain(have), plain(want)
	return h == w || w == "bidirectional" && h == "bidi" || w == "tristate" && h == "3state" || w == "opencollector" && h == "opencol" || w == "openemitter" && h == "openem" || w == "noconnect" && (h == "nc" || h == "notconnected")
}
