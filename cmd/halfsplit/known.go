package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fit"
	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/references"
)

func (a *app) knownCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "known COMMAND",
		Short: "keep the readings of good boards: add, check, show, compare",
		Long: `known keeps what good boards read. The library is a folder of sweep files, one for
each pass over one board with one meter, in version control or on a shared
drive. Files are never rewritten: a sweep is added, or withdrawn by a small file
that says why. Names of files carry a digest, so that no two people write the
same one.`,
		Args: cobra.ArbitraryArgs,
		RunE: helpOrComplain,
	}
	cmd.AddCommand(a.knownTakeCommand(), a.knownAddCommand(), a.knownShowCommand(), a.knownCheckCommand(), a.knownStatusCommand(), a.knownCompareCommand(),
		a.knownWithdrawCommand(), a.knownImportCommand(), a.knownExportCommand(), a.knownSheetCommand())
	return cmd
}

const progressDelay = 300 * time.Millisecond

func (a *app) knownAddCommand() *cobra.Command {
	var to, board string
	cmd := &cobra.Command{
		Use:   "add SWEEP...",
		Short: "add sweeps of good boards to the library",
		Long: `add checks sweep files and copies them into a folder, each under a name made of
board, revision, sample, date and a digest of its text. What already exists is
left as it is. Nothing is added where one of the files has a problem. A sweep may
come through a pipe; - is standard input. With --board, what "halfsplit known check"
finds of the added sweeps is told, and the exit code is 1 where it is a fault or a
doubt.`,
		Example:           "  halfsplit known add today/*.yaml --to kestrel/known --board kestrel/board.yaml",
		Args:              someArguments("a sweep file"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			if to == "" {
				return instead("no folder is named", "add `--to` and the folder of known-good sweeps")
			}
			var b *netlist.Board
			if board != "" {
				var err error
				if b, err = loadBoard(board); err != nil {
					return err
				}
			}
			var all []newSweep
			var problems document.Problems
			for _, file := range args {
				in, err := a.source(file)
				if err != nil {
					return err
				}
				sweep, text, err := references.ReadSweep(in, file, b)
				in.Close()
				var found document.Problems
				switch {
				case errors.As(insteadOf(kindSweep, file, err), &found):
					problems = append(problems, found...)
					continue
				case err != nil:
					return err
				}
				all = append(all, newSweep{sweep, text})
			}
			if err := problems.Err(); err != nil {
				return err
			}
			if b != nil {
				return a.addSweeps(s, to, b, all)
			}
			if _, err := s.addSweeps(to, all); err != nil {
				return err
			}
			s.say("The points were not looked up, and nothing was compared; give --board for that.")
			return nil
		}),
	}
	folderFlag(cmd, &to, "to", "`FOLDER` of known-good sweeps")
	boardFlag(cmd, &board)
	return cmd
}

func (a *app) knownWithdrawCommand() *cobra.Command {
	var why, by string
	var points []string
	cmd := &cobra.Command{
		Use:   "withdraw SWEEP",
		Short: "take a sweep, or a reading of it, out of use by a note that says why",
		Long: `withdraw writes a small file beside a sweep that says why it is not to be used any
more; with --point, only the readings of these points. The sweep stays as it is;
remove the note to use it again.`,
		Example: `  halfsplit known withdraw kestrel/known/k3-022.yaml --why "the board failed a week later"
  halfsplit known withdraw kestrel/known/k3-014.yaml --point J7.4 --why "the probe missed the pad"`,
		Args:              arguments("SWEEP file"),
		ValidArgsFunction: completeFiles(kindSweep),
		RunE: a.on(func(s *screen, args []string) error {
			if strings.TrimSpace(why) == "" {
				return instead("no reason is given", "add --why and the reason, such as --why \"the board failed a week later\"")
			}
			_, err := references.Withdraw(args[0], points, why, by, time.Now().Truncate(time.Second))
			if unwritten := (*fs.PathError)(nil); errors.As(err, &unwritten) {
				return instead(quoted(unwritten.Path)+" cannot be written: "+document.Reason(err), "the note has to lie beside the sweep: ask who may write there")
			}
			if err != nil {
				return err
			}
			s.say("Withdrawn by a note beside it, which `halfsplit known check` names.")
			return nil
		}),
	}
	cmd.Flags().StringVar(&why, "why", "", "`REASON`, kept in the note")
	cmd.Flags().StringVar(&by, "by", "", "who withdraws it")
	cmd.Flags().StringArrayVar(&points, "point", nil, "`POINT` whose reading is withdrawn; may be repeated")
	return cmd
}

