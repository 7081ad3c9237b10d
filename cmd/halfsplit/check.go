package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	"halfsplit/engine/plan"
	practicefile "halfsplit/engine/practice/lesson"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout/assembly"
	"halfsplit/references"
)

func (a *app) checkCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check PATH...",
		Short: "find what is wrong with files",
		Long: `check reads files, and all YAML files of folders, and prints every problem as
file:line:col: what; what to do. It tells by what is in a file whether it is a
board, a sweep, a case or another of the kinds that schema names. Sweeps are compared
with a board of their name and revision where one is among the files. Points are
looked up on boards without problems only.

The exit code is 1 where there are problems; warnings alone leave it at 0.`,
		Example:           "  halfsplit check kestrel",
		Args:              someArguments("a file or a folder"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			c := checker{seen: make(map[document.Problem]bool), sweeps: make(map[*netlist.Board][]*references.Sweep)}
			if err := c.gather(args); err != nil {
				return err
			}
			c.check()
			return a.judged(c.problems > 0, c.answer(), func() { s.findings(&c) })
		}),
	}
	a.jsonFlag(cmd, "")
	return cmd
}

// checker goes over files and keeps what it finds, each thing once.
type checker struct {
	files    []checked
	sweeps   map[*netlist.Board][]*references.Sweep
	found    []finding
	seen     map[document.Problem]bool
	problems int
}

// checked is one file.
type checked struct {
	path  string
	named bool   // on the command line, and not found in a folder
	kind  string // one of the kinds
	nodes []document.Node
	err   error // of reading it as YAML
	board *netlist.Board
}

// finding is a problem or a warning.
type finding struct {
	document.Problem
	Warning bool `json:"warning"`
}

// gather lists the files that the arguments mean. Its errors are arguments that
// mean none.
func (c *checker) gather(args []string) error {
	have := make(map[string]bool)
	add := func(path string, named bool) {
		if path = filepath.Clean(path); !have[path] {
			have[path] = true
			c.files = append(c.files, checked{path: path, named: named})
		}
	}
	for _, arg := range args {
		info, err := os.Stat(arg)
		switch {
		case err != nil:
			return instead(quoted(arg)+" cannot be read: "+document.Reason(err), "check the path")
		case !info.IsDir():
			add(arg, true)
			continue
		}
		files, err := yamlFilesIn(arg)
		if err != nil {
			return err
		}
		if len(files) == 0 {
			return instead("there is no YAML file in "+quoted(arg), "name a folder that holds .yaml files")
		}
		for _, file := range files {
			add(file, false)
		}
	}
	return nil
}

// check finds out what the files are, boards first, and checks each.
func (c *checker) check() {
	for i := range c.files {
		f := &c.files[i]
		f.nodes, f.err = document.Read(f.path, 0)
		switch f.kind = kindOfNodes(f.nodes); {
		case f.kind == kindBoard:
			f.board, f.err = netlist.Load(f.path)
		case f.err != nil && kindOf(glance(f.path)) == kindCase:
			f.kind = kindCase // a crash can leave one that is no YAML; its loader knows
		}
	}
	for i := range c.files {
		f := &c.files[i]
		c.file(f)
		f.nodes = nil // no longer needed
	}
	for i := range c.files {
		if b := c.files[i].board; b != nil && len(c.sweeps[b]) > 0 {
			c.drawing(b)
		}
	}
}

// drawing warns of what good boards say against a board file.
func (c *checker) drawing(b *netlist.Board) {
	doubts, _ := drawingDoubts(b, c.sweeps[b]) // where they cannot be worked out, those who ask are told
	for _, text := range doubts {
		what, do, _ := strings.Cut(text, "; ")
		c.add(document.Wrong(b.File, what, do), true)
	}
}

func (c *checker) file(f *checked) {
	err := f.err
	switch f.kind {
	case kindBoard:
		if f.board != nil {
			c.add(f.board.Warnings(), true)
			err = c.layout(f.board)
		}
	case kindSweep:
		board := c.boardOf(f.nodes[0])
		var sweep *references.Sweep
		sweep, err = references.LoadSweep(f.path, board)
		if err == nil && board != nil {
			c.sweeps[board] = append(c.sweeps[board], sweep)
		}
		if err == nil && board == nil {
			do := "check it together with its board file"
			if near := c.nearBoard(f.nodes[0]); near != "" {
				do = near
			}
			c.add(document.Problems{{
				Position: document.Position{File: f.path},
				What:     "no board of this name and revision is among the files, so its points were not looked up",
				Do:       do,
			}}, true)
		}
	case kindCase:
		var k *journal.Case
		if k, err = journal.Load(f.path); err == nil {
			c.add(k.Warnings, true)
			if k.Torn != nil {
				c.add(document.Problems{k.Torn.Problem()}, true)
			}
		}
	case kindCosts:
		_, err = plan.LoadCosts(f.path)
	case kindRates:
		_, err = plan.LoadRates(f.path)
	case kindPriors:
		_, err = fault.LoadPriors(f.path)
	case kindClass:
		_, err = practicefile.LoadRoster(f.path)
	case kindPractice:
		_, err = practicefile.Load(f.path)
	case kindWithdraw:
		if err == nil {
			err = references.WithdrawShape().Check(f.nodes[0]).Err()
		}
	default:
		if err == nil && len(f.nodes) == 0 {
			c.add(document.Problems{{Position: document.Position{File: f.path, Line: 1, Column: 1}, What: "holds nothing", Do: "write it, or remove it"}}, !f.named)
		} else if err == nil {
			c.add(document.Problems{{
				Position: f.nodes[0].At(),
				What:     "by its keys it is not a halfsplit file, so it was not checked",
				Do:       "the kinds are " + strings.Join(kindNames(), ", "),
			}}, !f.named)
		}
	}
	var found document.Problems
	switch {
	case errors.As(err, &found):
		c.add(found, false)
	case err != nil:
		c.add(document.Problems{{Position: document.Position{File: f.path}, What: prose(err.Error())}}, false)
	}
}

