package main

import (
	"bufio"
	"errors"
	"io"
	"os"

	"github.com/spf13/cobra"
)

// errLeft ends a session that was left by Ctrl-C, which it has said.
var errLeft = errors.New("left by Ctrl-C")

// errBadly ends a command whose answer is printed and is bad for the user.
var errBadly = errors.New("answered badly for the user")

// app is one run of the program.
type app struct {
	stdin    io.Reader
	out      *bufio.Writer
	terminal bool      // out ends on a terminal
	tty      *os.File  // that out ends on, nil where it is no file
	errors   io.Writer // complaints and warnings
	unhelped error     // help was asked for on a command that there is not
	work     *work     // nil where nothing takes long

	asJSON bool // the answer is for programs; see jsonFlag

	// Flags that every command has.
	colour string
	width  int
}

// on is a command that prints to a screen.
func (a *app) on(do func(s *screen, args []string) error) func(*cobra.Command, []string) error {
	return func(_ *cobra.Command, args []string) error {
		s, err := a.screen()
		if err != nil {
			return err
		}
		return do(s, args)
	}
}

// answer prints what was found: for programs, or else for people.
func (a *app) answer(data any, print func()) error {
	if a.asJSON {
		return a.json(data)
	}
	print()
	return nil
}

// judged is answer where what was found may be bad for the user.
func (a *app) judged(bad bool, data any, print func()) error {
	if err := a.answer(data, print); err != nil || !bad {
		return err
	}
	return errBadly
}

// siUnits is what most answers for programs say of their numbers.
const siUnits = ": SI units, null for OL and for what is not known"

// jsonFlag lets a command print its answer for programs; units says what is in it.
func (a *app) jsonFlag(cmd *cobra.Command, units string) {
	cmd.Flags().BoolVar(&a.asJSON, "json", false, "print JSON"+units)
}

// helpOrComplain is what a command does that only has others below it.
func helpOrComplain(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return cmd.Help()
	}
	return noCommand(cmd, args[0])
}
