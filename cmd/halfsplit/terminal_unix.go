//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package main

import (
	"os"
	"syscall"
	"unsafe"
)

// columnsOf asks a terminal for its width; 0 where it is none or does not say.
func columnsOf(f *os.File) int {
	var size struct{ rows, columns, x, y uint16 } // struct winsize, tty_ioctl(4)
	if raw, err := f.SyscallConn(); err == nil {  // File.Fd would make it block
		raw.Control(func(fd uintptr) {
			syscall.Syscall(syscall.SYS_IOCTL, fd, syscall.TIOCGWINSZ, uintptr(unsafe.Pointer(&size)))
		})
	}
	return int(size.columns) // still 0 where it is no terminal
}
