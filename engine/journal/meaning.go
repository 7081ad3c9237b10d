package journal

import (
	"math"
	"strconv"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

// meaning lists what an event says: its kind, names and values one after the other,
// whatever the keys that a file has for them. What is not there has an empty place.
func meaning(e *Event, b *netlist.Board) (list []string) {
	put := func(values ...string) { list = append(list, values...) }
	at := ""
	if !e.Time.IsZero() {
		at = e.Time.Format(time.RFC3339Nano)
	}
	put(strconv.Itoa(int(e.Kind)), at, e.By, e.Note)
	if o := e.Open; o != nil {
		put("opening", o.Board, o.Known, o.Complaint)
		put(o.AtHand...)
	}
	if m := e.Meter; m != nil {
		put("meter", m.Name, number(m.TestCurrent), number(m.OpenVoltage), number(m.Over), number(m.Gain), number(m.Counts), number(m.Resolution),
			strconv.Itoa(int(m.Source)), number(m.OhmsCurrent), number(m.OhmsOpen), number(m.OhmsOver))
	}
	for i := range e.Readings {
		r := &e.Readings[i]
		to := ""
		if r.To != nil {
			to = b.PointName(*r.To)
		}
		put("reading", b.PointName(r.At), to, strconv.Itoa(int(r.Polarity)), quantity.FormatReading(r.Reading))
	}
	for _, l := range e.Looks {
		put("inspect", l.Name(b), strconv.Itoa(int(l.Look)))
	}
	for _, i := range e.Injections {
		put("injection", b.Nets[i.Rail].Name, strconv.Itoa(len(i.Warm)))
		for _, p := range i.Warm {
			put(b.Parts[p].Name)
		}
	}
	if len(e.Injections) > 0 && e.Injections[0].SeenBy != SeenByFilm {
		put("seen by", e.Injections[0].SeenBy.String())
	}
	for _, d := range e.Drops {
		put("drop", b.Nets[d.Rail].Name, number(d.Amperes))
		for _, v := range d.Volts {
			put(b.Parts[v.Part].Name, number(v.Volts))
		}
	}
	for _, x := range e.Presses {
		put("press", b.Parts[x.Part].Name, b.PointName(x.Read.At), quantity.FormatReading(x.Read.Reading))
	}
	for _, r := range e.Goods {
		put("good", b.PointName(r.At), quantity.FormatReading(r.Reading))
	}
	for _, x := range e.Swaps {
		put("swap", b.Connectors[x.Connector].Name, strconv.FormatBool(x.Works))
	}
	for _, x := range e.Undrawn {
		put("undrawn", b.Nets[x.Net].Name, strconv.Itoa(len(x.Marks)))
		put(x.Marks...)
	}
	for _, p := range e.Parts {
		put("part", b.Parts[p].Name)
	}
	for _, j := range e.Jumpers {
		put("joined", b.Parts[j.Part].Name, number(j.Ohms))
	}
	for _, m := range e.Repairs {
		put("place", b.RepairName(m))
	}
	if s := e.Supply; s != nil {
		put("supply", amperes(s.Before), amperes(s.After))
	}
	for _, m := range e.Marks {
		put("mark", b.Parts[m.Part].Name, m.String())
	}
	for _, t := range e.Functions {
		put("function", t.Function, strconv.Itoa(int(t.Result)))
	}
	for _, n := range e.Nets {
		put("net", b.Nets[n].Name)
	}
	if e.Choose != "" {
		put("choose", e.Choose)
	}
	put(strconv.Itoa(e.Undo))
	put(e.Acknowledged...)
	if c := e.Close; c != nil {
		put("closing", c.Cause, c.Remedy)
	}
	return list
}

func amperes(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return number(v*1e3) + " mA"
}

// number writes a number without an exponent, to fifteen digits: enough for any
// meter, and few enough to hide what a change of scale leaves in the sixteenth.
func number(v float64) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
	if err != nil {
		short = v
	}
	return strconv.FormatFloat(short, 'f', -1, 64)
}
