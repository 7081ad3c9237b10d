//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package journal

import (
	"errors"
	"os"
	"syscall"
	"time"
)

// take locks the file at path and writes the holder into it. The lock is the
// kernel's and dies with the process, so a lock file that a crash left behind
// does not stand in the way; previous is what it said, empty if there was none.
func (l *lock) take(h holder) (previous string, err error) {
	for range 100 {
		f, err := os.OpenFile(l.path, os.O_RDWR|os.O_CREATE, 0o666)
		if err != nil {
			return "", err
		}
		if err := flock(f); err != nil {
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
		previous = readHolder(f)
		if err := writeHolder(f, h); err != nil {
			f.Close()
			return "", err
		}
		l.file = f
		return previous, nil
	}
	return "", errors.New("the lock file keeps changing under other sessions")
}

// release removes the lock file while it is still locked, then lets go.
func (l *lock) release() error {
	err := os.Remove(l.path)
	return errors.Join(err, l.file.Close())
}

func flock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err != syscall.EINTR {
			return err
		}
	}
}
