// Package experience is the shop's memory: what was wrong in closed cases changes
// what is suspected in the next ones.
//
// In most cases:
//
//	tally := experience.NewTally()
//	for each case: tally.Add(case, engine)
//	learned := tally.Learn(fault.DefaultPriors(), experience.DefaultStrength())
//	learned.Write(file)          // to be given with --priors
//
// The memory holds counts of kinds of parts and modes of failure, and nothing of
// the cases themselves: no names, no complaints, no boards, no paths.
package experience

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
)

// Strength says how much the weights that come with the tool count for, in
// closed cases: the equivalent sample sizes of their Dirichlet distributions.
type Strength struct {
	Kinds float64 // for the division among kinds of parts and copper
	Modes float64 // for the division of one kind into modes
}

// DefaultStrength makes the built-in likelihoods count as much as 50 cases among
// kinds and 20 cases within a kind. Common practice, no source.
func DefaultStrength() Strength { return Strength{Kinds: 50, Modes: 20} }

// Tally counts causes of closed cases.
type Tally struct {
	Cases int // counted
	// Causes counts by kind of part ("resistor") or copper ("joint") and by mode
	// as priors files name it.
	Causes map[string]map[string]int
	// Exposure sums over the cases how many parts of a kind, joints, pins and so on
	// the lines had that were read. Without it a kind that is merely common would
	// seem to be weak.
	Exposure map[string]float64

	counted map[string]bool // cases, by identity
}

// NewTally makes an empty tally.
func NewTally() *Tally {
	return &Tally{Causes: map[string]map[string]int{}, Exposure: map[string]float64{}, counted: map[string]bool{}}
}

// copperKeys are the entries under `copper` in a priors file.
var copperKeys = []string{"joint", "pin", "trace", "bridge", "missing"}

// partModes are the modes of parts, as priors files name them.
var partModes = map[fault.Mode]string{fault.Shorted: "shorted", fault.Leaky: "leaky", fault.Open: "open", fault.High: "high", fault.ToSupply: "supply"}

// copperModes are the modes of copper: the entry and the mode.
var copperModes = map[fault.Mode][2]string{
	fault.OpenJoint: {"joint", "open"}, fault.HighJoint: {"joint", "high"},
	fault.BrokenTrace: {"trace", "open"}, fault.HighTrace: {"trace", "high"},
	fault.Bridged: {"bridge", "shorted"}, fault.Leakage: {"bridge", "leaky"},
	fault.Missing: {"missing", "open"},
}

// Add counts a case. e is an engine for its board and its known-good readings. The
// error says why a case cannot be counted: it is not closed, its cause names no part
// and mode that the weights know, nothing shows that the cause was the right one, or
// it was counted before.
func (t *Tally) Add(c *journal.Case, e *engine.Engine) error {
	closing, closed := c.Closed()
	switch {
	case !closed:
		return fmt.Errorf("is not closed; close it when the repair is verified")
	case strings.HasPrefix(closing.Cause, "suspected "):
		return fmt.Errorf("was closed with a suspicion, which no repair has proven")
	}
	entry, mode, err := classify(c.Board, closing)
	if err != nil {
		return err
	}
	if err := proven(c, closing, e); err != nil {
		return err
	}
	key := identity(c)
	if t.counted[key] {
		return fmt.Errorf("is the same case as one that was counted")
	}
	t.counted[key] = true
	if t.Causes[entry] == nil {
		t.Causes[entry] = map[string]int{}
	}
	t.Causes[entry][mode]++
	t.Cases++
	for kind, n := range exposure(c) {
		t.Exposure[kind] += n
	}
	return nil
}

// proven tells by an error why a cause may be a wrong one: nothing read wrong and then
// right, something that read wrong was not seen to read right, or the work was done on
// other parts.
func proven(c *journal.Case, closing journal.Closing, e *engine.Engine) error {
	readings, err := e.Compare(c)
	if err != nil {
		return err
	}
	cleared := false
	for _, p := range diagnose.ByPlace(readings) {
		if last := p[len(p)-1]; last.Circuit != diagnose.Agrees {
			return fmt.Errorf("%s last read wrong (%s), so that no reading proves its cause", last.At, last.Circuit)
		}
		cleared = cleared || slices.ContainsFunc(p, func(r *diagnose.Comparison) bool { return r.Circuit != diagnose.Agrees })
	}
	if !cleared {
		return fmt.Errorf("has no reading that was wrong and is right since, so that nothing proves its cause")
	}
	worked, right := false, closing.Part == netlist.None
	for _, ev := range c.Events {
		worked = worked || ev.Kind.Edits()
		right = right || slices.Contains(ev.Parts, closing.Part) ||
			slices.ContainsFunc(ev.Jumpers, func(j journal.Jumper) bool { return j.Part == closing.Part }) ||
			slices.ContainsFunc(ev.Repairs, func(r netlist.Repair) bool {
				return r.Kind == netlist.RepairJoint && r.Terminal.Part == closing.Part || r.Kind == netlist.RepairTrace
			})
	}
	if worked && !right {
		return fmt.Errorf("names %s as its cause, and the work was done elsewhere", c.Board.Parts[closing.Part].Name)
	}
	return nil
}

