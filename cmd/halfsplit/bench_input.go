package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/engine/bench"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// input is where entries come from: the keyboard or a file on standard input,
// and perhaps a meter.
type input struct {
	lines    chan entryLine
	stop     chan os.Signal
	done     chan struct{}
	files    []*os.File              // to be closed
	keyboard bool                    // is one of the sources, though not on standard input
	page     <-chan *benchpage.Entry // nil for none
	sources  int                     // that have not ended
	err      error
}

// entryLine is one line of a source, or its end.
type entryLine struct {
	text   string
	device bool             // a measured value, from the meter or a measuring program
	fed    bool             // written beforehand: from standard input that is no keyboard
	live   bool             // no entry: a measuring program begins to send
	page   *benchpage.Entry // from the page, which waits for an answer; nil for others
	ended  bool
	err    error
}

// mostLine is the longest line that is read, in bytes.
const mostLine = 4096

// feed says how the lines of a source are taken.
type feed struct {
	board  *netlist.Board
	still  still
	device bool // of a meter
	fed    bool // lines written beforehand, unless a measuring program sends them
	aside  bool // the session does not wait for it
}

// listen begins to read. Lines are taken one at a time: a source is not read
// ahead of what the session has dealt with by more than one line, so that what
// was not yet answered was not yet taken.
func listen(stdin io.Reader, device string, from feed, keyboard bool) (*input, error) {
	in := &input{lines: make(chan entryLine), stop: make(chan os.Signal, 1), done: make(chan struct{}), sources: 1}
	meter := from
	meter.device, meter.fed = true, false
	if device != "" {
		in.sources++
		if info, err := os.Stat(device); err == nil && info.Mode()&os.ModeNamedPipe != 0 {
			// It can be opened only when somebody writes to it; the session does not
			// wait for that.
			go func() {
				f, err := os.Open(device)
				if err != nil {
					in.read(errorReader{err}, meter)
					return
				}
				defer f.Close()
				in.read(f, meter)
			}()
		} else {
			f, err := os.Open(device)
			if err != nil {
				return nil, instead(fmt.Sprintf("the meter on %s cannot be read: %s", quoted(device), document.Reason(err)), "check the cable and the name of the device")
			}
			in.files = append(in.files, f)
			go in.read(f, meter)
		}
	}
	if keyboard {
		// The keyboard is free for all else while a measuring program is piped in.
		if f, err := os.Open("/dev/tty"); err == nil {
			in.files, in.keyboard = append(in.files, f), true
			go in.read(f, feed{aside: true})
		}
	}
	signal.Notify(in.stop, os.Interrupt, syscall.SIGTERM)
	go in.read(stdin, from)
	return in, nil
}

// errorReader is a source that could not be opened.
type errorReader struct{ err error }

func (r errorReader) Read([]byte) (int, error) { return 0, r.err }

// read passes on the lines of one source.
func (in *input) read(r io.Reader, from feed) {
	lines := bufio.NewReaderSize(r, mostLine)
	send := func(line entryLine) bool {
		select {
		case in.lines <- line:
			return true
		case <-in.done:
			return false
		}
	}
	for live := false; ; {
		text, err := lines.ReadSlice('\n')
		line := entryLine{text: strings.TrimRight(string(text), "\r\n"), device: from.device, fed: from.fed}
		for err == bufio.ErrBufferFull { // the rest of a line that is too long to be an entry
			_, err = lines.ReadSlice('\n')
		}
		if err != nil && (len(text) == 0 || live) { // a program that is stopped may have printed half a line
			line = entryLine{device: from.device, ended: true}
			if !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrClosed) {
				line.err = err
			}
			if !from.aside {
				send(line)
			}
			return
		}
		if from.device || from.fed {
			if value, ok := bench.FromProgram(from.board, line.text); ok {
				line.text, line.device, line.fed = value, true, false
				if from.still.hold <= 0 {
					from.still.hold = programHold
				}
				if !live && !send(entryLine{live: true}) {
					return
				}
				live = true
				if value == "" {
					continue
				}
			}
		}
		if line.device && !from.still.counts(line.text, time.Now()) {
			continue
		}
		if !send(line) {
			return
		}
	}
}

// next waits for an entry; ok is false when there are no more, or somebody
// pressed Ctrl-C. A page may always bring more.
func (in *input) next() (line entryLine, ok bool) {
	for in.sources > 0 || in.page != nil {
		select {
		case why := <-in.stop:
			if why == os.Interrupt {
				in.err = errLeft
			}
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
	for _, f := range in.files {
		f.Close()
	}
}

// input ends a prompt.
func (b *benchScreen) input(text string) {
	b.prompted = cells(text + " > ")
	fmt.Fprint(b.w, b.paint(strong, text+" > "))
}
