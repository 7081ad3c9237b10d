package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// wholeJob is what somebody enters from the first look to the closed case: parts marked
// in one go and cleaned, the supply current on arrival, the sweep, the repair, a clamp
// replaced with its mark looked at, the current again, and the function test. INVENTED.
var wholeJob = []string{"y", "C40 C41 corroded", "D6 cracked", "cleaned and dried C40", "draws 2 mA before the power button", "", "sweep J7",
	"0.001", "0.564", "OL", "OL", "0.623", "0.562", "0.525", "0.700", "OL", "0.700", "0.570", "OL", "0.001",
	"OL", "y", "y", "replaced D6", "0.618", "y", "0.700", "y", "2 mA", "95 mA", "works", "works", "s", "y"}

// rates are INVENTED.
const rates = "currency: EUR\nhour: 60\npart: 1.50\nic: 12\nreplacement_board: 140\n"

// TestWholeJob plays a case from the first look to the customer's page.
func TestWholeJob(t *testing.T) {
	wanted, err := filepath.Abs("testdata/job.golden")
	if err != nil {
		t.Fatal(err)
	}
	demoFolder(t)
	if err := os.WriteFile("rates.yaml", []byte(rates), 0o666); err != nil {
		t.Fatal(err)
	}
	log := ""
	do := func(stdin string, args ...string) {
		out, errs, code := play(t, stdin, args...)
		if code != exitDone {
			t.Errorf("%v: exit %d", args, code)
		}
		log += "$ halfsplit " + strings.Join(args, " ") + "\n" + out + errs
	}
	supply := "before: 3 mA, after: 60..110 mA"
	do(strings.Join(wholeJob, "\n")+"\n", "bench", "job.yaml", "--board", "board.yaml", "--known", "known", "--complaint", "touch dead", "--by", "bench 2", "--rates", "rates.yaml", "--supply", supply)
	do("", "report", "job.yaml", "--supply", supply)
	do("", "power", "job.yaml", "--supply", supply, "--json")
	do("", "locate", "cases/touch-dead.yaml", "--rates", "rates.yaml")
	if _, _, code := play(t, "", "report", "job.yaml", "--html", "job.html"); code != exitDone {
		t.Errorf("report --html: exit %d", code)
	}
	log = regexp.MustCompile(`\d{4}-\d\d-\d\d \d\d:\d\d|\d\d:\d\d:\d\d`).ReplaceAllString(log, "TIME")
	log = regexp.MustCompile(`(\| TIME \| )[^|]*\|`).ReplaceAllString(log, "$1 |")
	log = regexp.MustCompile(`Bench time: .*`).ReplaceAllString(log, "Bench time: TIME")
	if *update {
		if err := os.WriteFile(wanted, []byte(log), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(wanted)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(log, "\n")); diff != "" {
		t.Errorf("the job (-want +got; -update writes it):\n%s", diff)
	}
}
