package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/experience"
	"halfsplit/engine/fault"
	"halfsplit/engine/journal"
	lessons "halfsplit/engine/practice/lesson"
	"halfsplit/netlist/document"
)

func (a *app) memoryCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "memory COMMAND",
		Short: "let closed cases change what is suspected first",
		Args:  cobra.ArbitraryArgs,
		RunE:  helpOrComplain,
	}
	cmd.AddCommand(a.memoryLearnCommand())
	return cmd
}

// learned is what `memory learn --json` prints.
type learned struct {
	Cases    int                `json:"cases"`    // counted
	Practice int                `json:"practice"` // records of practice, which count for nothing
	Skipped  []skippedCase      `json:"skipped"`  // and why
	Entries  []experience.Entry `json:"entries"`  // that moved
}

type skippedCase struct {
	File string `json:"file"`
	Why  string `json:"why"`
}

func (a *app) memoryLearnCommand() *cobra.Command {
	var to, priors string
	strength := experience.DefaultStrength()
	cmd := &cobra.Command{
		Use:   "learn CASE...",
		Short: "work closed cases into the likelihoods of faults",
		Long: `learn counts what was wrong in closed cases, by kind of part and mode of failure,
and works the counts into the likelihoods that faults have before any reading. The
built-in likelihoods count as much as so many cases, which --kinds and --modes
change. What is written with --to is a priors file for locate --priors; it holds
numbers alone and nothing of the cases, so that it can be shown to others.

A case counts where its readings prove its cause: something read wrong and reads right
at the end, nothing reads wrong any more, and the part that it names was worked on,
where the record tells of work. One case counts once, however many files tell of it;
records of practice do not count. Folders stand for all case files in them.`,
		Example:           "  halfsplit memory learn cases --to shop.yaml\n  halfsplit locate kestrel/cases/touch-dead.yaml --priors shop.yaml",
		Args:              someArguments("a case file or a folder of them"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			for flag, v := range map[string]float64{"kinds": strength.Kinds, "modes": strength.Modes} {
				if !(v > 0 && v <= mostStrength) {
					return instead(fmt.Sprintf("`--%s` must be above zero and at most %g", flag, mostStrength), "write how many cases the built-in likelihoods count for")
				}
			}
			base := fault.DefaultPriors()
			if priors != "" {
				var err error
				if base, err = fault.LoadPriors(priors); err != nil {
					return err
				}
			}
			files, err := caseFiles(args)
			if err != nil {
				return err
			}
			tally := experience.NewTally()
			var answer learned
			var engines engines
			for _, file := range files {
				why, practice := learnFrom(tally, file, &engines)
				switch {
				case practice:
					answer.Practice++
				case why != "":
					answer.Skipped = append(answer.Skipped, skippedCase{file, why})
				}
			}
			result := tally.Learn(base, strength)
			if to != "" {
				if err := a.writeOut(to, func(w io.Writer) error { return result.Write(w) }); err != nil {
					return err
				}
			}
			answer.Cases, answer.Entries = result.Cases, result.Moved()
			return a.answer(answer, func() { s.learned(result, answer.Practice, answer.Skipped, to) })
		}),
	}
	cmd.Flags().StringVar(&to, "to", "", "priors `FILE` to write, which must not exist yet")
	fileFlag(cmd, &priors, "priors", "`FILE` of likelihoods to begin from, over the built-in ones")
	cmd.Flags().Float64Var(&strength.Kinds, "kinds", strength.Kinds, "cases that the likelihoods among kinds count for")
	cmd.Flags().Float64Var(&strength.Modes, "modes", strength.Modes, "cases that the modes of a kind count for")
	a.jsonFlag(cmd, "")
	return cmd
}

// mostStrength is the most cases that weights may count for: beyond it no number of
// real cases would move them.
const mostStrength = 1e9

// engines keeps the engine of the last case for the next, which as a rule is of the
// same board.
type engines struct {
	paths  [2]string // of board and known good
	engine *engine.Engine
}

