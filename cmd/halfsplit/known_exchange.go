package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/netlist/draft/table"
	"halfsplit/references"
	"halfsplit/references/exchange"
)

func (a *app) knownImportCommand() *cobra.Command {
	var to, board, unit string
	var columns, values []string
	var unknown bool
	cmd := &cobra.Command{
		Use:   "import TABLE",
		Short: "make sweeps of a table saved as CSV",
		Long: `import reads a table saved as CSV, one row for each point, and adds a sweep for each
sample, date, person, meter and polarity in it. Headings that are not
built in are mapped with --column KEY=HEADING; what holds for all rows is said with
--value KEY=TEXT. A table has to say the meter, its test_current, the polarity and the
temperature, or that nobody knows what it lacks, with --unknown: what is not said is
not written into the sweeps, and "halfsplit known check" tells it. The keys are point,
connector (of pins that are bare numbers), reading, unit (V or mV), sample, by, taken,
polarity, temperature, battery, unplugged, supply_before, supply_after, meter,
test_current, open_voltage, overload_above, accuracy, resolution, source, ohms_current,
ohms_open, ohms_overload_above, and sweep, which distinguishes sweeps that are equal in all of
them. A date may be 02.08.2026; a cell of dashes was not read. A table with a column for each board maps reading:SAMPLE=HEADING. A table may have
16 MB, and come through a pipe; - is standard input.`,
		Example: `  halfsplit known import old.csv --to kestrel/known --board kestrel/board.yaml --column point=Pin --column "reading:014=Board 14" --unit mV --unknown
  halfsplit known import old.csv --to kestrel/known --board kestrel/board.yaml --value meter="bench 2" --value "test_current=0.5 mA" --value polarity=red-on-ground --value "temperature=23 C"`,
		Args: arguments("TABLE in CSV"),
		RunE: a.on(func(s *screen, args []string) error {
			if to == "" || board == "" {
				return instead("no folder or no board is named", "add `--to` and the folder of sweeps, and `--board` and the board file")
			}
			b, err := loadBoard(board)
			if err != nil {
				return err
			}
			o := exchange.Options{Unit: unit}
			if o.Columns, err = table.ParseMap(columns); err != nil {
				return err
			}
			if o.Values, err = table.ParseMap(values); err != nil {
				return err
			}
			f, err := a.source(args[0])
			if err != nil {
				return err
			}
			defer f.Close()
			sweeps, unused, err := exchange.ReadCSV(f, args[0], b, o)
			if err != nil {
				return err
			}
			if lacks := unsaidIn(sweeps); len(lacks) > 0 && !unknown {
				text := make([]string, len(lacks))
				for i, key := range lacks {
					text[i] = "--value " + key + "=..."
				}
				return instead(quoted(args[0])+" does not say "+strings.Join(lacks, ", "), "say it with "+strings.Join(text, ", ")+", or with --unknown that nobody knows")
			}
			list := make([]newSweep, len(sweeps))
			for i, sweep := range sweeps {
				var text bytes.Buffer
				if err := sweep.Write(&text); err != nil {
					return err
				}
				list[i] = newSweep{sweep, text.Bytes()}
			}
			err = a.addSweeps(s, to, b, list)
			if len(unused) > 0 {
				s.prose(0, 0, plain, fmt.Sprintf("%s not used: %s. --column gives a heading its meaning.", wording.Count(len(unused), "column"), someNames(unused, 20)))
			}
			return err
		}),
	}
	folderFlag(cmd, &to, "to", "`FOLDER` of known-good sweeps")
	cmd.Flags().StringVar(&unit, "unit", "", "V or mV, where all readings are in it")
	cmd.Flags().BoolVar(&unknown, "unknown", false, "nobody knows what the table does not say")
	cmd.Flags().StringArrayVar(&columns, "column", nil, "`KEY=HEADING`; may be repeated")
	cmd.Flags().StringArrayVar(&values, "value", nil, "`KEY=TEXT` for all rows; may be repeated")
	boardFlag(cmd, &board)
	return cmd
}

// unsaidIn lists what some of the sweeps do not say of what readings depend on most.
func unsaidIn(sweeps []*references.Sweep) []string {
	var lacks []string
	for _, key := range []string{"meter", "test_current", "polarity", "temperature"} {
		if slices.ContainsFunc(sweeps, func(s *references.Sweep) bool {
			return slices.Contains(s.Unsaid, key) || key == "meter" && s.Meter.Name == ""
		}) {
			lacks = append(lacks, key)
		}
	}
	return lacks
}

func (a *app) knownExportCommand() *cobra.Command {
	var board, to string
	cmd := &cobra.Command{
		Use:               "export FOLDER",
		Short:             "write all readings in use as one table in CSV",
		Long:              `export writes one row for each reading of the sweeps in use. "halfsplit known import" reads the table back the same.`,
		Example:           "  halfsplit known export kestrel/known --board kestrel/board.yaml --to k3.csv",
		Args:              arguments("FOLDER of sweeps"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: func(_ *cobra.Command, args []string) error {
			_, lib, err := a.library(args[0], board)
			if err != nil {
				return err
			}
			length := 0
			err = a.writeOut(to, func(w io.Writer) error {
				return exchange.WriteCSV(io.MultiWriter(w, counter{&length}), lib.Sweeps)
			})
			if err == nil && length > table.Limit {
				fmt.Fprintf(a.errors, "warning: the table has %d MB, and import takes %d MB; to read it back, export smaller folders\n", length>>20, table.Limit>>20)
			}
			return err
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "`FILE` to write, which must not exist yet; otherwise the screen")
	boardFlag(cmd, &board)
	return cmd
}

// counter counts the bytes that are written to it.
type counter struct{ n *int }

func (c counter) Write(p []byte) (int, error) {
	*c.n += len(p)
	return len(p), nil
}

func (a *app) knownSheetCommand() *cobra.Command {
	var board, to string
	cmd := &cobra.Command{
		Use:               "sheet FOLDER CONNECTOR",
		Short:             "print a connector with its readings as one HTML page",
		Example:           "  halfsplit known sheet kestrel/known J7 --board kestrel/board.yaml --to J7.html",
		Args:              arguments("FOLDER of sweeps", "CONNECTOR"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: func(_ *cobra.Command, args []string) error {
			b, lib, err := a.library(args[0], board)
			if err != nil {
				return err
			}
			c, err := b.ConnectorByName(args[1])
			if err != nil {
				return err
			}
			return a.writeOut(to, func(w io.Writer) error { return exchange.WriteSheet(w, b, lib, c, a.layoutOf(b)) })
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "`FILE` to write, which must not exist yet; otherwise the screen")
	boardFlag(cmd, &board)
	return cmd
}
