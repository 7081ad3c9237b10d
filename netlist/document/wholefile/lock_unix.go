//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package wholefile

import (
	"os"
	"syscall"
)

// TryLock takes the kernel's lock of an open file or folder, which ends with the
// process. The error is syscall.EWOULDBLOCK where somebody else has it, and
// errors.ErrUnsupported on systems without such locks.
func TryLock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err != syscall.EINTR {
			return err
		}
	}
}
