package coverage

import (
	"math"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/network"
)

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

// why says what keeps a band out of sight.
func (r *reaching) why(b *band) string {
	c := &b.cause.locus.Change
	if c.Kind == network.Detach && len(b.cause.touched[usual]) == 0 && b.cause.locus.NPins == 0 && len(r.Model.ContactElements(c.Contact)) == 0 {
		return WhyNoCurrent
	}
	reached, open, unknown := false, false, false
	for _, n := range r.Model.Nets(c) {
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
func (r *reaching) describe(f *Fault, b *band) {
	v := b.seen[usual]
	f.Range, f.Seen, f.Why = v.state, v.state != SeenNever, b.why
	f.Ohms = diagnose.Number(b.ohms)
	if b.by >= 0 {
		o := &r.sights[usual].obs[b.by]
		good := o.Good.Volts > o.Probe.Meter.Over
		f.By, f.Sigmas, f.Overload = r.Board.PointName(r.pins[b.by]), math.Min(b.sig, 11), b.at.Volts > o.Probe.Meter.Over
		if !good && !f.Overload {
			f.Shift = diagnose.Number(b.at.Volts - o.Good.Volts)
		}
	}
	limit := func(v visible) *float64 {
		if v.state != SeenPart {
			return nil
		}
		return diagnose.Number(v.limit)
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