// identity is what files about one case have in common, however they went on and
// whatever remarks they hold: how it began, where the file says when; otherwise its readings
// and its end.
func identity(c *journal.Case) string {
	opened := c.All[0]
	text := fmt.Sprintf("%s|%s|%s|%s|%s", c.Board.Name, c.Board.Revision, c.Opening().Complaint, opened.By, opened.Time)
	if !opened.Time.IsZero() {
		return text
	}
	for _, e := range c.Events {
		for _, r := range e.Readings {
			text += fmt.Sprintf("|%s %s %s %v", r.Name, r.ToName, r.Polarity, r.Reading)
		}
	}
	closing, _ := c.Closed()
	return text + "|" + closing.Cause
}

// classify finds the entry and mode of a priors file that a cause belongs to. A
// cause is a place and a mode: "R12 open", "J7.2 open joint", "J7.2 to J7.4
// bridged".
func classify(b *netlist.Board, closing journal.Closing) (entry, mode string, err error) {
	first := closing.Cause
	if end := strings.IndexAny(first, ",;\n"); end >= 0 {
		first = first[:end]
	}
	first = strings.TrimSpace(first)
	var found fault.Mode
	length := -1
	for _, name := range fault.ModeNames() {
		if n := len(first) - len(name); n >= 0 && strings.EqualFold(first[n:], name) && len(name) > length {
			if m, ok := fault.ParseMode(name); ok {
				found, length = m, len(name)
			}
		}
	}
	if length < 0 {
		return "", "", fmt.Errorf("its cause names no mode; write the part and how it failed, such as FL3 open")
	}
	if key, ok := copperModes[found]; ok {
		place := strings.TrimSpace(first[:len(first)-length])
		if p, err := b.Point(place); err == nil && p.Kind == netlist.PointPin && key[0] == "joint" {
			return "pin", key[1], nil
		}
		return key[0], key[1], nil
	}
	if closing.Part == netlist.None {
		return "", "", fmt.Errorf("its cause begins with no part of the board; write the part and how it failed, such as FL3 open")
	}
	return b.Parts[closing.Part].Kind.String(), partModes[found], nil
}

// exposure counts what could have been at fault: parts by kind and copper, on the
// lines that the case has readings of; on the whole board where it has none.
func exposure(c *journal.Case) map[string]float64 {
	b := c.Board
	parts, nets := map[netlist.PartID]bool{}, map[netlist.NetID]bool{}
	if g, err := b.Graph(); err == nil {
		for _, e := range c.Events {
			for _, r := range e.Readings {
				if r.At.Net == netlist.None || r.At.Net == b.Ground || nets[r.At.Net] {
					continue
				}
				line := g.Line(r.At.Net, netlist.AtRails)
				for _, n := range line.Nets {
					nets[n] = n != b.Ground
				}
				for _, m := range line.Parts {
					parts[m] = true
				}
			}
		}
	}
	if len(parts) == 0 {
		for i := range b.Parts {
			parts[netlist.PartID(i)] = true
		}
		for i := range b.Nets {
			nets[netlist.NetID(i)] = netlist.NetID(i) != b.Ground
		}
	}
	n := map[string]float64{}
	for id := range parts {
		p := &b.Parts[id]
		n["missing"]++
		pins := 0.0
		for _, terminal := range p.Terminals {
			if terminal.Net != netlist.None && nets[terminal.Net] {
				pins++
			}
		}
		n["joint"] += pins
		switch p.Kind {
		case netlist.IC, netlist.Module: // their weights are for one pin
			n[p.Kind.String()] += pins
		default:
			n[p.Kind.String()]++
		}
	}
	for id, on := range nets {
		if !on {
			continue
		}
		n["pin"] += float64(len(b.Nets[id].Pins))
		if gaps := len(b.Nets[id].Along) - 1; gaps > 0 {
			n["trace"] += float64(gaps)
		}
		for _, pin := range b.Nets[id].Pins {
			n["bridge"] += float64(len(b.Neighbours(pin))) / 2
		}
	}
	return n
}

// Learned is what a tally makes of weights.
type Learned struct {
	Cases    int
	Strength Strength
	Entries  []Entry // kinds of parts in the order of netlist, then copper
}

