package wholefile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// names are those of a folder, hidden ones too.
func names(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return strings.Join(list, " ")
}

func TestNew(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "a", "b", "c.yaml")
	if err := New(file, []byte("one")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("without its folder: %v", err)
	}
	if err := MakeFolder(filepath.Dir(file)); err != nil {
		t.Fatal(err)
	}
	if err := New(file, []byte("one")); err != nil {
		t.Fatal(err)
	}
	if err := New(file, []byte("two")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over a file: %v", err)
	}
	if got := read(t, file); got != "one" {
		t.Errorf("the file holds %q", got)
	}
	if got := names(t, filepath.Dir(file)); got != "c.yaml" {
		t.Errorf("the folder holds %s", got)
	}
}

func TestReplace(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "page.html")
	ours := func(head []byte) bool { return strings.HasPrefix(string(head), "ours") }
	for _, text := range []string{"ours 1", "ours 2"} {
		if err := Replace(file, []byte(text), ours); err != nil || read(t, file) != text {
			t.Fatalf("%q: %v", text, err)
		}
	}
	if err := os.Chmod(file, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Replace(file, []byte("ours 3"), ours); err != nil {
		t.Fatal(err)
	}
	if info, _ := os.Stat(file); info.Mode().Perm() != 0o600 {
		t.Errorf("the permissions became %v", info.Mode())
	}
	put(t, file, "theirs")
	if err := Replace(file, []byte("ours 4"), ours); !errors.Is(err, ErrForeign) || read(t, file) != "theirs" {
		t.Errorf("over a foreign file: %v", err)
	}
	if got := names(t, dir); got != "page.html" {
		t.Errorf("the folder holds %s", got)
	}
}

func TestFolder(t *testing.T) {
	dir := t.TempDir()
	class := filepath.Join(dir, "class")
	fill := func(draft string) error { return New(filepath.Join(draft, "a.yaml"), []byte("a")) }
	stop := errors.New("the disk is full")
	err := Folder(class, func(draft string) error { return errors.Join(fill(draft), stop) })
	if !errors.Is(err, stop) || names(t, dir) != "" {
		t.Errorf("what could not be finished: %v, left %s", err, names(t, dir))
	}
	if err := os.Mkdir(class, 0o777); err != nil { // an empty one may be there
		t.Fatal(err)
	}
	if err := Folder(class, fill); err != nil || names(t, class) != "a.yaml" || names(t, dir) != "class" {
		t.Errorf("%v, %s, %s", err, names(t, dir), names(t, class))
	}
	if err := Folder(class, fill); !errors.Is(err, fs.ErrExist) || names(t, class) != "a.yaml" {
		t.Errorf("over a folder that holds something: %v", err)
	}
	put(t, filepath.Join(dir, "file"), "theirs")
	if err := Folder(filepath.Join(dir, "file"), fill); !errors.Is(err, fs.ErrExist) || read(t, filepath.Join(dir, "file")) != "theirs" {
		t.Errorf("over a file: %v", err)
	}
}
