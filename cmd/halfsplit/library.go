package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

// boardFlag names the board file that sweeps are compared with.
func boardFlag(cmd *cobra.Command, into *string) {
	fileFlag(cmd, into, "board", "`FILE` of the board that the sweeps are of")
}

// library loads a board and a folder of sweeps, and warns of sweeps that cannot be
// read.
func (a *app) library(dir, board string) (*netlist.Board, *references.Library, error) {
	b, lib, found, err := a.libraryWith(dir, board)
	a.warn(found)
	return b, lib, err
}

// libraryWith gives the problems of single sweeps back. On a terminal a bar shows how
// far it is.
func (a *app) libraryWith(dir, board string) (*netlist.Board, *references.Library, document.Problems, error) {
	if board == "" {
		return nil, nil, nil, instead("no board is named", "add `--board` and the board file that the sweeps are of")
	}
	b, err := loadBoard(board)
	if err != nil {
		return nil, nil, nil, err
	}
	bar := a.progress("reading sweeps")
	lib, err := references.LoadLibraryWatched(dir, b, bar.show)
	bar.clear()
	if lib == nil {
		return nil, nil, nil, err
	}
	var found document.Problems
	errors.As(err, &found)
	return b, lib, found, nil
}

// progress is a bar on the terminal that complaints go to. It shows nothing
// elsewhere, and nothing of what is over at once.
type progress struct {
	to    *os.File
	what  string
	began time.Time
	shown bool
}

func (a *app) progress(what string) *progress {
	p := &progress{what: what, began: time.Now()}
	if f, ok := a.errors.(*os.File); ok && isTerminal(f) && os.Getenv("TERM") != "dumb" {
		p.to = f
	}
	return p
}

func (p *progress) show(done, total int) {
	if p.to == nil || total == 0 || time.Since(p.began) < progressDelay {
		return
	}
	p.shown = true
	fmt.Fprintf(p.to, "\r%s %s %d of %d ", p.what, bar(float64(done)/float64(total), 24), done, total)
}

func (p *progress) clear() {
	if p.shown {
		fmt.Fprint(p.to, "\r\x1b[K") // CSI K erases the line (ECMA-48, 8.3.41)
	}
}

func (s *screen) libraryHead(lib *references.Library) {
	s.say(s.paint(strong, wording.Board(lib.Board, lib.Revision)))
	s.say(inUse(lib))
}

// inUse tells how many files of a folder count, and how many do not.
func inUse(lib *references.Library) string {
	text := wording.Count(len(lib.Sweeps), "sweep") + " in use"
	sweeps, readings := make(map[string]bool), make(map[[2]string]bool) // several notes may say the same
	for _, w := range lib.Withdrawn {
		if w.Points == nil {
			sweeps[w.File] = true
		}
		for _, p := range w.Points {
			readings[[2]string{w.File, p}] = true
		}
	}
	if n := len(sweeps); n > 0 {
		text += fmt.Sprintf(", %d withdrawn", n)
	}
	if n := len(readings); n > 0 {
		text += fmt.Sprintf(", %s withdrawn", wording.Count(n, "more reading"))
	}
	if n := len(lib.Skipped); n > 0 {
		text += fmt.Sprintf(", %s set aside (other boards, revisions or kinds)", wording.Count(n, "file"))
	}
	return text
}

// readMeter reads a meter that is written out, or one that a file has.
func readMeter(text string) (references.Meter, error) {
	if _, err := os.Stat(text); err != nil {
		return references.ParseMeter(text)
	}
	nodes, err := document.Read(text, 0)
	if err != nil {
		return references.Meter{}, err
	}
	for _, n := range nodes {
		if m := n.Get("meter"); m.Exists() {
			if problems := references.MeterShape().Check(m); problems != nil {
				return references.Meter{}, problems
			}
			meter, problems := references.DecodeMeter(m)
			return meter, problems.Err()
		}
	}
	return references.Meter{}, instead(quoted(text)+" has no meter", "name a sweep or case file with a `meter`")
}

// newSweep is a sweep to be added, with the text of its file.
type newSweep struct {
	sweep *references.Sweep
	text  []byte
}

// addSweeps adds sweeps to a folder and returns the files that are new.
func (s *screen) addSweeps(to string, list []newSweep) (added []string, err error) {
	readings := 0
	for _, n := range list {
		file, is, err := references.Add(to, n.sweep, n.text)
		if err != nil {
			return added, instead(quoted(file)+" cannot be written: "+document.Reason(err), "name a folder where you may write")
		}
		readings += len(n.sweep.Readings)
		if is {
			added = append(added, file)
			s.say("added " + path(file))
		} else {
			s.say("was there " + path(file))
		}
	}
	s.say(fmt.Sprintf("%d added of %s with %s.", len(added), wording.Count(len(list), "sweep"), wording.Count(readings, "reading")))
	return added, nil
}

// addSweeps adds sweeps to a folder, and tells what is wrong with those that are new.
func (a *app) addSweeps(s *screen, to string, b *netlist.Board, list []newSweep) error {
	added, err := s.addSweeps(to, list)
	if err != nil || added == nil {
		return err
	}
	lib, err := references.LoadLibrary(to, b)
	if lib == nil {
		return err
	}
	bad := slices.DeleteFunc(lib.Check(), func(f references.Finding) bool {
		return f.Severity == references.SeverityNote || !slices.Contains(added, f.Sweep)
	})
	for _, f := range bad {
		s.finding(lib, f)
	}
	if len(bad) > 0 {
		return errBadly
	}
	return nil
}

func (s *screen) finding(lib *references.Library, f references.Finding) {
	mark := severitySigns[f.Severity]
	head := mark.mark + " " + f.Kind
	if f.At != "" {
		head += " " + name(f.At)
	}
	if f.Sweep != "" {
		head += "  " + path(relative(lib.Dir, f.Sweep))
	}
	s.gap()
	s.say(s.paint(mark.style, head) + s.paint(faint, "  "+f.Severity+sureText(f)))
	s.prose(4, 0, plain, prose(f.Seen))
	s.prose(4, 0, faint, prose(f.Do))
}

func sureText(f references.Finding) string {
	if f.Confidence >= 1 {
		return ""
	}
	return ", " + wording.Percent(f.Confidence) + " sure"
}

func relative(dir, file string) string {
	if rel, err := filepath.Rel(dir, file); err == nil {
		return rel
	}
	return file
}
