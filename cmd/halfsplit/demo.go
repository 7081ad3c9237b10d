package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document/wholefile"
	"halfsplit/testdata"
)

// demoRoot is where the demonstration lies in testdata.
const demoRoot = "demo"

func (a *app) demoCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "demo FOLDER",
		Short: "write a demonstration: an invented board, good sweeps and cases",
		Long: `demo writes the board file of an invented handheld parcel terminal, sweeps of
good boards, and cases to solve. Files that already exist are never
overwritten.`,
		Example:           "  halfsplit demo kestrel",
		Args:              arguments("FOLDER"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: func(_ *cobra.Command, args []string) error {
			s, err := a.screen()
			if err != nil {
				return err
			}
			cases, err := writeDemo(args[0])
			if err != nil {
				return err
			}
			s.say("Wrote an invented board, known-good sweeps and " + count(len(cases), "case") + " to " + path(args[0]) + ".")
			s.gap()
			s.say("Draw a line of it:")
			s.say("  halfsplit trace " + path(filepath.Join(args[0], "board.yaml")) + " J7.2")
			s.say("Find what is wrong:")
			for _, c := range cases {
				s.say("  halfsplit locate " + path(c))
			}
			return nil
		},
	}
}

// writeDemo copies the demonstration to a folder and returns the paths of its
// cases. Nothing is written where a file of another text is in the way, or where
// the demonstration is complete; one that was cut off is completed.
func writeDemo(folder string) (cases []string, err error) {
	var files []string
	err = fs.WalkDir(testdata.Demo, demoRoot, func(p string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() {
			files = append(files, p)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	target := func(file string) (string, error) {
		below, err := filepath.Rel(demoRoot, filepath.FromSlash(file))
		return filepath.Join(folder, below), err
	}
	there := 0
	for _, file := range files {
		to, err := target(file)
		if err != nil {
			return nil, err
		}
		text, err := testdata.Demo.ReadFile(file)
		if err != nil {
			return nil, err
		}
		if _, err := os.Lstat(to); err != nil {
			continue
		}
		there++
		if !holds(to, text) {
			return nil, instead(quoted(to)+" already exists", "name a new folder")
		}
	}
	if there == len(files) {
		return nil, instead(quoted(folder)+" holds the demonstration already", "work there, or name a new folder")
	}
	for _, file := range files {
		to, err := target(file)
		if err != nil {
			return nil, err
		}
		text, err := testdata.Demo.ReadFile(file)
		if err == nil {
			err = wholefile.MakeFolder(filepath.Dir(to))
		}
		if err == nil && !holds(to, text) {
			err = wholefile.New(to, text)
		}
		if err != nil {
			return nil, instead(fmt.Sprintf("%s cannot be written: %s", quoted(to), reason(err)), "name a folder where you may write")
		}
		if filepath.Base(filepath.Dir(to)) == "cases" {
			cases = append(cases, to)
		}
	}
	return cases, nil
}

// holds tells that a path is a file with this text.
func holds(path string, text []byte) bool {
	info, err := os.Lstat(path)
	if err != nil || !info.Mode().IsRegular() || info.Size() != int64(len(text)) {
		return false
	}
	have, err := os.ReadFile(path)
	return err == nil && bytes.Equal(have, text)
}
