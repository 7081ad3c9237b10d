package engine

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"sync"

	"halfsplit/engine/fault"
	"halfsplit/engine/fit"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// ReachQuestion asks what a sweep of connectors can show of a board.
type ReachQuestion struct {
	Connectors []string         // empty for all
	Meter      references.Meter // the zero Meter for references.DefaultMeter
	// Progress, if not nil, is called as the work goes on, by one goroutine at a
	// time.
	Progress func(done, of int)
}

// Reach says which faults a sweep of connector pins shows, before anything is
// wrong. A fault counts as seen where it moves the reading of some pin by
// seenSigmas standard deviations of what good boards read there and of the
// meter, or changes a reading to or from OL.
type Reach struct {
	Board      string       `json:"board"`
	Revision   string       `json:"revision"`
	Connectors []string     `json:"connectors"`
	Pins       int          `json:"pins"`  // that lead somewhere other than ground
	Known      int          `json:"known"` // of them, read on good boards or alike to one that was
	Summary    ReachSummary `json:"summary"`
	// Faults are all that can go wrong, in the order of the board file: parts,
	// then traces, pins and bridges.
	Faults []ReachFault `json:"faults"`
	// Groups are the ambiguity groups (IEEE Std 1522, from memory): faults that
	// are seen and that the sweep cannot tell from each other. The likeliest
	// group comes first; a fault's Group is its place in here, from 1.
	Groups []ReachGroup `json:"groups"`
	// Points are inner points that split groups of several places. The first is
	// the best one to add to the sweep, the second the best one to add to both,
	// and so on.
	Points []ReachPoint `json:"points"`
}

// ReachSummary counts faults by how much of them the sweep shows.
type ReachSummary struct {
	Faults int `json:"faults"`
	Seen   int `json:"seen"`    // at every resistance that they can have
	InPart int `json:"in_part"` // at some
	Never  int `json:"never"`   // at none
	Beyond int `json:"beyond"`  // of Never, those on no line of the pins
	// Share is the part of what goes wrong on the lines of the pins that the
	// sweep shows, each fault weighted by its prior odds and, where it is seen at
	// some resistances only, by their part of the range's logarithm.
	Share float64 `json:"share"`
	// Groups counts ambiguity groups, Single those of one place only: one part,
	// pin, gap or stretch of trace.
	Groups int `json:"groups"`
	Single int `json:"single"`
}

// How much of a fault's range of resistance a way of reading shows.
const (
	SeenWhole = "whole"
	SeenPart  = "part"
	SeenNever = "none"
)

// Why a fault is not seen, or not in its whole range.
const (
	WhyNoCurrent = "carries no direct current"
	WhyBeyond    = "on no line of these pins"
	WhyOpen      = "the line reads OL on a good board too"
	WhyUnknown   = "no good board was read"
	WhySmall     = "moves no pin by more than good boards differ"
)

// ReachFault is one fault and what the sweep shows of it.
type ReachFault struct {
	Part     string `json:"part"`     // a part, a connector, or "" for a trace
	Terminal string `json:"terminal"` // of Part; "" for the part as a whole
	Mode     string `json:"mode"`
	At       string `json:"at"` // for people: "R12", "U5.B2", "J7.2 to J7.4", "L11.1 to L11.2"

	Seen  bool   `json:"seen"`  // by a sweep in the usual polarity, at some resistance
	Range string `json:"range"` // SeenWhole, SeenPart or SeenNever
	Why   string `json:"why"`   // unless Range is SeenWhole

	// What the sweep shows at one resistance: the middle, by ratio, of the range
	// that it sees, or where it sees nothing the one that shows most.
	Ohms     *float64 `json:"ohms"`        // null for an open
	By       string   `json:"by"`          // the pin that shows most; "" for none
	Shift    *float64 `json:"shift_volts"` // against a good board; null for a change to or from OL
	Overload bool     `json:"overload"`    // the display shows OL
	Sigmas   float64  `json:"sigmas"`      // of a normal; 11 and more are given as 11

	// Where the range is seen in part: a path is too faint above one resistance,
	// a resistance in series below another. Null where always or never seen.
	VanishesAbove *float64 `json:"vanishes_above_ohms"`
	VanishesBelow *float64 `json:"vanishes_below_ohms"`

	// Whether the pins would show it, at some resistance, with the leads changed
	// over, or in resistance mode with the leads either way; and the resistance
	// at which it vanishes there, null where always or never seen.
	OtherPolarity      bool     `json:"other_polarity"`
	OtherPolarityLimit *float64 `json:"other_polarity_limit_ohms"`
	ResistanceMode     bool     `json:"resistance_mode"`
	ResistanceLimit    *float64 `json:"resistance_mode_limit_ohms"`
	// Better tells that one of these shows some of what the sweep does not.
	Better bool `json:"better"`

	Group int `json:"group"` // 0 where nothing is seen
}

// ReachGroup is an ambiguity group.
type ReachGroup struct {
	Members []string `json:"members"` // "R12 open", likeliest first
	Places  []string `json:"places"`  // parts, pins, gaps and traces that they are in
	Share   float64  `json:"share"`   // of the prior odds of all faults that are seen
	// Points are inner points whose reading would split the group, the best
	// first; none where the group is one place or no point splits it.
	Points []ReachSplit `json:"points"`
}

// ReachSplit is what the reading of an inner point makes of a group.
type ReachSplit struct {
	At        string          `json:"at"`
	Subgroups []ReachSubgroup `json:"subgroups"`
}

// ReachSubgroup is the part of a group that makes an inner point read alike.
type ReachSubgroup struct {
	Volts    *float64 `json:"volts"` // the likeliest member's; null for OL
	Overload bool     `json:"overload"`
	Members  []string `json:"members"`
}