// layout reads the layout that a board names, and warns of what it lacks.
func (c *checker) layout(b *netlist.Board) error {
	drawn, err := assembly.Load(b)
	if drawn == nil {
		return err
	}
	if missing := assembly.Missing(b, drawn); len(missing) > 0 {
		c.add(document.Problems{{
			Position: b.LayoutAt,
			What:     "the layout " + document.Quote(b.Layout) + " does not have " + document.PrintableWords(document.Few(missing, 8)),
			Do:       "they cannot be drawn; call parts alike in both files",
		}}, true)
	}
	return nil
}

func kindNames() []string {
	var names []string
	for _, k := range fileKinds {
		names = append(names, k.name)
	}
	return names
}

// boardOf finds the board that a sweep is of among the files.
func (c *checker) boardOf(sweep document.Node) *netlist.Board {
	for i := range c.files {
		b := c.files[i].board
		if b != nil && b.Name == sweep.Get("board").Text() && b.Revision == sweep.Get("revision").Text() {
			return b
		}
	}
	return nil
}

// nearBoard says which board among the files a sweep was probably meant for, ""
// where there is none.
func (c *checker) nearBoard(sweep document.Node) string {
	name, revision := sweep.Get("board").Text(), sweep.Get("revision").Text()
	var names []string
	for i := range c.files {
		switch b := c.files[i].board; {
		case b == nil:
		case b.Name == name:
			return fmt.Sprintf("the board file among them has the revision %s, the sweep %s", quoted(b.Revision), quoted(revision))
		default:
			names = append(names, b.Name)
		}
	}
	return document.Suggest(name, names, "")
}

// add keeps problems that have not been reported yet. A case brings those of its
// board and sweeps along, sometimes as warnings: what is a problem for the file
// itself stays one.
func (c *checker) add(found document.Problems, warning bool) {
	for _, p := range found {
		p.File = filepath.Clean(p.File)
		if c.seen[p] {
			continue
		}
		c.seen[p] = true
		c.found = append(c.found, finding{p, warning})
		if !warning {
			c.problems++
		}
	}
}

func (s *screen) findings(c *checker) {
	for _, f := range c.found {
		if f.Warning {
			s.say(s.paint(yellow, warningText(f.Problem)))
		} else {
			s.say(s.paint(red, problemText(f.Problem)))
		}
	}
	tally := make(map[string]int)
	for i := range c.files {
		tally[c.files[i].kind]++
	}
	var words []string
	for _, k := range fileKinds {
		if n := tally[k.name]; n > 0 {
			words = append(words, fmt.Sprintf("%d %s", n, k.name))
		}
	}
	if n := tally[kindUnknown]; n > 0 {
		words = append(words, fmt.Sprintf("%d not known", n))
	}
	if len(c.found) > 0 {
		s.gap()
	}
	text := wording.Count(len(c.files), "file") + " (" + strings.Join(words, ", ") + "): "
	warnings := len(c.found) - c.problems
	switch {
	case c.problems > 0 && warnings > 0:
		text += wording.Count(c.problems, "problem") + ", " + wording.Count(warnings, "warning")
	case c.problems > 0:
		text += wording.Count(c.problems, "problem")
	case warnings > 0:
		text += "no problem, " + wording.Count(warnings, "warning")
	default:
		text += "no problem"
	}
	s.say(text)
}

// checkAnswer is what `check --json` prints.
type checkAnswer struct {
	Files    []checkedFile `json:"files"`
	Problems []finding     `json:"problems"`
}

type checkedFile struct {
	File string `json:"file"`
	Kind string `json:"kind"` // "" where it was not recognised
}

func (c *checker) answer() checkAnswer {
	a := checkAnswer{Problems: c.found}
	for i := range c.files {
		a.Files = append(a.Files, checkedFile{c.files[i].path, c.files[i].kind})
	}
	return a
}
