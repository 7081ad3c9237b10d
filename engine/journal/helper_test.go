package journal

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfsplit/netlist"
	"halfsplit/references"
)

// The board of these tests, an invented handheld parcel terminal, and its case
// files lie in testdata.

// folder copies the board and its library into a fresh folder.
func folder(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	copyFile(t, "testdata/board.yaml", filepath.Join(dir, "board.yaml"))
	if err := os.Mkdir(filepath.Join(dir, "known"), 0o777); err != nil {
		t.Fatal(err)
	}
	copyFile(t, "testdata/known/014.yaml", filepath.Join(dir, "known", "014.yaml"))
	return dir
}

func copyFile(t testing.TB, from, to string) {
	t.Helper()
	write(t, to, read(t, from))
}

func read(t testing.TB, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func load(t testing.TB, path string) *Case {
	t.Helper()
	c, err := Load(path)
	if err != nil {
		t.Fatalf("Load: %v", err)
	}
	return c
}

// surroundingsOnce gives every decode of a test the same board and library.
func surroundingsOnce(t testing.TB) around {
	t.Helper()
	board, library, err := surroundings(Opening{BoardPath: "testdata/board.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	return func(Opening) (*netlist.Board, *references.Library, error) { return board, library, nil }
}

// told compares what events tell; where they stand does not matter.
var told = cmp.Options{
	cmp.FilterPath(func(p cmp.Path) bool {
		switch p.Last().String() {
		case ".Pos", ".Number", ".BoardPath", ".KnownPath":
			return true
		}
		return false
	}, cmp.Ignore()),
	// Numbers are written to fifteen digits.
	cmp.Comparer(func(a, b float64) bool {
		return math.Abs(a-b) <= 2e-15*math.Abs(a+b) || math.IsNaN(a) && math.IsNaN(b)
	}),
	cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) }),
}

// part finds a part of the test board by name.
func part(t testing.TB, b *netlist.Board, name string) netlist.PartID {
	t.Helper()
	p, err := b.PartByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// point finds a point of the test board by name.
func point(t testing.TB, b *netlist.Board, name string) netlist.Point {
	t.Helper()
	p, err := b.Point(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}
