package plan

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist/document"
)

func TestRates(t *testing.T) {
	for _, tt := range []struct{ text, wrong string }{
		{"currency: EUR\nhour: 60\npart: 1.50\nic: 12\nreplacement_board: 140\n", ""},
		{"hour: 60\n", "rates.yaml:1:1: the file lacks the key `replacement_board`"},
		{"hour: 60 EUR\nreplacement_board: 140\n", "rates.yaml:1:7: "},
		{"hour: 0\nreplacement_board: 140\n", "rates.yaml:1:7: "},
		{"hour: 60\nreplacement_board: 140\nparts: 2\n", "rates.yaml:3:1: "},
		{"hour: 60\nreplacement_board: 140\n---\nhour: 1\n", "rates.yaml: holds 2 documents"},
	} {
		path := filepath.Join(t.TempDir(), "rates.yaml")
		if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := LoadRates(path)
		if tt.wrong == "" {
			if d := cmp.Diff(&Rates{"EUR", 60, 1.5, 12, 140}, got); d != "" || err != nil {
				t.Errorf("%v (-want +got):\n%s", err, d)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), tt.wrong) {
			t.Errorf("%q: %v; want %q", tt.text, err, tt.wrong)
		}
	}
}

// FuzzRates reads rates files: sums that can be reckoned with, or problems.
func FuzzRates(f *testing.F) {
	f.Add([]byte("currency: EUR\nhour: 60\nreplacement_board: 140\n"))
	f.Add([]byte("hour: NaN\nreplacement_board: 1e308\n---\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "rates.yaml")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := LoadRates(path)
		if err != nil {
			if !errors.As(err, new(document.Problems)) {
				t.Errorf("no problems: %v", err)
			}
			return
		}
		for _, v := range []float64{r.Hour, r.Part, r.IC, r.Board} {
			if !(v >= 0) || math.IsInf(v, 0) {
				t.Errorf("%+v", r)
			}
		}
	})
}
