package main

import (
	"bufio"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/engine/fault"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// The shell asks for completions while somebody types: nothing here may fail
// loudly, so whatever cannot be read has no completions.

const noFiles = cobra.ShellCompDirectiveNoFileComp

// mustComplete registers the completions of a flag. It fails only where the
// program itself names a flag wrongly.
func mustComplete(cmd *cobra.Command, flag string, f cobra.CompletionFunc) {
	if err := cmd.RegisterFlagCompletionFunc(flag, f); err != nil {
		panic(err)
	}
}

// fileFlag is a flag that takes the path of a YAML file.
func fileFlag(cmd *cobra.Command, into *string, name, usage string) {
	cmd.Flags().StringVar(into, name, "", usage)
	mustComplete(cmd, name, completeYAML)
}

// folderFlag is a flag that takes the path of a folder.
func folderFlag(cmd *cobra.Command, into *string, name, usage string) {
	cmd.Flags().StringVar(into, name, "", usage)
	mustComplete(cmd, name, completeFolders)
}

// firstOf completes the first argument only.
func firstOf(f cobra.CompletionFunc) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, noFiles
		}
		return f(cmd, args, word)
	}
}

// completeFiles completes the path of a file of some kind as the first argument.
func completeFiles(kind string) cobra.CompletionFunc {
	return firstOf(func(_ *cobra.Command, _ []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return filesLike(word, func(path string) bool { return kindOf(glance(path)) == kind })
	})
}

// completeYAML completes the path of any YAML file.
func completeYAML(_ *cobra.Command, _ []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
	return filesLike(word, func(string) bool { return true })
}

// completeWords completes one of a few words as the first argument or as the
// value of a flag.
func completeWords(words ...string) cobra.CompletionFunc {
	return func(_ *cobra.Command, _ []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return begun(words, word), noFiles
	}
}

func completeFolders(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveFilterDirs
}

// filesLike lists folders and the YAML files that fit. The shell is told not to
// add a space where a folder is among them, since the path goes on.
func filesLike(word string, fits func(path string) bool) ([]cobra.Completion, cobra.ShellCompDirective) {
	folder, begun := filepath.Split(word)
	entries, err := os.ReadDir(filepath.Clean(folder + "."))
	if err != nil {
		return nil, noFiles
	}
	var found []cobra.Completion
	directive := noFiles
	for _, e := range entries {
		n := e.Name()
		if !strings.HasPrefix(n, begun) || strings.HasPrefix(n, ".") && begun == "" || !printable(n) {
			continue
		}
		path := folder + n
		info, err := os.Stat(path) // follows links
		switch {
		case err != nil:
		case info.IsDir():
			found = append(found, path+string(filepath.Separator))
			directive |= cobra.ShellCompDirectiveNoSpace
		case isYAML(n) && fits(path):
			found = append(found, path)
		}
	}
	return found, directive
}

// printable tells that a name can be shown as it is.
func printable(text string) bool { return document.Printable(text) == text }

// glanceBytes is how much of a file is looked at to guess its kind.
const glanceBytes = 64 << 10

// glance lists the words that stand like keys at the left edge of a file's
// first lines, which is enough to guess its kind.
func glance(path string) []string {
	if !regular(path) {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	var keys []string
	lines := bufio.NewScanner(io.LimitReader(f, glanceBytes))
	for lines.Scan() {
		key, _, ok := strings.Cut(lines.Text(), ":")
		if ok && key != "" && !strings.ContainsAny(key, " \t#\"'{[-") {
			keys = append(keys, key)
		}
	}
	return keys
}

// begun picks the names that begin with what is typed.
func begun(names []string, word string) []cobra.Completion {
	var found []cobra.Completion
	for _, n := range names {
		if strings.HasPrefix(n, word) && printable(n) {
			found = append(found, n)
		}
	}
	return found
}

// completeOf completes names of the board that the first argument names.
func completeOf(names func(*netlist.Board) []string) cobra.CompletionFunc {
	return func(_ *cobra.Command, args []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return nil, noFiles
		}
		b, err := netlist.Load(args[0])
		if err != nil {
			return nil, noFiles
		}
		return begun(names(b), word), noFiles
	}
}

var (
	completePoints = completeOf((*netlist.Board).Points)
	completeParts  = completeOf(func(b *netlist.Board) []string {
		return namesOf(b.Parts, func(p *netlist.Part) string { return p.Name })
	})
	completeConnectors = completeOf(func(b *netlist.Board) []string {
		return namesOf(b.Connectors, func(c *netlist.Connector) string { return c.Name })
	})
)

func namesOf[T any](list []T, name func(*T) string) []string {
	names := make([]string, len(list))
	for i := range list {
		names[i] = name(&list[i])
	}
	return names
}

// completeBoardPoint completes a board file, and a point of it.
func completeBoardPoint(cmd *cobra.Command, args []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if len(args) == 1 {
		return completePoints(cmd, args, word)
	}
	return completeFiles(kindBoard)(cmd, args, word)
}

// completeFaults completes a part, and behind the colon a mode.
func completeFaults(cmd *cobra.Command, args []string, word string) ([]cobra.Completion, cobra.ShellCompDirective) {
	colon := strings.LastIndexByte(word, ':')
	if colon < 0 {
		found, _ := completeParts(cmd, args, word)
		for i := range found {
			found[i] += ":"
		}
		return found, noFiles | cobra.ShellCompDirectiveNoSpace
	}
	var names []string
	for _, m := range fault.ModeNames() {
		names = append(names, word[:colon+1]+m)
	}
	return begun(names, word), noFiles
}
