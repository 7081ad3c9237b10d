//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package journal

import (
	"errors"
	"io/fs"
	"os"
)

// take creates the file at path, which must not be there yet, and writes the
// holder into it. A file that a crash left behind on this machine is recovered
// when its process is gone; previous is what it said.
func (l *lock) take(h holder) (previous string, err error) {
	for range 100 {
		f, err := os.OpenFile(l.path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if err == nil {
			if err := writeHolder(f, h); err != nil {
				f.Close()
				os.Remove(l.path)
				return "", err
			}
			l.file = f
			return previous, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return "", err
		}
		old, err := os.Open(l.path)
		if err != nil {
			continue
		}
		text := readHolder(old)
		old.Close()
		pid, host := holderProcess(text)
		if pid == 0 || host != h.host || alive(pid) {
			if text == "" {
				text = "it left no name"
			}
			return "", heldError(text + " (if that session is gone, delete " + l.path + ")")
		}
		previous = text
		if err := os.Remove(l.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return "", errors.New("the lock file keeps changing under other sessions")
}

// release lets go of the lock file and removes it.
func (l *lock) release() error {
	return errors.Join(l.file.Close(), os.Remove(l.path))
}

// alive tells whether a process of this machine is still there.
func alive(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	p.Release()
	return true
}
