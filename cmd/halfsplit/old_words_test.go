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
	{`\b(before|after)_key\b|--draw-(before|after)|^power: `, "before, after, --supply, supply"},
	{`not read since|no rail was read|rails read:`, "not measured since, rails measured"},
	{`(a good|good|good-board) (board|line)s? reads? (\d|OL)`, "known good"},
	{`"?state"?: "?reads wrong|(rail [0-9.]+ V|line) +reads wrong`, "out of range"},
	{`\bdeeds?\b|\bwhoever\b`, "action; who"},
	{`kind: (clamp)|[{,] *way: \w`, "tvs, direction, channel"},
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
	for _, kind := range []string{"board", "sweep", "case", "costs", "rates", "priors", "practice"} {
		out, errs, _ := typed("", "schema", kind)
		texts["halfsplit schema "+kind] = out + errs
	}
	t.Run("reports", func(t *testing.T) { reportTexts(t, texts) })
	t.Run("practice", func(t *testing.T) { practiceTexts(t, texts) })
	if len(texts) < 110 {
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

// reportTexts adds the page and the Markdown of every case of the demo, two of them
// worked to their end at the bench, and the sheet of its good boards.
func reportTexts(t *testing.T, texts map[string]string) {
	entries := sessions(t, "fed")
	demoFolder(t)
	cases, err := filepath.Glob("cases/*.yaml")
	if err != nil || len(cases) == 0 {
		t.Fatalf("no cases: %v", err)
	}
	for _, file := range cases {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		if name == "touch-dead" || name == "touch-never-wakes" {
			out, errs, _ := typed(entries[name], "bench", file, "--by", "Ada")
			texts["bench "+name] = out + errs
		}
		if _, errs, code := typed("", "report", file, "--html", "page.html"); code != exitDone {
			t.Fatalf("report %s: exit %d\n%s", file, code, errs)
		}
		page, err := os.ReadFile("page.html")
		if err != nil {
			t.Fatal(err)
		}
		texts["report "+name+" --html"] = string(page)
		out, errs, _ := typed("", "report", file, "--markdown")
		texts["report "+name+" --markdown"] = out + errs
	}
	out, errs, _ := typed("", "known", "sheet", "known", "J7", "--board", "board.yaml")
	texts["known sheet"] = out + errs
}

// practiceTexts adds what `practice run` prints as the lessons are played, and how
// they are scored, on the screen and as pages.
func practiceTexts(t *testing.T, texts map[string]string) {
	scripts := courseCopy(t)
	help, errs, _ := typed("?\n", "practice", "run", "lesson-01.yaml", "--by", "Bob")
	texts["practice run, ?"] = help + errs
	words := []string{"practice", "score", "--passphrase-file", "passphrase.txt", "--html", "class.html", "--answers", "answers.html"}
	for _, name := range []string{"lesson-01", "lesson-05", "lesson-10"} {
		script, err := os.ReadFile(filepath.Join(scripts, name+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		out, errs, _ := typed(string(script), "practice", "run", name+".yaml", "--by", "Ada")
		texts["practice run "+name] = out + errs
		words = append(words, name+"-ada.yaml")
	}
	for _, how := range []string{"--steps", "--json"} {
		out, errs, code := typed("", append(words, how)...)
		if code != exitDone {
			t.Fatalf("practice score %s: exit %d\n%s", how, code, errs)
		}
		texts["practice score "+how] = out + errs
	}
	for _, file := range []string{"class.html", "answers.html"} {
		page, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		texts[file] = string(page)
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
