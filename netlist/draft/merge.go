package draft

import (
	"regexp"
	"slices"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// Change is what becomes of one entry of a board file when it is drafted again.
type Change struct {
	Entry  string   `json:"entry"` // `parts R12`, `ground`
	What   Happened `json:"what"`
	Reason string   `json:"why"`
	Old    string   `json:"old"` // its lines as the file has them; empty where it has none
	Draft  string   `json:"new"` // as the draft has them
}

// Happened is what becomes of an entry.
type Happened string

// What becomes of entries. A kept entry is one that people made their own, and that
// the draft has otherwise, or not at all.
const (
	Added    Happened = "added"
	Replaced Happened = "replaced"
	Removed  Happened = "removed"
	Kept     Happened = "kept"
)

// entry is one key of a board file, or one key of a section, with its lines.
type entry struct {
	section, key string
	lead         string // remarks and empty lines above it
	text         string
}

func (e *entry) name() string { return strings.TrimSpace(e.section + " " + e.key) }

// marked tells that a line of the entry holds a guess.
var markedLine = regexp.MustCompile(`(?m)[ \t]# \?`)

// sections are the keys of a board file that Merge looks into.
var sections = []string{"connectors", "parts", "test_points", "nets"}

// Merge writes a board file again from a newer draft of it. Entries that are marked
// as guesses are replaced; what is not marked is a person's and stays as it is,
// whatever the draft says. Entries that only the draft has are added, and those marked
// that it no longer has are removed. The error is document.Problems: those of the
// old file, or what makes the two unfit for each other.
func Merge(old, fresh, file string) (text string, changes []Change, err error) {
	was, err := entries(old, file)
	if err != nil {
		return "", nil, err
	}
	is, err := entries(fresh, "draft")
	if err != nil {
		return "", nil, err
	}
	index := func(list []entry) map[string]int {
		at := make(map[string]int)
		for i := range list {
			at[list[i].section+"\x00"+list[i].key] = i
		}
		return at
	}
	wasAt, isAt := index(was), index(is)

	lastOf := make(map[string]int) // the last entry of each section of the result
	var out []entry
	put := func(e entry) {
		lastOf[e.section] = len(out)
		out = append(out, e)
	}
	for _, e := range was {
		k, both := isAt[e.section+"\x00"+e.key]
		guessed := markedLine.MatchString(e.text)
		head := slices.Contains(sections, e.key) && e.section == ""
		switch {
		case head:
		case both && guessed && strings.TrimSpace(is[k].text) != strings.TrimSpace(e.text):
			changes = append(changes, Change{e.name(), Replaced, "", e.text, is[k].text})
			e.text = is[k].text
		case both && !guessed && stripMark(is[k].text) != stripMark(e.text):
			changes = append(changes, Change{e.name(), Kept, "the draft has it otherwise", e.text, is[k].text})
		case !both && guessed:
			changes = append(changes, Change{e.name(), Removed, "the draft no longer has it", e.text, ""})
			continue
		case !both && slices.Contains(sections, e.section):
			changes = append(changes, Change{e.name(), Kept, "the draft does not have it", e.text, ""})
		}
		put(e)
	}
	for _, e := range is {
		if _, ok := wasAt[e.section+"\x00"+e.key]; ok {
			continue
		}
		if !(slices.Contains(sections, e.key) && e.section == "") {
			changes = append(changes, Change{e.name(), Added, "", "", e.text})
		}
		e.lead = ""
		if e.section == "" {
			e.lead = "\n"
			put(e)
			continue
		}
		at, ok := lastOf[e.section]
		if !ok { // the head of its section is there without an entry, or was added just now
			at = slices.IndexFunc(out, func(x entry) bool { return x.section == "" && x.key == e.section })
		}
		out = slices.Insert(out, at+1, e)
		for s, i := range lastOf {
			if i > at {
				lastOf[s] = i + 1
			}
		}
		lastOf[e.section] = at + 1
	}
	out, gone := dropUnused(out)
	changes = append(changes, gone...)
	var b strings.Builder
	for _, e := range out {
		b.WriteString(e.lead)
		b.WriteString(e.text)
	}
	text = b.String()
	if _, err := netlist.Parse(strings.NewReader(text), file); err != nil {
		return "", changes, err
	}
	return text, changes, nil
}

// stripMark is an entry without its guesses, for comparing.
func stripMark(text string) string {
	var lines []string
	for line := range strings.Lines(text) {
		if at := markedLine.FindStringIndex(line); at != nil {
			line = line[:at[0]]
		}
		lines = append(lines, strings.Join(strings.Fields(line), " "))
	}
	return strings.Join(lines, "\n")
}

// dropUnused leaves out what is said of nets that no pin is on any more, which would
// be problems.
func dropUnused(list []entry) (kept []entry, gone []Change) {
	used := make(map[string]bool)
	nodesOf := func(e entry) (document.Node, bool) {
		nodes, err := document.Decode(strings.NewReader(e.text), "", 0)
		if err != nil || len(nodes) != 1 || len(nodes[0].Entries()) != 1 {
			return document.Node{}, false
		}
		return nodes[0].Entries()[0].Value, true
	}
	for _, e := range list {
		if e.section != "parts" && e.section != "connectors" {
			continue
		}
		if v, ok := nodesOf(e); ok {
			pins := v.Get("pins")
			for _, p := range pins.Entries() {
				used[p.Value.Text()] = true
			}
			for _, p := range pins.Items() {
				used[p.Text()] = true
			}
		}
	}
	for _, e := range list {
		net := e.key
		if e.section == "test_points" {
			v, _ := nodesOf(e)
			net = v.Text()
		}
		if (e.section == "nets" || e.section == "test_points") && !used[net] {
			gone = append(gone, Change{e.name(), Removed, "no pin is on its net any more", e.text, ""})
			continue
		}
		kept = append(kept, e)
	}
	return kept, gone
}

// entries takes a board file apart at its keys and at those of its sections. Remarks
// above a key belong to it.
func entries(text, file string) ([]entry, error) {
	nodes, err := document.Decode(strings.NewReader(text), file, 0)
	if err != nil {
		return nil, err
	}
	whole := document.Position{File: file}
	if len(nodes) != 1 || nodes[0].Kind() != document.Mapping || !nodes[0].Get("board").Exists() {
		return nil, document.Problems{{Position: whole, What: "is no board file", Do: "name one that `draft` has written, or another name"}}
	}
	type start struct {
		section, key string
		at           document.Position
	}
	var starts []start
	for _, e := range nodes[0].Entries() {
		starts = append(starts, start{"", e.Name(), e.Key.At()})
		if slices.Contains(sections, e.Name()) {
			for _, x := range e.Value.Entries() {
				starts = append(starts, start{e.Name(), x.Name(), x.Key.At()})
			}
		}
	}
	lines := slices.Collect(strings.Lines(text))
	if n := len(lines); n > 0 && !strings.HasSuffix(lines[n-1], "\n") {
		lines[n-1] += "\n"
	}
	var list []entry
	lead := ""
	if len(starts) > 0 {
		lead = strings.Join(lines[:starts[0].at.Line-1], "")
	}
	for i, s := range starts {
		from, to := s.at.Line-1, len(lines)
		if i+1 < len(starts) {
			to = starts[i+1].at.Line - 1
		}
		if from >= to {
			return nil, document.Problems{{Position: starts[i+1].at, What: document.Quote(starts[i+1].key) + " stands on one line with another key", Do: "give each key a line of its own"}}
		}
		end := to
		for end > from+1 && i+1 < len(starts) && isRemark(lines[end-1]) {
			end--
		}
		list = append(list, entry{s.section, s.key, lead, strings.Join(lines[from:end], "")})
		lead = strings.Join(lines[end:to], "")
	}
	return list, nil
}

func isRemark(line string) bool {
	trimmed := strings.TrimSpace(line)
	return trimmed == "" || strings.HasPrefix(trimmed, "#")
}
