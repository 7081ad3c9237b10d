package references

import (
	"crypto/sha256"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/parallel"
	"halfsplit/netlist/quantity"
)

// Finding is one thing that Library.Check noticed.
type Finding struct {
	Severity string `json:"severity"` // one of the Severity constants
	Kind     string `json:"kind"`     // one of the Kind constants
	Sweep    string `json:"file"`     // file of the sweep; empty where it concerns the library
	At       string `json:"at"`       // points or connector; empty where it concerns a whole sweep
	Seen     string `json:"seen"`     // what was noticed, in numbers
	Do       string `json:"do"`       // what to do about it
	// Confidence is the probability, from 0 to 1, that the finding is right;
	// 1 for plain facts such as gaps.
	Confidence float64 `json:"confidence"`
}

// Kinds of findings.
const (
	KindOutlier   = "outlier"        // one reading far from those of other boards
	KindPolarity  = "wrong polarity" // the probes were the other way round than the file says
	KindLayout    = "wrong pins"     // a connector counted from the wrong end, or one pin off
	KindSwap      = "swapped pins"   // readings of two neighbouring pins exchanged
	KindDrift     = "drift"          // the meter, or the warmth of the board, moves all readings
	KindRevision  = "wrong revision" // reads like another revision
	KindUnusual   = "unusual board"  // too many readings differ for a good board of this revision
	KindDuplicate = "duplicate"      // the same readings twice
	KindAlone     = "not compared"   // no other sweep with a comparable meter
	KindGap       = "gap"            // points that nobody has read
	KindFew       = "few boards"     // points read on fewer boards than sweeps are compared with
	KindUnlike    = "unlike"         // lines said to be matched read differently
	KindMeter     = "meter apart"    // a meter reads unlike the others of the team
	KindEdited    = "edited"         // a file was changed after it was added
	KindTwice     = "one net twice"  // two points of one net read unlike in one sweep
	KindAside     = "set aside"      // files that are no sweeps of this board and revision
	KindWithdrawn = "withdrawn"      // a sweep that somebody took out of use
	KindDrawing   = "board file"     // what good boards show against it; found by others
	KindUnsaid    = "not said"       // what files leave to be assumed
	KindCoarse    = "coarse"         // readings rounded, as by a wrong range of the meter
	KindNamesake  = "two boards"     // sweeps under one sample name that are not of one board
)

// Severities, the gravest first: a Fault makes readings wrong and should be
// repaired or withdrawn, a Doubt should be looked at, a Note tells what is missing.
const (
	SeverityFault = "fault"
	SeverityDoubt = "doubt"
	SeverityNote  = "note"
)

const (
	// fewNames is how many files or pins a finding names.
	fewNames = 8

	// maxPeers bounds the work on large libraries: a sweep is compared with
	// this many others, spread evenly over the list.
	maxPeers = 50
)

// Check compares every sweep with the others and returns what does not fit: the
// gravest first, then by file and point.
//
// Sweeps are compared with sweeps of other boards in the same polarity and with
// a like meter, at the same temperature as far as the files say it. The whole
// pattern of a sweep is weighed first (see explain); single outliers are
// reported only where no such explanation covers them.
func (l *Library) Check() []Finding { return l.CheckWatched(nil) }

// CheckWatched is Check, which calls watch now and then with the number of sweeps
// checked so far and in all, for a progress bar. The calls come one after the
// other.
func (l *Library) CheckWatched(watch func(done, total int)) []Finding {
	whole := []func() []Finding{l.duplicates, l.namesakes, l.coarse, l.unlike, l.meterFindings, l.edits, l.unsaid, l.leftOut, l.coverage}
	ofWhole := make([][]Finding, len(whole))
	var all sync.WaitGroup
	for i, check := range whole {
		all.Go(func() { ofWhole[i] = check() })
	}
	var findings []Finding
	done := 0
	for _, g := range l.groups() {
		findings = append(findings, l.checkGroup(g, func(of int) {
			if watch != nil {
				watch(done+of, len(l.Sweeps))
			}
		})...)
		done += len(g.sweeps)
	}
	all.Wait()
	findings = append(findings, slices.Concat(ofWhole...)...)
	rank := []string{SeverityFault, SeverityDoubt, SeverityNote}
	slices.SortStableFunc(findings, func(a, b Finding) int {
		if c := slices.Index(rank, a.Severity) - slices.Index(rank, b.Severity); c != 0 {
			return c
		}
		return strings.Compare(a.Sweep, b.Sweep)
	})
	return findings
}

