package page

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
)

// The job around the line: what was seen, what works under power, whether it is worth
// going on.

// fails tells that a function fails under power that was not expected to.
func (b *builder) fails() bool {
	return slices.ContainsFunc(b.c.Tested(), func(t journal.Tested) bool {
		return t.Result == journal.Fails && len(b.c.Without(t.Function)) == 0
	})
}

// seen lists what parts looked like.
func (b *builder) seen() Section {
	s := Section{Title: "What was seen"}
	add := func(part netlist.PartID, text string) {
		s.Facts = append(s.Facts, Fact{name(b.b.Parts[part].Name), text})
	}
	left := b.c.ComeBack()
	for i := range b.c.Events {
		ev := &b.c.Events[i]
		for _, x := range ev.Looks {
			text := x.Look.String()
			if slices.ContainsFunc(left, func(l journal.Looked) bool { return l.Part == x.Part && l.Look == x.Look }) {
				text = "■ " + text + ", not yet seen to"
			}
			s.Facts = append(s.Facts, Fact{name(x.Name(b.b)), text})
		}
		for _, x := range ev.Undrawn {
			for _, mark := range x.Marks {
				s.Facts = append(s.Facts, Fact{name(mark), "not in the board file; found at " + name(b.b.Nets[x.Net].Name)})
			}
		}
		if ev.Kind == journal.KindClean {
			for _, p := range ev.Parts {
				add(p, "cleaned and dried")
			}
		}
		for _, m := range ev.Marks {
			text := "mark looked at: sits right"
			if m.Reversed {
				text = "■ mark looked at: sat the wrong way round"
			}
			add(m.Part, text)
		}
	}
	return s
}

func (b *builder) functions() Section {
	s := Section{Title: "Function test under power", Table: Table{Heads: []string{"Function", "Result", "Remark"}}}
	for _, t := range b.c.Tested() {
		result, remark := Cell{Text: t.Result.String()}, ""
		switch without := b.c.Without(t.Function); {
		case t.Result == journal.Works:
			result.Class, result.Mark = "good", "✓"
		case t.Result == journal.Fails && len(without) > 0:
			result.Class, result.Mark, remark = "off", "▲", "expected: "+prose(strings.Join(without, ", "))+" is off the board"
		case t.Result == journal.Fails:
			result.Class, result.Mark = "bad", "■"
		}
		s.Rows = append(s.Rows, []Cell{strong(prose(t.Function)), result, wide(remark)})
	}
	return s
}

// going tells how long it takes from here, and what that costs; nothing once the case is
// closed.
func (b *builder) going() []string {
	if _, closed := b.c.Closed(); closed || b.d.Time == nil {
		return nil
	}
	list := []string{fmt.Sprintf("From here to a verified repair: on average about %s; %s.", wording.Duration(b.d.Expected), b.d.Time.Says())}
	if b.d.Worth != nil {
		for _, text := range b.d.Worth.Says() {
			list = append(list, prose(text))
		}
	}
	return list
}

// firstWork is the number of the first event that was rework.
func (b *builder) firstWork() int {
	for _, ev := range b.c.Events {
		if ev.Rework() {
			return ev.Number
		}
	}
	return math.MaxInt
}
