package plan

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"halfsplit/netlist/document"
)

// FuzzCosts reads costs files: seconds that can be reckoned with, or problems with a
// place in the file.
func FuzzCosts(f *testing.F) {
	f.Add(defaultCosts)
	f.Add([]byte("remove: 1e308\nmeasure: 0x1p-1074\n"))
	f.Add([]byte("remove: NaN\n---\nlook: -1\n"))
	f.Add([]byte("remove: {a: 1}\nlift: 2\n\x00"))
	path := filepath.Join(f.TempDir(), "costs.yaml")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := LoadCosts(path)
		if err != nil {
			var problems document.Problems
			if !errors.As(err, &problems) {
				t.Errorf("no problems: %v", err)
			}
			return
		}
		for _, k := range costKeys {
			if v := *k.of(&c); !(v > 0) || math.IsInf(v, 0) {
				t.Errorf("%s takes %g s", k.key, v)
			}
		}
	})
}
