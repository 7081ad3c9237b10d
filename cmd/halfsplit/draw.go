package main

import (
	"errors"
	"io"

	"github.com/spf13/cobra"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/layout/assembly"
)

func (a *app) drawCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:   "draw BOARD POINT",
		Short: "draw where a point or part is on the board, as SVG",
		Long: `draw makes the assembly drawing of the side of the board that a point is on, as
SVG: outline, pads and designators, the point marked, and its neighbourhood
enlarged. The bottom side is mirrored, as it is seen with the board turned over.
POINT may be a connector pin, a terminal, a test point, a part or a connector.

Where parts and pads lie is read from the layout that the board file names:
layout: FILE, a KiCad layout (.kicad_pcb) or an IPC-D-356A test file. --layout
names another one.`,
		Example: `  halfsplit draw kestrel/board.yaml J7.3 --to J7.3.svg
  halfsplit draw kestrel/board.yaml FL3 --layout kestrel.kicad_pcb > FL3.svg`,
		Args:              arguments("BOARD file", "POINT"),
		ValidArgsFunction: completeBoardPoint,
		RunE: func(cmd *cobra.Command, args []string) error {
			b, err := loadBoard(args[0])
			if err != nil {
				return err
			}
			if file := cmd.Flag("layout").Value.String(); file != "" {
				b.Layout, b.LayoutAt = file, document.Position{}
			}
			drawn, err := assembly.Load(b)
			if err != nil {
				return err
			}
			if drawn == nil {
				return instead(quoted(args[0])+" names no layout", "add `layout: FILE` to it, or name one with --layout")
			}
			mark, err := assembly.Find(b, drawn, args[1])
			if err != nil {
				return err
			}
			return a.writeOut(to, func(w io.Writer) error {
				picture := assembly.Draw(b, drawn, mark)
				_, err := io.WriteString(w, picture.File())
				return err
			})
		},
	}
	cmd.Flags().String("layout", "", "`FILE` to read the layout from, in place of the one that BOARD names")
	cmd.Flags().StringVar(&to, "to", "", "`FILE` to write, which must not exist yet; otherwise the screen")
	return cmd
}

// layoutOf is the layout of a board, nil where it has none that can be read. What is
// made with it lacks a drawing then, which is reported and no more.
func (a *app) layoutOf(b *netlist.Board) *layout.Board {
	drawn, err := assembly.Load(b)
	var found document.Problems
	if errors.As(err, &found) {
		a.warn(found)
	}
	return drawn
}
