//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package journal

import (
	"errors"
	"os"
	"syscall"
	"time"

	"halfsplit/netlist/document/wholefile"
)

// take locks the file at path and writes the holder into it. The lock is the
// kernel's and dies with the process, so a lock file that a crash left behind
// does not stand in the way; previous is what it said, empty if there was none.
func (l *lock) take(h holder) (previous string, err error) {
	for range 100 {
		// A link is not followed, and a pipe not waited for.
		f, err := os.OpenFile(l.path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0o666)
		if errors.Is(err, syscall.ELOOP) {
			return "", errNoLock
		}
		if err != nil {
			return "", err
		}
		if err := wholefile.TryLock(f); err != nil {
			text := readHolder(f)
			// The other session may have taken the lock a moment ago, with its
			// name still to be written.
			for i := 0; i < 10 && text == ""; i++ {
				time.Sleep(10 * time.Millisecond)
				text = readHolder(f)
			}
			f.Close()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return "", heldError(text)
			}
			return "", err
		}
		// The holder before us may have removed the file between our opening it
		// and locking it; then what we hold is a file without a name.
		mine, err1 := f.Stat()
		named, err2 := os.Stat(l.path)
		if err1 != nil || err2 != nil || !os.SameFile(mine, named) {
			f.Close()
			continue
		}
		if !isLock(f) {
			f.Close()
			return "", errNoLock
		}
		previous = readHolder(f)
		l.file = f
		if err := writeHolder(f, h); err != nil {
			l.release()
			return "", err
		}
		return previous, nil
	}
	return "", errors.New("the lock file keeps changing under other sessions")
}

// release removes the lock file while it is still locked, then lets go.
func (l *lock) release() error {
	mine, err1 := l.file.Stat()
	named, err2 := os.Lstat(l.path)
	var err error
	if err1 == nil && err2 == nil && os.SameFile(mine, named) {
		err = os.Remove(l.path)
	}
	return errors.Join(err, l.file.Close())
}
