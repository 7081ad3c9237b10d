// Halfsplit finds the one bad part on a dead line of a circuit board from
// diode-mode readings.
//
// This package is the command line: one file for each command, and the layout
// of what they print (screen.go, words.go). It measures nothing and decides
// nothing; what it prints was thought out by package engine and the packages
// below it.
package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
)

// Exit codes.
const (
	exitDone  = 0 // the question was answered
	exitBadly = 1 // it was answered, badly for the user: faults in files, power-up check not passed
	exitUsage = 2 // usage or bad input
	// interrupted: 128 and the number of SIGINT, as shells have it (POSIX, from memory)
	exitStopped = 130
)

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// run executes one command line and returns its exit code.
func run(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	out := bufio.NewWriter(stdout)
	app := &app{stdin: stdin, out: out, terminal: isTerminal(stdout), errors: stderr}
	app.tty, _ = stdout.(*os.File)
	root := app.command()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(out)
	root.SetErr(stderr)
	err := root.Execute()
	err = app.work.end(err)
	if err == nil {
		err = app.unhelped
	}
	if flushed := out.Flush(); flushed != nil && (err == nil || err == errBadly || err == errLeft) {
		err = instead("the answer could not be written: "+flushed.Error(), "check the disk, or the program that reads it")
	}
	switch {
	case err == nil:
		return exitDone
	case err == errBadly:
		return exitBadly
	case err == errLeft:
		return exitStopped
	}
	complain(stderr, err)
	if err == errStopped {
		return exitStopped
	}
	return exitUsage
}

// command builds the tree of commands.
func (a *app) command() *cobra.Command {
	root := &cobra.Command{
		Use:   "halfsplit COMMAND",
		Short: "find the one bad part on a dead line of a circuit board",
		Long: `halfsplit finds the one bad part on a dead line of a circuit board from
diode-mode readings, and says what to measure next.

Begin with a demonstration on an invented board:

  halfsplit demo kestrel
  halfsplit locate kestrel/cases/touch-dead.yaml`,
		Args:          cobra.ArbitraryArgs,
		SilenceErrors: true,
		SilenceUsage:  true,
		RunE:          helpOrComplain,
	}
	root.Version = version()
	root.SetVersionTemplate("halfsplit {{.Version}}\n")
	root.CompletionOptions.DisableDefaultCmd = true // completion.go has our own
	flags := root.PersistentFlags()
	flags.StringVar(&a.colour, "colour", "auto", "`WHEN` to paint: auto, always or never")
	flags.IntVar(&a.width, "width", 0, "`COLUMNS` of text to fill (0: as wide as the terminal, else as the variable COLUMNS says, else 80)")
	root.SetFlagErrorFunc(flagError)
	root.SetUsageTemplate(usageTemplate)
	root.SetHelpFunc(a.help)
	root.AddCommand(
		a.locateCommand(), a.compareCommand(), a.predictCommand(), a.traceCommand(), a.drawCommand(),
		a.benchCommand(), a.powerCommand(), a.reportCommand(),
		a.knownCommand(), a.meterCommand(), a.draftCommand(), a.memoryCommand(),
		a.coverageCommand(), a.practiceCommand(), a.checkCommand(), a.schemaCommand(), a.demoCommand(), a.completionCommand(),
	)
	root.SetHelpCommand(&cobra.Command{
		Use: "help COMMAND", Hidden: true, // --help does the same
		RunE: func(cmd *cobra.Command, args []string) error {
			c, rest, err := root.Find(args)
			if err != nil || len(rest) > 0 {
				return noCommand(root, args[0])
			}
			return c.Help()
		},
	})
	plainUseLines(root)
	mustComplete(root, "colour", completeWords(colourNames...))
	return root
}

// version says which build of the program this is, as Go recorded it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "of unknown version"
	}
	text := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && !strings.Contains(text, s.Value[:min(len(s.Value), 12)]) {
			text += " " + s.Value[:min(len(s.Value), 12)]
		}
	}
	return strings.TrimSpace(text) + ", built by " + info.GoVersion
}

// plainUseLines leaves "[flags]" out of the lines that show how to write a
// command; the flags stand below.
func plainUseLines(c *cobra.Command) {
	c.DisableFlagsInUseLine = true
	for _, sub := range c.Commands() {
		plainUseLines(sub)
	}
}

// help prints what a command does. The flag library cannot be told of an error
// here, so that one is kept for run.
func (a *app) help(cmd *cobra.Command, _ []string) {
	if words := cmd.Flags().Args(); len(words) > 0 && cmd.HasSubCommands() {
		a.unhelped = noCommand(cmd, words[0])
		return
	}
	text := cmd.Long
	if text == "" {
		text = cmd.Short
	}
	fmt.Fprint(a.out, foldHelp(strings.TrimSpace(text)+"\n\n"+cmd.UsageString()))
}

const usageTemplate = `Usage:
  {{.UseLine}}{{if .HasAvailableSubCommands}}

Commands:{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}}  {{.Short}}{{end}}{{end}}{{end}}{{if .HasExample}}

For example:
{{.Example}}{{end}}{{if .HasAvailableLocalFlags}}

Flags:
{{.LocalFlags.FlagUsagesWrapped 80 | trimTrailingWhitespaces}}{{end}}{{if .HasAvailableInheritedFlags}}

Flags of every command:
{{.InheritedFlags.FlagUsagesWrapped 80 | trimTrailingWhitespaces}}{{end}}
`
