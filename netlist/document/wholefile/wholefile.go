// Package wholefile writes files that appear whole or not at all, and never in
// place of a file that somebody else made: under a name that begins with a dot,
// onto the disk, then under their own name. A reader sees the old file or the new
// one.
//
// A program that is killed leaves its draft behind. The next write into the folder
// removes it.
package wholefile

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"syscall"
)

// New writes a file that must not be there yet; the error is fs.ErrExist where
// something of that name is, be it a link to nowhere. Every error is a
// *fs.PathError about path.
func New(path string, text []byte) error {
	return about(path, fresh(path, text))
}

func fresh(path string, text []byte) error {
	if _, err := os.Lstat(path); err == nil {
		clean(filepath.Dir(path)) // the run that wrote it may have been killed before its draft was gone
		return syscall.EEXIST
	}
	draft, err := write(path, text)
	if err != nil {
		return err
	}
	defer discard(draft)
	// A link, unlike a renaming, fails where something came to be there meanwhile.
	err = os.Link(draft.Name(), path)
	if err != nil && !errors.Is(err, fs.ErrExist) {
		err = inPlace(path, text) // a drive that has no links
	}
	if err != nil {
		return err
	}
	return SyncFolder(filepath.Dir(path))
}

// inPlace writes a new file under its own name.
func inPlace(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		os.Remove(path)
	}
	return err
}

// HeadLength is how much of a file Replace shows to its caller, in bytes.
const HeadLength = 4096

// ErrForeign says that what is at a path is not to be replaced.
var ErrForeign = errors.New("it is another file, which is not written over")

// Replace writes a file where there is none, or in place of one whose beginning (at
// most HeadLength bytes) ours accepts; otherwise the error is ErrForeign. It replaces
// nothing but regular files: no link, no pipe, no device. A file that is replaced
// hands on its permissions. Every error is a *fs.PathError about path.
func Replace(path string, text []byte, ours func(head []byte) bool) error {
	return about(path, replace(path, text, ours))
}

func replace(path string, text []byte, ours func(head []byte) bool) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fresh(path, text)
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return ErrForeign
	}
	head, err := readHead(path)
	if err != nil {
		return err
	}
	if !ours(head) {
		return ErrForeign
	}
	draft, err := write(path, text)
	if err != nil {
		return err
	}
	defer discard(draft)
	if err := os.Chmod(draft.Name(), info.Mode().Perm()); err != nil {
		return err
	}
	if err := os.Rename(draft.Name(), path); err != nil {
		return err
	}
	return SyncFolder(filepath.Dir(path))
}

func readHead(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, HeadLength))
}

// Folder fills a new folder: fill writes into a draft beside it, which gets the
// name when everything is on the disk. A folder that is there must be empty, and
// the error is fs.ErrExist where it is not. Errors are those of fill, or a
// *fs.PathError about path.
func Folder(path string, fill func(draft string) error) error {
	path = filepath.Clean(path)
	if err := MakeFolder(filepath.Dir(path)); err != nil {
		return about(path, err)
	}
	if entries, err := os.ReadDir(path); err == nil && len(entries) > 0 || err != nil && !errors.Is(err, fs.ErrNotExist) {
		return about(path, syscall.EEXIST)
	}
	clean(filepath.Dir(path))
	draft := filepath.Join(filepath.Dir(path), draftName())
	if err := os.Mkdir(draft, 0o777); err != nil {
		return about(path, err)
	}
	defer os.RemoveAll(draft) // it is gone where the renaming went well
	held, err := os.Open(draft)
	if err != nil {
		return about(path, err)
	}
	letMove(held)
	defer held.Close()
	TryLock(held) // so that no other run takes it for left behind
	if err := fill(draft); err != nil {
		return err
	}
	err = os.Remove(path) // succeeds on an empty folder only; what else is there stays
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		err = os.Rename(draft, path)
	}
	if err == nil {
		err = SyncFolder(filepath.Dir(path))
	}
	return about(path, err)
}