func (k *engines) of(c *journal.Case) (*engine.Engine, error) {
	paths := [2]string{c.Opening().BoardPath, c.Opening().KnownPath}
	if k.engine != nil && k.paths == paths {
		return k.engine, nil
	}
	e, err := engine.New(c.Board, c.Library, engine.Options{})
	k.paths, k.engine = paths, e
	return e, err
}

// learnFrom counts one case and returns why it was not counted, "" where it was; records
// of practice, whose faults are made up, are kept apart.
func learnFrom(tally *experience.Tally, file string, k *engines) (why string, practice bool) {
	c, err := journal.Load(file) // refuses what is too long
	var found document.Problems
	switch {
	case errors.As(err, &found):
		return "has " + wording.Count(len(found), "problem") + ": " + found[0].What, false
	case err != nil:
		return err.Error(), false
	case lessons.Recorded(c):
		return "", true
	}
	e, err := k.of(c)
	if err == nil {
		err = tally.Add(c, e)
	}
	if err != nil {
		return err.Error(), false
	}
	return "", false
}

// caseFiles lists the files that the arguments mean: themselves, and of folders
// all that look like cases, or like nothing that is known: such a file may be a
// broken case, and is reported rather than passed over.
func caseFiles(args []string) ([]string, error) {
	var files []string
	for _, arg := range args {
		info, err := os.Stat(arg)
		if err != nil {
			return nil, instead(quoted(arg)+" cannot be read: "+document.Reason(err), "check the path")
		}
		if !info.IsDir() {
			files = append(files, arg)
			continue
		}
		found, err := yamlFilesIn(arg)
		if err != nil {
			return nil, err
		}
		files = append(files, slices.DeleteFunc(found, func(path string) bool {
			kind := kindOf(glance(path))
			return kind != kindCase && kind != kindUnknown
		})...)
	}
	for i, f := range files {
		files[i] = filepath.Clean(f)
	}
	slices.Sort(files)
	return slices.Compact(files), nil
}

func (s *screen) learned(l experience.Learned, practice int, skipped []skippedCase, to string) {
	s.say(s.paint(strong, wording.Count(l.Cases, "closed case")+" counted"))
	var rows [][]cell
	moved := 0
	for _, e := range l.Moved() {
		if e.Count == 0 {
			moved++
			continue
		}
		rows = append(rows, []cell{{e.Name, strong}, {}, {fmt.Sprint(e.Count), plain}, {fmt.Sprintf("%.2f", 1000*e.Before), plain}, {fmt.Sprintf("%.2f", 1000*e.After), strong}})
		for _, m := range e.Modes {
			if m.Before != m.After {
				rows = append(rows, []cell{{}, {m.Name, plain}, {fmt.Sprint(m.Count), plain}, {wording.Percent(m.Before), plain}, {wording.Percent(m.After), plain}})
			}
		}
	}
	if len(rows) > 0 {
		s.heading("LIKELIHOODS", "likelihood in a thousand for one part; shares of modes")
		s.table(2, []column{{head: "kind"}, {head: "mode"}, {head: "cases", right: true}, {head: "before", right: true}, {head: "after", right: true}}, rows)
		if moved > 0 {
			s.gap()
			s.say(fmt.Sprintf("  %s without a case went down in proportion.", wording.Count(moved, "kind")))
		}
		s.gap()
		s.prose(2, 2, faint, fmt.Sprintf("The likelihoods before count for %g cases among kinds and %g within a kind.", l.Strength.Kinds, l.Strength.Modes))
	}
	if len(skipped) > 0 {
		s.heading("NOT COUNTED", wording.Count(len(skipped), "file"))
		for _, x := range skipped {
			s.prose(2, 2, plain, path(x.File)+" "+prose(x.Why))
		}
	}
	if practice > 0 {
		s.gap()
		s.prose(0, 0, plain, wording.Count(practice, "record")+" of practice not counted: the faults of practice cases are made up.")
	}
	if to != "" {
		s.gap()
		s.say("Wrote " + path(to) + "; give it with --priors.")
	}
}
