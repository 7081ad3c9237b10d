//go:build unix

package references

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// A folder that is a link is entered; a pipe in it is not waited for.
func TestLoadLibraryThroughLink(t *testing.T) {
	b := testBoard(t)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "a.yaml"), sweepText("1", "", "J7.2: 0.452"))
	write(t, filepath.Join(dir, "b.yaml"), sweepText("2", "", "J7.2: 0.455"))
	write(t, filepath.Join(dir, "out.yaml"), "withdraw: {file: b.yaml, why: the board failed}\n")
	if err := syscall.Mkfifo(filepath.Join(dir, "pipe.yaml"), 0o666); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "known")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	l, err := LoadLibrary(link, b)
	if err != nil || len(l.Sweeps) != 1 || len(l.Withdrawn) != 1 || len(l.Skipped) != 1 || l.Skipped[0].Why != "not a regular file" {
		t.Errorf("got %+v, %v", l, err)
	}
}
