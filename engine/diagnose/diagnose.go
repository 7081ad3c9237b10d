// Package diagnose tells what the readings of a case mean.
//
// A Basis is a board with what good boards say about it. Inquire turns the readings of a
// case into observations, predicts each for a good board and for each fault
// (engine/fault), and gives verdicts, explanations and suspects, or says that the readings
// cannot be those of the board. Compare, Predict, PredictAt and Turned answer smaller
// questions on the same basis. What to do next is for engine/repair.
package diagnose

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// How much of the answer is listed.
const (
	listedExplanations = 20
	leastExplanation   = 1e-3
	LeastSuspect       = 2e-3
	listedReasons      = 4
	listedUnseen       = 24
)

// Inquiry is one diagnosis under way.
type Inquiry struct {
	*Basis
	Case      *journal.Case
	Taken     []Taken             // the readings of the case, in order
	Obs       []fault.Observation // what Taken is to the search, in an order of its own
	Physics   *fault.Physics
	Result    *fault.Result  // of the search; nil where the readings are implausible
	Evidence  fault.Evidence // looks, injections and the like
	Edits     netlist.Edits  // the board as it lies now
	Stages    []journal.Stage
	Likeliest []*fault.Fault // by suspect: the likeliest of its faults
}

// Inquire weighs what could explain the readings of a case. Where the readings are not
// those of the board, nothing is concluded and the findings say so.
func (e *Basis) Inquire(c *journal.Case) (*Inquiry, *Findings, error) {
	q := &Inquiry{Basis: e, Case: c, Stages: c.Stages()}
	last := q.Stages[len(q.Stages)-1]
	q.Edits = last.Edits
	d := &Findings{Board: e.Board.Name, Revision: e.Board.Revision,
		Abnormal: []Abnormal{}, Explanations: []Explanation{}, Suspects: []Suspect{}, Unseen: []Unseen{}, Cautions: []string{}, Notes: []string{}, Unread: []string{}}
	var err error
	q.Taken, q.Obs = e.observe(c)
	if q.Physics, err = e.physics(q.Obs); err != nil {
		return nil, nil, err
	}
	d.Readings = e.compare(q.Taken, q.Obs)
	q.cautions(d)
	if d.Implausible = e.implausibleAtSight(c, d.Readings); d.Implausible != nil {
		q.abnormal(d)
		return q, d, nil
	}
	q.Evidence = q.evidence()
	if q.Result, err = fault.Search(e.Model, e.Priors, q.Physics, q.Obs, q.Evidence); err != nil {
		return nil, nil, err
	}
	d.Readings = e.compare(q.Taken, q.Obs)
	q.abnormal(d)
	if d.Implausible, err = q.leftOver(d); d.Implausible != nil || err != nil {
		return q, d, err
	}
	q.explanations(d)
	if err := q.suspects(d); err != nil {
		return nil, nil, err
	}
	q.concerned(d)
	q.unseen(d)
	q.notes(d)
	return q, d, nil
}

// concerns lists the nets that the complaint concerns, in the order of the board: those
// that the case names, or else those of the pins concerned.
func (q *Inquiry) concerns() []netlist.NetID {
	if named := q.Case.Concerns(); named != nil {
		return named
	}
	var nets []netlist.NetID
	for _, pin := range q.concernedPins() {
		nets = append(nets, pin.Net)
	}
	slices.Sort(nets)
	return slices.Compact(nets)
}

// concernedPins lists the pins that the complaint concerns: those of the nets that the case
// names; where it names none, of the connectors with a pin read or, where no pin was, with one
// on a line that was; but ground and pins that are not connected.
func (q *Inquiry) concernedPins() (pins []netlist.Point) {
	connectors := map[netlist.ConnectorID]bool{}
	for i := range q.Taken {
		if t := &q.Taken[i]; t.Read.To == nil && t.Read.At.Kind == netlist.PointPin {
			connectors[t.Read.At.Pin.Connector] = true
		}
	}
	if len(connectors) == 0 && q.Posterior.Covers(references.RedOnGround) { // what good boards tell of the pins
		for i := range q.Taken {
			at := q.Taken[i].Read.At.Net
			if at == netlist.None || at == q.Board.Ground {
				continue
			}
			for _, n := range q.Model.Line(at) {
				for _, pin := range q.Board.Nets[n].Pins {
					connectors[pin.Connector] = true
				}
			}
		}
	}
	named := q.Case.Concerns()
	for c := range q.Board.Connectors {
		for i, pin := range q.Board.Connectors[c].Pins {
			concerned := connectors[netlist.ConnectorID(c)]
			if named != nil {
				concerned = slices.Contains(named, pin.Net)
			}
			if pin.Net != netlist.None && pin.Net != q.Board.Ground && concerned {
				pins = append(pins, q.Board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}))
			}
		}
	}
	return pins
}