// ReachPoint is an inner point worth reading on good boards.
type ReachPoint struct {
	At  string `json:"at"`
	Net string `json:"net"`
	// Splits counts the groups that it splits further than the points before it
	// do, and Gain is what that is worth, of all faults that are seen: see
	// reaching.choose.
	Splits int     `json:"splits"`
	Gain   float64 `json:"gain"`
}

// Bounds of the work (common practice, no source).
const (
	limitRatio   = 1.005 // to which the resistance where a fault vanishes is told
	listedSplits = 3     // points of a group
	splitPoints  = 24    // points tried for a group
	splitBands   = 40    // members told apart in a group
	listedPoints = 24    // of the board
	leastGain    = 1e-4  // of a point worth listing, of all faults that are seen
	leastDoubt   = 1e-3  // of a point worth listing, of one group
)

// The ways of reading a pin.
const (
	usual   = iota // diode mode, red lead on ground
	swapped        // diode mode, black lead on ground
	ohmsRed        // resistance mode, red lead on ground
	ohmsBlack
	sights
)

// sight is one way of reading all pins. Its observations hold what a good board
// reads.
type sight struct {
	meter references.Meter
	ohms  bool
	obs   []fault.Observation
}

// cause is a place and manner of going wrong as the circuit has it: loci that
// make the same circuit are one cause.
type cause struct {
	locus   *fault.Locus
	bands   []*band
	touched [sights][]int // pins that it could move
	shows   [sights][]int // of them, those that it moves enough at its strongest
	pins    []int         // shows[usual], in order
}

// band is a range of a cause's resistance that some fault's mode covers, with
// what the sweep shows there.
type band struct {
	cause  *cause
	lo, hi float64 // ohms; both +Inf for an open
	odds   float64
	faults []int // of Reach.Faults

	seen [sights]visible
	// Where seen, by cause.pins: what they read at ohms, and at the ends of the
	// range that is seen.
	rep, lows, high []fault.Prediction

	ohms float64
	by   int              // the pin that shows most at ohms, -1 for none
	at   fault.Prediction // what it reads
	sig  float64
	why  string
}

// visible is how much of a band one sight shows.
type visible struct {
	state string
	limit float64 // ohms at which it vanishes, where state is SeenPart
}

// reaching is the work on one question.
type reaching struct {
	*Engine
	crew   *network.Crew
	pins   []netlist.Point
	ph     *fault.Physics
	sights [sights]sight
	loci   []fault.Locus
	causes []*cause
	bands  []*band
	odds   []float64 // by fault
	places []string  // by fault
	met    map[netlist.NetID]meeting
	out    *Reach
}

// meeting tells which readings of a sweep pass by a net.
type meeting struct{ drops, unknown bool }

// Reach works out which faults a sweep of connector pins shows.
func (e *Engine) Reach(q ReachQuestion) (*Reach, error) {
	if q.Meter == (references.Meter{}) {
		q.Meter = references.DefaultMeter()
	}
	r := &reaching{Engine: e, crew: network.NewCrew(e.model), met: map[netlist.NetID]meeting{}, out: &Reach{Board: e.Board.Name, Revision: e.Board.Revision,
		Connectors: []string{}, Faults: []ReachFault{}, Groups: []ReachGroup{}, Points: []ReachPoint{}}}
	if err := r.sweep(q.Connectors); err != nil {
		return nil, err
	}
	if err := r.good(q.Meter); err != nil {
		return nil, err
	}
	r.faults()
	if err := r.touch(); err != nil {
		return nil, err
	}
	var mu sync.Mutex
	done := 0
	err := r.crew.Each(len(r.causes), func(w *network.Workspace, i int) error {
		if q.Progress != nil {
			defer func() {
				mu.Lock()
				defer mu.Unlock()
				done++
				q.Progress(done, len(r.causes))
			}()
		}
		return r.look(w, r.causes[i])
	})
	if err != nil {
		return nil, err
	}
	groups, err := r.group()
	if err != nil {
		return nil, err
	}
	if err := r.split(groups); err != nil {
		return nil, err
	}
	r.summarise()
	return r.out, nil
}

// sweep lists the pins to read.
func (r *reaching) sweep(connectors []string) error {
	if len(connectors) == 0 {
		for c := range r.Board.Connectors {
			connectors = append(connectors, r.Board.Connectors[c].Name)
		}
	}
	for _, name := range connectors {
		c, err := r.Board.ConnectorByName(name)
		if err != nil {
			return err
		}
		if slices.Contains(r.out.Connectors, name) {
			continue
		}
		r.out.Connectors = append(r.out.Connectors, name)
		for i, pin := range r.Board.Connectors[c].Pins {
			if pin.Net != netlist.None && pin.Net != r.Board.Ground {
				r.pins = append(r.pins, r.Board.PinPoint(netlist.PinRef{Connector: c, Pin: int32(i)}))
			}
		}
	}
	if len(r.pins) == 0 {
		return fmt.Errorf("%s: no connector pin leads anywhere but to ground, so a sweep shows nothing; give the pins of the connectors their nets", r.Board.File)
	}
	r.out.Pins = len(r.pins)
	return nil
}

// good works out what a good board reads in each sight, with the doubt that a
// sweep leaves about the board's temperature (see Engine.physics).
func (r *reaching) good(m references.Meter) error {
	r.ph = &fault.Physics{Belief: r.belief, Values: r.belief.At(network.RefCelsius, 0)}
	w := network.NewWorkspace(r.model)
	for k := range r.sights {
		s := &r.sights[k]
		pol := references.RedOnGround
		if k == swapped || k == ohmsBlack {
			pol = references.BlackOnGround
		}
		s.meter, s.ohms = m, k >= ohmsRed
		for _, p := range r.pins {
			o := fault.Observation{Spot: fit.SpotOf(r.model, p, pol)}
			if s.ohms {
				o.Probe, o.Misfit = r.probe(p, nil, pol, ohmsDrive(m)), 1e-6
			} else {
				o.Probe, o.Known = r.probe(p, nil, pol, fit.DriveOf(m)), r.known(o.Spot)
				o.Gain, o.Floor, o.Misfit = fault.MeterNoise(m)
				if o.Known == nil {
					r.holdAlike(&taken{read: journal.Read{At: p, Polarity: pol}}, nil, &o)
				}
			}
			s.obs = append(s.obs, o)
		}
		if k == usual {
			if err := r.doubt(w, s.obs); err != nil {
				return err
			}
		}
		if err := r.ph.Together(w, s.obs); err != nil {
			return err
		}
	}
	return nil
}

