package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"halfsplit/cmd/halfsplit/benchpage"
)

// input is where entries come from: the keyboard or a file on standard input,
// and perhaps a meter.
type input struct {
	lines   chan entryLine
	stop    chan os.Signal
	done    chan struct{}
	device  *os.File
	page    <-chan *benchpage.Entry // nil for none
	sources int                     // that have not ended
	err     error
}

// entryLine is one line of a source, or its end.
type entryLine struct {
	text   string
	device bool             // from the meter
	page   *benchpage.Entry // from the page, which waits for an answer; nil for others
	ended  bool
	err    error
}

// mostLine is the longest line that is read, in bytes.
const mostLine = 4096

// listen begins to read. Lines are taken one at a time: a source is not read
// ahead of what the session has dealt with by more than one line, so that what
// was not yet answered was not yet taken.
func listen(stdin io.Reader, device string, held *still) (*input, error) {
	in := &input{lines: make(chan entryLine), stop: make(chan os.Signal, 1), done: make(chan struct{}), sources: 1}
	if device != "" {
		in.sources++
		if info, err := os.Stat(device); err == nil && info.Mode()&os.ModeNamedPipe != 0 {
			// It can be opened only when somebody writes to it; the session does not
			// wait for that.
			go func() {
				f, err := os.Open(device)
				if err != nil {
					in.read(errorReader{err}, held)
					return
				}
				defer f.Close()
				in.read(f, held)
			}()
		} else {
			f, err := os.Open(device)
			if err != nil {
				return nil, instead(fmt.Sprintf("the meter on %s cannot be read: %s", quoted(device), reason(err)), "check the cable and the name of the device")
			}
			in.device = f
			go in.read(f, held)
		}
	}
	signal.Notify(in.stop, os.Interrupt, syscall.SIGTERM)
	go in.read(stdin, nil)
	return in, nil
}

// errorReader is a source that could not be opened.
type errorReader struct{ err error }

func (r errorReader) Read([]byte) (int, error) { return 0, r.err }

// read passes on the lines of one source; held is of the meter, nil for others.
func (in *input) read(r io.Reader, held *still) {
	device := held != nil
	lines := bufio.NewReaderSize(r, mostLine)
	for {
		text, long, err := lines.ReadLine()
		line := entryLine{text: string(text), device: device}
		for long && err == nil { // the rest of a line that is too long to be an entry
			_, long, err = lines.ReadLine()
			line.text = string(text[:min(len(text), mostLine)])
		}
		if err != nil {
			line = entryLine{device: device, ended: true}
			if !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrClosed) {
				line.err = err
			}
		}
		if device && err == nil && !held.counts(line.text, time.Now()) {
			continue
		}
		select {
		case in.lines <- line:
		case <-in.done:
			return
		}
		if err != nil {
			return
		}
	}
}

// next waits for an entry; ok is false when there are no more, or somebody
// pressed Ctrl-C. A page may always bring more.
func (in *input) next() (line entryLine, ok bool) {
	for in.sources > 0 || in.page != nil {
		select {
		case <-in.stop:
			return entryLine{}, false
		case e := <-in.page:
			return entryLine{text: e.Text, page: e}, true
		case line := <-in.lines:
			if !line.ended {
				return line, true
			}
			in.sources--
			if line.err != nil {
				what := "standard input"
				if line.device {
					what = "the meter"
				}
				in.err = instead(fmt.Sprintf("%s cannot be read any more: %v", what, line.err), "check the cable, then open the case again; all that was entered is in it")
			}
		}
	}
	return entryLine{}, false
}

func (in *input) close() {
	signal.Stop(in.stop)
	close(in.done)
	if in.device != nil {
		in.device.Close()
	}
}
