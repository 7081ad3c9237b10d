package page

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"halfsplit/engine/journal"
)

// The job around the line: what was seen, what works under power, whether it is worth
// going on.

// fails tells that a function fails under power that was not expected to.
func (b *builder) fails() bool {
	return slices.ContainsFunc(b.c.Tested(), func(t journal.Tested) bool {
		return t.Result == journal.Fails && len(b.c.Without(t.Function)) == 0
	})
}

func (b *builder) job() {
	r := b.r
	left := b.c.ComeBack()
	for i := range b.c.Events {
		for _, x := range b.c.Events[i].Looks {
			text := x.Look.String()
			if slices.ContainsFunc(left, func(l journal.Looked) bool { return l.Part == x.Part && l.Look == x.Look }) {
				text = "■ " + text + ", not yet seen to"
			}
			r.Looks = append(r.Looks, Fact{name(x.Name(b.b)), text})
		}
		if ev := &b.c.Events[i]; ev.Kind == journal.KindClean {
			for _, p := range ev.Parts {
				r.Looks = append(r.Looks, Fact{name(b.b.Parts[p].Name), "cleaned and dried"})
			}
		}
		for _, m := range b.c.Events[i].Marks {
			text := "mark looked at: sits right"
			if m.Reversed {
				text = "■ mark looked at: sat the wrong way round"
			}
			r.Looks = append(r.Looks, Fact{name(b.b.Parts[m.Part].Name), text})
		}
	}
	for _, t := range b.c.Tested() {
		w := Function{Name: prose(t.Function), Result: t.Result.String()}
		switch without := b.c.Without(t.Function); {
		case t.Result == journal.Works:
			w.Class, w.Mark = "good", "✓"
		case t.Result == journal.Fails && len(without) > 0:
			w.Class, w.Mark, w.Remark = "off", "▲", "expected: "+prose(strings.Join(without, ", "))+" is off the board"
		case t.Result == journal.Fails:
			w.Class, w.Mark = "bad", "■"
		}
		r.Functions = append(r.Functions, w)
	}
	if _, closed := b.c.Closed(); closed || b.d.Time == nil {
		return
	}
	r.Going = append(r.Going, fmt.Sprintf("From here to a verified repair: about %s; %s.", span(time.Duration(b.d.Expected*float64(time.Second))), b.d.Time.Says()))
	if b.d.Worth != nil {
		for _, text := range b.d.Worth.Says() {
			r.Going = append(r.Going, prose(text))
		}
	}
}
