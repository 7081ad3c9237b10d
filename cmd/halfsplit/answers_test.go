package main

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/gzip"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/repair"
	"halfsplit/engine/trial/recorded"
	"halfsplit/references"
)

// What the engine answered on every demo, trial and lesson case lies in
// testdata/answers.json.gz, so that a change of words can be distinguished from a change of
// answers. After a change of answers that is meant:
//
//	go test ./cmd/halfsplit -run TestAnswers -record-answers -timeout 60m
//
// A plain run plays one trial in fifty, -all-trials all of them.
var (
	recordAnswers = flag.Bool("record-answers", false, "write testdata/answers.json.gz again")
	allTrials     = flag.Bool("all-trials", false, "compare the answers on every recorded trial")
)

const (
	answersFile  = "testdata/answers.json.gz"
	trialsToPlay = 50   // one in so many
	answerShare  = 1e-5 // by which a number may differ, as a share: the record has seven digits
	answerFloor  = 1e-9 // by which it may differ at least
	mostTold     = 20   // differences printed of one run
	keptFirst    = 4    // suspects, explanations and steps of a trial
)

// reasonKey is the end of the place of a reason in an answer.
var reasonKey = regexp.MustCompile(`reasons \d+$`)

// answers are questions, such as `locate demo/cases/touch-dead.yaml`, with what was
// answered to each.
type answers map[string]any

func TestAnswers(t *testing.T) {
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	clean(t)
	now := answers{}
	askTrials(t, now, *allTrials || *recordAnswers)
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/lessons")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"demo", "boards"} {
		if err := os.CopyFS(filepath.Join(dir, name), os.DirFS(filepath.Join("../../testdata", name))); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	askCommands(t, now, filepath.Join(here, "testdata/practice"))

	file := filepath.Join(here, answersFile)
	if *recordAnswers {
		writeAnswers(t, file, now)
		return
	}
	was := readAnswers(t, file)
	told := 0
	tell := func(format string, args ...any) {
		if told++; told <= mostTold {
			t.Errorf(format, args...)
		}
	}
	for question, answer := range now {
		old, ok := was[question]
		if !ok {
			tell("%s: not in the record; -record-answers writes it again", question)
			continue
		}
		compareAnswers(question, old, answer, tell)
	}
	if told > mostTold {
		t.Errorf("and %d differences more", told-mostTold)
	}
	t.Logf("%d questions of %d recorded ones", len(now), len(was))
}

