package journal

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// notRead stands for a current that nobody read.
var notRead = math.NaN()

// encode writes one event as the text of a YAML document, each key on one line
// so that a sealed event is easily read and compared.
func encode(e Event, b *netlist.Board) ([]byte, error) {
	for _, s := range freeTexts(e) {
		if !utf8.ValidString(s) {
			return nil, fmt.Errorf("%s is not UTF-8 text; enter it again", document.Quote(s))
		}
	}
	var out text
	switch e.Kind {
	case KindOpen:
		if e.Open == nil {
			return nil, missing(e.Kind)
		}
		out.line("open", mapping(
			pair{"board", scalar(e.Open.Board)}, pair{"known", optional(e.Open.Known)}, pair{"complaint", optional(e.Open.Complaint)}))
	case KindMeter:
		if e.Meter == nil {
			return nil, missing(e.Kind)
		}
	case KindRead:
		if len(e.Readings) == 0 {
			return nil, missing(e.Kind)
		}
		if err := encodeReadings(&out, e.Readings, b); err != nil {
			return nil, err
		}
	case KindInspect:
		var pairs []pair
		for _, l := range e.Looks {
			pairs = append(pairs, pair{partName(b, l.Part), l.Look.String()})
		}
		out.line("inspect", mapping(pairs...))
	case KindInject:
		var pairs []pair
		for _, i := range e.Injections {
			pairs = append(pairs, pair{netName(b, i.Rail), partList(b, i.Warm)})
		}
		out.line("inject", mapping(pairs...))
		if len(e.Injections) > 0 && e.Injections[0].SeenBy != SeenByFilm {
			out.line("seen_by", e.Injections[0].SeenBy.String())
		}
	case KindDrop:
		if len(e.Drops) == 0 {
			return nil, missing(e.Kind)
		}
		var pairs []pair
		for _, d := range e.Drops {
			var volts []pair
			for _, v := range d.Volts {
				volts = append(volts, pair{partName(b, v.Part), number(v.Volts*1e3) + " mV"})
			}
			pairs = append(pairs, pair{netName(b, d.Rail), mapping(volts...)})
		}
		out.line("drop", mapping(pairs...))
		out.line("current", number(e.Drops[0].Amperes)+" A")
	case KindRemove, KindReinstall, KindReplace, KindReflow:
		out.line(e.Kind.String(), partList(b, e.Parts))
	case KindJumper:
		var pairs []pair
		for _, j := range e.Jumpers {
			pairs = append(pairs, pair{partName(b, j.Part), number(j.Ohms) + " ohm"})
		}
		for _, m := range e.Repairs {
			pairs = append(pairs, pair{scalar(b.RepairName(m)), "0 ohm"})
		}
		out.line("jumper", mapping(pairs...))
	case KindResolder, KindClean:
		var items []string
		for _, p := range e.Parts {
			items = append(items, partName(b, p))
		}
		for _, m := range e.Repairs {
			items = append(items, scalar(b.RepairName(m)))
		}
		out.line(e.Kind.String(), "["+strings.Join(items, ", ")+"]")
	case KindConcerns:
		if len(e.Nets) == 0 {
			return nil, missing(e.Kind)
		}
		var items []string
		for _, n := range e.Nets {
			items = append(items, netName(b, n))
		}
		out.line("concerns", "["+strings.Join(items, ", ")+"]")
	case KindNote:
		if e.Note == "" {
			return nil, missing(e.Kind)
		}
	case KindMark:
		var pairs []pair
		for _, m := range e.Marks {
			pairs = append(pairs, pair{partName(b, m.Part), m.String()})
		}
		out.line("mark", mapping(pairs...))
	case KindFunctions:
		var pairs []pair
		for _, t := range e.Functions {
			pairs = append(pairs, pair{scalar(t.Function), t.Result.String()})
		}
		out.line("functions", mapping(pairs...))
	case KindSupply:
		if e.Supply == nil {
			return nil, missing(e.Kind)
		}
		out.line("supply", mapping(pair{"before", amperes(e.Supply.Before)}, pair{"after", amperes(e.Supply.After)}))
	case KindUndo:
		target := undoLast
		if e.Undo != 0 {
			target = strconv.Itoa(e.Undo)
		}
		out.line("undo", target)
	case KindAcknowledge:
		var items []string
		for _, a := range e.Acknowledged {
			items = append(items, scalar(a))
		}
		out.line("acknowledge", "["+strings.Join(items, ", ")+"]")
	case KindClose:
		if e.Close == nil {
			return nil, missing(e.Kind)
		}
		out.line("close", mapping(pair{"cause", scalar(e.Close.Cause)}, pair{"remedy", optional(e.Close.Remedy)}))
	default:
		return nil, fmt.Errorf("event of the unknown kind %d", e.Kind)
	}
	if e.Meter != nil {
		out.line("meter", encodeMeter(*e.Meter))
	}
	out.line("note", optional(e.Note))
	if !e.Time.IsZero() {
		out.line("time", e.Time.Format(time.RFC3339Nano))
	}
	out.line("by", optional(e.By))
	return []byte(out.String()), nil
}