// checkGroup checks the sweeps of a group; findings come in the order of the sweeps.
// Where more than a few of the sweeps compared with are wrong as a whole, all are checked
// again without those, which make the others seem to differ more than they do. It calls
// watch with the number of sweeps that are done.
func (l *Library) checkGroup(g *group, watch func(done int)) []Finding {
	found, wrong := l.checkAgainst(g, watch)
	bad := 0
	for _, s := range g.compared {
		if wrong[s] {
			bad++
		}
	}
	if 20*bad > len(g.compared) { // fewer than one in twenty are trimmed well enough
		g.compare(wrong)
		found, _ = l.checkAgainst(g, nil)
	}
	return found
}

// checkAgainst checks the sweeps of a group against its peers with a worker for each
// processor, and tells those that are wrong as a whole. It tells watch, where it is not
// nil, how many are done.
func (l *Library) checkAgainst(g *group, watch func(done int)) (findings []Finding, wrong map[*Sweep]bool) {
	found, whole := make([][]Finding, len(g.sweeps)), make([]bool, len(g.sweeps))
	own := make([]group, parallel.Workers(8, len(g.sweeps)))
	for k := range own {
		own[k] = *g
		own[k].known = make(map[knownKey]*Predictive) // what a worker works out
		own[k].turned = make(map[knownKey]*Predictive)
	}
	parallel.Watched(len(own), len(g.sweeps), watch, func(k, i int) {
		found[i], whole[i] = l.checkSweep(g.sweeps[i], &own[k])
	})
	wrong = make(map[*Sweep]bool)
	for i, is := range whole {
		if is {
			wrong[g.sweeps[i]] = true
		}
	}
	return slices.Concat(found...), wrong
}

// groups sorts the sweeps into those that may be compared, in the order in which
// each group's first sweep stands in the library.
func (l *Library) groups() []*group {
	var groups []*group
	byClass := make(map[class]*group)
	pinouts := pinoutsOf(l.board)
	for _, s := range l.Sweeps {
		key := classOf(s)
		g := byClass[key]
		if g == nil {
			g = &group{pinouts: pinouts, revisions: l.revisions(key.polarity)}
			byClass[key] = g
			groups = append(groups, g)
		}
		g.sweeps = append(g.sweeps, s)
	}
	for _, g := range groups {
		g.compare(nil)
	}
	return groups
}

// compare chooses the sweeps to compare with, none of those that are wrong.
func (g *group) compare(wrong map[*Sweep]bool) {
	sweeps := slices.DeleteFunc(slices.Clone(g.sweeps), func(s *Sweep) bool { return wrong[s] })
	g.peers, g.compared, g.boards = make(map[place][]peer), nil, make(map[string]bool)
	step := max(1, float64(len(sweeps))/(maxPeers+1))
	for i := 0.0; int(i) < len(sweeps); i += step {
		s := sweeps[int(i)]
		g.compared, g.boards[s.BoardName()] = append(g.compared, s), true
		for _, r := range s.Readings {
			at := placeOf(r.At, s.State.Polarity)
			g.peers[at] = append(g.peers[at], peer{volts: roomVolts(s, r), board: s.BoardName()})
		}
	}
}

