package references

import (
	"fmt"
	"math"
	"slices"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// mistake is one way to explain all readings of a sweep.
type mistake struct {
	prior    float64
	finding  Finding
	logScore float64
}

// explain weighs what may have gone wrong with a whole sweep by Bayes' rule and
// returns what is probable. covered holds the indices of the readings that the
// findings account for; it is nil where they account for all of them.
//
// Under each mistake a reading is compared with what other boards read where the
// mistake would have put the probe; the readings are taken as independent, with
// strayShare of them anywhere.
func (l *Library) explain(s *Sweep, g *group) (findings []Finding, covered map[int]bool) {
	right := make([]*Predictive, len(s.Readings))
	for i, r := range s.Readings {
		right[i] = g.reference(placeOf(r.At, s.State.Polarity), s.BoardName())
	}
	own := make([]float64, len(s.Readings)) // of each reading, the logarithm of its likelihood on a good board
	good := 0.0
	for i, r := range s.Readings {
		own[i] = logReading(roomVolts(s, r), right[i], s.Meter.Over, strayShare)
		good += own[i]
	}

	mistakes := l.layoutMistakes(s, g, right, own)
	mistakes = append(mistakes, l.polarityMistake(s, g, right))
	mistakes = append(mistakes, revisionMistakes(s, g)...)
	mistakes = append(mistakes, mistake{priorUnusual, Finding{
		Kind: KindUnusual, Severity: SeverityFault,
		Seen: fmt.Sprintf("%d of %d readings differ from other boards of revision %s", s.strangers(right), len(s.Readings), document.Quote(s.Revision)),
		Do:   "look whether the battery was in, something was plugged in, or the board is another revision or not good; withdraw the sweep if so",
	}, s.score(right, differShare)})
	unusual := mistakes[len(mistakes)-1].finding
	mistakes = append(mistakes, driftMistake(s, right, good))

	best := mistakes[0]
	for _, m := range mistakes {
		if m.logShare() > best.logShare() {
			best = m
		}
	}
	// Shares are taken relative to the best, so that nothing overflows.
	fine := math.Exp(math.Log(1-priorPolarity-priorLayout-priorDrift-priorRevision-priorUnusual) + good - best.logShare())
	total := fine
	for _, m := range mistakes {
		total += math.Exp(m.logShare() - best.logShare())
	}
	switch {
	case 1/total >= explainAt:
		best.finding.Sweep, best.finding.Confidence = s.File, 1/total
		return []Finding{best.finding}, nil
	case 1-fine/total >= explainAt: // wrong as a whole, though not sure in which way
		unusual.Sweep, unusual.Confidence = s.File, 1-fine/total
		return []Finding{unusual}, nil
	}
	return swaps(s, g, right, own)
}

// logShare is the logarithm of prior times likelihood.
func (m mistake) logShare() float64 { return math.Log(m.prior) + m.logScore }

// score is the logarithm of the likelihood of a sweep's readings, each by its
// own distribution (nil where nothing is known), stray of them anywhere.
func (s *Sweep) score(known []*Predictive, stray float64) float64 {
	var sum float64
	for i, r := range s.Readings {
		sum += logReading(roomVolts(s, r), known[i], s.Meter.Over, stray)
	}
	return sum
}

// logReading is the logarithm of the likelihood of one reading, NaN for OL.
func logReading(volts float64, known *Predictive, over, stray float64) float64 {
	if known == nil {
		return logAnywhere(volts)
	}
	return math.Log((1-stray)*math.Exp(known.logProbOf(volts, over)) + stray*anywhere(volts))
}

// logProbOf is the logarithm of the density of a voltage or the probability of
// OL (NaN).
func (p Predictive) logProbOf(volts, over float64) float64 {
	if math.IsNaN(volts) {
		return math.Log(p.OverloadProb(over))
	}
	return p.LogProb(volts)
}

// anywhere is the likelihood of a reading of which nothing is known: OL (NaN) with
// wrongOpen, else anywhere in the display's range.
func anywhere(volts float64) float64 {
	if math.IsNaN(volts) {
		return wrongOpen
	}
	return (1 - wrongOpen) / displaySpan
}

// logAnywhere is the logarithm of anywhere.
func logAnywhere(volts float64) float64 { return math.Log(anywhere(volts)) }

// strangers counts the readings that are as likely to be anywhere as to belong.
func (s *Sweep) strangers(known []*Predictive) int {
	n := 0
	for i, r := range s.Readings {
		v := roomVolts(s, r)
		if known[i] != nil && known[i].logProbOf(v, s.Meter.Over) < logAnywhere(v) {
			n++
		}
	}
	return n
}

// layout is a way to take one pin of a connector for another: from gives the
// number of the pin that was really read when the file names pin i of n.
type layout struct {
	seen, do string
	from     func(i, n int) int
}

// layoutsOf lists the ways to miscount a connector.
func layoutsOf(c netlist.Connector) []layout {
	const recount = "count the pins of the connector again from pin 1, then read it again or correct the file"
	list := []layout{
		{"reads as if each probe had been one pin further on", recount, func(i, _ int) int { return i + 1 }},
		{"reads as if each probe had been one pin back", recount, func(i, _ int) int { return i - 1 }},
		{"reads as if counted from the other end", recount, func(i, n int) int { return n + 1 - i }},
	}
	if c.Rows == 2 {
		list = append(list,
			layout{"reads as if each probe had been one place further along its row", recount, func(i, _ int) int { return i + 2 }},
			layout{"reads as if each probe had been one place back along its row", recount, func(i, _ int) int { return i - 2 }},
			layout{"reads as if the two rows had been exchanged", recount, func(i, _ int) int { return (i - 1) ^ 1 + 1 }},
		)
	}
	return list
}

// pinout is how the pins of a connector lie, worked out once for all sweeps.
type pinout struct {
	number []int       // of each pin, by netlist.Connector.Places
	pin    map[int]int // by number
	last   int         // number
	ways   []layout
	beside [][]netlist.PinRef // of each pin, the neighbours that the board file names after it
}

func pinoutsOf(b *netlist.Board) []pinout {
	list := make([]pinout, len(b.Connectors))
	for c, connector := range b.Connectors {
		p := &list[c]
		p.number, p.last = connector.Places()
		p.pin = make(map[int]int, len(p.number))
		for i, n := range p.number {
			p.pin[n] = i
		}
		p.ways = layoutsOf(connector)
		p.beside = make([][]netlist.PinRef, len(connector.Pins))
		for i := range connector.Pins {
			for _, next := range b.Neighbours(netlist.PinRef{Connector: netlist.ConnectorID(c), Pin: int32(i)}) {
				if int(next.Pin) > i {
					p.beside[i] = append(p.beside[i], next)
				}
			}
		}
	}
	return list
}

// layoutMistakes weighs every way to miscount every connector.
func (l *Library) layoutMistakes(s *Sweep, g *group, right []*Predictive, own []float64) []mistake {
	var mistakes []mistake
	for c, connector := range l.board.Connectors {
		var swept []int // readings of its pins
		elsewhere := 0.0
		byPin := make([]*Predictive, len(connector.Pins))
		for i, r := range s.Readings {
			if r.At.Kind == netlist.PointPin && int(r.At.Pin.Connector) == c {
				swept = append(swept, i)
				byPin[r.At.Pin.Pin] = right[i]
			} else {
				elsewhere += own[i]
			}
		}
		if len(swept) < 3 {
			continue
		}
		out := &g.pinouts[c]
		for _, way := range out.ways {
			score := elsewhere
			for _, i := range swept {
				r := s.Readings[i]
				var known *Predictive
				if really, there := out.pin[way.from(out.number[r.At.Pin.Pin], out.last)]; there {
					if known = byPin[really]; known == nil {
						known = l.pinReference(s, g, c, really)
					}
				}
				score += logReading(roomVolts(s, r), known, s.Meter.Over, strayShare)
			}
			mistakes = append(mistakes, mistake{0, Finding{
				Kind: KindLayout, Severity: SeverityFault, At: connector.Name, Seen: way.seen, Do: way.do,
			}, score})
		}
	}
	for i := range mistakes {
		mistakes[i].prior = priorLayout / float64(len(mistakes))
	}
	return mistakes
}

// pinReference is what other boards read on a pin given by its index, nil where
// nothing is known of it.
func (l *Library) pinReference(s *Sweep, g *group, connector, pin int) *Predictive {
	ref := netlist.PinRef{Connector: netlist.ConnectorID(connector), Pin: int32(pin)}
	at := l.board.PinPoint(ref)
	return g.reference(placeOf(at, s.State.Polarity), s.BoardName())
}

// polarityMistake weighs that the probes were the other way round. Where boards
// were read that way, their readings say what to expect. Elsewhere a point that
// reads a junction one way reads, the other way, some higher voltage or OL (its
// own supply's junction comes on top), and a point without a junction the same;
// from black on ground to red on ground it is lower.
func (l *Library) polarityMistake(s *Sweep, g *group, right []*Predictive) mistake {
	other := BlackOnGround
	if s.State.Polarity == BlackOnGround {
		other = RedOnGround
	}
	var score float64
	for i, r := range s.Readings {
		v := roomVolts(s, r)
		if p := l.turned(g, placeOf(r.At, other), s.BoardName()); p != nil {
			score += logReading(v, p, s.Meter.Over, strayShare)
			continue
		}
		score += logOtherWay(v, right[i], other, s.Meter.Over)
	}
	return mistake{priorPolarity, Finding{
		Kind: KindPolarity, Severity: SeverityFault,
		Seen: fmt.Sprintf("says %s but reads as if taken %s", s.State.Polarity, other),
		Do:   fmt.Sprintf("if the probes were so, correct the file to `polarity: %s`; otherwise read the board again", other),
	}, score}
}

// turned is the distribution of a place in the polarity that a group was not read
// in, on the first maxPeers boards other than except; nil where nobody read it so.
func (l *Library) turned(g *group, at place, except string) *Predictive {
	samples := l.places[at]
	if len(samples) == 0 {
		return nil
	}
	samples = samples[:min(len(samples), maxPeers)]
	if !slices.ContainsFunc(samples, func(x Sample) bool { return x.Sweep.BoardName() == except }) {
		except = "" // there is nothing to leave out: one answer for all such boards
	}
	key := knownKey{at, except}
	if p, done := g.turned[key]; done {
		return p
	}
	var peers []peer
	for _, x := range samples {
		if x.Sweep.BoardName() == except {
			continue
		}
		volts := x.Volts
		if x.Overload {
			volts = math.NaN()
		}
		peers = append(peers, peer{volts: volts})
	}
	var p *Predictive
	if len(peers) > 0 {
		made := predictTrimmed(peers)
		p = &made
	}
	g.turned[key] = p
	return p
}

// logOtherWay is the likelihood of a reading taken the way other, on a point
// whose readings are known only in the opposite way.
func logOtherWay(volts float64, known *Predictive, other Polarity, over float64) float64 {
	const open = 0.3 // share of points that read OL; common practice, no source
	if known == nil || math.IsNaN(known.Center) {
		return logAnywhere(volts)
	}
	center := known.Center
	low, high := center+0.03, over
	if other == RedOnGround {
		low, high = 0.2, center-0.03
	}
	switch {
	case center < 0.2:
		return logReading(volts, known, over, strayShare)
	case math.IsNaN(volts):
		return math.Log(open)
	case volts < low || volts > high:
		return math.Log(strayShare) + logAnywhere(volts)
	}
	return math.Log((1 - open) / (high - low))
}

// revision is what sweeps of another revision of the board read, in one polarity,
// by the written names of the points.
type revision struct {
	name  string
	known map[string]*Predictive
}

// revisions lists the other revisions that the folder has sweeps of, in the order
// of their first sweeps.
func (l *Library) revisions(pol Polarity) []revision {
	peers := make(map[string]map[string][]peer)
	var list []revision
	for _, o := range l.others {
		if o.State.Polarity != pol || o.Revision == l.Revision {
			continue
		}
		if peers[o.Revision] == nil {
			peers[o.Revision] = make(map[string][]peer)
			list = append(list, revision{o.Revision, make(map[string]*Predictive)})
		}
		for _, r := range o.Readings {
			if points := peers[o.Revision]; len(points[r.Name]) < maxPeers {
				points[r.Name] = append(points[r.Name], peer{volts: roomVolts(o, r)})
			}
		}
	}
	for _, x := range list {
		for name, peers := range peers[x.name] {
			p := predictTrimmed(peers)
			x.known[name] = &p
		}
	}
	return list
}

// revisionMistakes weighs that the board was of another revision, one that the
// folder has sweeps of.
func revisionMistakes(s *Sweep, g *group) []mistake {
	var mistakes []mistake
	for _, x := range g.revisions {
		known := make([]*Predictive, len(s.Readings))
		for i, r := range s.Readings {
			known[i] = x.known[r.Name]
		}
		mistakes = append(mistakes, mistake{priorRevision / float64(len(g.revisions)), Finding{
			Kind: KindRevision, Severity: SeverityFault,
			Seen: fmt.Sprintf("says revision %s but reads like revision %s", document.Quote(s.Revision), document.Quote(x.name)),
			Do:   fmt.Sprintf("look at the board; if it is revision %s, correct the file", document.Quote(x.name)),
		}, s.score(known, strayShare)})
	}
	return mistakes
}

// driftMistake weighs that all readings moved together, by an offset and a gain
// with normal priors, against the small common movement of good sweeps.
func driftMistake(s *Sweep, right []*Predictive, good float64) mistake {
	steady, _, _ := s.moved(right, steadyOffset, steadyGain)
	moved, offset, gain := s.moved(right, driftOffset, driftGain)
	return mistake{priorDrift, Finding{
		Kind: KindDrift, Severity: SeverityDoubt,
		Seen: fmt.Sprintf("all readings are moved together, by %+.0f mV %+.1f %% of the reading", 1000*offset, 100*gain),
		Do:   "check the meter's battery and leads (`halfsplit meter calibrate`) and the warmth of the board, then read it again",
	}, good + moved - steady}
}

// moved is the logarithm of the likelihood of a sweep whose readings all moved by
// offset + gain*reading, where both have normal priors around zero with the
// given standard deviations, and the most probable offset and gain. It is
// Laplace's approximation of the integral over them:
//
//	likelihood at the peak * exp(-prior quadratic/2) / sqrt(|H| offsetSD² gainSD²)
//
// with H the curvature. The peak is found by least squares, reweighted as
// Student's distribution weighs residuals, (DF+1)/(DF+z²), so that single wild
// readings do not pull it.
func (s *Sweep) moved(right []*Predictive, offsetSD, gainSD float64) (score, offset, gain float64) {
	var det float64
	for range 8 {
		w, wx, wxx := 1/(offsetSD*offsetSD), 0.0, 1/(gainSD*gainSD)
		var wr, wxr float64
		for i, r := range s.Readings {
			v := roomVolts(s, r)
			if right[i] == nil || math.IsNaN(v) || math.IsNaN(right[i].Center) {
				continue
			}
			x, residual := right[i].Center, v-right[i].Center
			if math.Abs(residual) > driftReach {
				continue
			}
			z := (residual - offset - gain*x) / right[i].Scale
			weight := (right[i].DF + 1) / (right[i].DF + z*z) / (right[i].Scale * right[i].Scale)
			w, wx, wxx = w+weight, wx+weight*x, wxx+weight*x*x
			wr, wxr = wr+weight*residual, wxr+weight*residual*x
		}
		det = w*wxx - wx*wx
		offset, gain = (wxx*wr-wx*wxr)/det, (w*wxr-wx*wr)/det
	}
	for i, r := range s.Readings {
		v := roomVolts(s, r)
		if right[i] != nil && !math.IsNaN(right[i].Center) {
			v -= offset + gain*right[i].Center
		}
		score += logReading(v, right[i], s.Meter.Over, strayShare)
	}
	score -= (offset*offset/(offsetSD*offsetSD) + gain*gain/(gainSD*gainSD)) / 2
	return score - math.Log(det*offsetSD*offsetSD*gainSD*gainSD)/2, offset, gain
}

// swaps reports pairs of neighbouring pins whose readings look exchanged, each
// weighed by itself. covered holds the indices of their readings.
func swaps(s *Sweep, g *group, right []*Predictive, own []float64) (findings []Finding, covered map[int]bool) {
	covered = make(map[int]bool)
	byPin := make(map[netlist.PinRef]int, len(s.Readings))
	for i, r := range s.Readings {
		if r.At.Kind == netlist.PointPin {
			byPin[r.At.Pin] = i
		}
	}
	prior := priorSwap / float64(max(1, len(byPin)))
	for i, r := range s.Readings {
		if r.At.Kind != netlist.PointPin {
			continue
		}
		for _, next := range g.pinouts[r.At.Pin.Connector].beside[r.At.Pin.Pin] {
			j, swept := byPin[next]
			if !swept || covered[i] || covered[j] || right[i] == nil || right[j] == nil {
				continue
			}
			a, b := roomVolts(s, r), roomVolts(s, s.Readings[j])
			over := s.Meter.Over
			odds := math.Exp(logReading(a, right[j], over, strayShare) + logReading(b, right[i], over, strayShare) - own[i] - own[j])
			if p := prior * odds / (1 - prior + prior*odds); p >= explainAt {
				covered[i], covered[j] = true, true
				findings = append(findings, Finding{
					Kind: KindSwap, Severity: SeverityFault, Sweep: s.File, Confidence: p,
					At:   r.Name + ", " + s.Readings[j].Name,
					Seen: "each reads what other boards read on the other",
					Do:   "read both pins again; exchange the two readings in the file if they were swapped",
				})
			}
		}
	}
	return findings, covered
}
