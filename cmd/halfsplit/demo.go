package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

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
// cases. Nothing is written where any of its files already exists.
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
	for _, file := range files {
		to, err := target(file)
		if err != nil {
			return nil, err
		}
		if _, err := os.Lstat(to); err == nil {
			return nil, instead(quoted(to)+" already exists", "name a new folder")
		}
	}
	for _, file := range files {
		to, err := target(file)
		if err != nil {
			return nil, err
		}
		text, err := testdata.Demo.ReadFile(file)
		if err == nil {
			err = os.MkdirAll(filepath.Dir(to), 0o777)
		}
		if err == nil {
			err = writeNew(to, text)
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

// writeNew writes a file that must not be there yet. It is whole, or it is not
// there.
func writeNew(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil {
		os.Remove(path) // a part of it would stand in the way of the next try
	}
	return err
}
