package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/netlist/document"
	"halfsplit/netlist/draft"
	"halfsplit/netlist/draft/table"
)

func (a *app) draftCommand() *cobra.Command {
	var board, revision, ground, to string
	var around, columns []string
	hops := 0
	cmd := &cobra.Command{
		Use:   "draft FILE",
		Short: "begin a board file from a table of pins or a KiCad netlist",
		Long: `draft makes a board file from a table saved as CSV, one row for each pin (part,
pin, net, and where known kind, value and title), or from the netlist that
KiCad's schematic editor exports (.net). With --around it keeps what lies near a
connector. What was guessed or is not known is marked "# ?" for you to check.

Kinds are guessed from the letters of names (R, C, L, FB, D, Q, U, J); a column
"kind", or a field "halfsplit" of the symbol, says better. Parts that are marked
as not assembled are left out.`,
		Example: `  halfsplit draft lamp.net --around J7 --hops 3 --to board.yaml
  halfsplit draft pins.csv --column part=Designator --column net="Net name" --board "Kestrel K3" --revision C`,
		Args: arguments("FILE"),
		RunE: func(_ *cobra.Command, args []string) error {
			if isYAML(args[0]) {
				return instead(quoted(args[0])+" is YAML, which needs no drafting", "name a table in CSV or a netlist (.net); a board file is ready for `halfsplit check`")
			}
			columnMap, err := table.ParseMap(columns)
			if err != nil {
				return err
			}
			if hops < 0 {
				return instead("`--hops` cannot be negative", "write how many parts away from the connector, or 0 for no limit")
			}
			f, err := os.Open(args[0])
			if err != nil {
				return instead(quoted(args[0])+" cannot be read: "+reason(err), "check the path")
			}
			defer f.Close()
			var d *draft.Draft
			if strings.HasSuffix(strings.ToLower(args[0]), ".net") {
				if len(columns) > 0 {
					return instead("`--column` is for tables", "leave it out for a netlist")
				}
				d, err = draft.ReadKiCad(f, args[0])
			} else {
				d, err = draft.ReadTable(f, args[0], columnMap)
			}
			if err != nil {
				return err
			}
			for flag, name := range map[string]string{"--board": board, "--revision": revision} {
				if r, hidden := document.Hidden(name); hidden {
					return instead(fmt.Sprintf("`%s` holds the character U+%04X, which does not show", flag, r), "leave it out")
				}
			}
			if board != "" {
				d.Board = board
			}
			if revision != "" {
				d.Revision = revision
			}
			if ground != "" {
				if err := d.SetGround(ground); err != nil {
					return err
				}
			}
			if len(around) > 0 || hops > 0 {
				if d, err = d.Around(around, hops); err != nil {
					return err
				}
			}
			if err := a.writeOut(to, func(w io.Writer) error { return d.Write(w) }); err != nil {
				return err
			}
			if to != "" {
				fmt.Fprintf(a.out, "Wrote %s with %s; look for # ? in it, then run halfsplit check on it.\n", path(to), count(len(d.Parts), "part"))
			}
			return nil
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&board, "board", "", "`NAME` of the board")
	flags.StringVar(&revision, "revision", "", "`REVISION` of the board")
	flags.StringVar(&ground, "ground", "", "`NET` that is ground, where its name does not say")
	flags.StringArrayVar(&around, "around", nil, "`CONNECTOR` whose surroundings to keep; may be repeated")
	flags.IntVar(&hops, "hops", 0, "how many parts away from the connector; 0 for no limit")
	flags.StringArrayVar(&columns, "column", nil, "`KEY=HEADING` of a table; may be repeated")
	flags.StringVar(&to, "to", "", "`FILE` to write, which must not be there yet; else the screen")
	return cmd
}
