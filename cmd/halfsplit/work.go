package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/network"
	"halfsplit/netlist"
)

// Work that takes longer than patience says what it is, and again after each report.
// Most answers take a tenth of a second; those that do not may take minutes.
const (
	patience = 5 * time.Second
	report   = 30 * time.Second
)

// work is what a command is busy with: it can be interrupted, and is told of when it
// takes long.
type work struct {
	*network.Task
	stop  func() // gives Ctrl-C back to the system
	done  chan struct{}
	ended chan struct{}
}

// begin starts the work of a command on a board; what is said of its size with the
// board's. Ctrl-C ends it, and a second one ends the program as it is.
func (a *app) begin(what string, b *netlist.Board) *network.Task {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	w := &work{network.NewTask(ctx), stop, make(chan struct{}), make(chan struct{})}
	a.work = w
	go func() {
		defer close(w.ended)
		began, next := time.Now(), time.NewTimer(patience)
		defer next.Stop()
		for {
			select {
			case <-w.done:
				return
			case <-ctx.Done():
				stop()
				return
			case <-next.C:
			}
			if took := time.Since(began).Round(time.Second); took < report {
				fmt.Fprintf(a.errors, "halfsplit: working on %s on a board of %s. This may take minutes: the time grows faster than the number of parts on one line, and with the square of the readings out of range. Ctrl-C ends it; no file is changed.\n", what, wording.Count(len(b.Parts), "part"))
			} else {
				fmt.Fprintf(a.errors, "halfsplit: still working after %s; %d circuits solved.\n", took, w.Solved())
			}
			next.Reset(report)
		}
	}()
	return w.Task
}

// end waits until nothing more is said of the work, and puts an interruption in words.
func (w *work) end(err error) error {
	if w == nil {
		return err
	}
	close(w.done)
	<-w.ended
	w.stop()
	if errors.Is(err, context.Canceled) {
		return errStopped
	}
	return err
}

// errStopped ends a command that was interrupted.
var errStopped = errors.New("interrupted; no answer was worked out, and no file was changed")
