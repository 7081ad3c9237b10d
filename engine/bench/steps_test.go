package bench

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
)

// TestLookAlong chooses the step that looks along a net, where it is on offer.
func TestLookAlong(t *testing.T) {
	tb := lay(t, "touch-dead")
	tb.enter("y")
	tb.enter("")
	tb.s.skipped["sweep"] = true
	offer := func(steps ...repair.Step) {
		tb.s.diagnosis, tb.s.diagnosed, tb.s.asked = &repair.Diagnosis{Next: steps}, tb.s.lastWeighed(), nil
	}
	measure, along := repair.Step{Do: repair.DoMeasure, At: "TP15", Polarity: "red-on-ground"}, repair.Step{Do: repair.DoInspect, At: "VTP_1V8"}
	offer(measure)
	if _, err := tb.s.Enter("look along VTP_1V8"); err == nil || !strings.Contains(err.Error(), "undrawn VTP_1V8: C99") {
		t.Errorf("not on offer: %v", err)
	}
	offer(measure, along)
	tb.enter("looked along VTP_1V8")
	if p := tb.ask(); p.Ask != AskUndrawn || p.Step.At != "VTP_1V8" {
		t.Errorf("asks %s, want what stands along VTP_1V8", describe(tb.s.board(), p))
	}
	// A point asked for out of turn is left for a step that is chosen after it, and comes back.
	tb.enter("FL3.in")
	offer(measure, along)
	tb.enter("look along VTP_1V8")
	if p := tb.ask(); p.Ask != AskUndrawn {
		t.Errorf("after a point: asks %s, want what stands along VTP_1V8", describe(tb.s.board(), p))
	}
	offer(measure, along)
	tb.enter("s")
	if p := tb.ask(); p.Purpose != ForChosen || p.Name != "FL3.in" {
		t.Errorf("after the step: asks %s, want FL3.in", describe(tb.s.board(), p))
	}
}

