package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/diagnose"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/repair"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

func newTestApp(w io.Writer) *app {
	return &app{out: bufio.NewWriter(w), errors: io.Discard, colour: "never"}
}

// An invented board, small enough to be read here.
const twig = `
board: Twig
revision: A
connectors: {J1: {title: sensor, pins: {1: GND, 2: SDA, 3: V1}}}
nets: {V1: {rail: 1.8 V}}
test_points: {TP1: SDA}
parts:
  R1: {kind: resistor, value: 22R, pins: [SDA, SDA_U], place: beside J1, access: shield}
  C1: {kind: capacitor, value: 15p, pins: [SDA_U, GND], role: filter}
  C2: {kind: capacitor, value: 1u, pins: [V1, GND]}
  U1: {kind: ic, title: sensor hub, pins: {1: SDA_U, 2: V1, 3: GND}, supply: 2, ground: 3}
`

func twigCase(t *testing.T) *journal.Case {
	t.Helper()
	b, err := netlist.Parse(strings.NewReader(twig), "twig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	opening := journal.Opening{Complaint: "no picture of the sensor"}
	return &journal.Case{File: "cases/no-sensor.yaml", Board: b, All: []journal.Event{{Open: &opening}}}
}

func at(v float64) *float64 { return &v }

// How each kind of step, outcome and explanation is printed; the numbers are
// made up.
func TestPrintDiagnosis(t *testing.T) {
	c := twigCase(t)
	readings := []diagnose.Comparison{
		{At: "J1.2", Net: "SDA", Polarity: "red-on-ground", Volts: at(0.022), KnownGood: at(0.552), Sigma: 0.006, Boards: 3, ZScore: -80, Verdict: diagnose.IsShorted},
		{At: "J1.2", Net: "SDA", Polarity: "black-on-ground", Overload: true, Predicted: at(1.2), Sigma: 0.03, ZScore: 12, Verdict: diagnose.IsOpen},
		{At: "R1.1", To: "R1.2", Net: "SDA", Polarity: "red-on-ground", Ohms: at(22.1), Predicted: at(22), Verdict: diagnose.Agrees},
		{At: "J1.3", Net: "V1", Polarity: "red-on-ground", Volts: at(0.4), Verdict: diagnose.NoKnownGood, Settling: 1.3},
	}
	abnormal := []diagnose.Abnormal{
		{At: "J1.2", Volts: at(0.022), KnownGood: at(0.552), Sigma: 0.006, Verdict: diagnose.IsShorted, Polarity: "red-on-ground"},
		{At: "J1.2", Overload: true, KnownGood: at(1.2), Sigma: 0.03, Verdict: diagnose.IsOpen, Polarity: "black-on-ground"},
	}
	suspects := []diagnose.Suspect{
		{Part: "C1", Probability: 0.9, Modes: map[string]float64{"shorted": 0.85, "leaky": 0.05}, Remedy: "leave off", Advice: "Take C1 off.", Access: "open",
			Reasons: []diagnose.Reason{{At: "J1.2", Predicted: at(0.0221), Read: at(0.022), Good: at(0.552)}, {At: "J1.3", Overload: true, Read: at(0.4)}}},
		{Part: "U1", Probability: 0.08, Modes: map[string]float64{"shorted": 0.08}, Access: "underfill", Place: "under the lid"},
		{Part: "R1", Probability: 0.01, Modes: map[string]float64{"open": 0.01}},
	}
	base := repair.Diagnosis{
		Findings: diagnose.Findings{Board: "Twig", Revision: "A", Abnormal: abnormal, Readings: readings, Suspects: suspects,
			Explanations: []diagnose.Explanation{{Faults: []diagnose.FaultReport{{Part: "C1", Mode: "shorted", At: "C1"}}, Probability: 0.85}}},
		Expected: 250,
	}
	with := func(change func(*repair.Diagnosis)) *repair.Diagnosis {
		d := base
		change(&d)
		return &d
	}
	steps := func(list ...repair.Step) *repair.Diagnosis {
		return with(func(d *repair.Diagnosis) { d.Next = list })
	}
	tests := []struct {
		name string
		d    *repair.Diagnosis
	}{
		{"measure", steps(
			repair.Step{Do: repair.DoMeasure, At: "R1.2", Polarity: "red-on-ground", Seconds: 10, Expected: 250, Why: "2 results to distinguish",
				Outcomes: []repair.StepOutcome{{Volts: at(0), Probability: 0.9, Means: []string{"C1 shorted"}}, {Overload: true, Probability: 0.1, Means: []string{"a", "b", "c", "d", "e", "f"}}}},
			repair.Step{Do: repair.DoMeasure, At: "TP1", Polarity: "black-on-ground", Seconds: 14, Expected: 260},
			repair.Step{Do: repair.DoMeasure, At: "J1.2", Again: true, Polarity: "red-on-ground", Seconds: 10},
			repair.Step{Do: repair.DoInspect, Part: "C1", Seconds: 20, Expected: 7300},
			repair.Step{Do: repair.DoInspect, Part: "not shown", Seconds: 20},
		)},
		{"inspect", steps(repair.Step{Do: repair.DoInspect, Part: "R1", Seconds: 20, Outcomes: []repair.StepOutcome{{Seen: "burnt, corroded or cracked", Probability: 0.3, Means: []string{"R1 open"}}, {Seen: "clean", Probability: 0.7}}})},
		{"inject", steps(repair.Step{Do: repair.DoInject, At: "V1", Seconds: 120, Outcomes: []repair.StepOutcome{{Seen: "C2 warms", Probability: 0.75, Means: []string{"C2 shorted"}}}})},
		{"remove", steps(repair.Step{Do: repair.DoRemove, Part: "R1", Then: []string{"R1.1", "R1.2"}, Seconds: 200, Outcomes: []repair.StepOutcome{{Seen: "R1.1 OL, R1.2 0.000", Probability: 1, Means: []string{"C1 shorted"}}}})},
		{"leave off", steps(repair.Step{Do: repair.DoRepair, Remedy: "leave off", Part: "C1", Then: []string{"J1.2"}, Seconds: 110, Why: "Take C1 off.", Outcomes: []repair.StepOutcome{{Seen: "all read right", Probability: 0.9, Means: []string{"repaired"}}, {Probability: 0.1}}})},
		{"replace", steps(
			repair.Step{Do: repair.DoRepair, Remedy: "replace", Part: "R1"},
			repair.Step{Do: repair.DoRepair, Remedy: "jumper", Part: "R1"},
			repair.Step{Do: repair.DoRepair, Remedy: "clean", Part: "J1.2 to J1.3"},
			repair.Step{Do: repair.DoRepair, Remedy: "wire", Part: "J1.2 to R1.1"},
		)},
		{"resolder", steps(repair.Step{Do: repair.DoRepair, Remedy: "resolder", Part: "J1.2", Then: []string{"J1.2"}})},
		{"two faults", with(func(d *repair.Diagnosis) {
			d.Explanations = []diagnose.Explanation{
				{Faults: []diagnose.FaultReport{{Part: "C1", Mode: "leaky", Ohms: at(636), At: "C1"}, {Part: "U1", Terminal: "1", Mode: "open", At: "U1.1"}}, Probability: 0.6},
				{Faults: []diagnose.FaultReport{}, Probability: 0.02},
			}
			d.Ambiguous = [][]string{{"C1 shorted", "U1.1 shorted"}}
		})},
		{"slipped", with(func(d *repair.Diagnosis) {
			d.Suspects = nil
			d.Explanations = []diagnose.Explanation{
				{Faults: []diagnose.FaultReport{{Mode: fault.Missed.String(), At: "J1.2"}}, Probability: 0.95},
				{Faults: []diagnose.FaultReport{{Mode: fault.Doubtful.String(), At: "J1.2"}}, Probability: 0.04},
			}
			d.Next = []repair.Step{{Do: repair.DoMeasure, At: "J1.2", Again: true, Polarity: "red-on-ground", Seconds: 10, Outcomes: []repair.StepOutcome{{Seen: "reads as a good board", Probability: 1, Means: []string{"repaired"}}}}}
		})},
		{"faint", with(func(d *repair.Diagnosis) {
			d.Abnormal = nil
			d.Explanations = []diagnose.Explanation{{Probability: 0.36}, {Faults: []diagnose.FaultReport{{Part: "C1", Mode: "leaky", Ohms: at(636), At: "C1"}}, Probability: 0.3}}
		})},
		{"nothing wrong", with(func(d *repair.Diagnosis) {
			d.Abnormal, d.Suspects = nil, nil
			d.Explanations = []diagnose.Explanation{{Probability: 0.97}}
		})},
		{"nothing wrong, though an outlier", with(func(d *repair.Diagnosis) {
			d.Explanations = []diagnose.Explanation{{Probability: 0.6}}
			d.Unseen = []diagnose.Unseen{{Part: "C1", Mode: "leaky", Ohms: at(6543), Probability: 0.02}, {Part: "C2", Mode: "leaky", Ohms: at(120), Probability: 0.01}, {Part: "C1", Mode: "open", Probability: 0.004}}
			d.Quiet = 0.3
			d.Cautions = []string{"Battery out and every supply off before a probe touches the board; let capacitors discharge."}
			d.Notes = []string{"no good board was read at J1.3"}
		})},
	}
	var got strings.Builder
	for _, test := range tests {
		var out bytes.Buffer
		s := &screen{w: &out, width: 80}
		s.diagnosis(c, test.d)
		fmt.Fprintf(&got, "######## %s\n%s", test.name, out.String())
	}
	var out bytes.Buffer
	s := &screen{w: &out, width: 80}
	s.comparisons(readings)
	s.comparisons(nil)
	fmt.Fprintf(&got, "######## compare\n%s", out.String())
	golden(t, "testdata/print.golden", got.String())
}

// golden compares a text with a file of testdata.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("%s (-want +got; -update writes it):\n%s", file, diff)
	}
}

