package engine_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/repair"
)

// What the complaint concerns is to be read before no fault found means anything: the
// nets that the case names, else the pins of the connectors with a pin read, or with one on a
// line that was.
func TestConcerns(t *testing.T) {
	const some = "read: {J1.2: 0.561, J1.3: 0.602}\n"
	all := larkPins(moved(nil))
	board := lark(t)
	for _, tt := range []struct {
		about  string
		events []string
		pins   int
		unread []string
	}{
		{"nobody said: the connector", []string{some}, 11, []string{"J1.4", "J1.5", "J1.6", "J1.7", "J1.8", "J1.9", "J1.10", "J1.11", "J1.12"}},
		{"nobody said: all is read", []string{all}, 11, []string{}},
		{"a point within a line: its connector", []string{"read: {FL0.out: 0.561}\n"}, 11, []string{"J1.2", "J1.3", "J1.4", "J1.5", "J1.6", "J1.7", "J1.8", "J1.9", "J1.10", "J1.11", "J1.12"}},
		{"a rail on four pins", []string{some, "concerns: [VS]\n"}, 4, []string{"J1.8", "J1.9", "J1.10", "J1.11"}},
		{"a net of no connector", []string{some, "concerns: [VIO]\n"}, 1, []string{"C2.1"}},
		{"a net of no connector, read at another point", []string{all, "concerns: [VIO]\n", "read: {U2.1: 0.500}\n"}, 1, []string{}},
		{"the last word counts", []string{"concerns: [VS]\n", some, "concerns: [S0, S1]\n"}, 2, []string{}},
		{"taken back", []string{all, "concerns: [VIO]\n", "undo: last\n"}, 11, []string{}},
		{"nothing is read", []string{"concerns: [S0]\n"}, 1, []string{"J1.2"}},
	} {
		d := board.diagnose(tt.events...)
		if d.Pins != tt.pins {
			t.Errorf("%s: %d points concerned, want %d", tt.about, d.Pins, tt.pins)
		}
		if diff := cmp.Diff(tt.unread, d.Unread); diff != "" {
			t.Errorf("%s: not read (-want +got):\n%s", tt.about, diff)
		}
		if len(d.Unread) > 0 && !slices.ContainsFunc(d.Next, func(s repair.Step) bool { return slices.Contains(d.Unread, s.At) }) {
			t.Errorf("%s: no step reads any of %v", tt.about, d.Unread)
		}
	}
}