// knownPoint is one row of `known show --json`.
type knownPoint struct {
	At        string   `json:"at"`
	Net       string   `json:"net"`
	Polarity  string   `json:"polarity"`
	Like      string   `json:"like"` // sort of meter
	Boards    int      `json:"boards"`
	Overloads int      `json:"overloads"`
	Median    *float64 `json:"median"` // volts; null where no board read a voltage
	Spread    *float64 `json:"spread"`
	Low       *float64 `json:"low"` // of the 95 % interval of the next good board
	High      *float64 `json:"high"`
	Overload  float64  `json:"overload_probability"`
	Meters    []string `json:"meters"`
	Samples   []string `json:"samples"`
	First     string   `json:"first"` // date; empty where no file says
	Last      string   `json:"last"`
}

// knownLevel is the share of good boards inside the interval shown.
const knownLevel = 0.95

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func pointOf(s references.Summary) knownPoint {
	low, high := s.Interval(knownLevel)
	day := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.Format(time.DateOnly)
	}
	return knownPoint{s.At, s.Net, s.Polarity.String(), s.Like, s.N, s.Overloads, finite(s.Median), finite(s.Spread), finite(low), finite(high), s.OverloadShare, s.Meters, s.Samples, day(s.First), day(s.Last)}
}

func (a *app) knownShowCommand() *cobra.Command {
	var board, point, meter string
	cmd := &cobra.Command{
		Use:   "show FOLDER",
		Short: "what good boards read, point by point",
		Long: `show lists, for each point, the median and spread of good boards (1.4826 times the
median absolute deviation) and the interval in which 95 % of further good boards
will read (Student's t). Boards that lie more than five spreads out are left out of
the interval where they are a fifth at most. Readings of different meters stand apart,
since they do not mix as they are.

With --meter it lists what predict says of these points for that meter: good boards'
readings, converted by the physics of the estimated circuit. Behind ± stands one standard
deviation of the next good board, and of the part that conversion has in it. The meter is written as in sweep files, or is a
sweep or case file that has one.`,
		Example: `  halfsplit known show kestrel/known --board kestrel/board.yaml
  halfsplit known show kestrel/known --board kestrel/board.yaml --point J7.2
  halfsplit known show kestrel/known --board kestrel/board.yaml --meter "test_current: 0.3 mA, open_voltage: 2.7 V"`,
		Args:              arguments("FOLDER of sweeps"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			b, lib, err := a.library(args[0], board)
			if err != nil {
				return err
			}
			if meter != "" {
				return a.converted(s, b, lib, meter, point)
			}
			list := lib.Summaries()
			if point != "" {
				at, err := b.Point(point)
				if err != nil {
					return err
				}
				list = lib.SummaryAt(at)
			}
			points := make([]knownPoint, len(list))
			for i := range list {
				points[i] = pointOf(list[i])
			}
			return a.answer(struct {
				Board    string       `json:"board"`
				Revision string       `json:"revision"`
				Sweeps   int          `json:"sweeps"`
				Points   []knownPoint `json:"points"`
			}{b.Name, b.Revision, len(lib.Sweeps), points}, func() { s.known(lib, list, point != "") })
		}),
	}
	a.jsonFlag(cmd, ": volts, null where there is none")
	cmd.Flags().StringVar(&point, "point", "", "`POINT` to show, with its boards and meters")
	fileFlag(cmd, &meter, "meter", "`METER` to convert readings to, or a file that has one")
	boardFlag(cmd, &board)
	return cmd
}

