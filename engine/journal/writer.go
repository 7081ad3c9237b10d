package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
	"halfsplit/references"
)

// Writer appends events to one case file, which no other session can have open
// meanwhile. It is for one goroutine.
type Writer struct {
	now    *Case
	text   []byte // the whole file
	file   *os.File
	lock   *lock
	broken error // why nothing more can be written

	session document.Problems // warnings about the session itself
}

// Create begins a case file with an event of KindOpen and keeps it open. The
// paths in Opening are either given as the file writes them (Board, Known), from
// the folder of the case file, or from the working folder (BoardPath, KnownPath)
// with the others left empty. by says who holds the case, to a second session.
//
// The file appears whole, with its first event in it, or not at all. Create
// refuses a file that has an event.
func Create(path string, opening Event, by string) (*Writer, error) {
	if opening.Kind != KindOpen || opening.Open == nil {
		return nil, errors.New("a case begins with an opening; this is a fault of the program")
	}
	o := *opening.Open
	opening.Open = &o
	for _, p := range []struct{ written, path *string }{{&o.Board, &o.BoardPath}, {&o.Known, &o.KnownPath}} {
		if *p.written == "" && *p.path != "" {
			*p.written = relative(path, *p.path)
		}
	}
	l, previous, err := lockCase(path, by)
	if err != nil {
		return nil, err
	}
	var w *Writer
	c, err := create(path, opening)
	if err == nil {
		w, err = openWriter(path, l, previous, c.surroundings)
	}
	if err != nil {
		l.release()
		return nil, err
	}
	return w, nil
}

// create writes a new case file beside the place it is meant for and moves it
// there when it is on the disk.
func create(path string, opening Event) (*Case, error) {
	old, err := readCase(path)
	if err == nil {
		whole, _, torn := setAside(path, old)
		if len(bytes.TrimSpace(whole)) > 0 {
			return nil, document.Wrong(path, "already exists", "choose another name, or go on with that case")
		}
		if torn != nil {
			if err := torn.save(path); err != nil {
				return nil, err
			}
		}
	} else if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil, document.Wrong(path, "already exists and cannot be read", "choose another name")
	}
	event, err := encode(opening, nil)
	if err != nil {
		return nil, err
	}
	text := seal(event)
	c, err := decode(path, text, surroundings)
	if err != nil {
		return nil, err
	}
	if err := wholefile.Replace(path, text, func(head []byte) bool { return bytes.HasPrefix(old, head) }); err != nil {
		return nil, document.Wrong(path, "cannot be made: "+document.Reason(err), "check the folder and the disk, or choose another name")
	}
	return c, nil
}

// Append opens a case file to go on with it. An event that a crash cut off is
// moved to a file of its own beside the case (see Case.Torn). A second session is
// refused, and told who has the case open, where and since when; by is what it
// is told of this one.
func Append(path, by string) (*Writer, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		_, err := readCase(path)
		return nil, err
	}
	l, previous, err := lockCase(path, by)
	if err != nil {
		return nil, err
	}
	w, err := openWriter(path, l, previous, surroundings)
	if err != nil {
		l.release()
		return nil, err
	}
	return w, nil
}

// lockCase takes the lock of a case; previous is what a session that did not
// end well left in it.
func lockCase(path, by string) (l *lock, previous string, err error) {
	named := path
	if target, err := filepath.EvalSymlinks(path); err == nil {
		named = target // one file under two names has one lock
	}
	l = &lock{path: named + lockSuffix}
	previous, err = l.take(thisHolder(by))
	var held heldError
	switch {
	case errors.As(err, &held):
		return nil, "", document.Wrong(path, held.Error(), "close that session first")
	case errors.Is(err, errNoLock):
		return nil, "", document.Wrong(path, "cannot be locked: "+shown(filepath.Base(l.path))+" lies beside it, and no session made that", "move that file away first")
	case err != nil:
		return nil, "", document.Wrong(path, "cannot be locked: "+document.Reason(err), "check that the folder is there and may be written to")
	}
	return l, previous, nil
}

// surroundings gives out again what the case was loaded with.
func (c *Case) surroundings(Opening) (*netlist.Board, *references.Library, error) {
	return c.drawn, c.known, c.sweeps
}

// openWriter reads the case under its lock and prepares its file for more.
func openWriter(path string, l *lock, previous string, around around) (*Writer, error) {
	text, err := readCase(path)
	if err != nil {
		return nil, err
	}
	now, err := decode(path, text, around)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return nil, document.Wrong(path, "cannot be written to: "+document.Reason(err), "check who may write to it")
	}
	w := &Writer{now: now, text: text, file: f, lock: l}
	if err := w.repair(); err != nil {
		f.Close()
		return nil, err
	}
	if previous != "" {
		w.session.Add(document.Position{File: path}, "the last session did not end as it should: "+previous, "all that it confirmed is here; if it still runs on another machine, end it there")
		now.Warnings = slices.Concat(w.session, now.Warnings)
	}
	return w, nil
}