// askCommands puts every question about the demo and the lessons that has an answer
// in JSON, and of the report the numbers that it prints.
func askCommands(t *testing.T, into answers, scripts string) {
	t.Helper()
	ask := func(args ...string) {
		t.Helper()
		out, errs, exit := typed("", args...)
		if exit == exitUsage {
			t.Fatalf("%v: %s", args, errs)
		}
		var v any
		if args[len(args)-1] == "--markdown" {
			v = decimals(out)
		} else if err := json.Unmarshal([]byte(out), &v); err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		into[strings.Join(args, " ")] = v
	}
	var cases, records []string
	err := fs.WalkDir(os.DirFS("."), "demo/cases", func(path string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			cases = append(cases, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= 10; i++ {
		name := fmt.Sprintf("lesson-%02d", i)
		script, err := os.ReadFile(filepath.Join(scripts, name+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		if out, errs, exit := typed(string(script), "practice", "run", name+".yaml", "--by", "Ada"); exit != exitDone {
			t.Fatal(out, errs)
		}
		records = append(records, name+"-ada.yaml")
	}
	for _, c := range slices.Concat(cases, records) {
		ask("locate", c, "--json")
		ask("compare", c, "--json")
		ask("report", c, "--markdown")
	}
	ask(slices.Concat([]string{"practice", "score", "--passphrase-file", "passphrase.txt"}, records, []string{"--json"})...)
	ask("coverage", "demo/board.yaml", "--known", "demo/known", "--json")
	ask("coverage", "board.yaml", "--known", "known", "--json")
	ask("coverage", "boards/sensor12.yaml", "--json")
}

var decimal = regexp.MustCompile(`\b(\d+\.\d+)( s)?\b`)

// decimals lists the numbers with a decimal point of a text, which are readings and
// what is expected of them, in their order. How long the scripted work took is counted
// as 0: the machine decides on that.
func decimals(text string) any {
	list := []any{}
	for _, found := range decimal.FindAllStringSubmatch(text, -1) {
		v := 0.0
		if seconds := found[2] != ""; !seconds {
			v, _ = strconv.ParseFloat(found[1], 64)
		}
		list = append(list, v)
	}
	return list
}

// askTrials diagnoses recorded trials: of each, the verdicts with their distances,
// and the beginning of the diagnosis.
func askTrials(t *testing.T, into answers, all bool) {
	t.Helper()
	for _, board := range []string{"sensor12", "kestrel", "dock60"} {
		trials, err := recorded.LoadTrials(filepath.Join("../../testdata/trials", board+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		for i := range trials {
			if !all && i%trialsToPlay != 0 {
				continue
			}
			lib := references.NewLibrary(trials[i].Model.Board, trials[i].Library)
			e, err := engine.New(trials[i].Model.Board, lib, engine.Options{})
			if err != nil {
				t.Fatal(err)
			}
			c := trials[i].Case(lib)
			list, err := e.Compare(c)
			if err != nil {
				t.Fatal(err)
			}
			d, err := e.Diagnose(c)
			if err != nil {
				t.Fatal(err)
			}
			into[fmt.Sprintf("trial %s %d", board, trials[i].Number)] = digestOf(t, list, d)
		}
	}
}

// digestOf keeps of an answer what would move if anything did.
func digestOf(t *testing.T, list []diagnose.Comparison, d *repair.Diagnosis) any {
	t.Helper()
	verdicts, surprise := map[string]int{}, 0.0
	for i := range list {
		verdicts[fmt.Sprint(list[i].Verdict)]++
		if z := list[i].ZScore; !math.IsNaN(z) && !math.IsInf(z, 0) {
			surprise += z * z
		}
	}
	first := map[string]any{"verdicts": verdicts, "surprise": surprise, "explained": len(d.Explanations), "expected": d.Expected, "steps": len(d.Next)}
	var suspects, explanations, next []any
	for _, s := range d.Suspects[:min(keptFirst, len(d.Suspects))] {
		suspects = append(suspects, s.Part, s.Probability)
	}
	for _, x := range d.Explanations[:min(keptFirst, len(d.Explanations))] {
		explanations = append(explanations, x.Probability)
	}
	for _, s := range d.Next[:min(keptFirst, len(d.Next))] {
		next = append(next, fmt.Sprint(s.Do), s.At, s.Part, s.Expected)
	}
	first["suspects"], first["explanations"], first["next"] = suspects, explanations, next
	text, err := json.Marshal(first)
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// compareAnswers tells where two answers differ. Sentences are not compared, only
// numbers and names.
func compareAnswers(at string, was, now any, tell func(string, ...any)) {
	switch was := was.(type) {
	case map[string]any:
		now, ok := now.(map[string]any)
		if !ok {
			tell("%s: was an object", at)
			return
		}
		seen := map[string]bool{}
		for key, v := range was {
			name := wordNow(key)
			if name == "ended" { // when a record was last worked on: now
				seen[name] = true
				continue
			}
			if reasonKey.MatchString(at) {
				name = cmp.Or(renamed["reasons "+key], name)
			}
			seen[name] = true
			if other, ok := now[name]; ok {
				compareAnswers(at+" "+name, v, other, tell)
			} else {
				tell("%s: `%s` is gone", at, name)
			}
		}
		for name := range now {
			if !seen[name] {
				tell("%s: `%s` is new", at, name)
			}
		}
	case []any:
		now, ok := now.([]any)
		if !ok || len(now) != len(was) {
			tell("%s: has %d entries, had %d", at, len(now), len(was))
			return
		}
		for i := range was {
			compareAnswers(fmt.Sprintf("%s %d", at, i), was[i], now[i], tell)
		}
	case float64:
		if v, ok := now.(float64); !ok || math.Abs(v-was) > answerFloor+answerShare*math.Abs(was) {
			tell("%s: %v, was %v", at, now, was)
		}
	case string:
		v, ok := now.(string)
		if !ok || !sameText(was, v) {
			tell("%s: %v, was %s", at, now, was)
		}
	default:
		if was != now {
			tell("%s: %v, was %v", at, now, was)
		}
	}
}

// forPeople tells a text for people from a name: names are short.
func forPeople(text string) bool { return len(strings.Fields(text)) > 3 }

// sameText compares words by what they are called now, and phrases by the names in
// them; of sentences nothing was kept.
func sameText(was, now string) bool {
	if was == "repaired" && strings.HasPrefix(now, "the probe missed the pad at ") {
		return true // a change of answers, and right: a second reading as on a good board repairs nothing
	}
	if forPeople(was) || wordNow(was) == now {
		return true
	}
	names := func(text string) []string {
		return slices.DeleteFunc(strings.Fields(text), func(w string) bool { return !strings.ContainsAny(w, "0123456789") })
	}
	return len(strings.Fields(was)) > 1 && slices.Equal(names(was), names(now))
}

func wordNow(word string) string {
	if now, ok := renamed[word]; ok {
		return now
	}
	return word
}

// sevenDigits keeps seven digits of every number, and of sentences that they are there.
func sevenDigits(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for key := range v {
			v[key] = sevenDigits(v[key])
		}
	case []any:
		for i := range v {
			v[i] = sevenDigits(v[i])
		}
	case float64:
		short, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 7, 64), 64)
		return short
	case string:
		if forPeople(v) {
			return "a sentence of words"
		}
	}
	return v
}

func writeAnswers(t *testing.T, file string, a answers) {
	t.Helper()
	text, err := json.Marshal(sevenDigits(map[string]any(a)))
	if err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	z.Write(text)
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, packed.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d answers, %d bytes, packed %d", len(a), len(text), packed.Len())
}

func readAnswers(t *testing.T, file string) answers {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(bufio.NewReader(f))
	if err != nil {
		t.Fatal(err)
	}
	recorded, a := answers{}, answers{}
	if err := json.NewDecoder(z).Decode(&recorded); err != nil {
		t.Fatal(err)
	}
	for question, answer := range recorded {
		words := strings.Fields(question)
		for i := range words {
			words[i] = wordNow(words[i])
		}
		a[strings.Join(words, " ")] = answer
	}
	return a
}