// doubt sets what a sweep leaves open of the common shift of all drops.
func (r *reaching) doubt(w *network.Workspace, obs []fault.Observation) error {
	n := 0
	for i := range obs {
		if obs[i].Known == nil {
			continue
		}
		r.out.Known++
		if err := r.ph.Foresee(w, &obs[i]); err != nil {
			return err
		}
		if obs[i].Good.Slope > 0.5 {
			n++
		}
	}
	r.ph.Doubt = shiftPrior / 2
	if n > 0 {
		v := 1.5708 * r.belief.Spread * r.belief.Spread / float64(n)
		r.ph.Doubt = math.Sqrt(shiftPrior * shiftPrior * v / (shiftPrior*shiftPrior + v))
	}
	return nil
}

// faults lists what can go wrong and gathers it into causes.
func (r *reaching) faults() {
	r.loci = fault.Loci(r.model, r.priors, r.ph.Values)
	byKey := map[network.Change]*cause{}
	next := 0 // locus
	add := func(l *fault.Locus) {
		c, series := r.canonical(l)
		key := c
		key.Owner, key.Cure = netlist.None, netlist.Mend{}
		if key.Kind == network.AddPath {
			key.A, key.B = network.Place{Net: min(c.A.Net, c.B.Net)}, network.Place{Net: max(c.A.Net, c.B.Net)}
		}
		ca := byKey[key]
		if ca == nil {
			whole := *l
			whole.Change, whole.Series = c, series
			ca = &cause{locus: &whole}
			byKey[key] = ca
			r.causes = append(r.causes, ca)
		}
		for _, m := range l.Modes {
			b := ca.band(m.Lo, m.Hi)
			b.odds += m.Odds
			b.faults = append(b.faults, len(r.out.Faults))
			r.fault(l, m.Mode, m.Odds)
		}
	}
	for i := range r.Board.Parts {
		id := netlist.PartID(i)
		r.currentless(id)
		for ; next < len(r.loci) && r.loci[next].Part == id; next++ {
			add(&r.loci[next])
		}
	}
	for ; next < len(r.loci); next++ {
		add(&r.loci[next])
	}
	for _, c := range r.causes {
		r.bands = append(r.bands, c.bands...)
	}
}

// band finds the band of a range, or makes it.
func (c *cause) band(lo, hi float64) *band {
	for _, b := range c.bands {
		if b.lo == lo && b.hi == hi {
			return b
		}
	}
	b := &band{cause: c, lo: lo, hi: hi, by: -1}
	c.bands = append(c.bands, b)
	return b
}

// canonical gives a locus's change in the form that all loci share which make
// the same circuit: the joint of a part's only element there is a resistance in
// that element.
func (r *reaching) canonical(l *fault.Locus) (c network.Change, series bool) {
	c = l.Change
	if c.Kind == network.Detach && l.Part != netlist.None {
		if on := r.model.ContactElements(c.Contact); len(on) == 1 && r.model.Elements[on[0]].Class == network.Resistive {
			return network.Change{Kind: network.Cut, Element: on[0], Owner: c.Owner}, true
		}
	}
	return c, l.Series
}

// fault adds a fault to the answer.
func (r *reaching) fault(l *fault.Locus, mode fault.Mode, odds float64) {
	at := (&inquiry{Engine: r.Engine}).report(&fault.Fault{Locus: l, Mode: mode, Observation: -1})
	f := ReachFault{Part: at.Part, Terminal: at.Terminal, Mode: at.Mode, At: at.At, Range: SeenNever}
	if l.Part != netlist.None && at.Terminal == "" {
		// parts with several ways through them need to be told which
		p := &r.Board.Parts[l.Part]
		way := func(a, b int32) string {
			return fmt.Sprintf("%s.%s to %s.%s", p.Name, p.Terminals[a].Name, p.Name, p.Terminals[b].Name)
		}
		switch from, to := r.model.PartElements(l.Part); {
		case l.Other >= 0 && len(p.Terminals) > 2:
			f.At = way(l.Terminal, l.Other)
		case l.Change.Kind == network.Cut && to-from > 1 && len(p.Terminals) > 2:
			el := &r.model.Elements[l.Change.Element]
			f.At = way(r.model.Terminal(el.A).Terminal, r.model.Terminal(el.B).Terminal)
		}
	}
	r.out.Faults = append(r.out.Faults, f)
	r.odds = append(r.odds, odds)
	r.places = append(r.places, l.Name(r.Board))
}

// currentless adds the open of a part through which no direct current passes, so
// that the answer owns up to it.
func (r *reaching) currentless(id netlist.PartID) {
	p := &r.Board.Parts[id]
	from, to := r.model.PartElements(id)
	odds := r.priors.Kinds[p.Kind.String()].Odds("open") * r.priors.Access[p.Access.String()]
	if from != to || network.Pinned(p.Kind) || odds <= 0 {
		return
	}
	r.out.Faults = append(r.out.Faults, ReachFault{Part: p.Name, Mode: fault.Open.String(), At: p.Name, Range: SeenNever, Why: WhyNoCurrent})
	r.odds = append(r.odds, odds)
	r.places = append(r.places, p.Name)
}