// checkSweep looks at one sweep among its group, and tells whether it is wrong as a
// whole.
func (l *Library) checkSweep(s *Sweep, g *group) (findings []Finding, whole bool) {
	others := false
	for _, r := range s.Readings {
		others = others || g.reference(placeOf(r.At, s.State.Polarity), s.BoardName()) != nil
	}
	if !others {
		return append(l.twice(s, nil), Finding{
			Kind: KindAlone, Severity: SeverityNote, Sweep: s.File, Confidence: 1,
			Seen: fmt.Sprintf("fewer than %d other boards were read %s with a comparable meter", minPeers, s.State.Polarity),
			Do:   "sweep more good boards with this meter; until then mistakes in this file cannot be seen",
		}), false
	}
	findings, covered := l.explain(s, g)
	if covered == nil {
		return findings, true
	}
	findings = append(findings, l.outliers(s, g, covered)...)
	return append(findings, l.twice(s, covered)...), false
}

// outliers reports single readings that are too far from those of other boards,
// leaving out the indices of readings that are covered by another finding, and adds
// its own to them.
func (l *Library) outliers(s *Sweep, g *group, covered map[int]bool) []Finding {
	var findings []Finding
	rate := outlierRate / float64(len(s.Readings))
	for i, r := range s.Readings {
		p := g.reference(placeOf(r.At, s.State.Polarity), s.BoardName())
		if p == nil || covered[i] {
			continue
		}
		chance := p.asFarOut(roomVolts(s, r), s.Meter.Over)
		if chance >= rate {
			continue
		}
		covered[i] = true
		severity := SeverityDoubt
		right := math.Exp(p.logProbOf(roomVolts(s, r), s.Meter.Over))
		wrong := anywhere(roomVolts(s, r))
		sure := strayShare * wrong / (strayShare*wrong + (1-strayShare)*right)
		if sure < doubtAt {
			severity = SeverityNote
		}
		findings = append(findings, Finding{
			Kind: KindOutlier, Severity: severity, Sweep: s.File, At: r.Name,
			Seen:       fmt.Sprintf("reads %s where other boards read %s", quantity.FormatReading(r.Reading), p.describe()),
			Do:         "read the point again on that board; withdraw the sweep if the board is not good",
			Confidence: sure,
		})
	}
	return findings
}

// asFarOut is the probability of a reading (NaN for OL) as far out as this one,
// on either side.
func (p Predictive) asFarOut(volts, over float64) float64 {
	known := !math.IsNaN(p.Center)
	switch {
	case math.IsNaN(volts) && known && p.OverloadShare < 0.1:
		// No other board read OL: only a voltage beyond the display explains it.
		return p.Voltage().Upper(over)
	case math.IsNaN(volts):
		return 1
	case !known:
		// Boards that read OL may read a voltage just below the display limit.
		if volts < 0.9*over {
			return 0
		}
		return 1
	}
	t := p.Voltage()
	return 2 * math.Min(t.CDF(volts), t.Upper(volts))
}

// describe is what other boards read, for people: "0.452 V +- 9 mV (5 boards)".
func (p Predictive) describe() string {
	boards := fmt.Sprintf("%d boards", p.N)
	if p.N == 1 {
		boards = "1 board"
	}
	if math.IsNaN(p.Center) {
		return "OL (" + boards + ")"
	}
	return fmt.Sprintf("%.3f V +- %.0f mV (%s)", p.Center, 1000*p.Scale, boards)
}

// duplicates reports sweeps with the same readings. Different boards agree by
// chance on a point with probability about resolution/(2 sqrt(pi) spread), the
// chance that two normal values fall on one count; the product over the points,
// times the number of pairs, must stay below duplicateRate.
func (l *Library) duplicates() []Finding {
	first := make(map[[sha256.Size]byte]*Sweep)
	known := make(map[place]Predictive)
	pairs := float64(len(l.Sweeps)) * float64(len(l.Sweeps)-1) / 2
	var findings []Finding
	for _, s := range l.Sweeps {
		print := s.fingerprint()
		before, twice := first[print]
		if !twice {
			first[print] = s
			continue
		}
		expected := pairs
		for _, r := range s.Readings {
			at := placeOf(r.At, s.State.Polarity)
			p, done := known[at]
			if !done {
				p = PredictSamples(l.places[at])
				known[at] = p
			}
			if !r.Reading.Overload && p.Scale > 0 {
				expected *= math.Min(1, s.Meter.Resolution/(2*math.Sqrt(math.Pi)*p.Scale))
			}
		}
		if expected > duplicateRate {
			continue
		}
		findings = append(findings, Finding{
			Kind: KindDuplicate, Severity: SeverityDoubt, Sweep: s.File,
			Seen:       fmt.Sprintf("has the same %d readings as %s", len(s.Readings), before.File),
			Do:         "keep one of the two files: a copy counts as another board and makes the spread look small",
			Confidence: 1 / (1 + expected),
		})
	}
	return findings
}