func (s *screen) known(lib *references.Library, list []references.Summary, detailed bool) {
	s.libraryHead(lib)
	s.heading("KNOWN GOOD", "interval: 95 % of further good boards")
	var rows [][]cell
	for i := range list {
		x := &list[i]
		ground, _, _ := strings.Cut(x.Polarity.String(), "-")
		median, spread, between := "OL", "", ""
		if !math.IsNaN(x.Median) {
			low, high := x.Interval(knownLevel)
			median, spread = wording.Decimals(x.Median), fmt.Sprintf("%.0f mV", 1000*x.Spread)
			between = wording.Decimals(low) + " to " + wording.Decimals(high)
			if x.N == 1 {
				spread = ""
			}
		}
		ol := ""
		if x.Overloads > 0 && x.Overloads < x.N {
			ol = fmt.Sprintf("%d OL", x.Overloads)
		}
		rows = append(rows, []cell{{name(x.At), plain}, {name(x.Net), faint}, {ground, faint}, {median, strong}, {spread, plain}, {between, plain}, {ol, yellow}, {fmt.Sprint(x.N), plain}, {x.Like, faint}})
	}
	s.table(2, []column{{head: "at", give: true}, {head: "net", give: true}, {head: "ground"}, {head: "median", right: true}, {head: "spread", right: true}, {head: "interval"}, {}, {head: "boards", right: true}, {head: "meter"}}, rows)
	if len(rows) == 0 {
		s.say("  Nobody has read it.")
	}
	if detailed {
		for i := range list {
			x := &list[i]
			text := fmt.Sprintf("%s, %s: boards %s; meters %s", x.Polarity, x.Like, someNames(x.Samples, 20), someNames(x.Meters, 20))
			if !x.First.IsZero() {
				first, last := x.First.Format(time.DateOnly), x.Last.Format(time.DateOnly)
				text += "; " + first
				if last != first {
					text += " to " + last
				}
			}
			s.gap()
			s.prose(2, 2, faint, text)
		}
	}
}

// uncertain is the standard deviation in volts of a conversion beyond which `known show
// --meter` says how it can be made surer.
const uncertain = 0.003

// converted shows what good boards read, as the reader's own meter would show it: what
// `predict` says of the points that were read.
func (a *app) converted(s *screen, b *netlist.Board, lib *references.Library, text, point string) error {
	m, err := readMeter(text)
	if err != nil {
		return err
	}
	e, err := engine.New(b, lib, engine.Options{Task: a.begin("every point that was read", b)})
	if err != nil {
		return err
	}
	var list []diagnose.Prediction
	asked := map[string]bool{}
	for _, x := range lib.Summaries() {
		if point != "" {
			x.At = point
		}
		if asked[x.At+x.Polarity.String()] {
			continue
		}
		asked[x.At+x.Polarity.String()] = true
		p, err := e.Predict(diagnose.Question{Points: []string{x.At}, Setting: diagnose.Setting{Drive: fit.DriveOf(m), BlackOnGround: x.Polarity == references.BlackOnGround}})
		if err != nil {
			return err
		}
		if p[0].Boards > 0 {
			list = append(list, p[0])
		}
	}
	doubtful := 0
	for i := range list {
		if list[i].Volts != nil && list[i].Converting > uncertain {
			doubtful++
		}
	}
	if a.asJSON {
		return a.json(predictions{b.Name, b.Revision, list})
	}
	s.libraryHead(lib)
	source := "constant current"
	if m.Source == references.Resistive {
		source = "a resistance"
	}
	s.heading("KNOWN GOOD", fmt.Sprintf("converted to %.3g mA from %.3g V through %s", 1000*m.TestCurrent, m.OpenVoltage, source))
	var rows [][]cell
	for i := range list {
		x := &list[i]
		ground, _, _ := strings.Cut(x.Polarity, "-")
		conversion := ""
		if x.Converting > 0 {
			conversion = fmt.Sprintf("± %.0f mV", 1000*x.Converting)
		}
		rows = append(rows, []cell{{name(x.At), plain}, {name(x.Net), faint}, {ground, faint}, {wording.Spread(x.Volts, x.Overload, x.Sigma), strong}, {conversion, faint}, {fmt.Sprint(x.Boards), plain}})
	}
	s.table(2, []column{{head: "at", give: true}, {head: "net", give: true}, {head: "ground"}, {head: "predicted"}, {head: "of conversion"}, {head: "boards", right: true}}, rows)
	if doubtful > 0 {
		s.gap()
		s.prose(2, 0, plain, fmt.Sprintf("At %s conversion leaves more than %.0f mV uncertain: one current does not show what a junction reads at another. Read one good board with both meters, under one sample name; that leaves about 2 mV.", wording.Count(doubtful, "point"), 1000*uncertain))
	}
	return nil
}