// touch finds the pins that each cause could move, and what readings pass by
// each net.
func (r *reaching) touch() error {
	return r.spreadSights(func(w *network.Workspace, k int) error {
		s := &r.sights[k]
		var st network.State
		for i := range s.obs {
			if err := r.ph.Foresee(w, &s.obs[i]); err != nil {
				return err
			}
			for _, c := range r.causes {
				if c.locus.Touches(w, &st, r.ph.Values) {
					c.touched[k] = append(c.touched[k], i)
				}
			}
			if k != usual {
				continue
			}
			o := &s.obs[i]
			over := o.Good.Volts > o.Probe.Meter.Over
			for n := range r.Board.Nets {
				n := netlist.NetID(n)
				if _, reached := w.VoltsAt(network.Place{Net: n, Contact: network.NoContact}, &st); reached && n != r.Board.Ground {
					m := r.met[n]
					r.met[n] = meeting{m.drops || !over, m.unknown || r.guessed(o)}
				}
			}
		}
		return nil
	})
}

// spreadSights does work for each sight; sights share nothing that is written.
func (r *reaching) spreadSights(work func(w *network.Workspace, k int) error) error {
	return r.crew.Each(int(sights), work)
}

// guessed tells that a reading has nothing to be held against but a guess; see
// Engine.vague.
func (r *reaching) guessed(o *fault.Observation) bool {
	return o.Known == nil && !o.Probe.Meter.Resistive && !r.belief.Covers(o.Spot.Polarity)
}

// sigmas gives how far a foretold reading lies from a good board's, in standard
// deviations of a normal. Where a good board's reading is but a guess, a reading
// is told from it only as a short or an open (common practice, no source).
func (r *reaching) sigmas(s *sight, pin int, p fault.Prediction) float64 {
	o := s.obs[pin]
	o.Volts, o.Over = p.Volts, p.Volts > o.Probe.Meter.Over
	if s.ohms {
		o.Floor = 1e-4
		if !o.Over { // as in observation
			ohms := voltsToOhms(o.Probe.Meter, p.Volts)
			_, slope := ohmsToVolts(o.Probe.Meter, ohms)
			o.Floor = slope * math.Hypot(math.Hypot(leadOhms, s.meter.Gain*ohms), modelOhms*ohms)
		}
	} else if r.guessed(&o) && !o.Over {
		switch {
		case o.Volts > vagueFrom:
			return 0
		case o.Good.Volts > 3*vagueFrom:
			return math.Max(seenSigmas, math.Abs(o.Surprise(o.Good)))
		}
	}
	return math.Abs(o.Surprise(o.Good))
}

func (r *reaching) under(w *network.Workspace, k, pin int, c *cause, ohms float64) (fault.Prediction, error) {
	change := [1]network.Change{c.locus.At(ohms)}
	return r.ph.Under(w, &r.sights[k].obs[pin], change[:])
}

// look finds what each sight shows of a cause. A reading changes one way with the
// resistance, so pins that the cause's strongest resistance does not move enough
// to be seen count for none of its bands.
func (r *reaching) look(w *network.Workspace, c *cause) error {
	strongest, _ := c.bands[0].ends()
	for _, b := range c.bands {
		if strong, _ := b.ends(); (strong > strongest) == c.locus.Series {
			strongest = strong
		}
	}
	best, most := -1, 0.0
	for k := range r.sights {
		var zs []float64 // by pin of shows
		for _, pin := range c.touched[k] {
			p, err := r.under(w, k, pin, c, strongest)
			if err != nil {
				return err
			}
			z := r.sigmas(&r.sights[k], pin, p)
			if z >= seenSigmas {
				c.shows[k], zs = append(c.shows[k], pin), append(zs, z)
			}
			if k == usual && (best < 0 || z > most) {
				best, most = pin, z
			}
		}
		if k == usual {
			c.pins = append([]int(nil), c.shows[k]...)
		}
		sort.Stable(byMost{c.shows[k], zs})
	}
	for _, b := range c.bands {
		for k := range r.sights {
			if err := r.limit(w, k, b); err != nil {
				return err
			}
		}
		b.ohms = b.middle()
		pins := c.pins
		if b.seen[usual].state == SeenNever {
			if pins = nil; best >= 0 {
				pins = []int{best}
			}
		}
		if b.seen[usual].state != SeenWhole {
			b.why = r.why(b)
		}
		if err := r.show(w, b, pins); err != nil {
			return err
		}
	}
	return nil
}

// byMost sorts pins by how much they show, most first.
type byMost struct {
	pins []int
	z    []float64
}

func (s byMost) Len() int           { return len(s.pins) }
func (s byMost) Less(i, j int) bool { return s.z[i] > s.z[j] }
func (s byMost) Swap(i, j int) {
	s.pins[i], s.pins[j] = s.pins[j], s.pins[i]
	s.z[i], s.z[j] = s.z[j], s.z[i]
}

// show works out what pins read in the middle of a band and, where it is seen, at
// its ends.
func (r *reaching) show(w *network.Workspace, b *band, pins []int) error {
	for _, pin := range pins {
		p, err := r.under(w, usual, pin, b.cause, b.ohms)
		if err != nil {
			return err
		}
		z := r.sigmas(&r.sights[usual], pin, p)
		if b.by < 0 || z > b.sig+1e-9 || z > b.sig-1e-9 && r.shift(pin, p) > r.shift(b.by, b.at)*1.02 {
			b.by, b.at, b.sig = pin, p, z
		}
		if b.seen[usual].state == SeenNever {
			continue
		}
		lo, hi := p, p
		if from, to := b.visible(); from != to {
			if lo, err = r.under(w, usual, pin, b.cause, from); err != nil {
				return err
			}
			if hi, err = r.under(w, usual, pin, b.cause, to); err != nil {
				return err
			}
		}
		b.rep, b.lows, b.high = append(b.rep, p), append(b.lows, lo), append(b.high, hi)
	}
	return nil
}