// concerned counts the points that the complaint concerns and lists those that were not
// read: the pins concerned, and a point of each net that the case names and no pin is on.
func (q *Inquiry) concerned(d *Findings) {
	done, read := map[netlist.Point]bool{}, map[netlist.NetID]bool{}
	for i := range q.Taken {
		if t := &q.Taken[i]; t.Read.To == nil {
			done[t.Read.At], read[t.Read.At.Net] = true, true
		}
	}
	pinned := map[netlist.NetID]bool{}
	add := func(p netlist.Point, done bool) {
		if d.Pins++; !done {
			d.Unread = append(d.Unread, q.Board.PointName(p))
		}
	}
	for _, p := range q.concernedPins() {
		add(p, done[p])
		pinned[p.Net] = true
	}
	for _, n := range q.Case.Concerns() {
		if points := q.Board.PointsOn(n); !pinned[n] && len(points) > 0 {
			add(points[0], read[n])
		}
	}
}

// NothingWrong gives the probability that there is nothing left to do while no point was
// last read out of range: the readings show no fault, or one that was dealt with and proven
// since, or a probe missed its pad.
func (q *Inquiry) NothingWrong() float64 {
	sum, proven := 0.0, q.FurthestUnread(nil) < 0
	for i := range q.Result.Explanations {
		x := &q.Result.Explanations[i]
		if len(x.Faults) == 0 || proven && !slices.ContainsFunc(x.Faults, func(f fault.Fault) bool { return f.Mode != fault.Missed && !Cured(&f, q.Board, q.Edits) }) {
			sum += x.Probability
		}
	}
	return sum
}

// FurthestUnread gives the reading furthest off, of the observations among (nil for all),
// that was not taken again with the board as it lies now; -1 where all were. What they read
// now is for the explanations to weigh.
func (q *Inquiry) FurthestUnread(among []int) int {
	type way struct {
		at, to netlist.Point
		pol    references.Polarity
		ohmic  bool
	}
	wayOf := func(r *journal.Read) way {
		w := way{at: r.At, pol: r.Polarity, ohmic: r.Reading.Unit == quantity.Ohm}
		if r.To != nil {
			w.to = *r.To
		}
		return w
	}
	now := q.Edits.Key()
	read := map[way]bool{}
	for i := range q.Taken {
		if t := &q.Taken[i]; t.Edits.Key() == now {
			read[wayOf(&t.Read)] = true
		}
	}
	best, far := -1, VerdictSigmas
	for i := range q.Taken {
		t := &q.Taken[i]
		w := wayOf(&t.Read)
		if t.Obs < 0 || t.Read.To != nil && !w.ohmic || read[w] || among != nil && !slices.Contains(among, t.Obs) {
			continue
		}
		if z := math.Abs(q.Result.ZScore[t.Obs]); z > far {
			best, far = i, z
		}
	}
	return best
}

