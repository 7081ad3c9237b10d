//go:build unix

package layout

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A pipe that nobody writes to is refused; opening it would wait forever.
func TestPipe(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "board.kicad_pcb")
	if err := syscall.Mkfifo(pipe, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(pipe); err == nil || !strings.Contains(err.Error(), "is a pipe or a device, not a file") {
		t.Errorf("got %v", err)
	}
}
