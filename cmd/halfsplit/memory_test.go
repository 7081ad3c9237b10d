//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Of a folder every file that may be a case is counted or reported: through links,
// once however its lines end, and broken ones too. What never ends is refused.
func TestMemoryFolder(t *testing.T) {
	demoFolder(t)
	const closed = "open: {board: ../board.yaml, known: ../known}\n---\nread: {J7.3: OL}\n---\njumper: {FL3: 0 ohm}\n---\nread: {J7.3: 0.622}\n---\nclose: {cause: FL3 open, remedy: jumper}\n"
	if err := os.Mkdir("shop", 0o777); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"a.yaml":       closed,
		"crlf.yaml":    strings.ReplaceAll(closed, "\n", "\r\n"),
		"broken.yaml":  closed + "---\nread: {J7.2: 0.4\n",
		"empty.yaml":   "",
		"garbled.yaml": "op\x00en",
		"costs.yaml":   "measure: 8\n",
	} {
		if err := os.WriteFile("shop/"+name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for name, target := range map[string]string{"other.yaml": "../cases/touch-dead.yaml", "loop": ".", "nowhere.yaml": "nowhere.yaml", "zero.yaml": "/dev/zero"} {
		if err := os.Symlink(target, "shop/"+name); err != nil {
			t.Fatal(err)
		}
	}
	var out, complaints bytes.Buffer
	if code := run([]string{"memory", "learn", "shop", "/dev/zero", "--json"}, strings.NewReader(""), &out, &complaints); code != 0 {
		t.Fatalf("exit %d: %s", code, complaints.String())
	}
	var got learned
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	want := []skippedCase{
		{"/dev/zero", "has 1 problem: is a pipe or a device, not a file"},
		{"shop/broken.yaml", "has 1 problem: the { that opens here or just before is not closed as it should be"},
		{"shop/crlf.yaml", "is the same case as one that was counted"},
		{"shop/empty.yaml", "has 1 problem: holds no event"},
		{"shop/garbled.yaml", "has 1 problem: control character U+0000"},
		{"shop/nowhere.yaml", "has 1 problem: cannot be opened: too many levels of symbolic links"},
		{"shop/other.yaml", "is not closed; close it when the repair is verified"},
	}
	if diff := cmp.Diff(want, got.Skipped); diff != "" || got.Cases != 1 {
		t.Errorf("%d cases counted, want 1; not counted (-want +got):\n%s", got.Cases, diff)
	}
}
