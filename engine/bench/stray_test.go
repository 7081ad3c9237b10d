package bench

import (
	"strings"
	"testing"
)

// What is said of a wrong entry is words to the last letter: no verb of a format
// is left over, and none of its arguments.
func TestWrongEntryWords(t *testing.T) {
	s := &Session{}
	for _, line := range []string{"0.452", "100 %s", "OL"} {
		err := s.strayValue(&Prompt{Ask: AskNothing}, entry{}, line)
		if err == nil || strings.Contains(err.Error(), "%!") || !strings.Contains(err.Error(), "at J7.2") {
			t.Errorf("%q: %v", line, err)
		}
	}
}
