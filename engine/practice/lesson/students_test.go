package lesson

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
	"halfsplit/references"
)

// The scripted students. All of them can read a meter against good boards, and
// tell a repaired board from one that is not; they differ in how they decide
// what to do.

// student is one of them.
type scripted struct {
	name string
	play func(d *Session, m *Diagnoses, r *rand.Rand) error
}

var students = []scripted{
	{"optimal", func(d *Session, m *Diagnoses, _ *rand.Rand) error { return Follow(d, m) }},
	{"half-split", func(d *Session, m *Diagnoses, _ *rand.Rand) error { return HalfSplit(d, m) }},
	{"outward", outward},
	{"random", random},
	{"guesser", guess},
}

// repairedNow reads the outlying pins again and tells whether they all read right.
func repairedNow(d *Session, out []diagnose.Comparison) (bool, error) {
	from := len(d.Case().All)
	for _, o := range out {
		if _, err := d.Read(o.At, "", references.RedOnGround, false); err != nil {
			return false, err
		}
	}
	list, err := d.Engine.Compare(d.Case())
	for _, c := range list {
		if c.Event > from && c.Verdict != diagnose.Agrees && c.Verdict != diagnose.NoKnownGood {
			return false, err
		}
	}
	return true, err
}

// lineParts lists the parts on the lines of the outlying pins, nearest first, ICs
// last.
func lineParts(d *Session, out []diagnose.Comparison) []netlist.PartID {
	b := d.sim.board
	var parts, ics []netlist.PartID
	seen := map[netlist.NetID]bool{b.Ground: true}
	var nets []netlist.NetID
	for _, o := range out {
		if n, err := b.NetByName(o.Net); err == nil && !seen[n] {
			seen[n] = true
			nets = append(nets, n)
		}
	}
	for i := 0; i < len(nets); i++ {
		for _, t := range b.Nets[nets[i]].Terminals {
			p := &b.Parts[t.Part]
			if network.Pinned(p.Kind) {
				if !slices.Contains(ics, t.Part) {
					ics = append(ics, t.Part)
				}
				continue
			}
			if !slices.Contains(parts, t.Part) {
				parts = append(parts, t.Part)
			}
			for _, other := range p.Terminals {
				if p.Kind.Class() == netlist.Series && other.Net != netlist.None && !seen[other.Net] && !b.Nets[other.Net].Rail {
					seen[other.Net] = true
					nets = append(nets, other.Net)
				}
			}
		}
	}
	return append(parts, ics...)
}

// lineNets lists the nets of those parts, nearest first.
func lineNets(d *Session, parts []netlist.PartID) []netlist.NetID {
	var nets []netlist.NetID
	for _, p := range parts {
		for _, t := range d.sim.board.Parts[p].Terminals {
			if t.Net != netlist.None && t.Net != d.sim.board.Ground && !slices.Contains(nets, t.Net) {
				nets = append(nets, t.Net)
			}
		}
	}
	return nets
}

// outward reads every point of the line from the connector on, looks at every
// part, and then replaces the parts one after the other, as they come, until the
// pins read right.
func outward(d *Session, _ *Diagnoses, _ *rand.Rand) error {
	out, err := pinsOut(d)
	if err != nil || len(out) == 0 {
		return closeWith(d, "nothing", "none", err)
	}
	parts := lineParts(d, out)
	for _, n := range lineNets(d, parts) {
		if _, ok := d.Engine.Touch(n); ok {
			if _, err := d.Read(d.sim.board.Nets[n].Name, "", references.RedOnGround, false); err != nil {
				return err
			}
		}
	}
	repaired, err := repairedNow(d, out) // that was not a passing thing
	if err != nil || repaired {
		return closeWith(d, "nothing", "none", err)
	}
	for _, p := range parts {
		name := d.sim.board.Parts[p].Name
		if network.Pinned(d.sim.board.Parts[p].Kind) {
			if err := d.on(journal.KindReplace, name); err != nil {
				return err
			}
		} else {
			if err := d.on(journal.KindRemove, name); err != nil {
				return err
			}
			if err := d.on(journal.KindReplace, name); err != nil {
				return err
			}
		}
		repaired, err := repairedNow(d, out)
		if err != nil || repaired {
			return closeWith(d, d.word(p, out), "replace", err)
		}
	}
	for _, o := range out {
		if err := d.on(journal.KindClean, o.At); err != nil {
			return err
		}
		repaired, err := repairedNow(d, out)
		if err != nil || repaired {
			return closeWith(d, o.At+" open joint", "resolder", err)
		}
	}
	return closeWith(d, d.word(parts[0], out), "none", nil)
}

// word puts a mode to a part by whether the first outlying pin read higher or lower
// than good.
func (d *Session) word(p netlist.PartID, out []diagnose.Comparison) string {
	name := d.sim.board.Parts[p].Name
	for _, mode := range map[bool][]string{true: {"open", "open joint"}, false: {"shorted", "leaky"}}[out[0].Verdict == diagnose.IsOpen || out[0].Verdict == diagnose.High] {
		for i := range d.loci {
			for _, r := range d.loci[i].Modes {
				if d.loci[i].Part == p && r.Mode.String() == mode {
					return name + " " + mode
				}
			}
		}
	}
	return name
}

func closeWith(d *Session, verdict, remedy string, err error) error {
	if err != nil {
		return err
	}
	_, err = d.Close(verdict, remedy)
	return err
}

