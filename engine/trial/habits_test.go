package trial

import (
	"math"
	"sort"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/network"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// The habits of the trade that the engine is measured against (common practice,
// no source). All of them begin at the pin that reads oddest, know the good value
// of every connector pin, and stop when what is wrong has been repaired; all pay
// the same seconds for the same work. None looks at parts. A part that is removed
// and found good is put back.
//
//   - Outward: probe each net of the line from the connector outward; then remove
//     every part of the line in that order, reading the pin after each.
//   - HalfSplit: the same line, but always remove the series part in the middle of
//     what is left and keep the bad half; then the parts of that half in order.
//   - ByPrior: replace the parts of the line, likeliest by kind first.

// line is what stands between the outlying pin and the ends of its line.
type line struct {
	pin    diagnose.Comparison
	series []netlist.PartID // in order outward
	parts  []netlist.PartID // all, in order outward
	nets   []netlist.NetID  // in order outward
}

// lineOf walks outward from the reading that is furthest off.
func (w *Work) lineOf(d *repair.Diagnosis) (line, bool) {
	var l line
	worst := -1.0
	for _, r := range d.Readings {
		if s := math.Abs(r.ZScore); s > worst && r.Verdict != diagnose.NoKnownGood && r.Polarity == references.RedOnGround.String() {
			worst, l.pin = s, r
		}
	}
	pt, err := w.Engine.Board.Point(l.pin.At)
	if err != nil || pt.Net == netlist.None {
		return l, false
	}
	b := w.Engine.Board
	seen := map[netlist.NetID]bool{pt.Net: true}
	had := map[netlist.PartID]bool{}
	l.nets = []netlist.NetID{pt.Net}
	for i := 0; i < len(l.nets) && i < 12; i++ {
		for _, t := range b.Nets[l.nets[i]].Terminals {
			if had[t.Part] {
				continue
			}
			had[t.Part] = true
			l.parts = append(l.parts, t.Part)
			p := &b.Parts[t.Part]
			if p.Kind.Class() != netlist.Series || network.Pinned(p.Kind) {
				continue
			}
			l.series = append(l.series, t.Part)
			for _, u := range p.Terminals {
				if u.Net != netlist.None && u.Net != b.Ground && !seen[u.Net] && !b.Nets[u.Net].Rail {
					seen[u.Net] = true
					l.nets = append(l.nets, u.Net)
				}
			}
		}
	}
	return l, true
}

// right tells whether the outlying pin reads as a good board now.
func (w *Work) right(l *line) (bool, error) {
	w.Seconds += w.Costs.Measure
	r, err := w.read(l.pin.At, references.RedOnGround)
	if err != nil {
		return false, err
	}
	good := l.pin.KnownGood
	if good == nil {
		good = l.pin.Predicted
	}
	if good == nil {
		return r.Overload, nil
	}
	return !r.Overload && math.Abs(r.Value-*good) < 0.03, nil
}

// replace fits a new part and tells whether the truth is repaired.
func (w *Work) replace(p netlist.PartID) (bool, error) {
	b := w.Engine.Board
	s := repair.Step{Do: repair.DoRepair, Part: b.Parts[p].Name, Remedy: "replace", Seconds: w.Costs.Replace + 2*w.Costs.Measure}
	if network.Pinned(b.Parts[p].Kind) {
		s.Seconds = w.Costs.IC + 2*w.Costs.Measure
	}
	s.Seconds += w.underfill(p)
	err := w.repair(&s)
	return w.Repaired(), err
}

// clears removes a part and tells whether the outlier goes away with it.
func (w *Work) clears(p netlist.PartID, l *line) (bool, error) {
	b := w.Engine.Board
	w.pay(w.Costs.Remove+w.underfill(p), b.Parts[p].Access)
	w.remove(p)
	r, err := w.right(l)
	if err != nil {
		return false, err
	}
	if b.Parts[p].Kind.Class() == netlist.Series {
		// with a series part off, a short behind it no longer shows
		r = r || l.pin.Verdict != diagnose.IsOpen && w.lastOverload()
	}
	w.Seconds += w.Costs.Reinstall
	w.reinstall(p)
	return r, nil
}

// finish repairs what is left by hand: joints, traces and bridges of the line, a
// minute or more each, and hands the board on if that was not it either.
func (w *Work) finish() {
	if w.Repaired() {
		return
	}
	for range w.Simulator.Board.Faults {
		w.Seconds += w.Costs.Resolder + w.Costs.Clean + 2*w.Costs.Measure
	}
	copper := true
	for _, f := range w.Simulator.Board.Faults {
		copper = copper && f.Locus.Part == netlist.None
	}
	if !copper {
		w.Seconds += w.Costs.GiveUp
	}
}

// Outward is the habit of probing outward and then removing every part in order.
func (w *Work) Outward(d *repair.Diagnosis) error {
	return w.outward(d, func(l *line) error { return w.inOrder(l, l.parts) })
}

// outward probes the line in question, and goes on with what follows.
func (w *Work) outward(d *repair.Diagnosis, then func(*line) error) error {
	l, ok := w.lineOf(d)
	if !ok {
		w.finish()
		return nil
	}
	if err := w.probe(&l); err != nil {
		return err
	}
	return then(&l)
}

// probe reads each net of the line once.
func (w *Work) probe(l *line) error {
	for _, n := range l.nets[1:] {
		pts := w.Engine.Board.PointsOn(n)
		if len(pts) == 0 {
			continue
		}
		w.Seconds += w.Costs.Measure
		if _, err := w.read(w.Engine.Board.PointName(pts[0]), references.RedOnGround); err != nil {
			return err
		}
	}
	return nil
}

// inOrder removes the parts given one by one, and replaces the one whose removing
// clears the reading.
func (w *Work) inOrder(l *line, parts []netlist.PartID) error {
	for _, p := range parts {
		if w.Seconds > mostSeconds {
			break
		}
		if network.Pinned(w.Engine.Board.Parts[p].Kind) {
			continue // nobody removes an IC to see
		}
		gone, err := w.clears(p, l)
		if err != nil || w.Repaired() { // a bad joint is gone once its part was off and on
			return err
		}
		if !gone && l.pin.Verdict != diagnose.IsOpen && l.pin.Verdict != diagnose.High {
			continue
		}
		if l.pin.Verdict == diagnose.IsOpen || l.pin.Verdict == diagnose.High {
			if w.Engine.Board.Parts[p].Kind.Class() != netlist.Series {
				continue
			}
		}
		if done, err := w.replace(p); done || err != nil {
			return err
		}
	}
	for _, p := range parts {
		if !network.Pinned(w.Engine.Board.Parts[p].Kind) || w.Seconds > mostSeconds {
			continue
		}
		if done, err := w.replace(p); done || err != nil {
			return err
		}
	}
	w.finish()
	return nil
}

// HalfSplit is the habit of removing in the middle of what is left.
func (w *Work) HalfSplit(d *repair.Diagnosis) error {
	l, ok := w.lineOf(d)
	if !ok {
		w.finish()
		return nil
	}
	series := l.series
	near, far := 0, len(series)
	for near < far {
		mid := (near + far) / 2
		behind, err := w.clears(series[mid], &l)
		if err != nil || w.Repaired() {
			return err
		}
		if behind {
			near = mid + 1 // the outlier went with what is behind
		} else {
			far = mid
		}
	}
	// parts nearest to where the halves met come first
	meet := map[netlist.PartID]int{}
	for i, p := range l.parts {
		meet[p] = i
	}
	at := 0
	if near > 0 {
		at = meet[series[near-1]]
	}
	parts := append([]netlist.PartID(nil), l.parts...)
	sort.SliceStable(parts, func(a, b int) bool {
		return math.Abs(float64(meet[parts[a]]-at)) < math.Abs(float64(meet[parts[b]]-at))
	})
	return w.inOrder(&l, parts)
}

// ByPrior is the habit of replacing by experience.
func (w *Work) ByPrior(d *repair.Diagnosis, weight func(netlist.PartID) float64) error {
	l, ok := w.lineOf(d)
	if !ok {
		w.finish()
		return nil
	}
	parts := append([]netlist.PartID(nil), l.parts...)
	sort.SliceStable(parts, func(a, b int) bool { return weight(parts[a]) > weight(parts[b]) })
	for _, p := range parts {
		if w.Seconds > mostSeconds {
			break
		}
		if done, err := w.replace(p); done || err != nil {
			return err
		}
	}
	w.finish()
	return nil
}

// lastOverload tells whether the last reading showed OL.
func (w *Work) lastOverload() bool {
	events := w.Case.Events
	reads := events[len(events)-1].Readings
	return len(reads) > 0 && reads[0].Reading.Overload && reads[0].Reading.Unit == quantity.Volt
}