// coarse reports sweeps whose voltages all end in 0, where the display has a count
// more: the meter was in a coarser range, or somebody rounded. Of good readings one in
// ten does.
func (l *Library) coarse() []Finding {
	var findings []Finding
	for _, s := range l.Sweeps {
		step, round, n := 10*s.Meter.Resolution, true, 0
		for _, r := range s.Readings {
			if v := r.Reading.Value; !r.Reading.Overload && v > step {
				n++
				round = round && math.Abs(v-step*math.Round(v/step)) < s.Meter.Resolution/10
			}
		}
		sure := priorCoarse / (priorCoarse + (1-priorCoarse)*math.Pow(0.1, float64(n)))
		if round && sure >= explainAt {
			findings = append(findings, Finding{
				Kind: KindCoarse, Severity: SeverityDoubt, Sweep: s.File, Confidence: sure,
				Seen: fmt.Sprintf("all %d voltages are multiples of %s, where the display shows %s", n, quantity.Format(step, quantity.Volt), quantity.Format(s.Meter.Resolution, quantity.Volt)),
				Do:   "read it again in the range of the meter with the most digits, or give the meter's `resolution`",
			})
		}
	}
	return findings
}

// namesakes reports sweeps under one sample name, taken with like meters, that differ
// as two boards do and not as one board does that is read twice: one of them has a
// wrong name, and would hide how boards differ.
func (l *Library) namesakes() []Finding {
	type key struct {
		class
		sample string
	}
	first := make(map[key]*Sweep)
	var findings []Finding
	for _, s := range l.Sweeps {
		k := key{classOf(s), s.Sample}
		before := first[k]
		if before == nil || s.Sample == "" {
			first[k] = s
			continue
		}
		read := make(map[string]float64, len(before.Readings))
		for _, r := range before.Readings {
			read[r.Name] = roomVolts(before, r)
		}
		meters := 0.0 // as a share of the reading; what they have in common falls out
		if s.MeterName() != before.MeterName() {
			meters = math.Hypot(s.Meter.Gain, before.Meter.Gain) / math.Sqrt(3)
		}
		var apart, volts []float64
		for _, r := range s.Readings {
			v := roomVolts(s, r)
			if d := v - read[r.Name]; v > 0.2 && read[r.Name] > 0.2 { // not OL either
				apart, volts = append(apart, d), append(volts, v)
			}
		}
		shift, odds := Median(apart), 0.0
		for i, d := range apart {
			density := func(sigma float64) float64 {
				return math.Log((1-strayShare)*math.Exp(StudentT{Scale: sigma, DF: math.Inf(1)}.LogProb(d-shift)) + strayShare*anywhere(volts[i]))
			}
			one := math.Hypot(sameBoard, meters*volts[i])
			odds += density(math.Hypot(one, math.Sqrt2*DefaultSpread(volts[i]))) - density(one)
		}
		sure := priorNamesake / (priorNamesake + (1-priorNamesake)*math.Exp(-odds))
		if sure >= explainAt {
			findings = append(findings, Finding{
				Kind: KindNamesake, Severity: SeverityDoubt, Sweep: s.File, Confidence: sure,
				Seen: fmt.Sprintf("differs from %s as another board would, and both name sample %s", before.File, document.Quote(s.Sample)),
				Do:   "look which boards they were; withdraw the sweep with the wrong name and add it under the right one",
			})
		}
	}
	return findings
}

