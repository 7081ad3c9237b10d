package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"halfsplit/engine/journal"
)

// TestStill sends what a meter shows while a probe is put down, held, removed: a line
// every 100 ms, 3 mV for half a second.
func TestStill(t *testing.T) {
	for _, x := range []struct {
		name, lines string
		want        string // the lines that count, by number from 1
	}{
		{"held", "0.452 0.452 0.453 0.452 0.452 0.451 0.452 0.452", "6"},
		{"the capacitor fills", "0.100 0.250 0.380 0.430 0.448 0.452 0.452 0.453 0.452 0.452 0.452 0.452", "11"},
		{"creeps forever", "0.450 0.451 0.452 0.453 0.454 0.455 0.456 0.457 0.458 0.459 0.460", ""},
		{"counts once", strings.Repeat("0.452 ", 30), "6"},
		{"removed between two pins that read the same", strings.Repeat("0.452 ", 8) + "OL OL " + strings.Repeat("0.452 ", 8), "6 16"},
		{"slid to another pin without removing", strings.Repeat("0.452 ", 8) + strings.Repeat("0.560 ", 8), "6 14"},
		{"OL is the probe in the air", strings.Repeat("OL ", 20), ""},
		{"bounces", "0.452 OL 0.452 OL 0.452 OL 0.452 0.452 0.452 0.452", ""},
		{"no reading is told", "0.452 hello 0.452 0.452 0.452 0.452 0.452 0.452", "2 8"},
		{"ohms", "22.1ohm 22.2ohm 22.1ohm 22.2ohm 22.1ohm 22.2ohm 22.1ohm", "6"},
	} {
		s := still{span: 0.003, hold: 500 * time.Millisecond}
		at := time.Unix(1000, 0)
		var got []string
		for i, line := range strings.Fields(x.lines) {
			if s.counts(line, at.Add(time.Duration(i)*100*time.Millisecond)) {
				got = append(got, fmt.Sprint(i+1))
			}
		}
		if text := strings.Join(got, " "); text != x.want {
			t.Errorf("%s: lines %q count, want %q", x.name, text, x.want)
		}
	}
	if every := new(still); !every.counts("0.452", time.Unix(1, 0)) || !every.counts("OL", time.Unix(1, 0)) {
		t.Error("without a time to hold, every line is a reading")
	}
}

// TestMeterHold feeds a session from a meter whose display never holds for as long as
// is asked: nothing is recorded but what was entered by key.
func TestMeterHold(t *testing.T) {
	demoFolder(t)
	if err := os.WriteFile("meter.txt", []byte(strings.Repeat("0.564\n", 50)), 0o666); err != nil {
		t.Fatal(err)
	}
	out, errs, code := play(t, "y\nsweep J7\n0.001\nq\n", "bench", "held.yaml", "--board", "board.yaml", "--known", "known", "--meter-device", "meter.txt", "--meter-hold", "1h")
	if code != exitDone || errs != "" {
		t.Fatalf("exit %d, %s\n%s", code, errs, out)
	}
	c, err := journal.Load("held.yaml")
	if err != nil || len(c.All) != 3 { // opened, cautions, 0.001
		t.Errorf("%d events, want 3; %v", len(c.All), err)
	}
	if _, errs, code := play(t, "", "bench", "held.yaml", "--meter-span", "3 apples"); code != exitUsage || !strings.Contains(errs, "--meter-span") {
		t.Errorf("a span of apples: exit %d, %s", code, errs)
	}
}
