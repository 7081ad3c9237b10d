package netlist

import (
	"strings"
	"testing"
)

func TestMend(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	tests := []struct {
		text, name string // name is what MendName writes; "" where the text is refused
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
		{"TP14", "", "is no joint that could be mended"},
		{"R12.1-R12.2", "", "are on two nets"},
		{"J7.2-J7.99", "", "J7 has no pin"},
		{"nowhere", "", "no point of this board"},
		{"J7.2-", "", "is no point of this board"},
	}
	for _, tt := range tests {
		m, err := b.Mend(tt.text)
		if tt.name == "" {
			if err == nil || !strings.Contains(err.Error(), tt.wrong) || !strings.Contains(err.Error(), "; ") {
				t.Errorf("%s: error %v, want one with %q and what to do", tt.text, err, tt.wrong)
			}
			continue
		}
		if err != nil || b.MendName(m) != tt.name {
			t.Errorf("%s: %v, %v; want %s", tt.text, b.MendName(m), err, tt.name)
		}
		if again, err := b.Mend(b.MendName(m)); again != m || err != nil {
			t.Errorf("%s read back is %+v, %v; want %+v", tt.name, again, err, m)
		}
	}
}

func TestMendEdits(t *testing.T) {
	b := load(t, "testdata/kestrel.yaml")
	pin, _ := b.Mend("J7.2")
	trace, _ := b.Mend("TP14-R12.1")
	var untouched Edits
	one := untouched.Mend(pin)
	both, other := one.Mend(trace), untouched.Mend(trace).Mend(pin).Mend(trace)
	switch {
	case untouched.Mended(pin) || !one.Mended(pin) || one.Mended(trace):
		t.Errorf("Mend changed the edits it was called on, or did nothing: %q, %q", untouched.Key(), one.Key())
	case !both.Equal(other) || both.Key() != other.Key() || both.Equal(one) || both.Key() == one.Key():
		t.Errorf("keys %q, %q, %q", both.Key(), other.Key(), one.Key())
	case !both.AsDrawn():
		t.Error("mended copper is not as drawn")
	case !one.Lift(0).Mended(pin):
		t.Error("lifting a part undid a mending")
	case untouched.Mend(Mend{}).Key() != "":
		t.Error("mending nothing did something")
	}
}