// shift is how far a pin's display moves, in volts; beyond OL it moves no more.
func (r *reaching) shift(pin int, p fault.Prediction) float64 {
	o := &r.sights[usual].obs[pin]
	return math.Abs(math.Min(p.Volts, o.Probe.Meter.Over) - math.Min(o.Good.Volts, o.Probe.Meter.Over))
}

// ends gives the resistances of a band that show most and least.
func (b *band) ends() (strong, weak float64) {
	if b.cause.locus.Series {
		return b.hi, b.lo
	}
	return b.lo, b.hi
}

// visible gives the range of resistance in which the sweep sees a band.
func (b *band) visible() (lo, hi float64) {
	v := b.seen[usual]
	switch {
	case v.state != SeenPart:
		return b.lo, b.hi
	case b.cause.locus.Series:
		return v.limit, b.hi
	}
	return b.lo, v.limit
}

// middle is the middle, by ratio, of what the sweep sees of a band; where it sees
// nothing, the end that shows most.
func (b *band) middle() float64 {
	if b.seen[usual].state == SeenNever || math.IsInf(b.lo, 1) {
		strong, _ := b.ends()
		return strong
	}
	lo, hi := b.visible()
	return math.Sqrt(lo * hi)
}

// limit finds the part of a band that a sight shows: one stretch from the end
// that shows most, as readings change one way with the resistance. Bisection on
// the real circuit finds where it stops.
func (r *reaching) limit(w *network.Workspace, k int, b *band) error {
	pins := b.cause.shows[k]
	sees := func(ohms float64) (bool, error) {
		for i, pin := range pins {
			p, err := r.under(w, k, pin, b.cause, ohms)
			if err != nil {
				return false, err
			}
			if r.sigmas(&r.sights[k], pin, p) >= seenSigmas {
				pins[0], pins[i] = pins[i], pins[0] // likely to see the next one, too
				return true, nil
			}
		}
		return false, nil
	}
	b.seen[k] = visible{state: SeenNever}
	strong, weak := b.ends()
	if ok, err := sees(weak); ok || err != nil {
		b.seen[k].state = SeenWhole
		return err
	}
	if strong == weak {
		return nil
	}
	if ok, err := sees(strong); !ok || err != nil {
		return err
	}
	yes, no := math.Log(strong), math.Log(weak)
	for math.Abs(no-yes) > math.Log(limitRatio) {
		mid := (yes + no) / 2
		ok, err := sees(math.Exp(mid))
		if err != nil {
			return err
		}
		if ok {
			yes = mid
		} else {
			no = mid
		}
	}
	b.seen[k] = visible{SeenPart, math.Exp(yes)}
	return nil
}

// nets lists the nets that a change lies on.
func (r *reaching) nets(c *network.Change) []netlist.NetID {
	switch c.Kind {
	case network.AddPath:
		return []netlist.NetID{c.A.Net, c.B.Net}
	case network.Cut:
		return []netlist.NetID{r.model.Net(r.model.Elements[c.Element].A), r.model.Net(r.model.Elements[c.Element].B)}
	case network.Detach:
		return []netlist.NetID{r.model.Net(c.Contact)}
	}
	return []netlist.NetID{c.Net}
}

// why says what keeps a band out of sight.
func (r *reaching) why(b *band) string {
	c := &b.cause.locus.Change
	if c.Kind == network.Detach && len(b.cause.touched[usual]) == 0 && b.cause.locus.NPins == 0 && len(r.model.ContactElements(c.Contact)) == 0 {
		return WhyNoCurrent
	}
	reached, open, unknown := false, false, false
	for _, n := range r.nets(c) {
		if m, ok := r.met[n]; ok {
			reached, open, unknown = true, open || !m.drops, unknown || m.unknown
		}
	}
	for i, pin := range b.cause.touched[usual] {
		o := &r.sights[usual].obs[pin]
		over := o.Good.Volts > o.Probe.Meter.Over
		reached, open, unknown = true, over && (i == 0 || open), unknown || r.guessed(o)
	}
	switch {
	case !reached:
		return WhyBeyond
	case unknown:
		return WhyUnknown
	case open:
		return WhyOpen
	}
	return WhySmall
}

// better tells that a sight shows some of a band that the usual one does not.
func (b *band) better(k int) bool {
	a, o := b.seen[usual], b.seen[k]
	switch {
	case o.state == SeenNever || a.state == SeenWhole:
		return false
	case a.state == SeenNever || o.state == SeenWhole:
		return true
	case b.cause.locus.Series:
		return o.limit < a.limit/limitRatio
	}
	return o.limit > a.limit*limitRatio
}

// cluster is an ambiguity group under way: the likeliest band leads it, and at
// the resistances given all bands make the sweep read alike.
type cluster struct {
	bands []*band
	ohms  []float64
	odds  float64
}