// evidence gathers looks and injections, and what the complaint concerns; a later look at
// a part replaces an earlier one.
func (q *Inquiry) evidence() fault.Evidence {
	ev := fault.Evidence{Looks: map[netlist.PartID][]string{}, PinLooks: map[netlist.PinRef]string{}, Along: map[netlist.NetID]bool{}, Concerned: q.concerns()}
	counted := map[netlist.PartID]int{} // by part: its injection, one more than the index
	for _, st := range q.Stages {
		for _, event := range st.Events {
			for _, l := range event.Looks {
				if l.Part == netlist.None {
					ev.PinLooks[l.Pin] = l.Look.String()
					continue
				}
				ev.Looks[l.Part] = []string{l.Look.String()}
			}
			for i := range event.Presses {
				if t := q.before(&event, &event.Presses[i], st.Edits); t != nil {
					ev.Presses = append(ev.Presses, fault.Press{Part: event.Presses[i].Part, Obs: t.Obs, Changed: changed(t, &event.Presses[i].Read)})
				}
			}
			for _, x := range event.Undrawn {
				ev.Along[x.Net] = true
			}
			for _, x := range event.Swaps {
				ev.Swaps = append(ev.Swaps, x.Works)
			}
			for _, x := range event.Drops {
				drop := fault.Drop{Rail: x.Rail, Amperes: x.Amperes, Volts: map[netlist.PartID]float64{}}
				for _, v := range x.Volts {
					if at := &q.Board.Parts[v.Part]; at.Kind.Class() == netlist.Series && len(at.Terminals) == 2 {
						drop.Across = append(drop.Across, fault.AcrossPart(q.Model, q.Physics.Values, x.Rail, v.Part, st.Edits, v.Volts))
						continue
					}
					drop.Volts[v.Part] = v.Volts
				}
				ev.Drops = append(ev.Drops, drop)
			}
			for _, in := range event.Injections {
				// A part is felt once, however often its nets are fed.
				ev.Injections = append(ev.Injections, fault.Feed(q.Model, q.Physics.Values, in.Rail, st.Edits))
				ev.Injections[len(ev.Injections)-1].Sight = warmSights[in.SeenBy]
				for n := range ev.Injections[len(ev.Injections)-1].Fed {
					for _, t := range q.Board.Nets[n].Terminals {
						if st.Edits.Of(t.Part).Removed || q.Case.FoundBy(q.Board.Parts[t.Part].Name) > event.Number {
							continue // nobody could name it then
						}
						if counted[t.Part] == 0 {
							counted[t.Part] = len(ev.Injections)
						}
						felt := ev.Injections[counted[t.Part]-1].Warm
						felt[t.Part] = felt[t.Part] || slices.Contains(in.Warm, t.Part)
					}
				}
			}
		}
	}
	return ev
}

func (q *Inquiry) abnormal(d *Findings) {
	for i := range d.Readings {
		r := &d.Readings[i]
		if r.Verdict == Agrees || r.Verdict == NoKnownGood {
			continue
		}
		a := Abnormal{At: r.At, To: r.To, Volts: r.Volts, Overload: r.Overload, KnownGood: r.KnownGood, KnownGoodOverload: r.KnownGoodOverload, Sigma: r.Sigma, Verdict: r.Verdict, Polarity: r.Polarity}
		if a.KnownGood == nil && !r.KnownGoodOverload && r.Ohms == nil {
			a.KnownGood = r.Predicted
		}
		d.Abnormal = append(d.Abnormal, a)
	}
}

// report describes a fault for the answer.
func (q *Inquiry) report(f *fault.Fault) FaultReport {
	if f.Locus == nil {
		return FaultReport{Mode: f.Mode.String(), Ohms: Number(f.Ohms), At: q.Taken[q.TakenOf(f.Observation)].Read.Name}
	}
	r := q.Report(f)
	r.Cured = Cured(f, q.Board, q.Edits)
	return r
}

// Report describes a fault of the board, which has a locus, whatever the bench has done.
func (e *Basis) Report(f *fault.Fault) FaultReport {
	l := f.Locus
	r := FaultReport{Mode: f.Mode.String(), Ohms: Number(f.Ohms), At: l.Name(e.Board), Comes: f.Comes, Quiet: f.Quiet}
	if el, ok := f.Lacks(); ok {
		r.Lacks = e.Model.Describe(el)
	}
	switch {
	case l.Part != netlist.None:
		p := &e.Board.Parts[l.Part]
		r.Part = p.Name
		if l.Terminal >= 0 && (l.Series || network.Pinned(p.Kind)) {
			r.Terminal = p.Terminals[l.Terminal].Name
		}
		if r.Terminal != "" {
			r.At = r.Part + "." + r.Terminal
		}
	case l.NPins > 0:
		c := &e.Board.Connectors[l.Pins[0].Connector]
		r.Part, r.Terminal = c.Name, c.Pins[l.Pins[0].Pin].Name
		if l.NPins == 2 {
			r.Terminal += "-" + c.Pins[l.Pins[1].Pin].Name
		}
	}
	return r
}

// TakenOf finds the reading of an observation.
func (q *Inquiry) TakenOf(obs int) int { return max(firstOf(q.Taken, obs), 0) }