// fingerprint is a digest that two sweeps share when they hold the same readings,
// in whatever order.
func (s *Sweep) fingerprint() [sha256.Size]byte {
	readings := s.Readings
	byName := func(a, b PointReading) int { return strings.Compare(a.Name, b.Name) }
	if !slices.IsSortedFunc(readings, byName) {
		readings = slices.SortedStableFunc(slices.Values(readings), byName)
	}
	text := []byte(s.State.Polarity.String())
	for _, r := range readings {
		text = append(append(text, ';'), r.Name...)
		text = strconv.AppendFloat(append(text, '='), r.Reading.Value, 'f', 6, 64)
		text = strconv.AppendBool(append(text, ','), r.Reading.Overload)
	}
	return sha256.Sum256(text)
}

// unlike reports groups that the board file says read alike but do not. Two
// lines are compared by the difference of their mean readings.
func (l *Library) unlike() []Finding {
	var findings []Finding
	for _, lines := range l.board.Matched {
		for _, pol := range []Polarity{RedOnGround, BlackOnGround} {
			var first netlist.NetID = netlist.None
			var base Predictive
			for _, id := range lines {
				p := PredictSamples(l.places[place{polarity: pol, net: id}])
				if p.N == 0 {
					continue
				}
				if first == netlist.None {
					first, base = id, p
					continue
				}
				chance, sure := differ(base, p)
				if chance >= unlikeRate || sure < explainAt {
					continue
				}
				findings = append(findings, Finding{
					Kind: KindUnlike, Severity: SeverityDoubt, At: l.board.Nets[id].Name,
					Seen:       fmt.Sprintf("reads %s %s, and %s, said to be matched, %s", p.describe(), pol, document.Quote(l.board.Nets[first].Name), base.describe()),
					Do:         "take the line out of `matched` in the board file, or read both again",
					Confidence: sure,
				})
			}
		}
	}
	return findings
}

// edits reports files that hold something else than when Add named them.
func (l *Library) edits() []Finding {
	var findings []Finding
	for _, s := range l.Sweeps {
		if l.edited[s.File] {
			findings = append(findings, Finding{
				Kind: KindEdited, Severity: SeverityDoubt, Sweep: s.File, Confidence: 1,
				Seen: "holds another text than when it was added: the digest in its name does not fit",
				Do:   "take the file back as it was; add the correction as a new sweep, and withdraw the old one if it is wrong",
			})
		}
	}
	return findings
}

// twice reports points of one net that read unlike in one sweep: copper joins them,
// so that one of the two readings is wrong, or the board is broken there. Readings
// that another finding is about are left out.
func (l *Library) twice(s *Sweep, covered map[int]bool) []Finding {
	var findings []Finding
	first := make(map[netlist.NetID]int, len(s.Readings))
	for i, r := range s.Readings {
		if r.At.Net == netlist.None || covered[i] {
			continue
		}
		k, before := first[r.At.Net]
		if !before {
			first[r.At.Net] = i
			continue
		}
		a, b := s.Readings[k].Reading, r.Reading
		apart := math.Abs(a.Value-b.Value) > twiceLimit+twiceShare*math.Max(a.Value, b.Value)
		if a.Overload == b.Overload && (a.Overload || !apart) {
			continue
		}
		findings = append(findings, Finding{
			Kind: KindTwice, Severity: SeverityDoubt, Sweep: s.File, At: s.Readings[k].Name + ", " + r.Name, Confidence: 1,
			Seen: fmt.Sprintf("read %s and %s, though both lie on %s", quantity.FormatReading(a), quantity.FormatReading(b), document.Quote(l.board.Nets[r.At.Net].Name)),
			Do:   "read both points again; if they stay apart, the board has a break between them or the board file is wrong",
		})
	}
	return findings
}