// checkedLibrary is what `known check --json` prints.
type checkedLibrary struct {
	Board    string               `json:"board"`
	Revision string               `json:"revision"`
	Sweeps   int                  `json:"sweeps"`
	Problems []finding            `json:"problems"` // of files that could not be read
	Findings []references.Finding `json:"findings"`
}

func (a *app) knownCheckCommand() *cobra.Command {
	var board string
	var notes bool
	cmd := &cobra.Command{
		Use:   "check FOLDER",
		Short: "find sweeps that were taken wrongly, and gaps",
		Long: `check compares every sweep with the others and says what does not fit: probes the
wrong way round, a connector counted from the wrong end or one pin off, pins
exchanged, a meter or board that drifts, another revision, a sheet that is wrong as a
whole, as with the battery in, stray readings, points of one net that measure
differently, rounded readings, copies, two boards under one name, meters that stand
apart, files changed after they were added, files that do not count, what files do not
say, and points that nobody or too few have read.

The exit code is 1 where there is a fault or a doubt, so that it can stand in a
hook of version control; notes alone leave it at 0. A stray reading that is right less
than one time in five is a note.`,
		Example: `  halfsplit known check kestrel/known --board kestrel/board.yaml
  halfsplit known check kestrel/known --board kestrel/board.yaml --json > report.json`,
		Args:              arguments("FOLDER of sweeps"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			b, lib, found, err := a.libraryWith(args[0], board)
			if err != nil {
				return err
			}
			bar := a.progress("checking sweeps")
			list := lib.CheckWatched(bar.show)
			bar.clear()
			doubts, err := drawingDoubts(b, lib.Sweeps)
			if err != nil {
				return err
			}
			for _, text := range slices.Backward(doubts) {
				seen, do, _ := strings.Cut(text, "; ")
				list = slices.Insert(list, 0, references.Finding{Kind: references.KindDrawing, Severity: references.SeverityNote, Seen: seen, Do: do, Confidence: 1})
			}
			bad := len(found) > 0
			for _, f := range list {
				bad = bad || f.Severity != references.SeverityNote
			}
			answer := checkedLibrary{Board: lib.Board, Revision: lib.Revision, Sweeps: len(lib.Sweeps), Findings: list}
			for _, p := range found {
				answer.Problems = append(answer.Problems, finding{Problem: p})
			}
			return a.judged(bad, answer, func() { s.libraryFindings(lib, found, list, notes) })
		}),
	}
	a.jsonFlag(cmd, "")
	cmd.Flags().BoolVar(&notes, "notes", true, "show notes, such as points that nobody has read")
	boardFlag(cmd, &board)
	return cmd
}

var severitySigns = map[string]sign{
	references.SeverityFault: {"●", loud},
	references.SeverityDoubt: {"▲", yellow},
	references.SeverityNote:  {"·", faint},
}

func (s *screen) libraryFindings(lib *references.Library, found document.Problems, list []references.Finding, notes bool) {
	s.libraryHead(lib)
	if len(found) > 0 {
		s.gap()
	}
	for _, p := range found {
		s.say(s.paint(red, problemText(p)))
	}
	tally := make(map[string]int)
	for _, f := range list {
		tally[f.Severity]++
		if f.Severity == references.SeverityNote && !notes {
			continue
		}
		s.finding(lib, f)
	}
	s.gap()
	s.say(fmt.Sprintf("%s: %s, %s, %s.", wording.Count(len(lib.Sweeps), "sweep"), wording.Count(len(found)+tally[references.SeverityFault], "fault"), wording.Count(tally[references.SeverityDoubt], "doubt"), wording.Count(tally[references.SeverityNote], "note")))
}

// contrast is one row of `known compare --json`.
type contrast struct {
	At       string   `json:"at"`
	Net      string   `json:"net"`
	Polarity string   `json:"polarity"`
	Like     string   `json:"like"`
	BoardsA  int      `json:"boards_a"`
	BoardsB  int      `json:"boards_b"`
	A        *float64 `json:"a"` // volts; null for OL or where nobody read it
	B        *float64 `json:"b"`
	Chance   *float64 `json:"chance"` // of folders of the same boards to differ as much
	Differ   *float64 `json:"differ"` // probability that they do differ
}

