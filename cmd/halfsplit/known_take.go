package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"halfsplit/engine/bench"
	"halfsplit/engine/journal"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

func (a *app) knownTakeCommand() *cobra.Command {
	var f benchFlags
	var to, sample string
	cmd := &cobra.Command{
		Use:   "take BOARD CONNECTOR",
		Short: "read a good board, pin by pin, into the library",
		Long: `take asks for the pins of a connector of a good board, with the same entry as bench,
and adds what was read to the library as a sweep. A reading unlike that of the good
boards before it is asked for again. Every entry is on the disk before the next is
asked for: after q, or a crash, the same command goes on.`,
		Example: `  halfsplit known take board.yaml J7 --to known --sample 02
  halfsplit known take board.yaml J7 --to known --sample 02 --meter-device /dev/ttyUSB0`,
		Args:              arguments("BOARD file", "CONNECTOR"),
		ValidArgsFunction: completeYAML,
		RunE: func(cmd *cobra.Command, args []string) error {
			if to == "" || sample == "" {
				return instead("it is not said which board this is, or where its readings go", "add `--to` and the folder of known-good sweeps, and `--sample` and a name for this board")
			}
			return a.take(a.stdin, args[0], args[1], to, sample, &f)
		},
	}
	folderFlag(cmd, &to, "to", "`FOLDER` of known-good sweeps")
	cmd.Flags().StringVar(&sample, "sample", "", "`NAME` of this good board, such as 02")
	f.sitFlags(cmd)
	return cmd
}

// take reads a good board: a session at the bench whose record becomes a sweep.
func (a *app) take(stdin io.Reader, board, connector, to, sample string, f *benchFlags) error {
	b, err := loadBoard(board)
	if err != nil {
		return err
	}
	if _, err := b.ConnectorByName(connector); err != nil {
		return err
	}
	if err := os.MkdirAll(to, 0o777); err != nil {
		return instead(quoted(to)+" cannot be made: "+document.Reason(err), "name a folder where you may write")
	}
	// Until it is whole it lies beside the sweeps under a name that no library reads.
	file := filepath.Join(to, ".take-"+filepath.Base(references.FileName(&references.Sweep{Board: b.Name, Revision: b.Revision, Sample: sample}, []byte(sample+" "+connector))))
	begun, known := *f, *f
	begun.board, begun.complaint = board, "none, a good board"
	begun.known, known.known = to, ""
	if _, err := os.Stat(file); err == nil {
		begun = known
	}
	done := false
	w, err := a.sit(stdin, file, &begun, "sweep "+connector, func(p *bench.Prompt) bool {
		asked := p.Ask == bench.AskCautions || p.Ask == bench.AskImplausible ||
			p.Ask == bench.AskReading && (p.Purpose == bench.ForSweep || p.Purpose == bench.ForAgain || p.Purpose == bench.ForChosen)
		done = !asked
		return done
	})
	if err != nil || !done {
		return err
	}
	s, err := a.screen()
	if err != nil {
		return err
	}
	added, err := addTaken(w, to, sample, connector, f.by)
	if err != nil {
		return err
	}
	for _, x := range added {
		s.say("added " + path(x))
	}
	if len(added) == 0 {
		s.say("Nothing was read, and nothing is added.")
	}
	return os.Remove(file)
}

// addTaken adds what a session read to a library: a sweep for each way that the probes
// were put down, the last reading of each point.
func addTaken(c *journal.Case, to, sample, connector, by string) (added []string, err error) {
	for _, pol := range []references.Polarity{references.RedOnGround, references.BlackOnGround} {
		sweep := references.Sweep{Board: c.Board.Name, Revision: c.Board.Revision, Sample: sample, By: by, Taken: time.Now(), Meter: c.Meter,
			State: references.State{Polarity: pol, Battery: "out", Unplugged: []string{connector}, Celsius: references.RoomCelsius}}
		at := map[netlist.Point]int{}
		for _, ev := range c.Events {
			if ev.Kind.Edits() {
				return nil, instead("this board was worked on, and a good board is one that was not", "take the sweep of another board, under another name")
			}
			for _, r := range ev.Readings {
				if r.Polarity != pol || r.To != nil || r.Reading.Unit != quantity.Volt {
					continue
				}
				x := references.PointReading{At: r.At, Name: r.Name, Reading: r.Reading}
				if k, ok := at[r.At]; ok {
					sweep.Readings[k] = x
					continue
				}
				at[r.At] = len(sweep.Readings)
				sweep.Readings = append(sweep.Readings, x)
			}
		}
		if len(sweep.Readings) == 0 {
			continue
		}
		var text bytes.Buffer
		if err := sweep.Write(&text); err != nil {
			return nil, err
		}
		file, _, err := references.Add(to, &sweep, text.Bytes())
		if err != nil {
			return nil, instead(quoted(file)+" cannot be written: "+document.Reason(err), "name a folder where you may write; all that was entered is kept until then")
		}
		added = append(added, file)
	}
	return added, nil
}