// unsaid reports in how many sweeps the current of the meter, the polarity and the
// temperature are assumed.
func (l *Library) unsaid() []Finding {
	var parts []string
	for _, x := range []struct{ key, assumed string }{{"test_current", "1 mA"}, {"polarity", RedOnGround.String()}, {"temperature", quantity.Format(RoomCelsius, quantity.Celsius)}} {
		n := 0
		for _, s := range l.Sweeps {
			if slices.Contains(s.Unsaid, x.key) {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%s in %d of %d sweeps (%s)", x.key, n, len(l.Sweeps), x.assumed))
		}
	}
	if parts == nil {
		return nil
	}
	return []Finding{{
		Kind: KindUnsaid, Severity: SeverityNote, Confidence: 1,
		Seen: "assumed, for no file says it: " + strings.Join(parts, ", "),
		Do:   "say it in the next sweeps; meters of different currents that are taken for one make the library wrong",
	}}
}

// leftOut reports the files that count for nothing: those set aside, one finding
// for each reason, and those withdrawn.
func (l *Library) leftOut() []Finding {
	var findings []Finding
	byReason := make(map[string][]string)
	var reasons []string
	for _, s := range l.Skipped {
		if byReason[s.Why] == nil {
			reasons = append(reasons, s.Why)
		}
		name := s.File
		if rel, err := filepath.Rel(l.Dir, s.File); err == nil && rel != "." {
			name = rel
		}
		byReason[s.Why] = append(byReason[s.Why], document.Printable(name))
	}
	for _, why := range reasons {
		files := byReason[why]
		findings = append(findings, Finding{
			Kind: KindAside, Severity: SeverityNote, Confidence: 1,
			Seen: why + ": " + document.Few(files, fewNames),
			Do:   "nothing, if they belong there; otherwise put sweeps of this board into the folder itself, with its name and revision",
		})
	}
	for _, w := range l.Withdrawn {
		by := ""
		if w.By != "" {
			by = " by " + document.Printable(w.By)
		}
		if !w.Time.IsZero() {
			by += " on " + w.Time.Format(time.DateOnly)
		}
		findings = append(findings, Finding{
			Kind: KindWithdrawn, Severity: SeverityNote, Sweep: w.File, At: strings.Join(w.Points, ", "), Confidence: 1,
			Seen: "taken out of use" + by + ": " + document.PrintableWords(w.Why),
			Do:   "remove " + document.Printable(filepath.Base(w.Note)) + " to use it again",
		})
	}
	return findings
}

// coverage reports, connector by connector, pins that nobody has read and pins
// that were read on fewer boards than the check of a sweep needs. Pins that are not
// connected are left out. The other polarity is reported only on connectors where
// somebody has begun with it.
func (l *Library) coverage() []Finding {
	var findings []Finding
	for c, connector := range l.board.Connectors {
		for _, pol := range []Polarity{RedOnGround, BlackOnGround} {
			var unread, few []string
			pins, least := 0, minPeers
			for i, pin := range connector.Pins {
				if pin.Net == netlist.None {
					continue
				}
				pins++
				at := l.board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)})
				name, boards := connector.Name+"."+pin.Name, l.boards(at, pol)
				switch {
				case boards == 0:
					unread = append(unread, name)
				case boards <= minPeers:
					few, least = append(few, name), min(least, boards)
				}
			}
			if pol == BlackOnGround && len(unread) == pins {
				continue
			}
			if len(unread) > 0 {
				findings = append(findings, Finding{
					Kind: KindGap, Severity: SeverityNote, At: connector.Name, Confidence: 1,
					Seen: fmt.Sprintf("%d of %d pins were never read %s: %s", len(unread), pins, pol, document.Few(unread, fewNames)),
					Do:   "read them on a good board; without known good a pin is judged by the model alone",
				})
			}
			if len(few) > 0 {
				findings = append(findings, Finding{
					Kind: KindFew, Severity: SeverityNote, At: connector.Name, Confidence: 1,
					Seen: fmt.Sprintf("%d of %d pins were read %s on fewer than %d boards, the least on %d: %s", len(few), pins, pol, minPeers+1, least, document.Few(few, fewNames)),
					Do:   fmt.Sprintf("sweep more good boards: below %d, nobody can tell which of two is wrong, and how boards differ is assumed", minPeers+1),
				})
			}
		}
	}
	return findings
}

// boards counts the boards that a point was read on.
func (l *Library) boards(at netlist.Point, pol Polarity) int {
	names := make(map[string]bool)
	for _, s := range l.At(at, pol) {
		names[s.Sweep.BoardName()] = true
	}
	return len(names)
}