// freeTexts are the texts of an event that a person enters.
func freeTexts(e Event) []string {
	texts := append([]string{e.By, e.Note}, e.Acknowledged...)
	if e.Open != nil {
		texts = append(texts, e.Open.Board, e.Open.Known, e.Open.Complaint)
	}
	if e.Meter != nil {
		texts = append(texts, e.Meter.Name)
	}
	if e.Close != nil {
		texts = append(texts, e.Close.Cause, e.Close.Remedy)
	}
	for _, t := range e.Functions {
		texts = append(texts, t.Function)
	}
	for _, r := range e.Readings {
		texts = append(texts, r.Name, r.ToName)
	}
	return texts
}

func missing(k Kind) error {
	return fmt.Errorf("an event `%s` without what it tells; this is a fault of the program", k)
}

// encodeReadings writes readings that were taken with the probes the same way.
func encodeReadings(out *text, readings []Read, b *netlist.Board) error {
	var pairs []pair
	first := readings[0]
	for _, r := range readings {
		if r.Polarity != first.Polarity || (r.To == nil) != (first.To == nil) || r.To != nil && *r.To != *first.To {
			return fmt.Errorf("readings of two polarities, or to two points, in one event; record them one after the other")
		}
		pairs = append(pairs, pair{pointName(b, r.At, r.Name), quantity.FormatReading(r.Reading)})
	}
	out.line("read", mapping(pairs...))
	if first.To != nil {
		out.line("to", pointName(b, *first.To, first.ToName))
	}
	if first.Polarity != references.RedOnGround {
		out.line("polarity", first.Polarity.String())
	}
	return nil
}

func encodeMeter(m references.Meter) string {
	return mapping(
		pair{"name", optional(m.Name)},
		pair{"test_current", number(m.TestCurrent*1e3) + " mA"},
		pair{"open_voltage", number(m.OpenVoltage) + " V"},
		pair{"overload_above", number(m.Over) + " V"},
		pair{"accuracy", scalar(number(m.Gain*100) + "% + " + number(m.Counts))},
		pair{"resolution", number(m.Resolution*1e3) + " mV"},
		pair{"source", m.Source.String()},
		pair{"ohms_current", number(m.OhmsCurrent*1e3) + " mA"},
		pair{"ohms_open", number(m.OhmsOpen) + " V"},
		pair{"ohms_overload_above", number(m.OhmsOver) + " ohm"},
	)
}

// text is a document in the making.
type text struct{ strings.Builder }

// line adds a key with its value, none where the value is empty.
func (t *text) line(key, value string) {
	if value != "" {
		t.WriteString(key + ": " + value + "\n")
	}
}

// pair is a key with its value, both as YAML writes them.
type pair struct{ key, value string }

// mapping writes pairs on one line, leaving out those without a value.
func mapping(pairs ...pair) string {
	var entries []string
	for _, p := range pairs {
		if p.value != "" {
			entries = append(entries, p.key+": "+p.value)
		}
	}
	return "{" + strings.Join(entries, ", ") + "}"
}

func partName(b *netlist.Board, p netlist.PartID) string { return scalar(b.Parts[p].Name) }

func netName(b *netlist.Board, n netlist.NetID) string { return scalar(b.Nets[n].Name) }

// pointName prefers the name that was entered.
func pointName(b *netlist.Board, p netlist.Point, entered string) string {
	if entered == "" {
		entered = b.PointName(p)
	}
	return scalar(entered)
}

func partList(b *netlist.Board, parts []netlist.PartID) string {
	names := make([]string, len(parts))
	for i, p := range parts {
		names[i] = partName(b, p)
	}
	return "[" + strings.Join(names, ", ") + "]"
}

// plainText is text that stands for itself in YAML without quotes, inside and
// outside of brackets. Being strict costs a pair of quotes; being lax a file.
var plainText = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_./-]*( [A-Za-z0-9_./-]+)*$`)

// reserved are plain words that some readers of YAML take for values.
var reserved = regexp.MustCompile(`^(?i:true|false|yes|no|on|off|null|y|n)$`)

// scalar writes text so that it is read back the same. Quoted text stays on one
// line; its escapes are those that Go and YAML share.
func scalar(s string) string {
	if plainText.MatchString(s) && !reserved.MatchString(s) {
		return s
	}
	return strconv.Quote(s)
}

// optional is scalar, and nothing for nothing.
func optional(s string) string {
	if s == "" {
		return ""
	}
	return scalar(s)
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
