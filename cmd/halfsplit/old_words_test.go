package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// oldWords are words that were given up, as a pattern, with what is written now. No
// screen, help text, page, lesson, file key or JSON key has them.
var oldWords = []struct{ was, now string }{
	{`[Ff]oret(ell|ells|old)|[Ff]oresee\w*`, "predict"},
	{`OR ELSE`, "ALTERNATIVES"},
	{`would read`, "predicts"},
	{`[Tt]old apart|[Tt]ells? (\w+ ){0,2}apart`, "distinguish"},
	{`[Hh]eld against|set beside`, "compared with"},
	{`parted by`, "separated by"},
	{`[Cc]arried to`, "converted to"},
	{`is no (point|rail|reading|connector|current|column|table|joint|remedy)\b`, "is not a"},
	{`(is|are) there already`, "already exists"},
	{`tool's own`, "built-in"},
	{`[Bb]ench seconds`, "repair time"},
	{`[Pp]ower key`, "power button"},
	{`[Gg]oes nowhere`, "not connected (NC)"},
	{`[Nn]o end of`, "over range"},
	{`[Hh]eavy (ones|capacitor\w*)`, "large"},
	{`under fill`, "underfilled"},
	{`smoothing`, "decoupling"},
	{`what is lost`, "you lose"},
	{`[Pp]ower gate|POWER GATE|gate (open|closed)`, "power-up check: pass, fail, not checked"},
	{`NOTHING WRONG`, "NO FAULT FOUND"},
	{`SEEN IN PART|NEVER SEEN|STAY ALIKE`, "PARTLY DETECTABLE, NOT DETECTABLE, AMBIGUITY GROUPS"},
	{`joint (open|poor)|trace (broken|poor)`, "open joint, high-resistance joint, broken trace"},
	{`raised resistance|\braised\b`, "high resistance"},
	{`leak between pins`, "leakage between pins"},
	{`\b([Ll]ift(s|ed|ing)?)\b`, "remove"},
	{`\b[Rr]efit\w*`, "reinstall"},
	{`\b[Mm]end(s|ed|ing)?\b`, "resolder, clean, jumper; repair"},
	{`\b[Rr]efer(red)?( it| the board)? on\b`, "escalate"},
	{`hand(s|ing|ed)? (it|the board) on`, "no fix found"},
	{`probe(s)? slip\w*|beside the point`, "missed the pad"},
	{`\b(the|a|into) store\b`, "library"},
	{`replaced, bridged|\| bridged \|`, "jumpered"},
	{`handing (it )?on`, "escalating"},
	{`(before|after) the key\b`, "power button"},
	{`not (be )?there yet`, "does not exist yet"},
	{`odd point`, "point out of range"},
	{`^Write:`, "Usage:"},
	{`halfsplit (expect|reach)\b|meter fit\b`, "predict, coverage, meter calibrate"},
	{`--(lifted|bridged|fitted|phrase-file)\b`, "--removed, --jumpered, --replaced, --passphrase-file"},
	{`\bfitted\b`, "replaced; estimated"},
	{`\bclamp\b`, "TVS or ESD diode"},
	{`\bodds\b|\bODDS\b`, "likelihood"},
	{`\bphrase\b`, "passphrase"},
	{`\b[Ss]eal(s|ed)?\b`, "encrypted"},
	{`demo/judge`, "demo/answers"},
	{`"(foretold\w*|alike|belief|mended|surprise)":|"read": [0-9n-]`, "predicted, ambiguity_groups, posterior, repaired, measured"},
	{`^\s*"?(look|lift|refit|fit|mend|alike|way|over|ohms_over|wire)"?: `, "the keys of today"},
	{`kind: (clamp)|way: \w`, "tvs, direction, channel"},
}

// TestOldWords holds the words of everything that people read: what commands print
// (golden files and help), the README, the pages of the lessons, the demonstration.
func TestOldWords(t *testing.T) {
	texts := map[string]string{}
	add := func(root string, wanted *regexp.Regexp) {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || !wanted.MatchString(path) {
				return err
			}
			text, err := os.ReadFile(path)
			texts[path] = string(text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	add("../../README.md", regexp.MustCompile(`.`))
	add("testdata", regexp.MustCompile(`\.(txt|golden)$`))
	add("../../testdata/lessons", regexp.MustCompile(`\.(md|yaml)$`))
	add("../../testdata/demo", regexp.MustCompile(`\.yaml$`))
	add("../../testdata/boards", regexp.MustCompile(`\.yaml$`))
	add("../../engine/plan", regexp.MustCompile(`costs\.yaml$`))
	add("../../engine/fault", regexp.MustCompile(`priors\.yaml$`))
	add("../../engine/bench/testdata", regexp.MustCompile(`\.txt$`))
	for _, words := range everyCommand() {
		out, errs, _ := typed("", append(words, "--help")...)
		texts["halfsplit "+strings.Join(words, " ")+" --help"] = out + errs
	}
	for _, kind := range []string{"board", "sweep", "case", "costs", "priors", "practice"} {
		out, errs, _ := typed("", "schema", kind)
		texts["halfsplit schema "+kind] = out + errs
	}
	if len(texts) < 60 {
		t.Errorf("only %d texts were searched", len(texts))
	}
	for _, w := range oldWords {
		pattern := regexp.MustCompile(`(?m)` + w.was)
		for where, text := range texts {
			for _, at := range pattern.FindAllStringIndex(text, 3) {
				line := text[strings.LastIndexByte(text[:at[0]], '\n')+1:]
				if end := strings.IndexByte(line, '\n'); end >= 0 {
					line = line[:end]
				}
				if !answersOldWord.MatchString(line) {
					t.Errorf("%s: %q (now: %s) in: %s", where, text[at[0]:at[1]], w.now, line)
				}
			}
		}
	}
}

// answersOldWord is a line that tells somebody what an old word is now.
var answersOldWord = regexp.MustCompile("`[^`]+` is now `")

// everyCommand lists the commands and their own commands.
func everyCommand() [][]string {
	all := [][]string{{}}
	var walk func(before []string)
	root := (&app{}).command()
	walk = func(before []string) {
		cmd, _, err := root.Find(before)
		if err != nil {
			return
		}
		for _, c := range cmd.Commands() {
			if c.IsAvailableCommand() {
				words := append(append([]string{}, before...), c.Name())
				all = append(all, words)
				walk(words)
			}
		}
	}
	walk(nil)
	return all
}
