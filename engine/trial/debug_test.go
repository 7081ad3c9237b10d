package trial

import (
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"halfsplit/engine"
	"halfsplit/engine/practice"
	"halfsplit/references"
)

func TestDebug(t *testing.T) {
	trials, err := practice.LoadTrials(os.Getenv("TRIALS"))
	if err != nil {
		t.Skip()
	}
	for i := range trials {
		tr := &trials[i]
		if fmt.Sprint(tr.Number) != os.Getenv("N") {
			continue
		}
		lib := references.NewLibrary(tr.Model.Board, tr.Library)
		e, _ := engine.New(tr.Model.Board, lib, engine.Options{})
		w := Start(tr, e, lib)
		w.log = t.Logf
		if err := w.Follow(); err != nil {
			t.Fatal(err)
		}
		d, err := e.Diagnose(w.Case)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("repaired %v", w.Repaired())
		for _, r := range d.Readings {
			if r.Event > 30 {
				js, _ := json.Marshal(r)
				t.Logf("%s", js)
			}
		}
		for _, x := range d.Explanations[:min(6, len(d.Explanations))] {
			js, _ := json.Marshal(x)
			t.Logf("%s", js)
		}
		for _, x := range d.Suspects[:min(6, len(d.Suspects))] {
			js, _ := json.Marshal(x)
			t.Logf("%s", js)
		}
	}
}
