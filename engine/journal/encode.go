package journal

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// notRead stands for a current that nobody read.
var notRead = math.NaN()

// encode writes one event as the text of a YAML document, each key on one line. Events that
// mean the same have the same text, whatever the spelling in the file that they are from,
// so that a seal over it holds for what an event means.
func encode(e Event, b *netlist.Board) ([]byte, error) {
	texts := slices.Concat([]string{e.By, e.Note, e.Choose}, e.Acknowledged)
	if o := e.Open; o != nil {
		texts = append(append(texts, o.Board, o.Known, o.Complaint), o.AtHand...)
	}
	if c := e.Close; c != nil {
		texts = append(texts, c.Cause, c.Remedy)
	}
	for _, s := range texts {
		if !utf8.ValidString(s) {
			return nil, fmt.Errorf("%s is not UTF-8 text; enter it again", document.Quote(s))
		}
	}
	needs := map[Kind]bool{KindOpen: e.Open != nil, KindMeter: e.Meter != nil, KindRead: len(e.Readings) > 0, KindDrop: len(e.Drops) > 0,
		KindConcerns: len(e.Nets) > 0, KindNote: e.Note != "", KindChoose: e.Choose != "", KindSupply: e.Supply != nil, KindClose: e.Close != nil}
	if has, asked := needs[e.Kind]; asked && !has {
		return nil, fmt.Errorf("an event `%s` without what it tells; this is a fault of the program", e.Kind)
	}
	var out document.Writer
	var of document.Flow // the mapping that most events are
	switch e.Kind {
	case KindOpen:
		of.Add("board", document.Scalar(e.Open.Board))
		of.Add("known", document.Optional(e.Open.Known))
		of.Add("complaint", document.Optional(e.Open.Complaint))
		if len(e.Open.AtHand) > 0 {
			of.Add("at_hand", document.FlowList(document.Scalars(e.Open.AtHand)...))
		}
	case KindRead:
		first := e.Readings[0]
		for _, r := range e.Readings {
			if r.Polarity != first.Polarity || (r.To == nil) != (first.To == nil) || r.To != nil && *r.To != *first.To {
				return nil, fmt.Errorf("readings of two polarities, or to two points, in one event; record them one after the other")
			}
			of.Add(pointName(b, r.At, r.Name), quantity.FormatReading(r.Reading))
		}
	case KindInspect:
		for _, l := range e.Looks {
			of.Add(document.Scalar(l.Name(b)), l.Look.String())
		}
	case KindInject:
		for _, i := range e.Injections {
			of.Add(netName(b, i.Rail), partList(b, i.Warm))
		}
	case KindDrop:
		for _, d := range e.Drops {
			var volts document.Flow
			for _, v := range d.Volts {
				volts.Add(partName(b, v.Part), number(v.Volts*1e3)+" mV")
			}
			of.Add(netName(b, d.Rail), volts.String())
		}
	case KindPress:
		for i := 0; i < len(e.Presses); {
			part := e.Presses[i].Part
			var points document.Flow
			for ; i < len(e.Presses) && e.Presses[i].Part == part; i++ {
				x := &e.Presses[i].Read
				points.Add(pointName(b, x.At, x.Name), quantity.FormatReading(x.Reading))
			}
			of.Add(partName(b, part), points.String())
		}
	case KindGood:
		for _, r := range e.Goods {
			of.Add(pointName(b, r.At, r.Name), quantity.FormatReading(r.Reading))
		}
	case KindSwap:
		for _, x := range e.Swaps {
			result := Fails
			if x.Works {
				result = Works
			}
			of.Add(document.Scalar(b.Connectors[x.Connector].Name), result.String())
		}
	case KindUndrawn:
		for _, x := range e.Undrawn {
			of.Add(netName(b, x.Net), document.FlowList(document.Scalars(x.Marks)...))
		}
	case KindRemove, KindReinstall, KindReplace, KindReflow:
		out.Key(e.Kind.String(), partList(b, e.Parts))
	case KindJumper:
		for _, j := range e.Jumpers {
			of.Add(partName(b, j.Part), number(j.Ohms)+" ohm")
		}
		for _, m := range e.Repairs {
			of.Add(document.Scalar(b.RepairName(m)), "0 ohm")
		}
	case KindResolder, KindClean:
		var items []string
		for _, p := range e.Parts {
			items = append(items, partName(b, p))
		}
		for _, m := range e.Repairs {
			items = append(items, document.Scalar(b.RepairName(m)))
		}
		out.Key(e.Kind.String(), document.FlowList(items...))
	case KindConcerns:
		var items []string
		for _, n := range e.Nets {
			items = append(items, netName(b, n))
		}
		out.Key("concerns", document.FlowList(items...))
	case KindMark:
		for _, m := range e.Marks {
			of.Add(partName(b, m.Part), m.String())
		}
	case KindFunctions:
		for _, t := range e.Functions {
			of.Add(document.Scalar(t.Function), t.Result.String())
		}
	case KindSupply:
		of.Add("before", amperes(e.Supply.Before))
		of.Add("after", amperes(e.Supply.After))
	case KindUndo:
		target := undoLast
		if e.Undo != 0 {
			target = strconv.Itoa(e.Undo)
		}
		out.Key("undo", target)
	case KindChoose:
		out.Key("choose", document.Scalar(e.Choose))
	case KindMeter, KindNote: // written below
	case KindAcknowledge:
		out.Key("acknowledge", document.FlowList(document.Scalars(e.Acknowledged)...))
	case KindClose:
		of.Add("cause", document.Scalar(e.Close.Cause))
		of.Add("remedy", document.Optional(e.Close.Remedy))
	default:
		return nil, fmt.Errorf("event of the unknown kind %d", e.Kind)
	}
	if out.Len() == 0 && e.Kind != KindMeter && e.Kind != KindNote {
		out.Key(e.Kind.String(), of.String())
	}
	switch {
	case e.Kind == KindInject && len(e.Injections) > 0 && e.Injections[0].SeenBy != SeenByFilm:
		out.Key("seen_by", e.Injections[0].SeenBy.String())
	case e.Kind == KindDrop:
		out.Key("current", number(e.Drops[0].Amperes)+" A")
	case e.Kind == KindRead:
		if first := e.Readings[0]; first.To != nil {
			out.Key("to", pointName(b, *first.To, first.ToName))
		}
		if e.Readings[0].Polarity != references.RedOnGround {
			out.Key("polarity", e.Readings[0].Polarity.String())
		}
	}
	if e.Meter != nil {
		out.Key("meter", e.Meter.Text())
	}
	out.Key("note", document.Optional(e.Note))
	if !e.Time.IsZero() {
		out.Key("time", e.Time.Format(time.RFC3339Nano))
	}
	out.Key("by", document.Optional(e.By))
	return []byte(out.String()), nil
}

func partName(b *netlist.Board, p netlist.PartID) string { return document.Scalar(b.Parts[p].Name) }

func netName(b *netlist.Board, n netlist.NetID) string { return document.Scalar(b.Nets[n].Name) }

// pointName prefers the name that was entered.
func pointName(b *netlist.Board, p netlist.Point, entered string) string {
	if entered == "" {
		entered = b.PointName(p)
	}
	return document.Scalar(entered)
}

func partList(b *netlist.Board, parts []netlist.PartID) string {
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i] = partName(b, p)
	}
	return document.FlowList(names...)
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