// contrastLimit is the chance below which a difference is pointed out, shared by
// all places (Bonferroni).
const contrastLimit = 0.01

func (a *app) knownCompareCommand() *cobra.Command {
	var board, second string
	var all bool
	cmd := &cobra.Command{
		Use:   "compare FOLDER FOLDER",
		Short: "compare two folders of good boards, or two revisions",
		Long: `compare shows the points at which the good boards of two folders read differently
by more than chance, and counts those that only one of them has. Readings of different meters, and of the
other polarity, are places of their own. With --second-board the second folder, which
may be the first, is read for another revision.`,
		Example: `  halfsplit known compare ours theirs --board kestrel/board.yaml
  halfsplit known compare kestrel/known kestrel/known --board kestrel/board.yaml --second-board kestrel/board-d.yaml`,
		Args:              arguments("FOLDER of sweeps", "second FOLDER of sweeps"),
		ValidArgsFunction: completeFolders,
		RunE: a.on(func(s *screen, args []string) error {
			var libs [2]*references.Library
			for i, file := range []string{board, cmp.Or(second, board)} {
				var err error
				if _, libs[i], err = a.library(args[i], file); err != nil {
					return err
				}
			}
			list := references.Compare(libs[0], libs[1])
			if a.asJSON {
				rows := make([]contrast, len(list))
				for i, c := range list {
					rows[i] = contrast{c.At, c.Net, c.Polarity.String(), c.Like, c.A.N, c.B.N, nil, nil, finite(c.Chance), finite(c.Differ)}
					if c.A.N > 0 {
						rows[i].A = finite(c.A.Center)
					}
					if c.B.N > 0 {
						rows[i].B = finite(c.B.Center)
					}
				}
				return a.json(struct {
					Points []contrast `json:"points"`
				}{rows})
			}
			s.contrasts(libs, args, list, all)
			return nil
		}),
	}
	a.jsonFlag(cmd, "")
	fileFlag(cmd, &second, "second-board", "`FILE` of the board of the second folder, where it is another revision")
	cmd.Flags().BoolVar(&all, "all", false, "show also points that agree, and those that one folder lacks")
	boardFlag(cmd, &board)
	return cmd
}

func (s *screen) contrasts(libs [2]*references.Library, dirs []string, list []references.Contrast, all bool) {
	revision := libs[0].Revision
	if revision != libs[1].Revision {
		revision = ""
	}
	s.say(s.paint(strong, wording.Board(libs[0].Board, revision)))
	for i := range libs {
		of := ""
		if libs[0].Revision != libs[1].Revision {
			of = " (" + revisionText(libs[i]) + ")"
		}
		s.say(path(dirs[i]) + of + ": " + inUse(libs[i]))
	}
	reads := func(p references.Predictive) string {
		switch {
		case p.N == 0:
			return "-"
		case math.IsNaN(p.Center):
			return "OL"
		}
		return wording.Decimals(p.Center)
	}
	both := 0
	for _, c := range list {
		if c.A.N > 0 && c.B.N > 0 {
			both++
		}
	}
	var rows [][]cell
	differs, lone := 0, 0
	for _, c := range list {
		note := cell{"agrees", faint}
		switch {
		case c.A.N == 0 || c.B.N == 0:
			note = cell{"in one folder only", faint}
			if lone++; !all {
				continue
			}
		case c.Chance < contrastLimit/float64(both):
			note = cell{"▲ differs, " + wording.Percent(c.Differ) + " sure", yellow}
			differs++
		default:
			if !all {
				continue
			}
		}
		ground, _, _ := strings.Cut(c.Polarity.String(), "-")
		rows = append(rows, []cell{{name(c.At), plain}, {name(c.Net), faint}, {ground, faint}, {reads(c.A), plain}, {reads(c.B), plain}, {c.Like, faint}, note})
	}
	s.gap()
	if len(rows) > 0 {
		s.table(2, []column{{head: "at", give: true}, {head: "net", give: true}, {head: "ground"}, {head: "first", right: true}, {head: "second", right: true}, {head: "meter"}, {}}, rows)
		s.gap()
	}
	text := fmt.Sprintf("%s in both folders, %d differ; %d in one folder only.", wording.Count(both, "reading place"), differs, lone)
	if !all && lone > 0 {
		text += " --all lists them."
	}
	s.say(text)
}