// group gathers the bands that are seen into ambiguity groups. A band joins the
// likeliest group whose leader could make every pin read what the band makes it
// read in the middle of its range.
func (r *reaching) group() ([]*cluster, error) {
	var order []*band
	for _, b := range r.bands {
		if b.seen[usual].state != SeenNever {
			order = append(order, b)
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return order[i].odds > order[j].odds })
	w := network.NewWorkspace(r.model)
	byPin := make([][]*cluster, len(r.pins))
	var all []*cluster
	for _, b := range order {
		var home *cluster
		for _, g := range byPin[b.by] {
			// a member tells the same as its leader, so that the leader speaks for all
			ok, err := r.imitates(w, g.bands[0], b)
			if err != nil {
				return nil, err
			}
			if ok {
				home = g
				break
			}
		}
		if home == nil {
			home = &cluster{}
			all = append(all, home)
			for i, pin := range b.cause.pins {
				if r.sigmas(&r.sights[usual], pin, b.rep[i]) >= seenSigmas {
					byPin[pin] = append(byPin[pin], home)
				}
			}
		}
		ohms := b.ohms
		if len(home.bands) > 0 {
			// where it can, it takes the resistance that makes it like its leader
			l := home.bands[0]
			x, ok, err := r.match(w, b, l.by, l.at)
			if err != nil {
				return nil, err
			}
			if ok {
				ohms = x
			}
		}
		home.bands, home.ohms, home.odds = append(home.bands, b), append(home.ohms, ohms), home.odds+b.odds
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].odds > all[j].odds })
	total := 0.0
	for _, g := range all {
		total += g.odds
	}
	for n, g := range all {
		var faults []int
		for _, b := range g.bands {
			faults = append(faults, b.faults...)
		}
		sort.SliceStable(faults, func(i, j int) bool { return r.odds[faults[i]] > r.odds[faults[j]] })
		x := ReachGroup{Members: []string{}, Places: []string{}, Points: []ReachSplit{}, Share: g.odds / total}
		for _, f := range faults {
			r.out.Faults[f].Group = n + 1
			x.Members = append(x.Members, r.out.Faults[f].name())
			if !slices.Contains(x.Places, r.places[f]) {
				x.Places = append(x.Places, r.places[f])
			}
		}
		r.out.Groups = append(r.out.Groups, x)
	}
	return all, nil
}

// name is a fault in a few words.
func (f *ReachFault) name() string { return f.At + " " + f.Mode }

// imitates tells whether band g, at some resistance at which it is seen, makes
// every pin read what band b makes it read in the middle of its own.
func (r *reaching) imitates(w *network.Workspace, g, b *band) (bool, error) {
	ohms, ok, err := r.match(w, g, b.by, b.at)
	if err != nil || !ok {
		return false, err
	}
	for i, pin := range b.cause.pins {
		x, y := b.rep[i], r.sights[usual].obs[pin].Good
		if place(g.cause.pins, pin) >= 0 {
			if y, err = r.under(w, usual, pin, g.cause, ohms); err != nil {
				return false, err
			}
		}
		if r.apart(pin, x, y) {
			return false, nil
		}
	}
	for _, pin := range g.cause.pins {
		if place(b.cause.pins, pin) >= 0 {
			continue
		}
		y, err := r.under(w, usual, pin, g.cause, ohms)
		if err != nil {
			return false, err
		}
		if r.apart(pin, r.sights[usual].obs[pin].Good, y) {
			return false, nil
		}
	}
	return true, nil
}

// place finds x in a sorted list, or gives -1.
func place(sorted []int, x int) int {
	if i := sort.SearchInts(sorted, x); i < len(sorted) && sorted[i] == x {
		return i
	}
	return -1
}

// match finds the resistance, of those at which the band is seen, that makes a
// pin read as wanted, or the end of the range that comes nearest; ok is false
// where even that is told apart.
func (r *reaching) match(w *network.Workspace, b *band, pin int, want fault.Prediction) (ohms float64, ok bool, err error) {
	i := place(b.cause.pins, pin)
	if i < 0 {
		return 0, false, nil
	}
	top := r.sights[usual].obs[pin].Probe.Meter.Over
	over := want.Volts > top
	from, to := b.visible()
	lo, hi := b.lows[i], b.high[i]
	switch {
	case over && lo.Volts > top && hi.Volts > top:
		return b.ohms, true, nil
	case over && (lo.Volts > top || hi.Volts > top):
		strong, _ := b.ends()
		return strong, true, nil
	case over:
		return 0, false, nil
	case (want.Volts-lo.Volts)*(want.Volts-hi.Volts) >= 0: // outside the range
		if math.Abs(want.Volts-lo.Volts) < math.Abs(want.Volts-hi.Volts) {
			return from, !r.apart(pin, want, lo), nil
		}
		return to, !r.apart(pin, want, hi), nil
	}
	up := hi.Volts > lo.Volts
	x, y := math.Log(from), math.Log(to)
	for y-x > math.Log(limitRatio) {
		mid := (x + y) / 2
		p, err := r.under(w, usual, pin, b.cause, math.Exp(mid))
		if err != nil {
			return 0, false, err
		}
		if math.Abs(p.Volts-want.Volts) < sameVolts {
			return math.Exp(mid), true, nil
		}
		if p.Volts < want.Volts == up {
			x = mid
		} else {
			y = mid
		}
	}
	return math.Exp((x + y) / 2), true, nil
}

// apart tells whether a pin's reading tells two foretold ones apart: by seenSigmas
// standard deviations, which is what tells a fault from a good board. The doubt
// about the board's junctions is common to both and so counts once. How far a
// fault moves a reading may be in great doubt, but not which way: what takes a
// path away raises it, what adds one lowers it. So two that are seen on either
// side of a good board's reading are apart.
func (r *reaching) apart(pin int, a, b fault.Prediction) bool {
	s := &r.sights[usual]
	o := &s.obs[pin]
	top := o.Probe.Meter.Over
	if a.Volts > top || b.Volts > top {
		return (a.Volts > top) != (b.Volts > top)
	}
	if (a.Volts-o.Good.Volts)*(b.Volts-o.Good.Volts) < 0 && r.sigmas(s, pin, a) >= seenSigmas && r.sigmas(s, pin, b) >= seenSigmas {
		return true
	}
	return math.Abs(a.Volts-b.Volts) > seenSigmas*math.Hypot(math.Max(a.Sigma, b.Sigma), o.Floor+o.Gain*a.Volts)
}

// sameVolts is a difference in volts that no display of 1 mV shows.
const sameVolts = 2e-4

// splitter is an inner point and what its reading makes of one group.
type splitter struct {
	group int
	at    netlist.Point
	of    []int // by band of the cluster: its subgroup
	left  float64
}

