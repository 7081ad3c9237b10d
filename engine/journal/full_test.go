//go:build linux

package journal

import (
	"os/signal"
	"syscall"
	"testing"
)

// TestDiskFull lets the disk run full in the middle of an event, by a limit on
// the size of files. The event must be refused, what was written of it removed,
// and the session go on when there is room again.
func TestDiskFull(t *testing.T) {
	w := begin(t, folder(t))
	w.must(t, Event{Kind: KindNote, Note: "before"})
	before := read(t, w.Case().File)

	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	var limit syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		t.Fatal(err)
	}
	full := syscall.Rlimit{Cur: uint64(len(before)) + 20, Max: limit.Max}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &full); err != nil {
		t.Fatal(err)
	}
	err := w.Write(Event{Kind: KindNote, Note: "does not fit"})
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		t.Fatal(err)
	}
	wantError(t, err, "the event is not recorded: file too large; check the disk, then enter it again")
	if got := read(t, w.Case().File); got != before {
		t.Errorf("the file holds %q, want %q", got, before)
	}
	w.must(t, Event{Kind: KindNote, Note: "after"})
	w.end(t)
	if c := load(t, w.Case().File); len(c.All) != 3 || c.All[2].Note != "after" || c.Torn != nil {
		t.Errorf("events %v, torn %v", c.All, c.Torn)
	}
}
