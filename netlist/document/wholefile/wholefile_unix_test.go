//go:build unix

package wholefile

import (
	"errors"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// What a killed run left is removed by the next one. What somebody holds, and what
// only looks like a draft, stays.
func TestClean(t *testing.T) {
	dir := t.TempDir()
	left, held := filepath.Join(dir, draftName()), filepath.Join(dir, draftName())
	leftFolder := filepath.Join(dir, draftName())
	put(t, left, "half a sweep")
	put(t, held, "being written")
	if err := os.Mkdir(leftFolder, 0o777); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(leftFolder, "board.yaml"), "half a class")
	f, err := os.Open(held)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := TryLock(f); err != nil {
		t.Fatal(err)
	}
	foreign := []string{".halfsplit-0123456789abcdef-0123456789abcdef.part", ".halfsplit-notes", ".adding-1", "x.part"}
	for _, name := range foreign {
		put(t, filepath.Join(dir, name), "theirs")
	}
	link := filepath.Join(dir, draftName())
	if err := os.Symlink("x.part", link); err != nil {
		t.Fatal(err)
	}
	if err := New(filepath.Join(dir, "new"), nil); err != nil {
		t.Fatal(err)
	}
	for _, gone := range []string{left, leftFolder} {
		if _, err := os.Lstat(gone); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s is still there: %v", gone, err)
		}
	}
	for _, name := range append(foreign, filepath.Base(held), filepath.Base(link)) {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Links, pipes and devices are not written over, nor waited for.
// TestCleanAgain: a run that was killed between its file and its draft is cleaned up after
// by the next one, though that has nothing to write.
func TestCleanAgain(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "a.yaml"), "a")
	put(t, filepath.Join(dir, draftName()), "a")
	if err := New(filepath.Join(dir, "a.yaml"), []byte("a")); !errors.Is(err, fs.ErrExist) || names(t, dir) != "a.yaml" {
		t.Errorf("%v; the folder holds %s", err, names(t, dir))
	}
}

func TestIrregular(t *testing.T) {
	dir := t.TempDir()
	precious, link, pipe, nowhere := filepath.Join(dir, "precious"), filepath.Join(dir, "link"), filepath.Join(dir, "pipe"), filepath.Join(dir, "nowhere")
	put(t, precious, "theirs")
	if err := errors.Join(os.Symlink("precious", link), os.Symlink("not-there", nowhere), syscall.Mkfifo(pipe, 0o666)); err != nil {
		t.Fatal(err)
	}
	yes := func([]byte) bool { return true }
	for _, path := range []string{link, nowhere, pipe, os.DevNull, dir} {
		if err := Replace(path, []byte("x"), yes); !errors.Is(err, ErrForeign) {
			t.Errorf("replacing %s: %v", path, err)
		}
		if err := New(path, []byte("x")); !errors.Is(err, fs.ErrExist) {
			t.Errorf("a new %s: %v", path, err)
		}
	}
	if got := read(t, precious); got != "theirs" {
		t.Errorf("the target of the link holds %q", got)
	}
	if got := names(t, dir); strings.Contains(got, "not-there") || strings.Contains(got, ".part") {
		t.Errorf("the folder holds %s", got)
	}
}

func TestSame(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	put(t, "a.html", "")
	if err := errors.Join(os.Mkdir("sub", 0o777), os.Symlink("sub", "other"), os.Symlink("a.html", "link.html"), os.Link("a.html", "hard.html")); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		a, b string
		want bool
	}{
		{"a.html", "./a.html", true},
		{"a.html", filepath.Join(dir, "sub", "..", "a.html"), true},
		{"a.html", "link.html", true},
		{"a.html", "hard.html", true},
		{"new.html", "./sub/../new.html", true},
		{"sub/new.html", "other/new.html", true},
		{"a.html", "new.html", false},
		{"new.html", "sub/new.html", false},
	} {
		if got := Same(x.a, x.b); got != x.want {
			t.Errorf("Same(%s, %s) = %v", x.a, x.b, got)
		}
	}
}

// Where the disk runs full, nothing is left that would stand in the way of the next
// try, and a page that was there is whole. A limit on the size of files stands for
// the full disk.
func TestFull(t *testing.T) {
	var old syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Skip("no limit on the size of files here: ", err)
	}
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	dir := t.TempDir()
	page := filepath.Join(dir, "page")
	put(t, page, "a page")
	small := old
	small.Cur = 1 << 20 // the log of the test is a file, too
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &small); err != nil {
		t.Skip("no limit on the size of files here: ", err)
	}
	long := make([]byte, 2<<20)
	err1 := New(filepath.Join(dir, "new"), long)
	err2 := Replace(page, long, func([]byte) bool { return true })
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Fatal(err)
	}
	if !errors.Is(err1, syscall.EFBIG) || !errors.Is(err2, syscall.EFBIG) {
		t.Errorf("2 MiB where 1 MiB is the most: %v, %v", err1, err2)
	}
	if got := names(t, dir); got != "page" || read(t, page) != "a page" {
		t.Errorf("left are %s; the page holds %q", got, read(t, page))
	}
}