// TestStepsFromJSON walks every kind of step and of remedy from what `locate --json`
// writes through the prompt and an entry into a case file, and reads that again.
func TestStepsFromJSON(t *testing.T) {
	tests := []struct{ step, entry, line string }{
		{`{"do": "sweep", "part": "J7", "then": ["J7.2"], "polarity": "red-on-ground"}`, "0.001", "read: {J7.1: 0.001}"},
		{`{"do": "measure", "at": "TP15", "polarity": "red-on-ground"}`, "0.622", "read: {TP15: 0.622}"},
		{`{"do": "across", "part": "FL3", "at": "FL3.in", "then": ["FL3.out"]}`, "2.1 ohm", "read: {FL3.in: 2.1 ohm}\nto: FL3.out"},
		{`{"do": "ends", "part": "FB2", "at": "FB2.1", "then": ["FB2.2"], "polarity": "red-on-ground"}`, "1.2 ohm", "read: {FB2.1: 1.2 ohm}"},
		{`{"do": "inject", "at": "VTP_1V8"}`, "C47 by camera", "inject: {VTP_1V8: [C47]}\nseen_by: camera"},
		{`{"do": "drop", "at": "V1V8_IO", "part": "C70", "parts": ["C70", "C71"], "amperes": 0.5}`, "C70 12.4 mV, C71 13.1 mV", "drop: {V1V8_IO: {C70: 12.4 mV, C71: 13.1 mV}}\ncurrent: 0.5 A"},
		{`{"do": "drop", "at": "VTP_1V8", "part": "FB2", "parts": ["FB2"], "amperes": 0.003}`, "FB2 0.9 mV", "drop: {VTP_1V8: {FB2: 0.9 mV}}\ncurrent: 0.003 A"},
		{`{"do": "press", "at": "J7.3", "part": "U5", "polarity": "red-on-ground"}`, "0.622", "press: {U5: {J7.3: 0.622}}"},
		{`{"do": "measure", "at": "TP15"}`, "pressed U5: 0.622 at J7.3", "press: {U5: {J7.3: 0.622}}"},
		{`{"do": "good", "at": "J7.3", "polarity": "red-on-ground"}`, "OL", "good: {J7.3: OL}"},
		{`{"do": "measure", "at": "TP15"}`, "good board: 0.622 at J7.3", "good: {J7.3: 0.622}"},
		{`{"do": "swap", "part": "J7"}`, "fails", "swap: {J7: fails}"},
		{`{"do": "measure", "at": "TP15"}`, "swapped J7: works", "swap: {J7: works}"},
		{`{"do": "inspect", "part": "J7.3"}`, "cracked", "inspect: {J7.3: cracked}"},
		{`{"do": "measure", "at": "TP15"}`, "J7.3 J7.5 corroded", "inspect: {J7.3: corroded, J7.5: corroded}"},
		{`{"do": "inspect", "part": "FL3"}`, "cracked", "inspect: {FL3: cracked}"},
		{`{"do": "inspect", "at": "VTP_1V8"}`, "c99 U9.A1", "undrawn: {VTP_1V8: [c99, U9.A1]}"},
		{`{"do": "inspect", "at": "VTP_1V8"}`, "none", "undrawn: {VTP_1V8: []}"},
		{`{"do": "measure", "at": "TP15"}`, "look along VTP_1V8: C99", "undrawn: {VTP_1V8: [C99]}"},
		{`{"do": "measure", "at": "TP15"}`, "undrawn VTP_1V8: C99", "undrawn: {VTP_1V8: [C99]}"},
		{`{"do": "remove", "part": "R21", "then": ["R21.1"]}`, "y", "remove: [R21]"},
		{`{"do": "reinstall", "part": "R21"}`, "y", "reinstall: [R21]"},
		{`{"do": "repair", "part": "R21", "remedy": "replace"}`, "y", "replace: [R21]"},
		{`{"do": "repair", "part": "J7.3", "remedy": "resolder"}`, "y", "resolder: [J7.3]"},
		{`{"do": "repair", "part": "R21.1", "remedy": "resolder"}`, "y", "resolder: [R21.1]"},
		{`{"do": "repair", "part": "U5", "remedy": "reflow"}`, "y", "reflow: [U5]"},
		{`{"do": "repair", "part": "FL3", "remedy": "jumper"}`, "y", "jumper: {FL3: 0 ohm}"},
		{`{"do": "repair", "part": "J7.3 to D2.1", "remedy": "jumper"}`, "y", `jumper: {J7.3-D2.1: 0 ohm}`},
		{`{"do": "repair", "part": "C45", "remedy": "leave off"}`, "y", "remove: [C45]"},
		{`{"do": "repair", "part": "J7.3 to J7.5", "remedy": "clean"}`, "y", "clean: [J7.3-J7.5]"},
		{`{"do": "escalate"}`, "y", "escalated"},
	}
	board, err := filepath.Abs("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	known, err := filepath.Abs("../../testdata/demo/known")
	if err != nil {
		t.Fatal(err)
	}
	var e *engine.Engine
	seen := map[repair.Do]bool{}
	for i, tt := range tests {
		var step repair.Step
		if err := json.Unmarshal([]byte(tt.step), &step); err != nil {
			t.Fatal(err)
		}
		seen[step.Do] = true
		path := filepath.Join(t.TempDir(), "case.yaml")
		w, err := journal.Create(path, journal.Event{Kind: journal.KindOpen, Open: &journal.Opening{Board: board, Known: known}}, "")
		if err != nil {
			t.Fatal(err)
		}
		c := w.Case()
		if e == nil {
			if e, err = engine.New(c.Board, c.Library, engine.Options{}); err != nil {
				t.Fatal(err)
			}
		}
		for _, k := range []occasion{beforeProbing, beforeHeat, beforeInjecting, beforePower} {
			for _, x := range cautions(c.Board, k) {
				if err := w.Write(journal.Event{Kind: journal.KindAcknowledge, Acknowledged: []string{x.Key}}); err != nil {
					t.Fatal(err)
				}
			}
		}
		if step.Do == repair.DoReinstall { // of what is off; its pads are not asked for after other work
			id, err := c.Board.PartByName(step.Part)
			if err != nil {
				t.Fatal(err)
			}
			m, err := c.Board.Repair("J7.3")
			if err != nil {
				t.Fatal(err)
			}
			for _, ev := range []journal.Event{{Kind: journal.KindRemove, Parts: []netlist.PartID{id}}, journal.Repaired(m)} {
				if err := w.Write(ev); err != nil {
					t.Fatal(err)
				}
			}
		}
		s, err := Begin(w, e, Options{})
		if err != nil {
			t.Fatal(err)
		}
		s.skipped["sweep"], s.skipped[firstLook] = true, true
		s.diagnosis, s.diagnosed = &repair.Diagnosis{Next: []repair.Step{step}}, s.lastWeighed()
		if _, err := s.Enter(tt.entry); err != nil {
			t.Errorf("%d %s: %v", i, tt.step, err)
			continue
		}
		if step.Do == repair.DoEscalate {
			if !s.leaving || s.remedy != Escalated {
				t.Errorf("%s: not to be closed as escalated", tt.step)
			}
			continue
		}
		w.Close()
		again, err := journal.Load(path)
		text, unread := os.ReadFile(path)
		if err != nil || unread != nil {
			t.Fatalf("%s: %v %v", tt.step, err, unread)
		}
		key, _, _ := strings.Cut(tt.line, ":")
		if last := again.Events[len(again.Events)-1]; last.Kind.String() != key || !strings.Contains(string(text), "\n"+tt.line+"\n") {
			t.Errorf("%s: the last event is %s of\n%swant\n%s", tt.step, last.Kind, text, tt.line)
		}
	}
	for _, do := range []repair.Do{repair.DoSweep, repair.DoMeasure, repair.DoPress, repair.DoAcross, repair.DoEnds, repair.DoGood, repair.DoSwap, repair.DoInject, repair.DoDrop, repair.DoInspect,
		repair.DoRemove, repair.DoReinstall, repair.DoRepair, repair.DoEscalate} {
		if !seen[do] {
			t.Errorf("no step of kind %s", do)
		}
	}
}
