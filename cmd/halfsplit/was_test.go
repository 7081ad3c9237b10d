package main

import (
	"strings"
	"testing"
)

// TestOldCommands: who types a command, a flag, a fault or an action as it was called
// before is told what it is called now.
func TestOldCommands(t *testing.T) {
	courseCopy(t)
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"expect", "board.yaml"}, "`expect` is now `predict`; write `halfsplit predict`"},
		{[]string{"reach", "board.yaml"}, "`reach` is now `coverage`; write `halfsplit coverage`"},
		{[]string{"meter", "fit", "100R=0.1"}, "`fit` is now `calibrate`; write `halfsplit meter calibrate`"},
		{[]string{"predict", "board.yaml", "--lifted", "R1"}, "`--lifted` is now `--removed`; write it so"},
		{[]string{"predict", "board.yaml", "--bridged", "R1"}, "`--bridged` is now `--jumpered`; write it so"},
		{[]string{"practice", "score", "--phrase-file", "x"}, "`--phrase-file` is now `--passphrase-file`; write it so"},
	} {
		if _, errs, exit := typed("", tt.args...); exit != exitUsage || !strings.Contains(errs, tt.want) {
			t.Errorf("%v: exit %d, %s; want %s", tt.args, exit, errs, tt.want)
		}
	}
	out, _, _ := typed("mend J1.2\nlift R1\nlook R1\nbridge R1\n", "practice", "run", "lesson-01.yaml", "--by", "Ada")
	for _, want := range []string{"`mend` is now `resolder`, `clean` or `jumper`", "`lift` is now `remove`", "`look` is now `inspect`", "`bridge` is now `jumper`"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %s in\n%s", want, out)
		}
	}
}

// renamed gives, for keys and names in testdata/answers.json.gz, which was recorded
// before the words changed, what they are called now.
var renamed = map[string]string{
	"reach": "coverage", "foretold": "predicted", "foretold_overload": "predicted_overload", "belief": "posterior", "alike": "ambiguity_groups",
	"mended": "repaired", "lift": "remove", "look": "inspect", "refit": "reinstall", "fit": "replace", "bridge": "jumper", "wire": "jumper",
	"raised resistance": "high resistance", "joint open": "open joint", "joint poor": "high-resistance joint",
	"trace broken": "broken trace", "trace poor": "high-resistance trace", "leak between pins": "leakage between pins", "probe slipped": "probe missed the pad",
	"clamp": "tvs", "--phrase-file": "--passphrase-file", "phrase.txt": "passphrase.txt",
	"reasons read": "measured", "reasons good": "known_good", // of reasons alone
}
