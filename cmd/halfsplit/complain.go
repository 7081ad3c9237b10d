package main

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document"
)

// mostProblems is how many problems of a file are shown where they are not what
// was asked for; `halfsplit check` shows all.
const mostProblems = 20

// plainError is what went wrong and what to do about it, in one line.
type plainError struct{ what, do string }

func (e plainError) Error() string { return e.what + "; " + e.do }

func instead(what, do string) error { return plainError{what, do} }

// complain prints an error: problems of files each on its line, anything else
// in one line.
func complain(w io.Writer, err error) {
	var found document.Problems
	if errors.As(err, &found) {
		for _, p := range found[:min(len(found), mostProblems)] {
			fmt.Fprintln(w, problemText(p))
		}
		if more := len(found) - mostProblems; more > 0 {
			do := "`halfsplit check` lists them all"
			if !isYAML(found[0].File) {
				do = "repair these first"
			}
			fmt.Fprintf(w, "and %d more; %s\n", more, do)
		}
		return
	}
	fmt.Fprintln(w, "halfsplit: "+prose(err.Error()))
}

// problemText is a problem as it is printed. What a problem says was made safe
// where it was found; the name of its file was not.
func problemText(p document.Problem) string {
	p.File = path(p.File)
	return p.Error()
}

// warn prints what is unusual but did not stop the command.
func (a *app) warn(found document.Problems) {
	for _, p := range found[:min(len(found), mostProblems)] {
		fmt.Fprintln(a.errors, warningText(p))
	}
	if more := len(found) - mostProblems; more > 0 {
		fmt.Fprintf(a.errors, "and %d more warnings; `halfsplit check` lists them all\n", more)
	}
}

// warningText is a warning as it is printed, marked as one behind its place.
func warningText(p document.Problem) string {
	p.What = "warning: " + p.What
	return problemText(p)
}

// noCommand says that a word is none of the commands.
func noCommand(cmd *cobra.Command, word string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	if now, ok := wasCommand[word]; ok && slices.Contains(names, now) {
		return instead(document.Quote(word)+" is now "+document.Quote(now), "write `"+cmd.CommandPath()+" "+now+"`")
	}
	return instead("there is no command "+document.Quote(word),
		document.Suggest(word, names, "the commands are "+strings.Join(names, ", ")))
}

var (
	flagNames   = regexp.MustCompile(`--([a-z][a-z-]*)`)
	flagInError = regexp.MustCompile(`"(?:-., )?(--[a-z-]+)" flag`)
)

// flagError says what is wrong with a flag. The flag library tells its errors
// apart by their methods.
func flagError(cmd *cobra.Command, err error) error {
	var named interface {
		GetSpecifiedName() string
		GetSpecifiedShortnames() string
	}
	var valued interface{ GetValue() string }
	switch {
	case errors.As(err, &named) && named.GetSpecifiedShortnames() != "":
		return instead("there is no flag "+document.Quote("-"+named.GetSpecifiedShortnames()), helpOf(cmd))
	case errors.As(err, &named) && cmd.Flags().Lookup(named.GetSpecifiedName()) != nil:
		return instead("the flag "+document.Quote("--"+named.GetSpecifiedName())+" lacks its value", helpOf(cmd))
	case errors.As(err, &named):
		word, do := named.GetSpecifiedName(), helpOf(cmd)
		var names []string // without their dashes, which would make all of them alike
		for _, m := range flagNames.FindAllStringSubmatch(cmd.Flags().FlagUsages(), -1) {
			names = append(names, m[1])
		}
		if now, ok := wasFlag[word]; ok && slices.Contains(names, now) {
			return instead(document.Quote("--"+word)+" is now "+document.Quote("--"+now), "write it so")
		}
		if near := document.Nearest(word, names); near != "" {
			do = "did you mean " + document.Quote("--"+near) + "?"
		}
		return instead("there is no flag "+document.Quote("--"+word), do)
	case errors.As(err, &valued):
		flag := "the flag"
		if m := flagInError.FindStringSubmatch(err.Error()); m != nil {
			flag += " " + document.Quote(m[1])
		}
		return instead(flag+" cannot be "+document.Quote(valued.GetValue()), helpOf(cmd))
	}
	return instead(prose(err.Error()), helpOf(cmd))
}

func helpOf(cmd *cobra.Command) string {
	return fmt.Sprintf("`%s --help` shows how", cmd.CommandPath())
}

// arguments checks how many there are; names says what they are.
func arguments(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) < len(names):
			return instead(fmt.Sprintf("`%s` needs a %s", cmd.CommandPath(), names[len(args)]), "write "+cmd.UseLine())
		case len(args) > len(names):
			return instead(fmt.Sprintf("%s is one word too many for `%s`", document.Quote(args[len(names)]), cmd.CommandPath()), "write "+cmd.UseLine())
		}
		return nil
	}
}

// someArguments checks that there is one argument at least, and says what is
// needed where there is none.
func someArguments(need string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return instead(fmt.Sprintf("`%s` needs %s", cmd.CommandPath(), need), "write "+cmd.UseLine())
		}
		return nil
	}
}

func isYAML(path string) bool {
	return strings.HasSuffix(path, ".yaml") || strings.HasSuffix(path, ".yml")
}