// describe puts a fault in a few words: "R12 open", "C40 leaky (about 470 ohm)".
func (q *Inquiry) describe(f *fault.Fault) string {
	r := q.report(f)
	switch f.Mode {
	case fault.Missed:
		return "the probe missed the pad at " + r.At
	case fault.Doubtful:
		return "the known-good value of " + r.At + " is wrong"
	case fault.UnknownPath:
		if math.IsNaN(f.Ohms) {
			return "something undrawn at " + q.Board.Nets[f.Locus.Net].Name
		}
		return fmt.Sprintf("%s (about %s)", r.At, Roughly(f.Ohms))
	case fault.UnknownBreak:
		return "the undrawn path at " + q.Board.Nets[f.Locus.Net].Name + " is open"
	case fault.Leaky, fault.Leakage, fault.High:
		return fmt.Sprintf("%s %s (about %s)", r.At, f.Mode, Roughly(f.Ohms))
	}
	if f.Comes {
		return r.At + " " + f.Mode.String() + ", comes and goes"
	}
	return r.At + " " + f.Mode.String()
}

// DescribeAll puts a set of faults in a few words.
func (q *Inquiry) DescribeAll(faults []fault.Fault) string {
	if len(faults) == 0 {
		return "nothing wrong"
	}
	var words []string
	for i := range faults {
		words = append(words, q.describe(&faults[i]))
	}
	return strings.Join(words, " and ")
}

func (q *Inquiry) explanations(d *Findings) {
	for i := range q.Result.Explanations {
		x := &q.Result.Explanations[i]
		if i > 0 && (i >= listedExplanations || x.Probability < leastExplanation) {
			break
		}
		out := Explanation{Faults: []FaultReport{}, Probability: x.Probability}
		for k := range x.Faults {
			out.Faults = append(out.Faults, q.report(&x.Faults[k]))
		}
		d.Explanations = append(d.Explanations, out)
	}
}

// suspects sums explanations by the part or place that they blame.
func (q *Inquiry) suspects(d *Findings) error {
	type blame struct {
		suspect Suspect
		best    *fault.Fault
		likely  float64
	}
	byName := map[string]*blame{}
	var order []*blame
	count := func(x *fault.Explanation, quiet bool) {
		named, inMode := map[string]bool{}, map[string]bool{}
		for k := range x.Faults {
			f := &x.Faults[k]
			if f.Locus == nil || f.Quiet != quiet {
				continue
			}
			name := f.Locus.Name(q.Board)
			s := byName[name]
			if s == nil {
				if quiet {
					continue
				}
				s = &blame{suspect: Suspect{Part: name, Modes: map[string]float64{}, Reasons: []Reason{}}}
				byName[name] = s
				order = append(order, s)
			}
			if key := name + f.Mode.String(); !inMode[key] {
				inMode[key] = true
				s.suspect.Modes[f.Mode.String()] += x.Probability
			}
			if !named[name] {
				s.suspect.Probability += x.Probability
				named[name] = true
			}
			if x.Probability > s.likely && !quiet {
				s.likely, s.best = x.Probability, f
			}
		}
	}
	for i := range q.Result.Explanations {
		count(&q.Result.Explanations[i], false)
	}
	for i := range q.Result.Explanations { // in other ways a suspect may be bad without a reading that shows it
		count(&q.Result.Explanations[i], true)
	}
	sort.SliceStable(order, func(a, b int) bool {
		return fault.Level(order[a].suspect.Probability) > fault.Level(order[b].suspect.Probability)
	})
	sight := predictions{q, network.NewWorkspace(q.Model), map[predictionKey]fault.Prediction{}}
	var leaders []*fault.Fault
	for _, s := range order {
		if s.suspect.Probability < LeastSuspect {
			break
		}
		var err error
		if s.suspect.Group, err = sight.group(&leaders, s.best); err != nil {
			return err
		}
		for m, p := range s.suspect.Modes {
			if p < LeastSuspect/4 {
				delete(s.suspect.Modes, m)
			}
		}
		q.Likeliest = append(q.Likeliest, s.best)
		if l := s.best.Locus; l.Part != netlist.None {
			p := &q.Board.Parts[l.Part]
			s.suspect.Place, s.suspect.Access = p.Place, p.Access.String()
		}
		reasons, err := sight.reasons(s.best)
		if err != nil {
			return err
		}
		s.suspect.Reasons = reasons
		d.Suspects = append(d.Suspects, s.suspect)
	}
	return nil
}

