package fault

import (
	"math"
	"testing"

	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// TestRepaired puts each sort of joint and copper fault on the demo's board and
// repairs it: the reading must be that of a good board again, and only then. No
// source: what is repaired is as drawn.
func TestRepaired(t *testing.T) {
	b, err := netlist.Load("../../testdata/demo/board.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := network.New(b)
	v := m.Nominal()
	v.Settle()
	loci := Loci(m, DefaultPriors(), v)
	find := func(name string, kind network.ChangeKind, mode Mode) network.Change {
		t.Helper()
		for i := range loci {
			for _, r := range loci[i].Modes {
				if loci[i].Name(b) == name && loci[i].Change.Kind == kind && r.Mode == mode {
					return loci[i].At(r.Hi)
				}
			}
		}
		t.Fatalf("nothing called %s can be %s", name, mode)
		return network.Change{}
	}
	r12, _ := b.PartByName("R12")
	u5, _ := b.PartByName("U5")
	repair := func(place string) netlist.Edits {
		t.Helper()
		x, err := b.Repair(place)
		if err != nil {
			t.Fatal(err)
		}
		return netlist.Edits{}.Repair(x)
	}
	tests := []struct {
		about  string
		change network.Change
		at     string
		cures  netlist.Edits
		other  netlist.Edits // that cures nothing here
	}{
		{"pin", find("J7.2", network.Detach, OpenJoint), "J7.2", repair("J7.2"), repair("J7.3")},
		{"gap", find("J7.2 to J7.4", network.AddPath, Bridged), "J7.2", repair("J7.4-J7.2"), repair("J7.2")},
		{"trace", find("D1.1 to TP14", network.Split, BrokenTrace), "J7.2", repair("D1.1-TP14"), repair("TP14-R12.1")},
		{"joint, touched up", find("R12", network.Detach, OpenJoint), "J7.2", repair("R12.1"), repair("R12.2")},
		{"joint, reinstalled", find("R12", network.Detach, OpenJoint), "J7.2", netlist.Edits{}.Remove(r12).Reinstall(r12), netlist.Edits{}},
		{"open inside an IC", find("U5", network.Detach, Open), "U5.B2", netlist.Edits{}.Replace(u5), netlist.Edits{}.Remove(u5).Reinstall(u5)},
	}
	w := network.NewWorkspace(m)
	for _, tt := range tests {
		if tt.about == "open inside an IC" {
			tt.at = b.PointName(m.PointOf(tt.change.Contact))
		}
		at, err := b.Point(tt.at)
		if err != nil {
			t.Fatal(err)
		}
		p := network.Probe{Plus: m.GroundPlace(), Minus: m.PlaceOf(at), Meter: network.Drive{Current: 1e-3, Open: 3, Over: 2}}
		read := func(e netlist.Edits, changes ...network.Change) float64 {
			t.Helper()
			r, err := w.Read(p, &network.State{Edits: e, Changes: changes}, v)
			if err != nil {
				t.Fatal(err)
			}
			return r.Volts
		}
		good := read(netlist.Edits{})
		bad := read(netlist.Edits{}, tt.change)
		if math.Abs(good-bad) < 1e-3 {
			t.Errorf("%s: the fault does not show: %.4f V with and without it", tt.about, good)
		}
		if cured := read(tt.cures, tt.change); math.Abs(cured-good) > 1e-9 {
			t.Errorf("%s: repaired reads %.4f V, a good board %.4f V", tt.about, cured, good)
		}
		if other := read(tt.other, tt.change); math.Abs(other-bad) > 1e-9 {
			t.Errorf("%s: repairing something else reads %.4f V, want %.4f V as before", tt.about, other, bad)
		}
	}
}