// doubtLeft is how much doubt about the place of a fault is left in a group that
// fell apart into subgroups: the chance that a member, picked by its odds, and
// another one picked from the same subgroup are in different places,
//
//	sum over subgroups of P(s) * (1 - sum over places of P(place | s)^2)
//
// (common practice, no source). Modes of one place need not be told apart.
func (r *reaching) doubtLeft(g *cluster, of []int) float64 {
	type in struct {
		sub   int
		place string
	}
	weight := map[in]float64{}
	var order []in // so that sums come out the same each time
	subs := make(map[int]float64)
	total := 0.0
	for i, b := range g.bands {
		for _, f := range b.faults {
			k := in{of[i], r.places[f]}
			if _, ok := weight[k]; !ok {
				order = append(order, k)
			}
			weight[k] += r.odds[f]
			subs[of[i]] += r.odds[f]
			total += r.odds[f]
		}
	}
	sure := 0.0
	for _, k := range order {
		sure += weight[k] * weight[k] / subs[k.sub]
	}
	return 1 - sure/total
}

// split finds for each group of several places the inner points that tell its
// members apart. Members that stand in the same circuit, as parts in parallel do,
// no point tells apart.
func (r *reaching) split(groups []*cluster) error {
	founds := make([][]splitter, len(groups))
	err := r.crew.Each(len(groups), func(w *network.Workspace, n int) error {
		g := groups[n]
		if len(r.out.Groups[n].Places) < 2 || len(g.bands) < 2 {
			return nil
		}
		g.bands = g.bands[:min(len(g.bands), splitBands)]
		whole := r.doubtLeft(g, make([]int, len(g.bands)))
		var splits []ReachSplit
		for _, pt := range r.inner(g) {
			shows, err := r.shows(w, pt, g)
			if err != nil {
				return err
			}
			of, count := toldApart(shows)
			left := r.doubtLeft(g, of)
			if count < 2 || whole-left < leastDoubt {
				continue
			}
			x := ReachSplit{At: r.Board.PointName(pt), Subgroups: make([]ReachSubgroup, count)}
			for i, b := range g.bands {
				sub := &x.Subgroups[of[i]]
				if len(sub.Members) == 0 {
					sub.Volts, sub.Overload = level(shows[i].volts, r.sights[usual].obs[0].Probe.Meter)
				}
				for _, k := range b.faults {
					sub.Members = append(sub.Members, r.out.Faults[k].name())
				}
			}
			splits = append(splits, x)
			founds[n] = append(founds[n], splitter{n, pt, of, left})
		}
		// points come easiest to touch first, which decides between equals
		order := make([]int, len(splits))
		for i := range order {
			order[i] = i
		}
		sort.SliceStable(order, func(i, j int) bool { return founds[n][order[i]].left < founds[n][order[j]].left-1e-9 })
		for _, i := range order[:min(len(order), listedSplits)] {
			r.out.Groups[n].Points = append(r.out.Groups[n].Points, splits[i])
		}
		return nil
	})
	if err != nil {
		return err
	}
	r.choose(groups, founds)
	return nil
}

// choose lists the points that split the groups best, one after the other: each
// is the one that gains most over those before it, and the gain is the sum over
// groups of the group's share times what doubtLeft falls by.
func (r *reaching) choose(groups []*cluster, founds [][]splitter) {
	byName := map[string][]*splitter{}
	var names []string
	labels := make([][]int, len(groups)) // subgroups by the points chosen so far
	lefts := make([]float64, len(groups))
	for n, g := range groups {
		labels[n] = make([]int, len(g.bands))
		lefts[n] = r.doubtLeft(g, labels[n])
		for i := range founds[n] {
			name := r.Board.PointName(founds[n][i].at)
			if byName[name] == nil {
				names = append(names, name)
			}
			byName[name] = append(byName[name], &founds[n][i])
		}
	}
	refined := func(x *splitter) []int {
		of := make([]int, len(x.of))
		for i := range of {
			of[i] = labels[x.group][i]*(splitBands+1) + x.of[i]
		}
		return of
	}
	for len(r.out.Points) < listedPoints {
		var best ReachPoint
		for _, name := range names {
			p := ReachPoint{At: name}
			for _, x := range byName[name] {
				if gain := r.out.Groups[x.group].Share * (lefts[x.group] - r.doubtLeft(groups[x.group], refined(x))); gain > leastGain/10 {
					p.Gain += gain
					p.Splits++
				}
			}
			if p.Gain > best.Gain+1e-9 {
				best = p
			}
		}
		if best.Gain < leastGain {
			return
		}
		for _, x := range byName[best.At] {
			best.Net = r.Board.Nets[x.at.Net].Name
			of := refined(x)
			lefts[x.group] = r.doubtLeft(groups[x.group], of)
			labels[x.group] = renumbered(of)
		}
		r.out.Points = append(r.out.Points, best)
	}
}

// renumbered numbers labels from 0 in the order in which they come.
func renumbered(of []int) []int {
	number := map[int]int{}
	out := make([]int, len(of))
	for i, x := range of {
		n, ok := number[x]
		if !ok {
			n = len(number)
			number[x] = n
		}
		out[i] = n
	}
	return out
}

