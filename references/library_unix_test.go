//go:build unix

package references

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
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
	// Links in the folder: to the pipe, back to the folder, and to nowhere.
	for name, target := range map[string]string{"to-pipe.yaml": "pipe.yaml", "loop": ".", "nowhere.yaml": "nowhere.yaml"} {
		if err := os.Symlink(target, filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	link := filepath.Join(t.TempDir(), "known")
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	l, err := LoadLibrary(link, b)
	want := filepath.Join(link, "nowhere.yaml") + ": cannot be opened: too many levels of symbolic links; check the path; until then nothing of this file is used"
	if len(l.Sweeps) != 1 || len(l.Withdrawn) != 1 || err == nil || err.Error() != want {
		t.Errorf("got %+v, %v", l, err)
	}
	skipped := []Skipped{
		{filepath.Join(link, "loop"), "a link to another folder"},
		{filepath.Join(link, "pipe.yaml"), "not a regular file"},
		{filepath.Join(link, "to-pipe.yaml"), "not a regular file"},
	}
	if diff := cmp.Diff(skipped, l.Skipped); diff != "" {
		t.Errorf("skipped (-want +got):\n%s", diff)
	}
	// What counts for nothing is reported, with the reason.
	var notes []string
	for _, f := range l.Check() {
		if f.Kind == KindAside || f.Kind == KindWithdrawn {
			notes = append(notes, f.Severity+", "+f.Kind+": "+f.Seen)
		}
	}
	if diff := cmp.Diff([]string{"note, set aside: a link to another folder: loop", "note, set aside: not a regular file: pipe.yaml, to-pipe.yaml", "note, withdrawn: taken out of use: the board failed"}, notes); diff != "" {
		t.Errorf("notes (-want +got):\n%s", diff)
	}
}
