package netlist

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist/document"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// golden compares a text with a file under testdata.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got; go test -update rewrites it):\n%s", path, diff)
	}
}

// Every file under testdata/broken has something wrong with it;
// testdata/broken/messages.golden is what is said about each.
func TestBroken(t *testing.T) {
	paths, err := filepath.Glob("testdata/broken/*.yaml")
	if err != nil || len(paths) < 40 {
		t.Fatalf("%d broken files, %v", len(paths), err)
	}
	var all strings.Builder
	for _, path := range paths {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Parse(f, filepath.Base(path))
		f.Close()
		problems, ok := err.(document.Problems)
		if !ok || len(problems) == 0 {
			t.Errorf("%s: loads with %v, want problems", path, err)
			continue
		}
		for _, p := range problems {
			fmt.Fprintln(&all, p)
			if p.What == "" || p.Do == "" || p.File == "" {
				t.Errorf("%s: %q lacks a file, what or do", path, p)
			}
		}
	}
	golden(t, "testdata/broken/messages.golden", all.String())
}

// Every file under testdata/warned names a net, pin or test point that no part is on:
// the rest of the board loads, and testdata/warned/messages.golden is what is said.
func TestWarned(t *testing.T) {
	paths, err := filepath.Glob("testdata/warned/*.yaml")
	if err != nil || len(paths) < 6 {
		t.Fatalf("%d files, %v", len(paths), err)
	}
	var all strings.Builder
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Parse(bytes.NewReader(text), filepath.Base(path))
		if err != nil || len(b.Parts) == 0 || len(b.Warnings()) == 0 {
			t.Errorf("%s: %v; want the board with warnings", path, err)
			continue
		}
		for _, p := range b.Warnings() {
			fmt.Fprintln(&all, p)
		}
	}
	golden(t, "testdata/warned/messages.golden", all.String())
}

// A file of 100 MB is refused without being read to its end.
func TestHuge(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	line := bytes.Repeat([]byte("  R1: {kind: resistor, pins: [A, B]}\n"), 1000)
	source := &repeated{text: line}
	_, err := Parse(io.LimitReader(source, 100<<20), "huge.yaml")
	runtime.ReadMemStats(&after)
	if want := "huge.yaml: is larger than 16 MiB; split it, or check that it is the file you meant"; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
	if source.read > 20<<20 {
		t.Errorf("read %d bytes", source.read)
	}
	// io.ReadAll doubles its buffer: 16 MiB cost at most some 64 in total.
	if spent := after.TotalAlloc - before.TotalAlloc; spent > 100<<20 {
		t.Errorf("allocated %d bytes", spent)
	}

	// Below the limit of size, the number of entries bounds the memory.
	_, err = Parse(io.LimitReader(&repeated{text: []byte("[,,,,")}, 15<<20), "marks.yaml")
	if err == nil || !strings.Contains(err.Error(), "more than 500000 entries") {
		t.Errorf("error %v, want one on the number of entries", err)
	}
}

// repeated is an endless stream of one text.
type repeated struct {
	text []byte
	read int
}

func (r *repeated) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = r.text[r.read%len(r.text)]
		r.read++
	}
	return len(p), nil
}