// sgr is paint.
var sgr = regexp.MustCompile(`\x1b\[[0-9;]*m`)

// With colour, text is the same once the paint is taken off: nothing is said by
// colour alone.
func TestColourSaysNothingAlone(t *testing.T) {
	clean(t)
	for _, args := range [][]string{
		{"locate", "../../testdata/demo/cases/touch-dead.yaml"},
		{"compare", "../../testdata/demo/cases/tail-not-detected.yaml"},
		{"trace", "../../testdata/demo/board.yaml", "J7.2"},
	} {
		var painted, bare bytes.Buffer
		if code := run(append(args, "--colour", "always"), nil, &painted, io.Discard); code != exitDone {
			t.Fatalf("%q: exit %d", args, code)
		}
		run(append(args, "--colour", "never"), nil, &bare, io.Discard)
		if !strings.Contains(painted.String(), "\x1b[") || strings.Contains(bare.String(), "\x1b") {
			t.Errorf("%q: paint where there should be none, or none where there should be", args)
		}
		if diff := cmp.Diff(bare.String(), sgr.ReplaceAllString(painted.String(), "")); diff != "" {
			t.Errorf("%q (-bare +paint taken off):\n%s", args, diff)
		}
	}
}

// `locate --json` has the keys that programs rely on, and no list in it is null.
func TestLocateJSON(t *testing.T) {
	for _, name := range []string{"touch-dead", "touch-dead-no-fault-found"} {
		var out, errs bytes.Buffer
		if code := run([]string{"locate", "--json", "../../testdata/demo/cases/" + name + ".yaml"}, nil, &out, &errs); code != exitDone {
			t.Fatalf("%s: exit %d: %s", name, code, errs.String())
		}
		var answer map[string]any
		if err := json.Unmarshal(out.Bytes(), &answer); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, key := range []string{"abnormal", "explanations", "suspects", "next", "unseen", "cautions", "notes", "ambiguity_groups"} {
			if _, ok := answer[key].([]any); !ok {
				t.Errorf("%s: %s is %v, not a list", name, key, answer[key])
			}
		}
		if answer["board"] != "Kestrel K3" || answer["revision"] != "C" {
			t.Errorf("%s: %v %v", name, answer["board"], answer["revision"])
		}
		good := name == "touch-dead-no-fault-found"
		steps := answer["next"].([]any)
		if len(steps) == 0 && !good {
			t.Errorf("%s: no steps", name)
		}
		for _, x := range steps { // a good board is left as it is
			if do := repair.Do(x.(map[string]any)["do"].(string)); good && do != repair.DoMeasure && do != repair.DoAcross {
				t.Errorf("%s: %s", name, do)
			}
		}
		first := answer["explanations"].([]any)[0].(map[string]any)
		if faults := first["faults"].([]any); good != (len(faults) == 0) {
			t.Errorf("%s: the first explanation has %d faults", name, len(faults))
		}
		if good {
			continue
		}
		keysOf(t, "abnormal", answer["abnormal"].([]any)[0], "at", "volts", "overload", "known_good", "sigma", "verdict")
		keysOf(t, "suspect", answer["suspects"].([]any)[0], "part", "probability", "modes", "reasons", "remedy")
		keysOf(t, "step", answer["next"].([]any)[0], "do", "at", "part", "polarity", "seconds", "outcomes")
		keysOf(t, "fault", first["faults"].([]any)[0], "part", "terminal", "mode", "ohms")
	}
}

