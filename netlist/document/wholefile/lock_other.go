//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package wholefile

import (
	"errors"
	"os"
)

// TryLock is errors.ErrUnsupported here.
func TryLock(*os.File) error { return errors.ErrUnsupported }