// predictions tells what single faults predict, working out once what several do.
type predictions struct {
	*Inquiry
	w     *network.Workspace
	known map[predictionKey]fault.Prediction
}

type predictionKey struct {
	obs    int
	effect network.Change
	lacks  bool // and lacks a junction
}

func (s *predictions) of(f *fault.Fault, obs int) (fault.Prediction, error) {
	o := &s.Obs[obs]
	changes := f.Changes()
	if len(changes) == 0 {
		return o.Good, nil
	}
	key := predictionKey{obs, s.Model.Effect(changes[0], o.Edits, o.Probe), len(changes) > 1}
	p, ok := s.known[key]
	if ok {
		return p, nil
	}
	p, err := s.Physics.Under(s.w, o, changes)
	s.known[key] = p
	return p, err
}

// group finds the ambiguity group of a fault among those led by the faults given,
// and adds one where it is in none.
func (s *predictions) group(leaders *[]*fault.Fault, f *fault.Fault) (int, error) {
	for g, l := range *leaders {
		alike := true
		for _, moves := range [2][]int{f.Moves, l.Moves} {
			for _, o := range moves {
				a, err := s.of(f, o)
				if err != nil {
					return 0, err
				}
				b, err := s.of(l, o)
				if err != nil {
					return 0, err
				}
				if alike = s.Obs[o].Same(a, b); !alike {
					break
				}
			}
			if !alike {
				break
			}
		}
		if alike {
			return g + 1, nil
		}
	}
	*leaders = append(*leaders, f)
	return len(*leaders), nil
}

// reasons gives what a fault predicts at the outliers that it touches, the
// furthest first.
func (q *predictions) reasons(f *fault.Fault) ([]Reason, error) {
	var outliers []int
	for i := range q.Taken {
		if o := q.Taken[i].Obs; o >= 0 && math.Abs(q.Result.ZScore[o]) > VerdictSigmas/2 {
			outliers = append(outliers, i)
		}
	}
	sort.SliceStable(outliers, func(a, b int) bool {
		return math.Abs(q.Result.ZScore[q.Taken[outliers[a]].Obs]) > math.Abs(q.Result.ZScore[q.Taken[outliers[b]].Obs])
	})
	reasons := []Reason{}
	for _, i := range outliers {
		if len(reasons) == listedReasons {
			break
		}
		o := &q.Obs[q.Taken[i].Obs]
		p, err := q.of(f, q.Taken[i].Obs)
		if err != nil {
			return nil, err
		}
		good, goodOver := Level(o.Good.Volts, o.Probe.Meter)
		predicted, over := Level(p.Volts, o.Probe.Meter)
		if over == goodOver && math.Abs(math.Min(p.Volts, 3)-math.Min(o.Good.Volts, 3)) < 2e-3 {
			continue // the fault does not touch this reading
		}
		x := &q.Taken[i].Read
		r := Reason{At: x.Name, To: x.ToName, Resistance: x.Reading.Unit == quantity.Ohm, Predicted: predicted, Overload: over, Good: good}
		if !o.Over {
			r.Read = Number(o.Volts)
		}
		if r.Resistance {
			for _, v := range []*float64{r.Predicted, r.Good, r.Read} {
				if v != nil {
					*v = VoltsToOhms(o.Probe.Meter, *v)
				}
			}
		}
		again := func(old Reason) bool {
			return old.At == r.At && old.To == r.To && old.Resistance == r.Resistance && (old.Read == nil) == (r.Read == nil)
		}
		if !slices.ContainsFunc(reasons, again) {
			reasons = append(reasons, r)
		}
	}
	return reasons, nil
}

