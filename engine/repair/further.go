package repair

import (
	"math"
	"slices"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/references"
)

// How far a search goes on where no suspect calls for a step (common practice, no
// source).
const (
	furtherNets  = 12 // nets, the nearest first
	furtherLooks = 6  // parts
	furtherAlong = 3  // nets along which to look for what is not drawn

	leastSuspected = 0.1 // the chance below which a repair is a long shot
)

// further adds what can still tell something while a reading is out of range, though
// no step distinguishes the suspects: points nearby that were not read, connectors that
// were not, resistances across series parts, parts that nobody looked at. Last of all the
// board is escalated.
func (p *planning) further(d *Diagnosis) {
	wrong := d.OutOfRange()
	if len(wrong) == 0 {
		return
	}
	escalate := Step{Do: DoEscalate, Seconds: p.Costs.GiveUp, Why: "no step on offer tells more; write down what is known"}
	p.presses(d)
	if len(d.Next) > 0 && !p.longShot(&d.Next[0]) {
		p.add(d, escalate)
		return
	}
	ranked := d.Next
	d.Next = []Step{}
	const why = "nothing drawn explains what is out of range; read on from there"
	nets := p.near(wrong)
	for _, n := range nets {
		if best := p.easiestOn(n, nil); best != nil && !p.readAlready(*best, references.RedOnGround) {
			m := p.measure(p.Board.PointName(*best))
			m.Why = why
			p.add(d, m)
		}
	}
	for i := range p.Board.Connectors {
		c := &p.Board.Connectors[i]
		var unread []string
		for k := range c.Pins {
			if at := p.Board.PinPoint(netlist.PinRef{Connector: netlist.ConnectorID(i), Pin: int32(k)}); !p.everRead(at) {
				unread = append(unread, p.Board.PointName(at))
			}
		}
		if len(unread) > 0 {
			p.add(d, Step{Do: DoSweep, Part: c.Name, Then: unread, Polarity: references.RedOnGround.String(), Seconds: float64(len(unread)) * p.Costs.Sweep, Why: why})
		}
	}
	for _, n := range nets {
		p.Model.Neighbours(n, func(e int32, _ netlist.NetID) {
			if w, ok := p.acrossPart(p.Model.Elements[e].Part); ok {
				p.add(d, Step{Do: DoAcross, Part: w.name, At: p.Board.PointName(w.a), Then: []string{p.Board.PointName(w.b)}, Seconds: p.Costs.Across, Why: why})
			}
		})
	}
	looks := 0
	for _, name := range wrong {
		if at, err := p.Board.Point(name); err == nil && at.Kind == netlist.PointPin && p.Evidence.PinLooks[at.Pin] == "" {
			p.add(d, Step{Do: DoInspect, Part: name, Seconds: p.Costs.Look, Why: "it is out of range there"})
		}
	}
	for _, n := range nets {
		for _, t := range p.Board.Nets[n].Terminals {
			at := &p.Board.Parts[t.Part]
			if _, looked := p.Evidence.Looks[t.Part]; looked || looks == furtherLooks || at.Access != netlist.Open || p.Edits.Of(t.Part).Removed {
				continue
			}
			if p.add(d, Step{Do: DoInspect, Part: at.Name, Seconds: p.lookSeconds(t.Part), Why: "it stands where a reading is out of range"}) {
				looks++
			}
		}
	}
	for _, n := range nets[:min(len(nets), furtherAlong)] {
		if !p.Evidence.Along[n] {
			p.add(d, p.along(p.Board.Nets[n].Name, "nothing drawn explains what is out of range"))
		}
	}
	p.marked(d, nets)
	for _, x := range p.Edits.List() {
		if at := &p.Board.Parts[x.Part]; x.Removed && !x.Jumpered && !at.MayLeaveOff() {
			p.add(d, Step{Do: DoReinstall, Part: at.Name, Then: p.proof(d), Seconds: p.Costs.Reinstall, Why: "it is off the board, and nothing speaks against it"})
		}
	}
	for _, s := range ranked {
		if !p.longShot(&s) {
			p.add(d, s)
		}
	}
	p.add(d, escalate)
}

