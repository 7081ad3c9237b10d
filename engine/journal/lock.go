package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"time"
	"unicode"

	"halfsplit/netlist/document"
)

// lock keeps a second session away from a case. It is a small file beside the
// case file, `<case>.lock`, that says who holds it, where and since when.
type lock struct {
	path string
	file *os.File
}

// lockSuffix is appended to the name of a case file.
const lockSuffix = ".lock"

// holder is who keeps a case open.
type holder struct {
	by    string
	host  string
	pid   int
	since time.Time
}

func (h holder) String() string {
	by := h.by
	if by == "" {
		by = "someone"
	}
	return fmt.Sprintf("process %d on %s, %s, since %s", h.pid, h.host, by, h.since.Format(time.RFC3339))
}

// holderProcess reads the process and the host back from a holder's text; the
// process is 0 where they are not there.
func holderProcess(text string) (pid int, host string) {
	if n, _ := fmt.Sscanf(text, "process %d on %s", &pid, &host); n != 2 {
		return 0, ""
	}
	return pid, strings.TrimSuffix(host, ",")
}

// ofHolder is the line that a lock file holds, or as much of it as was written.
var ofHolder = regexp.MustCompile(`^process \d+ on \S+[^\n]*\n?$`)

// isLock tells that a file was made as a lock file: it holds a holder, or nothing,
// where its maker was stopped before it wrote one.
func isLock(f *os.File) bool {
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return false
	}
	text, err := io.ReadAll(io.NewSectionReader(f, 0, maxHolder+1))
	return err == nil && (len(bytes.Trim(text, "\x00")) == 0 || ofHolder.Match(text))
}

// errNoLock says that something else has the name of the lock file.
var errNoLock = errors.New("no session made what lies there")

// thisHolder is the running process.
func thisHolder(by string) holder {
	host, err := os.Hostname()
	if err != nil || strings.ContainsAny(host, " \n") {
		host = "this-machine"
	}
	return holder{by: document.Printable(by), host: host, pid: os.Getpid(), since: time.Now()}
}

// heldError is the text that a lock file held by another session shows.
type heldError string

func (e heldError) Error() string {
	if e == "" {
		return "another session is just opening it"
	}
	return "another session has it open: " + string(e)
}

// maxHolder bounds what is read of a lock file, in bytes.
const maxHolder = 512

func readHolder(f *os.File) string {
	text, _ := io.ReadAll(io.NewSectionReader(f, 0, maxHolder))
	line, _, whole := strings.Cut(string(text), "\n")
	if !whole {
		return ""
	}
	return shown(line)
}

// shown is foreign text, whole but on one line and without characters that do
// not show. Unlike document.Printable it cuts nothing: it is for paths and names
// of machines, which are of no use in part.
func shown(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}

func writeHolder(f *os.File, h holder) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt([]byte(h.String()+"\n"), 0)
	return err
}