// Entry is one kind of part or copper before and after.
type Entry struct {
	Name   string  `json:"name"`
	Copper bool    `json:"-"`
	Count  int     `json:"cases"`
	Before float64 `json:"before"` // weight: odds of one such part to be bad
	After  float64 `json:"after"`
	Modes  []Mode  `json:"modes"` // by name
}

// Mode is one mode of an entry before and after, as shares.
type Mode struct {
	Name   string  `json:"name"`
	Count  int     `json:"cases"`
	Before float64 `json:"before"`
	After  float64 `json:"after"`
}

// Learn works the cases into the weights of p.
//
// Among entries: with w the weight of one part and e the mean number of such parts
// on the lines of a case, an entry is the cause with share w*e/sum(w*e). These
// shares are the mean of a Dirichlet distribution that counts for Strength.Kinds
// cases; with n of N cases in an entry its share becomes
//
//	(K*share + n) / (K + N)
//
// (conjugate updating, Gelman et al., Bayesian Data Analysis, 3rd ed., 3.4, from
// memory), and the weight moves by the same factor as the share. The modes of an
// entry are updated likewise with Strength.Modes. Entries that no line had keep
// their weights. A mode that a kind has no share of stays without: it is not in
// the circuit model of that kind, and its cases count for the kind alone.
func (t *Tally) Learn(p *fault.Priors, strength Strength) Learned {
	out := Learned{Cases: t.Cases, Strength: strength}
	weights := func(name string, copper bool) fault.Weights {
		if copper {
			return p.Copper[name]
		}
		return p.Kinds[name]
	}
	total := 0.0
	cases := 0
	each := func(visit func(name string, copper bool)) {
		for _, name := range netlist.KindNames() {
			visit(name, false)
		}
		for _, name := range copperKeys {
			visit(name, true)
		}
	}
	each(func(name string, copper bool) {
		if e := t.Exposure[name]; e > 0 {
			total += weights(name, copper).Weight * e
			cases += t.count(name)
		}
	})
	each(func(name string, copper bool) {
		w := weights(name, copper)
		x := Entry{Name: name, Copper: copper, Count: t.count(name), Before: w.Weight, After: w.Weight}
		if share := w.Weight * t.Exposure[name] / max(total, 1e-300); share > 0 {
			learned := (strength.Kinds*share + float64(x.Count)) / (strength.Kinds + float64(cases))
			x.After = w.Weight * learned / share
		}
		known := 0
		for mode, share := range w.Modes {
			if share > 0 {
				known += t.Causes[name][mode]
			}
		}
		for _, mode := range slices.Sorted(maps.Keys(w.Modes)) {
			m := Mode{Name: mode, Before: w.Modes[mode], After: w.Modes[mode]}
			if m.Before > 0 && known > 0 {
				m.Count = t.Causes[name][mode]
				m.After = (strength.Modes*m.Before + float64(m.Count)) / (strength.Modes + float64(known))
			}
			x.Modes = append(x.Modes, m)
		}
		out.Entries = append(out.Entries, x)
	})
	return out
}

func (t *Tally) count(name string) int {
	n := 0
	for _, k := range t.Causes[name] {
		n += k
	}
	return n
}

// Moved are the entries whose weight or modes changed, those with the most cases
// first.
func (l Learned) Moved() []Entry {
	var list []Entry
	for _, e := range l.Entries {
		moved := e.Before != e.After
		for _, m := range e.Modes {
			moved = moved || m.Before != m.After
		}
		if moved {
			list = append(list, e)
		}
	}
	slices.SortStableFunc(list, func(a, b Entry) int { return cmp.Compare(b.Count, a.Count) })
	return list
}

// Write writes the weights that moved as a priors file, to be laid over the
// tool's own. It holds numbers only.
func (l Learned) Write(w io.Writer) error {
	var b strings.Builder
	cases := "cases"
	if l.Cases == 1 {
		cases = "case"
	}
	fmt.Fprintf(&b, "# Likelihoods of faults, learned by halfsplit from %d closed %s. the built-in likelihoods\n# count for %g cases among kinds and %g within a kind.\n", l.Cases, cases, l.Strength.Kinds, l.Strength.Modes)
	fmt.Fprintf(&b, "source: %d closed %s over the defaults\n", l.Cases, cases)
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
	for _, copper := range []bool{false, true} {
		head := "kinds:\n"
		if copper {
			head = "copper:\n"
		}
		for _, e := range l.Entries {
			if e.Copper != copper || len(e.Modes) == 0 {
				continue
			}
			b.WriteString(head)
			head = ""
			modes := make([]string, len(e.Modes))
			for i, m := range e.Modes {
				modes[i] = m.Name + ": " + number(m.After)
			}
			fmt.Fprintf(&b, "  %s: {weight: %s, modes: {%s}}\n", e.Name, number(1000*e.After), strings.Join(modes, ", "))
		}
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("writing the weights: %w", err)
	}
	return nil
}