// unseen lists the quiet faults, likeliest first, and sums their probability.
func (q *Inquiry) unseen(d *Findings) {
	type fate struct {
		part string
		mode fault.Mode
	}
	at := map[fate]int{}
	d.Quiet = q.Result.Quiet
	for i := range q.Result.Explanations {
		x := &q.Result.Explanations[i]
		if slices.ContainsFunc(x.Faults, func(f fault.Fault) bool { return !f.Quiet }) {
			continue
		}
		for k := range x.Faults {
			f := &x.Faults[k]
			d.Quiet += x.Probability
			name := f.Locus.Name(q.Board)
			n, ok := at[fate{name, f.Mode}]
			if !ok {
				n = len(d.Unseen)
				at[fate{name, f.Mode}] = n
				d.Unseen = append(d.Unseen, Unseen{Part: name, Mode: f.Mode.String(), Ohms: Number(f.Ohms)})
			}
			d.Unseen[n].Probability += x.Probability
		}
	}
	sort.SliceStable(d.Unseen, func(a, b int) bool {
		return fault.Level(d.Unseen[a].Probability) > fault.Level(d.Unseen[b].Probability)
	})
	d.Unseen = d.Unseen[:min(len(d.Unseen), listedUnseen)]
}

func (q *Inquiry) notes(d *Findings) {
	var unknown, alike []string
	for i := range d.Readings {
		t := &q.Taken[i]
		if t.Obs < 0 {
			continue
		}
		if d.Readings[i].Verdict == NoKnownGood {
			name := t.Read.Name
			if t.Read.Polarity == references.BlackOnGround {
				name += " with the probes swapped (black on ground)"
			}
			unknown = append(unknown, name)
		} else if q.Obs[t.Obs].Matched {
			alike = append(alike, t.Read.Name)
		}
	}
	if len(unknown) > 0 {
		d.Notes = append(d.Notes, "no good board was read at "+document.Few(unknown, fewNames)+"; only a short or an open can be told there")
	}
	if len(alike) > 0 {
		d.Notes = append(d.Notes, document.Few(alike, fewNames)+" compared with lines that should read alike")
	}
	d.Doubts = q.Doubts()
	if q.Result.Left > tellLeft {
		d.Notes = append(d.Notes, fmt.Sprintf("more sets of faults explain these readings than can be weighed: about %.0f %% of the weight is in sets that were left out, so every probability here is too high", 100*q.Result.Left))
	}
}

// tellLeft is the share of the weight in sets that were not weighed from which that is
// listed: below, no percentage on the screen would change.
const tellLeft = 0.01

// cautions gives the safety notes that probing calls for. They are the usual
// ones of the trade; local codes, the makers' documents and licensed practice
// come first.
func (q *Inquiry) cautions(d *Findings) {
	d.Cautions = append(d.Cautions, "Battery out and every supply off before a probe touches the board; let capacitors discharge.")
	for n := range q.Board.Nets {
		if q.Board.Nets[n].Boosted {
			d.Cautions = append(d.Cautions, fmt.Sprintf("%s is a boosted rail: it holds its voltage after power is off. Discharge it through a resistor first; never feed it from outside.", q.Board.Nets[n].Name))
			break
		}
	}
}

// Cured tells whether the bench has already dealt with a fault.
func Cured(f *fault.Fault, b *netlist.Board, edits netlist.Edits) bool {
	if f.Locus == nil {
		return false
	}
	cure := f.Locus.Change.Cure
	if cure.Kind != netlist.NoRepair && edits.Repaired(cure) {
		return true
	}
	if f.Locus.Part == netlist.None {
		return false
	}
	x := edits.Of(f.Locus.Part)
	switch {
	case x.Replaced && !x.Removed:
		return true
	case x.NewJoints() && !x.Removed && cure.Kind == netlist.RepairJoint:
		return true
	case x.Jumpered && f.Locus.Series:
		return true
	case x.Removed && f.Mode.Path() && b.Parts[f.Locus.Part].MayLeaveOff():
		return true
	}
	return false
}

// Implausible tells whether the readings of a case can be those of its board; nil
// where they can. The list is what Compare said of them. Where most read wrong, they
// are diagnosed to find out.
func (e *Basis) Implausible(c *journal.Case, list []Comparison) (*Implausible, error) {
	if x := e.implausibleAtSight(c, list); x != nil {
		return x, nil
	}
	if wrong, all := count(list, wrongly); !mostly(len(wrong), len(all)) {
		return nil, nil
	}
	_, found, err := e.Inquire(c)
	if err != nil {
		return nil, err
	}
	return found.Implausible, nil
}

// warmSights are how well warmth is seen, by journal.SeenBy.
var warmSights = [...]fault.Sight{journal.SeenByFilm: fault.ByFilm, journal.SeenByCamera: fault.ByCamera, journal.SeenByNone: fault.ByNone}
