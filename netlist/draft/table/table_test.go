package table

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A text that a spreadsheet would run is guarded, and comes back as it was; what
// is no formula is left alone.
func TestGuard(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "R12": "R12", "22R": "22R", "=1+1": "'=1+1", "+3V3": "'+3V3", "-": "'-", "@x": "'@x", "'": "''", "'=1": "''=1", "it's": "it's",
	} {
		got := Guard(text)
		if got != want || Unguard(got) != text {
			t.Errorf("%q: guarded %q, want %q; back %q", text, got, want, Unguard(got))
		}
	}
}

func TestParseMap(t *testing.T) {
	m, err := ParseMap([]string{"point=Pin", "reading:1=Board 1", "by=a=b"})
	if diff := cmp.Diff(map[string]string{"point": "Pin", "reading:1": "Board 1", "by": "a=b"}, m); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	for item, want := range map[string]string{"point": "`point` is not a column", "=x": "`=x` is not a column", "by=x": "`by` is given twice, as `y` and `x`; keep one of them"} {
		if _, err := ParseMap([]string{"by=y", item}); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %v, want %s", item, err, want)
		}
	}
}

func TestRead(t *testing.T) {
	for _, test := range []struct {
		text    string
		decimal bool
		want    [][]string
	}{
		{"a,b\n1,2\n", false, [][]string{{"1", "2"}}},
		{"\xef\xbb\xbfa;b;c\r\n1;2,5;\r\n\r\n;;\r\n", true, [][]string{{"1", "2,5", ""}}},
		{"a\tb\n\"x\ty\"\tz\n", true, [][]string{{"x\ty", "z"}}},
		{"\"a;b\",c\n1\n", false, [][]string{{"1", ""}}},
	} {
		table, err := Read(strings.NewReader(test.text), "x")
		if err != nil {
			t.Errorf("%q: %v", test.text, err)
			continue
		}
		var got [][]string
		for _, row := range table.Rows {
			var fields []string
			for _, f := range row {
				fields = append(fields, f.Text)
			}
			got = append(got, fields)
		}
		if diff := cmp.Diff(test.want, got); diff != "" || table.Decimal != test.decimal {
			t.Errorf("%q: decimal comma %t (-want +got):\n%s", test.text, table.Decimal, diff)
		}
	}
	// Columns count characters, also on later lines of a field.
	table, err := Read(strings.NewReader("a,b\n\"ü\nü\",x\n"), "x")
	if err != nil || table.Rows[0][1].At.String() != "x:3:4" {
		t.Errorf("%v %v", table, err)
	}
	big := strings.NewReader(strings.Repeat("a,b\n", Limit/4+1))
	if _, err := Read(big, "x"); err == nil || !strings.HasPrefix(err.Error(), "x: is longer than 16 MB") {
		t.Errorf("a table without end: %v", err)
	}
}
