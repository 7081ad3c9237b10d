package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
	"halfsplit/testdata"
)

func (a *app) demoCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "demo FOLDER",
		Short: "write a demonstration: an invented board, good sweeps and cases",
		Long: `demo writes the board file of an invented handheld parcel terminal, sweeps of
good boards, and cases to solve. Files that already exist are never
overwritten. "halfsplit practice course" writes a course of lessons.`,
		Example:           "  halfsplit demo kestrel",
		Args:              arguments("FOLDER"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			files, err := writeEmbedded(testdata.Demo, "demo", "the demonstration", args[0])
			if err != nil {
				return err
			}
			cases := slices.DeleteFunc(files, func(file string) bool { return filepath.Base(filepath.Dir(file)) != "cases" })
			s.say("Wrote an invented board, known-good sweeps and " + wording.Count(len(cases), "case") + " to " + path(args[0]) + ".")
			s.gap()
			s.say("Draw a line of it:")
			s.say("  halfsplit trace " + path(filepath.Join(args[0], "board.yaml")) + " J7.2")
			s.say("Find what is wrong:")
			for _, c := range cases {
				s.say("  halfsplit locate " + path(c))
			}
			return nil
		}),
	}
}

func (a *app) practiceCourseCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "course FOLDER",
		Short: "write the course: lessons with their texts and cases",
		Long: `course writes the lessons that come with the program: a text and an encrypted case for
each, the board, and the passphrase, which opens the answers of this course alone.
Read README.md in the folder first. Files that already exist are never overwritten.`,
		Example:           "  halfsplit practice course lessons\n  halfsplit practice run lessons/lesson-01.yaml --by Ada",
		Args:              arguments("FOLDER"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			files, err := writeEmbedded(testdata.Lessons, "lessons", "the course", args[0])
			if err != nil {
				return err
			}
			texts := slices.DeleteFunc(files, func(file string) bool {
				is, _ := filepath.Match("lesson-*.md", filepath.Base(file))
				return !is
			})
			s.say("Wrote " + wording.Count(len(texts), "lesson") + " to " + path(args[0]) + ".")
			s.gap()
			s.say("Begin with " + path(filepath.Join(args[0], "README.md")) + " and " + path(texts[0]) + ", then:")
			s.say("  halfsplit practice run " + path(strings.TrimSuffix(texts[0], ".md")+".yaml") + " --by YOUR-NAME")
			return nil
		}),
	}
}

// writeEmbedded copies the files below root, which are called what, to a folder and
// returns their paths there. Nothing is written where a file of another text is in the
// way, or where all are there; a copy that was cut off is completed.
func writeEmbedded(from fs.FS, root, what, folder string) (paths []string, err error) {
	type file struct {
		to   string
		text []byte
	}
	var missing []file
	err = fs.WalkDir(from, root, func(p string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := fs.ReadFile(from, p)
		if err != nil {
			return err
		}
		below, err := filepath.Rel(root, filepath.FromSlash(p))
		if err != nil {
			return err
		}
		to := filepath.Join(folder, below)
		paths = append(paths, to)
		if _, err := os.Lstat(to); err != nil {
			missing = append(missing, file{to, text})
		} else if !holds(to, text) {
			return instead(quoted(to)+" already exists", "name a new folder")
		}
		return nil
	})
	if err == nil && len(missing) == 0 {
		err = instead(quoted(folder)+" holds "+what+" already", "work there, or name a new folder")
	}
	if err != nil {
		return nil, err
	}
	for _, f := range missing {
		err := wholefile.MakeFolder(filepath.Dir(f.to))
		if err == nil {
			err = wholefile.New(f.to, f.text)
		}
		if err != nil {
			return nil, instead(fmt.Sprintf("%s cannot be written: %s", quoted(f.to), document.Reason(err)), "name a folder where you may write")
		}
	}
	return paths, nil
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
