package netlist

import (
	"strings"
	"testing"
)

func TestRepair(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	tests := []struct {
		text, name string // name is what RepairName writes; "" where the text is refused
		wrong      string
	}{
		{"J7.2", "J7.2", ""},
		{"R12.1", "R12.1", ""},
		{"J7.2-J7.4", "J7.2-J7.4", ""},
		{"J7.4 to J7.2", "J7.2-J7.4", ""},
		{"TP14-R12.1", "TP14-R12.1", ""},
		{"R12.1-TP14", "TP14-R12.1", ""},
		{"J7.2-R12.1", "", "not next to each other along `TP_INT`; name two neighbours of J7.2, TP14, R12.1"},
		{"J7.2-J7.3", "", "are not next to each other; next to J7.2: J7.4"},
		{"TP14", "", "is not a joint that could be repaired"},
		{"R12.1-R12.2", "", "are on two nets"},
		{"J7.2-J7.99", "", "J7 has no pin"},
		{"nowhere", "", "not a point of this board"},
		{"J7.2-", "", "is not a point of this board"},
	}
	for _, tt := range tests {
		m, err := b.Repair(tt.text)
		if tt.name == "" {
			if err == nil || !strings.Contains(err.Error(), tt.wrong) || !strings.Contains(err.Error(), "; ") {
				t.Errorf("%s: error %v, want one with %q and what to do", tt.text, err, tt.wrong)
			}
			continue
		}
		if err != nil || b.RepairName(m) != tt.name {
			t.Errorf("%s: %v, %v; want %s", tt.text, b.RepairName(m), err, tt.name)
		}
		if again, err := b.Repair(b.RepairName(m)); again != m || err != nil {
			t.Errorf("%s read back is %+v, %v; want %+v", tt.name, again, err, m)
		}
	}
}

func TestRepairEdits(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	pin, _ := b.Repair("J7.2")
	trace, _ := b.Repair("TP14-R12.1")
	var untouched Edits
	one := untouched.Repair(pin)
	both, other := one.Repair(trace), untouched.Repair(trace).Repair(pin).Repair(trace)
	switch {
	case untouched.Repaired(pin) || !one.Repaired(pin) || one.Repaired(trace):
		t.Errorf("Repair changed the edits it was called on, or did nothing: %q, %q", untouched.Key(), one.Key())
	case !both.Equal(other) || both.Key() != other.Key() || both.Equal(one) || both.Key() == one.Key():
		t.Errorf("keys %q, %q, %q", both.Key(), other.Key(), one.Key())
	case !both.AsDrawn():
		t.Error("repaired copper is not as drawn")
	case !one.Remove(0).Repaired(pin):
		t.Error("removing a part undid a repairing")
	case untouched.Repair(Repair{}).Key() != "":
		t.Error("repairing nothing did something")
	}
}
