package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// complete asks as a shell does: the words so far, the last of them unfinished.
func complete(t *testing.T, words ...string) []string {
	t.Helper()
	var out bytes.Buffer
	if code := run(append([]string{"__complete"}, words...), nil, &out, io.Discard); code != exitDone {
		t.Fatalf("%q: exit %d", words, code)
	}
	var found []string
	for _, line := range strings.Split(strings.TrimSpace(out.String()), "\n") {
		if !strings.HasPrefix(line, ":") {
			found = append(found, line)
		}
	}
	return found
}

func TestComplete(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"board.yaml":       twig,
		"case.yaml":        "# a case\nopen: {board: board.yaml}\n",
		"sweep.yml":        "board: Twig\nreadings: {J1.2: 0.5}\n",
		"notes.txt":        "open: no\n",
		"odd\u202e.yaml":   "open: {board: board.yaml}\n",
		".hidden.yaml":     "open: {board: board.yaml}\n",
		"empty.yaml":       "",
		"cases/other.yaml": "open: {board: ../board.yaml}\n",
	} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	tests := []struct {
		words, want []string
	}{
		{[]string{"locate", ""}, []string{"case.yaml", "cases/"}},
		{[]string{"locate", "cases/"}, []string{"cases/other.yaml"}},
		{[]string{"locate", "nowhere/"}, nil},
		{[]string{"locate", "case.yaml", ""}, nil},
		{[]string{"trace", "b"}, []string{"board.yaml"}},
		{[]string{"trace", "board.yaml", "R"}, []string{"R1.1", "R1.2"}},
		{[]string{"trace", "board.yaml", "J1."}, []string{"J1.1", "J1.2", "J1.3"}},
		{[]string{"trace", "board.yaml", "SDA"}, []string{"SDA", "SDA_U"}},
		{[]string{"trace", "empty.yaml", "R"}, nil},
		{[]string{"predict", "board.yaml", "--removed", "C"}, []string{"C1", "C2"}},
		{[]string{"predict", "board.yaml", "--fault", "R"}, []string{"R1:"}},
		{[]string{"predict", "board.yaml", "--fault", "R1:op"}, []string{"R1:open", "R1:open joint"}},
		{[]string{"predict", "board.yaml", "--polarity", "b"}, []string{"black-on-ground"}},
		{[]string{"schema", "c"}, []string{"case", "class", "costs"}},
		{[]string{"locate", "--colour", "a"}, []string{"auto", "always"}},
		{[]string{"completion", "z"}, []string{"zsh"}},
	}
	for _, test := range tests {
		if diff := cmp.Diff(test.want, complete(t, test.words...)); diff != "" {
			t.Errorf("%q (-want +got):\n%s", test.words, diff)
		}
	}
}