// inner lists points off the connectors that a probe can land on and where
// members of a group could differ: on their nets and one series element further,
// and on both sides of every break, the easiest to touch first.
func (r *reaching) inner(g *cluster) []netlist.Point {
	p := &planning{inquiry: &inquiry{Engine: r.Engine}}
	var nets []netlist.NetID
	net := func(n netlist.NetID) {
		if n != netlist.None && n != r.Board.Ground && !slices.Contains(nets, n) {
			nets = append(nets, n)
		}
	}
	var out []netlist.Point
	have := map[string]bool{}
	add := func(pt netlist.Point) {
		if name := r.Board.PointName(pt); pt.Kind != netlist.PointPin && !have[name] && p.touchable(pt) {
			have[name] = true
			out = append(out, pt)
		}
	}
	for _, b := range g.bands {
		c := &b.cause.locus.Change
		for _, n := range r.nets(c) {
			net(n)
		}
		if c.Kind == network.Split {
			add(r.Board.Nets[c.Net].Along[c.After])
			add(r.Board.Nets[c.Net].Along[c.After+1])
		}
		if c.Kind == network.Detach {
			add(r.model.PointOf(c.Contact))
		}
	}
	for _, n := range nets[:len(nets):len(nets)] {
		for _, c := range r.model.NetContacts(n) {
			for _, e := range r.model.ContactElements(network.Contact(c)) {
				if el := &r.model.Elements[e]; el.Class == network.Resistive {
					net(r.model.Net(el.A))
					net(r.model.Net(el.B))
				}
			}
		}
	}
	for _, n := range nets {
		best, cost := netlist.Point{}, math.Inf(1)
		for _, pt := range r.Board.PointsOn(n) {
			if c := p.touchCost(pt); pt.Kind != netlist.PointPin && c < cost {
				best, cost = pt, c
			}
		}
		if !math.IsInf(cost, 1) {
			add(best)
		}
	}
	out = out[:min(len(out), splitPoints)]
	sort.SliceStable(out, func(i, j int) bool { return p.touchCost(out[i]) < p.touchCost(out[j]) })
	return out
}

// shows gives what each member of a group foretells at an inner point, at the
// resistance that makes the sweep read alike. What good boards read there is
// foretold by the fitted circuit unless it was read; reading it on good boards
// only sharpens the split.
func (r *reaching) shows(w *network.Workspace, pt netlist.Point, g *cluster) ([]shown, error) {
	s := &r.sights[usual]
	o := fault.Observation{Spot: fit.SpotOf(r.model, pt, references.RedOnGround), Probe: r.probe(pt, nil, references.RedOnGround, s.obs[0].Probe.Meter)}
	o.Known = r.known(o.Spot)
	o.Gain, o.Floor, o.Misfit = fault.MeterNoise(s.meter)
	if err := r.ph.Foresee(w, &o); err != nil {
		return nil, err
	}
	out := make([]shown, len(g.bands))
	for i, b := range g.bands {
		p, err := r.ph.Under(w, &o, []network.Change{b.cause.locus.At(g.ohms[i])})
		if err != nil {
			return nil, err
		}
		out[i] = shown{p.Volts, math.Hypot(p.Sigma, o.Floor+o.Gain*p.Volts), p.Volts > o.Probe.Meter.Over}
	}
	return out, nil
}

// summarise writes what was found to the faults, and counts.
func (r *reaching) summarise() {
	sum := &r.out.Summary
	seen, all := 0.0, 0.0
	for _, b := range r.bands {
		for _, i := range b.faults {
			r.describe(&r.out.Faults[i], b)
			seen += r.odds[i] * b.part()
		}
	}
	for i := range r.out.Faults {
		f := &r.out.Faults[i]
		sum.Faults++
		switch f.Range {
		case SeenWhole:
			sum.Seen++
		case SeenPart:
			sum.InPart++
		default:
			sum.Never++
		}
		if f.Why == WhyBeyond || f.Why == WhyNoCurrent && !r.onLine(f.Part) {
			f.Why = WhyBeyond
			sum.Beyond++
			continue
		}
		all += r.odds[i]
	}
	if all > 0 {
		sum.Share = seen / all
	}
	sum.Groups = len(r.out.Groups)
	for i := range r.out.Groups {
		if len(r.out.Groups[i].Places) == 1 {
			sum.Single++
		}
	}
}

// onLine tells whether a part is on a line of the pins.
func (r *reaching) onLine(part string) bool {
	id, err := r.Board.PartByName(part)
	if err != nil {
		return false
	}
	for _, t := range r.Board.Parts[id].Terminals {
		if _, ok := r.met[t.Net]; ok {
			return true
		}
	}
	return false
}

// part is how much of the logarithm of a band's range the sweep sees, from 0 to
// 1.
func (b *band) part() float64 {
	switch v := b.seen[usual]; {
	case v.state == SeenWhole:
		return 1
	case v.state == SeenNever:
		return 0
	default:
		strong, weak := b.ends()
		return math.Log(strong/v.limit) / math.Log(strong/weak)
	}
}

// describe writes what was found of a band to one of its faults.
func (r *reaching) describe(f *ReachFault, b *band) {
	v := b.seen[usual]
	f.Range, f.Seen, f.Why = v.state, v.state != SeenNever, b.why
	f.Ohms = number(b.ohms)
	if b.by >= 0 {
		o := &r.sights[usual].obs[b.by]
		good := o.Good.Volts > o.Probe.Meter.Over
		f.By, f.Sigmas, f.Overload = r.Board.PointName(r.pins[b.by]), math.Min(b.sig, 11), b.at.Volts > o.Probe.Meter.Over
		if !good && !f.Overload {
			f.Shift = number(b.at.Volts - o.Good.Volts)
		}
	}
	limit := func(v visible) *float64 {
		if v.state != SeenPart {
			return nil
		}
		return number(v.limit)
	}
	if b.cause.locus.Series {
		f.VanishesBelow = limit(v)
	} else {
		f.VanishesAbove = limit(v)
	}
	f.OtherPolarity, f.OtherPolarityLimit = b.seen[swapped].state != SeenNever, limit(b.seen[swapped])
	best := b.seen[ohmsRed]
	if o := b.seen[ohmsBlack]; o.state == SeenWhole || best.state == SeenNever ||
		best.state == SeenPart && o.state == SeenPart && (o.limit > best.limit) != b.cause.locus.Series {
		best = o
	}
	f.ResistanceMode, f.ResistanceLimit = best.state != SeenNever, limit(best)
	f.Better = b.better(swapped) || b.better(ohmsRed) || b.better(ohmsBlack)
}
