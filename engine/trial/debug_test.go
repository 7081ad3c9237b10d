package trial

import (
	"fmt"
	"os"
	"testing"

	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/engine/practice"
	"halfsplit/netlist"
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
		b := tr.Model.Board
		m := network.New(b)
		lib := references.NewLibrary(b, tr.Library)
		bel, err := fit.Fit(m, lib)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("spread %g", bel.Spread)
		for _, pol := range []references.Polarity{0, 1} {
			for n := range b.Nets {
				k, ok := bel.Known(fit.Spot{Net: netlist.NetID(n), Contact: network.NoContact, Polarity: pol})
				if ok && (k.Offset > 0.004 || k.Offset < -0.004) {
					t.Logf("%v %s N %d center %.3f offset %.3f scale %.4f df %.1f ol %.2f", pol, b.Nets[n].Name, k.N, k.Center, k.Offset, k.Scale, k.DF, k.Overload)
				}
			}
		}
		for e := range m.Elements {
			if m.Elements[e].Class == network.Junction {
				v := bel.Values.Junctions[e]
				p := m.Elements[e].Origin.Prior()
				if v.Drop-p.Drop.Mean > 0.2 || v.Drop-p.Drop.Mean < -0.2 {
					part := "undrawn"
					if m.Elements[e].Part >= 0 {
						part = m.Describe(int32(e))
					}
					t.Logf("   %s %v drop %.3f n %.2f rs %.1f", part, m.Elements[e].Origin, v.Drop, v.Ideality, v.Series)
				}
			}
		}
	}
}
