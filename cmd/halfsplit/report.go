package main

import (
	"bytes"
	"fmt"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/page"
)

func (a *app) reportCommand() *cobra.Command {
	var r reader
	var f supplyFlag
	var htmlFile string
	var markdown bool
	cmd := &cobra.Command{
		Use:   "report CASE",
		Short: "the record of a case as one HTML file with drawings, or Markdown",
		Long: `report makes the record of a case into one page that a customer and a colleague
can both read: the complaint, what was found, the connectors and lines as drawings,
readings before and after, every step, what was replaced, jumpered or left off, and
what the power-up check says. Where the board file names a layout, an assembly drawing
shows where the faulty part is, or the next point to measure.

--html writes one file that needs nothing else and prints well. A report that
already exists is replaced, any other file is not. Without --html the page is
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
			if err := checkPages(args, outPage{option: "--html", file: htmlFile}); err != nil {
				return err
			}
			c, e, err := a.openCase(args[0], &r)
			if err != nil {
				return err
			}
			report, err := page.New(c, e, limits, a.layoutOf(c.Board))
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
			if err := writePages(args, outPage{"--html", htmlFile, text.Bytes()}); err != nil {
				return err
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