// repair sets a torn end aside and gives the last line its end.
func (w *Writer) repair() error {
	if torn := w.now.Torn; torn != nil {
		if err := torn.save(w.now.File); err != nil {
			return err
		}
		w.text = w.text[:len(w.text)-len(torn.Bytes)]
		if err := errors.Join(w.file.Truncate(int64(len(w.text))), w.file.Sync()); err != nil {
			return document.Wrong(w.now.File, "cannot be cut back to its last whole event: "+document.Reason(err), "check the disk")
		}
	}
	if !bytes.HasSuffix(w.text, []byte("\n")) {
		if _, err := w.file.Write([]byte("\n")); err != nil {
			return document.Wrong(w.now.File, "cannot be written to: "+document.Reason(err), "check the disk")
		}
		w.text = append(w.text, '\n')
	}
	return nil
}

// save copies what was cut off to the first free name of `<case>.torn-1`, -2 and
// so on, and returns when it is on the disk.
func (t *Torn) save(path string) error {
	for n := 1; ; n++ {
		name := fmt.Sprintf("%s.torn-%d", path, n)
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) && n < 10000 {
			continue
		}
		if err == nil {
			_, err = f.Write(t.Bytes)
			err = errors.Join(err, f.Sync(), f.Close(), wholefile.SyncFolder(filepath.Dir(path)))
		}
		if err != nil {
			return document.Wrong(path, "its torn last event cannot be set aside: "+document.Reason(err), "check the disk")
		}
		t.SavedAs = name
		return nil
	}
}

// Case is the case with every event written so far. A Write makes a new one and
// leaves the old one as it was.
func (w *Writer) Case() *Case { return w.now }

// Write appends one event; its Number and Pos are set by where it comes to
// stand. When Write returns nil the event is on the disk. When it returns an
// error the event is not part of the case; document.Problems say what is wrong
// with the file, any other error what is wrong with the event.
func (w *Writer) Write(e Event) error {
	if w.broken != nil {
		return w.broken
	}
	event, err := encode(e, w.now.Board)
	if err != nil {
		return err
	}
	sealed := seal(event)
	grown := append(w.text[:len(w.text):len(w.text)], sealed...)
	if len(grown) > maxCase {
		return document.Wrong(w.now.File, "is full", "close it and begin another case file")
	}
	// What cannot be read back is not written. The torn end that this session
	// found, and what it warned of, stay reported.
	next, err := decode(w.now.File, grown, w.now.surroundings)
	if err != nil {
		return unwritten(err)
	}
	next.Torn = w.now.Torn
	next.Warnings = slices.Concat(w.session, next.Warnings)
	if err := w.unchanged(); err != nil {
		return err
	}
	if _, err := w.file.Write(sealed); err != nil {
		return w.takeBack("is not recorded: "+document.Reason(err), err)
	}
	if err := w.file.Sync(); err != nil {
		w.broken = w.takeBack("may not be recorded: "+document.Reason(err), err)
		return w.broken
	}
	w.text, w.now = grown, next
	return nil
}

// unwritten says what is wrong with an event without where it would have stood.
func unwritten(err error) error {
	var found document.Problems
	if !errors.As(err, &found) {
		return err
	}
	list := make([]error, len(found))
	for i, p := range found {
		p.Position = document.Position{}
		list[i] = errors.New(p.Error())
	}
	return errors.Join(list...)
}

// unchanged makes sure that the file is the one this session wrote last, byte for
// byte: an editor, or a folder shared between machines, knows nothing of the lock.
// Reading it again takes far less than understanding it, which every Write does.
func (w *Writer) unchanged() error {
	mine, err := w.file.Stat()
	if err == nil {
		var named fs.FileInfo
		var text []byte
		if named, err = os.Stat(w.now.File); err == nil && os.SameFile(mine, named) {
			text, err = readCase(w.now.File)
		}
		if err == nil && !bytes.Equal(text, w.text) {
			err = errors.New("another program changed it")
		}
	}
	if err != nil {
		w.broken = document.Wrong(w.now.File, "was not written to: "+document.Reason(err), "open the case again; the event just entered is not in it")
		return w.broken
	}
	return nil
}

// takeBack removes a half-written event from the end of the file.
func (w *Writer) takeBack(what string, cause error) error {
	if err := w.file.Truncate(int64(len(w.text))); err != nil {
		w.broken = document.Wrong(w.now.File, "cannot be written to: "+document.Reason(cause), "check the disk, then open the case again")
	}
	do := "check the disk, then enter it again"
	if errors.Is(cause, syscall.ENOSPC) {
		do = "make room on the disk, then enter it again"
	}
	return document.Wrong(w.now.File, "the event "+what, do)
}

// Close ends the session. The case can be opened again at any time.
func (w *Writer) Close() error {
	if w.broken == nil {
		w.broken = errors.New("the session on " + w.now.File + " was ended")
	}
	return errors.Join(w.file.Close(), w.lock.release())
}

// relative writes a path as a case file names it: from its folder where that is
// possible, with forward slashes.
func relative(file, path string) string {
	folder, err1 := filepath.Abs(filepath.Dir(file))
	target, err2 := filepath.Abs(path)
	if err1 != nil || err2 != nil {
		return filepath.ToSlash(path)
	}
	short, err := filepath.Rel(folder, target)
	if err != nil {
		return filepath.ToSlash(target)
	}
	return filepath.ToSlash(short)
}
