package references

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"halfsplit/netlist/quantity"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestWriteReadsBack(t *testing.T) {
	b := testBoard(t)
	meter := Meter{"3: the \"blue\" one", 0.000512, 2.83, 1.999, 0.008, 3, 0.0001, Resistive, 1e-5, 0.25, 6e7}
	hard := &Sweep{
		Board: "Kestrel K3", Revision: "C", Sample: "null", By: "Ł. {bench} #2: a, 'b' \\ c",
		Taken: time.Date(2026, 8, 2, 14, 5, 0, 0, time.UTC), Meter: meter,
		State: State{BlackOnGround, "out", []string{"J7", "J3"}, -3.5},
	}
	for _, r := range []struct {
		name string
		volt float64
		over bool
	}{{"J7.2", 0.4523, false}, {"J7.3", 1, false}, {"J7.4", 0, false}, {"J7.5", -0.003, false}, {"TP14", 0, true}} {
		hard.Readings = append(hard.Readings, PointReading{At: point(t, b, r.name), Name: r.name, Reading: quantity.Reading{Overload: r.over, Value: r.volt, Unit: quantity.Volt}})
	}
	plain, err := LoadSweep(filepath.Join("testdata", "sweep.yaml"), b)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []*Sweep{hard, plain} {
		var text strings.Builder
		if err := s.Write(&text); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "s.yaml")
		write(t, path, text.String())
		got, err := LoadSweep(path, b)
		if err != nil {
			t.Fatalf("%v in\n%s", err, text.String())
		}
		ignore := cmp.Options{cmpopts.IgnoreFields(Sweep{}, "File"), cmpopts.IgnoreFields(PointReading{}, "Line")}
		if diff := cmp.Diff(s, got, ignore); diff != "" {
			t.Errorf("(-written +read):\n%s\n%s", diff, text.String())
		}
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestWriteSaysWhatFailed(t *testing.T) {
	if err := (&Sweep{Meter: DefaultMeter()}).Write(fullDisk{}); err == nil || err.Error() != "writing the sweep: no space left" {
		t.Errorf("got %v", err)
	}
}
