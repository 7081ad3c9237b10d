package netlist

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func load(t testing.TB, path string) *Board {
	t.Helper()
	b, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
func TestX(t *testing.T) {
	for _, f := range []string{"testdata/kestrel.yaml", "testdata/messy.yaml"} {
		b := load(t, f)
		for i := range b.Parts {
			p := &b.Parts[i]
			fmt.Println(p.Name, p.Kind, p.Value, p.DCOhms, p.Role, p.Way, p.Supplies, p.Grounds, p.Domain)
			for _, w := range p.Paths() {
				fmt.Println("    ", p.Terminals[w.From].Name, p.Terminals[w.To].Name, w.Element, w.Ohms, w.Stated)
			}
		}
		fmt.Println(b.Warnings())
		for _, n := range b.Points() {
			p, err := b.Point(n)
			if err != nil || b.PointName(p) != n {
				t.Error(n, p, err)
			}
		}
	}
	_ = cmp.Diff
	_ = strings.Cut
}