// marked adds repairing parts on some nets that a look or a reading across them speaks
// against, though the readings to ground do not: what is wrong besides, in the drawing or
// in the known-good readings, may hide it, and a part is sooner replaced than the board
// handed on. What leads around a part only lowers the resistance across it.
func (p *planning) marked(d *Diagnosis, nets []netlist.NetID) {
	low := slices.ContainsFunc(d.Abnormal, func(c diagnose.Abnormal) bool {
		return c.Verdict == diagnose.Low || c.Verdict == diagnose.IsShorted
	})
	for _, n := range nets {
		for _, t := range p.Board.Nets[n].Terminals {
			at, done := &p.Board.Parts[t.Part], p.Edits.Of(t.Part)
			if network.Pinned(at.Kind) || done.Removed || done.Replaced || done.Jumpered {
				continue
			}
			why := ""
			if i := slices.IndexFunc(p.Evidence.Looks[t.Part], func(x string) bool { return x != journal.Clean.String() }); i >= 0 {
				why = "it looks " + p.Evidence.Looks[t.Part][i]
			}
			mode := fault.Open
			if p.acrossRaised(t.Part) {
				why = "more resistance is across it than drawn"
			} else if low && at.Kind.Class() != netlist.Series {
				mode = fault.Shorted
			}
			if why == "" {
				continue
			}
			r := p.remedy(&fault.Fault{Locus: &fault.Locus{Part: t.Part}, Mode: mode})
			p.add(d, Step{Do: DoRepair, Part: r.place, Remedy: r.name, Polarity: references.RedOnGround.String(), Then: p.proof(d), Seconds: r.seconds,
				Why: why + ", and it stands where a reading is out of range"})
		}
	}
}

// acrossRaised tells whether a reading across a series part is above what is drawn by more
// than tolerance and the meter's error would allow.
func (p *planning) acrossRaised(part netlist.PartID) bool {
	at, ohms := &p.Board.Parts[part], 0.0
	for _, way := range at.Paths() {
		ohms = math.Max(ohms, way.Ohms)
	}
	return at.Kind.Class() == netlist.Series && slices.ContainsFunc(p.Taken, func(t diagnose.Taken) bool {
		return p.isAcross(&t.Read, part) && (t.Read.Reading.Overload || t.Read.Reading.Value > raisedShare*ohms+raisedOhms)
	})
}

// A series part counts as raised from raisedShare of its drawn value and raisedOhms on where
// nothing else is left to try (common practice, no source).
const (
	raisedShare = 1.5
	raisedOhms  = 2.0 // ohm, beyond what contacts and leads add to a bead
)

// longShot tells of a repair of what is hardly suspected: whatever tells more comes
// first, and then the board is handed on, for that is sooner done than one such repair
// after the other.
func (p *planning) longShot(s *Step) bool {
	if s.Do != DoRepair {
		return false
	}
	share := 0.0
	if r := slices.IndexFunc(p.remedies, func(r remedy) bool { return r.place == s.Part && r.name == s.Remedy }); r >= 0 {
		share = p.shareOf(r)
	}
	return share < leastSuspected && share*p.Costs.GiveUp < s.Seconds
}

// near lists nets outward from points.
func (p *planning) near(names []string) []netlist.NetID {
	in := map[netlist.NetID]bool{netlist.None: true, p.Board.Ground: true}
	var nets []netlist.NetID
	add := func(n netlist.NetID) {
		if !in[n] && len(nets) < furtherNets {
			in[n] = true
			nets = append(nets, n)
		}
	}
	for _, name := range names {
		if at, err := p.Board.Point(name); err == nil {
			add(at.Net)
		}
	}
	for i := 0; i < len(nets); i++ {
		p.Model.Neighbours(nets[i], func(_ int32, other netlist.NetID) { add(other) })
	}
	return nets
}

// everRead tells whether a point was read, however the board lay.
func (p *planning) everRead(at netlist.Point) bool {
	return slices.ContainsFunc(p.Taken, func(t diagnose.Taken) bool { return t.Read.At == at && t.Read.To == nil })
}