// write makes a draft beside a path and returns it on the disk, locked where files
// can be.
func write(path string, text []byte) (*os.File, error) {
	dir := filepath.Dir(path)
	clean(dir)
	f, err := newDraft(dir)
	if err != nil {
		return nil, err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync()); err != nil {
		discard(f)
		return nil, err
	}
	letMove(f)
	return f, nil
}

// letMove closes what could not get another name while it is open.
func letMove(f *os.File) {
	if runtime.GOOS == "windows" {
		f.Close()
	}
}

// discard lets go of a draft, and of its name where it still has it.
func discard(f *os.File) {
	letMove(f)
	os.Remove(f.Name())
	f.Close()
}

func newDraft(dir string) (*os.File, error) {
	for range 100 {
		f, err := os.OpenFile(filepath.Join(dir, draftName()), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		TryLock(f)
		// Another run may have taken it for left behind before it was locked.
		mine, err1 := f.Stat()
		named, err2 := os.Lstat(f.Name())
		if err1 == nil && err2 == nil && os.SameFile(mine, named) {
			return f, nil
		}
		f.Close()
	}
	return nil, errors.New("drafts keep disappearing from the folder")
}

// The name of a draft proves that this package made it: its second half is a
// digest of the first.
var draftNamed = regexp.MustCompile(`^\.halfsplit-([0-9a-f]{16})-([0-9a-f]{16})\.part$`)

func draftName() string {
	var noise [8]byte
	rand.Read(noise[:])
	id := hex.EncodeToString(noise[:])
	return ".halfsplit-" + id + "-" + proof(id) + ".part"
}

func proof(id string) string {
	sum := sha256.Sum256([]byte("draft of halfsplit " + id))
	return hex.EncodeToString(sum[:8])
}

func isDraft(name string) bool {
	m := draftNamed.FindStringSubmatch(name)
	return m != nil && m[2] == proof(m[1])
}

// clean removes drafts that killed runs left in a folder: those that are ours by
// their names and that no process holds. Where the system cannot tell that, they
// stay.
func clean(dir string) {
	folder, err := os.Open(dir)
	if err != nil {
		return
	}
	defer folder.Close()
	names, _ := folder.Readdirnames(-1)
	for _, name := range slices.DeleteFunc(names, func(n string) bool { return !isDraft(n) }) {
		path := filepath.Join(dir, name)
		info, err := os.Lstat(path)
		if err != nil || !info.Mode().IsRegular() && !info.IsDir() {
			continue
		}
		f, err := os.Open(path)
		if err != nil {
			continue
		}
		if TryLock(f) == nil {
			os.RemoveAll(path)
		}
		f.Close()
	}
}

// MakeFolder makes a folder and those above it, where they are not there yet, and
// lets their names last.
func MakeFolder(dir string) error {
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		return nil // what is there and is no folder is reported when it is written to
	}
	above := filepath.Dir(dir)
	if err := MakeFolder(above); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return SyncFolder(above)
}

// SyncFolder makes the names in a folder last. Some systems cannot, and some do
// without being asked.
func SyncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	folder, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	if err := folder.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !strings.Contains(err.Error(), "not supported") {
		return err
	}
	return nil
}

// Same tells whether two paths name one file, also through links, and also where
// it is not there yet.
func Same(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	if err1 == nil && err2 == nil {
		return os.SameFile(x, y)
	}
	return place(a) == place(b)
}

// place is a path with the links on the way resolved.
func place(path string) string {
	if whole, err := filepath.Abs(path); err == nil {
		path = whole
	}
	dir := filepath.Dir(path)
	if target, err := filepath.EvalSymlinks(dir); err == nil {
		dir = target
	}
	return filepath.Join(dir, filepath.Base(path))
}

// about says of an error which file was to be written. The name of the draft is of
// no use to anybody.
func about(path string, err error) error {
	if err == nil {
		return nil
	}
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		err = p.Err
	case errors.As(err, &l):
		err = l.Err
	}
	return &fs.PathError{Op: "write", Path: path, Err: err}
}