func keysOf(t *testing.T, what string, value any, keys ...string) {
	t.Helper()
	m, ok := value.(map[string]any)
	for _, key := range keys {
		if _, has := m[key]; !ok || !has {
			t.Errorf("%s has no key %s: %v", what, key, value)
		}
	}
}

// Lists that are nil are printed as [], however deep they lie.
func TestNoNullLists(t *testing.T) {
	var out bytes.Buffer
	a := newTestApp(&out)
	err := a.json(&repair.Diagnosis{Findings: diagnose.Findings{Suspects: []diagnose.Suspect{{}}}, Next: []repair.Step{{Outcomes: []repair.StepOutcome{{}}}}})
	if err != nil || a.out.Flush() != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"abnormal": []`, `"modes": {}`, `"reasons": []`, `"means": []`, `"ambiguity_groups": []`} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %s in\n%s", want, out.String())
		}
	}
	// A number that JSON cannot hold is an error and not a broken file.
	inf := repair.Diagnosis{Expected: func() float64 { z := 0.0; return 1 / z }()}
	if err := a.json(inf); err == nil {
		t.Error("an infinite number of seconds goes into JSON")
	}
}

// Every schema is JSON and names its dialect; there is one for each kind of file.
func TestSchemas(t *testing.T) {
	for _, kind := range []string{"board", "sweep", "case", "costs", "priors"} {
		var out bytes.Buffer
		if code := run([]string{"schema", kind}, nil, &out, io.Discard); code != exitDone {
			t.Errorf("%s: exit %d", kind, code)
		}
		var schema map[string]any
		if err := json.Unmarshal(out.Bytes(), &schema); err != nil {
			t.Errorf("%s: %v", kind, err)
		}
		if schema["$schema"] != "https://json-schema.org/draft/2020-12/schema" || schema["properties"] == nil {
			t.Errorf("%s: dialect %v", kind, schema["$schema"])
		}
	}
}

// More than 20 problems of a file are summed up.
func TestManyProblems(t *testing.T) {
	var found document.Problems
	for i := range 50 {
		found.Add(document.Position{File: "b.yaml", Line: i + 1, Column: 3}, "wrong", "repair it")
	}
	var out bytes.Buffer
	complain(&out, fmt.Errorf("loading: %w", found))
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 21 || lines[0] != "b.yaml:1:3: wrong; repair it" || lines[20] != "and 30 more; `halfsplit check` lists them all" {
		t.Errorf("%d lines, the last %q", len(lines), lines[len(lines)-1])
	}
}

// An answer that cannot be written is not taken for done.
func TestFullDisk(t *testing.T) {
	var errs bytes.Buffer
	if code := run([]string{"schema", "board"}, nil, full{}, &errs); code != exitUsage {
		t.Errorf("exit %d", code)
	}
	if !strings.Contains(errs.String(), "no space") {
		t.Errorf("says %q", errs.String())
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space") }

// What a file is, its keys say.
func TestKindOf(t *testing.T) {
	tests := []struct{ text, want string }{
		{"board: B\nparts: {}\n", kindBoard},
		{"board: B\nrevision: C\nreadings: {J1.1: 0}\n", kindSweep},
		{"open: {board: b.yaml}\n---\nread: {J1.1: 0}\n", kindCase},
		{"inspect: 20\nlift: 90\n", kindCosts},
		{"inspect: {C1: clean}\n---\nremove: [C1]\n", kindCase}, // its first event is lost
		{"kinds: {filter: {weight: 9}}\n", kindPriors},
		{"withdraw: {file: a.yaml, why: it failed}\n", kindWithdraw},
		{"on: push\njobs: {}\n", kindUnknown},
		{"board: B\ntruth: x\nknown: y\ncases: z\n", kindUnknown}, // one key in four
		{"- a\n- b\n", kindUnknown},
		{"", kindUnknown},
	}
	for _, test := range tests {
		nodes, err := document.Decode(strings.NewReader(test.text), "x.yaml", 0)
		if err != nil {
			t.Fatalf("%q: %v", test.text, err)
		}
		if got := kindOfNodes(nodes); got != test.want {
			t.Errorf("%q is %q, want %q", test.text, got, test.want)
		}
	}
}

// Every field that a diagnosis may gain has to be thought of: a new one in the
// engine's types fails here until the screen shows it or this list says why not.
func TestDiagnosisFields(t *testing.T) {
	known := map[string]bool{}
	for _, f := range []string{"Board", "Revision", "Implausible", "Abnormal", "Explanations", "Suspects", "Next", "Unseen", "Cautions", "Doubts", "Notes", "Expected", "Ambiguous", "Readings", "Pins", "Unread", "Quiet", "Least", "Time", "Worth"} { // practice prints Least
		known[f] = true
	}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[repair.Diagnosis]()) {
		if !f.Anonymous && !known[f.Name] {
			t.Errorf("Diagnosis.%s is new; print it in locate.go and add it here", f.Name)
		}
	}
}
