package layout

import (
	"bufio"
	"errors"
	"io"
	"strings"

	"halfsplit/netlist/document"
)

const (
	// farthest is the largest coordinate or length, in mm, that is accepted.
	farthest = 10_000
	// mostPoints bounds all outlines of a board together.
	mostPoints = 4_000_000
)

// Load reads a layout from a file. The error is document.Problems.
func Load(path string) (*Board, error) {
	f, err := document.Open(path, "the layout", "")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Read(f, path)
}

// Read reads a KiCad layout or an IPC-D-356A test file, known by its content. name
// is its name in messages. The error is document.Problems.
func Read(r io.Reader, name string) (*Board, error) {
	text := bufio.NewReader(r)
	begin, err := text.Peek(512)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, unreadable(name, err)
	}
	if strings.HasPrefix(strings.TrimLeft(strings.TrimPrefix(string(begin), "\uFEFF"), " \t\r\n"), "(") {
		return readKiCad(text, name)
	}
	return readIPC(text, name)
}