// random does what comes to mind, reading, looking, removing and replacing on the
// line of the outlying pins, until it reads right or patience is over.
func random(d *Session, _ *Diagnoses, r *rand.Rand) error {
	out, err := pinsOut(d)
	if err != nil || len(out) == 0 {
		return closeWith(d, "nothing", "none", err)
	}
	parts := lineParts(d, out)
	nets := lineNets(d, parts)
	for range 24 {
		p := parts[r.IntN(len(parts))]
		name := d.sim.board.Parts[p].Name
		switch r.IntN(4) {
		case 0, 1:
			n := nets[r.IntN(len(nets))]
			if _, ok := d.Engine.Touch(n); ok {
				_, err = d.Read(d.sim.board.Nets[n].Name, "", references.RedOnGround, false)
			}
		case 2:
			_, err = d.Look(name)
		case 3:
			if err = d.on(journal.KindReplace, name); err != nil {
				break
			}
			var repaired bool
			if repaired, err = repairedNow(d, out); err == nil && repaired {
				return closeWith(d, d.word(p, out), "replace", nil)
			}
		}
		if err != nil {
			return err
		}
	}
	return closeWith(d, d.word(parts[0], out), "none", nil)
}

// guess names a part of the line out of hand and has it replaced.
func guess(d *Session, _ *Diagnoses, r *rand.Rand) error {
	parts := make([]netlist.PartID, len(d.sim.board.Parts))
	for i := range parts {
		parts[i] = netlist.PartID(i)
	}
	if out, err := pinsOut(d); err != nil {
		return err
	} else if len(out) > 0 {
		parts = lineParts(d, out)
	}
	return closeWith(d, d.sim.board.Parts[parts[r.IntN(len(parts))]].Name, "replace", nil)
}

// manyCases are enough to tell the students apart.
const manyCases = 200

// Scores rank the five students as they ought to: those who think before those
// who try, and those who try before those who guess.
//
// HALFSPLIT_CASES=500 go test ./engine/practice/lesson -run TestScoresRankStudents -v
func TestScoresRankStudents(t *testing.T) {
	cases := 10
	if testing.Short() {
		cases = 5
	}
	if n, err := strconv.Atoi(os.Getenv("HALFSPLIT_CASES")); err == nil && n > 0 {
		cases = n
	}
	type sum struct{ points, squares, behind, behinds, right, repaired, seconds, lost float64 } // behind: the student before, on the same case
	sums := make([]sum, len(students))
	n := 0.0
	for seed := uint64(1); n < float64(cases); seed++ {
		c := made(t, small(t, Mixed, min(cases-int(n), 50), seed))
		results := make([][]*Score, len(c.Cases))
		index := map[*Case]int{}
		for i, x := range c.Cases {
			index[x] = i
		}
		each(c.Cases, func(x *Case) {
			for k := range students {
				s, err := c.marks(x, students[k].play, practice.Random(seed, fmt.Sprint("student ", k, x.File.Number)))
				if err != nil {
					t.Errorf("%s on %s: %v", students[k].name, x.key, err)
					s = &Score{}
				}
				results[index[x]] = append(results[index[x]], s)
			}
		})
		for i := range c.Cases {
			n++
			for k, s := range results[i] {
				x := &sums[k]
				x.points += s.Points
				x.squares += s.Points * s.Points
				if k > 0 {
					by := results[i][k-1].Points - s.Points
					x.behind, x.behinds = x.behind+by, x.behinds+by*by
				}
				x.right += s.Part
				x.seconds += s.Seconds
				if s.Repaired {
					x.repaired++
				}
				for _, step := range s.Steps {
					x.lost += step.Lost
				}
				if done := s.Repaired && s.Part == 1; done && (s.Best == nil || *s.Best > s.Seconds || k < len(ways) && c.Cases[i].Answer.better(s.Seconds)) {
					t.Errorf("case %s: %s took %.0f s, less than what is called best known", c.Cases[i].key, students[k].name, s.Seconds)
				}
				if len(s.Doubts) > 0 {
					t.Errorf("case %s: the record of an honest student is doubted: %v", c.Cases[i].key, s.Doubts)
				}
			}
		}
	}
	t.Logf("%.0f cases", n)
	spare := 0.0
	if n < manyCases {
		spare = 10 // points: the two best differ by less than so few cases tell
	}
	for k, x := range sums {
		mean := x.points / n
		behind := x.behind / n
		// Intervals hold 95 %, by the normal distribution of a mean; the distance is of
		// pairs, the same case played by both.
		half := func(squares, mean float64) float64 {
			return 1.96 * math.Sqrt(math.Max(0, squares/n-mean*mean)/n)
		}
		t.Logf("%-10s points %5.1f ± %.1f, behind the one before by %5.2f ± %.2f   right %3.0f %%   repaired %3.0f %%   %5.0f s, of which %5.0f given away", students[k].name, mean,
			half(x.squares, mean), behind, half(x.behinds, behind), 100*x.right/n, 100*x.repaired/n, x.seconds/n, x.lost/n)
		if k > 0 && x.points >= sums[k-1].points+spare*n {
			t.Errorf("%s scores no less than %s", students[k].name, students[k-1].name)
		}
	}
}

// marks lets a student work on a case and scores the record.
func (c *Class) marks(x *Case, play func(*Session, *Diagnoses, *rand.Rand) error, r *rand.Rand) (*Score, error) {
	d, err := c.begin(x)
	if err != nil {
		return nil, err
	}
	m := NewDiagnoses(c.engine)
	if x.diagnoses != nil { // the sweep that the board came with means the same to all
		m.after[sweepEvent] = x.diagnoses.after[sweepEvent]
	}
	if err := play(d, m, r); err != nil {
		return nil, err
	}
	return scoreRecord(d.Case(), d.sim, c.loci, &x.Answer, m, d.Costs)
}
