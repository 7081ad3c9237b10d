package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/page"
)

func (a *app) reportCommand() *cobra.Command {
	var r reader
	var f drawFlags
	var htmlFile string
	var markdown bool
	cmd := &cobra.Command{
		Use:   "report CASE",
		Short: "the record of a case as one HTML file with drawings, or Markdown",
		Long: `report makes the record of a case into one page that a customer and a colleague
can both read: the complaint, what was found, the connectors and lines as drawings,
readings before and after, every step, what was replaced, bridged or left off, and
what the power-up check says.

--html writes one file that needs nothing else and prints well. A page that is
there already is replaced, any other file is not. Without --html the page is
printed as Markdown.`,
		Example: `  halfsplit report kestrel/cases/touch-dead.yaml --html touch-dead.html
  halfsplit report kestrel/cases/touch-dead.yaml --markdown`,
		Args:              arguments("CASE file"),
		ValidArgsFunction: completeFiles(kindCase),
		RunE: func(_ *cobra.Command, args []string) error {
			if htmlFile != "" && markdown {
				return instead("`--html` and `--markdown` together", "ask for one of them")
			}
			limits, err := f.limits()
			if err != nil {
				return err
			}
			c, e, err := a.openCase(args[0], &r)
			if err != nil {
				return err
			}
			report, err := page.New(c, e, limits)
			if err != nil {
				return err
			}
			if htmlFile == "" {
				return report.Markdown(a.out)
			}
			var text bytes.Buffer
			if err := report.HTML(&text); err != nil {
				return err
			}
			if !replaceable(htmlFile) {
				return instead(quoted(htmlFile)+" already exists and is not an HTML page", "name another file; a page is only written over a page")
			}
			if err := writeWhole(htmlFile, text.Bytes()); err != nil {
				return instead(fmt.Sprintf("%s cannot be written: %s", quoted(htmlFile), reason(err)), "name a file where you may write")
			}
			fmt.Fprintln(a.out, "Wrote "+path(htmlFile)+".")
			return nil
		},
	}
	cmd.Flags().StringVar(&htmlFile, "html", "", "`FILE` to write one HTML page to")
	cmd.Flags().BoolVar(&markdown, "markdown", false, "print Markdown, which is what happens without --html")
	r.modelFlags(cmd)
	f.add(cmd)
	return cmd
}

// replaceable tells that a page may be written to a path: nothing is there yet, or
// a page is. A case named by mistake must not be lost.
func replaceable(file string) bool {
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) {
		return true
	}
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, len(pageHead))
	_, err = io.ReadFull(f, head)
	return err == nil && strings.EqualFold(string(head), pageHead)
}

// pageHead begins every HTML page.
const pageHead = "<!doctype html"

// writeWhole writes a file that appears whole or not at all. One that is there
// already is replaced.
func writeWhole(file string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(file), ".halfsplit-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // it is gone where the renaming went well
	_, err = f.Write(text)
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	return err
}
